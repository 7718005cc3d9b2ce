"""The audit on the command line: records in, a report out."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import TYPE_CHECKING, Any

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
from toolkit.errors import ToolkitError
from toolkit.resources import dataset_file
from toolkit.writing import check_free_folder

if TYPE_CHECKING:
    import pandas as pd

    from toolkit.registering.registry import Registry

FEW = 3  # answers without a question that are said in full
ONE_AT_A_TIME = (
    "Nothing was written down before looking, so each answer pays for all the others. Ask one question beforehand:\n"
    "  {typed} YEAR.xlsx --question question.toml"
)


@click.command()
@exports_argument
@click.option("--question", "questions", multiple=True, type=PATH, help="A question sheet.")
@click.option("--schedule", type=PATH, help="The sealed order that was worked by (see draw-order); it needs --key.")
@click.option("--key", type=PATH, help="The key that opens the schedule.")
@click.option("--out", type=PATH, help="The folder to write; audit-NAME if absent.")
@columns_option
@codebook_option
@with_text_option
@replace_option
def audit(
    exports: tuple[Path, ...],
    questions: tuple[Path, ...],
    schedule: Path | None,
    key: Path | None,
    out: Path | None,
    columns: Path | None,
    codebook: Path | None,
    with_text: bool,
    replace: bool,
) -> None:
    """Say what moved in a year of sessions, what else explains it, what you may claim.

    EXPORT is a CSV, TSV, XLSX or Parquet file, several, a folder, or a registry. Without one the demo
    clinic is audited.
    """
    from toolkit.auditing import Audit
    from toolkit.auditing import audit as audit_records
    from toolkit.records.account import Records
    from toolkit.records.records import load_records
    from toolkit.registering.layout import is_registry
    from toolkit.registering.open_registry import registry

    source = list(exports) or [dataset_file("demo/sessions.csv")]
    folder = out or Path(f"audit-{exports[0].stem if exports else 'demo'}")
    check_free_folder(folder, replace=replace)
    opened = opened_schedule(schedule, key)
    asked = list(questions) if exports or questions else demo_questions()
    records: Records | Registry
    if is_registry(source[0]):
        records = registry(source[0])
    else:
        records = load_records(source, columns=columns, codebook=codebook)
    say(records.sentence())
    if open_questions := len(records.mapping.asked) if isinstance(records, Records) else 0:
        say(f"{open_questions} question(s) about your columns are open; they are asked by: {typed('columns')} --ask")
    found = audit_records(records, question=asked or None, schedule=opened)
    if not isinstance(found, Audit):
        say("", found)
        return
    report = found.write(folder, replace=replace, with_text=with_text)
    answers = found.findings["findings"]
    if opened is not None:
        for said in dict.fromkeys(one["draw"]["says"] for one in answers if one["draw"]):
            say(f"\n{said}")
    if asked or len(answers) <= FEW:
        for finding in answers:
            say(f"\n{finding['claim']['sentence']}")
    else:
        say(f"\n{answers_table(answers)}", "", *ONE_AT_A_TIME.format(typed=typed("audit")).split("\n"))
    say(f"\nThe report: {report.resolve()}")


def opened_schedule(schedule: Path | None, key: Path | None) -> pd.DataFrame | None:
    """The orders of a sealed schedule, each checked against its seal; which lines were opened, where that was noted.

    Raises
    ------
    ToolkitError
        No key, a seal that does not fit, or a schedule of two protocols.
    """
    from toolkit.commands.season import sealed_lines
    from toolkit.planning.opened_lines import opened_lines
    from toolkit.planning.order_schedule import PARTS, opened
    from toolkit.privacy.keys import key_from

    if schedule is None:
        if key is not None:
            raise ToolkitError("A key opens a schedule: name it too,  --schedule order.csv --key KEY")
        return None
    if key is None:
        raise ToolkitError(f"{schedule.name} is sealed. Name the key that opens it:  --key KEY")
    lines = sealed_lines(schedule)
    if lines["season"].str.contains(PARTS, regex=False).any():
        raise ToolkitError(
            f"{schedule.name} draws one of two protocols, not who waits first. Compare the two with:  "
            f"{typed('compare')} EXPORT --between A B --drawn"
        )
    noted = {(one["client"], one["session"]) for one in opened_lines(schedule)}
    known = [
        (str(client), int(number)) in noted for client, number in lines[["client", "session"]].itertuples(index=False)
    ]
    return opened(lines, key=key_from(key, away_from=[schedule])).assign(opened=known)


def demo_questions() -> list[Any]:
    """The demo clinic's questions, as mappings: looking at the demo again is not logged as a look."""
    sheets = sorted(dataset_file("demo/questions").glob("*.toml"))
    return [tomllib.loads(sheet.read_text(encoding="utf-8")) for sheet in sheets]
