"""A columns.toml proposed from an export's own headers and values, for the user to look at before it is used."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Container, Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import pandas as pd

from toolkit.records.codebook import Codebook, load_codebook
from toolkit.records.dates import proven_order, with_year
from toolkit.records.field_words import is_serial_day, values_agree
from toolkit.records.header_words import read_header
from toolkit.records.lexicon import fold
from toolkit.records.mapping import READING_FIELDS, Mapping, ReadingColumn, named_fields
from toolkit.records.pairs import pairs_apart
from toolkit.records.propose_fields import constants_of, guess_fields, said_by_sheet
from toolkit.records.propose_questions import questions_of
from toolkit.records.propose_readings import (
    ROW_MEASURE,
    ROW_PHASE,
    ROW_SIDE,
    TESTED_SIDE,
    Guess,
    guess_readings,
    measures_in_cells,
)
from toolkit.records.raw_table import Around, RawTable
from toolkit.records.reading_files import read_file, read_frame
from toolkit.records.surroundings import order_of, values_of, years_in
from toolkit.records.texts import clean_text, distinct
from toolkit.records.vocabulary import side_in
from toolkit.result import Shown

Words = dict[str, dict[str, str]]
_NUMBERED = ("reading", "value", "day", "visit")


@dataclass(frozen=True, kw_only=True, eq=False)
class Proposal(Shown):
    """What each column seems to mean, how sure that is, and why. `mapping` holds what is certain or likely."""

    file: str
    mapping: Mapping
    guesses: pd.DataFrame

    def sentence(self) -> str:
        """How many columns were understood, and which were not."""
        counts = self.guesses["confidence"].value_counts()
        unsure = self.guesses.loc[self.guesses["confidence"] == "unsure", "column"].tolist()
        said = (
            f"{self.file}: {counts.get('certain', 0)} columns are understood, {counts.get('likely', 0)} probably, "
            f"{len(unsure)} not; layout {self.mapping.layout.replace('_', ' ')}."
        )
        return f"{said} Please look at: {', '.join(unsure)}." if unsure else said

    def table(self) -> pd.DataFrame:
        """One row a column: column, means, side, phase, unit, confidence, reason."""
        return self.guesses.drop(columns=["units", "named", "options", "told_phase"])

    def to_toml(self) -> str:
        """The proposal as the text of a columns.toml; what is unsure stands in comments."""
        unsure = [(guess.column, guess.reason) for guess in self.unsure()]
        return mapping_toml(self.mapping, unsure=unsure)

    def unsure(self) -> list[Guess]:
        """The columns that nothing certain or likely was made of."""
        rows = self.guesses[self.guesses["confidence"] == "unsure"].to_dict("records")
        return [Guess(**{str(key): value for key, value in row.items()}) for row in rows]


def mapping_toml(mapping: Mapping, *, unsure: Iterable[tuple[str, str]] = ()) -> str:
    """A mapping as the text of a columns.toml.

    Args:
        mapping: what the columns mean.
        unsure: (header, reason) of columns that are not understood, written as comments.
    """
    lines = ["# What each column means. Please check; write over what is wrong."]
    lines += [f'layout = "{mapping.layout}"'] if mapping.layout else []
    lines += [f"{key} = {quoted(told) if isinstance(told, str) else told}" for key, told in mapping.settings.items()]
    for name in ("date_order", "decimal"):
        lines += [f'{name} = "{getattr(mapping, name)}"'] if getattr(mapping, name) else []
    lines += [f'year = "{mapping.year}"'] if mapping.year else []
    lines += [f"tip_cm2 = {mapping.tip_cm2:g}"] if mapping.tip_cm2 else []
    lines += [f"missing = [{', '.join(map(quoted, mapping.missing))}]"] if mapping.missing else []
    lines += [f"{name} = {quoted(header)}" for name, header in mapping.fields.items()]
    lines += [f"# not understood: {quoted(column)} ({reason})" for column, reason in unsure]
    if mapping.constants:
        lines += ["", "[constants]", *(f"{name} = {quoted(text)}" for name, text in mapping.constants.items())]
    if mapping.units:
        lines += ["", "[units]", *(f"{name} = {quoted(unit)}" for name, unit in mapping.units.items())]
    for name, words in mapping.values.items():
        lines += ["", f"[values.{name}]", *(f"{quoted(theirs)} = {quoted(ours)}" for theirs, ours in words.items())]
    for one in mapping.readings:
        lines += ["", "[[readings]]", f"column = {quoted(one.column)}", f'measure = "{one.measure}"']
        lines += [f'side = "{one.side}"', f'phase = "{one.phase}"']
        lines += [f'unit = "{one.unit}"'] if one.unit else []
    return "\n".join(lines) + "\n"


def quoted(text: str) -> str:
    """A text as a TOML string."""
    return json.dumps(text, ensure_ascii=False)


def propose_columns(source: str | Path | pd.DataFrame, *, codebook: Codebook | None = None) -> Proposal:
    """Propose what each column of an export means, from the words of its headers and its values.

    Args:
        source: the export, or its rows as a DataFrame.
        codebook: measures, regions and words; the project's own when None.

    Raises:
        ExportError: the file cannot be read.

    Example:
        >>> sheet = pd.DataFrame({"Patient code": ["K1"], "Date": ["2026-03-04"], "Technique": ["massage"],
        ...     "Neck rot L pre": [60], "Neck rot L post": [64]})
        >>> [one.phase for one in propose_columns(sheet).mapping.readings]
        ['before', 'after']
    """
    book = codebook or load_codebook()
    tables = [pairs_apart(read_frame(source))] if isinstance(source, pd.DataFrame) else read_file(Path(source))
    first, *others = (propose_for_table(table, codebook=book) for table in _different(tables))
    return _together(first, others) if len(tables) > 1 else first


def _different(tables: Sequence[RawTable]) -> list[RawTable]:
    """The tables of a file, of those with the same headers only the first two."""
    seen: Counter[tuple[str, ...]] = Counter()
    chosen = []
    for table in tables:
        headers = tuple(map(str, table.cells.columns))
        seen[headers] += 1
        if seen[headers] < 3:
            chosen.append(table)
    return chosen


def _together(first: Proposal, others: Sequence[Proposal]) -> Proposal:
    """One proposal for the tables of a file: columns of all; what stands above one table is not said of the others."""
    mapping, guesses = first.mapping, [first.guesses]
    known = set(first.guesses["column"])
    for other in others:
        theirs = other.mapping
        fresh = other.guesses[~other.guesses["column"].isin(known)]
        guesses.append(fresh)
        new = set(fresh["column"])
        known |= new
        mapping = replace(
            mapping,
            fields={**{name: header for name, header in theirs.fields.items() if header in new}, **mapping.fields},
            readings=(*mapping.readings, *(one for one in theirs.readings if one.column in new)),
            constants={name: text for name, text in mapping.constants.items() if theirs.constants.get(name) == text},
            values=_both(theirs.values, mapping.values),
            year=mapping.year if mapping.year == theirs.year else "",
            asked=(*mapping.asked, *(one for one in theirs.asked if one not in mapping.asked)),
        )
    return replace(first, mapping=mapping, guesses=pd.concat(guesses, ignore_index=True))


def _both(first: Words, second: Words) -> Words:
    """Two sets of [values] tables as one; the second counts where both speak."""
    return {name: {**first.get(name, {}), **second.get(name, {})} for name in {*first, *second}}


def propose_for_table(table: RawTable, *, codebook: Codebook) -> Proposal:
    """The proposal for a table that was read already."""
    cells = table.cells
    guesses = [
        Guess(column=header, means=field, confidence="certain", reason="the toolkit's own name")
        for field, header in named_fields(table).items()
        if field not in _NUMBERED or values_agree(field, cells[header], codebook) is not False
    ]
    taken = {guess.column for guess in guesses}
    by_row = _has_measure_column(table, codebook, taken)
    readings = guess_readings(table, codebook, taken=taken, by_row=by_row)
    if not any(guess.means == ROW_MEASURE and guess.side != "none" for guess in readings):
        readings = [guess for guess in readings if guess.means != ROW_MEASURE]
    if not readings:
        readings = _readings_by_phase(table, codebook, taken)
    guesses += [guess for guess in readings if guess.phase or guess.named]
    taken = {guess.column for guess in guesses}
    known = {guess.means for guess in guesses if not guess.phase}
    fields = _with_value(guess_fields(table, known, codebook, taken=taken), known, table, codebook, taken)
    guesses += fields
    taken = {guess.column for guess in guesses}
    guesses += [
        Guess(column=str(header), means="(not used)", confidence="unsure", reason="no known word in the header")
        for header in cells.columns
        if header not in taken
    ]
    order = {str(header): place for place, header in enumerate(cells.columns)}
    guesses.sort(key=lambda guess: order[guess.column])
    frame = pd.DataFrame([guess.__dict__ for guess in guesses])
    return Proposal(file=table.file, mapping=_mapping_of(guesses, table, codebook), guesses=frame)


def _with_value(
    fields: list[Guess], known: set[str], table: RawTable, codebook: Codebook, taken: Container[str]
) -> list[Guess]:
    """The guesses, with the one column of numbers left over as the value of rows that name measure and phase."""
    found = {*known, *(guess.means for guess in fields)}
    used = {guess.column for guess in fields if guess.confidence != "unsure"}
    left = [str(name) for name in table.cells.columns if str(name) not in used and str(name) not in taken]
    numeric = [name for name in left if values_agree("value", table.cells[name], codebook)]
    if not {"measure", "phase"} <= found or "value" in found or len(numeric) != 1:
        return fields
    reason = "the only numbers beside measure and phase"
    value = Guess(column=numeric[0], means="value", confidence="likely", reason=reason)
    return [*(guess for guess in fields if guess.column != numeric[0]), value]


def _readings_by_phase(table: RawTable, codebook: Codebook, taken: set[str]) -> list[Guess]:
    """The columns of readings of a sheet whose rows are phases: one names the phase, the others the measures."""
    fields = {guess.means: guess.column for guess in guess_fields(table, set(), codebook, taken=taken)}
    phased = "phase" in fields or bool(said_by_sheet(table.around or Around())[0])
    if not phased or "value" in fields or "measure" in fields:
        return []
    used = {*taken, *(header for field, header in fields.items() if field != "(not used)")}
    return guess_readings(table, codebook, taken=used, by_phase=True)


def _has_measure_column(table: RawTable, codebook: Codebook, taken: Container[str]) -> bool:
    """Whether a column names the measure of each row."""
    if "measure" in named_fields(table):
        return True
    return any(guess.means == "measure" for guess in guess_fields(table, set(), codebook, taken=taken))


def _mapping_of(guesses: list[Guess], table: RawTable, codebook: Codebook) -> Mapping:
    """The mapping made of the guesses that are certain or likely."""
    around = table.around or Around()
    used = [guess for guess in guesses if guess.confidence != "unsure" and guess.means != "(not used)"]
    fields = {guess.means: guess.column for guess in used if not guess.phase}
    constants = constants_of(table, set(fields))
    fields = _sides_told_apart(_order_by_legend(fields, table, around), table, around)
    readings = _reading_columns([guess for guess in used if guess.phase], fields, constants, table, codebook)
    layout = _layout({**constants, **fields}, readings)
    if layout == "wide" or (layout == "long" and "value" in fields):
        readings = ()
    if layout == "wide" and "treated_side" in fields and not _sides_in_measures(fields, table, around):
        fields.setdefault("measured_side", fields["treated_side"])
    headers = [one.column for one in readings] or [
        fields[name] for name in (*READING_FIELDS, "value") if name in fields
    ]
    values = values_of(table, fields, headers, codebook)
    if "measure" in fields and (cells := measures_in_cells(table, fields["measure"], codebook)):
        values["measure"] = {**cells, **values.get("measure", {})}
    date_order = _date_order(fields, table, around)
    year = "|".join(map(str, years_in(around.titles))) if "date" in fields else ""
    asked = questions_of(
        table,
        guesses=guesses,
        readings=readings,
        fields=fields,
        constants=constants,
        values=values,
        date_order=date_order,
        year=year,
        codebook=codebook,
    )
    return Mapping(
        layout=layout,
        fields=fields,
        constants=constants,
        readings=readings,
        values=values,
        date_order=date_order,
        year=year,
        language=around.language,
        ignored=tuple(guess.column for guess in guesses if guess.means == "(not used)"),
        asked=asked,
        origin="proposed",
    )


def _sides_in_measures(fields: dict[str, str], table: RawTable, around: Around) -> bool:
    """Whether the cells that name a measure name its side too ("Rotation re")."""
    if "measure" not in fields:
        return False
    texts = distinct(table.cells[fields["measure"]])[1]
    return any(read_header(text, around.words).side in ("left", "right") for text in texts)


def _order_by_legend(fields: dict[str, str], table: RawTable, around: Around) -> dict[str, str]:
    """The fields, with the order in a column whose header and codes the legend explains ("Arm X = treatment first")."""
    if "order" in fields:
        return fields
    for code, meaning in around.legend.items():
        header = next(
            (str(name) for name in table.cells.columns if fold(str(name)) == fold(code.rpartition(" ")[0])), ""
        )
        if header and header not in fields.values() and order_of(meaning, around.words):
            return {**fields, "order": header}
    return fields


def _sides_told_apart(fields: dict[str, str], table: RawTable, around: Around) -> dict[str, str]:
    """Where the regions carry their side ("L UT"), the one column of sides is that of the measurement."""
    if "region" in fields and "treated_side" in fields and "measured_side" not in fields and "measure" in fields:
        texts = [clean_text(text) for text in distinct(table.cells[fields["region"]])[1] if clean_text(text)]
        sided = [bool(side_in(text, around.words)[0]) for text in texts]
        if sided and sum(sided) >= 0.8 * len(sided):
            return {**{k: v for k, v in fields.items() if k != "treated_side"}, "measured_side": fields["treated_side"]}
    return fields


def _reading_columns(
    guesses: Sequence[Guess], fields: dict[str, str], constants: dict[str, str], table: RawTable, codebook: Codebook
) -> tuple[ReadingColumn, ...]:
    """Columns of readings; where no header of a measure that is read on each side names one, the row's side counts."""
    sided = {
        name
        for name, is_sided in zip(codebook.measures["measure"], codebook.measures["sided"], strict=True)
        if is_sided == "yes"
    }
    told = {guess.means for guess in guesses if guess.side in ("left", "right", "both")}
    from_row = (
        TESTED_SIDE
        if "measured_side" in {*fields, *constants}
        else ROW_SIDE
        if _has_side(fields, constants, table)
        else "none"
    )
    columns = []
    for guess in guesses:
        side = guess.side
        if side == "none" and guess.means not in told and (guess.means in sided or guess.means == ROW_MEASURE):
            side = from_row
        columns.append(
            ReadingColumn(column=guess.column, measure=guess.means, side=side, phase=guess.phase, unit=guess.unit)
        )
    return tuple(columns)


