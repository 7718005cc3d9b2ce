"""What is asked of a registry on Spark is what DuckDB says of it: years, some sites alone, all sites pooled."""

from __future__ import annotations

import pandas as pd
import pytest

from toolkit import audit, pool, registry, simulate_registry, store
from toolkit.records.records import load_records

pytestmark = pytest.mark.xdist_group("registry")
ASKED = {
    "measure": "ankle_dorsiflexion_lunge_distance",
    "region": "soleus",
    "intervention": "percussive_release",
    "comparison": "wait",
}
NUMBERS = ["estimate", "ci_low", "ci_high", "df", "p"]


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """Five clinics; one stored in two exports, so that the engine finds what both hold and counts its visits anew."""
    made, place = simulate_registry(10, clients=40, rng=3), tmp_path_factory.mktemp("five") / "clinics"
    for site, rows in list(made.exports.items())[:5]:
        parts = [rows]
        if site == min(made.exports):
            middle = sorted(rows["date"])[len(rows) // 2]
            parts = [rows[rows["date"] <= middle], rows[rows["date"] >= middle]]
        for part in parts:
            store(load_records(part), place, site=site)
    return place


@pytest.fixture(scope="module")
def embedded(folder):
    return registry(folder)


@pytest.fixture
def by_spark(folder, spark):
    return registry(folder, engine=spark)


def same(one, other):
    assert one.columns.tolist() == other.columns.tolist()
    for name in one.columns:
        if pd.api.types.is_float_dtype(one[name]) or name in NUMBERS:
            left, right = (frame[name].to_numpy(dtype=float) for frame in (one, other))
            close = 1e-6 if name == "df" else 1e-9  # df hangs on variances, where a likelihood is flat at its summit
            assert right == pytest.approx(left, rel=close, abs=1e-12, nan_ok=True)
        else:
            assert one[name].astype(str).tolist() == other[name].astype(str).tolist()


def test_over_the_years(embedded, by_spark):
    groups = {site: "phone" if place % 2 else "tape" for place, site in enumerate(embedded.sites()["site"])}
    one, other = embedded.over_years(ASKED, groups=groups), by_spark.over_years(ASKED, groups=groups)
    same(one.frame, other.frame)
    assert other.sentence() == one.sentence()


def test_what_two_exports_hold_and_the_sites(embedded, by_spark):
    assert len(embedded.set_aside_between)
    same(*(one.set_aside_between.sort_values(["export", "place"], ignore_index=True) for one in (embedded, by_spark)))
    same(embedded.accounts(), by_spark.accounts())
    same(embedded.sites(), by_spark.sites())


def test_some_sites_alone(embedded, by_spark):
    names = embedded.sites()["site"].tolist()[:2]
    one, other = embedded.only(names), by_spark.only(names)
    same(one.accounts(), other.accounts())
    mine, its = (audit(some, question=ASKED).to_dict()["findings"] for some in (one, other))
    assert mine == its


def test_all_sites_pooled(embedded, by_spark):
    one, other = pool(embedded, question=ASKED), pool(by_spark, question=ASKED)
    same(one.frame, other.frame)
    same(one.sites, other.sites)
    assert other.sentence() == one.sentence()


def test_one_question_from_sums_with_its_draw(embedded, by_spark):
    one, other = embedded.difference(ASKED), by_spark.difference(ASKED)
    same(one.frame, other.frame)
    assert other.detail.draw.p == pytest.approx(one.detail.draw.p, rel=1e-9)
    assert other.detail.draw.says == one.detail.draw.says
