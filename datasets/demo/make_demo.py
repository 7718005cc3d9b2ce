"""Make the demo clinic: a year of sessions in a studio that does not exist, with the truth beside it.

    python datasets/demo/make_demo.py

writes sessions.csv (wide layout), sessions_own_words.xlsx (one row a session, in a practitioner's own words),
truth.json and the question sheets. Everything is simulated from one seed; nothing stands for any real clinic, person
or device.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

HERE = Path(__file__).resolve().parent
SEED = 20260105
N_CLIENTS = 150
FIRST_DAY = pd.Timestamp("2022-09-01")
COIN_FROM = pd.Timestamp("2023-03-01")


@dataclass(frozen=True)
class Focus:
    """What a client comes for: a region, the measure that it limits, and how that reads."""

    region: str
    measure: str
    header: str
    opposite: bool
    level: float
    between_sd: float
    sem: float
    share: float


NECK = Focus("upper_trapezius", "cervical_lateral_flexion", "Neck side-bend", True, 36.0, 5.0, 2.2, 0.48)
ANKLE = Focus("soleus", "ankle_dorsiflexion_lunge", "Ankle lunge", False, 37.0, 5.0, 1.6, 0.45)
LEG = Focus("hamstrings", "straight_leg_raise", "Leg raise", False, 68.0, 9.0, 3.0, 0.07)
FOCI = (NECK, ANKLE, LEG)
EFFECT = {("soleus", "percussive_release"): 4.0, ("soleus", "manual_release"): 1.5}
EFFECT_SD = 1.0
WARM_UP, WAIT_RISE = 0.7, 0.5
INTERVENTIONS = ("percussive_release", "manual_release", "stretching")


def make_clients(rng: np.random.Generator) -> pd.DataFrame:
    """Clients with their focus, practitioner, first day, true levels of both sides and own effect."""
    focus = rng.choice(len(FOCI), N_CLIENTS, p=[f.share for f in FOCI])
    level = np.array([[FOCI[f].level, FOCI[f].level] for f in focus])
    spread = np.array([FOCI[f].between_sd for f in focus])
    person = rng.normal(0, 1, N_CLIENTS) * spread * 0.8
    sides = rng.normal(0, 1, (N_CLIENTS, 2)) * spread[:, None] * 0.6
    return pd.DataFrame(
        {
            "client": [f"K{k:03d}" for k in rng.permutation(np.arange(101, 101 + N_CLIENTS))],
            "focus": focus,
            "practitioner": rng.choice(["P1", "P2", "P3", "P4"], N_CLIENTS, p=[0.4, 0.3, 0.2, 0.1]),
            "first_day": rng.integers(0, 260, N_CLIENTS),
            "left": level[:, 0] + person + sides[:, 0],
            "right": level[:, 1] + person + sides[:, 1],
            "own_effect": rng.normal(0, EFFECT_SD, N_CLIENTS),
            "pain": np.clip(rng.normal(4.5, 1.5, N_CLIENTS), 0.5, 9.0),
            "keen": rng.normal(0, 0.4, N_CLIENTS),
        }
    )


def visit_days(first: int, keen: float, rng: np.random.Generator) -> list[int]:
    """Days of one client's visits: about weekly, most for a season, the keen longer."""
    n = 1 + rng.poisson(12.5 * np.exp(keen))
    days = first + np.cumsum(np.r_[0, rng.integers(6, 15, n - 1)])
    return [int(d) for d in days if d < 365]


def what_is_done(focus: Focus, coin: bool, rng: np.random.Generator) -> str:
    """The intervention of one session; some early sessions only measure."""
    if not coin and rng.random() < 0.12:
        return "measured_only"
    if focus is LEG:
        return "stretching" if rng.random() < 0.25 else "manual_release"
    shares = [0.2, 0.65, 0.15] if focus is NECK else [0.65, 0.25, 0.1]
    return str(rng.choice(INTERVENTIONS, p=shares))


