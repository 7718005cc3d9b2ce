"""Sealing a question before looking: a line with the sheet's hash and the day, kept beside it.

The seal shows later that the sheet was not changed. It proves the day only to those who trust this computer's clock;
send the seal's line to somebody else on the same day, and it proves it to everybody.
"""

from __future__ import annotations

import hashlib
import json
import os
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from toolkit.claim.question import read_question
from toolkit.errors import QuestionError
from toolkit.writing import write_file

FORMAT = "seal/1"


@dataclass(frozen=True, kw_only=True)
class Seal:
    """A sheet's SHA-256 and when it was sealed (ISO, UTC)."""

    sha256: str
    sealed: str


def seal_path(sheet: Path) -> Path:
    """Where the seal of a question sheet stands."""
    return sheet.with_name(f"{sheet.stem}.seal.json")


def _hash(sheet: Path) -> str:
    try:
        return hashlib.sha256(sheet.read_bytes()).hexdigest()
    except OSError as problem:
        raise QuestionError(f"The question sheet {sheet.name} cannot be read: {problem.strerror}.") from problem


def seal_question(sheet: Path | str) -> Seal:
    """Check a question sheet and write its seal beside it.

    Raises:
        QuestionError: the sheet is wrong, or sealed already (a seal is never replaced).
    """
    path = Path(sheet)
    read_question(path)
    made = Seal(sha256=_hash(path), sealed=datetime.now(UTC).isoformat(timespec="seconds"))
    if os.path.lexists(seal_path(path)):
        raise QuestionError(
            f"{path.name} is sealed already. A seal is never replaced: write a new sheet under another name."
        )
    held = {"format": FORMAT, "sheet": path.name, "sha256": made.sha256, "sealed": made.sealed}
    write_file(seal_path(path), json.dumps(held, indent=1) + "\n", noted=False)
    return made


def check_seal(sheet: Path | str) -> Seal | None:
    """The seal beside a sheet, or None where there is none.

    Raises:
        QuestionError: the sheet was changed after it was sealed, or the seal is damaged.
    """
    path = Path(sheet)
    where = seal_path(path)
    if not where.exists():
        return None
    try:
        held = json.loads(where.read_text(encoding="utf-8"))
        found = Seal(sha256=str(held["sha256"]), sealed=str(held["sealed"]))
    except (OSError, ValueError, KeyError, TypeError, RecursionError) as problem:
        raise QuestionError(f"The seal {where.name} is damaged: put back the copy you kept.") from problem
    if _hash(path) != found.sha256:
        raise QuestionError(
            f"{path.name} was changed after it was sealed on {found.sealed[:10]}. Put the sealed text back, or write a "
            "new sheet under another name and judge it on sessions from then on."
        )
    return found
