"""The report's tables, made from `findings`: every number with its unit, its interval, its n and its method."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Any

import pandas as pd

from toolkit.looks.html import ReportTable
from toolkit.looks.words import (
    BASIS_WORDS,
    EFFECT_WORDS,
    LEVEL_WORDS,
    STATUS_WORDS,
    amount,
    capital,
    clean,
    counted,
    is_missing,
    number,
    p_words,
    share_words,
    spaced,
    with_interval,
)

Finding = Mapping[str, Any]
WORST_FIRST = ("open", "bounded", "adjusted", "closed_by_design", "not_applicable")


def name_of(finding: Finding, what: str) -> str:
    """The human name of a finding's measure, region or intervention."""
    return clean(finding.get("labels", {}).get(what) or spaced(finding[what]))


def title_of(finding: Finding) -> str:
    """A finding's title: measure, region, intervention."""
    return capital(" · ".join(name_of(finding, what) for what in ("measure", "region", "intervention")))


def id_of(finding: Finding) -> str:
    """A finding's id."""
    return str(finding.get("id") or "|".join(str(finding[key]) for key in ("measure", "region", "intervention")))


def labelled(findings: Sequence[Finding], rows: pd.DataFrame) -> pd.DataFrame:
    """Rows by region and intervention with their names in words: their own, else those the findings use."""
    named = rows.copy()
    for what in ("measure", "region", "intervention"):
        if "labels" in named and what in named:
            named[what] = [labels[what] for labels in named["labels"]]
            continue
        names = {finding[what]: name_of(finding, what) for finding in findings}
        if what in named:
            named[what] = [names.get(code, spaced(code)) for code in named[what]]
    return named


def difference_words(finding: Finding) -> str:
    """What is left of the change after the comparison, in words."""
    left = finding["attributable"]
    if left is None:
        return "not estimated: nothing to compare with"
    if is_missing(left["mean"]):
        return f"not estimated: {clean(left['method'])}"
    level = left.get("confidence_level", 0.95)
    return with_interval(left["mean"], left["ci_low"], left["ci_high"], finding["unit"], level=level)


def answers_table(findings: Sequence[Finding]) -> ReportTable:
    """All questions on one page: what was looked at, how many clients, what is left, the answer in a few words."""
    rows, full = [], []
    for finding in findings:
        claim, left = finding["claim"], finding["attributable"] or {}
        rows.append(
            (
                title_of(finding),
                str(finding["n_clients"]),
                difference_words(finding),
                LEVEL_WORDS[claim["level"]],
                "yes" if claim["declared"] else "no",
            )
        )
        full.append(
            {
                **{key: finding[key] for key in ("measure", "region", "intervention", "unit", "better")},
                **{key: finding[key] for key in ("n_clients", "n_sessions", "n_sides", "n_missing_after")},
                **{f"change_{key}": finding["change"][key] for key in ("mean", "ci_low", "ci_high", "p", "method")},
                **{f"difference_{key}": left.get(key) for key in ("mean", "ci_low", "ci_high", "p", "method", "basis")},
                **{key: claim[key] for key in ("level", "declared", "sentence")},
            }
        )
    return ReportTable(
        key="answers",
        caption="All questions: those that can be compared first, then those with most clients",
        columns=("Question", "Clients", "Beyond the comparison", "Answer", "Written down before looking"),
        rows=rows,
        full=pd.DataFrame(full),
    )


def overview_table(findings: Sequence[Finding]) -> ReportTable:
    """All questions in short lines: clients, what is left beyond the comparison, the answer."""
    levels = {one["attributable"].get("confidence_level", 0.95) for one in findings if one["attributable"]}
    said = f"{100 * max(levels):.4g} % intervals" if len(levels) == 1 else "intervals as wide as many questions ask for"
    rows = [
        (
            title_of(one),
            str(one["n_clients"]),
            re.sub(r"[\d.]+ % interval ", "", difference_words(one)),
            LEVEL_WORDS[one["claim"]["level"]],
        )
        for one in findings
    ]
    return ReportTable(
        key="overview",
        caption=f"All {len(rows)} questions ({said}): what can be compared first, then those with most clients",
        columns=("Question", "Clients", "Beyond the comparison", "Answer"),
        rows=rows,
    )


