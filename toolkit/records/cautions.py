"""The cautions of `shared/cautions.md`, for readers and programs: who to send on, when and where not to treat."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache

from toolkit.records.codebook import load_codebook
from toolkit.resources import shared_file

DEFERENCE = "Always follow local codes and the judgement of a licensed professional."
"""Stands before every list of cautions."""

_BULLET = re.compile(r"- `(?P<key>[a-z_]+)` \((?P<place>[^)]+)\)\. (?P<text>.+) _Source: (?P<source>.+?)\.?_")


@dataclass(frozen=True, kw_only=True)
class Caution:
    """One caution: stable `key`, its section, the place it concerns ("everyone": always), and its source."""

    key: str
    section: str
    place: str
    text: str
    source: str

    def sentence(self) -> str:
        """The caution with its source."""
        return f"{self.text} ({self.source})"


@lru_cache(maxsize=1)
def load_cautions() -> tuple[Caution, ...]:
    """All cautions in the order of the file.

    Example:
        >>> load_cautions()[0].key
        'sudden_severe_headache'
    """
    section = ""
    found: list[Caution] = []
    for line in shared_file("cautions.md").read_text(encoding="utf-8").splitlines():
        if line.startswith("## "):
            section = line.removeprefix("## ").strip()
        bullet = _BULLET.fullmatch(line)
        if bullet is not None:
            found.append(Caution(section=section, **bullet.groupdict()))
    return tuple(found)


@lru_cache(maxsize=1)
def _keys_by_region() -> dict[str, frozenset[str]]:
    """The keys of the cautions that the codebook names for each region."""
    frame = load_codebook().regions
    return {
        str(region): frozenset(str(cell).split("|"))
        for region, cell in zip(frame["region"], frame["cautions"], strict=True)
    }


def cautions_by_section(regions: Iterable[str]) -> dict[str, list[Caution]]:
    """The cautions for everyone and those for `regions`, by the section of the file that they stand in.

    Args:
        regions: codebook names; several joined by " + " are taken apart.

    Example:
        >>> [section.split(":")[0] for section in cautions_by_section(["soleus"])][0]
        'Send on first'
    """
    wanted = {name.strip() for joined in regions for name in joined.split("+")}
    keys = {key for name in wanted for key in _keys_by_region().get(name, frozenset())}
    found: dict[str, list[Caution]] = {}
    for one in load_cautions():
        if one.place == "everyone" or one.key in keys:
            found.setdefault(one.section, []).append(one)
    return found


def cautions_for(regions: Iterable[str]) -> list[str]:
    """The cautions to show beside work on `regions`, one text each, the deference to licensed practice first.

    Args:
        regions: codebook names; several joined by " + " are taken apart. Of a region that is not in the codebook
            nothing is known, so only the general cautions apply.

    Returns:
        The deference, the cautions for everyone, then those for the regions, in the file's order, each once.

    Example:
        >>> shown = cautions_for(["soleus"])
        >>> any("calf" in text for text in shown), any("front of the neck" in text for text in shown)
        (True, False)
    """
    chosen = [one.sentence() for several in cautions_by_section(regions).values() for one in several]
    return [DEFERENCE, *chosen]
