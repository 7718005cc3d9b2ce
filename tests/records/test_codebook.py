"""The codebook is sound, finds what practitioners write, and takes a user's own file with clear errors."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from toolkit.errors import SheetError, ToolkitError
from toolkit.records.codebook import Codebook, check_codebook, load_codebook
from toolkit.records.lexicon import plain_words

BODY_PARTS = {"neck", "shoulder", "thoracic spine", "lumbar spine", "hip", "knee", "ankle"}


@pytest.fixture(scope="module")
def codebook() -> Codebook:
    return load_codebook()


def test_the_codebook_has_no_fault(codebook: Codebook) -> None:
    assert check_codebook(codebook) == []


def test_it_covers_every_part_of_the_body_and_every_kind_of_measure(codebook: Codebook) -> None:
    assert len(codebook.measures) >= 45
    assert len(codebook.regions) >= 32
    assert set(codebook.measures["body_part"]) >= BODY_PARTS
    assert set(codebook.measures["kind"]) == {"number", "scale", "sign"}


def test_every_entry_says_where_it_comes_from(codebook: Codebook) -> None:
    for frame in (codebook.measures, codebook.regions, codebook.movement_limits, codebook.interventions):
        assert (frame["source"].str.len() > 0).all()


def test_every_region_limits_some_movement(codebook: Codebook) -> None:
    assert set(codebook.regions["region"]) == set(codebook.movement_limits["region"])


def test_a_side_word_is_not_given_to_two_measures(codebook: Codebook) -> None:
    seen: dict[tuple[str, ...], str] = {}
    for name, words in zip(codebook.measures["measure"], codebook.measures["words"], strict=True):
        for word in words.split("|"):
            assert seen.setdefault(plain_words(word), name) == name, (
                f"“{word}” stands for {name} and for another measure"
            )


# Headers as they are written in practice; common practice, no source.
@pytest.mark.parametrize(
    ("header", "measure"),
    [
        ("Neck side-bend L pre", "cervical_lateral_flexion"),
        ("C-spine lat flex R", "cervical_lateral_flexion"),
        ("cx rot l", "cervical_rotation"),
        ("Neck flex", "cervical_flexion"),
        ("Pain pre", "pain_rating"),
        ("pain on neck rotation", "pain_rating"),
        ("PPT UT", "pressure_pain_threshold"),
        ("Pain pressure threshold (kPa)", "pressure_pain_threshold"),
        ("Lunge R post", "ankle_dorsiflexion_lunge"),
        ("Lunge L pre (cm)", "ankle_dorsiflexion_lunge_distance"),
        ("Knee to wall L", "ankle_dorsiflexion_lunge_distance"),
        ("Sh IR L", "shoulder_internal_rotation"),
        ("ext rot shoulder", "shoulder_external_rotation"),
        ("Hip IR", "hip_internal_rotation"),
        ("SLR L", "straight_leg_raise"),
        ("Finger-floor distance", "fingertip_to_floor"),
        ("Knees in?", "knee_inward_in_squat"),
        ("Heels lift in squat", "heel_lift_in_squat"),
        ("hip IR strength", None),
        ("squat", None),
        ("", None),
        ("client", None),
    ],
)
def test_a_header_finds_its_measure_or_none(codebook: Codebook, header: str, measure: str | None) -> None:
    assert codebook.find_measure(header) == measure


@pytest.mark.parametrize(
    ("words", "region"),
    [
        ("UT", "upper_trapezius"),
        ("upper traps", "upper_trapezius"),
        ("Lev. scap. R", "levator_scapulae"),
        ("glute med", "gluteus_medius"),
        ("pec min", "pectoralis_minor"),
        ("QL L", "quadratus_lumborum"),
        ("calf", "gastrocnemius"),
        ("peroneals", "fibularis"),
        ("somewhere", None),
    ],
)
def test_a_region_is_found_by_the_trade_s_words(codebook: Codebook, words: str, region: str | None) -> None:
    assert codebook.find_region(words) == region


@pytest.mark.parametrize(
    ("words", "intervention"),
    [("no treatment", "measured_only"), ("Foam rolling", "self_roller"), ("my own way", None)],
)
def test_an_intervention_is_found_or_left_as_the_user_s_own(
    codebook: Codebook, words: str, intervention: str | None
) -> None:
    assert codebook.find_intervention(words) == intervention


# General anatomy: a muscle that side-bends or turns the neck one way limits the movement the other way.
@pytest.mark.parametrize(
    ("region", "measure", "side"),
    [
        ("upper_trapezius", "cervical_lateral_flexion", "opposite"),
        ("upper_trapezius", "cervical_rotation", "same"),
        ("levator_scapulae", "cervical_rotation", "opposite"),
        ("sternocleidomastoid", "cervical_rotation", "same"),
        ("soleus", "ankle_dorsiflexion_lunge", "same"),
        ("infraspinatus", "shoulder_internal_rotation", "same"),
        ("quadratus_lumborum", "lumbar_lateral_flexion", "opposite"),
        ("lumbar_erectors", "lumbar_flexion", "both"),
        ("soleus", "cervical_rotation", None),
    ],
)
def test_tissue_limits_the_movement_that_lengthens_it(
    codebook: Codebook, region: str, measure: str, side: str | None
) -> None:
    assert codebook.limits(region, measure) == side


def test_limits_on_both_sides_belong_to_measures_that_have_no_side(codebook: Codebook) -> None:
    for region, measure in codebook.movement_limits.query("side_relation == 'both'")[["region", "measure"]].to_numpy():
        assert not codebook.measure(measure).sided, (region, measure)


def test_signs_read_yes_as_worse(codebook: Codebook) -> None:
    signs = codebook.measures.query("kind == 'sign'")
    assert len(signs) >= 5
    assert set(signs["better"]) == {"lower"}
    assert set(signs["unit"]) == {"yes_no"}


def test_an_unknown_measure_is_answered_with_the_closest_name(codebook: Codebook) -> None:
    with pytest.raises(SheetError, match="cervical_rotation"):
        codebook.measure("cervical_rotatoin")


@given(st.text(max_size=60))
def test_any_text_is_answered_with_a_known_name_or_none(text: str) -> None:
    book = _BOOK
    found = book.find_measure(text)
    assert found is None or found in set(book.measures["measure"])


_BOOK = load_codebook()


@pytest.mark.parametrize(
    ("change", "fault"),
    [
        ({"better": "more"}, "better"),
        ({"low": 50.0, "high": 50.0}, "empty"),
        ({"resolution": 0.0}, "resolution"),
        ({"kind": "colour"}, "kind"),
        ({"measure": "Neck Turn"}, "snake_case"),
    ],
)
def test_a_broken_line_is_reported(codebook: Codebook, change: dict[str, object], fault: str) -> None:
    measures = codebook.measures.copy()
    for column, value in change.items():
        measures.loc[0, column] = value
    assert any(fault in said for said in check_codebook(replace(codebook, measures=measures)))


def test_a_limit_that_names_nothing_is_reported(codebook: Codebook) -> None:
    extra = pd.DataFrame([{"region": "soleus", "measure": "flying", "side_relation": "same", "source": "x"}])
    limits = pd.concat([codebook.movement_limits, extra], ignore_index=True)
    assert any("flying" in said for said in check_codebook(replace(codebook, movement_limits=limits)))


TOML = """
[[measures]]
measure = "jaw_opening"
unit = "mm"
low = 0
high = 80
better = "higher"
sided = false
words = ["mouth opening", "MMO"]

