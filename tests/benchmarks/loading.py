"""Straight in memory: reading and checking an export, one audit question and the mixed model, from 10,000 rows upwards.

    python tests/benchmarks/loading.py                      # 10,000, 100,000, 1,000,000 and 5,000,000 rows
    python tests/benchmarks/loading.py 200000               # as many as you say; printed, nothing written
    python tests/benchmarks/loading.py --only load 200000   # one of: load, audit, model, report

Each job of each size runs in a process of its own, so that its peak memory is its own. An export has one row a session,
twenty sessions a client, eight practitioners; the order is drawn, two in a hundred readings after are missing, and
three measures, regions and interventions stand side by side: the question is asked of about two thirds of the rows.

read: a bare read of the same file by pandas' C reader, pandas' pyarrow engine and DuckDB, then "split" (our reader, no
cell understood yet) and "load" (`load_records`: read and checked). audit: the question judged, from loaded records to
finished findings. model: y ~ order + before + (1 | client) + (1 | practitioner) on all rows of that measure.
report: the folder written.
Times are CPU seconds of all threads and wall seconds, of the quickest of three (one, from a million rows on); imports
and a first small run are not counted. Ratios are of one process. Writes loading.md.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import resource
import subprocess
import sys
import tempfile
import time
import warnings
from collections.abc import Callable
from importlib.metadata import version
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
ONE_THREAD = {"OPENBLAS_NUM_THREADS": "1"}  # several threads wait for each other where cores are shared
SIZES = (10_000, 100_000, 1_000_000, 5_000_000)
MOST_ASKED = 5_000_000  # rows up to which a question is asked
MOST_ROWS = {"report": 1_000_000, "load": 10**9, "model": 10**9}  # up to which a job is done, where another number
QUESTION: dict[str, Any] = {
    "measure": "cervical_rotation",
    "region": "upper_trapezius",
    "intervention": "percussive_release",
    "comparison": "wait",
    "smallest_change_that_matters": 5.0,
    "unit": "deg",
}
MEASURES = ("cervical_rotation", "cervical_lateral_flexion", "cervical_flexion")
REGIONS = ("upper_trapezius", "splenii", "levator_scapulae + upper_trapezius")
INTERVENTIONS = ("percussive_release", "measured_only", "my own way")
MOSTLY = [0.88, 0.06, 0.06]


def export(rows: int, rng: np.random.Generator) -> pd.DataFrame:
    """A wide export: one row a session, twenty sessions a client, order drawn."""
    clients = max(rows // 20, 1)
    client, visit = np.arange(rows) % clients, np.arange(rows) // clients
    level = rng.normal(55, 6, clients)[client]
    first = rng.random(rows) < 0.5
    read = [(level + rng.normal(0, 2.5, rows)).round(1) for _ in range(2)]
    waited = (level + 0.5 + rng.normal(0, 2.5, rows)).round(1)
    after = (level + 3 + rng.normal(0, 1, clients)[client] + rng.normal(0, 2.5, rows)).round(1)
    start = pd.Timestamp("2024-01-01") + pd.to_timedelta(client % 60 + 14 * visit, "D")
    return pd.DataFrame(
        {
            "session_id": np.char.add("S", np.arange(rows).astype(str)),
            "client": np.char.add("K", client.astype(str)),
            "practitioner": np.char.add("P", (client % 8).astype(str)),
            "date": start.strftime("%Y-%m-%d"),
            "region": rng.choice(REGIONS, rows, p=MOSTLY),
            "treated_side": rng.choice(["left", "right"], rows),
            "intervention": rng.choice(INTERVENTIONS, rows, p=MOSTLY),
            "order": np.where(first, "technique_first", "wait_first"),
            "measure": rng.choice(MEASURES, rows, p=MOSTLY),
            "measured_side": rng.choice(["left", "right"], rows),
            "unit": "deg",
            "before": read[0],
            "before_2": read[1],
            "after_wait": np.where(first, np.nan, waited),
            "after": np.where(rng.random(rows) < 0.02, np.nan, after),
            "examiner_blinded": rng.choice(["yes", "no"], rows),
            "comfort": rng.integers(0, 11, rows),
            "adverse_event": "none",
        }
    )


def taken(job: Callable[[], object], runs: int) -> tuple[float, float]:
    """(CPU seconds, wall seconds) of the quickest of several runs."""
    found = []
    for _ in range(runs):
        cpu, wall = time.process_time(), time.perf_counter()
        job()
        found.append((time.process_time() - cpu, time.perf_counter() - wall))
    return min(found)


def peak() -> float:
    """The most memory this process has held, in GiB; of Linux its own, not that of the process that started it."""
    status = Path("/proc/self/status")
    if status.exists():
        told = next(line for line in status.read_text().splitlines() if line.startswith("VmHWM"))
        return int(told.split()[1]) / 2**20
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * (1 if sys.platform == "darwin" else 1024) / 2**30


def bare_reads(path: Path) -> dict[str, Callable[[], object]]:
    """A bare read of the file into a frame, by name of the reader."""
    readers: dict[str, Callable[[], object]] = {
        "pandas C": lambda: pd.read_csv(path),
        "pandas pyarrow": lambda: pd.read_csv(path, engine="pyarrow"),
    }
    try:
        import duckdb
    except ImportError:
        return readers
    return readers | {"DuckDB": lambda: duckdb.sql(f"SELECT * FROM read_csv('{path.as_posix()}')").df()}


def job_load(path: Path, small: Path, runs: int) -> dict[str, float]:
    """Peak memory of loading first, then bare reads and loading in turn."""
    from toolkit.records.reading_files import read_file
    from toolkit.records.records import load_records

    load_records(small)
    idle = peak()
    records = load_records(path)
    source = records.source
    assert source.rows_read == source.rows_kept + source.rows_set_aside
    figures = {"idle, GiB": idle, "peak, GiB": peak()}
    del records
    for name, job in bare_reads(small).items():
        job()
        figures[f"{name}, CPU s"], figures[f"{name}, s"] = taken(bare_reads(path)[name], runs)
    figures["split, CPU s"], figures["split, s"] = taken(lambda: read_file(path), runs)
    figures["load, CPU s"], figures["load, s"] = taken(lambda: load_records(path), runs)
    for kind in ("CPU s", "s"):
        fastest = min(figures[f"{name}, {kind}"] for name in bare_reads(path))
        figures[f"load / fastest bare read, {kind}"] = figures[f"load, {kind}"] / fastest
    return figures


def job_audit(path: Path, small: Path, runs: int) -> dict[str, float]:
    """One question of loaded records, to its finished findings."""
    from toolkit import audit, load_records

    warnings.simplefilter("ignore")
    assert audit(load_records(small), question=QUESTION).findings
    records = load_records(path)
    loaded = peak()
    cpu, wall = taken(lambda: audit(records, question=QUESTION).findings, runs)
    return {"audit, CPU s": cpu, "audit, s": wall, "loaded, GiB": loaded, "peak, GiB": peak()}


def job_model(path: Path, small: Path, runs: int) -> dict[str, float]:
    """The mixed model with clients and practitioners, of all rows."""
    from toolkit import load_records, mixed_model

    def fit(of: pd.DataFrame) -> object:
        rows = of.assign(y=of["after"].fillna(of["after_wait"]) - of["before"])
        return mixed_model("y ~ order + before", rows, ("client", "practitioner"), measure=QUESTION["measure"]).frame

    fit(load_records(small).readings)
    readings = load_records(path).readings
    loaded = peak()
    cpu, wall = taken(lambda: fit(readings), runs)
    return {"model, CPU s": cpu, "model, s": wall, "loaded, GiB": loaded, "peak, GiB": peak()}


def job_report(path: Path, small: Path, _runs: int) -> dict[str, float]:
    """The audit's folder written, and the size of its page."""
    from toolkit import audit

    warnings.simplefilter("ignore")
    figures = {}
    for source in (small, path):
        found = audit(source, question=QUESTION)
        assert found.findings
        with tempfile.TemporaryDirectory() as folder:
            cpu, wall = taken(lambda found=found, folder=folder: found.write(Path(folder) / "audit"), 1)  # type: ignore[misc]
            page = (Path(folder) / "audit" / "report.html").stat().st_size
            whole = sum(one.stat().st_size for one in (Path(folder) / "audit").rglob("*") if one.is_file())
        figures = {"report, CPU s": cpu, "report, s": wall, "page, MB": page / 1e6, "folder, MB": whole / 1e6}
    return figures | {"peak, GiB": peak()}


