"""Published analyses on the command line."""

from __future__ import annotations

from pathlib import Path

import click

from toolkit.commands.options import PATH, replace_option


@click.command()
@click.argument("path", required=False, metavar="SHEET", type=PATH)
@click.option("--write", is_flag=True, help="Write result.csv beside each sheet.")
@replace_option
def replicate(path: Path | None, write: bool, replace: bool) -> int:
    """See whether a published analysis comes out again; all the shipped ones without SHEET."""
    from toolkit.replicating import replicate_command

    return 1 if replicate_command(path, write=write, replace=replace, say=click.echo) else 0
