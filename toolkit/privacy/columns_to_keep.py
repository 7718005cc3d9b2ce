"""What becomes of one column of an office export: pseudonyms, days, coarser, kept, or left out, with the reason."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from toolkit.errors import SheetError
from toolkit.records.dates import looks_like_dates
from toolkit.records.mapping import FIELDS, READING_FIELDS
from toolkit.records.raw_table import clean_text, words_of
from toolkit.records.safe_harbour import Kind, kind_in_cell, kind_of_column
from toolkit.records.texts import distinct, plain
from toolkit.records.values import MISSING_WORDS, NO_WORDS, YES_WORDS

OLDEST = 90
_PEOPLE = frozenset(
    words_of("practitioner therapist clinician physio physiotherapist examiner assessor reader behandler")
)
_OF_PEOPLE = frozenset(words_of("name id code no number initials treating"))
_PLACES = frozenset(words_of("site clinic branch standort"))
_SESSIONS = ("session id", "session", "visit id", "appointment id")
_AGES = ("age", "age years", "age in years", "alter", "edad", "âge")
_PERSONAL = frozenset(
    words_of("age sex gender occupation job profession sport ethnicity nationality language height weight")
)
_EVENTS = ("adverse event", "adverse events", "side effects", "incident", "incidents")
# Fields with a closed vocabulary, or numbers: never free text, whatever their values look like.
_CODED = frozenset(FIELDS) - {
    *("session_id", "client", "practitioner", "site", "date", "examiner", "adverse_event", "setting", "head"),
}
_NUMERIC = frozenset(READING_FIELDS) | {"value", "reading", "comfort", "minutes"}
_NUMBER = re.compile(r"[+\-−<>~≈]?\s*\d+(?:[.,]\d+)?\s*(?:[-–/]\s*\d+(?:[.,]\d+)?)?\s*[^\d\s]{0,10}")
_LONG_CODE = re.compile(r"[A-Za-z]{0,3}[-/]?\d{5,}")
_MOST_WORDS, _LONGEST, _MOST_CODES = 4, 40, 50
_LOOKED_AT = 2000


@dataclass(frozen=True, kw_only=True, eq=False)
class Decision:
    """What is done to one column.

    `change` turns each text into what is kept, None where the column is left out or made elsewhere; `role` is set
    where it becomes pseudonyms; `describes` is "person" where it describes the client, "perhaps" where it may;
    `cells_removed` counts cells that are emptied.
    """

    column: str
    done: str
    why: str
    change: Callable[[str], str] | None = None
    role: str = ""
    describes: str = ""
    cells_removed: int = 0


def decide(
    header: str, cells: pd.Series, *, who: Sequence[str], when: str, keep: Sequence[str], names: frozenset[str]
) -> Decision:
    """What becomes of one column.

    Args:
        header: as the user wrote it.
        cells: categorical texts.
        who: the columns that say who the client is.
        when: the column of the session's date.
        keep: columns the user wants kept though they look like free text or unique codes.
        names: words of clients' names.

    Raises:
        SheetError: the user wants to keep a direct identifier.
    """
    if header in who:
        return Decision(column=header, done="pseudonym", why="says who the client is; now in the column client")
    if header == when:
        return Decision(column=header, done="days", why="now in the column day, days since the client's first visit")
    name, texts = plain(header), _some_of(_filled(cells))
    role = _role_of(name)
    if role:
        return Decision(
            column=header, done="pseudonym", why=_why_role(role), change=str, role=role, describes="perhaps"
        )
    if name.replace(" ", "_") not in _CODED:
        kind = kind_of_column(header, texts)
        if kind is not None:
            return _left_out(header, kind, keep)
    if name in _EVENTS:
        return Decision(
            column=header, done="coarser", why="free text; kept is whether there was an event", change=_event
        )
    if name in _AGES:
        return _ages(header, cells)
    if name == "day":
        return _kept(header, cells, names, "a number of days", "")
    return _by_values(header, name, cells, texts, keep, names)


def _role_of(name: str) -> str:
    """The role under which a column's values become pseudonyms, "" for none."""
    words = set(name.split())
    if name in _SESSIONS:
        return "visit"
    for role, known in (("site", _PLACES), ("person", _PEOPLE)):
        if words & known and words <= known | _OF_PEOPLE:
            return role
    return ""


def _why_role(role: str) -> str:
    """Why a column becomes pseudonyms."""
    told = {"visit": "a number that other systems know", "site": "a place", "person": "a name or initials of staff"}
    return told[role]


def _left_out(header: str, kind: Kind, keep: Sequence[str]) -> Decision:
    """A direct identifier: left out, and never kept on request."""
    if header in keep:
        raise SheetError(
            f"The column “{header}” looks like {kind.name} (45 CFR 164.514(b)(2)(i)({kind.letter})) and is not kept. "
            "If it is something else, give it another header first."
        )
    why = f"looks like {kind.name}, 45 CFR 164.514(b)(2)(i)({kind.letter})"
    return Decision(column=header, done="left out", why=why)


