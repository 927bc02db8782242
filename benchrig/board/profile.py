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
from benchrig.board.console_table import LOAD_QUESTIONS, questions_of, read_checksum, read_grammar
from benchrig.board.correction_table import read_correction
from benchrig.board.energy_table import read_energy
from benchrig.board.limit_table import read_limits, read_required
from benchrig.board.modem_table import read_modem
from benchrig.board.payload_flags_table import read_payload_flags
from benchrig.board.payload_table import read_field_map
from benchrig.board.profile_agreement import (
    check_current_limits,
    check_divider,
    check_frame_length,
    check_full_scale,
    check_load,
    check_parts,
    check_probes,
    check_temperature_limit,
)
from benchrig.board.profile_plans import RailPlan
from benchrig.board.profile_roles import lacking, read_roles
from benchrig.board.profile_tables import (
    MOST_AMPERES,
    MOST_VOLTS,
    read_converter,
    read_first_touch,
    read_identity,
    read_power,
    read_rail,
    read_sleep,
    read_sweep,
    read_times,
    read_transmit,
)
from benchrig.board.readings_table import read_readings
from benchrig.board.requirements_table import read_requirements
from benchrig.board.solar_table import read_solar
from benchrig.board.thresholds_table import read_thresholds
from benchrig.errors import ConfigError
from benchrig.protocol.at_rules import AtRules
from benchrig.toml_reader import read_toml

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from benchrig.board.air_table import AirPlan
    from benchrig.board.coming_back_table import ComingBackPlan
    from benchrig.board.correction_table import CorrectionPlan
    from benchrig.board.energy_table import EnergyPlan
    from benchrig.board.payload_flags_table import FlagRule
    from benchrig.board.profile_plans import (
        BoardTimes,
        ConverterPlan,
        FirstTouchPlan,
        IdentityPlan,
        PayloadRoles,
        PowerPlan,
        SleepPlan,
        SweepPlan,
        TransmitPlan,
    )
    from benchrig.board.readings_table import ReadingsPlan
    from benchrig.board.solar_table import SolarPlan
    from benchrig.board.thresholds_table import ThresholdsPlan
    from benchrig.judge.circuit_parts import CircuitPlan
    from benchrig.judge.decision import Limit
    from benchrig.payload.field_map import FieldMap
    from benchrig.protocol.console import Checksum, Grammar
    from benchrig.records import RequirementNamed
    from benchrig.toml_reader import Section

REGIONS = ("EU868", "US915")


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
    modem_rules: AtRules = field(default_factory=AtRules)
    requirements: tuple[RequirementNamed, ...] = ()

    @property
    def has_temperature(self) -> bool:
        """Whether the board can be asked for its own temperature."""
        return any(one.name == "temperature" for one in self.grammar.questions)

    @property
    def has_load(self) -> bool:
        """Whether the board can be told to switch a load on its rail."""
        return LOAD_QUESTIONS.issubset(one.name for one in self.grammar.questions)

    def title(self, check: str) -> str:
        """What a report calls a check."""
        return CHECKS[check].title if check in CHECKS else check.replace("_", " ")


def read_board_profile(path: Path) -> BoardProfile:
    """Read and check a profile. Raises ConfigError with every problem at once."""
    return read_toml(path, what="board profile", build=lambda top: _profile(top, path))


def _refuse_bench_file(top: Section, path: Path) -> None:
    """A bench file in place of a board profile is one mistake, and no list of unknown keys."""
    if top.has("slots") and not top.has("maxima"):
        raise ConfigError(
            f"board profile {path}: this is a bench file, it has [slots] and no [maxima]; give the profile that they "
            "name (slots.N.profile)"
        )


def _profile(top: Section, path: Path) -> BoardProfile:
    _refuse_bench_file(top, path)
    top.integer("schema", at_least=1, at_most=1)
    maxima = _need(top, "maxima")
    maximum_v = maxima.number("voltage_v", above=0.0, at_most=MOST_VOLTS)
    maximum_a = maxima.number("current_a", above=0.0, at_most=MOST_AMPERES)
    maxima.finish()
    own_checks = _own_checks(top)
    console = _need(top, "console")
    asked, roles = questions_of(console), _need(top, "payload_roles")
    field_map = read_field_map(_need(top, "payload"))
    identity = read_identity(_need(top, "identity"))
    converter = read_converter(_need(top, "converter"))
    sleep = read_sleep(_need(top, "sleep"))
    modem = read_modem(_need(top, "modem"))
    energy = read_energy(top, payload_bytes=field_map.least_bytes)
    profile = BoardProfile(
        path=path,
        name=top.text("name"),
        summary=top.text("summary", default="", empty=True),
        region=top.text("region", default="EU868", accepted=REGIONS),
        maximum_voltage_v=maximum_v,
        maximum_current_a=maximum_a,
        power=read_power(_need(top, "power"), maximum_v, maximum_a),
        first_touch=read_first_touch(_need(top, "first_touch"), maximum_v, maximum_a),
        identity=identity,
        baud=console.integer("baud", default=115200, at_least=300, at_most=4_000_000),
        grammar=read_grammar(console, has_image=bool(identity.image), sends_temperature=roles.has("temperature")),
        checksum=read_checksum(console),
        question_attempts=console.integer("attempts", default=3, at_least=1, at_most=10),
        converter=converter,
        field_map=field_map,
        roles=read_roles(roles, field_map, has_temperature="temperature" in asked),
        modem_frame=modem.hand_over,
        modem_rules=modem,
        sweep=read_sweep(_need(top, "sweep"), maximum_v, volts_per_count=converter.volts_per_count),
        rail=_rail(top, maximum_v, has_load=bool(LOAD_QUESTIONS & asked)),
        sleep=sleep,
        transmit=read_transmit(_need(top, "transmit")),
        readings=read_readings(top),
        limits=read_limits(top, own_checks),
        required=read_required(top, own_checks),
        own_checks=own_checks,
        takes_s=read_times(top),
        circuit=read_circuit(top, wake_period_s=sleep.wake_period_s, payload_bytes=field_map.length_bytes or 0),
        energy=energy,
        correction=read_correction(top, maximum_v=maximum_v),
        solar=read_solar(top, energy=energy),
        thresholds=read_thresholds(top, maximum_v=maximum_v),
        coming_back=read_coming_back(top, maximum_v=maximum_v),
        payload_flags=read_payload_flags(top, field_map),
        air=read_air(top, maximum_v=maximum_v),
        requirements=read_requirements(top, own_checks),
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


def _rail(top: Section, maximum_v: float, *, has_load: bool) -> RailPlan:
    """A board that switches no load needs no plan for its rail under load."""
    if not has_load and not top.has("rail"):
        return RailPlan(points_v=(), load_a=0.0, settle_s=0.0)
    return read_rail(_need(top, "rail"), maximum_v)


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
    check_temperature_limit(top, profile.limits, sends_temperature=profile.roles.temperature is not None)
    check_current_limits(top, profile.limits, maximum_a=profile.maximum_current_a)
    following = [rule.name for rule in profile.payload_flags if rule.follows_load]
    check_load(top, following, profile.limits, has_load=profile.has_load)
    check_parts(top, profile.required, lambda check: lacking(profile, check))
    check_frame_length(top, profile.transmit.phy_payload_bytes, field_map=profile.field_map)
    check_divider(top, profile.converter.volts_per_count, plan=profile.circuit)


def _need(top: Section, key: str) -> Section:
    """A table that must be there; an empty stand-in keeps the reading going so that the rest is checked too."""
    return top.section(key) or type(top)({}, file=top.file, path=key, problems=[])
