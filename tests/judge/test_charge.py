"""Whether a charge closes, which events are hidden and when a mean is certain, on recordings known by hand."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchrig.judge.charge import Expected, close_charge, find_hidden, kinds, mean_current, recorder_u
from benchrig.judge.levels import Stretch
from benchrig.judge.recording import RangeUse, Recording
from benchrig.judge.segments import Label, Segmentation, find_segments
from benchrig.judge.uncertainty import AccuracyTerms

if TYPE_CHECKING:
    import numpy.typing as npt

    Samples = npt.NDArray[np.float32]

FLOOR_A = 16e-6
STEP_S = 0.01


def samples_of(duration_s: float, events: list[tuple[float, float, float]], *, seed: int = 1) -> Samples:
    """A floor of 16 µA at 100 samples a second, with (start, duration, level) on it."""
    samples = np.random.default_rng(seed).normal(FLOOR_A, 0.3e-6, round(duration_s / STEP_S))
    for start_s, length_s, level_a in events:
        samples[round(start_s / STEP_S) : round((start_s + length_s) / STEP_S)] = level_a
    return samples.astype(np.float32)


def found_in(samples: Samples, *, interval_s: float = STEP_S, **more: tuple[RangeUse, ...]) -> Segmentation:
    return find_segments(Recording(samples, interval_s=interval_s, **more))  # type: ignore[arg-type]


REPORTS = [(300.0 + 900.0 * index, 2.0, 5e-3) for index in range(4)]
WAKES = [(33.0 + 60.0 * index, 0.05, 4.5e-3) for index in range(60)]

REPORT = Expected(name="report", charge_c=(9e-3, 11e-3), duration_s=(1.9, 2.1), period_s=900.0)
WAKE = Expected(name="wake", charge_c=(0.2e-3, 0.25e-3), duration_s=(0.04, 0.06), period_s=60.0)


# ---- closure


def test_a_charge_of_floor_and_events_closes() -> None:
    """An hour of floor, reports and wakes is floor and events, and the parts are those that were put in."""
    found = found_in(samples_of(3600.0, [*REPORTS, *WAKES]))

    closure = close_charge(found)

    assert closure.closes is True
    assert closure.balance is not None
    events_c = 4 * 2.0 * 5e-3 + 60 * 0.05 * 4.5e-3
    assert closure.balance.events_c == pytest.approx(events_c, rel=1e-4)
    assert closure.balance.floor_c == pytest.approx(FLOOR_A * (3600.0 - 8.0 - 3.0), rel=1e-3)
    assert closure.residue_u is not None
    assert abs(closure.residue_c or 0.0) <= 4 * closure.residue_u


@settings(deadline=None, max_examples=40)
@given(seed=st.integers(0, 10_000))
def test_scatter_alone_does_not_break_the_closure(seed: int) -> None:
    """Without a tolerated share, noise alone stays within the stated scatter."""
    found = found_in(samples_of(600.0, WAKES[:9], seed=seed))

    assert close_charge(found, tolerated_share=0.0).closes is True


def test_spikes_too_short_for_an_event_break_the_closure() -> None:
    """A sample of 2 mA every 5 s is no event, but 0.4 µA on average that nobody accounts for."""
    samples = samples_of(3600.0, REPORTS)
    samples[77::500] = 2e-3

    closure = close_charge(found_in(samples))

    assert closure.closes is False
    assert closure.residue_c == pytest.approx(720 * (2e-3 - FLOOR_A) * STEP_S, rel=0.02)
    assert closure.why.startswith("14.2")
    assert "is neither floor nor event" in closure.why
    assert "look for what is too short or too low to be an event" in closure.why


def test_a_rise_too_low_for_an_event_breaks_the_closure() -> None:
    """3 µA more during a tenth of the time is below every threshold, and still seen as a charge."""
    samples = samples_of(3600.0, REPORTS)
    for first in range(50_000, 350_000, 50_000):
        samples[first : first + 6000] += np.float32(3e-6)

    closure = close_charge(found_in(samples))

    assert closure.closes is False
    assert closure.residue_c == pytest.approx(6 * 60.0 * 3e-6, rel=0.1)


def test_a_recording_that_is_not_judged_neither_closes_nor_fails() -> None:
    """With samples missing the closure is undecided, with the reason."""
    recording = Recording(samples_of(600.0, WAKES[:9]), interval_s=STEP_S, gaps=(Stretch(100, 6100),))

    found = find_segments(recording)

    assert close_charge(found).closes is None
    assert close_charge(found).why.startswith("6000 of 60000 samples were not measured, the first at 1 s")
    assert find_hidden(found, expected=[]) is None
    assert mean_current(found).certain is False
    assert mean_current(found).mean_a is None


# ---- the recorder's share


def test_recorder_uncertainty_is_the_hand_sum() -> None:
    """Two ranges: half widths over root 3, one range as one error, the two in quadrature."""
    samples = np.concatenate([np.full(600, 1e-3), np.full(300, 50e-3), np.full(600, 1e-3)]).astype(np.float32)
    fine = AccuracyTerms(of_reading=0.002, of_range=0.001)
    coarse = AccuracyTerms(of_reading=0.005, floor=20e-6)
    uses = (
        RangeUse(0, range_a=10e-3, accuracy=fine),
        RangeUse(600, range_a=0.1, accuracy=coarse),
        RangeUse(900, range_a=10e-3, accuracy=fine),
    )

    found = found_in(samples, interval_s=0.01, ranges=uses)

    fine_c = math.hypot(0.002 * 1e-3, 0.001 * 10e-3) / math.sqrt(3) * 12.0
    coarse_c = math.hypot(0.005 * 50e-3, 20e-6) / math.sqrt(3) * 3.0
    assert recorder_u(found) == pytest.approx(math.hypot(fine_c, coarse_c), rel=1e-5)
    assert recorder_u(found, first=600, end=900) == pytest.approx(coarse_c, rel=1e-5)
    assert recorder_u(found, first=300, end=600) == pytest.approx(fine_c / 4, rel=1e-5)
    assert recorder_u(found_in(samples)) == 0.0


# ---- kinds, hidden events


def test_kinds_have_counts_periods_and_charges() -> None:
    """Reports and wakes are two kinds, the costlier first, each with its period."""
    report, wake = kinds(found_in(samples_of(3600.0, [*REPORTS, *WAKES])))

    assert (report.count, wake.count) == (4, 60)
    assert (report.period_s, wake.period_s) == pytest.approx((900.0, 60.0))
    assert (report.charge_c, wake.charge_c) == pytest.approx((10e-3, 0.225e-3), rel=1e-3)
    assert wake.extra_c == pytest.approx(60 * 0.05 * (4.5e-3 - FLOOR_A), rel=1e-3)
    assert wake.period_spread_s == pytest.approx(0.0, abs=1e-6)
    assert str(wake) == "60 x wake of 225.0 µC in 50.00 ms at 4.500 mA, every 60.00 s"


def test_a_hidden_wake_each_minute_is_reported() -> None:
    """Of a board that should only report, 50 ms of waking each minute are named, with their charge."""
    found = found_in(samples_of(3600.0, [*REPORTS, *WAKES]))

    hidden = find_hidden(found, expected=[REPORT])

    assert hidden is not None
    (kind,) = hidden.kinds
    assert kind.count == 60
    assert kind.period_s == pytest.approx(60.0)
    assert hidden.hidden_c == pytest.approx(60 * 0.05 * (4.5e-3 - FLOOR_A), rel=1e-3)
    assert hidden.share == pytest.approx(hidden.hidden_c / 0.1108, rel=0.01)
    assert hidden.notes == (
        "unexplained: 60 x wake of 225.0 µC in 50.00 ms at 4.500 mA, every 60.00 s, 13.45 mC above the floor",
    )


def test_what_was_expected_is_not_hidden() -> None:
    """With reports and wakes expected, nothing is left."""
    hidden = find_hidden(found_in(samples_of(3600.0, [*REPORTS, *WAKES])), expected=[REPORT, WAKE])

    assert hidden is not None
    assert (hidden.kinds, hidden.notes, hidden.hidden_c) == ((), (), 0.0)


def test_wakes_too_often_are_a_surplus() -> None:
    """Wakes of the expected kind at twice their rate are too many, and the charge of those beyond is hidden."""
    # 119 begin within the hour; a period of a minute allows 60, and one more by where the window begins
    twice = [*WAKES, *((start + 30.0, duration, level) for start, duration, level in WAKES)]

    hidden = find_hidden(found_in(samples_of(3600.0, [*REPORTS, *twice])), expected=[REPORT, WAKE])

    assert hidden is not None
    assert hidden.surplus == {"report": 0, "wake": 58}
    assert hidden.hidden_c == pytest.approx(58 * 0.05 * (4.5e-3 - FLOOR_A), rel=1e-3)
    assert hidden.notes == ("58 more of 'wake' than its period allows",)


def test_events_that_do_not_come_are_missing() -> None:
    """A wake that is left out is said to be missing; one that the recording cuts is not."""
    cut = [*WAKES[:20], *WAKES[21:]]

    hidden = find_hidden(found_in(samples_of(3600.0, cut)), expected=[WAKE])
    at_the_edge = find_hidden(found_in(samples_of(3600.0, [(0.0, 0.02, 4.5e-3), *cut])), expected=[WAKE])

    assert hidden is not None
    assert hidden.missing == {"wake": 1}
    assert hidden.notes == ("1 of 'wake' did not come",)
    assert at_the_edge is not None
    assert at_the_edge.missing == {"wake": 0}


@pytest.mark.parametrize(
    ("charge_c", "duration_s", "period_s", "text"),
    [
        pytest.param((2.0, 1.0), (0.0, 1.0), None, "charge from 2.0 to 1.0", id="charge"),
        pytest.param((0.0, 1.0), (math.nan, 1.0), None, "duration from nan to 1.0", id="duration"),
        pytest.param((0.0, 1.0), (0.0, 1.0), 0.0, "a period of 0.0 s", id="period"),
    ],
)
def test_an_expectation_must_be_possible(
    charge_c: tuple[float, float], duration_s: tuple[float, float], period_s: float | None, text: str
) -> None:
    """Bounds the wrong way round, NaN, or no period are refused by name and value."""
    with pytest.raises(ValueError, match=f"expected event 'x': {text}"):
        Expected(name="x", charge_c=charge_c, duration_s=duration_s, period_s=period_s)


# ---- the window rule


def test_a_mean_over_whole_periods_is_certain() -> None:
    """Three whole periods of 900 s give the mean current of the cycle, whatever lies outside of them."""
    found = found_in(samples_of(3600.0, [*REPORTS, *WAKES]))

    mean = mean_current(found, period_s=900.0)

    cycle_c = 2.0 * 5e-3 + 15 * 0.05 * 4.5e-3 + FLOOR_A * (900.0 - 2.0 - 15 * 0.05)
    assert (mean.certain, mean.whole_periods) == (True, 3)
    assert mean.mean_a == pytest.approx(cycle_c / 900.0, rel=1e-3)
    assert mean.why == "3 whole periods of 900.0 s"


def test_a_window_of_10_s_is_refused_for_a_report_of_15_minutes() -> None:
    """Ten seconds of a board that reports every 15 min hold no whole period: not certain, and how long is said."""
    samples = samples_of(10.0, [(1.0 + 2.0 * index, 0.05, 4.5e-3) for index in range(5)])

    mean = mean_current(found_in(samples), period_s=900.0)

    assert mean.certain is False
    assert mean.why == "a window of 10.00 s holds less than 3 whole periods; record 2.700 ks or more"


def test_an_event_that_is_seen_once_makes_the_mean_uncertain() -> None:
    """Wakes have a period, but a report that is seen once has none, and weighs more than all of them."""
    samples = samples_of(300.0, [*WAKES[:5], (100.0, 2.0, 5e-3)])

    mean = mean_current(found_in(samples))

    assert mean.certain is False
    assert mean.why.startswith("one event was seen only once in 300.0 s")


@pytest.mark.parametrize(("least_periods", "certain"), [(3, True), (4, False)])
def test_as_many_periods_as_asked(least_periods: int, *, certain: bool) -> None:
    """Four reports are three whole periods, not four."""
    mean = mean_current(found_in(samples_of(3600.0, REPORTS)), least_periods=least_periods)

    assert mean.certain is certain


def test_another_period_than_stated_is_not_certain() -> None:
    """A board that is said to report every 1000 s and does so every 900 s may be another board."""
    mean = mean_current(found_in(samples_of(4000.0, [*REPORTS, (3900.0, 2.0, 5e-3)])), period_s=1100.0)

    assert mean.certain is False
    assert mean.why == "the slowest event comes every 900.0 s, not every 1.100 ks as stated; look why"


def test_a_board_without_events_has_no_certain_mean() -> None:
    """A floor alone may be a board that wakes more rarely than the window is long."""
    mean = mean_current(found_in(samples_of(60.0, [])))

    assert mean.certain is False
    assert mean.mean_a == pytest.approx(FLOOR_A, rel=1e-2)
    assert mean.why == "0 whole periods in 60.00 s; 3 are needed: record longer"


def test_the_mean_has_the_scatter_of_its_periods() -> None:
    """Reports that cost 1 % more or less each time make the mean uncertain by that over the root of their number."""
    factors = np.random.default_rng(3).normal(1.0, 0.01, 60)
    events = [(5.0 + 10.0 * index, 1.0, 5e-3 * float(factor)) for index, factor in enumerate(factors)]

    mean = mean_current(found_in(samples_of(600.0, events)))

    charges_c = 5e-3 * factors[:-1]
    assert mean.u_a == pytest.approx(float(charges_c.std(ddof=1)) / math.sqrt(59) / 10.0, rel=0.05)


def test_labels_are_kept_apart() -> None:
    """A transmission and a wake of the same charge are two kinds."""
    events = [(5.0, 0.5, 20e-3), (6.5, 0.05, 8e-3), (7.5, 0.05, 8e-3), (12.0, 2.0, 5e-3)]

    found = kinds(found_in(samples_of(20.0, events)))

    assert [(one.label, one.count) for one in found if one.charge_c > 5e-3] == [(Label.TRANSMIT, 1), (Label.WAKE, 1)]
