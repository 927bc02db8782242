"""Long recordings built from rectangles, whose charge and times are known by hand."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchrig.judge.levels import Stretch
from benchrig.judge.recording import RangeUse, Recording
from benchrig.judge.segments import Label, Segmentation, find_segments
from benchrig.judge.uncertainty import AccuracyTerms

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy.typing as npt

    Samples = npt.NDArray[np.float32]


@dataclass(frozen=True)
class Pulse:
    start_s: float
    duration_s: float
    level_a: float


def samples_of(
    rest_a: float,
    pulses: Sequence[Pulse],
    *,
    duration_s: float = 10.0,
    interval_s: float = 1e-3,
    noise_a: float = 0.2e-6,
    drift_a: float = 0.0,
    hum_a: float = 0.0,
    seed: int = 1,
) -> Samples:
    """Rectangles on a floor that may drift and hum; a later pulse replaces an earlier one."""
    count = round(duration_s / interval_s)
    times_s = (np.arange(count) + 0.5) * interval_s
    current_a = rest_a + drift_a * times_s / duration_s + hum_a * np.sin(2 * np.pi * 50.0 * times_s)
    for pulse in pulses:
        first, end = np.searchsorted(times_s, [pulse.start_s, pulse.start_s + pulse.duration_s])
        current_a[first:end] = pulse.level_a
    noise = np.random.default_rng(seed).normal(0.0, noise_a, count)
    return np.asarray(current_a + noise, dtype=np.float32)


def recording_of(rest_a: float, pulses: Sequence[Pulse], *, interval_s: float = 1e-3, **more: float) -> Recording:
    return Recording(
        samples_of(rest_a, pulses, interval_s=interval_s, **more),  # type: ignore[arg-type]
        interval_s=interval_s,
    )


def wakes_every(period_s: float, *, first_s: float = 0.7, duration_s: float = 10.0) -> list[Pulse]:
    count = math.ceil((duration_s - first_s) / period_s)
    return [Pulse(first_s + period_s * index, 0.012, 4.5e-3) for index in range(count)]


REPORT = [
    Pulse(0.200, 0.005, 12e-3),
    Pulse(0.205, 0.056, 44e-3),
    Pulse(1.261, 0.015, 11e-3),
    Pulse(2.261, 0.033, 11e-3),
]


def report_at(start_s: float, *, between_a: float) -> list[Pulse]:
    """A report of 44 mA for 56 ms with both windows, and what the board rests at until the second one is over."""
    return [
        Pulse(start_s + 0.2, 2.094, between_a),
        *(Pulse(start_s + one.start_s, one.duration_s, one.level_a) for one in REPORT),
    ]


def labels_of(found: Segmentation) -> list[str]:
    return [one.label.value for one in found.segments]


# ---- labels


@pytest.mark.parametrize("between_a", [16e-6, 4.5e-3], ids=["asleep between", "awake between"])
@pytest.mark.parametrize("seed", range(3))
def test_a_report_is_labelled_from_current_alone(between_a: float, seed: int) -> None:
    """Transmission and both windows are named by their timing, whatever the board rests at between them."""
    found = find_segments(
        recording_of(
            16e-6, report_at(0.0, between_a=between_a), duration_s=4.0, interval_s=1e-4, noise_a=2e-6, seed=seed
        )
    )

    rest = "floor" if between_a < 1e-3 else "wake"
    assert labels_of(found) == ["floor", "wake", "transmit", rest, "receive", rest, "receive", "floor"]
    (transmit,) = found.segments.of(Label.TRANSMIT)
    assert (transmit.start_s, transmit.duration_s) == pytest.approx((0.205, 0.056), abs=1e-4)
    assert transmit.plateau_a == pytest.approx(44e-3, rel=1e-3)
    assert transmit.charge_c == pytest.approx(44e-3 * 0.056, rel=2e-3)
    assert transmit.whole
    receive = found.segments.of(Label.RECEIVE)
    assert [one.duration_s for one in receive] == pytest.approx([0.015, 0.033], abs=1e-4)
    (exchange,) = found.exchanges
    assert [one.number for one in exchange.windows] == [1, 2]
    assert [one.late_s for one in exchange.windows] == pytest.approx([0.0, 0.0], abs=2e-4)


def test_each_charge_of_a_synthetic_recording_is_within_2_percent() -> None:
    """Floor, wake charge and transmit charge of a minute with reports and wakes are each within 2 %."""
    pulses = [*report_at(5.0, between_a=16e-6), *report_at(35.0, between_a=16e-6)]
    pulses += [Pulse(0.7 + 2.0 * index, 0.012, 4.5e-3) for index in range(30) if index not in (2, 3, 17, 18)]

    found = find_segments(recording_of(16e-6, pulses, duration_s=60.0, interval_s=1e-4, noise_a=1e-6))

    assert found.floor_a == pytest.approx(16e-6, rel=0.02)
    wakes = [one for one in found.events if one.label is Label.WAKE]
    assert len(wakes) == 26
    for one in wakes:
        assert one.charge_c == pytest.approx(4.5e-3 * 0.012, rel=0.02)
    for one in found.segments.of(Label.TRANSMIT):
        assert one.charge_c == pytest.approx(44e-3 * 0.056, rel=0.02)
    assert len(found.segments.of(Label.TRANSMIT)) == 2


def test_without_windows_the_highest_level_is_a_wake() -> None:
    """Wakes alone hold no transmission: their current does not make one, and neither does a period of 1 s."""
    for period_s in (2.0, 1.0):
        found = find_segments(recording_of(16e-6, wakes_every(period_s)))

        assert set(labels_of(found)) == {"floor", "wake"}
        assert found.exchanges == ()


def test_a_stated_transmit_current_needs_no_windows() -> None:
    """With the current of a transmission given, one that no window follows is named as well."""
    found = find_segments(
        recording_of(16e-6, REPORT[:2], duration_s=3.0, interval_s=1e-4, noise_a=2e-6), transmit_above_a=30e-3
    )

    assert labels_of(found) == ["floor", "wake", "transmit", "floor"]


def test_a_weak_transmission_is_not_one_above_the_stated_current() -> None:
    """What stays below the stated current is no transmission, windows or not."""
    found = find_segments(
        recording_of(16e-6, REPORT, duration_s=4.0, interval_s=1e-4, noise_a=2e-6), transmit_above_a=60e-3
    )

    assert Label.TRANSMIT not in {one.label for one in found.segments}


def test_a_fall_of_the_current_is_no_receive_window() -> None:
    """A board that goes from 8 mA to 4.5 mA a second after its transmission has not opened a window by that."""
    pulses = [Pulse(0.2, 0.056, 44e-3), Pulse(0.256, 1.0, 8e-3), Pulse(1.256, 0.5, 4.5e-3)]

    found = find_segments(
        recording_of(16e-6, pulses, duration_s=4.0, interval_s=1e-4, noise_a=2e-6), transmit_above_a=30e-3
    )

    assert labels_of(found) == ["floor", "transmit", "wake", "wake", "floor"]
    assert found.exchanges[0].windows == ()


def test_retries_are_counted() -> None:
    """A report that is repeated after its windows is attempt 2."""
    pulses = [*report_at(0.0, between_a=16e-6), *report_at(4.0, between_a=16e-6), *report_at(30.0, between_a=16e-6)]

    found = find_segments(recording_of(16e-6, pulses, duration_s=40.0, interval_s=1e-3, noise_a=1e-6))

    assert [one.attempt for one in found.exchanges] == [1, 2, 1]


def test_a_transmission_that_droops_is_one() -> None:
    """44 mA that sags to 40 mA is one transmission with its whole charge."""
    pulses = [Pulse(0.2, 0.03, 44e-3), Pulse(0.23, 0.03, 40e-3), Pulse(1.26, 0.015, 11e-3)]

    found = find_segments(recording_of(16e-6, pulses, duration_s=3.0, interval_s=1e-4))

    (transmit,) = found.segments.of(Label.TRANSMIT)
    assert transmit.duration_s == pytest.approx(0.06, abs=2e-4)
    assert transmit.charge_c == pytest.approx(0.03 * 84e-3, rel=5e-3)


def test_a_spike_is_neither_a_wake_nor_floor() -> None:
    """A single sample of 40 mA is a spike: no event, no part of the floor, and its charge is counted apart."""
    samples = samples_of(16e-6, wakes_every(2.0))
    samples[5000] = 40e-3

    found = find_segments(Recording(samples, interval_s=1e-3))

    assert len(found.events) == 5
    (spike,) = found.segments.of(Label.SPIKE)
    assert spike.start_s == pytest.approx(5.0)
    assert found.floor_a == pytest.approx(16e-6, rel=1e-3)
    assert found.balance is not None
    assert found.balance.spikes_c == pytest.approx(40e-3 * 1e-3, rel=1e-3)


# ---- agreement with the reading of short traces


@pytest.mark.parametrize(
    ("rest_a", "noise_a", "pulses"),
    [
        pytest.param(16e-6, 0.2e-6, wakes_every(2.0), id="healthy"),
        pytest.param(16e-6, 0.2e-6, wakes_every(0.25, first_s=0.1), id="wakes too often"),
        pytest.param(4.5e-3, 0.2e-6, [], id="never sleeps"),
        pytest.param(16e-6, 0.2e-6, [], id="never wakes"),
        pytest.param(4.5e-3, 0.0, [], id="constant to the last bit"),
        pytest.param(0.0, 0.0, wakes_every(2.0), id="no floor and no noise"),
        pytest.param(316e-6, 0.2e-6, wakes_every(2.0), id="leak"),
        pytest.param(1.6e-3, 0.2e-6, wakes_every(2.0), id="radio in standby"),
        pytest.param(-164e-6, 0.2e-6, wakes_every(2.0), id="fed by the adapter"),
        pytest.param(16e-6, 20e-6, wakes_every(2.0), id="on a range far too large"),
    ],
)
def test_floor_and_wakes_are_those_that_were_drawn(rest_a: float, noise_a: float, pulses: list[Pulse]) -> None:
    """Whatever a board rests at, its wakes are found at the samples where they were drawn, with their charge."""
    found = find_segments(recording_of(rest_a, pulses, noise_a=noise_a))

    assert found.problems == ()
    assert [one.start_s for one in found.events] == pytest.approx([one.start_s for one in pulses], abs=1e-3)
    charges_c = [one.level_a * one.duration_s for one in pulses]
    assert [one.charge_c for one in found.events] == pytest.approx(
        charges_c, rel=1e-4, abs=5 * noise_a * 12**0.5 * 1e-3
    )
    assert found.floor_a == pytest.approx(rest_a, abs=1e-9 + noise_a / 20)


@pytest.mark.parametrize("between_a", [16e-6, 5e-3], ids=["asleep", "awake"])
def test_one_report_in_a_short_recording_of_a_board_that_is_awake_around_it(between_a: float) -> None:
    """The floor is what lasts between the windows, though each level above it is seen by a few groups of cells."""
    awake_a = between_a + 4.5e-3
    report = [Pulse(one.start_s - 0.128, one.duration_s, one.level_a) for one in REPORT]
    pulses = [Pulse(0.0, 0.072, awake_a), *report, Pulse(2.166, 1.0, awake_a)]

    found = find_segments(recording_of(between_a, pulses, interval_s=1e-4, noise_a=2e-6, duration_s=2.6))

    (transmit,) = found.segments.of(Label.TRANSMIT)
    assert transmit.start_s == pytest.approx(0.077, abs=1e-4)
    assert [one.start_s for one in found.segments.of(Label.RECEIVE)] == pytest.approx([1.133, 2.133], abs=1e-4)
    assert found.floor_a == pytest.approx(between_a, rel=0.01)
    assert found.drift_a == pytest.approx(0.0, abs=1e-6)


# ---- noise, drift, hum, slow changes


def test_floor_lies_within_its_uncertainty() -> None:
    """In 95 or more of 100 recordings the floor is within 3 of its standard uncertainties, and it is not boasting."""
    errors, stated = [], []
    for seed in range(100):
        found = find_segments(recording_of(16e-6, wakes_every(2.0), seed=seed))
        assert found.floor_a is not None
        assert found.floor_u is not None
        errors.append(found.floor_a - 16e-6)
        stated.append(found.floor_u)

    assert sum(abs(error) <= 3 * u for error, u in zip(errors, stated, strict=True)) >= 95
    assert np.median(stated) < 5 * np.std(errors)


@pytest.mark.parametrize("drift_a", [30e-6, -12e-6, 300e-6])
def test_drift_is_followed(drift_a: float) -> None:
    """A floor that drifts during the recording hides no wake, makes none, and its mean is the mean of the drift."""
    found = find_segments(recording_of(20e-6, wakes_every(2.0), drift_a=drift_a))

    assert [one.start_s for one in found.events] == pytest.approx([0.7, 2.7, 4.7, 6.7, 8.7], abs=2e-3)
    assert found.floor_a == pytest.approx(20e-6 + 0.5 * drift_a, rel=0.01)
    assert found.drift_a == pytest.approx(abs(drift_a), rel=0.2)


def test_small_wakes_stand_out_of_a_drift_that_is_larger() -> None:
    """Wakes of 60 µA are found on a floor that drifts by 100 µA: no single threshold could tell both."""
    pulses = [Pulse(0.5 + index, 0.05, 0.0) for index in range(60)]
    clean = samples_of(16e-6, [], duration_s=60.0, drift_a=100e-6)
    for pulse in pulses:
        first = round(pulse.start_s / 1e-3)
        clean[first : first + 50] += np.float32(60e-6)

    found = find_segments(Recording(clean, interval_s=1e-3))

    assert [one.start_s for one in found.events] == pytest.approx([one.start_s for one in pulses], abs=2e-3)


def test_hum_is_no_event() -> None:
    """Hum of 5 µA at 50 Hz makes no wakes, and leaves the floor where it is."""
    found = find_segments(recording_of(16e-6, wakes_every(2.0), hum_a=5e-6))

    assert len(found.events) == 5
    assert found.floor_a == pytest.approx(16e-6, rel=0.02)


def test_noise_makes_no_events() -> None:
    """Two million samples of noise alone hold no event, and the floor is the mean that was put in."""
    found = find_segments(recording_of(16e-6, [], duration_s=2000.0, noise_a=3e-6))

    assert labels_of(found) == ["floor"]
    assert found.floor_a == pytest.approx(16e-6, abs=5 * 3e-6 / math.sqrt(2e6))


def test_a_board_that_is_awake_for_long_is_not_at_rest() -> None:
    """A board awake for a third of the time has the floor of the other two thirds."""
    found = find_segments(recording_of(16e-6, [Pulse(3.0, 3.5, 4.5e-3)]))

    assert found.floor_a == pytest.approx(16e-6, rel=0.01)
    (event,) = found.events
    assert (event.start_s, event.duration_s) == pytest.approx((3.0, 3.5), abs=2e-3)


def test_a_square_wave_is_two_states() -> None:
    """A current that switches between 16 µA and 4 mA every 100 samples is cut at each edge."""
    samples = np.where(np.arange(200_000) % 200 < 100, 16e-6, 4e-3)
    noise = np.random.default_rng(1).normal(0.0, 0.2e-6, samples.size)

    found = find_segments(Recording((samples + noise).astype(np.float32), interval_s=1e-3), margin_s=0.0)

    assert len(found.segments) == 2000
    assert set((found.segments.ends - found.segments.firsts).tolist()) == {100}
    assert found.floor_a == pytest.approx(16e-6, rel=0.01)


def test_cells_of_a_long_recording_lose_no_short_event() -> None:
    """In five million samples, cut into the largest cells, 40 wakes of 12 samples are found one by one."""
    starts = np.linspace(1000, 4_990_000, 40).astype(int)
    samples = np.random.default_rng(1).normal(16e-6, 0.2e-6, 5_000_000).astype(np.float32)
    for start in starts:
        samples[start : start + 12] = 4.5e-3

    found = find_segments(Recording(samples, interval_s=1e-4))

    assert found.events.firsts.tolist() == starts.tolist()
    assert set((found.events.ends - found.events.firsts).tolist()) == {12}


# ---- edges


@pytest.mark.parametrize("offset", [0.0, 0.2, 0.5, 0.8])
def test_edges_that_are_averaged_keep_their_charge(offset: float) -> None:
    """A recorder that averages puts part samples on the edges: the charge of an event counts them."""
    fine = 50
    pulses = [Pulse(0.5 + offset * 1e-3 + 2.0 * index, 0.0124, 4.5e-3) for index in range(5)]
    averages = samples_of(16e-6, pulses, interval_s=1e-3 / fine, noise_a=0.0).reshape(-1, fine).mean(axis=1)

    found = find_segments(Recording(averages, interval_s=1e-3))

    assert [one.charge_c for one in found.events] == pytest.approx([4.5e-3 * 0.0124] * 5, rel=3e-3)


def test_events_cut_by_the_recording_are_not_whole() -> None:
    """A wake that the recording cuts is seen, and is marked as not whole."""
    pulses = [Pulse(0.0, 0.007, 4.5e-3), *wakes_every(2.0, first_s=1.995)]

    found = find_segments(recording_of(16e-6, pulses))

    assert [one.whole for one in found.events] == [False, True, True, True, True, False]


def test_a_part_sample_belongs_to_the_state_it_is_nearer_to() -> None:
    """A sample of 12 mA on an edge between 44 mA and the floor is no receive window and no part of 44 mA."""
    samples = samples_of(16e-6, report_at(0.0, between_a=16e-6), duration_s=4.0, interval_s=1e-4, noise_a=2e-6)
    first, end = 2050, 2610
    samples[2000:first] = 16e-6
    samples[[first - 1, end]] = 12e-3

    found = find_segments(Recording(samples, interval_s=1e-4))

    (transmit,) = found.segments.of(Label.TRANSMIT)
    assert (transmit.start_s, transmit.end_s) == pytest.approx((first * 1e-4, end * 1e-4), abs=1e-9)
    assert labels_of(found) == ["floor", "transmit", "floor", "receive", "floor", "receive", "floor"]


def test_a_short_dip_does_not_cut_an_event() -> None:
    """A single sample at the floor inside a wake is a flicker of the wake."""
    samples = samples_of(16e-6, [Pulse(3.0, 0.5, 4.5e-3)])
    samples[3200] = 16e-6

    found = find_segments(Recording(samples, interval_s=1e-3))

    assert labels_of(found) == ["floor", "wake", "floor"]


@pytest.mark.parametrize(("shortest_s", "count"), [(0.0, 2), (0.02, 1)])
def test_the_shortest_event_is_as_asked(shortest_s: float, count: int) -> None:
    """A wake of 12 ms beside one of 50 ms counts unless 20 ms are asked for; then it is a spike."""
    found = find_segments(
        recording_of(16e-6, [Pulse(2.0, 0.012, 4.5e-3), Pulse(5.0, 0.05, 4.5e-3)]), shortest_s=shortest_s
    )

    assert len(found.events) == count
    assert len(found.segments.of(Label.SPIKE)) == 2 - count


# ---- ranges


def ranged(offset_a: float, accuracy: AccuracyTerms) -> Recording:
    """Wakes on a coarse range that is held for 50 ms after each one and reads `offset_a` too much and noisily."""
    samples = samples_of(16e-6, wakes_every(2.0)).astype(np.float64)
    noise = np.random.default_rng(2).normal(0.0, 5e-6, samples.size)
    uses = [RangeUse(0, range_a=1e-3)]
    for wake in wakes_every(2.0):
        first = round(wake.start_s / 1e-3)
        samples[first : first + 62] += offset_a + noise[first : first + 62]
        uses += [RangeUse(first, range_a=0.1, accuracy=accuracy), RangeUse(first + 62, range_a=1e-3)]
    return Recording(samples.astype(np.float32), interval_s=1e-3, ranges=tuple(uses))


def test_the_zero_error_of_another_range_is_no_wake() -> None:
    """40 µA of offset on the coarse range, within its stated 0.05 % of range, is no event after the wake."""
    found = find_segments(ranged(40e-6, AccuracyTerms(of_range=0.0005)))

    assert [one.duration_s for one in found.events] == pytest.approx([0.012] * 5, abs=1e-9)
    assert found.floor_a == pytest.approx(16e-6, rel=2e-3)


def test_a_rise_beyond_the_stated_error_of_a_range_is_seen() -> None:
    """The same board with 400 µA after its wakes is not excused by 0.05 % of range."""
    found = find_segments(ranged(400e-6, AccuracyTerms(of_range=0.0005)))

    assert [one.duration_s for one in found.events] == pytest.approx([0.062] * 5, abs=1e-9)


def test_the_zero_error_of_another_range_is_in_the_uncertainty() -> None:
    """What the coarse range's zero may hide is in the uncertainty of what is unexplained."""
    found, without = (
        find_segments(ranged(40e-6, terms)) for terms in (AccuracyTerms(of_range=0.0005), AccuracyTerms())
    )

    # 0.05 % of 0.1 A over root 3, for 50 ms less the margin of 5 ms, five times
    expected_c = 0.0005 * 0.1 / math.sqrt(3) * 0.045 * 5
    assert found.balance is not None
    assert found.balance.unexplained_u == pytest.approx(expected_c, rel=0.1)
    assert without.balance is not None
    assert without.balance.unexplained_u < 0.5 * expected_c


