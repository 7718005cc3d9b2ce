"""The replication sheet explained: every word, every step, every method with an example that runs."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping
from typing import Any

from toolkit.errors import SheetError
from toolkit.replicating.examples import EXAMPLES, Example
from toolkit.replicating.glossary import meaning_of
from toolkit.replicating.method import Method
from toolkit.replicating.methods import METHODS
from toolkit.replicating.paper import WORDS
from toolkit.replicating.steps import OPERATIONS

WIDTH = 79

LAYOUT = '''\
THE REPLICATION SHEET (format "replication/1")

A sheet is a text file (TOML). Text stands in quotation marks, tables in
braces, lists in brackets, # begins a remark.
Nothing in it is evaluated. Everything that is wrong is told at once, with its
line and what to do. Every part once:

format = "replication/1"
title = "Extra sleep under two drugs"   # what was studied, in a few words
design = "paired trial"
citation = "Student (1908) Biometrika 6:1-25"

[data]  # leave out when the paper prints summary figures only
file = "data.csv"  # CSV, TSV or XLSX, as seen from the sheet; one header row
# words that mean "no value"; NA and an empty cell if left out
missing = ["NA", "-9"]
separator = ";"                         # a comma if left out
decimal = ","                           # a point if left out
sheet = "Sheet1"                        # of an XLSX file; the first if left out
keep = {arm = "A", week = [0, 8]}       # only rows with these values
repeat_by = "count"                     # each row stands for so many people
# wide to long
stack = {columns = ["w0", "w8"], into = "pain", label = "week", labels = [0, 8]}
steps = [                               # in their order; all of them below
  {do = "difference", of = ["after", "before"], into = "change"},
]

[data.other]  # further data sets, as many as you like, each with a name;
# a small table can be written here too, in three quotation marks
table = """
person, first, second
1, 10, 12
2, 11, 15
"""

[data.arm_b]
from = "main"  # start from the sheet's own [data] ("main") or from one above
keep = {arm = "B"}

[columns]  # the method's words = your columns, for all figures
before = "extra_hours_drug2"
after = "extra_hours_drug1"

[inputs.treated]  # printed summary figures that serve as input, under a name
n = 25
mean = "79.6"  # in quotation marks, as printed: their rounding is allowed for
sd = "17.1"
# optional: ends of the scale, items of a score: what cannot be is said
scale_low = 0
scale_high = 100
items = 1

# optional: what all figures share (also method, with, data, keep)
[every_figure]
where = "Table 2"
read = "read"

[[figure]]                              # one block a printed figure ...
name = "t of the difference"
# in quotation marks, with the decimals of the paper; "<0.001" too
printed = "-4.06"
where = "p. 21, Table I"
read = "read"  # "read" there, "quoted" elsewhere, "recalled" from memory
read_in = "where it was quoted"         # wanted with "quoted"
method = "paired_t"                     # replicate --format lists them
take = "t"                              # which of the method's numbers
with = {alternative = "greater"}  # settings, or columns, of this figure alone
data = "arm_b"                          # another data set than [data]
keep = {site = "north"}                 # only these rows, for this figure
steps = [{do = "complete"}]             # further steps, for this figure
# only where the paper truly prints a whole number (not for n and df)
decimals = 0
# how far is close enough (wider than a digit is counted apart), and
tolerance = 0.5
tolerance_because = "two optimisers"    # why
explanation = "why it does not come out again"  # your own words

[[figure]]                              # ... or several of one method at once
name = "the paired test"
printed = {t = "-4.06", df = "9", p = "0.003", mean = "-1.58"}
where = "p. 21"
read = "read"
method = "paired_t"

[[check]]  # printed numbers checked among each other, without data
name = "Table 1, arm A"
n = "25"
mean = "79.6"
sd = "17.1"
se = "3.4"
explanation = "optional: what you know about one that does not fit"

WHAT COMES BACK
  agrees within rounding          to every printed digit
  agrees the other way round      both sides of a difference or ratio exchanged
  agrees within stated tolerance  at most one unit of the last printed digit
  within a tolerance wider than the last printed digit: counted apart
  not reproduced: the field's usual alternatives are tried, those that fit named
Beside each figure stands R's call that gives it (column in_r of result.csv).
'''


def format_page(about: str | None = None) -> str:
    """The documentation of the sheet as text: all of it in short, or one method (or one step, or "steps", "check").

    Args:
        about: a method's name, a step's, "steps", "check", "methods", or None for the layout and all lists.

    Raises:
        SheetError: there is no such method or part.

    Example:
        >>> "mean of the paired differences" in format_page("paired_t")
        True
    """
    if about is None:
        return "\n".join([LAYOUT, steps_page(), check_page(), methods_page()])
    parts = {"steps": steps_page(), "check": check_page(), "methods": methods_page(), "layout": LAYOUT}
    if about in parts:
        return parts[about]
    if about in OPERATIONS:
        return _operation(about)
    if about not in METHODS:
        import difflib

        near = difflib.get_close_matches(about, [*METHODS, *OPERATIONS, *parts], n=3, cutoff=0.4)
        meant = f" Did you mean {' or '.join(near)}?" if near else ""
        raise SheetError(f'there is no method or part "{about}".{meant} replicate --format lists them.')
    return method_page(METHODS[about])


def steps_page() -> str:
    """The steps, each with its words and an example."""
    return "STEPS (in steps = [...], under [data], [data.NAME] or one [[figure]])\n" + "\n".join(
        map(_operation, OPERATIONS)
    )


def _operation(name: str) -> str:
    operation = OPERATIONS[name]
    words = [
        f"{key}{'' if word.needed else ' (optional)'}: {word.what}"
        + (f": {', '.join(word.choices)}" if word.choices else "")
        for key, word in operation.keys.items()
    ]
    lines = [_wrapped(f"  {name}: {operation.what}"), f"      {operation.example}"]
    return "\n".join([*lines, _wrapped("      " + "; ".join(words))])


def check_page() -> str:
    """The words of a `[[check]]` (and of the table that `replicate --paper` takes)."""
    words = "\n".join(_wrapped(f"  {word}: {what}") for word, what in WORDS.items())
    return (
        "CHECKS of printed numbers among each other: [[check]] in a sheet, or a CSV with these columns and\n"
        "replicate --paper FILE.csv (one row a place in the paper; name and where say which; fill what is "
        "printed)\n" + words
    )


def methods_page() -> str:
    """All methods, one line each, by topic."""
    lines = ["METHODS (replicate --format NAME explains one, with an example that runs)"]
    for topic in dict.fromkeys(method.topic for method in METHODS.values()):
        lines.append(f"  {topic}")
        lines += [_wrapped(f"    {one.name}: {one.what}") for one in METHODS.values() if one.topic == topic]
    return "\n".join(lines)


def method_page(method: Method) -> str:
    """One method: what it does, its columns, settings, inputs and outputs, R's call, and a sheet that runs."""
    parts = [_wrapped(f"{method.name}: {method.what}"), ""]
    if method.columns:
        parts.append("columns (under [columns], or in with = {…})")
        parts += [_entry(name, method, " (optional)" if name in method.optional else "") for name in method.columns]
    if method.groups:
        parts.append("printed figures (as [inputs.NAME], or in with = {NAME = {…}})")
        for name, needed in method.groups.items():
            wanted = f" ({', '.join(needed)})" if needed else ""
            parts.append(_entry(name, method, wanted + (" (optional)" if name in method.optional else "")))
    if method.settings:
        parts.append("settings (in with = {…}; what holds if left out)")
        for name, default in method.settings.items():
            choices = method.choices.get(name)
            among = f", one of {', '.join(map(toml_value, choices))}" if choices else ""
            parts.append(_entry(name, method, f" = {toml_value(default)}{among}"))
    parts.append("numbers a figure may take")
    parts += [_entry(name, method, "") for name in method.gives]
    if method.alternatives:
        tried = "; ".join(name for name, _ in method.alternatives)
        parts.append(_wrapped(f"tried when a figure does not come out: {tried}"))
    if method.r:
        parts.append(_wrapped(f"in R: {method.r}"))
    parts += [_wrapped(f"computed by: {method.uses}"), "", "a sheet that runs:", "", example_sheet(method.name)]
    return "\n".join(parts)


