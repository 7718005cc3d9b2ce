"""A columns.toml proposed from an export's own headers and values, for the user to look at before it is used."""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path

import pandas as pd

from toolkit.records.codebook import Codebook, load_codebook
from toolkit.records.dates import proven_order
from toolkit.records.field_words import field_of_header, field_of_values, values_agree
from toolkit.records.header_words import read_header
from toolkit.records.mapping import READING_FIELDS, Mapping, ReadingColumn
from toolkit.records.named_fields import named_fields
from toolkit.records.propose_readings import Guess, guess_readings
from toolkit.records.raw_table import RawTable, clean_text
from toolkit.records.reading_files import read_file, read_frame
from toolkit.records.texts import distinct
from toolkit.result import Shown

_ORDER_OF_TRUST = ("certain", "likely", "unsure")


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
        return self.guesses

    def to_toml(self) -> str:
        """The proposal as the text of a columns.toml; what is unsure stands in comments."""
        mapping = self.mapping
        lines = ["# What each column means. Please check; write over what is wrong.", f'layout = "{mapping.layout}"']
        if mapping.date_order:
            lines.append(f'date_order = "{mapping.date_order}"')
        lines += [f"{name} = {quoted(header)}" for name, header in mapping.fields.items()]
        lines += [f"# not understood: {quoted(row.column)} ({row.reason})" for row in self._unsure()]
        for one in mapping.readings:
            lines += ["", "[[readings]]", f"column = {quoted(one.column)}", f'measure = "{one.measure}"']
            lines += [f'side = "{one.side}"', f'phase = "{one.phase}"']
            lines += [f'unit = "{one.unit}"'] if one.unit else []
        return "\n".join(lines) + "\n"

    def _unsure(self) -> Iterable[Guess]:
        rows = self.guesses[self.guesses["confidence"] == "unsure"].to_dict("records")
        return [Guess(**{str(key): str(value) for key, value in row.items()}) for row in rows]


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
    table = read_frame(source) if isinstance(source, pd.DataFrame) else read_file(Path(source))[0]
    return propose_for_table(table, codebook=codebook or load_codebook())


def propose_for_table(table: RawTable, *, codebook: Codebook) -> Proposal:
    """The proposal for a table that was read already."""
    cells = table.cells
    guesses = [
        Guess(column=header, means=field, confidence="certain", reason="the toolkit's own name")
        for field, header in named_fields(table).items()
    ]
    taken = {guess.column for guess in guesses}
    readings = guess_readings(cells, codebook, taken=taken)
    guesses += readings
    taken |= {guess.column for guess in readings}
    guesses += _guess_fields(cells.drop(columns=list(taken)), {guess.means for guess in guesses}, codebook)
    taken = {guess.column for guess in guesses}
    guesses += [
        Guess(column=str(header), means="(not used)", confidence="unsure", reason="no known word in the header")
        for header in cells.columns
        if header not in taken
    ]
    order = {str(header): place for place, header in enumerate(cells.columns)}
    guesses.sort(key=lambda guess: order[guess.column])
    frame = pd.DataFrame([guess.__dict__ for guess in guesses])
    return Proposal(file=table.file, mapping=_mapping_of(guesses, cells), guesses=frame)


def _guess_fields(cells: pd.DataFrame, known: set[str], codebook: Codebook) -> list[Guess]:
    """Guesses for columns that hold no readings; of two for one field the better wins, the other is left unsure."""
    best: dict[str, Guess] = {}
    lost: list[Guess] = []
    for header in map(str, cells.columns):
        guess = _guess_field(header, cells[header], codebook)
        if guess is None:
            continue
        rival = best.get(guess.means)
        better = rival is None or _ORDER_OF_TRUST.index(guess.confidence) < _ORDER_OF_TRUST.index(rival.confidence)
        loser = rival if better else guess
        if guess.means in known:
            lost.append(_unused(guess, f"another column is {guess.means} already"))
            continue
        if better:
            best[guess.means] = guess
        if loser is not None:
            lost.append(_unused(loser, f"another column fits {guess.means} better"))
    return [*best.values(), *lost]


def _unused(guess: Guess, reason: str) -> Guess:
    """The guess given up."""
    return replace(guess, means="(not used)", confidence="unsure", reason=reason)


def _guess_field(header: str, column: pd.Series, codebook: Codebook) -> Guess | None:
    """The guess for one column: by its header's words, else by its values."""
    words = read_header(header)
    field = field_of_header(header)
    if field is None and words.phase and not words.rest and words.side == "none":
        field = "before_2" if words.phase == "before" and words.repeat == 2 else words.phase
        return Guess(column=header, means=field, confidence="likely", reason=f"the header says {field}")
    if field is not None:
        agree = values_agree(field, column, codebook)
        if agree is False and (other := field_of_values(column, codebook)) is not None and other != field:
            return Guess(column=header, means=other, confidence="likely", reason=f"the values are those of {other}")
        if agree is False and field in ("date", "treated_side", "measured_side", "phase", "value"):
            return Guess(
                column=header,
                means="(not used)",
                confidence="unsure",
                reason=f"the header says {field}, the values do not",
            )
        sure = "certain" if agree else "likely"
        return Guess(
            column=header,
            means=field,
            confidence=sure,
            reason="the header says so" + (", the values agree" if agree else ""),
        )
    by_values = field_of_values(column, codebook)
    if by_values is None:
        return None
    return Guess(column=header, means=by_values, confidence="likely", reason=f"the values are those of {by_values}")


def _mapping_of(guesses: list[Guess], cells: pd.DataFrame) -> Mapping:
    """The mapping made of the guesses that are certain or likely."""
    used = [guess for guess in guesses if guess.confidence != "unsure"]
    readings = tuple(
        ReadingColumn(column=guess.column, measure=guess.means, side=guess.side, phase=guess.phase, unit=guess.unit)
        for guess in used
        if guess.phase
    )
    fields = {guess.means: guess.column for guess in used if not guess.phase}
    layout = _layout(fields, readings)
    if layout != "session_rows":
        readings = ()
    if layout == "wide" and "treated_side" in fields:
        fields.setdefault("measured_side", fields["treated_side"])
    order = ""
    if "date" in fields:
        order = proven_order(clean_text(text) for text in distinct(cells[fields["date"]])[1])[0]
    date_order = order if order in ("day_first", "month_first") else ""
    unused = tuple(guess.column for guess in guesses if guess.confidence == "unsure")
    return Mapping(
        layout=layout, fields=fields, readings=readings, date_order=date_order, ignored=unused, origin="proposed"
    )


def _layout(fields: dict[str, str], readings: tuple[ReadingColumn, ...]) -> str:
    """The layout that the understood columns make."""
    if "phase" in fields and "value" in fields:
        return "long"
    if any(name in fields for name in READING_FIELDS) and ("measure" in fields or not readings):
        return "wide"
    return "session_rows" if readings else "wide"
