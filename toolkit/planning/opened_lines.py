"""Which lines of a sealed schedule were opened, and when: a log beside it, so that nobody reads ahead unseen."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from toolkit.errors import SheetError
from toolkit.writing import rewrite_own

FORMAT = "opened/1"


def opened_path(schedule: Path) -> Path:
    """Where the log of opened lines stands: order.csv has order.opened.json beside it."""
    return schedule.with_name(f"{schedule.stem}.opened.json")


def opened_lines(schedule: Path) -> list[dict[str, Any]]:
    """The lines opened so far: client, session, when (ISO, UTC).

    Raises
    ------
    SheetError
        The log is damaged.
    """
    path = opened_path(schedule)
    if not path.exists():
        return []
    try:
        held = json.loads(path.read_text(encoding="utf-8"))
        if held["format"] != FORMAT:
            raise KeyError("format")
        return [
            {"client": str(one["client"]), "session": int(one["session"]), "opened": str(one["opened"])}
            for one in held["lines"]
        ]
    except (OSError, ValueError, KeyError, TypeError, RecursionError, OverflowError):
        raise SheetError(
            f"The log of opened lines, {path.name}, is damaged. Put back the copy you kept, or move it away and say so "
            "in the report."
        ) from None


def note_opened(schedule: Path, *, client: str, session: int) -> None:
    """Note that a line is opened; the sessions of a client are opened in their order.

    Raises
    ------
    SheetError
        An earlier session of the client was not opened yet, or the log cannot be written: then nothing is opened.
    """
    lines = opened_lines(schedule)
    known = {one["session"] for one in lines if one["client"] == client}
    if session in known:
        return
    if session > 1 and session - 1 not in known:
        raise SheetError(
            f"Session {session - 1} of client {client} was not opened yet. The lines are opened one after the other, "
            "each at the start of its session."
        )
    now = datetime.now(UTC).isoformat(timespec="seconds")
    text = json.dumps({"format": FORMAT, "lines": [*lines, {"client": client, "session": session, "opened": now}]})
    try:
        rewrite_own(opened_path(schedule), text + "\n")
    except OSError as fault:
        raise SheetError(
            f"Nothing was opened, as {opened_path(schedule).name} cannot be written ({fault.strerror}). Free some "
            "space, or keep the schedule in a folder that you may write to."
        ) from None
