"""What is said of the next visit in findings and report: never more than the records hold, and never a traceback."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from toolkit.auditing import Audit, audit
from toolkit.findings.assemble import check_findings
from toolkit.simulate import ClinicDials, simulate_clinic


@pytest.fixture(scope="module")
def seen() -> pd.DataFrame:
    """A clinic with sessions that were only measured."""
    return simulate_clinic(ClinicDials(n_clients=24, design="comparison_sessions", effect=3.0), rng=3).rows


def audited(rows: pd.DataFrame, asked) -> Audit:
    found = audit(rows, question=asked)
    check_findings(found.to_dict())
    return found


def test_with_sessions_only_measured_the_difference_stands_there(seen, asked):
    held = audited(seen, asked).findings["findings"][0]["held"]
    assert held["basis"] == "comparison_sessions"
    assert held["compared"]["ci_low"] < held["compared"]["mean"] < held["compared"]["ci_high"]
    assert held["compared"]["method"]
    assert "neck side-bending" in held["sentence"]


def test_a_drawn_order_only_describes_the_next_visit(rows, asked):
    held = audited(rows, asked).findings["findings"][0]["held"]
    assert held["basis"] is None
    assert held["level"] in ("readings_changed", "not_enough")
    assert "drawn order cannot compare visits" in held["why_not_compared"]


THIN = {
    "three clients": lambda rows: rows[rows["client"].isin(sorted(rows["client"].unique())[:3])],
    "one client": lambda rows: rows[rows["client"] == rows["client"].iloc[0]],
    "one visit a client": lambda rows: rows.drop_duplicates("client"),
    "all on one day": lambda rows: rows.assign(date=rows["date"].iloc[0]),
    "days in place of dates": lambda rows: rows.assign(date=np.arange(len(rows))).rename(columns={"date": "day"}),
    "read once before": lambda rows: rows.drop(columns="before_2"),
    "never read after": lambda rows: rows.assign(after=np.nan),
    "all readings alike": lambda rows: rows.assign(before=30.0, before_2=30.0, after=30.0),
}


@pytest.mark.parametrize("name", THIN)
def test_thin_records_get_a_sentence_and_never_a_traceback(seen, asked, tmp_path, name):
    found = audited(THIN[name](seen), asked)
    finding = found.findings["findings"][0]
    said = finding["held"]["sentence"] if finding["held"] else finding["why_not_held"]
    assert said.endswith(".")
    assert "nan" not in said.lower().split()
    page = found.write(tmp_path / "audit").read_text(encoding="utf-8")
    assert "Does it hold until the next visit?" in page
