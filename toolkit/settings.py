"""Sheets of settings (TOML): read within bounds, each setting checked for kind and range; nothing in them is run."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from toolkit.errors import SheetError, ToolkitError
from toolkit.safe_text import printable

LARGEST = 2_000_000
"""Bytes of a sheet."""
DEEPEST = 20
"""Tables and lists inside each other."""
LONGEST = 5_000
"""Characters of one text."""


def read_text(path: Path, *, error: type[ToolkitError] = SheetError) -> str:
    """The text of a sheet.

    Raises
    ------
    ToolkitError
        Of the kind `error`: no such file, too large, no text in UTF-8.
    """
    name = printable(path.name)
    try:
        if not path.is_file():  # a pipe or a device may never end
            raise error(f"{name} cannot be read: there is no such file. Check its name and folder.")
        if path.stat().st_size > LARGEST:
            raise error(f"{name} has more than {LARGEST / 1e6:g} MB, far more than a sheet of settings. Is it the one?")
        with path.open("rb") as file:
            data = file.read(LARGEST + 1)
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise error(f"{name} cannot be read: it is no text in UTF-8. Save it as plain text in UTF-8.") from None
    except (OSError, ValueError) as fault:
        why = fault.strerror if isinstance(fault, OSError) else fault
        raise error(f"{name} cannot be read ({why}). Close it in other programs, or copy it elsewhere.") from None


def parse_toml(text: str, *, name: str, example: str, error: type[ToolkitError] = SheetError) -> dict[str, Any]:
    """The content of a TOML text.

    Raises
    ------
    ToolkitError
        Of the kind `error`: no TOML (with the line), or tables inside tables beyond any use.

    Examples
    --------
    >>> parse_toml("looks = 2", name="a.toml", example="")
    {'looks': 2}
    """
    too_deep = error(f"{name}: tables and lists stand more than {DEEPEST} deep inside each other. Write it flat.")
    try:
        content = tomllib.loads(text)
    except tomllib.TOMLDecodeError as fault:
        raise error(f"{name} is not readable as TOML: {printable(str(fault))}. {example}") from None
    except ValueError:  # thousands of digits
        raise error(f"{name}: a number has more digits than any number has a use for. Shorten it.") from None
    except (RecursionError, MemoryError):
        raise too_deep from None
    if _deeper_than(content, DEEPEST):
        raise too_deep
    return content


def _deeper_than(value: Any, most: int) -> bool:
    if not isinstance(value, (dict, list)):
        return False
    inner = value.values() if isinstance(value, dict) else value
    return most == 0 or any(_deeper_than(one, most - 1) for one in inner)


def text_of(value: Any, *, where: str, longest: int = LONGEST, error: type[ToolkitError] = SheetError) -> str:
    """A setting that is words in quotation marks.

    Examples
    --------
    >>> text_of("left", where="side")
    'left'
    """
    if not isinstance(value, str):
        raise error(f"{where} = {said(value)} must be words in quotes.")
    if len(value) > longest:
        raise error(f"{where} has {len(value):,} characters; at most {longest:,} are read. Shorten it.")
    return value


def whole_number(value: Any, *, where: str, low: int, high: int, error: type[ToolkitError] = SheetError) -> int:
    """A setting that is a whole number within a range.

    Examples
    --------
    >>> whole_number(2, where="header_row", low=1, high=1000)
    2
    """
    if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
        raise error(f"{where} = {said(value)} must be a whole number from {low} to {high}, without quotes.")
    return value


def number(value: Any, *, where: str, low: float, high: float, error: type[ToolkitError] = SheetError) -> float:
    """A setting that is a number within a range.

    Examples
    --------
    >>> number(0.05, where="alpha", low=0, high=0.5)
    0.05
    """
    fits = not isinstance(value, bool) and isinstance(value, (int, float)) and low <= value <= high
    if not fits or not math.isfinite(value):
        raise error(f"{where} = {said(value)} must be a number, {low:g} to {high:g}, without quotes.")
    return float(value)


def one_of(value: Any, choices: Sequence[str], *, where: str, error: type[ToolkitError] = SheetError) -> str:
    """A setting that is one of a few words.

    Examples
    --------
    >>> one_of("lower", ("higher", "lower"), where="better")
    'lower'
    """
    if not isinstance(value, str) or value not in choices:
        raise error(f"{where} = {said(value)} is not one of {', '.join(said(one) for one in choices)}.")
    return value


def table_of(value: Any, *, where: str, error: type[ToolkitError] = SheetError) -> Mapping[str, Any]:
    """A setting that is a table."""
    if not isinstance(value, Mapping):
        raise error(f"{where} must be a table, not {said(value)}.")
    return value


def list_of(value: Any, *, where: str, error: type[ToolkitError] = SheetError) -> list[Any]:
    """A setting that is a list."""
    if not isinstance(value, (list, tuple)):
        raise error(f'{where} must be a list, for example ["-999"], not {said(value)}.')
    return list(value)


def said(value: Any) -> str:
    """A value as a message shows it, shortened.

    Examples
    --------
    >>> said("left"), said(True), said([1] * 100)
    ('"left"', 'true', '[1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, …')
    """
    if isinstance(value, bool):
        return "true" if value else "false"
    try:
        text = f'"{value}"' if isinstance(value, str) else repr(value)
    except ValueError:  # a number of thousands of digits
        text = "a very long number"
    text = printable(text)
    return text if len(text) <= 60 else f"{text[:40]}…"
