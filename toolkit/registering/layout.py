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
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from glob import escape
from pathlib import Path
from typing import Any
from urllib.parse import quote, unquote

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
