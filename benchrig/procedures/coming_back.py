"""Takes the battery away in the ways of the plan, gives it back, and looks what became of the board.

A ramp is made of set-points, by the time that has passed: a bench that is slow makes larger steps and the same slope,
and the largest step is told. How long a power hole really was is known within the time that the supply's commands took.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from benchrig.errors import BoardError
from benchrig.judge.coming_back import Fate, Point, Tried
from benchrig.judge.uncertainty import standard_uncertainty
from benchrig.procedures.alive import boot_notice, boots, cut, draws_current, restore
from benchrig.procedures.sleep_current import wake
from benchrig.procedures.terminals import set_battery
from benchrig.reading import Reading

if TYPE_CHECKING:
    from collections.abc import Iterator

    from benchrig.bench.recorder import CurrentRecorder
    from benchrig.board.coming_back_table import ComingBackPlan
    from benchrig.procedures.on_bench import OnBench

_SLEEP_WINDOW_S = 0.3
_SLEEP_INTERVAL_S = 0.001
_HOLE_TOLERANCE = 0.5
"""A hole may be longer or shorter than planned by this share and still count as tried. Own choice."""


@dataclass(frozen=True, slots=True)
class Made:
    """How a battery was really taken away: largest step of the ramps, length of the hole and its half width."""

    largest_step_v: float = 0.0
    hole_s: float = 0.0
    hole_half_width_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Asleep:
    """The board's current in a short window asleep, and whether it woke from that."""

    current: Reading
    woke: bool


@dataclass(frozen=True, slots=True)
class Result:
    """A point that was tried, and the board's current asleep afterwards (None: not measured)."""

    tried: Tried
    asleep: Reading | None


def try_points(on: OnBench, plan: ComingBackPlan, recorder: CurrentRecorder | None) -> Iterator[Result]:
    """Every point as it was tried, until the plan has no more. Leaves the board alive, at nominal voltage."""
    tried: list[Tried] = []
    while (point := plan.points.next(tried)) is not None:
        result = _try(on, plan, point, recorder)
        tried.append(result.tried)
        yield result
        if result.tried.fate is Fate.HUNG:
            cut(on, off_s=plan.recover_off_s)
    restore(on, alive_above_a=plan.alive_above_a, off_s=plan.recover_off_s)


def _try(on: OnBench, plan: ComingBackPlan, point: Point, recorder: CurrentRecorder | None) -> Result:
    before = restore(on, alive_above_a=plan.alive_above_a, off_s=plan.recover_off_s)
    began_s = on.clock.now_s()
    made, has_died = _take_battery(on, plan, point)
    if has_died:
        boot_notice(on, after_s=began_s, within_s=plan.within_s)
    after = boots(on, alive_above_a=plan.alive_above_a)
    is_slept = recorder is not None and after is not None and plan.points.is_slept_after(point)
    asleep = _fall_asleep_and_wake(on, recorder) if is_slept and recorder else None
    tried = Tried(
        point,
        _fate(before, after, asleep, plan.sleep_below_a),
        0 if after is None else after - before,
        _detail(point, made),
        _is_as_planned(point, plan, made),
    )
    return Result(tried, asleep.current if asleep else None)


def _fate(before: int, after: int | None, asleep: Asleep | None, sleep_below_a: float) -> Fate:
    if after is None:
        return Fate.HUNG
    if asleep is not None and not (asleep.woke and asleep.current.value < sleep_below_a):
        return Fate.SICK
    return Fate.ALIVE if after == before else Fate.CAME_BACK


def _detail(point: Point, made: Made) -> str:
    if point.kind == "hole":
        return f"made {made.hole_s * 1000:.0f} ms, known within {made.hole_half_width_s * 1000:.0f} ms"
    return f"steps up to {made.largest_step_v * 1000:.0f} mV" if point.kind == "ramp" else ""


def _is_as_planned(point: Point, plan: ComingBackPlan, made: Made) -> bool:
    if point.kind == "hole":
        return abs(made.hole_s - point.dwell_s) + made.hole_half_width_s <= _HOLE_TOLERANCE * point.dwell_s
    return point.kind == "plateau" or made.largest_step_v <= plan.largest_step_v


# ---- the battery ------------------------------------------------------------------------------------