[[regions]]
region = "masseter"

[[limits]]
region = "masseter"
measure = "jaw_opening"
side_relation = "both"

[[interventions]]
intervention = "my_wave"
words = "wave"

[words.measure]
"Kopfdrehung" = "cervical_rotation"
"""

CSV = """adds,measure,unit,low,high,better,sided,region,side_relation,intervention,stands_for,word,name,words
measures,jaw_opening,mm,0,80,higher,no,,,,,,,mouth opening|MMO
regions,,,,,,,masseter,,,,,,
limits,jaw_opening,,,,,,masseter,both,,,,,
interventions,,,,,,,,,my_wave,,,,wave
words,,,,,,,,,,measure,Kopfdrehung,cervical_rotation,
"""


@pytest.mark.parametrize(("name", "text"), [("mine.toml", TOML), ("mine.csv", CSV)])
def test_a_user_s_file_adds_entries_and_words(tmp_path: Path, name: str, text: str) -> None:
    (tmp_path / name).write_text(text, encoding="utf-8")
    wider = load_codebook(tmp_path / name)
    assert wider.measure("jaw_opening").high == 80
    assert not wider.measure("jaw_opening").sided
    assert wider.find_measure("MMO post") == "jaw_opening"
    assert wider.find_measure("Kopfdrehung links") == "cervical_rotation"
    assert wider.limits("masseter", "jaw_opening") == "both"
    assert wider.find_intervention("wave") == "my_wave"
    assert len(wider.measures) == len(load_codebook().measures) + 1


@pytest.mark.parametrize(
    ("name", "text", "line", "said"),
    [
        ("a.toml", "[[measures]]\nmeasure = 'x'\nunit = 'cm'\nlow = 0\nhigh = 5\n", 1, "better"),
        ("b.toml", TOML.replace("high = 80", 'high = "tall"'), 2, "high"),
        ("c.toml", TOML.replace('"jaw_opening"\nunit', '"Jaw"\nunit'), 2, "Jaw"),
        ("d.toml", TOML.replace("high = 80", "high = -1"), 2, "range"),
        ("e.toml", TOML.replace('"jaw_opening"\nunit', '"pain_rating"\nunit'), 2, "already"),
        ("f.toml", TOML + '"drift" = "no_such_measure"\n', 25, "no_such_measure"),
        ("g.toml", "[[measurements]]\nmeasure = 'x'\n", 1, "measurements"),
        ("h.toml", TOML.replace("sided = false", "colour = 'red'"), 2, "colour"),
        ("i.toml", "measures = 3\n", 1, "list"),
        ("j.toml", "[words]\nneck = 'cervical_rotation'\n", 1, "words"),
        ("a.csv", CSV.replace("jaw_opening,mm,0", "jaw_opening,mm,zero"), 2, "zero"),
        ("b.csv", CSV.replace("words,,,,,,,,,,measure", "words,,,,,,,,,,muscle"), 6, "stands_for"),
        ("c.csv", CSV.replace("interventions,,", "recipes,,"), 5, "recipes"),
        ("d.csv", "measure,unit\nx,cm\n", 1, "adds"),
        ("e.csv", CSV + "regions,,,,,,,,,,,,,,,,,too many\n", 7, "more cells"),
    ],
)
def test_a_fault_in_a_user_s_file_is_told_with_its_line(
    tmp_path: Path, name: str, text: str, line: int, said: str
) -> None:
    (tmp_path / name).write_text(text, encoding="utf-8")
    with pytest.raises(SheetError) as told:
        load_codebook(tmp_path / name)
    assert f"{name}, line {line}:" in str(told.value)
    assert said in str(told.value)


def test_a_limit_on_an_unknown_measure_in_a_user_s_file_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text("[[limits]]\nregion = 'soleus'\nmeasure = 'flying'\nside_relation = 'same'\n", encoding="utf-8")
    with pytest.raises(SheetError, match="flying"):
        load_codebook(path)


@pytest.mark.parametrize(
    ("name", "content"), [("no.toml", None), ("x.txt", b"hello"), ("x.toml", b"\xff\xfe\x00"), ("x.toml", b"= 3")]
)
def test_a_file_that_is_no_codebook_is_refused_in_words(tmp_path: Path, name: str, content: bytes | None) -> None:
    if content is not None:
        (tmp_path / name).write_bytes(content)
    with pytest.raises(ToolkitError, match=name):
        load_codebook(tmp_path / name)
