"""Time our mixed models beside R's lme4 + lmerTest (where R is installed) and statsmodels, on the same rows.

python tests/benchmarks/models.py          prints the table and writes models_speed.csv and models_speed.md beside it
python tests/benchmarks/models.py quick    1,000 and 10,000 rows only, printed, nothing written

Model: y ~ region * intervention + baseline + (1 | client) + (1 | practitioner), clients = rows / 6, 8 practitioners.
Both sides read the rows into memory first and are called once to warm up; the time is the best of several runs. "whole"
is fit, tests of every effect (Satterthwaite) and adjusted means by region and intervention; R: lmer, summary, emmeans.
"""

from __future__ import annotations

import json
import platform
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent.parent))

from toolkit.mixed.adjusted_means import adjusted_means  # noqa: E402
from toolkit.mixed.mixed import fit_mixed  # noqa: E402
from toolkit.mixed.mixed_fit import MixedFit  # noqa: E402

FORMULA = "y ~ region * intervention + baseline"
CELLS = ("region", "intervention")
R_LARGEST_KENWARD_ROGER = 1_000


def clinic(n: int, *, seed: int = 1) -> pd.DataFrame:
    """Rows of a simulated clinic: clients = rows / 6, 8 practitioners, three regions, three interventions."""
    rng = np.random.default_rng(seed)
    clients = n // 6
    client, practitioner = rng.integers(0, clients, n), rng.integers(0, 8, n)
    rows = pd.DataFrame(
        {
            "client": np.char.add("c", client.astype(str)),
            "practitioner": np.char.add("p", practitioner.astype(str)),
            "region": rng.choice(["calf", "neck", "shoulder"], n),
            "intervention": rng.choice(["measured_only", "press", "stretch"], n),
            "baseline": rng.normal(30, 5, n).round(3),
        }
    )
    rows["y"] = (
        2
        - 0.2 * (rows["baseline"] - 30)
        + 1.5 * (rows["intervention"] != "measured_only")
        + rng.normal(0, 1.5, clients)[client]
        + rng.normal(0, 0.7, 8)[practitioner]
        + rng.normal(0, 2, n)
    ).round(4)
    return rows


def fit_only(rows: pd.DataFrame) -> MixedFit:
    """The fit alone."""
    return fit_mixed(rows, formula=FORMULA)


def whole(rows: pd.DataFrame) -> MixedFit:
    """Fit, Satterthwaite tests of every effect, adjusted means."""
    fit = fit_only(rows)
    fit.effects(ddf="satterthwaite")
    adjusted_means(fit, CELLS, ddf="satterthwaite")
    return fit


def kenward_roger(rows: pd.DataFrame) -> MixedFit:
    """Fit and Kenward–Roger tests of every effect."""
    fit = fit_only(rows)
    fit.effects(ddf="kenward_roger")
    return fit


def clients_only(rows: pd.DataFrame) -> MixedFit:
    """The model with clients alone."""
    return fit_mixed(rows, formula=FORMULA, groups=("client",))


def best_of(job: Callable[[pd.DataFrame], object], rows: pd.DataFrame, *, runs: int) -> float:
    """Seconds of the quickest run."""
    times = []
    for _ in range(runs):
        start = time.perf_counter()
        job(rows)
        times.append(time.perf_counter() - start)
    return min(times)


def statsmodels_clients(rows: pd.DataFrame) -> object:
    """statsmodels' MixedLM with clients alone."""
    import statsmodels.formula.api as smf

    return smf.mixedlm(FORMULA, rows, groups="client").fit()


R_SCRIPT = """
suppressMessages({library(lme4); library(lmerTest); library(emmeans); library(pbkrtest); library(jsonlite)})
emm_options(lmerTest.limit = 1e9, pbkrtest.limit = 1e9)
args <- commandArgs(TRUE); runs <- as.integer(args[2]); kr <- args[3] == "kr"
rows <- read.csv(args[1], stringsAsFactors = TRUE)
f <- y ~ region * intervention + baseline + (1 | client) + (1 | practitioner)
best <- function(job) { t <- Inf; for (i in seq_len(runs)) t <- min(t, system.time(job())[["elapsed"]]); t }
warm <- lmerTest::lmer(f, rows[seq_len(min(900, nrow(rows))), ])
invisible(summary(warm)); invisible(emmeans(warm, ~ region * intervention, lmer.df = "satterthwaite"))
out <- list(fit = best(function() lme4::lmer(f, rows)),
  tests = best(function() { m <- lmerTest::lmer(f, rows); summary(m) }),
  whole = best(function() { m <- lmerTest::lmer(f, rows); summary(m)
    summary(emmeans(m, ~ region * intervention, lmer.df = "satterthwaite")) }))
if (kr) { m <- lmerTest::lmer(f, rows)
  out$kenward_roger <- system.time(summary(m, ddf = "Kenward-Roger"))[["elapsed"]] }
v <- function(p) as.character(packageVersion(p))
out$versions <- paste0("R ", getRversion(), ", lme4 ", v("lme4"), ", lmerTest ", v("lmerTest"),
  ", emmeans ", v("emmeans"), ", pbkrtest ", v("pbkrtest"))
cat(toJSON(out, auto_unbox = TRUE, digits = 8))
"""


