"""What a notebook shows and asks with: sentences, a drawing with its title, lines to copy, drop-downs.

Every piece is also text, so it can be read aloud or copied into a message.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from typing import TYPE_CHECKING, Any

import pandas as pd

from toolkit.looks.html import ReportTable
from toolkit.looks.report_figures import drawing_of
from toolkit.looks.style import WIDE, readable_on_a_phone
from toolkit.looks.words import readable, spaced
from toolkit.number_words import figure_text
from toolkit.result_views import NO_FORMULAS

if TYPE_CHECKING:
    import ipywidgets


@dataclass(frozen=True, kw_only=True)
class Drawing:
    """A figure in a notebook: an image under its title, and its description where no image can be shown."""

    title: str
    description: str
    svg: str

    def __str__(self) -> str:
        return f"{self.title}. {self.description}"

    __repr__ = __str__

    def _repr_html_(self) -> str:
        title = f"<figcaption style='font-weight:bold;max-width:{WIDE}in'>{escape(self.title)}</figcaption>"
        return f"<figure style='margin:0'>{title}{readable_on_a_phone(self.svg)}</figure>"


@dataclass(frozen=True, kw_only=True)
class Words:
    """Sentences in a notebook, each with a short name before it ("" = none)."""

    lines: tuple[tuple[str, str], ...]

    @property
    def text(self) -> str:
        """The sentences alone, one after the other."""
        return " ".join(said for _, said in self.lines)

    def __str__(self) -> str:
        return "\n".join(f"{name}: {said}" if name else said for name, said in self.lines)

    __repr__ = __str__

    def _repr_html_(self) -> str:
        parts = (f"<p>{f'<b>{escape(name)}:</b> ' if name else ''}{escape(said)}</p>" for name, said in self.lines)
        return f"<div class='{NO_FORMULAS}' style='max-width:{WIDE}in'>{''.join(parts)}</div>"


@dataclass(frozen=True, kw_only=True)
class ToCopy:
    """Lines to copy as they are."""

    text: str

    def __str__(self) -> str:
        return self.text

    __repr__ = __str__

    def _repr_html_(self) -> str:
        look = f"white-space:pre-wrap;word-break:normal;overflow-wrap:break-word;max-width:{WIDE}in"
        return f"<pre style='{look}'>{escape(self.text)}</pre>"


@dataclass(frozen=True, kw_only=True)
class Several:
    """Several pieces, one below the other."""

    parts: tuple[Drawing | ReportTable | Words, ...]

    def __str__(self) -> str:
        return "\n\n".join(map(str, self.parts))

    __repr__ = __str__

    def _repr_html_(self) -> str:
        return "".join(part._repr_html_() for part in self.parts)


def words(*lines: str | Sequence[str]) -> Words:
    """Sentences to show; a pair is a name and its sentence."""
    pairs = (("", line) if isinstance(line, str) else (line[0], line[1]) for line in lines)
    return Words(lines=tuple((name, readable(said)) for name, said in pairs))


def drawing(figure: Any, title: str, description: str) -> Drawing:
    """Any figure of the toolkit as a notebook shows it, with its alternative text."""
    return Drawing(title=title, description=description, svg=drawing_of(figure, title, description))


def rows_table(caption: str, columns: Sequence[str], rows: Sequence[Sequence[str]]) -> ReportTable:
    """A table of words."""
    return ReportTable(key="table", caption=caption, columns=tuple(columns), rows=[tuple(row) for row in rows])


def table(frame: pd.DataFrame, caption: str = "") -> ReportTable:
    """Any tidy frame as a table with header cells, every word of it shown; columns with nothing in them left out."""
    shown = frame.map(figure_text)
    shown = shown.loc[:, [bool((shown[name] != "").any()) for name in shown.columns]]
    names = tuple(spaced(name) for name in shown.columns)
    rows = [tuple(map(str, row)) for row in shown.itertuples(index=False)]
    return ReportTable(key="table", caption=caption, columns=names, rows=rows, full=frame)


Options = list[tuple[str, str]]


class Chooser:
    """Something that shows its widget in a notebook, and the choice in words where there is no browser."""

    widget: ipywidgets.Box

    def tell(self, *boxes: Any) -> None:
        """Let the live cells that read this chooser be computed again when one of its boxes changes."""
        from toolkit.notebook.live import follow

        changed = follow(self)
        for box in boxes:
            box.observe(changed, names="value")

    def _repr_mimebundle_(self, **given: Any) -> Any:
        return self.widget._repr_mimebundle_(**given)

    def __repr__(self) -> str:
        return "; ".join(f"{each.description} {each.value}" for each in self.widget.children if hasattr(each, "value"))


def drop_down(name: str, options: Options, *, value: str | None = None, like: Any = None) -> ipywidgets.Dropdown:
    """One drop-down, wide enough for its words; with the looks of another one, where there are many."""
    from ipywidgets import Dropdown, Layout

    looks = {"layout": Layout(width="34rem", max_width="98%"), "style": {"description_width": "8rem"}}
    if like is not None:
        looks = {"layout": like.layout, "style": like.style}
    chosen = {} if value is None else {"value": value}
    return Dropdown(description=name, options=options, **looks, **chosen)


def refill(box: Any, options: Options) -> None:
    """Give a drop-down other options, keeping what was chosen where it is still there."""
    kept = box.value
    box.options = options
    box.value = kept if kept in {value for _, value in options} else options[0][1]
