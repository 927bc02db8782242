"""The profile's plan in the language of encoders: values at a point, margins, what the bench can set.

Owns which value each field of the payload has at a point of the sweep, and how closely a run looks at it. Must not
know instruments, nor what came back. A probe has no reference of its own: it is held against the temperature beside
the board, to the limit of the profile.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING, Final

from benchrig.payload.checks import LONGEST_BYTES
from benchrig.payload.encode import value_limits
from benchrig.payload.points import ValueRange
from benchrig.payload.proof import prove
from benchrig.payload.sight import NEVER_COMPARED

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from benchrig.board.profile import BoardProfile
    from benchrig.judge.decision import Limit
    from benchrig.payload.exact import Exact
    from benchrig.payload.fields import Field, Placed
    from benchrig.payload.points import Cell, Follow
    from benchrig.payload.proof import Proof

    Values = Mapping[str, float | str]

ROOM_C: Final = 20.0
"""Temperature of a bench for which nobody gave another one. Own choice."""
LOWEST_C: Final = -20.0
HIGHEST_C: Final = 60.0
"""What a freezer and a warm chamber reach, as further points are proposed. Own choice."""
_STEP_C: Final = 0.5
_STEP_V: Final = 0.003
"""Steps of further points. Own choice: a chamber is set to half degrees, and fewer voltages are searched sooner."""
_MILLIVOLT: Final = 0.001
_GOLDEN: Final = (5**0.5 - 1) / 2
_SPREAD: Final = 0.9


@dataclass(frozen=True, kw_only=True)
class PointPlan:
    """What `prove` and `explain` need to know of a profile: ranges, margins and the fields that a bench can set."""

    ranges: Mapping[str, ValueRange]
    margins: Mapping[str, float]
    follow: Follow


def values_at(
    profile: BoardProfile,
    *,
    battery_v: float,
    celsius: float | None,
    decoded: Values | None = None,
    length_bytes: int | None = None,
) -> dict[str, float | str]:
    """The values of every field at one point, as for `encode`: what the board said, at whatever temperature.

    The load is off, as in a sweep. A field that nothing in the profile explains has its value of `decoded`, what
    the frame itself says, and without a frame 0 or the nearest that it can carry. `length_bytes` is that of the
    frame, by default the shortest that has every field with a role.
    """
    given = dict(decoded or {})
    values: dict[str, float | str] = {}
    for one in _placed(profile, length_bytes):
        if one.field.kind == "flags":
            values |= _flags(profile, one, battery_v=battery_v, given=given)
        elif one.name == profile.roles.battery:
            values[one.name] = battery_v
        elif one.name in profile.roles.temperatures and celsius is not None:
            values[one.name] = celsius
        else:
            values[one.name] = given.get(one.name, _any_value(one.field))
    return values


def _flags(
    profile: BoardProfile, one: Placed, *, battery_v: float, given: Mapping[str, float | str]
) -> Iterator[tuple[str, float | str]]:
    rules = {rule.name: rule for rule in profile.payload_flags}
    for flag in one.field.flags.values():
        name = f"{one.name}.{flag}"
        rule = rules.get(name)
        yield name, given.get(name, 0.0) if rule is None else float(rule.expected(battery_v=battery_v))


def _placed(profile: BoardProfile, length_bytes: int | None) -> tuple[Placed, ...]:
    field_map = profile.field_map
    return field_map.placed(shortest_bytes(profile) if length_bytes is None else length_bytes)


def shortest_bytes(profile: BoardProfile) -> int:
    """Length of the shortest frame in which every field with a role has its place."""
    field_map, roles = profile.field_map, profile.roles
    wanted = {roles.battery, *roles.temperatures}
    for members in range(LONGEST_BYTES if field_map.open_group else 0):
        length = field_map.length_for(members)
        if wanted <= {one.name for one in field_map.placed(length)}:
            return length
    return field_map.least_bytes


def _any_value(field: Field) -> float:
    low, high = value_limits(field)
    return min(max(0.0, low), high)


def point_plan(profile: BoardProfile, *, length_bytes: int | None = None) -> PointPlan:
    """Ranges and margins of a profile, for frames of this length as in `values_at`."""
    placed = {one.name: one.field for one in _placed(profile, length_bytes)}
    ranges = dict(_ranges(profile, placed)) | dict(_flag_ranges(profile, placed))
    return PointPlan(ranges=ranges, margins=dict(_margins(profile, placed)), follow=_follow(profile, placed))


def _ranges(profile: BoardProfile, placed: Mapping[str, Field]) -> Iterator[tuple[str, ValueRange]]:
    volts, field = profile.sweep.points_v, placed.get(profile.roles.battery)
    if field is not None:
        yield profile.roles.battery, _range(field, min(volts), max(volts), _STEP_V)
    for name in profile.roles.temperatures:
        if name in placed:
            # a probe can be pulled out by hand; a sensor on the board cannot
            words = tuple(placed[name].invalid.values()) if name in profile.roles.probes else ()
            yield name, _range(placed[name], LOWEST_C, HIGHEST_C, _STEP_C, words)


def _range(field: Field, low: float, high: float, step: float, words: tuple[str, ...] = ()) -> ValueRange:
    """Values within the band in steps of our own, or in counts of the field where these are coarser."""
    least, most = value_limits(field)
    scale: Exact = field.scale if abs(float(field.exact_scale)) >= step else repr(step)
    start = min(max(low, least), most)
    return ValueRange(low=repr(start), high=repr(max(start, min(high, most))), step=str(scale).lstrip("-"), words=words)


def _flag_ranges(profile: BoardProfile, placed: Mapping[str, Field]) -> Iterator[tuple[str, ValueRange]]:
    """Flags with the load off and on; the others as they are at the last point of the sweep."""
    battery_v = min(profile.sweep.points_v)
    for name, field in placed.items():
        bits = {f"{name}.{flag}": 1 << bit for bit, flag in field.flags.items()}
        rules = {rule.name: rule for rule in profile.payload_flags if rule.name in bits}
        load = sum(bits[rule.name] for rule in rules.values() if rule.follows_load)
        if load:
            rest = sum(bits[rule.name] * rule.expected(battery_v=battery_v) for rule in rules.values())
            yield name, ValueRange(low=rest, high=rest + load, step=load)


def _follow(profile: BoardProfile, placed: Mapping[str, Field]) -> Follow:
    """Flags that go with the battery voltage of a further point."""
    low = [
        (name, 1 << bit, rule)
        for name, field in placed.items()
        for bit, flag in field.flags.items()
        for rule in profile.payload_flags
        if rule.name == f"{name}.{flag}" and rule.battery_below_v is not None
    ]

    def follow(cells: Mapping[str, Cell]) -> Mapping[str, Cell]:
        battery = cells.get(profile.roles.battery)
        followed: dict[str, Cell] = {}
        for name, bit, rule in low:
            pattern = followed.get(name, cells[name])
            if not isinstance(battery, str | None) and not isinstance(pattern, str):
                is_low = rule.expected(battery_v=float(battery))
                followed[name] = Fraction(int(pattern) & ~bit | bit * is_low)
        return followed

    return follow


def _margins(profile: BoardProfile, placed: Mapping[str, Field]) -> Iterator[tuple[str, float]]:
    """How far each field may be off before a check of the profile says so."""
    judged = {
        profile.roles.battery: ("payload_bytes", "battery_difference"),
        **dict.fromkeys(profile.roles.temperatures[:1], ("payload_bytes", "temperature_difference")),
        **dict.fromkeys(profile.roles.probes, ("temperature", "probe_error")),
    }
    ruled = {rule.name for rule in profile.payload_flags}
    for name, field in placed.items():
        if field.kind == "flags":
            flags = (f"{name}.{flag}" for flag in field.flags.values())
            yield from ((flag, NEVER_COMPARED) for flag in flags if flag not in ruled)
        elif name in judged:
            check, value = judged[name]
            yield name, _width(profile.limits.get(check, {}).get(value))
        else:
            yield name, NEVER_COMPARED


def _width(limit: Limit | None) -> float:
    """The larger side of a limit about zero; a side that is open lets everything pass."""
    if limit is None or limit.low is None or limit.high is None:
        return NEVER_COMPARED
    return max(abs(limit.low), abs(limit.high))


def planned_points(profile: BoardProfile, at_c: Sequence[float]) -> tuple[dict[str, float | str], ...]:
    """The values at every point of the planned sweep, up and down, at each temperature (degC) in turn."""
    points_v = sorted(profile.sweep.points_v)
    at = [(battery_v, celsius) for celsius in at_c for battery_v in (*points_v, *reversed(points_v))]
    volts = between_steps([battery_v for battery_v, _ in at])
    pairs = zip(volts, at, strict=True)
    return tuple(values_at(profile, battery_v=battery_v, celsius=celsius) for battery_v, (_, celsius) in pairs)


def between_steps(volts: Sequence[float]) -> list[float]:
    """Volts as a board measures them, when all that is known of them is whole millivolts.

    What a board measures lies anywhere within half a millivolt of what its console tells, so an encoder that cuts
    off instead of rounding is seen at about every second point; at whole millivolts it never would be. The parts
    of a millivolt are multiples of the golden ratio, which spread evenly.
    """
    return [round(one + _MILLIVOLT * _SPREAD * (index * _GOLDEN % 1.0 - 0.5), 7) for index, one in enumerate(volts, 1)]


def planned_proof(profile: BoardProfile, *, at_c: Sequence[float] = (ROOM_C,)) -> Proof:
    """What the planned sweep proves of the encoder, before any hardware. Raises ConfigError for an unfit plan."""
    plan = point_plan(profile)
    points = planned_points(profile, at_c)
    return prove(profile.field_map, points, ranges=plan.ranges, margins=plan.margins, follow=plan.follow)


def point_text(profile: BoardProfile, point: Values) -> str:
    """What to set for a further point, in words: "battery 4.002 V, temperature -20 degC, load on"."""
    placed = {one.name: one.field for one in _placed(profile, None)}
    names = (profile.roles.battery, *profile.roles.temperatures)
    told = [_told(name, point[name], placed[name].unit) for name in names if name in point and name in placed]
    return ", ".join([*told, *_load_words(profile, placed, point)])


def _told(name: str, value: float | str, unit: str) -> str:
    return f"{name} {value!r}" if isinstance(value, str) else f"{name} {value:.4g} {unit}"


def _load_words(profile: BoardProfile, placed: Mapping[str, Field], point: Values) -> list[str]:
    """Whether the board's load is on, where a flag would tell it."""
    for rule in profile.payload_flags:
        name, _, flag = rule.name.rpartition(".")
        bit = next((bit for bit, one in placed[name].flags.items() if one == flag), None) if name in placed else None
        pattern = point.get(name)
        if rule.follows_load and bit is not None and isinstance(pattern, int | float):
            return [f"load {'on' if int(pattern) >> bit & 1 else 'off'}"]
    return []
