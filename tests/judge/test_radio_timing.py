"""Time on air against published rows, the way back from a duration, and class A windows in made-up pulses."""

from __future__ import annotations

import csv
import math
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchrig.judge.radio_timing import (
    JOIN_DELAYS_S,
    AirtimeMatch,
    Pulse,
    RadioSettings,
    find_exchanges,
    match_duration,
    payload_symbols,
    time_on_air_s,
)

if TYPE_CHECKING:
    from collections.abc import Callable

HERE = Path(__file__).parent


class Figure(NamedTuple):
    """A published value, as a failing test prints it."""

    id: str
    source: str
    mark: str
    inputs: RadioSettings
    phy_payload_bytes: int
    expected_ms: float
    tolerance_ms: float


def _rows(name: str) -> tuple[str, list[dict[str, str]]]:
    with (HERE / name).open(encoding="utf-8") as file:
        source = next(file).removeprefix("# source: ").strip()
        return source, list(csv.DictReader(file))


def _table(name: str, *, tolerance: float, relative: bool) -> list[Figure]:
    source, rows = _rows(name)
    return [
        Figure(
            id=f"{name}-{number}-sf{row['sf']}-{row['phy_payload_bytes']}",
            source=source,
            mark=row["seen"],
            inputs=RadioSettings(
                int(row["sf"]),
                bandwidth_hz=int(row["bw_hz"]),
                coding_rate=int(row["cr"].removeprefix("4/")),
                preamble_symbols=int(row["preamble_symbols"]),
                explicit_header=row["explicit_header"] == "1",
                crc=row["crc"] == "1",
                low_data_rate=row["ldro"] == "1",
            ),
            phy_payload_bytes=int(row["phy_payload_bytes"]),
            expected_ms=float(row["toa_ms"]),
            tolerance_ms=tolerance * float(row["toa_ms"]) if relative else tolerance,
        )
        for number, row in enumerate(rows)
    ]


FIGURES = [
    # liblora rounds up to whole microseconds, hence 1 us
    *_table("lora_toa.csv", tolerance=0.001, relative=False),
    *_table("lora_toa_vendor_calculator.csv", tolerance=1e-5, relative=True),
    Figure(
        id="lora.toa.integer_boundary",
        source="AN1200.13 formula; liblora 0.0.3 and pamoja-lora 0.1.18 agree (280/28 = 10 exactly)",
        mark="recomputed",
        inputs=RadioSettings(7),
        phy_payload_bytes=33,
        expected_ms=71.936,
        tolerance_ms=0.001,
    ),
    Figure(
        id="lora.toa.brocaar-sf12-50",
        source="brocaar/lorawan airtime/airtime_test.go @a18a1037da07 (58 symbols): 401.408 + 58 x 32.768 ms",
        mark="seen+recomputed",
        inputs=RadioSettings(12),
        phy_payload_bytes=50,
        expected_ms=401.408 + 58 * 32.768,
        tolerance_ms=0.001,
    ),
]


@pytest.mark.parametrize("figure", FIGURES, ids=lambda figure: figure.id)
def test_time_on_air_meets_the_published_row(figure: Figure) -> None:
    """Every published time on air is met to its tolerance."""
    found_ms = 1e3 * time_on_air_s(figure.inputs, phy_payload_bytes=figure.phy_payload_bytes)

    assert abs(found_ms - figure.expected_ms) <= figure.tolerance_ms, f"{found_ms} ms; {figure}"


def test_the_published_tables_are_whole() -> None:
    """102 rows of one table and 14 of the other are there; none was lost on the way."""
    assert [len(_rows(name)[1]) for name in ("lora_toa.csv", "lora_toa_vendor_calculator.csv")] == [102, 14]


def test_symbols_of_every_published_row() -> None:
    """The number of payload symbols of each row is met exactly, low data rate optimisation chosen by itself."""
    source, rows = _rows("lora_toa.csv")

    for row in rows:
        symbols = payload_symbols(RadioSettings(int(row["sf"])), phy_payload_bytes=int(row["phy_payload_bytes"]))
        assert symbols == int(row["payload_symbols"]), (source, row)


