"""Markup, scripts and formulas in every text field of an export: opened in the browser, nothing of it runs."""

import pytest

from tests.browser import pages
from tests.safety.corpus import PAYLOADS
from toolkit import __main__ as entry
from toolkit.auditing import audit
from toolkit.records.records import load_records
from toolkit.result import html_table
from toolkit.simulate import ClinicDials, simulate_clinic

MARKUP = [text for text in PAYLOADS if any(sign in text for sign in "<>{}'") and len(text) < 200]
STEERING = ["\x1b[2J\x1b[31mred", "\u202egnp.exe", "=cmd|' /C calc'!A0"]
TEXT_FIELDS = (
    "client", "practitioner", "region", "intervention", "examiner", "adverse_event", "session_id", "setting", "measure",
    "unit", "order", "treated_side",
)  # fmt: skip


def hostile_rows():
    """A clinic in which every text field says something that means harm, in some rows or in all that share a value."""
    rows = simulate_clinic(ClinicDials(n_clients=24, visits=4.0), rng=4).rows.astype(object)
    rows["setting"], rows["adverse_event"], rows["site"] = "low", "none", "north"
    payloads = [*MARKUP, *STEERING]
    for place, column in enumerate(TEXT_FIELDS):
        text = payloads[place % len(payloads)]
        if column in ("client", "practitioner", "intervention", "region", "session_id", "examiner"):
            known = rows[column].unique()[0]
            rows[column] = rows[column].replace({known: f"{text} {place}"})
        else:
            rows.loc[rows.index[place::17], column] = text
    for place, text in enumerate(payloads):
        rows.loc[rows.index[place % len(rows)], "adverse_event"] = text
        rows.loc[rows.index[(place * 5 + 3) % len(rows)], "setting"] = text
    names = {"setting": "setting", "site": "site"}
    return rows.rename(columns=names).assign(**{"<img src=x onerror=window.ran=1>": "<script>window.ran=1</script>"})


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """The audit's folder and a page of tables, made from an export with a name that means harm too."""
    place = tmp_path_factory.mktemp("harm")
    export = place / "<img src=x onerror='window.ran=1'>.csv"
    hostile_rows().to_csv(export, index=False)
    records = load_records(export)
    found = audit(records)
    found.write(place / "audited", with_text=True)
    shown = [
        records._repr_html_(),
        found._repr_html_(),
        html_table(records.set_aside),
        html_table(records.rows.head(99)),
    ]
    (place / "audited" / "tables.html").write_text("<meta charset=utf-8>" + "".join(shown), encoding="utf-8")
    return place / "audited"


def test_the_payloads_are_in_what_is_opened(folder):
    told = (folder / "report.html").read_text(encoding="utf-8") + (folder / "tables.html").read_text(encoding="utf-8")
    assert told.count("window.ran") > 10
    assert "<script>window.ran" not in told
    assert "\x1b" not in (folder / "report.html").read_text(encoding="utf-8")


@pytest.mark.parametrize("name", ["report.html", "tables.html"])
def test_nothing_in_a_page_runs(chromium, folder, name):
    with pages.opened(chromium, (folder / name).as_uri(), pages.DESKTOP) as visit:
        visit.page.evaluate("document.querySelectorAll('details').forEach((part) => { part.open = true; })")
        for part in visit.page.locator("[onclick], [onload], [onerror]").all():
            raise AssertionError(f"a handler came through: {part.evaluate('e => e.outerHTML')[:200]}")
        assert visit.page.evaluate("window.ran") is None
        assert visit.outside == []


def test_nothing_in_a_figure_runs(chromium, folder):
    figures = sorted((folder / "figures").glob("*.svg"))
    assert figures
    for figure in figures:
        with pages.opened(chromium, figure.as_uri(), pages.DESKTOP) as visit:
            assert visit.page.evaluate("window.ran") is None
            assert visit.page.evaluate("document.querySelectorAll('script, [onload], [onerror]').length") == 0
            assert visit.outside == []


def test_nothing_in_a_comparison_runs(chromium, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    rows = simulate_clinic(ClinicDials(n_clients=20, design="comparison_sessions", measured_only_share=0.0), rng=1).rows
    one, other = "<img src=x onerror=window.ran=1>", "<svg onload=window.ran=1>"
    rows["intervention"] = rows["session_id"].isin(rows["session_id"].unique()[::2]).map({True: one, False: other})
    rows["practitioner"] = "<script>window.ran=1</script> " + rows["practitioner"].astype(str)
    rows.to_csv("two.csv", index=False)
    words = ["compare", "two.csv", "--measure", "cervical_lateral_flexion", "--between", one, other, "--out", "page"]
    assert entry.run(words) == 0, capsys.readouterr().err
    assert "window.ran" in (tmp_path / "page" / "comparison.json").read_text(encoding="utf-8")
    for page in (tmp_path / "page").rglob("*.html"):
        with pages.opened(chromium, page.as_uri(), pages.DESKTOP) as visit:
            assert visit.page.evaluate("window.ran") is None
            assert visit.outside == []


def test_no_cell_of_a_table_would_be_run_by_a_spreadsheet(folder):
    for table in [*(folder / "tables").glob("*.csv"), folder / "rows_set_aside.csv"]:
        for line in table.read_text(encoding="utf-8").splitlines():
            for cell in line.replace('"', "").split(","):
                assert not cell.startswith(("=", "@", "\t")), f"{table.name}: {cell[:60]}"
