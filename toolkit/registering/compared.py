"""Which stored rows answer a question, as `toolkit.effect.comparison` picks them, written for an engine.

One row a side of a session with its arm (1 technique, 0 comparison), the last reading before (`base`), first less last
(`gap`), whether it was read twice before, and the change (`y`), oriented so that better is positive.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from toolkit.claim.question import Question
from toolkit.effect.comparison import MEASURED_ONLY, RANDOMISED, SIDES, orientation, sessions_with
from toolkit.effect.draw_units import WORDS_KNOWN_BEFORE
from toolkit.errors import RegistryError
from toolkit.registering.held import Held

DRAWN_ORDERS = ("technique_first", "wait_first")
WORDS_BEFORE = tuple(name for name in WORDS_KNOWN_BEFORE if name not in ("site", "practitioner"))


@dataclass(frozen=True, eq=False, kw_only=True)
class ComparedTable:
    """Both arms as a table of the engine; `rule` says which measured side belongs to the treated side."""

    table: Any
    basis: str
    against: str
    rule: str
    both_treated: bool = False

    @property
    def randomised(self) -> bool:
        """Was the comparison drawn by chance, as it is said?"""
        return self.basis in RANDOMISED

    def as_chosen(self) -> ComparedTable:
        """The same as what nobody drew: where a word that it was drawn is not borne out."""
        return replace(self, basis="comparison_sessions")


def treated_rows(found: Held, question: Question) -> tuple[Any, str]:
    """Rows of the technique whose reading belongs to the treatment, and the rule of sides."""
    table = _of(found.readings, question, question.intervention)
    rule = question.side_rule or side_rule(found, table, question)
    return _treated(table, rule, counted=counted(found, question)), rule


def counted(found: Held, question: Question) -> bool:
    """Did storing count which rows of a session belong to the treatment? Not over several regions or exports."""
    return found.sides_counted and question.region != "any"


def compared_table(found: Held, question: Question, *, drawn: bool = False) -> ComparedTable:
    """Technique and comparison of a question: by drawn order, or against another intervention.

    Parameters
    ----------
    question
        In the registry's words, `better` filled in; `comparison` "wait" or None for the drawn order, else another
        intervention.
    drawn
        Did chance decide between two interventions?
    """
    import ibis

    technique, rule = treated_rows(found, question)
    better = str(question.better)
    if question.comparison in (None, "wait"):
        both = technique.filter(_was_drawn(found, technique.order))
        first = both.order == "technique_first"
        outcome = ibis.ifelse(first, both.after, both.after_wait)
        table = _as_compared(both, arm=first, outcome=outcome, better=better)
        return ComparedTable(table=table, basis="randomised_order", against="waiting as long", rule=rule)
    other = str(question.comparison)
    comparison = _of(found.readings, question, other)
    if other == MEASURED_ONLY and question.region != "any" and not found.engine.frame(comparison.limit(1)).shape[0]:
        comparison = _of(found.readings, replace(question, region="any"), other)  # measured wherever it was
    elif other != MEASURED_ONLY:
        comparison = _treated(comparison, rule, counted=counted(found, question))
    parts = [
        _as_compared(one, arm=ibis.literal(arm), outcome=one.after, better=better)
        for one, arm in ((technique, True), (comparison, False))
        for one in (one.filter(one.order != "wait_first"),)
    ]
    basis = "randomised_protocol" if drawn else "comparison_sessions"
    return ComparedTable(
        table=parts[0].union(parts[1]),
        basis=basis,
        against=sessions_with(other),
        rule=rule,
        both_treated=other != MEASURED_ONLY,
    )


def _was_drawn(found: Held, order: Any) -> Any:
    """Is an order written down? As stored there is either one or none, which an engine tells while it reads."""
    return order.between(*DRAWN_ORDERS) if found.exports else order.isin(DRAWN_ORDERS)


def _of(table: Any, question: Question, intervention: str) -> Any:
    """Rows of one measure and intervention, and region where one is asked for."""
    mine = table.filter(table.measure == question.measure, table.intervention == intervention)
    return mine if question.region == "any" else mine.filter(mine.region == question.region)


def side_rule(found: Held, technique: Any, question: Question) -> str:
    """Which measured side belongs to the treated side, from readings before alone (see `treated_side_rule`)."""
    import ibis

    if question.region == "any":
        here = found.engine.frame(technique.select("region").distinct())["region"].astype(str)
        if any(found.codebook.limits(one, question.measure) == "opposite" for one in here):
            raise RegistryError(
                f"Regions differ in the side on which {question.measure} shows what was done. Ask one region at a time."
            )
    if (found.codebook.limits(question.region, question.measure) or "") != "opposite":
        return "same"
    sided = technique.filter(technique.treated_side.isin(SIDES), technique.measured_side.isin(SIDES))
    alone = _alone(sided)
    if counted(found, question):  # what belongs to the treatment under either rule
        alone = (sided.same_side > 0) & (sided.opposite_side > 0)
    sided = sided.mutate(opposite=sided.treated_side != sided.measured_side, alone=alone)
    shares = sided.filter(sided.alone).agg(n=ibis._.count(), share=ibis._.opposite.cast("float64").mean())
    lone = found.engine.frame(shares)
    n, share = lone.iloc[0]
    if n >= 5 and (share >= 0.8 or share <= 0.2):
        return "opposite" if share >= 0.8 else "same"
    both = sided.filter(~sided.alone).group_by(["client", "opposite"]).agg(before=ibis._.before.mean())
    return _more_restricted(found.engine.frame(both), better=str(question.better))


def _more_restricted(means: pd.DataFrame, *, better: str) -> str:
    """The side that read more restricted before, where clients' means clearly say so; else the same side."""
    wide = means.pivot_table(index="client", columns="opposite", values="before")
    if wide.shape[1] == 2 and len(wide.dropna()) >= 5:
        gap = orientation(better) * (wide[True] - wide[False]).dropna()
        spread = float(gap.std(ddof=1))
        if spread > 0 and abs(gap.mean()) > 3 * spread / np.sqrt(len(gap)):
            return "opposite" if gap.mean() < 0 else "same"
    return "same"


