"""Current traces built from rectangles, whose charge and times are known by hand."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchrig.judge.trace import Trace, charge_c, find_sleep, find_transmit

if TYPE_CHECKING:
    import numpy.typing as npt


@dataclass(frozen=True)
class Pulse:
    start_s: float
    duration_s: float
    level_a: float


def samples_of(times_s: npt.NDArray[np.float64], rest_a: float, pulses: list[Pulse]) -> npt.NDArray[np.float64]:
    """The current at the given instants; a later pulse replaces an earlier one."""
    current_a = np.full(times_s.size, rest_a)
    for pulse in pulses:
        current_a[(times_s >= pulse.start_s) & (times_s < pulse.start_s + pulse.duration_s)] = pulse.level_a
    return current_a


def trace_of(
    rest_a: float,
    pulses: list[Pulse],
    *,
    duration_s: float = 10.0,
    interval_s: float = 1e-3,
    noise_a: float = 0.2e-6,
    phase: float = 0.5,
    seed: int = 1,
) -> Trace:
    """Sampled at (index + phase) * interval, so that edges fall between samples."""
    times_s = (np.arange(round(duration_s / interval_s), dtype=np.float64) + phase) * interval_s
    noise = np.random.default_rng(seed).normal(0.0, noise_a, times_s.size)
    return Trace((samples_of(times_s, rest_a, pulses) + noise).astype(np.float32), interval_s=interval_s)


def averaged_trace_of(rest_a: float, pulses: list[Pulse], *, duration_s: float, interval_s: float) -> Trace:
    """As a recorder that averages over each interval gives it: samples on edges are in between."""
    fine = 50
    times_s = (np.arange(round(duration_s / interval_s) * fine, dtype=np.float64) + 0.5) * interval_s / fine
    averages = samples_of(times_s, rest_a, pulses).reshape(-1, fine).mean(axis=1)
    noise = np.random.default_rng(1).normal(0.0, 0.2e-6, averages.size)
    return Trace((averages + noise).astype(np.float32), interval_s=interval_s)


def wakes_every(period_s: float, *, first_s: float = 0.7, duration_s: float = 10.0) -> list[Pulse]:
    count = math.ceil((duration_s - first_s) / period_s)
    return [Pulse(first_s + period_s * index, 0.012, 4.5e-3) for index in range(count)]


# ---- sleep


@pytest.mark.parametrize("phase", [0.0, 0.25, 0.5, 0.99])
@pytest.mark.parametrize("seed", range(3))
def test_sleep_floor_and_wakes(phase: float, seed: int) -> None:
    """16 µA with wakes of 4.5 mA for 12 ms every 2 s, recorded on a 10 mA range, come back as such."""
    window = find_sleep(trace_of(16e-6, wakes_every(2.0), phase=phase, seed=seed))

    assert (window.problems, window.enough, window.whole_periods) == ((), True, 4)
    assert window.floor_a is not None
    assert window.floor_u is not None
    assert window.floor_a == pytest.approx(16e-6, abs=4 * window.floor_u)
    assert window.floor_u == pytest.approx(0.2e-6 / math.sqrt(10_000), rel=0.6)
    assert window.period_s == pytest.approx(2.0, abs=1e-3 / 4)
    for wake in window.wakes:
        assert wake.whole
        assert wake.duration_s == pytest.approx(0.012, abs=1e-3 + 1e-9)
        assert wake.charge_c == pytest.approx(4.5e-3 * wake.duration_s, rel=1e-3)
        assert wake.plateau_a == pytest.approx(4.5e-3, rel=1e-3)


def test_sleep_mean_is_over_whole_periods() -> None:
    """The mean is taken from wake to wake, so that a window which ends on a wake does not shift it."""
    window = find_sleep(trace_of(16e-6, wakes_every(2.0, first_s=0.1), duration_s=8.2))

    assert len(window.wakes) == 5
    assert window.mean_a == pytest.approx(16e-6 + (4.5e-3 - 16e-6) * 0.012 / 2.0, rel=1e-3)


@pytest.mark.parametrize(
    ("rest_a", "noise_a", "wakes", "count"),
    [
        pytest.param(4.5e-3, 0.2e-6, False, 0, id="never sleeps"),
        pytest.param(16e-6, 0.2e-6, False, 0, id="never wakes"),
        pytest.param(4.5e-3, 0.0, False, 0, id="constant to the last bit"),
        pytest.param(0.0, 0.0, True, 5, id="no floor and no noise"),
        pytest.param(316e-6, 0.2e-6, True, 5, id="leak"),
        pytest.param(1.6e-3, 0.2e-6, True, 5, id="radio in standby"),
        pytest.param(-164e-6, 0.2e-6, True, 5, id="fed by the adapter"),
        pytest.param(16e-6, 20e-6, True, 5, id="on a range far too large"),
    ],
)
def test_sleep_floor_of_other_boards(rest_a: float, noise_a: float, wakes: bool, count: int) -> None:
    """The floor is what it is, also where there are no two levels: then there are no wakes."""
    window = find_sleep(trace_of(rest_a, wakes_every(2.0) if wakes else [], noise_a=noise_a))

    assert len(window.wakes) == count
    assert window.floor_a is not None
    assert window.floor_a == pytest.approx(rest_a, abs=1e-9 + noise_a / 20)
    assert window.enough is wakes
    assert window.mean_a is not None
    assert window.mean_a >= window.floor_a


@pytest.mark.parametrize(("least_periods", "enough"), [(0, True), (4, True), (5, False)])
def test_sleep_window_must_cover_the_periods_asked_for(least_periods: int, enough: bool) -> None:
    """Five wakes are four whole periods, not five."""
    assert find_sleep(trace_of(16e-6, wakes_every(2.0)), least_periods=least_periods).enough is enough


def test_sleep_wakes_too_often_are_all_found() -> None:
    """Wakes every 0.25 s are found one by one, and their period with them."""
    window = find_sleep(trace_of(16e-6, wakes_every(0.25, first_s=0.1)))

    assert len(window.wakes) == 40
    assert window.period_s == pytest.approx(0.25, abs=1e-4)


def test_sleep_tells_an_irregular_period() -> None:
    """A wake that is left out shows in the spread of the periods."""
    pulses = wakes_every(1.0)
    del pulses[4]

    window = find_sleep(trace_of(16e-6, pulses))

    assert window.period_spread_s == pytest.approx(1.0, abs=2e-3)


def test_sleep_events_cut_by_the_window() -> None:
    """A wake that the window cuts is seen, is marked as not whole, and starts no period if its start is unseen."""
    pulses = [Pulse(-0.005, 0.012, 4.5e-3), *wakes_every(2.0, first_s=1.995, duration_s=10.1)]

    window = find_sleep(trace_of(16e-6, pulses))

    assert [wake.whole for wake in window.wakes] == [False, True, True, True, True, False]
    assert window.whole_periods == 4
    assert window.period_s == pytest.approx(2.0, abs=1e-3)


def test_sleep_floor_leaves_out_what_follows_a_wake() -> None:
    """A recharge tail of 3 µA after each wake stays out of the floor by the margin; without it, it does not."""
    trace = trace_of(16e-6, wakes_every(2.0))
    tail_a = trace.samples_a.copy()
    for wake in find_sleep(trace).wakes:
        first = round(wake.end_s / 1e-3)
        tail_a[first : first + 80] += 3e-6 * np.exp(-np.arange(80) / 10)

    with_margin = find_sleep(Trace(tail_a, interval_s=1e-3), margin_s=0.08).floor_a
    without = find_sleep(Trace(tail_a, interval_s=1e-3), margin_s=0.0).floor_a

    assert with_margin is not None
    assert without is not None
    assert with_margin == pytest.approx(16e-6, abs=0.006e-6)
    # five tails of 3 µA for ten samples, less the first two, spread over ten thousand
    assert without - with_margin == pytest.approx(3e-6 * 10 * math.exp(-0.2) * 5 / 10_000, rel=0.2)


def test_sleep_floor_with_two_near_levels_is_one_state() -> None:
    """A board that switches between 16 and 18 µA while asleep does not wake by that; the floor is the mean."""
    steps = [Pulse(0.2 * index, 0.1, 18e-6) for index in range(50)]

    window = find_sleep(trace_of(16e-6, [*steps, *wakes_every(2.0)], noise_a=0.02e-6))

    assert len(window.wakes) == 5
    assert window.floor_a == pytest.approx(17e-6, rel=0.01)


def test_sleep_floor_uncertainty_counts_hum_and_drift() -> None:
    """A floor that drifts by 3 µA is uncertain by that drift, not by noise over the root of the count."""
    drift = np.linspace(15e-6, 18e-6, 10_000)

    window = find_sleep(Trace(drift.astype(np.float32), interval_s=1e-3))

    assert window.wakes == ()
    assert window.floor_u is not None
    # sixteen steps of a ramp: standard deviation 3 µA/√12, over √16
    assert window.floor_u == pytest.approx(3e-6 / math.sqrt(12) / 4, rel=0.05)


@pytest.mark.parametrize("offset", [0.0, 0.2, 0.5, 0.8])
def test_sleep_edges_that_are_averaged(offset: float) -> None:
    """A recorder that averages puts part samples on the edges: times stay within a sample, charge is exact."""
    pulses = [Pulse(0.5 + offset * 1e-3 + 2.0 * index, 0.0124, 4.5e-3) for index in range(5)]

    window = find_sleep(averaged_trace_of(16e-6, pulses, duration_s=10.0, interval_s=1e-3))

    assert len(window.wakes) == 5
    for wake, pulse in zip(window.wakes, pulses, strict=True):
        assert wake.start_s == pytest.approx(pulse.start_s, abs=1e-3)
        assert wake.duration_s == pytest.approx(0.0124, abs=1e-3)
        assert wake.charge_c == pytest.approx(4.5e-3 * 0.0124, rel=1e-3)


@pytest.mark.parametrize("duration_s", [0.0043, 0.012, 0.05])
def test_sleep_edges_anywhere_between_samples(duration_s: float) -> None:
    """Part samples of any height do not fill the gap between the two levels: every wake is found."""
    pulses = [Pulse(0.1 + 0.2473 * index, duration_s, 4.5e-3) for index in range(80)]

    window = find_sleep(averaged_trace_of(16e-6, pulses, duration_s=20.0, interval_s=1e-3))

    assert len(window.wakes) == 80
    assert sum(wake.charge_c for wake in window.wakes) == pytest.approx(80 * 4.5e-3 * duration_s, rel=2e-3)


def test_sleep_without_room_between_events_is_not_judged() -> None:
    """When margins leave nothing of the floor, there is no floor, and the reason is given."""
    window = find_sleep(trace_of(16e-6, wakes_every(0.025, first_s=0.01)), margin_s=0.05)

    assert (window.floor_a, window.enough) == (None, False)
    assert "lie outside events and their margins" in window.problems[0]


# ---- transmit

REPORT = [
    Pulse(0.200, 0.005, 12e-3),
    Pulse(0.205, 0.056, 44e-3),
    Pulse(1.261, 0.015, 11e-3),
    Pulse(2.261, 0.033, 11e-3),
]


def report_with(level_a: float, *more: Pulse) -> list[Pulse]:
    return [REPORT[0], Pulse(0.205, 0.056, level_a), *REPORT[2:], *more]


@pytest.mark.parametrize("phase", [0.0, 0.3, 0.77])
@pytest.mark.parametrize("level_a", [44e-3, 22e-3], ids=["full", "weak"])
@pytest.mark.parametrize(
    ("rest_a", "after_a"), [(5e-3, 5e-3), (16e-6, 16e-6), (16e-6, 4.5e-3)], ids=["awake", "asleep", "wakes at the end"]
)
def test_transmit_and_receive_windows(rest_a: float, after_a: float, level_a: float, phase: float) -> None:
    """Transmission and both receive windows are found, whatever the board rests at between them."""
    pulses = report_with(level_a, Pulse(2.294, 9.0, after_a))
    trace = trace_of(rest_a, pulses, duration_s=3.0, interval_s=1e-4, noise_a=2e-6, phase=phase)

    window = find_transmit(trace)

    transmit = window.transmit
    assert transmit is not None
    assert (window.problems, window.transmissions, transmit.whole) == ((), 1, True)
    assert transmit.start_s == pytest.approx(0.205, abs=1e-4 + 1e-9)
    assert transmit.duration_s == pytest.approx(0.056, abs=1e-4 + 1e-9)
    assert transmit.charge_c == pytest.approx(level_a * 0.056, rel=1e-3)
    assert transmit.plateau_a == pytest.approx(level_a, rel=1e-3)
    assert level_a <= transmit.peak_a < level_a + 6 * 2e-6
    assert [pulse.start_s - transmit.end_s for pulse in window.later] == pytest.approx([1.0, 2.0], abs=2e-4)
    assert [pulse.duration_s for pulse in window.later] == pytest.approx([0.015, 0.033], abs=1e-4 + 1e-9)
    assert [pulse.plateau_a for pulse in window.later] == pytest.approx([11e-3, 11e-3], rel=1e-3)
    assert window.idle_a == pytest.approx(rest_a, rel=0.01)


def test_transmit_charge_of_the_whole_window() -> None:
    """The charge of the window is the sum of its rectangles."""
    trace = trace_of(5e-3, REPORT, duration_s=3.0, interval_s=1e-4, noise_a=2e-6)
    extra = sum((pulse.level_a - 5e-3) * pulse.duration_s for pulse in REPORT)

    assert find_transmit(trace).charge_c == pytest.approx(5e-3 * 3.0 + extra, rel=1e-4)


@pytest.mark.parametrize(
    "pulses", [pytest.param([], id="rests"), pytest.param([Pulse(1.0, 0.001, 60e-3)], id="spike of a millisecond")]
)
def test_transmit_that_does_not_happen(pulses: list[Pulse]) -> None:
    """A current that rests, or has a spike only, holds no transmission and no receive windows."""
    window = find_transmit(trace_of(4.5e-3, pulses, duration_s=3.0, interval_s=1e-4))

    assert (window.transmit, window.later, window.transmissions) == (None, (), 0)
    assert window.idle_a == pytest.approx(4.5e-3, rel=0.01)


def test_transmit_is_not_hidden_by_a_spike() -> None:
    """A spike that is higher than the transmission is no transmission."""
    pulses = [Pulse(0.05, 0.0005, 90e-3), *REPORT]

    window = find_transmit(trace_of(5e-3, pulses, duration_s=3.0, interval_s=1e-4))

    assert window.transmit is not None
    assert window.transmit.plateau_a == pytest.approx(44e-3, rel=1e-3)
    assert len(window.later) == 2


def test_transmit_twice_is_counted() -> None:
    """A repeated transmission is counted, and what is after it is not taken for the first one's windows."""
    pulses = [*REPORT[:3], Pulse(1.8, 0.056, 44e-3), REPORT[3]]

    window = find_transmit(trace_of(5e-3, pulses, duration_s=3.0, interval_s=1e-4))

    assert window.transmissions == 2
    assert [pulse.duration_s for pulse in window.later] == pytest.approx([0.015], abs=1e-4)


