"""An export added to a registry, whole or not at all; the same content is stored once."""

from __future__ import annotations

import json
import secrets
from collections.abc import Sequence
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path

import pandas as pd

from toolkit import __version__
from toolkit.errors import WritingError
from toolkit.records.account import Records
from toolkit.registering.codebooks import codebook_of, held_units, refuse_other_meaning
from toolkit.registering.layout import FORMAT, folder_of
from toolkit.registering.stored_rows import (
    accounts,
    at_sites,
    content_of,
    exports_held,
    in_units,
    ledger_of,
    name_of,
    own_codebook,
    refuse_twins,
    source_of,
    stored_columns,
)
from toolkit.writing import clear_rests, is_over, own_mark, write_file, write_files

BEGUN = ".begun."


def store(records: Records, path: str | Path, *, site: str | None = None) -> str:
    """Add an audited export to a registry's folder: its rows, and the ledger of what was set aside and why.

    Parameters
    ----------
    records
        What `load_records` gave, of one site or of several.
    path
        The registry's folder; made where there is none.
    site
        The site's name, where the records name none: codes (C001) belong to their site.

    Returns
    -------
    str
        The export's name in the registry, made from its content: storing the same again changes nothing.

    Raises
    ------
    RegistryError
        No site is named (or one that is another's but for its letters), nothing can be used, another site stored the
        same rows, or a measure stands in a unit or has a meaning that does not fit the registry's.
    WritingError
        The disk refuses; then nothing of this export is in the registry, and everything else is as it was.

    Examples
    --------
    >>> import tempfile
    >>> from toolkit import demo, load_records
    >>> records = load_records(demo())
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     name = store(records, folder, site="north")
    ...     store(records, folder, site="north") == name
    True
    """
    folder = Path(path)
    rows = at_sites(records, site)
    name = name_of(rows, records)
    note = folder / "exports" / f"{name}.json"
    exports, content = exports_held(folder), content_of(records)
    if name in {one.name for one in exports}:
        return name
    refuse_twins(sorted(set(rows["site"])), content, exports)
    refuse_other_meaning(records.codebook, codebook_of(exports), sorted(set(rows["measure"].astype(str))))
    rows, units = in_units(rows, held_units(exports))
    frame = stored_columns(rows, name)
    token = f"{name}-{secrets.token_hex(4)}"
    ledger = folder / "ledger" / f"{token}.parquet"
    places = {
        (where, year): folder / "readings" / folder_of(str(where)) / f"year={year}" / f"{token}.parquet"
        for where, year in sorted(set(zip(frame["site"], frame["year"], strict=True)))
    }
    clear_cut_off(folder)
    begun = _begin(folder, [*places.values(), ledger])
    try:
        parts = []
        for (where, year), mine in frame.groupby(["site", "year"], sort=True):
            place = places[where, year]
            _write_parquet(place, mine)
            parts.append({"path": place.relative_to(folder).as_posix(), "site": where, "year": year, "rows": len(mine)})
        _write_parquet(ledger, ledger_of(records, rows))
        held = {
            "format": FORMAT,
            "toolkit_version": __version__,
            "stored": datetime.now(UTC).isoformat(timespec="seconds"),
            "accounts": accounts(records, rows),
            "source": source_of(records),
            "units": units,
            "parts": parts,
            "ledger": ledger.relative_to(folder).as_posix(),
            "codebook": own_codebook(records.codebook),
            "content": content,
        }
        _make_folder(note.parent)
        write_file(note, json.dumps(held, indent=1, ensure_ascii=False) + "\n", noted=False)
    except BaseException as fault:
        for place in (*places.values(), ledger):
            with suppress(OSError):
                place.unlink(missing_ok=True)
        if isinstance(fault, WritingError) and note.is_file():  # another writer stored the same meanwhile
            return name
        raise
    finally:
        with suppress(OSError):
            begun.unlink(missing_ok=True)
    return name


def _begin(folder: Path, places: Sequence[Path]) -> Path:
    """Write down, before anything is stored, which files a run is about to write; it goes when they all stand."""
    names = [place.relative_to(folder).as_posix() for place in places]
    begun = folder / "exports" / f"{BEGUN}{own_mark()}.{secrets.token_hex(4)}"
    _make_folder(begun.parent)
    write_file(begun, json.dumps(names), noted=False)
    return begun


def clear_cut_off(folder: Path) -> None:
    """Clear away what runs that were cut off had begun to store; what a note names stays, and a live run's files."""
    with suppress(OSError):
        for begun in sorted((folder / "exports").glob(f"{BEGUN}*")):
            mark, _, _ = begun.name.removeprefix(BEGUN).rpartition(".")
            if begun.is_symlink() or not is_over(begun, mark=mark):
                continue
            with suppress(ValueError, TypeError):
                named = "".join(note.read_text(encoding="utf-8") for note in (folder / "exports").glob("*.json"))
                for name in json.loads(begun.read_text(encoding="utf-8")):
                    place = folder / name
                    if json.dumps(name) not in named and ".." not in Path(name).parts and _is_stored(place, folder):
                        place.unlink(missing_ok=True)
                    clear_rests(place.parent)
            begun.unlink(missing_ok=True)


def _is_stored(place: Path, folder: Path) -> bool:
    """Is this a file of readings or a ledger of this registry?"""
    held = place.is_relative_to(folder / "readings") or place.is_relative_to(folder / "ledger")
    return held and place.suffix == ".parquet" and place.is_file() and not place.is_symlink()


def _make_folder(place: Path) -> None:
    try:
        place.mkdir(parents=True, exist_ok=True)
    except OSError as fault:
        why = fault.strerror or str(fault)
        raise WritingError(f"{place.name} was not written ({why}). Choose a folder that you may write to.") from None


def _write_parquet(place: Path, frame: pd.DataFrame) -> None:
    """One file, whole or not at all."""
    _make_folder(place.parent)
    write_files({place: lambda fresh: frame.to_parquet(fresh, index=False)}, noted=False)
