"""What becomes of one column of an office export: pseudonyms, days, coarser, kept, or left out, with the reason.

Nothing is kept that is not known: a column stays where the codebook explains it (a reading, a word of the codebook), or
where the user says so by its name. Direct identifiers never stay.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from toolkit.errors import SheetError
from toolkit.privacy.known_words import READING, KnownWords
from toolkit.records.dates import looks_like_dates
from toolkit.records.personal_words import personal_kind
from toolkit.records.safe_harbour import Kind, kind_in_cell, kind_of_column
from toolkit.records.texts import clean_text, distinct, plain, words_of
from toolkit.records.values import MISSING_WORDS, NO_WORDS, YES_WORDS, says_same, yes_or_no

OLDEST = 90
ROLES = {"practitioner": "person", "examiner": "person", "site": "site", "session_id": "visit"}
_WHY_ROLE = {"visit": "a number that other systems know", "site": "a place", "person": "a name or initials of staff"}
_PLACES = frozenset(words_of("site clinic branch practice standort praxis cabinet sede klinik clínica klinika"))
_SESSIONS = frozenset(words_of("session visit appointment sitzung termin séance sesión seduta sessie sessão wizyta"))
_NUMERIC = (READING, "value", "reading", "comfort", "minutes", "day")
_EVENTS = ("adverse event", "adverse events", "side effects", "incident", "incidents")
_NUMBER = re.compile(
    r"[+\-−<>~≈]?\s?(?:\d{1,5}(?:[.,]\d{1,17})?|[.,]\d{1,17})\s?(?:[-–/]\s?\d{1,5}(?:[.,]\d{1,17})?)?\s?[^\d\s]{0,10}"
)
_MOST_WORDS, _LONGEST = 4, 40
_REWORDED = ("region", "intervention", "measure")
_TITLES = frozenset(
    words_of(
        "mr mrs ms miss mister dr doc prof sir madam frau herr fr hr mme mlle monsieur madame sra sr srta don doña dra "
        "signora signor sig mevr mevrouw dhr meneer dona fru hr pan pani rouva herra paní bay bayan domnul doamna"
    )
)
_OF_SOMEBODY = _TITLES | frozenset(
    words_of(
        "like wie comme como come jak jako som zoals ninkuin gibi ca bei chez for für pour para per voor för dla pro"
    )
)
_BIRTH_YEAR = re.compile(r"(?<!\d)19[2-9]\d(?!\d)|['’]\d{2}(?!\d)")
_LOOKED_AT = 2000
Change = Callable[[str], str]


@dataclass(frozen=True, kw_only=True, eq=False)
class Decision:
    """What is done to one column.

    `change` turns each text into what is kept, None where the column is left out or made elsewhere; `role` is set
    where it becomes pseudonyms; `describes` is "person" where it describes the client, "perhaps" where it may;
    `cells_removed` counts cells that are emptied; `look` says what a person must still look at, "" where nothing.
    """

    column: str
    done: str
    why: str
    change: Change | None = None
    role: str = ""
    describes: str = ""
    cells_removed: int = 0
    look: str = ""


@dataclass(frozen=True, kw_only=True, eq=False)
class Rules:
    """What is known of an export.

    Who and when, what each header is understood as, the headers that the user's own columns.toml names (`told`), the
    wishes, words of names, and words of the codebook.
    """

    who: Sequence[str]
    when: str
    means: Mapping[str, str]
    told: frozenset[str]
    keep: Sequence[str]
    names: frozenset[str]
    words: KnownWords


def decide(header: str, cells: pd.Series, people: pd.Series, *, rules: Rules) -> Decision:
    """What becomes of one column.

    Parameters
    ----------
    header : str
        As the user wrote it.
    cells, people : pandas.Series
        Its texts (categorical), and whose row it is.
    rules : Rules
        What is known of the export.

    Raises
    ------
    SheetError
        The user wants to keep a direct identifier.
    """
    if header in rules.who:
        return Decision(column=header, done="pseudonym", why="says who the client is; now in the column client")
    if header == rules.when:
        return Decision(column=header, done="days", why="now in the column day, days since the client's first visit")
    named, texts = personal_kind(header), _some_of(_filled(cells))
    field = _sure(header, rules.means.get(header, ""), named, rules.told)
    if plain(header).replace(" ", "_") != field or field == "":
        kind = kind_of_column(header, texts if field not in ROLES else [])
        if kind is not None and not (field in ROLES and named in ("staff", "")):
            return _left_out(header, kind, rules.keep)
    if rules.means.get(header) == "examiner_blinded":
        return _kept(header, cells, "yes or no", _yes_or_no)
    if field in ROLES or named == "staff":
        role = ROLES.get(field, "person")
        return Decision(
            column=header, done="pseudonym", why=_WHY_ROLE[role], change=str, role=role, describes="perhaps"
        )
    if field == "adverse_event" or plain(header) in _EVENTS:
        why = "free text; kept is whether there was an event"
        return Decision(column=header, done="coarser", why=why, change=_event)
    if named == "ages":
        return _ages(header, cells)
    if not texts:
        return Decision(column=header, done="left out", why="empty")
    return _known(header, field, cells, people, texts, rules) if field else _unknown(header, cells, texts, rules)


def _sure(header: str, field: str, named: str, told: frozenset[str]) -> str:
    """The field, "" where a person, place or session is only guessed from values: what is not known is not kept."""
    if field not in ROLES or header in told or plain(header).replace(" ", "_") == field:
        return field
    words = set(plain(header).split())
    sure = {"person": named == "staff", "site": bool(words & _PLACES), "visit": bool(words & _SESSIONS)}
    return field if sure[ROLES[field]] else ""


def _left_out(header: str, kind: Kind, keep: Sequence[str]) -> Decision:
    """A direct identifier: left out, and never kept on request."""
    if header in keep:
        raise SheetError(
            f"The column “{header}” looks like {kind.name} (45 CFR 164.514(b)(2)(i)({kind.letter})) and is not kept. "
            "If it is something else, give it another header first."
        )
    why = f"looks like {kind.name}, 45 CFR 164.514(b)(2)(i)({kind.letter})"
    return Decision(column=header, done="left out", why=why)


def _known(header: str, field: str, cells: pd.Series, people: pd.Series, texts: list[str], rules: Rules) -> Decision:
    """A column that the codebook explains: numbers of a reading, or words of a field."""
    if field in _NUMERIC:
        return _kept(header, cells, "numbers of a reading", _number_or_nothing)
    if header in rules.keep:
        return _asked_for(header, cells, texts, rules)
    if field == "time_of_day":
        return Decision(column=header, done="left out", why="when in the day somebody came")
    codes, all_texts = distinct(cells)
    shared = _shared(codes, all_texts, people)
    own = reworded = 0

    def change(text: str) -> str:
        said = clean_text(text)
        if rules.words.knows(field, said):
            more = rules.words.says_more(field, said) or _names_somebody(said, rules.names)
            return rules.words.in_its_words(field, said) if more and field in _REWORDED else "" if more else text
        fits = said in shared and len(said) <= _LONGEST and len(said.split()) <= _MOST_WORDS
        return text if fits and not _tells(said, rules.names) and not _compares(said) else ""

    for text in all_texts:
        said = clean_text(text)
        known = rules.words.knows(field, said)
        own += bool(said and change(text) and not known)
        reworded += bool(said and known and change(text) not in ("", text))
    look = f"own words in “{header}” ({own} different)" if own else ""
    why = "words of the codebook, and own words that two clients or more share" if own else "words of the codebook"
    why += f"; {reworded} texts that said more than that are given its word alone" if reworded else ""
    return _kept(header, cells, why, change, look=look)


def _compares(text: str) -> bool:
    """Whether own words may speak of somebody: "like for …", "wie bei …", "Frau …", or a remark in brackets."""
    remarks = re.findall(r"\(([^)]*)", text)
    if any(len(said.split()) > 2 or re.search(r"[^\W\d_a-z][a-z]", said) for said in remarks):
        return True
    return bool({word.casefold() for word in re.findall(r"[^\W\d_]+", text)} & _OF_SOMEBODY)


def _unknown(header: str, cells: pd.Series, texts: list[str], rules: Rules) -> Decision:
    """A column that nothing explains: left out, unless the user wants it."""
    if _share(texts, looks_like_dates) >= 0.5:
        if header in rules.keep:
            raise SheetError(f"The column “{header}” holds dates and is not kept; only days since the first visit are.")
        return Decision(column=header, done="left out", why="dates, 45 CFR 164.514(b)(2)(i)(C)")
    if header in rules.keep:
        return _asked_for(header, cells, texts, rules)
    what = "numbers" if _share(texts, _is_number) >= 0.8 else "text"
    why = f"{what} that the codebook does not explain; if it may stay, name it with --keep"
    return Decision(column=header, done="left out", why=why)


def _asked_for(header: str, cells: pd.Series, texts: list[str], rules: Rules) -> Decision:
    """A column kept by its name: cells that tell who somebody is are emptied all the same."""
    look = f"“{header}”, kept as asked"
    if _share(texts, _is_number) >= 0.8:
        return _kept(header, cells, "numbers, kept as asked", _number_or_nothing, describes="perhaps", look=look)

    def change(text: str) -> str:
        return "" if _tells(clean_text(text), rules.names) else text

    return _kept(header, cells, "kept as asked", change, describes="perhaps", look=look)


def _kept(header: str, cells: pd.Series, why: str, change: Change, *, describes: str = "", look: str = "") -> Decision:
    """A column that stays, with the count of cells that are emptied."""

    def without_missing(text: str) -> str:
        cleaned = clean_text(text)
        if cleaned.casefold() in MISSING_WORDS and cleaned.casefold() != "none":
            return ""
        return change(text)

    codes, texts = distinct(cells)
    missing = MISSING_WORDS - {"none"}
    emptied = [bool(said := clean_text(text)) and said.casefold() not in missing and not change(text) for text in texts]
    removed = int(np.array(emptied, dtype=bool)[codes].sum()) if len(texts) else 0
    return Decision(
        column=header,
        done="kept",
        why=why,
        change=without_missing,
        describes=describes,
        cells_removed=removed,
        look=look,
    )


def _tells(text: str, names: frozenset[str]) -> bool:
    """Whether a cell in a kept column would tell who somebody is: an identifier, a date, somebody's name."""
    if not text:
        return False
    if kind_in_cell(text) is not None or looks_like_dates(text):
        return True
    return _has_long_code(text) or _names_somebody(text, names)