def test_transmit_without_receive_windows_has_none() -> None:
    """A board that only rests after its transmission has no later pulses."""
    window = find_transmit(trace_of(5e-3, REPORT[:2], duration_s=3.0, interval_s=1e-4))

    assert window.transmit is not None
    assert window.later == ()


def test_transmit_wake_up_at_the_end_is_no_pulse() -> None:
    """A board that slept after its transmission and is awake at the end of the trace has no later pulse."""
    pulses = [*REPORT[:2], Pulse(2.5, 9.0, 4.5e-3)]

    window = find_transmit(trace_of(16e-6, pulses, duration_s=3.0, interval_s=1e-4))

    assert window.transmit is not None
    assert window.later == ()


def test_transmit_that_droops_is_one() -> None:
    """A transmission that sags by a tenth on its way is one event with its whole charge."""
    pulses = [Pulse(0.2, 0.03, 44e-3), Pulse(0.23, 0.03, 40e-3)]

    window = find_transmit(trace_of(5e-3, pulses, duration_s=3.0, interval_s=1e-4))

    assert window.transmit is not None
    assert window.transmit.duration_s == pytest.approx(0.06, abs=1e-4 + 1e-9)
    assert window.transmit.charge_c == pytest.approx(0.03 * 84e-3, rel=1e-3)


