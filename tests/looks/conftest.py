"""Invented findings and frames for the rendering: no person, no clinic, no result."""

import copy
import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from toolkit.looks.plot_data import AgreementPairs, PlotData
from toolkit.result import Estimate

EXAMPLE = Path(__file__).parent / "example_findings.json"


@pytest.fixture(scope="session")
def example():
    return json.loads(EXAMPLE.read_text(encoding="utf-8"))


@pytest.fixture
def findings(example):
    return copy.deepcopy(example)


@pytest.fixture(scope="session")
def steps():
    return pd.DataFrame(
        {
            "step": ["after minus before", "clients count once", "compared with waiting"],
            "estimate": [5.9, 4.3, 3.0],
            "ci_low": [5.5, 3.4, 1.7],
            "ci_high": [6.3, 5.2, 4.3],
            "says": ["the usual answer", "one client came 38 times", "measuring loosens"],
            "n_clients": [41, 41, 41],
        }
    )


@pytest.fixture(scope="session")
def clients():
    first = np.array([30.0, 34.0, 28.0, 41.0])
    second = np.array([36.0, 33.0, 28.0, 46.0])
    change = second - first
    return pd.DataFrame(
        {"client": list("abcd"), "first": first, "second": second, "change": change, "beyond_mdc": abs(change) > 4.4}
    )


@pytest.fixture(scope="session")
def change():
    return Estimate(name="Change", value=2.5, ci_low=-3.0, ci_high=8.0, unit="deg", n=4, method="paired t")


@pytest.fixture(scope="session")
def pairs():
    return pd.DataFrame({"first": [30.0, 34.0, 28.0], "second": [31.0, 33.0, 28.5]})


@pytest.fixture(scope="session")
def lines():
    return pd.DataFrame(
        {
            "line": ["mean difference", "upper limit of agreement", "lower limit of agreement"],
            "value": [0.2, 2.2, -1.9],
            "ci_low": [-2.4, None, None],
            "ci_high": [2.8, None, None],
        }
    )


@pytest.fixture(scope="session")
def plot_data(clients, pairs, lines, example):
    ids = [finding["id"] for finding in example["findings"]]
    return PlotData(
        before_after={ids[1]: clients},
        agreement={"ankle_dorsiflexion_lunge": AgreementPairs(pairs=pairs, lines=lines)},
    )
