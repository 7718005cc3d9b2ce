"""What the notebooks say of records, one client, two protocols and a season: in words, with n, interval and unit."""

from datetime import date

import pandas as pd
import pytest

from toolkit import load_records
from toolkit.errors import NotEnoughError, ToolkitError
from toolkit.looks import words
from toolkit.looks.steps_and_forest import alt_text_steps, shift_words
from toolkit.notebook import (
    client as client_pieces,
)
from toolkit.notebook import (
    protocols as protocol_pieces,
)
from toolkit.notebook import (
    records as records_pieces,
)
from toolkit.notebook import (
    season as season_pieces,
)
from toolkit.notebook.choosers import choose_client, choose_question, choose_two
from toolkit.planning.season import AS_NOW, RecordKeeping, SeasonPlan
from toolkit.simulate import ClinicDials, simulate_clinic
from toolkit.stats.reliability_study import recorded_errors


@pytest.fixture(scope="module")
def rows():
    """Two interventions on one measure and region."""
    parts = [
        simulate_clinic(ClinicDials(n_clients=14, visits=5, effect=effect, intervention=name), rng=seed).rows
        for seed, (name, effect) in enumerate([("percussive_release", 4.0), ("manual_release", 0.0)])
    ]
    both = [part.assign(client=part["client"].astype(str) + mark) for part, mark in zip(parts, "ab", strict=True)]
    joined = pd.concat(both, ignore_index=True)
    return joined.assign(session_id=joined["client"] + "-" + joined["date"].astype(str))


@pytest.fixture(scope="module")
def records(rows):
    return load_records(rows)


@pytest.fixture(scope="module")
def client(records):
    return choose_client(records)


@pytest.fixture(scope="module")
def error(records):
    return records_pieces.reading_error(records, "cervical_lateral_flexion")


def test_a_finished_sentence_gets_degrees_minus_signs_and_a_space_before_percent():
    said = words.readable("difference -0.57 deg (95% interval -1.8 to 0.6 deg), after less before_2, on 2026-01-05")
    assert said == "difference −0.57° (95 % interval −1.8 to 0.6°), after less the second reading before, on 2026-01-05"


def test_what_stands_in_the_file_is_shown_as_it_was_typed(rows):
    typed = rows.astype({"before_2": object})
    typed.loc[typed.index[0], "before_2"] = "-999"
    shown = str(records_pieces.rows_set_aside(load_records(typed)))
    assert "“before_2” | “-999”" in shown


def test_lists_and_answers_use_the_same_names(records):
    shown = [text for text, _ in choose_question(records).widget.children[2].options]
    named = records.codebook.label("intervention", "percussive_release")
    assert any(text.lower().startswith(named) for text in shown)


def test_a_word_of_ones_own_and_several_at_once_are_named(records):
    assert records.codebook.label("region", "levator_scapulae + my_spot") == "levator scapulae and my spot"


def test_a_step_of_the_adjustment_steps_is_the_difference_of_the_numbers_beside_it():
    steps = pd.DataFrame({"step": ["a", "b"], "estimate": [6.91, 6.97], "ci_low": [6.67, 6.6], "ci_high": [7.15, 7.4]})
    said = alt_text_steps(steps.assign(says=""), unit="deg")
    assert "+6.9° (95 % interval +6.7 to +7.2°)" in said or "+6.9° (95 % interval +6.7 to +7.1°)" in said
    assert "+7.0°" in said
    assert shift_words(steps, 1, "deg") == "Adds 0.1°."


def test_a_size_for_a_measure_that_the_records_lack_is_taken_for_no_other(records):
    chooser = choose_question(records, smallest_change=3.0, first=("straight_leg_raise", "hamstrings", "stretching"))
    assert chooser.smallest_change is None
    assert "is not set for this measure: write it under “Matters from”" in str(chooser.words)


def test_rows_set_aside_are_shown_in_words_or_said_to_be_none(rows, records):
    bad = rows.assign(after=rows["after"].where(rows.index != 0, 340.0))
    assert "outside the plausible range of neck side-bending (0 to 80°)" in str(
        records_pieces.rows_set_aside(load_records(bad))
    )
    assert str(records_pieces.rows_set_aside(records)) == "Nothing was set aside: every row could be used."


def test_one_row_a_measure_stands_for_the_ruler(records):
    table = records_pieces.rulers(recorded_errors(records.rows), records).parts[0]
    assert [row[0] for row in table.rows] == ["Neck side-bending"]
    assert "28 clients" in table.rows[0][-1]


def test_without_second_readings_the_ruler_says_why(rows):
    once = load_records(rows.assign(before_2=float("nan")))
    assert "Neck side-bending: " in str(records_pieces.rulers(recorded_errors(once.rows), once))


def test_the_mean_of_four_readings_halves_the_error(error):
    lines = dict(records_pieces.averaged(error, 4).lines)
    assert lines["One reading"].startswith(f"SEM {error.sem:.1f}°")
    assert lines["Mean of 4"].startswith(f"SEM {error.sem / 2:.1f}°")


def test_a_change_inside_the_error_is_no_change_one_can_see(client, error):
    first, last = client.visits["before"].dropna().iloc[[0, -1]]
    said = str(client_pieces.first_to_last(client, error))
    assert ("no change can be seen" in said) == (abs(last - first) <= error.detectable)
    assert "two readings of one client" in said


def test_one_visit_is_not_compared_with_itself(rows, error):
    first_visits = rows.sort_values("date").drop_duplicates(["client", "measured_side"])
    one = choose_client(load_records(first_visits))
    assert "1 reading before a session: two are needed" in str(client_pieces.first_to_last(one, error))
    assert "at least five are needed" in str(client_pieces.ups_and_downs(one))
    assert "at least six are needed" in str(client_pieces.early_and_late(one))


