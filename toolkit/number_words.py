"""Numbers and units as a reader meets them: the one place where they are rounded and written out.

Every sentence, table and figure of the toolkit writes a number, an interval, a p-value or a count by these functions.
"""

from __future__ import annotations

import math
from typing import Any

UNIT_SIGNS = {"deg": "°", "percent": "%", "yes_no": "percentage points", "s": "s"}
NO_SPACE = ("°", "%")
SHARES = "yes_no"  # the unit of signs: kept as 0 and 1, shown in percentage points


def clean(words: Any) -> str:
    """Words without control characters, which neither a page nor a drawing can hold."""
    return "".join(letter if letter.isprintable() else " " for letter in str(words)).strip()


def spaced(code: Any) -> str:
    """A code as words: ``spaced("upper_trapezius")`` is ``'upper trapezius'``."""
    return clean(code).replace("_", " ")


def capital(words: str) -> str:
    """Words with their first letter large, the rest as it is."""
    return words[:1].upper() + words[1:]


def is_missing(value: Any) -> bool:
    """Whether a value is no number: None, NaN or a missing value of pandas."""
    if value is None or isinstance(value, str):
        return not value
    try:
        return bool(math.isnan(float(value)))
    except (TypeError, ValueError):
        return True


def decimals_for(spread: float) -> int:
    """Decimals that suit a spread (an interval's width, an error): from none, at 20 and more, to four.

    Example:
        >>> decimals_for(42), decimals_for(4.2), decimals_for(0.42)
        (0, 1, 2)
    """
    if not math.isfinite(spread) or spread <= 0:
        return 1
    return 0 if spread >= 20 else min(max(1 - math.floor(math.log10(spread * 2)), 1), 4)


def scale_of(unit: str) -> float:
    """By how much a number in `unit` is multiplied for reading: 100 for the shares of a sign, else 1."""
    return 100.0 if unit.partition(" ")[0] == SHARES else 1.0


def with_unit(number: str, unit: str) -> str:
    """A number already in words with its unit: no space before a degree or percent sign."""
    sign = unit_words(unit)
    return number + sign if sign.startswith(NO_SPACE) or not sign else f"{number} {sign}"


def _decimals_alone(value: float) -> int:
    """Decimals of a number that has no interval: one, none from a hundred on or where it is whole, more below one."""
    if not math.isfinite(value):
        return 0
    whole = abs(value - round(value)) < 1e-9
    return 0 if whole or abs(value) >= 100 else decimals_for(min(abs(value), 1.0))


def number(value: Any, *, decimals: int | None = None, signed: bool = False) -> str:
    """A number for reading, with a true minus sign; a plain word where there is none."""
    if is_missing(value):
        return "not available"
    value = float(value)
    if math.isinf(value):
        return "no limit"
    places = _decimals_alone(value) if decimals is None else decimals
    text = f"{value:+.{places}f}" if signed else f"{value:.{places}f}"
    if float(text) == 0:
        text = text.lstrip("+-")
    return text.replace("-", "−")


def figure_text(value: Any, *, digits: int = 3) -> str:
    """A number that has no interval beside it to say how exact it is: three significant digits.

    Example:
        >>> figure_text(0.12345), figure_text(1234.5), figure_text(None)
        ('0.123', '1234', 'not available')
    """
    if value is None or (not isinstance(value, str) and is_missing(value)):
        return "not available"
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        return str(value)
    if math.isinf(value):
        return "no limit"
    if isinstance(value, int) or (float(value).is_integer() and abs(value) < 1e6):
        return f"{int(value)}"
    return f"{value:.{digits}g}" if abs(value) < 10**digits else f"{value:.0f}"


def quantity(value: Any, unit: str | None, *, digits: int = 3) -> str:
    """A number in three significant digits with its unit; signs (0 and 1) in percentage points.

    Example:
        >>> quantity(2.3456, "deg"), quantity(0.2, "yes_no"), quantity(2.3456, "")
        ('2.35°', '20 percentage points', '2.35')
    """
    if is_missing(value) or math.isinf(float(value)):
        return figure_text(value)
    unit = unit or ""
    return with_unit(figure_text(float(value) * scale_of(unit), digits=digits), unit)


def quantity_with_interval(value: Any, low: Any, high: Any, unit: str | None, *, level: float = 0.95) -> str:
    """A number with its unit and the limits of its interval, three significant digits each, brackets left open.

    Example:
        >>> quantity_with_interval(2.3456, 1.0, 4.0, "deg", level=0.975)
        '2.35° (97.5 % interval 1 to 4'
    """
    scale = scale_of(unit or "")
    first, last = (figure_text(end if is_missing(end) else float(end) * scale) for end in (low, high))
    return f"{quantity(value, unit)} ({100 * level:.4g} % interval {first} to {last}"


def amount(value: Any, unit: str, *, decimals: int | None = None, signed: bool = False) -> str:
    """A number with its unit.

    Example:
        >>> amount(4.21, "deg", signed=True), amount(None, "mm")
        ('+4.2°', 'not available')
    """
    shown = value if is_missing(value) else float(value) * scale_of(unit)
    text = number(shown, decimals=decimals, signed=signed)
    return text if is_missing(value) or math.isinf(float(value)) else with_unit(text, unit)


