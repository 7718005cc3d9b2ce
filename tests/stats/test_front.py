"""The statistics as `toolkit.stats` offers them: one signature, one result, groups with Holm, inputs met rightly."""

import inspect

import numpy as np
import pandas as pd
import pingouin
import pytest
from scipy import stats as reference
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.weightstats import ttost_paired

from toolkit import stats
from toolkit.errors import NotEnoughError, ToolkitError
from toolkit.result import FRAME_COLUMNS, Result

# pingouin 0.7 still uses a keyword that pandas 3 takes leave of
library = pytest.mark.filterwarnings("ignore:The inplace keyword")
RNG = np.random.default_rng(20260105)


def once_each(n=24, change=3.0, rng=None):
    """One row a client."""
    rng = rng or np.random.default_rng(7)
    before = rng.normal(34, 6, n)
    return pd.DataFrame(
        {
            "client": [f"C{place:03}" for place in range(n)],
            "before": before,
            "before_2": before + rng.normal(0, 1.5, n),
            "after": before + change + rng.normal(0, 4, n),
            "arm": np.where(np.arange(n) % 2, "b", "a"),
            "region": np.resize(["calf", "neck", "hip"], n),
            "unit": "deg",
        }
    )


def sessions():
    """Several sessions a client, treated in one of three ways."""
    rng = np.random.default_rng(9)
    done = np.tile(["press", "press + stretch", "measured_only"], 30)
    frame = pd.DataFrame({"client": np.repeat(np.arange(18), 5), "session_id": np.arange(90), "intervention": done})
    frame = frame.assign(region="calf", minutes=np.resize([2.0, 4.0, 6.0, 3.0], 90), before=rng.normal(35, 4, 90))
    return frame.assign(after=frame["before"] + 2.0 * (done != "measured_only") + rng.normal(0, 1, 90))


def call(name, data):
    """A method with what it needs beside the data."""
    more = {
        "equivalence": {"margin": 5},
        "two_groups": {"group": "arm"},
        "responders": {"threshold": 4, "threshold_source": "own study"},
        "repeated_measures": {"readings": ("before", "before_2", "after")},
        "reliable_change": {"sem": 1.5},
        "proportion": {"of": "moved"},
        "pool_sites": {},
        "adjust_p": {},
        "comfort_and_change": {"moved_from": 3},
        "readings_needed": {"wanted_sem": 1.0, "reader": "reader"},
        "scale_change": {"better": "lower"},
        "group_contrasts": {"group": "region"},
    }
    if name == "clients_needed":
        return stats.clients_needed(0.5)
    if name == "equivalence_from_summary":
        return stats.equivalence_from_summary(mean=0.1, sd=1.0, n=40, margin=0.5)
    if name == "sem_from_icc":
        return stats.sem_from_icc(0.8, 7.5, n=30, unit="points")
    return getattr(stats, name)(data, **more.get(name, {}))


DATA = {
    "signs_change": lambda: once_each().assign(
        unit="yes_no", before=RNG.integers(0, 2, 24), after=RNG.integers(0, 2, 24)
    ),
    "kappa": lambda: once_each().assign(before=RNG.integers(0, 2, 24), before_2=RNG.integers(0, 2, 24)),
    "single_case": lambda: once_each().assign(client="A"),
    "proportion": lambda: once_each().assign(moved=np.resize(["yes", "no"], 24)),
    "adjust_p": lambda: [0.01, 0.04, 0.2],
    "combinations": lambda: sessions(),
    "dose_response": lambda: sessions(),
    "comfort_and_change": lambda: once_each().assign(comfort=np.resize([5, 8, 9, 6], 24)),
    "readings_needed": lambda: once_each().melt(id_vars="client", value_vars=["before", "before_2"], var_name="reader"),
    "scale_change": lambda: once_each().assign(before=RNG.integers(3, 9, 24), after=RNG.integers(1, 7, 24)),
    "pool_sites": lambda: pd.DataFrame({"site": list("ABC"), "effect": [1.0, 2, 3], "variance": [0.4, 0.3, 0.5]}),
}


ANSWERS = sorted(set(stats.__all__) - {"qq_figure"})  # which is a figure of its own


