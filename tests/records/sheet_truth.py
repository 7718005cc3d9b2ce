"""Compares what `load_records` reads from a sheet with what stands in it."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from toolkit.errors import ToolkitError
from toolkit.records.mapping import READING_FIELDS
from toolkit.records.records import Records, load_records
from toolkit.records.units import conversion_factor

COMPARED = ("client", "when", "measure", "measured_side", "phase")


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """What became of one sheet."""

    sheet: str
    true: int
    found: int = 0
    wrong: int = 0
    said: str = ""
    right: bool = False
    details: tuple[str, ...] = ()


def read_sheet(path: Path) -> Outcome:
    """Read one sheet with nothing beside it and compare."""
    expected = json.loads(path.with_suffix(".expected.json").read_text(encoding="utf-8"))
    truth = pd.read_csv(path.with_suffix(".readings.csv"), dtype=str, keep_default_na=False)
    try:
        records = load_records(path)
    except ToolkitError as refusal:
        return _refused(path, expected, truth, str(refusal))
    return _compared(path, expected, truth, records)


def _refused(path: Path, expected: dict[str, Any], truth: pd.DataFrame, said: str) -> Outcome:
    """A refusal is right where the sheet is no export, or where it asks what only a person knows."""
    right = expected["layout"] == "none" or (bool(expected["needs_person"]) and _asks(said, expected["question_names"]))
    return Outcome(
        sheet=path.name,
        true=len(truth),
        said=("asked" if expected["needs_person"] else "refused"),
        right=right,
        details=(said,),
    )


def _asks(text: str, names: dict[str, Any]) -> bool:
    """Whether a text names the column and the matter."""
    low = text.casefold()
    sheet = any(word.casefold() in low for word in names["sheet"])
    return sheet and all(any(word.casefold() in low for word in group) for group in names["matter"])


def _compared(path: Path, expected: dict[str, Any], truth: pd.DataFrame, records: Records) -> Outcome:
    """Readings found, readings that are wrong, and whether what must be asked was asked."""
    spelled = {spelling: client for client, ways in expected["client_spellings"].items() for spelling in ways}
    mine = _readings(records, spelled)
    units = {name: entry["unit"] for name, entry in expected["measures"].items()}
    true = {
        _key(row): _in_unit(float(row["value"]), row["unit"], row["measure"], records)
        for row in truth.to_dict("records")
    }
    either = [(_key(row), row) for row in expected["either_way"]]
    ways = {key for key, _ in either}
    found = sum(key in mine and _close(mine[key], value) for key, value in true.items())
    needed = [key for key in true if key not in ways]
    wrong = [
        (key, value)
        for key, value in mine.items()
        if not (key in true and _close(value, true[key])) and not any(key == way for way in ways)
    ]
    missing = [key for key in needed if key not in mine or not _close(mine[key], true[key])]
    flags = " | ".join(f"{row['column']} {row['what']}" for row in records.flags.to_dict("records"))
    asked = not expected["needs_person"] or _asks(flags, expected["question_names"])
    apart = _kept_apart(records, expected, flags)
    enough = len(missing) <= 0.02 * max(len(true), 1) and len(wrong) <= 0.005 * max(len(mine), 1)
    details = [f"missing {key}" for key in missing[:4]] + [f"wrong {key}: {value}" for key, value in wrong[:4]] + apart
    if not asked:
        details.append("not asked: " + expected["needs_person"])
    details += _wrong_words(expected, records)
    right = bool(enough and asked and not apart and true and units)
    said = "asked in a flag" if expected["needs_person"] and asked else ""
    return Outcome(
        sheet=path.name, true=len(true), found=found, wrong=len(wrong), said=said, right=right, details=tuple(details)
    )


def _key(row: dict[Any, Any]) -> tuple[str, ...]:
    """Who, when, what, which side, which phase."""
    return (row["client"], row["date"], row["measure"], row["measured_side"], row["phase"])


def _readings(records: Records, spelled: dict[str, str]) -> dict[tuple[str, ...], float]:
    """(client, when, measure, side, phase) → value in the codebook's unit."""
    rows: dict[tuple[str, ...], float] = {}
    for row in records.rows.to_dict("records"):
        if pd.notna(row["date"]):
            when = row["date"].date().isoformat()
        else:
            when = f"day {row['day']}" if pd.notna(row["day"]) else f"visit {row['visit']}"
        for phase in READING_FIELDS:
            if pd.notna(row[phase]):
                value = _in_unit(row[phase], row["unit"], row["measure"], records)
                client = spelled.get(row["client"], row["client"])
                rows[(client, when, row["measure"], row["measured_side"], phase)] = value
    return rows


def _in_unit(value: float, unit: str, measure: str, records: Records) -> float:
    """A value in the codebook's unit of its measure."""
    return value * (conversion_factor(unit, records.codebook.measure(measure).unit) or 1.0)


def _close(first: float, second: float) -> bool:
    """Whether two readings are the same."""
    return abs(first - second) <= 1e-6 * max(1.0, abs(second))


def _kept_apart(records: Records, expected: dict[str, Any], flags: str) -> list[str]:
    """Spellings of one client that are kept apart without a word."""
    found = []
    names = set(records.rows["client"])
    for ways in expected["client_spellings"].values():
        here = [way for way in ways if way in names]
        if len(here) > 1 and not any(all(f'"{way}"' in what for way in here) for what in records.flags["what"]):
            found.append(f"kept apart in silence: {here}")
    return found


def _wrong_words(expected: dict[str, Any], records: Records) -> list[str]:
    """Regions and techniques that the sheet's words do not mean."""
    found = []
    for field in ("region", "intervention"):
        meant = set(expected["words"][field].values())
        own = set(expected["words"][field])
        odd = set(records.rows[field]) - meant - own - {"", "not stated"}
        found += [f"{field}: {name}" for name in sorted(odd)]
    return found


def outcome_table(outcomes: list[Outcome]) -> str:
    """The outcomes as a table of text."""
    lines = [f"{'sheet':30} {'true':>5} {'found':>5} {'wrong':>5}  {'asked or refused':16} right"]
    for one in outcomes:
        right = "yes" if one.right else "NO"
        lines += [f"{one.sheet:30} {one.true:5} {one.found:5} {one.wrong:5}  {one.said:16} {right}"]
    return "\n".join([*lines, f"{sum(one.right for one in outcomes)} of {len(outcomes)} read right"])
