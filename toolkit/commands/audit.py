"""The audit on the command line: records in, a report out."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import click

from toolkit.commands.options import (
    PATH,
    codebook_option,
    columns_option,
    exports_argument,
    replace_option,
    say,
    with_text_option,
)
from toolkit.commands.screen import answers_table, typed
from toolkit.resources import dataset_file
from toolkit.writing import check_free_folder

FEW = 3  # answers without a question that are said in full
ONE_AT_A_TIME = (
    "Nothing was written down before looking, so each answer pays for all the others. Ask one question beforehand:\n"
    "  {typed} YEAR.xlsx --question question.toml"
)


@click.command()
@exports_argument
@click.option("--question", "questions", multiple=True, type=PATH, help="A question sheet.")
@click.option("--out", type=PATH, help="The folder to write; audit-NAME if absent.")
@columns_option
@codebook_option
@with_text_option
@replace_option
def audit(
    exports: tuple[Path, ...],
    questions: tuple[Path, ...],
    out: Path | None,
    columns: Path | None,
    codebook: Path | None,
    with_text: bool,
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
    say(records.sentence())
    if open_questions := len(records.mapping.asked):
        say(f"{open_questions} question(s) about your columns are open; they are asked by: {typed('columns')} --ask")
    found = audit_records(records, question=asked or None)
    report = found.write(folder, replace=replace, with_text=with_text)
    answers = found.findings["findings"]
    if asked or len(answers) <= FEW:
        for finding in answers:
            say(f"\n{finding['claim']['sentence']}")
    else:
        say(f"\n{answers_table(answers)}", "", *ONE_AT_A_TIME.format(typed=typed("audit")).split("\n"))
    say(f"\nThe report: {report.resolve()}")


def demo_questions() -> list[Any]:
    """The demo clinic's questions, as mappings: looking at the demo again is not logged as a look."""
    sheets = sorted(dataset_file("demo/questions").glob("*.toml"))
    return [tomllib.loads(sheet.read_text(encoding="utf-8")) for sheet in sheets]
