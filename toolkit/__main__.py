"""The commands: `session-outcomes COMMAND`, `python -m toolkit COMMAND` or `python3 start.py COMMAND`.

A command reads its arguments, calls one function of the toolkit and prints what it returns. Whatever goes wrong is
said in one message, without a traceback: status 2 for what the user can mend, 1 for what only we can.
"""

import sys
import tomllib
import traceback
from pathlib import Path
from typing import Any

import click

from toolkit import __version__
from toolkit.commands import COMMANDS, opened_schedule, replace_option
from toolkit.errors import ToolkitError
from toolkit.resources import dataset_file
from toolkit.writing import check_free, check_free_folder, write_file

SHOWN_ROWS = 20  # of what was set aside, on the screen
NAME = "session-outcomes"
OURS = (
    "This is a fault of the toolkit, not of your records: {kind}: {error}\n"
    "What was not finished was not written. Run the same command with --traceback added to see where it happened, and "
    "report that."
)


@click.group(context_settings={"help_option_names": ["-h", "--help"]}, epilog="--traceback shows where a fault arose.")
@click.version_option(__version__, prog_name=NAME)
def commands() -> None:
    """From a year of session records to a claim one may make about one's own technique."""


exports_argument = click.argument("exports", nargs=-1, metavar="EXPORT…", type=click.Path(path_type=Path))
columns_option = click.option(
    "--columns",
    type=click.Path(path_type=Path),
    help="What your columns mean; the columns.toml beside the export if absent.",
)
codebook_option = click.option(
    "--codebook", type=click.Path(path_type=Path), help="Your own additions to the codebook (TOML or CSV)."
)


@commands.command()
@exports_argument
@click.option("--question", "questions", multiple=True, type=click.Path(path_type=Path), help="A question sheet.")
@click.option("--out", type=click.Path(path_type=Path), help="The folder to write; audit-NAME if absent.")
@columns_option
@codebook_option
@replace_option
def audit(
    exports: tuple[Path, ...],
    questions: tuple[Path, ...],
    out: Path | None,
    columns: Path | None,
    codebook: Path | None,
    replace: bool,
) -> None:
    """Say what moved in a year of sessions, what else explains it, what you may claim.

    EXPORT is a CSV, TSV, XLSX or Parquet file, several, or a folder. Without one the demo clinic is audited.
    """
    from toolkit.auditing import audit as audit_records
    from toolkit.records.records import load_records

    source = list(exports) or [dataset_file("demo/sessions.csv")]
    folder = out or Path(f"audit-{exports[0].stem if exports else 'demo'}")
    check_free_folder(folder, replace=replace)
    asked = list(questions) if exports or questions else demo_questions()
    records = load_records(source, columns=columns, codebook=codebook)
    click.echo(records.sentence())
    found = audit_records(records, question=asked or None)
    report = found.write(folder, replace=replace)
    for finding in found.findings["findings"]:
        click.echo(f"\n{finding['claim']['sentence']}")
    click.echo(f"\nThe report: {report.resolve()}")


def demo_questions() -> list[Any]:
    """The demo clinic's questions, as mappings: looking at the demo again is not logged as a look."""
    sheets = sorted(dataset_file("demo/questions").glob("*.toml"))
    return [tomllib.loads(sheet.read_text(encoding="utf-8")) for sheet in sheets]


@commands.command()
@exports_argument
@columns_option
@codebook_option
@click.option(
    "--set-aside", type=click.Path(path_type=Path), help="Write every row set aside, with its reason, as CSV."
)
@replace_option
def check(
    exports: tuple[Path, ...], columns: Path | None, codebook: Path | None, set_aside: Path | None, replace: bool
) -> None:
    """Read an export and account for every row: kept, or set aside with the reason."""
    from toolkit.records.records import load_records

    if set_aside is not None:
        check_free(set_aside, replace=replace)
    records = load_records(needed(exports), columns=columns, codebook=codebook)
    click.echo(records)
    for row in records.set_aside.head(SHOWN_ROWS).to_dict("records"):
        where = f"{row['file']}, row {row['row']}, {row['column'] or 'whole row'}"
        click.echo(f"  {where}: {row['reason']}. {row['remedy']}")
    if len(records.set_aside) > SHOWN_ROWS:
        click.echo(f"  … and {len(records.set_aside) - SHOWN_ROWS} more: --set-aside FILE writes them all.")
    if set_aside:
        click.echo(f"\nWritten: {records.write_set_aside(set_aside, replace=replace)}")


@commands.command()
@click.argument("export", type=click.Path(path_type=Path))
@click.option("--out", type=click.Path(path_type=Path), help="Write the proposal here, to be checked and kept.")
@codebook_option
@replace_option
def columns(export: Path, out: Path | None, codebook: Path | None, replace: bool) -> None:
    """Propose what each column of an export means, as a columns.toml."""
    from toolkit.records.codebook import load_codebook
    from toolkit.records.propose import propose_columns

    proposal = propose_columns(export, codebook=load_codebook(codebook))
    click.echo(proposal)
    if out is None:
        click.echo(f"\n{proposal.to_toml()}\nTo keep it: the same command with  --out {export.parent / 'columns.toml'}")
        return
    write_file(out, proposal.to_toml(), replace=replace)
    click.echo(f"\nWritten: {out}. Please read it through before you use it.")


