"""From a proposal to choices to a preview: what a screen or a terminal shows of how a sheet was understood.

proposal = propose_columns(path)
columns_shown(proposal, tables)             # a short table: column, what it is, three of its values, how sure
said = tomllib.loads(proposal.to_toml())    # the content of a columns.toml
said = with_answers(said, choice.settings)  # as often as questions are answered
preview(path, said)                         # the first readings as they are then
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from textwrap import shorten
from typing import TYPE_CHECKING, Any

import pandas as pd

from toolkit.records.codebook import Codebook, load_codebook
from toolkit.records.propose import Proposal
from toolkit.records.raw_table import RawTable
from toolkit.records.texts import clean_text, distinct

if TYPE_CHECKING:
    from toolkit.records.records import Records

_SURE = {"certain": "sure", "likely": "likely", "unsure": "?"}
_NARROWEST = 8
_SHOWN = (
    "client",
    "date",
    "visit",
    "region",
    "measure",
    "measured_side",
    "before",
    "before_2",
    "after_wait",
    "after",
    "unit",
)


def columns_shown(proposal: Proposal, tables: Sequence[RawTable], *, codebook: Codebook | None = None) -> pd.DataFrame:
    """One row a column: column, what it is taken for, three of its values, how sure that is.

    Args:
        proposal: what the columns seem to mean.
        tables: the file's tables as they were read.
        codebook: names of measures in words; the project's own when None.

    Returns:
        Columns column, is, holds, sure.
    """
    book = codebook or load_codebook()
    cells = {str(header): table.cells[header] for table in reversed(tables) for header in table.cells.columns}
    rows = []
    for guess in proposal.guesses.to_dict("records"):
        header = str(guess["column"])
        texts = [clean_text(text) for text in distinct(cells[header])[1]] if header in cells else []
        holds = ", ".join([text for text in texts if text][:3])
        rows.append({"column": header, "is": _meaning(guess, book), "holds": holds, "sure": _sure(guess)})
    return pd.DataFrame(rows, columns=["column", "is", "holds", "sure"])


def _sure(guess: Mapping[Any, Any]) -> str:
    """How sure a guess is: a comment is surely not used."""
    return "sure" if guess["reason"] in ("a comment", "computed from others") else _SURE[str(guess["confidence"])]


def _meaning(guess: Mapping[Any, Any], codebook: Codebook) -> str:
    """What a column is taken for, in a few words."""
    if not guess["phase"]:
        return str(guess["means"]).replace("_", " ").replace("(not used)", "not used")
    measure = "measure of the row" if guess["means"] == "measure" else codebook.label("measure", str(guess["means"]))
    sides = {"none": "", "treated_side": "treated side", "measured_side": "tested side"}
    unit = "" if guess["unit"] in ("", "points", "yes_no") else str(guess["unit"]).replace("?", "unit?")
    parts = (measure, sides.get(guess["side"], guess["side"]), str(guess["phase"]).replace("_", " "), unit)
    return ", ".join(part for part in parts if part)


def as_lines(table: pd.DataFrame, *, width: int = 80, cut: str = "holds") -> str:
    """A table of texts as lines of at most `width` signs; the column `cut` gives way first.

    Example:
        >>> print(as_lines(pd.DataFrame({"column": ["Pt #"], "holds": ["101, 102, 103"]}), width=16))
        column  holds
        Pt #    101, 10…
    """
    texts = [[_text(value) for value in row] for row in table.to_numpy(dtype=object).tolist()]
    rows = [[str(name) for name in table.columns], *texts]
    lengths = dict(zip(rows[0], (max(map(len, column)) for column in zip(*rows, strict=True)), strict=True))
    free = width - 2 * (len(lengths) - 1)
    while (over := sum(lengths.values()) - free) > 0:
        first = cut if lengths.get(cut, 0) > _NARROWEST else max(lengths, key=lambda name: lengths[name])
        lengths[first] -= min(over, max(lengths[first] - _NARROWEST, 1)) if first == cut else 1
    return "\n".join("  ".join(map(_fitted, row, lengths.values())).rstrip() for row in rows)


def _text(value: Any) -> str:
    """A cell as it is shown: numbers without needless digits, nothing where nothing is known."""
    if isinstance(value, str):
        return value
    return "" if pd.isna(value) else f"{value:g}"


def _fitted(text: str, size: int) -> str:
    """A text in a field of a fixed width."""
    return text.ljust(size) if len(text) <= size else f"{text[: size - 1]}…"


def preview(source: str | Path | pd.DataFrame, said: Mapping[str, Any], *, rows: int = 5) -> pd.DataFrame:
    """The first readings of a sheet as they are read with some choices; one row that says why where they cannot be.

    Args:
        source: the export.
        said: the content of a columns.toml.
        rows: how many rows.
    """
    from toolkit.errors import ToolkitError
    from toolkit.records.records import load_records

    try:
        records = load_records(source, columns=dict(said))
    except ToolkitError as refusal:
        return pd.DataFrame({"not read": [shorten(str(refusal), 300)]})
    return first_readings(records, rows=rows)


def first_readings(records: Records, *, rows: int = 5) -> pd.DataFrame:
    """The first rows of records with the columns that hold something."""
    frame = records.readings.head(rows)
    shown = [name for name in _SHOWN if name in frame and frame[name].notna().any()]
    frame = frame[shown].copy()
    frame["measure"] = [records.codebook.label("measure", str(name)) for name in frame["measure"]]
    frame = frame.rename(columns={"measured_side": "side"})
    if "date" in frame:
        frame["date"] = frame["date"].dt.strftime("%d %b %Y")
    return frame.drop(columns="visit", errors="ignore") if "date" in frame else frame
