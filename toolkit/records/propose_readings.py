"""Which columns hold readings, of which measure, side and phase: from the words of the header and the values below.

What the header leaves out is taken from where it stands: a legend, the title above the table, the regions treated, the
file's name; in that order, and only where it fits the values.
"""

from __future__ import annotations

from collections.abc import Container, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from toolkit.records.codebook import Codebook, Measure
from toolkit.records.field_words import field_of_header, field_of_values
from toolkit.records.header_words import HeaderWords, read_header, read_levels
from toolkit.records.lexicon import Words, fold
from toolkit.records.raw_table import Around, RawTable
from toolkit.records.readings import FORCES, PRESSURES, plausible_units
from toolkit.records.texts import distinct
from toolkit.records.units import UNKNOWN_UNIT, conversion_factor
from toolkit.records.values import read_numbers
from toolkit.records.vocabulary import side_in, split_several

ROW_MEASURE, ROW_SIDE, TESTED_SIDE, ROW_PHASE = "measure", "treated_side", "measured_side", "phase"


@dataclass(frozen=True, kw_only=True)
class Guess:
    """What one column seems to mean. `phase` is set for columns of readings; `means` is a field or a measure.

    `units` are those the values could be in where none is stated and it cannot be told; `named` is False for a header
    that tells a phase and no measure ("Pre"); `options` are the measures it may be, in `told_phase`, where it must be
    asked.
    """

    column: str
    means: str
    side: str = ""
    phase: str = ""
    unit: str = ""
    confidence: str = "likely"
    reason: str = ""
    units: tuple[str, ...] = ()
    named: bool = True
    options: tuple[str, ...] = ()
    told_phase: str = ""


@dataclass(frozen=True, kw_only=True)
class _Context:
    """What speaks for a measure besides the header: titles, legend, and the body parts of the regions treated."""

    around: Around
    codebook: Codebook
    region_bodies: tuple[str, ...]
    by_row: bool

    @property
    def words(self) -> Words:
        """The sheet's words."""
        return self.around.words


def guess_readings(
    table: RawTable, codebook: Codebook, *, taken: Container[str] = (), by_row: bool = False, by_phase: bool = False
) -> list[Guess]:
    """Guesses for every column that holds readings of a phase.

    Args:
        table: the sheet's columns as categorical texts, with what stands around them.
        codebook: measures and the words for them.
        taken: headers that are understood already.
        by_row: True where a column of the sheet names the measure of each row.
        by_phase: True where a column of the sheet names the phase of each row.
    """
    around = table.around or Around()
    context = _Context(
        around=around, codebook=codebook, region_bodies=_region_bodies(table, codebook, around.words), by_row=by_row
    )
    told = {
        header: _by_legend(parts, around)
        for header, parts in table.parts.items()
        if header not in taken and field_of_header(parts[-1], around.words) is None
    }
    if by_phase:
        told = {
            header: replace(words, phase=ROW_PHASE) for header, words in told.items() if words.rest and not words.phase
        }
        guesses = [_guess(header, words, table.cells[header], context) for header, words in told.items()]
        return _one_column_each([guess for guess in guesses if guess.phase])
    named = _with_phases(
        {header: words for header, words in told.items() if words.phase or words.order or words.rest}, context
    )
    guesses = [_guess(header, words, table.cells[header], context) for header, words in named.items()]
    return _one_column_each(guesses)


def measures_in_cells(table: RawTable, header: str, codebook: Codebook) -> dict[str, str]:
    """Text → measure, for cells of a column of measures that only the surroundings explain ("Rotation re").

    Args:
        table: the sheet.
        header: its column of measures.
        codebook: measures and the words for them.
    """
    around = table.around or Around()
    bodies = _region_bodies(table, codebook, around.words)
    context = _Context(around=around, codebook=codebook, region_bodies=bodies, by_row=True)
    found: dict[str, str] = {}
    for text in distinct(table.cells[header])[1]:
        told = read_header(text, around.words)
        if text and told.rest and codebook.find_measure(text) is None and around.words.find("measure", text) is None:
            name = _measure_of(told, context)[0]
            found |= {text: name} if name else {}
    return found


