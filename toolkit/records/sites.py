"""Several sites read together: a column `site`, a folder a site, or names given to files. Codes belong to their site.

Two clinics both have a C001 and a P1; nobody may take them for one person. Where two sites or more are read, every
code of a client, practitioner, examiner or session carries its site's name in front: `north/C001`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from toolkit.errors import ExportError
from toolkit.records.reading_files import ENDINGS, find_files
from toolkit.records.texts import constant, distinct, from_codes

SCOPED = ("client", "practitioner", "examiner", "session_id")
ACCOUNT_COLUMNS = ("site", "rows_read", "rows_kept", "rows_set_aside", "readings_read", "readings_set_aside")


def files_by_site(source: str | Path | Sequence[str | Path] | Mapping[str, Any]) -> list[tuple[str, Path]]:
    """(site, file) of every file of a source; the site is "" where nothing but a column can tell it.

    Parameters
    ----------
    source
        Sites by name with their folders or files; or what `load_records` takes. A folder that holds no export of its
        own, but folders with exports in them, is read as one site a folder, each searched to the bottom.

    Raises
    ------
    ExportError
        A path does not exist, a folder holds no export, or a site has no name.
    """
    if isinstance(source, Mapping):
        if not source or not all(str(name).strip() for name in source):
            raise ExportError("A site has no name. Name each with its folder or file: --site north=FOLDER")
        return [(str(name).strip(), file) for name, where in source.items() for file in _below(where)]
    folders = _site_folders(source)
    if folders:
        return [(folder.name, file) for folder in folders for file in _below(folder)]
    return [("", file) for file in find_files(source)]


def _site_folders(source: str | Path | Sequence[str | Path]) -> list[Path]:
    """The folders that are sites each: those inside one folder without exports, or several folders named together."""
    given = [Path(one) for one in ([source] if isinstance(source, (str, Path)) else source)]
    if len(given) == 1 and given[0].is_dir() and not _exports(given[0].iterdir()):
        given = sorted(path for path in given[0].iterdir() if path.is_dir() and not path.name.startswith("."))
        return [folder for folder in given if _exports(folder.rglob("*"))]
    return given if len(given) > 1 and all(path.is_dir() for path in given) else []


def _below(where: str | Path | Sequence[str | Path]) -> list[Path]:
    """Exports of one site: files as named, folders searched to the bottom."""
    files: list[Path] = []
    for item in [where] if isinstance(where, (str, Path)) else where:
        inside = _exports(Path(item).rglob("*")) if Path(item).is_dir() else []
        files += inside or find_files(item)
    return files


def _exports(paths: Any) -> list[Path]:
    return sorted(
        path
        for path in paths
        if path.suffix.lower() in ENDINGS and path.is_file() and not path.name.startswith((".", "~"))
    )


def several_sites(frames: Sequence[pd.DataFrame]) -> bool:
    """Do understood sheets name two sites or more?"""
    return len({text for frame in frames for text in frame["site"].unique() if text}) > 1


def at_site(frame: pd.DataFrame, site: str) -> pd.DataFrame:
    """A sheet's rows at the site whose folder or name they came under; unchanged where there is none."""
    return frame.assign(site=constant(site, len(frame))) if site else frame


def scoped(frame: pd.DataFrame) -> pd.DataFrame:
    """Understood rows with every code of `SCOPED` under its site: `north/C001`. Rows without a site keep theirs."""
    site_codes, sites = distinct(frame["site"])
    columns: dict[str, Any] = {}
    for name in SCOPED:
        codes, texts = distinct(frame[name])
        pairs, place = np.unique(codes.astype(np.int64) * max(len(sites), 1) + site_codes, return_inverse=True)
        named = [_under(sites[pair % len(sites)], texts[pair // len(sites)]) for pair in pairs.tolist()]
        columns[name] = from_codes(place, named)
    return frame.assign(**columns)


def _under(site: str, code: str) -> str:
    return f"{site}/{code}" if site and code else code


def account_by_site(read: Sequence[pd.DataFrame], set_aside: pd.DataFrame) -> pd.DataFrame:
    """What was read, kept and set aside at each site: read = kept + set aside, also here.

    Parameters
    ----------
    read
        Of each sheet, every row that was read: file, row, readings, site.
    set_aside
        What was set aside (see `toolkit.records.ledger`).

    Returns
    -------
    pandas.DataFrame
        `ACCOUNT_COLUMNS`, one row a site; "not stated" where a row names none.
    """
    rows = pd.concat([one.assign(file=one["file"].astype(str), site=one["site"].astype(str)) for one in read])
    rows = rows.assign(site=rows["site"].where(rows["site"] != "", "not stated"))
    where = rows.drop_duplicates(["file", "row"])[["file", "row", "site"]]
    of_file = where.drop_duplicates(["file", "site"]).drop_duplicates("file", keep=False).set_index("file")["site"]
    aside = set_aside.astype({"file": str}).merge(where, on=["file", "row"], how="left")
    broken = aside["site"].isna() & (aside["scope"] == "row")  # lines that could not be split name no site
    aside = aside.assign(site=aside["site"].fillna(aside["file"].map(of_file)).fillna("not stated"))
    rows = pd.concat([rows, aside.loc[broken, ["file", "row", "site"]].assign(readings=0)])
    found = rows.groupby("site").agg(rows_read=("row", "size"), readings_read=("readings", "sum"))
    found["rows_set_aside"] = aside[aside["scope"] == "row"].groupby("site").size()
    found["readings_set_aside"] = aside.groupby("site")["readings"].sum()
    found = found.fillna(0).astype(int)
    found["rows_kept"] = found["rows_read"] - found["rows_set_aside"]
    return found.reset_index()[list(ACCOUNT_COLUMNS)]
