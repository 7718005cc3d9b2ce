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


def cells(path, kind):
    return [cell for cell in nbformat.read(path, 4).cells if cell.cell_type == kind]


def test_the_seven_notebooks_are_numbered_in_reading_order():
    assert [path.stem.split("_", 1)[0] for path in NOTEBOOKS] == list("1234567")


@every
def test_a_notebook_is_valid(path):
    nbformat.validate(nbformat.read(path, 4))


@every
def test_no_output_is_stored(path):
    assert all(not cell.outputs and cell.execution_count is None for cell in cells(path, "code"))


@every
def test_a_notebook_has_15_to_40_cells(path):
    assert 15 <= len(nbformat.read(path, 4).cells) <= 40


@every
def test_no_code_cell_has_eight_lines(path):
    assert max(cell.source.count("\n") + 1 for cell in cells(path, "code")) < 8


@every
def test_code_lines_fit_the_page(path):
    assert max(len(line) for cell in cells(path, "code") for line in cell.source.splitlines()) <= 118


@every
def test_the_settings_stand_in_the_first_code_cell_only(path):
    settings = [re.findall(r"^[A-Z_]{3,}(?:, [A-Z_]{3,})* =", cell.source, re.M) for cell in cells(path, "code")]
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
    code = "\n".join(cell.source for cell in cells(path, "code"))
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
    start = cells(path, "markdown")[1].source
    assert "Run All Cells" in start
    assert "not known or not defined" in start
    assert "no records in this notebook" in start or "the first cell" in start


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


INNER = re.compile(
    r"\b(?:deg|nan|NaN|None|True|False|ci_low|ci_high|before_2|n_of|[a-z]+_(?:flexion|release|lunge|raise))\b"
)


@pytest.mark.notebook
@pytest.mark.filterwarnings("default")
def test_a_notebook_shows_no_inner_names_no_raw_numbers_and_no_warning(ran, path):
    outputs = [output for cell in ran.cells if cell.cell_type == "code" for output in cell.outputs]
    said = [output["data"].get("text/plain", "") for output in outputs if "text/html" in output.get("data", {})]
    if path.stem[0] in "67":  # these show lines that a sheet must hold, spelt as a sheet spells them
        said = [part for part in said if 'format = "' not in part and not part.startswith("All methods")]
    assert not [output for output in outputs if output.output_type == "stream" and output.name == "stderr"]
    assert [found for part in said for found in INNER.findall(part)] == []
    assert [found for part in said for found in re.findall(r"\d\.\d{5,}°|\de-\d", part)] == []
