"""What a report of such an audit should state: what this one states itself, and what only the practitioner can add.

The items are those of `shared/checklists/what_an_audit_report_states.csv`. A line of the answer says what the records
hold; whatever they do not hold is named as something to add, never guessed.
"""

from __future__ import annotations

import csv
from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd

from toolkit.records.account import Records
from toolkit.records.coded_texts import as_texts, each_once, written
from toolkit.records.free_text import kind_of_event
from toolkit.records.texts import group_codes
from toolkit.resources import shared_file

NO_EVENT = ("", "none", "no", "0", "nan")
DETAILS = ("position", "tissue_length", "head", "setting", "minutes")
Said = tuple[str, str]  # what the report states, what is left to add; either may be empty


def checklist(findings: dict[str, Any], records: Records) -> list[dict[str, str]]:
    """One entry an item: key, what should be stated, what is, what to add, and the guideline that asks for it."""
    text = shared_file("checklists/what_an_audit_report_states.csv").read_text(encoding="utf-8")
    out = []
    for item in csv.DictReader(text.splitlines()):
        stated, add = _ANSWERS[item["key"]](findings, records)
        out.append(
            {
                "section": item["section"],
                "key": item["key"],
                "should_state": item["what_the_report_states"],
                "stated": stated,
                "to_add": add,
                "guideline": item["guideline"],
            }
        )
    return out


def _what_it_is(findings: dict[str, Any], _: Records) -> Said:
    drawn = sorted({one["basis"] for one in _left(findings) if one["basis"].startswith("randomised")})
    names = {"randomised_order": "who waited first", "randomised_side": "the treated side"}
    said = " and ".join(names[basis] for basis in drawn)
    return f"An audit of one's own records; {said + ' was' if said else 'nothing was'} drawn at random.", ""


def _one_question(findings: dict[str, Any], _: Records) -> Said:
    declared = [one["claim"]["declared"] for one in findings["findings"]]
    if all(declared):
        return "Each question with its comparison and direction; written down before looking.", ""
    return "Each question with its comparison and direction; not written down before looking.", (
        "Why these questions, and that they were chosen after the records were there."
    )


def _looks(findings: dict[str, Any], _: Records) -> Said:
    looks = sorted({(one["looks"]["look"], one["looks"]["planned"]) for one in findings["findings"]})
    said = ", ".join(f"look {look} of {planned} planned" for look, planned in looks)
    return f"{said[:1].upper()}{said[1:]}.", "Any earlier test of these records that no question sheet counted."


def _who_came(_: dict[str, Any], records: Records) -> Said:
    rows = records.rows
    dates = pd.to_datetime(rows["date"]).dropna()
    span = f", {dates.min():%Y-%m-%d} to {dates.max():%Y-%m-%d}" if len(dates) else "; no dates"
    return f"{rows['client'].nunique()} clients{span}.", "Why they came, and who was left out of the records."


def _how_often(_: dict[str, Any], records: Records) -> Said:
    counts = each_once(records.rows[["session_id", "client"]])["client"].value_counts()
    named = as_texts(records.rows["practitioner"])
    return (
        f"Sessions a client: median {counts.median():.3g}, most {int(counts.max())}; "
        f"practitioners: {named[named != ''].nunique() or 'not written down'}."
    ), ""


def _what_was_done(_: dict[str, Any], records: Records) -> Said:
    rows = records.rows
    written = [name for name in DETAILS if name in rows and _filled(rows[name]) >= 0.8]
    lacking = [name.replace("_", " ") for name in DETAILS if name not in written]
    said = f"Region, side, technique{''.join(', ' + name.replace('_', ' ') for name in written)} are in the records."
    return said, f"By whom, with which training{''.join(', ' + name for name in lacking)}."


def _how_read(findings: dict[str, Any], records: Records) -> Said:
    how = [
        f"{measure.label}: {measure.how_taken}"
        for name in dict.fromkeys(one["measure"] for one in findings["findings"])
        if (measure := records.codebook.measure(name)).how_taken
    ]
    said = f"The codebook's way to take it: {' '.join(how)}" if how else ""
    return said, "Whether it was read as the codebook says: instrument, position, landmarks, who read."


def _how_good(findings: dict[str, Any], _: Records) -> Said:
    unknown = [one["measure"] for one in findings["measurement"] if one["sem"] is None]
    known = len(findings["measurement"]) - len(unknown)
    return (
        "Standard error of measurement and smallest detectable change, with their source." if known else "",
        f"The measurement error of {', '.join(name.replace('_', ' ') for name in unknown)}." if unknown else "",
    )


def _who_knew(findings: dict[str, Any], _: Records) -> Said:
    shares = [one["leaning"]["blinded_share"] for one in findings["findings"]]
    if all(share is None for share in shares):
        return "", "Whether the person who re-measured knew what had been done."
    said = ", ".join("not written down" if share is None else f"{100 * share:.0f} %" for share in shares)
    return f"Share re-measured by a reader who did not know: {said} (question by question).", ""


