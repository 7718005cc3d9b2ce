"""Small exports for the tests of records: invented rows, one fixture a layout."""

import pandas as pd
import pytest


def wide_sheet(n: int = 6) -> pd.DataFrame:
    """n good rows of the wide layout, every cell a text."""
    return pd.DataFrame(
        {
            "client": [f"K{place % 3}" for place in range(n)],
            "practitioner": "P1",
            "date": [f"2026-03-{place + 1:02d}" for place in range(n)],
            "region": "upper_trapezius",
            "treated_side": "left",
            "intervention": "percussive_release",
            "measure": "cervical_rotation",
            "measured_side": "left",
            "unit": "deg",
            "before": [str(55 + place) for place in range(n)],
            "before_2": [str(56 + place) for place in range(n)],
            "after": [str(60 + place) for place in range(n)],
        }
    ).astype("str")


def long_sheet(n: int = 4) -> pd.DataFrame:
    """The same rows in the long layout: three readings a session."""
    wide = wide_sheet(n)
    parts = []
    for column, phase, reading in (("before", "before", "1"), ("before_2", "before", "2"), ("after", "after", "1")):
        part = wide.drop(columns=["before", "before_2", "after"])
        parts.append(part.assign(phase=phase, reading=reading, value=wide[column]))
    return pd.concat(parts, ignore_index=True)


def plain_sheet() -> pd.DataFrame:
    """A practitioner's own sheet: one row a session, fourteen columns of readings, her own headers."""
    sheet = pd.DataFrame(
        {
            "Patient code": ["A7", "B2", "A7", "C9"],
            "Therapist": "MK",
            "Visit": ["05/01/2026", "13/01/2026", "20/01/2026", "02/02/2026"],
            "Area(s) treated": ["UT + levator scap", "upper traps", "UT", "splenius"],
            "Side": ["L", "R", "left", "Right"],
            "Technique": ["massage", "massage", "stretching", "my own shake"],
        }
    )
    readings = {
        "Neck side-bend L": (34, 39),
        "Neck side-bend R": (33, 35),
        "Neck rot L": (60, 66),
        "Neck rot R": (61, 63),
        "Pain": (6, 4),
        "Lunge L (cm)": (9, 10),
        "Lunge R (cm)": (8, 11),
    }
    for name, (before, after) in readings.items():
        stem, _, unit = name.partition(" (")
        tail = f" ({unit}" if unit else ""
        sheet[f"{stem} pre{tail}"] = [before, before + 1, before - 1, before]
        sheet[f"{stem} post{tail}"] = [after, after, after + 1, after - 1]
    return sheet


@pytest.fixture
def wide() -> pd.DataFrame:
    return wide_sheet()


@pytest.fixture
def long() -> pd.DataFrame:
    return long_sheet()


@pytest.fixture
def plain() -> pd.DataFrame:
    return plain_sheet()
