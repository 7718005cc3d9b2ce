"""Print, per method, how many figures are checked, from which sources, and the worst disagreement.

Run from the project folder: python tests/against_published/agreement_report.py
"""

import sys
from pathlib import Path

import pandas as pd

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE), str(HERE.parent.parent)]

from published_figures import expected, test_modules  # noqa: E402


def agreement() -> pd.DataFrame:
    """One row a method: number of checks, worst relative difference and worst difference in tolerances, sources."""
    rows = []
    for name, module in test_modules().items():
        for figure in module.CHECKS:
            wanted = expected(figure)
            got = float(module.CHECKS[figure]())
            apart = abs(got - wanted.value)
            rows.append(
                {
                    "module": name,
                    "method": wanted.method,
                    "relative": apart / abs(wanted.value) if wanted.value else apart,
                    "of_tolerance": wanted.disagreement(got),
                    "source": wanted.source.split(";")[0],
                }
            )
    return (
        pd.DataFrame(rows)
        .groupby(["module", "method"], sort=False)
        .agg(
            checks=("relative", "size"),
            worst_relative=("relative", "max"),
            worst_of_tolerance=("of_tolerance", "max"),
            sources=("source", lambda s: "; ".join(dict.fromkeys(s))),
        )
        .reset_index()
    )


if __name__ == "__main__":
    sys.stdout.write(agreement().to_string(index=False) + "\n")
