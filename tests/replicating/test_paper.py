"""Does a paper hang together: what the printed numbers allow, what does not fit, what is refused."""

import pandas as pd
import pytest

from toolkit.errors import SheetError
from toolkit.replicating.paper import hangs_together

YES, NO, MIDDLE = "fits", "does not fit", "mean in the middle of its interval"


def _verdict(check, **printed):
    frame = hangs_together([printed]).frame
    return frame.loc[frame["check"] == check, "verdict"].tolist()


# Lakens (2013) Front Psychol 4:863: two films, n = 10: means 8.7, 7.7, SDs 0.82, 0.95, mean change 1.0, t(9) = 4.74
def test_the_numbers_of_a_published_example_fit():
    page = hangs_together(
        [
            {
                "n": "10", "mean_before": "7.7", "mean_after": "8.7", "sd_before": "0.95", "sd_after": "0.82",
                "mean_change": "1.0", "sd_change": "0.667", "t": "4.74", "df": "9", "p": "0.001", "items": "1",
            }
        ]
    )  # fmt: skip
    assert page.n_not_fitting == 0
    assert "none contradicts another" in page.sentence()
    assert len(page.frame) >= 6


@pytest.mark.parametrize(
    ("check", "printed", "verdict"),
    [
        # Brown & Heathers (2017): a mean of 5.19 of 28 whole numbers cannot be, 5.18 can (145 / 28)
        ("mean of whole numbers", {"n": "28", "mean": "5.19", "items": "1"}, NO),
        ("mean of whole numbers", {"n": "28", "mean": "5.18", "items": "1"}, YES),
        ("mean of whole numbers", {"n": "280", "mean": "5.19", "items": "1"}, "tells nothing"),
        # Nuijten et al. (2016): t(28) = 2.20 gives p = .036
        ("p of t", {"t": "2.20", "df": "28", "p": ".04"}, YES),
        ("p of t", {"t": "2.20", "df": "28", "p": ".03"}, NO),
        ("p of F", {"F": "3.23", "df": "2", "df2": "40", "p": "0.05"}, YES),
        ("p of F", {"F": "3.23", "df": "2", "df2": "40", "p": "0.03"}, NO),
        ("percentage of n people", {"n": "23", "percent": "34.8"}, YES),
        ("percentage of n people", {"n": "23", "percent": "35.5"}, NO),
        ("percentage of the count", {"n": "23", "count": "8", "percent": "34.8"}, YES),
        ("percentage of the count", {"n": "23", "count": "9", "percent": "34.8"}, NO),
        ("se = sd / sqrt(n)", {"n": "25", "sd": "10.0", "se": "2.0"}, YES),
        ("se = sd / sqrt(n)", {"n": "25", "sd": "10.0", "se": "2.5"}, NO),
        (MIDDLE, {"n": "9", "mean": "5.0", "ci_low": "3.0", "ci_high": "7.0"}, YES),
        (MIDDLE, {"n": "9", "mean": "6.0", "ci_low": "3.0", "ci_high": "7.0"}, NO),
        ("sd within the scale", {"n": "20", "mean": "5", "sd": "5.2", "scale_low": "0", "scale_high": "10"}, NO),
        ("sd within the scale", {"n": "20", "mean": "5", "sd": "5.1", "scale_low": "0", "scale_high": "10"}, YES),
        ("mean within the scale", {"mean": "10.4", "scale_low": "0", "scale_high": "10"}, NO),
        ("mean change = after - before", {"mean_before": "30.1", "mean_after": "34.0", "mean_change": "3.9"}, YES),
        ("mean change = after - before", {"mean_before": "30.1", "mean_after": "34.0", "mean_change": "-3.9"}, YES),
        ("mean change = after - before", {"mean_before": "30.1", "mean_after": "34.0", "mean_change": "4.9"}, NO),
        ("SD of the change", {"sd_before": "5.0", "sd_after": "5.0", "sd_change": "11.0"}, NO),
        ("paired t", {"n": "20", "mean_change": "2.0", "sd_change": "4.0", "t": "2.24"}, YES),
        ("paired t", {"n": "20", "mean_change": "2.0", "sd_change": "4.0", "t": "3.24"}, NO),
        ("df of t", {"n": "20", "n_2": "20", "t": "2.0", "df": "38"}, YES),
        ("df of t", {"n": "20", "n_2": "20", "t": "2.0", "df": "48"}, NO),
        ("F = t squared", {"F": "4.41", "df": "1", "df2": "20", "t": "2.10"}, YES),
        ("F = t squared", {"F": "5.41", "df": "1", "df2": "20", "t": "2.10"}, NO),
        ("p beside the interval", {"difference": "2.0", "ci_low": "0.5", "ci_high": "3.5", "p": "0.20"}, NO),
        ("p beside the interval", {"difference": "2.0", "ci_low": "0.5", "ci_high": "3.5", "p": "0.01"}, YES),
    ],
)  # fmt: skip
def test_each_check_can_fit_and_fail(check, printed, verdict):
    assert _verdict(check, **printed) == [verdict]


