"""Floor current asleep, and the current through one uplink."""

from __future__ import annotations

import statistics
from typing import TYPE_CHECKING

from benchrig.errors import BoardTimeout, InstrumentUnfit
from benchrig.judge.trace import Trace, find_sleep, find_transmit
from benchrig.judge.uncertainty import standard_uncertainty
from benchrig.procedures.power import ready
from benchrig.procedures.sleep_current import record_sleep, wake
from benchrig.procedures.transmit import record_uplink
from benchrig.reading import Reading
from benchrig.records import Verdict

if TYPE_CHECKING:
    from benchrig.bench.recorder import CurrentTrace
    from benchrig.board_run import BoardRun
    from benchrig.check import Check
    from benchrig.judge.trace import SleepWindow, TransmitWindow
    from benchrig.procedures.on_bench import OnBench

_NO_RECORDER = "this bench has no current recorder in the battery lead of this slot"
_MOSTLY = 0.5
_RISE = 0.5  # of the plateau's low limit: less than this is no transmission at all. Own choice
_ADD_RECORDER = "wire a current recorder and name it in the bench file (slots.N.recorder)"


def check_floor_current(run: BoardRun, measure: Check) -> None:
    """Record a window of whole wake periods asleep, then see that the board wakes."""
    on = run.on_bench
    recorder = on.bench.recorder
    if recorder is None:
        measure.undecided("floor", _NO_RECORDER, next_action=_ADD_RECORDER)
        return
    if on.link_release == "none":
        measure.undecided(
            "floor",
            "the bench file knows no way to release the console link: its adapter feeds or loads the board",
            next_action="use an adapter that a closed port leaves unpowered, and say release = 'close'",
        )
        return
    ready(on)
    trace = record_sleep(on, recorder)
    run.keep_trace("sleep", trace)
    _judge_sleep(on, measure, trace, find_sleep(_trace(trace), least_periods=on.profile.sleep.wake_periods))
    _judge_wake(run, measure)


def _judge_sleep(on: OnBench, measure: Check, trace: CurrentTrace, found: SleepWindow) -> None:
    if found.problems or found.floor_a is None:
        _refuse_contradiction(on, trace)
        measure.undecided("floor", "; ".join(found.problems), next_action="look at the recorder's range and wiring")
        return
    u = standard_uncertainty(found.floor_a, range_=trace.range_a, terms=trace.accuracy)
    floor_u = (u**2 + (found.floor_u or 0.0) ** 2) ** 0.5
    floor = measure.reading("floor current", _reading(trace, found.floor_a, floor_u))
    if found.floor_a < -2.0 * floor_u:
        raise InstrumentUnfit(
            f"recorder {trace.source}: a floor of {found.floor_a * 1e6:.1f} uA flows out of the board (accepted: none "
            "does): something else feeds it, such as a serial adapter that stays powered, or a solar source; unplug "
            "it, or use an adapter that a closed port leaves unpowered",
            trace.source,
        )
    measure("floor", floor, next_action="find what stays on in sleep: radio in standby, a pull-up, a leaking part")
    if not found.enough:
        measure.undecided(
            "mean",
            f"the window holds {found.whole_periods} whole wake periods, not as many as the profile asks for",
            next_action="the board wakes too rarely, or not at all: look at its timer",
        )
    elif found.mean_a is not None:
        u = standard_uncertainty(found.mean_a, range_=trace.range_a, terms=trace.accuracy)
        measure("mean", found.mean_a, unit="A", standard_uncertainty=u, next_action="look at floor and wakes")
    whole = [wake for wake in found.wakes if wake.whole]
    if whole and found.period_s is not None:
        _judge_wakes(measure, trace, found, [one.charge_c for one in whole], whole[0].duration_s)


