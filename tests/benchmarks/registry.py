"""A registry of many readings: one question from sums, beside the engine's bare aggregate of the same columns.

    python tests/benchmarks/registry.py                      # 10 and 50 million readings on DuckDB
    python tests/benchmarks/registry.py 5000000 --spark      # as many as you say, on Spark within this machine
    python tests/benchmarks/registry.py --keep FOLDER        # readings made once are found there again

The readings are made by DuckDB itself, in the registry's own layout: 40 sites, four readings a session, 20 sessions a
client. Each size runs in a process of its own. Processor seconds are those of Python and the engine together, whatever
else the machine does. "bare": one pass that sums and counts the columns the question needs, by client, practitioner and
order; "one read": the largest value of each column that is read. Adds to registry.json and writes registry.md.
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


PASSES = {
    ("n", "share"): "    one pass: which side belongs to the treated one",
    ("arm", "date"): "    one pass: totals by day",
    ("arm", "y"): "    one pass: how often each change stands",
    ("measure", "n"): "    one pass: pairs read twice, by client",
}


class Clock:
    """Seconds by the wall, and processor seconds of this process and of an engine's own."""

    def __init__(self, session: Any) -> None:
        self.process = session and session._jvm.java.lang.ProcessHandle.current().pid()

    def now(self) -> tuple[float, float]:
        """Both so far."""
        spent = time.process_time()
        if self.process:
            fields = Path(f"/proc/{self.process}/stat").read_text().rsplit(")", 1)[1].split()
            spent += (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")
        return time.perf_counter(), spent

    def of(self, job: Any) -> tuple[Any, float, float]:
        """What a job gives, its seconds and its processor seconds."""
        wall, spent = self.now()
        found = job()
        after = self.now()
        return found, after[0] - wall, after[1] - spent


def bare(found: Any) -> None:
    """One pass of the engine over the columns that the question needs."""
    table = found.stored
    mine = table.filter(table.measure == "cervical_rotation", table.intervention == "percussive_release")
    numbers = {name: mine[name].sum() for name in ("before", "before_2", "after_wait", "after")}
    counted = mine.group_by(["client", "practitioner", "order"]).agg(n=mine.count(), visits=mine.visit.max(), **numbers)
    found.engine.frame(counted.agg(n=counted.n.sum(), **{name: counted[name].sum() for name in numbers}))


def one_read(found: Any) -> None:
    """The same columns read once."""
    table = found.stored
    names = ("measure", "intervention", "client", "practitioner", "session_id", "order", "treated_side")
    found.engine.frame(table.agg(**{name: table[name].max() for name in (*names, "before", "before_2", "after")}))


class Watched:
    """What the engine is asked during one question: its processor seconds, what it sends, the widest table."""

    def __init__(self, clock: Clock) -> None:
        from toolkit.registering.engine import Engine

        self.anew()
        real = Engine.arrow

        def arrow(engine: Any, table: Any) -> Any:
            found, _, spent = clock.of(lambda: real(engine, table))
            self.spent, self.sent = self.spent + spent, self.sent + found.nbytes
            wide = len(found.column_names) > 30
            usual = "    one pass: sums and products by client" if wide else "    what a part of the sessions is asked"
            name = PASSES.get(tuple(found.column_names)[:2], usual)
            self.each[name] = self.each.get(name, 0.0) + spent
            if wide:
                self.cells, self.widest = self.cells + len(found), table
            return found

        Engine.arrow = arrow  # type: ignore[method-assign]

    def anew(self) -> None:
        """Before a question."""
        self.spent, self.sent, self.cells, self.widest = 0.0, 0, 0, None
        self.each: dict[str, float] = {}


def moved(plan: str, cells: int) -> tuple[str, int]:
    """What the engine's plan moves between machines in its widest step: the line, and bytes.

    Before rows change places each machine has added up its own: one row a cell, 8 bytes a field, words to the next 8.
    """
    lines = [line.strip(" +-:*()0123456789") for line in plan.splitlines()]
    exchange = next((line for line in lines if line.startswith("Exchange hashpartitioning")), "")
    fields = max(line.count("partial_") for line in lines) + exchange.count("#")
    return exchange.split(", ENSURE")[0][:160], cells * 8 * (1 + fields + 3)


def measured(folder: Path, engine: str) -> dict[str, Any]:
    """One question from sums, beside the bare aggregate and one read, in this process."""
    from toolkit import registry

    session = None
    if engine == "spark":
        from pyspark.sql import SparkSession

        builder = SparkSession.builder.master("local[2]").config("spark.driver.memory", "3g")
        builder = builder.config("spark.sql.debug.maxToStringFields", "500")  # the whole plan
        session = builder.config("spark.ui.enabled", "false").config("spark.sql.shuffle.partitions", "4").getOrCreate()
        session.sparkContext.setLogLevel("ERROR")
    clock = Clock(session)
    found = registry(folder, engine=session)
    bare(found)
    _, plain, plain_spent = min((clock.of(lambda: bare(found)) for _ in range(3)), key=lambda one: one[2])
    _, read, read_spent = min((clock.of(lambda: one_read(found)) for _ in range(3)), key=lambda one: one[2])
    watched, asked = Watched(clock), []
    for _ in range(3):
        watched.anew()
        asked.append((*clock.of(lambda: found.difference(QUESTION)), watched.spent, watched.each))
    answer, taken, spent, by_engine, each = min(asked, key=lambda one: one[2])
    row = answer.row("as written down")
    told = {
        "question, s": taken,
        "bare aggregate, s": plain,
        "one read, s": read,
        "question the first time, processor s": asked[0][2],
        "question, processor s": spent,
        "  of it the engine": by_engine,
        **each,
        "  of it the fits and the rest": spent - by_engine,
        "bare aggregate, processor s": plain_spent,
        "one read, processor s": read_spent,
        "ratio by the wall": taken / (plain + read),
        "ratio of processor s": spent / (plain_spent + read_spent),
        "  of the engine alone": by_engine / (plain_spent + read_spent),
        "peak memory of Python, GiB": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20,
        "sessions": int(row["n_rows"]),
        "clients": int(row["n_clients"]),
        "sent to Python, bytes a session": watched.sent / int(row["n_rows"]),
        "estimate": float(row["estimate"]),
        "SE": answer.detail.complete.se,
        "others at work (load)": os.getloadavg()[0],
    }
    if session is not None:
        told["plan"], told["moved, bytes"] = moved(found.engine.plan(watched.widest), watched.cells)
        session.stop()
    return told


def main() -> None:
    """Print and write the table."""
    if "--measure" in sys.argv:
        print("RESULT " + json.dumps(measured(Path(sys.argv[-2]), sys.argv[-1])))
        return
    sizes = [int(word) for word in sys.argv[1:] if word.isdigit()] or [10_000_000, 50_000_000]
    engine = "spark" if "--spark" in sys.argv else "duckdb"
    kept = Path(sys.argv[sys.argv.index("--keep") + 1]) if "--keep" in sys.argv else None
    for size in sizes:
        home = kept or Path(tempfile.mkdtemp())
        folder = home / f"clinics_{size}"
        readings = sum_of_notes(folder) if folder.is_dir() else make(folder, size)
        disk = sum(path.stat().st_size for path in folder.rglob("*.parquet"))
        command = [sys.executable, __file__, "--measure", str(folder), engine]
        done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
        told = [line for line in done.stdout.splitlines() if line.startswith("RESULT ")]
        if told:
            line = {"readings": readings, "engine": engine, "disk, bytes a reading": disk / readings}
            note(line | json.loads(told[0][7:]))
        else:
            print(done.stderr[-2000:])
        if kept is None:
            shutil.rmtree(home)
    write()


def sum_of_notes(folder: Path) -> int:
    """How many readings a registry's notes speak of."""
    notes = [json.loads(path.read_text(encoding="utf-8")) for path in (folder / "exports").glob("*.json")]
    return sum(one["accounts"][0]["readings_kept"] for one in notes)


def note(line: dict[str, Any]) -> None:
    """Add a line to registry.json in the place of the one of this size and engine."""
    place = Path(__file__).parent / "registry.json"
    held = json.loads(place.read_text(encoding="utf-8")) if place.is_file() else []
    key = (line["engine"], line["readings"])
    held = [one for one in held if (one["engine"], one["readings"]) != key]
    held = sorted([*held, line], key=lambda one: (one["engine"], one["readings"]))
    place.write_text(json.dumps(held, indent=1) + "\n", encoding="utf-8")
    print(line, flush=True)


def write() -> None:
    """The table as registry.md, with the versions it was made with."""
    from importlib.metadata import version

    import numpy as np
    import pandas as pd

    lines = json.loads((Path(__file__).parent / "registry.json").read_text(encoding="utf-8"))
    names = ("duckdb", "ibis-framework", "pyspark", "pyarrow", "pandas", "numpy")
    versions = ", ".join(f"{name} {version(name)}" for name in names)
    frame = pd.DataFrame(lines).drop(columns=["plan", "moved, bytes"], errors="ignore")
    body = frame.T.to_string(header=False, float_format=lambda value: f"{value:.3g}", na_rep="")
    text = [
        "# One question of a registry, from sums",
        "",
        "`python tests/benchmarks/registry.py`. 40 sites, four readings a session, 20 sessions a client; two cores",
        "that others use too, so read the ratio of processor seconds. Each column is a process of its own.",
        f"{versions}; Python {sys.version.split()[0]}.",
        "",
        "```",
        body,
        "```",
        "",
        "ratio: the question over the bare aggregate plus one read, in the same process, each the quickest of three.",
        "What is more than those: the pass that sums up some 36 products by client, practitioner and arm where the",
        "bare one sums up five numbers; passes of their own for days, changes and reading error; words, sequences,",
        "readers and copied readings in some half a million sessions; and three fits (as",
        "written down, missing readings against the technique and for it), each of which adjusts the scores of every",
        "client for what the fit took from them (CR2): that part grows with clients, not with their sessions.",
    ]
    duck = sorted((one for one in lines if one["engine"] == "duckdb"), key=lambda one: one["readings"])
    if len(duck) > 1:
        low, high = duck[-2], duck[-1]
        rise = np.log(high["question, processor s"] / low["question, processor s"])
        slope = rise / np.log(high["readings"] / low["readings"])
        text.append(
            f"From {low['readings']:,} to {high['readings']:,} readings processor seconds rise with slope {slope:.2f}."
        )
    for one in (one for one in lines if one.get("moved, bytes")):
        text += [
            "",
            f"On a cluster, from the plan that Spark prints (`{one['plan']}`):",
            "each machine first adds up its own sessions, then one row a cell changes places: "
            f"{one['moved, bytes'] / one['readings']:.1f} bytes a reading,",
            f"{one['moved, bytes'] / SITES / 1e6:.1f} MB a site of {one['readings'] / SITES:,.0f} readings.",
        ]
    (Path(__file__).parent / "registry.md").write_text("\n".join([*text, ""]), encoding="utf-8")


if __name__ == "__main__":
    main()
