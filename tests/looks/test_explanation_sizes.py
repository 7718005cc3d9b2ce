"""A range over practitioners, or a bound, is not called an interval with a level."""

import pytest

from toolkit.looks.report_tables import explanations_table


@pytest.mark.parametrize(
    ("level", "said"), [(0.95, "95 % interval"), (1.0, "range or bound"), (0.975, "97.5 % interval")]
)
def test_the_words_beside_a_size_say_what_kind_of_limits_they_are(example, level, said):
    finding = example["findings"][0]
    explanation = {
        **finding["rivals"][0],
        "status": "bounded",
        "size": 1.0,
        "ci_low": 0.5,
        "ci_high": 1.5,
        "confidence_level": level,
    }
    assert said in explanations_table({**finding, "rivals": [explanation]}).text()
