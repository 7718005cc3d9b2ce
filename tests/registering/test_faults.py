"""What goes wrong with a registry: a sentence, nothing half-stored, and the other sites' answer still there."""

from __future__ import annotations

import errno
import json
import multiprocessing
import os
import shutil
import signal
import sys
import threading
import time
import types
from contextlib import contextmanager, suppress
from dataclasses import replace
from functools import cache

import pandas as pd
import pyarrow.parquet as pq
import pytest

from toolkit import audit, compare, load_records, registry
from toolkit.errors import RegistryError, WritingError
from toolkit.registering import storing
from toolkit.registering.engine import engine_of
from toolkit.resources import dataset_file

pytestmark = pytest.mark.xdist_group("registry")
POSIX = pytest.mark.skipif(os.name != "posix", reason="links need no rights there")
SITES = ("north", "south", "west")
BETWEEN = {"measure": "ankle_dorsiflexion_lunge", "between": ("long_hold", "short_hold")}


@cache
def of_site(site):
    return load_records(dataset_file(f"three_sites/{site}/sessions.csv"))


@pytest.fixture(scope="module")
def stored(tmp_path_factory):
    """Three sites, stored once for all tests that start from them."""
    folder = tmp_path_factory.mktemp("stored") / "clinics"
    registry(folder, new=True)
    for site in SITES:
        storing.store(of_site(site), folder, site=site)
    return folder


@pytest.fixture
def clinics(stored, tmp_path):
    return registry(shutil.copytree(stored, tmp_path / "clinics"))


def file_of(clinics, site):
    return next(part.path for one in clinics.exports for part in one.parts if part.site == site)


def spoilt_missing(path):
    path.unlink()


def spoilt_column(path):
    pq.write_table(pq.read_table(path).drop_columns(["practitioner"]), path)


def spoilt_type(path):
    frame = pd.read_parquet(path)
    frame.assign(before=frame["before"].astype(str)).to_parquet(path, index=False)


def spoilt_width(path):
    table = pq.read_table(path, partitioning=None)
    place = table.schema.get_field_index("before")
    pq.write_table(table.set_column(place, "before", table["before"].cast("float32")), path)


def spoilt_rows(path):
    pd.read_parquet(path).head(5).to_parquet(path, index=False)


def spoilt_bytes(path):
    path.write_bytes(b"not a table")


def spoilt_nothing(path):
    path.write_bytes(b"")


def spoilt_link(path):
    elsewhere = path.parents[3] / "elsewhere.parquet"
    path.rename(elsewhere)
    path.symlink_to(elsewhere)


def spoilt_linked_folder(path):
    elsewhere = path.parents[3] / "elsewhere"
    path.parents[1].rename(elsewhere)
    path.parents[1].symlink_to(elsewhere, target_is_directory=True)


@pytest.mark.parametrize(
    ("spoil", "why"),
    [
        (spoilt_missing, "the file of year 2024 is missing"),
        (spoilt_column, "the column practitioner is missing"),
        (spoilt_type, "the column before holds"),
        (spoilt_width, "the column before holds float, elsewhere double"),
        (spoilt_rows, "holds 5 rows where"),
        (spoilt_bytes, "cannot be read as Parquet"),
        (spoilt_nothing, "cannot be read as Parquet"),
        pytest.param(spoilt_link, "is a link to somewhere else", marks=POSIX),
        pytest.param(spoilt_linked_folder, "is a link to somewhere else", marks=POSIX),
    ],
)
def test_a_site_that_cannot_be_read_is_named_and_the_others_answer(clinics, spoil, why):
    spoil(file_of(clinics, "south"))
    found = registry(clinics.folder)
    assert found.left_out["site"].tolist() == ["south"]
    assert why in found.sentence()
    answer = compare(found, **BETWEEN)
    alone = registry(clinics.folder.parent / "two", new=True)
    for site in ("north", "west"):
        alone = alone.store(of_site(site), site=site)
    assert answer.frame["estimate"].iloc[0] == pytest.approx(compare(alone, **BETWEEN).frame["estimate"].iloc[0])
    assert any("Missing from every answer: south" in note for note in answer.notes)
    assert set(found.accounts()["site"]) == {"north", "west"}


