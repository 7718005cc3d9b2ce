"""What an audit found, as the plain dict that findings.json holds (format findings/1)."""

from __future__ import annotations

import math
from collections import Counter
from datetime import UTC, datetime
from typing import Any

import numpy as np
import pandas as pd

from toolkit import __version__
from toolkit.attributable.compared import only_treated
from toolkit.change.effect_sizes import effect_sizes
from toolkit.change.responders import responders
from toolkit.claim import Claim
from toolkit.errors import FitError, NotEnoughError
from toolkit.findings.finding import Judged, claim_of, rungs_and_rivals
from toolkit.findings.methods_used import METHODS
from toolkit.findings.ruler import Ruler
from toolkit.models.region_intervention import by_region_and_intervention
from toolkit.records.account import Records
from toolkit.records.cautions import cautions_for
from toolkit.result import Estimate

FORMAT = "findings/1"
MANY = 12


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


def labels_of(judged: Judged, records: Records) -> dict[str, str]:
    """Measure, region and intervention in a reader's words."""
    book, question = records.codebook, judged.question

    def named(names: str, frame: pd.DataFrame, key: str) -> str:
        known = dict(zip(frame[key].astype(str), frame["label"].astype(str), strict=True))
        return " and ".join(known.get(part, part.replace("_", " ")) for part in names.split(" + "))

    region = "any region" if question.region == "any" else named(question.region, book.regions, "region")
    return {
        "measure": named(question.measure, book.measures, "measure"),
        "region": region,
        "intervention": named(question.intervention, book.interventions, "intervention"),
    }


def finding_dict(judged: Judged, records: Records) -> dict[str, Any]:
    """One entry of `findings`."""
    question, rows = judged.question, judged.technique
    labels = labels_of(judged, records)
    rungs, rivals = rungs_and_rivals(judged, records.rows)
    claim = claim_of(judged, **labels)
    size = question.smallest_change_that_matters
    return {
        "id": f"{question.measure}|{question.region}|{question.intervention}",
        "labels": labels,
        "measure": question.measure,
        "region": question.region,
        "intervention": question.intervention,
        "unit": question.unit,
        "better": question.better,
        "n_clients": int(rows["client"].nunique()),
        "n_sessions": int(rows["session_id"].nunique()),
        "n_sides": len(rows[["client", "measured_side"]].astype(str).drop_duplicates()),
        "n_missing_after": int(rows["after"].isna().sum()),
        "change": _change(judged),
        "change_from_second_baseline": _estimate(judged.readings_2),
        "effect_sizes": _effect_sizes(judged),
        "beyond_measurement_error": _beyond(judged),
        "ladder": [vars(rung) for rung in rungs],
        "attributable": _attributable(judged),
        "rivals": [
            {
                "rival": rival.rival,
                "status": rival.status,
                "size": rival.size.value if rival.size else None,
                "ci_low": rival.size.ci_low if rival.size else None,
                "ci_high": rival.size.ci_high if rival.size else None,
                "unit": rival.size.unit if rival.size else None,
                "n": rival.size.n if rival.size else None,
                "n_of": rival.size.n_of if rival.size else None,
                "method": rival.size.method if rival.size else None,
                "says": rival.says,
                "what_would_close_it": rival.what_would_close_it,
            }
            for rival in rivals
        ],
        "claim": _claim(claim),
        "smallest_change_that_matters": (
            None if size is None else {"value": size, "unit": question.unit, "source": question.source}
        ),
        "leaning": _leaning(judged),
        "looks": {"look": judged.look, "planned": question.looks_planned},
        "questions_judged_together": judged.n_questions,
        "notes": _finding_notes(judged),
    }


def _finding_notes(judged: Judged) -> list[str]:
    """What a reader should know about this question's records."""
    notes = [judged.side_note, judged.why_no_comparison, judged.why_no_readings, _declared_note(judged)]
    asked, compared = judged.question.comparison, judged.compared
    if asked is not None and compared is not None and not _is_asked(asked, compared.basis):
        notes.append(f"The question asks for a comparison with “{asked}”; the records hold {compared.against} instead.")
    return [note for note in notes if note]


def _is_asked(asked: str, basis: str) -> bool:
    bases = {"wait": ("randomised_order",), "other_side": ("randomised_side", "other_side")}
    return basis in bases.get(asked, ("comparison_sessions",))


def _declared_note(judged: Judged) -> str:
    """How many of the sessions that decide were held before the question was declared."""
    rows = judged.compared.rows if judged.compared is not None else judged.technique
    declared_on, dates = judged.question.declared_on, pd.to_datetime(rows["date"])
    if not judged.declared or declared_on is None or dates.isna().all():
        return ""
    sessions = dates[~rows["session_id"].astype(str).duplicated()]
    before = int((sessions < pd.Timestamp(declared_on)).sum())
    if before == 0:
        return ""
    return (
        f"{before} of {len(sessions)} sessions that decide were held before the question was declared on {declared_on}; "
        "a declared question counts in full only for sessions from then on."
    )


def _claim(claim: Claim) -> dict[str, Any]:
    return {
        "level": claim.level,
        "basis": claim.basis,
        "declared": claim.declared,
        "sentence": claim.sentence,
        "next_step": claim.next_step,
        "may_say": claim.may_say,
        "may_not_say": claim.may_not_say,
        "to_say_more": claim.to_say_more,
    }


def _estimate(found: Estimate | None) -> dict[str, Any] | None:
    if found is None:
        return None
    return {
        "mean": found.value,
        "ci_low": found.ci_low,
        "ci_high": found.ci_high,
        "p": found.p,
        "df": found.df,
        "n_clients": found.n,
        "method": found.method,
    }


