"""The plots of a dossier: whatever numbers a record holds, a picture, with every point in its place."""

from __future__ import annotations

import math
import re

import msgspec
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from lxml import etree

from benchrig.dossier.drawing import round_steps
from benchrig.dossier.plots import TraceLine, figures
from benchrig.records import LimitJudged, ReadingTaken, Record, Verdict

from .a_run import judged, sweep

SVG = "{http://www.w3.org/2000/svg}"
ANY_NUMBER = st.one_of(
    st.floats(allow_nan=False, allow_infinity=False),
    st.sampled_from([0.0, -0.0, 5e-324, -1.7e308, 1.7e308, 1e-9, 1.0]),
)
MAYBE = st.one_of(st.none(), ANY_NUMBER)


def drawn(records: list[Record], traces: list[TraceLine] | None = None) -> list[etree._Element]:
    """Every picture, parsed; each coordinate is a number, and near the picture."""
    roots = [etree.fromstring(one.svg.encode("utf-8")) for one in figures(records, traces or [])]
    for root in roots:
        width, height = (float(part) for part in root.attrib["viewBox"].split()[2:])
        for element in root.iter():
            for name in ("x", "x1", "x2", "cx", "y", "y1", "y2", "cy", "width", "height"):
                if name in element.attrib:
                    assert -60.0 <= float(element.attrib[name]) <= max(width, height) + 60.0, etree.tostring(element)
    return roots


def texts(root: etree._Element) -> list[str]:
    """Everything that is written in a picture."""
    return [one.text or "" for one in root.iter(SVG + "text")]


@given(
    points=st.lists(st.tuples(MAYBE, MAYBE, st.floats(0.0, 1e300)), min_size=1, max_size=5),
    low=MAYBE,
    high=MAYBE,
)
def test_any_sweep(
    points: list[tuple[float | None, float | None, float]], low: float | None, high: float | None
) -> None:
    """A sweep of any numbers, limits or not, gives a picture or none."""
    records: list[Record] = [
        ReadingTaken(
            check="battery_sweep",
            name=f"{name} at {number} V up",
            value=value,
            unit="V",
            standard_uncertainty=u,
            source="meter",
            raw="",
            at_s=0.0,
        )
        for number, (terminals, reported, u) in enumerate(points)
        for name, value in (("terminals", terminals), ("reported", reported))
    ]
    drawn([*records, judged("battery_sweep", "error worst", 0.0, "V", low=low, high=high)])


@given(value=MAYBE, low=MAYBE, high=MAYBE, u=MAYBE, verdict=st.sampled_from(Verdict))
@example(value=0.0, low=0.0, high=5e-324, u=None, verdict=Verdict.PASS)
def test_any_limit(
    value: float | None, low: float | None, high: float | None, u: float | None, verdict: Verdict
) -> None:
    """So does any value beside any limits."""
    one = judged("rail", "voltage", 0.0, "V", low=low, high=high, expanded_uncertainty=u, verdict=verdict)

    drawn([msgspec.structs.replace(one, value=value)])


@given(values=st.lists(MAYBE, min_size=1, max_size=30), step_s=st.sampled_from([0.0, 1e-9, 1.0, 1e300]))
def test_any_trace(values: list[float | None], step_s: float) -> None:
    """And so does any trace: with holes, below nothing, of one sample."""
    times_s = tuple(step_s * number for number in range(len(values)))

    drawn([], [TraceLine(title="sleep", check="floor_current", times_s=times_s, currents_a=tuple(values))])


def test_sweep_stands_between_its_limits() -> None:
    """The points of the sweep lie where their errors put them on the scale of limits."""
    limit = judged("battery_sweep", "error worst", -0.0014, "V", low=-0.04, high=0.04)

    root, *_ = drawn([*sweep(), limit])

    assert {"-40 mV", "40 mV", "between its limits"} <= set(texts(root))
    ticks = [one for one in root.iter(SVG + "line") if (one.get("y1"), one.get("y2")) == ("216", "230")]
    assert len(ticks) == 14
    # -1.4 mV of -40 mV to 40 mV, on a bar from 46 to 326
    assert [float(one.attrib["x1"]) for one in ticks] == [pytest.approx(46 + 280 * (40 - 1.4) / 80, abs=0.06)] * 14


def test_trace_is_drawn_by_powers_of_ten() -> None:
    """Sleep and transmission are seen beside each other, and what was not measured is a hole in the line."""
    line = TraceLine(
        title="uplink",
        check="transmit",
        times_s=(0.0, 1.0, 2.0, 3.0, 4.0),
        currents_a=(1e-5, 1e-5, None, 5e-2, 5e-2),
    )

    (root,) = drawn([], [line])

    (path,) = root.iter(SVG + "path")
    drawn_as = str(path.attrib["d"])
    assert drawn_as.count("M") == 2
    heights = [int(part) for part in re.findall(r"M\d+ (\d+)", drawn_as)]
    # the scale goes from 10 µA to 100 mA, four decades over 156 pixels
    assert heights == [1700, pytest.approx(1700 - 10 * 156 * math.log10(5e-2 / 1e-5) / 4, abs=1)]
    assert {"10 µA", "1 mA", "100 mA"} <= set(texts(root))


def test_limits_show_what_did_not_pass() -> None:
    """Of many values those that did not pass are in the picture, each verdict with a mark of its own."""
    passed = [judged("rail", f"voltage at {number} V", 0.5, "V", low=0.0, high=1.0) for number in range(100)]
    failed = judged("rail", "ripple", 7.0, "V", high=1.0, verdict=Verdict.FAIL)
    open_ = judged("rail", "droop", 1.0, "V", high=1.0, verdict=Verdict.UNDECIDED, expanded_uncertainty=0.2)
    rows: list[LimitJudged] = [*passed, failed, open_]

    (root,) = drawn([*rows])

    told = texts(root)
    assert "rail: ripple" in told
    assert "rail: droop" in told
    assert "off the scale" in told
    assert any("✗ fail" in one and "◆ undecided" in one and "● pass" in one for one in told)
    assert len([one for one in told if one.startswith("rail: ")]) == 20


@given(low=st.floats(-1e12, 1e12), span=st.floats(1e-9, 1e12), most=st.integers(2, 8))
def test_round_steps(low: float, span: float, most: int) -> None:
    """Marks of a scale lie within it, at most as many as asked for and one more, at equal distances."""
    found = round_steps(low, low + span, most=most)

    assert len(found) <= most + 1
    slack = 1e-6 * span + 1e-9 * abs(low)
    assert all(low - slack <= one <= low + span + slack for one in found) or not low + span > low