def test_the_end_of_a_range_forbids_a_judgement() -> None:
    """A current that reaches the end of its range is clipped, so nothing is said of it."""
    samples = np.minimum(samples_of(16e-6, wakes_every(2.0)), np.float32(1e-3))

    found = find_segments(Recording(samples, interval_s=1e-3, ranges=(RangeUse(0, range_a=float(np.float32(1e-3))),)))

    assert len(found.problems) == 1
    assert "reaches the end of the 0.001 A range in use from 0 s on" in found.problems[0]
    assert (found.floor_a, found.balance, len(found.segments)) == (None, None, 0)


# ---- gaps


BAD_SAMPLES = [
    pytest.param(math.nan, id="NaN"),
    pytest.param(math.inf, id="infinity"),
    pytest.param(-math.inf, id="negative infinity"),
    pytest.param(9.9e37, id="overload mark"),
    pytest.param(-9.9e37, id="negative overload mark"),
    pytest.param(9.91e37, id="no-number mark"),
]


@pytest.mark.parametrize("bad", BAD_SAMPLES)
@pytest.mark.parametrize("at", [0, 1234, 9999])
def test_one_bad_sample_forbids_a_judgement(bad: float, at: int) -> None:
    """One sample that is no current leaves nothing judged, and is named."""
    samples = samples_of(16e-6, wakes_every(2.0))
    samples[at] = bad

    found = find_segments(Recording(samples, interval_s=1e-3))

    assert found.problems == (
        f"1 of 10000 samples were not measured, the first at {at * 1e-3:.6g} s; accepted: a share of 0",
    )
    assert (found.floor_a, found.balance, len(found.events)) == (None, None, 0)


