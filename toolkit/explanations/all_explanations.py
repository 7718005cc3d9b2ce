"""All rivals, in the order in which a reader meets them."""

from __future__ import annotations

from collections.abc import Callable

from toolkit.explanations.case import Case, Rival
from toolkit.explanations.chance import chance, looking_again, many_questions
from toolkit.explanations.clients_practitioners import keen_clients, one_practitioner, repeated_clients
from toolkit.explanations.observer_bias import examiner_change, leaning_reader
from toolkit.explanations.regression_to_the_mean import regression_to_the_mean
from toolkit.explanations.selective_records import comfort, not_written_down
from toolkit.explanations.time_course import measured_again, natural_course

RIVALS: tuple[Callable[[Case], Rival], ...] = (
    chance,
    repeated_clients,
    keen_clients,
    regression_to_the_mean,
    measured_again,
    natural_course,
    not_written_down,
    leaning_reader,
    looking_again,
    many_questions,
    one_practitioner,
    examiner_change,
    comfort,
)


def rivals_of(case: Case) -> list[Rival]:
    """Every rival explanation of one question's change."""
    return [rival(case) for rival in RIVALS]
