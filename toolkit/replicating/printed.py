"""A figure as a paper prints it: its value, its decimals, and the numbers it could have been rounded from."""

from __future__ import annotations

import re
from dataclasses import dataclass

from toolkit.errors import SheetError

_NUMBER = re.compile(r"^(?P<sign>[<>]?)\s*(?P<body>[-+]?(?:\d+\.?\d*|\.\d+))(?:[eE](?P<power>[-+]?\d+))?$")


@dataclass(frozen=True, kw_only=True)
class Printed:
    """One printed figure.

    `text` is what stands in the paper, `value` the number, `last_digit` the size of one unit of its last printed
    digit (0.01 for "4.06"), `side` is "" or "<" or ">" where only a limit is printed.
    """

    text: str
    value: float
    decimals: int
    last_digit: float
    side: str

    @property
    def low(self) -> float:
        """The smallest number that rounds to the printed one."""
        return self.value - 0.5 * self.last_digit

    @property
    def high(self) -> float:
        """The largest number that rounds to the printed one."""
        return self.value + 0.5 * self.last_digit

    def digits_away(self, number: float) -> float:
        """How far `number` is from the printed figure, in units of the last printed digit (signed)."""
        return (number - self.value) / self.last_digit

    def holds(self, number: float) -> bool:
        """Whether `number` can be printed like this: it rounds to it, or lies beyond a printed limit."""
        if self.side == "<":
            return number < self.value
        if self.side == ">":
            return number > self.value
        slack = 1e-9 * self.last_digit + 4e-16 * abs(self.value)
        return abs(number - self.value) <= 0.5 * self.last_digit + slack


def read_printed(text: str) -> Printed:
    """Read a figure as printed: "-4.06", ".05", "4.1e-05", "< 0.001" (a typographic minus is understood).

    Args:
        text: the figure with exactly the decimals that the paper prints.

    Returns:
        A `Printed`: value, decimals, size of the last printed digit.

    Raises:
        SheetError: when the text is not one number (a comma, a unit, a range).

    Example:
        >>> read_printed("−4.060").last_digit
        0.001
        >>> read_printed("<0.001").holds(0.0004)
        True
    """
    if not isinstance(text, str):
        raise SheetError(f'the printed figure {text} needs quotation marks, "{text}": its last zeros count as well')
    plain = text.strip().replace("−", "-").replace("–", "-")
    match = _NUMBER.match(plain)
    if match is None:
        hint = "write the decimal point, no thousands separator" if "," in plain else "write the number alone"
        raise SheetError(f'the printed figure "{text}" is not one number: {hint}, for example "-4.06" or "<0.001"')
    body = match["body"]
    power = int(match["power"] or 0)
    decimals = len(body.partition(".")[2])
    return Printed(
        text=text,
        value=float(f"{body}e{power}"),
        decimals=decimals,
        last_digit=float(f"1e{power - decimals}"),
        side=match["sign"],
    )
