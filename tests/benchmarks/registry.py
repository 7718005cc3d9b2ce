"""A registry of many readings: one question from sums, beside the engine's bare aggregate of the same columns.

    python tests/benchmarks/registry.py                 # 10 and 50 million readings on DuckDB
    python tests/benchmarks/registry.py 1000000 --spark # as many as you say; Spark within this machine too

The readings are made by DuckDB itself, in the registry's own layout: 40 sites, four readings a session. Each size runs
in a process of its own. "bare": one pass that sums and counts the columns the question needs, by client and arm.
Writes registry.md.
"""

from __future__ import annotations

import json
import os
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # several threads wait for each other where cores are shared
ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))
SITES = 40
QUESTION = {
    "measure": "cervical_rotation",
    "region": "upper_trapezius",
    "intervention": "percussive_release",
    "comparison": "wait",
}
WORDS = ("examiner", "side_drawn", "adverse_event", "position", "tissue_length", "head", "setting", "marks")
MAKE = """
COPY (
  WITH drawn AS (
    SELECT i, i % {sites} AS s, i // 20 AS c, random() AS u1, random() AS u2, random() AS u3, random() AS u4,
           sqrt(-2 * ln(1 - random())) * cos(2 * pi() * random()) AS z1,
           sqrt(-2 * ln(1 - random())) * cos(2 * pi() * random()) AS z2,
           sqrt(-2 * ln(1 - random())) * cos(2 * pi() * random()) AS z3,
           sqrt(-2 * ln(1 - random())) * cos(2 * pi() * random()) AS z4
    FROM range({first}, {last}) t(i)),
  said AS (
    SELECT *, u1 < 0.5 AS first, 55 + 6 * (hash(c) % 1000 / 500.0 - 1) AS level FROM drawn)
  SELECT 'made.parquet' AS file, 's{site}/' || i AS session_id, 's{site}/c' || c AS client,
         's{site}/p' || (c % 5) AS practitioner, 's{site}' AS site, 'upper_trapezius' AS region,
         CASE WHEN u2 < 0.5 THEN 'left' ELSE 'right' END AS treated_side, 'percussive_release' AS intervention,
         CASE WHEN first THEN 'technique_first' ELSE 'wait_first' END AS "order", 'cervical_rotation' AS measure,
         CASE WHEN u2 < 0.5 THEN 'left' ELSE 'right' END AS measured_side, 'deg' AS unit,
         'yes' AS examiner_blinded, {words}, 'made{site}' AS export, i AS row, (i % 20) * 14 AS day,
         i % 20 + 1 AS visit, i - {first} AS place, 1 AS same_side, 1 AS opposite_side, CAST(2024 AS INTEGER) AS year,
         DATE '2024-01-01' + CAST((i % 20) * 14 + c % 60 AS INTEGER) AS date,
         round(level + 2.5 * z1, 1) AS before, round(level + 2.5 * z2, 1) AS before_2,
         CASE WHEN first THEN NULL ELSE round(level + 0.5 + 2.5 * z3, 1) END AS after_wait,
         CASE WHEN u3 < 0.02 THEN NULL ELSE round(level + 3 + 2.5 * z4, 1) END AS after,
         CAST(NULL AS DOUBLE) AS comfort, CAST(NULL AS DOUBLE) AS minutes
  FROM said
) TO '{path}' (FORMAT parquet, COMPRESSION zstd)
"""


def make(folder: Path, readings: int) -> int:
    """A registry of about so many readings in `folder`; returns how many."""
    import duckdb

    con = duckdb.connect()
    con.execute("SELECT setseed(0.5)")
    rows = int(readings / 3.48)
    each, total = rows // SITES, 0
    (folder / "exports").mkdir(parents=True)
    (folder / "ledger").mkdir()
    for site in range(SITES):
        place = folder / "readings" / f"site=s{site}" / "year=2024" / f"made{site}.parquet"
        place.parent.mkdir(parents=True)
        words = ", ".join(f"'' AS {name}" for name in WORDS)
        first = site * each
        con.execute(MAKE.format(sites=SITES, first=first, last=first + each, site=site, words=words, path=place))
        counted = con.execute(
            f"SELECT count(before) + count(before_2) + count(after_wait) + count(after) FROM '{place}'"
        ).fetchone()
        n = int(counted[0]) if counted else 0
        total += n
        note = {
            "format": "registry-export/1",
            "accounts": [
                {
                    "site": f"s{site}",
                    **dict.fromkeys(("rows_read", "rows_kept", "rows_stored"), each),
                    **dict.fromkeys(("readings_read", "readings_kept"), n),
                    "rows_set_aside": 0,
                    "readings_set_aside": 0,
                }
            ],
            "source": {"files": [], "sha256": "", "layout": "wide"},
            "units": {"cervical_rotation": "deg"},
            "parts": [{"path": place.relative_to(folder).as_posix(), "site": f"s{site}", "year": 2024, "rows": each}],
            "ledger": "",
        }
        (folder / "exports" / f"made{site}.json").write_text(json.dumps(note), encoding="utf-8")
    return total


