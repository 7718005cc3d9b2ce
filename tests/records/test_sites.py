"""Several sites read together: codes belong to their site, every loss has one, folders are searched below."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from toolkit.comparing.simulated_protocols import ProtocolDials, simulate_protocols
from toolkit.errors import ExportError
from toolkit.records.records import load_records

NAMES = ("north", "south", "west")


def sheet(seed: int, site: str = "") -> pd.DataFrame:
    rows = simulate_protocols(ProtocolDials(n_clients=6, visits=3), rng=seed)
    return rows.drop(columns=["visit", "session_id"]).assign(site=site).round(1)


@pytest.fixture
def folders(tmp_path: Path) -> Path:
    for seed, name in enumerate(NAMES):
        place = tmp_path / "clinics" / name / "2024"
        place.mkdir(parents=True)
        sheet(seed).drop(columns="site").to_csv(place / "sessions.csv", index=False)
    return tmp_path / "clinics"


def test_three_sites_that_use_the_same_codes_lose_nothing_and_share_nobody():
    rows = pd.concat([sheet(seed, site=name) for seed, name in enumerate(NAMES)])
    records = load_records(rows)
    assert records.source.rows_kept == len(rows)
    assert records.rows["client"].nunique() == 18
    assert set(records.rows["client"].str.partition("/")[0]) == set(NAMES)
    assert records.rows["practitioner"].str.startswith(("north/", "south/", "west/")).all()


def test_the_same_rows_without_a_site_would_melt_together():
    rows = pd.concat([sheet(seed) for seed in range(3)])
    assert load_records(rows).rows["client"].nunique() == 6


def test_a_folder_a_site_is_searched_to_the_bottom(folders: Path):
    records = load_records(folders)
    assert sorted(records.rows["site"].unique()) == sorted(NAMES)
    assert records.rows["client"].nunique() == 18
    assert records.source.files["file"].tolist() == [f"{name}/sessions.csv" for name in NAMES]


def test_sites_named_by_hand_are_the_same_as_a_folder_each(folders: Path):
    by_hand = load_records({name: folders / name for name in NAMES})
    pd.testing.assert_frame_equal(by_hand.rows, load_records(folders).rows)


def test_each_site_has_its_own_columns_toml(folders: Path):
    place = folders / "north" / "2024"
    sheet(0).drop(columns="site").rename(columns={"client": "Kode"}).to_csv(place / "sessions.csv", index=False)
    names = ["practitioner", "date", "region", "treated_side", "intervention", "measure", "measured_side", "unit"]
    lines = [f'{name} = "{name}"' for name in [*names, "before", "before_2", "after", "examiner_blinded"]]
    (place / "columns.toml").write_text("\n".join(['client = "Kode"', *lines]))
    assert load_records(folders).rows["client"].nunique() == 18


def test_losses_stand_by_site_and_the_accounts_close(folders: Path):
    place = folders / "south" / "2024" / "sessions.csv"
    rows = pd.read_csv(place)
    rows.loc[[0, 1], "client"] = None
    rows.loc[2, "after"] = 999
    rows.to_csv(place, index=False)
    found = load_records(folders).sites.set_index("site")
    assert found["rows_set_aside"].to_dict() == {"north": 0, "south": 3, "west": 0}
    assert (found["rows_read"] == found["rows_kept"] + found["rows_set_aside"]).all()
    assert found.loc["south", "readings_set_aside"] > found.loc["north", "readings_set_aside"] == 0


def test_one_site_keeps_its_codes():
    assert load_records(sheet(1, site="north")).rows["client"].str.startswith("C").all()


def test_a_site_without_a_name_is_refused(folders: Path):
    with pytest.raises(ExportError, match="A site has no name"):
        load_records({"": folders / "north"})


def test_a_site_that_is_not_there_is_named(folders: Path):
    with pytest.raises(ExportError, match="nowhere"):
        load_records({"north": folders / "north", "nowhere": folders / "nowhere"})
