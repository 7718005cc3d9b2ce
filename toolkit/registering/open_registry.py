"""Opening a registry: a folder that `store` fills, or a table of a database."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import Any

import pandas as pd

from toolkit.errors import RegistryError
from toolkit.records.codebook import load_codebook
from toolkit.registering.codebooks import codebook_of
from toolkit.registering.engine import Engine, engine_of
from toolkit.registering.held import MOST_ROWS
from toolkit.registering.layout import COLUMNS, NUMBERS, WHOLE, readable_exports
from toolkit.registering.readable import readable
from toolkit.registering.registry import Registry, only_columns, parts_of
from toolkit.registering.table_checks import checked

NEEDED = ("session_id", "client", "practitioner", "site", "date", "region", "treated_side", "intervention", "order")
NEEDED_READINGS = ("measure", "measured_side", "unit", "before", "before_2", "after_wait", "after")


def registry(
    where: str | Path | Any,
    *,
    table: str = "readings",
    engine: Any = None,
    new: bool = False,
    most_rows: int = MOST_ROWS,
) -> Registry:
    """Open a registry of many clinics.

    Parameters
    ----------
    where
        A folder that exports were stored in, or a connection of Ibis to a database that holds a table of tidy rows
        (columns as `Records.readings`, text "" or missing where nothing was written).
    table
        The table's name, where a connection is given.
    engine
        What computes a folder: DuckDB within this process if None, else a connection of Ibis or a Spark session.
    new
        Make the folder where there is none yet.
    most_rows
        Rows of one question up to which they are fetched and judged as one clinic's records; beyond it the engine sends
        sums.

    Returns
    -------
    Registry
        `.readings` (lazy), `.store(records)`, `.accounts()`, `.sites()`, `.measurement_error()`; `audit` and `compare`
        take it.

    Raises
    ------
    RegistryError
        The folder is no registry, the engine is not installed or does not answer, or the table lacks columns.

    Examples
    --------
    >>> import tempfile
    >>> from toolkit import demo, load_records
    >>> clinics = registry(tempfile.mkdtemp(), new=True)
    >>> clinics = clinics.store(load_records(demo()), site="north")
    >>> clinics.accounts()[["site", "rows_read", "rows_kept", "rows_set_aside"]].values.tolist()
    [['north', 6801, 6794, 7]]
    """
    if not isinstance(where, (str, Path)):
        return _of_table(engine_of(where), table, most_rows)
    folder = Path(where)
    if new:
        folder.mkdir(parents=True, exist_ok=True)
    computes = engine_of(engine)
    if new and not (folder / "exports").is_dir():
        return _empty(folder, computes, most_rows)
    exports, damaged = readable_exports(folder)
    found = readable(parts_of(exports), exports=exports, damaged=damaged)
    if not found.parts:
        raise RegistryError(f"No site of {folder.name} can be read. {found.sentence()}")
    return Registry(
        where=folder.name,
        engine=computes,
        stored=only_columns(computes.parquet([part.path for part in found.parts])),
        exports=exports,
        left_out=found.left_out,
        codebook=codebook_of(exports),
        most_rows=most_rows,
        folder=folder,
        reopen=partial(registry, folder, engine=computes),
    )


def _empty(folder: Path, engine: Engine, most_rows: int) -> Registry:
    """A registry into which nothing was stored yet."""
    import ibis

    kinds = {**dict.fromkeys(COLUMNS, "string"), **dict.fromkeys(NUMBERS, "float64"), **dict.fromkeys(WHOLE, "int64")}
    nothing = pd.DataFrame({name: pd.Series(dtype="object") for name in COLUMNS})
    return Registry(
        where=folder.name,
        engine=engine,
        stored=ibis.memtable(nothing, schema={**kinds, "date": "date"}),
        exports=(),
        left_out=readable(()).left_out,
        codebook=load_codebook(),
        most_rows=most_rows,
        folder=folder,
        reopen=partial(registry, folder, engine=engine),
    )


def _of_table(engine: Engine, name: str, most_rows: int) -> Registry:
    """A registry that is one table of a database, checked by the engine as it is read."""
    import ibis

    found = engine.table(name)
    absent = [column for column in (*NEEDED, *NEEDED_READINGS) if column not in found.columns]
    if absent:
        raise RegistryError(
            f"The table {name} has no column “{absent[0]}”. It needs: {', '.join((*NEEDED, *NEEDED_READINGS))}."
        )
    schema = found.schema()
    for column in NUMBERS:
        if column in found.columns and not schema[column].is_numeric():
            raise RegistryError(f"In the table {name} the column “{column}” holds {schema[column]}, not numbers.")
    columns: dict[str, Any] = {}
    for column in COLUMNS:
        if column in found.columns:
            value = found[column]
            columns[column] = value.cast("string").fill_null("") if _is_word(column) else value
        elif column == "year":
            columns[column] = found["date"].cast("date").year().fill_null(0)
        else:
            kind = "float64" if column in NUMBERS else "int64"
            columns[column] = ibis.literal("") if _is_word(column) else ibis.null(kind)
    book = load_codebook()
    stored, checks = checked(engine, found.select(**columns), book, name=name)
    return Registry(
        where=name,
        engine=engine,
        stored=stored,
        exports=(),
        left_out=readable(()).left_out,
        codebook=book,
        checks=checks,
        most_rows=most_rows,
    )


def _is_word(column: str) -> bool:
    return column not in NUMBERS and column not in WHOLE and column != "date"
