"""A headless Chromium, a JupyterLab on copies of the notebooks, and a place for the pictures they leave."""

import os
import shutil
from pathlib import Path

import pytest
from playwright.sync_api import sync_playwright

import start
from tests.browser.jupyter import running_lab
from tests.browser.pages import CHROMIUM_OPTIONS
from toolkit import resources

FEWER = (  # what a reader plays at length is played in short here, each time a dial is turned
    ("4_what_else_could_explain_it.ipynb", "YEAR, YEARS = 1, 100", "YEAR, YEARS = 1, 5"),
    ("6_plan_the_next_season.ipynb", "SEASONS, SEED = 40, 1", "SEASONS, SEED = 4, 1"),
)


def pytest_collection_modifyitems(items):
    """Every test here needs the browser, and all share one (so one worker runs them)."""
    for item in items:
        if Path(__file__).parent in item.path.parents:
            item.add_marker(pytest.mark.browser)
            item.add_marker(pytest.mark.xdist_group("browser"))


@pytest.fixture(scope="session")
def artefacts():
    """Where screenshots and prints are left for a look; not in git."""
    folder = Path(start.__file__).parent / "test-artefacts"
    folder.mkdir(exist_ok=True)
    return folder


@pytest.fixture(scope="module")
def chromium():
    """A headless Chromium; without one the test is skipped, in CI it fails.

    It ends with its module: while it runs, no other module of the same worker can have an event loop of its own.
    """
    place = start.find_browser()
    if not place:
        tell = pytest.fail if os.environ.get("CI") else pytest.skip
        tell("no Chromium found: install one, or name it in CHROMIUM_PATH")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=place, args=CHROMIUM_OPTIONS)
        yield browser
        browser.close()


@pytest.fixture(scope="session")
def lab(tmp_path_factory, artefacts):
    """JupyterLab on a copy of the notebooks, as `start.py lab` opens it, with no way out to the network."""
    folder = tmp_path_factory.mktemp("lab") / "notebooks"
    shutil.copytree(resources.notebook_folder(), folder, ignore=shutil.ignore_patterns(".*"))
    shutil.copytree(Path(__file__).parent / "data", folder, dirs_exist_ok=True)
    for name, many, few in FEWER:
        notebook = folder / name
        notebook.write_text(notebook.read_text(encoding="utf-8").replace(many, few), encoding="utf-8")
    with running_lab(folder, log=artefacts / "jupyterlab.log") as running:
        yield running