def _alone(table: Any) -> Any:
    """Is one side the only one that its session measured?"""
    import ibis

    session = ibis.window(group_by=table.session_id)
    return table.measured_side.min().over(session) == table.measured_side.max().over(session)


def _treated(table: Any, rule: str, *, counted: bool) -> Any:
    """Rows whose reading belongs to the treatment: no side, the treated side, or the only side measured."""
    if counted:
        stored = table[f"{rule}_side"]
        return table.filter(stored > 0).mutate(lone=stored == 1)
    import ibis

    sided = table.treated_side.isin(SIDES) & table.measured_side.isin(SIDES)
    same = table.treated_side == table.measured_side
    belongs = same if rule == "same" else ~same
    marked = table.mutate(_in_use=~sided | belongs | _alone(table))
    return marked.filter(marked["_in_use"]).drop("_in_use").mutate(lone=ibis.literal(False))


def _as_compared(rows: Any, *, arm: Any, outcome: Any, better: str) -> Any:
    """The columns that an estimate needs; `lone`: is this row all that its session holds of the treatment?"""
    import ibis

    sign = orientation(better)
    base = rows.before_2.fill_null(rows.before)
    first = rows.before.fill_null(rows.before_2)
    columns: Mapping[str, Any] = {
        **{name: rows[name] for name in ("site", "client", "practitioner", "session_id", "visit", "date")},
        "blinded": rows.examiner_blinded,
        "lone": rows.lone if "lone" in rows.columns else ibis.literal(False),
        "arm": arm.cast("int64"),
        "base": sign * base,
        "gap": sign * (first - base),
        "has_second": rows.before_2.notnull().cast("float64"),
        "y": sign * (outcome - base),
        "full": rows.after - rows.before,
        "read_twice": rows.before.notnull() & rows.before_2.notnull(),
        "examiner": rows.examiner,
        "minutes": rows.minutes,
        **{name: rows[name] for name in WORDS_BEFORE},
    }
    return rows.select(**columns)
