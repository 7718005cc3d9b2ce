"""The start script: when it installs, what it says when it cannot, and what it passes on."""

import ast
import json
import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

import start
from toolkit.__main__ import commands

PROJECT = Path(start.__file__).parent
LOCKS = (start.RUN_LOCK, start.REGISTRY_LOCK, start.TEST_LOCK)


@pytest.fixture
def calls(monkeypatch):
    """What the script would have done: `.venv` made, locks installed."""
    made: list[str] = []

    def make_venv(root):
        made.append("venv")
        start.venv_python(root).parent.mkdir(parents=True, exist_ok=True)
        start.venv_python(root).touch()

    monkeypatch.setattr(start, "make_venv", make_venv)
    monkeypatch.setattr(start, "install", lambda root, lock: made.append(lock))
    return made


@pytest.fixture
def folder(tmp_path):
    """A project folder with two small locks."""
    (tmp_path / start.RUN_LOCK).write_text("a==1\n")
    (tmp_path / start.REGISTRY_LOCK).write_text("a==1\nb==2\n")
    (tmp_path / start.TEST_LOCK).write_text("a==1\nb==2\nc==3\n")
    return tmp_path


def stamp(folder: Path) -> Path:
    return folder / ".venv" / start.STAMP


def test_the_first_run_makes_the_environment_and_installs_the_running_lock(folder, calls):
    start.set_up(folder, LOCKS[:1])
    assert calls == ["venv", start.RUN_LOCK]


def test_a_second_run_installs_nothing(folder, calls):
    start.set_up(folder, LOCKS[:1])
    calls.clear()
    start.set_up(folder, LOCKS[:1])
    assert calls == []


def test_the_tests_add_their_lock_to_what_is_there(folder, calls):
    start.set_up(folder, LOCKS[:1])
    calls.clear()
    start.set_up(folder, LOCKS)
    assert calls == [start.TEST_LOCK]


def test_an_environment_made_for_the_tests_serves_every_command(folder, calls):
    start.set_up(folder, LOCKS)
    calls.clear()
    start.set_up(folder, LOCKS[:1])
    assert calls == []


def test_a_changed_lock_builds_anew_because_pip_does_not_recheck_what_is_installed(folder, calls):
    start.set_up(folder, LOCKS)
    calls.clear()
    (folder / start.RUN_LOCK).write_text("a==2\n")
    start.set_up(folder, LOCKS[:1])
    assert calls == ["venv", start.RUN_LOCK]


def test_another_python_builds_anew(folder, calls):
    start.set_up(folder, LOCKS[:1])
    calls.clear()
    stamp(folder).write_text(json.dumps({**json.loads(stamp(folder).read_text()), "python": "3.10"}))
    start.set_up(folder, LOCKS[:1])
    assert calls == ["venv", start.RUN_LOCK]


@pytest.mark.parametrize("locks", [LOCKS[:1], LOCKS], ids=["commands", "tests"])
def test_an_interrupted_install_leaves_no_stamp_and_is_built_anew(folder, calls, monkeypatch, locks):
    def interrupted(root, lock):
        raise KeyboardInterrupt

    with monkeypatch.context() as during:
        during.setattr(start, "install", interrupted)
        with pytest.raises(KeyboardInterrupt):
            start.set_up(folder, locks)
    assert not stamp(folder).exists()
    calls.clear()
    start.set_up(folder, locks)
    assert calls == ["venv", locks[-1]]


def test_a_broken_stamp_is_no_stamp(folder, calls):
    start.set_up(folder, LOCKS[:1])
    stamp(folder).write_text('{"python": ')
    assert start.stamp_found(folder) == {}