# ---- charge, gaps


@settings(deadline=None)
@given(values=st.lists(st.floats(-1e3, 1e3, width=32), min_size=1, max_size=50), repeat=st.integers(1, 5000))
def test_charge_matches_an_exact_sum(values: list[float], repeat: int) -> None:
    """The blocked sum agrees with math.fsum to 1e-12 of the sum of magnitudes."""
    samples = np.tile(np.array(values, dtype=np.float32), repeat)
    exact = math.fsum(samples.tolist())

    found = charge_c(Trace(samples, interval_s=0.5)) / 0.5

    assert abs(found - exact) <= 1e-12 * max(math.fsum(np.abs(samples).tolist()), 1e-300)


def test_charge_keeps_what_float32_would_lose() -> None:
    """Two million samples of 44 mA add up to 1e-12, where a sum in float32 is off in the fourth digit or worse."""
    samples = np.full(2_000_000, 0.044, dtype=np.float32)
    exact = float(np.float32(0.044)) * 2_000_000

    assert charge_c(Trace(samples, interval_s=1.0)) == pytest.approx(exact, rel=1e-12)
    assert np.cumsum(samples)[-1] != pytest.approx(exact, rel=1e-4)


BAD_SAMPLES = [
    pytest.param(math.nan, id="NaN"),
    pytest.param(math.inf, id="infinity"),
    pytest.param(9.9e37, id="overload mark"),
    pytest.param(-9.9e37, id="negative overload mark"),
    pytest.param(9.91e37, id="no-number mark"),
]


