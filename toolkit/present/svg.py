"""A figure as text that a page can hold: inline SVG with a title and a description, the same bytes every time."""

from __future__ import annotations

import io
import re
import threading
import warnings
from hashlib import sha256
from html import escape
from typing import TYPE_CHECKING

from toolkit.present.words import clean

if TYPE_CHECKING:
    from matplotlib.figure import Figure

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
        >>> from toolkit.present.style import nothing_to_draw
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
        figure.savefig(page, format="svg", metadata={"Date": None, "Creator": None})
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