@pytest.mark.parametrize("name", ANSWERS)
def test_every_method_answers_with_the_same_columns_a_sentence_and_a_page(name):
    found = call(name, DATA.get(name, once_each)())
    assert isinstance(found, Result)
    assert [column for column in found.frame.columns if column in FRAME_COLUMNS] == list(FRAME_COLUMNS)
    assert len(found.sentence()) > 30
    assert "nan" not in found.sentence()
    assert found._repr_html_().count("<tr>") == len(found.frame) + 1


@pytest.mark.parametrize("name", sorted(set(ANSWERS) - {"adjust_p"}))
def test_every_method_draws_itself(name):
    found = call(name, DATA.get(name, once_each)())
    if found.frame["estimate"].notna().any():
        assert found.plot().axes


@pytest.mark.parametrize("name", ANSWERS)
def test_the_signature_is_one_and_the_same(name):
    given = inspect.signature(getattr(stats, name)).parameters
    usual = {"first": "before", "client": "client", "by": None, "better": "higher", "level": 0.95, "rng": None}
    for word in usual.keys() & given.keys() - ({"client"} if name == "kappa" else set()):
        assert given[word].default == usual[word]
    positional = [word for word, one in given.items() if one.kind is one.POSITIONAL_OR_KEYWORD]
    assert positional in (["data"], ["data", "n"], ["p_values"], ["icc", "sd"], ["effect"], [])


def test_dir_lists_the_methods_and_nothing_else():
    assert dir(stats) == sorted(stats.__all__)
    with pytest.raises(AttributeError, match="It has: adjust_p"):
        stats.nothing  # noqa: B018


def test_the_paired_t_test_is_that_of_scipy():
    data = once_each()
    row = stats.paired_test(data).frame.iloc[0]
    other = reference.ttest_rel(data["after"], data["before"])
    limits = other.confidence_interval(0.95)
    assert (row["statistic"], row["p"], row["df"]) == pytest.approx((other.statistic, other.pvalue, other.df))
    assert (row["ci_low"], row["ci_high"]) == pytest.approx((limits.low, limits.high))
    assert row["sd_change"] == pytest.approx((data["after"] - data["before"]).std())


def test_the_wilcoxon_test_is_that_of_scipy():
    data = once_each(n=14)
    row = stats.paired_test(data, test="wilcoxon").frame.iloc[0]
    assert row["p"] == pytest.approx(reference.wilcoxon(data["after"] - data["before"], mode="exact").pvalue)


def test_a_client_of_many_rows_counts_once():
    data = once_each(n=12)
    many = pd.concat([data, data[data["client"] == "C000"]] * 5)
    assert float(stats.paired_test(many)) == pytest.approx(float(stats.paired_test(data)))
    assert stats.paired_test(many).frame["n_clients"].iloc[0] == 12


def test_by_gives_a_row_a_group_with_holm():
    data = once_each(n=36)
    found = stats.paired_test(data, by="region")
    alone = [stats.paired_test(data[data["region"] == name]).frame["p"].iloc[0] for name in found.frame["region"]]
    assert found.frame["p"].tolist() == pytest.approx(alone)
    assert found.frame["p_adjusted"].tolist() == pytest.approx(multipletests(alone, method="holm")[1].tolist())


def test_a_group_that_is_too_small_keeps_its_row_with_the_reason():
    data = pd.concat([once_each(n=12).assign(region="calf"), once_each(n=1).assign(region="hand", client="Z")])
    found = stats.paired_test(data, by="region").frame.set_index("region")
    assert np.isnan(found.loc["hand", "estimate"])
    assert "only one client" in found.loc["hand", "note"]
    assert np.isnan(found.loc["calf", "p_adjusted"])  # one test is no family


def test_where_no_group_is_large_enough_the_reason_is_raised():
    with pytest.raises(NotEnoughError, match="only one client"):
        stats.paired_test(once_each(n=1), by="region")


def test_lower_is_better_turns_the_sign():
    data = once_each()
    assert float(stats.mean_change(data, better="lower")) == pytest.approx(-float(stats.mean_change(data)))


def test_the_datas_own_word_decides_which_way_is_better():
    data = once_each().assign(better="lower")
    assert float(stats.mean_change(data)) < 0
    with pytest.raises(ToolkitError, match="column 'better' says 'higher'"):
        stats.mean_change(data.assign(better="higher"), better="lower")


def test_several_measures_are_never_averaged():
    two = pd.concat([once_each().assign(measure="flexion"), once_each().assign(measure="force", unit="kg")])
    assert stats.mean_change(two).frame["measure"].tolist() == ["flexion", "force"]
    assert stats.mean_change(two).frame["unit"].tolist() == ["deg", "kg"]


