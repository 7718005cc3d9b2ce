"""What an export becomes in a registry: rows under their site, in the registry's units, and what its note says."""

from __future__ import annotations

import hashlib
import json
import unicodedata
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from toolkit.effect.comparison import SIDES
from toolkit.errors import RegistryError
from toolkit.records.account import Records
from toolkit.records.codebook import Codebook, load_codebook
from toolkit.records.mapping import READING_FIELDS
from toolkit.records.sites import SCOPED
from toolkit.records.units import conversion_factor
from toolkit.registering.layout import COLUMNS, NO_YEAR, NUMBERS, SIDE_COUNTS, WHOLE, Export, exports_in

LEDGER = ("kind", "site", "file", "row", "column", "value", "reason", "remedy", "scope", "readings", "says")
_NOT_CONTENT = ("file", "row", "day", "visit")


def at_sites(records: Records, site: str | None) -> pd.DataFrame:
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
    odd = next((name for name in where.unique() if "/" in name or not name.isprintable()), "")
    if odd:
        raise RegistryError(
            f"The site's name {odd!r} holds a slash or a character that cannot be printed. Codes stand under their "
            "site (site/C001), so give it a name without."
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


def name_of(rows: pd.DataFrame, records: Records) -> str:
    """A name from what the export says, whatever the order of its rows and the names of its files."""
    said = rows.drop(columns=[name for name in _NOT_CONTENT if name in rows]).sort_index(axis=1)
    hashes = np.sort(pd.util.hash_pandas_object(said.astype({"date": "str"}), index=False).to_numpy())
    aside = records.shown_set_aside()[["column", "reason", "scope"]].astype(str)
    beside = np.sort(pd.util.hash_pandas_object(aside, index=False).to_numpy())
    return hashlib.sha256(hashes.tobytes() + b"|" + beside.tobytes()).hexdigest()[:20]


def content_of(records: Records) -> str:
    """The same from its rows alone, whatever their site is called: two sites do not hold the same export."""
    return name_of(records.rows.drop(columns="site"), records)


def exports_held(folder: Path) -> tuple[Export, ...]:
    """The exports that the registry holds already."""
    there = (folder / "exports").is_dir() and any((folder / "exports").glob("*.json"))
    return exports_in(folder) if there else ()


def refuse_twins(sites: Sequence[str], content: str, exports: Sequence[Export]) -> None:
    """A site that is one of the registry's but for its letters, or an export that another site has stored.

    Raises
    ------
    RegistryError
        So it is: one site under two names counts twice.
    """
    alike = {_plain(site): site for one in exports for site in one.sites}
    for site in sites:
        held = alike.get(_plain(site), site)
        if held != site:
            raise RegistryError(
                f"The registry holds a site “{held}”, and “{site}” is the same but for its letters. Nothing was "
                f"stored. Is it that site? Then store it as “{held}”; else give it a name of its own."
            )
    for one in exports:
        if one.content == content and not set(one.sites) & set(sites):
            raise RegistryError(
                f"The same rows are in the registry already, as site {', '.join(one.sites)}. Nothing was stored: one "
                "export under two names would count every client twice."
            )


def _plain(site: str) -> str:
    """A site's name without what a person hardly sees: upper case, spaces, ways to write an accent."""
    return " ".join(unicodedata.normalize("NFKC", site).casefold().split())


def in_units(rows: pd.DataFrame, held: Mapping[str, str]) -> tuple[pd.DataFrame, dict[str, str]]:
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


def stored_columns(rows: pd.DataFrame, name: str) -> pd.DataFrame:
    """Rows with the columns and types of the registry."""
    import pyarrow as pa

    dates = pd.to_datetime(rows["date"])
    frame = rows.assign(
        export=name,
        place=np.arange(len(rows)),
        year=dates.dt.year.fillna(NO_YEAR).astype("int32"),
        date=dates.astype("datetime64[ms]")
        .astype(pd.ArrowDtype(pa.timestamp("ms")))
        .astype(pd.ArrowDtype(pa.date32())),
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


def accounts(records: Records, rows: pd.DataFrame) -> list[dict[str, Any]]:
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


def source_of(records: Records) -> dict[str, Any]:
    """Where the export came from, as its records told it."""
    source = records.source
    numbers = ("rows_read", "rows_kept", "rows_set_aside", "readings_read", "readings_kept", "readings_set_aside")
    return {
        "files": source.files.astype(str).to_dict("records"),
        "sha256": source.sha256,
        "layout": source.layout,
        **{name: int(getattr(source, name)) for name in numbers},
    }


def own_codebook(book: Codebook) -> dict[str, str]:
    """The lists of a codebook that are not the project's own, as CSV."""
    usual = load_codebook()
    lists = {name: (getattr(book, name), getattr(usual, name)) for name in Codebook.__dataclass_fields__}
    return {name: mine.to_csv(index=False) for name, (mine, its) in lists.items() if not mine.equals(its)}


def ledger_of(records: Records, rows: pd.DataFrame) -> pd.DataFrame:
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