def one_session(person: pd.Series, day: int, visit: int, rng: np.random.Generator) -> list[dict[str, object]]:
    """The rows of one session: both sides of the focus' measure, pain, and the squat sign for ankles."""
    focus = FOCI[int(person["focus"])]
    date = FIRST_DAY + pd.Timedelta(days=day)
    coin = date >= COIN_FROM
    intervention = what_is_done(focus, coin, rng)
    true = {side: person[side] + 0.03 * day / 7 + rng.normal(0, 0.35 * focus.between_sd) for side in ("left", "right")}
    before = {side: read(true[side], focus.sem, rng) for side in true}
    restricted = min(before, key=lambda side: before[side])
    treated = {"left": "right", "right": "left"}[restricted] if focus.opposite else restricted
    both_regions = focus is NECK and intervention != "measured_only" and rng.random() < 0.08
    order = str(rng.choice(["technique_first", "wait_first"])) if coin and intervention != "measured_only" else ""
    blinded = "yes" if rng.random() < (0.85 if coin else 0.0) else "no"
    shared = {
        "session_id": f"{person['client']}-{visit:02d}",
        "client": person["client"],
        "practitioner": person["practitioner"],
        "date": date.strftime("%Y-%m-%d"),
        "region": "levator_scapulae + upper_trapezius" if both_regions else focus.region,
        "treated_side": treated if intervention != "measured_only" else "none",
        "intervention": intervention,
        "position": "side-lying" if focus is NECK else "prone",
        "tissue_length": str(rng.choice(["lengthened", "slackened", "neutral"])).replace("slackened", "shortened"),
        "head": str(rng.choice(["large", "small"])) if intervention == "percussive_release" else "",
        "minutes": int(rng.integers(4, 11)) if intervention != "measured_only" else "",
        "order": order,
        "examiner": person["practitioner"] if blinded == "no" else "P5",
        "examiner_blinded": blinded,
        "comfort": int(np.clip(round(rng.normal(7.5, 1.2)), 0, 10)) if intervention != "measured_only" else "",
        "adverse_event": "sore the day after" if rng.random() < 0.01 else "none",
    }
    gain = EFFECT.get((focus.region, intervention), 0.0)
    gain = gain + person["own_effect"] if gain else 0.0
    rows = []
    for side in ("left", "right"):
        worked = side == restricted and intervention != "measured_only"
        lean = 0.5 if worked and blinded == "no" else 0.0
        phases = phases_of(true[side], before[side], gain if worked else 0.0, lean, focus.sem, order, rng)
        phases = leave_empty(phases, coin, worked, rng)
        rows.append({**shared, "measure": focus.measure, "measured_side": side, "unit": "deg", **phases})
    rows.append(
        {
            **shared,
            "measure": "pain_rating",
            "measured_side": "none",
            "unit": "points",
            **pain_of(float(person["pain"]), order, rng),
        }
    )
    if focus is ANKLE:
        rows.append(
            {
                **shared,
                "measure": "heel_lift_in_squat",
                "measured_side": restricted,
                "unit": "yes_no",
                **sign_of(true[restricted], gain, order, rng),
            }
        )
    return rows


def read(true: float, sem: float, rng: np.random.Generator) -> float:
    """One reading, rounded to whole degrees as most people write them."""
    return float(np.round(true + rng.normal(0, sem)))


def phases_of(
    true: float, before: float, gain: float, lean: float, sem: float, order: str, rng: np.random.Generator
) -> dict[str, float]:
    """before, before_2, after_wait, after of one side."""
    loose = true + 2 * WARM_UP + WAIT_RISE
    phases = {"before": before, "before_2": read(true + WARM_UP, sem, rng), "after_wait": np.nan}
    if order == "wait_first":
        phases["after_wait"] = read(loose, sem, rng)
        phases["after"] = read(loose + WARM_UP + WAIT_RISE + gain + lean, sem, rng)
    else:
        phases["after"] = read(loose + gain + lean, sem, rng)
    return phases


