"""The difference of two means of client means, where some clients may stand on both sides."""

from __future__ import annotations

import numpy as np
import pandas as pd

from toolkit.quantiles import t_quantile


def difference_interval(
    one: pd.Series, other: pd.Series, *, confidence_level: float = 0.95
) -> tuple[float, float, float] | None:
    """Interval and standard error of a difference of two means of client means; some clients may stand in both.

    Args:
        one, other: client means, indexed by client.

    Returns:
        Lower limit, upper limit, standard error (linearised variance, t with clients − 1 df); None below 3 clients
        or where one side has none.
    """
    clients = one.index.union(other.index)
    n = len(clients)
    if n < 3 or min(len(one), len(other)) < 1:
        return None
    influence = ((one - one.mean()) / len(one)).reindex(clients, fill_value=0.0) - (
        (other - other.mean()) / len(other)
    ).reindex(clients, fill_value=0.0)
    se = float(np.sqrt(n / (n - 1) * np.sum(influence.to_numpy() ** 2)))
    reach = float(t_quantile((1 + confidence_level) / 2, n - 1)) * se
    value = float(one.mean() - other.mean())
    return value - reach, value + reach, se