@commands.command()
@click.argument("additions", required=False, type=click.Path(path_type=Path))
def codebook(additions: Path | None) -> None:
    """List the measures, regions and interventions the toolkit knows, with your own ADDITIONS checked."""
    from toolkit.records.codebook import check_codebook, load_codebook

    book = load_codebook(additions)
    for title, table, shown in (
        ("Measures", book.measures, ["measure", "label", "unit", "better"]),
        ("Regions", book.regions, ["region", "label"]),
        ("Interventions", book.interventions, ["intervention", "label"]),
    ):
        click.echo(f"{title} ({len(table)})\n{table[shown].to_string(index=False, header=False)}\n")
    faults = check_codebook(book)
    if faults:
        raise ToolkitError("\n".join(faults))
    click.echo("No fault found.")


@commands.command()
@click.argument("workbook", type=click.Path(path_type=Path))
@click.option("--measure", "measures", multiple=True, required=True, help="Codebook name of what is read; repeat it.")
@click.option("--region", "regions", multiple=True, required=True, help="Codebook name of what is treated; repeat it.")
@click.option("--intervention", "interventions", multiple=True, help="What is done; repeat it.")
@click.option("--client", "clients", multiple=True, help="A client's pseudonym for the drop-down; repeat it.")
@click.option("--rows", default=200, show_default=True, help="Empty rows.")
@click.option("--schedule", type=click.Path(path_type=Path), help="A drawn order (see draw-order) to fill in.")
@click.option("--key", type=click.Path(path_type=Path), help="The key that opens the drawn order.")
@codebook_option
@replace_option
def sheet(
    workbook: Path,
    measures: tuple[str, ...],
    regions: tuple[str, ...],
    interventions: tuple[str, ...],
    clients: tuple[str, ...],
    rows: int,
    schedule: Path | None,
    key: Path | None,
    codebook: Path | None,
    replace: bool,
) -> None:
    """Write a WORKBOOK (XLSX) to record the coming weeks in; the toolkit reads it back as it is."""
    from toolkit.records.codebook import load_codebook
    from toolkit.records.entry_sheet import write_entry_sheet

    written = write_entry_sheet(
        workbook,
        codebook=load_codebook(codebook),
        measures=measures,
        regions=regions,
        interventions=interventions,
        clients=clients,
        schedule=opened_schedule(schedule, key),
        rows=rows,
        replace=replace,
    )
    click.echo(f"Written: {written}")


@commands.command()
@click.argument("path", required=False, metavar="SHEET", type=click.Path(path_type=Path))
@click.option("--write", is_flag=True, help="Write result.csv beside each sheet.")
@replace_option
def replicate(path: Path | None, write: bool, replace: bool) -> int:
    """See whether a published analysis comes out again; all the shipped ones without SHEET."""
    from toolkit.replicating import replicate_command

    return 1 if replicate_command(path, write=write, replace=replace, say=click.echo) else 0


@commands.command(context_settings={"ignore_unknown_options": True})
@click.argument("options", nargs=-1, type=click.UNPROCESSED)
def lab(options: tuple[str, ...]) -> int:
    """Open the notebooks in JupyterLab, in your browser, without asking anything of the network."""
    from toolkit.notebook.lab import open_lab

    return open_lab(options)


for further in COMMANDS:
    commands.add_command(further)


def needed(exports: tuple[Path, ...]) -> list[Path]:
    """The exports named on the command line; none is a mistake that is said in words."""
    if not exports:
        raise click.UsageError("Name the file to read, for example: check sessions.csv")
    return list(exports)


def run(words: list[str]) -> int:
    """Run the command in `words` and return its exit status; every failure is said in words."""
    asked = [word for word in words if word != "--traceback"]
    try:
        status = commands.main(args=asked, prog_name=NAME, standalone_mode=False)
    except click.ClickException as error:
        error.show()
        return error.exit_code
    except (click.Abort, KeyboardInterrupt):
        click.echo("Stopped.", err=True)
        return 130
    except Exception as error:
        if asked != words:
            traceback.print_exc()
        message, status = explain(error)
        click.echo(message, err=True)
        return status
    return status if isinstance(status, int) else 0


def explain(error: Exception) -> tuple[str, int]:
    """What to tell the user about `error`, and the exit status."""
    if isinstance(error, ToolkitError):
        return str(error), 2
    if isinstance(error, OSError) and error.filename:
        return f"{error.filename}: {error.strerror}. Choose another file or folder, or close it where it is open.", 2
    if isinstance(error, MemoryError):
        return "The computer's memory is too small for these records: audit fewer files at once.", 2
    return OURS.format(kind=type(error).__name__, error=error), 1


def main() -> None:
    """The console script."""
    sys.exit(run(sys.argv[1:]))


if __name__ == "__main__":
    main()
