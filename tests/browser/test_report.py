"""The demo clinic's report as its reader meets it: on a desk, on a phone, on paper, with a screen reader, offline."""

import copy
import re

import pytest
from axe_playwright_python.sync_playwright import Axe

from tests.browser import pages
from toolkit.auditing import audit
from toolkit.commands.audit import demo_questions
from toolkit.looks.report import write_report
from toolkit.looks.words import readable
from toolkit.resources import dataset_file

SIZES = {"desktop": pages.DESKTOP, "phone": pages.PHONE}


@pytest.fixture(scope="module")
def audited():
    """The demo clinic, audited with its questions."""
    return audit(dataset_file("demo/sessions.csv"), question=demo_questions())


@pytest.fixture(scope="module")
def report(audited, tmp_path_factory):
    """The address of the report, moved away from its tables and figures: it must stand alone."""
    written = audited.write(tmp_path_factory.mktemp("audit") / "demo")
    return written.rename(tmp_path_factory.mktemp("alone") / "report.html").as_uri()


@pytest.fixture(scope="module", params=SIZES)
def visit(request, chromium, report, artefacts):
    """The report opened at one size, all details unfolded; screenshots are left."""
    with pages.opened(chromium, report, SIZES[request.param]) as visit:
        visit.page.screenshot(path=artefacts / f"report-{request.param}-first-sight.png")
        visit.page.evaluate("document.querySelectorAll('details').forEach((part) => { part.open = true; })")
        visit.page.screenshot(path=artefacts / f"report-{request.param}.png", full_page=True)
        yield visit


def test_the_report_asks_nothing_of_the_network_and_its_scripts_do_not_fail(visit):
    assert visit.outside == []
    assert visit.complaints == []


def test_the_report_has_no_serious_barrier(visit):
    assert pages.barriers(visit.page) == []


def test_the_report_fits_the_window_and_needs_no_sideways_scrolling(visit):
    assert pages.overflowing(visit.page) == []
    assert visit.page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")


def test_the_claim_on_each_question_can_be_read(visit, audited):
    text = " ".join(visit.page.locator("body").inner_text().split())
    claims = [readable(finding["claim"]["sentence"]) for finding in audited.findings["findings"]]
    assert len(claims) == 3
    assert [claim for claim in claims if claim not in text] == []


def test_every_figure_is_drawn_and_described(visit):
    figures = visit.page.locator("svg[role=img]:visible, [role=img] svg:visible")
    assert figures.count() >= 3
    for figure in figures.all():
        box = figure.bounding_box()
        assert box is not None
        assert box["width"] > 100
        assert figure.locator("path, line, rect, circle, use").count() >= 5


@pytest.fixture(scope="module")
def crowded(audited, tmp_path_factory):
    """The address of a report with more questions than are shown in full."""
    findings, where = copy.deepcopy(audited.findings), tmp_path_factory.mktemp("crowded")
    for place in range(5):
        more = copy.deepcopy(findings["findings"][place % 3])
        more["id"] += f"|{place}"
        findings["findings"].append(more)
    write_report(findings, where, plot_data=audited.plot_data)
    return (where / "report.html").as_uri()


@pytest.mark.parametrize("size", SIZES)
def test_many_questions_fit_and_have_no_barrier_of_any_kind(chromium, crowded, size):
    with pages.opened(chromium, crowded, SIZES[size]) as visit:
        visit.page.evaluate("document.querySelectorAll('details').forEach((part) => { part.open = true; })")
        found = Axe().run(visit.page).response["violations"]
        assert [(one["id"], one["nodes"][0]["html"][:90]) for one in found] == []
        assert pages.overflowing(visit.page) == []
        assert visit.outside == []


def test_letters_in_figures_are_large_enough_on_a_phone(chromium, report):
    with pages.opened(chromium, report, pages.PHONE) as visit:
        visit.page.evaluate("document.querySelectorAll('details').forEach((part) => { part.open = true; })")
        heights = visit.page.evaluate(
            "[...document.querySelectorAll('.phone svg text')].map((text) => text.getBoundingClientRect().height)"
        )
    assert heights
    assert min(heights) >= 10