def tally(findings: Sequence[Finding]) -> list[str]:
    """How many questions got which answer, in words, strongest answer first."""
    levels = [finding["claim"]["level"] for finding in findings]
    return [f"{words}: {levels.count(level)}" for level, words in LEVEL_WORDS.items() if level in levels]


def numbers_table(finding: Finding) -> ReportTable:
    """The numbers behind one answer."""
    unit, change = finding["unit"], finding["change"]
    n = counted(finding["n_clients"], "client")
    rows: list[tuple[str, ...]] = [
        (
            "Change from before to after",
            with_interval(change["mean"], change["ci_low"], change["ci_high"], unit),
            p_words(change["p"]),
            n,
            clean(change["method"]),
        )
    ]
    rows += [_left_row(finding, n), *_beyond_rows(finding)]
    rows += _observer_bias_rows(finding)
    return ReportTable(
        key="numbers",
        caption=f"The numbers: {title_of(finding)}",
        columns=("What", "Estimate", "p", "From", "Method"),
        rows=rows,
    )


def effects_table(finding: Finding) -> ReportTable:
    """The effect sizes of one answer, each with its interval."""
    rows: list[tuple[str, ...]] = []
    n = counted(finding["n_clients"], "client")
    for size in finding["effect_sizes"]:
        name = EFFECT_WORDS.get(size["name"], spaced(size["name"]))
        value = with_interval(size["value"], size["ci_low"], size["ci_high"], size.get("unit", ""))
        rows.append((capital(name), value, counted(size["n"], "client") if "n" in size else n, clean(size["method"])))
    return ReportTable(
        key="effect_sizes",
        caption=f"Effect sizes: {title_of(finding)}",
        columns=("What", "Estimate", "From", "Method"),
        rows=rows,
    )


def paper_sentence(finding: Finding) -> str:
    """The difference beyond the comparison as papers report it; the change where nothing can be compared.

    Example:
        >>> change = {"mean": 3.0, "ci_low": 1.0, "ci_high": 5.0, "p": 0.0041, "df": 19.0, "method": "t on clients"}
        >>> paper_sentence({"attributable": None, "change": change, "unit": "deg", "n_clients": 20, "n_sessions": 40})
        'Mean change 3.0° (95 % CI 1.0 to 5.0°), df = 19.0, p = 0.004; 20 clients, 40 sessions; t on clients.'
    """
    left = finding["attributable"] or {}
    known = bool(left) and not is_missing(left["mean"])
    part = left if known else finding["change"]
    level = part.get("confidence_level", 0.95)
    value = with_interval(part["mean"], part["ci_low"], part["ci_high"], finding["unit"], signed=False, level=level)
    df = "" if is_missing(part.get("df")) else f", df = {number(part['df'], decimals=1)}"
    many = f"{counted(part.get('n_clients', finding['n_clients']), 'client')}"
    many += f", {counted(part.get('n_sessions', finding['n_sessions']), 'session')}"
    basis = f"; {BASIS_WORDS.get(left['basis'], spaced(left['basis']))}" if known else ""
    what = f"Mean difference from {clean(left.get('against', 'the comparison'))}" if known else "Mean change"
    return f"{what} {value}{df}, {p_words(part['p'])}; {many}; {clean(part['method'])}{basis}.".replace(
        "interval", "CI", 1
    )


def _left_row(finding: Finding, n: str) -> tuple[str, ...]:
    """The row of what is left beyond the comparison."""
    left = finding["attributable"] or {}
    basis = BASIS_WORDS.get(left.get("basis", "none"), spaced(left.get("basis", "")))
    method = f"{clean(left['method'])}; {basis}" if left else basis
    many = counted(left["n_clients"], "client") if "n_clients" in left else n
    return ("Beyond the comparison", difference_words(finding), p_words(left.get("p")), many if left else "", method)