def _judge_wakes(
    measure: Check, trace: CurrentTrace, found: SleepWindow, charges_c: list[float], duration_s: float
) -> None:
    charge_c = statistics.fmean(charges_c)
    mean_a = charge_c / duration_s
    u = standard_uncertainty(mean_a, range_=trace.range_a, terms=trace.accuracy) * duration_s
    scatter = statistics.stdev(charges_c) / len(charges_c) ** 0.5 if len(charges_c) > 1 else 0.0
    measure(
        "wake_charge",
        charge_c,
        unit="C",
        standard_uncertainty=(u**2 + scatter**2) ** 0.5,
        next_action="a wake costs too much: look at what the firmware does in it, and for how long",
    )
    measure(
        "wake_period",
        found.period_s,
        unit="s",
        standard_uncertainty=trace.interval_s / 6**0.5,  # the difference of two instants, each within one sample
        next_action="look at the timer that wakes the board",
    )


def _judge_wake(run: BoardRun, measure: Check) -> None:
    on = run.on_bench
    try:
        wake(on)
        awake = True
    except BoardTimeout:
        awake = False
        on.power.suspect = True
    measure.fact(
        "wakes again",
        expected="wakes when its console is addressed",
        seen="it woke" if awake else "no answer",
        holds=awake,
        next_action="a board that never wakes is lost on its pole: look at wake sources and the oscillator",
    )


def check_transmit(run: BoardRun, measure: Check) -> None:
    """Record one uplink and judge the first transmission in it."""
    on = run.on_bench
    recorder = on.bench.recorder
    if recorder is None:
        measure.undecided("peak", _NO_RECORDER, next_action=_ADD_RECORDER)
        return
    ready(on)
    trace, _ = record_uplink(on, recorder)
    run.keep_trace("transmit", trace)
    found = find_transmit(_trace(trace))
    if found.problems:
        _refuse_contradiction(on, trace)
        measure.undecided("peak", "; ".join(found.problems), next_action="look at the recorder's range and wiring")
        return
    _judge_transmit(measure, trace, found)


def _refuse_contradiction(on: OnBench, trace: CurrentTrace) -> None:
    """A recorder that is over range all the time while the supply reads little is broken: charged to the bench."""
    share = float(trace.samples.invalid.mean())
    current = on.bench.supply.read_current()
    if share > _MOSTLY and current.value < trace.range_a:
        raise InstrumentUnfit(
            f"recorder {trace.source}: {share:.0%} of its samples are over range or no number on the {trace.range_a:g} "
            f"A range, while the supply reads {current.value:g} A; check its input and fuse, or replace it",
            trace.source,
        )


def _judge_transmit(measure: Check, trace: CurrentTrace, found: TransmitWindow) -> None:
    event = found.transmit
    limit = measure.limits.get("plateau")
    least_a = _RISE * (limit.low if limit and limit.low else 0.0)
    if event is not None and event.plateau_a < least_a:
        event = None  # the highest level of this trace is an idle radio, not a transmission
    measure.fact(
        "transmits",
        expected="one transmission",
        seen=f"{found.transmissions}" if event else "none",
        holds=event is not None and found.transmissions == 1,
        next_action="no rise in current: the modem did not send; look at its dialogue and its supply",
    )
    if event is None:
        measure.end_by(Verdict.FAIL, "the current shows no transmission", next_action="look at the modem's dialogue")
        return
    look = "look at antenna match, power setting and the radio's supply"
    for name, value_a in (("peak", event.peak_a), ("plateau", event.plateau_a)):
        u = standard_uncertainty(value_a, range_=trace.range_a, terms=trace.accuracy)
        measure(name, measure.reading(f"transmit {name}", _reading(trace, value_a, u)), next_action=look)
    measure(
        "duration",
        event.duration_s,
        unit="s",
        standard_uncertainty=trace.interval_s / 12**0.5,
        next_action="look at spreading factor and payload length: they set the time on air",
    )
    u = standard_uncertainty(event.plateau_a, range_=trace.range_a, terms=trace.accuracy) * event.duration_s
    measure("charge", event.charge_c, unit="C", standard_uncertainty=u, next_action=look)


def _trace(trace: CurrentTrace) -> Trace:
    return Trace(trace.samples.values, interval_s=trace.interval_s, invalid=trace.samples.invalid)


def _reading(trace: CurrentTrace, value_a: float, u: float) -> Reading:
    count = len(trace.samples.values)
    raw = f"{count} samples, {trace.interval_s:g} s apart, range {trace.range_a:g} A"
    return Reading(value_a, "A", u, trace.source, raw, trace.start_s, count)
