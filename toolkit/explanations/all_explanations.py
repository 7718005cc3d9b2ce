"""All explanations, in the order in which a reader meets them."""

from __future__ import annotations

from collections.abc import Callable

from toolkit.explanations.case import Case, Explanation
from toolkit.explanations.chance import chance, looking_again, many_questions
from toolkit.explanations.clients_practitioners import informative_visits, one_practitioner, repeated_clients
from toolkit.explanations.observer_bias import examiner_change, observer_bias
from toolkit.explanations.regression_to_the_mean import regression_to_the_mean
from toolkit.explanations.selective_records import comfort, not_written_down
from toolkit.explanations.time_course import measured_again, natural_course

EXPLANATIONS: tuple[Callable[[Case], Explanation], ...] = (
    chance,
    repeated_clients,
    informative_visits,
    regression_to_the_mean,
    measured_again,
    natural_course,
    not_written_down,
    observer_bias,
    looking_again,
    many_questions,
    one_practitioner,
    examiner_change,
    comfort,
)


def explanations_of(case: Case) -> list[Explanation]:
    """Every other explanation of one question's change."""
    return [explanation(case) for explanation in EXPLANATIONS]
