"""What only the person who keeps a sheet can know: asked in the sheet's words, with the readings of each answer.

An answer is a few settings, (key, value), that `with_answers` puts into the content of a columns.toml: "date_order",
"year", "tip_cm2", "pairs", a field's name, "constants.NAME", "units.MEASURE", "values.NAME.THEIR WORD", "unit of
HEADER", "reading of HEADER".
"""

from __future__ import annotations

import copy
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

_UNIT, _READING = "unit of ", "reading of "
_MONTHS = (
    *("January", "February", "March", "April", "May", "June"),
    *("July", "August", "September", "October", "November", "December"),
)


@dataclass(frozen=True, kw_only=True)
class Choice:
    """One answer: how it is said, and the settings of a columns.toml that say it."""

    label: str
    settings: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, kw_only=True)
class Question:
    """One thing that the sheet does not say.

    `kind` is date_order, year, unit, tip, order, column, measure, technique, pairs or client; `columns` are the headers
    it is about; `text` asks in words; `choices` are the answers that make sense, the likeliest first. Where `free`
    names a key, another answer may be typed and is set under it.
    """

    kind: str
    columns: tuple[str, ...]
    text: str
    choices: tuple[Choice, ...] = ()
    free: str = ""

    @property
    def column(self) -> str:
        """The first header it is about."""
        return self.columns[0] if self.columns else "(all)"


def with_answers(said: Mapping[str, Any], answers: Iterable[tuple[str, str]]) -> dict[str, Any]:
    """The content of a columns.toml with answers put in.

    Args:
        said: the content so far, as `tomllib` gives it; it is not changed.
        answers: settings of the choices taken.

    Example:
        >>> with_answers({"client": "Pt"}, [("date_order", "day_first"), ("values.order.A", "wait_first")])
        {'client': 'Pt', 'date_order': 'day_first', 'values': {'order': {'A': 'wait_first'}}}
    """
    content: dict[str, Any] = copy.deepcopy(dict(said))
    for key, value in answers:
        if key.startswith(_UNIT):
            for reading in content.get("readings", []):
                if reading["column"] == key.removeprefix(_UNIT):
                    reading["unit"] = value
        elif key.startswith(_READING):
            measure, side, phase, unit = value.split("|")
            told = {"column": key.removeprefix(_READING), "measure": measure, "side": side, "phase": phase}
            content.setdefault("readings", []).append({**told, **({"unit": unit} if unit else {})})
        elif key.startswith("values."):
            _, field, word = key.split(".", 2)
            content.setdefault("values", {}).setdefault(field, {})[word] = value
        elif key.startswith("units."):
            content.setdefault("units", {})[key.removeprefix("units.")] = value
        elif key.startswith("constants."):
            content.setdefault("constants", {})[key.removeprefix("constants.")] = value
        elif key == "pairs":  # the two columns of a pair are then understood anew, and with them the layout
            content = {name: told for name, told in content.items() if name != "layout"} | {"pairs": value}
        else:
            content[key] = float(value) if key == "tip_cm2" else value
    return content


def _named(columns: Sequence[str]) -> str:
    """The first headers of several, in quotation marks."""
    return " and ".join(f'"{column}"' for column in columns[:3]) + (" …" if len(columns) > 3 else "")


def unit_question(label: str, columns: Sequence[str], units: Sequence[str], *, example: str = "") -> Question:
    """In which unit a force or pressure was written down."""
    text = (
        f"In which unit is {label} written in {_named(columns)}: {' or '.join(units)}? "
        "No unit is stated, and more than one fits the values; "
        f'columns.toml says it with unit = "{units[0]}" for each [[readings]] column.'
    )
    choices = tuple(
        Choice(label=f"{example} {unit}".strip(), settings=tuple((f"{_UNIT}{column}", unit) for column in columns))
        for unit in units
    )
    return Question(kind="unit", columns=tuple(columns), text=text, choices=choices)


def row_unit_question(label: str, measure: str, column: str, units: Sequence[str], *, example: str) -> Question:
    """In which unit the rows of a force or pressure are written.

    Args:
        label, measure: what is read, in words and by its codebook name.
        column: the header of the column that names the measure.
        units: the plausible ones.
        example: a reading.
    """
    text = (
        f'In which unit is {label} written (rows of "{column}"): {" or ".join(units)}? No unit is stated, and more '
        f'than one fits the values; columns.toml says it with [units] {measure} = "{units[0]}"'
    )
    choices = tuple(Choice(label=f"{example} {unit}".strip(), settings=((f"units.{measure}", unit),)) for unit in units)
    return Question(kind="unit", columns=(column,), text=text, choices=choices)


def tip_question(label: str, columns: Sequence[str], unit: str) -> Question:
    """How large the tip of an algometer is, without which a force is no pressure."""
    text = (
        f"How large is the tip of the algometer (in cm2)? {label} in {_named(columns)} is written in {unit}, a force: "
        "without the tip's area it is no pressure. columns.toml says it with tip_cm2 = 1.0"
    )
    choices = (
        Choice(label="1.0 cm2 (a round tip of 11 mm across)", settings=(("tip_cm2", "1.0"),)),
        Choice(label="0.5 cm2 (a round tip of 8 mm across)", settings=(("tip_cm2", "0.5"),)),
    )
    return Question(kind="tip", columns=tuple(columns), text=text, choices=choices, free="tip_cm2")


