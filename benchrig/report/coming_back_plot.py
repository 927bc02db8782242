"""Draws the map of how a board comes back: floor against slope, one panel for each dwell, holes and plateaus beside.

Owns the picture. Must not know boards or benches: it is given what was tried. What became of a point is told by colour
and by shape, so that it can be read in grey and by eyes that tell colours badly.
"""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING, NamedTuple

from benchrig.judge.coming_back import LETTERS, NOT_TRIED, Fate, Tried, region_text

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_UPRIGHT = 4
"""More marks than this on an axis are turned, so that they do not run into each other."""


class _Look(NamedTuple):
    marker: str
    face: str
    edge: str
    size: float


# Colours that differ in lightness, too; the palette of Okabe and Ito, from memory.
_LOOKS = {
    Fate.ALIVE: _Look("o", "white", "#0072B2", 60.0),
    Fate.CAME_BACK: _Look("s", "#56B4E9", "#0072B2", 55.0),
    Fate.SICK: _Look("^", "#E69F00", "black", 90.0),
    Fate.HUNG: _Look("X", "#A50026", "black", 130.0),
}
_NOT_MADE = _Look(".", "#777777", "#777777", 60.0)


def draw_map(tried: Sequence[Tried], path: Path, *, title: str) -> None:
    """Write the map as SVG or PNG, by the suffix of `path`. Raises OSError."""
    from matplotlib import rc_context  # noqa: PLC0415  # half a second to import, for sign-off alone
    from matplotlib.figure import Figure  # noqa: PLC0415  # without a window: a figure of its own draws by Agg

    ramps = [one for one in tried if one.point.kind == "ramp"]
    others = [one for one in tried if one.point.kind != "ramp"]
    dwells = sorted({one.point.dwell_s for one in ramps})
    panels = max(1, len(dwells) + bool(others))
    path.parent.mkdir(parents=True, exist_ok=True)
    with rc_context({"svg.hashsalt": "coming back", "svg.fonttype": "none", "font.size": 9}):
        figure = Figure(figsize=(3.4 * panels + 0.6, 4.8), layout="constrained")
        axes = figure.subplots(1, panels, squeeze=False)[0]
        for panel, dwell_s in zip(axes, dwells, strict=False):
            _draw_ramps(panel, [one for one in ramps if one.point.dwell_s == dwell_s], dwell_s)
        if others:
            _draw_others(axes[-1], others)
        _legend(figure, tried)
        figure.suptitle(_title(title, tried), fontsize=10)
        figure.savefig(path, metadata={"Date": None} if path.suffix == ".svg" else None)


def _title(title: str, tried: Sequence[Tried]) -> str:
    said = region_text(tried) or "it comes back from every point that was tried"
    return "\n".join([title, *textwrap.wrap(said, 110)])


def _draw_ramps(axes: Axes, ramps: Sequence[Tried], dwell_s: float) -> None:
    slopes = sorted({one.point.slope_v_per_s for one in ramps})
    for slope in slopes:
        _shade_region(axes, slope, sorted(one for one in ramps if one.point.slope_v_per_s == slope))
    for one in ramps:
        _mark(axes, one.point.slope_v_per_s, one.point.floor_v, _look(one))
    axes.set_xscale("log")
    axes.set_xticks(slopes, [f"{slope:g}" for slope in slopes], rotation=45 if len(slopes) > _UPRIGHT else 0)
    axes.set_xticks([], minor=True)
    axes.set_xlim(slopes[0] / 1.6, slopes[-1] * 1.6)
    axes.set_xlabel("slope of dusk and dawn (V/s)")
    axes.set_ylabel("floor of the battery (V)")
    axes.set_title(f"{dwell_s:g} s at the floor", fontsize=9)
    axes.grid(visible=True, color="#dddddd", linewidth=0.6)
    axes.set_axisbelow(True)


def _shade_region(axes: Axes, slope: float, column: Sequence[Tried]) -> None:
    """A band around the bad floors of one slope, halfway to the good ones beside them."""
    for index, one in enumerate(column):
        if one.is_bad:
            floor_v = one.point.floor_v
            ends_v = [
                (floor_v + column[beside].point.floor_v) / 2.0 if 0 <= beside < len(column) else floor_v
                for beside in (index - 1, index + 1)
            ]
            axes.plot(
                [slope, slope],
                ends_v,
                color=_LOOKS[Fate.HUNG].face,
                alpha=0.18,
                linewidth=24.0,
                solid_capstyle="butt",
                zorder=1,
            )


def _draw_others(axes: Axes, others: Sequence[Tried]) -> None:
    """Plateaus and holes as a list: they have no slope."""
    for row, one in enumerate(others):
        _mark(axes, 0.0, float(row), _look(one))
    axes.set_yticks(range(len(others)), [_other_text(one) for one in others])
    axes.set_ylim(len(others) - 0.5, -0.5)
    axes.set_xlim(-1.0, 1.0)
    axes.set_xticks([])
    axes.set_title("in one step", fontsize=9)


def _other_text(one: Tried) -> str:
    point = one.point
    return f"hole {point.dwell_s:g} s" if point.kind == "hole" else f"{point.floor_v:.2f} V for {point.dwell_s:g} s"


def _look(one: Tried) -> _Look:
    return _LOOKS[one.fate] if one.as_planned or one.is_bad else _NOT_MADE


def _mark(axes: Axes, x: float, y: float, look: _Look) -> None:
    axes.scatter([x], [y], marker=look.marker, s=look.size, c=look.face, edgecolors=look.edge, linewidths=1.2, zorder=3)


def _legend(figure: Figure, tried: Sequence[Tried]) -> None:
    """Only what occurs, with the letter that the map of the report has for it."""
    from matplotlib.lines import Line2D  # noqa: PLC0415  # as above

    entries = [
        (_LOOKS[fate], f"{fate} ({LETTERS[fate]})") for fate in Fate if any(_look(one) is _LOOKS[fate] for one in tried)
    ]
    if any(_look(one) is _NOT_MADE for one in tried):
        entries.append((_NOT_MADE, f"not made as planned ({NOT_TRIED})"))
    handles = [
        Line2D(
            [],
            [],
            linestyle="",
            marker=look.marker,
            markersize=look.size**0.5,
            markerfacecolor=look.face,
            markeredgecolor=look.edge,
            label=text,
        )
        for look, text in entries
    ]
    figure.legend(handles=handles, loc="outside lower center", ncols=len(handles), frameon=False)
