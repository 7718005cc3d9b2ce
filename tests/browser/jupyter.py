"""Use a notebook as its reader does: open it in JupyterLab, run all cells, turn its dials, look at what it shows."""

import socket
import subprocess
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

from playwright.sync_api import Locator, Page

from toolkit.notebook.lab import lab_command, lab_environment

DEAD_END = "http://127.0.0.1:9"  # a proxy that is not there: whatever asks the network fails at once
KERNEL_READY = "Python 3 (ipykernel) | Idle"  # in the status bar; the notebook's own sign is there too early
IDLE = '.jp-Notebook-ExecutionIndicator[data-status="idle"]'
FAILED = '.jp-OutputArea-output[data-mime-type="application/vnd.jupyter.error"]'
STDERR = '.jp-OutputArea-output[data-mime-type="application/vnd.jupyter.stderr"]'
PROMPTS = "[...document.querySelectorAll('.jp-CodeCell .jp-InputPrompt')]"
OUTPUTS = ".jp-OutputArea-output"
OUT_OF_DATE = ".out-of-date"
COMPUTING = ".out-of-date:not(.stopped)"  # what a cell above could not compute stays out of date
OWN_LOOK = ".widget-dropdown, .widget-slider, .widget-checkbox, .widget-text"
DIALS = (
    ".widget-dropdown select:enabled:visible, .widget-slider [role=slider]:visible, "
    ".widget-checkbox input:visible, .widget-text input:enabled:visible"
)
NAME_OF_DIAL = "(dial) => dial.closest('.jupyter-widgets').innerText.split('\\n')[0].trim()"


@dataclass(frozen=True, kw_only=True)
class Lab:
    """A running JupyterLab."""

    port: int

    def url(self, notebook: str) -> str:
        """The address of one notebook, in a workspace of its own."""
        return f"http://127.0.0.1:{self.port}/lab/workspaces/{Path(notebook).stem}/tree/{notebook}?reset"


@contextmanager
def running_lab(folder: Path, *, log: Path) -> Iterator[Lab]:
    """JupyterLab on the notebooks in `folder`, ended afterwards; what it says goes to `log`."""
    lab = Lab(port=free_port())
    options = [
        "--no-browser",
        f"--ServerApp.port={lab.port}",
        "--ServerApp.port_retries=0",
        "--ServerApp.log_level=WARN",
    ]
    command = lab_command(folder, [*options, "--ServerApp.ip=127.0.0.1", "--IdentityProvider.token="])
    environment = {
        **lab_environment(),
        **dict.fromkeys(("HTTP_PROXY", "HTTPS_PROXY", "http_proxy", "https_proxy"), DEAD_END),
        **dict.fromkeys(("NO_PROXY", "no_proxy"), "127.0.0.1"),
        "JUPYTERLAB_SETTINGS_DIR": str(folder / ".lab"),
    }
    with (
        log.open("w", encoding="utf-8") as said,
        subprocess.Popen(command, cwd=folder, env=environment, stdout=said, stderr=subprocess.STDOUT) as server,
    ):
        try:
            wait_until_it_answers(lab, server, log=log)
            yield lab
        finally:
            end(server)


