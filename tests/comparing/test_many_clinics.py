"""A registry of many clinics: pooled as its sites' own summaries are, doubts named, drift found where it is."""

import numpy as np
import pandas as pd
import pytest

from toolkit import audit, load_records, pool, registry, simulate_registry, store, summarise
from toolkit.comparing.pooled_page import pooled_page
from toolkit.errors import RegistryError, ToolkitError
from toolkit.registering.over_years import BEFORE, EFFECT, ERROR

pytestmark = pytest.mark.xdist_group("registry")
ASKED = {
    "measure": "ankle_dorsiflexion_lunge_distance",
    "region": "soleus",
    "intervention": "percussive_release",
    "comparison": "wait",
}


@pytest.fixture(scope="module")
def made():
    return simulate_registry(12, clients=40, rng=3)


@pytest.fixture(scope="module")
def clinics(made, tmp_path_factory):
    here = tmp_path_factory.mktemp("many")
    for file in sorted(made.write(here / "exports").glob("*.csv")):
        store(load_records(file), here / "clinics", site=file.stem)
    return registry(here / "clinics")


@pytest.fixture(scope="module")
def answer(clinics):
    return pool(clinics, question=ASKED)


def odd(made, word):
    return made.truth.loc[made.truth["odd"].str.contains(word), "site"].tolist()


def test_storing_the_folder_again_adds_nothing(made, clinics, tmp_path):
    before = len(list((clinics.folder / "exports").glob("*.json")))
    for file in sorted(made.write(tmp_path / "again").glob("*.csv")):
        store(load_records(file), clinics.folder, site=file.stem)
    assert len(list((clinics.folder / "exports").glob("*.json"))) == before == 12


def test_each_site_is_summed_up_as_by_itself(made, answer):
    for one in answer.summaries[:3]:
        alone = summarise(made.exports[one.site], question=ASKED, site=one.site).content
        for key in ("estimate", "flow", "draw", "measurement_error"):
            assert one.content[key] == pytest.approx(alone[key]) if key != "estimate" else True
        assert one.content["estimate"]["value"] == pytest.approx(alone["estimate"]["value"], rel=1e-9)
        assert one.content["estimate"]["se"] == pytest.approx(alone["estimate"]["se"], rel=1e-9)


def test_sites_fetched_one_by_one_give_the_same(clinics, answer):
    by_one = pool(registry(clinics.folder, most_rows=100), question=ASKED)
    assert by_one.sites["effect"].to_numpy() == pytest.approx(answer.sites["effect"].to_numpy(), rel=1e-9)


def test_the_interval_holds_the_mean_of_the_true_effects(made, answer):
    truth = made.truth.set_index("site")["effect"].reindex(answer.sites["site"])
    lean = made.truth.set_index("site")["lean"].reindex(answer.sites["site"])
    row = answer.frame.iloc[0]
    assert row["ci_low"] < truth.mean() + 1.5 * lean.mean() < row["ci_high"]


def test_a_site_that_drew_nothing_is_not_in_the_answer_and_is_named(made, answer):
    for site in [*odd(made, "every second visit"), *odd(made, "reading was low")]:
        assert site not in answer.sites["site"].tolist()
        assert site in answer.sentence()


def summary_that_says(one, **draw):
    content = {**one.content, "drawn": draw["borne_out"], "draw": {**one.content["draw"], **draw}}
    return type(one)(content=content)


def test_few_doubted_sites_are_left_out_shown_beside_and_named(answer):
    doubted = summary_that_says(answer.summaries[0], borne_out=False)
    rest = [type(one)(content={**one.content, "site": f"{one.site}b"}) for one in answer.summaries]
    found = pool([doubted, *answer.summaries[1:], *rest])
    assert [one.site for one in found.doubted] == [doubted.site]
    assert doubted.site not in found.sites["site"].tolist()
    assert f"left out because its records do not bear out the draw ({doubted.site};" in found.sentence()
    beside = found.frame.set_index("what")["estimate"]
    assert beside["with the sites whose draw is doubted"] != beside["pooled difference"]
    assert found.every_site.set_index("site")["doubted"].sum() == 1
    assert doubted.site in found.funnel().sentence()


def test_where_many_are_doubted_all_stay_in_and_none_is_called_drawn(answer):
    several = [summary_that_says(one, borne_out=False) for one in answer.summaries[:3]]
    found = pool([*several, *answer.summaries[3:]])
    assert (found.doubted, found.drawn, len(found.sites)) == ((), False, len(answer.sites))


def test_the_funnel_names_who_lies_outside_and_does_not_say_why(made, answer):
    found = answer.funnel()
    assert found.frame["what"].tolist() == answer.every_site["site"].tolist()
    z = found.frame["statistic"].to_numpy()
    centre, tau2 = answer.frame["estimate"].iloc[0], answer.between.tau2
    assert z == pytest.approx((found.frame["estimate"] - centre) / np.sqrt(found.frame["se"] ** 2 + tau2))
    assert "A funnel does not say why" in found.sentence()
    assert found.plot().get_label().startswith("Each site's effect against its standard error")