def test_an_audit_names_the_sites_it_lacks(clinics):
    file_of(clinics, "south").unlink()
    asked = {"measure": BETWEEN["measure"], "intervention": "long_hold", "comparison": "short_hold"}
    found = audit(registry(clinics.folder), question=asked)
    assert any("south" in note for note in found.to_dict()["notes"])
    assert "Missing from every answer: south" in found.sentence()


def test_no_site_left_is_an_error_that_says_why(tmp_path):
    found = registry(tmp_path, new=True).store(of_site("north"), site="north")
    file_of(found, "north").unlink()
    with pytest.raises(RegistryError, match=r"No site of .* can be read.*north: the file of year 2024 is missing"):
        registry(tmp_path)


def test_a_full_disk_while_storing_leaves_nothing_of_the_export(clinics, monkeypatch):
    before = sorted(path for path in clinics.folder.rglob("*") if path.is_file())
    calls = []

    def full(place, frame, **_):
        calls.append(place)
        if len(calls) > 1:
            raise OSError(errno.ENOSPC, "No space left on device")
        return real(place, frame)

    real = storing._write_parquet
    monkeypatch.setattr(storing, "_write_parquet", full)
    with pytest.raises((WritingError, OSError), match="No space left"):
        clinics.store(load_records(pd.read_csv(dataset_file("demo/sessions.csv"), dtype=str)), site="east")
    assert sorted(path for path in clinics.folder.rglob("*") if path.is_file()) == before
    assert "east" not in set(registry(clinics.folder).sites()["site"])


def slow_store(folder, started):
    """Store an export, and stop for good before its note is written."""
    storing.ledger_of = lambda *_: (started.set(), time.sleep(60))
    storing.store(of_site("south"), folder, site="south")


@pytest.mark.skipif(os.name != "posix", reason="kills a process")
def test_a_store_that_is_killed_midway_is_as_if_it_had_never_begun(tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "__main__", types.ModuleType("__main__"))  # a notebook's test may have put its own
    registry(tmp_path, new=True).store(of_site("north"), site="north")
    context = multiprocessing.get_context("spawn")
    started = context.Event()
    process = context.Process(target=slow_store, args=(tmp_path, started))
    process.start()
    assert started.wait(60)
    os.kill(process.pid, signal.SIGKILL)
    process.join()
    found = registry(tmp_path)
    assert found.sites()["site"].tolist() == ["north"]
    rest = set(tmp_path.rglob("*.parquet")) - {part.path for one in found.exports for part in one.parts}
    assert len(rest) > 1  # what was cut off, and north's ledger
    found = found.store(of_site("west"), site="west")
    named = {path for one in found.exports for path in (one.ledger, *(part.path for part in one.parts))}
    assert set(tmp_path.rglob("*.parquet")) == named
    found = found.store(of_site("south"), site="south")
    assert found.accounts()["site"].tolist() == ["north", "south", "west"]


def test_what_another_run_is_storing_is_let_be(tmp_path):
    registry(tmp_path, new=True).store(of_site("north"), site="north")
    place = tmp_path / "readings" / "site=south" / "year=2024" / "other.parquet"
    place.parent.mkdir(parents=True)
    place.write_bytes(b"half")
    begun = storing._begin(tmp_path, [place])
    storing.clear_cut_off(tmp_path)
    assert place.is_file()
    assert begun.is_file()
    os.utime(begun, (0, 0))  # left behind long ago
    storing.clear_cut_off(tmp_path)
    assert not place.exists()
    assert not begun.exists()
    assert len(registry(tmp_path).exports) == 1


def test_a_list_of_what_was_begun_takes_nothing_that_is_not_the_registrys(tmp_path):
    registry(tmp_path, new=True).store(of_site("north"), site="north")
    mine = tmp_path / "mine.parquet"
    mine.write_bytes(b"mine")
    stored = sorted(tmp_path.rglob("readings/**/*.parquet"))
    begun = storing._begin(tmp_path, [mine, *stored])
    begun.write_text(begun.read_text(encoding="utf-8").replace("]", ', "../mine.parquet"]'), encoding="utf-8")
    os.utime(begun, (0, 0))
    storing.clear_cut_off(tmp_path)
    assert mine.is_file()
    assert sorted(tmp_path.rglob("readings/**/*.parquet")) == stored


