"""Open a page as its reader would, and say what is wrong with it: requests, overflow, accessibility."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from urllib.parse import urlsplit

from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page

CHROMIUM_OPTIONS = [
    *("--headless", "--no-sandbox", "--disable-gpu", "--disable-background-networking", "--no-first-run"),
    "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1",  # nothing outside this machine can be reached
]
DESKTOP = (1280, 900)
PHONE = (375, 812)
A4_PRINTED = (718, 1047)  # 210 mm × 297 mm at 96 dots per inch, less margins of 10 mm
SCROLLS = "scrollable-region-focusable"
HERE = {"file", "data", "blob", "about"}


@dataclass(kw_only=True)
class Opened:
    """A page and what it did while it was open."""

    page: Page
    outside: list[str] = field(default_factory=list)  # requests to anywhere but this machine
    complaints: list[str] = field(default_factory=list)  # errors of scripts on the page

    def note_request(self, url: str) -> None:
        """Keep `url` if it leaves this machine."""
        parts = urlsplit(url)
        if parts.scheme not in HERE and parts.hostname not in ("127.0.0.1", "localhost"):
            self.outside.append(url)


@contextmanager
def opened(browser: Browser, url: str, size: tuple[int, int]) -> Iterator[Opened]:
    """The page at `url` in a window of `size` pixels, closed afterwards."""
    with browser.new_context(viewport={"width": size[0], "height": size[1]}) as context:
        page = context.new_page()
        visit = Opened(page=page)
        page.on("request", lambda request: visit.note_request(request.url))
        page.on("pageerror", lambda error: visit.complaints.append(str(error)))
        page.goto(url)
        yield visit


def overflowing(page: Page) -> list[str]:
    """Elements that stick out to the right of the page and cannot be scrolled to within their own box."""
    return page.evaluate(
        """() => {
            const width = document.documentElement.clientWidth;
            const boxed = (e) => e && (getComputedStyle(e).overflowX !== 'visible' || boxed(e.parentElement));
            return [...document.body.querySelectorAll('*')]
                .filter((e) => e.getBoundingClientRect().right > width + 1 && !e.closest('svg') && !boxed(e))
                .map((e) => e.tagName + '.' + e.className + ' ' + e.textContent.trim().slice(0, 40));
        }"""
    )


def barriers(page: Page, *, within: str | None = None) -> list[str]:
    """Serious and critical findings of the accessibility check axe-core, on the page or the parts `within` selects.

    Within a notebook, that a wide table scrolls in its cell is JupyterLab's own doing: it gives the cell no focus. A
    slider's handle is left out: ipywidgets 8 gives it no name, only a label beside it, and lets nobody else.
    """
    parts = {"exclude": [[".noUi-handle"]], **({"include": [[within]]} if within else {})}
    found = Axe().run(page, context=parts).response["violations"]
    return [
        f"{finding['impact']}: {finding['help']} ({node['target']}: {node['html'][:120]})"
        for finding in found
        if finding["impact"] in ("serious", "critical") and not (within and finding["id"] == SCROLLS)
        for node in finding["nodes"]
    ]
