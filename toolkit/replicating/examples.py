"""A small sheet that runs for every method of a replication sheet: what `replicate --format METHOD` prints.

The numbers are invented; the printed figures in the examples are placeholders ("0.05") that nobody printed.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any

PAIRS = """\
client,before,after,arm
A,31,36,walk
B,28,30,walk
C,35,41,walk
D,30,29,walk
E,33,37,walk
F,29,34,rest
G,36,36,rest
H,27,31,rest
I,32,33,rest
J,34,39,rest"""
READINGS = """\
subject,reader,value
1,a,31
1,b,33
1,c,32
2,a,28
2,b,27
2,c,29
3,a,36
3,b,38
3,c,36
4,a,30
4,b,33
4,c,31
5,a,25
5,b,26
5,c,28
6,a,33
6,b,33
6,c,35"""
TWICE = """\
subject,first,second
1,31,33
2,28,27
3,36,38
4,30,33
5,25,26
6,33,33
1,32,33
2,29,27
3,35,38
4,31,32"""
GROUPED = """\
client,way,sex,gain
1,stretch,f,4.1
2,stretch,m,5.0
3,stretch,f,3.2
4,stretch,m,4.6
5,press,f,6.3
6,press,m,7.1
7,press,f,5.2
8,press,m,5.9
9,rest,f,2.0
10,rest,m,3.1
11,rest,f,1.8
12,rest,m,2.7"""
COURSE = """\
client,week,arm,reading
1,1,walk,30
1,2,walk,33
1,3,walk,36
2,1,walk,28
2,2,walk,29
2,3,walk,33
3,1,walk,35
3,2,walk,37
3,3,walk,38
4,1,rest,31
4,2,rest,30
4,3,rest,32
5,1,rest,29
5,2,rest,31
5,3,rest,30
6,1,rest,33
6,2,rest,32
6,3,rest,35"""
WORDS = """\
client,before,after,arm,pain,rater_1,rater_2
1,no,yes,walk,none,1,1
2,no,yes,walk,some,2,2
3,yes,yes,walk,none,1,2
4,no,no,walk,severe,3,3
5,no,yes,walk,some,2,2
6,yes,no,rest,severe,3,2
7,no,no,rest,some,2,3
8,yes,yes,rest,none,1,1
9,no,no,rest,severe,3,3
10,no,yes,rest,some,2,1"""
STRATA = """\
site,arm,better,people
north,walk,yes,12
north,walk,no,8
north,rest,yes,7
north,rest,no,13
south,walk,yes,15
south,walk,no,10
south,rest,yes,9
south,rest,no,16"""
CLUSTERS = """\
therapist,both_yes,first_only,second_only,both_no
1,3,1,2,4
2,5,0,3,2
3,2,2,4,3
4,4,1,1,5"""
SESSIONS = """\
session,phase,reading
1,baseline,20
2,baseline,22
3,baseline,19
4,baseline,21
5,baseline,23
6,treated,26
7,treated,24
8,treated,28
9,treated,27
10,treated,30"""
DRAWN = """\
session,phase,reading
1,treated,26
2,untreated,22
3,untreated,21
4,treated,27
5,untreated,23
6,treated,28"""
STUDIES = """\
study,t_n,t_mean,t_sd,c_n,c_mean,c_sd,t_better,c_better
1,20,5.1,2.0,20,3.9,2.2,12,7
2,35,4.4,2.4,33,3.8,2.1,18,14
3,15,6.0,1.9,16,4.1,2.5,10,6
4,50,4.9,2.2,48,4.2,2.3,27,19"""
SITES = """\
site,t_event,t_other,c_event,c_other,year
1,4,119,11,128,44
2,6,300,29,274,55
3,3,228,11,209,42
4,62,13536,248,12619,52"""
TESTS = """\
p
0.004
0.020
0.030
0.210"""
SUMMARY_STUDY = """\
t_n,t_mean_pre,t_mean_post,t_sd_pre,c_n,c_mean_pre,c_mean_post,c_sd_pre,r
20,30.6,38.5,15.0,20,23.1,19.7,13.8,0.47"""


@dataclass(frozen=True, kw_only=True)
class Example:
    """A table (None where printed figures are enough), what the columns are, one output, settings and figures."""

    take: str
    table: str | None = None
    columns: Mapping[str, Any] = field(default_factory=dict)
    settings: Mapping[str, Any] = field(default_factory=dict)
    inputs: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)


_CHANGE = {"before": "before", "after": "after"}
_LONG = {"person": "client", "reading": "week", "value": "reading"}
_GROUPS = {"value": "gain", "group": "way"}
_TWO = {"first_group": "rest", "second_group": "press"}
_MODEL = {"formula": "reading ~ week", "groups": ["client"]}
_GROUP = {
    "n": 25, "mean_before": "60.4", "sd_before": "14.0", "mean_after": "79.6", "sd_after": "17.1",
    "mean_change": "19.2",
    "sd_change": "16.1",
}  # fmt: skip
_OTHER = {
    "n": 27, "mean_before": "53.9", "sd_before": "14.0", "mean_after": "62.3", "sd_after": "17.9", "mean_change": "8.4",
    "sd_change": "14.6",
}  # fmt: skip
_RATERS = {"rows": "rater_1", "columns": "rater_2"}
_MEANS = {
    "treated_n": "t_n", "treated_mean": "t_mean", "treated_sd": "t_sd", "control_n": "c_n", "control_mean": "c_mean",
    "control_sd": "c_sd",
}  # fmt: skip
_EVENTS = {
    "treated_events": "t_event", "treated_others": "t_other", "control_events": "c_event", "control_others": "c_other",
    "site": "site",
}  # fmt: skip

EXAMPLES: Mapping[str, Example] = MappingProxyType(
    {
        "paired_t": Example(table=PAIRS, columns=_CHANGE, take="t"),
        "wilcoxon": Example(table=PAIRS, columns=_CHANGE, take="p", settings={"p_from": "normal"}),
        "sign_flip": Example(table=PAIRS, columns=_CHANGE, take="p"),
        "sign_test": Example(table=PAIRS, columns=_CHANGE, take="p"),
        "standardised_change": Example(table=PAIRS, columns=_CHANGE, take="d_av"),
        "two_columns": Example(table=PAIRS, columns=_CHANGE, take="sd_before"),
        "typical_change": Example(table=PAIRS, columns=_CHANGE, take="shift"),
        "shapiro_wilk": Example(table=PAIRS, columns=_CHANGE, take="W"),
        "pitman_morgan": Example(table=PAIRS, columns=_CHANGE, take="t"),
        "responders": Example(table=PAIRS, columns=_CHANGE, take="percent", settings={"threshold": 4}),
        "equivalence": Example(
            table=PAIRS, columns={"first": "before", "second": "after"}, take="p", settings={"low": -5, "high": 5}
        ),
        "two_groups_t": Example(table=GROUPED, columns=_GROUPS, take="t", settings=_TWO),
        "mann_whitney": Example(table=GROUPED, columns=_GROUPS, take="U", settings=_TWO),
        "kruskal_wallis": Example(table=GROUPED, columns=_GROUPS, take="chi2"),
        "one_way": Example(table=GROUPED, columns={"outcome": "gain", "group": "way"}, take="F"),
        "group_contrasts": Example(
            table=GROUPED, columns=_GROUPS, take="p_adjusted", settings={**_TWO, "adjustment": "holm"}
        ),
        "equal_variances": Example(table=GROUPED, columns=_GROUPS, take="F"),
        "factorial_anova": Example(
            table=GROUPED, columns={"outcome": "gain", "factors": ["way", "sex"]}, take="F",
            settings={"term": "way:sex"}
        ),
        "adjusted_for_baseline": Example(table=PAIRS, columns={**_CHANGE, "group": "arm"}, take="difference"),
        "one_column": Example(table=GROUPED, columns={"value": "gain"}, take="mean"),
        "count_of": Example(table=WORDS, columns={"value": "pain"}, take="percent", settings={"yes": "none"}),
        "friedman": Example(table=COURSE, columns=_LONG, take="W"),
        "repeated_anova": Example(table=COURSE, columns=_LONG, take="p"),
        "mixed_design": Example(
            table=COURSE, columns={**_LONG, "group": "arm"}, take="F", settings={"term": "interaction"}
        ),
        "pairwise_readings": Example(
            table=COURSE, columns=_LONG, take="p_adjusted", settings={"first_reading": "1", "second_reading": "3"}
        ),
        "correlation": Example(table=PAIRS, columns={"x": "before", "y": "after"}, take="r"),
        "correlation_within": Example(table=COURSE, columns={"person": "client", "x": "week", "y": "reading"},
        take="r"),
        "model": Example(table=COURSE, take="estimate", settings={**_MODEL, "term": "week"}),
        "model_means": Example(
            table=COURSE, take="estimate",
            settings={"formula": "reading ~ arm + week", "groups": ["client"], "factor": "arm", "level": "walk",
                      "versus": "rest"},
        ),
        "model_person": Example(table=COURSE, take="deviation", settings={**_MODEL, "level": "3"}),
        "models_compared": Example(
            table=COURSE, take="chi2", settings={**_MODEL, "likelihood": "ML", "without_formula": "reading ~ 1"}
        ),
        "icc": Example(
            table=READINGS, columns={"subject": "subject", "reader": "reader", "value": "value"}, take="icc_2_1"
        ),
        "instruments": Example(
            table=READINGS + "\n1,a,32\n1,b,32\n1,c,33\n2,a,28\n2,b,28\n2,c,28\n3,a,37\n3,b,36\n3,c,37\n4,a,31\n"
            "4,b,32\n4,c,31\n5,a,26\n5,b,26\n5,c,27\n6,a,33\n6,b,34\n6,c,34",
            columns={"subject": "subject", "instrument": "reader", "value": "value"}, take="icc_between",
        ),
        "limits_of_agreement": Example(table=TWICE, columns={"first": "first", "second": "second"}, take="lower"),
        "limits_of_agreement_repeated": Example(
            table=TWICE, columns={"first": "first", "second": "second", "subject": "subject"}, take="lower"
        ),
        "repeatability": Example(table=TWICE, columns={"first": "first", "second": "second"}, take="sd_within"),
        "concordance": Example(table=TWICE, columns={"first": "first", "second": "second"}, take="ccc"),
        "within_person_error": Example(table=READINGS, columns={"subject": "subject", "value": "value"}, take="cv"),
        "cronbach_alpha": Example(table=TWICE, columns={"items": ["first", "second"]}, take="alpha"),
        "sem_of_summary": Example(take="mdc95", inputs={"reliability": {"sd": "6.2", "icc": "0.91"}}),
        "icc_of_squares": Example(
            take="icc_2_1",
            inputs={"squares": {"ms_subjects": "11.24", "ms_readers": "32.49", "ms_error": "1.02", "n": 6, "k": 4}},
        ),
        "mcnemar": Example(
            table=WORDS, columns={"first": "before", "second": "after"}, take="p", settings={"continuity": "midp"}
        ),
        "cochran_q": Example(table=WORDS, columns={"readings": ["before", "after"]}, take="q"),
        "clustered_signs": Example(
            table=CLUSTERS,
            columns={"yes_yes": "both_yes", "yes_no": "first_only", "no_yes": "second_only", "no_no": "both_no"},
            take="obuchowski",
        ),
        "fleiss_kappa": Example(table=READINGS, columns={"subject": "subject", "value": "reader"}, take="kappa"),
        "share": Example(take="ci_low", inputs={"count": {"yes": 12, "n": 40}}),
        "two_shares": Example(
            take="risk_ratio", inputs={"first": {"yes": 7, "n": 40}, "second": {"yes": 16, "n": 42}}
        ),
        "table_test": Example(table=WORDS, columns={"rows": "arm", "columns": "pain"}, take="chi2"),
        "ordered_table": Example(
            table=WORDS, columns={"rows": "arm", "columns": "pain"}, take="trend_chi2",
            settings={"order": ["none", "some", "severe", "rest", "walk"]},
        ),
        "stratified_table": Example(
            table=STRATA, columns={"rows": "arm", "columns": "better", "stratum": "site", "count": "people"},
            take="odds_ratio",
        ),
        "same_words_twice": Example(table=WORDS, columns=_RATERS, take="agreement"),
        "cohen_kappa": Example(table=WORDS, columns=_RATERS, take="kappa", settings={"weights": "linear"}),
        "single_case": Example(table=SESSIONS, columns={"value": "reading", "phase": "phase"}, take="nap"),
        "run_chart": Example(table=SESSIONS, columns={"value": "reading"}, take="centre", settings={"n_baseline": 5}),
        "alternating_schedule": Example(table=DRAWN, columns={"value": "reading", "phase": "phase"}, take="p"),
        "reliable_change": Example(
            take="rci", inputs={"person": {"first": "32.5", "second": "47.5", "sd": "7.5", "reliability": "0.80"}}
        ),
        "pooled_studies": Example(
            table=STUDIES, columns=_MEANS, take="estimate", settings={"measure": "mean_difference", "between": "DL"}
        ),
        "funnel_asymmetry": Example(table=STUDIES, columns=_MEANS, take="t", settings={"measure": "standardised"}),
        "pooled_risk_ratio": Example(table=SITES, columns=_EVENTS, take="ratio"),
        "moderator_of_sites": Example(table=SITES, columns={**_EVENTS, "moderator": "year"}, take="slope"),
        "three_comparisons": Example(take="adjusted_value", inputs={"first": _GROUP, "second": _OTHER}),
        "pre_post_control": Example(table=SUMMARY_STUDY, columns={"r": "r"}, take="d_ppc2"),
        "p_of_statistic": Example(take="p", inputs={"test": {"F": "3.23", "df": [2, 40]}}),
        "paired_effects_of_summary": Example(
            take="d_av",
            inputs={"pair": {"n": 10, "mean_before": "7.7", "mean_after": "8.7", "sd_before": "0.95",
            "sd_after": "0.82",
                             "r": "0.73"}},
        ),
        "d_z_of_t": Example(take="d_z", inputs={"test": {"t": "4.74", "n": 10}}),
        "group_effect_of_summary": Example(
            take="g_s", inputs={"first": {"n": 10, "mean": "8.7", "sd": "0.82"}, "second": {"n": 10, "mean": "7.7",
            "sd": "0.95"}}
        ),
        "two_groups_of_summary": Example(
            take="p", inputs={"first": {"n": 24, "mean": "3.1", "sd": "2.2"}, "second": {"n": 26, "mean": "4.9",
            "sd": "2.5"}}
        ),
        "one_group_of_summary": Example(take="ci_low", inputs={"group": {"n": 24, "mean": "3.1", "se": "0.45"}}),
        "one_way_of_summary": Example(
            take="F",
            inputs={"groups": {"n": [12, 12, 11], "mean": ["5.1", "6.2", "4.4"], "sd": ["1.2", "1.5", "1.1"]}},
        ),
        "change_of_summary": Example(
            take="r", inputs={"pair": {"n": 27, "sd_before": "14.0", "sd_after": "17.9", "sd_change": "14.6"}}
        ),
        "adjusted_p": Example(table=TESTS, columns={"p": "p"}, take="p_adjusted", settings={"nth": 2}),
        "ordinal_model": Example(
            table=WORDS, columns={"answer": "pain", "explaining": ["arm"]}, take="odds_ratio",
            settings={"term": "arm", "order": ["none", "some", "severe"]},
        ),
        "interim_looks": Example(take="z", settings={"planned": 3, "look": 1}),
        "regression_to_the_mean": Example(
            take="drift", inputs={"selection": {"mean": "60", "sd": "15", "r": "0.5", "cutoff": "40"}}
        ),
        "design_effect": Example(take="design_effect", inputs={"clusters": {"size": 20, "icc": "0.05", "n": 100}}),
        "sample_size": Example(take="n", settings={"d": 0.5, "power": 0.8}),
    }
)  # fmt: skip
