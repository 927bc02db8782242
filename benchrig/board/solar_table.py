"""Reads the profile's table `solar`: panel and charger, where the sun comes from, and what could be changed.

Owns what the table may say. Must not know how irradiance is read or reckoned: it names a file, or a place.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from benchrig.board.energy_table import EnergyPlan
    from benchrig.toml_reader import Section

MONTHS = 12

_LEAST_W, _MOST_W = 1e-5, 1000.0
_MOST_A, _MOST_LEAK_A = 100.0, 1.0
"""A panel of a battery node: from a cell for indoor light to what a roof has; common practice, no source."""
_LEAST_AH, _MOST_AH = 1e-5, 1e4
_SHORTEST_PERIOD_S, _LONGEST_PERIOD_S = 1.0, 366.0 * 86_400.0
"""An uplink's own windows take two seconds; a board that reports less than once a year reports nothing."""
_MOST_COST = 1e9


@dataclass(frozen=True, slots=True, kw_only=True)
class SunPlace:
    """Where a panel stands, for irradiance from a model of the sky. Angles in degrees, azimuth 0 = north, 90 = east.

    `clearness` is, for each month, the share of a clear sky's irradiance that comes through. `dull_days` at the
    end of each month have only `dull_share` of it, and the others so much more: it is the run of dull days that
    empties a cell, and a mean knows none. `horizon` is (azimuth, elevation of what stands there), azimuth rising.
    """

    latitude_deg: float
    longitude_deg: float
    altitude_m: float
    tilt_deg: float
    azimuth_deg: float
    albedo: float
    year: int
    clearness: tuple[float, ...]
    dull_days: int
    dull_share: float
    horizon: tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class SolarOption:
    """A change that could be made, and its cost in any currency; None leaves a thing as it is."""

    name: str
    cost: float
    panel_w: float | None
    capacity_ah: float | None
    report_period_s: float | None
    spreading_factor: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class SolarPlan:
    """Panel, charger and spreads, as `judge.autonomy` explains them; exactly one of `series` and `place` is given."""

    panel_w: float
    efficiency: float
    battery_v: float
    least_w: float
    most_charge_a: float
    night_leak_a: float
    start_share: float | None
    restart_share: float
    dirt: float
    dirt_u: float
    ageing: float
    ageing_u: float
    missing_days_are_dark: bool
    most_empty_days: float
    series: Path | None
    place: SunPlace | None
    options: tuple[SolarOption, ...]


def read_solar(top: Section, *, energy: EnergyPlan | None) -> SolarPlan | None:
    """The plan, or None where a profile has none. It needs the cell of the table `energy`."""
    section = top.section("solar", required=False)
    if section is None:
        return None
    if energy is None and not top.has("energy"):
        section.problem("", "the table energy is missing: the cell and the load of a solar year stand there")
    plan = SolarPlan(
        panel_w=section.number("panel_w", at_least=_LEAST_W, at_most=_MOST_W),
        efficiency=section.number("efficiency", at_least=0.01, at_most=1.0),
        battery_v=section.number("battery_v", at_least=0.1, at_most=60.0),
        least_w=section.number("least_w", default=0.0, at_least=0.0, at_most=_MOST_W),
        most_charge_a=section.number("most_charge_a", default=math.inf, at_least=1e-6, at_most=_MOST_A),
        night_leak_a=section.number("night_leak_a", default=0.0, at_least=0.0, at_most=_MOST_LEAK_A),
        start_share=section.number("start_share", at_least=0.0, at_most=1.0) if section.has("start_share") else None,
        restart_share=section.number("restart_share", default=0.0, at_least=0.0, at_most=1.0),
        dirt=section.number("dirt", default=0.0, at_least=0.0, at_most=0.99),
        dirt_u=section.number("dirt_u", default=0.0, at_least=0.0, at_most=1.0),
        ageing=section.number("ageing", default=0.0, at_least=0.0, at_most=0.99),
        ageing_u=section.number("ageing_u", default=0.0, at_least=0.0, at_most=1.0),
        missing_days_are_dark=section.boolean("missing_days_are_dark", default=False),
        most_empty_days=section.number("most_empty_days", default=0.0, at_least=0.0, at_most=366.0),
        series=_series(section),
        place=_place(section),
        options=tuple(_option(one) for one in section.listed("options", required=False)),
    )
    if section.has("series") == section.has("place"):
        section.problem("", "accepted: either series, a file of irradiance, or place, where the panel stands")
    section.finish()
    return plan


def _series(section: Section) -> Path | None:
    """A file named beside the profile, or by its whole path."""
    name = section.text("series") if section.has("series") else ""
    return Path(section.file).parent / name if name else None


def _option(section: Section) -> SolarOption:
    option = SolarOption(
        name=section.text("name"),
        cost=section.number("cost", at_least=0.0, at_most=_MOST_COST),
        panel_w=_changed(section, "panel_w", _LEAST_W, _MOST_W),
        capacity_ah=_changed(section, "capacity_ah", _LEAST_AH, _MOST_AH),
        report_period_s=_changed(section, "report_period_s", _SHORTEST_PERIOD_S, _LONGEST_PERIOD_S),
        spreading_factor=section.integer("spreading_factor", at_least=7, at_most=12)
        if section.has("spreading_factor")
        else None,
    )
    section.finish()
    return option


def _changed(section: Section, key: str, least: float, most: float) -> float | None:
    return section.number(key, at_least=least, at_most=most) if section.has(key) else None


def _place(section: Section) -> SunPlace | None:
    inner = section.section("place", required=False)
    if inner is None:
        return None
    place = SunPlace(
        latitude_deg=inner.number("latitude_deg", at_least=-90.0, at_most=90.0),
        longitude_deg=inner.number("longitude_deg", at_least=-180.0, at_most=180.0),
        altitude_m=inner.number("altitude_m", default=0.0, at_least=-500.0, at_most=9000.0),
        tilt_deg=inner.number("tilt_deg", at_least=0.0, at_most=90.0),
        azimuth_deg=inner.number("azimuth_deg", at_least=0.0, at_most=360.0),
        albedo=inner.number("albedo", default=0.2, at_least=0.0, at_most=1.0),
        year=inner.integer("year", default=2025, at_least=1950, at_most=2050),
        clearness=_clearness(inner),
        dull_days=inner.integer("dull_days", default=0, at_least=0, at_most=27),
        dull_share=inner.number("dull_share", default=0.1, at_least=0.0, at_most=1.0),
        horizon=_horizon(inner),
    )
    inner.finish()
    return place


def _clearness(section: Section) -> tuple[float, ...]:
    shares = section.numbers("clearness")
    if shares and len(shares) != MONTHS:
        section.problem("clearness", f"{len(shares)} numbers; accepted: {MONTHS}, from January on")
    strange = [f"{share:g}" for share in shares if not 0.0 <= share <= 1.0]
    if strange:
        section.problem("clearness", f"{', '.join(strange)}: no share of a clear sky; accepted: 0 to 1")
    return shares


def _horizon(section: Section) -> tuple[tuple[float, float], ...]:
    points = []
    for one in section.listed("horizon", required=False):
        azimuth_deg = one.number("azimuth_deg", at_least=0.0, at_most=360.0)
        points.append((azimuth_deg, one.number("elevation_deg", at_least=0.0, at_most=90.0)))
        one.finish()
    azimuths = [azimuth for azimuth, _ in points]
    if all(map(math.isfinite, azimuths)) and azimuths != sorted(set(azimuths)):
        section.problem("horizon", f"azimuth_deg is {', '.join(f'{one:g}' for one in azimuths)}; accepted: rising")
    return tuple(points)
