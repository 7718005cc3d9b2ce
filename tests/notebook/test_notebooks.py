"""The notebooks: readable as stored, and running from top to bottom as their user would run them."""

import ast
import os
import re
from pathlib import Path

import nbformat
import pytest

from toolkit.resources import notebook_folder

NOTEBOOKS = sorted(notebook_folder().glob("*.ipynb"))
ROOT = Path(__file__).resolve().parents[2]
every = pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)


LIVE = re.compile(r"%%live( later)?\n")


def cells(path, kind):
    return [cell for cell in nbformat.read(path, 4).cells if cell.cell_type == kind]


def python(cell):
    """A cell's code without the line that makes it follow a choice."""
    return LIVE.sub("", cell.source, count=1)


def test_the_notebooks_are_numbered_in_reading_order_from_the_index_on():
    assert [path.stem.split("_", 1)[0] for path in NOTEBOOKS] == list("0123456789")


def test_the_index_names_every_other_notebook():
    said = " ".join(cell.source for cell in cells(NOTEBOOKS[0], "markdown")).lower()
    for path in NOTEBOOKS[1:]:
        number, _, name = path.stem.partition("_")
        assert f"{number} · {name.replace('_', ' ')}" in said


@every
def test_a_notebook_is_valid(path):
    nbformat.validate(nbformat.read(path, 4))


@every
def test_no_output_is_stored(path):
    assert all(not cell.outputs and cell.execution_count is None for cell in cells(path, "code"))


@every
def test_a_notebook_has_15_to_60_cells(path):
    assert 15 <= len(nbformat.read(path, 4).cells) <= 60


@every
def test_no_code_cell_has_eight_lines(path):
    assert max(cell.source.count("\n") + 1 for cell in cells(path, "code")) < 8


@every
def test_code_lines_fit_the_page(path):
    assert max(len(line) for cell in cells(path, "code") for line in cell.source.splitlines()) <= 118


@every
def test_the_settings_stand_in_the_first_code_cell_only(path):
    settings = [re.findall(r"^[A-Z_]{3,}(?:, [A-Z_]{3,})* =", python(cell), re.M) for cell in cells(path, "code")]
    assert settings[0]
    assert not any(settings[1:])


@every
def test_words_stand_before_every_second_code_cell_at_the_latest(path):
    kinds = "".join("c" if cell.cell_type == "code" else "m" for cell in nbformat.read(path, 4).cells)
    assert kinds.startswith("mm")
    assert "ccc" not in kinds


