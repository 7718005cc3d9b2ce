"""The one look of every figure: sizes, colours, line and marker shapes; and the figure as inline SVG with its words.

Nothing here touches matplotlib's global settings, so figures may be drawn in any thread and in any order. Meaning
is never carried by colour alone: whatever differs in colour differs in lightness and in shape as well. The two hues
are blue and orange, the pair that the common kinds of colour blindness leave apart (Wong 2011, Nature Methods 8:441).
"""

from __future__ import annotations

import io
import math
import re
import textwrap
import threading
import warnings
from dataclasses import dataclass
from hashlib import sha256
from html import escape
from typing import TYPE_CHECKING, Literal

from toolkit.looks.words import clean

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from matplotlib.text import Text
    from matplotlib.transforms import Transform


WIDE = 6.9  # inches: the width of a printed page inside its margins
NARROW = 3.5  # inches: a phone of 360 pixels inside its margins
SIDE_BY_SIDE = 5.0  # inches: from here on, words stand beside what they explain; below, above it

INK = "#1a1a1a"
QUIET = "#555555"
FAINT = "#c4c8cc"
BAND = "#f1f3f5"
BLUE = "#0b4f8a"
ORANGE = "#c75000"

TEXT = 9.5  # points, the same on a page and on a phone: narrow figures are drawn narrow, not shrunk
SMALL = 8.5
LINE = 1.32  # height of a line of text, in multiples of its size

HorizontalPlace = Literal["left", "center", "right"]
VerticalPlace = Literal["top", "center", "bottom", "baseline"]


@dataclass(frozen=True, kw_only=True)
class Series:
    """How one series of a figure looks: told apart by lightness, marker and dash, not by colour alone."""

    colour: str
    marker: str
    dash: str | tuple[float, tuple[float, ...]]
    filled: bool


SERIES = (
    Series(colour=BLUE, marker="o", dash="-", filled=True),
    Series(colour=ORANGE, marker="s", dash=(0, (5, 2)), filled=False),
    Series(colour=INK, marker="^", dash=(0, (1, 1.5)), filled=True),
    Series(colour=QUIET, marker="D", dash=(0, (6, 2, 1, 2)), filled=False),
    Series(colour="#5b8db8", marker="v", dash=(0, (3, 1)), filled=True),
    Series(colour="#8a5a2b", marker="P", dash=(0, (8, 2)), filled=False),
)


def new_figure(width: float, height: float) -> Figure:
    """An empty white figure of a size in inches, outside pyplot's list of open figures."""
    from matplotlib.figure import Figure

    return Figure(figsize=(width, height), facecolor="white")


def axes_at(figure: Figure, *, left: float, top: float, width: float, height: float) -> Axes:
    """Axes placed in inches from the figure's left and top edge, with only a bottom and a left line."""
    total_width, total_height = figure.get_size_inches()
    box = (left / total_width, 1 - (top + height) / total_height, width / total_width, height / total_height)
    axes = figure.add_axes(box)
    axes.spines[["top", "right"]].set_visible(False)
    for side in ("left", "bottom"):
        axes.spines[side].set_color(QUIET)
    axes.tick_params(labelsize=SMALL, colors=INK, length=3, color=QUIET)
    return axes


def write(
    axes: Axes,
    x: float,
    y: float,
    words: str,
    *,
    size: float = TEXT,
    weight: str = "normal",
    colour: str = INK,
    across: HorizontalPlace = "left",
    up: VerticalPlace = "top",
    transform: Transform | None = None,
) -> Text:
    """Put words on axes as they are: control characters dropped, no dollar sign read as a formula."""
    where = axes.transData if transform is None else transform
    return axes.text(
        x,
        y,
        "\n".join(map(clean, words.split("\n"))),
        fontsize=size,
        fontweight=weight,
        color=colour,
        ha=across,
        va=up,
        linespacing=LINE * 0.92,
        transform=where,
        parse_math=False,
    )


def name_axes(axes: Axes, *, across: str = "", up: str = "") -> None:
    """Label the two axes in words, with the unit, broken into lines that fit them."""
    width, height = inches_of(axes)
    along = "\n".join(wrapped(across, width + 0.2, size=SMALL))
    upward = "\n".join(wrapped(up, height, size=SMALL))
    axes.set_xlabel(along, fontsize=SMALL, color=INK, parse_math=False)
    axes.set_ylabel(upward, fontsize=SMALL, color=INK, parse_math=False)


def inches_above(axes: Axes) -> Transform:
    """A transform: x as a share of the axes' width, y in inches above its lower edge."""
    from matplotlib.transforms import Affine2D

    return Affine2D().scale(1, 1 / inches_of(axes)[1]) + axes.transAxes


def inches_of(axes: Axes) -> tuple[float, float]:
    """Width and height of axes in inches."""
    figure = axes.get_figure(root=True)
    width, height = (1.0, 1.0) if figure is None else figure.get_size_inches()
    box = axes.get_position()
    return float(box.width * width), float(box.height * height)


def wrapped(words: str, width: float, *, size: float = TEXT, bold: bool = False) -> list[str]:
    """Break words into lines that fit a width in inches.

    Example:
        >>> wrapped("the usual answer", 0.9)
        ['the usual', 'answer']
    """
    letters = max(8, math.floor(width * 72 / (size * (0.62 if bold else 0.56))))
    return textwrap.wrap(clean(words), letters) or [""]


