"""How a registry lies on the disk, and which part of it can be read.

    readings/site=SITE/year=YEAR/EXPORT-….parquet    tidy rows
    ledger/EXPORT-….parquet                          what was set aside, lost, flagged
    exports/EXPORT.json                              written last: an export is in the registry when this is there

Beside the tidy columns a row holds its `export`, `place` and `year`, and two counts: under each rule of sides
(`same_side`, `opposite_side`), how many rows of its session, measure, intervention and region belong to the treatment;
0 where this row does not. Where that is one, a question need not put the sides of a session together.

A file that no note of an export names is not read: what was cut off halfway is as if it had never begun.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from glob import escape
from pathlib import Path
from typing import Any
from urllib.parse import quote, unquote

import pandas as pd

from toolkit.errors import RegistryError
from toolkit.records.mapping import DETAILS, READING_FIELDS, WHAT, WHO

FORMAT = "registry-export/1"
NUMBERS = (*READING_FIELDS, "comfort", "minutes")
SIDE_COUNTS = ("same_side", "opposite_side")
WHOLE = ("row", "day", "visit", "year", "place", *SIDE_COUNTS)
WORDS = (
    "file",
    *(name for name in (*WHO, *WHAT, *DETAILS) if name not in ("date", "day", "time_of_day", *NUMBERS)),
    "marks",
    "export",
)
COLUMNS = (*WORDS, *WHOLE, "date", *NUMBERS)
NO_YEAR = 0
MOST_CHARACTERS = 100  # of a site's name in that of its folder; a file system takes 255 bytes


@dataclass(frozen=True, kw_only=True)
class Part:
    """One file of readings: the rows of one export at one site in one year (0: without a date)."""

    path: Path
    site: str
    year: int
    rows: int
    export: str


@dataclass(frozen=True, kw_only=True)
class Export:
    """One export as it was stored: `accounts` by site, `source` as the records told it, `parts` and its ledger.

    `content`: made from its rows whatever their site is called.
    """

    name: str
    sites: tuple[str, ...]
    accounts: tuple[dict[str, Any], ...]
    source: dict[str, Any]
    units: dict[str, str]
    parts: tuple[Part, ...]
    ledger: Path | None
    codebook: dict[str, str] = field(default_factory=dict)
    content: str = ""

    def only(self, sites: Sequence[str]) -> Export:
        """What it holds of these sites; itself where it holds no other."""
        if set(self.sites) <= set(sites):
            return self
        accounts = tuple(one for one in self.accounts if one["site"] in sites)
        numbers = {name: sum(int(one[name]) for one in accounts) for name in self.source if name in accounts[0]}
        return replace(
            self,
            sites=tuple(site for site in self.sites if site in sites),
            accounts=accounts,
            source=self.source | numbers,
            parts=tuple(part for part in self.parts if part.site in sites),
        )


def is_registry(place: object) -> bool:
    """Is this the folder of a registry?"""
    return isinstance(place, Path) and any((place / "exports").glob("*.json")) and (place / "readings").is_dir()


def exports_in(folder: Path) -> tuple[Export, ...]:
    """The exports of a registry, in the order of their names.

    Raises
    ------
    RegistryError
        There is no such folder, it is no registry, or a note of an export cannot be read.
    """
    if not folder.is_dir():
        raise RegistryError(f"There is no folder {folder.name}. A registry is made by storing a first export in it.")
    notes = sorted((folder / "exports").glob("*.json"))
    if not notes:
        raise RegistryError(f"The folder {folder.name} holds no export of a registry yet. Store one in it first.")
    return tuple(_export(folder, note) for note in notes)


def readable_exports(folder: Path) -> tuple[tuple[Export, ...], dict[str, str]]:
    """The exports whose notes can be read; and of the others the sites, by the names of their folders, and why.

    Raises
    ------
    RegistryError
        There is no registry, or a note cannot be read and no file tells whose it was.
    """
    found, damaged = [], dict[str, str]()
    if not folder.is_dir() or not any((folder / "exports").glob("*.json")):
        return exports_in(folder), damaged
    for note in sorted((folder / "exports").glob("*.json")):
        try:
            found.append(_export(folder, note))
        except RegistryError:
            files = (folder / "readings").glob(f"site=*/year=*/{escape(note.stem)}-*.parquet")
            sites = {unquote(file.parent.parent.name.removeprefix("site=")) for file in files}
            if not sites:
                raise
            damaged |= dict.fromkeys(sorted(sites), f"the note exports/{note.name} cannot be read")
    return tuple(found), damaged


def folder_of(site: str) -> str:
    """The folder of a site's readings: its name made fit for one, a long one cut and told apart by its content."""
    name = quote(site, safe="")
    if len(name) > MOST_CHARACTERS:
        name = f"{name[:MOST_CHARACTERS]}~{hashlib.sha256(site.encode()).hexdigest()[:12]}"
    return f"site={name}"


