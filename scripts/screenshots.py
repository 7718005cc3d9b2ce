"""Take the README's pictures anew: `.venv/bin/python -m scripts.screenshots` (needs a Chromium, see start.py).

Writes `report.png` (the demo clinic's report) and `notebook.png` (the first notebook, run) into `shared/pictures/`.
"""

import json
import shutil
import tempfile
from pathlib import Path

from playwright.sync_api import Browser, sync_playwright

import start
from tests.browser import jupyter, pages
from toolkit import audit
from toolkit.commands.audit import demo_questions
from toolkit.resources import dataset_file, notebook_folder, shared_file

PICTURES = shared_file("pictures")
SIZE = (1000, 1100)


def report_picture(browser: Browser, work: Path) -> None:
    """The first figure of the demo clinic's report, with the claim above it."""
    report = audit(dataset_file("demo/sessions.csv"), question=demo_questions()).write(work / "audit")
    with pages.opened(browser, report.as_uri(), SIZE) as visit:
        visit.page.screenshot(path=PICTURES / "report.png")


def notebook_picture(browser: Browser, work: Path) -> None:
    """The adjustment steps in the first notebook."""
    folder = work / "notebooks"
    shutil.copytree(notebook_folder(), folder, ignore=shutil.ignore_patterns(".*"))
    path = next(folder.glob("1_*.ipynb"))
    first, notebook = path.name, json.loads(path.read_text(encoding="utf-8"))
    last = next(at for at, cell in enumerate(notebook["cells"]) if "show.adjustment_steps(" in "".join(cell["source"]))
    notebook["cells"] = notebook["cells"][: last + 1]  # what stands below is not in the picture
    path.write_text(json.dumps(notebook), encoding="utf-8")
    with (
        jupyter.running_lab(folder, log=work / "jupyterlab.log") as lab,
        pages.opened(browser, lab.url(first), SIZE) as visit,
    ):
        jupyter.run_all(visit.page)
        figure = visit.page.locator(f"{jupyter.OUTPUTS} svg").last
        figure.evaluate("(figure) => figure.scrollIntoView({block: 'center'})")
        visit.page.wait_for_timeout(1000)
        visit.page.screenshot(path=PICTURES / "notebook.png")


def main() -> None:
    """Take both pictures."""
    PICTURES.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as work, sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=start.find_browser(), args=pages.CHROMIUM_OPTIONS)
        report_picture(browser, Path(work))
        notebook_picture(browser, Path(work))
        browser.close()


if __name__ == "__main__":
    main()
