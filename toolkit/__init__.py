"""From a year of session records to a claim one may make about one's own technique.

from toolkit import audit, demo, load_records, stats, usual_analysis
records = load_records(demo())                  # or "year.xlsx": every row kept, or set aside with its reason
records.readings                                # a tidy frame to go on with by yourself
stats.paired_test(records, by="region")         # one signature for every method: dir(stats)
audit(demo(), question="question.toml")         # what may be claimed, and what else could explain the change

Each name is loaded when it is first used; `dir(toolkit)` lists them.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"

if TYPE_CHECKING:
    from toolkit import stats
    from toolkit.auditing import Audit, audit
    from toolkit.claim.question import Question
    from toolkit.comparing.compare import Comparison, compare
    from toolkit.comparing.pooled import pool
    from toolkit.comparing.simulated_protocols import ProtocolDials, simulate_protocols
    from toolkit.comparing.site_summary import summarise
    from toolkit.errors import ToolkitError
    from toolkit.explanations.by_formula import interim_boundaries, regression_expected
    from toolkit.looks.raw_readings import plot_changes, plot_course, plot_readings
    from toolkit.mixed.model import MixedModel, mixed_model
    from toolkit.planning.order_schedule import draw_orders as draw_order
    from toolkit.privacy.deidentify import deidentify
    from toolkit.records.account import Records
    from toolkit.records.codebook import load_codebook as codebook
    from toolkit.records.entry_sheet import write_entry_sheet as entry_workbook
    from toolkit.records.records import load_records
    from toolkit.registering.open_registry import registry
    from toolkit.registering.registry import Registry
    from toolkit.registering.storing import store
    from toolkit.replicating.run import replicate
    from toolkit.resources import demo
    from toolkit.result import Estimate, Result
    from toolkit.season_planning import plan_season
    from toolkit.simulate import ClinicDials, simulate_clinic, simulate_registry
    from toolkit.stats.usual import usual_analysis

WHERE = {
    "Audit": ("auditing", "Audit"),
    "ClinicDials": ("simulate", "ClinicDials"),
    "Comparison": ("comparing.compare", "Comparison"),
    "Estimate": ("result", "Estimate"),
    "MixedModel": ("mixed.model", "MixedModel"),
    "Question": ("claim.question", "Question"),
    "Records": ("records.account", "Records"),
    "Registry": ("registering.registry", "Registry"),
    "Result": ("result", "Result"),
    "ToolkitError": ("errors", "ToolkitError"),
    "audit": ("auditing", "audit"),
    "codebook": ("records.codebook", "load_codebook"),
    "compare": ("comparing.compare", "compare"),
    "deidentify": ("privacy.deidentify", "deidentify"),
    "demo": ("resources", "demo"),
    "draw_order": ("planning.order_schedule", "draw_orders"),
    "entry_workbook": ("records.entry_sheet", "write_entry_sheet"),
    "interim_boundaries": ("explanations.by_formula", "interim_boundaries"),
    "load_records": ("records.records", "load_records"),
    "mixed_model": ("mixed.model", "mixed_model"),
    "plan_season": ("season_planning", "plan_season"),
    "pool": ("comparing.pooled", "pool"),
    "plot_changes": ("looks.raw_readings", "plot_changes"),
    "plot_course": ("looks.raw_readings", "plot_course"),
    "plot_readings": ("looks.raw_readings", "plot_readings"),
    "regression_expected": ("explanations.by_formula", "regression_expected"),
    "registry": ("registering.open_registry", "registry"),
    "replicate": ("replicating.run", "replicate"),
    "simulate_protocols": ("comparing.simulated_protocols", "simulate_protocols"),
    "summarise": ("comparing.site_summary", "summarise"),
    "ProtocolDials": ("comparing.simulated_protocols", "ProtocolDials"),
    "simulate_clinic": ("simulate", "simulate_clinic"),
    "simulate_registry": ("simulate", "simulate_registry"),
    "stats": ("stats", ""),
    "store": ("registering.storing", "store"),
    "usual_analysis": ("stats.usual", "usual_analysis"),
}
__all__ = [
    "Audit",
    "ClinicDials",
    "Comparison",
    "Estimate",
    "MixedModel",
    "ProtocolDials",
    "Question",
    "Records",
    "Registry",
    "Result",
    "ToolkitError",
    "audit",
    "codebook",
    "compare",
    "deidentify",
    "demo",
    "draw_order",
    "entry_workbook",
    "interim_boundaries",
    "load_records",
    "mixed_model",
    "plan_season",
    "plot_changes",
    "plot_course",
    "plot_readings",
    "pool",
    "registry",
    "regression_expected",
    "replicate",
    "simulate_clinic",
    "simulate_protocols",
    "simulate_registry",
    "stats",
    "store",
    "summarise",
    "usual_analysis",
]


def __getattr__(name: str) -> Any:
    """Import a public name when it is first used, so that `import toolkit` stays light."""
    if name not in WHERE:
        raise AttributeError(f"module 'toolkit' has no attribute {name!r}. It has: {', '.join(__all__)}.")
    from importlib import import_module

    module, attribute = WHERE[name]
    found = import_module(f"toolkit.{module}")
    return getattr(found, attribute) if attribute else found


def __dir__() -> list[str]:
    return [*__all__, "__version__"]
