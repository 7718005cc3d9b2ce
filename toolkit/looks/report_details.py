"""The sections after the claim: what was left at the next visit, how two readings agree; said and as tables.

Findings of an older version may lack the keys read here; the page then says nothing of them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import pandas as pd

from toolkit.looks.html import ReportTable
from toolkit.looks.report_tables import WORST_FIRST, Finding, said_once, title_of
from toolkit.looks.words import (
    STATUS_WORDS,
    amount,
    capital,
    clean,
    counted,
    is_missing,
    number,
    sentence,
    share_words,
    spaced,
    with_interval,
)

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


def moved_sentence(finding: Finding) -> str:
    """Who moved beyond measurement error: better, worse and within, beside what error alone would give."""
    beyond = finding["beyond_measurement_error"]
    if is_missing(beyond["share"]) or beyond.get("worse") is None:
        return ""
    shares = [share_words(part["share"], part["ci_low"], part["ci_high"]) for part in (beyond, beyond["worse"])]
    start = "the second reading before" if beyond.get("counted_from") == "before_2" else "the reading before"
    chance = number(100 * beyond["expected_if_nothing_happened"], decimals=1)
    return (
        f"Of {counted(beyond['n'], 'client')}, from {start} to the reading after: {beyond['n_better']} better by more "
        f"than measurement error, {shares[0]}; {beyond['n_worse']} worse by as much, {shares[1]}; {beyond['n_within']} "
        f"within it. Error alone would show {chance} % each way."
    )


def explanation_states(finding: Finding) -> list[str]:
    """Which explanations stand how, the open ones first: one line a state."""
    lines = []
    for status, words in sorted(STATUS_WORDS.items(), key=lambda item: WORST_FIRST.index(item[0])):
        names = [spaced(explanation["rival"]) for explanation in finding["rivals"] if explanation["status"] == status]
        if names or status == "open":
            lines.append(f"{capital(words)}: {', '.join(names) or 'none'}.")
    return lines


def agreement_table(measurement: Sequence[Mapping[str, Any]], names: Mapping[str, str]) -> ReportTable:
    """How two readings of the same side agree: one row a measure, also where they cannot be compared."""
    rows = []
    for ruler in measurement:
        found, why = ruler.get("agreement"), ruler.get("why_no_agreement")
        name = capital(names.get(ruler["measure"]) or clean(ruler.get("label") or spaced(ruler["measure"])))
        if found:
            values = [
                with_interval(part["value"], part["ci_low"], part["ci_high"], ruler["unit"])
                for part in (found["mean_difference"], found["lower"], found["upper"])
            ]
            many = f"{counted(found['n_pairs'], 'pair')}, {counted(found['n_clients'], 'client')}"
            rows.append((name, *values, many, f"{clean(found['method'])}; {clean(found['several_pairs_a_client'])}"))
        elif why:
            rows.append((name, "not estimated", "", "", "", sentence(why)))
    return ReportTable(
        key="agreement",
        caption="Second less first reading of the same side, before anything was done",
        columns=("Measure", "Mean difference", "Lower limit", "Upper limit", "From", "Method"),
        rows=said_once(rows),
        full=pd.DataFrame(_flat_agreement(measurement)),
    )


def _flat_agreement(measurement: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """One row a measure at full precision."""
    return [
        {
            "measure": ruler["measure"],
            **{
                (key if end == "value" else f"{key}_{end}"): number_of
                for key in ("mean_difference", "lower", "upper")
                for end, number_of in ruler["agreement"][key].items()
            },
            **{key: ruler["agreement"][key] for key in ("unit", "n_clients", "n_pairs", "method")},
        }
        for ruler in measurement
        if ruler.get("agreement")
    ]


def draw_sentence(finding: Finding) -> str:
    """Whether chance was in charge of what is compared; empty where nobody drew."""
    draw = finding.get("draw")
    return sentence(draw["says"]) if draw else ""


def flow_sentence(finding: Finding) -> str:
    """What became of every session that was drawn; empty where nothing is compared."""
    flow = finding.get("flow")
    return sentence(flow["says"]) if flow and flow["says"] else ""


def flow_table(finding: Finding) -> ReportTable:
    """Sessions by arm, from the draw to the estimate; steps at which none was lost are left out."""
    steps = (finding.get("flow") or {"steps": []})["steps"]
    kept = [one for one in steps if one["technique"] or one["comparison"]]
    rows = [(capital(clean(one["step"])), str(one["technique"]), str(one["comparison"])) for one in kept]
    return ReportTable(
        key="flow",
        caption="Sessions, from the draw to the estimate",
        columns=("Step", "Technique", "Comparison"),
        rows=rows,
    )


def balance_sentence(finding: Finding) -> str:
    """Were the compared sessions alike, and what a difference means; empty where nothing was compared."""
    balance = finding.get("balance")
    return sentence(balance["says"]) if balance else ""


def balance_table(finding: Finding) -> ReportTable:
    """What was known of the compared sessions, side by side."""
    balance = finding.get("balance") or {"rows": [], "method": ""}
    rows = [
        (
            capital(clean(row["characteristic"])),
            _level_of(row, "technique"),
            _level_of(row, "comparison"),
            _in_sds(row),
            counted(row["n_clients"], "client"),
        )
        for row in balance["rows"]
    ]
    return ReportTable(
        key="balance",
        caption=f"What is compared, side by side ({clean(balance['method'])})",
        columns=("What", "Technique", "Comparison", "Difference", "From"),
        rows=rows,
    )


def _level_of(row: Mapping[str, Any], arm: str) -> str:
    """The mean of one arm with its unit and number of sessions."""
    n, mean = row[f"n_{arm}"], row[arm]
    if row["unit"] == "share of sessions":
        return "not available" if is_missing(mean) else f"{number(100 * mean, decimals=0)} % of {n}"
    return f"{amount(mean, row['unit'])}, {counted(n, 'session')}"


def _in_sds(row: Mapping[str, Any]) -> str:
    """The difference in SDs with its interval, or that there is no spread to measure it by."""
    if is_missing(row["difference"]):
        return "no spread to measure it by"
    return with_interval(row["difference"], row["ci_low"], row["ci_high"], "SD")


STATUS = {"verified": "checked against published figures", "from memory": "source and formula from memory"}


def methods_table(used: Sequence[Mapping[str, Any]]) -> ReportTable:
    """Every method the audit used: what for, what it supposes, where it is from, how it was checked."""
    rows = [
        (
            clean(line["what_for"]),
            clean(line["assumptions"]),
            clean(line["source"]),
            STATUS.get(line["status"], clean(line["status"])),
        )
        for line in used
    ]
    return ReportTable(
        key="methods_used",
        caption="Every method this audit used; names in the code and tests: tables/methods_used.csv",
        columns=("What it does", "What it supposes", "Source", "Checked"),
        rows=rows,
        full=pd.DataFrame(used, columns=["name", "what_for", "assumptions", "source", "status", "test"]),
    )


NO_SOURCE = "common practice, no source"


def caution_groups(findings: Mapping[str, Any]) -> list[tuple[str, list[str]]]:
    """The cautions by section, each with its source where it has one; one unnamed group in older findings."""
    sections = findings.get("cautions_by_section")
    if not sections:
        return [("", [sentence(one) for one in findings["cautions"]])]
    return [
        (
            clean(part["section"]),
            [
                clean(one["text"]) + ("" if one["source"] == NO_SOURCE else f" ({clean(one['source'])})")
                for one in part["cautions"]
            ],
        )
        for part in sections
    ]


def to_add(findings: Mapping[str, Any]) -> list[str]:
    """What a full report must state and only the practitioner knows."""
    return [
        f"{capital(clean(item['section']))}: {item['to_add'][:1].lower()}{sentence(item['to_add'])[1:]}"
        for item in findings.get("checklist", [])
        if item["to_add"]
    ]


def checklist_table(findings: Mapping[str, Any]) -> ReportTable:
    """Every item of the checklist: what this report states, what is to be added, which guideline asks."""
    items = findings.get("checklist", [])
    rows = [
        (
            clean(item["should_state"]),
            clean(item["stated"]) or "not in the records",
            clean(item["to_add"]) or "nothing",
            clean(item["guideline"]),
        )
        for item in items
    ]
    return ReportTable(
        key="checklist",
        caption="What a report of such an audit states",
        columns=("Item", "Stated here", "To add", "Asked for by"),
        rows=rows,
        full=pd.DataFrame(items, columns=["section", "key", "should_state", "stated", "to_add", "guideline"]),
    )
