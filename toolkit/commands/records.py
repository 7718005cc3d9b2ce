"""Records on the command line: every row accounted for, what columns mean, names out, how good the reading is."""

from __future__ import annotations

from pathlib import Path

import click

from toolkit.commands.options import (
    PATH,
    codebook_option,
    columns_option,
    exports_argument,
    needed,
    replace_option,
    say,
    with_text_option,
)
from toolkit.commands.screen import table_lines
from toolkit.errors import ToolkitError
from toolkit.writing import check_free

SHOWN_ROWS = 20  # of what was set aside, on the screen


@click.command()
@exports_argument
@columns_option
@codebook_option
@click.option("--set-aside", type=PATH, help="Write every row set aside, with its reason, as CSV.")
@with_text_option
@replace_option
def check(
    exports: tuple[Path, ...],
    columns: Path | None,
    codebook: Path | None,
    set_aside: Path | None,
    with_text: bool,
    replace: bool,
) -> None:
    """Say what matters first about an export, then account for every row set aside."""
    from toolkit.records.check_screen import check_screen
    from toolkit.records.records import load_records

    if set_aside is not None:
        check_free(set_aside, replace=replace)
    records = load_records(needed(exports), columns=columns, codebook=codebook)
    say(check_screen(records, with_text=with_text))
    if len(records.set_aside):
        say("\nRow by row")
    aside = records.set_aside if with_text else records.shown_set_aside()
    for row in aside.head(SHOWN_ROWS).to_dict("records"):
        where = f"{row['file']}, row {row['row']}, {row['column'] or 'whole row'}"
        say(f"  {where}: {row['reason']}. {str(row['remedy'])[:1].upper()}{str(row['remedy'])[1:]}")
    if len(records.set_aside) > SHOWN_ROWS:
        say(f"  … and {len(records.set_aside) - SHOWN_ROWS} more: --set-aside FILE writes them all.")
    if set_aside:
        say(f"\nWritten: {records.write_set_aside(set_aside, replace=replace, with_text=with_text)}")


@click.command()
@click.argument("additions", required=False, type=PATH)
def codebook(additions: Path | None) -> None:
    """List the measures, regions and interventions the toolkit knows, with your own ADDITIONS checked."""
    from toolkit.records.codebook import check_codebook, load_codebook

    book = load_codebook(additions)
    for title, table, shown in (
        ("Measures", book.measures, ["measure", "label", "unit", "better"]),
        ("Regions", book.regions, ["region", "label"]),
        ("Interventions", book.interventions, ["intervention", "label"]),
    ):
        say(f"{title} ({len(table)})\n{table[shown].to_string(index=False, header=False)}\n")
    faults = check_codebook(book)
    if faults:
        raise ToolkitError("\n".join(faults))
    say("No fault found.")


@click.command()
@click.argument("exports", nargs=-1, required=True, metavar="EXPORT…", type=PATH)
@click.option("--out", type=PATH, required=True, help="The file to write (CSV).")
@click.option("--key", type=PATH, required=True, help="The key's file, kept away from the data.")
@click.option("--new-key", is_flag=True, help="Make the key's file; without it a missing key is a mistake.")
@click.option("--client", multiple=True, help="The column that says who the client is; found by its header if absent.")
@click.option("--date", default="", help="The column with the date; found by its header if absent.")
@click.option("--date-order", default="", help="day_first, month_first or year_first, where the dates do not say.")
@click.option("--keep", multiple=True, help="A column to keep that the codebook does not explain; repeat it.")
@columns_option
@codebook_option
@replace_option
def deidentify(
    exports: tuple[Path, ...],
    out: Path,
    key: Path,
    new_key: bool,
    client: tuple[str, ...],
    date: str,
    date_order: str,
    keep: tuple[str, ...],
    columns: Path | None,
    codebook: Path | None,
    replace: bool,
) -> None:
    """Make an office export fit for analysis: no names, pseudonyms by a key, days instead of dates. Ask local law."""
    from toolkit.privacy.files import deidentify_files

    done = deidentify_files(
        list(exports),
        out,
        key=key,
        new_key=new_key,
        client=client,
        date=date,
        date_order=date_order,
        keep=keep,
        columns=columns,
        codebook=codebook,
        replace=replace,
    )
    say(done.sentence(), "", table_lines(done.table()), "", f"Written: {out}")


@click.command()
@click.argument("study", required=False, type=PATH)
@click.option("--measure", help="Codebook name of what was read; needed for a study of your own.")
@click.option("--unit", default="deg", show_default=True)
@click.option("--subject", default="subject", show_default=True, help="Column of who was read.")
@click.option("--reader", default="reader", show_default=True, help="Column of who, or which instrument, read.")
@click.option("--reading", default="reading", show_default=True, help="Column that numbers repeated readings.")
@click.option("--value", default="value", show_default=True, help="Column of the readings.")
def ruler(
    study: Path | None, measure: str | None, unit: str, subject: str, reader: str, reading: str, value: str
) -> None:
    """How good is the ruler: ICC, SEM and MDC95 of a reliability STUDY (CSV, one row a reading).

    Without STUDY the open goniometer study is shown, the published figures beside it.
    """
    from toolkit.stats.reliability_study import knee_goniometer_ruler
    from toolkit.stats.reliability_study import ruler as ruler_of_study

    if study is None:
        say(knee_goniometer_ruler())
        return
    found = ruler_of_study(
        study, measure=measure or study.stem, unit=unit, subject=subject, reader=reader, reading=reading, value=value
    )
    say(found)
