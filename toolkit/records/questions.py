"""What only the person who keeps a sheet can know: asked in the sheet's words, with the readings of each answer."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True, kw_only=True)
class Choice:
    """One answer: how it is said, and the lines of a columns.toml that say it (key path → value)."""

    label: str
    settings: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, kw_only=True)
class Question:
    """One thing that the sheet does not say.

    `kind` is date_order, year, unit, tip, order, column or client; `columns` are the headers it is about; `text` asks
    in words; `choices` are the answers that make sense, the likeliest first; `free` is True where another may be typed.
    """

    kind: str
    columns: tuple[str, ...]
    text: str
    choices: tuple[Choice, ...] = ()
    free: bool = False

    @property
    def column(self) -> str:
        """The first header it is about."""
        return self.columns[0] if self.columns else "(all)"


def unit_question(label: str, columns: Sequence[str], units: Sequence[str]) -> Question:
    """In which unit a force or pressure was written down."""
    named = " and ".join(f'"{column}"' for column in columns[:3]) + (" …" if len(columns) > 3 else "")
    text = (
        f"In which unit is {label} written in {named}: {' or '.join(units)}? "
        "No unit is stated, and more than one fits the values; "
        f'columns.toml says it with unit = "{units[0]}" for each [[readings]] column.'
    )
    choices = tuple(
        Choice(label=unit, settings=tuple((f"unit of {column}", unit) for column in columns)) for unit in units
    )
    return Question(kind="unit", columns=tuple(columns), text=text, choices=choices)


def tip_question(label: str, columns: Sequence[str], unit: str) -> Question:
    """How large the tip of an algometer is, without which a force is no pressure."""
    named = " and ".join(f'"{column}"' for column in columns[:3]) + (" …" if len(columns) > 3 else "")
    text = (
        f"How large is the tip of the algometer (in cm2)? {label} in {named} is written in {unit}, a force: "
        "without the tip's area it is no pressure. columns.toml says it with tip_cm2 = 1.0"
    )
    choices = (
        Choice(label="1.0 cm2 (a round tip of 11 mm across)", settings=(("tip_cm2", "1.0"),)),
        Choice(label="0.5 cm2 (a round tip of 8 mm across)", settings=(("tip_cm2", "0.5"),)),
    )
    return Question(kind="tip", columns=tuple(columns), text=text, choices=choices, free=True)
