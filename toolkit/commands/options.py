"""Arguments and options that several commands share."""

from __future__ import annotations

from pathlib import Path

import click

from toolkit.commands.screen import fitted, typed
from toolkit.safe_text import printable

PATH = click.Path(path_type=Path)


exports_argument = click.argument("exports", nargs=-1, metavar="EXPORT…", type=PATH)


columns_option = click.option(
    "--columns",
    type=PATH,
    help="What your columns mean; the columns.toml beside the export if absent.",
)


codebook_option = click.option("--codebook", type=PATH, help="Your own additions to the codebook (TOML or CSV).")


replace_option = click.option(
    "--replace", is_flag=True, help="Write over an earlier output of this toolkit that nobody changed."
)


with_text_option = click.option(
    "--with-text", is_flag=True, help="Write out free text of the export; it may tell who somebody is."
)


def say(*things: object) -> None:
    """Print for a reader, in lines that fit; what a file brought along to steer the terminal is not passed on."""
    for thing in things:
        click.echo(printable(fitted(thing)))


def needed(exports: tuple[Path, ...]) -> list[Path]:
    """The exports named on the command line; none is a mistake that is said in words."""
    if not exports:
        raise click.UsageError(f"Name the file to read, for example:  {typed('check sessions.csv')}")
    return list(exports)
