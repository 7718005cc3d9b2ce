"""What a formula may say: names of columns, `+ - * : ( )`, and a short list of functions. Nothing else is ever run.

    outcome ~ term + term
    term      1, 0, a column, a function of a column, two terms joined by : or *, or terms in brackets
    column    letters, digits and _ (any other name between backticks: `knee angle`)
    function  log(x)  sqrt(x)  center(x)  scale(x)  poly(x, 2)  C(g)  factor(g)  C(g, contr.treatment("a level"))

A formula can come from a sheet that somebody else wrote. It is read here, sign by sign, before any library sees it;
what is not in this list is refused with its place and what to write instead.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from toolkit.errors import FitError

LONGEST = 2_000
DEEPEST = 12
MOST_TERMS = 200
HIGHEST_POWER = 5
OF_NUMBERS = ("log", "sqrt", "center", "scale")
OF_WORDS = ("C", "factor")
CODINGS = ("contr.treatment", "contr.sum", "contr.helmert", "contr.diff", "contr.poly")
FUNCTIONS = (*OF_NUMBERS, "poly", *OF_WORDS)
_SIGNS = re.compile(
    r"(?P<blank>\s+)|(?P<column>`[^`\n\\\"']{1,100}`)|(?P<name>[^\W\d]\w{0,99}(?:\.[^\W\d]\w{0,30})?)"
    r"|(?P<number>\d{1,9})|(?P<text>\"[^\"\n\\'`{}]{0,100}\"|'[^'\n\\\"`{}]{0,100}')|(?P<sign>[~+\-*:(),|])"
)


@dataclass(frozen=True, kw_only=True)
class ReadFormula:
    """A formula that says nothing but what it may.

    `outcome` is what stands before ~, `columns` are all it uses in their order, `explaining` those after ~.
    """

    outcome: str
    columns: tuple[str, ...]
    explaining: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class _Sign:
    kind: str
    text: str
    place: int


def read_formula(text: str) -> ReadFormula:
    """Read a formula; nothing in it is run.

    Parameters
    ----------
    text : str
        Such as ``change ~ region * intervention + log(baseline)``.

    Returns
    -------
    ReadFormula
        The columns it uses, the outcome's first.

    Raises
    ------
    FitError
        It says something else than a formula may; the message names the place and what to write.

    Examples
    --------
    >>> read_formula('bdi ~ C(arm, contr.treatment("usual")) * log(month)').columns
    ('bdi', 'arm', 'month')
    """
    if not isinstance(text, str) or not text.strip():
        raise FitError('There is no formula. It needs an outcome, ~, and terms, for example  "change ~ region".')
    if len(text) > LONGEST:
        raise FitError(f"The formula has {len(text):,} characters; at most {LONGEST:,} are read. Shorten it.")
    return _Reader(text).formula()


class _Reader:
    """Reads the signs of one formula from left to right."""

    def __init__(self, text: str) -> None:
        self._text = text
        self._signs = self._split()
        self._at = 0
        self._depth = 0
        self._columns: dict[str, None] = {}

    def formula(self) -> ReadFormula:
        """outcome ~ terms"""
        start = self._next()
        if start.kind == "end" or start.text == "~":
            raise self._wrong(start, "no outcome stands before ~", "Write it first, as in  change ~ region")
        self._back()
        self._factor(outcome=True)
        outcome = tuple(self._columns)
        tilde = self._next()
        if tilde.text != "~":
            raise self._wrong(tilde, "~ must follow the outcome", "Write ~ there")
        self._columns = {}
        self._terms()
        rest = self._next()
        if rest.text == "|":
            raise self._bar(rest)
        if rest.kind != "end":
            raise self._wrong(rest, f"{rest.text} does not fit here", "Join terms with + - * or :")
        explaining = tuple(self._columns)
        return ReadFormula(
            outcome=self._text[: tilde.place].strip().strip("`"),
            columns=tuple(dict.fromkeys([*outcome, *explaining])),
            explaining=explaining,
        )

    def _split(self) -> list[_Sign]:
        signs, place = [], 0
        while place < len(self._text):
            found = _SIGNS.match(self._text, place)
            if found is None:
                wrong = _Sign(kind="other", text=self._text[place], place=place)
                raise self._wrong(wrong, f"{wrong.text} cannot stand in a formula", _REMEDY)
            if found.lastgroup != "blank":
                signs.append(_Sign(kind=str(found.lastgroup), text=found.group(), place=place))
            place = found.end()
        return [*signs, _Sign(kind="end", text="the end", place=len(self._text))]

    def _next(self) -> _Sign:
        sign = self._signs[min(self._at, len(self._signs) - 1)]
        self._at += 1
        return sign

    def _back(self) -> None:
        self._at -= 1

    def _terms(self) -> int:
        """Terms joined by + and -; how many they are."""
        sign = self._next()
        if sign.text not in ("+", "-"):
            self._back()
        count = self._product()
        while (sign := self._next()).text in ("+", "-"):
            count += self._product()
            self._not_too_many(count, sign)
        self._back()
        return count

    def _product(self) -> int:
        """Factors joined by * and :; how many terms they make."""
        count = self._factor()
        while (sign := self._next()).text in ("*", ":"):
            other = self._factor()
            count = count * other if sign.text == ":" else count + other + count * other
            self._not_too_many(count, sign)
        self._back()
        return count

    def _not_too_many(self, count: int, sign: _Sign) -> None:
        if count > MOST_TERMS:
            raise self._wrong(sign, f"the formula makes more than {MOST_TERMS} terms", "Ask for fewer at once")

    def _factor(self, *, outcome: bool = False) -> int:
        """A number, a column, a function of a column, or terms in brackets."""
        sign = self._next()
        if sign.kind == "number" and not outcome:
            if sign.text not in ("0", "1"):
                raise self._wrong(sign, f"{sign.text} is no term", "Only 1 (a constant) and 0 (none) are")
        elif sign.kind == "column":
            self._columns[sign.text[1:-1]] = None
        elif sign.kind == "name":
            opened = self._next()
            if opened.text == "(":
                self._function(sign)
            else:
                self._back()
                self._column(sign)
        elif sign.text == "(" and not outcome:
            return self._bracket(sign)
        else:
            raise self._wrong(sign, f"{sign.text} stands where a column is needed", "Name a column of the data")
        return 1

    def _bracket(self, sign: _Sign) -> int:
        self._depth += 1
        if self._depth > DEEPEST:
            raise self._wrong(sign, f"brackets stand more than {DEEPEST} deep", "Write the terms out")
        count = self._terms()
        closing = self._next()
        if closing.text == "|":
            raise self._bar(closing)
        if closing.text != ")":
            raise self._wrong(closing, "a bracket is opened and not closed", "Write ) there")
        self._depth -= 1
        return count

    def _column(self, sign: _Sign) -> None:
        if "." in sign.text or sign.text in FUNCTIONS:
            remedy = f"If it is a column, write it between backticks: `{sign.text}`"
            raise self._wrong(sign, f"{sign.text} is not taken for a column", remedy)
        self._columns[sign.text] = None

    def _function(self, name: _Sign) -> None:
        """A function of the list, of one column, with what it may be told."""
        if name.text not in FUNCTIONS:
            raise self._wrong(name, f"there is no function {name.text}", f"Known are {', '.join(FUNCTIONS)}")
        column = self._next()
        if column.kind == "column":
            self._columns[column.text[1:-1]] = None
        elif column.kind == "name":
            self._column(column)
        else:
            raise self._wrong(column, f"{name.text} is not told a column", f"Write {name.text}(its name)")
        sign = self._next()
        if sign.text == "," and name.text == "poly":
            self._power()
            sign = self._next()
        elif sign.text == "," and name.text in OF_WORDS:
            self._coding()
            sign = self._next()
        if sign.text != ")":
            remedy = "Work the column out in the data first" if name.text in OF_NUMBERS else "Write ) there"
            raise self._wrong(sign, f"{name.text} takes one column and no more", remedy)

    def _power(self) -> None:
        sign = self._next()
        if sign.kind != "number" or not 1 <= int(sign.text) <= HIGHEST_POWER:
            raise self._wrong(sign, f"{sign.text} is no degree", f"Write a whole number from 1 to {HIGHEST_POWER}")

    def _coding(self) -> None:
        """contr.treatment("level") or another coding without more."""
        sign = self._next()
        if sign.text not in CODINGS:
            raise self._wrong(sign, f"{sign.text} is no coding of words", f"Known are {', '.join(CODINGS)}")
        opened = self._next()
        if opened.text != "(":
            self._back()
            return
        level = self._next()
        if level.kind in ("text", "number") and sign.text == "contr.treatment":
            level = self._next()
        if level.text != ")":
            raise self._wrong(level, f"{sign.text} is told something else", f'Write {CODINGS[0]}("a level")')

    def _bar(self, sign: _Sign) -> FitError:
        remedy = 'Name who belongs together under groups, for example  groups = ["client"], and leave (1|client) out'
        return self._wrong(sign, "random effects are not part of the formula", remedy)

    def _wrong(self, sign: _Sign, what: str, remedy: str) -> FitError:
        around = self._text[max(0, sign.place - 20) : sign.place + 20].strip()
        return FitError(f"The formula cannot be read: at sign {sign.place + 1} (… {around} …), {what}. {remedy}.")


_REMEDY = (
    "It may hold names of columns (others than letters, digits and _ between backticks), + - * : ( ) and the functions "
    + ", ".join(FUNCTIONS)
)
