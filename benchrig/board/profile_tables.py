"""Reads the board profile's tables of power and procedures: what they may say, and what no sound board can need.

Owns the form of `power`, `first_touch`, `identity`, `converter`, `sweep`, `rail`, `sleep`, `transmit` and `takes_s`.
Must not know what one table means for another (`profile_agreement`), nor instruments. Bounds are of the trade and
generous: common practice, no source; where one is not plain, its reason stands beside it.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from benchrig.board.profile_plans import (
    BoardTimes,
    ConverterPlan,
    FirstTouchPlan,
    IdentityPlan,
    PowerPlan,
    RailPlan,
    SleepPlan,
    SweepPlan,
    TransmitPlan,
)

if TYPE_CHECKING:
    from benchrig.toml_reader import Section

MOST_VOLTS = 60.0
"""Beyond 60 V DC work calls for other protection than a bench of this kind has (IEC 61140, from memory)."""
MOST_AMPERES = 10.0
"""No battery node draws more, and no bench supply's terminals carry much more."""
MOST_SAMPLES = 200_000_000
"""Of one window of the recorder: more does not fit into the memory of a bench computer."""
LONGEST_S = 86_400.0
"""A day: nothing that a bench waits for takes longer."""
_LONGEST_STEP_S = 600.0
_OFF_V = 1.0
"""Above this a microcontroller may still run, so that 'off' would prove nothing."""
_TERMINALS_OFF_V = 1.0
"""Terminals that are further off than this from what was set are not at the planned point."""
_COARSEST_STEP_V, _FINEST_STEP_V = 1.0, 1e-9
_SHORTEST_INTERVAL_S, _LONGEST_INTERVAL_S = 1e-7, 1.0
_SHORTEST_PERIOD_S = 0.01
_LEAST_AMPERES = 1e-9
_LEAST_SPAN_V, _STEPS_OF_SPAN = 0.1, 100
"""Own choice: over a span of 100 counts one count of error turns the line by 1 %."""


def read_power(section: Section, maximum_v: float, maximum_a: float) -> PowerPlan:
    """The table `power`."""
    plan = PowerPlan(
        nominal_v=_at_most(section, "nominal_v", maximum_v, "V"),
        current_limit_a=_at_most(section, "current_limit_a", maximum_a, "A"),
        protection_v=_at_most(section, "protection_v", maximum_v, "V"),
        off_below_v=section.number("off_below_v", default=0.2, above=0.0, at_most=_OFF_V),
        off_within_s=section.number("off_within_s", default=5.0, above=0.0, at_most=_LONGEST_STEP_S),
    )
    section.finish()
    return plan


def read_first_touch(section: Section, maximum_v: float, maximum_a: float) -> FirstTouchPlan:
    """The table `first_touch`."""
    plan = FirstTouchPlan(
        voltage_v=_at_most(section, "voltage_v", maximum_v, "V"),
        current_limit_a=_at_most(section, "current_limit_a", maximum_a, "A"),
        inrush_s=section.number("inrush_s", above=0.0, at_most=10.0),
        short_below_v=section.number("short_below_v", default=0.3, above=0.0, at_most=MOST_VOLTS),
        reversed_below_v=section.number("reversed_below_v", default=1.2, above=0.0, at_most=MOST_VOLTS),
        open_below_a=section.number("open_below_a", above=0.0, at_most=MOST_AMPERES),
    )
    steps_v = (plan.short_below_v, plan.reversed_below_v, plan.voltage_v)
    if not steps_v[0] < steps_v[1] < steps_v[2] and all(map(math.isfinite, steps_v)):
        section.problem("", "accepted: short_below_v < reversed_below_v < voltage_v")
    if plan.open_below_a >= plan.current_limit_a:
        section.problem(
            "open_below_a",
            f"{plan.open_below_a:g} A is not below current_limit_a = {plan.current_limit_a:g} A: every board would "
            "count as open",
        )
    section.finish()
    return plan


def read_identity(section: Section) -> IdentityPlan:
    """The table `identity`."""
    plan = IdentityPlan(
        firmware=section.text("firmware"),
        image=section.text("image", default="", empty=True),
        boot_s=section.number("boot_s", above=0.0, at_most=_LONGEST_STEP_S),
    )
    section.finish()
    return plan


def read_converter(section: Section) -> ConverterPlan:
    """The table `converter`."""
    plan = ConverterPlan(
        volts_per_count=section.number("volts_per_count", at_least=_FINEST_STEP_V, at_most=_COARSEST_STEP_V),
        top_code=section.integer("top_code", at_least=1, at_most=2**24),
    )
    section.finish()
    return plan


def read_times(top: Section) -> BoardTimes | None:
    """The table `takes_s`, None when it is absent."""
    section = top.section("takes_s", required=False)
    if section is None:
        return None
    times = BoardTimes(
        **{
            name: section.number(name, default=0.0, at_least=0.0, at_most=_LONGEST_STEP_S)
            for name in ("boot", "battery", "frame", "temperature", "power_down")
        }
    )
    section.finish()
    return times


