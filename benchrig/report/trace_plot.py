"""A current trace as a plot: the current with its segments, and below it the floor close up or the charge so far.

Owns the layout. Must not know a run or a board. Ten minutes at 100 000 samples a second cost as many points as a
second does: the line is an envelope, and segments that are narrower than it are drawn as wide as a hair.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from benchrig.judge.segment_table import Label
from benchrig.judge.uplink import read_uplink
from benchrig.quantity import format_quantity
from benchrig.report.envelope import line_of
from benchrig.report.plot_style import BLACK, BLUE, GREEN, GREY, PALE, PURPLE, SKY, VERMILION, new_figure
from benchrig.report.segment_lines import segment_sums

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from benchrig.judge.segments import Segmentation
    from benchrig.judge.uplink import Uplink
    from benchrig.report.segment_lines import SegmentSum

_COLOURS = {
    Label.FLOOR: PALE,
    Label.WAKE: SKY,
    Label.TRANSMIT: VERMILION,
    Label.RECEIVE: GREEN,
    Label.SPIKE: PURPLE,
    Label.GAP: BLACK,
}
_MOST_SHADED = 200
"""More segments than this are drawn in their strip alone: shades behind the line would be one."""

_HAIR = 1.0 / 1500.0
_FLOOR_SD = 6.0
_FLOOR_SHARE = 0.05


def trace_figure(found: Segmentation, *, title: str) -> Figure:
    """The figure of a trace. One that could not be judged is drawn with the reason. Only inside `plot_style`."""
    figure = new_figure(9.0, 5.6, margins_in=(0.65, 0.85, 0.15, 0.3))
    ratios = {"height_ratios": [6, 4, 0.6], "hspace": 0.26}
    main, below, strip = figure.subplots(3, 1, sharex=True, gridspec_kw=ratios)
    figure.suptitle(title, x=0.01, ha="left", fontsize=10)
    scale, unit = _scale(_highest_a(found))
    _draw_line(main, found, scale)
    main.set_ylabel(f"current, {unit}")
    uplink = read_uplink(found)
    if found.problems:
        _say_problems(main, found)
    else:
        _shade(main, found)
        _name_uplink(main, found, uplink, scale)
    if uplink.transmit is not None or found.floor_a is None:
        _draw_charge(below, found)
    else:
        _draw_floor(below, found)
    _draw_strip(strip, found)
    strip.set_xlim(0.0, found.recording.duration_s)
    strip.set_xlabel("time, s")
    return figure


def _highest_a(found: Segmentation) -> float:
    _, values = line_of(found.recording)
    finite = np.abs(values[np.isfinite(values)])
    return float(finite.max()) if finite.size else 0.0


def _scale(value_a: float) -> tuple[float, str]:
    """Factor and unit in which a current of this size has one to three digits before its point."""
    for factor, unit in ((1.0, "A"), (1e3, "mA"), (1e6, "µA")):
        if value_a * factor >= 1.0:
            return factor, unit
    return 1e9, "nA"


def _draw_line(axes: Axes, found: Segmentation, scale: float) -> None:
    times_s, values = line_of(found.recording)
    axes.plot(times_s, values * scale, color=BLACK, linewidth=0.8)


def _say_problems(axes: Axes, found: Segmentation) -> None:
    text = "not judged: " + "; ".join(found.problems)
    axes.text(0.5, 0.5, text, transform=axes.transAxes, ha="center", va="center", wrap=True, color=VERMILION)


def _shade(axes: Axes, found: Segmentation) -> None:
    above = (
        [one for one in found.segments if one.label is not Label.FLOOR] if len(found.segments) <= _MOST_SHADED else []
    )
    for one in above:
        end_s = max(one.end_s, one.start_s + _HAIR * found.recording.duration_s)
        axes.axvspan(one.start_s, end_s, color=_COLOURS[one.label], alpha=0.35, linewidth=0)


def _name_uplink(axes: Axes, found: Segmentation, uplink: Uplink, scale: float) -> None:
    burst = uplink.transmit
    if burst is None:
        return
    lasts, height = format_quantity(burst.duration_s, "s"), format_quantity(burst.plateau_a, "A")
    top = burst.peak_a * scale
    axes.set_ylim(top=1.18 * top)
    at = (burst.end_s, top)
    axes.annotate(f"transmission: {lasts} at {height}", at, (6, 2), textcoords="offset points", color=VERMILION)
    for window in uplink.windows:
        inside = found.segments.starts_s.searchsorted(window.start_s - 1e-9)
        height_a = float(found.segments.plateau_a[min(int(inside), len(found.segments) - 1)])
        text = (
            f"RX{window.number} after {window.start_s - burst.end_s:.4f} s,\n{format_quantity(window.duration_s, 's')}"
        )
        at = (window.start_s, height_a * scale)
        late = window.start_s > 0.8 * found.recording.duration_s
        axes.annotate(
            text, at, (-4 if late else 4, 4), textcoords="offset points", ha="right" if late else "left", color=GREEN
        )


def _draw_floor(axes: Axes, found: Segmentation) -> None:
    """The resting current close up, with its mean and expanded scatter."""
    assert found.floor_a is not None
    times_s, values = line_of(found.recording)
    spread_a = max(_FLOOR_SD * _floor_sd(found), _FLOOR_SHARE * abs(found.floor_a))
    scale, unit = _scale(max(abs(found.floor_a), spread_a))
    axes.plot(times_s, values * scale, color=GREY, linewidth=0.5)
    axes.axhline(found.floor_a * scale, color=BLUE, linewidth=1.2)
    axes.set_ylim((found.floor_a - spread_a) * scale, (found.floor_a + 1.3 * spread_a) * scale)
    axes.set_ylabel(f"floor, {unit}")
    label = f"floor {format_quantity(found.floor_a, 'A')}"
    axes.set_title(label, color=BLUE, fontsize=9)


def _floor_sd(found: Segmentation) -> float:
    """Standard deviation of a sample at rest, from the longest stretch of floor."""
    floors = found.segments.of(Label.FLOOR)
    longest = max(floors, key=lambda one: one.duration_s)
    first = round(longest.start_s / found.recording.interval_s)
    count = min(round(longest.duration_s / found.recording.interval_s), 1 << 16)
    return float(found.recording.samples_a[first : first + count].astype(np.float64).std())


def _draw_charge(axes: Axes, found: Segmentation) -> None:
    """What has flowed above the floor: a straight line within each segment."""
    segments = found.segments
    if len(segments) == 0:
        axes.set_visible(False)
        return
    above_c = segments.charge_c - (found.floor_a or 0.0) * segments.durations_s
    edges_s = np.append(segments.starts_s, segments.starts_s[-1] + segments.durations_s[-1])
    sums_c = np.concatenate(([0.0], np.cumsum(np.nan_to_num(above_c))))
    scale, unit = _scale(float(np.abs(sums_c).max()))
    axes.plot(edges_s, sums_c * scale, color=BLUE, linewidth=1.2)
    axes.set_ylabel(f"charge, {unit.replace('A', 'C')}")
    axes.set_title("charge so far, above the floor", color=BLUE, fontsize=9)


def _draw_strip(axes: Axes, found: Segmentation) -> None:
    """One bar of colours, and what each of them costs."""
    axes.set_yticks([])
    axes.grid(visible=False)
    for side in ("left", "bottom"):
        axes.spines[side].set_visible(False)
    hair_s = _HAIR * found.recording.duration_s
    sums = segment_sums(found)
    for one in sums:
        marks = found.segments.marks(one.label)
        starts_s, durations_s = found.segments.starts_s[marks], found.segments.durations_s[marks]
        # neighbours that a reader could not tell apart are one bar: a million segments are no million shapes
        bars = np.stack(_joined(starts_s, np.maximum(durations_s, hair_s), hair_s), axis=1)
        axes.broken_barh([(float(a), float(b)) for a, b in bars], (0.0, 1.0), color=_COLOURS[one.label], linewidth=0)
    if sums:
        _draw_legend(axes, sums)


def _joined(
    starts_s: np.ndarray[tuple[int], np.dtype[np.float64]],
    durations_s: np.ndarray[tuple[int], np.dtype[np.float64]],
    hair_s: float,
) -> tuple[np.ndarray[tuple[int], np.dtype[np.float64]], np.ndarray[tuple[int], np.dtype[np.float64]]]:
    ends_s = starts_s + durations_s
    begins = np.flatnonzero(np.concatenate(([True], starts_s[1:] > ends_s[:-1] + hair_s)))
    last = np.append(begins[1:], starts_s.size) - 1
    return starts_s[begins], ends_s[last] - starts_s[begins]


def _draw_legend(axes: Axes, sums: tuple[SegmentSum, ...]) -> None:
    from matplotlib.patches import Patch  # noqa: PLC0415

    handles = [
        Patch(
            facecolor=_COLOURS[one.label],
            edgecolor=GREY,
            linewidth=0.4,
            label=f"{one.count} {one.label.value}: {format_quantity(one.charge_c, 'C')}, {100.0 * one.share:.1f} %",
        )
        for one in sums
    ]
    axes.legend(handles=handles, loc="upper center", bbox_to_anchor=(0.5, -1.9), ncols=len(handles), fontsize=8)
