"""The question sheet: what is asked, of which records, and how large a change would matter.

    format = "question/1"
    measure = "cervical_lateral_flexion"      # codebook name
    region = "upper_trapezius"                # codebook name, or "any"
    intervention = "percussive_release"       # as written in the export
    comparison = "wait"                       # "wait" | "measured_only" | "other_side" | another intervention's name
    better = "higher"                         # optional: the codebook knows
    smallest_change_that_matters = 5.0
    unit = "deg"
    source = "why this size: a citation, or 'own judgement'"
    alpha = 0.05
    looks_planned = 1
    leaning_allowance = 1.25                  # optional: half a SEM if absent
    share_treated_first = 0.5                 # optional: the share of sessions that the draw was to treat first
    declared_on = 2026-01-05
    treated_reading = "same_side"             # optional: or "opposite_side" (side-bending is limited by the other side)

A sheet written before looking makes the question *declared*.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

from toolkit.errors import QuestionError
from toolkit.safe_text import printable
from toolkit.settings import number, parse_toml, read_text, said, text_of, whole_number

FORMAT = "question/1"
LARGEST_NUMBER = 1e6
MOST_LOOKS = 100
_TEXT = ("measure", "region", "intervention", "comparison", "better", "unit", "source", "treated_reading")
_NUMBERS = ("smallest_change_that_matters", "alpha", "leaning_allowance", "share_treated_first")
_KNOWN = {"format", "looks_planned", "looks_made", "declared_on", *_TEXT, *_NUMBERS}
_SIDE_RULES = {"same_side": "same", "opposite_side": "opposite"}


@dataclass(frozen=True, kw_only=True)
class Question:
    """One declared question.

    Attributes
    ----------
    measure, region, intervention : str
        What is asked of: codebook names; region may be "any", the intervention as written in the export.
    comparison : str, optional
        "wait", "measured_only", "other_side", or another intervention; found in the records if left out.
    better : str, optional
        "higher" or "lower"; the codebook knows.
    smallest_change_that_matters, unit, source : float, str, str
        How large a change would matter, in which unit, and who says so.
    alpha : float
        Level of the claim, at most 0.05.
    looks_planned, looks_made : int
        How often the records will be, and have been, judged.
    leaning_allowance : float, optional
        What is taken off for a reader who knew what was done; half a SEM if left out.
    share_treated_first : float, optional
        The share of sessions that the draw was to treat first; a half if left out.
    declared_on : str, optional
        ISO date on which the question was written down.
    side_rule : str, optional
        "same" or "opposite": which measured side belongs to the treated side.
    sheet : Path, optional
        The file it was read from.
    """

    measure: str
    region: str
    intervention: str
    comparison: str | None = None
    better: str | None = None
    smallest_change_that_matters: float | None = None
    unit: str | None = None
    source: str = "own judgement"
    alpha: float = 0.05
    looks_planned: int = 1
    looks_made: int = 0
    leaning_allowance: float | None = None
    share_treated_first: float | None = None
    declared_on: str | None = None
    side_rule: str | None = None
    sheet: Path | None = None

    def as_dict(self) -> dict[str, Any]:
        """The question as findings.json holds it: no path, no empty fields."""
        out = {
            "format": FORMAT,
            "measure": self.measure,
            "region": self.region,
            "intervention": self.intervention,
            "comparison": self.comparison,
            "better": self.better,
            "smallest_change_that_matters": self.smallest_change_that_matters,
            "unit": self.unit,
            "source": self.source,
            "alpha": self.alpha,
            "looks_planned": self.looks_planned,
            "leaning_allowance": self.leaning_allowance,
            "share_treated_first": self.share_treated_first,
            "declared_on": self.declared_on,
        }
        return {name: value for name, value in out.items() if value is not None}


def read_question(source: Path | str | Mapping[str, Any]) -> Question:
    """A question from a sheet (TOML file) or from a mapping with the same fields.

    Raises
    ------
    QuestionError
        The sheet cannot be read, a field is missing, unknown or impossible; the message names it.

    Examples
    --------
    >>> read_question({"measure": "pain_rating", "region": "any", "intervention": "stretching"}).alpha
    0.05
    """
    if isinstance(source, Mapping):
        return _checked(dict(source), "the question given", None)
    path = Path(source)
    example = 'Write one field a line, words in quotes, for example  measure = "pain_rating".'
    fields = parse_toml(read_text(path, error=QuestionError), name=path.name, example=example, error=QuestionError)
    return _checked(fields, printable(path.name), path)


def _checked(fields: dict[str, Any], where: str, sheet: Path | None) -> Question:
    """Every field checked; the first thing wrong is named with what to write instead."""
    _names(fields, where)
    for name in _TEXT:
        if name in fields:
            text_of(fields[name], where=f"{where}: {name}", error=QuestionError)
    numbers = {name: _number(fields, name, where) for name in _NUMBERS}
    looks = {name: _count(fields, name, where) for name in ("looks_planned", "looks_made")}
    alpha = numbers["alpha"] if numbers["alpha"] is not None else 0.05
    if not 0 < alpha < 0.5:
        raise QuestionError(f"{where}: alpha = {alpha} must lie between 0 and 0.5; 0.05 is usual.")
    better = fields.get("better")
    if better is not None and better not in ("higher", "lower"):
        raise QuestionError(f'{where}: better = {said(better)} must be "higher" or "lower".')
    rule = fields.get("treated_reading")
    if rule is not None and rule not in _SIDE_RULES:
        raise QuestionError(f'{where}: treated_reading = {said(rule)} must be "same_side" or "opposite_side".')
    return Question(
        measure=fields["measure"].strip(),
        region=fields.get("region", "any").strip(),
        intervention=fields["intervention"].strip(),
        comparison=fields.get("comparison"),
        better=better,
        smallest_change_that_matters=numbers["smallest_change_that_matters"],
        unit=fields.get("unit"),
        source=fields.get("source", "own judgement"),
        alpha=alpha,
        looks_planned=max(1, looks["looks_planned"] or 1),
        looks_made=looks["looks_made"] or 0,
        leaning_allowance=numbers["leaning_allowance"],
        share_treated_first=_share(numbers["share_treated_first"], where),
        declared_on=_day(fields, where),
        side_rule=_SIDE_RULES.get(rule) if rule else None,
        sheet=sheet,
    )


def _names(fields: dict[str, Any], where: str) -> None:
    """Are the fields known, and the ones that cannot be guessed there?"""
    if fields.get("format", FORMAT) != FORMAT:
        raise QuestionError(f'{where}: format = {said(fields["format"])} is not known; write  format = "{FORMAT}".')
    unknown = sorted(set(fields) - _KNOWN)
    if unknown:
        raise QuestionError(
            f"{where}: {unknown[0]} is not a field of a question; known are {', '.join(sorted(_KNOWN))}."
        )
    for name in ("measure", "intervention"):
        if not str(fields.get(name, "")).strip():
            raise QuestionError(f"{where}: {name} is missing; it says what the question is about.")


def _number(fields: dict[str, Any], name: str, where: str) -> float | None:
    value = fields.get(name)
    if value is None:
        return None
    size = number(value, where=f"{where}: {name}", low=0, high=LARGEST_NUMBER, error=QuestionError)
    if name == "smallest_change_that_matters" and value == 0:
        raise QuestionError(f"{where}: {name} = 0 would make every change matter; name the smallest that does.")
    return size


def _share(value: float | None, where: str) -> float | None:
    if value is not None and not 0 < value < 1:
        raise QuestionError(f"{where}: share_treated_first = {value:g} must lie between 0 and 1; a coin gives 0.5.")
    return value


def _count(fields: dict[str, Any], name: str, where: str) -> int | None:
    value = fields.get(name)
    if value is None:
        return None
    return whole_number(value, where=f"{where}: {name}", low=0, high=MOST_LOOKS, error=QuestionError)


def _day(fields: dict[str, Any], where: str) -> str | None:
    value = fields.get("declared_on")
    if value is None:
        return None
    try:
        return (value if isinstance(value, date) else date.fromisoformat(str(value)[:10])).isoformat()[:10]
    except ValueError as problem:
        raise QuestionError(f"{where}: declared_on = {said(value)} must be a day such as 2026-01-05.") from problem