# pip's own words, as pip 23.2 and 26 print them (copied from runs made to fail).
@pytest.mark.parametrize(
    ("log", "told"),
    [
        ("ERROR: THESE PACKAGES DO NOT MATCH THE HASHES FROM THE REQUIREMENTS FILE.", "does not match the lock"),
        (
            "WARNING: Retrying (Retry(total=0)) after connection broken by 'NewConnectionError('<…>: Failed to "
            "establish a new connection: [Errno -3] Temporary failure in name resolution')'\n"
            "ERROR: No matching distribution found for anyio==4.16.0",
            "there is no network",
        ),
        ("ERROR: Could not install packages due to an OSError: [Errno 28] No space left on device", "The disk is full"),
        ("[Errno 30] Read-only file system: '.venv'", "cannot be written"),
        ("[Errno 13] Permission denied: '.venv'", "cannot be written"),
        ("ERROR: No matching distribution found for numpy==2.4.6", "not offered ready-made"),
        ("Segmentation fault", "a reason this script does not know"),
    ],
)
def test_a_failed_install_is_told_in_plain_words(log, told):
    assert told in start.trouble(log, lock=start.RUN_LOCK)


def test_a_hash_that_does_not_fit_is_not_told_as_a_network_fault():
    log = "WARNING: Retrying after connection broken by ReadTimeoutError\nERROR: THESE PACKAGES DO NOT MATCH THE HASHES"
    assert "network" not in start.trouble(log, lock=start.RUN_LOCK)


def test_too_little_space_is_told_before_anything_is_fetched(folder, monkeypatch):
    monkeypatch.setattr(start.shutil, "disk_usage", lambda place: type("Usage", (), {"free": 200_000_000}))
    with pytest.raises(start.SetupError, match=r"0\.2 GB are free at .*, 1\.5 GB are needed"):
        start.make_venv(folder)


def test_a_folder_that_cannot_be_written_is_a_sentence(folder, calls, monkeypatch):
    def refuse(root):
        raise OSError(30, "Read-only file system", str(root / ".venv"))

    monkeypatch.setattr(start, "make_venv", refuse)
    with pytest.raises(start.SetupError, match="Copy the whole folder to a place of your own"):
        start.set_up(folder, LOCKS[:1])


@pytest.mark.parametrize(
    "line",
    [
        "Collecting numpy==2.4.6 (from -r requirements.lock (line 900))",
        "Processing /wheels/numpy-2.4.6-cp311-cp311-manylinux.whl (from -r requirements.lock (line 900))",
        "Ignoring numpy: markers 'sys_platform == \"darwin\"' don't match your environment",
        "Requirement already satisfied: numpy==2.4.6 in ./.venv/lib",
    ],
)
def test_progress_names_the_package(line, capsys, monkeypatch):
    monkeypatch.setattr(start.sys.stderr, "isatty", lambda: True, raising=False)
    start.show_progress(line, done=7, total=132)
    assert "7 of 132: numpy " in capsys.readouterr().err


def test_the_script_can_be_read_by_python_3_6():
    assert ast.parse((PROJECT / "start.py").read_text(encoding="utf-8"), feature_version=(3, 6))


def test_an_old_python_is_told_plainly():
    source = (PROJECT / "start.py").read_text(encoding="utf-8")
    with_old = source.replace("sys.version_info < (3, 11)", "sys.version_info < (9, 0)")
    assert with_old != source
    run = subprocess.run([sys.executable, "-c", with_old], capture_output=True, text=True, check=False)
    assert run.returncode == 2
    assert "the toolkit needs Python 3.11 or newer" in run.stderr


def test_the_script_alone_shows_its_help_and_installs_nothing(calls, capsys):
    assert start.main([]) == 0
    assert "python3 start.py audit" in capsys.readouterr().out
    assert calls == []


def test_every_other_word_goes_to_the_toolkit_as_it_stands(monkeypatch):
    passed: list[list[str]] = []
    monkeypatch.setattr(start, "set_up", lambda root, locks: passed.append(list(locks)))
    monkeypatch.setattr(start, "run_command", lambda root, words: passed.append(words) or 7)
    assert start.main(["audit", "my year.xlsx", "--out", "there"]) == 7
    assert passed == [[start.RUN_LOCK], ["audit", "my year.xlsx", "--out", "there"]]


