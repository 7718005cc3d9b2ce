"""Estimates one below the other, each with its words and its interval: what the adjustment steps and the forest share.

The vertical axis is in inches from the top, so words never overlap, however many lines they take. On a wide page name
and number stand left of the interval and what it says below it; on a phone all words stand above it.
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
LANE = 0.22  # inches: the same where the words stand beside it
ROOM = 0.07  # inches: above and below each row
NAMES = 0.27  # share of a wide page for names and numbers: the intervals are what one looks at
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
    """A row's words broken into lines, the height it takes, and where in it the interval stands."""

    name: list[str]
    number: list[str]
    detail: list[str]
    height: float
    track: tuple[float, float]


def draw_interval_rows(
    rows: Sequence[IntervalRow], *, marks: Sequence[Mark], axis_label: str, width: float, names: float = NAMES
) -> Figure:
    """Draw the rows from the top down; marks are named above, the axis in words below; `names`: share of the width."""
    beside = width >= style.SIDE_BY_SIDE
    text_width = width * names if beside else width - 0.2
    track_left = text_width + 0.1 if beside else 0.15
    track_width = width - track_left - 0.2
    blocks = [_block(row, text_width - 0.1, track_width if beside else 0.0) for row in rows]
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
    tops = [sum(block.height for block in blocks[:place]) for place in range(len(blocks))]
    strips = [(top + block.track[0], top + block.track[1]) for top, block in zip(tops, blocks, strict=True)]
    _draw_marks(axes, marks, heading, width=track_width, strips=[(-0.1, 0.0), *strips])
    for place, (top, row, block) in enumerate(zip(tops, rows, blocks, strict=True)):
        if place % 2 == 0:
            _band(axes, top=top, height=block.height, left=-track_left, width=width)
        _draw_row(axes, row, block, top=top, left=-track_left + 0.1, below=0.0 if beside else None)
    return figure


def _few_ticks(track_width: float) -> MaxNLocator:
    """Ticks sparse enough for the width."""
    from matplotlib.ticker import MaxNLocator

    return MaxNLocator(nbins=max(3, int(track_width / 0.55)), steps=[1, 2, 5, 10])


def _block(row: IntervalRow, width: float, track_width: float) -> _Block:
    """Break a row's words into lines and measure them; `track_width` is 0 where words stand above the track."""
    name = style.wrapped(row.name, width, bold=True)
    number = style.wrapped(row.number, width)
    detail = style.wrapped(row.detail, track_width or width, size=style.SMALL) if row.detail else []
    left, said = style.height_of(len(name) + len(number)), style.height_of(len(detail), style.SMALL)
    if track_width:
        height = max(left, LANE + said) + 2 * ROOM
        return _Block(name=name, number=number, detail=detail, height=height, track=(ROOM, ROOM + LANE))
    height = left + said + 2 * ROOM + TRACK
    return _Block(name=name, number=number, detail=detail, height=height, track=(height - TRACK, height))


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
        for start, end in strips:
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


def _draw_row(axes: Axes, row: IntervalRow, block: _Block, *, top: float, left: float, below: float | None) -> None:
    """Draw one row: its words, its interval; what it says stands under it where `below` says how far right."""
    inches = _inches_across(axes)
    y = top + ROOM
    for lines, weight in ((block.name, "bold"), (block.number, "normal")):
        for line in lines:
            style.write(axes, left, y, line, weight=weight, transform=inches)
            y += style.height_of(1)
    if below is not None:
        left, y = below, top + block.track[1]
    for line in block.detail:
        style.write(axes, left, y, line, size=style.SMALL, colour=style.QUIET, transform=inches)
        y += style.height_of(1, style.SMALL)
    draw_interval(axes, row, y=top + sum(block.track) / 2)


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


def draw_interval(axes: Axes, row: IntervalRow, *, y: float) -> None:
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
