"""The codebook of a registry: the project's, with what exports' own had in its place, in the registry's units."""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence

import pandas as pd

from toolkit.errors import RegistryError
from toolkit.records.codebook import Codebook, load_codebook
from toolkit.registering.layout import Export

_ONE_MEANING = {"better": "better is {}", "kind": "it is a {}"}


def codebook_of(exports: Sequence[Export]) -> Codebook:
    """The project's codebook with what the exports' own had in its place, the measures in the registry's units."""
    usual = load_codebook()
    if not exports:
        return usual
    own = [one.codebook for one in exports if one.codebook]
    lists: dict[str, pd.DataFrame] = {}
    for name in Codebook.__dataclass_fields__:
        mine = getattr(usual, name)
        parts = [_as_list(text, mine) for book in own if (text := book.get(name))]
        keys = list(mine.columns[: 2 if name == "movement_limits" else 1])
        joined = pd.concat([*parts, mine], ignore_index=True) if parts else mine
        lists[name] = joined.drop_duplicates(keys, ignore_index=True) if parts else mine
    units = held_units(exports)
    measures = lists["measures"]
    lists["measures"] = measures.assign(unit=measures["measure"].map(units).fillna(measures["unit"]))
    return Codebook(**lists)


def _as_list(text: str, like: pd.DataFrame) -> pd.DataFrame:
    """A list of the codebook from its CSV, with the columns and types of the project's own."""
    found = pd.read_csv(io.StringIO(text), dtype=str, keep_default_na=False)
    numbers = {name: pd.to_numeric(found[name]) for name in like.columns if pd.api.types.is_numeric_dtype(like[name])}
    return found.assign(**numbers).reindex(columns=like.columns)


def held_units(exports: Sequence[Export]) -> Mapping[str, str]:
    """The unit of each measure."""
    found: dict[str, str] = {}
    for one in exports:
        found = {**one.units, **found}
    return found


def refuse_other_meaning(own: Codebook, held: Codebook, measures: Sequence[str]) -> None:
    """One measure means one thing in all of a registry.

    Raises
    ------
    RegistryError
        The codebook of an export says of a measure what the registry's does not.
    """
    tables = [book.measures.set_index("measure") for book in (own, held)]
    for measure in measures:
        if not all(measure in table.index for table in tables):
            continue
        for field, words in _ONE_MEANING.items():
            here, there = (str(table.loc[measure, field]) for table in tables)
            if here != there:
                raise RegistryError(
                    f"The codebook of this export says of {measure} that {words.format(here)}, the registry that "
                    f"{words.format(there)}. Nothing was stored. Give one of the two another name or mend the codebook."
                )
