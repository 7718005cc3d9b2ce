"""The methods that an audit used: the main ones in a few words, and their lines of `shared/methods.csv`.

What was used is read off the findings themselves, so a report never lists a method that did not run.
"""

from __future__ import annotations

import csv
from typing import Any

from toolkit.resources import shared_file

Finding = dict[str, Any]

# what must be true of the audit -> its main methods, in the words of the report's short list
MAIN: dict[str, list[tuple[str, str]]] = {
    "changes": [("Paired t test and t interval over client means", "Student (1908) Biometrika 6:1–25")],
    "models": [
        ("Mixed model, restricted maximum likelihood", "Patterson & Thompson (1971) Biometrika 58:545–554"),
        ("Kenward–Roger degrees of freedom", "Kenward & Roger (1997) Biometrics 53:983–997"),
    ],
    "redraws": [
        (
            "Re-randomisation test and interval by inversion",
            "Edgington & Onghena (2007) Randomization Tests (from memory)",
        )
    ],
    "several questions": [
        ("Correction for several questions", "Holm (1979) Scandinavian Journal of Statistics 6:65–70")
    ],
    "several looks": [("Interval at several looks", "Lan & DeMets (1983) Biometrika 70:659–663")],
    "own ruler": [
        (
            "Standard error of measurement, smallest detectable change",
            "Weir (2005) Journal of Strength and Conditioning Research 19:231–240",
        ),
        ("Intraclass correlation", "McGraw & Wong (1996) Psychological Methods 1:30–46"),
    ],
    "agreement": [
        (
            "Limits of agreement, repeated pairs of a client put together",
            "Bland & Altman (2007) Journal of Biopharmaceutical Statistics 17:571–582",
        )
    ],
    "shares": [
        ("Interval of a share", "Wilson (1927) Journal of the American Statistical Association 22:209–212"),
    ],
    "effect sizes": [("Effect sizes of paired changes", "Lakens (2013) Frontiers in Psychology 4:863")],
    "rivals": [
        (
            "Expected regression to the mean",
            "Barnett, van der Pols & Dobson (2005) International Journal of Epidemiology 34:215–220",
        )
    ],
    "filled in": [
        (
            "Readings not written down, filled in against the technique and for it",
            "the toolkit's own rule (quantiles of the comparison's changes), checked by simulation",
        )
    ],
    "balance": [
        ("Differences of the compared sessions in SDs", "Austin (2009) Statistics in Medicine 28:3083–3107"),
    ],
    "share left": [
        (
            "Share of the gain left at the next visit",
            "Fieller (1954) Journal of the Royal Statistical Society B 16:175–185 (from memory)",
        )
    ],
}

# the same conditions -> entries of shared/methods.csv, by their dotted names below `toolkit`
ENTRIES: dict[str, tuple[str, ...]] = {
    "changes": ("stats.centre.mean_change",),
    "attributable": ("effect.estimate.estimate", "effect.estimate.bounded"),
    "not drawn": ("effect.not_drawn.adjust_not_drawn",),
    "draw checked": ("effect.draw_check.check_draw",),
    "redraws": ("effect.rerandomisation.redraw",),
    "models": ("mixed.mixed.fit_mixed_arrays",),
    "by region": ("mixed.region_intervention.by_region_and_intervention", "multiplicity.holm_p"),
    "several looks": ("explanations.chance.spending_bounds", "explanations.chance.obrien_fleming_spending"),
    "read twice": (
        "stats.reading_error.reading_error",
        "stats.reading_error.error_of_pairs",
        "stats.reading_error.error_of_sums",
    ),
    "published ruler": ("stats.published.published_sem",),
    "published change": ("stats.published.published_mic",),
    "agreement": ("stats.agreement.limits_of_agreement_repeated",),
    "shares": ("stats.beyond_error.responders", "stats.proportions.share_of", "stats.proportions.wilson_limits"),
    "effect sizes": (
        "stats.effect_size_intervals.effect_sizes",
        "stats.response_mean.dz_change",
        "stats.response_mean.standardised_response_mean",
        "stats.response_mean.noncentral_t_limits",
        "stats.standardised.dav_change",
        "stats.standardised.drm_change",
        "stats.standardised.gav_change",
        "stats.standardised.baseline_sd_change",
        "stats.beyond_error.probability_of_improvement",
        "stats.beyond_error.matched_rank_biserial",
    ),
    "widened d_z": ("stats.response_mean.dz_change_widened",),
    "rivals": (
        "explanations.all_explanations.explanations_of",
        "explanations.adjustment_steps.adjustment_steps",
        "explanations.case.jackknife",
    ),
    "balance": ("findings.balance.balance_parts",),
    "held": ("explanations.carry_over.held_to_next_visit",),
}