def _by_legend(levels: Sequence[str], around: Around) -> HeaderWords:
    """A header taken apart, its last word read as the legend explains it where that tells a phase ("b1", "tx")."""
    told, header = read_levels(levels, around.words), " ".join(levels)
    first, _, last = header.rpartition(" ")
    meaning = {fold(code): text for code, text in around.legend.items()}.get(fold(last), "")
    explained = read_header(meaning, around.words) if meaning and first else None
    if explained is None or not explained.phase or (told.phase and told.phase != "after_wait"):
        return told
    bare = read_header(first, around.words)
    repeat = 2 if last.endswith("2") and explained.phase == "before" else 1
    return replace(bare, phase=explained.phase, repeat=repeat)


def _with_phases(told: dict[str, HeaderWords], context: _Context) -> dict[str, HeaderWords]:
    """The headers that tell a phase, and those whose phase follows from the others of the same measure and side."""
    named = {header: words for header, words in told.items() if words.phase}
    later = {(words.rest, words.side) for words in named.values() if words.phase in ("after", "after_wait")}
    befores = {(words.rest, words.side) for words in named.values() if words.phase == "before"}
    for header, words in told.items():
        place = (words.rest, words.side)
        if words.phase or place not in later or place in befores:
            continue
        if words.order or _measure_of(words, context)[0] or (context.by_row and not words.rest):
            named[header] = replace(words, phase="before", repeat=words.order or 1)
    return {header: named[header] for header in told if header in named}


def _region_bodies(table: RawTable, codebook: Codebook, words: Words) -> tuple[str, ...]:
    """The body parts of the regions named in the sheet's cells."""
    lookup = dict(zip(codebook.regions["region"], codebook.regions["body_part"], strict=True))
    found: set[str] = set()

    def find_region(text: str) -> str | None:
        return codebook.find_region(text) or words.find("region", text)

    for header, parts in table.parts.items():
        field = field_of_header(parts[-1], words)
        unknown = field is None and not read_levels(parts, words).phase
        if field == "region" or (unknown and field_of_values(table.cells[header], codebook, words) == "region"):
            for text in distinct(table.cells[header])[1][:40]:
                for piece in split_several(text, codebook.find_region):
                    bare = side_in(piece, words)[1]
                    region = next((name for said in (piece, bare) if (name := find_region(said))), None)
                    found |= {str(lookup[region])} if region in lookup else set()
    return tuple(sorted(found - {"any"}))


def _measure_of(words: HeaderWords, context: _Context) -> tuple[str | None, str, str, str]:
    """(measure or None, confidence, reason, unit found on the way) of a header taken apart."""
    codebook, around = context.codebook, context.around
    if words.rest:
        if name := in_unit(words.rest, words.unit, codebook):
            return name, "certain", "the header names measure and phase", words.unit
        for text in _legend_meanings(words.rest, around):
            told = read_header(text, context.words)
            unit = words.unit or told.unit
            if name := in_unit(told.rest, unit, codebook):
                return name, "certain", f"the legend says {text}", unit
        bodies = [
            *_title_bodies(around, context.words),
            *(() if _title_bodies(around, context.words) else context.region_bodies),
        ]
        options = list(
            dict.fromkeys(found for body in bodies if (found := in_unit(f"{body} {words.rest}", words.unit, codebook)))
        )
        if len(options) == 1:
            return (
                options[0],
                "likely",
                "the header names the movement, the rest of the sheet the body part",
                words.unit,
            )
        if options:
            return None, "unsure", f"may be {' or '.join(sorted(options))}", words.unit
        if _is_movement(words.rest, context):
            return None, "unsure", "no measure of the codebook has these words", words.unit
    titled = _title_measure(around, context, words.unit)
    if titled and (not words.rest or len(words.rest.split()) == 1):
        name, unit = titled
        return name, "likely", "the title above the table names the measure", words.unit or unit
    return None, "unsure", "no measure of the codebook has these words", words.unit