def _export(folder: Path, note: Path) -> Export:
    try:
        held = json.loads(note.read_text(encoding="utf-8"))
        if held["format"] != FORMAT:
            raise ValueError(held["format"])
        parts = tuple(
            Part(
                path=_inside(folder, one["path"]),
                site=str(one["site"]),
                year=int(one["year"]),
                rows=int(one["rows"]),
                export=note.stem,
            )
            for one in held["parts"]
        )
        return Export(
            name=note.stem,
            sites=tuple(str(row["site"]) for row in held["accounts"]),
            accounts=tuple(held["accounts"]),
            source=dict(held["source"]),
            units=dict(held["units"]),
            parts=parts,
            ledger=_inside(folder, held["ledger"]) if held["ledger"] else None,
            codebook=dict(held.get("codebook", {})),
            content=str(held.get("content", "")),
        )
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError) as problem:
        raise RegistryError(
            f"exports/{note.name} cannot be read ({type(problem).__name__}), so it is not known what this registry "
            "holds. Bring the file back from a copy, or move it away and store that export again."
        ) from None


def _inside(folder: Path, name: str) -> Path:
    """A path that a note names, which must lie within the registry."""
    place = folder / name
    if Path(name).is_absolute() or ".." in Path(name).parts:
        raise ValueError(name)
    return place


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
    for part in parts:
        if part.site not in faults and (why := _fault(part)):
            faults[part.site] = why
    lines = [
        {"site": site, "why": why, "rows": sum(part.rows for part in parts if part.site == site)}
        for site, why in faults.items()
    ]
    frame = pd.DataFrame(lines, columns=["site", "why", "rows"])
    return Readable(parts=tuple(part for part in parts if part.site not in faults), left_out=frame)


def _fault(part: Part) -> str:
    """What is wrong with one file; "" for nothing. Only its footer is read."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    where = f"year {part.year}" if part.year != NO_YEAR else "rows without a date"
    if any(place.is_symlink() for place in (part.path, part.path.parent, part.path.parent.parent)):
        return f"the file of {where} is a link to somewhere else"
    if not part.path.is_file():
        return f"the file of {where} is missing"
    try:
        found = pq.ParquetFile(part.path)
        schema, rows = found.schema_arrow, found.metadata.num_rows
    except (OSError, pa.ArrowInvalid):
        return f"the file of {where} cannot be read as Parquet"
    absent = [name for name in COLUMNS if name not in schema.names]
    if absent:
        return f"in {where} the column {absent[0]} is missing"
    for name in COLUMNS:
        kind = schema.field(name).type
        if not _fits(name, kind):
            wanted = "numbers" if name in (*NUMBERS, *WHOLE) else "dates" if name == "date" else "words"
            return f"in {where} the column {name} holds {kind} in place of {wanted}"
    if rows != part.rows:
        return f"the file of {where} holds {rows} rows where {part.rows} were stored"
    return ""


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
