"""What is written is whole, and nothing somebody else made is lost: files, folders, cut-off runs, full disks."""

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pandas as pd
import pytest

from toolkit import writing
from toolkit.errors import WritingError
from toolkit.safe_text import safe_for_spreadsheets
from toolkit.writing import MANIFEST, clear_rests, write_file, write_files, write_folder


@pytest.fixture(autouse=True)
def _another_session(monkeypatch):
    """Every test begins as a new session, which has written nothing."""
    monkeypatch.setattr(writing, "_of_this_session", {})


def new_session():
    writing._of_this_session.clear()


def names(folder: Path) -> list[str]:
    return sorted(item.name for item in folder.iterdir())


def full(_: Path) -> None:
    raise OSError(28, "No space left on device")


def half_then_full(place: Path) -> None:
    place.write_text("half", encoding="utf-8")
    full(place)


def test_what_is_asked_for_is_written(tmp_path):
    write_file(tmp_path / "a.txt", "words")
    assert (tmp_path / "a.txt").read_text(encoding="utf-8") == "words"


@pytest.mark.parametrize("replace", [False, True])
def test_a_file_of_the_user_is_never_written_over(tmp_path, replace):
    (tmp_path / "a.txt").write_text("mine", encoding="utf-8")
    with pytest.raises(WritingError, match="What stands there was not touched"):
        write_file(tmp_path / "a.txt", "new", replace=replace)
    assert (tmp_path / "a.txt").read_text(encoding="utf-8") == "mine"
    assert names(tmp_path) == ["a.txt"]


def test_an_own_file_is_replaced_when_it_is_said(tmp_path):
    write_file(tmp_path / "a.txt", "old")
    new_session()
    with pytest.raises(WritingError, match="say --replace"):
        write_file(tmp_path / "a.txt", "new")
    write_file(tmp_path / "a.txt", "new", replace=True)
    assert (tmp_path / "a.txt").read_text(encoding="utf-8") == "new"


def test_an_own_file_that_was_changed_is_the_users(tmp_path):
    write_file(tmp_path / "a.txt", "old")
    new_session()
    (tmp_path / "a.txt").write_text("old, and my notes", encoding="utf-8")
    with pytest.raises(WritingError, match="was changed since"):
        write_file(tmp_path / "a.txt", "new", replace=True)


def test_a_session_may_write_its_own_file_again(tmp_path):
    write_file(tmp_path / "a.txt", "old")
    write_file(tmp_path / "a.txt", "new")
    assert (tmp_path / "a.txt").read_text(encoding="utf-8") == "new"


@pytest.mark.parametrize("make", [full, half_then_full])
def test_a_full_disk_leaves_the_old_file_and_no_rest(tmp_path, make):
    write_file(tmp_path / "a.txt", "old")
    before = names(tmp_path)
    with pytest.raises(WritingError, match=r"a\.txt was not written \(No space left on device\)"):
        write_file(tmp_path / "a.txt", make, replace=True)
    assert (tmp_path / "a.txt").read_text(encoding="utf-8") == "old"
    assert names(tmp_path) == before


def test_of_several_files_none_gets_its_name_before_all_are_finished(tmp_path):
    with pytest.raises(WritingError):
        write_files({tmp_path / "a.txt": "one", tmp_path / "b.txt": full})
    assert names(tmp_path) == []


def test_a_file_that_appears_meanwhile_is_left_alone(tmp_path):
    def make(place: Path) -> None:
        place.write_text("new", encoding="utf-8")
        (tmp_path / "a.txt").write_text("theirs", encoding="utf-8")

    with pytest.raises(WritingError):
        write_file(tmp_path / "a.txt", make)
    assert (tmp_path / "a.txt").read_text(encoding="utf-8") == "theirs"


def test_a_link_is_not_followed(tmp_path):
    (tmp_path / "real.txt").write_text("mine", encoding="utf-8")
    (tmp_path / "a.txt").symlink_to(tmp_path / "real.txt")
    with pytest.raises(WritingError, match="is a link"):
        write_file(tmp_path / "a.txt", "new", replace=True)
    assert (tmp_path / "real.txt").read_text(encoding="utf-8") == "mine"


def test_a_missing_folder_is_said(tmp_path):
    with pytest.raises(WritingError, match="there is no folder"):
        write_file(tmp_path / "gone" / "a.txt", "new")


def two_files(place: Path) -> None:
    (place / "inner").mkdir()
    (place / "inner" / "one.txt").write_text("one", encoding="utf-8")
    (place / "two.txt").write_text("two", encoding="utf-8")


@pytest.mark.parametrize("added", ["notes.txt", "inner/notes.txt"])
def test_a_note_inside_an_older_output_keeps_the_folder(tmp_path, added):
    folder = write_folder(tmp_path / "out", two_files)
    new_session()
    (folder / added).write_text("my note", encoding="utf-8")
    with pytest.raises(WritingError, match=r"notes\.txt"):
        write_folder(folder, two_files, replace=True)
    assert (folder / added).read_text(encoding="utf-8") == "my note"


def test_a_changed_file_inside_an_older_output_keeps_the_folder(tmp_path):
    folder = write_folder(tmp_path / "out", two_files)
    new_session()
    (folder / "two.txt").write_text("two, corrected", encoding="utf-8")
    with pytest.raises(WritingError, match=r"two\.txt"):
        write_folder(folder, two_files, replace=True)


