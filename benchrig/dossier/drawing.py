"""SVG by hand: few shapes, each with a class for a page's colours and with colours of its own for print.

Owns how shapes are written. Must not know what is drawn. A style sheet outranks the colours written at a shape (SVG 2,
6.7 "presentation attributes"), so that one picture is right in light, in dark and on paper. Text stays text: it can be
searched, and a reader's own font may stand in. Numbers have one decimal: a tenth of a pixel is finer than any eye.
"""

from __future__ import annotations

import math
from html import escape
from typing import TYPE_CHECKING

from benchrig.dossier.palette import LIGHT
from benchrig.report.text import one_line

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

WIDTH = 360.0
"""Of every plot: as wide as a phone, two of them beside each other on a page."""

_FONTS = "DejaVu Sans, Verdana, sans-serif"


def picture(shapes: Iterable[str], *, height: float, label: str) -> str:
    """The whole picture; `label` is what a screen reader says of it."""
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {number(WIDTH)} {number(height)}" role="img" '
        f'aria-label="{safe(label)}" font-family="{_FONTS}" font-size="10">{"".join(shapes)}</svg>'
    )


def safe(text: str) -> str:
    """Foreign text as SVG and HTML may hold it: no markup, no control character, one line."""
    return escape(one_line(text), quote=True)


def number(value: float) -> str:
    """A coordinate."""
    text = f"{value:.1f}"
    return text.removesuffix(".0") if text != "-0.0" else "0"


def line(x1: float, y1: float, x2: float, y2: float, *, tone: str, width: float = 1.0, dashed: bool = False) -> str:
    dash = ' stroke-dasharray="4 3"' if dashed else ""
    return (
        f'<line x1="{number(x1)}" y1="{number(y1)}" x2="{number(x2)}" y2="{number(y2)}" class="s-{tone}" '
        f'stroke="{LIGHT[tone]}" stroke-width="{width:g}"{dash}/>'
    )


def box(x: float, y: float, width: float, height: float, *, tone: str) -> str:
    return (
        f'<rect x="{number(x)}" y="{number(y)}" width="{number(width)}" height="{number(height)}" '
        f'class="f-{tone}" fill="{LIGHT[tone]}"/>'
    )


def words(x: float, y: float, text: str, *, tone: str = "ink", anchor: str = "start", size: float = 10.0) -> str:
    at = "" if anchor == "start" else f' text-anchor="{anchor}"'
    sized = "" if size == 10.0 else f' font-size="{size:g}"'
    return f'<text x="{number(x)}" y="{number(y)}" class="f-{tone}" fill="{LIGHT[tone]}"{at}{sized}>{safe(text)}</text>'


def shape(points: Sequence[tuple[float, float]], *, tone: str) -> str:
    """A filled polygon with an edge that keeps it apart from what lies under it."""
    at = " ".join(f"{number(x)},{number(y)}" for x, y in points)
    return f'<polygon points="{at}" class="f-{tone} s-paper" fill="{LIGHT[tone]}" stroke="{LIGHT["paper"]}"/>'


def disc(x: float, y: float, radius: float, *, tone: str) -> str:
    return (
        f'<circle cx="{number(x)}" cy="{number(y)}" r="{number(radius)}" class="f-{tone} s-paper" '
        f'fill="{LIGHT[tone]}" stroke="{LIGHT["paper"]}"/>'
    )


def triangle(x: float, y: float, *, tone: str, up: bool, size: float = 4.0) -> str:
    way = -size if up else size
    return shape([(x, y + way), (x - size, y - way), (x + size, y - way)], tone=tone)


def cross(x: float, y: float, *, tone: str, size: float = 4.0) -> str:
    return line(x - size, y - size, x + size, y + size, tone=tone, width=2.5) + line(
        x - size, y + size, x + size, y - size, tone=tone, width=2.5
    )


def diamond(x: float, y: float, *, tone: str, size: float = 5.0) -> str:
    return shape([(x, y - size), (x + size, y), (x, y + size), (x - size, y)], tone=tone)


def path(points: Iterable[tuple[float, float] | None], *, tone: str, width: float = 1.0) -> str:
    """A line through points; None is a hole in it. Steps are relative, in tenths of a pixel: that is the shortest."""
    parts: list[str] = []
    last: tuple[int, int] | None = None
    for point in points:
        if point is None:
            last = None
            continue
        at = (round(point[0] * 10), round(point[1] * 10))
        parts.append(f"M{at[0]} {at[1]}" if last is None else f"l{at[0] - last[0]} {at[1] - last[1]}")
        last = at
    return (
        f'<path transform="scale(.1)" d="{"".join(parts)}" class="s-{tone}" fill="none" stroke="{LIGHT[tone]}" '
        f'stroke-width="{number(width * 10)}" stroke-linejoin="round"/>'
    )


_FINEST = 1e-9
"""Of its ends: a narrower scale has no room between neighbouring numbers for marks at equal distances."""


def round_steps(low: float, high: float, *, most: int = 5) -> tuple[float, ...]:
    """Round numbers from `low` to `high`, in steps of 1, 2 or 5 of a power of ten, `most` of them or fewer."""
    span = high - low
    if not (math.isfinite(span) and span > _FINEST * max(abs(low), abs(high))):
        return (low,)
    power = 10.0 ** math.floor(math.log10(span / most))
    step = next(power * factor for factor in (1.0, 2.0, 5.0, 10.0, 20.0) if span / (power * factor) <= most)
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    return tuple(count * step for count in range(first, last + 1))
