"""A sheet to start from: for a data file and a method, complete once its dots are filled in."""

import pytest
from click.testing import CliRunner

from toolkit.__main__ import commands
from toolkit.errors import SheetError
from toolkit.replicating import METHODS, columns_of, filled_sheet, new_sheet, replicate
from toolkit.replicating.examples import EXAMPLES


def _written(tmp_path, name):
    example = EXAMPLES[name]
    if example.table is not None:
        (tmp_path / "data.csv").write_text(example.table + "\n", encoding="utf-8")
    return new_sheet(name, data=None if example.table is None else "data.csv", beside=tmp_path)


@pytest.mark.parametrize("name", sorted(METHODS))
def test_a_new_sheet_becomes_one_that_runs_when_its_dots_are_filled_in(name, tmp_path):
    example = EXAMPLES[name]
    text = _written(tmp_path, name)
    figures = [(key, value) for part in example.inputs.values() for key, value in part.items()]
    for group in example.inputs:
        text = text.replace(f"# [inputs.{group}]", f"[inputs.{group}]")
    extra = "\n".join(f"{key} = {value!r}" for key, value in figures if f"\n{key} = " not in text)
    text = text.replace("[[figure]]", f"{extra}\n\n[[figure]]", 1).replace("'", '"') if extra else text
    answers = {
        "title": "x", "design": "x", "citation": "x", **dict(example.columns), "name": "x", "printed": "0.05",
        "where": "p. 1", "take": example.take, **({"with": dict(example.settings)} if example.settings else {}),
    }  # fmt: skip
    for key, value in figures:
        answers.setdefault(key, value)
    path = tmp_path / "replication.toml"
    if len(example.inputs) < 2:  # with two groups of printed figures the same key stands twice
        path.write_text(filled_sheet(text, answers) + "\n", encoding="utf-8")
        assert replicate(path).compared[0].recomputed is not None


def test_columns_that_bear_the_methods_words_are_filled_in(tmp_path):
    text = _written(tmp_path, "paired_t")
    assert 'before = "before"    # column of the first reading' in text
    assert "#   before: 27 to 36" in text


def test_a_semicolon_file_is_understood(tmp_path):
    (tmp_path / "d.csv").write_text("pre;post\n3,5;4,1\n2,0;3,3\n", encoding="utf-8")
    text = new_sheet("paired_t", data="d.csv", beside=tmp_path)
    assert 'separator = ";"' in text
    assert 'decimal = ","' in text
    assert columns_of(tmp_path / "d.csv") == ["pre", "post"]


@pytest.mark.parametrize(
    ("method", "data", "says"),
    [
        ("paired", None, "there is no method"),
        ("paired_t", None, "name the data file"),
        ("paired_t", "gone.csv", "is not there"),
    ],
)
def test_what_cannot_be_started_is_said(method, data, says, tmp_path):
    with pytest.raises(SheetError, match=says):
        new_sheet(method, data=data, beside=tmp_path)


def test_the_command_explains_writes_and_checks(tmp_path):
    run = CliRunner().invoke
    assert "THE REPLICATION SHEET" in run(commands, ["replicate", "--format"]).output
    assert "in R: friedman.test" in run(commands, ["replicate", "--format", "friedman"]).output
    target = tmp_path / "my.toml"
    assert "written:" in run(commands, ["replicate", "--new", "p_of_statistic", str(target)]).output
    assert target.read_text(encoding="utf-8").startswith('format = "replication/1"')
    printed = tmp_path / "printed.csv"
    printed.write_text("name,t,df,p\np. 3,2.20,28,.03\n", encoding="utf-8")
    found = run(commands, ["replicate", "--paper", str(printed)], standalone_mode=False)
    assert found.return_value == 1
    assert "p of t: .03 does not fit" in found.output


def test_a_new_sheet_is_never_written_over_another(tmp_path):
    target = tmp_path / "my.toml"
    target.write_text("mine", encoding="utf-8")
    result = CliRunner().invoke(commands, ["replicate", "--new", "p_of_statistic", str(target)])
    assert result.exit_code != 0
    assert target.read_text(encoding="utf-8") == "mine"
