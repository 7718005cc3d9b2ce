"""How a registry's readings were taken: copied second ones, readers by arm, minutes; who carries an effect alone."""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from dataclasses import replace
from typing import Any, TypeVar

import numpy as np
import pandas as pd

from toolkit.effect.client_sums import Cells, Floats
from toolkit.effect.doubts import (
    BOTH_ARMS,
    DIFFERENT_READERS,
    FEWEST_PEOPLE,
    LIMIT,
    MOST_PEOPLE,
    RESTS_ON,
    longer_by,
)
from toolkit.effect.observer import FEWEST_PAIRS, copied_pairs, usual_step
from toolkit.errors import FitError, NotEnoughError
from toolkit.quantiles import chi2_above
from toolkit.registering.compared import ComparedTable
from toolkit.registering.engine import Engine

_PLACES = 6  # decimals to which differences of readings are counted
FEWEST = 10
F = TypeVar("F")


def copied(engine: Engine, rows: Any) -> str:
    """Are second readings before no readings of their own? As `copied_second_readings` says it; "" for no."""
    pairs = rows.filter(rows.read_twice)
    apart = _counted(engine, pairs, pairs.gap)
    if len(apart) < FEWEST_PAIRS:
        return ""
    waited = pairs.filter(pairs.arm == 0, pairs.y.notnull())
    return copied_pairs(apart, _counted(engine, waited, waited.y), _step(engine, pairs))


def without_copies(compared: ComparedTable) -> ComparedTable:
    """The comparison with second readings taken for none: changes counted from the first reading before."""
    rows = compared.table
    gap = rows.gap.fill_null(0.0)
    return replace(
        compared, table=rows.mutate(y=rows.y - gap, base=rows.base + gap, gap=gap * 0.0, has_second=gap * 0.0)
    )


def _counted(engine: Engine, rows: Any, value: Any) -> Floats:
    """All values of a column, from how often each stands."""
    counts = engine.frame(rows.select(value=value.round(_PLACES)).group_by("value").agg(n=lambda t: t.count()))
    return np.repeat(counts["value"].to_numpy(dtype=float), counts["n"].to_numpy(dtype=np.intp))


def _step(engine: Engine, pairs: Any) -> float:
    """The step to which readings are rounded: the largest of the usual ones that all of them keep to."""
    held = [pairs.select(value=value).distinct() for value in (pairs.base, pairs.base + pairs.gap)]
    values = np.concatenate([engine.arrow(one)["value"].to_numpy().astype(float) for one in held])
    return usual_step(values)


def doubts_of(engine: Engine, rows: Any) -> tuple[str, ...]:
    """What else speaks against the comparison: other readers in one arm, or more minutes."""
    return tuple(said for said in (_readers(engine, rows), _minutes(engine, rows)) if said)


def _readers(engine: Engine, rows: Any) -> str:
    """Did other examiners read one arm? Chi-squared at 1 %."""
    named = rows.select(arm=rows.arm, examiner=rows.examiner.fill_null(""))
    counts = engine.frame(named.group_by(["examiner", "arm"]).agg(n=named.count()))
    arms = counts.pivot_table(index="examiner", columns="arm", values="n", fill_value=0).reindex(
        columns=[0, 1], fill_value=0
    )
    waited, treated = (arms[arm].to_numpy(dtype=float) for arm in (0, 1))
    sizes = waited + treated
    n, share = sizes.sum(), treated.sum() / max(sizes.sum(), 1.0)
    if len(sizes) < 2 or n < FEWEST or not 0 < share < 1:
        return ""
    seen = float(np.sum((treated - share * sizes) ** 2 / sizes)) / (share * (1 - share) * n / (n - 1))
    if chi2_above(seen, len(sizes) - 1.0) > LIMIT:
        return ""
    if not ((treated >= BOTH_ARMS) & (waited >= BOTH_ARMS)).any():
        return DIFFERENT_READERS
    return "Some examiners read one of the two oftener than the other, which is not adjusted for here."


def _minutes(engine: Engine, rows: Any) -> str:
    """Is it written down that one arm took clearly longer?"""
    counts = engine.frame(rows.filter(rows.minutes.notnull()).group_by(["arm", "minutes"]).agg(n=lambda t: t.count()))
    one, other = (_repeated(counts[counts["arm"] == arm]) for arm in (1, 0))
    return longer_by(one, other)


def _repeated(counts: pd.DataFrame) -> Floats:
    return np.repeat(counts["minutes"].to_numpy(dtype=float), counts["n"].to_numpy(dtype=np.intp))


def without_practitioner(
    cells: Cells, value: float, fit: Callable[[Cells], F], value_of: Callable[[F], float]
) -> F | None:
    """The fit without the practitioner who carries most of `value`; None where a third or more of it is left.

    At most twelve are left out in turn, where at least three worked in both arms; see `doubts.practitioners_left_out`.
    Days keep the rank they have among all sessions, which moves the interval by less than a hundredth of its width.
    """
    arms = np.zeros((cells.people, 2))
    np.add.at(arms, (cells.practitioner, cells.arm), cells.products[0])
    worked = np.flatnonzero(arms.min(axis=1) >= BOTH_ARMS)
    if len(worked) < FEWEST_PEOPLE or len(arms) > MOST_PEOPLE:
        return None
    tried = []
    for one in worked:
        with contextlib.suppress(NotEnoughError, FitError):
            mine = cells.practitioner != one
            client, practitioner, site = (
                np.unique(code[mine], return_inverse=True)[1].reshape(-1)
                for code in (cells.client, cells.practitioner, cells.site)
            )
            products, arm = cells.products[:, mine], cells.arm[mine]
            rest = replace(cells, client=client, practitioner=practitioner, site=site, arm=arm, products=products)
            tried.append(fit(rest))
    least = min(tried, key=value_of, default=None)
    return least if least is not None and value_of(least) < RESTS_ON * value else None
