"""How large is the change? Every usual effect size of paired readings, clients weighted equally, better = positive."""

from __future__ import annotations

import numpy as np
import pandas as pd

from toolkit.errors import NotEnoughError
from toolkit.result import Estimate
from toolkit.stats.beyond_error import matched_rank_biserial, probability_of_improvement
from toolkit.stats.clients import clients_change
from toolkit.stats.response_mean import dz_change, dz_change_widened, standardised_response_mean
from toolkit.stats.standardised import baseline_sd_change, dav_change, drm_change, gav_change, two_readings


def effect_sizes(
    rows: pd.DataFrame,
    *,
    measure: str,
    better: str,
    first: str = "before",
    second: str = "after",
    confidence_level: float = 0.95,
) -> list[Estimate]:
    """All effect sizes of one measure's change, each with its interval and the method in words.

    A client who comes several times enters with the means of the client's first and second readings, so that no one
    counts twice; the SDs are then those of client means (a little smaller than those of single readings). Where clients
    come unequally often, the interval of d_z is widened (`dz_change_widened`).

    Parameters
    ----------
    rows
        One row a measured side of one session, of one measure; columns `client`, `first`, `second`.
    measure
        For the words.
    better
        "higher" or "lower".
    first, second
        Columns to compare.
    confidence_level
        Of every interval.

    Returns
    -------
    list[Estimate]
        D_z, d_av, d_rm, Hedges' g_av, change over baseline SD, standardised response mean, probability of improvement,
        matched rank-biserial correlation.

    Raises
    ------
    ToolkitError
        A column is missing, a client is empty, text stands among the numbers.
    NotEnoughError
        Fewer than three clients, or readings without variation.

    References
    ----------
    Lakens (2013) Frontiers in Psychology 4:863; `standardised` and `improvement` name the rest.

    Examples
    --------
    >>> rows = pd.DataFrame({"client": list("ABCD"), "before": [30, 34, 39, 31], "after": [33, 36, 45, 32]})
    >>> [found.name for found in effect_sizes(rows, measure="lunge", better="higher")][:3]
    ['d_z', 'd_av', 'd_rm']
    """
    clients = clients_change(rows, first=first, second=second, better=better)
    if len(clients) < 3:
        raise NotEnoughError(
            f"{measure}: {len(clients)} client(s) with both readings. An effect size needs at least three; "
            "report the change in its own unit and record more clients."
        )
    changes = clients["change"].to_numpy(dtype=np.float64)
    readings = two_readings(clients["mean_first"], clients["mean_second"], better=better)
    equally_often = clients["n_rows"].nunique() == 1
    dz = (dz_change if equally_often else dz_change_widened)(changes, confidence_level=confidence_level)
    return [
        dz,
        dav_change(readings, confidence_level=confidence_level),
        drm_change(readings, confidence_level=confidence_level),
        gav_change(readings, confidence_level=confidence_level),
        baseline_sd_change(readings, confidence_level=confidence_level),
        standardised_response_mean(dz),
        probability_of_improvement(changes, confidence_level=confidence_level),
        matched_rank_biserial(changes, confidence_level=confidence_level),
    ]
