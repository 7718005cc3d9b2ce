"""The sections after the claim: what was left at the next visit, said and as a table.

Findings of an older version may lack the keys read here; the page then says nothing of them.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from toolkit.present.html import ReportTable
from toolkit.present.report_tables import Finding, title_of
from toolkit.present.words import capital, clean, counted, is_missing, number, sentence, with_interval

HELD_WORDS = {
    "readings": "Next first reading less this session's last reading before",
    "compared": "The same, less that after sessions only measured",
    "gain": "Gain within the session",
    "change_a_day": "Change for each day more between the visits",
}


def held_sentence(finding: Finding) -> str:
    """What was left at the next visit, or why that cannot be told; empty where it was not asked."""
    held = finding.get("held")
    if held:
        return sentence(held["sentence"])
    why = finding.get("why_not_held")
    return f"It cannot be told. {sentence(why)}" if why else ""


def held_table(finding: Finding) -> ReportTable:
    """The numbers of what was left at the next visit."""
    held = finding.get("held") or {}
    rows = [_held_row(held[key], words) for key, words in HELD_WORDS.items() if held.get(key)]
    share = held.get("share_left")
    if share:
        rows.append(_share_row(share, held["share_left_after_days"]))
    if rows:
        rows.append(("Days between the visits", _days(held["days_between"]), "", "after sessions of the technique"))
    return ReportTable(
        key="held",
        caption=f"At the next visit: {title_of(finding)}",
        columns=("What", "Estimate", "From", "Method"),
        rows=rows,
    )


def _held_row(part: Mapping[str, Any], words: str) -> tuple[str, ...]:
    """One estimate of the table."""
    unit, a_day, _ = str(part["unit"]).partition(" a day")
    level = part.get("confidence_level") or 0.95
    value = with_interval(part["mean"], part["ci_low"], part["ci_high"], unit, level=level) + a_day
    return (words, value, counted(part["n_clients"], "client"), capital(clean(part["method"])))


def _share_row(share: Mapping[str, Any], days: Any) -> tuple[str, ...]:
    """The share of the gain that was left; it may lie beyond 0 and 100 %."""
    middle, low, high = (number(100 * float(share[key]), decimals=0) for key in ("mean", "ci_low", "ci_high"))
    name = f"Share of the gain left after {number(days, decimals=0)} days"
    many = counted(share["n_clients"], "client")
    return (name, f"{middle} % (95 % interval {low} to {high} %)", many, capital(clean(share["method"])))


def _days(days: Mapping[str, Any]) -> str:
    """Shortest, usual and longest time between visits."""
    if is_missing(days["median"]):
        return "no dates"
    short, usual, long = (f"{float(days[key]):.0f}" for key in ("shortest", "median", "longest"))
    return f"{usual} (median; {short} to {long})"
