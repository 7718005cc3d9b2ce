"""What a notebook's reader gets wrong, typed into a real kernel as `start.py lab` starts it: a sentence each time."""

import os
import shutil
from pathlib import Path

import pytest

from toolkit.errors import ExportError, ToolkitError, WritingError
from toolkit.notebook import errors_in_words, show
from toolkit.notebook.lab import lab_environment
from toolkit.notebook.records import averaged, open_elsewhere
from toolkit.records.records import load_records
from toolkit.resources import dataset_file
from toolkit.simulate import ClinicDials

pytestmark = pytest.mark.filterwarnings("default")  # the kernel's own machinery warns of itself, not of us
START = "from toolkit import audit, load_records\nfrom toolkit.notebook import choosers, show\nshow.start()\n"


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """A folder with files that are no exports, and a workbook with the marks of one that is open."""
    here = tmp_path_factory.mktemp("bad")
    (here / "picture.csv").write_bytes(b"\x89PNG\r\n\x1a\n" + bytes(range(200)))
    (here / "empty.csv").write_text("")
    (here / "letter.csv").write_text("Dear colleague, today it rained.\nTomorrow it may rain, too.\n")
    (here / "prices.csv").write_text("product,price\napple,3\npear,4\n")
    (here / "picture.toml").write_bytes(b"\x89PNG\r\n\x1a\n\xff\xfe")
    shutil.copyfile(dataset_file("demo") / "sessions.csv", here / "year.csv")
    (here / "~$year.csv").write_bytes(b"\x05me" + b" " * 160)
    return here


@pytest.fixture(scope="module")
def typed(folder):
    """Types code into a kernel of its own and returns its status and everything it says."""
    from jupyter_client.manager import start_new_kernel

    with pytest.MonkeyPatch.context() as patch:
        for name, value in lab_environment().items():
            patch.setenv(name, value)
        manager, client = start_new_kernel(kernel_name="python3", cwd=str(folder))

    def run(code):
        messages = []
        reply = client.execute_interactive(code, output_hook=messages.append, timeout=120)
        said = [str(m["content"].get("text") or m["content"].get("traceback") or "") for m in messages]
        return reply["content"]["status"], "".join(said)

    yield run
    client.stop_channels()
    manager.shutdown_kernel(now=True)


def sentence_of(typed, code):
    status, said = typed(code)
    assert status == "error"
    first, _, report = said.partition("Traceback")
    assert report  # what programmers look for stands below
    assert "/toolkit/" not in report  # and holds the reader's own lines only
    assert first.count("\n") <= 2
    return first


# The first test is the first to use the kernel: nothing of ours has been run in it.
def test_after_a_restart_a_later_cell_says_to_run_all(typed):
    said = sentence_of(typed, "records = load_records(EXPORT)\nshow.counts(records)")
    assert "“load_records” is not known yet" in said
    assert "Run → Run All Cells" in said


@pytest.mark.parametrize(
    ("name", "what"),
    [
        ("picture.csv", "this is a PNG picture"),
        ("empty.csv", "the file is empty"),
        ("letter.csv", "no column was found for client"),
        ("prices.csv", 'Found: "product", "price"'),
        ("nowhere.csv", "there is no such file"),
        ("~$year.csv", r"name the workbook itself (year.csv)"),
    ],
)
def test_a_file_that_is_no_export_is_a_sentence(typed, name, what):
    said = sentence_of(typed, f'{START}load_records("{name}")')
    assert name in said
    assert what in said


def test_a_file_name_without_quotation_marks_is_a_sentence(typed):
    assert "needs quotation marks" in sentence_of(typed, f"{START}EXPORT = my_year.xlsx")


def test_a_typed_name_that_the_records_do_not_hold_is_a_sentence(typed):
    asked = '{"measure": "wobble", "region": "soleus", "intervention": "percussive_release"}'
    said = sentence_of(typed, f"{START}records = load_records(show.demo())\naudit(records, question={asked})")
    assert "There are no records of the measure “wobble”. The records hold: " in said


def test_a_combination_without_records_is_an_answer(typed):
    asked = {"measure": "ankle_dorsiflexion_lunge", "region": "upper_trapezius", "intervention": "percussive_release"}
    status, said = typed(f"{START}print(show.claim(audit(load_records(show.demo()), question={asked!r})))")
    assert status == "ok"
    assert "Not enough records to say" in said