def test_a_folder_with_files_of_the_same_names_is_the_users(tmp_path):
    two_files_by_hand = tmp_path / "out"
    two_files_by_hand.mkdir()
    two_files(two_files_by_hand)
    with pytest.raises(WritingError, match=r"one\.txt and 1 more"):
        write_folder(two_files_by_hand, two_files, replace=True)


def test_an_untouched_older_output_is_replaced_when_it_is_said(tmp_path):
    folder = write_folder(tmp_path / "out", two_files)
    new_session()
    with pytest.raises(WritingError, match="say --replace"):
        write_folder(folder, two_files)
    write_folder(folder, lambda place: (place / "three.txt").write_text("three", encoding="utf-8"), replace=True)
    assert names(folder) == [MANIFEST, "three.txt"]
    assert names(tmp_path) == ["out"]


def test_a_full_disk_leaves_the_old_folder(tmp_path):
    folder = write_folder(tmp_path / "out", two_files)

    def make(place: Path) -> None:
        two_files(place)
        full(place)

    with pytest.raises(WritingError, match="What was there before is unchanged"):
        write_folder(folder, make, replace=True)
    assert names(folder) == [MANIFEST, "inner", "two.txt"]
    assert names(tmp_path) == ["out"]


@pytest.mark.parametrize("text", ["", "{", "[]", '{"format": "written/1", "files": [1]}', "[" * 100_000])
def test_a_damaged_note_of_what_was_written_makes_nothing_ours(tmp_path, text):
    write_file(tmp_path / "a.txt", "old")
    new_session()
    (tmp_path / MANIFEST).write_text(text, encoding="utf-8")
    with pytest.raises(WritingError, match="was not written by this toolkit"):
        write_file(tmp_path / "a.txt", "new", replace=True)


def test_rests_of_a_run_that_is_over_are_cleared_away_and_others_left(tmp_path):
    process = subprocess.Popen([sys.executable, "-c", ""])
    process.wait()
    over, running = (
        f".session-outcomes.{writing._host()}.{pid}.0123456789ab.part.csv" for pid in (process.pid, os.getppid())
    )
    mine = ".session-outcomes.mine.part"
    for name in (over, running, mine):
        (tmp_path / name).write_text("rest", encoding="utf-8")
    clear_rests(tmp_path)
    assert names(tmp_path) == sorted([mine, running])


def test_a_folder_moved_aside_by_a_run_that_was_cut_off_is_put_back(tmp_path):
    process = subprocess.Popen([sys.executable, "-c", ""])
    process.wait()
    aside = tmp_path / f".session-outcomes.{writing._host()}.{process.pid}.0123456789ab.old.out"
    aside.mkdir()
    two_files(aside)
    clear_rests(tmp_path)
    assert names(tmp_path) == ["out"]
    assert names(tmp_path / "out") == ["inner", "two.txt"]


LOOP = """
import sys
from pathlib import Path
from toolkit.writing import write_file, write_folder
folder = Path(sys.argv[1])
def files(place):
    for name in "abcdef":
        (place / f"{name}.txt").write_text(turn * 20000)
for turn in "0123456789" * 1000:
    write_file(folder / "one.txt", turn * 200000, replace=True)
    write_folder(folder / "many", files, replace=True)
    print(turn, flush=True)
"""


@pytest.mark.skipif(os.name != "posix", reason="kill -9")
def test_forty_kills_leave_whole_files_only(tmp_path):
    for moment in range(40):
        process = subprocess.Popen([sys.executable, "-c", LOOP, str(tmp_path)], stdout=subprocess.PIPE)
        process.stdout.readline()
        time.sleep(0.0007 * moment)
        process.send_signal(signal.SIGKILL)
        process.wait()
        process.stdout.close()
        clear_rests(tmp_path)
        new_session()
        assert names(tmp_path) == [MANIFEST, "many", "one.txt"]
        text = (tmp_path / "one.txt").read_text(encoding="utf-8")
        assert len(text) == 200_000
        assert len(set(text)) == 1
        inside = [item.read_text(encoding="utf-8") for item in (tmp_path / "many").glob("*.txt")]
        assert len(inside) == 6
        assert len(set("".join(inside))) == 1
    write_file(tmp_path / "one.txt", "still ours", replace=True)
    write_folder(tmp_path / "many", two_files, replace=True)


def test_cells_and_headers_are_texts_to_a_spreadsheet():
    frame = pd.DataFrame(
        {"=cmd|' /C calc'!A0": ["=1+1", "-3.5", "＝1", "a\x1b[2Jb", "\u202egnp"], "n": [1, 2, 3, 4, 5]}
    )
    safe = safe_for_spreadsheets(frame)
    assert list(safe.columns) == ["'=cmd|' /C calc'!A0", "n"]
    assert safe.iloc[:, 0].tolist() == ["'=1+1", "-3.5", "'＝1", "a\ufffd[2Jb", "\ufffdgnp"]
    assert safe["n"].tolist() == [1, 2, 3, 4, 5]


def test_what_was_written_is_noted_with_its_hash(tmp_path):
    write_file(tmp_path / "a.txt", "abc")
    noted = json.loads((tmp_path / MANIFEST).read_text(encoding="utf-8"))["files"]
    # SHA-256 of "abc": FIPS 180-2, appendix B.1
    assert noted == {"a.txt": ["ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"]}
