"""Keyed pseudonyms: the same key gives the same pseudonym next year, and nobody without the key can go back.

HMAC-SHA256 (RFC 2104, FIPS 198-1). The key lives in a file of its own, never beside the data.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
import unicodedata

from toolkit.errors import SheetError
from toolkit.privacy.keys import KEY_BYTES
from toolkit.records.texts import clean_text

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