# the explanation's name in the findings -> entries that judged it, where it applies
EXPLANATIONS: dict[str, tuple[str, ...]] = {
    "chance": ("explanations.chance.chance",),
    "clients counted more than once": ("explanations.clients_practitioners.repeated_clients",),
    "keen clients returning more": ("explanations.clients_practitioners.informative_visits",),
    "regression to the mean": ("explanations.regression_to_the_mean.regression_to_the_mean",),
    "being measured again": ("explanations.time_course.measured_again",),
    "natural course over weeks": (
        "explanations.time_course.natural_course",
        "explanations.time_course.course_per_week",
        "explanations.time_course.untreated_stretches",
    ),
    "readings not written down": ("explanations.selective_records.not_written_down",),
    "a leaning reader": (
        "explanations.observer_bias.observer_bias",
        "explanations.observer_bias.blinded_difference",
        "explanations.observer_bias.digit_preference",
    ),
    "looking again and again": ("explanations.chance.looking_again",),
    "many measures and regions": ("explanations.chance.many_questions",),
    "one practitioner carrying it": ("explanations.clients_practitioners.one_practitioner",),
    "change of examiner or instrument": ("explanations.observer_bias.examiner_change",),
    "comfort mistaken for outcome": ("explanations.selective_records.comfort",),
}


# entries of an explanation that only ran where it got a size, by words of that size's method
SIZED: dict[str, tuple[str, str]] = {
    "keen clients returning more": ("", "explanations.clients_practitioners.first_visits"),
    "regression to the mean": ("selection implied", "explanations.regression_to_the_mean.expected_in_records"),
    "change of examiner or instrument": ("paired differences", "explanations.observer_bias.largest_step"),
}


def conditions(findings: dict[str, Any]) -> set[str]:
    """What is true of this audit, in the words of the tables above."""
    found, rulers = findings["findings"], findings["measurement"]
    models = [findings["by_region_and_intervention"], *findings["by_region_and_intervention"].get("other_measures", [])]
    left = [one["attributable"] for one in found if one["attributable"]]
    redrawn = ["re-randomisation" in one["method"] for one in left]
    fitted = any(part["rows"] for part in models)
    true_of_it = {
        "changes": any(one["change"]["mean"] is not None for one in found),
        "attributable": bool(left),
        "not drawn": any(one["basis"] == "comparison_sessions" for one in left),
        "draw checked": any(one.get("draw") for one in found),
        "redraws": any(redrawn),
        "models": fitted or not all(redrawn),
        "by region": fitted,
        "several questions": len(left) > 1,
        "several looks": any(one["looks"]["planned"] > 1 for one in found),
        "read twice": any(one["n_pairs"] for one in rulers),
        "own ruler": any(one["source"] == "own records" for one in rulers),
        "published ruler": any(str(one["source"]).startswith("published") for one in rulers),
        "agreement": any(one["agreement"] for one in rulers),
        "shares": any(one["beyond_measurement_error"]["share"] is not None for one in found),
        "effect sizes": any(one["effect_sizes"] for one in found),
        "widened d_z": any("widened" in size["method"] for one in found for size in one["effect_sizes"]),
        "rivals": any(one["rivals"] for one in found),
        "filled in": any(one["n_filled"] for one in left),
        "balance": any(one["balance"] for one in found),
        "held": any(one["held"] for one in found),
        "share left": any((one["held"] or {}).get("share_left") for one in found),
    }
    return {name for name, true in true_of_it.items() if true}


def main_methods(findings: dict[str, Any]) -> list[dict[str, str]]:
    """The main methods of this audit, name and citation."""
    true_of_it = conditions(findings)
    return [
        {"name": name, "citation": citation}
        for when, rows in MAIN.items()
        if when in true_of_it
        for name, citation in rows
    ]


def methods_used(findings: dict[str, Any]) -> list[dict[str, str]]:
    """The lines of `shared/methods.csv` that this audit used, in the file's order."""
    true_of_it = conditions(findings)
    names = {name for when, entries in ENTRIES.items() if when in true_of_it for name in entries}
    for finding in findings["findings"]:
        for explanation in finding["rivals"]:
            if explanation["status"] != "not_applicable":
                names |= set(EXPLANATIONS.get(explanation["rival"], ()))
            words, entry = SIZED.get(explanation["rival"], ("", ""))
            if entry and explanation["size"] is not None and words in explanation["method"]:
                names.add(entry)
    text = shared_file("methods.csv").read_text(encoding="utf-8")
    return [line for line in csv.DictReader(text.splitlines()) if line["name"].removeprefix("toolkit.") in names]
