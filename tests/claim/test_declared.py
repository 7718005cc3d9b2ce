"""A question counts as declared where it was written down before the first session it is judged on."""

from __future__ import annotations

from datetime import date

import pandas as pd
import pytest

from toolkit.claim.declared import declared_status
from toolkit.claim.question import Question

DAYS = pd.Series(pd.to_datetime(["2026-02-01", "2026-03-01", None]))
TODAY = date(2026, 4, 1)


def asked(**fields) -> Question:
    return Question(**{"measure": "m", "region": "any", "intervention": "i", "declared_on": "2026-01-05", **fields})


@pytest.mark.parametrize(
    ("question", "days", "sealed", "yes", "says"),
    [
        (asked(), DAYS, None, True, "dated by hand 2026-01-05"),
        (asked(), DAYS, "2026-01-20T10:00:00+00:00", True, "sealed 2026-01-20"),
        (asked(), DAYS, "2026-02-20", False, "1 of 3 sessions"),
        (asked(declared_on="2026-02-02"), DAYS, None, False, "1 of 3 sessions"),
        (asked(declared_on=None), DAYS, None, False, "bears no day"),
        (asked(declared_on="2026-04-02"), DAYS, None, False, "still to come"),
        (asked(alpha=0.1), DAYS, None, False, "more error"),
        (asked(), pd.Series([pd.NaT]), None, False, "bear no days"),
    ],
)
def test_what_counts_as_declared(question, days, sealed, yes, says):
    found = declared_status(question, days, sealed_on=sealed, today=TODAY)
    assert found.yes is yes
    assert says in found.says
