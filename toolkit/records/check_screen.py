"""What matters first about a sheet that was read, on one screen: kept, set aside, flagged, asked, unknown words."""

from __future__ import annotations

import re
from textwrap import fill

import pandas as pd

from toolkit.number_words import counted
from toolkit.records.account import Records
from toolkit.records.lexicon import close_names, nearest
from toolkit.records.sheets import NOT_STATED

_WIDTH = 79
_MOST_LINES = 8
_NUMBERS = re.compile(r"\d+")


def check_screen(records: Records, *, with_text: bool = False) -> str:
    """The account of an export in at most a screen, before any single row.

    Args:
        records: what was read.
        with_text: free text of the export is written out; else it is named by its length.
    """
    aside = records.set_aside if with_text else records.shown_set_aside()
    flags = records.flags if with_text else records.shown_flags()
    parts = [fill(records.sentence(), _WIDTH)]
    parts += _block("Set aside, by reason", _set_aside(aside))
    parts += _block("Kept, and worth knowing", _flagged(flags))
    parts += _block("Not in the codebook", [*unknown_words(records), *_unknown_sides(aside)])
    parts += _block("To be asked (the command columns asks it)", [question.text for question in records.mapping.asked])
    return "\n".join(parts)


def _block(title: str, lines: list[str]) -> list[str]:
    """A titled list; nothing where it is empty, the rest counted where it is long."""
    shown = [fill(line, _WIDTH, initial_indent="  ", subsequent_indent="      ") for line in lines[:_MOST_LINES]]
    more = [f"  … and {len(lines) - _MOST_LINES} more kinds"] if len(lines) > _MOST_LINES else []
    return [f"\n{title}", *shown, *more] if shown else []


def _set_aside(entries: pd.DataFrame) -> list[str]:
    """Reasons with the rows and readings they cost, the costliest first."""
    reasons = entries["reason"].where(~entries["reason"].str.startswith("the same as "), "the same as an earlier row")
    rows = entries.assign(reason=reasons, rows=(entries["scope"] == "row").astype(int))
    counts = rows.groupby("reason", sort=False)[["rows", "readings"]].sum()
    counts = counts.sort_values(["readings", "rows"], ascending=False, kind="stable")
    return [f"{_how_many(int(row['rows']), int(row['readings']))}: {reason}" for reason, row in counts.iterrows()]


def _how_many(rows: int, readings: int) -> str:
    """Rows and readings in words, what there is none of left out."""
    parts = (counted(rows, "row") if rows else "", counted(readings, "reading") if readings else "")
    return ", ".join(filter(None, parts)) or "nothing"


def _flagged(flags: pd.DataFrame) -> list[str]:
    """What is worth knowing, of one kind together, the commonest first; questions and unknown words stand elsewhere."""
    told = flags[~flags["what"].str.contains("not in the codebook")]
    told = told[~told["what"].str.startswith("what the columns mean was understood")]
    kinds = told["what"].str.replace(_NUMBERS, "#", regex=True)
    lines = []
    for _, group in sorted(told.groupby(kinds, sort=False), key=lambda item: -len(item[1])):
        first = group.iloc[0]
        where = f"{first['column']}" + (f", row {first['row']}" if first["row"] else "")
        names = ", ".join(dict.fromkeys(group["column"]))
        many = f"{len(group)} times, first in {where}" if len(group) > 1 else where
        lines.append(f"{names if 'column is not used' in first['what'] else many}: {first['what']}")
    return lines


def unknown_words(records: Records) -> list[str]:
    """Techniques and regions that the codebook lacks, each with a proposed name and the line that accepts it."""
    lines: list[str] = []
    for field, known in (
        ("intervention", records.codebook.interventions),
        ("region", records.codebook.regions),
    ):
        names = set(known[field].astype(str))
        counts = records.rows[field].astype(str).str.split(" + ", regex=False).explode().value_counts()
        for word, count in counts.items():
            if str(word) and str(word) != NOT_STATED and str(word) not in names:
                lines.append(_proposed(field, str(word), int(count), known))
    return lines


def _unknown_sides(aside: pd.DataFrame) -> list[str]:
    """Words that are no side, each with the line that says which side it is."""
    words = aside.loc[aside["reason"] == "not a side", "value"].astype(str).value_counts()
    return [
        f'side "{word}" ({count} rows set aside): columns.toml: [values.side] "{word}" = "left"'
        for word, count in words.items()
    ]


def _proposed(field: str, word: str, count: int, known: pd.DataFrame) -> str:
    """One unknown word: the nearest name of the codebook, else a name of its own, with the line that accepts it."""
    table = {
        spelled.casefold(): str(name)
        for name, label, words in zip(known[field], known["label"], known["words"], strict=True)
        for spelled in (str(name).replace("_", " "), str(label), *str(words).split("|"))
    }
    near = nearest(word.casefold(), table) or next(iter(close_names(word, known[field].astype(str))), "")
    if near:
        accept = f'if it is {near}: columns.toml: [values.{field}] "{word}" = "{near}"'
    else:
        name = "_".join(re.findall(r"[a-z0-9]+", word.casefold())) or "own_name"
        accept = f'to give it a name: codebook.toml: [[{field}s]] {field} = "{name}", words = ["{word}"]'
    return f'{field} "{word}" ({count} rows), kept as you wrote it; {accept}'
