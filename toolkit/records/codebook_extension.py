"""A user's own additions to the codebook, from a TOML or a CSV file; every fault is told with file, line and remedy.

TOML:

    [[measures]]
    measure = "jaw_opening"
    unit = "mm"
    low = 0
    high = 80
    better = "higher"

    [words.measure]
    "mouth opening" = "jaw_opening"

CSV: one row an entry, the column `adds` says what it is (measures, regions, limits, interventions, words); a row of
words has the columns `stands_for` (measure, region or intervention), `word` and `name`.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from toolkit.errors import SheetError
from toolkit.settings import parse_toml, read_text

COLUMNS: Mapping[str, tuple[str, ...]] = {
    "measures": ("measure", "unit", "low", "high", "better"),
    "regions": ("region",),
    "limits": ("region", "measure", "side_relation"),
    "interventions": ("intervention",),
}
"""What an entry of each table must have; the first is its name."""

_OPTIONAL: Mapping[str, Mapping[str, str]] = {
    "measures": {
        "label": "",
        "body_part": "any",
        "kind": "number",
        "resolution": "1",
        "sided": "yes",
        "how_taken": "",
        "words": "",
        "source": "user's own",
    },
    "regions": {
        "label": "",
        "body_part": "any",
        "tissue": "",
        "bony_borders": "",
        "lengthened_by": "",
        "slackened_by": "",
        "words": "",
        "cautions": "",
        "source": "user's own",
    },
    "limits": {"source": "user's own"},
    "interventions": {
        "label": "",
        "what_is_done": "",
        "role": "technique",
        "words": "",
        "source": "user's own",
    },
}
_NUMBERS = ("low", "high", "resolution")
_WORD_KINDS = ("measure", "region", "intervention")
ONE_OF: Mapping[str, tuple[str, ...]] = {
    "kind": ("number", "scale", "sign"),
    "better": ("higher", "lower"),
    "sided": ("yes", "no"),
    "side_relation": ("same", "opposite", "both"),
    "role": ("technique", "comparison"),
}
_SNAKE = re.compile(r"[a-z][a-z0-9]*(_[a-z0-9]+)*")


@dataclass(frozen=True, kw_only=True)
class Entry:
    """One added entry: its table, the line where it stands, and its values by column, complete."""

    table: str
    line: int
    values: Mapping[str, str]


@dataclass(frozen=True, kw_only=True)
class Extension:
    """All that a user's file adds: entries, and words as (line, word, codebook name) by what they stand for."""

    path: Path
    added: tuple[Entry, ...] = ()
    words: Mapping[str, tuple[tuple[int, str, str], ...]] = field(default_factory=dict)

    def entries(self, table: str) -> list[Entry]:
        """The entries added to one table, in file order."""
        return [entry for entry in self.added if entry.table == table]


def read_extension(path: Path) -> Extension:
    """Read a user's codebook file.

    Args:
        path: a `.toml` or `.csv` file in UTF-8.

    Raises:
        SheetError: with file, line and what to do.
    """
    text = read_text(path)
    if path.suffix.lower() == ".toml":
        return _from_toml(path, text)
    if path.suffix.lower() == ".csv":
        return _from_csv(path, text)
    raise SheetError(f"{path.name} is neither a .toml nor a .csv file. Save your codebook additions as one of the two.")


def _from_toml(path: Path, text: str) -> Extension:
    """The additions of a TOML file."""
    document = parse_toml(text, name=path.name, example="Correct that line.")
    unknown = sorted(set(document) - {*COLUMNS, "words"})
    if unknown:
        line = _line_of(text, rf"^\s*\[*\s*{re.escape(unknown[0])}\b", 0)
        raise _fault(path, line, f"“{unknown[0]}” is not a part of the codebook", f"Use {', '.join(COLUMNS)} or words")
    added = []
    for table in COLUMNS:
        entries = document.get(table, [])
        if not isinstance(entries, list) or not all(isinstance(entry, dict) for entry in entries):
            line = _line_of(text, rf"^\s*\[*\s*{table}\b", 0)
            raise _fault(path, line, f"“{table}” is not a list of entries", f"Begin each entry with [[{table}]]")
        for place, entry in enumerate(entries):
            line = _line_of(text, rf"^\s*\[\[\s*{table}\s*\]\]", place)
            added.append(_entry(path, line, table, entry))
    return Extension(path=path, added=tuple(added), words=_toml_words(path, text, document.get("words", {})))


