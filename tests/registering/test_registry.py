"""A registry answers as one clinic's records do, on either engine; every reading is kept or set aside."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest

from toolkit import audit, compare, demo, load_records, registry, stats
from toolkit.errors import RegistryError
from toolkit.registering import table_checks
from toolkit.resources import dataset_file
from toolkit.stats.clustered import client_sums
from toolkit.stats.reading_error import error_of_sums, reading_error

pytestmark = pytest.mark.xdist_group("registry")
ASKED = {"measure": "ankle_dorsiflexion_lunge", "region": "soleus", "intervention": "percussive_release"}
BETWEEN = {
    "measure": "ankle_dorsiflexion_lunge",
    "between": ("long_hold", "short_hold"),
    "smallest_change_that_matters": 3.0,
}
SITES = ("north", "south", "west")


@pytest.fixture(scope="module")
def demo_folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("registry") / "clinics"
    registry(folder, new=True).store(load_records(demo()), site="demo")
    return folder


@pytest.fixture(scope="module")
def sites_folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("registry") / "clinics"
    clinics = registry(folder, new=True)
    for site in SITES:
        clinics = clinics.store(load_records(dataset_file(f"three_sites/{site}/sessions.csv")), site=site)
    return folder


def alike(one, other, *, codes: str = ""):
    """Equal in every word and to 1e-9 in every number; `codes` is what stands before a site's codes in the other."""
    if isinstance(one, dict):
        assert one.keys() == other.keys()
        for key in one:
            if key != "created":
                alike(one[key], other[key], codes=codes)
    elif isinstance(one, (list, tuple)):
        assert len(one) == len(other)
        for mine, its in zip(one, other, strict=True):
            alike(mine, its, codes=codes)
    elif isinstance(one, (int, float)) and not isinstance(one, bool):
        assert other == pytest.approx(one, rel=1e-9, abs=1e-9)
    elif isinstance(one, str):
        assert other.replace(codes, "") == one.replace(codes, "") if codes else other == one
    else:
        assert other == one


def test_an_audit_of_the_demo_says_what_it_says_of_the_file(demo_folder, engine):
    plain, found = audit(demo(), question=ASKED), audit(registry(demo_folder, engine=engine), question=ASKED)
    alike(plain.to_dict(), found.to_dict(), codes="demo/")


def test_two_protocols_at_three_sites_compare_as_from_their_folder(sites_folder, engine):
    plain = compare(dataset_file("three_sites"), **BETWEEN)
    found = compare(registry(sites_folder, engine=engine), **BETWEEN)
    assert found.frame.equals(plain.frame) or np.allclose(
        found.frame[["estimate", "ci_low", "ci_high", "df", "p"]].astype(float),
        plain.frame[["estimate", "ci_low", "ci_high", "df", "p"]].astype(float),
        rtol=1e-9,
        equal_nan=True,
    )
    assert found.sentence() == plain.sentence()


def test_read_is_kept_and_set_aside_at_every_site(demo_folder, engine):
    line = registry(demo_folder, engine=engine).accounts().iloc[0]
    source = load_records(demo()).source
    assert line["readings_read"] == source.readings_read == line["readings_kept"] + line["readings_set_aside"]
    assert line["rows_read"] == source.rows_read == line["rows_kept"] + line["rows_set_aside"]


def test_the_measurement_error_from_sums_is_that_of_the_pairs(demo_folder, engine):
    found = registry(demo_folder, engine=engine).measurement_error("cervical_lateral_flexion").frame
    plain = stats.measurement_error(load_records(demo()), by="measure").frame
    plain = plain[plain["measure"] == "cervical_lateral_flexion"].set_index("what")
    for _, row in found.iterrows():
        names = ["estimate", "ci_low", "ci_high", "df"]
        assert row[names].to_numpy(dtype=float) == pytest.approx(
            plain.loc[row["what"], names].to_numpy(dtype=float), rel=1e-9
        )


