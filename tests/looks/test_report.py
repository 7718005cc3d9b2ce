"""The report as a page: what it says, in which order, and that nothing from the data becomes markup."""

import copy
import itertools
import re
from html.parser import HTMLParser

import numpy as np
import pandas as pd
import pytest

from toolkit.looks import report_tables as tables
from toolkit.looks.plot_data import AgreementPairs, PlotData
from toolkit.looks.report import JUDGEMENT, answers_in_order, write_report

VOID = {"meta", "link", "br", "hr", "img", "input"}


class Page(HTMLParser):
    """A page's tags with their attributes, its visible words, and its tables."""

    def __init__(self, text):
        super().__init__()
        self.tags, self.words, self.tables, self.open = [], [], [], []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append((tag, dict(attrs)))
        if tag == "table":
            self.tables.append([])
        if tag == "tr":
            self.tables[-1].append([])
        if tag in ("td", "th"):
            self.tables[-1][-1].append("")

    def handle_endtag(self, tag):
        assert self.open.pop()[0] == tag, f"</{tag}> closes something else"

    def handle_data(self, data):
        inside = [tag for tag, _ in self.open]
        if "style" in inside:
            return
        self.words.append(data)
        if any(tag in ("td", "th") for tag in inside) and self.open[-1][1].get("class") != "name":
            self.tables[-1][-1][-1] += data

    @property
    def text(self):
        return " ".join(" ".join(self.words).split())


@pytest.fixture(scope="module")
def folder(example, plot_data, tmp_path_factory):
    where = tmp_path_factory.mktemp("report")
    write_report(example, where, plot_data=plot_data)
    return where


@pytest.fixture(scope="module")
def text(folder):
    return (folder / "report.html").read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def page(text):
    return Page(text)


def many(findings, n):
    """Findings with n questions, none declared but the first."""
    out = copy.deepcopy(findings)
    for place in range(n - len(out["findings"])):
        more = copy.deepcopy(findings["findings"][place % 3])
        more["id"] += f"|{place}"
        more["claim"]["declared"] = False
        out["findings"].append(more)
    return out


def test_sections_come_in_reading_order(page):
    text = page.text
    heads = ["The answers", "From the usual answer to what is left", "Before and after, client by client"]
    heads += ["What else could explain it", "The numbers", "By region and intervention", "How good the ruler is"]
    heads += ["What was set aside", "What to record next", "Cautions", "Methods", "How this report was made"]
    last = ("Methods", "By region and intervention", "What was set aside", "Cautions")
    places = [text.rindex(head) if head in last else text.index(head) for head in heads]
    assert places == sorted(places)


def test_the_declared_question_comes_first_then_most_clients(findings):
    compared = [one | {"attributable": one["attributable"] or {}} for one in findings["findings"]]
    order = [(finding["claim"]["declared"], finding["n_clients"]) for finding in answers_in_order(compared)]
    assert order == [(True, 41), (False, 28), (False, 6)]


def test_every_claim_stands_there_word_for_word(page, findings):
    assert all(finding["claim"]["sentence"] in page.text for finding in findings["findings"])


def test_what_one_may_not_say_stands_beside_it(page, findings):
    assert all(finding["claim"]["may_not_say"] in page.text for finding in findings["findings"])


def test_codes_of_levels_and_states_never_reach_the_reader(page):
    assert not re.search(r"moved_enough|readings_changed|not_enough|closed_by_design|randomised_order", page.text)


def test_missing_numbers_are_words(page):
    assert not re.search(r"\b(nan|None|NaN|null|inf)\b", page.text)
    assert "not estimated" in page.text


def test_the_accounts_add_up_in_sight(page):
    assert "612 rows read = 572 kept + 40 set aside." in page.text


def test_local_codes_and_licensed_judgement_come_last_word(page):
    assert JUDGEMENT in page.text


def test_the_export_is_named_by_its_hash_and_the_toolkit_by_its_version(page, findings):
    assert findings["export"]["sha256"] in page.text
    assert "version 0.1.0" in page.text


def test_nothing_is_fetched_and_nothing_runs(text, page):
    links = {value for _, attrs in page.tags for name, value in attrs.items() if name in ("src", "href", "xlink:href")}
    assert all(link.startswith("#") for link in links)
    assert not re.search(r"<script|<link|<iframe|@import|url\((?!#)|\son\w+=", text)


