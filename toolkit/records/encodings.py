"""From bytes to text: which encoding a file of records is in, and words by which a reader can check that.

Order: a byte order mark, then strict UTF-8, then UTF-16 by its zero bytes, then Windows-1252. Statistical guessing is
not used: it mistakes one Western encoding for another. A sample of the words outside ASCII is shown instead.
"""

from __future__ import annotations

import codecs
import re
from dataclasses import dataclass

from toolkit.errors import ExportError

_MARKS = ((codecs.BOM_UTF8, "utf-8-sig"), (codecs.BOM_UTF16_LE, "utf-16-le"), (codecs.BOM_UTF16_BE, "utf-16-be"))
_NAMES = {
    "utf-8": "UTF-8",
    "utf-8-sig": "UTF-8 with byte order mark",
    "utf-16-le": "UTF-16 (little endian)",
    "utf-16-be": "UTF-16 (big endian)",
    "cp1252": "Windows-1252",
}
_WORD = re.compile(r"(?:\w|[^\x00-\x7f])+")
_LOOK = 4_000_000


@dataclass(frozen=True, kw_only=True)
class Decoded:
    """A file's text as UTF-8 bytes, the encoding it came in, and a few of its words outside ASCII."""

    utf8: bytes
    encoding: str
    sample: tuple[str, ...] = ()


def decode(data: bytes, *, file: str) -> Decoded:
    """Decode a text file's bytes, naming the encoding; refuse what is not text.

    Args:
        data: the file as it stands on disk.
        file: its name, for messages.

    Raises:
        ExportError: zero bytes inside a text, bytes that no encoding explains, or two encodings in one file.

    Example:
        >>> decode("Höhe;3,5".encode("cp1252"), file="a.csv").encoding
        'Windows-1252'
    """
    name = _encoding(data)
    utf8 = _as_utf8(data, name, file=file)
    if b"\x00" in utf8[:_LOOK] or b"\x00" in utf8:
        line = utf8[: utf8.index(b"\x00")].count(b"\n") + 1
        raise ExportError(
            f"{file}, line {line}: a zero byte was found where text was expected. The file was damaged or is not a "
            "text file; export it again as CSV or XLSX."
        )
    sample = () if utf8.isascii() else _sample(utf8)
    return Decoded(utf8=utf8, encoding=_NAMES[name], sample=sample)


def _encoding(data: bytes) -> str:
    """The codec's name for these bytes."""
    for mark, name in _MARKS:
        if data.startswith(mark):
            return name
    head = data[:_LOOK]
    if len(head) > 3 and (zeros := head.count(0)) > len(head) // 5:
        return "utf-16-le" if head[1::2].count(0) > zeros // 2 else "utf-16-be"
    return "utf-8" if data.isascii() or _is_utf8(data) else "cp1252"


def _is_utf8(data: bytes) -> bool:
    """True where all bytes are UTF-8; decoded in parts, so that no second copy of a large file is held."""
    reader, held = codecs.getincrementaldecoder("utf-8")(), memoryview(data)
    try:
        for start in range(0, len(data), _LOOK):
            reader.decode(held[start : start + _LOOK])
        reader.decode(b"", final=True)
    except UnicodeDecodeError:
        return False
    return True


def _as_utf8(data: bytes, name: str, *, file: str) -> bytes:
    """The text re-encoded as UTF-8 without a mark."""
    if name == "utf-8":
        return data
    if name == "utf-8-sig":
        body = data[3:]
        try:
            body.decode("utf-8")
        except UnicodeDecodeError as fault:
            raise _mixed(file, body, fault.start) from None
        return body
    if name == "cp1252":
        _refuse_mixture(data, file=file)
    try:
        text = data.decode(name)
    except UnicodeDecodeError as fault:
        line = data[: fault.start].count(b"\n") + 1
        raise ExportError(
            f"{file}, line {line}: byte 0x{data[fault.start]:02x} is text in neither UTF-8 nor {_NAMES[name]}. "
            "Save the file again as CSV UTF-8."
        ) from None
    return text.removeprefix("\ufeff").encode("utf-8")


def _refuse_mixture(data: bytes, *, file: str) -> None:
    """Refuse a file that holds UTF-8 sequences on some lines and Windows-1252 bytes on others."""
    if _is_mixture(data):
        for line in data.split(b"\n"):
            try:
                line.decode("utf-8")
            except UnicodeDecodeError as fault:
                raise _mixed(file, data, data.index(line) + fault.start) from None


def _is_mixture(data: bytes) -> bool:
    """True when some line is good UTF-8 outside ASCII although another line is not UTF-8 at all."""
    for line in data.split(b"\n"):
        if line.isascii():
            continue
        try:
            line.decode("utf-8")
        except UnicodeDecodeError:
            continue
        return True
    return False


def _mixed(file: str, data: bytes, at: int) -> ExportError:
    """The error for a file in two encodings, naming the first line that breaks the rule."""
    line = data[:at].count(b"\n") + 1
    return ExportError(
        f"{file}, line {line}: byte 0x{data[at]:02x} is not UTF-8, but other lines are: two encodings are mixed in one "
        "file. Open each part with its own encoding and save the whole as CSV UTF-8."
    )


def _sample(utf8: bytes) -> tuple[str, ...]:
    """Up to five different words with a letter outside ASCII, in the order met."""
    words: dict[str, None] = {}
    head = utf8[:_LOOK]
    for line in () if head.isascii() else head.split(b"\n"):
        if line.isascii():
            continue
        for found in _WORD.finditer(line.decode("utf-8", errors="ignore")):
            if not found.group().isascii():
                words.setdefault(found.group()[:40])
            if len(words) == 5:
                return tuple(words)
    return tuple(words)
