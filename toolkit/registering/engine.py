"""The engine that computes: DuckDB within this process unless another is handed over, asked through Ibis alone."""

from __future__ import annotations

import secrets
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from toolkit.errors import RegistryError

MISSING = (
    "A registry needs an engine that is not installed yet. Run  python3 start.py registry  once, or install the "
    "toolkit with its extra “registry”."
)
MEMORY = "3GB"


@dataclass(frozen=True, eq=False)
class Engine:
    """A connection of Ibis, and how it is called in sentences."""

    backend: Any

    @property
    def name(self) -> str:
        """DuckDB, Spark, or what Ibis calls the engine."""
        return {"duckdb": "DuckDB", "pyspark": "Spark"}.get(str(self.backend.name), str(self.backend.name))

    def parquet(self, files: Sequence[Path]) -> Any:
        """Files of one schema as one table; nothing is read yet."""
        names = [str(file.resolve()) for file in files]
        view = f"readings_{secrets.token_hex(4)}"
        with in_words(self):
            if self.backend.name == "pyspark":
                self.backend._session.read.parquet(*names).createOrReplaceTempView(view)
                return self.backend.table(view)
            return self.backend.read_parquet(names, table_name=view, hive_partitioning=False)

    def table(self, name: str) -> Any:
        """A table or view of a database by its name."""
        with in_words(self):
            if name not in self.backend.list_tables():
                held = ", ".join(sorted(self.backend.list_tables())[:8]) or "none"
                raise RegistryError(f"The database holds no table “{name}”. It holds: {held}.")
            return self.backend.table(name)

    def lent(self, frame: pd.DataFrame) -> Any:
        """A small frame as a table of the engine."""
        import ibis
        import pyarrow as pa

        if self.backend.name != "pyspark":
            return ibis.memtable(frame)
        view = f"lent_{secrets.token_hex(4)}"
        with in_words(self):
            arrow = pa.Table.from_pandas(frame, preserve_index=False)
            self.backend._session.createDataFrame(arrow).createOrReplaceTempView(view)
            return self.backend.table(view)

    @contextmanager
    def kept(self, table: Any) -> Iterator[Any]:
        """A table expression computed once and kept by the engine while it is asked several things of it."""
        name, held = f"kept_{secrets.token_hex(4)}", None
        with in_words(self):
            statement = self.backend.compile(table)
            if self.backend.name == "pyspark":
                held = self.backend.raw_sql(statement).cache()
                held.createOrReplaceTempView(name)
            elif self.backend.name == "duckdb":
                self.backend.raw_sql(f"CREATE TEMPORARY TABLE {name} AS {statement}")
            else:
                name = ""
        try:
            yield self.backend.table(name) if name else table
        finally:
            with suppress(Exception):  # an engine that is gone keeps nothing
                if held is not None:
                    held.unpersist()
                elif name:
                    self.backend.raw_sql(f"DROP TABLE {name}")

    def arrow(self, table: Any) -> Any:
        """What a table expression gives, as an Arrow table."""
        with in_words(self):
            if self.backend.name == "pyspark":  # past its own way to pandas, which lags behind pandas
                return self.backend.raw_sql(self.backend.compile(table)).toArrow()
            return self.backend.to_pyarrow(table)

    def frame(self, table: Any) -> pd.DataFrame:
        """What a table expression gives, computed by the engine."""
        found = self.arrow(table)
        with in_words(self):
            frame: pd.DataFrame = found.to_pandas()
            return frame

    def plan(self, table: Any) -> str:
        """How the engine means to compute a table expression, in its own words."""
        explain = f"EXPLAIN {self.backend.compile(table)}"
        with in_words(self):
            if self.backend.name == "pyspark":
                return str(self.backend.raw_sql(explain).toArrow().column(0)[0].as_py())
            return "\n".join(str(row[-1]) for row in self.backend.raw_sql(explain).fetchall())


def engine_of(given: Any = None) -> Engine:
    """The engine to use: DuckDB where None is given, else a connection of Ibis or a Spark session.

    Raises
    ------
    RegistryError
        The libraries are not installed, or what was given is no connection.
    """
    try:
        import ibis
    except ImportError:
        raise RegistryError(MISSING) from None
    if given is None:
        try:
            return Engine(ibis.duckdb.connect(memory_limit=MEMORY))
        except ImportError:
            raise RegistryError(MISSING) from None
    if isinstance(given, Engine):
        return given
    if hasattr(given, "sparkContext"):
        return Engine(ibis.pyspark.connect(given))
    if isinstance(given, ibis.BaseBackend):
        return Engine(given)
    raise RegistryError(
        f"A {type(given).__name__} is no engine. Give a connection of Ibis (ibis.duckdb.connect …) or a Spark session, "
        "or nothing for DuckDB."
    )


@contextmanager
def in_words(engine: Engine) -> Iterator[None]:
    """An engine that does not answer, in a sentence; its own words shortened at the end."""
    try:
        yield
    except RegistryError:
        raise
    except MemoryError:
        raise
    except Exception as problem:
        first = str(problem).strip().splitlines()[0][:200] if str(problem).strip() else type(problem).__name__
        raise RegistryError(
            f"{engine.name} did not answer ({first}). Nothing was changed. See whether the database can be reached and "
            "its files are there, then ask again."
        ) from problem