def test_a_reading_far_outside_is_a_signal(rows):
    one = rows[rows["client"] == rows["client"].iloc[0]].sort_values("date").reset_index(drop=True)
    many = pd.concat([one.head(1)] * 9, ignore_index=True)
    many = many.assign(date=pd.date_range("2025-01-01", periods=9), before=[30, 31, 30, 31, 30, 31, 30, 31, 60.0])
    many = many.assign(session_id=[f"s{k}" for k in range(9)], before_2=float("nan"))
    assert "Outside the limits: reading 9 (60°)" in str(client_pieces.ups_and_downs(choose_client(load_records(many))))


def test_two_protocols_are_named_and_counted(records):
    found = protocol_pieces.compare(records, choose_two(records, smallest_change=3.0), drawn="chosen")
    n_a, n_b = (int((found.sessions["got_a"] == arm).sum()) for arm in (1, 0))
    shown = str(protocol_pieces.who_got_which(found))
    assert f"{n_a} sessions with {found.names[0]}, {n_b} with {found.names[1]}" in shown
    assert "That the protocol made the difference" in str(protocol_pieces.may_say_of_two(found))


def test_what_an_owner_looks_at_is_shown_with_its_n(records):
    found = protocol_pieces.compare(records, choose_two(records, smallest_change=3.0), drawn="chosen")
    assert "Readings as they were written" in str(protocol_pieces.raw_readings(found))
    assert "one site" in str(protocol_pieces.by_site(found))
    assert "alphabetical order" in str(protocol_pieces.by_practitioner(found))
    assert "a quarter" in str(protocol_pieces.over_the_calendar(found))
    assert "Adverse events" in str(protocol_pieces.dose_harm_comfort(found))


def test_where_chance_decided_no_hidden_cause_is_weighed(records):
    found = protocol_pieces.compare(records, choose_two(records), drawn="drawn")
    assert "Chance decided" in str(protocol_pieces.hidden_cause(found))


def test_a_word_for_drawn_that_is_none_is_refused(records):
    with pytest.raises(ToolkitError, match='DRAWN is “random”: write DRAWN = "chosen"'):
        protocol_pieces.compare(records, choose_two(records), drawn="random")


def test_too_few_sessions_are_told_in_words(rows):
    few = load_records(rows.groupby("intervention").head(4))
    with pytest.raises(NotEnoughError, match="at least 5 sessions of 3 clients each are needed") as refusal:
        protocol_pieces.compare(few, choose_two(few), drawn="chosen")
    assert "slow manual pressure and release" in str(refusal.value).lower()
    assert "_" not in str(refusal.value)


def ranked(best, gain_low, *, now=(0.4, 0.3, 0.5), n_seasons=200):
    rows = pd.DataFrame(
        {
            "change": ["read twice before", "write everything down", AS_NOW],
            "seen": [best, 0.45, now[0]],
            "gain": [best - now[0], 0.05, 0.0],
            "gain_ci_low": [gain_low, -0.1, 0.0],
            "gain_ci_high": [0.5, 0.2, 0.0],
            "ci_low": [best - 0.1, 0.35, now[1]],
            "ci_high": [0.99, 0.55, now[2]],
        }
    )
    return RecordKeeping(effect=3.0, unit="deg", n_seasons=n_seasons, rows=rows)


def test_a_change_is_named_as_the_best_only_where_the_same_seasons_show_a_gain():
    clear = str(season_pieces.what_buys_most(ranked(0.8, 0.3)))
    assert clear.startswith("Read twice before: 80 of 100 seasons")
    assert "30 to 50 more of 100 (95 % interval)" in clear
    assert "do not tell any change from recording as now" in str(season_pieces.what_buys_most(ranked(0.6, -0.01)))


def test_what_the_best_cannot_be_told_from_is_named():
    assert "write everything down cannot be told" in str(season_pieces.what_buys_most(ranked(0.5, 0.02)))
    assert "cannot be told" not in str(season_pieces.what_buys_most(ranked(0.8, 0.3)))


def test_few_seasons_are_called_a_rough_picture():
    assert "Only 16 seasons" in str(season_pieces.what_buys_most(ranked(0.6, -0.1, n_seasons=16)))
    assert "Only" not in str(season_pieces.what_buys_most(ranked(0.6, -0.1)))


def test_the_number_of_clients_comes_with_its_interval():
    curve = pd.DataFrame({"clients": [10, 40], "seen": [0.25, 0.9], "ci_low": [0.1, 0.7], "ci_high": [0.5, 0.97]})
    plan = SeasonPlan(dials=ClinicDials(), effect=4.0, unit="deg", n_seasons=200, curve=curve)
    assert str(season_pieces.how_many(plan)) == (
        "With 40 clients, 90 of 100 seasons (95 % interval 70 to 97) would end in an answer, "
        "if the technique truly adds 4°."
    )
    nothing = SeasonPlan(dials=ClinicDials(design="none"), effect=4.0, unit="deg", n_seasons=200, curve=curve.head(1))
    assert "Let a coin decide who waits first" in str(season_pieces.how_many(nothing))


def test_a_question_sheet_is_declared_today_and_can_be_read_back(records, tmp_path):
    from toolkit.claim.question import read_question

    sheet = tmp_path / "question.toml"
    sheet.write_text(str(season_pieces.question_sheet(choose_question(records), smallest=4.0, unit="deg")))
    asked = read_question(sheet)
    assert (asked.measure, asked.smallest_change_that_matters) == ("cervical_lateral_flexion", 4.0)
    assert str(asked.declared_on) == date.today().isoformat()
