"""Who moved beyond the ruler's error: the same count for the findings, the figures and the words."""

from __future__ import annotations

import numpy as np
import pandas as pd

from toolkit.errors import NotEnoughError
from toolkit.findings.finding import Judged
from toolkit.records.coded_texts import as_texts
from toolkit.stats.beyond_error import Responders, responders
from toolkit.stats.clients import clients_change


def responders_of(judged: Judged) -> Responders | None:
    """Who moved beyond the ruler's error, from the reading that the changes are counted from; None without a ruler.

    Each client is judged once, by the mean of the own changes.
    """
    question, threshold = judged.question, judged.ruler.mdc95
    if not threshold:
        return None
    try:
        return responders(
            judged.technique,
            measure=question.measure,
            unit=str(question.unit),
            better=str(question.better),
            threshold=threshold,
            threshold_source=judged.ruler.source,
            smallest_change_that_matters=question.smallest_change_that_matters,
            smallest_change_source=question.source,
            sem=judged.ruler.sem,
            first=counted_from(judged),
        )
    except NotEnoughError:
        return None


def counted_from(judged: Judged) -> str:
    """The reading that clients' changes are counted from: the second before, where it was taken."""
    return "before_2" if judged.readings_2 is not None else "before"


def client_frame(judged: Judged) -> pd.DataFrame:
    """One row a client for the figures: client, first, second, change, beyond_mdc, moved, threshold.

    `moved` is "better", "worse" or "within" the ruler's error, `beyond_mdc` whether it is one of the first two,
    `threshold` the error of the mean of as many changes as the client gave; all NA without a ruler.
    """
    first = counted_from(judged)
    pairs = judged.technique.dropna(subset=[first, "after"])
    if pairs.empty:
        names = ["client", "first", "second", "change", "beyond_mdc", "moved", "threshold"]
        return pd.DataFrame({name: [] for name in names})
    means = clients_change(pairs, first=first, second="after", better=str(judged.question.better))
    means = means.rename(columns={"mean_first": "first", "mean_second": "second"})
    found = responders_of(judged)
    if found is None:
        unknown = pd.Series(pd.NA, index=means.index)
        return means.assign(beyond_mdc=unknown, moved=unknown, threshold=np.nan)
    known = found.clients.set_index("client").loc[means["client"]]
    better, worse = known["beyond_error"].to_numpy(dtype=bool), known["worse"].to_numpy(dtype=bool)
    return means.assign(
        beyond_mdc=better | worse,
        moved=np.select([better, worse], ["better", "worse"], default="within"),
        threshold=known["threshold"].to_numpy(dtype=float),
    )


def session_changes(judged: Judged) -> pd.DataFrame:
    """One row a session's side: client and oriented change, from the reading that clients' changes are counted from."""
    first = counted_from(judged)
    pairs = judged.technique.dropna(subset=[first, "after"])
    sign = 1.0 if judged.question.better == "higher" else -1.0
    return pd.DataFrame({"client": as_texts(pairs["client"]), "change": sign * (pairs["after"] - pairs[first])})
