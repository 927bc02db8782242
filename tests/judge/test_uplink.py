"""One report in a recording that is built from rectangles, whose charges and times are known by hand."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import pytest

from benchrig.judge.recording import Recording
from benchrig.judge.uplink import NO_UPLINK, Uplink, cut_uplink, edge_causes, read_uplink

if TYPE_CHECKING:
    from collections.abc import Sequence

INTERVAL_S = 1e-4
LEAST_A = 38e-3


@dataclass(frozen=True)
class Pulse:
    start_s: float
    duration_s: float
    level_a: float


PREPARE, BURST = Pulse(0.200, 0.005, 12e-3), Pulse(0.205, 0.056, 44e-3)
FIRST, SECOND = Pulse(1.261, 0.015, 11e-3), Pulse(2.261, 0.033, 11e-3)
REPORT = [PREPARE, BURST, FIRST, SECOND]


def recording(rest_a: float, pulses: Sequence[Pulse], *, phase: float = 0.5, duration_s: float = 3.0) -> Recording:
    """Sampled at (index + phase) intervals, with noise that is the same every time."""
    times_s = (np.arange(round(duration_s / INTERVAL_S)) + phase) * INTERVAL_S
    current_a = rest_a + np.random.default_rng(1).normal(0.0, 2e-6, times_s.size)
    for pulse in pulses:
        current_a[(times_s >= pulse.start_s) & (times_s < pulse.start_s + pulse.duration_s)] = pulse.level_a
    return Recording(current_a.astype(np.float32), interval_s=INTERVAL_S)


def read(rest_a: float, pulses: Sequence[Pulse], *, least_a: float | None = LEAST_A, **more: float) -> Uplink:
    return read_uplink(cut_uplink(recording(rest_a, pulses, **more), least_plateau_a=least_a))


@pytest.mark.parametrize("phase", [0.0, 0.3, 0.77])
@pytest.mark.parametrize("level_a", [44e-3, 22e-3], ids=["full", "weak"])
@pytest.mark.parametrize("least_a", [LEAST_A, None], ids=["limit known", "by the windows"])
@pytest.mark.parametrize(
    ("rest_a", "after_a"), [(5e-3, 5e-3), (16e-6, 16e-6), (16e-6, 4.5e-3)], ids=["awake", "asleep", "wakes at the end"]
)
def test_transmission_and_windows(
    rest_a: float, after_a: float, least_a: float | None, level_a: float, phase: float
) -> None:
    """Transmission and both receive windows are found, whatever the board rests at between them."""
    pulses = [PREPARE, replace(BURST, level_a=level_a), FIRST, SECOND, Pulse(2.294, 9.0, after_a)]

    uplink = read(rest_a, pulses, least_a=least_a, phase=phase)

    burst = uplink.transmit
    assert burst is not None
    assert (uplink.transmissions, uplink.repeats, burst.whole) == (1, 0, True)
    assert burst.start_s == pytest.approx(0.205, abs=INTERVAL_S + 1e-9)
    assert burst.duration_s == pytest.approx(0.056, abs=INTERVAL_S + 1e-9)
    assert burst.charge_c == pytest.approx(level_a * 0.056, rel=2e-3)
    assert burst.plateau_a == pytest.approx(level_a, rel=1e-3)
    assert [window.start_s - burst.end_s for window in uplink.windows] == pytest.approx([1.0, 2.0], abs=2e-4)
    assert [window.duration_s for window in uplink.windows] == pytest.approx([0.015, 0.033], abs=INTERVAL_S + 1e-9)
    assert uplink.window(2) == uplink.windows[1]
    assert uplink.window(3) is None


def test_charge_of_the_whole_report() -> None:
    """What flowed above the floor until the second window was over is the sum of the rectangles above it."""
    uplink = read(1e-3, [*REPORT, Pulse(2.294, 9.0, 5e-3)])

    assert uplink.report_c == pytest.approx(sum((one.level_a - 1e-3) * one.duration_s for one in REPORT), rel=2e-3)
    assert uplink.report_s == pytest.approx(2.294, abs=INTERVAL_S + 1e-9)


@pytest.mark.parametrize(
    "pulses",
    [
        pytest.param([], id="rests"),
        pytest.param([Pulse(1.0, 0.001, 60e-3)], id="spike of a millisecond"),
        pytest.param([Pulse(0.2, 0.5, 12e-3)], id="idle radio"),
    ],
)
@pytest.mark.parametrize("least_a", [LEAST_A, None])
def test_no_transmission(pulses: list[Pulse], least_a: float | None) -> None:
    """A current that rests, or has a spike or an idle radio only, holds no transmission and no receive windows."""
    assert read(4.5e-3, pulses, least_a=least_a) == NO_UPLINK


def test_a_silent_radio_that_the_windows_alone_would_take_for_one() -> None:
    """Awake, two idle seconds, awake again: that looks like a transmission and a window, until a limit is known."""
    pulses = [Pulse(0.0, 0.133, 4.5e-3), Pulse(2.166, 9.0, 4.5e-3)]

    assert read(17e-6, pulses) == NO_UPLINK


def test_a_spike_does_not_hide_the_transmission() -> None:
    """A spike that is higher than the transmission is none."""
    uplink = read(5e-3, [Pulse(0.05, 0.0005, 90e-3), *REPORT])

    assert uplink.transmit is not None
    assert uplink.transmit.plateau_a == pytest.approx(44e-3, rel=1e-3)
    assert uplink.transmissions == 1
    assert len(uplink.windows) == 2


def test_a_second_transmission_is_counted_as_a_repetition() -> None:
    """What comes again within the retry time is told as such, and its windows are not the first one's."""
    again = [replace(one, start_s=one.start_s + 2.6) for one in REPORT]

    uplink = read(16e-6, [*REPORT, *again], duration_s=6.0)

    assert (uplink.transmissions, uplink.repeats) == (2, 1)
    assert uplink.transmit is not None
    assert [window.start_s for window in uplink.windows] == pytest.approx([1.261, 2.261], abs=2e-4)
    assert uplink.report_s == pytest.approx(2.6 + 2.294, abs=2e-4)


