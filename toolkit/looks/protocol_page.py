"""The page that a clinic reads after comparing two protocols: one self-contained file."""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from pathlib import Path
from typing import Any

import pandas as pd

from toolkit.comparing.compare import ProtocolComparison
from toolkit.looks import figures
from toolkit.looks.html import ReportFigure, ReportTable, template_environment
from toolkit.looks.report_figures import drawn_twice
from toolkit.looks.words import capital, spaced, with_interval
from toolkit.result import figure_text
from toolkit.writing import write_file

METHODS = (
    "Mixed model with Kenward–Roger degrees of freedom (Kenward & Roger 1997, Biometrics 53:983–997)",
    "Overlap weights (Li, Morgan & Zaslavsky 2018, Journal of the American Statistical Association 113:390–400)",
    "Doubly robust estimate (Robins, Rotnitzky & Zhao 1994, J. American Statistical Association 89:846–866)",
    "Two one-sided tests (Schuirmann 1987, Journal of Pharmacokinetics and Biopharmaceutics 15:657–680)",
    "Strength of an unmeasured cause (VanderWeele & Ding 2017, Annals of Internal Medicine 167:268–274)",
)


def protocol_page(found: ProtocolComparison, *, about: str, cautions: Sequence[str]) -> str:
    """The comparison as one HTML page.

    Args:
        found: the comparison. about: where the records come from. cautions: shown as they are.
    """
    a, b = spaced(found.protocol_a), spaced(found.protocol_b)
    page = template_environment().get_template("protocols.html.jinja")
    return page.render(
        title=capital(f"{a} or {b}? {spaced(found.measure)}"),
        about=about,
        sentence=found.sentence(),
        advice=found.advice(),
        same=found.same.sentence() if found.same is not None else "",
        unmeasured=_unmeasured(found),
        ways_figure=_ways_figure(found, f"{a} less {b}"),
        ways=_ways(found, f"{a} less {b}"),
        overlap=_overlap(found, a, b),
        balance_figure=_balance_figure(found),
        overlap_figure=_overlap_figure(found, a, b),
        balance=_balance(found),
        practitioners=_practitioners(found),
        cautions=cautions,
        methods=METHODS,
    )


def write_protocol_page(
    found: ProtocolComparison, path: Path, *, about: str, cautions: Sequence[str], replace: bool = False
) -> Path:
    """Write the page to `path` and return it; see `toolkit.writing.write_file` for what is never written over."""
    return write_file(path, protocol_page(found, about=about, cautions=cautions), replace=replace)


def _unmeasured(found: ProtocolComparison) -> str:
    if found.drawn == "drawn":
        return "Protocols were drawn at random, so what was not measured is spread over both by chance."
    whole, near = (figure_text(value) for value in found.e_value)
    return (
        f"Something not written down would have to raise both the chance of the protocol and of the outcome "
        f"{whole}-fold (risk ratio) to explain all of the difference, {near}-fold to bring its interval to 0 (E-value)."
    )


def _ways(found: ProtocolComparison, what: str) -> ReportTable:
    rows = [
        (
            capital(one.name),
            with_interval(one.value, one.ci_low, one.ci_high, found.unit, level=one.confidence_level),
            f"{one.n} {one.n_of}",
            one.method,
        )
        for one in found.estimates
    ]
    return ReportTable(
        key="ways",
        caption=f"{capital(what)}, better is positive",
        rows=rows,
        full=found.table(),
        columns=("Way of counting", "Difference", "n", "Method"),
    )


def _ways_figure(found: ProtocolComparison, what: str) -> ReportFigure:
    frame = pd.DataFrame(
        [
            {
                "region": one.name,
                "intervention": what,
                "adjusted_mean": one.value,
                "ci_low": one.ci_low,
                "ci_high": one.ci_high,
                "n_clients": one.n,
            }
            for one in found.estimates
        ]
    )
    smallest = found.same.smallest_change_that_matters if found.same is not None else None
    words = figures.alt_text_forest(frame, unit=found.unit)
    return drawn_twice(
        "ways",
        "Four ways of counting",
        words,
        lambda width: figures.forest_figure(
            frame, unit=found.unit, smallest_change=smallest, what="difference", width=width
        ),
    )


def _overlap(found: ProtocolComparison, a: str, b: str) -> str:
    n_a, n_b = (int((found.sessions["got_a"] == arm).sum()) for arm in (1, 0))
    worth_a, worth_b = found.allocation.effective_n
    missing = f" {found.n_missing} rows have no reading after and are not counted." if found.n_missing else ""
    return (
        f"{n_a} sessions with {a}, {n_b} with {b}. Weighted so that what was known before is alike, they are worth "
        f"{worth_a:.0f} and {worth_b:.0f} sessions.{missing}"
    )


def _balance(found: ProtocolComparison) -> ReportTable:
    frame = found.allocation.balance
    rows = [
        (capital(str(name)), f"{plain:+.2f} SD", f"{adjusted:+.2f} SD")
        for name, plain, adjusted in frame.itertuples(index=False)
    ]
    return ReportTable(
        key="balance",
        caption="What was known before: difference between the protocols, in SDs",
        columns=("Characteristic", "As recorded", "Weighted"),
        rows=rows,
        full=frame,
    )


def _balance_figure(found: ProtocolComparison) -> ReportFigure | None:
    frame = found.allocation.balance
    if frame.empty:
        return None
    words = figures.alt_text_balance(frame)
    return drawn_twice("balance", "Balance", words, lambda width: figures.balance_figure(frame, width=width))


def _overlap_figure(found: ProtocolComparison, a: str, b: str) -> ReportFigure | None:
    score = found.sessions["score"].to_numpy()
    score = score if a <= b else 1 - score  # the figure counts towards the group that comes first in the alphabet
    scores = pd.DataFrame({"group": [a if got else b for got in found.sessions["got_a"]], "score": score})
    if scores["score"].std() < 1e-6:
        return None
    words = figures.alt_text_overlap(scores)
    return drawn_twice("overlap", "Overlap", words, lambda width: figures.overlap_figure(scores, width=width))


def _practitioners(found: ProtocolComparison) -> ReportTable:
    rows = [
        (
            f"Without {row['left_out']}",
            str(row["note"]) or _with_interval(row, unit=found.unit, level=found.adjusted.confidence_level),
            str(row["sessions"]),
        )
        for row in found.without_practitioner.to_dict("records")
    ]
    return ReportTable(
        key="practitioners",
        caption="Adjusted difference, mixed model",
        columns=("Left out", "Difference", "Sessions"),
        rows=rows,
        full=found.without_practitioner,
    )


def _with_interval(row: Mapping[Hashable, Any], *, unit: str, level: float) -> str:
    return with_interval(row["difference"], row["ci_low"], row["ci_high"], unit, level=level)
