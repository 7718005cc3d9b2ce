"""Every command that writes: killed at any moment, beside files of the user, on a full disk; none asks the network."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

import start
from tests.safety.commands_that_write import COMMANDS, ONLY_READ, lost, prepare
from tests.safety.killed import everything
from toolkit import __main__ as entry
from toolkit import writing

ROOT = Path(start.__file__).parent
MOMENTS = int(os.environ.get("HOSTILE_KILLS", "4"))
NO_NETWORK = """
import socket
class Refused(socket.socket):
    def __init__(self, family=-1, *more, **named):
        if family in (-1, socket.AF_INET, socket.AF_INET6):
            raise AssertionError("a socket was asked for")
        super().__init__(family, *more, **named)
socket.socket = Refused
def refuse(*_, **__):
    raise AssertionError("a name was looked up")
socket.create_connection = socket.getaddrinfo = socket.gethostbyname = refuse
"""


@pytest.fixture
def here(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(writing, "_of_this_session", {})
    prepare(tmp_path)
    writing._of_this_session.clear()
    return tmp_path


@pytest.mark.skipif(os.name != "posix", reason="kill -9 and fork")
@pytest.mark.parametrize("name", [*COMMANDS, "registry"])
def test_a_kill_at_any_moment_leaves_the_old_or_the_new(name, tmp_path):
    """Four moments here; `HOSTILE_KILLS=40` for forty of every command."""
    words = [sys.executable, "-m", "tests.safety.killed", name, str(MOMENTS), str(tmp_path / "killed")]
    done = subprocess.run(words, cwd=ROOT, capture_output=True, text=True, timeout=7200, check=False)
    assert done.returncode == 0, done.stdout + done.stderr[-2000:]


@pytest.mark.parametrize("name", COMMANDS)
def test_a_file_of_the_user_in_the_place_of_an_output_is_kept(name, here, capsys):
    command = COMMANDS[name]
    for target in command.targets:
        place = here / target
        if place.suffix:
            place.write_text("my own work", encoding="utf-8")
        else:
            (place / "tables").mkdir(parents=True)
            (place / "tables" / "mine.csv").write_text("my own work", encoding="utf-8")
    for more in ((), ("--replace",)) if command.replaces else ((),):
        assert entry.run([*command.words, *more]) == 2
        said = " ".join(capsys.readouterr().err.split())
        assert "not touched" in said or "never replaced" in said
    for target in command.targets:
        place = here / target if (here / target).is_file() else here / target / "tables" / "mine.csv"
        assert place.read_text(encoding="utf-8") == "my own work"
    assert lost(here) == []


@pytest.mark.parametrize("name", [name for name, command in COMMANDS.items() if command.replaces])
def test_an_earlier_output_is_replaced_only_when_it_is_said(name, here, capsys):
    command = COMMANDS[name]
    assert entry.run(list(command.words)) == 0, capsys.readouterr().err
    writing._of_this_session.clear()
    assert entry.run(list(command.words)) == 2
    assert "--replace" in " ".join(capsys.readouterr().err.split())
    assert entry.run([*command.words, "--replace"]) == 0
    assert lost(here) == []


@pytest.mark.parametrize("name", COMMANDS)
def test_a_full_disk_leaves_no_half_file_and_the_truth_is_told(name, here, capsys, monkeypatch):
    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("toolkit.writing._to_disk", full)
    assert entry.run(list(COMMANDS[name].words)) == 2
    assert "No space left on device" in " ".join(capsys.readouterr().err.split())
    assert not [target for target in COMMANDS[name].targets if (here / target).exists()]
    assert not [item.name for item in here.rglob(".session-outcomes.*") if item.name != writing.MANIFEST]
    assert lost(here) == []


@pytest.mark.skipif(os.name != "posix", reason="users and rights")
@pytest.mark.parametrize("name", COMMANDS)
def test_a_folder_that_may_only_be_read_is_told_and_left_as_it_is(name, tmp_path):
    tmp_path.chmod(0o755)
    for above in (tmp_path.parent, tmp_path.parent.parent):
        above.chmod(above.stat().st_mode | 0o055)  # for a user without rights, to get here
    words = [sys.executable, "-m", "tests.safety.killed", name, "read-only", str(tmp_path / "locked")]
    done = subprocess.run(words, cwd=ROOT, capture_output=True, text=True, timeout=300, check=False)
    assert done.returncode == 0, done.stdout + done.stderr[-2000:]


@pytest.mark.parametrize("name", ONLY_READ)
def test_a_command_that_only_shows_writes_nothing(name, here, capsys):
    before = everything(here)
    assert entry.run(list(ONLY_READ[name])) in (0, 1), capsys.readouterr().err
    assert everything(here) == before


def test_no_command_is_missing_here():
    told = {*(one.words[0] for one in COMMANDS.values()), *(words[0] for words in ONLY_READ.values())}
    assert {*entry.commands.commands} - told == {"lab"}  # opens JupyterLab


OTHERS = {**ONLY_READ, "demo": ("audit", "--out", "work/demo")}


@pytest.mark.parametrize("name", [*COMMANDS, *OTHERS])
def test_no_command_opens_a_socket(name, here):
    words = COMMANDS[name].words if name in COMMANDS else OTHERS[name]
    (here / "site").mkdir()
    (here / "site" / "sitecustomize.py").write_text(NO_NETWORK, encoding="utf-8")
    path = os.pathsep.join([str(here / "site"), str(ROOT)])
    done = subprocess.run(
        [sys.executable, "-m", "toolkit", *words],
        cwd=here,
        env={**os.environ, "PYTHONPATH": path},
        capture_output=True,
        text=True,
        timeout=600,
        check=False,
    )
    assert "socket was asked for" not in done.stderr
    assert "looked up" not in done.stderr
    assert done.returncode in (0, 1, 2), done.stderr[-1000:]
    assert "Traceback" not in done.stderr
    assert "fault of the toolkit" not in done.stderr


def test_the_network_guard_would_see_a_socket(tmp_path):
    (tmp_path / "sitecustomize.py").write_text(NO_NETWORK, encoding="utf-8")
    asked = "import urllib.request; urllib.request.urlopen('http://127.0.0.1:9')"
    done = subprocess.run(
        [sys.executable, "-c", asked], env={**os.environ, "PYTHONPATH": str(tmp_path)}, capture_output=True, text=True
    )
    assert "AssertionError" in done.stderr