def test_a_tenth_missing_is_not_judged() -> None:
    """10 % missing samples are not judged where 1 % are allowed."""
    gaps = tuple(Stretch(first, first + 100) for first in range(0, 10_000, 1000))
    recording = Recording(samples_of(16e-6, wakes_every(2.0)), interval_s=1e-3, gaps=gaps)

    found = find_segments(recording, most_missing=0.01)

    assert found.problems[0].startswith("1000 of 10000 samples were not measured")


def test_gaps_that_are_allowed_are_segments_of_which_nothing_is_said() -> None:
    """Allowed gaps, marked or found, are cut out: no charge from them, and an event beside one is not whole."""
    samples = samples_of(16e-6, wakes_every(2.0))
    samples[706:710] = math.nan
    samples[4000:4010] = 1.0
    recording = Recording(samples, interval_s=1e-3, gaps=(Stretch(4000, 4005), Stretch(4003, 4010)))

    found = find_segments(recording, most_missing=0.01)

    gaps = found.segments.of(Label.GAP)
    assert [one.start_s for one in gaps] == pytest.approx([0.706, 4.0])
    assert [one.duration_s for one in gaps] == pytest.approx([0.004, 0.010])
    assert [one.charge_c for one in gaps] == [0.0, 0.0]
    assert found.cells.missing == 14
    assert all(math.isnan(one.plateau_a) and math.isnan(one.peak_a) for one in gaps)
    assert [one.whole for one in found.events] == [False, False, True, True, True, True]
    assert found.floor_a == pytest.approx(16e-6, rel=1e-3)
    measured = np.delete(samples, [*range(706, 710), *range(4000, 4010)]).astype(np.float64)
    assert found.balance is not None
    assert found.balance.total_c == pytest.approx(math.fsum(measured.tolist()) * 1e-3, rel=1e-12)


