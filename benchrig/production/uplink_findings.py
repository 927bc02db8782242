"""What a recorded uplink says: the transmission, its data rate, both receive windows, repetitions, and its charge.

Owns which values are judged and in which words. `judge.uplink` picks the report out, `judge.radio_timing` knows
times on air and receive delays (sources there).
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from benchrig.judge.radio_timing import FRAME_OVERHEAD_BYTES, RX_DELAYS_S
from benchrig.judge.uncertainty import Component
from benchrig.judge.uplink import edge_causes, read_uplink
from benchrig.production.data_rate import FrameExpected, name_data_rate
from benchrig.production.trace_values import budget_from, charge_budget, current_reading, found_by
from benchrig.quantity import format_quantity
from benchrig.records import Verdict
from benchrig.report.segment_lines import segment_lines

if TYPE_CHECKING:
    from benchrig.bench.recorder import CurrentTrace
    from benchrig.board.board import FrameAnswer
    from benchrig.board.profile import BoardProfile
    from benchrig.board_run import BoardRun
    from benchrig.check import Check
    from benchrig.judge.segments import Segmentation
    from benchrig.judge.uplink import Burst, Uplink

_DELAYS = tuple(zip(("rx1_delay", "rx2_delay"), (1, 2), RX_DELAYS_S, strict=True))
"""Value, number and nominal delay of each receive window."""

_LOOK = "look at antenna match, power setting and the radio's supply"


def least_plateau_a(measure: Check) -> float | None:
    """What a transmission should draw at least, by the profile's limit; None lets the trace alone tell."""
    limit = measure.limits.get("plateau")
    return limit.low if limit else None


def judge_uplink(run: BoardRun, measure: Check, trace: CurrentTrace, found: Segmentation, frame: FrameAnswer) -> None:
    """Judge an uplink whose recording could be cut."""
    uplink = read_uplink(found)
    measure.annex("segments of the uplink", [*segment_lines(found), *_notes(uplink)])
    _judge_count(measure, uplink)
    if uplink.transmit is None:
        measure.end_by(Verdict.FAIL, "the current shows no transmission", next_action="look at the modem's dialogue")
        return
    _judge_burst(run, measure, trace, uplink.transmit)
    name_data_rate(run, measure, uplink.transmit.duration_s, _expected(run.on_bench.profile, frame), trace.interval_s)
    _judge_windows(measure, trace, uplink)
    _tell_feed(run, measure, trace, found)
    _keep_report(run, trace, found, uplink)


def _judge_count(measure: Check, uplink: Uplink) -> None:
    again = f", {uplink.repeats} of them soon enough to repeat the one before" if uplink.repeats else ""
    measure.fact(
        "transmits",
        expected="one transmission",
        seen=f"{uplink.transmissions}{again}" if uplink.transmissions else "none",
        holds=uplink.transmissions == 1,
        next_action="more than one: the modem repeats itself, look at its settings and its supply"
        if uplink.transmissions
        else "no rise in current: the modem did not send; look at its dialogue and its supply",
    )


def _judge_burst(run: BoardRun, measure: Check, trace: CurrentTrace, burst: Burst) -> None:
    for name, value_a in (("peak", burst.peak_a), ("plateau", burst.plateau_a)):
        measure(name, measure.reading(f"transmit {name}", current_reading(trace, value_a)), next_action=_LOOK)
    duration = budget_from(edge_causes(trace.interval_s), unit="s", value=burst.duration_s)
    run.found["transmit_duration_s"] = found_by(duration, burst.duration_s, "s")
    measure(
        "duration",
        burst.duration_s,
        unit="s",
        budget=duration,
        next_action="look at spreading factor and payload length: they set the time on air",
    )
    edges = edge_causes(trace.interval_s, height_a=burst.plateau_a)
    charge = charge_budget(trace, burst.charge_c, burst.duration_s, *edges)
    run.found["transmit_charge_c"] = found_by(charge, burst.charge_c, "C")
    measure("charge", burst.charge_c, unit="C", budget=charge, next_action=_LOOK)


def _expected(profile: BoardProfile, frame: FrameAnswer) -> FrameExpected:
    plan = profile.transmit
    return FrameExpected(
        spreading_factor=plan.spreading_factor,
        bandwidth_hz=plan.bandwidth_hz,
        coding_rate=plan.coding_rate,
        phy_payload_bytes=plan.phy_payload_bytes or frame.length + FRAME_OVERHEAD_BYTES,
    )


# ---- receive windows


