"""What an audit found, as the plain dict that findings.json holds (format findings/2)."""

from __future__ import annotations

import json
import math
from collections import Counter
from collections.abc import Iterator, Mapping
from datetime import UTC, datetime
from typing import Any

import numpy as np
import pandas as pd

from toolkit import __version__
from toolkit.effect.comparison import only_treated
from toolkit.errors import FitError, NotEnoughError, ToolkitError
from toolkit.findings.checklist import checklist
from toolkit.findings.finding import Judged
from toolkit.findings.finding_dict import finding_dict, labels_in
from toolkit.findings.measured import Ruler, agreement_parts
from toolkit.findings.methods_used import main_methods, methods_used
from toolkit.mixed.region_intervention import by_region_and_intervention
from toolkit.records.account import Records
from toolkit.records.cautions import cautions_by_section, cautions_for
from toolkit.records.texts import keep_rows
from toolkit.resources import shared_file

SCHEMA = "schemas/findings-2.schema.json"


def check_findings(findings: Mapping[str, Any]) -> None:
    """Refuse findings that do not keep to the form, naming the first places that do not.

    Args:
        findings: what an audit found, as in findings.json.

    Raises:
        ToolkitError: a key is missing, has the wrong type, or a number is not finite.
    """
    from jsonschema import Draft202012Validator

    schema = json.loads(shared_file(SCHEMA).read_text(encoding="utf-8"))
    wrong = [f"{error.json_path}: {error.message}" for error in Draft202012Validator(schema).iter_errors(findings)]
    wrong += [f"{place}: not a finite number; null is meant where there is none" for place in _not_finite(findings)]
    export = findings.get("export", {})
    if not wrong and export["rows_kept"] + export["rows_set_aside"] != export["rows_read"]:
        wrong.append("$.export: rows kept and rows set aside do not add up to rows read")
    if wrong:
        more = f" (and {len(wrong) - 3} more)" if len(wrong) > 3 else ""
        raise ToolkitError(f"These findings are not of the form findings/2: {'; '.join(wrong[:3])}{more}.")


def _not_finite(value: Any, place: str = "$") -> Iterator[str]:
    """Places of NaN and infinity, which JSON cannot hold."""
    if isinstance(value, float) and not math.isfinite(value):
        yield place
    elif isinstance(value, Mapping):
        for key, inner in value.items():
            yield from _not_finite(inner, f"{place}.{key}")
    elif isinstance(value, (list, tuple)):
        for position, inner in enumerate(value):
            yield from _not_finite(inner, f"{place}[{position}]")


FORMAT = "findings/2"
WHAT_NO_RECORD_SHOWS = (
    "No record can show an order that was written afterwards to suit the readings, sessions of either kind that were "
    "held and never written, or a reader who leans on every reading alike. A schedule that somebody else drew and "
    "sealed closes the first two, because every opened line is accounted for; a reader who does not know what was done "
    "closes the third."
)


def plain(value: Any) -> Any:
    """A value as JSON holds it: no NaN, no infinity, no numpy."""
    if isinstance(value, dict):
        return {str(key): plain(one) for key, one in value.items()}
    if isinstance(value, (list, tuple)):
        return [plain(one) for one in value]
    if isinstance(value, (np.bool_, bool)):
        return bool(value)
    if isinstance(value, (np.integer, int)):
        return int(value)
    if isinstance(value, (np.floating, float)):
        return float(value) if math.isfinite(value) else None
    if value is pd.NA or value is pd.NaT:
        return None
    return value


_BY_REGION = (
    *("measure", "unit", "client", "practitioner", "session_id", "region", "intervention"),
    *("treated_side", "measured_side", "before", "before_2", "after"),
)


def by_region(records: Records, measures: list[str]) -> dict[str, Any]:
    """The model by region and intervention of the first measure, and of the others beside it."""
    models: list[dict[str, Any]] = []
    for measure in measures:
        better = records.codebook.measure(measure).better
        columns = [name for name in _BY_REGION if name in records.rows]
        rows = only_treated(records.rows[columns], measure=measure, better=better, relation=records.codebook.limits)
        rows = keep_rows(rows, ~((rows["region"] == "") & (rows["intervention"] != "measured_only")).to_numpy())
        try:
            found = by_region_and_intervention(
                rows, measure=measure, better="higher" if better == "higher" else "lower"
            )
        except (NotEnoughError, FitError) as problem:
            models.append({"model": {"measure": measure, "not_fitted": str(problem)}, "rows": []})
            continue
        part = found.as_findings()
        for row in part["rows"]:
            codes = {name: str(row[name]) for name in ("region", "intervention")}
            row["labels"] = labels_in(records.codebook, measure=measure, **codes)
        models.append(part)
    first = models[0] if models else {"model": None, "rows": []}
    return {**first, "other_measures": models[1:]}


