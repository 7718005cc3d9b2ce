"""The statistics, one signature for all: `from toolkit import stats`, then `stats.paired_test(data, by="region")`.

Every function takes a frame or `Records`, turns changes so that better is positive, weighs clients alike and returns a
`Result` (`.frame`, `.sentence()`, `.plot()`, `.save()`). With `by` there is a row a group, and p values are corrected
by Holm. `dir(stats)` lists them; each is loaded when it is first used.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from toolkit.stats.agreeing import kappa, limits_of_agreement
    from toolkit.stats.changes import mean_change, paired_test
    from toolkit.stats.differences import equivalence, equivalence_from_summary, repeated_measures, two_groups
    from toolkit.stats.how_much import effect_sizes, responders, signs_change
    from toolkit.stats.measuring import measurement_error, readings_needed, reliability, sem_from_icc
    from toolkit.stats.one_person import reliable_change, single_case
    from toolkit.stats.sample_size import clients_needed
    from toolkit.stats.sessions import combinations, comfort_and_change, dose_response, scale_change
    from toolkit.stats.shape_and_spread import group_contrasts, normality, percent_error, qq_figure, spread_of_change
    from toolkit.stats.shares import adjust_p, pool_sites, proportion

WHERE = {
    "paired_test": "changes",
    "mean_change": "changes",
    "effect_sizes": "how_much",
    "responders": "how_much",
    "signs_change": "how_much",
    "equivalence": "differences",
    "equivalence_from_summary": "differences",
    "two_groups": "differences",
    "repeated_measures": "differences",
    "reliability": "measuring",
    "measurement_error": "measuring",
    "limits_of_agreement": "agreeing",
    "sem_from_icc": "measuring",
    "readings_needed": "measuring",
    "kappa": "agreeing",
    "single_case": "one_person",
    "reliable_change": "one_person",
    "combinations": "sessions",
    "comfort_and_change": "sessions",
    "dose_response": "sessions",
    "scale_change": "sessions",
    "proportion": "shares",
    "adjust_p": "shares",
    "clients_needed": "sample_size",
    "pool_sites": "shares",
    "group_contrasts": "shape_and_spread",
    "normality": "shape_and_spread",
    "percent_error": "shape_and_spread",
    "qq_figure": "shape_and_spread",
    "spread_of_change": "shape_and_spread",
}
__all__ = [
    "adjust_p",
    "clients_needed",
    "combinations",
    "comfort_and_change",
    "dose_response",
    "effect_sizes",
    "equivalence",
    "equivalence_from_summary",
    "group_contrasts",
    "kappa",
    "limits_of_agreement",
    "mean_change",
    "measurement_error",
    "normality",
    "paired_test",
    "percent_error",
    "pool_sites",
    "proportion",
    "qq_figure",
    "readings_needed",
    "reliability",
    "reliable_change",
    "repeated_measures",
    "responders",
    "scale_change",
    "sem_from_icc",
    "signs_change",
    "single_case",
    "spread_of_change",
    "two_groups",
]


def __getattr__(name: str) -> Any:
    """Import a method when it is first used."""
    if name not in WHERE:
        raise AttributeError(f"module 'toolkit.stats' has no attribute {name!r}. It has: {', '.join(__all__)}.")
    from importlib import import_module

    return getattr(import_module(f"toolkit.stats.{WHERE[name]}"), name)


def __dir__() -> list[str]:
    return list(__all__)