def read_sweep(section: Section, maximum_v: float, *, volts_per_count: float) -> SweepPlan:
    """The table `sweep`; its points span enough for a line to have a slope."""
    points_v = _points(section, maximum_v, at_least=3)
    _check_span(section, points_v, volts_per_count)
    plan = SweepPlan(
        points_v=points_v,
        settle_s=section.number("settle_s", above=0.0, at_most=_LONGEST_STEP_S),
        terminal_tolerance_v=section.number("terminal_tolerance_v", default=0.05, above=0.0, at_most=_TERMINALS_OFF_V),
    )
    section.finish()
    return plan


def _points(section: Section, maximum_v: float, *, at_least: int) -> tuple[float, ...]:
    before = len(section.problems)
    points_v = section.numbers("points_v")
    for point in points_v:
        _check_maximum(section, "points_v", point, maximum_v, "V")
        if point <= 0.0:
            section.problem("points_v", f"{point:g} V: a sweep point is above 0")
    is_read = points_v or len(section.problems) == before  # an array that could not be read was told
    if is_read and len(set(points_v)) < at_least:
        section.problem("points_v", f"{len(set(points_v))} different points; at least {at_least} are needed")
    return points_v


def _check_span(section: Section, points_v: tuple[float, ...], volts_per_count: float) -> None:
    """A slope from points that lie together is made of the converter's steps and of noise, not of its gain."""
    if len(set(points_v)) < 3:
        return
    span_v = max(points_v) - min(points_v)
    least_v = max(_LEAST_SPAN_V, _STEPS_OF_SPAN * volts_per_count) if volts_per_count > 0.0 else _LEAST_SPAN_V
    if span_v < least_v:
        section.problem(
            "points_v",
            f"the points span {span_v:g} V; accepted: at least {least_v:g} V from the lowest to the highest "
            f"({_LEAST_SPAN_V:g} V and {_STEPS_OF_SPAN} counts of the converter): over less, a gain of 1 % is lost in "
            "one count",
        )


def read_rail(section: Section, maximum_v: float) -> RailPlan:
    """The table `rail`."""
    plan = RailPlan(
        points_v=_points(section, maximum_v, at_least=1),
        load_a=section.number("load_a", at_least=_LEAST_AMPERES, at_most=MOST_AMPERES),
        settle_s=section.number("settle_s", default=0.02, above=0.0, at_most=_LONGEST_STEP_S),
    )
    section.finish()
    return plan


def read_sleep(section: Section) -> SleepPlan:
    """The table `sleep`; its window holds no more samples than a bench computer can."""
    plan = SleepPlan(
        wake_period_s=section.number("wake_period_s", at_least=_SHORTEST_PERIOD_S, at_most=LONGEST_S),
        wake_periods=section.integer("wake_periods", default=3, at_least=1, at_most=1000),
        fall_asleep_s=section.number("fall_asleep_s", default=0.1, at_least=0.0, at_most=LONGEST_S),
        interval_s=_interval_s(section, default=0.001),
    )
    window_s = (plan.wake_periods + 1) * plan.wake_period_s
    _check_samples(section, window_s, plan.interval_s, of=f"{plan.wake_periods} + 1 wake periods")
    section.finish()
    return plan


def read_transmit(section: Section) -> TransmitPlan:
    """The table `transmit`; its window holds no more samples than a bench computer can."""
    plan = TransmitPlan(
        window_s=section.number("window_s", at_least=_SHORTEST_PERIOD_S, at_most=3600.0),
        interval_s=_interval_s(section, default=0.0001),
        spreading_factor=_optional_integer(section, "spreading_factor", at_least=7, at_most=12),
        bandwidth_hz=section.integer("bandwidth_hz", default=125_000, at_least=7_800, at_most=1_000_000),
        coding_rate=section.integer("coding_rate", default=5, at_least=5, at_most=8),
        phy_payload_bytes=_optional_integer(section, "phy_payload_bytes", at_least=12, at_most=255),
    )
    _check_samples(section, plan.window_s, plan.interval_s, of="window_s")
    section.finish()
    return plan


def _interval_s(section: Section, *, default: float) -> float:
    return section.number("interval_s", default=default, at_least=_SHORTEST_INTERVAL_S, at_most=_LONGEST_INTERVAL_S)


def _check_samples(section: Section, window_s: float, interval_s: float, *, of: str) -> None:
    """A window has at least some samples, and not more than can be kept. What is NaN was told already."""
    if interval_s > window_s / 10.0:
        section.problem("interval_s", f"{interval_s:g} s; accepted: at most a tenth of {of}, {window_s / 10.0:g} s")
    elif window_s / interval_s > MOST_SAMPLES:
        section.problem(
            "interval_s",
            f"{of} are {window_s / interval_s:.3g} samples of {interval_s:g} s; accepted: at most "
            f"{MOST_SAMPLES:,} in a window; sample more slowly, or shorten the window",
        )


def _optional_integer(section: Section, key: str, *, at_least: int, at_most: int) -> int | None:
    return section.integer(key, at_least=at_least, at_most=at_most) if section.has(key) else None


def _at_most(section: Section, key: str, maximum: float, unit: str) -> float:
    """A number above 0 that the absolute maxima allow."""
    value = section.number(key, above=0.0)
    _check_maximum(section, key, value, maximum, unit)
    return value


def _check_maximum(section: Section, key: str, value: float, maximum: float, unit: str) -> None:
    if value > maximum:
        section.problem(key, f"{value:g} {unit} is above the absolute maximum of {maximum:g} {unit} (table maxima)")