def set_aside_by_reason(records: Records) -> list[dict[str, Any]]:
    """What was set aside, counted by reason, with an example row and what to do."""
    frame = records.shown_set_aside()
    if frame.empty:
        return []
    grouped = frame.groupby("reason", sort=False)
    counted = grouped.agg(n=("row", "size"), remedy=("remedy", "first"), example_row=("row", "first")).reset_index()
    counted = counted.sort_values("n", ascending=False, kind="stable")
    return [plain(row) for row in counted.to_dict("records")]


def _is_to_record(closes: str) -> bool:
    """Does this say something to write down, and not that nothing is to change?"""
    return bool(closes) and not closes.startswith("Nothing to change")


def record_next(findings: list[dict[str, Any]]) -> list[dict[str, str]]:
    """What to record next, most often needed first."""
    steps = Counter(finding["claim"]["next_step"] for finding in findings)
    closes = Counter(
        explanation["what_would_close_it"]
        for finding in findings
        for explanation in finding["rivals"]
        if explanation["status"] == "open" and _is_to_record(explanation["what_would_close_it"])
    )
    out = [
        {"what": step, "why": f"it is the next step for {n} of {len(findings)} answers"}
        for step, n in steps.most_common(3)
    ]
    known = {row["what"] for row in out}
    out += [
        {"what": close, "why": f"it would close an explanation that is open in {n} of {len(findings)} answers"}
        for close, n in closes.most_common(4)
        if close not in known
    ]
    return out


def assemble(
    records: Records, judged: list[Judged], rulers: list[Ruler], *, question: Any, file: str
) -> dict[str, Any]:
    """The whole dict of findings.json.

    Args:
        records: what was read. judged: the questions, in the order of the report. rulers: one a measure judged.
        question: the declared question(s) as dict, or None. file: the export's name, no path.
    """
    source = records.source
    findings = [finding_dict(one, records) for one in judged]
    measures = list(dict.fromkeys(one.question.measure for one in judged))
    regions = [name for one in judged for name in one.question.region.split(" + ")]
    parts = {
        "format": FORMAT,
        "toolkit_version": __version__,
        "created": datetime.now(UTC).isoformat(timespec="seconds"),
        "export": {
            "file": file,
            "sha256": source.sha256,
            "rows_read": source.rows_read,
            "rows_kept": source.rows_kept,
            "rows_set_aside": source.rows_set_aside,
            "readings_read": source.readings_read,
            "readings_kept": source.readings_kept,
            "readings_set_aside": source.readings_set_aside,
            "layout": source.layout,
        },
        "question": question,
        "measurement": [
            {**ruler.as_dict(), **agreement_parts(records.rows, measure=ruler.measure, unit=ruler.unit)}
            for ruler in rulers
        ],
        "findings": findings,
        "by_region_and_intervention": by_region(records, measures),
        "rows_set_aside_by_reason": set_aside_by_reason(records),
        "flags": _flags(records),
        "record_next": record_next(findings),
        "cautions": cautions_for(sorted(set(regions) - {"any"})),
        "cautions_by_section": _cautions(regions),
        "notes": _notes(judged),
        "what_no_record_shows": WHAT_NO_RECORD_SHOWS,
    }
    found: dict[str, Any] = plain(parts)
    return {
        **found,
        "methods": main_methods(found),
        "methods_used": methods_used(found),
        "checklist": checklist(found, records),
    }


def _cautions(regions: list[str]) -> list[dict[str, Any]]:
    """The cautions by section, each with its place and source."""
    sections = cautions_by_section(sorted(set(regions) - {"any"}))
    return [
        {
            "section": section,
            "cautions": [
                {"key": one.key, "place": one.place, "text": one.text, "source": one.source} for one in several
            ],
        }
        for section, several in sections.items()
    ]


def _flags(records: Records) -> list[dict[str, Any]]:
    """What is worth knowing about kept rows, counted."""
    if records.flags.empty:
        return []
    counted = (
        records.shown_flags()
        .groupby("what", sort=False)
        .agg(n=("row", "size"), example_row=("row", "first"))
        .reset_index()
    )
    return [plain(row) for row in counted.to_dict("records")]


def _notes(judged: list[Judged]) -> list[str]:
    undeclared = sum(not one.declared for one in judged)
    notes = []
    if undeclared > 1:
        notes.append(
            f"No question was declared before looking, so {undeclared} questions were judged together with Holm's "
            "correction. One question written down beforehand is judged alone, and sees more."
        )
    return notes