JOBS = {"load": job_load, "audit": job_audit, "model": job_model, "report": job_report}


def measured(size: int, jobs: list[str]) -> dict[str, float]:
    """One column of the table: every job on an export of so many rows, each in its own process."""
    figures: dict[str, float] = {}
    with tempfile.TemporaryDirectory() as folder:
        places = Path(folder) / "small.csv", Path(folder) / "export.csv"
        for place, rows in zip(places, (2_000, size), strict=True):
            export(rows, np.random.default_rng(1)).to_csv(place, index=False)
        for job in jobs:
            told = [sys.executable, __file__, "--job", job, str(places[1]), str(places[0])]
            done = subprocess.run(told, check=True, capture_output=True, text=True, env=os.environ | ONE_THREAD)
            figures |= {f"{job}: {name}": value for name, value in json.loads(done.stdout).items()}
            sys.stderr.write(f"{size:,} rows: {done.stdout}\n")
    return figures


def said(table: pd.DataFrame) -> str:
    """The table as text: a line a figure, a column a size, and the slope on a log-log scale between neighbours."""
    sizes = [int(size) for size in table.columns]
    lines = [f"{'rows':44s}" + "".join(f"{size:>12,}" for size in sizes) + "   slopes"]
    for name, row in table.iterrows():
        slopes = np.diff(np.log(row.to_numpy(dtype=float))) / np.diff(np.log(sizes))
        grows = str(name).endswith("s") and "/" not in str(name)
        told = "  ".join(f"{slope:5.2f}" for slope in slopes if np.isfinite(slope)) if grows else ""
        shown = "".join(" " * 12 if np.isnan(value) else f"{value:>12.3g}" for value in row)
        lines.append(f"{name:44s}{shown}   {told}".rstrip())
    return "\n".join(lines)