def test_a_registry_adds_its_engine_to_what_is_there(folder, calls):
    start.set_up(folder, LOCKS[:1])
    calls.clear()
    start.set_up(folder, LOCKS[:2])
    assert calls == [start.REGISTRY_LOCK]
    calls.clear()
    start.set_up(folder, LOCKS[:1])
    assert calls == []


def test_the_word_registry_asks_for_the_engine(monkeypatch):
    passed: list[list[str]] = []
    monkeypatch.setattr(start, "set_up", lambda root, locks: passed.append(list(locks)))
    monkeypatch.setattr(start, "run_command", lambda root, words: 0)
    start.main(["registry", "clinics"])
    assert passed == [[start.RUN_LOCK, start.REGISTRY_LOCK]]


def test_a_java_that_does_not_start_is_none(monkeypatch, tmp_path):
    monkeypatch.setenv("JAVA_HOME", str(tmp_path))
    assert start.find_java() is None
    (tmp_path / "bin").mkdir()
    own = tmp_path / "bin" / "java"
    own.write_text("#!/bin/sh\nexit 1\n")
    own.chmod(0o755)
    assert start.find_java() is None
    own.write_text("#!/bin/sh\nexit 0\n")
    assert start.find_java() == str(own)


def test_another_pythons_settings_do_not_reach_the_toolkit(monkeypatch, tmp_path):
    monkeypatch.setenv("PYTHONHOME", "elsewhere")
    monkeypatch.setenv("PYTHONPATH", "elsewhere")
    environment = start.clean_environment(tmp_path)
    assert "PYTHONHOME" not in environment
    assert environment["PYTHONPATH"] == str(tmp_path)


def test_the_browser_named_by_the_user_comes_first(monkeypatch, tmp_path):
    own = tmp_path / "browser"
    own.touch()
    monkeypatch.setenv("CHROMIUM_PATH", str(own))
    assert start.find_browser() == str(own)


# --- the locks --------------------------------------------------------------------------------------------------


def pins(lock: str) -> dict[str, str]:
    """Each pinned package of a lock with its release and marker."""
    text = (PROJECT / lock).read_text(encoding="utf-8")
    return {line.split(" \\")[0]: line for line in text.splitlines() if re.match(r"^\S+==", line)}


def test_each_lock_holds_every_release_of_the_one_before_it():
    assert set(pins(start.RUN_LOCK)) < set(pins(start.REGISTRY_LOCK)) < set(pins(start.TEST_LOCK))


def test_the_first_install_holds_no_engine():
    names = {pin.split("==")[0] for pin in pins(start.RUN_LOCK)}
    assert not {"duckdb", "ibis-framework", "pyspark"} & names
    assert "pyspark" not in {pin.split("==")[0] for pin in pins(start.REGISTRY_LOCK)}


@pytest.mark.parametrize("lock", LOCKS)
def test_every_pin_has_a_hash(lock):
    text = (PROJECT / lock).read_text(encoding="utf-8")
    assert pins(lock)
    for entry in re.split(r"\n(?=\S)", text):
        assert "--hash=sha256:" in entry, entry


@pytest.mark.parametrize("lock", LOCKS)
def test_a_lock_records_no_address(lock):
    assert not re.search(r"://|^-", (PROJECT / lock).read_text(encoding="utf-8"), re.MULTILINE)


def test_every_library_the_project_asks_for_is_in_the_lock():
    project = tomllib.loads((PROJECT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    locked = {re.split(r"==", pin)[0] for pin in pins(start.RUN_LOCK)}
    assert {re.split(r"[><=]", name)[0] for name in project["dependencies"]} <= locked


def test_the_script_runs_no_command_of_the_toolkit_itself():
    assert not {"test", "help", "commands"} & set(commands.commands)
