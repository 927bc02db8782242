"""The board profile: what this board must be. TOML in, checked value objects out.

Owns the meaning of `fixtures/boards/*.toml`: absolute maxima, identity, console grammar, payload field map,
the plan of each procedure, limits with their source and decision rule, required checks for each use. The
file is read as a whole and every problem is told at once. Knows nothing of instruments.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from benchrig.board.air_table import read_air
from benchrig.board.checks import CHECKS
from benchrig.board.circuit_table import read_circuit
from benchrig.board.coming_back_table import read_coming_back
from benchrig.board.console_table import pattern_with, read_checksum, read_grammar
from benchrig.board.correction_table import read_correction
from benchrig.board.energy_table import read_energy
from benchrig.board.limit_table import read_limits, read_required
from benchrig.board.payload_flags_table import read_payload_flags
from benchrig.board.payload_table import STAND_IN_MAP, read_field_map
from benchrig.board.profile_agreement import check_divider, check_frame_length, check_full_scale, check_probes
from benchrig.board.readings_table import read_readings
from benchrig.board.solar_table import read_solar
from benchrig.board.thresholds_table import read_thresholds
from benchrig.payload.checks import LONGEST_BYTES
from benchrig.toml_reader import read_toml

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from benchrig.board.air_table import AirPlan
    from benchrig.board.coming_back_table import ComingBackPlan
    from benchrig.board.correction_table import CorrectionPlan
    from benchrig.board.energy_table import EnergyPlan
    from benchrig.board.payload_flags_table import FlagRule
    from benchrig.board.readings_table import ReadingsPlan
    from benchrig.board.solar_table import SolarPlan
    from benchrig.board.thresholds_table import ThresholdsPlan
    from benchrig.judge.circuit_parts import CircuitPlan
    from benchrig.judge.decision import Limit
    from benchrig.payload.field_map import FieldMap
    from benchrig.protocol.console import Checksum, Grammar
    from benchrig.toml_reader import Section

REGIONS = ("EU868", "US915")


@dataclass(frozen=True)
class PowerPlan:
    """How the board is powered: nominal and limits for every check after the first touch."""

    nominal_v: float
    current_limit_a: float
    protection_v: float
    off_below_v: float
    off_within_s: float


@dataclass(frozen=True)
class FirstTouchPlan:
    """The low-limit touch: what counts as short, reversed and open."""

    voltage_v: float
    current_limit_a: float
    inrush_s: float
    short_below_v: float
    reversed_below_v: float
    open_below_a: float


@dataclass(frozen=True)
class IdentityPlan:
    """What the board must say of itself; the serial number comes from the label."""

    firmware: str
    image: str
    boot_s: float


@dataclass(frozen=True)
class ConverterPlan:
    """The battery divider and converter as designed: volts at the terminals for one count, and the top code."""

    volts_per_count: float
    top_code: int


@dataclass(frozen=True)
class SweepPlan:
    """Battery voltages of the sweep (V), up then down, and the settling of the divider after each step."""

    points_v: tuple[float, ...]
    settle_s: float
    terminal_tolerance_v: float


@dataclass(frozen=True)
class RailPlan:
    """Battery voltages (V) at which the rail is measured under the board's own load (A, about)."""

    points_v: tuple[float, ...]
    load_a: float
    settle_s: float


@dataclass(frozen=True)
class SleepPlan:
    """The window for the floor current: so many whole wake periods."""

    wake_period_s: float
    wake_periods: int
    fall_asleep_s: float
    interval_s: float


@dataclass(frozen=True)
class TransmitPlan:
    """The window around one uplink, and how its frame is modulated.

    `spreading_factor` None: it is told, not judged. `phy_payload_bytes` None: what the board announces, and 13 bytes.
    """

    window_s: float
    interval_s: float
    spreading_factor: int | None = None
    bandwidth_hz: int = 125_000
    coding_rate: int = 5
    phy_payload_bytes: int | None = None


@dataclass(frozen=True)
class BoardTimes:
    """The board's own times as designed (s): the floor under any bench's speed. For reports, never for verdicts."""

    boot: float
    battery: float
    frame: float
    temperature: float
    power_down: float


@dataclass(frozen=True)
class PayloadRoles:
    """Which fields of the payload carry what the bench can measure: battery, temperature, further probes."""

    battery: str
    temperature: str
    probes: tuple[str, ...]