def test_two_units_of_one_measure_are_refused():
    data = once_each()
    data.loc[0, "unit"] = "cm"
    with pytest.raises(ToolkitError, match="'unit' holds 2 words"):
        stats.mean_change(data)


def test_a_two_column_frame_is_taken_as_first_and_second():
    data = once_each()
    bare = data[["before", "after"]].set_axis(["pre", "post"], axis=1)
    found = stats.paired_test(bare)
    assert found.frame["n_clients"].iloc[0] == len(data)
    assert float(found) == pytest.approx(float(stats.paired_test(data)))
    assert "every row was taken for another client" in found.notes[0]


def test_two_plain_columns_and_an_array_are_the_same_as_a_frame():
    data = once_each()
    pair = (data["before"], data["after"])
    assert float(stats.paired_test(pair)) == pytest.approx(float(stats.paired_test(data)))
    assert float(stats.paired_test(np.column_stack(pair))) == pytest.approx(float(stats.paired_test(data)))


def test_one_column_is_refused_with_what_to_give():
    with pytest.raises(ToolkitError, match=r"ndarray of shape \(3,\): give a frame with the columns"):
        stats.paired_test(np.array([1.0, 2, 3]))
    with pytest.raises(ToolkitError, match="4 and 3 values"):
        stats.paired_test(([1, 2, 3, 4], [1, 2, 3]))


def test_words_among_readings_are_refused_by_row_and_never_repeated():
    data = once_each().astype({"after": object})
    data.loc[3, "after"] = "Mrs Smith"
    with pytest.raises(ToolkitError, match=r"not a number in 1 row\(s\), first in row 4 of the table") as said:
        stats.paired_test(data)
    assert "Smith" not in str(said.value)


def test_an_estimate_or_a_result_serves_where_a_number_is_expected():
    data = once_each()
    error = stats.measurement_error(data)
    mdc = error.row("MDC95")["estimate"]
    own = stats.responders(data, threshold=float(mdc), threshold_source="x")
    assert float(stats.responders(data, threshold=error.detail.mdc95, threshold_source="x")) == float(own)
    assert stats.reliable_change(data, sem=error).frame["sem"].iloc[0] == pytest.approx(float(error))
    assert stats.equivalence(data, margin=error.detail.mdc95).frame["high"].iloc[0] == pytest.approx(mdc)
    with pytest.raises(ToolkitError, match="'margin' is 'five': give a number"):
        stats.equivalence(data, margin="five")


def test_a_level_written_as_percent_is_refused():
    with pytest.raises(ToolkitError, match=r"write it as a share, 0\.95 for 95 %"):
        stats.mean_change(once_each(), level=95)


def test_the_sign_of_agreement_and_of_measurement_error_is_the_same():
    data = once_each()
    shift = (data["before_2"] - data["before"]).mean()
    assert stats.limits_of_agreement(data).row("bias")["estimate"] == pytest.approx(shift)
    assert stats.measurement_error(data).row("second minus first")["estimate"] == pytest.approx(shift)


def test_the_exact_limits_reach_further_out_than_the_approximate_ones():
    data = once_each(n=10)
    exact, rough = (stats.limits_of_agreement(data, interval=i) for i in ("exact", "approximate_1999"))
    at = "upper limit of agreement"
    assert exact.row(at)["ci_high"] > rough.row(at)["ci_high"]


@library
def test_reliability_of_one_row_a_reading_is_that_of_pingouin():
    data = once_each()[["client", "before", "before_2"]].melt(id_vars="client")
    found = stats.reliability(data, subject="client", reader="variable").frame.set_index("what")["estimate"]
    theirs = pingouin.intraclass_corr(data, targets="client", raters="variable", ratings="value")
    assert sorted(found) == pytest.approx(sorted(theirs["ICC"]))


def test_equivalence_is_that_of_statsmodels():
    data = once_each(change=0.2)
    row = stats.equivalence(data, margin=2).frame.iloc[0]
    p, *_ = ttost_paired(data["after"], data["before"], -2, 2)
    assert row["p"] == pytest.approx(p)
    assert row["level"] == pytest.approx(0.90)