def test_the_page_has_a_language_landmarks_and_one_title(page):
    tags = [tag for tag, _ in page.tags]
    assert ("html", {"lang": "en"}) in page.tags
    assert [tags.count(tag) for tag in ("main", "header", "footer", "h1")] == [1, 1, 1, 1]


def test_headings_never_skip_a_level(page):
    levels = [int(tag[1]) for tag, _ in page.tags if re.fullmatch("h[1-6]", tag)]
    assert levels[0] == 1
    assert all(after <= before + 1 for before, after in itertools.pairwise(levels))


def test_no_id_comes_twice(page):
    ids = [attrs["id"] for _, attrs in page.tags if "id" in attrs]
    assert len(ids) == len(set(ids))


def test_every_figure_has_a_name_and_a_description(page):
    drawings = [attrs for tag, attrs in page.tags if tag == "svg"]
    ids = {attrs.get("id") for _, attrs in page.tags}
    assert drawings
    assert all(attrs["role"] == "img" for attrs in drawings)
    assert all(set(attrs["aria-labelledby"].split()) <= ids for attrs in drawings)


def test_descriptions_hold_the_numbers_of_the_data(text):
    assert "1: after minus before, every row: +5.9° (95 % interval +5.5 to +6.3°)" in text


def test_every_header_cell_says_what_it_heads(page):
    assert all(attrs.get("scope") in ("col", "row") for tag, attrs in page.tags if tag == "th")


def test_text_and_page_list_the_same_rows(page, findings):
    found = answers_in_order(findings["findings"])
    wanted = [tables.explanations_table(finding) for finding in found if finding["rivals"]]
    makers = (tables.numbers_table, tables.effects_table, tables.steps_table)
    wanted += [made for finding in found for make in makers if (made := make(finding)).rows]
    wanted += [tables.measurement_table(findings["measurement"], findings["findings"])]
    shown = {"\n".join(" | ".join(cell.strip() for cell in row) for row in table) for table in page.tables}
    assert {table.text().split("\n", 1)[1] for table in wanted} <= shown


def test_nothing_from_the_data_becomes_markup(findings, plot_data, tmp_path):
    hostile = '<script>alert(1)</script>"><img src=x onerror=alert(1)>{{ 7*7 }}&lt;b&gt;'
    for finding in findings["findings"]:
        finding["labels"] = dict.fromkeys(("measure", "region", "intervention"), hostile)
        finding["claim"]["sentence"] = hostile
        finding["ladder"][0]["says"] = hostile
    for explanation in findings["findings"][1]["rivals"]:
        explanation["says"] = hostile
    findings["export"]["file"] = "a<b>.csv"
    findings["notes"] = findings["cautions"] = [hostile]
    findings["by_region_and_intervention"]["model"]["formula"] = hostile
    write_report(findings, tmp_path, plot_data=plot_data)
    page = Page((tmp_path / "report.html").read_text(encoding="utf-8"))
    assert not {"script", "img", "b"} & {tag for tag, _ in page.tags}
    assert hostile in page.text


def test_sixty_questions_show_three_in_full_fold_what_can_be_compared_and_list_all(findings, plot_data, tmp_path):
    findings["findings"] = [one | {"claim": one["claim"] | {"declared": False}} for one in findings["findings"]]
    all_of_them = many(findings, 60)
    write_report(all_of_them, tmp_path, plot_data=plot_data)
    page = Page((tmp_path / "report.html").read_text(encoding="utf-8"))
    compared = sum(one["attributable"] is not None for one in all_of_them["findings"])
    assert sum(tag == "article" for tag, _ in page.tags) == 3
    folded = page.text[page.text.index("The other questions in detail") :]
    assert folded.count("One may not say:") == compared - 3 > 0
    assert len(next(table for table in page.tables if table[0][0] == "Question")) == 61


def test_what_can_be_compared_comes_before_what_has_more_clients(findings):
    two = [findings["findings"][0] | {"attributable": None, "n_clients": 99}, findings["findings"][1]]
    two = [one | {"claim": one["claim"] | {"declared": False}} for one in two]
    assert [one["n_clients"] for one in answers_in_order(two)][-1] == 99