def bare(found: Any) -> float:
    """Seconds of one pass of the engine over the columns that the question needs."""
    table = found.stored
    mine = table.filter(table.measure == "cervical_rotation", table.intervention == "percussive_release")
    numbers = {name: mine[name].sum() for name in ("before", "before_2", "after_wait", "after")}
    counted = mine.group_by(["client", "practitioner", "order"]).agg(n=mine.count(), visits=mine.visit.max(), **numbers)
    begun = time.perf_counter()
    found.engine.frame(counted.agg(n=counted.n.sum(), **{name: counted[name].sum() for name in numbers}))
    return time.perf_counter() - begun


def one_read(found: Any) -> float:
    """Seconds of reading the same columns once."""
    table = found.stored
    names = ("measure", "intervention", "client", "practitioner", "session_id", "order", "treated_side")
    begun = time.perf_counter()
    found.engine.frame(table.agg(**{name: table[name].max() for name in (*names, "before", "before_2", "after")}))
    return time.perf_counter() - begun


def measured(folder: Path, engine: str) -> dict[str, Any]:
    """One question from sums, beside the bare aggregate and one read, in this process."""
    from toolkit import registry

    session = None
    if engine == "spark":
        from pyspark.sql import SparkSession

        builder = SparkSession.builder.master("local[2]").config("spark.driver.memory", "3g")
        session = builder.config("spark.ui.enabled", "false").config("spark.sql.shuffle.partitions", "4").getOrCreate()
    found = registry(folder, engine=session)
    bare(found)
    plain, read = bare(found), one_read(found)
    begun = time.perf_counter()
    answer = found.difference(QUESTION)
    taken = time.perf_counter() - begun
    row = answer.row("as written down")
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20
    if session is not None:
        session.stop()
    return {
        "question, s": taken,
        "bare aggregate, s": plain,
        "one read, s": read,
        "ratio": taken / (plain + read),
        "peak memory, GiB": peak,
        "sessions": int(row["n_rows"]),
        "clients": int(row["n_clients"]),
        "estimate": float(row["estimate"]),
        "SE": answer.detail.complete.se,
    }


def main() -> None:
    """Print and write the table."""
    if "--measure" in sys.argv:
        print("RESULT " + json.dumps(measured(Path(sys.argv[-2]), sys.argv[-1])))
        return
    sizes = [int(word) for word in sys.argv[1:] if word.isdigit()] or [10_000_000, 50_000_000]
    engines = ["duckdb", *(["spark"] if "--spark" in sys.argv else [])]
    lines = []
    for size in sizes:
        folder = Path(tempfile.mkdtemp()) / "clinics"
        readings = make(folder, size)
        disk = sum(path.stat().st_size for path in folder.rglob("*.parquet"))
        for engine in engines:
            command = [sys.executable, __file__, "--measure", str(folder), engine]
            done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
            told = [line for line in done.stdout.splitlines() if line.startswith("RESULT ")]
            if not told:
                print(done.stderr[-2000:])
                continue
            lines.append(
                {"readings": readings, "engine": engine, "disk, bytes a reading": disk / readings}
                | json.loads(told[0][7:])
            )
            print(lines[-1], flush=True)
        shutil.rmtree(folder.parent)
    write(lines)


def write(lines: list[dict[str, Any]]) -> None:
    """The table as registry.md, with the versions it was made with."""
    from importlib.metadata import version

    import pandas as pd

    names = ("duckdb", "ibis-framework", "pyspark", "pyarrow", "pandas", "numpy")
    versions = ", ".join(f"{name} {version(name)}" for name in names)
    body = pd.DataFrame(lines).T.to_string(header=False, float_format=lambda value: f"{value:.3g}")
    text = "\n".join(
        [
            "# One question of a registry, from sums",
            "",
            "`python tests/benchmarks/registry.py`. 40 sites, four readings a session; two cores, shared.",
            f"{versions}; Python {sys.version.split()[0]}.",
            "",
            "```",
            body,
            "```",
            "",
            "ratio: the question over the bare aggregate plus one read, in the same process.",
            "",
        ]
    )
    (Path(__file__).parent / "registry.md").write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
