"""Which columns hold readings, of which measure, side and phase: from the words of the header and the values below."""

from __future__ import annotations

from collections.abc import Container
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from toolkit.records.codebook import Codebook, Measure
from toolkit.records.field_words import field_of_header
from toolkit.records.header_words import HeaderWords, read_header
from toolkit.records.texts import distinct
from toolkit.records.units import conversion_factor
from toolkit.records.values import read_numbers
from toolkit.records.vocabulary import split_several


@dataclass(frozen=True, kw_only=True)
class Guess:
    """What one column seems to mean. `phase` is set for columns of readings; `means` is a field or a measure."""

    column: str
    means: str
    side: str = ""
    phase: str = ""
    unit: str = ""
    confidence: str = "likely"
    reason: str = ""


def guess_readings(cells: pd.DataFrame, codebook: Codebook, *, taken: Container[str] = ()) -> list[Guess]:
    """Guesses for every column whose header tells a phase and a measure, or a phase and words nobody knows.

    Args:
        cells: the columns of a sheet as categorical texts.
        codebook: measures and the words for them.
        taken: headers that are understood already.
    """
    headers = {str(name): read_header(str(name)) for name in cells.columns if name not in taken}
    told = {name: words for name, words in headers.items() if words.phase and words.rest}
    found = {name: _measure(words, codebook) for name, words in told.items()}
    bodies = _bodies(found, cells, codebook)
    guesses = [_guess(name, words, found[name], cells[name], bodies, codebook) for name, words in told.items()]
    return _one_column_each(guesses)


def _measure(words: HeaderWords, codebook: Codebook, *, body: str = "") -> str | None:
    """The measure that the rest of a header names, in a unit that fits the header's."""
    text = f"{body} {words.rest}".strip()
    name = codebook.find_measure(text)
    if not words.unit:
        return name
    if name is not None and _fits_unit(words.unit, codebook.measure(name)):
        return name
    for more in ("distance", "strength", "angle", "time", "threshold"):
        other = codebook.find_measure(f"{text} {more}")
        if other is not None and _fits_unit(words.unit, codebook.measure(other)):
            return other
    return name


def _fits_unit(unit: str, measure: Measure) -> bool:
    """Whether a unit converts to the measure's."""
    return conversion_factor(unit, measure.unit) is not None


def _bodies(found: dict[str, str | None], cells: pd.DataFrame, codebook: Codebook) -> list[str]:
    """Body parts the sheet is about: of the measures found by full names, and of the regions named in its cells."""
    parts = {codebook.measure(name).body_part for name in found.values() if name}
    lookup = dict(zip(codebook.regions["region"], codebook.regions["body_part"], strict=True))
    for name in cells.columns:
        texts = distinct(cells[name])[1][:40]
        if field_of_header(str(name)) == "region":
            pieces = {piece for text in texts for piece in split_several(text, codebook.find_region)}
            regions = {codebook.find_region(piece) for piece in pieces}
            parts |= {str(lookup[region]) for region in regions if region is not None}
    return sorted(parts - {"any"})


def _guess(
    name: str, words: HeaderWords, measure: str | None, column: pd.Series, bodies: list[str], codebook: Codebook
) -> Guess:
    """The guess for one column that tells a phase."""
    phase = "before_2" if words.phase == "before" and words.repeat == 2 else words.phase
    guess = Guess(column=name, means="(not used)", side=words.side, phase=phase, unit=words.unit, confidence="unsure")
    if words.repeat > 2 or (words.repeat == 2 and words.phase != "before"):
        return replace(guess, phase="", reason=f"a further reading {words.phase}; only the first is used")
    reason, confidence = "the header names measure and phase", "certain"
    if measure is None:
        options = {found for body in bodies if (found := _measure(words, codebook, body=body))}
        if len(options) != 1:
            hint = f"may be {' or '.join(sorted(options))}" if options else "no measure of the codebook has these words"
            return replace(guess, phase="", reason=hint)
        measure, confidence = options.pop(), "likely"
        reason = "the header names the movement, the rest of the sheet the body part"
    return _judged_by_values(replace(guess, means=measure, confidence=confidence, reason=reason), column, codebook)


def _judged_by_values(guess: Guess, column: pd.Series, codebook: Codebook) -> Guess:
    """The guess with its unit settled, given up where the values cannot be readings of the measure."""
    measure = codebook.measure(guess.means)
    if guess.unit and not _fits_unit(guess.unit, measure):
        return replace(
            guess,
            means="(not used)",
            phase="",
            confidence="unsure",
            reason=f"{guess.unit} does not convert to {measure.unit}",
        )
    numbers = read_numbers(column)
    good = numbers.taken & (numbers.problem == 0)
    if not good.any():
        empty = not numbers.taken.any()
        reason = f"{guess.reason}; the column is empty" if empty else "the values are no numbers"
        if empty:
            return replace(guess, unit=guess.unit or measure.unit, confidence="likely", reason=reason)
        return replace(guess, means="(not used)", phase="", confidence="unsure", reason=reason)
    factor = conversion_factor(guess.unit, measure.unit) if guess.unit else 1.0
    value = numbers.value[good] * (factor or 1.0)
    inside = float(np.mean((value >= measure.low) & (value <= measure.high)))
    is_word = float(np.mean(numbers.word[good]))
    if inside < 0.5 or (
        (is_word > 0.5) != (measure.kind == "sign") and (is_word > 0.5 or not set(value) <= {0.0, 1.0})
    ):
        return replace(
            guess,
            means="(not used)",
            phase="",
            confidence="unsure",
            reason=f"the values do not look like {measure.name}",
        )
    unit = guess.unit or measure.unit
    said = guess.reason + ("" if guess.unit else f", the unit is the codebook's ({measure.unit})")
    return replace(guess, unit=unit, reason=f"{said}; {inside:.0%} of the values are plausible")


def _one_column_each(guesses: list[Guess]) -> list[Guess]:
    """Of two columns for the same measure, side and "before" the second is before_2; any other double is unsure."""
    seen: dict[tuple[str, str, str], str] = {}
    settled: list[Guess] = []
    for guess in guesses:
        key = (guess.means, guess.side, guess.phase)
        if guess.confidence != "unsure" and key in seen:
            second = (guess.means, guess.side, "before_2")
            if guess.phase == "before" and second not in seen:
                guess, key = replace(guess, phase="before_2", confidence="likely"), second
            else:
                reason = f'"{seen[key]}" is the same measure, side and phase'
                guess = replace(guess, means="(not used)", phase="", confidence="unsure", reason=reason)
        if guess.confidence != "unsure":
            seen[key] = guess.column
        settled.append(guess)
    return settled