def _is_movement(rest: str, context: _Context) -> bool:
    """Whether the words name a movement, or anything else of the codebook's words, so that a title cannot stand in."""
    known = context.codebook.abbreviations["means"].str.split().explode()
    return bool(set(fold(rest).split()) & set(known))


def in_unit(text: str, unit: str, codebook: Codebook) -> str | None:
    """The measure that a text names, in a unit that fits the unit told."""
    name = codebook.find_measure(text)
    if not unit or (name is not None and fits_unit(unit, codebook.measure(name))):
        return name
    for more in ("distance", "strength", "angle", "time", "threshold"):
        other = codebook.find_measure(f"{text} {more}")
        if other is not None and fits_unit(unit, codebook.measure(other)):
            return other
    if (
        name is not None
        and name.endswith("_distance")
        and fits_unit(unit, codebook.measure(name.removesuffix("_distance")))
    ):
        return name.removesuffix("_distance")
    return name


def fits_unit(unit: str, measure: Measure) -> bool:
    """Whether a unit converts to the measure's, or is a force where a pressure is read over a tip."""
    return conversion_factor(unit, measure.unit) is not None or needs_tip(unit, measure)


def needs_tip(unit: str, measure: Measure) -> bool:
    """Whether a pressure is given as a force, so that the size of the tip must be known."""
    return measure.unit in PRESSURES and unit in FORCES


def _legend_meanings(rest: str, around: Around) -> list[str]:
    """What the legend says of the words of a header."""
    legend = {fold(code): meaning for code, meaning in around.legend.items()}
    return [legend[token] for token in (rest, *rest.split()) if token in legend]


def _title_bodies(around: Around, words: Words) -> list[str]:
    """The body parts that the nearest title with one names."""
    for title in around.titles:
        tokens = fold(title).split()
        pairs = [" ".join(tokens[place : place + 2]) for place in range(len(tokens) - 1)]
        found = [words.own("body").get(token) for token in (*pairs, *tokens)]
        bodies = list(dict.fromkeys(body for body in found if body))
        if bodies:
            return bodies
    return []


def _title_measure(around: Around, context: _Context, unit: str) -> tuple[str, str] | None:
    """(measure, unit) that the nearest title with one names, in a unit that fits."""
    for title in (
        *around.titles,
        *(value for key, value in around.pairs if field_of_header(key, context.words) == "measure"),
    ):
        told = read_header(title, context.words)
        asked = unit or told.unit
        name = in_unit(told.rest, asked, context.codebook)
        moves = set(told.rest.split()) & set(context.words.table("movement").values()) | _moves(told.rest)
        if name is None and (moves or fold(told.rest) in _short_movements(context.codebook)):
            bodies = {
                found
                for body in context.region_bodies
                if (found := in_unit(f"{body} {told.rest}", asked, context.codebook))
            }
            name = bodies.pop() if len(bodies) == 1 else None
        if name and (not asked or fits_unit(asked, context.codebook.measure(name))):
            return name, asked
    return None


def _short_movements(codebook: Codebook) -> set[str]:
    """The trade's short words for movements ("side bend"); no body part among them."""
    frame = codebook.abbreviations
    moves = frame["means"].map(lambda means: bool(_moves(str(means))))
    return set(map(fold, frame.loc[moves, "written"].astype(str)))


def _moves(rest: str) -> set[str]:
    """The movements that a text names in English."""
    return {
        move for move in ("rotation", "flexion", "extension", "abduction", "adduction", "dorsiflexion") if move in rest
    }


def _guess(header: str, words: HeaderWords, column: pd.Series, context: _Context) -> Guess:
    """The guess for one column that tells a phase."""
    phase = "before_2" if words.phase == "before" and words.repeat == 2 else words.phase
    guess = Guess(column=header, means="(not used)", side=words.side, phase=phase, unit=words.unit, confidence="unsure")
    guess = replace(guess, named=bool(words.rest))
    if words.repeat > 2 or (words.repeat == 2 and words.phase != "before"):
        return replace(guess, phase="", reason=f"a further reading {words.phase}; only the first is used")
    if context.by_row and not words.rest:
        return replace(
            guess,
            means=ROW_MEASURE,
            confidence="likely",
            reason=f"{phase.replace('_', ' ')}; the measure stands in the row",
        )
    name, confidence, reason, unit = _measure_of(words, context)
    if name is None:
        options = tuple(reason.removeprefix("may be ").split(" or ")) if reason.startswith("may be ") else ()
        return replace(guess, phase="", reason=reason, options=options, told_phase=phase)
    found = replace(guess, means=name, confidence=confidence, reason=reason, unit=unit)
    return _judged_by_values(found, column, context)


