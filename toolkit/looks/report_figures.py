"""The report's figures, each drawn for a page and for a phone, and an audit's figures by name."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from toolkit.looks import figures, style
from toolkit.looks.draw_plots import alt_text_flow, alt_text_order, flow_figure, order_figure
from toolkit.looks.html import ReportFigure
from toolkit.looks.plot_data import AgreementPairs, PlotData
from toolkit.looks.report_tables import difference_words, id_of, name_of, steps_frame, title_of
from toolkit.looks.words import is_missing, spaced, threshold
from toolkit.result import Estimate

if TYPE_CHECKING:
    from matplotlib.figure import Figure


def drawn_twice(key: str, title: str, description: str, draw: Callable[[float], Figure]) -> ReportFigure:
    """Draw a figure for a page and for a phone, and as a file."""
    wide = figures.as_svg(draw(figures.WIDE), title, description, key=f"{key} wide")
    return ReportFigure(
        key=key,
        title=title,
        description=description,
        wide=wide,
        narrow=figures.as_svg(draw(figures.NARROW), title, description, key=f"{key} narrow"),
        file=figures.as_svg_file(wide),
    )


def drawing_of(figure: Figure, title: str, description: str) -> str:
    """One figure as inline SVG."""
    return figures.as_svg(figure, title, description)


def steps_figure(finding: Mapping[str, Any]) -> Figure:
    """The adjustment steps of one finding as a figure that carries its words."""
    matters = finding.get("smallest_change_that_matters")
    given: dict[str, Any] = {"unit": finding["unit"], "smallest_change": float(matters["value"]) if matters else None}
    figure = figures.steps_figure(steps_frame(finding), **given)
    figure.set_label(f"{title_of(finding)}. {figures.alt_text_steps(steps_frame(finding), **given)}")
    return figure


def steps_of(finding: Mapping[str, Any], *, key: str, truth: float | None = None) -> ReportFigure:
    """The adjustment steps of one finding, beside the truth where a clinic is simulated."""
    steps, unit = steps_frame(finding), finding["unit"]
    matters = finding.get("smallest_change_that_matters")
    smallest = float(matters["value"]) if matters else None
    title = f"From the usual answer to what is left: {title_of(finding)}"
    words = figures.alt_text_steps(steps, unit=unit, smallest_change=smallest)
    words += "" if truth is None else f" The truth: {threshold(truth, unit)}."
    return drawn_twice(
        key,
        title,
        words,
        lambda width: figures.steps_figure(steps, unit=unit, smallest_change=smallest, truth=truth, width=width),
    )


def picture_of(finding: Mapping[str, Any], *, key: str) -> ReportFigure:
    """The answer as one small picture: what is left beside no change and the smallest change that matters."""
    left, unit = finding["attributable"] or {}, finding["unit"]
    matters = finding.get("smallest_change_that_matters")
    smallest = float(matters["value"]) if matters else None
    words = difference_words(finding)
    if smallest is not None:
        words += f"; the smallest change that matters is {threshold(smallest, unit)}"
    ends = tuple(left.get(name) for name in ("mean", "ci_low", "ci_high"))
    return drawn_twice(
        key,
        f"The answer: {title_of(finding)}",
        f"Beyond the comparison: {words}.",
        lambda width: figures.answer_picture(*ends, unit=unit, smallest_change=smallest, width=width),
    )


def before_after_of(finding: Mapping[str, Any], plot_data: PlotData, *, key: str) -> ReportFigure | None:
    """Every client before and after, or None where the readings are not at hand or there is no mean change."""
    clients = plot_data.before_after.get(id_of(finding))
    if clients is None or clients.empty or is_missing(finding["change"]["mean"]):
        return None
    estimate = change_drawn(finding, clients)
    measure = name_of(finding, "measure")
    words = figures.alt_text_before_after(clients, change=estimate, measure=measure)
    return drawn_twice(
        key,
        f"Before and after, client by client: {title_of(finding)}",
        words,
        lambda width: figures.before_after_figure(
            clients, change=estimate, measure=measure, sessions=plot_data.sessions.get(id_of(finding)), width=width
        ),
    )


def change_drawn(finding: Mapping[str, Any], clients: pd.DataFrame) -> Estimate:
    """The mean change that goes with the clients' readings."""
    change, start = _change_of(finding, clients)
    return Estimate(
        name="Change",
        value=float(change["mean"]),
        ci_low=_or_nan(change["ci_low"]),
        ci_high=_or_nan(change["ci_high"]),
        unit=finding["unit"],
        n=int(change.get("n_clients", finding["n_clients"])),
        method=change["method"] + start,
    )


def _change_of(finding: Mapping[str, Any], clients: pd.DataFrame) -> tuple[Mapping[str, Any], str]:
    """The mean change that belongs to these readings: from the second reading before where they start there."""
    later = finding.get("change_from_second_baseline")
    if later and not is_missing(later["mean"]) and np.isclose(clients["change"].mean(), later["mean"]):
        return later, ", from the second reading before"
    return finding["change"], ""


def _or_nan(value: float | None) -> float:
    return float("nan") if value is None or is_missing(value) else float(value)


