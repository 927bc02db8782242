"""Plots as SVG: well-formed, the same bytes each time, as many shapes as they need, and saying what they must."""

from __future__ import annotations

import math
import time
from typing import TYPE_CHECKING

import numpy as np
import pytest
from lxml import etree

from benchrig.judge.recording import Recording
from benchrig.judge.segments import Segmentation, find_segments
from benchrig.judge.uplink import cut_uplink
from benchrig.records import LimitJudged, ReadingTaken, Verdict
from benchrig.report.limits_plot import judged_limits, limits_figure, place, rows_worth_seeing
from benchrig.report.plot_style import VERDICT_COLOURS, plot_style, svg_bytes
from benchrig.report.sweep_plot import sweep_errors, sweep_figure
from benchrig.report.trace_plot import trace_figure

if TYPE_CHECKING:
    from collections.abc import Callable

    from matplotlib.figure import Figure

    from benchrig.records import Record


def svg_of(drawing: Callable[[], Figure]) -> bytes:
    with plot_style():
        return svg_bytes(drawing())


def words(svg: bytes) -> str:
    """The texts of a plot: the library writes each as a comment beside its outlines."""
    return " | ".join(str(one.text).strip() for one in etree.fromstring(svg).iter(etree.Comment))


def uplink(*, broken: bool = False) -> Segmentation:
    """Rectangles of a report: 48 mA for 56.6 ms, and windows after 1 s and 2 s."""
    samples = np.full(26_000, 20e-6, dtype=np.float32)
    for start_s, length_s, level_a in ((0.1, 0.0566, 0.048), (1.1566, 0.03, 0.012), (2.1566, 0.03, 0.012)):
        samples[round(start_s / 1e-4) : round((start_s + length_s) / 1e-4)] = level_a
    if broken:
        samples[100] = np.nan
    return cut_uplink(Recording(samples, interval_s=1e-4), least_plateau_a=38e-3)


def sleep(samples: int, *, every: int, length: int) -> Segmentation:
    current_a = np.random.default_rng(1).normal(17e-6, 0.2e-6, samples).astype(np.float32)
    for start in range(every // 2, samples - length, every):
        current_a[start : start + length] = 4.5e-3
    return find_segments(Recording(current_a, interval_s=1e-3))


def test_uplink_names_its_parts() -> None:
    """Transmission and both windows stand there with their times, and every kind of segment with its charge."""
    told = words(svg_of(lambda: trace_figure(uplink(), title="uplink of HB-0001")))

    assert "uplink of HB-0001" in told
    assert "transmission: 56.60 ms at 48.00 mA" in told
    assert "RX1 after 1.0000 s," in told
    assert "RX2 after 2.0000 s," in told
    assert "1 transmit: 2.717 mC" in told
    assert "charge so far, above the floor" in told


def test_sleep_shows_its_floor_close_up() -> None:
    """The floor has an axis of its own, beside which wakes would leave nothing to see."""
    told = words(svg_of(lambda: trace_figure(sleep(10_000, every=2000, length=12), title="sleep")))

    assert "floor 17.00 µA" in told
    assert "floor, µA" in told
    assert "current, mA" in told
    assert "5 wake" in told


def test_a_trace_that_was_not_judged_is_drawn_with_the_reason() -> None:
    """The plot says why there are no segments."""
    told = words(svg_of(lambda: trace_figure(uplink(broken=True), title="uplink")))

    assert "not judged: 1 of 26000 samples were not measured" in told.replace("\n", " ")


def test_the_same_figure_gives_the_same_bytes() -> None:
    """No date, no chance names: a plot that is drawn again can be compared by its hash."""
    first, second = (svg_of(lambda: trace_figure(uplink(), title="uplink")) for _ in range(2))

    assert first == second
    assert b"<dc:date>" not in first


def test_a_long_trace_is_no_larger_than_a_short_one() -> None:
    """Three million samples with 3000 wakes take no more bytes than ten times those of ten thousand with five."""
    short = svg_of(lambda: trace_figure(sleep(10_000, every=2000, length=12), title="sleep"))
    long = svg_of(lambda: trace_figure(sleep(3_000_000, every=1000, length=12), title="sleep"))

    assert len(long) < 3 * len(short)


def test_user_settings_of_the_library_change_nothing() -> None:
    """A rc file with large letters makes no other plot."""
    import matplotlib as mpl  # noqa: PLC0415

    before = svg_of(lambda: trace_figure(uplink(), title="uplink"))
    with mpl.rc_context({"font.size": 40.0, "axes.facecolor": "red"}):
        assert svg_of(lambda: trace_figure(uplink(), title="uplink")) == before


def test_text_with_dollars_is_shown_as_it_stands() -> None:
    """A title from a profile is no formula, however it is written."""
    assert "costs $5 and $_x$" in words(svg_of(lambda: trace_figure(uplink(), title="costs $5 and $_x$")))


def test_colours_stay_apart_for_colour_blind_readers() -> None:
    """Verdict colours are apart in lightness (CIE L*, of sRGB by IEC 61966-2-1; both from memory) or by their mark."""
    shades = [_lightness(VERDICT_COLOURS[one]) for one in (Verdict.PASS, Verdict.UNDECIDED)]

    assert abs(shades[0] - shades[1]) > 10.0


def _lightness(colour: str) -> float:
    channels = [int(colour[at : at + 2], 16) / 255.0 for at in (1, 3, 5)]
    linear = [one / 12.92 if one <= 0.04045 else ((one + 0.055) / 1.055) ** 2.4 for one in channels]
    luminance = 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]
    return float(116.0 * luminance ** (1 / 3) - 16.0)


# ---- values against limits


