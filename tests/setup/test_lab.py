"""Opening the notebooks: which folder, which settings, and nothing asked of the network."""

import json
import os
import sys

import pytest

from toolkit import resources
from toolkit.errors import ToolkitError
from toolkit.notebook import lab


@pytest.fixture
def notebooks(tmp_path):
    folder = tmp_path / "notebooks"
    folder.mkdir()
    for name in ("02_ruler.ipynb", "01_audit.ipynb"):
        (folder / name).write_text("{}")
    return folder


def test_the_first_notebook_is_opened_by_this_python(notebooks):
    command = lab.lab_command(notebooks)
    assert command[0] == sys.executable
    assert str(notebooks / "01_audit.ipynb") in command


def test_the_users_own_options_come_last_so_that_they_win(notebooks):
    assert lab.lab_command(notebooks, ["--no-browser"])[-1] == "--no-browser"


def test_a_folder_without_notebooks_is_a_sentence(tmp_path):
    with pytest.raises(ToolkitError, match="There is no notebook in"):
        lab.lab_command(tmp_path)


def test_news_and_update_checks_are_off():
    settings = json.loads(
        resources.shared_file("jupyter/labconfig/default_setting_overrides.json").read_text(encoding="utf-8")
    )
    assert settings["@jupyterlab/apputils-extension:notification"] == {"checkForUpdates": False, "fetchNews": "false"}


def test_a_kernel_finds_the_toolkit_and_keeps_what_the_user_set(monkeypatch):
    monkeypatch.setenv("JUPYTER_CONFIG_PATH", "mine")
    monkeypatch.setenv("JUPYTER_PATH", "mine")
    environment = lab.lab_environment()
    assert environment["JUPYTER_PATH"] == environment["JUPYTER_CONFIG_PATH"]
    assert environment["JUPYTER_CONFIG_PATH"].split(os.pathsep) == [str(resources.shared_file("jupyter")), "mine"]
    assert environment["PYTHONPATH"].split(os.pathsep)[0] == str(resources.notebook_folder().parent)


def test_installed_notebooks_are_copied_once_and_the_users_copy_is_kept(notebooks, tmp_path, monkeypatch):
    monkeypatch.setattr(resources, "notebook_folder", lambda: notebooks)
    monkeypatch.setattr(lab, "__file__", str(tmp_path / "lab.py"))
    copies = lab.working_folder(tmp_path)
    (copies / "01_audit.ipynb").write_text('{"mine": 1}')
    assert lab.working_folder(tmp_path) == copies
    assert (copies / "01_audit.ipynb").read_text() == '{"mine": 1}'
    assert (copies / "02_ruler.ipynb").exists()