@pytest.mark.parametrize(
    ("factor", "bandwidth_hz", "slow"),
    [(10, 125_000, False), (11, 125_000, True), (11, 250_000, False), (12, 250_000, True), (12, 500_000, False)],
)
def test_low_data_rate_follows_the_symbol_time(factor: int, bandwidth_hz: int, *, slow: bool) -> None:
    """Low data rate optimisation is on from 16 ms a symbol on (references: also SF12 at 250 kHz)."""
    assert RadioSettings(factor, bandwidth_hz=bandwidth_hz).is_slow is slow


@pytest.mark.parametrize(
    ("factor", "printed_ms"),
    [(7, 52), (8, 93), (9, 165), (10, 330), (11, 660), (12, 1319)],
    ids=str,
)
def test_a_report_of_three_bytes_is_told_by_its_duration(factor: int, printed_ms: int) -> None:
    """52/93/165/330/660/1319 ms each have one data rate at 16 bytes of PHYPayload (printed to 1 ms, rounded up)."""
    found = match_duration(printed_ms * 1e-3, tolerance_s=1e-3, lengths=[16])

    assert [one.settings.spreading_factor for one in found] == [factor]


# ---- from a duration back


def exact_symbols(factor: int, size: int) -> int:
    """The formula over fractions: an independent ceiling, for the EU868 settings."""
    slow = 2 if factor >= 11 else 0
    quotient = Fraction(8 * size - 4 * factor + 28 + 16, 4 * (factor - slow))
    return 8 + max(math.ceil(quotient) * 5, 0)


@given(factor=st.integers(7, 12), size=st.integers(12, 255), error_s=st.floats(-0.4e-3, 0.4e-3))
def test_match_holds_the_truth_and_its_whole_block(factor: int, size: int, error_s: float) -> None:
    """The true data rate is among the matches, with every length of the same symbol count and no other."""
    true_s = time_on_air_s(RadioSettings(factor), phy_payload_bytes=size)

    found = match_duration(true_s + error_s, tolerance_s=0.5e-3)

    mine = [one for one in found if one.settings.spreading_factor == factor and size in one.lengths]
    block = [other for other in range(12, 256) if exact_symbols(factor, other) == exact_symbols(factor, size)]
    assert [list(one.lengths) for one in mine] == [block]
    assert mine[0].error_s == pytest.approx(error_s, abs=1e-9)


def test_match_is_nearest_first_and_keeps_true_ambiguities() -> None:
    """SF7 with 37 to 40 bytes (82.176 ms) and SF8 with 12 to 14 (82.432 ms) are both told at a tolerance of 0.5 ms."""
    # by hand: (82.176 - 12.544) / 1.024 = 68 symbols = 8 + 12 blocks of 28 bits, so 308 < 8 PL + 16 <= 336
    found = match_duration(82.2e-3, tolerance_s=0.5e-3)

    assert [(one.settings.spreading_factor, one.first_bytes, one.last_bytes) for one in found] == [
        (7, 37, 40),
        (8, 12, 14),
    ]
    assert [round(one.time_s * 1e3, 3) for one in found] == [82.176, 82.432]


def test_match_of_a_known_length_is_unique() -> None:
    """A length that is known otherwise resolves the ambiguity."""
    found = match_duration(82.2e-3, tolerance_s=0.5e-3, lengths=[13])

    assert [one.settings.spreading_factor for one in found] == [8]


def test_match_of_no_frame_is_empty() -> None:
    """A duration that no frame has is no frame."""
    assert match_duration(10e-3, tolerance_s=1e-3) == ()


def test_match_uses_the_template() -> None:
    """Bandwidth and header of the template are used for the way back."""
    template = RadioSettings(7, bandwidth_hz=500_000, coding_rate=6)
    true_s = time_on_air_s(RadioSettings(9, bandwidth_hz=500_000, coding_rate=6), phy_payload_bytes=20)

    found = match_duration(true_s, tolerance_s=1e-6, template=template)

    assert [(one.settings.spreading_factor, 20 in one.lengths) for one in found] == [(9, True)]
    assert isinstance(found[0], AirtimeMatch)


