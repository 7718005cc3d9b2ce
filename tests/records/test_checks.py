"""What rows say about each other."""

from pathlib import Path

import pandas as pd
import pytest

from toolkit.records.records import load_records


def test_the_same_file_twice_counts_once(tmp_path: Path, wide: pd.DataFrame) -> None:
    for name in ("march.csv", "copy.csv"):
        wide.to_csv(tmp_path / name, index=False)
    records = load_records([tmp_path / "march.csv", tmp_path / "copy.csv"])
    assert (records.source.rows_read, records.source.rows_kept) == (12, 6)
    assert records.set_aside.loc[0, ["file", "row", "reason"]].tolist() == [
        "copy.csv",
        2,
        "the same as march.csv row 2",
    ]


def test_the_same_path_given_twice_counts_once(tmp_path: Path, wide: pd.DataFrame) -> None:
    path = tmp_path / "march.csv"
    wide.to_csv(path, index=False)
    assert load_records([path, path]).source.rows_kept == 6


def test_monthly_overlaps_are_found_whatever_the_format(tmp_path: Path, wide: pd.DataFrame) -> None:
    wide.iloc[:4].to_csv(tmp_path / "a.csv", index=False, sep=";")
    wide.iloc[2:].to_excel(tmp_path / "b.xlsx", index=False)
    records = load_records(tmp_path)
    assert records.set_aside["reason"].tolist() == ["the same as a.csv row 4", "the same as a.csv row 5"]


def test_long_exports_given_twice_count_once(tmp_path: Path, long: pd.DataFrame) -> None:
    for name in ("a.csv", "b.csv"):
        long.drop(columns="reading").to_csv(tmp_path / name, index=False)
    records = load_records([tmp_path / "a.csv", tmp_path / "b.csv"])
    assert (records.source.rows_kept, records.source.rows_set_aside) == (12, 12)


def test_session_rows_given_twice_count_once(tmp_path: Path, plain: pd.DataFrame) -> None:
    for name in ("a.csv", "b.csv"):
        plain.to_csv(tmp_path / name, index=False)
    records = load_records([tmp_path / "a.csv", tmp_path / "b.csv"])
    assert (records.source.rows_kept, records.source.rows_set_aside) == (4, 4)


def test_contradicting_readings_are_all_set_aside(wide: pd.DataFrame) -> None:
    records = load_records(pd.concat([wide, wide.iloc[[0]].assign(after="70")]))
    assert records.set_aside["row"].tolist() == [2, 8]


@pytest.mark.parametrize(
    ("column", "value"),
    [("client", "K9"), ("date", "2026-05-05"), ("practitioner", "P2"), ("order", "wait_first")],
)
def test_a_session_has_one_client_date_practitioner_and_order(wide: pd.DataFrame, column: str, value: str) -> None:
    sheet = wide.assign(session_id=["S1", "S1", "S2", "S3", "S4", "S5"], order="technique_first")
    sheet.loc[1] = sheet.loc[0]
    sheet.loc[1, ["measured_side", column]] = ["right", value]
    reasons = load_records(sheet).set_aside["reason"].unique().tolist()
    assert reasons == [f"one session with more than one {column}"]


def test_sessions_numbered_for_each_client_are_told_apart(wide: pd.DataFrame) -> None:
    sheet = wide.assign(session_id=["1", "1", "1", "2", "2", "2"])
    records = load_records(sheet)
    assert records.source.rows_kept == 6
    assert records.rows["session_id"].nunique() == 6


def test_clients_that_differ_by_spaces_and_case_are_one_and_flagged(wide: pd.DataFrame) -> None:
    wide["client"] = ["K0", "K0 ", "k0", "K0", "K\u200b0", "K1"]
    records = load_records(wide)
    assert records.rows["client"].unique().tolist() == ["K0", "K1"]
    assert "4 ways that differ only in case or spaces" in " ".join(records.flags["what"])


def test_the_same_readings_under_two_regions_are_flagged(wide: pd.DataFrame) -> None:
    sheet = pd.concat([wide, wide.iloc[[0]].assign(region="splenii")])
    records = load_records(sheet)
    assert records.source.rows_kept == 7
    assert records.flags["what"].str.startswith("the same readings stand under another region").sum() == 2


def test_several_regions_in_one_cell_are_joined_in_one_way(wide: pd.DataFrame) -> None:
    wide["region"] = [
        "upper_trapezius + levator_scapulae",
        "levator scapulae; upper trap",
        "UT & levator scap",
        "upper trapezius and levator scapulae",
        "Levator scap / UT",
        "upper_trapezius",
    ]
    regions = load_records(wide).rows["region"]
    assert regions.iloc[:5].unique().tolist() == ["levator_scapulae + upper_trapezius"]


def test_an_unknown_intervention_is_the_users_own_name(wide: pd.DataFrame) -> None:
    wide["intervention"] = [
        "My Shake",
        "my  shake",
        "MY SHAKE ",
        "Percussion Protocol B",
        "percussion",
        "percussive release",
    ]
    names = load_records(wide).rows["intervention"].tolist()
    assert names == ["My Shake"] * 3 + ["Percussion Protocol B"] + ["percussive_release"] * 2


def test_an_unknown_region_is_kept_and_flagged(wide: pd.DataFrame) -> None:
    wide.loc[0, "region"] = "the tight bit"
    records = load_records(wide)
    assert records.rows.loc[0, "region"] == "the tight bit"
    assert "a region that is not in the codebook" in " ".join(records.flags["what"])


def test_an_unknown_measure_is_set_aside_with_the_remedy(wide: pd.DataFrame) -> None:
    wide.loc[0, "measure"] = "aura"
    line = load_records(wide).set_aside.iloc[0]
    assert line["value"] == "aura"
    assert "extend the codebook" in line["remedy"]


def test_a_practitioner_who_is_not_named_is_not_stated(wide: pd.DataFrame) -> None:
    records = load_records(wide.drop(columns="practitioner"))
    assert records.rows["practitioner"].unique().tolist() == ["not stated"]
    assert 'no practitioner in 6 rows: taken as "not stated"' in records.flags["what"].tolist()


@pytest.mark.parametrize(
    ("column", "value"), [("client", ""), ("intervention", "-"), ("date", "2999-01-01"), ("treated_side", "up")]
)
def test_rows_without_what_is_needed_are_set_aside(wide: pd.DataFrame, column: str, value: str) -> None:
    wide.loc[2, column] = value
    line = load_records(wide).set_aside.iloc[0]
    assert (line["row"], line["column"]) == (4, column)