def test_the_readings_are_a_table_that_the_engine_computes(demo_folder, engine):
    readings = registry(demo_folder, engine=engine).readings
    assert not isinstance(readings, pd.DataFrame)
    found = registry(demo_folder, engine=engine)
    mean = found.engine.frame(found.readings.group_by("measure").agg(mean=found.readings.before.mean()))
    plain = load_records(demo()).rows.groupby("measure")["before"].mean()
    assert mean.set_index("measure")["mean"].to_dict() == pytest.approx(plain.to_dict(), rel=1e-12)


def test_the_same_export_is_stored_once_however_it_is_sorted(tmp_path):
    rows = pd.read_csv(demo(), dtype=str).head(300)
    clinics = registry(tmp_path, new=True).store(load_records(rows), site="north")
    again = clinics.store(load_records(rows.sample(frac=1, random_state=1)), site="north")
    assert len(again.exports) == 1
    assert again.accounts()["rows_read"].tolist() == [300]


def test_the_same_code_at_another_site_is_another_client(tmp_path):
    rows = load_records(pd.read_csv(demo(), dtype=str).head(60))
    other = replace(rows, rows=rows.rows.assign(after=rows.rows["after"] + 0.5))
    clinics = registry(tmp_path, new=True).store(rows, site="north").store(other, site="south")
    found = clinics.sites().set_index("site")["clients"]
    assert clinics.engine.frame(clinics.readings.agg(n=clinics.readings.client.nunique()))["n"].iloc[0] == found.sum()
    assert found["north"] == found["south"] == rows.rows["client"].nunique()


def test_a_session_stored_twice_counts_once_and_a_contradiction_not_at_all(tmp_path, engine):
    rows = pd.read_csv(dataset_file("three_sites/south/sessions.csv"), dtype=str)
    again = rows.head(20).copy()
    again.loc[0, "after"] = str(float(again.loc[0, "after"]) + 1)
    clinics = registry(tmp_path, new=True).store(load_records(rows), site="south")
    clinics = clinics.store(load_records(again), site="south")
    clinics = registry(tmp_path, engine=engine)
    gone = clinics.set_aside_between
    assert len(gone) == 21  # nineteen repeats, and both sides of the contradiction
    line = clinics.accounts().iloc[0]
    assert line["rows_read"] == len(rows) + 20
    assert line["readings_read"] == line["readings_kept"] + line["readings_set_aside"] + line["readings_between"]
    assert clinics.engine.frame(clinics.readings.agg(n=clinics.readings.count()))["n"].iloc[0] == len(rows) - 1


