"""How large is the change, and for how many clients: effect sizes, shares beyond measurement error, signs."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from toolkit.errors import NotEnoughError, ToolkitError
from toolkit.number_words import figure_text
from toolkit.result import Estimate, Result
from toolkit.stats import beyond_error as beyond
from toolkit.stats import effect_size_intervals as sizes
from toolkit.stats import signs
from toolkit.stats.data import (
    SIGN,
    By,
    Group,
    Part,
    answer,
    checked_level,
    groups_of,
    plain_number,
    refuse_sign,
    row_of_test,
)
from toolkit.stats.published import published_sem
from toolkit.stats.reading_error import Z95, reading_error

if TYPE_CHECKING:
    pass

Seed = np.random.Generator | int | None


def effect_sizes(
    data: Any,
    *,
    first: str = "before",
    second: str = "after",
    client: str = "client",
    by: By = None,
    better: str = "higher",
    level: float = 0.95,
    unit: str | None = None,
) -> Result:
    """Every usual effect size of the change, each with its interval; clients counted once, better is positive.

    Parameters
    ----------
    data, first, second, client, by, better, level, unit
        As `paired_test`.

    Returns
    -------
    Result
        A row an effect size (`what`): d_z, d_av, d_rm, Hedges' g_av, change over the baseline SD, standardised response
        mean, probability of improvement, matched rank-biserial correlation.

    Raises
    ------
    ToolkitError
        A column is missing or holds words.
    NotEnoughError
        Fewer than three clients with both readings, or readings without variation.

    References
    ----------
    Lakens (2013) Frontiers in Psychology 4:863; Kerby (2014) Comprehensive Psychology 3:1 (rank-biserial).

    Examples
    --------
    >>> data = pd.DataFrame({"client": list("ABCD"), "before": [30, 34, 39, 31], "after": [33, 36, 45, 32]})
    >>> effect_sizes(data).frame["what"].tolist()[:4]
    ['d_z', 'd_av', 'd_rm', "Hedges' g_av"]
    """
    level = checked_level(level)
    groups, by_names = groups_of(data, columns=(first, second), client=client, by=by, better=better, unit=unit)

    def computed(group: Group) -> Part:
        refuse_sign(group)
        said = {"first": first, "second": second, "better": group.better}
        found = sizes.effect_sizes(group.rows, measure=group.name, confidence_level=level, **said)
        dz, g = found[0], found[3]
        says = (
            f"{group.name.replace('_', ' ')}: change over the SD of changes {_with_limits(dz)}, over the average SD "
            f"{_with_limits(g)} (Hedges' g_av); {dz.n} clients, better is positive."
        )
        n_rows = int(group.rows[[first, second]].notna().all(axis=1).sum())
        return Part(rows=[one.standard_row(n_rows=n_rows) for one in found], says=says, detail=tuple(found))

    return answer(groups, by_names, computed, title=f"Effect sizes of the change from {first} to {second}")


def _with_limits(found: Estimate) -> str:
    return f"{figure_text(found.value)} ({figure_text(found.ci_low)} to {figure_text(found.ci_high)})"


def responders(
    data: Any,
    *,
    first: str = "before",
    second: str = "after",
    client: str = "client",
    by: By = None,
    better: str = "higher",
    level: float = 0.95,
    threshold: Any = None,
    threshold_source: str = "",
    smallest_change: Any = None,
    smallest_change_source: str = "",
    repeat: str = "before_2",
    unit: str | None = None,
) -> Result:
    """The share of clients who changed by more than measurement error, beside the share that error alone would give.

    A client of m sessions is judged against threshold / sqrt(m), because the mean of m changes has that much less
    error.

    Parameters
    ----------
    data, first, second, client, by, better, level, unit
        As `paired_test`.
    threshold
        The smallest detectable change (MDC95) of one reading, in the readings' unit: a number, or an `Estimate` or
        `Result`, whose value is taken. Left out, it comes from the data's own repeated readings (`first`, `repeat`),
        else from the published figure of the measure.
    threshold_source
        Where a given threshold comes from.
    smallest_change, smallest_change_source
        The smallest change that matters, and where it comes from.
    repeat
        Column of the second reading taken before anything was done.

    Returns
    -------
    Result
        Rows "improved beyond measurement error", "got worse beyond measurement error" and, with `smallest_change`, two
        more; `estimate` is a share from 0 to 1 with Wilson's interval, `expected_if_nothing_happened` what error alone
        would give, `threshold` and `threshold_source` what was used.

    Raises
    ------
    ToolkitError
        No threshold can be had, a size is not above 0, or a column is missing.
    NotEnoughError
        No row holds both readings.

    References
    ----------
    de Vet et al. (2006) Health and Quality of Life Outcomes 4:54; Wilson (1927) Journal of the American Statistical
    Association 22:209-212.

    Examples
    --------
    >>> data = pd.DataFrame({"client": list("ABCD"), "before": [30, 34, 39, 31], "after": [40, 36, 45, 32]})
    >>> float(responders(data, threshold=5, threshold_source="own study", unit="deg"))
    0.5
    """
    level = checked_level(level)
    groups, by_names = groups_of(data, columns=(first, second), client=client, by=by, better=better, unit=unit)
    size = None if threshold is None else plain_number(threshold, "threshold")
    matters = None if smallest_change is None else plain_number(smallest_change, "smallest_change")

    def computed(group: Group) -> Part:
        refuse_sign(group)
        mdc, source = (size, threshold_source) if size is not None else _own_threshold(group, first, repeat)
        found = beyond.responders(
            group.rows,
            measure=group.name,
            unit=group.unit,
            better=group.better,
            threshold=mdc,
            threshold_source=source or "source not given",
            smallest_change_that_matters=matters,
            smallest_change_source=smallest_change_source,
            first=first,
            second=second,
            confidence_level=level,
        )
        n_rows = len(group.rows) - found.n_missing
        more = {"threshold": mdc, "threshold_source": source, "n_rows": n_rows}
        return Part(
            rows=[
                share.standard_row(expected_if_nothing_happened=found.expected[kind], **more)
                for kind, share in found.shares().items()
            ],
            says=found.sentence(),
            detail=found,
        )

    return answer(groups, by_names, computed, title="Clients beyond measurement error")


def _own_threshold(group: Group, first: str, repeat: str) -> tuple[float, str]:
    """MDC95 from the group's own repeated readings, else from the published figure of its measure."""
    rows = group.rows
    if repeat in rows.columns and rows[repeat].notna().any():
        try:
            own = reading_error(rows[first], rows[repeat], rows["client"], measure=group.name, unit=group.unit)
            return own.mdc95.value, f"own records, {own.n_pairs} pairs of readings"
        except NotEnoughError:
            pass
    published = published_sem(group.name) if "measure" in rows.columns else None
    if published is not None:
        published = published.in_unit(group.unit)
        return float(Z95 * np.sqrt(2) * published.value), f"from the published SEM: {published.citation}"
    raise ToolkitError(
        f"{group.name}: no measurement error is known. Give threshold= (the MDC95 in the readings' unit), or a column "
        f"'{repeat}' with a second reading taken before anything was done."
    )