def _has_long_code(text: str) -> bool:
    """Whether a number or code of seven digits or more, or of eight signs with five digits, stands in a text."""
    for found in re.findall(r"[0-9A-Za-z]+", re.sub(r"[ .\-/]", "", text)):
        digits = sum(sign.isdigit() for sign in found)
        if digits >= 7 or (digits >= 5 and len(found) >= 8):
            return True
    return False


def _names_somebody(text: str, names: frozenset[str]) -> bool:
    """Whether a word of somebody's name stands in a text."""
    return any(word.casefold() in names for word in re.findall(r"[^\W\d_]{3,}", text))


def _number_or_nothing(text: str) -> str:
    """A reading as it stands; nothing for anything else."""
    return text if _is_number(text) else ""


def _ages(header: str, cells: pd.Series) -> Decision:
    """Ages: whole numbers, 90 for 90 and more; anything else emptied."""

    def change(text: str) -> str:
        found = re.fullmatch(r"[>≥]?\s?(\d{1,3})(?:[.,]\d{1,9})?\+?", clean_text(text))
        return str(min(int(found.group(1)), OLDEST)) if found else ""

    codes, texts = distinct(cells)
    lost = np.array([bool(clean_text(text)) and not change(text) for text in texts], dtype=bool)
    removed = int(lost[codes].sum()) if len(texts) else 0
    why = "90 stands for 90 and more, 45 CFR 164.514(b)(2)(i)(C)"
    return Decision(column=header, done="coarser", why=why, change=change, describes="person", cells_removed=removed)