def leave_empty(phases: dict[str, float], coin: bool, worked: bool, rng: np.random.Generator) -> dict[str, float]:
    """Unmoved sides are not always written down."""
    share = (0.12 if coin else 0.45) * (1.0 if worked else 0.3)
    for phase in ("after_wait", "after"):
        if not np.isnan(phases[phase]) and phases[phase] - phases["before"] < 2 and rng.random() < share:
            phases[phase] = np.nan
    return phases


def pain_of(level: float, order: str, rng: np.random.Generator) -> dict[str, float]:
    """Pain drifts down a little while people rest, whatever is done."""

    def point(value: float) -> float:
        return float(np.clip(np.round(value + rng.normal(0, 0.8)), 0, 10))

    phases = {"before": point(level), "before_2": point(level - 0.2), "after_wait": np.nan, "after": point(level - 0.6)}
    if order == "wait_first":
        phases["after_wait"] = point(level - 0.5)
    return phases


def sign_of(true: float, gain: float, order: str, rng: np.random.Generator) -> dict[str, object]:
    """Whether the heel lifts in a squat: more often where the ankle is stiff."""

    def seen(value: float) -> str:
        return "yes" if rng.random() < 1 / (1 + np.exp((value - 37) / 2.5)) else "no"

    phases = {"before": seen(true), "before_2": seen(true), "after_wait": "", "after": seen(true + gain)}
    if order == "wait_first":
        phases["after_wait"] = seen(true)
    return phases


def make_year(rng: np.random.Generator) -> pd.DataFrame:
    """Every session of the year, by date."""
    rows: list[dict[str, object]] = []
    for _, person in make_clients(rng).iterrows():
        for visit, day in enumerate(visit_days(int(person["first_day"]), float(person["keen"]), rng), start=1):
            rows += one_session(person, day, visit, rng)
    return pd.DataFrame(rows).sort_values(["date", "session_id"], kind="stable", ignore_index=True)


def with_bad_rows(year: pd.DataFrame) -> pd.DataFrame:
    """The same with what real sheets hold: a typing slip, a code for missing, a row twice, a day that cannot be."""
    out = year.astype(object).where(year.notna(), "")
    for name in ("before", "before_2", "after_wait", "after"):
        out[name] = [f"{v:g}" if isinstance(v, float) else v for v in out[name]]
    degrees = out.index[(out["unit"] == "deg") & (out["after"] != "")]
    out.loc[degrees[10], "after"] = "3,8"
    out.loc[degrees[40], "after"] = "340"
    out.loc[degrees[200], "before"] = "forgot"
    out.loc[degrees[320], "before"] = "-999"
    out.loc[degrees[500], "date"] = "2999-01-01"
    out.loc[degrees[700], "after"] = "12–14"
    out.loc[degrees[900], "measure"] = "wobble"
    out.loc[degrees[950], "client"] = f"{out.loc[degrees[950], 'client']} "
    return pd.concat([out, out.loc[[degrees[1200], degrees[1201]]]], ignore_index=True)


OWN_WORDS = {
    "upper_trapezius": "upper trap",
    "levator_scapulae + upper_trapezius": "upper trap + levator scap",
    "soleus": "soleus",
    "hamstrings": "hamstrings",
    "percussive_release": "percussion",
    "manual_release": "hands",
    "stretching": "stretch",
    "measured_only": "only measured",
    "technique_first": "technique first",
    "wait_first": "wait first",
    "left": "L",
    "right": "R",
    "none": "-",
}
PHASE_WORDS = {"before": "pre", "before_2": "pre 2", "after_wait": "after wait", "after": "post"}