def versions() -> str:
    """What was measured with."""
    from importlib.metadata import PackageNotFoundError

    told = [f"Python {platform.python_version()}"]
    for name in ("pandas", "numpy", "scipy", "pyarrow", "duckdb"):
        try:
            told.append(f"{name} {version(name)}")
        except PackageNotFoundError:
            told.append(f"{name} not installed")
    return f"{', '.join(told)}; {os.cpu_count()} cores, shared."


def main() -> None:
    """Print the table; write it where the usual sizes were measured."""
    asked = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    asked.add_argument("sizes", nargs="*", help="rows")
    asked.add_argument("--only", choices=sorted(JOBS), help="one job")
    asked.add_argument("--job", choices=sorted(JOBS), help=argparse.SUPPRESS)
    told = asked.parse_args()
    if told.job:
        path, small = map(Path, told.sizes)
        runs = 1 if path.stat().st_size > 50_000_000 else 3
        print(json.dumps(JOBS[told.job](path, small, runs)))
        return
    sizes = [int(size) for size in told.sizes] or list(SIZES)
    jobs = [told.only] if told.only else list(JOBS)
    found: dict[int, dict[str, Any]] = {
        size: measured(size, [job for job in jobs if size <= MOST_ROWS.get(job, MOST_ASKED)]) for size in sizes
    }
    text = f"{versions()}\n\n```\n{said(pd.DataFrame(found))}\n```\n"
    print(text)
    if not told.sizes and not told.only:
        head = "# Straight in memory\n\n`python tests/benchmarks/loading.py`; its first lines say what was measured.\n"
        Path(__file__).with_suffix(".md").write_text(head + text, encoding="utf-8")


if __name__ == "__main__":
    main()