def test_every_declared_question_is_answered_in_full_and_needs_no_overview(findings, plot_data, tmp_path):
    five = many(findings, 5)
    for one in five["findings"]:
        one["claim"]["declared"] = True
    write_report(five, tmp_path, plot_data=plot_data)
    page = Page((tmp_path / "report.html").read_text(encoding="utf-8"))
    assert sum(tag == "article" for tag, _ in page.tags) == 5
    assert "questions the records hold were asked" not in page.text


def test_the_first_sheet_holds_each_answer_with_its_small_picture(page, findings):
    first = page.text[: page.text.index("From the usual answer to what is left", page.text.index("first sheet"))]
    assert all(one["claim"]["sentence"] in first for one in findings["findings"])
    assert first.count("The answer: ") == 2 * len(findings["findings"])  # for a page and for a phone


def test_a_hard_word_is_explained_where_it_first_stands_and_once(findings, plot_data, tmp_path):
    for one in findings["findings"]:
        one["claim"]["sentence"] = "It rose by 3° (97.5 % interval 1 to 5°; mixed model)."
    write_report(findings, tmp_path, plot_data=plot_data)
    text = Page((tmp_path / "report.html").read_text(encoding="utf-8")).text
    assert text.count("a client who came often is still one person") == 1
    assert "97.5 % interval : wider than the usual 95 %" in text
    assert text.index("is still one person") < text.index("From the usual answer to what is left")


def test_no_usable_row_still_gives_a_page(findings, tmp_path):
    findings.update(findings=[], measurement=[], question=None)
    findings["by_region_and_intervention"] = {"model": None, "rows": []}
    write_report(findings, tmp_path, plot_data=PlotData())
    assert "No answer: no row could be used." in Page((tmp_path / "report.html").read_text(encoding="utf-8")).text


def test_without_readings_by_client_the_page_says_why_a_figure_lacks(findings, tmp_path):
    write_report(findings, tmp_path, plot_data=PlotData())
    page = Page((tmp_path / "report.html").read_text(encoding="utf-8"))
    assert page.text.count("No figure: there are no readings by client, or no mean change, to draw.") == 3


def test_keys_that_are_only_welcome_may_lack(findings, tmp_path):
    for key in ("rows_set_aside_by_reason", "record_next", "notes", "about"):
        del findings[key]
    for finding in findings["findings"]:
        for key in ("id", "labels", "smallest_change_that_matters", "leaning"):
            finding.pop(key)
        for key in ("may_say", "may_not_say", "to_say_more"):
            finding["claim"].pop(key)
    write_report(findings, tmp_path, plot_data=PlotData())
    assert "Ankle dorsiflexion lunge · gastrocnemius · percussive release" in (tmp_path / "report.html").read_text(
        "utf-8"
    )


def test_the_same_findings_give_the_same_bytes(findings, plot_data, folder, tmp_path_factory):
    again = tmp_path_factory.mktemp("again")
    write_report(findings, again, plot_data=plot_data)
    files = sorted(path.relative_to(folder) for path in folder.rglob("*") if path.is_file())
    assert all((folder / path).read_bytes() == (again / path).read_bytes() for path in files)


def test_each_figure_is_also_a_file(folder):
    names = {path.name for path in (folder / "figures").iterdir()}
    assert {"steps_1.svg", "steps_2.svg", "steps_3.svg", "before_after_1.svg", "agreement_1.svg"} <= names


def test_tables_are_written_at_full_precision(folder, findings):
    answers = pd.read_csv(folder / "tables" / "answers.csv")
    assert answers.loc[0, "change_p"] == findings["findings"][1]["change"]["p"]


def test_a_table_holds_one_row_a_step(folder, findings):
    steps = pd.read_csv(folder / "tables" / "adjustment_steps.csv")
    assert len(steps) == sum(len(finding["ladder"]) for finding in findings["findings"])


def test_text_that_a_spreadsheet_would_run_is_made_harmless(findings, plot_data, tmp_path):
    findings["rows_set_aside_by_reason"][0]["reason"] = "=HYPERLINK(1)"
    write_report(findings, tmp_path, plot_data=plot_data)
    written = pd.read_csv(tmp_path / "tables" / "set_aside_by_reason.csv")
    assert "'=HYPERLINK(1)" in set(written["reason"])


def test_negative_numbers_stay_numbers_in_the_files(folder):
    steps = pd.read_csv(folder / "tables" / "adjustment_steps.csv")
    assert steps["ci_low"].dtype == np.float64
    assert steps["ci_low"].min() == -0.21


