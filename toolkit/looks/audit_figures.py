"""An audit's figures as matplotlib figures, to look at, change and save."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from toolkit.looks import figures
from toolkit.looks.plot_data import PlotData
from toolkit.looks.report_figures import change_drawn, steps_figure
from toolkit.looks.report_tables import id_of
from toolkit.looks.words import is_missing, spaced

if TYPE_CHECKING:
    from matplotlib.figure import Figure


def figures_of(finding: Mapping[str, Any], plot_data: PlotData) -> dict[str, Figure]:
    """The figures one finding has data for, by name: steps, before_after, beyond_error, balance, overlap, agreement."""
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
    pairs = plot_data.agreement.get(finding["measure"])
    if pairs is not None:
        found["agreement"] = figures.agreement_figure(pairs.pairs, pairs.lines, unit=unit, measure=measure)
    return found