def _what_against(findings: dict[str, Any], _: Records) -> Said:
    against = sorted({one["against"] for one in _left(findings)})
    return f"Compared with {' and '.join(against) or 'nothing: the records hold no comparison'}.", ""


def _how_assigned(findings: dict[str, Any], _: Records) -> Said:
    bases = {one["basis"] for one in _left(findings)}
    if not bases:
        return "", "How it was decided who is treated how."
    drawn = all(basis.startswith("randomised") for basis in bases)
    said = "Drawn at random, as the records say." if drawn else "Not drawn at random (or not everywhere)."
    return said, "By what and by whom it was drawn." if drawn else "How it was decided who got which."


def _flow(_: dict[str, Any], __: Records) -> Said:
    return "Rows read, kept and set aside with reasons; readings missing after.", ""


def _change(findings: dict[str, Any], _: Records) -> Said:
    known = all(one["change"]["mean"] is not None for one in findings["findings"])
    return (
        ("Mean change with interval, clients, unit and method.", "") if known else ("", "A mean change with interval.")
    )


def _individuals(findings: dict[str, Any], _: Records) -> Said:
    known = any(one["beyond_measurement_error"]["share"] is not None for one in findings["findings"])
    return (
        ("How many clients moved beyond measurement error, with interval.", "")
        if known
        else (
            "",
            "How many clients moved beyond measurement error: the error is not known here.",
        )
    )


def _everything(findings: dict[str, Any], _: Records) -> Said:
    if any(one["claim"]["declared"] for one in findings["findings"]):
        return "The questions that were written down.", "Other measures, regions and techniques that were looked at."
    return "Every measure, region and technique in the records.", ""


def _explanations(_: dict[str, Any], __: Records) -> Said:
    return "Each other explanation with its size, or why it stays open.", ""


def _harms(_: dict[str, Any], records: Records) -> Said:
    rows = records.rows
    if "adverse_event" not in rows or not _filled(rows["adverse_event"]):
        return "", "Adverse events and discomfort: how asked, how many, of what kind; also when there were none."
    session = group_codes(rows, ["session_id", "client"])
    code, texts = pd.factorize(as_texts(rows["adverse_event"]))
    words = [str(text).strip() for text in texts]
    says = np.array([*(word != "" for word in words), False])[code]
    asked = int(np.count_nonzero(np.bincount(session[says])))
    event = np.array([*(word != "" and word.lower() not in NO_EVENT for word in words), False])[code]
    had = pd.Series(code[event], index=session[event]).groupby(level=0).first()
    kinds = had.map({place: kind_of_event(word) for place, word in enumerate(words)}).value_counts()
    total = int(session.max(initial=-1)) + 1
    listed = "; ".join(f"{kind}: {n}" for kind, n in kinds.head(5).items())
    more = f"; and {len(kinds) - 5} other kinds" if len(kinds) > 5 else ""
    said = f"{int(kinds.sum())} sessions with an adverse event{f' ({listed}{more})' if listed else ''}, "
    return (
        f"{said}written down in {asked} of {total} sessions, whatever was done in them.",
        "How clients were asked about adverse events.",
    )


def _no_more(_: dict[str, Any], __: Records) -> Said:
    return "One sentence each, no more than the design allows, and what would allow more.", ""


def _how_computed(findings: dict[str, Any], _: Records) -> Said:
    return f"Version {findings['toolkit_version']}, the export's hash, every method.", (
        "Where the de-identified records and the question sheet can be had."
    )


def _only(words: str) -> Callable[[dict[str, Any], Records], Said]:
    """An item that no record holds."""
    return lambda _, __: ("", words)


_ANSWERS: dict[str, Callable[[dict[str, Any], Records], Said]] = {
    "what_it_is": _what_it_is,
    "one_question": _one_question,
    "looks": _looks,
    "who_came": _who_came,
    "how_often": _how_often,
    "what_was_done": _what_was_done,
    "what_changed": _only("What was changed from the written recipe, for whom and why."),
    "how_read": _how_read,
    "how_good": _how_good,
    "who_knew": _who_knew,
    "what_against": _what_against,
    "how_assigned": _how_assigned,
    "flow": _flow,
    "change": _change,
    "individuals": _individuals,
    "everything_tried": _everything,
    "other_explanations": _explanations,
    "adverse_events": _harms,
    "no_more_than": _no_more,
    "how_computed": _how_computed,
    "interests": _only("Who paid, who sells the technique, who analysed."),
    "permission": _only("Consent, the local rules on records, and who may see them."),
}


def _left(findings: dict[str, Any]) -> list[dict[str, Any]]:
    """What is attributable, of the questions that have it."""
    return [one["attributable"] for one in findings["findings"] if one["attributable"]]


def _filled(column: pd.Series) -> float:
    """The share of rows in which something is written."""
    return float(written(column).mean())
