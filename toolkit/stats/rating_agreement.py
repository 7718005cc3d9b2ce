"""Agreement on signs and grades beyond chance: Cohen's kappa, weighted kappa, Fleiss' kappa, with two intervals each.

The large-sample interval is the published one; it is far too short with few people or high agreement (nothing at all
where everybody agrees). The interval to read is the adjusted one: the same after two made-up people are spread evenly
over all answers (half a person a cell in a 2 × 2 table), a device known from proportions (Agresti & Coull 1998). In our
simulations (tests/benchmarks/coverage_measurement.csv) its 95 % interval held the truth in 94–99 % from 15 people on,
the large-sample one in 64–92 % with 15 people and 85–94 % with 30. It errs on the wide side for ordered grades.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from toolkit.errors import NotEnoughError, SheetError
from toolkit.number_words import figure_text
from toolkit.quantiles import normal_quantile
from toolkit.result import Estimate, Shown
from toolkit.stats import checks
from toolkit.stats.clustered import Floats

_PEOPLE_ADDED = 2.0


@dataclass(frozen=True, kw_only=True, eq=False)
class Kappa(Shown):
    """A kappa with the agreement seen and the agreement chance alone would give.

    `estimate` carries the adjusted interval (see the module), `large_sample` the published one with its standard error.
    """

    estimate: Estimate
    large_sample: Estimate
    observed: float
    by_chance: float
    categories: tuple[str, ...]
    n_people: int
    n_set_aside: int

    def sentence(self) -> str:
        """Kappa in words, without calling it good or bad."""
        e = self.estimate
        return (
            f"{self.n_people} people: readers agree in {self.observed:.0%}, chance alone would give "
            f"{self.by_chance:.0%}; {e.name} {figure_text(e.value)} "
            f"({figure_text(e.ci_low)} to {figure_text(e.ci_high)})."
            + (" With fewer than 30 people this is a first impression." if self.n_people < 30 else "")
        )

    def table(self) -> pd.DataFrame:
        """The kappa with each of its intervals."""
        return pd.DataFrame([self.estimate.as_row(), self.large_sample.as_row()])


def cohen_kappa(
    first: npt.ArrayLike,
    second: npt.ArrayLike,
    *,
    weights: str = "none",
    categories: Sequence[str | float] | None = None,
    confidence_level: float = 0.95,
) -> Kappa:
    """Cohen's kappa of two readers (or two readings by one), plain or weighted.

    Parameters
    ----------
    first
        Answers of the first reader, one a person.
    second
        Answers of the second, same length.
    weights
        "none", or for ordered answers "linear" or "quadratic".
    categories
        The answers in their order; needed for weights unless the answers are numbers.

    Raises
    ------
    NotEnoughError
        Fewer than two people, or all answers the same.
    SheetError
        Unknown weights, weights for unordered words, an answer not among the categories.

    References
    ----------
    Cohen (1960) Educ Psychol Meas 20:37-46; Cohen (1968) Psychol Bull 70:213-220; standard error Fleiss, Cohen &
    Everitt (1969) Psychol Bull 72:323-327.

    Examples
    --------
    >>> k = cohen_kappa(["yes", "yes", "no", "no", "yes"], ["yes", "no", "no", "no", "yes"])
    >>> round(k.estimate.value, 3)
    0.615
    """
    checks.same_length(first=first, second=second)
    one, two = (pd.Series(np.asarray(answers, dtype=object)) for answers in (first, second))
    keep = one.notna() & two.notna() & (one != "") & (two != "")
    if not keep.any():
        raise NotEnoughError("No person has an answer from both readers; nothing can be compared.")
    known = _categories(pd.concat([one[keep], two[keep]]), categories, ordered=weights != "none")
    place = {name: index for index, name in enumerate(known)}
    counts = np.zeros((len(known), len(known)))
    np.add.at(counts, (one[keep].map(_text).map(place).to_numpy(), two[keep].map(_text).map(place).to_numpy()), 1.0)
    return kappa_of_table(
        counts, weights=weights, categories=known, n_set_aside=int((~keep).sum()), confidence_level=confidence_level
    )


def kappa_of_table(
    counts: npt.ArrayLike,
    *,
    weights: str = "none",
    categories: Sequence[str] | None = None,
    n_set_aside: int = 0,
    confidence_level: float = 0.95,
) -> Kappa:
    """The same from a square table of counts, first reader down, second across, categories in their order.

    Examples
    --------
    >>> round(kappa_of_table([[20, 5], [10, 15]]).estimate.value, 3)
    0.4
    """
    checks.level(confidence_level)
    table = np.asarray(counts, dtype=float)
    if table.ndim != 2 or table.shape[0] != table.shape[1] or table.shape[0] < 2:
        raise SheetError("Kappa needs a square table of counts, at least 2 × 2, the same categories down and across.")
    if (table < 0).any() or not np.isfinite(table).all():
        raise SheetError("A table of counts holds numbers of people: none may be negative or missing.")
    names = tuple(categories) if categories is not None else tuple(str(i + 1) for i in range(len(table)))
    n = int(table.sum())
    checks.enough_people(n, what="answers by both readers")
    weighing = _weights(weights, len(table))
    value, se, observed, by_chance = _kappa(table, weighing)
    middle, spread, _, _ = _kappa(table + _PEOPLE_ADDED / table.size, weighing)
    name = "kappa" if weights == "none" else f"{weights} weighted kappa"
    return _result(
        name,
        (value, se),
        (middle, spread),
        observed=observed,
        by_chance=by_chance,
        categories=names,
        n_people=n,
        n_set_aside=n_set_aside,
        confidence_level=confidence_level,
    )


def fleiss_kappa(
    ratings: pd.DataFrame,
    *,
    subject: str = "subject",
    value: str = "value",
    confidence_level: float = 0.95,
) -> Kappa:
    """Fleiss' kappa: several readers, not necessarily the same for each person, the same number of answers a person.

    Parameters
    ----------
    ratings
        Tidy frame, one row an answer.
    subject
        Column of the person.
    value
        Column of the answers (words or grades, not ordered).

    Raises
    ------
    NotEnoughError
        Fewer than two people, one answer a person, all answers the same.
    SheetError
        People with different numbers of answers (missing readers), or a missing column.

    References
    ----------
    Fleiss (1971) Psychol Bull 76:378-382; standard error by linearisation over people (Gwet 2008, Br J Math Stat
    Psychol 61:29-48), which does not suppose kappa = 0.

    Examples
    --------
    >>> rows = pd.DataFrame({"subject": [1, 1, 1, 2, 2, 2], "value": ["yes", "yes", "no", "no", "no", "no"]})
    >>> round(fleiss_kappa(rows).estimate.value, 3)
    0.25
    """
    checks.level(confidence_level)
    checks.columns_present(ratings, [subject, value])
    keep = ratings[subject].notna() & ratings[value].notna() & (ratings[value] != "")
    kept = ratings.loc[keep]
    counts = pd.crosstab(kept[subject].astype(str), kept[value].map(_text))
    return fleiss_of_counts(
        counts.to_numpy(),
        categories=[str(name) for name in counts.columns],
        people=[str(name) for name in counts.index],
        n_set_aside=int((~keep).sum()),
        confidence_level=confidence_level,
    )


def fleiss_of_counts(
    counts: npt.ArrayLike,
    *,
    categories: Sequence[str] | None = None,
    people: Sequence[str] | None = None,
    n_set_aside: int = 0,
    confidence_level: float = 0.95,
) -> Kappa:
    """The same from counts: people down, categories across, how many readers gave each answer.

    Examples
    --------
    >>> round(fleiss_of_counts([[1, 2], [3, 0]]).estimate.value, 3)
    0.25
    """
    checks.level(confidence_level)
    table = np.asarray(counts, dtype=float)
    checks.enough_people(len(table), what="answers")
    answers = table.sum(axis=1)
    usual = float(np.median(answers))
    odd = np.flatnonzero(answers != usual)
    if len(odd):
        first = people[odd[0]] if people is not None else f"in row {odd[0] + 1}"
        raise SheetError(
            f"Fleiss' kappa needs the same number of answers for every person. Most have {usual:g}, but {len(odd)} do "
            f"not (first: {first} with {answers[odd[0]]:g}). Complete them, or leave those people out."
        )
    if usual < 2:
        raise NotEnoughError("Each person has one answer only: agreement needs at least two readers.")
    kinds = table.shape[1]
    value, se, observed, by_chance = _fleiss(table, np.ones(len(table)))
    made_up = np.array([(np.eye(kinds)[i] + np.eye(kinds)[j]) * usual / 2 for i in range(kinds) for j in range(kinds)])
    weight = np.concatenate([np.ones(len(table)), np.full(kinds**2, _PEOPLE_ADDED / kinds**2)])
    middle, spread, _, _ = _fleiss(np.vstack([table, made_up]), weight)
    return _result(
        f"Fleiss' kappa ({usual:g} readers)",
        (value, se),
        (middle, spread),
        observed=observed,
        by_chance=by_chance,
        categories=tuple(categories) if categories is not None else tuple(str(i + 1) for i in range(kinds)),
        n_people=len(table),
        n_set_aside=n_set_aside,
        confidence_level=confidence_level,
    )


def _kappa(table: Floats, weighing: Floats) -> tuple[float, float, float, float]:
    """Kappa, its large-sample standard error (Fleiss, Cohen & Everitt 1969), observed and chance agreement."""
    n = table.sum()
    share = table / n
    down, across = share.sum(axis=1), share.sum(axis=0)
    observed, by_chance = float((share * weighing).sum()), float(down @ weighing @ across)
    if by_chance >= 1 - 1e-12:
        raise _no_variety()
    value = (observed - by_chance) / (1 - by_chance)
    expected = (weighing @ across)[:, None] + (down @ weighing)[None, :]
    influence = (weighing - (1 - value) * expected) / (1 - by_chance)
    variance = float((share * influence**2).sum() - (share * influence).sum() ** 2) / n
    return value, float(np.sqrt(max(variance, 0.0))), observed, by_chance


def _fleiss(counts: Floats, weight: Floats) -> tuple[float, float, float, float]:
    """Fleiss' kappa of weighted people, its standard error by linearisation, observed and chance agreement."""
    raters, people = counts[0].sum(), weight.sum()
    agreeing = ((counts**2).sum(axis=1) - raters) / (raters * (raters - 1))
    shares = weight @ counts / (people * raters)
    observed, by_chance = float(weight @ agreeing / people), float((shares**2).sum())
    if by_chance >= 1 - 1e-12:
        raise _no_variety()
    value = (observed - by_chance) / (1 - by_chance)
    chance_of = 2 * (counts / raters @ shares) - 2 * by_chance
    influence = (agreeing - observed - (1 - value) * chance_of) / (1 - by_chance)
    return value, float(np.sqrt(weight @ influence**2) / people), observed, by_chance