@dataclass(frozen=True)
class BoardProfile:
    """A whole profile."""

    path: Path
    name: str
    summary: str
    region: str
    maximum_voltage_v: float
    maximum_current_a: float
    power: PowerPlan
    first_touch: FirstTouchPlan
    identity: IdentityPlan
    baud: int
    grammar: Grammar
    checksum: Checksum | None
    question_attempts: int
    converter: ConverterPlan
    field_map: FieldMap
    roles: PayloadRoles
    modem_frame: str
    sweep: SweepPlan
    rail: RailPlan
    sleep: SleepPlan
    transmit: TransmitPlan
    limits: Mapping[str, Mapping[str, Limit]]
    required: Mapping[str, tuple[str, ...]]
    own_checks: tuple[str, ...]
    takes_s: BoardTimes | None
    circuit: CircuitPlan | None
    energy: EnergyPlan | None = None
    correction: CorrectionPlan | None = None
    readings: Mapping[str, Mapping[str, ReadingsPlan]] = field(default_factory=dict)
    solar: SolarPlan | None = None
    thresholds: ThresholdsPlan | None = None
    coming_back: ComingBackPlan | None = None
    payload_flags: tuple[FlagRule, ...] = ()
    air: AirPlan | None = None

    def title(self, check: str) -> str:
        """What a report calls a check."""
        return CHECKS[check].title if check in CHECKS else check.replace("_", " ")


def read_board_profile(path: Path) -> BoardProfile:
    """Read and check a profile. Raises ConfigError with every problem at once."""
    return read_toml(path, what="board profile", build=lambda top: _profile(top, path))


def _profile(top: Section, path: Path) -> BoardProfile:
    top.integer("schema", at_least=1, at_most=1)
    maxima = _need(top, "maxima")
    maximum_v = maxima.number("voltage_v", above=0.0)
    maximum_a = maxima.number("current_a", above=0.0)
    maxima.finish()
    own_checks = _own_checks(top)
    console = _need(top, "console")
    field_map = read_field_map(_need(top, "payload"))
    identity = _identity(_need(top, "identity"))
    sleep = _sleep(_need(top, "sleep"))
    energy = read_energy(top, payload_bytes=field_map.least_bytes)
    profile = BoardProfile(
        path=path,
        name=top.text("name"),
        summary=top.text("summary", default="", empty=True),
        region=top.text("region", default="EU868", accepted=REGIONS),
        maximum_voltage_v=maximum_v,
        maximum_current_a=maximum_a,
        power=_power(_need(top, "power"), maximum_v, maximum_a),
        first_touch=_first_touch(_need(top, "first_touch"), maximum_v, maximum_a),
        identity=identity,
        baud=console.integer("baud", default=115200, at_least=300, at_most=4_000_000),
        grammar=read_grammar(console, has_image=bool(identity.image)),
        checksum=read_checksum(console),
        question_attempts=console.integer("attempts", default=3, at_least=1, at_most=10),
        converter=_converter(_need(top, "converter")),
        field_map=field_map,
        roles=_roles(_need(top, "payload_roles"), field_map),
        modem_frame=_modem_frame(_need(top, "modem")),
        sweep=_sweep(_need(top, "sweep"), maximum_v),
        rail=_rail(_need(top, "rail"), maximum_v),
        sleep=sleep,
        transmit=_transmit(_need(top, "transmit")),
        readings=read_readings(top),
        limits=read_limits(top, own_checks),
        required=read_required(top, own_checks),
        own_checks=own_checks,
        takes_s=_takes(top),
        circuit=read_circuit(top, wake_period_s=sleep.wake_period_s, payload_bytes=field_map.length_bytes or 0),
        energy=energy,
        correction=read_correction(top, maximum_v=maximum_v),
        solar=read_solar(top, energy=energy),
        thresholds=read_thresholds(top, maximum_v=maximum_v),
        coming_back=read_coming_back(top, maximum_v=maximum_v),
        payload_flags=read_payload_flags(top, field_map),
        air=read_air(top, maximum_v=maximum_v),
    )
    console.finish()
    top.finish()
    _check_protection(top, profile)
    _check_agreement(top, profile)
    return profile