def test_a_recording_full_of_gaps_has_no_floor() -> None:
    """A gap in every cell leaves no part to find a floor in, whatever is allowed."""
    gaps = tuple(Stretch(first, first + 1) for first in range(0, 10_000, 16))
    recording = Recording(samples_of(16e-6, []), interval_s=1e-3, gaps=gaps)

    assert find_segments(recording, most_missing=1.0).problems == (
        "no part of the recording is free of gaps; record again",
    )


def test_marked_samples_become_gaps() -> None:
    """Runs of samples that were marked as not measured are the gaps; a mark for each sample is asked for."""
    samples = samples_of(16e-6, [])
    invalid = np.zeros(samples.size, dtype=np.bool_)
    invalid[[*range(10, 20), 9999]] = True

    recording = Recording.of_marks(samples, invalid, interval_s=1e-3)

    assert recording.gaps == (Stretch(10, 20), Stretch(9999, 10_000))
    with pytest.raises(ValueError, match="9999 marks for 10000 samples"):
        Recording.of_marks(samples, invalid[1:], interval_s=1e-3)


def test_too_few_samples_are_not_judged() -> None:
    """A handful of samples is no recording; neither is one."""
    for count in (1, 31):
        found = find_segments(Recording(np.full(count, 1e-3, dtype=np.float32), interval_s=1e-3))

        assert f"{count} samples are too few; 32 or more are needed" in found.problems