def _no_variety() -> NotEnoughError:
    return NotEnoughError(
        "All answers are the same, so agreement by chance is complete and kappa has no value. "
        "Include people with and without the sign, or report the plain share of agreement."
    )


def _result(
    name: str,
    large_sample: tuple[float, float],
    adjusted: tuple[float, float],
    *,
    observed: float,
    by_chance: float,
    categories: tuple[str, ...],
    n_people: int,
    n_set_aside: int,
    confidence_level: float,
) -> Kappa:
    """Both intervals around the same estimate; limits stay within −1 and 1 and include the estimate."""
    value, se = large_sample
    z = normal_quantile((1 + confidence_level) / 2)

    def estimate(middle: float, spread: float, method: str) -> Estimate:
        return Estimate(
            name=name,
            value=value,
            ci_low=max(min(middle - z * spread, value), -1.0),
            ci_high=min(max(middle + z * spread, value), 1.0),
            unit="",
            n=n_people,
            n_of="people",
            se=se,
            method=method,
            confidence_level=confidence_level,
        )

    return Kappa(
        estimate=estimate(*adjusted, "adjusted interval, two people added over all answers"),
        large_sample=estimate(value, se, "large-sample interval (too short for few people)"),
        observed=observed,
        by_chance=by_chance,
        categories=categories,
        n_people=n_people,
        n_set_aside=n_set_aside,
    )