def _beyond_rows(finding: Finding) -> list[tuple[str, ...]]:
    """The rows of clients who moved beyond measurement error, for the better and for the worse."""
    beyond = finding["beyond_measurement_error"]
    words = share_words(beyond["share"], beyond["ci_low"], beyond["ci_high"])
    source = clean(beyond["threshold_source"] or "measurement error not known")
    name = "Clients {} by more than measurement error"
    if is_missing(beyond["share"]):
        return [(name.format("better or worse"), f"{words}: {source}", "", "", "")]
    many = counted(beyond["n"], "client")
    limit = amount(beyond["threshold"], finding["unit"])
    how = f"change of more than {limit} for one session, less for the mean of several; {source}"
    rows: list[tuple[str, ...]] = [(name.format("better"), words, "", many, how)]
    worse = beyond.get("worse")
    if worse:
        words = share_words(worse["share"], worse["ci_low"], worse["ci_high"])
        rows.append((name.format("worse"), words, "", many, "the same"))
    return rows


def _observer_bias_rows(finding: Finding) -> list[tuple[str, ...]]:
    """How far a reader would have to lean to explain it all."""
    leaning = finding.get("leaning")
    if not leaning:
        return []
    unit = finding["unit"]
    blinded = leaning.get("blinded_share")
    seen = "share of blinded readings not known" if is_missing(blinded) else f"{blinded * 100:.0f} % read blinded"
    taken = f"taken off: {amount(leaning['allowance'], unit)} ({clean(leaning.get('source') or 'no source given')})"
    tip = leaning.get("tipping_point")
    return [("A reader who leans this far explains it all", amount(tip, unit), "", seen, taken)]


def steps_frame(finding: Finding) -> pd.DataFrame:
    """A finding's steps as a frame."""
    columns = ["step", "estimate", "ci_low", "ci_high", "says", "n_rows", "n_clients", "method"]
    return pd.DataFrame(finding["ladder"], columns=columns)


def steps_table(finding: Finding) -> ReportTable:
    """The adjustment steps as a table."""
    rows = [
        (
            f"{place}. {capital(spaced(step['step']))}",
            with_interval(step["estimate"], step["ci_low"], step["ci_high"], finding["unit"]),
            "" if is_missing(step.get("n_clients")) else str(step["n_clients"]),
            capital(clean(step["says"])),
            clean(step.get("method") or ""),
        )
        for place, step in enumerate(finding["ladder"], start=1)
    ]
    caption = f"From the usual answer to what is left: {title_of(finding)}"
    return ReportTable(
        key="adjustment_steps",
        caption=caption,
        columns=("Step", "Estimate", "Clients", "What it says", "Method"),
        rows=rows,
    )


def explanations_table(finding: Finding) -> ReportTable:
    """Other explanations of one answer, the open ones first."""
    rows = [
        (
            capital(spaced(explanation["rival"])),
            STATUS_WORDS[explanation["status"]],
            _size_words(explanation, finding["unit"]),
            capital(clean(explanation["says"])),
            capital(clean(explanation["what_would_close_it"])) or "nothing more needed",
        )
        for explanation in sorted(finding["rivals"], key=lambda explanation: WORST_FIRST.index(explanation["status"]))
    ]
    return ReportTable(
        key="other_explanations",
        caption=f"Other explanations: {title_of(finding)}",
        columns=("Explanation", "State", "Size", "What the records say", "What would close it"),
        rows=rows,
    )


def _size_words(explanation: Mapping[str, Any], unit: str) -> str:
    """An explanation's size with unit and interval, or why there is none."""
    if is_missing(explanation["size"]):
        return "not needed" if explanation["status"] == "not_applicable" else "no size to be had from these records"
    own, level = explanation.get("unit") or unit, explanation.get("confidence_level") or 0.95
    said = with_interval(
        explanation["size"], explanation.get("ci_low"), explanation.get("ci_high"), own, signed=False, level=level
    )
    return said.replace("100 % interval", "range or bound")


def stacked(findings: Sequence[Finding], part: str) -> pd.DataFrame:
    """One part of every finding (adjustment steps, explanations, effect_sizes) as one frame at full precision."""
    rows = [
        {"id": id_of(finding), "unit_of_measure": finding["unit"], **row}
        for finding in findings
        for row in finding[part]
    ]
    return pd.DataFrame(rows)


