"""The lines "energy and life" of a report: what draws from the cell, how long it lasts, what that rests on.

Owns the layout. Numbers come from `judge.energy`; nothing here is judged.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from benchrig.judge.energy import DAY_S, MONTH_S, YEAR_S
from benchrig.quantity import format_quantity

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from benchrig.judge.budget import Expanded
    from benchrig.judge.energy import Battery, Life, Load, WhatIf

TITLE = "energy and life"

_LEAST_SHARE = 0.001
"""Inputs that make less of the spread than this are not worth a line."""

_DAYS_PER_YEAR = YEAR_S / DAY_S


def energy_lines(
    load: Load, battery: Battery, life: Life, *, mean: Expanded, tried: Sequence[WhatIf] = (), notes: Iterable[str] = ()
) -> list[str]:
    """The whole annex; `mean` is the expanded uncertainty of the mean current."""
    sections = (_load_lines(load, life), _life_lines(battery, life, mean), _share_lines(life), _tried_lines(tried))
    return [line for section in sections for line in section] + [f"note: {note}" for note in notes]


def _load_lines(load: Load, life: Life) -> list[str]:
    rows = [("floor", "", "", load.floor_a.value * (1.0 - load.busy_share))]
    rows += [
        (
            event.name,
            format_quantity(event.charge_c.value, "C"),
            f"{event.every_s:.5g} s",
            event.charge_c.value / event.every_s,
        )
        for event in load.events
    ]
    rows.append(("self-discharge", "", "", life.self_discharge_a))
    whole_a = life.mean_a + life.self_discharge_a
    lines = [f"{'what draws':22} {'each':>10} {'every':>10} {'a day':>10} {'mean':>10} {'share':>7}"]
    lines += [
        f"{name:22} {each:>10} {every:>10} {format_quantity(mean_a * DAY_S, 'C'):>10} "
        f"{format_quantity(mean_a, 'A'):>10} {mean_a / whole_a:7.1%}"
        for name, each, every, mean_a in rows
    ]
    return lines


def _life_lines(battery: Battery, life: Life, mean: Expanded) -> list[str]:
    capacity_ah, usable = battery.capacity_c.value / 3600.0, battery.usable.value
    lost = battery.capacity_c.value * battery.self_discharge_per_month.value / MONTH_S
    return [
        f"average current ({life.mean_a * 1e6:.2f} ± {mean.uncertainty * 1e6:.2f}) µA, "
        f"and self-discharge of {lost * 1e6:.2f} µA; {capacity_ah:.4g} Ah, {usable:.1%} of it can be used",
        f"life {life.days:.0f} d, {life.coverage:.0%} between {life.low_days:.0f} d and {life.high_days:.0f} d "
        f"({life.low_days / _DAYS_PER_YEAR:.2f} to {life.high_days / _DAYS_PER_YEAR:.2f} years)",
    ]


def _share_lines(life: Life) -> list[str]:
    told = [one for one in life.shares if one.share >= _LEAST_SHARE]
    if not told:
        return ["no input has an uncertainty, so the life has none: give the cell's"]
    lines = [f"{'what the spread comes from':30} {'share':>7}   1 % more of it is"]
    lines += [f"{one.name:30} {one.share:7.1%} {one.days_per_percent:+12.2f} d" for one in told]
    return lines


def _tried_lines(tried: Sequence[WhatIf]) -> list[str]:
    if not tried:
        return []
    lines = ["what if: report every, spreading factor, average current, life"]
    lines += [
        f"{one.every_s:9.6g} s  SF{one.spreading_factor:<2} {one.life.mean_a * 1e6:9.2f} µA {one.life.days:7.0f} d, "
        f"{one.life.low_days:.0f} d to {one.life.high_days:.0f} d"
        for one in tried
    ]
    return lines