def _take_battery(on: OnBench, plan: ComingBackPlan, point: Point) -> tuple[Made, bool]:
    """Battery away and back at nominal; how that went, and whether the board was seen dead meanwhile."""
    with on.phases("board"):
        if point.kind == "hole":
            return _hole(on, point.dwell_s), True
        if point.kind == "plateau":
            set_battery(on, point.floor_v, settle_s=0.0)
            has_died = _stay(on, plan, point)
            set_battery(on, on.profile.power.nominal_v, settle_s=0.0)
            return Made(), has_died
        set_battery(on, plan.from_v, settle_s=0.0)
        fall_v = _ramp(on, plan, point.slope_v_per_s, plan.from_v, point.floor_v)
        has_died = _stay(on, plan, point)
        rise_v = _ramp(on, plan, point.slope_v_per_s, point.floor_v, plan.from_v)
        set_battery(on, on.profile.power.nominal_v, settle_s=0.0)
        return Made(largest_step_v=max(fall_v, rise_v)), has_died


def _stay(on: OnBench, plan: ComingBackPlan, point: Point) -> bool:
    """The dwell at the floor, measured at the terminals; whether the board is dead at its end."""
    ends_s = on.clock.now_s() + point.dwell_s
    on.record(point.text, on.bench.terminals.read_voltage())
    on.clock.sleep(ends_s - on.clock.now_s())
    return not draws_current(on, plan.alive_above_a)


def _ramp(on: OnBench, plan: ComingBackPlan, slope_v_per_s: float, from_v: float, to_v: float) -> float:
    """Set-points along a line in time, `step_v` apart or as fast as the supply takes them; the largest step."""
    supply, clock = on.bench.supply, on.clock
    sign = 1.0 if to_v > from_v else -1.0
    length_v = abs(to_v - from_v)
    began_s, done_v, largest_v = clock.now_s(), 0.0, 0.0
    while done_v < length_v:
        due_s = began_s + min(done_v + plan.step_v, length_v) / slope_v_per_s
        clock.sleep(due_s - clock.now_s())
        now_v = min(length_v, max(done_v + plan.step_v, (clock.now_s() - began_s) * slope_v_per_s))
        supply.set_voltage(round(from_v + sign * now_v, 4))
        largest_v, done_v = max(largest_v, now_v - done_v), now_v
    return largest_v


def _hole(on: OnBench, hole_s: float) -> Made:
    """Output off and on again. The commands take time: the relay opened and closed somewhere inside each."""
    supply, clock = on.bench.supply, on.clock
    off_sent_s = clock.now_s()
    supply.output_off()
    off_done_s = clock.now_s()
    clock.sleep(off_sent_s + hole_s - clock.now_s())  # the relay is as late behind both commands
    on_sent_s = clock.now_s()
    supply.output_on()
    on_done_s = clock.now_s()
    on.power.on_since_s = on_done_s
    shortest_s, longest_s = max(0.0, on_sent_s - off_done_s), on_done_s - off_sent_s
    return Made(hole_s=(shortest_s + longest_s) / 2.0, hole_half_width_s=(longest_s - shortest_s) / 2.0)


# ---- asleep afterwards ------------------------------------------------------------------------------


def _fall_asleep_and_wake(on: OnBench, recorder: CurrentRecorder) -> Asleep:
    """Median current of a short window asleep: a wake of the timer inside it does not count."""
    plan = on.profile.sleep
    on.board.console.ask("sleep")
    on.board.release_links()
    with on.phases("board"):
        on.clock.sleep(plan.fall_asleep_s)
        recorder.start(window_s=_SLEEP_WINDOW_S, interval_s=_SLEEP_INTERVAL_S, range_a=recorder.wiring.sleep_range_a)
        on.clock.sleep(recorder.ends_at_s - on.clock.now_s())
    with on.phases("measuring"):
        trace = recorder.finish()
    try:
        wake(on)
        woke = True
    except BoardError:
        woke = False
    sound = trace.samples.values[~trace.samples.invalid]
    value_a = float(np.median(sound)) if sound.size else math.inf
    u_a = standard_uncertainty(value_a, range_=trace.range_a, terms=trace.accuracy) if sound.size else 0.0
    raw = f"{sound.size} samples, {trace.interval_s:g} s apart"
    return Asleep(Reading(value_a, "A", u_a, trace.source, raw, trace.start_s, int(sound.size)), woke)
