"""All rivals, in the order in which a reader meets them."""

from __future__ import annotations

from collections.abc import Callable

from toolkit.rivals.case import Case, Rival
from toolkit.rivals.chance import chance
from toolkit.rivals.comfort import comfort
from toolkit.rivals.examiner_change import examiner_change
from toolkit.rivals.keen_clients import keen_clients
from toolkit.rivals.leaning_reader import leaning_reader
from toolkit.rivals.looking_again import looking_again
from toolkit.rivals.many_questions import many_questions
from toolkit.rivals.measured_again import measured_again
from toolkit.rivals.natural_course import natural_course
from toolkit.rivals.not_written_down import not_written_down
from toolkit.rivals.one_practitioner import one_practitioner
from toolkit.rivals.regression_to_the_mean import regression_to_the_mean
from toolkit.rivals.repeated_clients import repeated_clients

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