def _judge_windows(measure: Check, trace: CurrentTrace, uplink: Uplink) -> None:
    """Each window that the trace is long enough to show; one that it cannot show is told, and proves nothing."""
    burst = uplink.transmit
    assert burst is not None
    for name, number, delay_s in _DELAYS:
        window = uplink.window(number)
        if window is not None:
            value_s = window.start_s - burst.end_s
            causes = edge_causes(trace.interval_s)
            measure(
                name,
                value_s,
                unit="s",
                budget=budget_from(causes, unit="s", value=value_s),
                next_action="a window that opens late hears nothing: look at the modem's clock and its timing settings",
            )
        elif trace.duration_s < burst.end_s + delay_s:
            measure.not_proven(
                f"receive window {number} is due {delay_s:g} s after the transmission, when the trace was over",
                next_action="record longer (transmit.window_s in the profile)",
            )
            if name in measure.limits:
                measure.undecided(name, "the trace ends before the window is due", next_action="record longer")
        else:
            _judge_missing(measure, uplink, name, number, delay_s)


def _judge_missing(measure: Check, uplink: Uplink, name: str, number: int, delay_s: float) -> None:
    """No rise of the current where class A has a window: judged only if the profile limits its delay."""
    text = f"no rise of the current about {delay_s:g} s after the transmission"
    if name not in measure.limits:
        measure.not_proven(f"receive window {number}: {text}", next_action=f"limit {name} in the profile to judge it")
        return
    measure.undecided(name, text, next_action="the board may be deaf: look at the receive settings of its modem")
    measure.fact(
        f"opens receive window {number}",
        expected=f"a rise of the current {delay_s:g} s after the transmission",
        seen="none" if uplink.transmissions == 1 else "none before the next transmission",
        holds=False,
        next_action="a board that does not listen can never be switched: look at the receive settings of its modem",
    )


# ---- the whole report


def _tell_feed(run: BoardRun, measure: Check, trace: CurrentTrace, found: Segmentation) -> None:
    """A floor below that of the sleep: the console link, open while an uplink is asked for, feeds the board.

    Where no sleep was measured, a floor below zero shows the same.
    """
    if found.floor_a is None:
        return
    here = format_quantity(found.floor_a, "A")
    asleep, u = run.found.get("floor_a"), current_reading(trace, found.floor_a).standard_uncertainty
    if asleep is None:
        is_fed, beside = found.floor_a < -2.0 * u, ""
    else:
        is_fed = found.floor_a < asleep.value - 2.0 * math.hypot(u, asleep.standard_uncertainty)
        beside = f", with the link released {format_quantity(asleep.value, 'A')}"
    if is_fed:
        measure.not_proven(
            f"the whole current of a report: between transmission and receive windows flow {here}{beside}, so that the "
            "open console link, or something else, feeds the board; peak, plateau and charge are all that the supply "
            "gave, the charge of the whole report is what it gave above this floor: each without what the link gave",
            next_action="see floor_current, which is measured with the link released",
        )


def _keep_report(run: BoardRun, trace: CurrentTrace, found: Segmentation, uplink: Uplink) -> None:
    """What a report costs above the floor, for whoever reckons with it."""
    scatter = Component("scatter of the floor", standard_uncertainty=found.floor_u or 0.0, sensitivity=-uplink.report_s)
    budget = charge_budget(trace, uplink.report_c, uplink.report_s, scatter)
    run.found["report_charge_c"] = found_by(budget, uplink.report_c, "C")
    window = uplink.window(1)
    if window is not None and uplink.receive_c > 0.0:
        edges = edge_causes(trace.interval_s, height_a=uplink.receive_c / window.duration_s)
        charge = charge_budget(trace, uplink.receive_c, window.duration_s, *edges)
        duration = budget_from(edge_causes(trace.interval_s), unit="s", value=window.duration_s)
        run.found["receive_charge_c"] = found_by(charge, uplink.receive_c, "C")
        run.found["receive_duration_s"] = found_by(duration, window.duration_s, "s")


def _notes(uplink: Uplink) -> list[str]:
    burst = uplink.transmit
    if burst is None:
        return ["no transmission in this trace"]
    lines = [f"transmission: {format_quantity(burst.duration_s, 's')} at {format_quantity(burst.plateau_a, 'A')}"]
    lines += [
        f"receive window {one.number}: opens {one.start_s - burst.end_s:.4f} s after the transmission, for "
        f"{format_quantity(one.duration_s, 's')}"
        for one in uplink.windows
    ]
    lines += [f"repetitions: {uplink.repeats}"]
    report, lasts = format_quantity(uplink.report_c, "C"), format_quantity(uplink.report_s, "s")
    return [*lines, f"the whole report above the floor: {report} in {lasts}"]