def _by_values(
    header: str, name: str, cells: pd.Series, texts: list[str], keep: Sequence[str], names: frozenset[str]
) -> Decision:
    """A column that neither its header nor the list of identifiers settles."""
    wanted, field = header in keep, name.replace(" ", "_")
    personal = "person" if set(name.split()) & _PERSONAL else ""
    if not texts:
        return Decision(column=header, done="left out", why="empty")
    if _share(texts, looks_like_dates) >= 0.5:
        if wanted:
            raise SheetError(f"The column “{header}” holds dates and is not kept; only days since the first visit are.")
        return Decision(column=header, done="left out", why="dates, 45 CFR 164.514(b)(2)(i)(C)")
    if not wanted and field not in _CODED and _unique_codes(texts):
        return Decision(column=header, done="left out", why="looks like unique numbers, 45 CFR 164.514(b)(2)(i)(R)")
    if field in _NUMERIC or _share(texts, _is_number) >= 0.8:
        return _kept(header, cells, names, "numbers", personal or ("" if field in _CODED else "perhaps"), numbers=True)
    if field in _CODED:
        return _kept(header, cells, names, "a field with words of its own", "")
    if wanted or _coded(cells, texts):
        why = "kept as asked" if wanted else "few different short values"
        return _kept(header, cells, names, why, personal or "perhaps")
    return Decision(column=header, done="left out", why="free text; if it is a code, ask for it to be kept")


def _kept(
    header: str, cells: pd.Series, names: frozenset[str], why: str, describes: str, *, numbers: bool = False
) -> Decision:
    """A column that stays, without cells that would tell who somebody is."""

    def change(text: str) -> str:
        cleaned = clean_text(text)
        if cleaned.casefold() in MISSING_WORDS and cleaned.casefold() != "none":
            return ""
        return "" if _tells(cleaned, names, numbers) else text

    codes, texts = distinct(cells)
    emptied = np.array([_tells(clean_text(text), names, numbers) for text in texts], dtype=bool)
    removed = int(emptied[codes].sum()) if len(texts) else 0
    return Decision(column=header, done="kept", why=why, change=change, describes=describes, cells_removed=removed)


def _tells(text: str, names: frozenset[str], numbers: bool) -> bool:
    """Whether a cell in a kept column would tell who somebody is: an identifier, a date, a client's name, a remark."""
    if not text:
        return False
    if kind_in_cell(text) is not None or looks_like_dates(text):
        return True
    if numbers:
        return not _is_number(text)
    return any(word.casefold() in names for word in re.findall(r"[^\W\d_]{3,}", text))


def _ages(header: str, cells: pd.Series) -> Decision:
    """Ages: whole numbers, 90 for 90 and more; anything else emptied."""

    def change(text: str) -> str:
        found = re.fullmatch(r"(\d{1,3})(?:[.,]\d+)?\+?", clean_text(text))
        return str(min(int(found.group(1)), OLDEST)) if found else ""

    codes, texts = distinct(cells)
    lost = np.array([bool(clean_text(text)) and not change(text) for text in texts], dtype=bool)
    removed = int(lost[codes].sum()) if len(texts) else 0
    why = "90 stands for 90 and more, 45 CFR 164.514(b)(2)(i)(C)"
    return Decision(column=header, done="coarser", why=why, change=change, describes="person", cells_removed=removed)


def _event(text: str) -> str:
    """Whether there was an adverse event: none, reported, or nothing written."""
    said = clean_text(text).casefold()
    if not said:
        return ""
    return "none" if said in MISSING_WORDS | NO_WORDS | {"nothing", "keine", "aucun", "ninguno"} else "reported"


def _is_number(text: str) -> bool:
    """Whether a cell is a reading: a number, perhaps with a unit or a range, or yes, no or a word for missing."""
    said = clean_text(text).casefold()
    return said in YES_WORDS | NO_WORDS | MISSING_WORDS or _NUMBER.fullmatch(clean_text(text)) is not None


def _unique_codes(texts: list[str]) -> bool:
    """Whether most values are numbers of five digits and more, as no reading is, or codes with such numbers."""
    return _share(texts, lambda text: _LONG_CODE.fullmatch(text) is not None) >= 0.8


def _coded(cells: pd.Series, texts: list[str]) -> bool:
    """Whether a column of text holds a few short values that repeat."""
    if len(texts) > _MOST_CODES or any(len(text) > _LONGEST or len(text.split()) > _MOST_WORDS for text in texts):
        return False
    filled = int((cells.astype(str).map(clean_text) != "").sum())
    return filled >= 2 * len(texts)


def _filled(cells: pd.Series) -> list[str]:
    """The distinct non-empty values of a column, cleaned."""
    return list(dict.fromkeys(text for one in cells.cat.categories if (text := clean_text(str(one)))))


def _some_of(texts: list[str]) -> list[str]:
    """At most a few thousand values, spread over the column, by which its kind is judged."""
    return texts[:: 1 + len(texts) // _LOOKED_AT]


def _share(texts: list[str], test: Callable[[str], bool]) -> float:
    """The share of `texts` that pass a test."""
    return sum(test(text) for text in texts) / len(texts)