@pytest.mark.parametrize("bad", BAD_SAMPLES)
def test_samples_that_were_not_measured_forbid_a_judgement(bad: float) -> None:
    """One sample that is no current leaves floor, wakes, transmission and charge without a number."""
    samples = trace_of(16e-6, wakes_every(2.0)).samples_a.copy()
    samples[1234] = bad
    trace = Trace(samples, interval_s=1e-3)

    sleep, transmit = find_sleep(trace, least_periods=0), find_transmit(trace)

    text = "1 of 10000 samples were not measured, the first at 1.234 s"
    assert (sleep.problems, transmit.problems) == ((text,), (text,))
    assert (sleep.floor_a, sleep.mean_a, sleep.wakes, sleep.enough) == (None, None, (), False)
    assert (transmit.transmit, transmit.charge_c, transmit.later) == (None, None, ())
    with pytest.raises(ValueError, match="no charge from this trace: 1 of 10000 samples"):
        charge_c(trace)


def test_marked_gaps_forbid_a_judgement() -> None:
    """Samples that the recorder marks as missing count as such, whatever number stands there."""
    samples = trace_of(16e-6, wakes_every(2.0)).samples_a
    invalid = np.zeros(samples.size, dtype=np.bool_)
    invalid[500:1500] = True

    window = find_sleep(Trace(samples, interval_s=1e-3, invalid=invalid))

    assert window.problems == ("1000 of 10000 samples were not measured, the first at 0.5 s",)


