"""Who read, and could they lean? Blinding counted in each arm, who treated against who read, copied second readings."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from toolkit.effect.comparison import Compared
from toolkit.effect.rerandomisation import difference_interval
from toolkit.quantiles import binomial_above, f_quantile, fisher_p, normal_density
from toolkit.records.coded_texts import as_texts

ENOUGH_BLINDED = 0.8
ARMS_APART = 0.10
WHOLE_READING = 1.96  # how far one reading may be off, in SEM
FEWEST_PAIRS = 20
STEPS = (10.0, 5.0, 2.0, 1.0, 0.5, 0.1)


@dataclass(frozen=True, kw_only=True)
class Observer:
    """How blind the readers were in each arm, and what is taken off the lower limit for a reader who may lean.

    `blinded`: shares (technique, comparison), None where nobody wrote it down. `read_by_treater`: share of
    re-measurements said to be blind that were taken by whoever treated. `gap`: unblinded less blinded change in the
    technique arm with its interval, None where it cannot be had.
    """

    blinded: tuple[float, float] | None
    read_by_treater: float
    gap: tuple[float, float, float] | None
    allowance: float
    source: str

    @property
    def blinded_share(self) -> float | None:
        """The smaller share of the two arms."""
        return None if self.blinded is None else min(self.blinded)

    @property
    def enough(self) -> bool:
        """Were at least 80 % of the re-measurements blind in each arm?"""
        return self.blinded is not None and min(self.blinded) >= ENOUGH_BLINDED


def blind_rows(compared: Compared) -> Compared:
    """The comparison with whoever treated counted as not blind, whatever the sheet says."""
    source = compared.source
    if source is None or not {"examiner", "practitioner"} <= set(source.columns):
        return compared
    examiner, practitioner = (_code(source[name]) for name in ("examiner", "practitioner"))
    treated = (examiner != "") & ((examiner == practitioner) | _each_their_own(examiner, practitioner))
    said = compared.rows["blinded"]
    own = treated.to_numpy() & (said == "yes").to_numpy()
    if own.any():
        kind: Any = "category" if isinstance(said.dtype, pd.CategoricalDtype) else said.dtype
        said = said.astype(str).where(~own, "no").astype(kind)
    rows = compared.rows.assign(blinded=said, read_by_treater=own)
    return replace(compared, rows=rows)


def _code(names: pd.Series) -> pd.Series:
    """Names as codes: no case, no blanks or signs, no leading noughts in numbers."""
    codes, known = pd.factorize(names.astype(object).to_numpy())
    plain = [re.sub(r"0+(?=[0-9])", "", re.sub(r"[^0-9a-z]", "", str(name).casefold())) for name in known]
    return pd.Series(np.array([*plain, ""], dtype=object)[codes])


def _each_their_own(examiner: pd.Series, practitioner: pd.Series) -> bool:
    """Does each examiner read for one practitioner only, and each practitioner have one: the same people renamed?"""
    named = examiner != ""
    pairs = pd.DataFrame({"examiner": examiner[named], "practitioner": practitioner[named]}).drop_duplicates()
    one_each = not pairs["examiner"].duplicated().any() and not pairs["practitioner"].duplicated().any()
    return len(pairs) > 1 and one_each


def observer_of(compared: Compared, *, sem: float | None, sem_source: str, asked: float | None) -> Observer:
    """Blinding by arm and the allowance for a reader who may lean.

    Parameters
    ----------
    compared
        Compared rows, whoever treated counted as not blind (`blind_rows`).
    sem, sem_source
        The larger of the own and the published standard error of measurement, and where it comes from.
    asked
        The question sheet's own allowance; a smaller one than the records call for is not taken.

    Notes
    -----
    Enough blind readings in each arm: nothing is taken off. Otherwise half a SEM; where the arms were read by different
    eyes (blinded shares 10 points apart, not by chance), as much as one reading may be off (1.96 SEM). Readings that
    were not blind and change more, by an interval that leaves out 0, cost at least what that interval allows.
    """
    read = compared.rows[compared.rows["y"].notna()]
    treater = float(read["read_by_treater"].mean()) if "read_by_treater" in read and len(read) else 0.0
    blinded = _shares(read)
    gaps = [_gap(read, arm) for arm in (1.0, 0.0)]
    needed, why = _needed(read, blinded, gaps, sem, sem_source)
    if asked is not None and asked >= needed and needed > 0:
        needed, why = asked, "as the question sheet says"
    return Observer(blinded=blinded, read_by_treater=treater, gap=gaps[0], allowance=needed, source=why)


def _shares(read: pd.DataFrame) -> tuple[float, float] | None:
    said = as_texts(read["blinded"])
    if said.empty or not said.isin(("yes", "no")).any():
        return None
    shares = (said == "yes").groupby(read["arm"]).mean()
    return float(shares.get(1.0, 0.0)), float(shares.get(0.0, 0.0))


def _gap(read: pd.DataFrame, arm: float) -> tuple[float, float, float] | None:
    """Change where the reader knew less change where not, in one arm, with its interval over client means."""
    said, mine = read["blinded"], read["arm"].to_numpy() == arm
    knew, blind = mine & (said == "no").to_numpy(), mine & (said == "yes").to_numpy()
    if min(knew.sum(), blind.sum()) < 3:
        return None
    code, names = pd.factorize(read["client"], sort=True)
    change = read["y"].to_numpy(dtype=float)
    groups = [_client_means(change[part], code[part], names) for part in (knew, blind)]
    if min(len(group) for group in groups) < 3:
        return None
    found = difference_interval(*groups)
    if found is None or found[2] <= 0:
        return None
    return float(groups[0].mean() - groups[1].mean()), found[0], found[1]


def _client_means(change: np.ndarray, code: np.ndarray, names: pd.Index) -> pd.Series:
    """Mean change of each client who has one, by client."""
    count = np.bincount(code, minlength=len(names))
    there = count > 0
    sums = np.bincount(code, weights=change, minlength=len(names))
    return pd.Series(sums[there] / count[there], index=names[there])


def _needed(
    read: pd.DataFrame,
    blinded: tuple[float, float] | None,
    gaps: list[tuple[float, float, float] | None],
    sem: float | None,
    sem_source: str,
) -> tuple[float, str]:
    """What is taken off, and why so much."""
    if blinded is not None and min(blinded) >= ENOUGH_BLINDED:
        least, why = 0.0, f"{100 * min(blinded):.0f} % or more of the re-measurements were blinded in each arm"
    else:
        least, why = _half_a_sem(read, sem, sem_source)
        if blinded is not None and _apart(read, blinded):
            least *= 2 * WHOLE_READING
            why = f"the two were read by different eyes; {why.replace('half a SEM', '1.96 SEM')}"
    seen = 0.0
    for gap, sign, share in zip(gaps, (1.0, -1.0), _not_blind(blinded), strict=True):
        if gap is not None and (sign * gap[1] > 0 or sign * gap[2] > 0) and gap[1] * gap[2] > 0:
            seen += share * max(sign * gap[1], sign * gap[2])
    return (seen, "readers who knew found more than readers who did not") if seen > least else (least, why)


def _not_blind(blinded: tuple[float, float] | None) -> tuple[float, float]:
    return (1.0, 1.0) if blinded is None else (1 - blinded[0], 1 - blinded[1])


def _half_a_sem(read: pd.DataFrame, sem: float | None, sem_source: str) -> tuple[float, str]:
    """Half a SEM; from the scatter of the changes where none is known."""
    if sem is not None:
        return sem / 2, f"half a SEM, {sem_source.split(' (')[0]}"
    spread = read.groupby("arm")["y"].std(ddof=1).mean()
    if np.isfinite(spread):
        return float(spread / np.sqrt(2) / 2), "half a SEM, at most as large as the scatter of the changes allows"
    return 0.0, "no measurement error is known"


def _apart(read: pd.DataFrame, blinded: tuple[float, float]) -> bool:
    """Do the shares of blind readings differ between the arms by more than chance?"""
    if abs(blinded[0] - blinded[1]) < ARMS_APART:
        return False
    yes = (read["blinded"] == "yes").to_numpy()
    table = [[int((yes & (read["arm"] == arm)).sum()), int((~yes & (read["arm"] == arm)).sum())] for arm in (1.0, 0.0)]
    return fisher_p(table) < 0.01


def copied_second_readings(first: pd.Series, second: pd.Series, later: pd.Series) -> str:
    """Are second readings before no readings of their own? "" where nothing speaks for it, else how it was seen.

    Parameters
    ----------
    first, second
        Both readings before.
    later
        Readings after nothing was done (after waiting, of sessions only measured), missing where there are none.

    Notes
    -----
    Copied: far more pairs are equal than the rounding gives, were the two independent with the scatter of the unequal
    ones. Remembered: second readings scatter about the first clearly less than later ones scatter about the second.
    """
    pairs = pd.DataFrame({"first": first, "second": second, "later": later}).astype(float)
    pairs = pairs.dropna(subset=["first", "second"])
    if len(pairs) < FEWEST_PAIRS:
        return ""
    apart = (pairs["second"] - pairs["first"]).to_numpy()
    return copied_pairs(
        apart,
        (pairs["later"] - pairs["second"]).dropna().to_numpy(),
        usual_step(np.r_[pairs["first"], pairs["second"]]),
    )


def copied_pairs(apart: np.ndarray, onwards: np.ndarray, step: float) -> str:
    """The same from second less first readings, later less second ones, and the step to which they are rounded."""
    equal = np.abs(apart) < 1e-9
    by_rounding = _equal_by_rounding(apart[~equal], step)
    beyond = binomial_above(int(equal.sum()), len(apart), min(max(by_rounding, 1e-6), 1.0))
    if equal.mean() > by_rounding + 0.1 and beyond < 1e-3:
        share, usual = 100 * equal.mean(), 100 * by_rounding
        return f"{share:.0f} % of second readings before equal the first; rounding gives {usual:.0f} %"
    if len(onwards) >= FEWEST_PAIRS:
        ratio = _scatter(onwards) / max(_scatter(apart), 1e-12)
        limit = f_quantile(0.999, len(onwards) - 1, len(apart) - 1)
        if ratio > max(limit, 1.8):
            return "second readings before lie closer to the first than later readings do: they were remembered"
    return ""


def _scatter(values: np.ndarray) -> float:
    """Variance with the outermost twentieth on each side drawn in, so that a few wild readings do not count."""
    low, high = np.quantile(values, (0.05, 0.95))
    return float(np.clip(values, low, high).var(ddof=1))


def usual_step(values: np.ndarray) -> float:
    """The step to which readings are rounded: the largest of the usual ones that all of them keep to.

    Examples
    --------
    >>> usual_step(np.array([10.5, 12.0, 9.5]))
    0.5
    """
    return next((s for s in STEPS if np.allclose(values / s, np.round(values / s), atol=1e-6)), 0.01)


def _equal_by_rounding(unequal: np.ndarray, step: float) -> float:
    """Share of equal pairs that rounding to `step` gives two readings that scatter like the unequal ones.

    The scatter is the one under which the mean square of unequal differences is what it is; a difference of two rounded
    readings falls on k steps with the normal chance smoothed over one step to each side.
    """
    if len(unequal) < 3:
        return 0.0
    squares = unequal**2 / step**2
    error = float(squares.std(ddof=1) / np.sqrt(len(squares)))
    seen = max(float(squares.mean()) - 2 * error, 1.0 + 1e-9)  # coarse steps tell the scatter badly: the benefit of it
    places = np.arange(0, 61)
    best, equal = np.inf, 0.0
    for sd in np.geomspace(0.2, 40, 80):
        chance = _rounded(places, sd)
        chance[1:] *= 2
        rest = chance[1:].sum()
        apart = abs(np.log((chance[1:] @ places[1:] ** 2) / rest / seen)) if rest > 1e-12 else np.inf
        if apart < best:
            best, equal = apart, float(chance[0] / chance.sum())
    return equal


def _rounded(places: np.ndarray, sd: float) -> np.ndarray:
    """Chance that a rounded difference is k steps: triangle of one step to each side over a normal with this SD."""
    grid = np.linspace(-1, 1, 41)
    weight = 1 - np.abs(grid)
    return np.asarray(normal_density((places[:, None] + grid[None, :]) / sd) @ weight / (sd * weight.sum()))


def without_copies(compared: Compared, why: str) -> Compared:
    """The comparison with second readings taken for none: changes counted from the first reading before."""
    if not why:
        return compared
    rows = compared.rows
    rows = rows.assign(y=rows["y"] - rows["gap"].fillna(0.0), base=rows["base"] + rows["gap"].fillna(0.0), gap=0.0)
    return replace(compared, rows=rows.assign(has_second=False))
