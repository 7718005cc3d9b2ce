"""Which parts of a registry can be read: a site of which a file, a ledger or a unit is not as stored is left out."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from toolkit.registering.layout import COLUMNS, NO_YEAR, NUMBERS, WHOLE, Export, Part


@dataclass(frozen=True, kw_only=True)
class Readable:
    """The parts that can be read, and what is left out and why, one line a site."""

    parts: tuple[Part, ...]
    left_out: pd.DataFrame

    def sentence(self) -> str:
        """What is missing from every answer; "" where nothing is."""
        if self.left_out.empty:
            return ""
        told = "; ".join(f"{row.site}: {row.why}" for row in self.left_out.itertuples())
        n = int(self.left_out["rows"].sum())
        return f"Not in this answer: {told} ({n} stored rows)."


def readable(
    parts: Sequence[Part], *, exports: Sequence[Export] = (), damaged: Mapping[str, str] | None = None
) -> Readable:
    """Leave out the sites of which a file is missing or does not hold what was stored; the others stay whole.

    A site counts with all of its rows or not at all: half a site would be a selection that nobody made.

    Parameters
    ----------
    parts
        The files of readings. `exports`: what they belong to, for their ledgers and units.
    damaged
        Sites that are left out anyway, and why.
    """
    faults: dict[str, str] = dict(damaged or {})
    units: dict[str, str] = {}
    for one in exports:
        why = _ledger_fault(one.ledger) or _unit_fault(one.units, units)
        faults |= {site: why for site in one.sites if why and site not in faults}
        units = {**one.units, **units}
    kinds: list[tuple[Part, tuple[str, ...]]] = []
    for part in parts:
        if part.site not in faults:
            why, own = _fault(part)
            kinds.append((part, own))
            faults |= {part.site: why} if why else {}
    for part, why in _of_other_kinds([one for one in kinds if one[0].site not in faults]):
        faults.setdefault(part.site, why)
    lines = [
        {"site": site, "why": why, "rows": sum(part.rows for part in parts if part.site == site)}
        for site, why in faults.items()
    ]
    frame = pd.DataFrame(lines, columns=["site", "why", "rows"])
    return Readable(parts=tuple(part for part in parts if part.site not in faults), left_out=frame)


def _of_other_kinds(kinds: Sequence[tuple[Part, tuple[str, ...]]]) -> list[tuple[Part, str]]:
    """The files whose columns are of other types than most files': engines read many files as one table."""
    counted = Counter(own for _, own in kinds)
    if len(counted) < 2:
        return []
    usual = counted.most_common(1)[0][0]
    found = []
    for part, own in kinds:
        for name, kind, other in zip(COLUMNS, own, usual, strict=True):
            if kind != other:
                found.append((part, f"in {_where(part)} the column {name} holds {kind}, elsewhere {other}"))
                break
    return found


def _where(part: Part) -> str:
    return f"year {part.year}" if part.year != NO_YEAR else "rows without a date"


def _fault(part: Part) -> tuple[str, tuple[str, ...]]:
    """What is wrong with one file, "" for nothing; and the types of its columns. Only its footer is read."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    where, nothing = _where(part), tuple[str, ...]()
    if any(place.is_symlink() for place in (part.path, part.path.parent, part.path.parent.parent)):
        return f"the file of {where} is a link to somewhere else", nothing
    if not part.path.is_file():
        return f"the file of {where} is missing", nothing
    try:
        found = pq.ParquetFile(part.path)
        schema, rows = found.schema_arrow, found.metadata.num_rows
    except (OSError, pa.ArrowInvalid):
        return f"the file of {where} cannot be read as Parquet", nothing
    absent = [name for name in COLUMNS if name not in schema.names]
    if absent:
        return f"in {where} the column {absent[0]} is missing", nothing
    for name in COLUMNS:
        kind = schema.field(name).type
        if not _fits(name, kind):
            wanted = "numbers" if name in (*NUMBERS, *WHOLE) else "dates" if name == "date" else "words"
            return f"in {where} the column {name} holds {kind} in place of {wanted}", nothing
    if rows != part.rows:
        return f"the file of {where} holds {rows} rows where {part.rows} were stored", nothing
    return "", tuple(_kind(schema.field(name).type) for name in COLUMNS)


def _ledger_fault(ledger: Path | None) -> str:
    """What is wrong with an export's ledger, in which its losses stand; "" for nothing."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    if ledger is None:
        return ""
    if not ledger.is_file() or ledger.is_symlink():
        return "the ledger of what was set aside is missing"
    try:
        pq.read_schema(ledger)
    except (OSError, pa.ArrowInvalid):
        return "the ledger of what was set aside cannot be read"
    return ""


def _unit_fault(own: Mapping[str, str], held: Mapping[str, str]) -> str:
    """Does an export hold a measure in another unit than those before it? Two that store at once may."""
    for measure, unit in own.items():
        if held.get(measure, unit) != unit:
            return f"{measure} was stored in {unit}, by others in {held[measure]}: store that export again"
    return ""


def _fits(name: str, kind: Any) -> bool:
    """Does a column's type hold what it should?"""
    import pyarrow.types as types

    if name in NUMBERS:
        return bool(types.is_floating(kind))
    if name in WHOLE:
        return bool(types.is_integer(kind))
    if name == "date":
        return bool(types.is_date(kind) or types.is_timestamp(kind))
    return bool(types.is_string(kind) or types.is_large_string(kind))


def _kind(kind: Any) -> str:
    """A type as engines tell it apart: long and short words are the same to them."""
    return str(kind).removeprefix("large_")