def _toml_words(path: Path, text: str, words: Any) -> dict[str, tuple[tuple[int, str, str], ...]]:
    """The word lists of a TOML file: [words.measure], [words.region], [words.intervention]."""
    start = _line_of(text, r"^\s*\[\s*words\b", 0)
    if not isinstance(words, dict) or not all(isinstance(listed, dict) for listed in words.values()):
        raise _fault(path, start, "[words] holds no lists of words", 'Write [words.measure] and then "word" = "name"')
    found = {}
    for kind, listed in words.items():
        if kind not in _WORD_KINDS:
            raise _fault(path, start, f"[words.{kind}] is not known", f"Use {', '.join(_WORD_KINDS)} after the dot")
        found[kind] = tuple(
            (_line_of(text, rf"^\s*[\"']?{re.escape(word)}[\"']?\s*=", 0), word, str(name))
            for word, name in listed.items()
        )
    return found


def _from_csv(path: Path, text: str) -> Extension:
    """The additions of a CSV file with the column `adds`."""
    reader = csv.DictReader(text.splitlines())
    if "adds" not in (reader.fieldnames or ()):
        raise _fault(path, 1, "there is no column “adds”", "Add it; it says measures, regions, limits, words …")
    added: list[Entry] = []
    words: dict[str, list[tuple[int, str, str]]] = {}
    for row in reader:
        line = reader.line_num
        if None in row:
            raise _fault(path, line, "this row has more cells than the header", "Put text with commas in double quotes")
        filled = {str(key).strip(): value.strip() for key, value in row.items() if value and value.strip()}
        table = filled.pop("adds", "")
        if not table and not filled:
            continue
        if table == "words":
            words.setdefault(filled.get("stands_for", ""), []).append(_csv_word(path, line, filled))
        elif table in COLUMNS:
            added.append(_entry(path, line, table, filled))
        else:
            raise _fault(path, line, f"adds “{table}” is not known", f"Use {', '.join(COLUMNS)} or words")
    return Extension(path=path, added=tuple(added), words={kind: tuple(listed) for kind, listed in words.items()})


def _csv_word(path: Path, line: int, filled: Mapping[str, str]) -> tuple[int, str, str]:
    """One row of words of a CSV file."""
    if filled.get("stands_for") not in _WORD_KINDS:
        raise _fault(path, line, "stands_for is missing or not known", f"Write one of {', '.join(_WORD_KINDS)}")
    if not filled.get("word") or not filled.get("name"):
        raise _fault(path, line, "a row of words needs word and name", "Fill both")
    return line, filled["word"], filled["name"]


def _entry(path: Path, line: int, table: str, given: Mapping[str, Any]) -> Entry:
    """One entry checked and completed with what may be left out."""
    needed, optional = COLUMNS[table], _OPTIONAL[table]
    for key in given:
        if key not in needed and key not in optional:
            raise _fault(path, line, f"“{key}” is not a column of {table}", f"Use {', '.join((*needed, *optional))}")
    values = {**optional, **{key: _text(value) for key, value in given.items()}}
    for key in needed:
        if not values.get(key):
            raise _fault(path, line, f"“{key}” is missing", f"An entry of {table} needs {', '.join(needed)}")
    _check_values(path, line, needed[0], values)
    if "label" in optional and not values["label"]:
        values["label"] = values[needed[0]].replace("_", " ")
    return Entry(table=table, line=line, values=values)


def _check_values(path: Path, line: int, key: str, values: Mapping[str, str]) -> None:
    """Refuse a name that is not snake_case, a number that is none, a word that is not one of the few allowed."""
    if not _SNAKE.fullmatch(values[key]):
        raise _fault(path, line, f"the name “{values[key]}” has other signs", "Use small letters, digits and _ only")
    for column in _NUMBERS:
        if column in values and not _is_number(values[column]):
            raise _fault(path, line, f"{column} = “{values[column]}” is not a number", "Write a number with a point")
    for column, allowed in ONE_OF.items():
        if column in values and values[column] not in allowed:
            raise _fault(path, line, f"{column} = “{values[column]}” is not known", f"Use {' or '.join(allowed)}")
    if "low" in values:
        low, high, step = (float(values[column]) for column in _NUMBERS)
        if not low < high or not 0 < step <= high - low:
            raise _fault(path, line, f"range {low:g} to {high:g} in steps of {step:g} is not a range", "Let low < high")


def _is_number(text: str) -> bool:
    """Whether `text` is one finite number."""
    return re.fullmatch(r"[+-]?\d+(\.\d+)?", text) is not None


def _text(value: Any) -> str:
    """A TOML or CSV value as the codebook's text."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list):
        return "|".join(str(one) for one in value)
    return str(value).strip()


def _line_of(text: str, pattern: str, place: int) -> int:
    """The line number of the `place`-th line that begins as `pattern`; 1 where there is none."""
    found: Iterator[int] = (number for number, line in enumerate(text.splitlines(), 1) if re.match(pattern, line))
    lines = list(found)
    return lines[place] if place < len(lines) else 1


def _fault(path: Path, line: int, what: str, remedy: str) -> SheetError:
    """The error for one place of the user's file."""
    return SheetError(f"{path.name}, line {line}: {what}. {remedy}.")