def free_port() -> int:
    """A port that nothing listens on."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        return int(free.getsockname()[1])


def wait_until_it_answers(lab: Lab, server: subprocess.Popen[bytes], *, log: Path, seconds: float = 60) -> None:
    """Wait until the server answers; fails with its last words if it does not."""
    ending = time.monotonic() + seconds
    while server.poll() is None and time.monotonic() < ending:
        with suppress(OSError), urllib.request.urlopen(f"http://127.0.0.1:{lab.port}/api/status", timeout=5):
            return
        time.sleep(0.2)
    raise RuntimeError("JupyterLab did not start: " + log.read_text(encoding="utf-8")[-500:])


def end(server: subprocess.Popen[bytes]) -> None:
    """Ask the server to end, with its kernels; insist after a while."""
    server.terminate()
    try:
        server.wait(timeout=20)
    except subprocess.TimeoutExpired:
        server.kill()


def run_all(page: Page, *, seconds: float = 240) -> None:
    """Wait for the kernel, choose Run All Cells from the menu, and wait until the last cell is done."""
    page.get_by_text(KERNEL_READY).wait_for(timeout=60_000)
    choose(page, "Run", "Run All Cells")
    page.wait_for_function(f"() => {PROMPTS}.some((prompt) => /\\[[\\d*]+\\]/.test(prompt.innerText))", timeout=30_000)
    wait_idle(page, seconds=seconds)


def choose(page: Page, menu: str, entry: str) -> None:
    """Choose an entry from a menu of JupyterLab."""
    page.get_by_role("menuitem", name=menu, exact=True).click()
    page.get_by_text(entry, exact=True).click()


def wait_idle(page: Page, *, seconds: float = 60) -> None:
    """Wait until the kernel is idle, no cell waits for its turn, and what is shown no longer changes."""
    ending = time.monotonic() + seconds
    seen = None
    while time.monotonic() < ending:
        waiting = page.evaluate(f"() => {PROMPTS}.filter((prompt) => prompt.innerText.includes('*')).length")
        shown = (page.locator(IDLE).count(), waiting, what_is_shown(page))
        busy = waiting or page.locator(COMPUTING).count()
        if not busy and shown[0] == 1 and shown == seen:
            return
        seen = shown
        page.wait_for_timeout(500)
    raise TimeoutError(f"the notebook was still busy after {seconds} s")


def what_is_shown(page: Page) -> str:
    """The outputs as text and figures without the dials themselves, to see whether they changed."""
    return page.evaluate(
        f"""() => [...document.querySelectorAll('{OUTPUTS}')].map((output) => {{
            if (!output.querySelector('{OWN_LOOK}')) return output.innerHTML;
            const copy = output.cloneNode(true);
            copy.querySelectorAll('{OWN_LOOK}').forEach((dial) => dial.remove());
            return copy.innerHTML;
        }}).join('\\n')"""
    )


def failures(page: Page) -> list[str]:
    """What every failed cell says, and what was written to stderr (warnings): empty when all is well."""
    return [text.strip()[-600:] for text in page.locator(f"{FAILED}, {STDERR}").all_inner_texts()]


def cells_not_run(page: Page) -> list[str]:
    """Code cells that have something in them and no execution count."""
    return page.evaluate(
        """() => [...document.querySelectorAll('.jp-CodeCell')]
            .filter((cell) => /^\\s*\\[\\s*\\]:?\\s*$/.test(cell.querySelector('.jp-InputPrompt').innerText))
            .map((cell) => cell.querySelector('.jp-InputArea-editor').innerText.trim().slice(0, 80))
            .filter((source) => source)"""
    )


def drawn_figures(page: Page) -> int:
    """How many figures stand in the outputs with an area and with something drawn in them."""
    return page.evaluate(
        f"""() => [...document.querySelectorAll('{OUTPUTS} svg, {OUTPUTS} img')].filter((figure) => {{
            const box = figure.getBoundingClientRect();
            const drawn = figure.tagName === 'IMG'
                ? figure.complete && figure.naturalWidth > 100
                : figure.querySelectorAll('path, line, rect, circle, use').length >= 5;
            return box.width > 100 && box.height > 60 && drawn;
        }}).length"""
    )


def turn_every_dial(page: Page) -> list[str]:
    """Operate each list, slider, box to tick and box to write into that is in sight; returns the names of those.

    Cells are computed anew after a turn and may bring other lists, so the next one is looked for only then.

    Raises:
        AssertionError: a dial changed nothing of what is shown beside it.
    """
    dials, turned, place = page.locator(DIALS), list[str](), 0
    while place < dials.count():
        dial, before = dials.nth(place), what_is_shown(page)
        name = dial.evaluate(NAME_OF_DIAL)
        if turn(page, dial):
            wait_for_change(page, before, name=name)
            wait_idle(page, seconds=180)
            turned.append(name)
        place += 1
    return turned


def turn(page: Page, dial: Locator) -> bool:
    """Give one dial another value; False where it has only one."""
    kind = dial.evaluate("(dial) => dial.type || dial.getAttribute('role')")
    if kind == "select-one":
        choices, current = dial.evaluate("(list) => [list.options.length, list.selectedIndex]")
        if choices > 1:
            dial.select_option(index=(current + 1) % choices)
        return bool(choices > 1)
    if kind == "slider":
        at, most = (float(dial.get_attribute(name) or 0) for name in ("aria-valuenow", "aria-valuemax"))
        dial.focus()
        page.keyboard.press("ArrowLeft" if at >= most else "ArrowRight")
    elif kind == "checkbox":
        dial.click()
    else:
        dial.fill("5" if dial.input_value() == "4" else "4")
        dial.press("Enter")
    return True


def wait_for_change(page: Page, before: str, *, name: str, seconds: float = 60) -> None:
    """Wait until something else is shown than before; a kernel takes its time to hear of a choice."""
    ending = time.monotonic() + seconds
    while time.monotonic() < ending:
        if what_is_shown(page) != before:
            return
        page.wait_for_timeout(100)
    raise AssertionError(f"“{name}” was changed, and what is shown is the same after {seconds:g} s")


def scroll_through(page: Page) -> None:
    """Scroll to each cell in turn, as a reader would, so that everything is attached and drawn."""
    for cell in page.locator(".jp-Notebook .jp-Cell").all():
        cell.scroll_into_view_if_needed()


def picture(page: Page, place: Path) -> None:
    """A screenshot of the notebook from its top (up to 6000 pixels), the window as it was afterwards."""
    window = page.viewport_size or {"width": 1280, "height": 900}
    panel = page.locator(".jp-WindowedPanel-outer")
    length = page.locator(".jp-WindowedPanel-inner").evaluate("(inner) => inner.scrollHeight")
    page.set_viewport_size({"width": window["width"], "height": min(int(length) + 150, 6000)})
    panel.evaluate("(panel) => { panel.scrollTop = 0; }")
    page.wait_for_timeout(500)
    page.screenshot(path=place)
    page.set_viewport_size({"width": window["width"], "height": window["height"]})
