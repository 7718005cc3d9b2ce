"""Units of readings: their spellings, and exact factors between units of the same quantity.

Factors are exact by definition: the inch 0.0254 m and the pound 0.45359237 kg (international yard and pound agreement,
1959), standard gravity 9.80665 m/s2 (3rd General Conference on Weights and Measures, 1901).
"""

from __future__ import annotations

import math
from functools import lru_cache

from toolkit.records.lexicon import COMMON, fold, words_of_language
from toolkit.records.texts import plain

UNKNOWN_UNIT = "?"
"""Stands for a unit that must be asked."""

_GRAVITY = 9.80665
_POUND = 0.45359237 * _GRAVITY

# unit: (quantity, factor to the quantity's base unit, spellings)
_UNITS: dict[str, tuple[str, float, str]] = {
    "deg": ("angle", 1.0, "°|º|deg|degs|degree|degrees|grad|˚"),
    "rad": ("angle", 180 / math.pi, "rad|radian|radians"),
    "mm": ("length", 0.001, "mm|millimetre|millimeter|millimetres|millimeters"),
    "cm": ("length", 0.01, "cm|cms|centimetre|centimeter|centimetres|centimeters|zentimeter"),
    "m": ("length", 1.0, "m|metre|meter|metres|meters"),
    "in": ("length", 0.0254, 'in|inch|inches|"'),
    "N": ("force", 1.0, "n|newton|newtons"),
    "kg": ("force", _GRAVITY, "kgf|kg|kgs|kilo|kilos|kilogram|kilograms|kilogramm|kp"),
    "lbf": ("force", _POUND, "lbf|lb|lbs|pound|pounds"),
    "kPa": ("pressure", 1000.0, "kpa|kilopascal"),
    "Pa": ("pressure", 1.0, "pa|pascal"),
    "N/cm2": ("pressure", 10_000.0, "n cm2|n cm²|n cm^2|ncm2|n cm 2"),
    "kg/cm2": ("pressure", 10_000.0 * _GRAVITY, "kgf cm2|kg cm2|kgf cm²|kg cm²|kg cm^2|kgf cm^2"),
    "lbf/in2": ("pressure", _POUND / 0.0254**2, "psi|lbf in2|lb in2"),
    "mmHg": ("pressure", 133.322387415, "mmhg|mm hg"),
    "s": ("time", 1.0, "s|sec|secs|second|seconds|sek"),
    "min": ("time", 60.0, "min|mins|minute|minutes"),
    "points": ("points", 1.0, "point|points|pts|score|0 10|out of 10|10|nrs|vas|punkte|level|grade"),
    "percent": ("share", 0.01, "%|percent|per cent|pct"),
    "count": ("count", 1.0, "count|repetitions|reps|rep|n reps|times"),
    "days": ("days", 1.0, "days|day|d"),
    "yes_no": ("sign", 1.0, "yes no|y n|0 1|present absent|sign|ja nein"),
    "m/s": ("speed", 1.0, "m s|metres per second"),
}


def _spellings() -> dict[str, str]:
    """Every spelling as it is compared, with the unit it stands for."""
    table: dict[str, str] = {}
    for unit, (_, _, words) in _UNITS.items():
        for word in (unit, *words.split("|")):
            table[plain(word) or word] = unit
    return table


_SPELLINGS = _spellings()


@lru_cache(maxsize=1)
def _foreign_units() -> dict[str, str]:
    """The words for units in the common languages, where they are long enough not to be mistaken."""
    return {
        phrase: unit
        for language in COMMON
        for phrase, unit in words_of_language(language).own("unit").items()
        if len(phrase) > 2
    }


def unit_name(text: str) -> str | None:
    """The toolkit's name of a unit, None when it is not known, "" for an empty text.

    Example:
        >>> unit_name("°"), unit_name("kg/cm²"), unit_name("furlong")
        ('deg', 'kg/cm2', None)
    """
    stripped = text.strip().strip("()[]").strip()
    if not stripped:
        return ""
    return _SPELLINGS.get(plain(stripped) or stripped) or _foreign_units().get(fold(stripped))


def conversion_factor(unit: str, to: str) -> float | None:
    """What a reading in `unit` is multiplied by to be in `to`; None when the two measure different things.

    Both may be any spelling; a unit the toolkit does not know converts only to itself.

    Example:
        >>> conversion_factor("cm", "mm"), conversion_factor("kPa", "cm")
        (10.0, None)
    """
    first, second = unit_name(unit) or unit.strip(), unit_name(to) or to.strip()
    if first == second or plain(first) == plain(second):
        return 1.0
    if first not in _UNITS or second not in _UNITS:
        return None
    (quantity, factor, _), (other, other_factor, _) = _UNITS[first], _UNITS[second]
    if quantity != other:
        return None
    ratio = factor / other_factor
    return float(round(ratio)) if math.isclose(ratio, round(ratio), rel_tol=1e-12) and round(ratio) else ratio


def to_base(unit: str) -> tuple[str, float]:
    """What a unit measures, and the factor to the base unit of that; the unit itself and 1 where it is not known.

    Example:
        >>> to_base("mm") == ("m", 0.001), to_base("furlong")
        (True, ('furlong', 1.0))
    """
    name = unit_name(unit) or unit.strip()
    if name not in _UNITS:
        return name, 1.0
    quantity, factor, _ = _UNITS[name]
    base = next((other for other, (kind, size, _) in _UNITS.items() if kind == quantity and size == 1.0), name)
    return (base, factor) if base != name else (name, 1.0)