def date_question(column: str, example: str, numbers: tuple[int, int, int]) -> Question:
    """Whether day or month stands first.

    Args:
        column: the header.
        example: a date as it is written.
        numbers: its three numbers, the year last.
    """
    first, second, year = numbers
    day_first, month_first = f"{first} {_MONTHS[second - 1]} {year}", f"{second} {_MONTHS[first - 1]} {year}"
    text = f'Does "{column}" give the day first or the month first? "{example}" may be {day_first} or {month_first}.'
    choices = (
        Choice(label=f"day first: {day_first}", settings=(("date_order", "day_first"),)),
        Choice(label=f"month first: {month_first}", settings=(("date_order", "month_first"),)),
    )
    return Question(kind="date_order", columns=(column,), text=text, choices=choices)


def year_question(column: str, example: str) -> Question:
    """The year of dates that name none."""
    text = f'Which year do the dates in "{column}" belong to? "{example}" names none, and no title does.'
    return Question(kind="year", columns=(column,), text=text, free="year")


def order_question(column: str, codes: Sequence[str]) -> Question:
    """Which of two codes means that the treatment came first."""
    one, other = codes[0], codes[1] if len(codes) > 1 else ""
    shown = " and ".join(codes[:4])
    text = (
        f'"{column}" holds {shown}: which means that the treatment came first, and which the rest? Left out until '
        f'columns.toml says [values.order] "{one}" = "technique_first" (or "wait_first")'
    )
    key = "values.order."
    choices = tuple(
        Choice(
            label=f"{first} = treatment first" + (f", {second} = rest first" if second else ""),
            settings=((key + first, "technique_first"), *(((key + second, "wait_first"),) if second else ())),
        )
        for first, second in ((one, other), (other, one))
        if first
    )
    return Question(kind="order", columns=(column,), text=text, choices=choices if len(codes) < 3 else ())


def column_question(field: str, asked: str, candidates: Mapping[str, Sequence[str]]) -> Question:
    """Which column holds what an export cannot do without.

    Args:
        field: client or date.
        asked: what is asked for, in words.
        candidates: header → a few of its values, for the columns nothing was made of.
    """
    choices = tuple(
        Choice(label=f'"{header}" ({", ".join(values)})', settings=((field, header),))
        for header, values in candidates.items()
    )
    text = f"Which column says {asked}? None of the headers does."
    return Question(kind="column", columns=tuple(candidates), text=text, choices=choices)


def measure_question(column: str, options: Mapping[str, str], *, side: str, phase: str, unit: str) -> Question:
    """Which of several measures a header means.

    Args:
        column: the header.
        options: codebook name → label.
        side, phase, unit: what the header tells.
    """
    text = f'What is "{column}": {" or ".join(options.values())}?'
    choices = tuple(
        Choice(label=label, settings=((f"{_READING}{column}", f"{name}|{side}|{phase}|{unit}"),))
        for name, label in options.items()
    )
    return Question(kind="measure", columns=(column,), text=text, choices=choices)


def pairs_question(columns: Sequence[str], example: tuple[str, str, str], *, phase: str) -> Question:
    """Which two readings stand in one cell.

    Args:
        columns: the headers.
        example: a cell, and its two numbers.
        phase: what the header tells of the phase; "" where it may be both.
    """
    cell, first, second = example
    both = f"the left and the right side{'' if phase else ', or before and after'}"
    text = (
        f'{_named(columns)} holds two numbers in a cell ("{cell}"): {both}? And which first? '
        'columns.toml says it with pairs = "left_right"'
    )
    choices = [
        Choice(label=f"left {first}, right {second}", settings=(("pairs", "left_right"),)),
        Choice(label=f"right {first}, left {second}", settings=(("pairs", "right_left"),)),
    ]
    if not phase:
        choices.append(Choice(label=f"before {first}, after {second}", settings=(("pairs", "before_after"),)))
    return Question(kind="pairs", columns=tuple(columns), text=text, choices=tuple(choices))


def technique_question() -> Question:
    """What was done, where no column says it."""
    text = "No column says what was done. If it was the same for every row, what was it (one word, as you say it)?"
    choices = (Choice(label='leave it as "not stated"'),)
    return Question(kind="technique", columns=(), text=text, choices=choices, free="constants.intervention")


def client_question(column: str, groups: Sequence[Sequence[str]]) -> Question:
    """Whether spellings that are nearly alike are one client each.

    Args:
        column: the header.
        groups: spellings that may be one client, the one to keep first.
    """
    key = "values.client."
    shown = ", ".join(" and ".join(f'"{name}"' for name in names) for names in groups[:4])
    more = f" and {len(groups) - 4} more such pairs" if len(groups) > 4 else ""
    merged = tuple((key + name, names[0]) for names in groups for name in names[1:])
    apart = tuple((key + name, name) for names in groups for name in names[1:])
    each = " each" if len(groups) > 1 else ""
    return Question(
        kind="client",
        columns=(column,),
        text=f"Are {shown}{more} one client{each}?",
        choices=(
            Choice(label=f'yes, one client{each}: written "{groups[0][0]}"' + (" …" if each else ""), settings=merged),
            Choice(label="no, they are different clients", settings=apart),
        ),
    )
