"""Several regions or interventions in one session: what each adds, and what the records cannot tell apart.

A change after "a + b" belongs to the combination. With an indicator for each intervention (and each region) in one
model, sessions with and without each of them say what it adds, as far as they differ. Indicators that always go
together are joined and named; one that others add up to is left out as what the rest is compared with, and named.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import combinations
from typing import Literal

import numpy as np
import pandas as pd

from toolkit.errors import NotEnoughError
from toolkit.mixed.cross_products import Array
from toolkit.mixed.mixed import fit_mixed_arrays
from toolkit.mixed.mixed_fit import Contrast, MixedFit
from toolkit.mixed.region_intervention import COMPARISON, Better, session_changes
from toolkit.multiplicity import holm_p
from toolkit.number_words import figure_text
from toolkit.result import Shown

Kind = Literal["intervention", "region", "both interventions"]
_HARD_TO_TELL = 10.0
_FEWEST_SESSIONS = 5
_FEWEST_CLIENTS = 3


@dataclass(frozen=True, kw_only=True, eq=False)
class Indicators:
    """Yes/no columns of what was done in each session, those that can be told apart."""

    columns: pd.DataFrame
    kinds: dict[str, Kind]
    notes: tuple[str, ...]
    """What was joined, left out or compared with, in words."""
    condition: float
    """Condition number of the unit-length columns with the constant: above 30 they are hard to tell apart."""
    inflation: dict[str, float]
    """How many times larger each effect's variance is for the others' sake (variance inflation factor)."""


@dataclass(frozen=True, kw_only=True, eq=False)
class CombinationModel(Shown):
    """What each intervention and region adds to the change, at full precision, better = positive.

    `rows`: what, kind (intervention, region, both interventions), adds, se, df, ci_low, ci_high, p, p_holm,
    n_sessions, n_clients, inflation.
    """

    measure: str
    unit: str
    confidence_level: float
    rows: pd.DataFrame
    notes: tuple[str, ...]
    condition: float
    fit: MixedFit = field(repr=False)
    interaction_fit: MixedFit | None = field(repr=False)

    def sentence(self) -> str:
        """What adds, and what cannot be told apart."""
        clear = self.rows[self.rows["p_holm"] < 1 - self.confidence_level]
        named = "; ".join(
            f"{row['what']} {figure_text(float(row['adds']))} ({figure_text(float(row['ci_low']))} to "
            f"{figure_text(float(row['ci_high']))})"
            for row in clear.to_dict("records")
        )
        return (
            f"{self.measure}: of {len(self.rows)} indicators {len(clear)} change the reading beyond chance "
            f"(Holm; {self.unit}, better is positive; {self.fit.n} sessions)"
            f"{f': {named}' if named else ''}. {' '.join(self.notes)}".strip()
        )

    def table(self) -> pd.DataFrame:
        """One row an indicator."""
        return self.rows


def combination_model(
    rows: pd.DataFrame, *, measure: str, better: Better = "higher", confidence_level: float = 0.95
) -> CombinationModel:
    """What each intervention and each region adds to the change of one measure, in one mixed model.

    `rows` are tidy rows; `region` and `intervention` may hold several values joined by " + ". Interventions are
    compared with sessions that were only measured where there are such, else with the most frequent one (named in
    `notes`). Two interventions that often meet, and often do not, get an interaction of their own, from a second model.

    Raises `NotEnoughError` where nothing differs between the sessions, `FitError` where the model cannot be fitted.

    Examples
    --------
    >>> rng = np.random.default_rng(5)
    >>> done = np.tile(["press", "press + stretch", "measured_only"], 30)
    >>> rows = pd.DataFrame({"client": np.repeat(np.arange(18), 5), "practitioner": "a", "measure": "lunge",
    ...     "session_id": np.arange(90), "region": "calf", "intervention": done, "unit": "deg",
    ...     "before": rng.normal(35, 4, 90), "before_2": np.nan})
    >>> rows["after"] = rows["before"] + 2.0 * (done != "measured_only") + rng.normal(0, 1, 90)
    >>> combination_model(rows, measure="lunge").rows["what"].tolist()
    ['press', 'stretch']
    """
    sessions, _, unit = session_changes(rows, measure=measure, better=better)
    indicators = indicators_of(sessions)
    if indicators.columns.empty:
        raise NotEnoughError(f"{measure}: every session was treated alike, so nothing can be told apart.")
    fit = _fit(sessions, indicators.columns, measure, unit)
    table = _effect_rows(fit, indicators.columns, sessions, indicators.kinds, confidence_level)
    together, said = _meeting_pairs(sessions, indicators)
    interaction_fit = None
    if not together.empty:
        interaction_fit = _fit(sessions, pd.concat([indicators.columns, together], axis=1), measure, unit)
        kinds: dict[str, Kind] = dict.fromkeys(together.columns, "both interventions")
        table = pd.concat(
            [table, _effect_rows(interaction_fit, together, sessions, kinds, confidence_level)], ignore_index=True
        )
    table["p_holm"] = holm_p(table["p"].to_numpy())
    table["inflation"] = table["what"].map(indicators.inflation)
    return CombinationModel(
        measure=measure,
        unit=unit,
        confidence_level=confidence_level,
        rows=table,
        notes=(*indicators.notes, *said, *(f"{note}." for note in fit.notes)),
        condition=indicators.condition,
        fit=fit,
        interaction_fit=interaction_fit,
    )


def indicators_of(sessions: pd.DataFrame) -> Indicators:
    """Indicators of every intervention and region of the sessions that can be told apart, and words on the others.

    `sessions` needs the columns intervention, region and baseline.
    """
    raw, kinds = _raw_indicators(sessions)
    notes: list[str] = []
    varying = _without_constant(raw, notes)
    joined, kinds = _joined(varying, kinds, notes)
    baseline = sessions["baseline"].to_numpy(dtype=float)
    for kind in ("intervention", "region"):
        own = joined[[name for name in joined if kinds[str(name)] == kind]]
        joined = joined.drop(columns=own.columns.difference(_told_apart(own, baseline, kinds, notes).columns))
    told = _told_apart(joined, baseline, kinds, notes)
    condition, inflation = _conditioning(told, baseline)
    hard = [name for name, factor in inflation.items() if factor > _HARD_TO_TELL]
    if hard:
        notes.append(
            f"Hard to tell apart, since they nearly always go together or replace each other: {', '.join(hard)}."
        )
    return Indicators(
        columns=told,
        kinds={str(name): kinds[str(name)] for name in told},
        notes=tuple(notes),
        condition=condition,
        inflation=inflation,
    )


def _raw_indicators(sessions: pd.DataFrame) -> tuple[pd.DataFrame, dict[str, Kind]]:
    """A yes/no column for each single intervention but `measured_only`, and for each single region."""
    columns: dict[str, Array] = {}
    kinds: dict[str, Kind] = {}
    fields: tuple[Literal["intervention", "region"], ...] = ("intervention", "region")
    for column in fields:
        parts = sessions[column].astype(str).str.split("+").map(lambda values: {v.strip() for v in values if v.strip()})
        for value in sorted(set().union(*parts)):
            if value == COMPARISON and column == "intervention":
                continue
            name = value if value not in columns else f"{value} ({column})"
            columns[name] = parts.map(lambda values, value=value: value in values).to_numpy(dtype=float)
            kinds[name] = column
    return pd.DataFrame(columns, index=sessions.index), kinds


def _without_constant(raw: pd.DataFrame, notes: list[str]) -> pd.DataFrame:
    """Leave out what was done in every session."""
    always = [name for name in raw if raw[name].min() == 1.0]
    if always:
        notes.append(
            f"In every session: {', '.join(map(str, always))}; what it adds cannot be told from the change as such."
        )
    return raw.drop(columns=always)


def _joined(raw: pd.DataFrame, kinds: dict[str, Kind], notes: list[str]) -> tuple[pd.DataFrame, dict[str, Kind]]:
    """Join indicators that are the same in every session."""
    groups: dict[bytes, list[str]] = {}
    for name in raw:
        groups.setdefault(raw[name].to_numpy().tobytes(), []).append(str(name))
    out: dict[str, Array] = {}
    joined_kinds: dict[str, Kind] = {}
    for names in groups.values():
        label = " with ".join(names)
        out[label], joined_kinds[label] = raw[names[0]].to_numpy(), kinds[names[0]]
        if len(names) > 1:
            notes.append(f"Always together, so they cannot be told apart and count as one: {' and '.join(names)}.")
    return pd.DataFrame(out, index=raw.index), joined_kinds


def _told_apart(columns: pd.DataFrame, baseline: Array, kinds: dict[str, Kind], notes: list[str]) -> pd.DataFrame:
    """Leave out, one at a time, an indicator that others add up to (the most frequent), and say what that means."""
    while not columns.empty:
        matrix = np.column_stack([np.ones(len(columns)), baseline - baseline.mean(), columns])
        lengths = np.sqrt((matrix**2).sum(axis=0))
        lengths[lengths == 0] = 1.0
        _, sizes, turned = np.linalg.svd(matrix / lengths, full_matrices=True)
        if len(sizes) == matrix.shape[1] and sizes[-1] > 1e-8 * sizes[0]:
            break
        parts = np.abs(turned[-1, 2:]) > 1e-6
        mixed = [str(name) for name, part in zip(columns, parts, strict=True) if part]
        if not mixed:
            break
        first = max(mixed, key=lambda name: (kinds[name] == "region", columns[name].sum(), name))
        notes.append(_said_of_mixed(columns[mixed], first))
        columns = columns.drop(columns=first)
    return columns


def _said_of_mixed(mixed: pd.DataFrame, first: str) -> str:
    """What it means that these indicators add up to each other, or to one in every session."""
    others = [str(name) for name in mixed if name != first]
    if not others:
        return f"{first} cannot be told from the change as such and was left out."
    if mixed.sum(axis=1).nunique() == 1:
        return f"Every session had one of {', '.join(map(str, mixed))}: the others are each compared with {first}."
    return (
        f"Cannot all be told apart: {', '.join(map(str, mixed))}; {first} was left out, its share falls to the others."
    )


def _conditioning(columns: pd.DataFrame, baseline: Array) -> tuple[float, dict[str, float]]:
    """Condition number of the unit-length columns, and each indicator's variance inflation factor."""
    if columns.empty:
        return 1.0, {}
    values = columns.to_numpy(dtype=float)
    whole = np.column_stack([np.ones(len(values)), values])
    sizes = np.linalg.svd(whole / np.sqrt((whole**2).sum(axis=0)), compute_uv=False)
    others = np.column_stack([values, baseline]) if np.ptp(baseline) > 0 else values
    centred = others - others.mean(axis=0)
    scaled = centred / np.sqrt((centred**2).sum(axis=0))
    inflation = np.diag(np.linalg.pinv(scaled.T @ scaled))[: values.shape[1]]
    return float(sizes[0] / sizes[-1]), dict(zip(map(str, columns), map(float, inflation), strict=True))


