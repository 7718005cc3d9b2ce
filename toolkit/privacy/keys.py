"""Keys: 32 bytes from the computer's own source of chance, in a file of their own, never beside the data.

A key is made only where it is asked for: a mistyped name must not start a second key, under which nobody would be
recognised again.
"""

from __future__ import annotations

import os
import re
import secrets
from collections.abc import Iterable
from itertools import pairwise
from pathlib import Path

from toolkit.errors import SheetError
from toolkit.writing import write_file

KEY_BYTES = 32
_LARGEST = 10_000
_FEWEST_DIFFERENT = 18
"""Different bytes among 32: a key drawn by chance has fewer once in 10^13 keys (occupancy of 256 cells by 32 balls)."""


def key_from(path: str | Path, *, away_from: Iterable[str | Path], new: bool = False) -> bytes:
    """The key in a file.

    Parameters
    ----------
    path : str or Path
        The key's file.
    away_from : paths
        Files of data; the key may not lie in their folders or anywhere below.
    new : bool
        Make the file, readable by its owner only; it must not be there yet.

    Raises
    ------
    SheetError
        There is no such key, or one already where a new one is asked for; it would lie beside the data, is readable
        by others, is weak, or is no key.
    """
    place = Path(path).resolve()
    for data in away_from:
        folder = Path(data).resolve().parent
        if place == Path(data).resolve() or place.parent == folder or folder in place.parents:
            raise SheetError(
                f"The key {place.name} would lie beside the data. Whoever has both can tell who is who: keep the key "
                "in another folder, best on another medium, and back it up there."
            )
    if new:
        return _new_key(place)
    if not place.exists():
        raise SheetError(
            f"There is no key {place.name}. Check its name and folder: under another key nobody is recognised again. "
            "For a first key say --new-key (new_key=True)."
        )
    return _read_key(place)


def check_key(key: bytes) -> bytes:
    """The key, refused where it is short or was not drawn by chance.

    Raises
    ------
    SheetError
        With what to do.
    """
    if not isinstance(key, bytes) or len(key) < KEY_BYTES:
        raise SheetError(f"The key has {len(key)} bytes; it needs at least {KEY_BYTES}. Let the toolkit make one.")
    steps = {(after - before) % 256 for before, after in pairwise(key)}
    typed = all(32 <= one < 127 for one in key)
    if len(set(key)) < _FEWEST_DIFFERENT or len(steps) < _FEWEST_DIFFERENT or typed:
        raise SheetError("The key is weak: it was not drawn by chance. Let the toolkit make one (--new-key).")
    return key


def _new_key(place: Path) -> bytes:
    """Write a fresh random key, readable and writable by its owner only."""
    if os.path.lexists(place):
        raise SheetError(f"The key {place.name} is there already; a key is never replaced. Leave --new-key out.")
    if not place.parent.is_dir():
        raise SheetError(f"The key {place.name} has no folder {place.parent}. Make the folder first.")
    key = secrets.token_bytes(KEY_BYTES)

    def make(fresh: Path) -> None:
        handle = os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(handle, "w", encoding="ascii") as file:
            file.write(key.hex() + "\n")

    write_file(place, make, noted=False)
    return key


def _read_key(place: Path) -> bytes:
    """The key in a file that exists."""
    try:
        if not place.is_file() or place.stat().st_size > _LARGEST:
            raise OSError
        text = place.read_text(encoding="ascii").strip()
        open_to_others = os.name == "posix" and bool(place.stat().st_mode & 0o077)
    except (OSError, UnicodeDecodeError):
        raise SheetError(f"The key {place.name} cannot be read. Name the key file that the toolkit made.") from None
    if not re.fullmatch(r"(?:[0-9a-fA-F]{2}){32,}", text):
        raise SheetError(
            f"{place.name} holds no key of the toolkit ({2 * KEY_BYTES} signs 0-9, a-f). Name the right file, or "
            "another name with --new-key."
        )
    if open_to_others:
        raise SheetError(
            f"Other users of this computer can read the key {place.name}. Close it to them first (chmod 600)."
        )
    return check_key(bytes.fromhex(text))
