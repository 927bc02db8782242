"""Floor current asleep, and the current through one uplink: recorded, kept, and cut into segments.

What is judged in them stands in `sleep_findings` and `uplink_findings`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from benchrig.errors import BoardTimeout, InstrumentUnfit
from benchrig.judge.segments import find_segments
from benchrig.judge.uplink import cut_uplink
from benchrig.procedures.power import ready
from benchrig.procedures.rail_asleep import RailAsleep
from benchrig.procedures.sleep_current import record_sleep, wake
from benchrig.procedures.transmit import record_uplink
from benchrig.production.announced import judge_announced
from benchrig.production.left_open import tell_radio
from benchrig.production.sleep_findings import judge_sleep
from benchrig.production.trace_values import recording_of
from benchrig.production.uplink_findings import judge_uplink, least_plateau_a

if TYPE_CHECKING:
    from benchrig.bench.recorder import CurrentTrace
    from benchrig.board_run import BoardRun
    from benchrig.check import Check
    from benchrig.judge.segments import Segmentation
    from benchrig.procedures.on_bench import OnBench

_NO_RECORDER = "this bench has no current recorder in the battery lead of this slot"
_MOSTLY = 0.5
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
    rail = RailAsleep()
    trace = record_sleep(on, recorder, meanwhile=lambda: rail.read_asleep(on))
    run.keep_trace("sleep", trace)
    found = find_segments(recording_of(trace))
    awake = _awake_beside(run, rail)
    if _is_judged(on, measure, trace, found, value="floor"):
        judge_sleep(run, measure, trace, found, rail=rail)
    _judge_wake(measure, awake=_wakes(on) if awake is None else awake)


def _awake_beside(run: BoardRun, rail: RailAsleep) -> bool | None:
    """Wake the board now if its rail asleep must be held against the awake one; None leaves it asleep."""
    under_load = run.found.get("rail_v")
    if not rail.stands_out(under_load.value if under_load else None):
        return None
    awake = _wakes(run.on_bench)
    if awake:
        rail.read_awake(run.on_bench)
    return awake


def _wakes(on: OnBench) -> bool:
    try:
        wake(on)
    except BoardTimeout:
        on.power.suspect = True
        return False
    return True


def _judge_wake(measure: Check, *, awake: bool) -> None:
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
    trace, frame = record_uplink(on, recorder)
    run.keep_trace("transmit", trace)
    judge_announced(measure, frame)
    found = cut_uplink(recording_of(trace), least_plateau_a=least_plateau_a(measure))
    if _is_judged(on, measure, trace, found, value="peak"):
        judge_uplink(run, measure, trace, found, frame)
        run.later(lambda: tell_radio(run, measure))


def _is_judged(on: OnBench, measure: Check, trace: CurrentTrace, found: Segmentation, *, value: str) -> bool:
    """Whether the trace could be cut. Samples missing: undecided, or a broken recorder. Raises InstrumentUnfit."""
    if not found.problems:
        return True
    _refuse_contradiction(on, trace)
    measure.undecided(value, "; ".join(found.problems), next_action="look at the recorder's range and wiring")
    return False


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