@every
def test_sentences_are_short(path):
    prose = " ".join(cell.source for cell in cells(path, "markdown"))
    sentences = re.split(r"(?<=[.!?:])\s+", re.sub(r"[#*`|]", "", prose))
    lengths = sorted(len(each.split()) for each in sentences)
    assert lengths[len(lengths) // 2] <= 15
    assert lengths[-1] <= 40


@every
def test_nothing_is_imported_and_not_used(path):
    code = "\n".join(python(cell) for cell in cells(path, "code"))
    tree = ast.parse(code)
    names = {
        alias.asname or alias.name
        for node in ast.walk(tree)
        if isinstance(node, (ast.Import, ast.ImportFrom))
        for alias in node.names
    }
    used = {node.id for node in ast.walk(tree) if isinstance(node, ast.Name)}
    assert names <= used


@every
def test_the_last_section_is_the_last_word(path):
    assert "last word" in cells(path, "markdown")[-2].source + cells(path, "markdown")[-3].source


@every
def test_a_notebook_says_where_to_put_a_file_of_ones_own_and_what_to_do_after_a_restart(path):
    start = cells(path, "markdown")[1].source + cells(path, "markdown")[0].source
    assert "Run All Cells" in start
    assert "not known or not defined" in start
    assert "no records in this notebook" in start or "first cell" in start
    assert "start.py lab" in start


BY_OTHERS = ("7_replicate_a_published_analysis",)  # their readings and exports stand in their way


@pytest.mark.parametrize(
    "path",
    [path for path in NOTEBOOKS if path.stem not in BY_OTHERS and path.stem[0] != "0"],
    ids=lambda path: path.stem,
)
def test_a_notebook_sees_readings_asks_before_it_tells_goes_on_in_own_code_and_says_why_numbers_differ(path):
    code = "\n".join(python(cell) for cell in cells(path, "code"))
    words = " ".join(cell.source for cell in cells(path, "markdown"))
    assert re.search(r"plot_(readings|changes|course)|sns\.|show\.course", code)
    assert "expect" in words
    assert {"seaborn", "pingouin", "statsmodels"} <= set(re.findall(r"import (\w+)", code)) | set(
        re.findall(r"from (\w+)", code)
    ) | ({"statsmodels"} if "2_how" in path.stem else set())
    assert "Why" in words
    assert 'show.folder("taken-along")' in code


@every
def test_whatever_reads_a_choice_follows_it(path):
    """A cell that reads a chooser, or what such a cell makes, and is not live would show an old answer unmarked."""
    from toolkit.notebook.live import names_of

    follows = set()
    for cell in cells(path, "code"):
        reads, makes = names_of(python(cell))
        if re.search(r"show\.(choose\w*|guess)\(", cell.source):
            follows |= {name for name in makes if len(name) > 1}
        elif LIVE.match(cell.source):
            follows |= makes if reads & follows else set()
        else:
            assert not reads & follows - {"file", "which", "guess", "belief", "choice", "client"}, cell.source


@pytest.fixture(scope="module", params=NOTEBOOKS, ids=lambda path: path.stem)
def path(request):
    return request.param


@pytest.fixture(scope="module")
def ran(path, tmp_path_factory):
    from nbclient import NotebookClient

    here = {"metadata": {"path": str(tmp_path_factory.mktemp("notebook"))}}
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("PYTHONPATH", os.pathsep.join([str(ROOT), os.environ.get("PYTHONPATH", "")]))
        client = NotebookClient(nbformat.read(path, 4), timeout=300, kernel_name="python3", resources=here)
        return client.execute()


@pytest.mark.notebook
@pytest.mark.filterwarnings("default")  # the kernel's own machinery warns of itself, not of us
def test_a_notebook_runs_from_top_to_bottom_and_every_figure_has_its_words(ran):
    outputs = [output for cell in ran.cells if cell.cell_type == "code" for output in cell.outputs]
    shown = [output["data"] for output in outputs if "data" in output]
    drawings = [data["text/html"] for data in shown if "<svg" in data.get("text/html", "")]
    assert not [output for output in outputs if output.output_type == "error"]
    assert all("<desc" in drawing and 'role="img"' in drawing for drawing in drawings)
    last = shown[-1]["text/plain"]
    assert "One may say: " in last
    assert "One may not say: " in last
    assert "To do next: " in last or "To say more: " in last
    assert "judgement of a licensed professional" in last


NOT_FOR_READERS = re.compile(r"\b(?:nan|None)\b")


@pytest.mark.notebook
@pytest.mark.filterwarnings("default")
def test_a_notebook_shows_no_missing_number_as_code_and_no_warning(ran, path):
    code = [cell for cell in ran.cells if cell.cell_type == "code"]
    ours = [cell for cell in code if "show." in cell.source.splitlines()[-1] and "choose" not in cell.source]
    said = [output["data"].get("text/plain", "") for cell in ours for output in cell.outputs if "data" in output]
    outputs = [output for cell in code for output in cell.outputs]
    assert not [output for output in outputs if output.output_type == "stream" and output.name == "stderr"]
    assert [found for part in said for found in NOT_FOR_READERS.findall(part)] == []
    assert [found for part in said for found in re.findall(r"\d\.\d{5,}°|\d e-\d", part)] == []


@pytest.mark.notebook
@pytest.mark.filterwarnings("default")
@pytest.mark.parametrize("path", [path for path in NOTEBOOKS if path.stem not in BY_OTHERS], ids=lambda path: path.stem)
def test_a_notebook_opened_without_the_start_script_finds_the_toolkit_beside_its_folder(path):
    from jupyter_client.manager import start_new_kernel

    with pytest.MonkeyPatch.context() as patch:
        patch.delenv("PYTHONPATH", raising=False)
        manager, client = start_new_kernel(kernel_name="python3", cwd=str(path.parent))
    try:
        said = []
        first = cells(path, "code")[0].source
        reply = client.execute_interactive(first, output_hook=said.append, timeout=120)["content"]
    finally:
        client.stop_channels()
        manager.shutdown_kernel(now=True)
    assert reply["status"] == "ok", reply
    assert not [message for message in said if message["msg_type"] == "error"]
