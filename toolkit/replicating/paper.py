"""Does a paper hang together? Printed numbers checked among each other, with nothing but the numbers.

One row holds what a paper prints in one place (a group, a test, a before/after line), each number as printed, under the
words of `WORDS`. Every check that the filled words allow is made, each allowing for the rounding of all its numbers.
A number that does not fit is no proof of anything: a misprint, another n, another formula all do it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType
from typing import Any

import pandas as pd

from toolkit.errors import SheetError
from toolkit.records.workbook_guard import bounded_bytes
from toolkit.replicating.paper_checks import CHECKS, Found
from toolkit.replicating.printed import read_printed
from toolkit.replicating.sheet_problems import Lines, Problem, unknown_keys
from toolkit.result import Shown

WORDS: Mapping[str, str] = MappingProxyType(
    {
        "n": "people (or pairs)",
        "mean": "mean of a group, or of one reading",
        "sd": "its standard deviation",
        "se": "its standard error",
        "ci_low": "lower limit of the interval of the mean (or of the difference where one is printed)",
        "ci_high": "upper limit",
        "level": "confidence level of the intervals, 0.95 if left out",
        "scale_low": "lowest score there can be",
        "scale_high": "highest score there can be",
        "items": "whole-number items that were averaged to a score (1 = a whole-number score)",
        "count": "people who have something",
        "percent": "their percentage of n",
        "n_2": "people of the second group",
        "mean_2": "mean of the second group",
        "sd_2": "its standard deviation",
        "difference": "printed difference of the two means (either way round)",
        "mean_before": "mean before",
        "sd_before": "its standard deviation",
        "mean_after": "mean after",
        "sd_after": "its standard deviation",
        "mean_change": "mean change",
        "sd_change": "standard deviation of the changes",
        "t": "t of a test",
        "F": "F of a test",
        "chi2": "chi-squared of a test",
        "z": "z of a test",
        "r": "a correlation",
        "df": "degrees of freedom (of the numerator for F)",
        "df2": "degrees of freedom of the denominator of F",
        "p": "p of the test",
        "d": "standardised difference (of two groups: pooled SD; of changes: SD of the changes)",
    }
)
SAID = ("name", "where", "explanation")
FITS, DOES_NOT_FIT, SILENT = "fits", "does not fit", "tells nothing"


@dataclass(frozen=True, kw_only=True)
class PaperRow:
    """What a paper prints in one place."""

    name: str
    numbers: Mapping[str, str]
    where: str = ""
    explanation: str = ""


@dataclass(frozen=True, kw_only=True, eq=False)
class PaperPage(Shown):
    """Every check that the printed numbers allow, one row each."""

    rows: tuple[PaperRow, ...]
    found: tuple[tuple[PaperRow, Found], ...]

    @property
    def n_not_fitting(self) -> int:
        """Checks that do not come out."""
        return sum(one.verdict == DOES_NOT_FIT for _, one in self.found)

    @property
    def unexplained(self) -> list[str]:
        """Places with a check that does not come out and no explanation beside."""
        return [row.name for row, one in self.found if one.verdict == DOES_NOT_FIT and not row.explanation]

    def sentence(self) -> str:
        """How many checks there were and how many numbers do not fit each other."""
        if not self.found:
            return f"{len(self.rows)} place(s) read; the numbers given allow no check: give more of each (n, sd, df, p)"
        silent = sum(one.verdict == SILENT for _, one in self.found)
        fitting = len(self.found) - silent - self.n_not_fitting
        text = f"{len(self.rows)} place(s) of the paper allow {len(self.found)} checks: {fitting} fit"
        text += f", {silent} tell nothing" if silent else ""
        if not self.n_not_fitting:
            return f"{text}, none contradicts another; that the numbers fit says nothing of how they came about"
        return (
            f"{text}, {self.n_not_fitting} do not fit: look for a misprint, another n, another formula, or ask the "
            "authors; a number that does not fit is no proof of anything"
        )

    def table(self) -> pd.DataFrame:
        """One row a check: where, what was checked, printed, verdict, why."""
        columns = ["place", "where", "check", "printed", "verdict", "because", "explanation"]
        return pd.DataFrame(
            [
                (row.name, row.where, one.check, one.printed, one.verdict, one.because, row.explanation)
                for row, one in self.found
            ],
            columns=columns,
        )

    def lines(self) -> list[str]:
        """The page as lines of text: what does not fit first."""
        order = {DOES_NOT_FIT: 0, SILENT: 1, FITS: 2}
        ranked = sorted(self.found, key=lambda pair: order[pair[1].verdict])
        return [f"{row.name}: {one.check}: {one.printed} {one.verdict}: {one.because}" for row, one in ranked]


def hangs_together(
    source: str | Path | pd.DataFrame | Iterable[Mapping[str, Any] | PaperRow],
) -> PaperPage:
    """Check the printed numbers of a paper among each other.

    Parameters
    ----------
    source : path, pandas.DataFrame or list of mappings
        A CSV, TSV or XLSX file, or the rows themselves: one row a place in the paper, a column for each word of
        `WORDS` that it prints there, as text with the paper's decimals; `name` and `where` say which place it is. Also
        the `checks` of a sheet that was read.

    Returns
    -------
    PaperPage
        `.frame` has one row a check (verdict: fits, does not fit, tells nothing), `.sentence()` the sum.

    Raises
    ------
    SheetError
        The file cannot be read, a word is not known, or a cell is not one number.

    References
    ----------
    Brown & Heathers (2017) Soc Psychol Personal Sci 8:363-369; Nuijten et al. (2016) Behav Res Methods 48:1205-1226.

    Source: Brown & Heathers (2017) Soc Psychol Personal Sci 8:363-369; Nuijten et al. (2016) Behav Res Methods 48:1205.

    Examples
    --------
    >>> page = hangs_together([{"name": "arm A", "n": "20", "mean": "3.47", "items": "1"}])
    >>> page.n_not_fitting
    1
    """
    rows = tuple(row if isinstance(row, PaperRow) else _row(nth, row) for nth, row in enumerate(_rows(source), start=1))
    found = [(row, one) for row in rows for check in CHECKS for one in check(row.numbers)]
    return PaperPage(rows=rows, found=tuple(found))


def read_checks(raw: Mapping[str, Any], lines: Lines, problems: list[Problem]) -> tuple[PaperRow, ...]:
    """The `[[check]]` tables of a sheet; what is wrong goes to `problems`, with its line."""
    rows = []
    for nth, entry in enumerate(raw.get("check", [])):
        problems += unknown_keys(entry, {*WORDS, *SAID}, lines, "[[check]]", nth)
        try:
            rows.append(_row(nth + 1, entry))
        except SheetError as fault:
            line = lines.of("[[check]]", nth=nth)
            problems.append(
                Problem(line=line, what=str(fault), remedy="write each number as printed, in quotation marks")
            )
    return tuple(rows)


def _row(nth: int, row: Mapping[str, Any]) -> PaperRow:
    numbers = {}
    for word in WORDS:
        value = row.get(word)
        if value is None or (not isinstance(value, str) and pd.isna(value)) or str(value).strip() == "":
            continue
        text = str(value).strip()
        printed = read_printed(text)
        if printed.side and word != "p":
            raise SheetError(f'{word} = "{text}" is a limit, not a number: only p may be printed as one')
        _possible(word, text, printed.value)
        numbers[word] = text
    said = {word: str(row.get(word, "") or "") for word in SAID}
    return PaperRow(
        name=said["name"] or f"place {nth}", where=said["where"], explanation=said["explanation"], numbers=numbers
    )


def _possible(word: str, text: str, value: float) -> None:
    """What no number of this kind can be, said at once."""
    if word in ("n", "n_2", "items") and (value < 1 or value % 1):
        raise SheetError(f'{word} = "{text}" is no count of people or items')
    if word in ("df", "df2") and value <= 0:
        raise SheetError(f'{word} = "{text}": degrees of freedom are above 0')
    if word == "level" and not 0 < value < 1:
        raise SheetError(f'level = "{text}": write 0.95 for 95 %')


def _rows(source: str | Path | pd.DataFrame | Iterable[Mapping[str, Any] | PaperRow]) -> list[Any]:
    """The rows of a file, a frame or a list; unknown columns are refused by name."""
    if isinstance(source, str | Path):
        source = _read(Path(source))
    rows: list[Any] = source.to_dict("records") if isinstance(source, pd.DataFrame) else list(source)
    for row in rows:
        unknown = [] if isinstance(row, PaperRow) else [name for name in row if name not in WORDS and name not in SAID]
        if unknown:
            known = ", ".join([*SAID, *WORDS])
            raise SheetError(f'"{unknown[0]}" is not a word of the table of printed numbers: use {known}.')
    return rows


def _read(path: Path) -> pd.DataFrame:
    if not path.is_file():
        raise SheetError(f"{path.name}: there is no such file. Give a table of printed numbers, one row a place.")
    sign = "\t" if path.suffix.lower() == ".tsv" else ","
    try:
        if path.suffix.lower() == ".xlsx":
            return pd.read_excel(bounded_bytes(path), dtype=str)
        return pd.read_csv(bounded_bytes(path), dtype=str, sep=sign, encoding="utf-8-sig")
    except (ValueError, OSError, KeyError, pd.errors.ParserError, pd.errors.EmptyDataError) as fault:
        raise SheetError(
            f"{path.name} cannot be read as a table ({str(fault)[:100]}). Save it as CSV in UTF-8."
        ) from None