def test_a_transmission_long_after_the_first_repeats_nothing() -> None:
    """The next report is a transmission, and no repetition."""
    later = [replace(one, start_s=one.start_s + 10.0) for one in REPORT]

    uplink = read(16e-6, [*REPORT, *later], duration_s=15.0)

    assert (uplink.transmissions, uplink.repeats) == (2, 0)


@pytest.mark.parametrize("second_a", [40e-3, 24e-3], ids=["droops", "steps down"])
def test_a_transmission_in_two_steps_is_one(second_a: float) -> None:
    """A transmission that sags on its way is one with its whole charge, and its windows are counted from its end."""
    pulses = [
        Pulse(0.2, 0.03, 44e-3),
        Pulse(0.23, 0.03, second_a),
        Pulse(1.26, 0.015, 11e-3),
        Pulse(2.26, 0.033, 11e-3),
    ]

    uplink = read(1e-3, pulses)

    assert uplink.transmit is not None
    assert uplink.transmissions == 1
    assert uplink.transmit.duration_s == pytest.approx(0.06, abs=INTERVAL_S + 1e-9)
    assert uplink.transmit.charge_c == pytest.approx(0.03 * (44e-3 + second_a), rel=2e-3)
    assert [window.number for window in uplink.windows] == [1, 2]


def test_a_board_that_does_not_listen_has_no_windows() -> None:
    """After its transmission it rests, and wakes up where no window is due."""
    uplink = read(16e-6, [PREPARE, BURST, Pulse(2.5, 9.0, 4.5e-3)])

    assert uplink.transmit is not None
    assert uplink.windows == ()


def test_a_transmission_that_the_trace_cuts_is_not_whole() -> None:
    """One that is still going on at the end of the trace has no duration to trust."""
    uplink = read(16e-6, [Pulse(2.9, 1.0, 44e-3)])

    assert uplink.transmit is not None
    assert not uplink.transmit.whole


def test_edges_between_samples() -> None:
    """Two errors that are even within half a sample: the sum of two uniform variances, a sixth of the square."""
    (edges,) = edge_causes(1e-3)
    (of_charge,) = edge_causes(1e-3, height_a=0.044)

    assert edges.contribution**2 == pytest.approx(2 * (1e-3) ** 2 / 12)
    assert of_charge.contribution == pytest.approx(0.044 * edges.contribution)
