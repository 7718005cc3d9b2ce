"""Replication sheets: what a good one gives, and what is said of a wrong one, with line and remedy."""

import re

import pytest

from toolkit.errors import SheetError
from toolkit.replicating import read_sheet, replicate

GROUP = """
[inputs.treated]
n = 20
mean = "5.0"
sd = "2.1"
scale_low = 0
scale_high = 10
"""


def test_a_good_sheet_is_read_with_its_data(write_sheet):
    sheet = read_sheet(write_sheet())
    assert len(sheet.data) == 5
    assert sheet.figures[0].settings["before"] == "first"


def test_rows_that_are_counts_are_repeated(write_sheet):
    path = write_sheet(
        ('file = "data.csv"', 'file = "data.csv"\nrepeat_by = "times"'), data="first,second,times\n1,2,3\n2,4,2\n"
    )
    assert len(read_sheet(path).data) == 5


def test_columns_are_stacked_with_their_labels(write_sheet):
    stack = 'stack = {columns = ["first", "second"], into = "value", label = "month", labels = [2, 5]}'
    frame = read_sheet(
        write_sheet(
            ('file = "data.csv"', f'file = "data.csv"\n{stack}'),
            ('before = "first"', 'value = "value"'),
            ('after = "second"', ""),
            ('method = "paired_t"\ntake = "t"', 'method = "one_column"\ntake = "mean"'),
        )
    ).data
    assert (len(frame), set(frame["month"])) == (10, {2, 5})


def test_only_the_rows_asked_for_are_kept(write_sheet):
    path = write_sheet(('file = "data.csv"', 'file = "data.csv"\nkeep = {person = 3}'))
    assert read_sheet(path).data["first"].tolist() == [12]


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (
            ('before = "first"', 'before = "frist"'),
            r'line 10.*no column "frist".*use one of: person, first',
        ),
        (
            ('printed = "3.87"', "printed = 3.87"),
            r"line 15: the printed figure is 3\.87, without its decimals.*quotation marks",
        ),
        (('printed = "3.87"', 'printed = "4"'), r'line 15: the figure "4" has no decimals.*add decimals = 0'),
        (('printed = "3.87"', 'printed = "3,87"'), r"line 15: .*write the decimal point"),
        (('file = "data.csv"', 'file = "gone.csv"'), r'line 7: the data file "gone.csv" is not there'),
        (('method = "paired_t"', 'method = "t_test"'), r'line 18: there is no method "t_test".*use one of: .*paired_t'),
        (('take = "t"', 'take = "tt"'), r'line 19: paired_t does not give "tt".*use one of: n, mean'),
        (
            ('read = "read"', 'read = "yes"'),
            r"line 17: it is not said whether the figure was read.*read, quoted, recalled",
        ),
        (('read = "read"', 'read = "quoted"'), r"line 17: a quoted figure needs the place where it was read"),
        (('where = "p. 1"', 'were = "p. 1"'), r'line 16: "were" is not a word of the sheet'),
        (('take = "t"', 'take = "t"\ntolerance = 0.5'), r"line 20: a tolerance needs its reason"),
        (('take = "t"', 'take = "t"\nwith = {sidedness = 1}'), r'line 20: "sidedness" is not a setting of paired_t'),
        (
            ('format = "replication/1"', 'format = "other"'),
            r'line 1: the format is not stated.*format = "replication/1"',
        ),
        (('title = "Bending forward"', ""), r'"title" is missing.*add title'),
        (('after = "second"', ""), r'line 1\d.*paired_t needs the column "after"'),
    ],
)
def test_a_fault_is_named_with_its_line_and_remedy(write_sheet, change, says):
    with pytest.raises(SheetError, match=f"(?s){says}"):
        read_sheet(write_sheet(change))


def test_a_p_of_zero_is_refused_with_the_way_out(write_sheet):
    path = write_sheet(('printed = "3.87"', 'printed = "0.000"'), ('take = "t"', 'take = "p"'))
    with pytest.raises(SheetError, match=r'line 15: a p-value of 0 is not possible.*for example "<0\.001"'):
        read_sheet(path)


