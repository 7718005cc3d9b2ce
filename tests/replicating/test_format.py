"""The sheet's own documentation: nothing undocumented, every example runs, every name of it is true."""

import importlib
import tomllib

import pytest

from toolkit.errors import SheetError
from toolkit.replicating import METHODS, read_sheet, replicate
from toolkit.replicating.examples import EXAMPLES
from toolkit.replicating.format_page import example_sheet, format_page, toml_value
from toolkit.replicating.glossary import meaning_of
from toolkit.replicating.steps import OPERATIONS, run_steps


def test_every_method_has_an_example_and_no_example_is_left_over():
    assert set(EXAMPLES) == set(METHODS)


@pytest.mark.parametrize("name", sorted(METHODS))
def test_the_example_of_a_method_runs(name, tmp_path):
    path = tmp_path / "replication.toml"
    path.write_text(example_sheet(name), encoding="utf-8")
    one = replicate(path).compared[0]
    assert one.why_not == ""
    assert one.recomputed is not None


@pytest.mark.parametrize("name", sorted(METHODS))
def test_every_word_of_a_method_is_explained(name):
    method = METHODS[name]
    words = [*method.columns, *method.settings, *method.groups, *method.gives]
    assert [word for word in words if not meaning_of(method, word)] == []


@pytest.mark.parametrize("name", sorted(METHODS))
def test_a_method_gives_what_it_says_and_nothing_else(name, tmp_path):
    path = tmp_path / "replication.toml"
    path.write_text(example_sheet(name), encoding="utf-8")
    sheet = read_sheet(path)
    from toolkit.replicating.other_readings import Recomputer

    figure = sheet.figures[0]
    numbers = Recomputer(figure.rows).numbers(figure.method, figure.settings)
    assert set(numbers) <= set(METHODS[name].gives)


def test_every_method_has_its_call_in_r_and_a_topic():
    assert [method.name for method in METHODS.values() if not method.r or not method.topic] == []


def test_alternatives_name_settings_that_are_there():
    wrong = [
        (method.name, key)
        for method in METHODS.values()
        for _, changed in method.alternatives
        for key, value in changed.items()
        if key not in method.settings or (key in method.choices and value not in method.choices[key])
    ]
    assert wrong == []


def test_functions_named_as_used_are_there():
    for method in METHODS.values():
        for dotted in method.uses.split(", "):
            module, _, name = dotted.rpartition(".")
            if module:
                assert hasattr(importlib.import_module(module), name), dotted


@pytest.mark.parametrize("name", sorted(OPERATIONS))
def test_the_example_of_a_step_is_read(name):
    step = tomllib.loads(f"step = {OPERATIONS[name].example}")["step"]
    assert step["do"] == name
    assert set(step) - {"do"} <= set(OPERATIONS[name].keys)


def test_the_whole_page_names_every_method_and_every_step():
    page = format_page()
    assert [name for name in [*METHODS, *OPERATIONS] if f"{name}: " not in page] == []


@pytest.mark.parametrize("about", ["paired_t", "keep", "steps", "check", "methods", "layout"])
def test_one_part_can_be_asked_for(about):
    assert len(format_page(about)) > 60


def test_an_unknown_part_names_what_is_near():
    with pytest.raises(SheetError, match="Did you mean paired_t"):
        format_page("paired_test")


def test_the_layout_shown_is_a_sheet_that_is_read(tmp_path):
    page = format_page("layout")
    text = page[page.index("format = ") : page.index("WHAT COMES BACK")]
    assert tomllib.loads(text)["format"] == "replication/1"


def test_values_are_written_as_toml_reads_them():
    value = {"a": 'say "so"', "b c": [1, 2.5], "d": True, "e": {"f": "x"}}
    assert tomllib.loads(f"v = {toml_value(value)}")["v"] == value


def test_steps_run_one_after_the_other():
    import pandas as pd

    rows = pd.DataFrame({"who": [1, 1, 2, 2], "phase": ["a", "b"] * 2, "deg": [30, 34, 31, 30]})
    found = run_steps(
        rows,
        [
            {"do": "unstack", "rows": ["who"], "columns": "phase", "values": "deg"},
            {"do": "difference", "of": ["b", "a"], "into": "gain"},
            {"do": "keep", "column": "gain", "above": 0},
        ],
    )
    assert found["gain"].tolist() == [4]


def test_the_schema_beside_is_the_one_the_tables_give():
    import json

    from toolkit.replicating import sheet_schema
    from toolkit.resources import shared_file

    shipped = json.loads(shared_file("schemas/replication-1.schema.json").read_text(encoding="utf-8"))
    assert shipped == json.loads(json.dumps(sheet_schema()))


def test_every_shipped_sheet_and_every_example_fits_the_schema():
    import jsonschema

    from toolkit.replicating import sheet_schema, shipped_sheets

    check = jsonschema.Draft202012Validator(sheet_schema())
    texts = [path.read_text(encoding="utf-8") for path in shipped_sheets()] + [example_sheet(name) for name in METHODS]
    faults = [error.message for text in texts for error in check.iter_errors(tomllib.loads(text))]
    assert faults == []


@pytest.mark.parametrize(
    "change",
    [('method = "paired_t"', 'method = "paired"'), ('take = "t"', 'take = "tt"'), ('read = "read"', 'read = "seen"'),
     ("[columns]", "[colums]"), ("[data]", '[data]\nsteps = [{do = "keep"}]')],
)  # fmt: skip
def test_the_schema_refuses_what_the_reader_refuses(change):
    import jsonschema

    from toolkit.replicating import sheet_schema

    sheet = tomllib.loads(example_sheet("paired_t").replace(*change))
    assert list(jsonschema.Draft202012Validator(sheet_schema()).iter_errors(sheet))