def signs_change(
    data: Any,
    *,
    first: str = "before",
    second: str = "after",
    client: str = "client",
    by: By = None,
    better: str = "higher",
    level: float = 0.95,
    rng: Seed = None,
) -> Result:
    """Test whether a sign (present or absent) came or went between two readings, every client weighing the same.

    Parameters
    ----------
    data, first, second, client, by, level
        As `paired_test`; the readings are 1 and 0, yes and no, or True and False.
    better
        "higher" where the sign is a good one, "lower" where it should go away.
    rng
        Generator or seed, for the sign-flip test when more than 20 clients repeat.

    Returns
    -------
    Result
        First row: the net share that improved, with Newcombe's interval and the test to report (McNemar's mid-p where
        each client gives one pair, a sign-flip test on clients where clients repeat). Then the odds ratio and the other
        tests.

    Raises
    ------
    ToolkitError
        A value is neither yes nor no, or a column is missing.
    NotEnoughError
        No complete row, or one client only.

    References
    ----------
    Newcombe (1998) Statistics in Medicine 17:2635-2650; Fagerland et al. (2013) BMC Medical Research Methodology 13:91.

    Examples
    --------
    >>> data = pd.DataFrame({"client": list("ABCDE"), "before": list("yyyny"), "after": list("nnynn")})
    >>> data = data.replace({"y": "yes", "n": "no"})
    >>> round(float(signs_change(data, better="lower")), 2)
    0.6
    """
    level = checked_level(level)
    groups, by_names = groups_of(data, columns=(first, second), client=client, by=by, better=better, numeric=False)

    def computed(group: Group) -> Part:
        if group.unit not in ("", SIGN):
            raise NotEnoughError(f"{group.name}: readings in {group.unit} are no sign. Use stats.paired_test.")
        rows = group.rows.assign(**{name: _yes_no(group.rows[name], name) for name in (first, second)})
        said = {"first": first, "second": second, "better": group.better, "measure": group.name}
        found = signs.signs_change(rows, confidence_level=level, rng=rng, **said)
        counted = {"n_clients": found.n_clients, "n_rows": found.n_rows}
        head = found.difference.standard_row(
            statistic=found.test.statistic,
            df=found.test.df,
            p=found.test.p,
            method=f"{found.test.name}, {found.test.method}; {found.difference.method}",
            **counted,
        )
        more = [found.odds_ratio.standard_row(**counted)] if found.odds_ratio else []
        tests = [row_of_test(one, **counted) for one in found.tests]
        return Part(rows=[head, *more, *tests], says=found.sentence(), detail=found, notes=found.notes)

    return answer(groups, by_names, computed, title=f"Signs from {first} to {second}")


_YES_NO = {"yes": 1.0, "no": 0.0, "true": 1.0, "false": 0.0, "1": 1.0, "0": 0.0, "1.0": 1.0, "0.0": 0.0}


def _yes_no(column: pd.Series[Any], name: str) -> pd.Series[float]:
    """Yes and no, in their usual spellings, as 1 and 0; anything else is refused."""
    words = column.map(str, na_action="ignore").str.strip().str.lower()
    read = words.map(_YES_NO).astype("float64")
    if (read.isna() & column.notna()).any():
        raise ToolkitError(
            f"Column '{name}' holds something other than yes and no (1 and 0) in "
            f"{int((read.isna() & column.notna()).sum())} row(s). A sign is present or absent."
        )
    return read
