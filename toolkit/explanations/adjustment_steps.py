"""The adjustment steps: from the usual answer down to what is left, each step changing exactly one thing."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from toolkit.effect.estimate import Attributable
from toolkit.effect.rerandomisation import difference_interval
from toolkit.explanations.case import Case
from toolkit.number_words import amount
from toolkit.quantiles import t_half_width
from toolkit.records.coded_texts import as_texts


@dataclass(frozen=True, kw_only=True)
class AdjustmentStep:
    """One step: the estimate after one more explanation is met. In the unit of the measure, better = positive."""

    step: str
    estimate: float | None
    ci_low: float | None
    ci_high: float | None
    says: str
    n_rows: int
    n_clients: int
    method: str


def adjustment_steps(case: Case) -> list[AdjustmentStep]:
    """All steps that the records allow, the usual answer first, what is left last."""
    steps = _readings_steps(case)
    if case.compared is None or case.complete is None or case.attributable is None:
        return steps
    return [*steps, *_compared_steps(case), *_attributable_steps(case)]


def _by_rows(change: pd.DataFrame, step: str, says: str) -> AdjustmentStep:
    values = change["change"].to_numpy(dtype=float)
    low, high = _t_interval(values)
    return _step(change, step, says, _mean(values), low, high, "paired t over rows, each taken for a client of its own")


def _by_clients(change: pd.DataFrame, step: str, says: str, *, method: str = "t over client means") -> AdjustmentStep:
    means = change.groupby(as_texts(change["client"]))["change"].mean().to_numpy(dtype=float)
    low, high = _t_interval(means)
    return _step(change, step, says, _mean(means), low, high, method)


def _mean(values: np.ndarray) -> float | None:
    return float(values.mean()) if len(values) else None


def _t_interval(values: np.ndarray) -> tuple[float | None, float | None]:
    if len(values) < 2:
        return None, None
    reach = t_half_width(values)
    return float(values.mean() - reach), float(values.mean() + reach)


def _step(
    rows: pd.DataFrame, step: str, says: str, mean: float | None, low: float | None, high: float | None, method: str
) -> AdjustmentStep:
    n_clients = int(rows["client"].nunique())
    return AdjustmentStep(
        step=step,
        estimate=mean,
        ci_low=low,
        ci_high=high,
        says=says,
        n_rows=len(rows),
        n_clients=n_clients,
        method=method,
    )


def _readings_steps(case: Case) -> list[AdjustmentStep]:
    """Steps about the readings themselves: rows, clients, second baseline."""
    change = case.changes()
    if change.empty:
        return []
    steps = [
        _by_rows(change, "the usual answer", "after less before, every row counted as if it were another client"),
        _by_clients(change, "every client counted once", "the same rows, averaged within clients first"),
    ]
    second = case.changes(first="before_2").dropna(subset=["before"])
    if second.empty:
        return steps
    if len(second) < len(change):
        both = change[change["before_2"].notna()]
        steps.append(
            _by_clients(both, "only what was read twice before", "the same, where a second reading before exists")
        )
    steps.append(
        _by_clients(
            second,
            "from the second reading before",
            "what a chosen side drifts back, and what one reading loosens, is off by then; which it was cannot be told",
        )
    )
    return steps


def _compared_steps(case: Case) -> list[AdjustmentStep]:
    """From the technique's rows that can be compared, to the plain difference from the comparison."""
    if case.compared is None:
        return []
    rows = case.compared.rows.dropna(subset=["y"]).assign(change=lambda r: r["y"])
    technique = rows[rows["arm"] == 1]
    means = rows.groupby(["arm", "client"])["y"].mean()
    one, other = (means[means.index.get_level_values("arm") == arm].droplevel("arm") for arm in (1.0, 0.0))
    if one.empty or other.empty:
        return []
    found = difference_interval(one, other)
    low, high = found[:2] if found else (None, None)
    return [
        _by_clients(
            technique,
            "only what can be compared",
            f"last reading before to first reading after, in sessions that can be set against {case.compared.against}",
        ),
        _step(
            rows,
            "less what the comparison moved",
            f"with {case.compared.against}, readings moved by {amount(float(other.mean()), case.unit)}; "
            "this is taken off",
            float(one.mean() - other.mean()),
            low,
            high,
            "difference of means of client means, clients in both arms paired",
        ),
    ]


def _attributable_steps(case: Case) -> list[AdjustmentStep]:
    """Model, missing readings, looks and questions, a leaning reader."""
    complete, bounded = case.complete, case.attributable
    if complete is None or bounded is None or case.compared is None:
        return []
    rows = case.compared.rows
    usual = complete.at_level(0.95)
    steps = [
        _of(
            usual,
            rows.dropna(subset=["y"]),
            "clients, practitioners and baselines weighed",
            "the same rows in one model, sessions of a client belonging together",
        )
    ]
    if bounded.n_filled:
        steps.append(
            _of(
                bounded.at_level(0.95),
                rows,
                "nothing left out",
                f"{bounded.n_filled} readings were not written down: limits with them filled in against and for it",
            )
        )
    if abs(bounded.confidence_level - 0.95) > 1e-9:
        steps.append(
            _of(
                bounded,
                rows,
                "looks and other questions paid for",
                f"{case.n_questions} question{'s' * (case.n_questions > 1)}, look {case.look} of "
                f"{case.looks_planned}: interval at {100 * bounded.confidence_level:.4g} %",
            )
        )
    if case.allowance > 0:
        last = _of(
            bounded,
            rows,
            "less a leaning reader",
            f"{amount(case.allowance, case.unit)} taken off for a reader who knew what was done",
        )
        shifted = [None if v is None else v - case.allowance for v in (last.estimate, last.ci_low)]
        steps.append(
            AdjustmentStep(
                step=last.step,
                estimate=shifted[0],
                ci_low=shifted[1],
                ci_high=last.ci_high,
                says=last.says,
                n_rows=last.n_rows,
                n_clients=last.n_clients,
                method=f"{last.method}; upper limit as before",
            )
        )
    return steps


def _of(found: Attributable, rows: pd.DataFrame, step: str, says: str) -> AdjustmentStep:
    low, high = (v if np.isfinite(v) else None for v in (found.ci_low, found.ci_high))
    return AdjustmentStep(
        step=step,
        estimate=found.mean,
        ci_low=low,
        ci_high=high,
        says=says,
        n_rows=len(rows),
        n_clients=found.n_clients,
        method=found.method,
    )