def _entry(name: str, method: Method, more: str) -> str:
    said = meaning_of(method, name)
    return _wrapped(f"  {name}{more}{': ' + said if said else ''}")


def _wrapped(text: str) -> str:
    indent = " " * (len(text) - len(text.lstrip()) + 4)
    return "\n".join(textwrap.wrap(text, WIDTH, subsequent_indent=indent, break_long_words=False))


def example_sheet(name: str) -> str:
    """A whole sheet for a method, with a small invented table in it; its printed figure is a placeholder.

    Example:
        >>> "method = \\"friedman\\"" in example_sheet("friedman")
        True
    """
    example: Example = EXAMPLES[name]
    lines = [
        'format = "replication/1"',
        f'title = "Example of {name}"',
        'design = "example"',
        'citation = "nobody: the numbers are invented"',
    ]
    if example.table is not None:
        lines += ["", "[data]", 'table = """', example.table, '"""']
    if example.columns:
        lines += ["", "[columns]", *(f"{key} = {toml_value(value)}" for key, value in example.columns.items())]
    for group, figures in example.inputs.items():
        lines += ["", f"[inputs.{group}]", *(f"{key} = {toml_value(value)}" for key, value in figures.items())]
    lines += [
        "",
        "[[figure]]",
        f'name = "{example.take}"',
        'printed = "0.05"      # a placeholder: write what the paper prints',
        'where = "p. 1"',
        'read = "read"',
        f'method = "{name}"',
        f'take = "{example.take}"',
    ]
    if example.settings:
        lines.append(f"with = {toml_value(dict(example.settings))}")
    return "\n".join(lines) + "\n"


def toml_value(value: Any) -> str:
    """A value as TOML writes it.

    Example:
        >>> toml_value({"groups": ["client"], "level": 0.9})
        '{groups = ["client"], level = 0.9}'
    """
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, (int, float)):
        return str(value)
    if isinstance(value, (list, tuple)):
        return f"[{', '.join(map(toml_value, value))}]"
    if isinstance(value, Mapping):
        return "{" + ", ".join(f"{_key(str(key))} = {toml_value(one)}" for key, one in value.items()) + "}"
    return '"' + str(value).replace("\\", "\\\\").replace('"', '\\"') + '"'


def _key(name: str) -> str:
    plain = bool(name) and all(sign.isascii() and (sign.isalnum() or sign in "_-") for sign in name)
    return name if plain else toml_value(name)