def _own_checks(top: Section) -> tuple[str, ...]:
    own_checks = top.texts("own_checks", default=())
    for name in own_checks:
        if name in CHECKS:
            top.problem("own_checks", f"{name!r} is a check of the shipped suites; give yours another name")
    return own_checks


def _check_protection(top: Section, profile: BoardProfile) -> None:
    """A supply that trips at a voltage of the plan would look like a board that fails."""
    protection_v = profile.power.protection_v
    plan = {
        "power.nominal_v": (profile.power.nominal_v,),
        "first_touch.voltage_v": (profile.first_touch.voltage_v,),
        "sweep.points_v": profile.sweep.points_v,
        "rail.points_v": profile.rail.points_v,
    }
    highest_v = {key: max(volts, default=math.nan) for key, volts in plan.items()}
    trips = [
        f"{key} ({volts:g} V)" for key, volts in highest_v.items() if protection_v <= volts <= profile.maximum_voltage_v
    ]
    if trips:
        top.problem("power.protection_v", f"{protection_v:g} V is not above {', '.join(trips)}")


def _check_agreement(top: Section, profile: BoardProfile) -> None:
    """What one table says, no other may contradict."""
    correction, air = profile.correction, profile.air
    check_full_scale(
        top,
        {
            "sweep.points_v": profile.sweep.points_v,
            "correction.verify_points_v": correction.verify_points_v if correction else (),
            "air.points_v": air.points_v if air else (),
        },
        top_code=profile.converter.top_code,
        volts_per_count=profile.converter.volts_per_count,
        maximum_v=profile.maximum_voltage_v,
    )
    check_probes(top, profile.limits, probes=profile.roles.probes)
    check_frame_length(top, profile.transmit.phy_payload_bytes, field_map=profile.field_map)
    check_divider(top, profile.converter.volts_per_count, plan=profile.circuit)


def _need(top: Section, key: str) -> Section:
    """A table that must be there; an empty stand-in keeps the reading going so that the rest is checked too."""
    return top.section(key) or type(top)({}, file=top.file, path=key, problems=[])


def _at_most(section: Section, key: str, maximum: float, unit: str) -> float:
    """A number above 0 that the absolute maxima allow."""
    value = section.number(key, above=0.0)
    _check_maximum(section, key, value, maximum, unit)
    return value


def _check_maximum(section: Section, key: str, value: float, maximum: float, unit: str) -> None:
    if value > maximum:
        section.problem(key, f"{value:g} {unit} is above the absolute maximum of {maximum:g} {unit} (table maxima)")


def _power(section: Section, maximum_v: float, maximum_a: float) -> PowerPlan:
    plan = PowerPlan(
        nominal_v=_at_most(section, "nominal_v", maximum_v, "V"),
        current_limit_a=_at_most(section, "current_limit_a", maximum_a, "A"),
        protection_v=_at_most(section, "protection_v", maximum_v, "V"),
        off_below_v=section.number("off_below_v", default=0.2, above=0.0),
        off_within_s=section.number("off_within_s", default=5.0, above=0.0),
    )
    section.finish()
    return plan


def _first_touch(section: Section, maximum_v: float, maximum_a: float) -> FirstTouchPlan:
    plan = FirstTouchPlan(
        voltage_v=_at_most(section, "voltage_v", maximum_v, "V"),
        current_limit_a=_at_most(section, "current_limit_a", maximum_a, "A"),
        inrush_s=section.number("inrush_s", above=0.0, at_most=10.0),
        short_below_v=section.number("short_below_v", default=0.3, above=0.0),
        reversed_below_v=section.number("reversed_below_v", default=1.2, above=0.0),
        open_below_a=section.number("open_below_a", above=0.0),
    )
    steps_v = (plan.short_below_v, plan.reversed_below_v, plan.voltage_v)
    if not steps_v[0] < steps_v[1] < steps_v[2] and all(map(math.isfinite, steps_v)):
        section.problem("", "accepted: short_below_v < reversed_below_v < voltage_v")
    section.finish()
    return plan


def _identity(section: Section) -> IdentityPlan:
    plan = IdentityPlan(
        firmware=section.text("firmware"),
        image=section.text("image", default="", empty=True),
        boot_s=section.number("boot_s", above=0.0, at_most=600.0),
    )
    section.finish()
    return plan


