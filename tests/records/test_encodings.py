"""From bytes to text."""

import codecs

import pytest
from hypothesis import given
from hypothesis import strategies as st

from toolkit.errors import ExportError
from toolkit.records.encodings import decode

WORDS = "Größe;Höhe;naïve\nä;ö;ü\n"


@pytest.mark.parametrize(
    ("data", "name"),
    [
        (WORDS.encode("utf-8"), "UTF-8"),
        (WORDS.encode("utf-8-sig"), "UTF-8 with byte order mark"),
        (codecs.BOM_UTF16_LE + WORDS.encode("utf-16-le"), "UTF-16 (little endian)"),
        (codecs.BOM_UTF16_BE + WORDS.encode("utf-16-be"), "UTF-16 (big endian)"),
        (WORDS.encode("utf-16-le"), "UTF-16 (little endian)"),
        (WORDS.encode("utf-16-be"), "UTF-16 (big endian)"),
        (WORDS.encode("cp1252"), "Windows-1252"),
    ],
)
def test_every_encoding_gives_the_same_text(data: bytes, name: str) -> None:
    decoded = decode(data, file="a.csv")
    assert (decoded.utf8.decode(), decoded.encoding) == (WORDS, name)


def test_a_sample_of_foreign_words_is_shown() -> None:
    assert decode(WORDS.encode("cp1252"), file="a.csv").sample[:2] == ("Größe", "Höhe")


def test_mixed_encodings_name_the_line() -> None:
    data = "a;ä\n".encode() + "b;ö\n".encode("cp1252")
    with pytest.raises(ExportError, match=r"a.csv, line 2: byte 0xf6 .* two encodings are mixed"):
        decode(data, file="a.csv")


def test_zero_bytes_name_the_line() -> None:
    with pytest.raises(ExportError, match=r"a.csv, line 2: a zero byte"):
        decode(b"a,b\n1,\x00" + b"2\n" * 20, file="a.csv")


def test_a_byte_that_windows_1252_lacks_is_refused() -> None:
    with pytest.raises(ExportError, match="line 1: byte 0x81 is text in neither"):
        decode(b"a,b\x81\n", file="a.csv")


@given(st.text(st.characters(codec="utf-8", exclude_characters="\x00\ufeff"), min_size=1))
def test_utf8_text_comes_back(text: str) -> None:
    data = text.encode("utf-8")
    if data[:2] not in (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE):
        assert decode(data, file="a.csv").utf8 == data
