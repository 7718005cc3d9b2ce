"""Was chance in charge? What of the draw check follows from sums: what was known before, clients, the count."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from toolkit.effect.draw_check import LIMIT, WEIGHTS, clients_apart, count_off, largest_of_many
from toolkit.effect.from_sums import ONE, Cells
from toolkit.registering.engine import Engine

NOT_LOOKED_AT = "whether an order follows from the orders before it, and words of the sheet"
FEWEST = 8


@dataclass(frozen=True, kw_only=True)
class DrawBySums:
    """Whether what was known before predicts the draw; `says` in words, `p` of each part by name."""

    passed: bool
    p: dict[str, float]
    says: str


def draw_by_sums(engine: Engine, rows: Any, cells: Cells) -> DrawBySums:
    """Ask readings, visits and days before whether they predict the draw; clients, and the count.

    Parameters
    ----------
    rows
        One row a session, as `cells.sessions` gives it. `cells`: the same sessions summed up.
    """
    names, seen, gram, n = _products(engine, rows)
    label = cells.products[:, ONE, ONE] * cells.arm
    first = round(float(label.sum()))
    share = first / n
    spread = float(np.sqrt(share * (1 - share) * n / (n - 1)))
    size = np.sqrt(np.diag(gram))
    sound = size > 1e-9 * max(float(size.max()), 1e-9)
    standing = np.abs(seen[sound] / size[sound]) / spread
    largest = largest_of_many(gram[np.ix_(sound, sound)] / np.outer(size[sound], size[sound]))
    told = [name for name, there in zip(names, sound, strict=True) if there]
    best = int(standing.argmax())
    p_known = float((1 + np.sum(largest >= standing[best] - 1e-12)) / (1 + len(largest)))
    length = int(cells.client.max()) + 1
    counts = (cells.products[:, ONE, ONE], label)
    sizes, firsts = (np.bincount(cells.client, weights=one, minlength=length).astype(float) for one in counts)
    p_clients = clients_apart(sizes, firsts)
    p_count = min((one.p for one in count_off(first, n)), default=1.0)
    parts = {"known before": p_known, "clients": p_clients, "count": p_count}
    words = {
        "known before": f"{told[best]} predicts what came first",
        "clients": "some clients are mostly treated first, others hardly ever",
        "count": f"{first} of {n} sessions are treated first",
    }
    caught = [words[name] for name, p in parts.items() if p / WEIGHTS[name] < LIMIT]
    if caught:
        says = f"This does not look drawn at random ({n} draws): {'; '.join(caught)}."
    else:
        says = f"Nothing that was summed up predicts what was drawn ({n} draws); not looked at: {NOT_LOOKED_AT}."
    return DrawBySums(passed=not caught, p=parts, says=says)


def _products(engine: Engine, rows: Any) -> tuple[list[str], np.ndarray, np.ndarray, int]:
    """Names of what was known, its products with the arm, and with each other, all about their means."""
    known = {
        "the visit's number": rows.visit.cast("float64"),
        "the first visit": rows.first_visit,
        "a visit up to the second": (rows.visit <= 2).cast("float64"),
        "the first reading before": rows.base + rows.gap,
        "the last reading before": rows.base,
        "first less last reading before": rows.gap,
        "being read twice before": rows.has_second,
    }
    names = list(known)
    columns = {f"k{place}": value for place, value in enumerate(known.values())}
    table = rows.select(arm=rows.arm.cast("float64"), **columns)
    means = engine.frame(table.agg(n=table.count(), arm=table.arm.mean(), **{k: table[k].mean() for k in columns}))
    about = {k: (table[k] - float(means[k].iloc[0])).fill_null(0.0) for k in columns}
    arm = table.arm - float(means["arm"].iloc[0])
    sums = {f"seen_{k}": (arm * about[k]).sum() for k in columns}
    sums |= {f"{a}_{b}": (about[a] * about[b]).sum() for a in columns for b in columns if a <= b}
    got = engine.frame(table.agg(**sums)).iloc[0]
    gram = np.array([[got[f"{min(a, b)}_{max(a, b)}"] for b in columns] for a in columns], dtype=float)
    return names, np.array([got[f"seen_{k}"] for k in columns], dtype=float), gram, int(means["n"].iloc[0])