def test_too_few_samples_are_not_judged() -> None:
    """A trace of a few samples says so instead of giving a floor."""
    window = find_sleep(Trace(np.full(31, 1e-3, dtype=np.float32), interval_s=1e-3))

    assert window.problems == ("31 samples are too few; 32 or more are needed",)
    assert window.floor_a is None


@pytest.mark.parametrize(
    ("samples", "interval_s", "marks", "text"),
    [
        pytest.param(np.zeros(0), 1.0, None, r"shape \(0,\)", id="empty"),
        pytest.param(np.zeros((2, 2)), 1.0, None, r"shape \(2, 2\)", id="folded"),
        pytest.param(np.zeros(4), 0.0, None, "interval is 0.0 s", id="no interval"),
        pytest.param(np.zeros(4), math.nan, None, "interval is nan s", id="NaN interval"),
        pytest.param(np.zeros(4), 1.0, np.zeros(3, dtype=np.bool_), "3 marks for 4 samples", id="marks"),
    ],
)
def test_trace_refuses_nonsense(
    samples: npt.NDArray[np.float64], interval_s: float, marks: npt.NDArray[np.bool_] | None, text: str
) -> None:
    """What is no row of samples with an interval is refused by what is wrong."""
    with pytest.raises(ValueError, match=text):
        Trace(samples.astype(np.float32), interval_s=interval_s, invalid=marks)