def threshold(value: Any, unit: str) -> str:
    """A chosen number, shown as it was chosen: ``threshold(5.0, "deg")`` is ``'5°'``."""
    return "not available" if is_missing(value) else with_unit(_plain(float(value) * scale_of(unit)), unit)


def _plain(value: float) -> str:
    return f"{value:.4g}".replace("-", "−")


def unit_words(unit: str) -> str:
    """A unit alone: its sign, or its name in words; also of a rate.

    Example:
        >>> unit_words("deg"), unit_words("deg a week"), unit_words("kPa")
        ('°', '° a week', 'kPa')
    """
    first, _, rest = unit.partition(" ")
    sign = UNIT_SIGNS.get(first, spaced(first))
    return f"{sign} {spaced(rest)}" if rest else sign


def _decimals_of_interval(value: Any, low: Any, high: Any) -> int:
    """Decimals that suit an interval; those of the value where the interval has no width."""
    if is_missing(low) or is_missing(high) or not math.isfinite(float(high) - float(low)) or high == low:
        return 1 if is_missing(value) else _decimals_alone(float(value))
    return decimals_for(abs(float(high) - float(low)))


def decimals_of(value: Any, low: Any, high: Any, unit: str) -> int:
    """How many decimals an estimate with its interval is shown with.

    Example:
        >>> decimals_of(6.91, 6.67, 7.15, "deg"), decimals_of(7.0, 6.6, 7.4, "deg")
        (2, 1)
    """
    shown = (end if is_missing(end) else float(end) * scale_of(unit) for end in (value, low, high))
    return _decimals_of_interval(*shown)


def with_interval(
    value: Any,
    low: Any,
    high: Any,
    unit: str,
    *,
    signed: bool = True,
    level: float = 0.95,
    decimals: int | None = None,
    also: str = "",
) -> str:
    """An estimate with unit and interval, or a plain word where either is missing; `also` ends the brackets.

    Example:
        >>> with_interval(4.21, 1.12, 7.3, "deg")
        '+4.2° (95 % interval +1.1 to +7.3°)'
        >>> with_interval(None, None, None, "deg")
        'not estimated'
        >>> with_interval(0.2, 0.1, 0.3, "yes_no", also="40 clients")
        '+20 percentage points (95 % interval +10 to +30 percentage points; 40 clients)'
    """
    if is_missing(value):
        return "not estimated"
    value, low, high = (end if is_missing(end) else float(end) * scale_of(unit) for end in (value, low, high))
    places = _decimals_of_interval(value, low, high) if decimals is None else decimals
    unit = unit_words(unit)
    middle = amount(value, unit, decimals=places, signed=signed)
    tail = f"; {also}" if also else ""
    if is_missing(low) or is_missing(high) or low == high:
        return f"{middle} (no interval{tail})"
    if math.isinf(float(low)) and math.isinf(float(high)):
        return f"{middle} (too few for a {level * 100:.4g} % interval{tail})"
    ends = [number(end, decimals=places, signed=signed) for end in (low, high)]
    if not math.isinf(float(high)):
        ends[1] = with_unit(ends[1], unit)
    return f"{middle} ({level * 100:.4g} % interval {ends[0]} to {ends[1]}{tail})"


def span(low: Any, high: Any, unit: str) -> str:
    """Two limits with one unit and the decimals that suit their width, as a sentence holds them.

    Example:
        >>> span(-0.664, 0.52, "deg"), span(1.0, float("inf"), "mm")
        ('−0.7 to 0.5°', '1 to no limit')
    """
    places = decimals_of(low, low, high, unit)
    first, last = (end if is_missing(end) else float(end) * scale_of(unit) for end in (low, high))
    end = number(last, decimals=places)
    return f"{number(first, decimals=places)} to {with_unit(end, unit) if math.isfinite(last) else end}"


def p_words(p: Any) -> str:
    """A p-value for reading: three decimals, never zero."""
    if is_missing(p):
        return "not available"
    return "p < 0.001" if float(p) < 0.001 else f"p = {float(p):.3f}"


def share_words(share: Any, low: Any, high: Any) -> str:
    """A share as a percentage with its interval."""
    if is_missing(share):
        return "not estimated"
    if is_missing(low) or is_missing(high):
        return f"{float(share):.0%} (no interval)".replace("%", " %")
    return f"{float(share) * 100:.0f} % (95 % interval {float(low) * 100:.0f} to {float(high) * 100:.0f} %)"


def counted(n: Any, one: str, many: str = "") -> str:
    """A count with its noun in the right number.

    Example:
        >>> counted(1, "client"), counted(0, "client"), counted(None, "client")
        ('1 client', '0 clients', 'number of clients not available')
    """
    plural = many or f"{one}s"
    if is_missing(n):
        return f"number of {plural} not available"
    return f"{int(n):,} {one if int(n) == 1 else plural}".replace(",", "\u202f")