def height_of(lines: int, size: float = TEXT) -> float:
    """Height in inches of some lines of text."""
    return lines * size * LINE / 72


def padded(low: float, high: float, *, share: float = 0.06) -> tuple[float, float]:
    """Limits of an axis a little wider than the data; a single value gets room on both sides."""
    room = (high - low) * share or max(abs(low) * 0.1, 1.0)
    return low - room, high + room


def nothing_to_draw(reason: str, *, width: float = WIDE) -> Figure:
    """A figure that says in words why there is nothing to see."""
    lines = wrapped(reason, width - 0.4)
    figure = new_figure(width, height_of(len(lines)) + 0.5)
    axes = axes_at(figure, left=0, top=0, width=width, height=height_of(len(lines)) + 0.5)
    axes.set_axis_off()
    write(axes, 0.5, 0.5, "\n".join(lines), colour=QUIET, across="center", up="center", transform=axes.transAxes)
    return figure


_ONE_AT_A_TIME = threading.Lock()


def as_svg(figure: Figure, title: str, description: str, *, key: str = "") -> str:
    """A figure as inline SVG that a screen reader announces by title and description.

    Args:
        figure: what to draw.
        title: a few words; shown by browsers as a tooltip.
        description: the alternative text, made from the data.
        key: sets the element's ids apart where the same title and description stand twice on a page.

    Returns:
        An ``<svg role="img">`` element with text kept as text, generic fonts and no id that another figure has.

    Example:
        >>> as_svg(nothing_to_draw("No pairs."), "Pairs", "Nothing to draw.").startswith('<svg role="img"')
        True
    """
    mark = "f" + sha256(f"{title}|{description}|{key}".encode()).hexdigest()[:10]
    drawing = _own_ids(_inner(_drawn(figure)), mark)
    width, height = (size * 72 for size in figure.get_size_inches())
    return (
        f'<svg role="img" aria-labelledby="{mark}-t {mark}-d" viewBox="0 0 {width:.2f} {height:.2f}" '
        'xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink" '
        f'stroke-linejoin="round" style="width:100%;max-width:{width / 72:.2f}in;height:auto">'
        f'<title id="{mark}-t">{escape(clean(title))}</title>'
        f'<desc id="{mark}-d">{escape(clean(description))}</desc>{drawing}</svg>'
    )


def readable_on_a_phone(drawing: str) -> str:
    """A drawing in a box of its own, which a narrow screen scrolls sideways instead of making the letters tiny."""
    wide = drawing.replace('style="width:100%;', 'style="width:100%;min-width:480px;', 1)
    return f"<div style='overflow-x:auto'>{wide}</div>"


def described(figure: Figure, *, title: str, description: str) -> Figure:
    """The figure with a title above it and its alternative text kept with it (`get_label()`), for whoever shows it."""

    lines = wrapped(title, figure.get_size_inches()[0] - 0.1, size=TEXT, bold=True)
    figure.suptitle("\n".join(lines), fontsize=TEXT, fontweight="bold", x=0.01, ha="left", parse_math=False)
    figure.set_label(clean(description))
    return figure


def as_svg_file(drawing: str) -> str:
    """A drawing made by `as_svg` as a file of its own."""
    return f'<?xml version="1.0" encoding="utf-8"?>\n{drawing}\n'


def _drawn(figure: Figure) -> str:
    """What matplotlib writes. Letters its own font lacks are left to the reader's browser, without a warning."""
    import matplotlib

    page = io.StringIO()
    with (
        _ONE_AT_A_TIME,
        matplotlib.rc_context({"svg.fonttype": "none", "svg.hashsalt": "session records"}),
        warnings.catch_warnings(),
    ):
        warnings.filterwarnings("ignore", message="Glyph .* missing from")
        figure.savefig(page, format="svg", dpi=120, metadata={"Date": None, "Creator": None})
    return page.getvalue()


def _inner(svg: str) -> str:
    """The drawing between the outer tags, without metadata and page-wide style rules, fonts made generic."""
    body = svg[svg.index(">", svg.index("<svg")) + 1 : svg.rindex("</svg>")]
    body = re.sub(r"<metadata>.*?</metadata>", "", body, flags=re.DOTALL)
    body = re.sub(r"<defs>\s*<style[^>]*>.*?</style>\s*</defs>", "", body, flags=re.DOTALL)
    body = re.sub(r"<!--.*?-->", "", body, flags=re.DOTALL)
    body = re.sub(r"font-family: [^;\"]*", "font-family: sans-serif", body)
    body = re.sub(r" transform=\"rotate\(-?0 [^\"]*\"", "", body)
    return re.sub(r">\s*\n\s*<", "><", body).strip()


def _own_ids(body: str, mark: str) -> str:
    """Only ids that something points to, each with a prefix of its own."""
    wanted = set(re.findall(r"(?:url\(#|href=\"#)([^)\"]+)", body))

    def renamed(found: re.Match[str]) -> str:
        return f' id="{mark}-{found[1]}"' if found[1] in wanted else ""

    body = re.sub(r' id="([^"]*)"', renamed, body)
    return re.sub(r"(url\(#|href=\"#)", rf"\g<1>{mark}-", body)
