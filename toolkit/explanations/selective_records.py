"""What was not written down, and what was remembered in its place: missing readings, comfort taken for outcome."""

from __future__ import annotations

import numpy as np
import pandas as pd

from toolkit.explanations.case import Case, Explanation, told
from toolkit.number_words import amount
from toolkit.quantiles import t_half_width
from toolkit.records.coded_texts import as_texts
from toolkit.result import Estimate

NOT_WRITTEN_DOWN = "readings not written down"
CLOSE = "Write down every reading after, above all where nothing moved."


def not_written_down(case: Case) -> Explanation:
    """How far the result falls when what is missing is filled in against the technique."""
    started = case.technique.dropna(subset=["before"]) if len(case.technique) else case.technique
    empty = int(started["after"].isna().sum())
    if case.compared is None:
        return _uncompared(case, empty, len(started))
    rows = case.compared.rows
    shares = rows["y"].isna().groupby(rows["arm"]).mean()
    if not rows["y"].isna().any():
        says = f"All {len(rows)} compared rows have a reading after."
        return Explanation(
            explanation=NOT_WRITTEN_DOWN, status="not_applicable", size=None, says=says, what_would_close_it=""
        )
    said = (
        f"{100 * shares.get(1.0, 0):.0f} % of the technique's and {100 * shares.get(0.0, 0):.0f} % of the comparison's "
        "readings after are missing."
    )
    if case.complete is None or case.attributable is None:
        return Explanation(explanation=NOT_WRITTEN_DOWN, status="open", size=None, says=said, what_would_close_it=CLOSE)
    fall = case.complete.mean - case.attributable.mean_against
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
    moves = (
        f"falls by {amount(fall, case.unit)}" if fall > 0 else f"does not fall (it rises by {amount(-fall, case.unit)})"
    )
    says = f"{said} Filled in against the technique, the difference {moves}."
    tipping = tipping_point(case)
    if tipping is not None:
        where = "below" if tipping >= 0 else "above"
        says += (
            " The lower limit of what was written down would reach 0 if the technique's missing changes were on "
            f"average about {amount(abs(tipping), case.unit)} {where} the middle of the comparison's."
        )
    return Explanation(explanation=NOT_WRITTEN_DOWN, status="bounded", size=size, says=says, what_would_close_it=CLOSE)


def tipping_point(case: Case) -> float | None:
    """How far below the comparison's median the technique's missing changes must lie to bring the lower limit to 0.

    Leaving missing rows out takes them to be like the mean of the rest. A share m of technique rows taken to be at v
    instead moves the technique's mean, and with it the lower limit, by m (v − mean): the limit is 0 at
    v = mean − limit / m. The width of the interval is taken not to change, so this is an approximation.

    Returns:
        Comparison's median less v, in the measure's unit; None where nothing is missing or the limit is not above 0.
    """
    if case.compared is None or case.complete is None or not case.complete.ci_low > 0:
        return None
    rows = case.compared.rows
    technique, comparison = (rows.loc[rows["arm"] == arm, "y"] for arm in (1, 0))
    missing = float(technique.isna().mean())
    if missing == 0 or technique.notna().sum() == 0 or comparison.notna().sum() == 0:
        return None
    tips_at = float(technique.mean()) - case.complete.ci_low / missing
    return float(comparison.median()) - tips_at


def _uncompared(case: Case, empty: int, n_rows: int) -> Explanation:
    """Without a comparison: what the mean would be had nothing moved where nothing was written down."""
    if empty == 0:
        says = f"All {n_rows} rows have a reading after."
        return Explanation(
            explanation=NOT_WRITTEN_DOWN, status="not_applicable", size=None, says=says, what_would_close_it=""
        )
    if empty == n_rows:
        says = f"None of {n_rows} rows has a reading after."
        return Explanation(explanation=NOT_WRITTEN_DOWN, status="open", size=None, says=says, what_would_close_it=CLOSE)
    sums, counts = case.sums
    fall = float((sums / counts).mean()) - _client_mean(_nothing_moved(case))
    size = Estimate(
        name="fall of the mean change, had nothing moved there",
        value=fall,
        ci_low=min(fall, 0.0),
        ci_high=max(fall, 0.0),
        unit=case.unit,
        n=int(case.technique.dropna(subset=["before"])["client"].nunique()),
        method="client means, missing changes taken as 0; interval: from nothing to this bound",
        confidence_level=1.0,
    )
    says = (
        f"{empty} of {n_rows} rows have no reading after; had nothing moved there, the mean change would be lower by "
        f"{amount(fall, case.unit)}."
    )
    return Explanation(explanation=NOT_WRITTEN_DOWN, status="bounded", size=size, says=says, what_would_close_it=CLOSE)


def _nothing_moved(case: Case) -> pd.DataFrame:
    """Technique rows with a reading before, a missing reading after taken to be the same."""
    started = case.technique.dropna(subset=["before"])
    return started.assign(change=(case.sign * (started["after"] - started["before"])).fillna(0.0))


def _client_mean(changes: pd.DataFrame) -> float:
    """Mean of client means."""
    return float(changes["change"].groupby(as_texts(changes["client"])).mean().mean())


COMFORT_MISTAKEN = "comfort mistaken for outcome"
COMFORTABLE = 7.0


def comfort(case: Case) -> Explanation:
    """Change in sessions that felt comfortable less change in those that did not, within clients."""
    close = "Write comfort (0 to 10) beside every outcome, and judge the outcome."
    change = case.changes().dropna(subset=["comfort"])
    if change.empty:
        says = "Comfort was not written down, so it cannot have been mistaken for an outcome here."
        return Explanation(
            explanation=COMFORT_MISTAKEN, status="not_applicable", size=None, says=says, what_would_close_it=""
        )
    change = change.assign(client=as_texts(change["client"]))
    felt = np.where(change["comfort"] >= COMFORTABLE, "good", "other")
    means: pd.DataFrame = change.assign(felt=felt).groupby(["client", "felt"])["change"].mean().unstack()
    gap = (means["good"] - means["other"]).dropna().to_numpy() if means.shape[1] == 2 else np.array([])
    if len(gap) < 3 or np.ptp(gap) == 0:
        why = "too few clients had" if len(gap) < 3 else "the difference is the same in all clients that had"
        says = f"Outcome and comfort are kept apart; {why} both comfortable and other sessions, so no size is given."
        return Explanation(
            explanation=COMFORT_MISTAKEN, status="adjusted", size=None, says=says, what_would_close_it=close
        )
    value = float(gap.mean())
    reach = t_half_width(gap)
    size = Estimate(
        name="comfortable less other sessions",
        value=value,
        ci_low=value - reach,
        ci_high=value + reach,
        unit=case.unit,
        n=len(gap),
        method=f"differences within clients; comfortable = {COMFORTABLE:g} or more",
        df=len(gap) - 1,
    )
    says = (
        f"Sessions that felt comfortable ({COMFORTABLE:g} or more of 10) less other sessions of the same client: "
        f"{told(size)} of change, {size.n} clients. The claim rests on the outcome, not on comfort."
    )
    return Explanation(explanation=COMFORT_MISTAKEN, status="adjusted", size=size, says=says, what_would_close_it=close)
