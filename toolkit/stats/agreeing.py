"""Do two ways of reading agree: limits of agreement of numbers, kappa of signs and grades."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
import pandas as pd

from toolkit.errors import ToolkitError
from toolkit.number_words import figure_text
from toolkit.result import Estimate, Result
from toolkit.stats.agreement import LimitsOfAgreement, limits_of_agreement_repeated, limits_of_agreement_replicates
from toolkit.stats.agreement import limits_of_agreement as limits_of_pairs
from toolkit.stats.data import (
    By,
    Group,
    Part,
    answer,
    checked_level,
    frame_of,
    groups_of,
    groups_of_readings,
    refuse_sign,
)
from toolkit.stats.intraclass import concordance
from toolkit.stats.rating_agreement import Kappa, cohen_kappa, fleiss_kappa

if TYPE_CHECKING:
    from matplotlib.figure import Figure

Weights = Literal["none", "linear", "quadratic"]


def limits_of_agreement(
    data: Any,
    *,
    first: str = "before",
    second: str = "before_2",
    client: str = "client",
    by: By = None,
    level: float = 0.95,
    interval: Literal["exact", "approximate_1986", "approximate_1999"] = "exact",
    multiplier: float = 1.96,
    method: str | None = None,
    value: str = "value",
    unit: str | None = None,
) -> Result:
    """Bias (second minus first) and limits of agreement of two readings of the same people.

    A client with several pairs is allowed for. With `method` the frame has one row a reading and several by each of two
    methods.

    Parameters
    ----------
    data, first, second, client, by, level, unit
        As `reliability`.
    interval
        Of the limits, one pair a client: "exact" (noncentral t), or as Bland & Altman printed it: "approximate_1986",
        "approximate_1999".
    multiplier
        1.96, or 2 as in Bland & Altman (1986).
    method, value
        Columns of the layout with one row a reading: which of two methods, and the reading.

    Returns
    -------
    Result
        Rows bias, SD of differences, lower and upper limit of agreement, where one pair a client also the slope of
        the difference on the mean and Lin's concordance correlation. The figure is the difference against the mean.

    Raises
    ------
    ToolkitError
        A column is missing or holds words, or the interval is unknown.
    NotEnoughError
        Fewer than three people with both readings, or differences all the same.

    References
    ----------
    Bland & Altman (1986) Lancet 327:307-310; (1999) Statistical Methods in Medical Research 8:135-160; Carkeet (2015)
    Optometry and Vision Science 92:e71-e80; Zou (2013) Statistical Methods in Medical Research 22:630-642; Lin (1989)
    Biometrics 45:255-268.

    Examples
    --------
    >>> found = limits_of_agreement(([30, 34, 41, 38], [32, 33, 42, 41]), unit="deg")
    >>> round(float(found), 2), round(float(found.row("lower limit of agreement")["estimate"]), 2)
    (1.25, -2.1)
    """
    level = checked_level(level)
    if interval not in ("exact", "approximate_1986", "approximate_1999"):
        raise ToolkitError(f"There is no interval '{interval}'. Choose exact, approximate_1986 or approximate_1999.")
    if method is not None:
        groups, by_names = groups_of_readings(data, client, method, value, by=by, unit=unit)
    else:
        groups, by_names = groups_of(data, columns=(first, second), client=client, by=by, unit=unit)

    def computed(group: Group) -> Part:
        refuse_sign(group)
        said: dict[str, Any] = {"unit": group.unit, "multiplier": multiplier, "confidence_level": level}
        if method is not None:
            found = limits_of_agreement_replicates(group.rows, person=client, method=method, value=value, **said)
            return _limits_part(found, (), interval)
        one, two, who = (group.rows[name] for name in (first, second, "client"))
        both = one.notna() & two.notna()
        drawn = group.rows.loc[both, [first, second]]
        if who[both].duplicated().any():
            return _limits_part(limits_of_agreement_repeated(one, two, who, **said), (), interval, pairs=drawn)
        more = (concordance(one[both], two[both], confidence_level=level),) if np.ptp(one[both]) else ()
        return _limits_part(limits_of_pairs(one, two, **said), more, interval, pairs=drawn)

    return answer(groups, by_names, computed, title="Limits of agreement")


def _limits_part(
    found: LimitsOfAgreement, more: tuple[Estimate, ...], interval: str, pairs: pd.DataFrame | None = None
) -> Part:
    choices = {
        "approximate_1986": (found.lower_approximate, found.upper_approximate),
        "approximate_1999": (found.lower_1999, found.upper_1999),
    }
    asked = [limit for limit in choices.get(interval, ()) if limit is not None]
    limits = asked or [found.lower, found.upper]
    parts = [found.bias, found.sd, *limits, *([found.slope] if found.slope else []), *more]
    counted = {"n_clients": found.n_people, "n_rows": found.n_pairs}
    return Part(
        rows=[one.standard_row(**counted) for one in parts],
        says=found.sentence(),
        detail=found,
        draw=None if pairs is None else lambda: _against_mean(pairs, [found.bias, *limits]),
    )


def _against_mean(pairs: pd.DataFrame, lines: Sequence[Estimate]) -> Figure:
    """The difference of two readings against their mean, the lines with the bands of their intervals."""
    from matplotlib.figure import Figure

    one, two = (pairs.iloc[:, place].to_numpy(dtype=float) for place in (0, 1))
    figure = Figure(figsize=(6.5, 4.0), layout="constrained")
    axes = figure.subplots()
    axes.scatter((one + two) / 2, two - one, s=14, color="#1f4e79", alpha=0.6)
    for line, dash in zip(lines, ("-", "--", "--"), strict=True):
        axes.axhline(line.value, color="0.2", ls=dash, lw=1.2, label=line.name)
        if np.isfinite([line.ci_low, line.ci_high]).all():
            axes.axhspan(line.ci_low, line.ci_high, color="0.5", alpha=0.18, lw=0)
        words = f"{line.name.removesuffix(' of agreement')}\n{figure_text(line.value)}"
        axes.text(1.01, line.value, words, va="center", fontsize="small", transform=axes.get_yaxis_transform())
    unit = f" ({lines[0].unit})" if lines[0].unit else ""
    axes.set_xlabel(f"Mean of the two readings{unit}")
    axes.set_ylabel(f"Second minus first{unit}")
    axes.spines[["top", "right"]].set_visible(False)
    return figure


def kappa(
    data: Any,
    *,
    first: str = "before",
    second: str = "before_2",
    client: str | None = None,
    by: By = None,
    level: float = 0.95,
    weights: Weights = "none",
    categories: Sequence[str | float] | None = None,
    subject: str | None = None,
    value: str = "value",
) -> Result:
    """Agreement on signs or grades beyond chance: Cohen's kappa of two columns, Fleiss' kappa of one row an answer.

    Parameters
    ----------
    data
        A frame or two columns of answers (words or numbers).
    first, second
        Columns of the two readers' answers, one row a person.
    client
        Column of clients; where a client stands in several rows only the first pair counts, because repeated pairs
        would make the interval too short. Left out, each row is a person.
    by
        Column or columns: a kappa for each of their combinations.
    level
        Confidence level of the intervals.
    weights
        "none", or "linear" or "quadratic" for ordered answers.
    categories
        The answers in their order; needed with weights unless the answers are numbers.
    subject, value
        Columns of the layout with one row an answer (several readers a person).

    Returns
    -------
    Result
        First row: kappa with the adjusted interval; second: with the large-sample one. `observed` and `by_chance` are
        the shares of agreement.

    Raises
    ------
    ToolkitError
        A column is missing, weights are unknown, or an answer is not among the categories.
    NotEnoughError
        Fewer than two people, or all answers the same.

    References
    ----------
    Cohen (1960) Educational and Psychological Measurement 20:37-46; Fleiss, Cohen & Everitt (1969) Psychological
    Bulletin 72:323-327; Fleiss (1971) Psychological Bulletin 76:378-382.

    Examples
    --------
    >>> found = kappa((["yes", "yes", "no", "no", "yes"], ["yes", "no", "no", "no", "yes"]))
    >>> round(float(found), 3)
    0.615
    """
    level = checked_level(level)
    if subject is not None:
        frame = frame_of(data, columns=(subject, value))
        groups, by_names = groups_of(frame, columns=(subject, value), client=subject, by=by, numeric=False)
        return answer(
            groups,
            by_names,
            lambda g: _kappa_part(fleiss_kappa(g.rows, subject=subject, value=value, confidence_level=level)),
            title="Agreement beyond chance",
        )
    groups, by_names = groups_of(data, columns=(first, second), client=client, by=by, numeric=False)

    def computed(group: Group) -> Part:
        rows = group.rows.dropna(subset=[first, second]).drop_duplicates("client")
        said: dict[str, Any] = {"weights": weights, "categories": categories, "confidence_level": level}
        return _kappa_part(cohen_kappa(rows[first].astype(object), rows[second].astype(object), **said))

    return answer(groups, by_names, computed, title="Agreement beyond chance")


def _kappa_part(found: Kappa) -> Part:
    more = {"observed": found.observed, "by_chance": found.by_chance, "n_clients": found.n_people}
    return Part(
        rows=[found.estimate.standard_row(**more), found.large_sample.standard_row(**more)],
        says=found.sentence(),
        detail=found,
    )