def own_words(year: pd.DataFrame) -> pd.DataFrame:
    """One row a session, a column for each measure, side and phase, in a practitioner's own words."""
    first = year.drop_duplicates("session_id").set_index("session_id")
    out = pd.DataFrame(
        {
            "Visit": first.index,
            "Visit date": pd.to_datetime(first["date"]).dt.date,
            "Client code": first["client"],
            "Therapist": first["practitioner"],
            "Area worked": first["region"].map(OWN_WORDS),
            "Side worked": first["treated_side"].map(OWN_WORDS),
            "What I did": first["intervention"].map(OWN_WORDS),
            "Order": first["order"].map(OWN_WORDS).fillna(""),
            "Who re-measured": first["examiner"],
            "Re-measured blind": first["examiner_blinded"],
        },
        index=first.index,
    )
    for focus in FOCI:
        for side, letter in (("left", "L"), ("right", "R")):
            mine = year[(year["measure"] == focus.measure) & (year["measured_side"] == side)].set_index("session_id")
            for phase, word in PHASE_WORDS.items():
                out[f"{focus.header} {letter} {word}"] = mine[phase]
    pain = year[year["measure"] == "pain_rating"].set_index("session_id")
    for phase, word in PHASE_WORDS.items():
        out[f"Pain {word}"] = pain[phase]
    return out.reset_index(drop=True)


TRUTH = {
    "scenario": "A studio that does not exist: 150 clients, 4 practitioners, September 2022 to August 2023, simulated.",
    "seed": SEED,
    "answers": [
        {
            "question": "percussive_release.toml",
            "measure": "ankle_dorsiflexion_lunge",
            "region": "soleus",
            "intervention": "percussive_release",
            "true_effect_deg": 4.0,
            "true_effect_sd_between_clients_deg": EFFECT_SD,
            "in_words": "It truly works: 4 degrees more than waiting, on average over clients.",
            "levels_that_are_right": ["moved_enough", "moved"],
        },
        {
            "question": "manual_release.toml",
            "measure": "cervical_lateral_flexion",
            "region": "upper_trapezius",
            "intervention": "manual_release",
            "true_effect_deg": 0.0,
            "in_words": "It does nothing; readings rise because restricted days drift back, and measuring loosens.",
            "levels_that_are_right": ["no_better_than_waiting"],
        },
        {
            "question": "stretching.toml",
            "measure": "straight_leg_raise",
            "region": "hamstrings",
            "intervention": "stretching",
            "true_effect_deg": 0.0,
            "in_words": "Too thin to judge: few clients came for it, and fewer had the order drawn.",
            "levels_that_are_right": ["not_enough", "readings_changed"],
        },
    ],
    "rivals_at_work": {
        "selection": "the side that reads more restricted today is the one that is worked on",
        "warm_up_deg_per_reading": WARM_UP,
        "rise_over_a_wait_deg": WAIT_RISE,
        "unmoved_sides_left_empty": "45 % before 1 March 2023, 12 % after",
        "lean_of_a_reader_who_knows_deg": 0.5,
        "course_deg_per_week": 0.03,
    },
}


def question_text(answer: dict[str, object], smallest: float) -> str:
    """One question sheet."""
    return (
        'format = "question/1"\n'
        f'measure = "{answer["measure"]}"\n'
        f'region = "{answer["region"]}"\n'
        f'intervention = "{answer["intervention"]}"\n'
        'comparison = "wait"\n'
        f"smallest_change_that_matters = {smallest}\n"
        'unit = "deg"\n'
        'source = "own judgement: less than this is not seen in how a client moves"\n'
        "alpha = 0.05\n"
        "looks_planned = 1\n"
        "declared_on = 2023-02-28\n"
    )


def main() -> None:
    """Write all files of the demo."""
    year = make_year(np.random.default_rng(SEED))
    with_bad_rows(year).to_csv(HERE / "sessions.csv", index=False)
    own_words(year).to_excel(HERE / "sessions_own_words.xlsx", index=False)
    (HERE / "truth.json").write_text(json.dumps(TRUTH, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")
    for answer, smallest in zip(TRUTH["answers"], (3.0, 3.0, 4.0), strict=True):
        (HERE / "questions" / str(answer["question"])).write_text(question_text(answer, smallest), encoding="utf-8")
    print(f"{year['session_id'].nunique()} sessions, {len(year)} rows, {year['client'].nunique()} clients")


if __name__ == "__main__":
    main()
