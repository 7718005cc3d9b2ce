"""The look log: how often the records of a declared question have been looked at.

It stands beside the question sheet (`question.looks.json` for `question.toml`) and holds, for each look, the day and
keyed fingerprints: of the export, of the question's readings together, and the smallest 64 of their single ones. The
key is this computer's own (`.session-outcomes/look-log.key` in the home folder): without it nobody can tell from the
log which client or reading it speaks of, not even by trying all there could be.

The same readings again are not a new look, whatever file they come in. An export that shares no readings with those
looked at before (another clinic, another year) is not a look at the same records. What was logged under another key,
on another computer, cannot be compared and counts as a look at the same records.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
import json
import os
import secrets
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from toolkit.claim.question import Question
from toolkit.errors import QuestionError, ToolkitError
from toolkit.records.account import Records
from toolkit.writing import rewrite_own, write_file

FORMAT = "looks/2"
SKETCH = 64
OVERLAP = 0.2
HOME = "SESSION_OUTCOMES_HOME"
"""The environment variable that names another folder than the home folder's `.session-outcomes`."""
_FIELDS = {"day", "key", "export", "readings", "sketch"}


def log_path(sheet: Path) -> Path:
    """Where the look log of a question sheet stands."""
    return sheet.with_name(f"{sheet.stem}.looks.json")


def look_of(question: Question, records: Records) -> int:
    """Which look at these records this is; a look from a sheet is written to its log.

    A question given as a mapping has no log: its `looks_made` counts.

    Raises
    ------
    QuestionError
        The log beside the sheet is damaged or cannot be written; nothing is judged then, for the look would go
        uncounted.
    """
    if question.sheet is None:
        return question.looks_made + 1
    looks = _read(question.sheet)
    mine = _entry(records, question, _key())
    same = [look for look in looks if _same_records(look, mine)]
    for place, look in enumerate(same, start=1):
        if look["key"] == mine["key"] and mine["key"] and _same_look(look, mine):
            return question.looks_made + place
    _write(question.sheet, [*looks, mine])
    return question.looks_made + len(same) + 1


def _entry(records: Records, question: Question, key: bytes) -> dict[str, Any]:
    """This look, as it is logged; without a key it says nothing but the day."""
    day = datetime.now(UTC).date().isoformat()
    if not key:
        return {"day": day, "key": "", "export": "", "readings": "", "sketch": []}
    prints = _prints(records.rows, question, key)
    return {
        "day": day,
        "key": _keyed(key, "key", b""),
        "export": _keyed(key, "export", records.source.sha256.encode()),
        "readings": _keyed(key, "readings", prints.tobytes()),
        "sketch": [int(one) for one in prints[:SKETCH]],
    }


def _prints(rows: pd.DataFrame, question: Question, key: bytes) -> np.ndarray:
    """Keyed fingerprints (SipHash, Aumasson & Bernstein 2012) of the question's readings, each once, sorted.

    A reading is a client's session, measured side and first reading.
    """
    mine = rows.loc[rows["measure"] == question.measure, ["client", "session_id", "measured_side", "before"]]
    code, distinct = pd.factorize(mine["before"].to_numpy(dtype=float, na_value=np.nan))
    readings = pd.array([*map("{:.6g}".format, distinct), "nan"], dtype="str").take(code)
    who, session, side = (mine[name].astype("str") for name in ("client", "session_id", "measured_side"))
    said = who + "|" + session + "|" + side + "|" + pd.Series(readings, index=mine.index)
    secret = base64.b64encode(hmac.new(key, b"sketch", hashlib.sha256).digest())[:16].decode("ascii")
    return np.unique(pd.util.hash_array(said.to_numpy(dtype=object), hash_key=secret, categorize=False))


def _keyed(key: bytes, what: str, content: bytes) -> str:
    return hmac.new(key, what.encode() + b"\0" + content, hashlib.sha256).hexdigest()[:32]


def _same_look(one: Mapping[str, Any], other: Mapping[str, Any]) -> bool:
    return bool(one["export"] == other["export"] or one["readings"] == other["readings"])


def _same_records(logged: Mapping[str, Any], mine: Mapping[str, Any]) -> bool:
    """Whether a logged look was at these records; what cannot be compared counts as such."""
    if not mine["key"] or logged["key"] != mine["key"]:
        return True
    one, other = set(logged["sketch"]), set(mine["sketch"])
    if not one or not other:
        return bool(logged["export"] == mine["export"])
    return len(one & other) / min(len(one), len(other)) >= OVERLAP


def _key() -> bytes:
    """This computer's key, made at the first look; none where the home folder cannot be written."""
    folder = Path(os.environ.get(HOME) or Path.home() / ".session-outcomes")
    place = folder / "look-log.key"
    try:
        if not place.exists():
            folder.mkdir(mode=0o700, parents=True, exist_ok=True)
            write_file(place, _make_key, noted=False)
        key = bytes.fromhex(place.read_text(encoding="ascii").strip())
    except (OSError, ValueError, RuntimeError, ToolkitError):
        return b""
    return key if len(key) >= 32 else b""


def _make_key(fresh: Path) -> None:
    """Write 32 random bytes, readable by their owner only."""
    handle = os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(handle, "w", encoding="ascii") as file:
        file.write(secrets.token_hex(32) + "\n")


def _read(sheet: Path) -> list[dict[str, Any]]:
    path = log_path(sheet)
    if not path.exists():
        return []
    try:
        held = json.loads(path.read_text(encoding="utf-8"))
        looks = held["looks"]
        if held["format"] != FORMAT or not all(set(look) >= _FIELDS for look in looks):
            raise KeyError("format")
    except (OSError, ValueError, KeyError, TypeError, RecursionError) as problem:
        raise QuestionError(
            f"The look log {path.name} beside the question sheet is damaged. Put back the copy you kept; if there is "
            "none, write a new question sheet and judge it on sessions from today on."
        ) from problem
    return list(looks)


def _write(sheet: Path, looks: list[dict[str, Any]]) -> None:
    """Write the log beside the sheet, whole or not at all."""
    try:
        rewrite_own(log_path(sheet), json.dumps({"format": FORMAT, "looks": looks}, indent=1) + "\n")
    except OSError as problem:
        raise QuestionError(
            f"The look log {log_path(sheet).name} cannot be written ({problem.strerror}), so that this look would go "
            "uncounted. Nothing was judged; the log is as it was. Free some space, or copy the question sheet and its "
            "log into a folder that you may write to."
        ) from problem
