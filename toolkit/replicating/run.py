"""Run replications: one sheet, or every one that is shipped, one line each."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from toolkit.errors import SheetError
from toolkit.replicating.compare import WIDE_TOLERANCE, Replication, compare_sheet
from toolkit.replicating.sheet import read_sheet
from toolkit.resources import dataset_file
from toolkit.writing import table_maker, write_file

SHEET_NAME = "replication.toml"


def replicate(path: str | Path) -> Replication:
    """Recompute every printed figure of a replication sheet.

    Parameters
    ----------
    path
        A sheet (TOML), or a folder that holds a `replication.toml`.

    Returns
    -------
    Replication
        One line of words, one table row a figure: printed, recomputed, whether they agree.

    Raises
    ------
    SheetError
        The sheet is wrong; every fault with its line and remedy.

    Examples
    --------
    >>> from toolkit.resources import dataset_file
    >>> found = replicate(dataset_file("open/sleep_drugs"))
    >>> found.n_agreeing == found.total
    True
    """
    path = Path(path)
    return compare_sheet(read_sheet(path / SHEET_NAME if path.is_dir() else path))


def shipped_sheets() -> list[Path]:
    """The sheets shipped with the toolkit, sorted by folder."""
    return sorted(dataset_file("open").glob("*/replication*.toml"))


def result_path(sheet: Path) -> Path:
    """Where the result of a sheet stands: replication.toml gives result.csv beside it, my.toml my_result.csv."""
    own = sheet.stem.replace("replication", "result")
    return sheet.with_name(f"{own if own != sheet.stem else f'{own}_result'}.csv")


def write_result(replication: Replication, *, replace: bool = False) -> Path:
    """Write the result beside its sheet (one row a figure, recomputed to two digits more than printed)."""
    return write_file(result_path(replication.sheet.path), table_maker(replication.table()), replace=replace)


def replicate_command(
    path: str | Path | None = None,
    *,
    write: bool = False,
    replace: bool = False,
    say: Callable[[str], object] = print,
) -> int:
    """Run one sheet and show each figure, or run all shipped sheets and show one line each.

    Parameters
    ----------
    path
        A sheet or its folder; None for all that are shipped.
    write
        Also write `result.csv` beside each sheet.
    replace
        Over an earlier one that nobody changed.
    say
        Where the lines go.

    Returns
    -------
    int
        The number of figures that did not come out again and have no explanation in their sheet.

    Raises
    ------
    SheetError
        A sheet is wrong, or there is none.
    """
    sheets = shipped_sheets() if path is None else [Path(path)]
    if not sheets:
        raise SheetError("no replication sheet is shipped here: give the path of a replication.toml of your own")
    ran = [replicate(sheet) for sheet in sheets]
    for found in ran:
        say(_line(found, label=found.sheet.label if path is None else found.sheet.title))
        if path is not None:
            _say_all(found, say)
        if write:
            write_result(found, replace=replace)
    if path is None:
        rounding, agreeing, total = (sum(values) for values in zip(*map(_counts, ran), strict=True))
        say(f"{len(ran)} replications: {agreeing}/{total} figures agree ({rounding} within rounding)")
    return sum(len(_unexplained(found)) for found in ran)


def _say_all(found: Replication, say: Callable[[str], object]) -> None:
    """Every figure of one sheet, the summary figures that cannot be, and the checks among printed numbers."""
    for doubt in found.sheet.doubts:
        say(f"  {found.sheet.path.name}, {doubt}")
    for one in found.compared:
        say(f"  {one.sentence()}")
    if found.page is not None:
        say(f"  {found.page.sentence()}")
        for line in found.page.lines():
            say(f"    {line}")


def _counts(found: Replication) -> tuple[int, int, int]:
    return found.n_within_rounding, found.n_agreeing, found.total


def _unexplained(found: Replication) -> list[str]:
    figures = [
        one.figure.name
        for one in found.compared
        if one.outcome != WIDE_TOLERANCE and not one.agrees and not one.figure.explanation
    ]
    return figures + (found.page.unexplained if found.page is not None else [])


def _line(found: Replication, *, label: str) -> str:
    """One replication in one line: agreeing / total, and whether the others are explained."""
    differing, unexplained = found.total - found.n_agreeing - found.n_wide, len(_unexplained(found))
    more = f", {found.n_other_way} the other way round" if found.n_other_way else ""
    more += f"; {found.n_wide} more only within a tolerance wider than the last digit" if found.n_wide else ""
    more += f"; {differing} not reproduced, {differing - unexplained} of them explained" if differing else ""
    return f"{label}: {found.n_agreeing}/{found.total} figures agree ({found.n_within_rounding} within rounding{more})"