def _text(answer: object) -> str:
    """An answer as a word: 1 and 1.0 are the same answer."""
    if isinstance(answer, (int, float, np.number)) and float(answer).is_integer():
        return str(int(answer))
    return str(answer)


def _categories(answers: pd.Series, given: Sequence[str | float] | None, *, ordered: bool) -> tuple[str, ...]:
    """The answers' categories in order: as given, else numbers by size, else words by name (not for weights)."""
    seen = set(answers.map(_text))
    if given is not None:
        known = tuple(_text(name) for name in given)
        strange = sorted(seen - set(known))
        if strange:
            raise SheetError(f"{len(strange)} answer(s) are not among the categories, the first: {strange[0]!r}.")
        return known if len(known) > 1 else (*known, "(any other)")
    try:
        known = tuple(sorted(seen, key=float))
    except ValueError:
        if ordered:
            raise SheetError(
                "Weighted kappa needs the answers in their order: give `categories`, from the lowest to the highest."
            ) from None
        known = tuple(sorted(seen))
    if len(known) < 2:
        raise _no_variety()
    return known


def _weights(kind: str, size: int) -> Floats:
    """Agreement weights: 1 on the diagonal, falling with the distance."""
    apart = np.abs(np.subtract.outer(np.arange(size), np.arange(size))) / (size - 1)
    table = {"none": np.eye(size), "linear": 1 - apart, "quadratic": 1 - apart**2}
    if kind not in table:
        raise SheetError(f"Weights are 'none', 'linear' or 'quadratic', not {kind!r}.")
    return table[kind]
