"""A small replication sheet to spoil in one place at a time."""

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).resolve().parent))  # for analysis_functions, whatever import mode pytest runs in

SHEET = """\
format = "replication/1"
title = "Bending forward"
design = "paired trial"
citation = "Made up for a test"

[data]
file = "data.csv"

[columns]
before = "first"
after = "second"

[[figure]]
name = "t"
printed = "3.87"
where = "p. 1"
read = "read"
method = "paired_t"
take = "t"
"""

DATA = "person,first,second,age\n1,10,12,30\n2,11,12,\n3,12,15,50\n4,13,14,60\n5,9,12,70\n"


@pytest.fixture
def write_sheet(tmp_path: Path):
    """Write the small sheet with some words replaced; returns its path."""

    def write(*changes: tuple[str, str], more: str = "", data: str = DATA) -> Path:
        text = SHEET
        for old, new in changes:
            if old not in text:
                raise AssertionError(f"the small sheet does not hold {old!r}")
            text = text.replace(old, new)
        (tmp_path / "data.csv").write_text(data, encoding="utf-8")
        path = tmp_path / "replication.toml"
        path.write_text(text + more, encoding="utf-8")
        return path

    return write