def _meeting_pairs(sessions: pd.DataFrame, indicators: Indicators) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """Products of two interventions' indicators where both, either and neither occur often enough."""
    names = [name for name, kind in indicators.kinds.items() if kind == "intervention"]
    columns, clients = indicators.columns, sessions["client"]
    found: dict[str, Array] = {}
    short: list[str] = []
    for one, other in combinations(names, 2):
        cells = columns[one] * 2 + columns[other]
        counts = [int((cells == cell).sum()) for cell in range(4)]
        if counts[3] == 0:
            continue
        people = [clients[cells == cell].nunique() for cell in range(4)]
        product = (columns[one] * columns[other]).to_numpy(dtype=float)
        whole = np.column_stack([np.ones(len(columns)), columns, *found.values(), product])
        if (
            min(counts) >= _FEWEST_SESSIONS
            and min(people) >= _FEWEST_CLIENTS
            and np.linalg.matrix_rank(whole) == whole.shape[1]
        ):
            found[f"{one} and {other} beyond their sum"] = product
        else:
            short.append(f"{one} and {other}")
    said = (
        (f"Too few sessions with both, either and neither to say whether they add up: {'; '.join(short)}.",)
        if short
        else ()
    )
    return pd.DataFrame(found, index=columns.index), said


def _fit(sessions: pd.DataFrame, columns: pd.DataFrame, measure: str, unit: str) -> MixedFit:
    """The mixed model of the change on the indicators and the baseline."""
    baseline = sessions["baseline"].to_numpy(dtype=float)
    parts, names = [np.ones(len(sessions)), columns.to_numpy(dtype=float)], ["without any of these", *map(str, columns)]
    if np.ptp(baseline) > 0:
        parts.append(baseline - baseline.mean())
        names.append("baseline")
    return fit_mixed_arrays(
        sessions["change"],
        np.column_stack(parts),
        names,
        {group: sessions[group].to_numpy() for group in ("client", "practitioner")},
        outcome=f"change in {measure}",
        unit=unit,
    )


def _effect_rows(
    fit: MixedFit, columns: pd.DataFrame, sessions: pd.DataFrame, kinds: dict[str, Kind], level: float
) -> pd.DataFrame:
    """One row for each indicator."""
    kept = [str(name) for name in columns if name in fit.names]
    found: list[Contrast] = [fit.contrast(name, confidence_level=level) for name in kept]
    with_it = [columns[name] == 1 for name in kept]
    return pd.DataFrame(
        {
            "what": kept,
            "kind": [kinds[name] for name in kept],
            "adds": [c.value for c in found],
            "se": [c.se for c in found],
            "df": [c.df for c in found],
            "ci_low": [c.ci_low for c in found],
            "ci_high": [c.ci_high for c in found],
            "p": [c.p for c in found],
            "n_sessions": [int(mask.sum()) for mask in with_it],
            "n_clients": [int(sessions.loc[mask, "client"].nunique()) for mask in with_it],
        }
    )