def _converter(section: Section) -> ConverterPlan:
    plan = ConverterPlan(
        volts_per_count=section.number("volts_per_count", above=0.0),
        top_code=section.integer("top_code", at_least=1, at_most=2**24),
    )
    section.finish()
    return plan


def _roles(section: Section, field_map: FieldMap) -> PayloadRoles:
    """Fields by their full names, in the unit of what the bench compares them with."""
    units = {placed.name: placed.field.unit for placed in field_map.placed(LONGEST_BYTES)}
    known = () if field_map is STAND_IN_MAP else tuple(units)
    roles = PayloadRoles(
        battery=section.text("battery", accepted=known),
        temperature=section.text("temperature", accepted=known),
        probes=section.texts("probes", default=(), accepted=known),
    )
    for key, names, unit in (
        ("battery", (roles.battery,), "V"),
        ("temperature", (roles.temperature,), "degC"),
        ("probes", roles.probes, "degC"),
    ):
        for name in names:
            if units.get(name, unit) != unit:
                section.problem(key, f"field {name!r} is in {units[name]!r}; accepted: a field in {unit!r}")
    section.finish()
    return roles


def _takes(top: Section) -> BoardTimes | None:
    section = top.section("takes_s", required=False)
    if section is None:
        return None
    times = BoardTimes(
        **{
            name: section.number(name, default=0.0, at_least=0.0)
            for name in ("boot", "battery", "frame", "temperature", "power_down")
        }
    )
    section.finish()
    return times


def _modem_frame(section: Section) -> str:
    """The pattern of the line that hands a frame to the modem; it must name `port` and `payload`."""
    pattern = pattern_with(section, "frame", ("port", "payload"))
    section.finish()
    return pattern


def _sweep(section: Section, maximum_v: float) -> SweepPlan:
    points_v = _points(section, maximum_v, at_least=3)
    plan = SweepPlan(
        points_v=points_v,
        settle_s=section.number("settle_s", above=0.0, at_most=600.0),
        terminal_tolerance_v=section.number("terminal_tolerance_v", default=0.05, above=0.0),
    )
    section.finish()
    return plan


def _points(section: Section, maximum_v: float, *, at_least: int) -> tuple[float, ...]:
    points_v = section.numbers("points_v")
    for point in points_v:
        _check_maximum(section, "points_v", point, maximum_v, "V")
        if point <= 0.0:
            section.problem("points_v", f"{point:g} V: a sweep point is above 0")
    if points_v and len(set(points_v)) < at_least:
        section.problem("points_v", f"{len(set(points_v))} different points; at least {at_least} are needed")
    return points_v


def _rail(section: Section, maximum_v: float) -> RailPlan:
    plan = RailPlan(
        points_v=_points(section, maximum_v, at_least=1),
        load_a=section.number("load_a", above=0.0),
        settle_s=section.number("settle_s", default=0.02, above=0.0, at_most=600.0),
    )
    section.finish()
    return plan


def _sleep(section: Section) -> SleepPlan:
    plan = SleepPlan(
        wake_period_s=section.number("wake_period_s", above=0.0),
        wake_periods=section.integer("wake_periods", default=3, at_least=1, at_most=1000),
        fall_asleep_s=section.number("fall_asleep_s", default=0.1, at_least=0.0),
        interval_s=section.number("interval_s", default=0.001, above=0.0),
    )
    section.finish()
    return plan


def _transmit(section: Section) -> TransmitPlan:
    plan = TransmitPlan(
        window_s=section.number("window_s", above=0.0, at_most=3600.0),
        interval_s=section.number("interval_s", default=0.0001, above=0.0),
        spreading_factor=_optional_integer(section, "spreading_factor", at_least=7, at_most=12),
        bandwidth_hz=section.integer("bandwidth_hz", default=125_000, at_least=7_800, at_most=1_000_000),
        coding_rate=section.integer("coding_rate", default=5, at_least=5, at_most=8),
        phy_payload_bytes=_optional_integer(section, "phy_payload_bytes", at_least=12, at_most=255),
    )
    section.finish()
    return plan


def _optional_integer(section: Section, key: str, *, at_least: int, at_most: int) -> int | None:
    return section.integer(key, at_least=at_least, at_most=at_most) if section.has(key) else None
