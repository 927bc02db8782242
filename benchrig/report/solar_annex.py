"""The lines "solar autonomy" of a report: months, empty days, worst month, cheapest change.

Owns the layout. Numbers come from `judge.autonomy`; nothing here is judged.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from benchrig.judge.autonomy import Autonomy, Fix, SunSeries, System

TITLE = "solar autonomy"

WHOLE_YEAR_DAYS = 365


def solar_lines(
    sun: SunSeries,
    system: System,
    autonomy: Autonomy,
    *,
    dirt: float,
    fix: Fix | None,
    is_enough: bool,
    with_months: bool = False,
) -> list[str]:
    """The whole annex; `dirt` is the mean share of the light that it takes, `fix` is None where no change was tried,
    `with_months` adds the table of all months."""
    first, last = sun.every_day[[0, -1]].astype("datetime64[D]").astype(str).tolist()
    lines = [
        f"sun from {first} to {last}, {sun.every_day.size} days, {_mean_kwh_m2(sun):.2f} kWh/m² a day on the panel"
        + (f"; {autonomy.missing_days} days missing, taken as dark" if autonomy.missing_days else ""),
        f"panel {system.panel_w:g} W, load {system.load_a * 1e6:.1f} µA with self-discharge",
        f"{system.capacity_c / 3600.0:.3g} Ah of a full cell, in the cold and aged as the profile says, carry "
        f"{'load and leak at night' if system.night_leak_a else 'the load'} for {system.dark_days:.0f} dark days",
        f"empty days a year: {autonomy.empty_days:.1f}, 95 % of draws {autonomy.low_days:.1f} to "
        f"{autonomy.high_days:.1f}; never empty in {autonomy.never_empty:.0%} of them",
    ]
    worst = autonomy.worst_month
    lines.append(
        f"worst month {worst.name}: {worst.empty_days:.1f} empty days, charge down to {worst.lowest_share:.0%}, "
        f"sun less load {worst.balance_c:+.0f} C{f', {dirt:.0%} of the sun taken off for dirt' if dirt else ''}"
    )
    if with_months:
        lines += month_lines(autonomy)
    if sun.every_day.size < WHOLE_YEAR_DAYS:
        lines.append("note: less than a year; of the rest nothing is known, and a winter may be missing")
    lines += _course_lines(sun, system)
    return lines + _fix_lines(fix, is_enough=is_enough)


def _course_lines(sun: SunSeries, system: System) -> list[str]:
    """What an assumed course of each day leaves open."""
    names = [
        name
        for name, acts in (
            ("the charger's least power", system.least_w > 0.0),
            ("its limit", math.isfinite(system.most_charge_a)),
            ("the leak at night", system.night_leak_a > 0.0),
        )
        if acts
    ]
    if not sun.from_days or not names:
        return []
    return [
        f"note: the sun is given by the day, each spread as a half sine from 6 to 18 o'clock: {', '.join(names)} act "
        "on that, not on passing clouds and the true length of the day; give hours to have them count"
    ]


def month_lines(autonomy: Autonomy) -> list[str]:
    """A line for each month."""
    return [
        f"{'month':8} {'empty days':>10} {'lowest charge':>14} {'sun less load':>14}",
        *(
            f"{one.name:8} {one.empty_days:10.1f} {one.lowest_share:14.0%} {one.balance_c:12.0f} C"
            for one in autonomy.months
        ),
    ]


def _mean_kwh_m2(sun: SunSeries) -> float:
    return float(sun.steps_w_m2().mean()) * 24.0 / 1000.0


def _fix_lines(fix: Fix | None, *, is_enough: bool) -> list[str]:
    if fix is None:
        return [
            "no change is needed"
            if is_enough
            else "too many empty days, and the profile names no change (solar.options)"
        ]
    return [f"cheapest change: {fix.why}"] + [
        f"  {one.option.name}: costs {one.option.cost:g}, empty {one.result.empty_days:.1f} days a year "
        f"({one.result.low_days:.1f} to {one.result.high_days:.1f}), {'enough' if one.is_enough else 'not enough'}"
        for one in fix.tried
    ]