def r_times(rows: pd.DataFrame, *, runs: int) -> dict[str, float | str]:
    """R's times on the same rows; empty where R or its packages are not installed."""
    program = shutil.which("Rscript")
    if program is None:
        return {}
    with tempfile.TemporaryDirectory() as folder:
        data, script = Path(folder) / "rows.csv", Path(folder) / "time.R"
        rows.to_csv(data, index=False)
        script.write_text(R_SCRIPT, encoding="utf-8")
        kr = "kr" if len(rows) <= R_LARGEST_KENWARD_ROGER else "no"
        done = subprocess.run(
            [program, str(script), str(data), str(runs), kr], capture_output=True, text=True, check=False
        )
    if done.returncode:
        sys.stderr.write(f"R did not run: {done.stderr[-300:]}\n")
        return {}
    return dict(json.loads(done.stdout))


def measure(n: int) -> dict[str, float | int | str]:
    """One row of the table."""
    rows, runs = clinic(n), (7 if n <= 10_000 else 3 if n <= 100_000 else 1)
    fit = fit_only(rows)
    figures: dict[str, float | int | str] = {"rows": n, "clients": fit.levels["client"]}
    figures["fit_s"] = best_of(fit_only, rows, runs=runs)
    figures["whole_s"] = best_of(whole, rows, runs=runs)
    figures["kenward_roger_s"] = best_of(kenward_roger, rows, runs=runs)
    figures["kenward_roger_over_fit"] = figures["kenward_roger_s"] / figures["fit_s"]
    if n <= 100_000:
        figures |= {f"r_{name}": value for name, value in r_times(rows, runs=min(runs, 3)).items()}
    if "r_whole" in figures:
        figures["fit_over_r"] = figures["fit_s"] / float(figures["r_fit"])
        figures["whole_over_r"] = figures["whole_s"] / float(figures["r_whole"])
        figures["whole_over_r_tests_alone"] = figures["whole_s"] / float(figures["r_tests"])
    if n == 10_000:
        figures["clients_only_s"] = best_of(clients_only, rows, runs=runs)
        figures["statsmodels_clients_only_s"] = best_of(statsmodels_clients, rows, runs=1)
        figures["over_statsmodels"] = figures["clients_only_s"] / figures["statsmodels_clients_only_s"]
    figures["peak_memory_gib"] = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20
    return figures


def slope(table: pd.DataFrame) -> float:
    """Slope of log time on log rows, fit and tests and means."""
    return float(np.polyfit(np.log(table["rows"]), np.log(table["whole_s"]), 1)[0])


def said(table: pd.DataFrame) -> str:
    """The table as text, times in seconds."""
    r_version = table.get("r_versions", pd.Series(dtype=str)).dropna()
    versions = [f"Python {platform.python_version()}", f"numpy {np.__version__}", f"pandas {pd.__version__}"]
    head = ", ".join(versions + list(r_version.unique()[:1]))
    wide = table.drop(columns="r_versions", errors="ignore").set_index("rows").T
    lines = [
        f"{name:32s}" + "".join(f"{v:>14.4g}" if pd.notna(v) else f"{'':>14s}" for v in row)
        for name, row in wide.iterrows()
    ]
    columns = f"{'rows':32s}" + "".join(f"{n:>14,d}" for n in wide.columns)
    return "\n".join([head, "", columns, *lines, "", f"log-log slope of the whole on rows: {slope(table):.2f}"])


if __name__ == "__main__":
    quick = sys.argv[1:] == ["quick"]
    whole(clinic(600))
    found = pd.DataFrame(
        [measure(n) for n in ((1_000, 10_000) if quick else (1_000, 4_000, 10_000, 100_000, 1_000_000))]
    )
    sys.stdout.write(said(found) + "\n")
    if not quick:
        found.to_csv(HERE / "models_speed.csv", index=False, float_format="%.5g", lineterminator="\n")
        (HERE / "models_speed.md").write_text(
            f"# Mixed models: time beside R and statsmodels\n\n{__doc__.split(chr(10) * 2)[-1].strip()}\n\n"
            f"Two cores, both sides with their libraries' default threads.\n\n```\n{said(found)}\n```\n",
            encoding="utf-8",
        )