def model_table(rows: pd.DataFrame, *, measure: str, unit: str) -> ReportTable:
    """Adjusted means of one measure by region and intervention."""
    shown = [
        (
            f"{capital(spaced(row['region']))}, {spaced(row['intervention'])}",
            "" if is_missing(row.get("n_clients")) else str(int(row["n_clients"])),
            with_interval(row["adjusted_mean"], row["ci_low"], row["ci_high"], unit),
            p_words(row["p_holm"]),
        )
        for _, row in rows.iterrows()
    ]
    return ReportTable(
        key="by_region_and_intervention",
        caption=f"Adjusted mean change{f' of {measure}' if measure else ''}",
        columns=("Region, intervention", "Clients", "Adjusted mean change", "p after Holm's correction"),
        rows=shown,
    )


def measurement_table(measurement: Sequence[Mapping[str, Any]], findings: Sequence[Finding] = ()) -> ReportTable:
    """How good the ruler is: one row a measure and source."""
    rows = []
    names = {finding["measure"]: name_of(finding, "measure") for finding in findings}
    for ruler in measurement:
        unit = ruler["unit"]
        values = [
            with_interval(ruler[key], ruler[f"{key}_ci_low"], ruler[f"{key}_ci_high"], of, signed=False)
            for key, of in (("sem", unit), ("mdc95", unit), ("icc", ""))
        ]
        name = capital(names.get(ruler["measure"]) or clean(ruler.get("label") or spaced(ruler["measure"])))
        rows.append((name, *values, *_from_and_source(ruler)))
    rows = said_once(rows)
    return ReportTable(
        key="measurement",
        caption="How good the ruler is",
        columns=("Measure", "SEM", "MDC95", "ICC", "From", "Source"),
        rows=rows,
        full=pd.DataFrame(measurement),
    )


def _from_and_source(ruler: Mapping[str, Any]) -> tuple[str, str]:
    """How many readings stand behind a ruler, and where its figures come from; an ICC may come from elsewhere."""
    many = f"{counted(ruler['n_pairs'], 'pair')}, {counted(ruler['n_clients'], 'client')}"
    source, method = clean(ruler["source"]), clean(ruler.get("method") or "")
    if source == "own records":
        return many, f"{source}; {method}" if method else source
    if is_missing(ruler["icc"]):
        return "see the source", source
    return f"ICC: {many}", f"SEM and MDC95 {source}. ICC from own records: {method}"


def said_once(rows: Sequence[tuple[str, ...]]) -> list[tuple[str, ...]]:
    """Rows whose last cell, where it only repeats the one above, says so in two words."""
    return [
        (*row[:-1], "as above") if place and row[-1] and row[-1] == rows[place - 1][-1] else row
        for place, row in enumerate(rows)
    ]


def set_aside_table(reasons: Sequence[Mapping[str, Any]]) -> ReportTable:
    """What was set aside, by reason, most frequent first."""
    ordered = sorted(reasons, key=lambda reason: -reason["n"])
    rows = [
        (capital(clean(row["reason"])), number(row["n"], decimals=0), _example(row), capital(clean(row["remedy"])))
        for row in ordered
    ]
    return ReportTable(
        key="set_aside_by_reason",
        caption="Set aside, by reason",
        columns=("Reason", "How many", "For example", "What to do"),
        rows=rows,
        full=pd.DataFrame(ordered, columns=["reason", "n", "remedy", "example_row"]),
    )


def flags_table(flags: Sequence[Mapping[str, Any]]) -> ReportTable:
    """What is worth knowing about rows that were kept."""
    rows = [(capital(clean(row["what"])), number(row["n"], decimals=0), _example(row)) for row in flags]
    return ReportTable(
        key="flags",
        caption="Kept, and worth a look",
        columns=("What", "How many", "For example"),
        rows=rows,
        full=pd.DataFrame(flags),
    )


def _example(row: Mapping[str, Any]) -> str:
    """Where to look in the sheet."""
    return "" if is_missing(row.get("example_row")) else f"row {row['example_row']} of the sheet"
