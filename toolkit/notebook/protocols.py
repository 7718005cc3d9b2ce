"""What a notebook shows of two protocols: the answer, four ways of counting it, and what else could explain it."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

from toolkit.errors import NotEnoughError, ToolkitError
from toolkit.looks import figures
from toolkit.looks.html import ReportTable
from toolkit.looks.words import (
    amount,
    capital,
    counted,
    is_missing,
    number,
    p_words,
    sentence,
    spaced,
    threshold,
    with_interval,
    without_stop,
)
from toolkit.notebook.pieces import Several, Words, drawing, rows_table, words

if TYPE_CHECKING:
    import pandas as pd

    from toolkit.comparing.compare import ProtocolComparison
    from toolkit.notebook.choosers import PairChooser
    from toolkit.records.account import Records


def compare(records: Records, chooser: PairChooser, *, drawn: str) -> ProtocolComparison:
    """The two protocols chosen, compared, with their names in words.

    Raises:
        ToolkitError: `drawn` is neither "chosen" nor "drawn"; NotEnoughError: too few sessions of either.
    """
    from toolkit.comparing.compare import compare_protocols

    if drawn not in ("chosen", "drawn"):
        raise ToolkitError(
            f'DRAWN is “{drawn}”: write DRAWN = "chosen" if somebody chose who got which, '
            'and DRAWN = "drawn" only if chance decided.'
        )
    asked = chooser.question
    of = {"measure": "measure", "region": "region", "protocol_a": "intervention", "protocol_b": "intervention"}
    names = {field: chooser.name_of(what, asked[field]) for field, what in of.items()}
    try:
        found = compare_protocols(
            records.rows,
            **asked,
            drawn="drawn" if drawn == "drawn" else "chosen",
            smallest_change_that_matters=chooser.smallest_change,
        )
    except NotEnoughError as why:
        said = str(why)
        for field, name in names.items():
            said = said.replace(asked[field], name)
        raise NotEnoughError(capital(said)) from None
    first, other = names["protocol_a"], names["protocol_b"]
    return replace(found, measure=names["measure"], protocol_a=first, protocol_b=other)


def two_protocols(found: ProtocolComparison) -> Several:
    """Two protocols: the four ways of counting, and whether those who got them were alike."""
    rows = found.table().assign(region="", intervention=lambda frame: frame["what"])
    rows = rows.rename(columns={"value": "adjusted_mean", "n": "n_clients"})
    first, other = spaced(found.protocol_a), spaced(found.protocol_b)
    title = f"{capital(first)} less {other}, counted in four ways"
    smallest = found.same.smallest_change_that_matters if found.same is not None else None
    ways = figures.forest_figure(rows, unit=found.unit, smallest_change=smallest, what="difference")
    said = figures.alt_text_forest(rows, unit=found.unit, about="The difference counted in four ways")
    balance = found.allocation.balance
    return Several(
        parts=(
            drawing(ways, title, said),
            words(f"To the right of the line, sessions with {first} went better; to the left, those with {other}."),
            drawing(figures.balance_figure(balance), "Were the two groups alike?", figures.alt_text_balance(balance)),
        )
    )


def who_got_which(found: ProtocolComparison) -> Words:
    """How many sessions and clients of either protocol were compared, and how many rows could not be."""
    missing = found.n_missing
    none = "1 row has no reading after and is" if missing == 1 else f"{missing} rows have no reading after and are"
    lines = [(capital(spaced(name)), f"{_size_of(found.sessions, arm)}.") for name, arm in _arms(found)]
    return words(*lines, *([f"{none} not counted."] if missing else []))


def _arms(found: ProtocolComparison) -> list[tuple[str, int]]:
    return [(found.protocol_a, 1), (found.protocol_b, 0)]


def _size_of(sessions: pd.DataFrame, arm: int) -> str:
    part = sessions[sessions["got_a"] == arm]
    return f"{counted(len(part), 'session')} of {counted(part['client'].nunique(), 'client')}"


def ways_of_counting(found: ProtocolComparison) -> ReportTable:
    """The four ways of counting as a table."""
    rows = [
        (
            capital(one.name),
            with_interval(one.value, one.ci_low, one.ci_high, found.unit, level=one.confidence_level),
            f"{one.n} {one.n_of}",
            capital(one.method),
        )
        for one in found.estimates
    ]
    return rows_table("Four ways of counting", ("Way of counting", "Difference", "From", "Method"), rows)


def without_one(found: ProtocolComparison) -> ReportTable:
    """The adjusted difference with one practitioner left out at a time."""
    rows = [
        (
            f"Without {row['left_out']}",
            str(row["note"]) or with_interval(row["difference"], row["ci_low"], row["ci_high"], found.unit),
            str(row["sessions"]),
        )
        for row in found.without_practitioner.to_dict("records")
    ]
    return rows_table(
        "The adjusted difference, one practitioner left out", ("Left out", "Difference", "Sessions"), rows
    )


def same_for_what_matters(found: ProtocolComparison) -> Words:
    """Whether any difference is smaller than what matters, and how that goes with the answer above."""
    same = found.same
    if same is None:
        return words("No smallest difference that matters is set for this measure, so this cannot be judged.")
    limit = threshold(same.smallest_change_that_matters, found.unit)
    level = 1 - 2 * same.alpha
    size = without_stop(with_interval(same.estimate.value, same.ci_low, same.ci_high, found.unit, level=level))
    told = same.estimate.ci_low > 0 or same.estimate.ci_high < 0
    if same.equivalent:
        said = f"Any difference is smaller than {limit}, which is what matters to you"
        then = "So both hold: there is a difference, and it is too small to matter." if told else ""
    else:
        said, then = f"A difference of {limit} or more is not ruled out", ""
    how = f"two one-sided tests, {p_words(same.p)}, which go with a {level * 100:.0f} % interval; {_people(found)}"
    return words(f"{said}: {size}; {how}. {then}".strip())


def _people(found: ProtocolComparison) -> str:
    return f"{found.adjusted.n} {found.adjusted.n_of}"


def hidden_cause(found: ProtocolComparison) -> Words:
    """How strong something that nobody wrote down would have to be to explain the difference (E-value)."""
    if found.drawn == "drawn":
        return words("Chance decided who got which, so what was not written down is spread over both by chance.")
    whole, near = found.e_value
    if is_missing(whole):
        return words("All sessions changed by the same amount, so this cannot be told.")
    said = f"{number(whole, decimals=1)}-fold to explain all of the difference"
    edge = "no such cause is needed to make it uncertain: it is uncertain already"
    then = edge if near <= 1 else f"{number(near, decimals=1)}-fold to make it uncertain (interval down to 0)"
    return words(f"{said}; {then} (E-value, VanderWeele & Ding 2017; {_people(found)}).")


def may_say_of_two(found: ProtocolComparison) -> Words:
    """What may be said of the two, what not, and what to do next."""
    lines: list[Any] = [("One may say", sentence(found.sentence()))]
    if found.same is not None and found.same.equivalent:
        limit = threshold(found.same.smallest_change_that_matters, found.unit)
        lines.append(("And", f"Whatever the difference is, it is smaller than {limit}, which is what matters to you."))
    lines.append(("One may not say", "That one of the two is better for a given client, or in another measure."))
    if found.drawn == "chosen":
        lines.append(("Nor", "That the protocol made the difference: somebody chose who got which."))
    if found.n_to_tell is not None and found.same is not None and not found.same.equivalent:
        size = amount(found.same.smallest_change_that_matters, found.unit)
        lines.append(("How many", f"To tell a difference of {size}: about {counted(found.n_to_tell, 'client')}."))
    return words(*lines, ("To do next", sentence(found.advice())))