def test_each_measures_model_has_its_figure_or_says_why_not(findings, tmp_path):
    rows = findings["by_region_and_intervention"]["rows"]
    bare = [{key: row[key] for key in row if key not in ("measure", "unit")} for row in rows[:2]]
    findings["by_region_and_intervention"] = {
        "model": {"measure": "ankle_dorsiflexion_lunge", "unit": "deg", "notes": [], "levels": {"client": 41}},
        "rows": bare,
        "other_measures": [{"model": {"measure": "cervical_rotation", "not_fitted": "one client only"}, "rows": []}],
    }
    write_report(findings, tmp_path, plot_data=PlotData())
    text = Page((tmp_path / "report.html").read_text(encoding="utf-8")).text
    assert "Adjusted mean change of ankle bend in the lunge" in text
    assert "Neck rotation: not estimated. One client only." in text


def test_flags_and_readings_are_accounted_for(findings, tmp_path):
    findings["flags"] = [{"what": "left was treated, right was read", "n": 3, "example_row": 12}]
    findings["export"].update(readings_read=1000, readings_kept=990, readings_set_aside=10)
    write_report(findings, tmp_path, plot_data=PlotData())
    page = Page((tmp_path / "report.html").read_text(encoding="utf-8"))
    assert "1000 readings read = 990 kept + 10 set aside." in page.text
    assert ["Left was treated, right was read", "3", "row 12 of the sheet"] in [row for t in page.tables for row in t]


def test_open_explanations_stand_first(findings):
    states = [row[1] for row in tables.explanations_table(findings["findings"][1]).rows]
    assert states[0] == "open"
    assert states[-1] == "does not apply here"


def test_every_minus_sign_on_the_page_is_a_true_one_and_dates_and_pages_keep_their_dash(findings, tmp_path):
    first = findings["findings"][0]
    first["claim"]["sentence"] = "It fell by -3.5° (95 % interval -5 to -2), ± -1."
    first["rivals"][0]["says"] = "The drift was -0.4 (95 % interval -1 to 0.2)"
    first |= {"held": None, "why_not_held": "The change was -2."}
    findings["notes"] = ["Judged on 2026-01-05: -4 of them."]
    findings["record_next"] = [{"what": "Take off -1 deg.", "why": "it is -1"}]
    findings["methods"] = [{"name": "A", "citation": "Biometrics 53:983-997"}]
    write_report(findings, tmp_path, plot_data=PlotData())
    text = Page((tmp_path / "report.html").read_text(encoding="utf-8")).text
    assert "It fell by −3.5° (95 % interval −5 to −2), ± −1." in text
    assert "The drift was −0.4 (95 % interval −1 to 0.2)" in text
    assert "The change was −2." in text
    assert "Judged on 2026-01-05: −4 of them." in text
    assert "Take off −1°" in text
    assert "53:983-997" in text
    assert re.findall(r"(?:^|[\s(±])-\d", text) == []


def test_the_page_of_a_million_rows_is_no_larger_than_three_megabytes(findings, tmp_path):
    draw = np.random.default_rng(1)
    ids = [one["id"] for one in findings["findings"]]
    n = 20_000
    first = draw.normal(40, 6, n).round(1)
    clients = pd.DataFrame({"client": [f"C{place}" for place in range(n)], "first": first})
    clients = clients.assign(second=first + draw.normal(2, 3, n).round(1), beyond_mdc=draw.random(n) < 0.3)
    clients["change"] = clients["second"] - clients["first"]
    sessions = pd.DataFrame({"client": "C1", "change": draw.normal(2, 4, 1_000_000)})
    pairs = pd.DataFrame({"first": draw.normal(40, 6, 400_000), "client": "C1"})
    pairs["second"] = pairs["first"] + draw.normal(0, 2, len(pairs))
    lines = pd.DataFrame({"line": ["mean difference"], "value": [0.1], "ci_low": [0.0], "ci_high": [0.2]})
    measures = [one["measure"] for one in findings["measurement"]]
    data = PlotData(
        before_after=dict.fromkeys(ids, clients),
        sessions=dict.fromkeys(ids, sessions),
        agreement=dict.fromkeys(measures, AgreementPairs(pairs=pairs, lines=lines)),
    )
    write_report(findings, tmp_path, plot_data=data)
    assert (tmp_path / "report.html").stat().st_size <= 3_000_000
