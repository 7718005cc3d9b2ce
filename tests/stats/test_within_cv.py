"""The coefficient of variation within a person, and the two approximate intervals of limits of agreement."""

import numpy as np
import pandas as pd
import pytest

from toolkit.errors import NotEnoughError, SheetError
from toolkit.resources import dataset_file
from toolkit.stats.agreement import limits_of_agreement
from toolkit.stats.spread import within_person_cv


def _meters():
    return pd.read_csv(dataset_file("open/data/peak_flow_bland_altman_1986.csv"))


def test_cv_is_that_of_an_anova_on_logs_in_r():
    # m <- anova(lm(log(l) ~ factor(subject))); 100 * (exp(sqrt(m[2, 3])) - 1), both readings of the mini meter
    rows = _meters().melt(id_vars="subject", value_vars=["mini_meter_1", "mini_meter_2"], value_name="value")
    assert within_person_cv(rows).value == pytest.approx(5.213101183)


def test_cv_does_not_depend_on_the_unit():
    rows = pd.DataFrame({"subject": [1, 1, 2, 2, 3, 3], "value": [10, 11, 20, 23, 31, 30]})
    in_mm = within_person_cv(rows.assign(value=rows["value"] * 10.0))
    assert in_mm.value == pytest.approx(within_person_cv(rows).value)


@pytest.mark.parametrize(
    ("values", "error", "says"),
    [([0, 1, 2, 3], SheetError, "above 0"), ([1, 1, 2, 2], NotEnoughError, "no error can be seen")],
)
def test_cv_refuses(values, error, says):
    with pytest.raises(error, match=says):
        within_person_cv(pd.DataFrame({"subject": [1, 1, 2, 2], "value": values}))


def test_cv_needs_somebody_read_twice():
    with pytest.raises(NotEnoughError, match="read twice"):
        within_person_cv(pd.DataFrame({"subject": [1, 2], "value": [3, 4]}))


def test_the_interval_of_1999_has_n_minus_1_in_its_second_part():
    # Bland & Altman (1999) section 2.2: var = (1/n + 1.96^2 / (2 (n - 1))) s^2; worked in R:
    # d <- large - mini; s <- sd(d); mean(d) - 1.96 * s + c(-1, 1) * qt(.975, 16) * s * sqrt(1/17 + 1.96^2 / 32)
    meters = _meters()
    found = limits_of_agreement(meters["mini_meter_1"], meters["large_meter_1"], unit="l/min")
    assert found.lower_1999 is not None
    assert found.lower_approximate is not None
    assert (found.lower_1999.ci_low, found.lower_1999.ci_high) == pytest.approx((-112.853377909, -43.341225313))
    assert found.lower_1999.ci_low < found.lower_approximate.ci_low
    assert "1999" in found.lower_1999.method
    assert "1986" in found.lower_approximate.method
    assert np.isclose(found.lower_1999.value, found.lower.value)