def judged(
    value: float | None, *, low: float | None, high: float | None, u: float = 0.0, **more: object
) -> LimitJudged:
    facts: dict[str, object] = {
        "check": "rail", "limit": "voltage at 3.60 V", "unit": "V", "coverage_factor": 2.0, "rule": "guarded",
        "guard_band": u, "verdict": Verdict.PASS, "why": "", "limit_source": "design", "at_s": 1.0,
    }  # fmt: skip
    facts |= {"value": value, "low": low, "high": high, "expanded_uncertainty": u, **more}
    return LimitJudged(**facts)  # type: ignore[arg-type]


PLACES = [
    pytest.param(judged(3.3, low=3.2, high=3.4, u=0.05), (0.0, 0.5), id="in the middle"),
    pytest.param(judged(3.2, low=3.2, high=3.4), (-1.0, 0.0), id="on the low limit"),
    pytest.param(judged(3.45, low=3.2, high=3.4), (1.5, 0.0), id="above"),
    pytest.param(judged(0.0, low=None, high=20e-6, u=2e-6), (0.0, 0.1), id="nothing, high limit alone"),
    pytest.param(judged(20e-6, low=None, high=20e-6), (1.0, 0.0), id="on the only high limit"),
    pytest.param(judged(5.0, low=5.0, high=None), (-1.0, 0.0), id="on the only low limit"),
    pytest.param(judged(10.0, low=5.0, high=None), (0.0, 0.0), id="twice the low limit"),
    pytest.param(judged(1.0, low=None, high=0.0), (2.0, 0.0), id="above a limit of nothing"),
    pytest.param(judged(-0.5, low=None, high=-1.0), (1.5, 0.0), id="above a limit below 0"),
]


@pytest.mark.parametrize(("row", "expected"), PLACES)
def test_where_a_value_lies_between_its_limits(row: LimitJudged, expected: tuple[float, float]) -> None:
    """-1 is the low limit and +1 the high one, whatever the unit; a bar is as long as the uncertainty there."""
    assert tuple(place(row)) == pytest.approx(expected)


def test_no_number_has_no_place() -> None:
    """It is told in words."""
    assert math.isnan(place(judged(None, low=0.0, high=1.0)).at)
    told = words(svg_of(lambda: limits_figure([judged(None, low=0.0, high=1.0)], title="all")))
    assert told.count("no number") == 2


def test_every_value_has_its_row() -> None:
    """Name at the left, value with uncertainty and limits at the right, verdicts by mark."""
    rows = judged_limits(
        [
            judged(3.3, low=3.2, high=3.4, u=0.01),
            judged(9.0, low=3.2, high=3.4, u=0.01, limit="voltage at 4.20 V", verdict=Verdict.FAIL),
            judged(1.0, low=None, high=None),
        ]
    )

    told = words(svg_of(lambda: limits_figure(rows, title="all values")))

    assert len(rows) == 2
    assert "rail: voltage at 4.20 V" in told
    assert "(3.300 ± 0.010) V   [3.2 V to 3.4 V]" in told
    assert "fail" in told.split(" | ")


# ---- the sweep


def reading(name: str, value: float | None, u: float = 0.0) -> ReadingTaken:
    return ReadingTaken(
        check="battery_sweep",
        name=name,
        value=value,
        unit="V",
        standard_uncertainty=u,
        source="meter",
        raw="",
        at_s=1.0,
    )


SWEEP: list[Record] = [
    reading("terminals at 3.30 V up", 3.3003, 1e-4),
    reading("reported at 3.30 V up", 3.299),
    reading("terminals at 3.45 V up", 3.4502, 1e-4),
    reading("counts at 3.45 V up", 3211.0),
    reading("reported at 3.45 V up", None),
    reading("terminals at 3.30 V down", 3.3001, 1e-4),
    reading("reported at 3.30 V down", 3.300),
    judged(-1.3e-3, low=-0.04, high=0.04, check="battery_sweep", limit="error worst, at 3.30 V up"),
]


def test_points_of_a_sweep_are_paired_by_their_names() -> None:
    """Reported less terminals, up and down; a point without a number is none."""
    found = sweep_errors(SWEEP)

    assert [one.direction for one in found.points] == ["up", "down"]
    assert [one.error_v for one in found.points] == pytest.approx([-1.3e-3, -0.1e-3])
    assert [one.u_v for one in found.points] == pytest.approx([1e-4, 1e-4])
    assert (found.low_v, found.high_v) == (-0.04, 0.04)


def test_sweep_is_drawn_with_its_limits() -> None:
    """Both directions and both limits are named."""
    told = words(svg_of(lambda: sweep_figure(sweep_errors(SWEEP), title="sweep"))).split(" | ")

    assert {"up", "down", "40 mV", "-40 mV", "reported less measured, mV"} <= set(told)


def test_drawing_is_quick() -> None:
    """The plots of a run are made after it, on the operator's time: CPU time of one trace with 3000 wakes below 3 s."""
    found = sleep(1_000_000, every=333, length=12)
    began_s = time.process_time()

    svg_of(lambda: trace_figure(found, title="sleep"))

    assert time.process_time() - began_s < 3.0


def test_too_many_rows_leave_what_is_far_from_its_limit() -> None:
    """Of too many values those that did not pass and those nearest to a limit stay, in their order."""
    far, near, above = (judged(value, low=3.2, high=3.4) for value in (3.30, 3.39, 3.45))
    lost = judged(math.nan, low=3.2, high=3.4)
    failed = judged(3.31, low=3.2, high=3.4, verdict=Verdict.FAIL)

    assert rows_worth_seeing((far, near, failed, far, above, lost), most=4) == (near, failed, above, lost)
    assert rows_worth_seeing((far, near), most=2) == (far, near)