def test_without_room_between_events_there_is_no_floor() -> None:
    """When margins leave nothing of the floor, nothing is judged, and the reason is given."""
    found = find_segments(recording_of(16e-6, wakes_every(0.025, first_s=0.01)), margin_s=0.05)

    assert found.problems == ("less than 32 samples lie outside events and their margins; record longer",)


# ---- what always holds


@settings(deadline=None, max_examples=150)
@given(
    levels=st.lists(
        st.tuples(st.sampled_from([0.0, 1e-6, 16e-6, 20e-6, 1e-3, 5e-3, 44e-3, -1e-3]), st.integers(1, 300)),
        min_size=1,
        max_size=30,
    ),
    noise_a=st.sampled_from([0.0, 1e-7, 1e-4]),
    bad=st.lists(st.tuples(st.floats(0.0, 1.0), st.sampled_from([math.nan, math.inf, -9.9e37])), max_size=3),
    seed=st.integers(0, 5),
)
def test_segments_cover_everything_and_their_charges_add_up(
    levels: list[tuple[float, int]], noise_a: float, bad: list[tuple[float, float]], seed: int
) -> None:
    """Whatever the samples are, segments cover them in order, and charges and balance add up to the exact sum."""
    samples = np.concatenate([np.full(count, level) for level, count in levels])
    samples = (samples + np.random.default_rng(seed).normal(0.0, noise_a, samples.size)).astype(np.float32)
    for place, mark in bad:
        samples[int(place * (samples.size - 1))] = mark
    sound = samples[np.abs(samples) < 1e30].astype(np.float64)

    found = find_segments(Recording(samples, interval_s=0.5), most_missing=1.0)

    if found.problems:
        assert (found.floor_a, found.balance, len(found.segments)) == (None, None, 0)
        return
    segments, balance = found.segments, found.balance
    assert segments.firsts[0] == 0
    assert segments.ends[-1] == samples.size
    assert segments.firsts[1:].tolist() == segments.ends[:-1].tolist()
    assert np.all(segments.labels[1:] != segments.labels[:-1]) or len(found.heights_a) > 1
    exact, scale = math.fsum(sound.tolist()), math.fsum(np.abs(sound).tolist()) + 1e-300
    assert abs(math.fsum(segments.charge_c.tolist()) / 0.5 - exact) <= 1e-12 * scale
    assert balance is not None
    assert abs(balance.total_c / 0.5 - exact) <= 1e-12 * scale
    assert abs(math.fsum(balance[1:6]) / 0.5 - exact) <= 1e-11 * scale


