"""Dose and way of working: setting, head, minutes, position, tissue length, pass, practitioner, experience.

Each is a term of one mixed model of the change, beside region, intervention and baseline. Settings were chosen for a
client, not drawn: a stiffer client may get the stronger setting, so a difference between settings is not its effect.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from toolkit.errors import NotEnoughError
from toolkit.mixed.cross_products import Array
from toolkit.mixed.mixed import fit_mixed_arrays
from toolkit.mixed.mixed_fit import Contrast, FTest, MixedFit
from toolkit.mixed.region_intervention import COMPARISON, Better
from toolkit.multiplicity import holm_p
from toolkit.number_words import figure_text, quantity
from toolkit.result import Shown

WAYS = ("setting", "head", "minutes", "position", "tissue_length", "pass", "practitioner", "experience")
WARNING = (
    "Settings were chosen, not drawn: who got which setting may explain the difference as well as the setting does. "
    "Read these figures as a question for a trial with the setting drawn at random, not as an answer."
)


@dataclass(frozen=True, kw_only=True, eq=False)
class DoseModel(Shown):
    """How the change differs with the way of working, at full precision, better = positive.

    `rows`: way, level (empty for a number), compared_with (a level, or "one more" for a number), difference, se, df,
    ci_low, ci_high, p, p_holm, n_sessions, n_clients. `tests`: one F test for each way of several levels.
    """

    measure: str
    unit: str
    confidence_level: float
    rows: pd.DataFrame
    tests: tuple[FTest, ...]
    notes: tuple[str, ...]
    n: int
    fit: MixedFit = field(repr=False)

    def sentence(self) -> str:
        """What differs, with the warning that settings were chosen."""
        clear = self.rows[self.rows["p_holm"] < 1 - self.confidence_level]
        named = "; ".join(
            (
                f"{row['way']} {row['level']} against {row['compared_with']}"
                if row["level"]
                else f"one more in {row['way']}"
            )
            + f": {quantity(float(row['difference']), self.unit)}"
            for row in clear.to_dict("records")
        )
        return (
            f"{self.measure}: {len(clear)} of {len(self.rows)} differences in the way of working go beyond chance "
            f"(Holm, {self.n} treated sessions){f': {named}' if named else ''}. "
            f"{' '.join([WARNING, *self.notes])}"
        )

    def table(self) -> pd.DataFrame:
        """One row a difference."""
        return self.rows


def dose_model(
    rows: pd.DataFrame,
    *,
    measure: str,
    ways: Sequence[str] = WAYS,
    better: Better = "higher",
    confidence_level: float = 0.95,
) -> DoseModel:
    """How the change of one measure differs with setting, head, minutes and so on, region and intervention held alike.

    `rows` are tidy rows; sessions that were only measured are left out. Ways that are not recorded, do not vary, or
    cannot be told from others are named in `notes`; sessions without a value for a way in use are set aside and
    counted. `practitioner` as a way is a fixed term and then no random one.

    Raises `NotEnoughError` where no way of working varies, `FitError` where the model cannot be fitted.

    Examples
    --------
    >>> rng = np.random.default_rng(6)
    >>> rows = pd.DataFrame({"client": np.repeat(np.arange(20), 4), "practitioner": "a",
    ...     "session_id": np.arange(80), "measure": "lunge", "region": "calf", "intervention": "press",
    ...     "unit": "deg", "before": 35.0, "before_2": np.nan, "minutes": np.tile([2.0, 4.0], 40)})
    >>> rows["after"] = rows["before"] + rows["minutes"] + rng.normal(0, 1, 80)
    >>> dose_model(rows, measure="lunge").rows[["way", "compared_with"]].values.tolist()
    [['minutes', 'one more']]
    """
    sessions, unit = _treated_sessions(rows, measure, better, ways)
    used, notes = _usable_ways(sessions, ways)
    if not used:
        raise NotEnoughError(f"{measure}: no way of working varies in the records. {' '.join(notes)}")
    complete = sessions.dropna(subset=used)
    if len(complete) < len(sessions):
        notes.append(
            f"{len(sessions) - len(complete)} session(s) without a value for {', '.join(used)} were set aside."
        )
    if complete.empty:
        raise NotEnoughError(f"{measure}: no session has a value for each of {', '.join(used)}.")
    columns, names, terms = _columns(complete, used)
    groups = ["client"] if "practitioner" in used else ["client", "practitioner"]
    fit = fit_mixed_arrays(
        complete["change"],
        columns,
        names,
        {group: complete[group].to_numpy() for group in groups},
        outcome=f"change in {measure}",
        unit=unit,
    )
    table, tests = _difference_rows(fit, complete, terms, confidence_level)
    if table.empty:
        raise NotEnoughError(f"{measure}: the ways of working cannot be told apart. {' '.join([*notes, *fit.notes])}")
    return DoseModel(
        measure=measure,
        unit=unit,
        confidence_level=confidence_level,
        rows=table,
        tests=tests,
        notes=(*notes, *(f"{note}." for note in fit.notes)),
        n=fit.n,
        fit=fit,
    )


def _treated_sessions(
    rows: pd.DataFrame, measure: str, better: Better, ways: Sequence[str]
) -> tuple[pd.DataFrame, str]:
    """One row a treated session and combination, with its ways of working; empty words become missing."""
    own = rows[(rows["measure"] == measure) & (rows["intervention"].astype(str) != COMPARISON)].copy()
    before = own["before"].astype(float)
    second = own["before_2"].astype(float) if "before_2" in own else pd.Series(np.nan, index=own.index)
    own["baseline"] = second.where(second.notna(), before)
    own["change"] = (1.0 if better == "higher" else -1.0) * (own["after"].astype(float) - own["baseline"])
    own = own.dropna(subset=["change"])
    if own.empty:
        raise NotEnoughError(f"{measure}: no treated session has a reading before and one after.")
    keys = ["client", "practitioner", "session_id", "region", "intervention"]
    own[keys] = own[keys].astype(str)
    recorded = [way for way in ways if way in own and way not in keys]
    for way in recorded:
        if not pd.api.types.is_numeric_dtype(own[way]):
            words = own[way].astype("str").str.strip()
            own[way] = words.mask(own[way].isna() | (words == ""))
    firsts = {way: (way, "first") for way in recorded}
    sessions = own.groupby(keys, sort=False).agg(change=("change", "mean"), baseline=("baseline", "mean"), **firsts)
    return sessions.reset_index(), str(own["unit"].iloc[0]) if "unit" in own else ""


def _usable_ways(sessions: pd.DataFrame, ways: Sequence[str]) -> tuple[list[str], list[str]]:
    """Ways that are recorded for most sessions and vary, and words on the others."""
    used: list[str] = []
    absent: list[str] = []
    notes: list[str] = []
    for way in ways:
        if way not in sessions or sessions[way].notna().sum() == 0:
            absent.append(way)
        elif sessions[way].nunique() < 2:
            notes.append(f"{way}: always {figure_text(sessions[way].dropna().iloc[0])}.")
        elif sessions[way].notna().mean() < 0.5:
            notes.append(f"{way}: recorded in fewer than half of the sessions, so left out.")
        else:
            used.append(way)
    if {"practitioner", "experience"} <= set(used) and sessions.groupby("practitioner")[
        "experience"
    ].nunique().max() < 2:
        used.remove("practitioner")
        notes.append("practitioner: kept as a random term, since experience differs only between practitioners.")
    if absent:
        notes.insert(0, f"Not recorded: {', '.join(absent)}.")
    return used, notes


def _columns(sessions: pd.DataFrame, used: list[str]) -> tuple[Array, list[str], dict[str, list[tuple[str, str, str]]]]:
    """Fixed columns, their names, and for each way (column, level, compared with)."""
    parts: list[Array] = [np.ones(len(sessions))]
    names = ["Intercept"]
    terms: dict[str, list[tuple[str, str, str]]] = {}
    baseline = sessions["baseline"].to_numpy(dtype=float)
    if np.ptp(baseline) > 0:
        parts.append(baseline - baseline.mean())
        names.append("baseline")
    for term in ("region", "intervention", *used):
        values = sessions[term]
        if pd.api.types.is_numeric_dtype(values):
            numbers = values.to_numpy(dtype=float)
            parts.append(numbers - numbers.mean())
            names.append(term)
            terms[term] = [(term, "", "one more")]
            continue
        counts = values.value_counts()
        levels = sorted(counts.index, key=lambda level: (-counts[level], level))
        for level in levels[1:]:
            parts.append((values == level).to_numpy(dtype=float))
            names.append(f"{term}: {level}")
            if term in used:
                terms.setdefault(term, []).append((names[-1], str(level), str(levels[0])))
    return np.column_stack(parts), names, terms


def _difference_rows(
    fit: MixedFit, sessions: pd.DataFrame, terms: dict[str, list[tuple[str, str, str]]], level: float
) -> tuple[pd.DataFrame, tuple[FTest, ...]]:
    """One row for each difference that could be estimated, and one F test for each way of several levels."""
    found: list[dict[str, object]] = []
    tests: list[FTest] = []
    for way, columns in terms.items():
        kept = [entry for entry in columns if entry[0] in fit.names]
        for name, value, compared in kept:
            contrast: Contrast = fit.contrast(name, confidence_level=level)
            here = sessions[sessions[way] == value] if value else sessions
            found.append(
                {
                    "way": way,
                    "level": value,
                    "compared_with": compared,
                    "difference": contrast.value,
                    "se": contrast.se,
                    "df": contrast.df,
                    "ci_low": contrast.ci_low,
                    "ci_high": contrast.ci_high,
                    "p": contrast.p,
                    "n_sessions": len(here),
                    "n_clients": int(here["client"].nunique()),
                }
            )
        if len(kept) > 1:
            tests.append(fit.f_test([name for name, _, _ in kept], name=way))
    table = pd.DataFrame(found)
    if not table.empty:
        table.insert(9, "p_holm", holm_p(table["p"].to_numpy(dtype=float)))
    return table, tuple(tests)