def test_two_writers_of_the_same_export_store_it_once(tmp_path, monkeypatch):
    registry(tmp_path, new=True)
    real = storing.ledger_of
    records = of_site("north")

    def other_first(*arguments):
        monkeypatch.setattr(storing, "ledger_of", real)
        storing.store(records, tmp_path, site="north")
        return real(*arguments)

    monkeypatch.setattr(storing, "ledger_of", other_first)
    storing.store(records, tmp_path, site="north")
    found = registry(tmp_path)
    assert len(found.exports) == 1
    assert found.accounts()["rows_read"].tolist() == [records.source.rows_read]


def test_an_engine_that_does_not_answer_is_a_sentence(clinics):
    found = registry(clinics.folder)
    found.engine.backend.disconnect()
    with pytest.raises(RegistryError, match=r"DuckDB did not answer .* Nothing was changed"):
        found.sites()


@contextmanager
def again_and_again(kill):
    """While a question is asked: its engine is told to stop, until it has."""
    over = threading.Event()

    def stop():
        while not over.wait(0.002):
            with suppress(Exception):
                kill()

    worker = threading.Thread(target=stop)
    worker.start()
    try:
        yield
    finally:
        over.set()
        worker.join()


def asked_often(found, asked):
    """A question so often that one is stopped midway, whatever else the machine does."""
    for _ in range(200):
        found.difference(asked, drawn=True)


def test_an_engine_killed_midway_is_a_sentence_and_answers_again(clinics, engine):
    found = registry(clinics.folder, engine=engine)
    asked = {"measure": BETWEEN["measure"], "intervention": "long_hold", "region": "soleus", "comparison": "short_hold"}
    backend = found.engine.backend
    kill = backend.con.interrupt if engine is None else engine.sparkContext.cancelAllJobs
    with again_and_again(kill), pytest.raises(RegistryError, match=r"(DuckDB|Spark) did not answer .*Nothing was cha"):
        asked_often(found, asked)
    assert found.sites()["site"].tolist() == list(SITES)
    assert set(found.accounts()["site"]) == set(SITES)


def test_what_is_no_engine_and_no_registry_is_said(tmp_path):
    with pytest.raises(RegistryError, match="A dict is no engine"):
        engine_of({})
    with pytest.raises(RegistryError, match="There is no folder"):
        registry(tmp_path / "nowhere")
    with pytest.raises(RegistryError, match="holds no export of a registry yet"):
        registry(tmp_path)


def spoil_note(clinics, site, words):
    note = clinics.folder / "exports" / f"{next(one for one in clinics.exports if one.sites == (site,)).name}.json"
    note.write_text(words(note.read_text(encoding="utf-8")), encoding="utf-8")
    return note


