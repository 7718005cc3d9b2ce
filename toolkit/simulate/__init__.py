"""Clinics made by chance, with the truth known: the dials, the clinic, and what can be done wrong in it."""

from toolkit.simulate.clinic import SimulatedClinic, simulate_clinic
from toolkit.simulate.dials import ALL_EXPLANATIONS, ClinicDials, Design, with_all_explanations
from toolkit.simulate.faults import FAULTS, ONLY_A_SCHEDULE_SHOWS
from toolkit.simulate.many_clinics import SimulatedRegistry, simulate_registry

__all__ = [
    "ALL_EXPLANATIONS",
    "FAULTS",
    "ONLY_A_SCHEDULE_SHOWS",
    "ClinicDials",
    "Design",
    "SimulatedClinic",
    "SimulatedRegistry",
    "simulate_clinic",
    "simulate_registry",
    "with_all_explanations",
]
