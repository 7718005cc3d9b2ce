"""A result as a file: its frame for machines, its table and sentence for a paper, its figure for both.

`toolkit.writing` writes: whole or not at all, and never over what somebody else made.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np
import pandas as pd

from toolkit.errors import NotEnoughError, ToolkitError
from toolkit.result_views import for_reading
from toolkit.safe_text import safe_for_spreadsheets
from toolkit.writing import write_file

if TYPE_CHECKING:
    from matplotlib.figure import Figure


class Savable(Protocol):
    """What can be written: a frame, a sentence, a figure."""

    @property
    def frame(self) -> pd.DataFrame:
        """The rows at full precision."""

    def sentence(self) -> str:
        """The words."""

    def plot(self) -> Figure:
        """The picture."""


def save(result: Savable, path: Path, *, replace: bool = False) -> Path:
    """Write a result as its path's ending says; see `toolkit.result.Shown.save`."""
    ending = path.suffix.lower()
    if ending not in _WRITERS:
        raise ToolkitError(
            f"'{path.name}' ends in '{ending}', which nothing here writes. Choose {', '.join(_WRITERS)}."
        )
    return write_file(path, _WRITERS[ending](result), replace=replace)


def _csv(result: Savable) -> bytes:
    return safe_for_spreadsheets(result.frame).to_csv(index=False).encode("utf-8")


def _xlsx(result: Savable) -> bytes:
    """One sheet with the frame, one with the words; texts as texts."""
    page = io.BytesIO()
    words = pd.DataFrame({"in words": [result.sentence(), *getattr(result, "notes", ())]})
    with pd.ExcelWriter(page, engine="openpyxl") as book:
        safe_for_spreadsheets(result.frame).to_excel(book, sheet_name="numbers", index=False)
        safe_for_spreadsheets(words).to_excel(book, sheet_name="in words", index=False)
    return page.getvalue()


def _docx(result: Savable) -> bytes:
    """A document: the title, the sentence, the table rounded for reading, the notes."""
    from docx import Document

    page, frame = Document(), for_reading(result.frame)
    title = getattr(result, "title", "")
    if title:
        page.add_heading(title, level=1)
    page.add_paragraph(result.sentence())
    table = page.add_table(rows=1, cols=max(1, len(frame.columns)), style="Light List")
    for cell, name in zip(table.rows[0].cells, frame.columns, strict=False):
        cell.text = _heading(name)
    for row in frame.itertuples(index=False):
        for cell, value in zip(table.add_row().cells, row, strict=False):
            cell.text = str(value)
    for note in getattr(result, "notes", ()):
        page.add_paragraph(note)
    out = io.BytesIO()
    page.save(out)
    return out.getvalue()


def _tex(result: Savable) -> bytes:
    """A LaTeX table with its caption, every sign escaped; needs the package booktabs."""
    frame = for_reading(result.frame).rename(columns=_heading)
    escaped = frame.map(_tex_text).rename(columns=_tex_text)
    lines = [
        r"\begin{table}",
        rf"\caption{{{_tex_text(result.sentence())}}}",
        rf"\begin{{tabular}}{{{'l' * len(escaped.columns)}}}",
        r"\toprule",
        " & ".join(map(str, escaped.columns)) + r" \\",
        r"\midrule",
        *(" & ".join(map(str, row)) + r" \\" for row in escaped.itertuples(index=False)),
        r"\bottomrule",
        r"\end{tabular}",
        r"\end{table}",
    ]
    return ("\n".join(lines) + "\n").encode("utf-8")


def _heading(name: object) -> str:
    return {"ci_low": "lower limit", "ci_high": "upper limit"}.get(str(name), str(name).replace("_", " "))


def _tex_text(words: object) -> str:
    """Words with every sign that LaTeX would take for a command written out."""
    signs = {"\\": r"\textbackslash{}", "~": r"\textasciitilde{}", "^": r"\textasciicircum{}", "°": r"\textdegree{}"}
    signs |= {sign: f"\\{sign}" for sign in "&%$#_{}"} | {"<": r"$<$", ">": r"$>$", "−": r"$-$", "±": r"$\pm$"}
    return "".join(signs.get(sign, sign) for sign in str(words))


def _picture(kind: str) -> Callable[[Savable], bytes]:
    def drawn(result: Savable) -> bytes:
        import matplotlib

        page, figure = io.BytesIO(), result.plot()
        about: dict[str, Any] = {"svg": {"Date": None}, "pdf": {"CreationDate": None}}.get(kind, {})
        with matplotlib.rc_context({"svg.fonttype": "none", "svg.hashsalt": "session records"}):
            figure.savefig(page, format=kind, dpi=200, bbox_inches="tight", metadata=about)
        return page.getvalue()

    return drawn


_WRITERS: dict[str, Callable[[Any], bytes]] = {
    ".csv": _csv,
    ".xlsx": _xlsx,
    ".docx": _docx,
    ".tex": _tex,
    ".png": _picture("png"),
    ".svg": _picture("svg"),
    ".pdf": _picture("pdf"),
}


def interval_figure(frame: pd.DataFrame, *, groups: Sequence[str] = (), title: str = "") -> Figure:
    """Every row that has an estimate, one below the other, with its interval; a panel a unit.

    Raises
    ------
    NotEnoughError
        No row has an estimate.
    """
    from matplotlib.figure import Figure

    rows = frame.loc[np.isfinite(frame["estimate"].astype(float))] if "estimate" in frame else frame.head(0)
    if rows.empty:
        raise NotEnoughError("There is no row with an estimate, so there is nothing to draw.")
    unit = rows["unit"].fillna("").astype(str)
    units = list(dict.fromkeys(unit))
    heights = [int((unit == name).sum()) for name in units]
    figure = Figure(figsize=(7.0, 0.9 * len(units) + 0.42 * sum(heights) + 0.3), layout="constrained")
    panels = figure.subplots(len(units), 1, squeeze=False, height_ratios=[h + 0.8 for h in heights])[:, 0]
    for axes, name in zip(panels, units, strict=True):
        _draw_intervals(axes, rows.loc[unit == name], groups=groups, unit=name)
    if title:
        figure.suptitle(title)
    return figure


def _draw_intervals(axes: Any, rows: pd.DataFrame, *, groups: Sequence[str], unit: str) -> None:
    """One panel: estimates as points, intervals as lines (an end without limit is left open), zero as a thin line."""
    named = [name for name in (*groups, "what") if name in rows and (name in groups or rows["what"].nunique() > 1)]
    labels = rows[named].astype(str).agg(", ".join, axis=1) if named else rows["what"].astype(str)
    point = rows["estimate"].astype(float).to_numpy()
    low, high = (rows[end].astype(float).to_numpy() for end in ("ci_low", "ci_high"))
    reach = np.nan_to_num(np.vstack([point - low, high - point]), nan=0.0, posinf=0.0, neginf=0.0).clip(min=0)
    place = np.arange(len(rows))[::-1]
    axes.errorbar(point, place, xerr=reach, fmt="o", color="#1f4e79", ecolor="#1f4e79", capsize=3, lw=1.6)
    axes.set_yticks(place, list(labels))
    axes.set_ylim(-0.6, len(rows) - 0.4)
    axes.axvline(0, color="0.4", lw=0.9, ls="--", zorder=0)
    levels = sorted({f"{level:.4g}" for level in 100 * rows["level"].astype(float).dropna()})
    axes.set_xlabel(f"{unit or 'no unit'}, with {' and '.join(levels)} % interval" if levels else unit)
    axes.spines[["top", "right"]].set_visible(False)
