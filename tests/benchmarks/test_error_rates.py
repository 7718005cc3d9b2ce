"""A small run of the error rates: Kenward–Roger keeps its promise where z and plain rows do not."""

from functools import cache

from error_rates import rates
from scipy.stats import binomtest

RUNS = 400


@cache
def of_clients(drawn_by: str) -> dict[str, float]:
    return rates(clients=6, practitioners=4, drawn_by=drawn_by, varies=False, runs=RUNS, seed=7)


def test_kenward_roger_keeps_five_percent_for_treatment_drawn_by_client():
    assert binomtest(round(of_clients("client")["kenward_roger"] * RUNS), RUNS, 0.05).pvalue > 0.001


def test_kenward_roger_keeps_five_percent_for_treatment_drawn_by_session():
    assert binomtest(round(of_clients("session")["kenward_roger"] * RUNS), RUNS, 0.05).pvalue > 0.001


def test_z_and_plain_rows_claim_too_often_for_treatment_drawn_by_client():
    found = of_clients("client")
    assert min(found["normal"], found["rows"]) > 0.09


def test_no_such_clinic_is_refused():
    assert of_clients("client")["refused"] == 0.0