def _yes_or_no(text: str) -> str:
    """Whether the examiner knew: yes, no or unknown; any other word may name somebody."""
    said = clean_text(text)
    return text if yes_or_no(said) is not None or plain(said) == "unknown" else ""


def _event(text: str) -> str:
    """Whether there was an adverse event: none, reported, or nothing written."""
    said = clean_text(text).casefold()
    if not said:
        return ""
    nothing = {"nothing", "nil", "keine", "kein", "nichts", "aucun", "aucune", "rien", "ninguno", "ninguna", "nada"}
    nothing |= {"nessuno", "nessuna", "niente", "geen", "niets", "nenhum", "nenhuma", "brak", "inga", "ingen", "ei"}
    return "none" if said in MISSING_WORDS | NO_WORDS | nothing | {"žádné", "žádný"} else "reported"


def _is_number(text: str) -> bool:
    """Whether a cell is a reading: a number, perhaps with a unit or a range, or yes, no or a word for missing."""
    said = clean_text(text)
    known = said.casefold() in YES_WORDS | NO_WORDS | MISSING_WORDS or says_same(said)
    return known or _NUMBER.fullmatch(said) is not None


def _shared(codes: np.ndarray, texts: list[str], people: pd.Series) -> frozenset[str]:
    """The texts that stand with two clients or more."""
    pairs = pd.DataFrame({"text": codes, "who": people.to_numpy()})
    counts = pairs[pairs["who"] != ""].groupby("text")["who"].nunique()
    return frozenset(clean_text(texts[int(place)]) for place in counts.index[counts >= 2])


def names_in(header: str, names: frozenset[str]) -> bool:
    """Whether a header holds somebody's name or another identifier: a title with a name, a year of birth."""
    said = clean_text(header)
    words = [word.casefold() for word in re.findall(r"[^\W\d_]+", said)]
    titled = any(word in _TITLES for word in words[:-1])
    return _tells(said, names) or titled or _BIRTH_YEAR.search(said) is not None


def names_from(header: str, field: str) -> bool:
    """Whether a column's texts are names, by which cells and headers are searched."""
    return field in ("practitioner", "examiner") or personal_kind(header) in ("names", "contacts", "referrers", "staff")


def _filled(cells: pd.Series) -> list[str]:
    """The distinct non-empty values of a column, cleaned."""
    return list(dict.fromkeys(text for one in cells.cat.categories if (text := clean_text(str(one)))))


def _some_of(texts: list[str]) -> list[str]:
    """At most a few thousand values, spread over the column, by which its kind is judged."""
    return texts[:: 1 + len(texts) // _LOOKED_AT]


def _share(texts: list[str], test: Callable[[str], bool]) -> float:
    """The share of `texts` that pass a test."""
    return sum(test(text) for text in texts) / len(texts)
