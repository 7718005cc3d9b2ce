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
def test_a_notebook_ends_with_what_one_may_say_and_what_to_do_next(path):
    assert "last word" in cells(path, "markdown")[-2].source + cells(path, "markdown")[-3].source
    last = cells(path, "code")[-1].source
    assert "show.last_word(" in last or all(name in last for name in ("One may say", "One may not say", "To do next"))


@pytest.fixture
def ran(path, tmp_path, monkeypatch):
    from nbclient import NotebookClient

    monkeypatch.setenv("PYTHONPATH", os.pathsep.join([str(ROOT), os.environ.get("PYTHONPATH", "")]))
    notebook = nbformat.read(path, 4)
    client = NotebookClient(
        notebook, timeout=300, kernel_name="python3", resources={"metadata": {"path": str(tmp_path)}}
    )
    return client.execute()


@pytest.mark.notebook
@pytest.mark.filterwarnings("default")  # the kernel's own machinery warns of itself, not of us
@every
def test_a_notebook_runs_from_top_to_bottom_and_every_figure_has_its_words(ran):
    outputs = [output for cell in ran.cells if cell.cell_type == "code" for output in cell.outputs]
    shown = [output["data"] for output in outputs if "data" in output]
    drawings = [data["text/html"] for data in shown if "<svg" in data.get("text/html", "")]
    assert not [output for output in outputs if output.output_type == "error"]
    assert all("<desc" in drawing and 'role="img"' in drawing for drawing in drawings)
    assert "judgement of a licensed professional" in shown[-1]["text/plain"]
