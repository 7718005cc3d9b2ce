"""A comparison that nobody drew: sessions with the technique against other sessions, adjusted for who got which.

Stiffer clients get one of the two more often, and often gain more whatever is done. Two traps lie there. Adjusting a
change score for the reading it starts from makes a difference out of reading error; not adjusting leaves the choice in.

With a second reading before, the change is counted from that second reading, and the client's stiffness is calibrated
for reading error from the *first* readings alone (errors in variables: Fuller 1987, Measurement Error Models; Carroll,
Ruppert, Stefanski & Crainiceanu 2006, ch. 4), so no reading stands on both sides of the equation. How to calibrate
depends on what the choice went by: the client's true stiffness, or the reading itself. Both are fitted and the
interval holds both. Without a second reading the change score and the baseline-adjusted one bracket the truth (Ding &
Li 2019, Political Analysis 27:605-615): the interval again holds both.

Each fit is a mixed model (clients random; practitioners random from `MANY_LEVELS` on, else fixed; visit; site) with
Kenward-Roger df. The standard error counts that is wider: the model's, or that of leaving out one client at a time.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from toolkit.effect.one_left_out import of_rows, one_left_out
from toolkit.errors import NotEnoughError
from toolkit.mixed.mixed import fit_mixed_arrays
from toolkit.mixed.mixed_fit import MixedFit
from toolkit.quantiles import t_above, t_quantile

Floats = NDArray[np.float64]
Codes = NDArray[np.intp]
MANY_LEVELS = 6  # a variance between fewer practitioners is a guess (common practice; Gelman & Hill 2007, 11.5)
LABEL = "technique"


@dataclass(frozen=True, eq=False, kw_only=True)
class Way:
    """One adjustment of a comparison that was not drawn: value, standard error, df, and what it is."""

    name: str
    value: float
    se: float
    df: float

    def interval(self, level: float) -> tuple[float, float]:
        """Its limits at a confidence level."""
        reach = float(t_quantile((1 + level) / 2, self.df)) * self.se
        return self.value - reach, self.value + reach

    @property
    def p(self) -> float:
        """Two-sided p against no difference."""
        return float(2 * t_above(abs(self.value) / self.se, self.df)) if self.se > 0 else 1.0


@dataclass(frozen=True, eq=False, kw_only=True)
class Adjusted:
    """The ways that bracket the truth, together: `nearest` is the way to quote, the interval holds all.

    `n_left_out`: sessions without a second reading before, which cannot be counted where the others have one.
    """

    ways: tuple[Way, ...]
    second_baseline: bool
    n_left_out: int
    n_sites: int = 1

    @property
    def _agree(self) -> bool:
        return len({np.sign(way.value) for way in self.ways}) == 1

    @property
    def nearest(self) -> Way:
        """The way to quote: the first where stiffness is calibrated, else the one nearest to no difference."""
        return self.ways[0] if self.second_baseline else min(self.ways, key=lambda way: abs(way.value))

    @property
    def p(self) -> float:
        """The largest of their p-values; 1 where they do not point the same way."""
        return max(way.p for way in self.ways) if self._agree else 1.0

    def interval(self, level: float) -> tuple[float, float]:
        """From the lowest to the highest limit."""
        limits = [way.interval(level) for way in self.ways]
        return min(low for low, _ in limits), max(high for _, high in limits)

    @property
    def method(self) -> str:
        """How it was adjusted, in words."""
        left = f", {self.n_left_out} sessions read once before left out" if self.n_left_out else ""
        if self.second_baseline:
            stiffness = "stiffness calibrated for reading error, " if len(self.ways) > 1 else ""
            return (
                f"mixed model from the second reading before, adjusted for {stiffness}"
                f"{self._also}{left}; Kenward–Roger df"
            )
        return (
            f"mixed model with {self._also}, change score and baseline-adjusted score together as nothing was read "
            "twice before; Kenward–Roger df"
        )

    @property
    def _also(self) -> str:
        return f"{'site, ' if self.n_sites > 1 else ''}practitioner and visit"


@dataclass(frozen=True, eq=False, kw_only=True)
class _Sessions:
    """Arrays of one comparison: change, arm, first reading, codes; `also`: further fixed columns (visit, sites …)."""

    y: Floats
    arm: Floats
    first: Floats
    client: Codes
    practitioner: Codes
    also: Floats

    @property
    def share(self) -> Floats:
        """The share of each session's client's sessions that had the technique."""
        return _client_mean(self.arm, self.client)


def adjust_not_drawn(
    sessions: pd.DataFrame, *, second_baseline: bool, stiffness: bool = True, also: tuple[str, ...] = ()
) -> Adjusted:
    """Technique minus comparison where nobody drew which session got which.

    Parameters
    ----------
    sessions
        One row a session: client, practitioner, arm (1 or 0), y (oriented change from the last reading before),
        base (oriented last reading before), gap (first minus last), has_second; visit and site where they are known.
    second_baseline
        Is there a second reading before in both arms? Then sessions without one are left out and counted.
    stiffness
        Adjust for the client's stiffness? Not where `y` ends in another visit's first reading.
    also
        Further numeric columns to adjust for, none missing (minutes of treatment, for instance).

    Returns
    -------
    Adjusted
        Two ways (see the head of this module), in the unit of `y`.

    Raises
    ------
    NotEnoughError
        The two cannot be told from practitioners or sites: none of them used both.
    """
    kept = sessions[sessions["has_second"] > 0.5] if second_baseline else sessions
    got = _arrays(with_usual(kept), also=also)
    if not len(got.y) or np.ptp(got.arm) == 0:
        raise NotEnoughError("one of the two has no session with readings before and after")
    if second_baseline and not stiffness:
        covariates = {"change from the second reading": np.zeros((len(got.y), 0))}
    elif second_baseline:
        covariates = {
            "stiffness calibrated as if chosen by it": _calibrated(got, by_arm=True),
            "stiffness calibrated as if chosen by the reading": _calibrated(got, by_arm=False),
        }
    else:
        covariates = {
            "change score": np.zeros((len(got.y), 0)),
            "baseline-adjusted score": _centred(got.first)[:, None],
        }
    ways = tuple(_way(got, extra, name=name) for name, extra in covariates.items())
    return Adjusted(
        ways=ways,
        second_baseline=second_baseline,
        n_left_out=len(sessions) - len(kept),
        n_sites=int(kept["site"].nunique()) if "site" in kept else 1,
    )


def within_contrast(sessions: pd.DataFrame, name: str) -> bool:
    """Did at least one practitioner (site …) use both, twice or more each? Where there is only one: trivially.

    Parameters
    ----------
    sessions
        One row a session, with `arm` and the column `name`.

    Examples
    --------
    >>> tied = pd.DataFrame({"arm": [1.0, 1.0, 0.0, 0.0], "site": ["north", "north", "south", "south"]})
    >>> within_contrast(tied, "site")
    False
    """
    labels = sessions[name].astype(str)
    if labels.nunique() < 2:
        return True
    counts = pd.crosstab(labels, sessions["arm"]).reindex(columns=[0.0, 1.0], fill_value=0)
    return bool((counts.min(axis=1) >= 2).any())


def indicators(values: pd.Series) -> Floats:
    """One column of 0 and 1 for each level but the first; no column where there is one level."""
    codes, levels = pd.factorize(values.astype(str), sort=True)
    return np.asarray(codes[:, None] == np.arange(1, len(levels)), dtype=float)


def first_fit(sessions: pd.DataFrame, *, second_baseline: bool, stiffness: bool = True) -> MixedFit:
    """The mixed model behind the first of the ways, for a look at it; arguments as in `adjust_not_drawn`."""
    kept = sessions[sessions["has_second"] > 0.5] if second_baseline else sessions
    got = _arrays(with_usual(kept))
    extra = _calibrated(got, by_arm=True) if second_baseline and stiffness else np.zeros((len(got.y), 0))
    return _fit(got, np.column_stack([got.arm, np.ones(len(got.y)), extra, got.also]), slope=_can_vary(got))


def difference_by(sessions: pd.DataFrame, values: pd.Series, *, second_baseline: bool) -> Way:
    """By how much the difference changes with something that is known of each session (its day, for instance).

    Parameters
    ----------
    sessions, second_baseline
        As in `adjust_not_drawn`.
    values
        One number a session, none missing, in the order of `sessions`.

    Returns
    -------
    Way
        The change of the difference for each unit of `values`, from the first of the ways.
    """
    kept = sessions["has_second"].to_numpy() > 0.5 if second_baseline else np.ones(len(sessions), dtype=bool)
    got = _arrays(with_usual(sessions[kept]))
    extra = _calibrated(got, by_arm=True) if second_baseline else np.zeros((len(got.y), 0))
    by = _centred(values.to_numpy(dtype=float)[kept])
    if not np.ptp(by) > 1e-9 or np.ptp(got.arm) == 0:
        raise NotEnoughError("it is the same in every session")
    columns = np.column_stack([got.arm * by, np.ones(len(by)), got.arm, by, extra, got.also])
    found = _fit(got, columns, slope=_can_vary(got)).contrast(LABEL, ddf="kenward_roger")
    return Way(name="change of the difference", value=found.value, se=float(found.se or 0), df=float(found.df or 1))


def with_usual(sessions: pd.DataFrame) -> pd.DataFrame:
    """Sessions whose readings before or visit number were lost take the usual: of the client, else of all."""
    frame = sessions.copy()
    for name in ("base", "gap", "visit"):
        if name not in frame or not frame[name].isna().any():
            continue
        values = frame[name].astype(float)
        usual = values.groupby(frame["client"]).transform("mean")
        frame[name] = values.fillna(usual).fillna(values.mean())
    if "site" in frame and frame["site"].isna().any():
        of_client = frame.groupby("client")["site"].transform("first")
        frame["site"] = frame["site"].fillna(of_client).fillna(frame["site"].mode().iloc[0])
    return frame


def _arrays(frame: pd.DataFrame, also: tuple[str, ...] = ()) -> _Sessions:
    """The arrays of a comparison; refused where the arms cannot be told from practitioners or sites."""
    for name in ("practitioner", "site"):
        if name in frame and not within_contrast(frame, name):
            raise NotEnoughError(
                f"no {name} used both, so the two cannot be told from the {name}s: let at least one {name} use both"
            )
    practitioner = pd.factorize(frame["practitioner"])[0].astype(np.intp)
    more = [_centred(frame[name].to_numpy(dtype=float))[:, None] for name in also]
    if "site" in frame:
        more.append(indicators(frame["site"]))
    if practitioner.max(initial=0) + 1 < MANY_LEVELS:
        more.append(indicators(frame["practitioner"]))
    if "visit" in frame and frame["visit"].notna().all():
        more.append(np.log(frame["visit"].to_numpy(dtype=float))[:, None])
    return _Sessions(
        y=frame["y"].to_numpy(dtype=float),
        arm=frame["arm"].to_numpy(dtype=float),
        first=(frame["base"] + frame["gap"]).to_numpy(dtype=float),
        client=pd.factorize(frame["client"])[0].astype(np.intp),
        practitioner=practitioner,
        also=np.column_stack([np.zeros((len(frame), 0)), *more]),
    )


def _client_mean(values: Floats, client: Codes) -> Floats:
    return np.asarray((np.bincount(client, weights=values) / np.bincount(client))[client])


def _centred(values: Floats) -> Floats:
    return np.asarray(values - values.mean())


def _calibrated(got: _Sessions, *, by_arm: bool) -> Floats:
    """Two columns: the client's stiffness less its reading error, and how today's first reading differs from usual.

    The client's mean of first readings is drawn towards what is expected of the client, the more so the fewer visits
    there are (best linear prediction). `by_arm`: what is expected differs with the share of the technique.
    """
    expected = [np.ones(len(got.first))]
    if by_arm and np.ptp(got.share) > 1e-9:
        expected.append(got.share)
    design = np.column_stack(expected)
    today = got.first - _client_mean(got.first, got.client)
    if not np.ptp(today) > 1e-9:  # one visit each, or readings that never vary within a client: nothing to calibrate by
        return _centred(got.first)[:, None]
    fit = fit_mixed_arrays(got.first, design, [f"x{k}" for k in range(design.shape[1])], {"client": got.client})
    between = sum(part.sd**2 for part in fit.components if part.group == "client")
    kept = between / (between + fit.residual_variance / np.bincount(got.client))[got.client]
    mean = design @ fit.estimates
    stiffness = mean + kept * (_client_mean(got.first, got.client) - _client_mean(mean, got.client))
    return np.column_stack([_centred(stiffness), today])


def _way(got: _Sessions, extra: Floats, *, name: str) -> Way:
    """One fit: value, the wider of two standard errors, df."""
    slope = _can_vary(got)
    columns = np.column_stack([got.arm, np.ones(len(got.y)), extra, got.also])
    fit = _fit(got, columns, slope=slope)
    found = fit.contrast(LABEL, ddf="kenward_roger")
    se = max(float(found.se or 0.0), _without_one_client(got, fit))
    return Way(name=name, value=float(found.value), se=se, df=float(found.df or 1.0))


def _fit(got: _Sessions, columns: Floats, *, slope: bool) -> MixedFit:
    groups: dict[str, Codes] = {}
    if np.bincount(got.client).max() > 1:
        groups["client"] = got.client
    if got.practitioner.max(initial=0) + 1 >= MANY_LEVELS:
        groups["practitioner"] = got.practitioner
    varying = (LABEL, got.arm) if slope and "client" in groups else None
    names = [LABEL, "mean", *(f"adjusted {k}" for k in range(columns.shape[1] - 2))]
    return fit_mixed_arrays(got.y, columns, names, groups, slope=varying)


def _can_vary(got: _Sessions) -> bool:
    """Do at least five clients have two sessions or more in each arm?"""
    with_it = np.bincount(got.client, weights=got.arm)
    without = np.bincount(got.client) - with_it
    return bool(((with_it >= 2) & (without >= 2)).sum() >= 5)


def _without_one_client(got: _Sessions, fit: MixedFit) -> float:
    """Jackknife standard error over clients, weighed by the client variance that the model found.

    Practitioners, where they are random, stay with the client.
    """
    ratio = _variance_ratio(fit)
    n = np.bincount(got.client)
    share = (1 - 1 / np.sqrt(1 + ratio * n))[got.client]
    stack = np.column_stack([fit.rows.x, got.y])
    means = np.stack([_client_mean(column, got.client) for column in stack.T], axis=1)
    stack = stack - share[:, None] * means
    return one_left_out(of_rows(stack, got.client), (stack.T @ stack)[None])


def _variance_ratio(fit: MixedFit) -> float:
    """Variance between clients over what is left."""
    between = sum(part.sd**2 for part in fit.components if part.group == "client" and part.effect == "intercept")
    return between / fit.residual_variance
