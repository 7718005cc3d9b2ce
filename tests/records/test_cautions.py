"""Cautions: every one readable by a program, every region's cautions there, deference always first."""

from __future__ import annotations

import csv
import re

import pytest

from toolkit.records.cautions import DEFERENCE, cautions_for, load_cautions
from toolkit.records.codebook import load_codebook
from toolkit.resources import shared_file


def test_every_bullet_of_the_file_is_read() -> None:
    text = shared_file("cautions.md").read_text(encoding="utf-8")
    assert len(load_cautions()) == len(re.findall(r"^- ", text, flags=re.MULTILINE))
    assert len(load_cautions()) >= 30


def test_keys_are_unique_and_every_caution_names_its_source() -> None:
    cautions = load_cautions()
    assert len({one.key for one in cautions}) == len(cautions)
    for one in cautions:
        assert one.source == "common practice, no source" or re.search(r"\d{4}$", one.source), one.key


def test_every_caution_named_in_the_codebook_stands_in_the_file() -> None:
    keys = {one.key for one in load_cautions()}
    regions = load_codebook().regions
    for region, cell in zip(regions["region"], regions["cautions"], strict=True):
        assert set(cell.split("|")) <= keys, region


def test_every_caution_for_a_place_is_named_by_some_region() -> None:
    named = {key for cell in load_codebook().regions["cautions"] for key in cell.split("|")}
    assert {one.key for one in load_cautions() if one.place != "everyone"} <= named


@pytest.mark.parametrize("regions", [[], ["my own region"], ["upper_trapezius + soleus"]])
def test_the_deference_and_the_red_flags_always_come_first(regions: list[str]) -> None:
    shown = cautions_for(regions)
    assert shown[0] == DEFERENCE
    assert any("emergency care" in text for text in shown)


def test_a_region_brings_its_own_borders_once() -> None:
    shown = cautions_for(["upper_trapezius", "scalenes + upper_trapezius"])
    assert sum("front of the neck" in text for text in shown) == 1
    assert not any("hollow of the knee" in text for text in shown)


def test_the_file_itself_carries_the_deference() -> None:
    assert DEFERENCE.removesuffix(".") in shared_file("cautions.md").read_text(encoding="utf-8").replace("\n", " ")


def test_the_checklist_s_guidelines_are_all_cited() -> None:
    cited = shared_file("checklists/README.md").read_text(encoding="utf-8")
    with shared_file("checklists/what_an_audit_report_states.csv").open(encoding="utf-8", newline="") as sheet:
        rows = list(csv.DictReader(sheet))
    assert len({row["key"] for row in rows}) == len(rows) >= 20
    for row in rows:
        for part in row["guideline"].split(";"):
            name = re.split(r" items? | \(", part.strip())[0]
            assert name == "local law" or f"| {name} |" in cited, name
