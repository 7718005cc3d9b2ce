"""How often two protocols are said to differ, over simulated clinics whose truth is known.

    nice -n 10 .venv/bin/python -m tests.benchmarks.protocols          # the whole table, about half an hour
    .venv/bin/python -m tests.benchmarks.protocols --clinics 20        # a look

writes protocols.csv and protocols.md beside this file; cells that stand in protocols.csv already are not run again, so
it can be stopped and resumed. The small version runs in CI (tests/comparing/test_rates.py).
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from toolkit.comparing.compare import Comparison, compare
from toolkit.comparing.simulated_protocols import Choice, ProtocolDials, simulate_protocols
from toolkit.records.account import Records
from toolkit.records.records import load_records
from toolkit.stats.proportions import wilson_limits

HERE = Path(__file__).resolve().parent
SEED = 20261126
TIED = "each site used one protocol, sites differ by 2°"
PAIR = ("long_hold", "short_hold")
BASE = ProtocolDials()
WHEN = (("anew each visit", True), ("once a client", False))
STIFF = {"equal gains": 0.0, "gains growing with stiffness": 0.25}


@dataclass(frozen=True, kw_only=True)
class Cell:
    """One kind of clinic, and what the issue of the table asks of it."""

    name: str
    dials: ProtocolDials
    n: int = 200
    most_claims: float | None = None
    least_claims: float | None = None
    drawn: bool = False
    coverage: tuple[float, float] | None = None
    most_bias: float | None = None


def cells() -> list[Cell]:
    """Every cell of the table."""
    found = []
    for share, (words, slope), (when, anew) in ((s, g, w) for s in (0.9, 0.7) for g in STIFF.items() for w in WHEN):
        dials = replace(BASE, choice="stiffness", share=share, gain_by_stiffness=slope, each_visit=anew)
        odds = f"chosen {when} by stiffness {share:.0%} to {1 - share:.0%}".replace("%", " %")
        found.append(Cell(name=f"{odds}, {words}, no difference", dials=dials, most_claims=0.075))
        once = replace(dials, second_baseline=False)
        found.append(Cell(name=f"{odds}, {words}, no difference, read once before", dials=once, most_claims=0.075))
    for words, slope in STIFF.items():
        readings: tuple[Choice, ...] = ("first_reading", "day_reading")
        for choice in readings:
            dials = replace(BASE, choice=choice, share=0.9, gain_by_stiffness=slope)
            what = {"first_reading": "the first reading", "day_reading": "the day's reading"}[choice]
            found.append(Cell(name=f"chosen by {what} 90 %, {words}, no difference", dials=dials, most_claims=0.075))
        for when, anew in WHEN:
            dials = replace(BASE, choice="stiffness", share=0.7, gain_by_stiffness=slope, effect=3.0, each_visit=anew)
            name = f"chosen {when} by stiffness 70 % to 30 %, {words}, true 3°"
            found.append(Cell(name=name, dials=dials, least_claims=0.8))
            if anew:
                once = replace(dials, second_baseline=False)
                found.append(Cell(name=f"{name}, read once before", dials=once))
    no_claim: dict[str, Any] = {"most_claims": 0.075}
    few_visits = replace(BASE, choice="stiffness", share=0.9, gain_by_stiffness=0.25, visits=1.5, each_visit=True)
    name = "chosen anew each visit by stiffness 90 % to 10 %, one or two visits each, no difference"
    found.append(Cell(name=name, dials=few_visits, **no_claim))
    hands = replace(BASE, choice="practitioner", share=0.9, practitioner_gain_sd=1.0, each_visit=True)
    name = "chosen anew each visit by practitioner 90 %, hands differ, no difference"
    found.append(Cell(name=name, dials=hands, **no_claim))
    draws: tuple[tuple[Choice, str], ...] = (("drawn_client", "a client"), ("drawn_session", "a session"))
    for choice, words in draws:
        dials = replace(BASE, choice=choice, effect=2.0)
        claims = Cell(name=f"drawn {words}, true 2°", dials=dials, least_claims=0.9, drawn=True)
        found.append(replace(claims, coverage=(0.94, 0.97), most_bias=0.1))
        found.append(
            Cell(
                name=f"drawn {words}, no difference",
                dials=replace(dials, effect=0.0),
                most_claims=0.05,
                drawn=True,
            )
        )
        lost = replace(dials, not_written=0.3)
        found.append(Cell(name=f"drawn {words}, true 2°, 30 % of unmoved not written", dials=lost, drawn=True))
    return found


def clinic(cell: Cell, rng: np.random.Generator) -> Comparison:
    """One clinic of this kind, compared."""
    return compared(simulate_protocols(cell.dials, rng=rng), drawn=cell.drawn)


@cache
def one_export() -> Records:
    """Records of one small simulated export, for the columns that records have."""
    rows = simulate_protocols(replace(BASE, n_clients=6, site="north"), rng=0).drop(columns="visit")
    return load_records(rows)


def as_records(rows: pd.DataFrame) -> Records:
    """Simulated rows as records, without the road through a file (a test compares the two)."""
    whole = one_export()
    dates = pd.to_datetime(rows["date"])
    days = (dates - dates.groupby(rows["site"] + rows["client"]).transform("min")).dt.days
    frame = rows.assign(date=dates, day=days.astype("Int64"), row=np.arange(2, len(rows) + 2))
    if rows["site"].nunique() > 1:
        frame = frame.assign(
            client=rows["site"] + "/" + rows["client"], practitioner=rows["site"] + "/" + rows["practitioner"]
        )
    columns = {}
    for name in whole.rows.columns:
        usual = whole.rows[name].iloc[0]
        columns[name] = frame[name].to_numpy() if name in frame else np.full(len(frame), usual, dtype=object)
    tidy = pd.DataFrame(columns).astype({name: kind for name, kind in whole.rows.dtypes.items() if name != "date"})
    return replace(whole, rows=tidy.assign(date=frame["date"].to_numpy()))


def compared(rows: pd.DataFrame, *, drawn: bool) -> Comparison:
    """Simulated rows compared."""
    return compare(
        as_records(rows),
        measure=BASE.measure,
        between=PAIR,
        region=BASE.region,
        drawn=drawn,
        smallest_change_that_matters=3.0,
    )


def outcome(found: Comparison, truth: float) -> dict[str, Any]:
    """What is counted of one clinic."""
    quoted = found.quoted
    return {
        "claims": found.claims,
        "did_better": found.verdict == "did_better",
        "wrong_way": found.claims and quoted.value * truth < 0,
        "covers": quoted.ci_low <= truth <= quoted.ci_high,
        "estimate": quoted.value,
        "width": quoted.ci_high - quoted.ci_low,
    }


def row_of(cell: Cell, outcomes: pd.DataFrame) -> dict[str, Any]:
    """One line of the table."""
    n, claims = len(outcomes), float(outcomes["claims"].mean())
    low, high = wilson_limits(claims, n)
    bias = float(outcomes["estimate"].mean()) - cell.dials.effect
    cover = float(outcomes["covers"].mean())
    met = [
        cell.most_claims is None or claims <= cell.most_claims,
        cell.least_claims is None or claims >= cell.least_claims,
        cell.drawn or not outcomes["did_better"].any(),
        cell.coverage is None or cell.coverage[0] <= cover <= cell.coverage[1],
        cell.most_bias is None or abs(bias) <= cell.most_bias,
    ]
    return {
        "clinics": cell.name,
        "n": n,
        "claims": claims,
        "claims_low": low,
        "claims_high": high,
        "did_better": float(outcomes["did_better"].mean()),
        "wrong_way": float(outcomes["wrong_way"].mean()),
        "coverage": cover,
        "bias": bias,
        "sd": float(outcomes["estimate"].std(ddof=1)),
        "width": float(outcomes["width"].median()),
        "target": _target(cell),
        "met": "yes" if all(met) else "no",
    }


def _target(cell: Cell) -> str:
    parts = []
    if cell.most_claims is not None:
        parts.append(f"claims at most {100 * cell.most_claims:g} %")
    if cell.least_claims is not None:
        parts.append(f"claims at least {100 * cell.least_claims:g} %")
    if not cell.drawn:
        parts.append("never “did better”")
    if cell.coverage is not None:
        parts.append(f"covers {100 * cell.coverage[0]:g} to {100 * cell.coverage[1]:g} %")
    if cell.most_bias is not None:
        parts.append(f"bias at most {cell.most_bias:g}°")
    return ", ".join(parts)


def tied(n: int) -> dict[str, Any]:
    """Each site uses one protocol only, and gains differ between sites: nothing may be claimed."""
    outcomes = []
    for k in range(n):
        rng = np.random.default_rng([SEED, 999, k])
        parts = [
            simulate_protocols(replace(BASE, n_clients=30, choice="site", share=share, gain=gain, site=name), rng=rng)
            for name, share, gain in (("north", 1.0, 4.0), ("south", 0.0, 2.0))
        ]
        outcomes.append(outcome(compared(pd.concat(parts), drawn=False), 0.0))
    cell = Cell(name=TIED, dials=BASE, most_claims=0.0)
    return row_of(cell, pd.DataFrame(outcomes))


def table(clinics: int | None = None, *, done: Path) -> pd.DataFrame:
    """The whole table; `clinics` for fewer a cell. Cells that stand in the CSV `done` already are not run again."""
    earlier = pd.read_csv(done).to_dict("records") if done.exists() else []
    rows: dict[str, dict[str, Any]] = {str(row["clinics"]): {str(k): v for k, v in row.items()} for row in earlier}
    for place, cell in sorted(enumerate(cells()), key=lambda one: not one[1].drawn):
        if cell.name in rows:
            continue
        rngs = (np.random.default_rng([SEED, place, k]) for k in range(clinics or cell.n))
        outcomes = pd.DataFrame([outcome(clinic(cell, rng), cell.dials.effect) for rng in rngs])
        rows[cell.name] = row_of(cell, outcomes)
        print(f"{cell.name}: claims {rows[cell.name]['claims']:.3f}, met {rows[cell.name]['met']}", flush=True)
        pd.DataFrame(list(rows.values())).to_csv(done, index=False)
    if TIED not in rows:
        rows[TIED] = tied(clinics or 200)
    return pd.DataFrame([rows[name] for name in [*(cell.name for cell in cells()), TIED]])


def as_markdown(frame: pd.DataFrame) -> str:
    """The table to be read."""
    lines = [
        "# Two protocols: how often a difference is claimed",
        "",
        "Simulated clinics (60 clients, 5 visits each on average, 4 practitioners; SEM 2.5°, day to day 2°), seed "
        f"{SEED}. A claim: the sentence says that one did better, or went with more improvement. Where somebody chose "
        "once for each client, the sentence says that the two went to different people. Interval: Wilson, 95 %. Made "
        "by `tests/benchmarks/protocols.py`.",
        "",
        "| clinics | n | claims | “did better” | covers | bias | target | met |",
        "| --- | ---: | ---: | ---: | ---: | ---: | --- | --- |",
    ]
    for row in frame.to_dict("records"):
        claims = f"{100 * row['claims']:.1f} % ({100 * row['claims_low']:.1f} to {100 * row['claims_high']:.1f})"
        better, cover = f"{100 * row['did_better']:.1f} %", f"{100 * row['coverage']:.1f} %"
        cells_of = [row["clinics"], row["n"], claims, better, cover, f"{row['bias']:+.2f}°", row["target"], row["met"]]
        cells_of = ["" if cell != cell else cell for cell in cells_of]
        lines.append("| " + " | ".join(str(cell) for cell in cells_of) + " |")
    wide = "Of 200 clinics a share of 95 % has an interval of 91 to 97 % (Wilson)"
    lines += ["", f"{wide}: two clinics decide a target of 94 to 97 %."]
    return "\n".join(lines) + "\n"


def main() -> None:
    """Write the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--clinics", type=int)
    parser.add_argument("--out", type=Path, default=HERE)
    asked = parser.parse_args()
    found = table(asked.clinics, done=asked.out / "protocols.csv")
    found.to_csv(asked.out / "protocols.csv", index=False)
    (asked.out / "protocols.md").write_text(as_markdown(found), encoding="utf-8")


if __name__ == "__main__":
    main()