def _has_side(fields: dict[str, str], constants: dict[str, str], table: RawTable) -> bool:
    """Whether the rows tell which side was treated: in a column, or inside the region."""
    words = (table.around or Around()).words
    if "treated_side" in {*fields, *constants}:
        return True
    texts = distinct(table.cells[fields["region"]])[1] if "region" in fields else [constants.get("region", "")]
    return any(side_in(text, words)[0] for text in texts)


def _date_order(fields: dict[str, str], table: RawTable, around: Around) -> str:
    """The order of day and month that the values prove, or spreadsheet day numbers; "" where nothing is to be said."""
    if "date" not in fields and not around.date:
        return ""
    header = fields.get("date", "")
    cells = distinct(table.cells[header])[1] if header else [around.date]
    texts = [clean_text(text) for text in cells if clean_text(text)]
    texts = [with_year(text, "|".join(map(str, years_in(around.titles)))) for text in texts]
    order = proven_order(texts)[0]
    if order in ("day_first", "month_first"):
        return order
    if order == "either" and header in around.date_orders:
        return around.date_orders[header]
    if order == "either" and around.language != "en" and all("." in text for text in texts if proven_order([text])[0]):
        return "day_first"
    serial = [text for text in texts if is_serial_day(text)]
    return "spreadsheet_days" if not order and serial and len(serial) >= 0.5 * len(texts) else ""


def _layout(fields: dict[str, str], readings: tuple[ReadingColumn, ...]) -> str:
    """The layout that the understood columns make."""
    if "phase" in fields and ("value" in fields or (readings and all(one.phase == ROW_PHASE for one in readings))):
        return "long"
    if any(name in fields for name in READING_FIELDS) and ("measure" in fields or not readings):
        return "wide"
    return "session_rows" if readings else "wide"
