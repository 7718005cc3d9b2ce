"""The command line: what a failure looks like to the person who typed the command."""

import subprocess
import sys

import click
import pytest

from toolkit import __main__ as entry
from toolkit.errors import ExportError


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