def test_two_groups_fit_by_student_or_by_welch():
    groups = {"n": "10", "n_2": "20", "mean": "7.0", "mean_2": "9.0", "sd": "1.0", "sd_2": "3.0"}
    assert _verdict("t of two groups", **groups, t="2.05") == ["fits"]  # Student: 2 / (2.543 sqrt(1/10 + 1/20)) = 2.03
    assert _verdict("t of two groups", **groups, t="2.70") == ["fits"]  # Welch: 2 / sqrt(1/10 + 9/20) = 2.70
    assert _verdict("t of two groups", **groups, t="3.50") == ["does not fit"]


def test_one_number_that_does_not_fit_stops_no_other_check():
    page = hangs_together([{"n": "28", "mean": "5.19", "items": "1"}, {"t": "2.20", "df": "28", "p": ".04"}])
    assert page.frame["verdict"].tolist() == ["does not fit", "fits"]
    assert "1 do not fit" in page.sentence()


def test_a_file_is_read_as_printed(tmp_path):
    path = tmp_path / "printed.csv"
    path.write_text("name,n,mean,sd,se\nrest,25,4.0,10.0,2.0\n", encoding="utf-8")
    assert hangs_together(path).frame["printed"].tolist() == ["2.0"]


@pytest.mark.parametrize(
    ("row", "says"),
    [
        ({"average": "3"}, '"average" is not a word of the table'),
        ({"n": "2.5"}, "is no count"),
        ({"mean": "3,4"}, "write the decimal point"),
        ({"t": "<2"}, "is a limit, not a number"),
        ({"df": "0"}, "degrees of freedom are above 0"),
        ({"level": "95"}, "write 0.95"),
    ],
)
def test_what_is_no_printed_number_is_refused(row, says):
    with pytest.raises(SheetError, match=says):
        hangs_together([row])


def test_numbers_that_allow_no_check_say_so():
    assert "allow no check" in hangs_together(pd.DataFrame({"mean": ["3.0"]})).sentence()


def test_checks_of_a_sheet_run_with_it(write_sheet):
    from toolkit.replicating import replicate_command

    said = []
    more = (
        '\n[[check]]\nname = "p. 3"\nt = "2.20"\ndf = "28"\np = ".03"\n\n[[check]]\nn = "25"\nsd = "10.0"\nse = "2.0"\n'
    )
    assert replicate_command(write_sheet(more=more), say=said.append) == 2
    assert any(line.strip().startswith("p. 3: p of t: .03 does not fit") for line in said)
    assert any("2 place(s) of the paper allow 2 checks: 1 fit, 1 do not fit" in line for line in said)


def test_a_check_with_an_explanation_is_not_counted_as_open(write_sheet):
    from toolkit.replicating import replicate_command

    more = '\n[[check]]\nt = "2.20"\ndf = "28"\np = ".03"\nexplanation = "one-sided? .018 no; a misprint, it seems"\n'
    assert replicate_command(write_sheet(more=more), say=lambda line: None) == 1


def test_the_page_can_be_written_and_is_never_written_over_another(tmp_path):
    from click.testing import CliRunner

    from toolkit.__main__ import commands

    table = tmp_path / "printed.csv"
    table.write_text("name,n,mean,sd,se\nrest,25,4.0,10.0,2.0\n", encoding="utf-8")
    CliRunner().invoke(commands, ["replicate", "--paper", str(table), "--write"])
    page = tmp_path / "printed_checked.docx"
    assert page.stat().st_size > 1000
    page.write_text("mine", encoding="utf-8")
    CliRunner().invoke(commands, ["replicate", "--paper", str(table), "--write"])
    assert page.read_text(encoding="utf-8") == "mine"


def test_many_people_make_every_sd_possible_in_no_time():
    assert _verdict("sd of whole numbers", n="99999999", mean="5.2", sd="1.3", items="1") == [YES]