def forest_of(rows: pd.DataFrame, *, unit: str, measure: str, key: str) -> ReportFigure:
    """Adjusted means of one measure by region and intervention."""
    words = figures.alt_text_forest(rows, unit=unit)
    title = f"By region and intervention{f': {measure}' if measure else ''}"
    return drawn_twice(key, title, words, lambda width: figures.forest_figure(rows, unit=unit, width=width))


def agreement_of(data: AgreementPairs, *, unit: str, measure: str, key: str) -> ReportFigure:
    """How two readings of the same side agree."""
    pairs, lines = data.pairs, data.lines
    words = figures.alt_text_agreement(pairs, lines, unit=unit, measure=measure)
    return drawn_twice(
        key,
        f"Two readings of the same side: {measure}",
        words,
        lambda width: figures.agreement_figure(pairs, lines, unit=unit, measure=measure, width=width),
    )


def balance_of(finding: Mapping[str, Any], plot_data: PlotData, *, key: str) -> ReportFigure | None:
    """How far apart technique and comparison were, in SDs; None where nothing was compared."""
    rows = plot_data.balance.get(id_of(finding))
    if rows is None or rows.empty:
        return None
    title = f"Were the compared sessions alike: {title_of(finding)}"
    words = figures.alt_text_balance(rows)
    return drawn_twice(key, title, words, lambda width: figures.balance_figure(rows, width=width))


def overlap_of(finding: Mapping[str, Any], plot_data: PlotData, *, key: str) -> ReportFigure | None:
    """Whether sessions like those of the technique are among the comparison's; None where it was drawn."""
    scores = plot_data.overlap.get(id_of(finding))
    if scores is None or scores.empty:
        return None
    title = f"Do the compared sessions overlap: {title_of(finding)}"
    words = figures.alt_text_overlap(scores)
    return drawn_twice(key, title, words, lambda width: figures.overlap_figure(scores, width=width))


def moved_of(finding: Mapping[str, Any], plot_data: PlotData, *, key: str) -> ReportFigure | None:
    """Who moved beyond measurement error; None without a ruler or without readings by client."""
    clients, error = plot_data.before_after.get(id_of(finding)), finding["beyond_measurement_error"]["threshold"]
    if (
        clients is None
        or clients.empty
        or is_missing(error)
        or is_missing(finding["beyond_measurement_error"]["share"])
    ):
        return None
    unit, error = finding["unit"], float(error)
    title = f"Who moved beyond measurement error: {title_of(finding)}"
    words = figures.alt_text_responders(clients, smallest_detectable=error, unit=unit)
    return drawn_twice(
        key,
        title,
        words,
        lambda width: figures.responders_figure(clients, smallest_detectable=error, unit=unit, width=width),
    )


def order_of(finding: Mapping[str, Any], plot_data: PlotData, *, key: str) -> ReportFigure | None:
    """What was drawn by visit and day, beside what a coin leaves it in; None where nothing was drawn."""
    draws = plot_data.draws.get(id_of(finding))
    if draws is None or draws.empty:
        return None
    title = f"What was drawn, by visit and day: {title_of(finding)}"
    return drawn_twice(key, title, alt_text_order(draws), lambda width: order_figure(draws, width=width))


def sessions_by_arm_of(finding: Mapping[str, Any], *, key: str) -> ReportFigure | None:
    """Sessions of both arms from the draw to the estimate; None where nothing is compared."""
    steps = (finding.get("flow") or {"steps": []})["steps"]
    if not any(step["technique"] or step["comparison"] for step in steps):
        return None
    title = f"Sessions by arm: {title_of(finding)}"
    return drawn_twice(key, title, alt_text_flow(steps), lambda width: flow_figure(steps, width=width))


def figures_of(finding: Mapping[str, Any], plot_data: PlotData) -> dict[str, Figure]:
    """The figures one finding has data for, by name: steps, before_after, beyond_error, balance, order, flow."""
    key, unit, measure = id_of(finding), str(finding["unit"]), spaced(finding["measure"])
    found = {"steps": steps_figure(finding)}
    clients = plot_data.before_after.get(key)
    if clients is not None and not clients.empty:
        if not is_missing(finding["change"]["mean"]):
            change, sessions = change_drawn(finding, clients), plot_data.sessions.get(key)
            found["before_after"] = figures.before_after_figure(
                clients, change=change, measure=measure, sessions=sessions
            )
        error = finding["beyond_measurement_error"]["threshold"]
        if not is_missing(error):
            found["beyond_error"] = figures.responders_figure(clients, smallest_detectable=float(error), unit=unit)
    if key in plot_data.balance and not plot_data.balance[key].empty:
        found["balance"] = figures.balance_figure(plot_data.balance[key])
    if key in plot_data.overlap and not plot_data.overlap[key].empty:
        found["overlap"] = figures.overlap_figure(plot_data.overlap[key])
    draws, flow = plot_data.draws.get(key), finding.get("flow")
    if draws is not None and not draws.empty:
        found["order"] = style.described(
            order_figure(draws), title="What was drawn, by visit and day", description=alt_text_order(draws)
        )
    if flow:
        found["flow"] = style.described(
            flow_figure(flow["steps"]), title="Sessions by arm", description=alt_text_flow(flow["steps"])
        )
    pairs = plot_data.agreement.get(finding["measure"])
    if pairs is not None:
        found["agreement"] = figures.agreement_figure(pairs.pairs, pairs.lines, unit=unit, measure=measure)
    return found
