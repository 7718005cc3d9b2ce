"""Keyed pseudonyms: the same key gives the same pseudonym next year, and nobody without the key can go back.

HMAC-SHA256 (RFC 2104, FIPS 198-1). The key lives in a file of its own, never beside the data.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
import os
import re
import secrets
import unicodedata
from collections.abc import Iterable
from pathlib import Path

from toolkit.errors import SheetError
from toolkit.records.raw_table import clean_text

KEY_BYTES = 32
_LENGTH = 12


def pseudonym(text: str, *, key: bytes, role: str) -> str:
    """The pseudonym of a person or place; "" stays "".

    Spellings that differ only in case, spaces or invisible signs are one person.

    Args:
        text: what stands in the cell.
        key: at least 32 bytes.
        role: what the text is ("client", "person", "site"); its first letter begins the pseudonym, and the same text
            in two roles gets two pseudonyms.

    Raises:
        SheetError: the key is too short.

    Example:
        >>> key = bytes(32)
        >>> pseudonym("Anna  Berg ", key=key, role="client") == pseudonym("anna berg", key=key, role="client")
        True
    """
    if len(key) < KEY_BYTES:
        raise SheetError(f"The key has {len(key)} bytes; it needs at least {KEY_BYTES}. Let the toolkit make one.")
    same = unicodedata.normalize("NFKC", clean_text(text)).casefold()
    if not same:
        return ""
    digest = hmac.new(key, f"{role}\0{same}".encode(), hashlib.sha256).digest()
    return f"{role[0].upper()}-{base64.b32encode(digest).decode('ascii')[:_LENGTH].lower()}"


def key_from(path: str | Path, *, away_from: Iterable[str | Path]) -> bytes:
    """The key in a file; made, readable by its owner only, where the file does not exist yet.

    Args:
        path: the key's file.
        away_from: files of data; the key may not lie in their folders or anywhere below.

    Raises:
        SheetError: the key would lie beside the data, is readable by others, or is no key.
    """
    place = Path(path).resolve()
    for data in away_from:
        folder = Path(data).resolve().parent
        if place == Path(data).resolve() or place.parent == folder or folder in place.parents:
            raise SheetError(
                f"The key {place.name} would lie beside the data. Whoever has both can tell who is who: keep the key "
                "in another folder, best on another medium, and back it up there."
            )
    if place.exists():
        return _read_key(place)
    if not place.parent.is_dir():
        raise SheetError(f"The key {place.name} has no folder {place.parent}. Make the folder first.")
    return _new_key(place)


def _new_key(place: Path) -> bytes:
    """Write a fresh random key, readable and writable by its owner only."""
    key = secrets.token_bytes(KEY_BYTES)
    try:
        handle = os.open(place, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(handle, "w", encoding="ascii") as file:
            file.write(key.hex() + "\n")
    except OSError as fault:
        raise SheetError(
            f"The key {place.name} cannot be written ({fault.strerror}). Choose a folder that you may write to."
        ) from None
    return key


def _read_key(place: Path) -> bytes:
    """The key in a file that exists."""
    try:
        text = place.read_text(encoding="ascii").strip()
        open_to_others = os.name == "posix" and bool(place.stat().st_mode & 0o077)
    except (OSError, UnicodeDecodeError):
        raise SheetError(f"The key {place.name} cannot be read. Name the key file that the toolkit made.") from None
    if not re.fullmatch(r"(?:[0-9a-fA-F]{2}){32,}", text):
        raise SheetError(
            f"{place.name} holds no key of the toolkit ({2 * KEY_BYTES} signs 0-9, a-f). "
            "Name the right file, or a new one."
        )
    if open_to_others:
        raise SheetError(
            f"Other users of this computer can read the key {place.name}. Close it to them first (chmod 600)."
        )
    return bytes.fromhex(text)