def test_the_page_of_many_sites_holds_the_funnel_and_those_left_out(answer):
    rest = [type(one)(content={**one.content, "site": f"{one.site} {k}"}) for k in range(6) for one in answer.summaries]
    page = pooled_page(pool(rest))
    assert page.count("<svg") < 6  # no forest of sixty lines
    assert "99.8 % limits" in page


def test_a_registry_is_asked_something(clinics):
    with pytest.raises(ToolkitError, match="question="):
        pool(clinics)


def test_only_some_sites_answer_as_if_there_were_no_others(made, clinics):
    one = clinics.only(["clinic_03"])
    assert one.accounts()["site"].tolist() == ["clinic_03"]
    plain = audit(made.exports["clinic_03"].assign(site="clinic_03"), question=ASKED)
    assert audit(one, question=ASKED).frame["estimate"].iloc[0] == pytest.approx(plain.frame["estimate"].iloc[0])


def test_a_site_that_is_not_there_is_named(clinics):
    with pytest.raises(RegistryError, match="no site “clinic_99”"):
        clinics.only(["clinic_99"])


def in_memory(made):
    """All rows of the technique in centimetres, with their year."""
    rows = pd.concat(made.exports.values())
    rows = rows[rows["intervention"] == ASKED["intervention"]]
    rows = rows.assign(client=rows["site"] + rows["client"], year=rows["date"].str[:4].astype(int))
    names = ["before", "before_2", "after_wait", "after"]
    scale = np.where(rows["unit"] == "mm", 0.1, 1.0)
    return rows.assign(**{name: rows[name] * scale for name in names})


def test_first_readings_by_year_are_those_of_a_model_with_sites_and_years(made, clinics, monkeypatch):
    import statsmodels.formula.api as smf

    from toolkit.registering import over_years

    monkeypatch.setattr(over_years, "TOWARDS_ALL", 1e12)  # one variance for all sites, as least squares has it
    rows = in_memory(made)
    rows = rows[rows["before"] < 90]  # what was typed wrong is set aside, and the next visit is the first
    every = pd.concat(made.exports.values())
    every = every[every["before"] < np.where(every["unit"] == "mm", 900, 90)]
    first_day = every.assign(client=every["site"] + every["client"]).groupby("client")["date"].min()
    new = rows[rows["date"] == rows["client"].map(first_day)]
    theirs = smf.ols("before ~ C(site) + C(year)", new).fit()
    got = clinics.over_years(ASKED).frame
    mine = got[(got["what"] == BEFORE) & (got["year"] != "trend a year")]["estimate"].to_numpy()
    assert mine[1:] - mine[0] == pytest.approx(theirs.params.filter(like="C(year)").to_numpy(), abs=1e-6)


def test_the_phones_drift_is_found_by_group_and_leaves_the_effect_alone(tmp_path):
    made = simulate_registry(30, clients=60, rng=11)
    place = tmp_path / "clinics"
    for site, rows in made.exports.items():
        store(load_records(rows), place, site=site)
    found = registry(place).over_years(ASKED, groups=made.about.set_index("site")["instrument"])
    trend = found.frame[found.frame["year"] == "trend a year"].set_index(["sites", "what"])
    for what, truth in ((BEFORE, 0.25), (ERROR, 12.0)):
        phone, tape = trend.loc[("phone", what)], trend.loc[("tape", what)]
        assert phone["ci_low"] < truth < phone["ci_high"]
        assert phone["p"] < 0.05
        assert tape["ci_low"] < 0 < tape["ci_high"]
    assert trend.loc[("phone", EFFECT), "ci_low"] < 0.1
    assert "The records do not tell why" in found.sentence()
    assert found.plot().get_label().count("2021") == 6


def test_a_comparison_that_was_chosen_has_no_effect_year_by_year(clinics):
    found = clinics.over_years({**ASKED, "comparison": "manual_release"})
    assert set(found.frame["what"]) == {BEFORE, ERROR}
    assert any("who got which was not drawn" in note for note in found.notes)


def test_groups_that_name_no_site_are_refused(clinics):
    with pytest.raises(RegistryError, match="names none of the registry's sites"):
        clinics.over_years(ASKED, groups={"elsewhere": "tape"})


def test_a_simulated_registry_is_as_its_truth_says(made):
    assert made.exports[odd(made, "millimetres")[0]]["unit"].unique().tolist() == ["mm"]
    gap = made.exports[odd(made, "nothing of")[0]]
    assert "2023" not in gap["date"].str[:4].tolist()
    assert made.truth["draw"].value_counts()["drawn"] == 10
    again = simulate_registry(12, clients=40, rng=3)
    assert all(again.exports[site].equals(rows) for site, rows in made.exports.items())


def test_a_registry_of_few_clinics_is_refused():
    with pytest.raises(ToolkitError, match="at least 10 clinics"):
        simulate_registry(5)
