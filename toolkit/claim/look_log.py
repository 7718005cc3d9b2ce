"""The look log: how often the records of a declared question have been looked at.

It stands beside the question sheet (`question.looks.json` for `question.toml`) and holds, for each look, the day, the
export's hash and a sketch of its readings: the smallest 64 of their hashes, from which nothing can be read back. The
same export again is not a new look. An export that shares no readings with those looked at before (another clinic,
another year) is not a look at the same records either.
"""

from __future__ import annotations

import hashlib
import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from toolkit.claim.question import Question
from toolkit.errors import QuestionError
from toolkit.records.account import Records

FORMAT = "looks/1"
SKETCH = 64
OVERLAP = 0.2


def log_path(sheet: Path) -> Path:
    """Where the look log of a question sheet stands."""
    return sheet.with_name(f"{sheet.stem}.looks.json")


def look_of(question: Question, records: Records) -> int:
    """Which look at these records this is; a look from a sheet is written to its log.

    A question given as a mapping has no log: its `looks_made` counts.

    Raises:
        QuestionError: the log beside the sheet is damaged.
    """
    if question.sheet is None:
        return question.looks_made + 1
    looks = _read(question.sheet)
    mine = _sketch(records.rows, question)
    same = [look for look in looks if _overlap(mine, set(look["sketch"])) >= OVERLAP]
    for place, look in enumerate(same, start=1):
        if look["sha256"] == records.source.sha256:
            return question.looks_made + place
    entry = {
        "day": datetime.now(UTC).date().isoformat(),
        "sha256": records.source.sha256,
        "sketch": sorted(mine),
    }
    _write(question.sheet, [*looks, entry])
    return question.looks_made + len(same) + 1


def _sketch(rows: pd.DataFrame, question: Question) -> set[int]:
    """The smallest 64 hashes of the question's readings: client, session, side and first reading."""
    mine = rows[rows["measure"] == question.measure]
    keys = mine[["client", "session_id", "measured_side"]].astype(str).agg("|".join, axis=1)
    hashes = pd.util.hash_pandas_object(keys + "|" + mine["before"].map("{:.6g}".format), index=False).to_numpy()
    salted = np.array(
        [
            int.from_bytes(hashlib.blake2b(int(h).to_bytes(8, "little"), digest_size=6).digest())
            for h in np.sort(np.unique(hashes))[: 4 * SKETCH]
        ],
        dtype=np.int64,
    )
    return {int(h) for h in np.sort(salted)[:SKETCH]}


def _overlap(one: set[int], other: set[int]) -> float:
    """Share of the smaller sketch's values that a common bottom sketch of both holds."""
    if not one or not other:
        return 0.0
    return len(one & other) / min(len(one), len(other))


def _read(sheet: Path) -> list[dict[str, Any]]:
    path = log_path(sheet)
    if not path.exists():
        return []
    try:
        held = json.loads(path.read_text(encoding="utf-8"))
        looks = held["looks"]
        if held["format"] != FORMAT or not all({"sha256", "sketch"} <= set(look) for look in looks):
            raise KeyError("format")
    except (OSError, ValueError, KeyError, TypeError) as problem:
        raise QuestionError(
            f"The look log {path.name} beside the question sheet is damaged. Put back the copy you kept; if there is "
            "none, write a new question sheet and judge it on sessions from today on."
        ) from problem
    return list(looks)


def _write(sheet: Path, looks: list[dict[str, Any]]) -> None:
    """Write the log beside the sheet; where the folder cannot be written the look goes uncounted."""
    try:
        log_path(sheet).write_text(json.dumps({"format": FORMAT, "looks": looks}, indent=1) + "\n", encoding="utf-8")
    except OSError:
        return
