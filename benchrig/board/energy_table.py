"""Reads the profile's table `energy`: how often the board reports, the cell that feeds it, and what else to reckon.

Owns what the table may say. Must not know what was measured, nor the sun. Currents and charges are not in it:
those are measured; what stands here is taken from the profile and said so in the report.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from benchrig.judge.radio_timing import FRAME_OVERHEAD_BYTES, LONGEST_FRAME_BYTES, SPREADING_FACTORS

if TYPE_CHECKING:
    from benchrig.toml_reader import Section

Points = tuple[tuple[float, float], ...]

_EVERYDAY_DEGC = 20.0

_SMALLEST_CELL_AH, _LARGEST_CELL_AH = 1e-6, 1e4
_SHORTEST_PERIOD_S, _LONGEST_PERIOD_S = 1.0, 366.0 * 86400.0
_HIGHEST_CUTOFF_V = 1e3
_LARGEST_OHM = 1e6
_HOTTEST_DEGC = 1e3
_POINTS = {"degc": (-100.0, _HOTTEST_DEGC), "volts": (0.0, _HIGHEST_CUTOFF_V)}
"""Beyond these it is a slip of the keyboard or of the unit, and no cell of a board. Own choice."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CellPlan:
    """The cell by its data sheet: ampere-hours, shares from 0 to 1, and standard uncertainties (`_u`).

    `temperature_degc` is what it must live at. `at_temperature` is (degC, share of the capacity), `at_rest`
    (resting volts, share still in it); either may be empty. The board stops at `cutoff_v`, less the drop of its
    transmission across `source_ohm`.
    """

    capacity_ah: float
    capacity_u_ah: float
    usable_u: float
    self_discharge_per_month: float
    self_discharge_u_per_month: float
    cutoff_v: float
    source_ohm: float
    temperature_degc: float
    at_temperature: Points
    at_rest: Points


@dataclass(frozen=True, slots=True, kw_only=True)
class EnergyPlan:
    """How the board is used: a report every so many seconds, by this spreading factor; and what else to try."""

    report_period_s: float
    spreading_factor: int
    phy_payload_bytes: int
    cell: CellPlan
    periods_s: tuple[float, ...]
    spreading_factors: tuple[int, ...]


def read_energy(top: Section, *, payload_bytes: int) -> EnergyPlan | None:
    """The plan, or None where a profile has none. A frame is `payload_bytes` and its overhead unless told."""
    section = top.section("energy", required=False)
    if section is None:
        return None
    frame_bytes = min(LONGEST_FRAME_BYTES, payload_bytes + FRAME_OVERHEAD_BYTES)
    tries = section.section("what_if", required=False)
    plan = EnergyPlan(
        report_period_s=section.number("report_period_s", at_least=_SHORTEST_PERIOD_S, at_most=_LONGEST_PERIOD_S),
        spreading_factor=section.integer("spreading_factor", at_least=7, at_most=12),
        phy_payload_bytes=section.integer(
            "phy_payload_bytes", default=frame_bytes, at_least=1, at_most=LONGEST_FRAME_BYTES
        ),
        cell=_cell(section.section("cell") or type(section)({}, file=section.file, path="energy.cell", problems=[])),
        periods_s=_periods_s(tries) if tries else (),
        spreading_factors=_factors(tries) if tries else (),
    )
    if tries:
        tries.finish()
    section.finish()
    return plan


def _periods_s(tries: Section) -> tuple[float, ...]:
    periods_s = tries.numbers("report_periods_s")
    for period_s in periods_s:
        if not _SHORTEST_PERIOD_S <= period_s <= _LONGEST_PERIOD_S:
            tries.problem(
                "report_periods_s", f"{period_s:g} s: a period is above 0, accepted: {_SHORTEST_PERIOD_S:g} s to a year"
            )
    return periods_s


def _factors(tries: Section) -> tuple[int, ...]:
    numbers = tries.numbers("spreading_factors")
    for number in numbers:
        if number not in SPREADING_FACTORS:
            tries.problem("spreading_factors", f"{number:g} is no spreading factor; accepted: 7 to 12")
    return tuple(int(number) for number in numbers)


def _cell(section: Section) -> CellPlan:
    plan = CellPlan(
        capacity_ah=section.number("capacity_ah", at_least=_SMALLEST_CELL_AH, at_most=_LARGEST_CELL_AH),
        capacity_u_ah=section.number("capacity_u_ah", at_least=0.0, at_most=_LARGEST_CELL_AH),
        usable_u=section.number("usable_u", default=0.0, at_least=0.0, at_most=1.0),
        self_discharge_per_month=section.number("self_discharge_per_month", at_least=0.0, at_most=1.0),
        self_discharge_u_per_month=section.number("self_discharge_u_per_month", default=0.0, at_least=0.0, at_most=1.0),
        cutoff_v=section.number("cutoff_v", default=0.0, at_least=0.0, at_most=_HIGHEST_CUTOFF_V),
        source_ohm=section.number("source_ohm", default=0.0, at_least=0.0, at_most=_LARGEST_OHM),
        temperature_degc=section.number(
            "temperature_degc", default=_EVERYDAY_DEGC, above=-273.15, at_most=_HOTTEST_DEGC
        ),
        at_temperature=_points(section, "at_temperature", "degc"),
        at_rest=_rising_shares(section, "at_rest", _points(section, "at_rest", "volts")),
    )
    if plan.self_discharge_per_month == 0.0 and plan.self_discharge_u_per_month > 0.0:
        section.problem("self_discharge_u_per_month", "what is 0 and never below has no uncertainty; accepted: 0")
    _check_temperature(section, plan)
    section.finish()
    return plan


def _points(section: Section, key: str, what: str) -> Points:
    """An array of tables, each with a rising quantity and the share that goes with it."""
    points = []
    for one in section.listed(key, required=False):
        least, most = _POINTS[what]
        points.append((one.number(what, at_least=least, at_most=most), one.number("share", at_least=0.0, at_most=1.0)))
        one.finish()
    if any(not math.isfinite(number) for point in points for number in point):
        return ()  # told already; a stand-in must not be told again
    if len(points) == 1 or any(one[0] >= two[0] for one, two in itertools.pairwise(points)):
        section.problem(key, f"{what} is {', '.join(f'{x:g}' for x, _ in points)}; accepted: two or more, rising")
        return ()
    return tuple(points)


def _rising_shares(section: Section, key: str, points: Points) -> Points:
    """The more volts at rest, the more is in a cell: a table in which the share stands or falls is written wrong."""
    if any(one[1] >= two[1] for one, two in itertools.pairwise(points)):
        shares = ", ".join(f"{share:g}" for _, share in points)
        section.problem(key, f"share is {shares}; accepted: rising with volts, since it is what is still in the cell")
        return ()
    return points


def _check_temperature(section: Section, plan: CellPlan) -> None:
    """Outside of the table nothing is known, and nothing is guessed."""
    if not plan.at_temperature or not math.isfinite(plan.temperature_degc):
        return
    low, high = plan.at_temperature[0][0], plan.at_temperature[-1][0]
    if not low <= plan.temperature_degc <= high:
        section.problem(
            "temperature_degc", f"{plan.temperature_degc:g} degC is outside of at_temperature, {low:g} to {high:g} degC"
        )
