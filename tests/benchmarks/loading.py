"""How long loading takes beside a bare pandas.read_csv of the same file, and how much memory: ratios, no verdict.

    python tests/benchmarks/loading.py            # 200,000 and 1,000,000 rows
    python tests/benchmarks/loading.py 50000      # as many as you say

Each size runs in processes of its own, so that peak memory and imports are those of one load.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np
import pandas as pd

_BARE = """
import time; start = time.perf_counter()
import pandas, numpy
imported = time.perf_counter()
pandas.read_csv({path!r})
print(imported - start, time.perf_counter() - imported, 0)
"""
_TOOLKIT = """
import time; start = time.perf_counter()
from toolkit.records.records import load_records
imported = time.perf_counter()
records = load_records({path!r})
done = time.perf_counter()
try:
    import resource
    unit = 1 if __import__("sys").platform == "darwin" else 1024
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * unit
except ImportError:
    peak = 0
assert records.source.rows_read == records.source.rows_kept + records.source.rows_set_aside
print(imported - start, done - imported, peak)
"""


def write_export(path: Path, *, rows: int, rng: np.random.Generator) -> None:
    """Write a wide export with `rows` rows, about thirteen sessions a client."""
    start = pd.Timestamp("2024-01-01")
    before = rng.normal(40, 6, rows).clip(5, 70)
    frame = pd.DataFrame(
        {
            "session_id": np.char.add("S", np.arange(rows).astype(str)),
            "client": np.char.add("K", rng.integers(0, max(rows // 13, 1), rows).astype(str)),
            "practitioner": rng.choice(["P1", "P2", "P3", "P4"], rows),
            "date": (start + pd.to_timedelta(rng.integers(0, 700, rows), "D")).strftime("%Y-%m-%d"),
            "region": rng.choice(["upper_trapezius", "gastrocnemius", "levator_scapulae + upper_trapezius"], rows),
            "treated_side": rng.choice(["left", "right"], rows),
            "intervention": rng.choice(["percussive_release", "measured_only", "my own way"], rows),
            "order": rng.choice(["technique_first", "wait_first", ""], rows),
            "measure": rng.choice(["cervical_rotation", "cervical_lateral_flexion", "ankle_dorsiflexion_lunge"], rows),
            "measured_side": rng.choice(["left", "right"], rows),
            "unit": "deg",
            "before": before.round(1),
            "before_2": (before + rng.normal(0, 1, rows)).round(1),
            "after_wait": (before + rng.normal(0, 1, rows)).round(1),
            "after": (before + rng.normal(2, 2, rows)).round(1),
            "examiner_blinded": rng.choice(["yes", "no"], rows),
            "comfort": rng.integers(0, 11, rows),
            "adverse_event": "none",
        }
    )
    frame.to_csv(path, index=False)


def timed(script: str, path: Path, *, repeats: int = 3) -> tuple[float, float, float]:
    """(seconds of imports, seconds of reading, peak bytes) of the fastest of a few processes: machines are shared."""
    code = script.format(path=str(path))
    root = Path(__file__).resolve().parents[2]
    runs = []
    for _ in range(repeats):
        done = subprocess.run([sys.executable, "-c", code], cwd=root, check=True, capture_output=True, text=True)
        runs.append([float(figure) for figure in done.stdout.split()])
    imports, reading, peak = (min(figures) for figures in zip(*runs, strict=True))
    return imports, reading, peak


def main() -> None:
    """Print one line a size."""
    sizes = [int(text) for text in sys.argv[1:]] or [200_000, 1_000_000]
    for rows in sizes:
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "export.csv"
            write_export(path, rows=rows, rng=np.random.default_rng(1))
            imports, bare, _ = timed(_BARE, path)
            own_imports, own, peak = timed(_TOOLKIT, path)
        both, whole = 3 * bare + own_imports, 3 * (bare + imports)
        print(
            f"{rows:,} rows: bare read_csv {bare:.2f} s (imports {imports:.2f} s); load and check {own:.2f} s "
            f"(imports {own_imports:.2f} s) = {own / bare:.1f} times bare; imports and load {own + own_imports:.2f} s, "
            f"beside 3 x (bare + imports) = {whole:.2f} s and 3 x bare + imports = {both:.2f} s; "
            f"peak memory {peak / 2**30:.2f} GiB"
        )


if __name__ == "__main__":
    main()