@pytest.mark.parametrize(
    "words",
    [lambda said: said[: len(said) // 2], lambda _: "", lambda said: said.replace('"readings/', '"../readings/')],
    ids=["cut off", "empty", "points out of the registry"],
)
def test_a_note_that_cannot_be_read_leaves_out_its_site_and_the_others_answer(clinics, words):
    note = spoil_note(clinics, "south", words)
    found = registry(clinics.folder)
    assert found.left_out[["site", "why"]].values.tolist() == [
        ["south", f"the note exports/{note.name} cannot be read"]
    ]
    assert set(found.accounts()["site"]) == {"north", "west"}
    assert any("Missing from every answer: south" in one for one in compare(found, **BETWEEN).notes)
    with pytest.raises(RegistryError, match="it is not known what this registry holds"):
        found.store(of_site("south"), site="south")


def test_a_note_that_tells_nobody_whose_it_was_stops_the_registry_in_words(clinics):
    spoil_note(clinics, "south", lambda _: "{")
    file_of(clinics, "south").unlink()
    with pytest.raises(RegistryError, match="it is not known what this registry holds"):
        registry(clinics.folder)


@pytest.mark.parametrize("gone", [True, False], ids=["gone", "damaged"])
def test_a_site_without_its_ledger_is_left_out_for_its_losses_would_go_unseen(clinics, gone):
    ledger = next(one.ledger for one in clinics.exports if one.sites == ("south",))
    ledger.unlink() if gone else ledger.write_bytes(b"PAR1")
    found = registry(clinics.folder)
    assert found.left_out["site"].tolist() == ["south"]
    assert "the ledger of what was set aside" in found.sentence()
    asked = {"measure": BETWEEN["measure"], "intervention": "long_hold", "comparison": "short_hold"}
    assert "Missing from every answer: south" in audit(found, question=asked).sentence()


def altered(records):
    return replace(records, rows=records.rows.assign(after=records.rows["after"] + 0.5))


@pytest.mark.parametrize("twin", ["North", "NORTH ", "ｎorth"])
def test_a_site_in_other_letters_is_asked_about(clinics, twin):
    with pytest.raises(RegistryError, match=r"holds a site “north”, and .* is the same but for its letters"):
        clinics.store(altered(of_site("north")), site=twin)
    assert set(registry(clinics.folder).sites()["site"]) == set(SITES)


def test_one_export_is_not_stored_under_two_names(clinics):
    with pytest.raises(RegistryError, match="The same rows are in the registry already, as site north"):
        clinics.store(of_site("north"), site="east")
    assert len(registry(clinics.folder).exports) == 3


@pytest.mark.parametrize("name", ["a/b", "../up", "bell\a", "two\nlines"])
def test_a_sites_name_with_a_slash_or_an_unseen_character_is_refused(clinics, name):
    with pytest.raises(RegistryError, match="holds a slash or a character that cannot be printed"):
        clinics.store(altered(of_site("north")), site=name)


@pytest.mark.parametrize(
    "name", ["..", "a b=c%2F", "Praxis für Füße", "東京の東の治療院" * 6, "n" * 400, "CON", "it's"]
)
def test_a_sites_odd_name_comes_back_as_it_was_given(clinics, name):
    found = clinics.store(altered(of_site("north")), site=name)
    assert name in set(found.sites()["site"])
    assert name in set(found.accounts()["site"])
    alone = found.only([name])
    asked = {"measure": BETWEEN["measure"], "intervention": "long_hold", "comparison": "short_hold"}
    assert audit(alone, question=asked).records.rows["site"].unique().tolist() == [name]
    assert not {place.name for place in clinics.folder.iterdir()} - {"readings", "ledger", "exports"}


def test_a_measure_means_one_thing_at_all_sites(clinics):
    records = of_site("north")
    measures = records.codebook.measures
    turned = measures["better"].mask(measures["measure"] == BETWEEN["measure"], "lower")
    other = replace(records.codebook, measures=measures.assign(better=turned))
    with pytest.raises(RegistryError, match="better is lower, the registry that better is higher"):
        clinics.store(replace(altered(records), codebook=other), site="east")
    assert "east" not in set(registry(clinics.folder).sites()["site"])


def test_two_that_stored_one_measure_in_two_units_at_once_are_told_apart(clinics):
    def in_radians(said):
        held = json.loads(said)
        held["units"][BETWEEN["measure"]] = "rad"
        return json.dumps(held)

    exports = [one.sites[0] for one in clinics.exports]
    spoil_note(clinics, exports[-1], in_radians)
    found = registry(clinics.folder)
    assert found.left_out["site"].tolist() == [exports[-1]]
    assert f"{BETWEEN['measure']} was stored in rad, by others in deg" in found.sentence()


@pytest.mark.parametrize("step", ["begun", "note"])
def test_a_disk_that_fills_up_at_the_list_or_at_the_note_leaves_nothing(clinics, monkeypatch, step):
    before = sorted(path for path in clinics.folder.rglob("*") if path.is_file())
    real = storing.write_file

    def full(place, *given, **more):
        if (place.suffix == ".json") == (step == "note"):
            raise WritingError("No space left on device")
        return real(place, *given, **more)

    monkeypatch.setattr(storing, "write_file", full)
    with pytest.raises(WritingError, match="No space left"):
        clinics.store(altered(of_site("north")), site="east")
    assert sorted(path for path in clinics.folder.rglob("*") if path.is_file()) == before


def test_changed_readings_do_not_close_the_accounts(clinics):
    path = file_of(clinics, "south")
    frame = pd.read_parquet(path)
    frame.loc[:3, "after"] = None
    frame.to_parquet(path, index=False)
    with pytest.raises(RegistryError, match="The accounts of south do not close"):
        registry(clinics.folder).accounts()
