"""What goes wrong with a registry: a sentence, nothing half-stored, and the other sites' answer still there."""

from __future__ import annotations

import errno
import multiprocessing
import os
import signal
import sys
import threading
import time
import types
from contextlib import contextmanager, suppress

import pandas as pd
import pyarrow.parquet as pq
import pytest

from toolkit import audit, compare, load_records, registry
from toolkit.errors import RegistryError, WritingError
from toolkit.registering import storing
from toolkit.registering.engine import engine_of
from toolkit.resources import dataset_file

pytestmark = pytest.mark.xdist_group("registry")
SITES = ("north", "south", "west")
BETWEEN = {"measure": "ankle_dorsiflexion_lunge", "between": ("long_hold", "short_hold")}


def of_site(site):
    return load_records(dataset_file(f"three_sites/{site}/sessions.csv"))


@pytest.fixture
def clinics(tmp_path):
    found = registry(tmp_path / "clinics", new=True)
    for site in SITES:
        found = found.store(of_site(site), site=site)
    return found


def file_of(clinics, site):
    return next(part.path for one in clinics.exports for part in one.parts if part.site == site)


def spoilt_missing(path):
    path.unlink()


def spoilt_column(path):
    pq.write_table(pq.read_table(path).drop_columns(["practitioner"]), path)


def spoilt_type(path):
    frame = pd.read_parquet(path)
    frame.assign(before=frame["before"].astype(str)).to_parquet(path, index=False)


def spoilt_rows(path):
    pd.read_parquet(path).head(5).to_parquet(path, index=False)


def spoilt_bytes(path):
    path.write_bytes(b"not a table")


@pytest.mark.parametrize(
    ("spoil", "why"),
    [
        (spoilt_missing, "the file of year 2024 is missing"),
        (spoilt_column, "the column practitioner is missing"),
        (spoilt_type, "the column before holds"),
        (spoilt_rows, "holds 5 rows where"),
        (spoilt_bytes, "cannot be read as Parquet"),
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
    storing._ledger = lambda *_: (started.set(), time.sleep(60))
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
    real = storing._ledger
    records = of_site("north")

    def other_first(*arguments):
        monkeypatch.setattr(storing, "_ledger", real)
        storing.store(records, tmp_path, site="north")
        return real(*arguments)

    monkeypatch.setattr(storing, "_ledger", other_first)
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


def test_a_damaged_note_of_an_export_stops_the_registry_in_words(clinics):
    note = next((clinics.folder / "exports").glob("*.json"))
    note.write_text("{", encoding="utf-8")
    with pytest.raises(RegistryError, match="it is not known what this registry holds"):
        registry(clinics.folder)


def test_a_note_that_points_out_of_the_registry_is_not_followed(clinics):
    note = next((clinics.folder / "exports").glob("*.json"))
    note.write_text(note.read_text(encoding="utf-8").replace('"readings/', '"../readings/'), encoding="utf-8")
    with pytest.raises(RegistryError, match="cannot be read"):
        registry(clinics.folder)


def test_changed_readings_do_not_close_the_accounts(clinics):
    path = file_of(clinics, "south")
    frame = pd.read_parquet(path)
    frame.loc[:3, "after"] = None
    frame.to_parquet(path, index=False)
    with pytest.raises(RegistryError, match="The accounts of south do not close"):
        registry(clinics.folder).accounts()