def test_total_keeps_what_float32_would_lose() -> None:
    """Two million samples of 44 mA add up to 1e-12, where a sum in float32 is off in the fourth digit or worse."""
    samples = np.full(2_000_003, 0.044, dtype=np.float32)

    found = find_segments(Recording(samples, interval_s=1.0))

    assert found.balance is not None
    assert found.balance.total_c == pytest.approx(float(np.float32(0.044)) * samples.size, rel=1e-12)
    assert np.cumsum(samples)[-1] != pytest.approx(found.balance.total_c, rel=1e-4)


@pytest.mark.parametrize(
    ("samples", "more", "text"),
    [
        pytest.param(np.zeros(0, np.float32), {}, r"shape \(0,\)", id="empty"),
        pytest.param(np.zeros((2, 2), np.float32), {}, r"shape \(2, 2\)", id="folded"),
        pytest.param(np.zeros(4), {}, "type float64; accepted: float32", id="float64"),
        pytest.param(np.zeros(4, np.float32), {"interval_s": 0.0}, "interval is 0.0 s", id="no interval"),
        pytest.param(np.zeros(4, np.float32), {"interval_s": math.nan}, "interval is nan s", id="NaN interval"),
        pytest.param(np.zeros(4, np.float32), {"gaps": (Stretch(2, 5),)}, "gap from 2 to 5 in 4", id="gap beyond"),
        pytest.param(np.zeros(4, np.float32), {"gaps": (Stretch(2, 2),)}, "gap from 2 to 2", id="empty gap"),
        pytest.param(
            np.zeros(4, np.float32), {"ranges": (RangeUse(1, range_a=1.0),)}, r"begin at samples \[1\]", id="late range"
        ),
        pytest.param(
            np.zeros(4, np.float32),
            {"ranges": (RangeUse(0, range_a=1.0), RangeUse(9, range_a=1.0))},
            r"begin at samples \[0, 9\] of 4",
            id="range beyond",
        ),
    ],
)
def test_recording_refuses_nonsense(samples: Samples, more: dict[str, object], text: str) -> None:
    """What is no row of float32 samples with an interval, gaps and ranges inside is refused by what is wrong."""
    with pytest.raises(ValueError, match=text):
        Recording(samples, **({"interval_s": 1.0} | more))  # type: ignore[arg-type]


@pytest.mark.parametrize("range_a", [0.0, -1.0, math.nan, math.inf])
def test_a_range_is_finite_and_above_0(range_a: float) -> None:
    """A range that is none is refused by value."""
    with pytest.raises(ValueError, match="accepted: finite and above 0"):
        RangeUse(0, range_a=range_a)
