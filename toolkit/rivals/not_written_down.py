"""Readings not written down: unmoved sides tend to be left empty, and an average of the rest flatters."""

from __future__ import annotations

import numpy as np

from toolkit.result import Estimate, figure_text
from toolkit.rivals.case import Case, Rival

NAME = "readings not written down"
CLOSE = "Write down every reading after, above all where nothing moved."


def not_written_down(case: Case) -> Rival:
    """How far the result falls when what is missing is filled in against the technique."""
    started = case.technique.dropna(subset=["before"]) if len(case.technique) else case.technique
    empty = int(started["after"].isna().sum())
    if case.compared is None:
        return _uncompared(case, empty, len(started))
    rows = case.compared.rows
    shares = rows["y"].isna().groupby(rows["arm"]).mean()
    if not rows["y"].isna().any():
        says = f"All {len(rows)} compared rows have a reading after."
        return Rival(rival=NAME, status="not_applicable", size=None, says=says, what_would_close_it="")
    said = (
        f"{100 * shares.get(1.0, 0):.0f} % of the technique's and {100 * shares.get(0.0, 0):.0f} % of the comparison's "
        "readings after are missing."
    )
    if case.complete is None or case.attributable is None:
        return Rival(rival=NAME, status="open", size=None, says=said, what_would_close_it=CLOSE)
    fall = case.complete.mean - case.attributable.mean
    size = Estimate(
        name="complete readings less filled in against the technique",
        value=fall,
        ci_low=min(fall, 0.0),
        ci_high=max(fall, 0.0),
        unit=case.unit,
        n=case.attributable.n_clients,
        method="missing technique changes at the comparison's lower quartile, missing comparison changes at "
        "its median; interval: from nothing to this bound",
        confidence_level=1.0,
    )
    says = f"{said} Filled in against the technique, the difference falls by {figure_text(fall)} {case.unit}."
    tipping = _tipping_point(case)
    if tipping is not None:
        says += (
            f" The lower limit would reach 0 if the technique's missing changes were on average "
            f"{figure_text(tipping)} {case.unit} below the comparison's middle."
        )
    return Rival(rival=NAME, status="bounded", size=size, says=says, what_would_close_it=CLOSE)


def _tipping_point(case: Case) -> float | None:
    """How far below the comparison's median the technique's missing changes must lie to bring the lower limit to 0."""
    if case.compared is None or case.complete is None:
        return None
    rows = case.compared.rows
    missing = float(rows.loc[rows["arm"] == 1, "y"].isna().mean())
    if missing == 0 or case.complete.ci_low <= 0:
        return None
    # a share `missing` shifted by d moves the technique's mean by missing × d
    usual = rows.loc[(rows["arm"] == 1), "y"].mean() - rows.loc[(rows["arm"] == 0), "y"].median()
    return float(case.complete.ci_low / missing - np.nan_to_num(usual))


def _uncompared(case: Case, empty: int, n_rows: int) -> Rival:
    """Without a comparison: what the mean would be had nothing moved where nothing was written down."""
    if empty == 0:
        says = f"All {n_rows} rows have a reading after."
        return Rival(rival=NAME, status="not_applicable", size=None, says=says, what_would_close_it="")
    share = empty / n_rows
    mean = float(case.changes()["change"].mean()) if n_rows > empty else 0.0
    fall = share * mean
    size = Estimate(
        name="fall of the mean change, had nothing moved there",
        value=fall,
        ci_low=min(fall, 0.0),
        ci_high=max(fall, 0.0),
        unit=case.unit,
        n=int(case.technique["client"].nunique()),
        method="missing changes taken as 0; interval: from nothing to this bound",
        confidence_level=1.0,
    )
    says = (
        f"{empty} of {n_rows} rows have no reading after; had nothing moved there, the mean change would be lower by "
        f"{figure_text(fall)} {case.unit}."
    )
    return Rival(rival=NAME, status="bounded", size=size, says=says, what_would_close_it=CLOSE)