def test_a_client_in_two_exports_has_her_visits_counted_through(tmp_path, engine):
    rows = pd.read_csv(dataset_file("three_sites/south/sessions.csv"), dtype=str)
    early = rows["date"] < sorted(rows["date"])[len(rows) // 2]
    clinics = registry(tmp_path, new=True).store(load_records(rows[early]), site="south")
    clinics.store(load_records(rows[~early]), site="south")
    clinics = registry(tmp_path, engine=engine)
    found = clinics.engine.frame(clinics.readings.select("session_id", "visit", "day", "client"))
    whole = load_records(rows).rows.assign(session_id=lambda t: "south/" + t["session_id"])
    both = found.merge(whole, on="session_id", suffixes=("", "_whole"))
    assert len(both) == len(whole)
    assert (both["visit"] == both["visit_whole"]).all()
    assert (both["day"] == both["day_whole"]).all()


def test_units_are_turned_into_those_of_the_registry(tmp_path):
    rows = pd.DataFrame(
        {
            "client": [f"C{k}" for k in range(6)],
            "practitioner": "P1",
            "date": "2026-03-04",
            "region": "soleus",
            "treated_side": "left",
            "intervention": "percussive_release",
            "measure": "ankle_dorsiflexion_lunge_distance",
            "measured_side": "left",
            "unit": "cm",
            "before": [8.0, 9, 10, 11, 12, 9.5],
            "after": [9.0, 9, 11, 12, 12, 10],
        }
    )
    clinics = registry(tmp_path, new=True).store(load_records(rows), site="north")
    millimetres = rows.assign(unit="mm", before=rows["before"] * 10, after=rows["after"] * 10)
    clinics = clinics.store(load_records(millimetres), site="south")
    mean = clinics.engine.frame(clinics.readings.group_by("site").agg(mean=clinics.readings.before.mean()))
    assert mean["mean"].iloc[0] == pytest.approx(mean["mean"].iloc[1])


def test_an_export_without_a_site_is_asked_for_it(tmp_path):
    with pytest.raises(RegistryError, match="The records name no site"):
        registry(tmp_path, new=True).store(load_records(demo()))


def test_quantiles_flow_and_clients_are_those_of_the_rows(demo_folder, engine):
    found = registry(demo_folder, engine=engine)
    rows = load_records(demo()).rows
    mine = rows[(rows["measure"] == "ankle_dorsiflexion_lunge") & rows["before"].notna()]
    cuts = found.quantiles("ankle_dorsiflexion_lunge", by=["intervention"], at=(0.25, 0.5)).set_index("intervention")
    plain = mine.groupby("intervention")["before"].quantile(0.25)
    assert cuts["q25"].to_dict() == pytest.approx(plain.to_dict())
    flow = found.flow(ASKED)
    told = audit(demo(), question=ASKED).judged[0].compared.rows
    assert flow["rows"].sum() == len(told)
    assert flow["in_the_estimate"].sum() == told["y"].notna().sum()
    clients = found.engine.frame(found.clients("ankle_dorsiflexion_lunge"))
    both = mine.dropna(subset=["after"])
    assert clients["rows"].sum() == len(both)


def test_a_table_of_a_database_is_a_registry_too(tmp_path):
    import ibis

    load_records(demo()).readings.assign(site="demo").drop(columns="better").to_parquet(tmp_path / "readings.parquet")
    con = ibis.duckdb.connect(tmp_path / "clinics.duckdb")
    con.raw_sql(f"CREATE TABLE readings AS SELECT * FROM read_parquet('{tmp_path / 'readings.parquet'}')")
    found = audit(registry(con), question=ASKED).to_dict()["findings"][0]
    plain = audit(demo(), question=ASKED).to_dict()["findings"][0]
    for name in ("change", "effect_sizes", "steps" if "steps" in plain else "ladder"):
        alike(plain[name], found[name])
    assert registry(con).accounts()["rows_read"].tolist() == [6794]


def database(engine, rows):
    """A table of readings in a database of either engine."""
    import ibis

    held = pa.Table.from_pandas(rows, preserve_index=False)
    if engine is not None:
        engine.createDataFrame(held).createOrReplaceTempView("readings")
        return ibis.pyspark.connect(engine)
    con = ibis.duckdb.connect()
    con.con.register("held", held)
    con.raw_sql("CREATE TABLE readings AS SELECT * FROM held")
    return con


def test_a_table_is_checked_as_an_export_is(engine):
    rows = load_records(demo()).readings.assign(site="demo").drop(columns="better").reset_index(drop=True)
    words = ["session_id", "client", "practitioner", "region", "treated_side", "intervention", "order", "measure"]
    words += ["unit", "site", "measured_side"]
    rows = rows[[*words, "date", "before", "before_2", "after_wait", "after", "visit"]]
    rows = rows.astype(dict.fromkeys(words, "object")).assign(date=rows["date"].dt.date)
    lateral = rows.index[rows["measure"] == "cervical_lateral_flexion"]
    spoilt = rows.copy()
    spoilt.loc[lateral[0], "after"] = 999.0  # implausible
    spoilt.loc[lateral[1], "unit"] = "cm"  # another unit
    spoilt.loc[lateral[2], "practitioner"] = "P999"  # one session, two practitioners
    again, other = spoilt.loc[[lateral[30]]], spoilt.loc[[lateral[60]]]
    spoilt = pd.concat([spoilt, again, other.assign(before=other["before"] + 1)], ignore_index=True)
    torn = rows["session_id"] == rows["session_id"][lateral[2]]
    found = registry(database(engine, spoilt))
    line = found.accounts().iloc[0]
    assert line["rows_read"] == len(spoilt) == line["rows_kept"] + line["rows_set_aside"]
    assert line["readings_read"] == line["readings_kept"] + line["readings_set_aside"]
    aside = found.checks.set_aside
    told = dict(zip(aside["reason"].str.slice(0, 24), aside["rows"], strict=True))
    assert told.pop("outside the plausible ra") == 0
    assert told.pop("written in cm, the regis") == 1
    assert told.pop("the same as another row") == 1
    assert told.pop("the same session, measur") == 2
    assert aside.loc[aside["reason"] == "one session with more than one practitioner", "rows"].sum() == torn.sum()
    kept = found.engine.frame(found.readings.agg(n=found.readings.count()))["n"].iloc[0]
    assert kept == line["rows_kept"]
    assert found.measurement_error("cervical_lateral_flexion").frame["estimate"].notna().all()


def test_a_table_whose_sessions_all_stand_twice_is_refused(monkeypatch):
    monkeypatch.setattr(table_checks, "MOST_SHARED", 3)
    rows = load_records(demo()).readings.assign(site="demo").drop(columns="better")
    rows = rows[
        ["session_id", "client", "practitioner", "site", "date", "region", "treated_side", "intervention"]
    ].join(rows[["order", "measure", "measured_side", "unit", "before", "before_2", "after_wait", "after"]])
    twice = pd.concat([rows.head(40), rows.head(40)]).astype({"date": "datetime64[ms]"})
    with pytest.raises(RegistryError, match=r"rows that repeat or contradict each other\. Give it one row"):
        registry(database(None, twice))


def test_a_table_without_a_column_it_needs_is_refused_by_name():
    import ibis

    con = ibis.duckdb.connect()
    con.raw_sql("CREATE TABLE readings AS SELECT 'a' AS client")
    with pytest.raises(RegistryError, match="has no column “session_id”"):
        registry(con)
    with pytest.raises(RegistryError, match="holds no table “sessions”"):
        registry(con, table="sessions")


def test_the_error_from_sums_is_that_of_the_pairs_they_sum_up():
    rng = np.random.default_rng(1)
    client = np.repeat(np.arange(12), rng.integers(1, 5, 12))
    first = rng.normal(40, 6, 12)[client] + rng.normal(size=len(client))
    second = first + rng.normal(0.3, 1.5, len(client))
    sums = client_sums(second - first, client), client_sums((first + second) / 2, client)
    found = error_of_sums(*sums, measure="cervical_rotation", unit="deg")
    plain = reading_error(first, second, client, measure="cervical_rotation", unit="deg")
    for name in ("sem", "icc", "mdc95", "shift"):
        one, other = getattr(found, name), getattr(plain, name)
        assert (one.value, one.ci_low, one.ci_high) == pytest.approx((other.value, other.ci_low, other.ci_high))


def test_a_site_without_dates_lies_beside_one_with_dates(tmp_path, engine):
    dated = pd.read_csv(dataset_file("three_sites/north/sessions.csv"), dtype=str)
    days = pd.to_datetime(dated["date"])
    undated = dated.assign(day=(days - days.groupby(dated["client"]).transform("min")).dt.days).drop(columns="date")
    undated["after"] = (undated["after"].astype(float) + 0.5).astype(str)
    for site, rows in (("north", dated), ("south", undated)):
        registry(tmp_path, new=True).store(load_records(rows), site=site)
    found = registry(tmp_path, engine=engine).sites()
    assert found["left_out"].tolist() == ["", ""]
    assert found["rows"].tolist() == [len(dated), len(undated)]