def test_a_t_of_zero_is_no_fault(write_sheet):
    assert read_sheet(write_sheet(('printed = "3.87"', 'printed = "0.00"'))).figures[0].printed.value == 0


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (('sd = "2.1"', 'sd = "6.3"'), r"line 24: an SD of 6\.3 is impossible: .*spread at most 5\.1"),
        (('sd = "2.1"', 'sd = "-2.1"'), r"line 24: an SD of -2\.1 is impossible for readings that differ"),
        (('sd = "2.1"', 'percent_better = "35.5"'), r"line 24: 35\.5 % does not fit n = 20: .*7 of 20 is 35 %"),
        (('sd = "2.1"', 'p = "0.00"'), r"line 24: a p-value of 0 is not possible"),
        (('mean = "5.0"', 'mean = "12.0"'), r"line 23: a mean of 12\.0 lies outside the scale"),
        (
            ('mean = "5.0"', 'items = 1\nmean = "3.47"'),
            r"line 24: a mean of 3\.47 is impossible: .*not possible with n = 20",
        ),
    ],
)
def test_impossible_summary_figures_are_said_with_their_line_and_stop_nothing(write_sheet, change, says):
    sheet = read_sheet(write_sheet(more=GROUP.replace(*change)))
    assert re.search(says, sheet.doubts[0])
    assert len(sheet.figures) == 1


def test_a_summary_figure_that_is_no_number_is_refused(write_sheet):
    with pytest.raises(SheetError, match=r"line 24: .*write the decimal point"):
        read_sheet(write_sheet(more=GROUP.replace('sd = "2.1"', 'sd = "2,1"')))


def test_every_fault_is_reported_at_once(write_sheet):
    path = write_sheet(('printed = "3.87"', "printed = 3"), ('read = "read"', 'read = "perhaps"'))
    with pytest.raises(SheetError) as caught:
        read_sheet(path)
    assert len(str(caught.value).splitlines()) == 2


def test_a_sheet_that_is_not_toml_says_where(write_sheet):
    with pytest.raises(SheetError, match=r"not readable as TOML: .*line 2.*quotation marks"):
        read_sheet(write_sheet(('title = "Bending forward"', "title = Bending")))


def test_a_sheet_that_is_not_there_is_named(tmp_path):
    with pytest.raises(SheetError, match=r"gone\.toml: there is no such replication sheet"):
        read_sheet(tmp_path / "gone.toml")


def test_a_sheet_without_figures_is_refused(write_sheet):
    path = write_sheet()
    path.write_text(path.read_text().split("[[figure]]")[0])
    with pytest.raises(SheetError, match=r"no figure is listed.*at least one \[\[figure\]\]"):
        read_sheet(path)


@pytest.mark.parametrize(
    ("part", "head"), [("figure = 3", r"\[\[figure\]\]"), ("data = 3", r"\[data\]"), ("inputs = 3", r"\[inputs")]
)
def test_a_part_of_another_shape_says_how_to_head_it(tmp_path, part, head):
    path = tmp_path / "replication.toml"
    path.write_text(f'format = "replication/1"\n{part}\n')
    with pytest.raises(SheetError, match=f"head it with {head}"):
        read_sheet(path)


def test_a_model_with_an_unknown_column_is_named_before_it_is_fitted(write_sheet):
    model = 'method = "model"\ntake = "se"\nwith = {formula = "second ~ frist", term = "frist"}'
    with pytest.raises(SheetError, match='line 20: the data have no column "frist"'):
        read_sheet(write_sheet(('method = "paired_t"\ntake = "t"', model)))


def test_a_method_that_needs_data_says_so(write_sheet):
    path = write_sheet()
    text = path.read_text()
    path.write_text(text.replace('[data]\nfile = "data.csv"\n', ""))
    with pytest.raises(SheetError, match=r"paired_t works on data, .* names none.*add \[data\]"):
        read_sheet(path)


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (('file = "data.csv"', 'file = "data.csv"\nkeep = {person = 9}'), r'line 8: no row has person = "9"'),
        (('file = "data.csv"', 'file = "data.csv"\nkeep = 3'), r'line 8: "keep" is no table'),
        (('file = "data.csv"', 'file = "data.csv"\nrepeat_by = "half"'), r'line 8: the data have no column "half"'),
        (('file = "data.csv"', 'file = "data.csv"\nmissing = "NA"'), r'line 8: "missing" is no list'),
        (
            (
                'file = "data.csv"',
                'file = "data.csv"\nstack = {columns = ["first"], into = "x", label = "y", labels = []}',
            ),
            r'line 8: "labels" has not one label a column',
        ),
        (('before = "first"', "before = 3"), r"line 10: the column before is named by 3.*quotation marks"),
        (('take = "t"', 'take = "t"\nwith = 3'), r"line 20: the settings of a figure are no table"),
        (
            ('take = "t"', 'take = "t"\nwith = {alternative = "both"}'),
            r"line 20: alternative = 'both' is not known to paired_t.*two-sided, greater, less",
        ),
        (
            ('take = "t"', 'take = "t"\nwith = {confidence_level = -1}'),
            r"line 20: confidence_level = -1 is not above 0",
        ),
    ],
)
def test_a_setting_or_reshaping_that_cannot_be_is_named(write_sheet, change, says):
    with pytest.raises(SheetError, match=f"(?s){says}"):
        read_sheet(write_sheet(change))


