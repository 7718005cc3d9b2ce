"""What the notebook on published analyses shows: the data drawn, the analysis in the usual libraries, a sheet begun."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from toolkit.errors import ToolkitError
from toolkit.looks.html import ReportTable
from toolkit.looks.style import described
from toolkit.looks.words import spaced
from toolkit.notebook.pieces import ToCopy, Words, table, words
from toolkit.replicating import filled_sheet, new_sheet
from toolkit.replicating.in_libraries import in_library, library_table

if TYPE_CHECKING:
    from matplotlib.figure import Figure as Drawn

    from toolkit.replicating import Replication, Sheet
    from toolkit.replicating.sheet_figures import Figure

_MOST_ROWS = 8


def sheet_data(sheet: Sheet) -> ReportTable | Words:
    """The first rows of a sheet's data, as the analysis sees them."""
    frame = next((figure.rows for figure in sheet.figures if figure.rows is not None), None)
    if frame is None:
        return words(("Data", "The paper gives none: the sheet holds its printed summary figures."))
    return table(frame.head(_MOST_ROWS), f"The first {min(_MOST_ROWS, len(frame))} of {len(frame)} rows")


def draw_sheet(sheet: Sheet) -> Drawn | Words:
    """The readings of a sheet drawn with seaborn: before and after, groups, agreement or courses, by its methods."""
    for figure in sheet.figures:
        drawing = None if figure.rows is None else _drawing_of(figure)
        if drawing is not None:
            title, said = drawing[1:]
            return described(drawing[0], title=f"{sheet.title}: {title}", description=said)
    return words(("Drawing", "This sheet holds printed figures or counts: there are no single readings to draw."))


def _drawing_of(figure: Figure) -> tuple[Drawn, str, str] | None:
    """Figure, what it shows, and its description; None where the method has no drawing."""
    s, name = figure.settings, figure.method.name
    rows = pd.DataFrame(figure.rows)
    if {"before", "after"} <= s.keys() and s["before"] in rows and s["after"] in rows:
        return _before_after(rows, str(s["before"]), str(s["after"]))
    if name in ("limits_of_agreement", "repeatability", "concordance"):
        return _agreement(rows, str(s["first"]), str(s["second"]))
    value = s.get("value") or s.get("outcome")
    group = s.get("group") or s.get("phase")
    if {"person", "reading"} <= s.keys():
        return _courses(rows, str(s["person"]), str(s["reading"]), str(value))
    if {"subject", "reader"} <= s.keys():
        return _courses(rows, str(s["subject"]), str(s["reader"]), str(value))
    if isinstance(value, str) and isinstance(group, str) and value in rows and group in rows:
        return _in_groups(rows, group, value)
    if {"x", "y"} <= s.keys():
        return _scatter(rows, str(s["x"]), str(s["y"]))
    return None


def _axes(width: float = 6.0) -> tuple[Drawn, Any]:
    from matplotlib.figure import Figure as Canvas

    canvas = Canvas(figsize=(width, 4.0), layout="constrained")
    axes = canvas.add_subplot()
    axes.spines[["top", "right"]].set_visible(False)
    return canvas, axes


def _before_after(rows: pd.DataFrame, before: str, after: str) -> tuple[Drawn, str, str]:
    import seaborn

    pairs = rows[[before, after]].apply(pd.to_numeric, errors="coerce").dropna().reset_index(drop=True)
    long = pairs.reset_index(names="person").melt(id_vars="person", var_name="reading", value_name="value")
    canvas, axes = _axes()
    seaborn.lineplot(long, x="reading", y="value", units="person", estimator=None, ax=axes, color="#9ab", marker="o")
    axes.set_xticks([0, 1], [spaced(before), spaced(after)], parse_math=False)
    axes.set(xlabel="", ylabel="reading")
    up = int((pairs[after] > pairs[before]).sum())
    said = f"{len(pairs)} people, a line each from {before} to {after}: {up} lines rise, {len(pairs) - up} do not."
    return canvas, "a line a person", said


