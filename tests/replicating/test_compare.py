"""Printed against recomputed: the outcomes, the distance in last digits, the other readings tried."""

import pytest
from scipy import stats

from toolkit.replicating import compare_sheet, outcome_of, read_printed, read_sheet, replicate

BEFORE, AFTER = [10, 11, 12, 13, 9], [12, 12, 15, 14, 12]
T = stats.ttest_rel(AFTER, BEFORE)


def _only(path):
    return compare_sheet(read_sheet(path)).compared[0]


def _printed(write_sheet, take, printed, more=""):
    return _only(write_sheet(('printed = "3.87"', f'printed = "{printed}"'), ('take = "t"', f'take = "{take}"{more}')))


def test_a_figure_that_comes_out_agrees_within_rounding(write_sheet):
    assert _printed(write_sheet, "t", f"{T.statistic:.2f}").outcome == "agrees within rounding"


def test_the_distance_is_in_units_of_the_last_printed_digit(write_sheet):
    one = _printed(write_sheet, "t", f"{T.statistic + 0.05:.3f}")
    assert one.digits_away == pytest.approx(-50, abs=0.5)


def test_a_stated_tolerance_is_an_outcome_of_its_own(write_sheet):
    one = _printed(write_sheet, "t", "4.4", '\ntolerance = 0.1\ntolerance_because = "test"')
    assert one.outcome == "agrees within stated tolerance"


def test_a_tolerance_wider_than_the_last_digit_is_said_and_counted_apart(write_sheet):
    more = ('take = "t"', 'take = "t"\ntolerance = 0.1\ntolerance_because = "test"')
    found = replicate(write_sheet(('printed = "3.87"', f'printed = "{T.statistic + 0.05:.2f}"'), more))
    assert (found.n_wide, found.n_agreeing) == (1, 0)
    assert "wider than the last printed digit" in found.sentence()


def test_limits_the_other_way_round_change_places(write_sheet):
    low, _ = T.confidence_interval(0.95)
    one = _printed(write_sheet, "ci_high", f"{-low:.4f}")
    assert one.outcome == "agrees the other way round"


def test_a_spread_is_never_the_other_way_round(write_sheet):
    assert _printed(write_sheet, "sd", "-1.0000").outcome == "not reproduced with what is stated"


def test_a_figure_far_off_is_not_called_an_error(write_sheet):
    one = _printed(write_sheet, "t", "9.99")
    assert one.outcome == "not reproduced with what is stated"
    assert "error" not in one.sentence().lower()


def test_a_one_sided_p_is_found(write_sheet):
    assert "one-sided p" in _printed(write_sheet, "p", f"{T.pvalue / 2:.5f}").would_agree


def test_another_variance_is_found(write_sheet):
    differences = [b - a for a, b in zip(BEFORE, AFTER, strict=True)]
    sd = (sum((d - 2) ** 2 for d in differences) / 5) ** 0.5
    assert "variance with n in the denominator, not n - 1" in _printed(write_sheet, "sd", f"{sd:.4f}").would_agree


def test_complete_cases_are_found(write_sheet):
    complete = stats.ttest_rel([12, 15, 14, 12], [10, 12, 13, 9])
    assert "only people complete in every column" in _printed(write_sheet, "t", f"{complete.statistic:.4f}").would_agree


def test_a_difference_the_other_way_round_is_found(write_sheet):
    assert "the difference taken the other way round" in _printed(write_sheet, "mean", "-2.0").would_agree


def test_a_figure_cut_off_instead_of_rounded_is_found(write_sheet):
    # t is the square root of 20 = 4.472135955: rounded 4.47214, cut off 4.47213
    assert "cut off instead of rounded" in _printed(write_sheet, "t", "4.47213").would_agree


def test_a_normal_quantile_is_found(write_sheet):
    half = stats.norm.ppf(0.975) * stats.sem([b - a for a, b in zip(BEFORE, AFTER, strict=True)])
    assert "normal quantile instead of t" in _printed(write_sheet, "ci_low", f"{2 - half:.4f}").would_agree


def test_a_method_without_an_answer_is_listed_with_the_reason(write_sheet):
    one = _only(write_sheet(data="person,first,second,age\n1,10,12,3\n"))
    assert (one.recomputed, one.agrees) == (None, False)
    assert "at least 2 are needed" in one.why_not


def test_nothing_is_left_out_of_the_table(write_sheet):
    found = replicate(write_sheet())
    assert len(found.table()) == found.total == 1


@pytest.mark.parametrize(
    ("printed", "number", "tolerance", "outcome"),
    [
        ("4.06", 4.0649, None, "agrees within rounding"),
        ("4.06", 4.0651, None, "not reproduced with what is stated"),
        ("4.06", 4.0651, 0.01, "agrees within stated tolerance"),
        ("<0.001", 0.0003, None, "agrees within rounding"),
    ],
)
def test_outcomes(printed, number, tolerance, outcome):
    assert outcome_of(read_printed(printed), number, tolerance=tolerance) == outcome


def test_inputs_that_round_to_the_printed_ones_are_tried(tmp_path):
    path = tmp_path / "summary.toml"
    path.write_text(
        'format = "replication/1"\ntitle = "x"\ndesign = "x"\ncitation = "x"\n[inputs.test]\nt = "2.2"\nn = 20\n'
        '[[figure]]\nname = "d_z"\nprinted = "0.50"\nwhere = "p. 1"\nread = "read"\nmethod = "d_z_of_t"\ntake = "d_z"\n'
    )
    assert _only(path).would_agree == ("other inputs that round to the printed ones",)


def test_a_word_among_the_numbers_is_named_and_not_dropped(write_sheet):
    one = _only(write_sheet(data="person,first,second,age\n1,10,12,3\n2,eleven,12,4\n3,9,12,5\n"))
    assert one.why_not.startswith('the column "first" holds "eleven", which is no number')


def test_data_that_do_not_vary_give_a_reason_and_no_number(write_sheet):
    one = _only(write_sheet(data="person,first,second,age\n1,10,12,3\n2,11,13,4\n3,9,11,5\n"))
    assert (one.recomputed, one.agrees) == (None, False)
    assert "vary" in one.why_not or "variation" in one.why_not