@pytest.mark.parametrize("data", ["", "a,b\n1\n2,3,4\n"])
def test_data_that_are_no_table_are_named(write_sheet, data):
    with pytest.raises(SheetError, match=r"line 7: the data file data\.csv cannot be read as CSV"):
        read_sheet(write_sheet(data=data))


SIGNS = "person,first,second\n1,True,False\n2,True,True\n3,False,True\n4,False,True\n5,False,False\n"
ONE_SIGN = (
    'method = "paired_t"\ntake = "t"',
    'method = "mcnemar"\ntake = "p"\nwith = {{yes = {yes}, continuity = "exact"}}',
)


def _signs(write_sheet, yes):
    new = ONE_SIGN[1].format(yes=yes)
    return write_sheet(
        ('before = "first"', 'first = "first"'), ('after = "second"', 'second = "second"'),
        ('printed = "3.87"', 'printed = "1.000"'), (ONE_SIGN[0], new), data=SIGNS,
    )  # fmt: skip


@pytest.mark.parametrize("yes", ["true", '"True"'])
def test_a_word_of_the_data_may_be_true_or_a_number(write_sheet, yes):
    assert replicate(_signs(write_sheet, yes)).n_within_rounding == 1  # 2 against 1: exact p = 1


def test_a_word_that_stands_nowhere_is_named_with_those_that_do(write_sheet):
    one = replicate(_signs(write_sheet, '"yes"')).compared[0]
    assert 'no row of first, second holds "yes": the words are True, False' in one.why_not


def test_a_figure_may_have_rows_of_its_own(write_sheet):
    path = write_sheet(
        ('take = "t"', 'take = "mean"\nkeep = {person = [1, 2, 3]}'), ('printed = "3.87"', 'printed = "2.000"')
    )
    assert replicate(path).n_within_rounding == 1


def test_several_data_sets_stand_in_one_sheet(write_sheet):
    more = (
        '\n[data.late]\nfrom = "main"\nsteps = [{do = "keep", column = "person", above = 2}]\n'
        '\n[data.written]\ntable = """\nfirst, second\n1, 2\n2, 5\n3, 3\n"""\n'
        '\n[[figure]]\nname = "late"\nprinted = {n = "3"}\nwhere = "p. 1"\nread = "read"\n'
        'method = "paired_t"\ndata = "late"\n'
        '\n[[figure]]\nname = "written"\nprinted = {n = "3", mean = "1.333"}\nwhere = "p. 1"\nread = "read"\n'
        'method = "paired_t"\ndata = "written"\n'
    )
    assert replicate(write_sheet(more=more)).n_within_rounding == 3


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (
            ("[columns]", 'steps = [{do = "kep"}]\n[columns]'),
            r"line 9: step 1 does 'kep', which is not known: use one of keep",
        ),
        (
            ("[columns]", 'steps = [{do = "keep", colum = "first"}]\n[columns]'),
            r'step 1 \(keep\) does not know "colum"',
        ),
        (
            ("[columns]", 'steps = [{do = "difference", of = ["first", "x"], into = "d"}]\n[columns]'),
            r'no column "x", only',
        ),
        (("[columns]", 'steps = [{do = "keep", column = "first", above = 99}]\n[columns]'), r"leaves no row"),
        (('take = "t"', 'take = "t"\ndata = "other"'), r"takes the data set 'other', which the sheet does not have"),
        (("[columns]", 'separator = "ab"\n[columns]'), r"separator = 'ab' is not one sign"),
    ],
)
def test_a_step_or_data_set_that_cannot_be_is_named(write_sheet, change, says):
    with pytest.raises(SheetError, match=f"(?s){says}"):
        read_sheet(write_sheet(change))


def test_nothing_in_a_sheet_is_evaluated(write_sheet, tmp_path):
    trap = tmp_path / "trap"
    code = f"__import__('os').mkdir('{trap}')"
    step = f'steps = [{{do = "recode", column = "first", words = {{"{code}" = 1}}}}]\n[columns]'
    replicate(write_sheet(("[columns]", step)))
    assert not trap.exists()