def _agreement(rows: pd.DataFrame, first: str, second: str) -> tuple[Drawn, str, str]:
    import seaborn

    pairs = rows[[first, second]].apply(pd.to_numeric, errors="coerce").dropna()
    apart, middle = pairs[first] - pairs[second], pairs.mean(axis=1)
    canvas, axes = _axes()
    seaborn.scatterplot(x=middle, y=apart, ax=axes, color="#005a8c")
    for level in (apart.mean(), apart.mean() - 1.96 * apart.std(), apart.mean() + 1.96 * apart.std()):
        axes.axhline(float(level), color="#555555", linewidth=1)
    axes.set(xlabel="mean of both", ylabel=f"{spaced(first)} less {spaced(second)}")
    said = f"{len(pairs)} pairs: the differences have mean {apart.mean():.3g} and SD {apart.std():.3g}."
    return canvas, "difference against mean", said


def _courses(rows: pd.DataFrame, person: str, reading: str, value: str) -> tuple[Drawn, str, str] | None:
    import seaborn

    if not {person, reading, value} <= set(rows.columns):
        return None
    long = rows[[person, reading, value]].dropna()
    canvas, axes = _axes()
    seaborn.lineplot(
        long, x=reading, y=value, units=person, estimator=None, ax=axes, color="#9ab", marker="o", linewidth=0.8
    )
    axes.set(xlabel=spaced(reading), ylabel=spaced(value))
    said = f"{long[person].nunique()} lines, one a {person}, over {long[reading].nunique()} readings."
    return canvas, "a line each", said


def _in_groups(rows: pd.DataFrame, group: str, value: str) -> tuple[Drawn, str, str]:
    import seaborn

    seen = rows[[group, value]].assign(**{value: pd.to_numeric(rows[value], errors="coerce")}).dropna()
    seen[group] = seen[group].astype(str)
    canvas, axes = _axes()
    names = list(dict.fromkeys(seen[group]))
    seaborn.stripplot(seen, x=group, y=value, order=names, ax=axes, color="#005a8c", size=4, jitter=0.12)
    middle = seen.groupby(group)[value].mean()
    for place, name in enumerate(names):
        axes.hlines(middle[name], place - 0.25, place + 0.25, color="#555555")
    means = ", ".join(f"{name} {middle[name]:.3g}" for name in names)
    return canvas, "each person, by group", f"{len(seen)} values in {seen[group].nunique()} groups; means: {means}."


def _scatter(rows: pd.DataFrame, x: str, y: str) -> tuple[Drawn, str, str] | None:
    import seaborn

    if not {x, y} <= set(rows.columns):
        return None
    seen = rows[[x, y]].apply(pd.to_numeric, errors="coerce").dropna()
    canvas, axes = _axes()
    seaborn.scatterplot(seen, x=x, y=y, ax=axes, color="#005a8c")
    said = f"{len(seen)} points, correlation {np.corrcoef(seen[x], seen[y])[0, 1]:.2f}."
    return canvas, f"{y} against {x}", said


def library_lines(sheet: Sheet) -> ToCopy | Words:
    """The lines that rerun the paper's analysis in pingouin, statsmodels and scipy, each analysis once."""
    seen: list[str] = []
    for figure in sheet.figures:
        try:
            found = in_library(figure)
        except ToolkitError:
            continue
        if found is not None and found.code not in seen:
            seen.append(found.code)
    if not seen:
        return words(("In Python", "None of its methods stands in pingouin, statsmodels or scipy; R's call is beside."))
    return ToCopy(text="\n\n".join(seen))


def beside(found: Replication) -> ReportTable:
    """Printed, recomputed here, and as the libraries give it, one row a figure, with R's call."""
    rows = library_table(found)
    rows["recomputed"] = found.table()["recomputed"]
    rows["library"] = [None if pd.isna(value) else f"{value:.6g}" for value in rows["library"]]
    rows["in R"] = found.table()["in_r"]
    return table(rows.fillna("not in these libraries"), "Printed, here, and in the usual libraries")


def begin_sheet(method: str, *, data: str | None = None, **answers: Any) -> ToCopy | Words:
    """A commented sheet for a method and a data file, with what is known filled in; to copy into a text file."""
    try:
        text = new_sheet(method, data=data)
    except ToolkitError as reason:
        return words(("Not yet", str(reason)))
    return ToCopy(text=filled_sheet(text, {key: value for key, value in answers.items() if value}))
