"""Estimates one below the other, each with its words and its interval: what the ladder and the forest share.

The vertical axis is in inches from the top, so words never overlap, however many lines they take. On a wide page the
words stand left of the intervals, on a phone above them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from toolkit.looks import style
from toolkit.looks.words import is_missing

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from matplotlib.ticker import MaxNLocator
    from matplotlib.transforms import Transform

TRACK = 0.34  # inches: height of the strip that holds an interval when words stand above it
ROOM = 0.09  # inches: above and below each row
AXIS = 0.55  # inches: below the rows, for ticks and the axis label


@dataclass(frozen=True, kw_only=True)
class IntervalRow:
    """One estimate: its name, its number in words, what it says, and where it stands (None = not estimated)."""

    name: str
    number: str
    detail: str
    estimate: float | None
    low: float | None
    high: float | None
    look: style.Series
    weight: float = 1.6


@dataclass(frozen=True, kw_only=True)
class Mark:
    """A vertical line with a name, such as no change or the smallest change that matters."""

    value: float
    name: str
    dash: str | tuple[float, tuple[float, ...]] = "-"


@dataclass(frozen=True, kw_only=True)
class _Block:
    """A row's words broken into lines, and the height it takes."""

    name: list[str]
    number: list[str]
    detail: list[str]
    height: float


def draw_interval_rows(rows: Sequence[IntervalRow], *, marks: Sequence[Mark], axis_label: str, width: float) -> Figure:
    """Draw the rows from the top down; marks are named above, the axis in words below."""
    beside = width >= style.SIDE_BY_SIDE
    text_width = width * 0.47 if beside else width - 0.2
    blocks = [_block(row, text_width - 0.15, beside=beside) for row in rows]
    track_left = text_width + 0.1 if beside else 0.15
    track_width = width - track_left - 0.2
    heading = _Heading.of(marks, track_width)
    inner = sum(block.height for block in blocks)
    figure = style.new_figure(width, heading.height + inner + AXIS)
    axes = style.axes_at(figure, left=track_left, top=heading.height, width=track_width, height=inner)
    axes.set_ylim(inner, 0)
    axes.set_xlim(*_limits(rows, marks))
    axes.yaxis.set_visible(False)
    axes.spines["left"].set_visible(False)
    axes.xaxis.set_major_locator(_few_ticks(track_width))
    style.name_axes(axes, across=axis_label)
    strips = [] if beside else [(-0.1, 0.0), *_strips(blocks)]
    _draw_marks(axes, marks, heading, width=track_width, strips=strips)
    top = 0.0
    for place, (row, block) in enumerate(zip(rows, blocks, strict=True)):
        _draw_row(axes, row, block, top=top, shaded=place % 2 == 0, left=-track_left + 0.1, width=width - 0.2)
        top += block.height
    return figure


def _few_ticks(track_width: float) -> MaxNLocator:
    """Ticks sparse enough for the width."""
    from matplotlib.ticker import MaxNLocator

    return MaxNLocator(nbins=max(3, int(track_width / 0.55)), steps=[1, 2, 5, 10])


def _block(row: IntervalRow, width: float, *, beside: bool) -> _Block:
    """Break a row's words into lines and measure them."""
    name = style.wrapped(row.name, width, bold=True)
    number = style.wrapped(row.number, width)
    detail = style.wrapped(row.detail, width, size=style.SMALL) if row.detail else []
    words = style.height_of(len(name) + len(number)) + style.height_of(len(detail), style.SMALL)
    height = words + 2 * ROOM + (0.0 if beside else TRACK)
    return _Block(name=name, number=number, detail=detail, height=height)


def _strips(blocks: Sequence[_Block]) -> list[tuple[float, float]]:
    """Where the tracks are when they stand below their words: top and bottom of each."""
    lower = [sum(block.height for block in blocks[: place + 1]) for place in range(len(blocks))]
    return [(end - TRACK, end) for end in lower]


def _limits(rows: Sequence[IntervalRow], marks: Sequence[Mark]) -> tuple[float, float]:
    """Limits that hold every finite end, every estimate and every mark."""
    ends = [mark.value for mark in marks]
    for row in rows:
        found = (row.estimate, row.low, row.high)
        ends += [float(end) for end in found if end is not None and not is_missing(end) and math.isfinite(end)]
    return style.padded(min(ends, default=0.0), max(ends, default=1.0))


@dataclass(frozen=True, kw_only=True)
class _Heading:
    """The names of the marks, one stack of lines above the tracks."""

    lines: list[list[str]]
    height: float

    @classmethod
    def of(cls, marks: Sequence[Mark], width: float) -> _Heading:
        lines = [style.wrapped(mark.name, max(width * 0.95, 1.5), size=style.SMALL) for mark in marks]
        return cls(lines=lines, height=style.height_of(sum(map(len, lines)), style.SMALL) + 0.18)


