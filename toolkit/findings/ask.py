"""Which questions an audit judges: the declared ones, or every measure × region × intervention in the records."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd

from toolkit.claim.question import Question
from toolkit.errors import QuestionError
from toolkit.number_words import quantity
from toolkit.records.account import Records
from toolkit.records.coded_texts import as_texts, by_frequency, each_once
from toolkit.stats.published import published_mic

COMPARISON = "measured_only"


def questions_in(records: Records) -> list[Question]:
    """Every measure × region × intervention that occurs, most clients first; none of them declared."""
    rows = records.rows
    done = as_texts(rows["intervention"])
    keys = ["measure", "region", "intervention"]
    asked = rows.loc[((done != COMPARISON) & (done != "")).to_numpy(), ["client", *keys]]
    asked = each_once(asked.assign(**{name: as_texts(asked[name]) for name in keys}))
    counts = asked.groupby(keys, sort=True)["client"].count()
    counts = counts[counts > 0].sort_values(ascending=False, kind="stable")
    return [
        _with_published_size(Question(measure=m, region=r or "any", intervention=i, source="not declared"), records)
        for m, r, i in counts.index
    ]


def _with_published_size(question: Question, records: Records) -> Question:
    """The smallest change that matters from publications, where the question names none."""
    known = records.codebook.measure(question.measure)
    mic = published_mic(question.measure)
    if mic is None or mic.unit != known.unit:
        return question
    return replace(
        question, smallest_change_that_matters=mic.value, unit=mic.unit, source=f"{mic.citation} ({mic.status})"
    )


def checked_question(question: Question, records: Records) -> Question:
    """A declared question in the codebook's words and units, or a refusal that says what the records do hold.

    Raises:
        QuestionError: nothing in the records answers it, or its unit does not fit the measure.
    """
    book, rows = records.codebook, records.rows
    held = {name: set(as_texts(rows[name]).unique()) for name in ("measure", "region", "intervention")}
    measure = question.measure if question.measure in held["measure"] else book.find_measure(question.measure)
    if measure is None or measure not in held["measure"]:
        raise QuestionError(f"There are no records of the measure “{question.measure}”. {_hold(rows, 'measure')}")
    region = _own_word(question.region, held["region"], book.find_region)
    if region != "any" and region not in held["region"]:
        raise QuestionError(f"There are no records of the region “{question.region}”. {_hold(rows, 'region')}")
    intervention = _own_word(question.intervention, held["intervention"], book.find_intervention)
    if intervention not in held["intervention"]:
        raise QuestionError(
            f"There are no records of the intervention “{question.intervention}”. {_hold(rows, 'intervention')}"
        )
    comparison = question.comparison
    if comparison not in (None, "wait", "other_side"):
        comparison = _own_word(str(comparison), held["intervention"], book.find_intervention)
    known = book.measure(measure)
    if question.unit not in (None, known.unit) and question.smallest_change_that_matters is not None:
        question = _converted(question, known.unit)
    return replace(
        question,
        measure=measure,
        region=region,
        intervention=intervention,
        comparison=comparison,
        unit=known.unit,
        better=question.better or known.better,
    )


def _own_word(word: str, held: set[str], find: object) -> str:
    """The word as the records hold it: itself, its codebook name, or itself where neither is there."""
    if word in held or word == "any":
        return word
    parts = [part.strip() for part in word.split("+")]
    joined = " + ".join(sorted((find(part) or part) for part in parts))  # type: ignore[operator]
    if joined in held:
        return joined
    folded = {" ".join(h.lower().split()): h for h in held}
    return folded.get(" ".join(word.lower().split()), word)


def _converted(question: Question, unit: str) -> Question:
    """Sizes of a question in the codebook's unit."""
    from toolkit.records.units import conversion_factor

    factor = conversion_factor(str(question.unit), unit)
    if factor is None:
        raise QuestionError(
            f"The question's unit is “{question.unit}”, but {question.measure} is recorded in {unit}. "
            f"Write the smallest change that matters in {unit}."
        )
    size, lean = question.smallest_change_that_matters, question.leaning_allowance
    return replace(
        question,
        smallest_change_that_matters=None if size is None else size * factor,
        leaning_allowance=None if lean is None else lean * factor,
        unit=unit,
    )


def _hold(rows: pd.DataFrame, column: str) -> str:
    found = [name for name in by_frequency(rows[column]) if name]
    listed = ", ".join(found[:8]) + (" and others" if len(found) > 8 else "")
    return f"The records hold: {listed or 'none'}."


def title_of(question: Question) -> str:
    """The question in one line, for messages."""
    size = question.smallest_change_that_matters
    tail = f", by at least {quantity(size, question.unit)}" if size is not None else ""
    return f"does {question.intervention} on {question.region} move {question.measure}{tail}?"