def test_an_estimate_with_a_standard_error_can_be_tested_for_equivalence_itself():
    data = once_each(change=0.2)
    mean = stats.mean_change(data).detail
    one, other = stats.equivalence(mean, margin=2).frame.iloc[0], stats.equivalence(data, margin=2).frame.iloc[0]
    assert (one["p"], one["ci_low"]) == pytest.approx((other["p"], other["ci_low"]))


def test_welch_and_mann_whitney_are_those_of_scipy():
    data = once_each()
    change = (data["after"] - data["before"]).groupby(data["arm"]).apply(list)
    welch, ranks = (stats.two_groups(data, group="arm", method=m).frame.iloc[0] for m in ("welch", "mann_whitney"))
    other = reference.ttest_ind(change["b"], change["a"], equal_var=False)
    assert (welch["statistic"], welch["df"], welch["p"]) == pytest.approx((other.statistic, other.df, other.pvalue))
    assert ranks["p"] == pytest.approx(reference.mannwhitneyu(change["b"], change["a"], method="exact").pvalue)
    assert welch["what"] == "b minus a"


def test_a_client_in_both_groups_is_refused():
    data = once_each().assign(client=np.repeat([f"C{place}" for place in range(12)], 2))
    with pytest.raises(ToolkitError, match=r"12 client\(s\) stand in both groups"):
        stats.two_groups(data, group="arm")


@library
def test_repeated_measures_are_those_of_pingouin():
    data = once_each()
    long = data.melt(id_vars="client", value_vars=["before", "before_2", "after"])
    theirs = pingouin.rm_anova(long, dv="value", within="variable", subject="client", correction=True)
    found = stats.repeated_measures(data, readings=("before", "before_2", "after")).frame
    column = next(name for name in theirs.columns if name.replace("-", "_").lower() in ("p_gg_corr", "p_corr"))
    assert found["statistic"].iloc[0] == pytest.approx(theirs["F"].iloc[0])
    assert found["p"].iloc[0] == pytest.approx(theirs[column].iloc[0])
    ranks = stats.repeated_measures(data, readings=("before", "before_2", "after"), method="friedman").frame
    other = pingouin.friedman(long, dv="value", within="variable", subject="client")
    assert ranks["estimate"].iloc[0] == pytest.approx(other["W"].iloc[0])


def test_a_schedule_of_treated_visits_is_tested_for_each_client():
    rows = pd.DataFrame({"client": "A", "before": [33, 30, 31, 34, 35, 31, 30, 33], "t": [1, 0, 0, 1, 1, 0, 0, 1]})
    row = stats.single_case(rows, treated="t").row("treated minus untreated visits")
    assert (row["p"], row["estimate"]) == (0.125, pytest.approx(33.75 - 30.5))


def test_the_share_of_two_groups_has_their_difference():
    data = once_each().assign(moved=np.resize(["yes", "no", "no"], 24))
    found = stats.proportion(data, of="moved", by="arm").frame
    assert len(found) == 3
    assert found["estimate"].iloc[2] == pytest.approx(found["estimate"].iloc[0] - found["estimate"].iloc[1])


def test_nothing_known_of_the_error_is_said_with_what_to_give():
    with pytest.raises(ToolkitError, match=r"no measurement error is known\. Give threshold="):
        stats.responders(once_each().drop(columns="before_2"))


def test_a_sign_has_no_mean_and_a_measure_is_no_sign():
    signs = once_each().assign(before=RNG.integers(0, 2, 24), after=RNG.integers(0, 2, 24), unit="yes_no")
    both = pd.concat([signs.assign(measure="heel_lift"), once_each().assign(measure="flexion")])
    numbers = stats.paired_test(both).frame.set_index("measure")
    assert np.isnan(numbers.loc["heel_lift", "estimate"])
    assert "a sign is there or not" in numbers.loc["heel_lift", "note"]
    shares = stats.signs_change(both).frame.set_index("measure")
    assert "readings in deg are no sign" in shares.loc["flexion", "note"]
    for name in ("effect_sizes", "measurement_error", "limits_of_agreement"):
        with pytest.raises(NotEnoughError, match="a sign is there or not"):
            getattr(stats, name)(signs)


def test_many_groups_without_a_test_are_listed_with_their_numbers():
    six = pd.concat([once_each().assign(region=name) for name in "abcdef"])
    said = stats.measurement_error(six, by="region").sentence()
    assert said.count(": SEM 0.951 (") == 6