@pytest.mark.parametrize(
    ("duration_s", "tolerance_s", "text"),
    [
        pytest.param(math.nan, 1e-3, "duration of nan s", id="NaN"),
        pytest.param(0.0, 1e-3, "duration of 0.0 s", id="nothing"),
        pytest.param(0.05, -1e-3, "tolerance of -0.001 s", id="negative tolerance"),
        pytest.param(0.05, math.inf, "tolerance of inf s", id="infinite tolerance"),
    ],
)
def test_match_refuses_nonsense(duration_s: float, tolerance_s: float, text: str) -> None:
    """Numbers that are no duration or tolerance are refused by value."""
    with pytest.raises(ValueError, match=text):
        match_duration(duration_s, tolerance_s=tolerance_s)


@pytest.mark.parametrize(
    ("build", "text"),
    [
        pytest.param(lambda: RadioSettings(6), "spreading factor 6; accepted: 7 to 12", id="SF6"),
        pytest.param(lambda: RadioSettings(7, coding_rate=9), "coding rate 4/9", id="coding rate"),
        pytest.param(lambda: RadioSettings(7, bandwidth_hz=0), "bandwidth 0 Hz", id="bandwidth"),
        pytest.param(lambda: RadioSettings(7, preamble_symbols=-1), "-1 preamble symbols", id="preamble"),
    ],
)
def test_settings_refuse_what_the_formula_does_not_cover(build: Callable[[], RadioSettings], text: str) -> None:
    """Settings outside of the formula are refused with what is accepted."""
    with pytest.raises(ValueError, match=text):
        build()


@pytest.mark.parametrize("size", [-1, 256])
def test_a_frame_has_0_to_255_bytes(size: int) -> None:
    """A length that the header cannot say is refused."""
    with pytest.raises(ValueError, match=f"{size} bytes in a frame; accepted: 0 to 255"):
        time_on_air_s(RadioSettings(7), phy_payload_bytes=size)


# ---- windows and repetitions


def test_both_windows_are_found_and_timed() -> None:
    """Windows at 1 s and 2 s after the end are numbered, and how late each one opened is said."""
    transmit = Pulse(10.0, 0.0566)
    pulses = [Pulse(10.3, 0.01), Pulse(11.0546, 0.015), Pulse(11.5, 0.01), Pulse(12.0596, 0.033)]

    (found,) = find_exchanges([transmit], pulses)

    assert [(one.number, one.duration_s) for one in found.windows] == [(1, 0.015), (2, 0.033)]
    assert [one.late_s for one in found.windows] == pytest.approx([-2e-3, 3e-3], abs=1e-9)


def test_a_window_far_from_its_delay_is_none() -> None:
    """A pulse half a second after its delay is no receive window."""
    (found,) = find_exchanges([Pulse(0.0, 0.05)], [Pulse(1.55, 0.015)])

    assert found.windows == ()


def test_join_windows_are_at_5_and_6_seconds() -> None:
    """After a join-request the windows are looked for at 5 s and 6 s (RP002-1.0.1)."""
    pulses = [Pulse(1.06, 0.02), Pulse(5.06, 0.02), Pulse(6.06, 0.02)]

    (found,) = find_exchanges([Pulse(0.0, 0.06)], pulses, delays_s=JOIN_DELAYS_S)

    assert [one.start_s for one in found.windows] == [5.06, 6.06]


def test_repetitions_are_counted_and_a_later_report_is_not_one() -> None:
    """Three transmissions 4 s apart are attempts 1 to 3; the one a minute later is attempt 1 again."""
    transmits = [Pulse(start, 0.06) for start in (0.0, 4.0, 8.0, 68.0)]
    pulses = [Pulse(start + 0.06 + delay, 0.02) for start in (0.0, 4.0, 8.0, 68.0) for delay in (1.0, 2.0)]

    found = find_exchanges(transmits, pulses)

    assert [one.attempt for one in found] == [1, 2, 3, 1]
    assert all(len(one.windows) == 2 for one in found)


def test_a_window_belongs_to_the_transmission_before_it() -> None:
    """What begins after the next transmission is not a window of the one before."""
    found = find_exchanges([Pulse(0.0, 0.06), Pulse(1.9, 0.06)], [Pulse(2.05, 0.02)])

    assert [one.windows for one in found] == [(), ()]
