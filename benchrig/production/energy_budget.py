"""Puts what was measured and what the profile says of the cell together: a load, a battery, and what follows.

Owns the composition alone; the arithmetic is `judge.energy`. Must not know a bench, a journal or a page.
Charges of wakes, reports and receive windows count above the floor, which runs under everything; that of a
transmission alone is all that flows while it lasts. Inputs are taken as independent: errors that the readings of one
recorder share are small beside what is not known of a cell. Another spreading factor scales the transmission by its
time on air, and the first receive window by the symbol: it has the data rate of the uplink, as class A has it unless
the network orders an offset, while the second has one of its own (RP002-1.0.1).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, NamedTuple

from benchrig.judge.budget import Budget
from benchrig.judge.energy import (
    Battery,
    Estimate,
    Event,
    Life,
    Load,
    Report,
    WhatIf,
    ampere_hours,
    life,
    usable_share,
    what_if,
)
from benchrig.judge.radio_timing import SPREADING_FACTORS, RadioSettings
from benchrig.judge.uncertainty import Component

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from benchrig.board.energy_table import CellPlan, EnergyPlan
    from benchrig.run_plan import Found

NEEDED = ("floor_a", "wake_charge_c", "wake_period_s", "report_charge_c")
"""Without these there is no mean current, and so no life."""

USED = (
    *NEEDED,
    "sleep_mean_a",
    "transmit_charge_c",
    "transmit_duration_s",
    "receive_charge_c",
    "receive_duration_s",
    "spreading_factor",
)

_SHORTEST_PERIOD_S = 1e-6

_ROUNDED = 1e-3
"""Charges are given with three digits or more."""

_BEYOND = 2.0
"""A sleep that draws more than floor and wakes explain, by this many standard uncertainties, is counted as it is."""


@dataclass(frozen=True, slots=True, kw_only=True)
class EnergyBudget:
    """A board on its cell: the load with its reports, the life, what else was tried, and what to know about it.

    `rest` is the load without reports and `report` the model of one; None when nothing but its whole charge is known.
    """

    load: Load
    rest: Load
    battery: Battery
    life: Life
    report: Report | None
    tried: tuple[WhatIf, ...]
    notes: tuple[str, ...]

    @property
    def mean_budget(self) -> Budget:
        """Causes of the uncertainty of the mean current, in ampere."""
        floor = Component(
            "floor current", standard_uncertainty=self.load.floor_a.u, sensitivity=1.0 - self.load.busy_share
        )
        events = (
            Component(f"charge of {event.name}", standard_uncertainty=event.charge_c.u, sensitivity=1.0 / event.every_s)
            for event in self.load.events
        )
        return Budget((floor, *events), unit="A", value=self.load.mean_a)

    @property
    def life_budget(self) -> Budget:
        """Causes of the uncertainty of the life, in days, to first order."""
        return Budget(
            [
                Component(
                    one.name,
                    standard_uncertainty=one.u,
                    sensitivity=100.0 * one.days_per_percent / one.value if one.value else 0.0,
                )
                for one in self.life.shares
            ],
            unit="d",
            value=self.life.days,
        )


def missing(found: Mapping[str, Found]) -> tuple[str, ...]:
    """What is needed and was not found."""
    return tuple(name for name in NEEDED if name not in found)


def energy_budget(plan: EnergyPlan, found: Mapping[str, Found]) -> EnergyBudget:
    """The budget of a board of which everything `NEEDED` was found. Raises ValueError for what is no budget."""
    notes: list[str] = []
    rest = _rest(found, notes)
    _refuse_less_than_its_transmission(found)
    report = _report(plan, found)
    event = _report_event(plan, found, report, notes)
    battery = battery_of(plan.cell, peak_a=report.transmit_a.value if report else 0.0)
    load = replace(rest, events=(*rest.events, event))
    if report is None and plan.spreading_factors:
        notes.append("no other spreading factor can be tried: the charge of the transmission alone is not known")
    elif report is not None and plan.spreading_factors:
        notes.append(_of_windows(report))
    if not plan.cell.at_temperature:
        notes.append("no share is taken off for the cold: the profile has no at_temperature")
    return EnergyBudget(
        load=load,
        rest=rest,
        battery=battery,
        life=life(load, battery),
        report=report,
        tried=what_if(rest, battery, report, periods_s=plan.periods_s, spreading_factors=plan.spreading_factors)
        if report
        else (),
        notes=tuple(notes),
    )


def battery_of(cell: CellPlan, *, peak_a: float) -> Battery:
    """The cell in the cold, down to its cut-off under a peak current. Raises ValueError."""
    tables = {"temperature_table": cell.at_temperature} if cell.at_temperature else {}
    usable = usable_share(
        temperature_degc=cell.temperature_degc,
        resting_table=cell.at_rest,
        cutoff_v=cell.cutoff_v,
        peak_a=peak_a,
        source_ohm=cell.source_ohm,
        **tables,
    )
    if usable == 0.0:
        raise ValueError(
            f"at {cell.temperature_degc:g} degC and a cut-off of {cell.cutoff_v:g} V nothing of the cell can be used; "
            "look at energy.cell"
        )
    return Battery(
        capacity_c=ampere_hours(cell.capacity_ah, u=cell.capacity_u_ah),
        usable=Estimate(usable, u=cell.usable_u),
        self_discharge_per_month=Estimate(cell.self_discharge_per_month, u=cell.self_discharge_u_per_month),
    )


def load_at(budget: EnergyBudget, *, every_s: float | None, spreading_factor: int | None) -> Load:
    """The load with another report period or spreading factor. Raises ValueError when it cannot be known."""
    if spreading_factor is not None:
        if budget.report is None:
            raise ValueError(f"spreading factor {spreading_factor} cannot be reckoned: no transmission was measured")
        report = replace(budget.report, spreading_factor=spreading_factor, every_s=every_s or budget.report.every_s)
        return replace(budget.rest, events=(*budget.rest.events, report.event()))
    if every_s is None:
        return budget.load
    *others, report_event = budget.load.events
    return replace(budget.load, events=(*others, replace(report_event, every_s=every_s)))


class _Unexplained(NamedTuple):
    current_a: float
    u: float


def _estimate(found: Found) -> Estimate:
    """Below 0 nothing can flow: a floor that noise puts there is none."""
    value = max(found.value, 0.0)
    return Estimate(value, u=found.standard_uncertainty if value else 0.0)


def _of_nothing(found: Mapping[str, Found]) -> Iterator[str]:
    """What came out at 0 or below by its noise: how little it is for certain, the budget does not know."""
    for name in ("floor_a", "wake_charge_c", "report_charge_c"):
        one = found[name]
        if one.value <= 0.0 < one.standard_uncertainty:
            yield (
                f"{name} is {one.value:.3g} {one.unit} with a standard uncertainty of {one.standard_uncertainty:.3g} "
                f"{one.unit}: counted as exactly 0"
            )


def _rest(found: Mapping[str, Found], notes: list[str]) -> Load:
    floor = _estimate(found["floor_a"])
    notes.extend(_of_nothing(found))
    wake, period = found["wake_charge_c"], found["wake_period_s"]
    if not period.value >= _SHORTEST_PERIOD_S:
        raise ValueError(f"a wake period of {period.value!r} s; accepted: above 0, {_SHORTEST_PERIOD_S:g} s or more")
    relative_u = math.hypot(
        wake.standard_uncertainty / wake.value if wake.value > 0.0 else 0.0, period.standard_uncertainty / period.value
    )
    charge = Estimate(max(wake.value, 0.0), u=max(wake.value, 0.0) * relative_u)
    events = [Event(name="wake", charge_c=charge, duration_s=0.0, every_s=period.value)]
    more = _unexplained(found, floor, events[0])
    if more:
        events.append(
            Event(
                name="what else sleep draws",
                charge_c=Estimate(more.current_a * period.value, u=more.u * period.value),
                duration_s=0.0,
                every_s=period.value,
            )
        )
        notes.append(
            f"asleep it draws {more.current_a * 1e6:.2f} uA more than floor and wakes explain: counted, and not known"
        )
    return Load(floor_a=floor, events=tuple(events))


def _unexplained(found: Mapping[str, Found], floor: Estimate, wake: Event) -> _Unexplained | None:
    mean = found.get("sleep_mean_a")
    if mean is None:
        return None
    more_a = mean.value - floor.value - wake.charge_c.value / wake.every_s
    u = math.hypot(mean.standard_uncertainty, floor.u, wake.charge_c.u / wake.every_s)
    return _Unexplained(more_a, u) if more_a > _BEYOND * u and more_a > 0.0 else None


def _report(plan: EnergyPlan, found: Mapping[str, Found]) -> Report | None:
    """One report split into its transmission, its first receive window, and all the rest of it."""
    burst, duration, whole = (
        found.get(name) for name in ("transmit_charge_c", "transmit_duration_s", "report_charge_c")
    )
    if burst is None or duration is None or whole is None or not (burst.value > 0.0 and duration.value > 0.0):
        return None
    current_a = burst.value / duration.value
    relative_u = math.hypot(burst.standard_uncertainty / burst.value, duration.standard_uncertainty / duration.value)
    listen_a, symbols, listen_c = _listening(plan, found)
    # the floor that the burst holds is no part of the whole, which counts above it
    floor_c = max(found["floor_a"].value, 0.0) * duration.value
    rest_c = max(whole.value - (burst.value - floor_c) - listen_c, 0.0)
    # the whole holds burst and window, so what is not known of them must not count twice
    known = burst.standard_uncertainty**2 + (listen_a.u * listen_c / listen_a.value if listen_c else 0.0) ** 2
    rest_u = math.sqrt(max(whole.standard_uncertainty**2 - known, 0.0))
    return Report(
        every_s=plan.report_period_s,
        spreading_factor=plan.spreading_factor,
        phy_payload_bytes=plan.phy_payload_bytes,
        transmit_a=Estimate(current_a, u=current_a * relative_u),
        rest_c=Estimate(rest_c, u=rest_u if rest_c else 0.0),
        listen_a=listen_a,
        listen_symbols=symbols,
    )


def _refuse_less_than_its_transmission(found: Mapping[str, Found]) -> None:
    """A whole report holds its transmission: else one of both was read wrong, or its unit was. Raises ValueError."""
    whole, burst, duration = (
        found.get(name) for name in ("report_charge_c", "transmit_charge_c", "transmit_duration_s")
    )
    if whole is None or burst is None or duration is None:
        return
    least_c = burst.value - max(found["floor_a"].value, 0.0) * duration.value
    u_c = math.hypot(whole.standard_uncertainty, burst.standard_uncertainty)
    if whole.value < least_c * (1.0 - _ROUNDED) - _BEYOND * u_c:
        raise ValueError(
            f"report_charge_c is {whole.value:.6g} C, less than its own transmission draws above the floor, "
            f"{least_c:.6g} C of transmit_charge_c; accepted: as much or more; look at both, and at their units"
        )


def _listening(plan: EnergyPlan, found: Mapping[str, Found]) -> tuple[Estimate, float, float]:
    """Current of the first receive window above the floor, its symbols, its charge; nothing if it was not measured."""
    charge, duration = found.get("receive_charge_c"), found.get("receive_duration_s")
    if charge is None or duration is None or not (charge.value > 0.0 and duration.value > 0.0):
        return Estimate(0.0), 0.0, 0.0
    seen = found.get("spreading_factor")
    factor = round(seen.value) if seen is not None else plan.spreading_factor
    if factor not in SPREADING_FACTORS:
        return Estimate(0.0), 0.0, 0.0
    current_a = charge.value / duration.value
    relative_u = math.hypot(charge.standard_uncertainty / charge.value, duration.standard_uncertainty / duration.value)
    symbols = duration.value / RadioSettings(factor).symbol_s
    return Estimate(current_a, u=current_a * relative_u), symbols, charge.value


def _of_windows(report: Report) -> str:
    """What another spreading factor is reckoned to do to the receive windows."""
    if report.listen_symbols:
        return (
            "another spreading factor: the first receive window listens for as many of its symbols as were measured, "
            f"{report.listen_symbols:.1f}; the second has a data rate of its own and stays as it is"
        )
    return (
        "another spreading factor: only the transmission is scaled; both receive windows are kept as they were, so "
        "that a slower one costs more than this"
    )


def _report_event(plan: EnergyPlan, found: Mapping[str, Found], report: Report | None, notes: list[str]) -> Event:
    """The report as it was measured, or, in the field at another spreading factor, as it follows from that."""
    seen = found.get("spreading_factor")
    if seen is None or round(seen.value) == plan.spreading_factor or report is None:
        if seen is not None and round(seen.value) != plan.spreading_factor:
            notes.append(f"reports are reckoned at the measured spreading factor {seen.value:.0f}")
        return Event(
            name="report",
            charge_c=_estimate(found["report_charge_c"]),
            duration_s=0.0,
            every_s=plan.report_period_s,
        )
    notes.append(
        f"measured at spreading factor {seen.value:.0f}, reckoned at {plan.spreading_factor} by the time on air"
    )
    return report.event()
