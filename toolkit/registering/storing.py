"""An export added to a registry, whole or not at all; the same content is stored once."""

from __future__ import annotations

import hashlib
import json
import secrets
from collections.abc import Sequence
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from urllib.parse import quote

import numpy as np
import pandas as pd

from toolkit import __version__
from toolkit.effect.comparison import SIDES
from toolkit.errors import RegistryError, WritingError
from toolkit.records.account import Records
from toolkit.records.codebook import Codebook, load_codebook
from toolkit.records.mapping import READING_FIELDS
from toolkit.records.sites import SCOPED
from toolkit.records.units import conversion_factor
from toolkit.registering.layout import COLUMNS, FORMAT, NO_YEAR, NUMBERS, SIDE_COUNTS, WHOLE, exports_in
from toolkit.writing import clear_rests, is_over, own_mark, write_file, write_files

BEGUN = ".begun."
LEDGER = ("kind", "site", "file", "row", "column", "value", "reason", "remedy", "scope", "readings", "says")
_NOT_CONTENT = ("file", "row", "day", "visit")


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
        No site is named, nothing can be used, or a measure stands in a unit that does not fit the registry's.
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
    rows = _at_sites(records, site)
    name = _name_of(rows, records)
    note = folder / "exports" / f"{name}.json"
    if note.is_file():
        return name
    rows, units = _in_units(rows, _units_held(folder))
    frame = _stored_columns(rows, name)
    token = f"{name}-{secrets.token_hex(4)}"
    ledger = folder / "ledger" / f"{token}.parquet"
    places = {
        (where, year): folder / "readings" / f"site={quote(str(where), safe='')}" / f"year={year}" / f"{token}.parquet"
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
        _write_parquet(ledger, _ledger(records, rows))
        held = {
            "format": FORMAT,
            "toolkit_version": __version__,
            "stored": datetime.now(UTC).isoformat(timespec="seconds"),
            "accounts": _accounts(records, rows),
            "source": _source(records),
            "units": units,
            "parts": parts,
            "ledger": ledger.relative_to(folder).as_posix(),
            "codebook": _own_codebook(records.codebook),
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


def _at_sites(records: Records, site: str | None) -> pd.DataFrame:
    """Tidy rows whose codes carry their site's name."""
    rows = records.rows
    if rows.empty:
        raise RegistryError(f"None of the {records.source.rows_read} rows can be used, so there is nothing to store.")
    named = rows["site"].astype(str)
    where = named.where(named != "", (site or "").strip())
    if (where == "").any():
        raise RegistryError(
            "The records name no site. Name it (site=): codes such as C001 belong to their site, and another site's "
            "C001 is somebody else."
        )
    columns: dict[str, Any] = {"site": where}
    for name in SCOPED:
        columns[name] = _under_site(rows[name].astype(str), where)
    return rows.assign(**columns)


def _under_site(codes: pd.Series, where: pd.Series) -> pd.Series:
    """Codes with their site's name in front, each distinct one looked at once; those that have it keep it."""
    pairs = pd.DataFrame({"code": codes.to_numpy(), "site": where.to_numpy()})
    place = pairs.groupby(["site", "code"], sort=False).ngroup().to_numpy()
    distinct = pairs.drop_duplicates()
    named = [
        code if not code or code.startswith(f"{site}/") else f"{site}/{code}"
        for code, site in zip(distinct["code"], distinct["site"], strict=True)
    ]
    return pd.Series(np.array(named, dtype=object)[place], index=codes.index, dtype="str")


def _name_of(rows: pd.DataFrame, records: Records) -> str:
    """A name from what the export says, whatever the order of its rows and the names of its files."""
    said = rows.drop(columns=[name for name in _NOT_CONTENT if name in rows]).sort_index(axis=1)
    hashes = np.sort(pd.util.hash_pandas_object(said.astype({"date": "str"}), index=False).to_numpy())
    aside = records.shown_set_aside()[["column", "reason", "scope"]].astype(str)
    beside = np.sort(pd.util.hash_pandas_object(aside, index=False).to_numpy())
    return hashlib.sha256(hashes.tobytes() + b"|" + beside.tobytes()).hexdigest()[:20]


def _units_held(folder: Path) -> dict[str, str]:
    """The unit of each measure that the registry holds already."""
    if not (folder / "exports").is_dir() or not any((folder / "exports").glob("*.json")):
        return {}
    held: dict[str, str] = {}
    for one in exports_in(folder):
        held = {**one.units, **held}
    return held


def _in_units(rows: pd.DataFrame, held: dict[str, str]) -> tuple[pd.DataFrame, dict[str, str]]:
    """Rows with every measure in the registry's unit, and the unit of each measure in them."""
    units = dict(rows.drop_duplicates("measure").set_index("measure")["unit"].astype(str))
    scale = pd.Series(1.0, index=rows.index)
    unit = rows["unit"].astype(str)
    for measure, own in units.items():
        wanted = held.get(measure, own)
        if wanted == own:
            continue
        factor = conversion_factor(own, wanted)
        if factor is None:
            raise RegistryError(
                f"{measure} stands in {own or 'no unit'} here and in {wanted} in the registry, and the one cannot be "
                f"turned into the other. Write it in {wanted}."
            )
        mine = rows["measure"] == measure
        scale[mine], unit[mine], units[measure] = factor, wanted, wanted
    if (scale == 1.0).all():
        return rows, units
    return rows.assign(unit=unit, **{name: (rows[name] * scale).round(9) for name in READING_FIELDS}), units


def _stored_columns(rows: pd.DataFrame, name: str) -> pd.DataFrame:
    """Rows with the columns and types of the registry."""
    dates = pd.to_datetime(rows["date"])
    frame = rows.assign(
        export=name,
        place=np.arange(len(rows)),
        year=dates.dt.year.fillna(NO_YEAR).astype("int32"),
        date=dates.astype("datetime64[ms]").dt.date,
        **_side_counts(rows),
    )
    whole = {one: "Int64" for one in WHOLE if one != "year"}
    words = [one for one in COLUMNS if one not in (*WHOLE, *NUMBERS, "date")]
    return frame[list(COLUMNS)].astype({**whole, **dict.fromkeys(NUMBERS, "float64"), **dict.fromkeys(words, "str")})


def _side_counts(rows: pd.DataFrame) -> dict[str, np.ndarray]:
    """Under each rule of sides, how many rows of a session belong to the treatment; 0 where a row does not."""
    keys = [rows[name].astype(str) for name in ("session_id", "measure", "intervention", "region")]
    session = rows.groupby(keys, sort=False).ngroup().to_numpy()
    treated, measured = (rows[name].astype(str) for name in ("treated_side", "measured_side"))
    side = pd.factorize(measured)[0]
    ends = [np.full(int(session.max()) + 1, start) for start in (len(rows), -1)]
    np.minimum.at(ends[0], session, side)
    np.maximum.at(ends[1], session, side)
    always = ~(treated.isin(SIDES) & measured.isin(SIDES)).to_numpy() | (ends[0] == ends[1])[session]
    same = (treated == measured).to_numpy()
    found = {}
    for name, belongs in zip(SIDE_COUNTS, (always | same, always | ~same), strict=True):
        found[name] = np.where(belongs, np.bincount(session, weights=belongs)[session], 0).astype(np.int64)
    return found


def _accounts(records: Records, rows: pd.DataFrame) -> list[dict[str, Any]]:
    """What was read, kept and set aside at each site."""
    kept = rows.groupby("site")[list(READING_FIELDS)].count().sum(axis=1)
    if len(records.sites):
        lines = records.sites.to_dict("records")
    else:
        source, site = records.source, str(rows["site"].iloc[0])
        counts = ("rows_read", "rows_kept", "rows_set_aside", "readings_read", "readings_set_aside")
        lines = [{"site": site, **{name: getattr(source, name) for name in counts}}]
    return [
        {**{str(key): value if key == "site" else int(value) for key, value in line.items()}}
        | {"readings_kept": int(kept.get(line["site"], 0)), "rows_stored": int((rows["site"] == line["site"]).sum())}
        for line in lines
    ]


def _source(records: Records) -> dict[str, Any]:
    """Where the export came from, as its records told it."""
    source = records.source
    numbers = ("rows_read", "rows_kept", "rows_set_aside", "readings_read", "readings_kept", "readings_set_aside")
    return {
        "files": source.files.astype(str).to_dict("records"),
        "sha256": source.sha256,
        "layout": source.layout,
        **{name: int(getattr(source, name)) for name in numbers},
    }


def _own_codebook(book: Codebook) -> dict[str, str]:
    """The lists of a codebook that are not the project's own, as CSV."""
    usual = load_codebook()
    lists = {name: (getattr(book, name), getattr(usual, name)) for name in Codebook.__dataclass_fields__}
    return {name: mine.to_csv(index=False) for name, (mine, its) in lists.items() if not mine.equals(its)}


def _ledger(records: Records, rows: pd.DataFrame) -> pd.DataFrame:
    """What was set aside, flagged and lost, in one frame: `kind` tells them apart; what was lost stands in `says`."""
    site = str(rows["site"].iloc[0]) if rows["site"].nunique() == 1 else ""
    aside = records.shown_set_aside().assign(kind="set aside")
    flags = records.shown_flags().rename(columns={"what": "reason"}).assign(kind="flag")
    lost = records.lost
    gone = pd.DataFrame({"kind": "lost", "file": lost["file"], "row": lost["row"], "reason": lost["reason"]})
    gone["says"] = [json.dumps(one, default=str) for one in _scoped_lost(lost, site).to_dict("records")]
    every = pd.concat([part for part in (aside, flags, gone) if len(part)] or [aside], ignore_index=True)
    every = every.assign(site=site).reindex(columns=LEDGER)
    whole = {name: every[name].astype("Int64") for name in ("row", "readings")}
    words = {name: every[name].astype("str").where(every[name].notna(), "") for name in LEDGER if name not in whole}
    return pd.DataFrame({**words, **whole})[list(LEDGER)]


def _scoped_lost(lost: pd.DataFrame, site: str) -> pd.DataFrame:
    """Lost rows with their codes under the site, where there is one."""
    if not site or lost.empty:
        return lost
    front = f"{site}/"
    codes = {name: lost[name].astype(str) for name in ("client", "session_id", "practitioner")}
    scoped = {name: one.where((one == "") | one.str.startswith(front), front + one) for name, one in codes.items()}
    return lost.assign(**scoped)
