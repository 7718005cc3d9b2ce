"""SEM three ways, smallest detectable change, within-person scatter."""

import numpy as np
import pandas as pd
import pytest

from toolkit.errors import NotEnoughError, SheetError
from toolkit.stats.intraclass import icc
from toolkit.stats.reading_error import reading_error
from toolkit.stats.sem import (
    mdc,
    sem_agreement,
    sem_consistency,
    sem_from_icc,
    within_person,
)


def two_readings(rng, n=40):
    true = rng.normal(35, 6, n)
    return true + rng.normal(0, 2, n), true + rng.normal(0, 2, n)


def test_two_ways_to_a_sem_meet_on_the_same_readings():
    one, two = two_readings(np.random.default_rng(1))
    rows = pd.DataFrame({"subject": np.tile(np.arange(40), 2), "reader": np.repeat(["1", "2"], 40)})
    rows["value"] = np.concatenate([one, two])
    by_pairs = reading_error(one, two, np.arange(40), measure="lunge", unit="deg").sem.value
    assert sem_consistency(icc(rows), unit="deg").value == pytest.approx(by_pairs, rel=1e-9)
    assert by_pairs == pytest.approx(np.std(two - one, ddof=1) / np.sqrt(2))


def test_ten_people_read_twice_leave_a_sem_uncertain_by_half():
    sem = sem_from_icc(0.0, 1.0, n=10, unit="deg")
    # 19.023 and 2.700: chi-square quantiles .975 and .025 with 9 df as printed in the usual tables (from memory)
    assert (sem.ci_low, sem.ci_high) == pytest.approx((np.sqrt(9 / 19.023), np.sqrt(9 / 2.700)), rel=1e-4)


def test_agreement_counts_what_readers_differ_by():
    rng = np.random.default_rng(2)
    s, r = np.divmod(np.arange(60), 3)
    rows = pd.DataFrame({"subject": s, "reader": r, "value": rng.normal(0, 5, 20)[s] + 4.0 * r + rng.normal(0, 1, 60)})
    table = icc(rows)
    assert sem_agreement(table, unit="deg").value > 3 * sem_consistency(table, unit="deg").value


def test_a_group_of_n_detects_a_change_smaller_by_root_n():
    sem = sem_from_icc(0.9, 10, n=30, unit="deg")
    assert mdc(sem, group_of=25).value == pytest.approx(mdc(sem).value / 5)
    assert mdc(sem, percent=90).value == pytest.approx(1.645 * np.sqrt(2) * sem.value)


def test_a_constant_shift_counts_in_the_within_person_sd_and_not_in_the_sem():
    one, two = two_readings(np.random.default_rng(3))
    rows = pd.DataFrame({"subject": np.tile(np.arange(40), 2), "value": np.concatenate([one, two + 10])})
    own = reading_error(one, two + 10, np.arange(40), measure="lunge", unit="deg").sem.value
    assert within_person(rows, unit="deg").sd.value > 2 * own


def test_people_read_once_are_set_aside_and_counted():
    rows = pd.DataFrame({"subject": [1, 1, 2, 2, 3], "value": [1.0, 2, 4, 6, 9]})
    result = within_person(rows, unit="deg")
    assert (result.n_people, result.n_readings, result.n_set_aside) == (2, 4, 1)


BAD = {
    "ICC above one": (lambda: sem_from_icc(1.2, 5, n=10, unit="deg"), SheetError, r"An ICC is at most 1"),
    "negative SD": (lambda: sem_from_icc(0.8, -5, n=10, unit="deg"), SheetError, r"an SD not negative"),
    "one person": (lambda: sem_from_icc(0.8, 5, n=1, unit="deg"), NotEnoughError, r"at least 2 people with 2 readings"),
    "odd percent": (
        lambda: mdc(sem_from_icc(0.8, 5, n=10, unit="deg"), percent=80),
        SheetError,
        r"at 95 or 90 percent, not 80",
    ),
    "empty group": (
        lambda: mdc(sem_from_icc(0.8, 5, n=10, unit="deg"), group_of=0),
        SheetError,
        r"at least one person, not 0",
    ),
    "identical": (
        lambda: within_person(pd.DataFrame({"subject": [1, 1, 2, 2], "value": [1.0, 1, 2, 2]}), unit="deg"),
        NotEnoughError,
        r"Every person's readings are identical",
    ),
    "read once": (
        lambda: within_person(pd.DataFrame({"subject": [1, 2], "value": [1.0, 2]}), unit="deg"),
        NotEnoughError,
        r"0 people with two readings or more",
    ),
}


@pytest.mark.parametrize("case", BAD)
def test_bad_input_gets_a_clear_sentence(case):
    call, kind, says = BAD[case]
    with pytest.raises(kind, match=says):
        call()