def test_an_answer_has_the_width_of_the_phone(chromium, report):
    with pages.opened(chromium, report, pages.PHONE) as visit:
        widths = visit.page.evaluate(
            "[...document.querySelectorAll('.answer .claim')].map((claim) => claim.getBoundingClientRect().width)"
        )
    assert len(widths) == 3
    assert min(widths) > 0.8 * pages.PHONE[0]


def test_print_unfolds_the_cautions_and_leaves_the_appendices_on_the_screen(chromium, report):
    with pages.opened(chromium, report, pages.A4_PRINTED) as visit:
        visit.page.emulate_media(media="print")
        height = "document.querySelector('{}').getBoundingClientRect().height"
        assert visit.page.evaluate(height.format("details:not(.appendix) ul")) > 50
        assert visit.page.evaluate(height.format("details.appendix")) == 0


def pages_of(printed):
    return len(re.findall(rb"/Type\s*/Page\b(?!s)", printed))


def printed(chromium, address, paper="A4", path=None):
    """The report as its reader prints it, with the browser's own margins rule and an outline."""
    with pages.opened(chromium, address, pages.A4_PRINTED) as visit:
        visit.page.emulate_media(media="print")
        assert pages.overflowing(visit.page) == []
        return visit.page.pdf(format=paper, tagged=True, outline=True, prefer_css_page_size=True, path=path)


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_three_questions_print_on_ten_pages_with_an_outline(chromium, report, artefacts, paper):
    made = printed(chromium, report, paper, artefacts / f"report-{paper}.pdf")
    assert made.startswith(b"%PDF")
    assert 5 <= pages_of(made) <= 10
    assert b"/Outlines" in made


def test_one_question_prints_on_five_pages(chromium, audited, artefacts, tmp_path):
    found = audit(dataset_file("demo/sessions.csv"), question=demo_questions()[1])
    address = found.write(tmp_path / "one").as_uri()
    assert 3 <= pages_of(printed(chromium, address, path=artefacts / "report-one.pdf")) <= 5


def test_forty_questions_that_nobody_declared_print_on_twelve_pages(chromium, audited, artefacts, tmp_path):
    findings, data = copy.deepcopy(audited.findings), audited.plot_data
    base = findings["findings"]
    findings["findings"] = [copy.deepcopy(base[place % 3]) for place in range(40)]
    for finding in findings["findings"]:
        finding["claim"]["declared"] = False
    write_report(findings, tmp_path, plot_data=data)
    made = printed(chromium, (tmp_path / "report.html").as_uri(), path=artefacts / "report-forty.pdf")
    assert 6 <= pages_of(made) <= 12


def test_no_heading_is_left_alone_at_a_pages_foot(chromium, report):
    with pages.opened(chromium, report, pages.A4_PRINTED) as visit:
        visit.page.emulate_media(media="print")
        loose = visit.page.evaluate(
            """() => [...document.querySelectorAll('h1, h2, h3, caption, thead')]
                .filter((e) => e.getClientRects().length && getComputedStyle(e).breakAfter !== 'avoid')
                .map((e) => e.textContent.slice(0, 40))"""
        )
        split = visit.page.evaluate(
            """() => [...document.querySelectorAll('figure, tr, article')]
                .filter((e) => e.getClientRects().length && getComputedStyle(e).breakInside !== 'avoid').length"""
        )
    assert loose == []
    assert split == 0


def test_a_page_with_a_barrier_is_told(chromium, tmp_path):
    page = tmp_path / "page.html"
    page.write_text(
        "<html lang='en'><title>t</title><main><h1>t</h1><img src='data:,'></main></html>", encoding="utf-8"
    )
    with pages.opened(chromium, page.as_uri(), pages.DESKTOP) as visit:
        assert [found for found in pages.barriers(visit.page) if "alternative text" in found]


def test_a_request_to_the_outside_is_told(chromium, tmp_path):
    page = tmp_path / "page.html"
    page.write_text("<html><img src='https://example.org/x.png'><div style='width:3000px'>wide</div></html>")
    with pages.opened(chromium, page.as_uri(), pages.PHONE) as visit:
        assert visit.outside == ["https://example.org/x.png"]
        assert pages.overflowing(visit.page) == ["DIV. wide"]
