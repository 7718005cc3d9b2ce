"""Clinics attacked: one thing done wrong each, and honest ones that look odd; scenarios of the validity benchmark.

Every fault of `toolkit.simulate.FAULTS` is a family. Three of them nothing can show but a sealed schedule: they are
judged with it. The controls are honest, and odd in a way that a rule might take for a fault.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from toolkit.simulate import FAULTS, ONLY_A_SCHEDULE_SHOWS, ClinicDials

FOR_THE_READERS_LEAN: dict[str, dict[str, Any]] = {
    "one arm blind": {"lean": 3.0},
    "leaning where not blind": {"lean": 3.0, "blinded_share": 0.5},
    "second reading copied": {"lean": 1.0, "blinded_share": 0.0},
    "second reading remembered": {"lean": 1.0, "blinded_share": 0.0},
}
DESIGNS: dict[str, Any] = {
    "sides in turn": "side_drawn",
    "worse side": "side_drawn",
    "compared late": "comparison_sessions",
}
DRAW_FAULTS = (
    "turns",
    "coin begun late",
    "early in the year",
    "stiff first",
    "by practitioner",
    "after a good session",
    "some clients always",
    "sides in turn",
    "worse side",
    "mornings first",
)
LATER = ("no change typed", "client left blank", "another measure", "row left empty", "mornings first")
NEED_THE_SHEET = frozenset({"same typed", "entered twice", "impossible number", *LATER[:-1]})  # reading it loses them
CLEAN = ClinicDials()


def attack(fault: str) -> ClinicDials:
    """The dials of one fault's clinics."""
    return replace(CLEAN, fault=fault, design=DESIGNS.get(fault, "order_drawn"), **FOR_THE_READERS_LEAN.get(fault, {}))


ATTACKS = {f"attack: {fault}": attack(fault) for fault in FAULTS if fault not in (*ONLY_A_SCHEDULE_SHOWS, *LATER)}
ATTACKS_LATER = {f"attack: {fault}": attack(fault) for fault in LATER}  # last, so that the others keep their clinics
SEALED = {f"sealed: {fault}": attack(fault) for fault in ONLY_A_SCHEDULE_SHOWS}
CONTROLS = {
    "honest: heavy tails": replace(CLEAN, heavy_tails=3.0),
    "honest: rounded to 5": replace(CLEAN, round_to=5.0),
    "honest: ceiling": replace(CLEAN, ceiling=40.0),
    "honest: missing by chance": replace(CLEAN, missing_share=0.15),
    "honest: 8 clients": replace(CLEAN, n_clients=8),
    "honest: 12 clients": replace(CLEAN, n_clients=12),
    "honest: 15 clients, 3 sessions": replace(CLEAN, n_clients=15, visits=3.0),
    "honest: 25 clients": replace(CLEAN, n_clients=25),
    "honest: one in eight waits, noisy technique": replace(CLEAN, waiting_share=0.12, technique_noise=2.0),
    "honest: one in eight waits, quiet technique": replace(CLEAN, waiting_share=0.12, technique_noise=0.5),
    "honest: effects vary": replace(CLEAN, effect_sd=3.0),
    "honest: effects vary, keen clients": replace(CLEAN, effect_sd=3.0, keen=0.15),
}
