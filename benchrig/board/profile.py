"""The board profile: what this board must be. TOML in, checked value objects out.

Owns the meaning of `fixtures/boards/*.toml`: absolute maxima, identity, console grammar, payload field map,
the plan of each procedure, limits with their source and decision rule, required checks for each use. The
file is read as a whole and every problem is told at once. Knows nothing of instruments.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from benchrig.board.checks import CHECKS, USES
from benchrig.board.payload_table import read_field_map
from benchrig.errors import ConfigError
from benchrig.judge.decision import RULES, Limit
from benchrig.protocol.console import Checksum, Grammar, Question
from benchrig.quantity import base_unit, to_base
from benchrig.toml_reader import nearest, read_toml

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from benchrig.payload.field_map import FieldMap
    from benchrig.toml_reader import Section

NEEDED_QUESTIONS = ("identity", "battery", "temperature", "load_on", "load_off", "frame", "report", "sleep")
NEEDED_NOTICES = ("boot", "woke", "report_done")
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
    """The window around one uplink."""

    window_s: float
    interval_s: float


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
    own_checks = top.texts("own_checks", default=())
    console = _need(top, "console")
    field_map = read_field_map(_need(top, "payload"))
    profile = BoardProfile(
        path=path,
        name=top.text("name"),
        summary=top.text("summary", default="", empty=True),
        region=top.text("region", default="EU868", accepted=REGIONS),
        maximum_voltage_v=maximum_v,
        maximum_current_a=maximum_a,
        power=_power(_need(top, "power"), maximum_v, maximum_a),
        first_touch=_first_touch(_need(top, "first_touch"), maximum_v, maximum_a),
        identity=_identity(_need(top, "identity")),
        baud=console.integer("baud", default=115200, at_least=300, at_most=4_000_000),
        grammar=_grammar(console),
        checksum=_checksum(console),
        question_attempts=console.integer("attempts", default=3, at_least=1, at_most=10),
        converter=_converter(_need(top, "converter")),
        field_map=field_map,
        roles=_roles(_need(top, "payload_roles"), field_map),
        modem_frame=_modem_frame(_need(top, "modem")),
        sweep=_sweep(_need(top, "sweep"), maximum_v),
        rail=_rail(_need(top, "rail"), maximum_v),
        sleep=_sleep(_need(top, "sleep")),
        transmit=_transmit(_need(top, "transmit")),
        limits=_limits(top, own_checks),
        required=_required(top, own_checks),
        own_checks=own_checks,
        takes_s=_takes(top),
    )
    console.finish()
    top.finish()
    return profile


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
    if not plan.short_below_v < plan.reversed_below_v < plan.voltage_v:
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


def _grammar(console: Section) -> Grammar:
    questions = []
    for name, section in console.sections("questions"):
        questions.append(
            Question(
                name=name,
                send=section.text("send"),
                answers=(section.pattern("answer").pattern,),
                timeout_s=section.number("timeout_s", default=0.5, above=0.0, at_most=600.0),
            )
        )
        section.finish()
    _check_named(console, "questions", [question.name for question in questions], NEEDED_QUESTIONS)
    notices = _notices(console)
    problems = len(console.problems)
    try:
        return Grammar(
            questions=tuple(questions),
            notices=notices,
            resets=("boot",) if "boot" in notices else (),
            sync="identity" if any(question.name == "identity" for question in questions) else "",
            line_end=console.text("line_end", default="\n", accepted=("\n", "\r", "\r\n")),
        )
    except ConfigError as wrong:
        if len(console.problems) == problems:  # else each key was already told with its place
            for problem in wrong.problems:
                console.problem("questions", problem)
        return Grammar(questions=())


def _notices(console: Section) -> dict[str, str]:
    section = console.section("notices")
    if section is None:
        return {}
    notices = {name: section.pattern(name).pattern for name in section.names()}
    _check_named(console, "notices", list(notices), NEEDED_NOTICES)
    return notices


def _check_named(console: Section, key: str, found: list[str], needed: tuple[str, ...]) -> None:
    for name in needed:
        if name not in found:
            console.problem(f"{key}.{name}", f"this entry is missing{nearest(name, found)}".replace("known", "here"))


def _checksum(console: Section) -> Checksum | None:
    section = console.section("checksum", required=False)
    if section is None:
        return None
    crc, separator = section.text("crc"), section.text("separator", default="*")
    on_commands = section.boolean("on_commands", default=True)
    section.finish()
    try:
        return Checksum(crc=crc, separator=separator, on_commands=on_commands)
    except ConfigError as wrong:
        section.problem("", wrong.message)
        return None


def _converter(section: Section) -> ConverterPlan:
    plan = ConverterPlan(
        volts_per_count=section.number("volts_per_count", above=0.0),
        top_code=section.integer("top_code", at_least=1, at_most=2**24),
    )
    section.finish()
    return plan


def _roles(section: Section, field_map: FieldMap) -> PayloadRoles:
    known = tuple(placed.name for placed in field_map.placed(field_map.least_bytes))
    roles = PayloadRoles(
        battery=section.text("battery", accepted=known),
        temperature=section.text("temperature", accepted=known),
        probes=section.texts("probes", default=(), accepted=known),
    )
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
    pattern = section.pattern("frame")
    for group in ("port", "payload"):
        if group not in pattern.groupindex and pattern.pattern:
            section.problem("frame", f"the pattern has no group (?P<{group}>...)")
    section.finish()
    return pattern.pattern


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
    )
    section.finish()
    return plan


def _limits(top: Section, own_checks: tuple[str, ...]) -> dict[str, dict[str, Limit]]:
    known = (*CHECKS, *own_checks)
    limits: dict[str, dict[str, Limit]] = {}
    for check, values in top.sections("limits"):
        if check not in known:
            values.problem("", f"unknown check{nearest(check, known)}; known: {', '.join(known)}")
            continue
        limits[check] = {}
        for value in values.names():
            section = values.section(value)
            limit = _limit(section, check, value) if section else None
            if limit:
                limits[check][value] = limit
    return limits


def _limit(section: Section, check: str, value: str) -> Limit | None:
    before = len(section.problems)
    unit = section.text("unit")
    _check_value(section, check, value, unit)
    low, high = section.optional_number("low"), section.optional_number("high")
    if low is None and high is None and len(section.problems) == before:
        section.problem("", "a limit has low, high or both")
    if low is not None and high is not None and low > high:
        section.problem("low", f"{low:g} is above high = {high:g}")
    source = section.text("source")
    rule = section.text("rule", default="guarded", accepted=tuple(RULES))
    section.finish()
    if len(section.problems) > before:
        return None
    return Limit(
        name=value,
        unit=base_unit(unit)[0],
        low=None if low is None else to_base(low, unit)[0],
        high=None if high is None else to_base(high, unit)[0],
        source=source,
        rule=rule,
    )


def _check_value(section: Section, check: str, value: str, unit: str) -> None:
    """The value must be one that the check measures, and the unit one of its quantity."""
    if check in CHECKS:
        values = CHECKS[check].values
        if value not in values:
            known = ", ".join(values) or "none"
            section.problem("", f"this check measures no such value{nearest(value, tuple(values))}; known: {known}")
            return
        expected = values[value]
    else:
        expected = ""
    if not unit:
        return
    try:
        base = base_unit(unit)[0]
    except ValueError as wrong:
        section.problem("unit", str(wrong))
        return
    if expected and base != expected:
        section.problem("unit", f"{unit!r} is a unit of another quantity; accepted: {expected}, with an SI prefix")


def _required(top: Section, own_checks: tuple[str, ...]) -> dict[str, tuple[str, ...]]:
    section = _need(top, "required")
    known = (*CHECKS, *own_checks)
    required = {use: section.texts(use, default=(), accepted=known) for use in USES}
    if not any(required.values()) and section.names():
        section.problem("", f"no use requires any check; name them for: {', '.join(USES)}")
    section.finish()
    return required
