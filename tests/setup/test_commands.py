"""The command line: what a failure looks like to the person who typed the command."""

import subprocess
import sys
import tomllib

import click
import pandas as pd
import pytest

from toolkit import __main__ as entry
from toolkit.errors import ExportError
from toolkit.resources import dataset_file


@pytest.fixture
def failing(monkeypatch):
    """Give the command `fail`, which raises what the test says."""

    def failing_with(error: BaseException) -> None:
        @click.command()
        def fail() -> None:
            raise error

        monkeypatch.setitem(entry.commands.commands, "fail", fail)

    return failing_with


def test_what_the_user_can_mend_is_one_message_and_status_2(failing, capsys):
    failing(ExportError("Row 7: 'abc' is not a number."))
    assert entry.run(["fail"]) == 2
    assert capsys.readouterr().err == "Row 7: 'abc' is not a number.\n"


def test_a_fault_of_ours_says_so_with_status_1_and_no_traceback(failing, capsys):
    failing(ZeroDivisionError("division by zero"))
    assert entry.run(["fail"]) == 1
    said = capsys.readouterr().err
    assert "a fault of the toolkit, not of your records: ZeroDivisionError" in said
    assert "Traceback" not in said


def test_the_traceback_is_shown_when_asked_for_anywhere_on_the_line(failing, capsys):
    failing(ZeroDivisionError("division by zero"))
    assert entry.run(["fail", "--traceback"]) == 1
    assert "Traceback (most recent call last)" in capsys.readouterr().err


def test_a_file_that_cannot_be_opened_is_named(failing, capsys):
    failing(PermissionError(13, "Permission denied", "year.xlsx"))
    assert entry.run(["fail"]) == 2
    assert capsys.readouterr().err.startswith("year.xlsx: Permission denied. Choose another file")


def test_stopping_by_keyboard_ends_with_status_130(failing):
    failing(KeyboardInterrupt())
    assert entry.run(["fail"]) == 130


def test_an_unknown_command_is_status_2(capsys):
    assert entry.run(["frobnicate"]) == 2
    assert "No such command 'frobnicate'" in capsys.readouterr().err


@pytest.mark.parametrize("heavy", ["pandas", "scipy", "statsmodels", "matplotlib", "pingouin", "jupyterlab"])
def test_help_loads_no_heavy_library(heavy):
    code = f"import sys; from toolkit.__main__ import run; run(['--help']); sys.exit({heavy!r} in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], capture_output=True, check=False).returncode == 0


# --- the commands at work ---------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def export(tmp_path_factory):
    """A small simulated export."""
    from toolkit.simulate import ClinicDials, simulate_clinic

    path = tmp_path_factory.mktemp("clinic") / "spring.csv"
    simulate_clinic(ClinicDials(n_clients=25, effect=4.0), rng=1).rows.to_csv(path, index=False)
    return path


def test_an_audit_ends_with_the_path_of_its_report(export, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    assert entry.run(["audit", str(export)]) == 0
    said = capsys.readouterr().out
    assert said.rstrip().endswith(str(tmp_path / "audit-spring" / "report.html"))
    assert (tmp_path / "audit-spring" / "findings.json").exists()


def test_an_audit_of_a_file_that_is_not_there_writes_nothing(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    assert entry.run(["audit", "nowhere.csv"]) == 2
    assert "nowhere.csv: there is no such file" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


def test_check_accounts_for_every_row_and_writes_the_reasons(export, tmp_path, capsys):
    spoilt = tmp_path / "spoilt.csv"
    rows = pd.read_csv(export, dtype=str)
    rows.loc[0, "before"] = "stiff today"
    rows.to_csv(spoilt, index=False)
    assert entry.run(["check", str(spoilt), "--set-aside", str(tmp_path / "aside.csv")]) == 0
    assert "spoilt.csv, row 2, before: not a number" in " ".join(capsys.readouterr().out.split())
    assert pd.read_csv(tmp_path / "aside.csv")["row"].tolist() == [2]


def test_check_asks_for_a_file(capsys):
    assert entry.run(["check"]) == 2
    assert "Name the file to read" in capsys.readouterr().err


def test_a_proposal_is_written_where_asked_and_never_over_a_file(export, tmp_path, capsys):
    out = tmp_path / "columns.toml"
    assert entry.run(["columns", str(export), "--out", str(out)]) == 0
    assert tomllib.loads(out.read_text(encoding="utf-8"))["layout"] == "wide"
    out.write_text("client = 'corrected by hand'", encoding="utf-8")
    for more in ([], ["--replace"]):
        assert entry.run(["columns", str(export), "--out", str(out), *more]) == 2
        assert "What stands there was not touched" in " ".join(capsys.readouterr().err.split())
    assert out.read_text(encoding="utf-8") == "client = 'corrected by hand'"


def test_an_entry_sheet_is_written(tmp_path):
    words = ["--measure", "cervical_rotation", "--region", "upper_trapezius", "--intervention", "stretching"]
    assert entry.run(["sheet", str(tmp_path / "weeks.xlsx"), *words]) == 0
    assert (tmp_path / "weeks.xlsx").exists()


def test_a_shipped_replication_comes_out_again(capsys):
    assert entry.run(["replicate", str(dataset_file("open/sleep_drugs"))]) == 0
    assert "figures agree" in capsys.readouterr().out
