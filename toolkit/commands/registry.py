"""A registry on the command line: an export stored, and what the registry holds."""

from __future__ import annotations

from pathlib import Path

import click

from toolkit.commands.options import PATH, codebook_option, columns_option, say
from toolkit.commands.screen import table_lines, typed


@click.command()
@click.argument("folder", required=False, metavar="FOLDER", type=PATH)
@click.option("--store", "exports", multiple=True, metavar="EXPORT", type=PATH, help="Add an export; repeat it.")
@click.option("--site", help="The site's name, where the exports name none.")
@click.option("--question", type=PATH, help="Say what drifts over the years in what this sheet asks.")
@columns_option
@codebook_option
def registry(
    folder: Path | None,
    exports: tuple[Path, ...],
    site: str | None,
    question: Path | None,
    columns: Path | None,
    codebook: Path | None,
) -> None:
    """Keep many clinics' records in one folder, and say what it holds.

    FOLDER is the registry's. Each export is audited, stored by site and year with what was set aside, and stored once
    however often it is handed over. `audit`, `compare` and `pool` take the folder in place of an export.
    """
    from toolkit.claim.question import read_question
    from toolkit.records.records import load_records
    from toolkit.registering.open_registry import registry as open_registry
    from toolkit.registering.storing import store

    if folder is None:
        say(f"The engine is ready. Store a first export:  {typed('registry')} FOLDER --store EXPORT --site NAME")
        return
    for export in exports:
        records = load_records(export, columns=columns, codebook=codebook)
        name = store(records, folder, site=site)
        say(f"{export.name}: {records.sentence()} Stored as {name}.")
    found = open_registry(folder)
    if question is None:
        say(found.sentence(), "", table_lines(found.accounts()))
    else:
        say(found.over_years(read_question(question)))
