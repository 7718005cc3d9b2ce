"""Rows that were set aside whole, with what they still tell of their session: what was drawn does not leave unseen.

A row that cannot be used still says whose session it was, what was done and which order was drawn. The claim needs to
know: what leaves after the draw may leave because of what it showed.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable

import numpy as np
import pandas as pd

from toolkit.records.mapping import Mapping
from toolkit.records.texts import clean_text, plain
from toolkit.records.vocabulary import (
    Vocabulary,
    join_names,
    order_words,
    protocol_choices,
    side_words,
    split_several,
    yes_or_no,
)

COLUMNS = (
    "file",
    "row",
    "client",
    "session_id",
    "date",
    "practitioner",
    "intervention",
    "region",
    "order",
    "side_drawn",
    "treated_side",
    "measured_side",
    "measure",
    "reason",
)
_NOT_LOST = ("the same as ", "planned, not held yet", "a further repeat")
_EMPTY = "no reading in this row"
Read = tuple[pd.DataFrame, Mapping, Vocabulary]


def no_rows_lost() -> pd.DataFrame:
    """An empty frame of lost rows."""
    return pd.DataFrame({name: pd.Series(dtype="int64" if name == "row" else "str") for name in COLUMNS})


def lost_rows(sheets: Iterable[Read], set_aside: pd.DataFrame, *, dates: pd.Series) -> pd.DataFrame:
    """Rows set aside whole as file, row, and what their own cells say, in the toolkit's words; "" where they do not.

    Parameters
    ----------
    sheets
        Each sheet's raw rows under the toolkit's field names, its mapping and its words.
    set_aside
        What was set aside (see `Ledger`). Repeats and planned sessions are not lost; a row without any reading is
        where an order was drawn for it and its day lies among those of the rows kept.
    dates
        Days of the rows kept.
    """
    whole = set_aside[(set_aside["scope"] == "row") & ~set_aside["reason"].astype(str).str.startswith(_NOT_LOST)]
    if whole.empty:
        return no_rows_lost()
    parts = [_of_sheet(raw, whole, mapping, words) for raw, mapping, words in sheets]
    parts = [part for part in parts if len(part)]
    if not parts:
        return no_rows_lost()
    found = pd.concat(parts, ignore_index=True)[list(COLUMNS)]
    held = (found["order"] != "") & found["date"].between(dates.min(), dates.max())
    return found[held | ~found["reason"].str.startswith(_EMPTY)].reset_index(drop=True)


def _of_sheet(raw: pd.DataFrame, whole: pd.DataFrame, mapping: Mapping, words: Vocabulary) -> pd.DataFrame:
    """The lost rows of one sheet."""
    mine = whole[whole["file"] == str(raw["file"].iloc[0])] if len(raw) else whole.iloc[:0]
    found = raw[raw["row"].isin(mine["row"])]
    if found.empty:
        return no_rows_lost()
    texts = {name: [clean_text(text) for text in found[name].astype(str)] for name in COLUMNS[2:-1] if name in found}
    orders = {plain(word): order for word, order in order_words().items()} | protocol_choices(words.codebook, "order")
    sides = side_words()
    dates = pd.to_datetime(pd.Series(texts["date"]), errors="coerce", format="mixed", dayfirst=_day_first(mapping))
    frame = pd.DataFrame(
        {
            "file": found["file"].astype(str).to_numpy(),
            "row": found["row"].to_numpy(),
            "client": texts["client"],
            "date": dates.to_numpy(),
            "practitioner": texts["practitioner"],
            "intervention": [_joined(text, words.intervention) for text in texts["intervention"]],
            "region": [_joined(text, words.region) for text in texts["region"]],
            "order": [(orders | mapping.words_for("order")).get(plain(text), "") for text in texts["order"]],
            "side_drawn": [yes_or_no(text) or "" for text in texts["side_drawn"]],
            "treated_side": [sides.get(plain(text), "") for text in texts["treated_side"]],
            "measured_side": [sides.get(plain(text), "") for text in texts["measured_side"]],
            "measure": [(words.measure(text) or "") if text else "" for text in texts["measure"]],
        }
    )
    days = dates.dt.strftime("%Y-%m-%d").fillna("")
    built = [f"{client} {day}" for client, day in zip(frame["client"], days, strict=True)]
    frame["session_id"] = np.where([bool(text) for text in texts["session_id"]], texts["session_id"], built)
    reasons = mine.drop_duplicates("row").set_index("row")["reason"]
    return frame.assign(reason=frame["row"].map(reasons).astype(str))


def _day_first(mapping: Mapping) -> bool:
    return str(mapping.date_order or "").startswith("day")


def _joined(text: str, known: Callable[[str], str | None]) -> str:
    """A cell's names in the toolkit's words, joined as tidy rows join them."""
    return str(join_names([known(part) or part for part in split_several(text, known)])) if text else ""