def test_a_replication_sheet_that_is_a_picture_is_a_sentence(typed):
    said = sentence_of(typed, f'{START}from toolkit.replicating import read_sheet\nread_sheet("picture.toml")')
    assert "picture.toml cannot be read: it is no text in UTF-8" in said


def test_a_printed_figure_without_quotation_marks_is_a_sentence(typed):
    said = sentence_of(typed, f"{START}from toolkit.replicating import mean_possible\nmean_possible(3.47, n=20)")
    assert 'The printed figure 3.47 needs quotation marks, "3.47"' in said


def test_a_fault_of_ours_still_shows_where_it_is(typed):
    status, said = typed("1 / 0")
    assert status == "error"
    assert "ZeroDivisionError" in said


class Unwritten:
    def write(self, folder, *, replace):
        raise WritingError(f"The folder {folder} holds what this toolkit did not write. Name a new folder.")


def test_a_folder_that_cannot_be_written_does_not_stop_the_notebook():
    said = str(show.keep(Unwritten(), "here"))
    assert said.startswith("Not written: The folder here holds what this toolkit did not write.")
    assert "Name a new folder in the cell above" in said


def test_a_place_below_a_file_cannot_be_written_and_says_so(typed):
    asked = {"measure": "straight_leg_raise", "region": "hamstrings", "intervention": "stretching"}
    code = f"print(show.keep(audit(load_records(show.demo()), question={asked!r}), 'prices.csv/audit'))"
    status, said = typed(START + code)
    assert status == "ok"
    assert "Not written: audit was not written" in said


def test_a_file_one_may_not_read_is_a_sentence(folder, monkeypatch):
    def refused(self, *given, **named):
        raise PermissionError(13, "Permission denied", str(self))

    monkeypatch.setattr(Path, "open", refused)
    with pytest.raises(
        ExportError, match=r"year.csv: the file cannot be opened \(Permission denied\). Close it in other"
    ):
        load_records(folder / "year.csv")


@pytest.mark.parametrize("sign", ["~$weeks.xlsx", ".~lock.weeks.xlsx#"])
def test_a_workbook_that_is_open_elsewhere_is_told(tmp_path, sign):
    assert open_elsewhere(tmp_path / "weeks.xlsx") == []
    (tmp_path / sign).write_text("me")
    assert "weeks.xlsx seems to be open in a spreadsheet program" in open_elsewhere(tmp_path / "weeks.xlsx")[0]


def test_an_error_of_the_file_system_is_a_sentence_with_the_files_name_alone():
    refused = PermissionError(13, "Permission denied", os.path.join("somewhere", "year.xlsx"))
    missing = FileNotFoundError(2, "No such file or directory", os.path.join("somewhere", "year.xlsx"))
    assert errors_in_words.in_words(refused).startswith("year.xlsx cannot be used (Permission denied). Close it")
    assert errors_in_words.in_words(missing).startswith("There is no file or folder year.xlsx. Check the spelling")


def test_a_name_that_is_missing_inside_a_library_is_no_matter_of_cells():
    assert errors_in_words.in_words(ValueError("odd")) == ""


def test_settings_that_make_no_sense_are_sentences():
    error = show.reading_error(load_records(show.demo()), "cervical_lateral_flexion")
    with pytest.raises(ToolkitError, match="READINGS_A_VISIT is 0"):
        averaged(error, 0)


class Asked:
    """A question and a belief as the boxes of a notebook hand them over."""

    def __init__(self, *, smallest=None, believed=None):
        self.smallest_change, self.value, self.unit = smallest, believed, "deg"


def season_asked(asked, *, seasons=8):
    return show.season_asked(asked, asked, dials=ClinicDials(sem=2.54), seasons=seasons, seed=1)


def test_what_a_season_is_played_with_is_what_was_written_else_what_matters_else_the_error_of_a_reading():
    assert season_asked(Asked(smallest=3.0, believed=4.0)).effect == 4.0
    assert season_asked(Asked(smallest=3.0)).effect == 3.0
    first_look = season_asked(Asked())
    assert first_look.settings["effect"] == 2.5
    assert "Nobody wrote the true change" in first_look.words
    assert "Nobody" not in season_asked(Asked(smallest=3.0)).words


def test_a_season_that_makes_no_sense_is_a_sentence():
    with pytest.raises(ToolkitError, match="SEASONS is 0"):
        season_asked(Asked(smallest=3.0), seasons=0)
    with pytest.raises(ToolkitError, match="The true change is 0: write a size above 0"):
        season_asked(Asked(believed=0.0))
