"""By region and by intervention: one mixed model of the change, one adjusted mean for each combination.

The change is after minus before_2 (a second reading before, where taken), else after minus before, turned so that
better is positive; adjusted for the baseline reading, with clients and practitioners as crossed random effects.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
import pandas as pd

from toolkit.errors import NotEnoughError
from toolkit.mixed.cross_products import Array
from toolkit.mixed.mixed import fit_mixed_arrays
from toolkit.mixed.mixed_fit import Contrast, MixedFit
from toolkit.multiplicity import holm_p
from toolkit.records.coded_texts import as_texts, repeated
from toolkit.result import Shown

Better = Literal["higher", "lower"]
COMPARISON = "measured_only"


@dataclass(frozen=True, kw_only=True, eq=False)
class RegionInterventionModel(Shown):
    """Adjusted mean change for each region and intervention, at full precision, better = positive.

    `rows`: region, intervention, adjusted_mean, se, df, ci_low, ci_high, p, p_holm (against no change), n_clients,
    n_sessions; and, where sessions of the region were only measured, the difference from them: minus_comparison,
    minus_ci_low, minus_ci_high, minus_p, minus_p_holm.
    """

    measure: str
    unit: str
    better: Better
    formula: str
    confidence_level: float
    n_missing: int
    """Rows of the measure without a reading before or after."""
    rows: pd.DataFrame
    fit: MixedFit = field(repr=False)

    def sentence(self) -> str:
        """What moved how far by the records, without saying why."""
        clear = self.rows[(self.rows["p_holm"] < 1 - self.confidence_level) & (self.rows["adjusted_mean"] > 0)]
        groups = " and ".join(f"{count} {name}s" for name, count in self.fit.levels.items()) or "no grouping"
        return (
            f"{self.measure}: the adjusted change is better than none in {len(clear)} of {len(self.rows)} "
            f"combinations of region and intervention (Holm; {self.fit.n} sessions, {groups}; "
            f"in {self.unit}, better is positive). "
            "The change holds whatever moved the readings, not the intervention alone."
        )

    def table(self) -> pd.DataFrame:
        """One row for each region and intervention."""
        return self.rows

    def as_findings(self) -> dict[str, Any]:
        """The part `by_region_and_intervention` of findings.json: plain numbers, None where there is none."""
        fit = self.fit
        model = {
            "formula": self.formula,
            "measure": self.measure,
            "unit": self.unit,
            "n": fit.n,
            "n_missing": self.n_missing,
            "levels": dict(fit.levels),
            "estimation": "REML" if fit.reml else "ML",
            "df_method": "Kenward–Roger",
            "variance_components": [
                {"group": c.group, "effect": c.effect, "variance": c.variance, "sd": c.sd} for c in fit.components
            ],
            "log_likelihood": fit.log_likelihood,
            "converged": fit.convergence.converged,
            "singular": fit.convergence.singular,
            "convergence": fit.convergence.message,
            "notes": list(fit.notes),
        }
        rows = [{str(key): _plain(value) for key, value in row.items()} for row in self.rows.to_dict("records")]
        return {"model": model, "rows": rows}


def by_region_and_intervention(
    rows: pd.DataFrame,
    *,
    measure: str,
    better: Better = "higher",
    confidence_level: float = 0.95,
) -> RegionInterventionModel:
    """Fit the change of one measure by region and intervention; Kenward–Roger intervals.

    `rows` are tidy rows (a row a measured side of a session). Several sides of one session and combination are
    averaged, so that a session counts once. Leave out sides that were not treated before calling, unless they are the
    question.

    Raises `NotEnoughError` where no session has readings before and after, and `FitError` where the model cannot be
    fitted to those there are.

    Examples
    --------
    >>> rng = np.random.default_rng(4)
    >>> client = np.repeat(np.arange(15), 4)
    >>> rows = pd.DataFrame({"client": client, "practitioner": "a", "session_id": np.arange(60), "measure": "lunge",
    ...     "region": "calf", "intervention": np.tile(["press", "measured_only"], 30), "unit": "deg",
    ...     "before": rng.normal(35, 4, 60), "before_2": np.nan})
    >>> rows["after"] = rows["before"] + (rows["intervention"] == "press") * 3 + rng.normal(0, 1, 60)
    >>> by_region_and_intervention(rows, measure="lunge").rows[["intervention", "n_sessions"]].values.tolist()
    [['measured_only', 30], ['press', 30]]
    """
    sessions, n_missing, unit = session_changes(rows, measure=measure, better=better)
    cells = sessions.groupby(["region", "intervention"], sort=True).ngroup().to_numpy()
    labels = sessions[["region", "intervention"]].drop_duplicates().sort_values(["region", "intervention"])
    labels = labels.reset_index(drop=True)
    names = [f"{row.region} | {row.intervention}" for row in labels.itertuples()]
    adjusted = sessions["baseline"].nunique() > 1 and len(sessions) > len(labels) + 1
    baseline_names = ["baseline"] if adjusted else []
    columns = np.zeros((len(sessions), len(names) + len(baseline_names)))
    columns[np.arange(len(sessions)), cells] = 1.0
    if adjusted:
        columns[:, -1] = sessions["baseline"] - sessions["baseline"].mean()
    fit = fit_mixed_arrays(
        sessions["change"],
        columns,
        [*names, *baseline_names],
        {group: sessions[group].array for group in ("client", "practitioner")},
        outcome=f"change in {measure}",
        unit=unit,
    )
    random = "".join(f" + (1 | {group})" for group in fit.levels)
    return RegionInterventionModel(
        measure=measure,
        unit=unit,
        better=better,
        formula=f"change ~ 0 + region:intervention{' + baseline' if baseline_names else ''}{random}",
        confidence_level=confidence_level,
        n_missing=n_missing,
        rows=_cell_rows(fit, sessions, labels, names, confidence_level),
        fit=fit,
    )


def session_changes(rows: pd.DataFrame, *, measure: str, better: Better) -> tuple[pd.DataFrame, int, str]:
    """One row a session and combination: change (better = positive) and baseline; rows without readings; the unit.

    Raises `NotEnoughError` where none is left.
    """
    own = rows[rows["measure"] == measure]
    if own.empty:
        raise NotEnoughError(f"No row holds the measure {measure}.")
    before = own["before"].astype(float)
    second = own["before_2"].astype(float) if "before_2" in own else pd.Series(np.nan, index=own.index)
    baseline = second.where(second.notna(), before)
    sign = 1.0 if better == "higher" else -1.0
    keys = ["client", "practitioner", "session_id", "region", "intervention"]
    frame = pd.DataFrame({name: as_texts(own[name]) for name in keys})
    frame = frame.assign(change=sign * (own["after"].astype(float) - baseline), baseline=baseline)
    complete = frame.dropna(subset=["change"])
    if complete.empty:
        raise NotEnoughError(f"{measure}: no session has a reading before and one after.")
    sessions = complete.reset_index(drop=True)
    if repeated(complete, ["session_id", *keys]):
        sessions = complete.groupby(keys, sort=False)[["change", "baseline"]].mean().reset_index()
    return sessions, len(frame) - len(complete), str(own["unit"].iloc[0]) if "unit" in own else ""


def _cell_rows(
    fit: MixedFit, sessions: pd.DataFrame, labels: pd.DataFrame, names: list[str], level: float
) -> pd.DataFrame:
    """One row for each combination: adjusted mean, and difference from sessions that were only measured."""
    means = [fit.contrast(name, confidence_level=level) for name in names]
    counted = sessions.groupby(["region", "intervention"], sort=True)["client"].agg(["nunique", "size"])
    out = labels.assign(
        adjusted_mean=_column(means, "value"),
        se=_column(means, "se"),
        df=_column(means, "df"),
        ci_low=_column(means, "ci_low"),
        ci_high=_column(means, "ci_high"),
        p=_column(means, "p"),
        p_holm=holm_p(_column(means, "p")),
        n_clients=counted["nunique"].to_numpy(),
        n_sessions=counted["size"].to_numpy(),
    )
    differences = [_difference(fit, row.region, row.intervention, names, level) for row in labels.itertuples()]
    for column, name in (("comparison", "value"), ("ci_low", "ci_low"), ("ci_high", "ci_high"), ("p", "p")):
        out[f"minus_{column}"] = _column(differences, name)
    out["minus_p_holm"] = np.nan
    there = out["minus_p"].notna()
    if there.any():
        out.loc[there, "minus_p_holm"] = holm_p(out.loc[there, "minus_p"].to_numpy())
    return out


def _column(contrasts: Sequence[Contrast | None], name: str) -> Array:
    """One figure of each contrast, NaN where there is none."""
    return np.array([np.nan if c is None else getattr(c, name) for c in contrasts], dtype=float)


def _difference(fit: MixedFit, region: object, intervention: object, names: list[str], level: float) -> Contrast | None:
    """A combination minus the same region only measured, where there are such sessions."""
    base = f"{region} | {COMPARISON}"
    if intervention == COMPARISON or base not in names:
        return None
    weights: Mapping[str, float] = {f"{region} | {intervention}": 1.0, base: -1.0}
    return fit.contrast(weights, confidence_level=level, name=f"{intervention} minus only measured, {region}")


def _plain(value: Any) -> Any:
    """A value JSON can hold; None for a number that is not there."""
    if isinstance(value, (float, np.floating)):
        return None if not np.isfinite(value) else float(value)
    return int(value) if isinstance(value, np.integer) else value