def _draw_marks(
    axes: Axes, marks: Sequence[Mark], heading: _Heading, *, width: float, strips: Sequence[tuple[float, float]]
) -> None:
    """Draw each vertical line and its name above the tracks; inside the strips only, where words stand between."""
    low, high = axes.get_xlim()
    above = -heading.height + 0.06
    for mark, lines in zip(marks, heading.lines, strict=True):
        place = (mark.value - low) / (high - low)
        across = _clear_of_edges(place, lines, width)
        words = style.write(axes, mark.value, above, "\n".join(lines), size=style.SMALL, across=across)
        words.set_bbox({"facecolor": "white", "edgecolor": "none", "pad": 0.6})  # another mark's line stops behind it
        lower = above + style.height_of(len(lines), style.SMALL)
        for start, end in strips or [(lower, axes.get_ylim()[0])]:
            (line,) = axes.plot([mark.value] * 2, [start, end], color=style.INK, lw=1.1, ls=mark.dash, zorder=2)
            line.set_clip_on(False)
            line.set_label(mark.name)
        above = lower


def _clear_of_edges(place: float, lines: list[str], width: float) -> style.HorizontalPlace:
    """How to align words at a place from 0 to 1 so that they stay inside the track."""
    half = max(map(len, lines)) * style.SMALL * 0.56 / 72 / 2
    if place * width < half:
        return "left"
    return "right" if (1 - place) * width < half else "center"


def _draw_row(
    axes: Axes, row: IntervalRow, block: _Block, *, top: float, shaded: bool, left: float, width: float
) -> None:
    """Draw one row: its band, its words, its interval."""
    inches = _inches_across(axes)
    if shaded:
        _band(axes, top=top, height=block.height, left=left - 0.1, width=width + 0.2)
    y = top + ROOM
    for lines, size, weight, colour in (
        (block.name, style.TEXT, "bold", style.INK),
        (block.number, style.TEXT, "normal", style.INK),
        (block.detail, style.SMALL, "normal", style.QUIET),
    ):
        for line in lines:
            style.write(axes, left, y, line, size=size, weight=weight, colour=colour, transform=inches)
            y += style.height_of(1, size)
    beside = left < -0.5
    _draw_interval(axes, row, y=top + block.height / 2 if beside else top + block.height - TRACK / 2)


def _inches_across(axes: Axes) -> Transform:
    """A transform: x in inches from the axes' left edge, y in data."""
    from matplotlib.transforms import Affine2D, blended_transform_factory

    across = Affine2D().scale(1 / style.inches_of(axes)[0], 1) + axes.transAxes
    return blended_transform_factory(across, axes.transData)


def _band(axes: Axes, *, top: float, height: float, left: float, width: float) -> None:
    """A pale strip behind a row, over the figure's whole width."""
    from matplotlib.patches import Rectangle

    strip = Rectangle((left, top), width, height, facecolor=style.BAND, edgecolor="none", zorder=0)
    strip.set_transform(_inches_across(axes))
    strip.set_clip_on(False)
    axes.add_patch(strip)


def _draw_interval(axes: Axes, row: IntervalRow, *, y: float) -> None:
    """Draw the estimate and its interval; arrows where the interval has no end; words where there is no estimate."""
    if row.estimate is None or is_missing(row.estimate):
        style.write(
            axes, sum(axes.get_xlim()) / 2, y, "not estimated", colour=style.QUIET, across="center", up="center"
        )
        return
    low, high = (_end(axes, end, side) for end, side in ((row.low, 0), (row.high, 1)))
    if low is not None and high is not None:
        axes.plot([low, high], [y, y], color=row.look.colour, lw=row.weight, solid_capstyle="butt", zorder=3)
        for end, given, arrow in ((low, row.low, "<"), (high, row.high, ">")):
            endless = given is not None and math.isinf(given)
            axes.plot([end], [y], marker=arrow if endless else "|", ms=7, color=row.look.colour, zorder=3)
    (point,) = axes.plot([row.estimate], [y], marker=row.look.marker, ms=7, color=row.look.colour, ls="", zorder=4)
    point.set_markerfacecolor(row.look.colour if row.look.filled else "white")
    point.set_markeredgewidth(1.5)
    point.set_label(row.name)


def _end(axes: Axes, end: float | None, side: int) -> float | None:
    """Where an interval's end is drawn: an endless one at the edge."""
    if end is None or is_missing(end):
        return None
    return axes.get_xlim()[side] if math.isinf(end) else float(end)