def _judged_by_values(guess: Guess, column: pd.Series, context: _Context) -> Guess:
    """The guess with its unit settled, given up where the values cannot be readings of the measure."""
    measure = context.codebook.measure(guess.means)
    if guess.unit and not fits_unit(guess.unit, measure):
        return _given_up(guess, f"{guess.unit} does not convert to {measure.unit}")
    marks = {fold(code) for code in context.around.legend}
    numbers = read_numbers(
        column, missing=[text for text in distinct(column)[1] if fold(text) in marks and measure.kind != "sign"]
    )
    good = numbers.taken & (numbers.problem == 0)
    if not good.any():
        if not numbers.taken.any():
            return replace(
                guess,
                unit=guess.unit or measure.unit,
                confidence="likely",
                reason=f"{guess.reason}; the column is empty",
            )
        if measure.kind == "sign":
            return replace(guess, unit=guess.unit or measure.unit, confidence="likely")
        return _given_up(guess, "the values are no numbers")
    is_word = float(np.mean(numbers.word[good]))
    if (is_word > 0.5) != (measure.kind == "sign") and (is_word > 0.5 or not set(numbers.value[good]) <= {0.0, 1.0}):
        return _given_up(guess, f"the values do not look like {measure.name}")
    in_cells = float(np.mean([bool(text) for text in np.asarray(numbers.unit)[good]])) > 0.5
    return _with_unit(guess, measure, numbers.value[good], context, in_cells=in_cells)


def _with_unit(guess: Guess, measure: Measure, values: np.ndarray, context: _Context, *, in_cells: bool) -> Guess:
    """The guess in the unit told by header, cells, title or values; with the possible ones where it must be asked."""
    unit, said = guess.unit, ""
    if not unit and not in_cells:
        unit = _title_unit(context, measure)
        said = f", the unit is the title's ({unit})" if unit else ""
    if not unit and not in_cells:
        possible = plausible_units(measure, values)
        if len(possible) > 1:
            return replace(
                guess,
                unit=UNKNOWN_UNIT,
                units=possible,
                reason=f"{guess.reason}; no unit is stated: {' or '.join(possible)}",
            )
        unit = possible[0] if possible else measure.unit
        said = f", the unit is the codebook's ({unit})" if unit == measure.unit else f", only {unit} fits the values"
    if in_cells or needs_tip(unit, measure):
        return replace(guess, unit="" if in_cells else unit, reason=guess.reason)
    factor = conversion_factor(unit, measure.unit) or 1.0
    inside = float(np.mean((values * factor >= measure.low) & (values * factor <= measure.high)))
    if inside < 0.5:
        return _given_up(guess, f"the values do not look like {measure.name}")
    return replace(guess, unit=unit, reason=f"{guess.reason}{said}; {inside:.0%} of the values are plausible")


def _title_unit(context: _Context, measure: Measure) -> str:
    """The unit that the nearest title or legend with a fitting one names."""
    for title in (*context.around.titles, *context.around.legend.values()):
        unit = read_header(title, context.words).unit
        if unit and fits_unit(unit, measure):
            return unit
    return ""


def _given_up(guess: Guess, reason: str) -> Guess:
    """The guess as a column that is not used, with the reason."""
    return replace(guess, means="(not used)", phase="", confidence="unsure", reason=reason)


def _one_column_each(guesses: Sequence[Guess]) -> list[Guess]:
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
                guess = _given_up(guess, f'"{seen[key]}" is the same measure, side and phase')
        if guess.confidence != "unsure":
            seen[key] = guess.column
        settled.append(guess)
    return settled
