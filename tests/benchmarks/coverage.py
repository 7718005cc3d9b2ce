"""Run the full coverage benchmark of one room's intervals, or of all, and write the result beside the table.

python tests/benchmarks/coverage.py                 all tables, 2,000 runs each
python tests/benchmarks/coverage.py measurement     one table
python tests/benchmarks/coverage.py measurement 200 with fewer runs, printed only
"""

import sys
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE), str(HERE.parent.parent)]

from interval_coverage import RUNS, coverage, entries_of, signed, tables  # noqa: E402

if __name__ == "__main__":
    rooms = sys.argv[1:2] or tables()
    runs = int(sys.argv[2]) if len(sys.argv) > 2 else RUNS
    for room in rooms:
        result = signed(coverage(entries_of(room), runs=runs))
        if runs == RUNS:
            result.to_csv(HERE / f"coverage_{room}.csv", index=False, float_format="%.6g", lineterminator="\n")
        wide = result.pivot_table(
            index=["interval", "clients_repeated", "shape"], columns="n", values="coverage", sort=False
        )
        sys.stdout.write(f"{room}, {runs} runs\n{wide.round(3).to_string()}\n")