def _change(judged: Judged) -> dict[str, Any]:
    """The raw change, or empty numbers with the reason as method."""
    found = _estimate(judged.readings)
    empty = {"mean": None, "ci_low": None, "ci_high": None, "p": None, "df": None, "n_clients": 0}
    return found or {**empty, "method": f"not available: {judged.why_no_readings}"}


def _attributable(judged: Judged) -> dict[str, Any] | None:
    found, compared = judged.attributable, judged.compared
    if found is None or compared is None:
        return None
    complete = judged.complete or found
    return {
        "mean": found.mean,
        "ci_low": found.ci_low,
        "ci_high": found.ci_high,
        "p": found.p,
        "df": found.df,
        "method": found.method,
        "basis": compared.basis,
        "against": compared.against,
        "confidence_level": found.confidence_level,
        "n_clients": found.n_clients,
        "n_sessions": found.n_sessions,
        "n_filled": found.n_filled,
        "without_missing": {"mean": complete.mean, "ci_low": complete.ci_low, "ci_high": complete.ci_high},
    }


def _leaning(judged: Judged) -> dict[str, Any]:
    found = judged.attributable
    return {
        "allowance": judged.allowance,
        "source": judged.allowance_source,
        "tipping_point": max(0.0, found.ci_low) if found is not None and np.isfinite(found.ci_low) else None,
        "blinded_share": judged.blinded_share,
    }


def _effect_sizes(judged: Judged) -> list[dict[str, Any]]:
    question = judged.question
    try:
        found = effect_sizes(judged.technique, measure=question.measure, better=str(question.better))
    except NotEnoughError:
        return []
    return [
        {"name": e.name, "value": e.value, "ci_low": e.ci_low, "ci_high": e.ci_high, "n": e.n, "method": e.method}
        for e in found
    ]


def _beyond(judged: Judged) -> dict[str, Any]:
    """Share of clients whose change lies beyond the ruler's error."""
    question, threshold = judged.question, judged.ruler.mdc95
    empty = {"share": None, "ci_low": None, "ci_high": None, "n": 0}
    if not threshold:
        return {**empty, "threshold": threshold, "threshold_source": judged.ruler.source}
    try:
        found = responders(
            judged.technique,
            measure=question.measure,
            unit=str(question.unit),
            better=str(question.better),
            threshold=threshold,
            threshold_source=judged.ruler.source,
            sem=judged.ruler.sem,
        )
    except NotEnoughError:
        return {**empty, "threshold": threshold, "threshold_source": judged.ruler.source}
    share = found.beyond_error
    return {
        "share": share.value,
        "ci_low": share.ci_low,
        "ci_high": share.ci_high,
        "n": share.n,
        "threshold": threshold,
        "threshold_source": judged.ruler.source,
        "expected_if_nothing_happened": found.expected["beyond_error"],
        "method": share.method,
    }


def by_region(records: Records, measures: list[str]) -> dict[str, Any]:
    """The model by region and intervention of the first measure, and of the others beside it."""
    models: list[dict[str, Any]] = []
    for measure in measures:
        better = records.codebook.measure(measure).better
        rows = records.rows.assign(**{name: records.rows[name].astype(str) for name in ("region", "intervention")})
        rows = only_treated(rows, measure=measure, better=better, relation=records.codebook.limits)
        rows = rows[~((rows["region"] == "") & (rows["intervention"] != "measured_only"))]
        try:
            found = by_region_and_intervention(
                rows, measure=measure, better="higher" if better == "higher" else "lower"
            )
        except (NotEnoughError, FitError) as problem:
            models.append({"model": {"measure": measure, "not_fitted": str(problem)}, "rows": []})
            continue
        models.append(found.as_findings())
    first = models[0] if models else {"model": None, "rows": []}
    return {**first, "other_measures": models[1:]}


def set_aside_by_reason(records: Records) -> list[dict[str, Any]]:
    """What was set aside, counted by reason, with an example row and what to do."""
    frame = records.set_aside
    if frame.empty:
        return []
    grouped = frame.groupby("reason", sort=False)
    counted = grouped.agg(n=("row", "size"), remedy=("remedy", "first"), example_row=("row", "first")).reset_index()
    counted = counted.sort_values("n", ascending=False, kind="stable")
    return [plain(row) for row in counted.to_dict("records")]


def record_next(findings: list[dict[str, Any]]) -> list[dict[str, str]]:
    """What to record next, most often needed first."""
    steps = Counter(finding["claim"]["next_step"] for finding in findings)
    closes = Counter(
        rival["what_would_close_it"]
        for finding in findings
        for rival in finding["rivals"]
        if rival["status"] == "open" and rival["what_would_close_it"]
    )
    out = [
        {"what": step, "why": f"it is the next step for {n} of {len(findings)} answers"}
        for step, n in steps.most_common(3)
    ]
    known = {row["what"] for row in out}
    out += [
        {"what": close, "why": f"it would close a rival that is open in {n} of {len(findings)} answers"}
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
    return dict(
        plain(
            {
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
                "measurement": [ruler.as_dict() for ruler in rulers],
                "findings": findings,
                "by_region_and_intervention": by_region(records, measures),
                "rows_set_aside_by_reason": set_aside_by_reason(records),
                "flags": _flags(records),
                "record_next": record_next(findings),
                "cautions": cautions_for(sorted(set(regions) - {"any"})),
                "methods": METHODS,
                "notes": _notes(judged),
            }
        )
    )


def _flags(records: Records) -> list[dict[str, Any]]:
    """What is worth knowing about kept rows, counted."""
    if records.flags.empty:
        return []
    counted = (
        records.flags.groupby("what", sort=False).agg(n=("row", "size"), example_row=("row", "first")).reset_index()
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
