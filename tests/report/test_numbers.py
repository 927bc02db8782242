"""How numbers are shown, against the rounding examples of the GUM and exact decimal arithmetic."""

from __future__ import annotations

import re
from decimal import Decimal

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from benchrig.records import LimitJudged, Verdict
from benchrig.report.numbers import limits_text, measured_text, seconds_text


def judged(
    value: float | None,
    uncertainty: float | None,
    *,
    unit: str = "V",
    low: float | None = None,
    high: float | None = None,
) -> LimitJudged:
    """A judged value of which only the numbers matter."""
    return LimitJudged(
        check="c",
        limit="l",
        value=value,
        unit=unit,
        expanded_uncertainty=uncertainty,
        coverage_factor=2.0,
        low=low,
        high=high,
        rule="simple",
        guard_band=0.0,
        verdict=Verdict.PASS,
        why="",
        limit_source="",
        at_s=0.0,
    )


MEASURED = [
    # JCGM 100:2008 7.2.4 writes (100,021 47 ± 0,000 79) g for m = 100,021 47 g, U = 0,79 mg; from memory
    pytest.param(judged(100.02147, 0.00079, high=101.0, unit="count"), "(100.02147 ± 0.00079) counts", id="GUM 7.2.4"),
    # JCGM 100:2008 7.2.6: y = 10,057 62 ohm with u = 27 mohm is rounded to 10,058 ohm; from memory
    pytest.param(judged(10.05762, 0.027, high=11.0, unit="ohm"), "(10.058 ± 0.027) Ω", id="GUM 7.2.6"),
    pytest.param(judged(3.30043, 0.0012, low=3.29, high=3.31), "(3.3004 ± 0.0012) V", id="volts"),
    pytest.param(judged(1.64e-5, 4e-7, high=2e-5, unit="A"), "(16.40 ± 0.40) µA", id="prefix of the limit"),
    pytest.param(judged(4.5e-3, 1e-6, high=2e-5, unit="A"), "(4500.0 ± 1.0) µA", id="far out of the limit"),
    pytest.param(judged(3.3, 0.0996, high=4.0), "(3.30 ± 0.10) V", id="uncertainty rounds up a decade"),
    pytest.param(judged(4512.0, 123.0, high=9e3, unit="count"), "(4510 ± 120) counts", id="no decimals"),
    pytest.param(judged(-1e-9, 0.004, high=3.0), "(0.0000 ± 0.0040) V", id="no negative zero"),
    pytest.param(judged(0.0012, 0.0003, high=0.01, unit="1"), "(0.120 ± 0.030) %", id="share"),
    pytest.param(judged(2.0, 0.3, high=3.0, unit="1"), "2.00 ± 0.30", id="ratio without a unit"),
    pytest.param(judged(3.3, None, high=4.0), "3.300 V", id="no uncertainty known"),
    pytest.param(judged(4095.0, None, high=4095.0, unit="count"), "4095 counts", id="count without uncertainty"),
    pytest.param(judged(3.3, 0.0, high=4.0), "3.300 V", id="uncertainty of zero"),
    pytest.param(judged(None, 0.001, high=4.0), "no number", id="no number came"),
    pytest.param(judged(float("nan"), 0.001, high=4.0), "no number", id="not a number"),
    pytest.param(judged(3.31004, 0.012, high=3.31), "(3.31004 ± 0.012) V", id="a little above its limit"),
    pytest.param(judged(3.31, 0.012, high=3.31), "(3.310 ± 0.012) V", id="exactly at its limit"),
    pytest.param(judged(3.2999996, 0.012, low=3.3), "(3.2999996 ± 0.012) V", id="a little below its limit"),
    pytest.param(judged(5.0, 0.1, high=7.0, unit="furlong"), "(5.00 ± 0.10) furlong", id="unknown unit"),
]


@pytest.mark.parametrize(("row", "expected"), MEASURED)
def test_measured_text(row: LimitJudged, expected: str) -> None:
    """Two digits of the uncertainty, the value to the same digit, more only to tell it from a limit."""
    assert measured_text(row) == expected


@pytest.mark.parametrize(
    ("row", "expected"),
    [
        pytest.param(judged(1.0, None, low=3.29, high=3.31), "3.29 V to 3.31 V", id="both"),
        pytest.param(judged(1.0, None, high=2e-5, unit="A"), "at most 20 µA", id="upper"),
        pytest.param(judged(1.0, None, low=480.0, unit="count"), "at least 480 counts", id="lower"),
        pytest.param(judged(1.0, None, low=0.0, high=1500.0), "0 kV to 1.5 kV", id="zero in the same prefix"),
        pytest.param(judged(0.25, None, low=0.0), "at least 0 mV", id="only zero: prefix of the value"),
        pytest.param(judged(1.0, None, low=-40.0, high=85.0, unit="degC"), "-40 °C to 85 °C", id="negative"),
        pytest.param(judged(1.0, None), "no limit", id="none"),
    ],
)
def test_limits_text(row: LimitJudged, expected: str) -> None:
    """Limits stand in full in one prefix."""
    assert limits_text(row) == expected


FINITE = st.floats(allow_nan=False, allow_infinity=False)
UNCERTAINTY = st.none() | st.floats(0.0, allow_infinity=False)


def numbers_of(text: str) -> list[Decimal]:
    """The decimal numbers of a text, without the ± part."""
    return [Decimal(number) for number in re.findall(r"-?\d+\.?\d*", re.sub(r"±.*", "", text))]


@given(FINITE, UNCERTAINTY, FINITE, st.sampled_from(("V", "A", "count", "1")))
@example(3.3, 0.5, 3.3000000000000003, "V")
@example(1.7976931348623157e308, 5e-324, 5e-324, "V")
def test_value_never_reads_like_a_limit_it_is_not(
    value: float, uncertainty: float | None, limit: float, unit: str
) -> None:
    """The shown value equals the shown limit only if both are the same number."""
    row = judged(value, uncertainty, unit=unit, high=limit)

    (shown,), (shown_limit,) = numbers_of(measured_text(row)), numbers_of(limits_text(row))

    if value != limit:
        assert shown != shown_limit


@given(FINITE, st.sampled_from(("count", "1", "byte")))
def test_limit_is_shown_in_full(limit: float, unit: str) -> None:
    """Reading a limit off the report gives the very number that was judged against."""
    text = limits_text(judged(1.0, None, unit=unit, high=limit))

    power = -2 if text.endswith(" %") else 0
    assert [float(Decimal(number).scaleb(power)) for number in numbers_of(text)] == [limit]
    assert text.endswith(" %") is (unit == "1" and 0.0 < abs(limit) < 1.0)


def test_seconds_text() -> None:
    """Durations are seconds with two decimals; none is a dash."""
    assert [seconds_text(duration) for duration in (12.345, 0.0, None)] == ["12.35 s", "0.00 s", "-"]
