"""Reads the profile's table `payload_roles`, and says which parts of a board a profile describes.

Owns what may be left out because a board does not have it, and which checks need it. A board without a thermometer
has no role and no question for one; a board without a load of its own has no question that switches one. Must not know
how a check works.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

from benchrig.board.payload_table import STAND_IN_MAP
from benchrig.board.profile_plans import PayloadRoles
from benchrig.payload.checks import LONGEST_BYTES

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from benchrig.board.air_table import AirPlan
    from benchrig.payload.field_map import FieldMap
    from benchrig.toml_reader import Section

_DEGC = "degC"


def read_roles(section: Section, field_map: FieldMap, *, has_temperature: bool) -> PayloadRoles:
    """Fields by their full names, in the unit of what the bench compares them with.

    Without `has_temperature` the board tells no temperature, so that nothing could be held against such a field.
    """
    units = {placed.name: placed.field.unit for placed in field_map.placed(LONGEST_BYTES)}
    known = () if field_map is STAND_IN_MAP else tuple(units)
    roles = PayloadRoles(
        battery=section.text("battery", accepted=known),
        temperature=section.text("temperature", accepted=known) if section.has("temperature") else None,
        probes=section.texts("probes", default=(), accepted=known),
    )
    for key, names, unit in (
        ("battery", (roles.battery,), "V"),
        ("temperature", (roles.temperature,), _DEGC),
        ("probes", roles.probes, _DEGC),
    ):
        for name in names:
            if name is not None and units.get(name, unit) != unit:
                section.problem(key, f"field {name!r} is in {units[name]!r}; accepted: a field in {unit!r}")
    if roles.temperature is None:
        _check_no_temperature(section, roles, units, has_temperature=has_temperature)
    section.finish(also_known=("temperature",))
    return roles


def _check_no_temperature(
    section: Section, roles: PayloadRoles, units: Mapping[str, str], *, has_temperature: bool
) -> None:
    if roles.probes:
        section.problem(
            "probes",
            f"{', '.join(roles.probes)}: a probe is held against the board's own temperature, and no field is named "
            "for that; give payload_roles.temperature, which may be one of these",
        )
    warm = [name for name, unit in units.items() if unit == _DEGC and name not in roles.probes]
    if warm and not has_temperature:
        section.problem(
            "temperature",
            f"the payload carries {', '.join(warm)} in {_DEGC}, and this profile describes no temperature, so that "
            "nothing would look at it; name the field here and give console.questions.temperature, or take it out of "
            "the payload",
        )


class Described(Protocol):
    """What must be known of a profile to say which parts it describes."""

    @property
    def has_temperature(self) -> bool: ...
    @property
    def has_load(self) -> bool: ...
    @property
    def air(self) -> AirPlan | None: ...
    @property
    def correction(self) -> object | None: ...
    @property
    def energy(self) -> object | None: ...
    @property
    def solar(self) -> object | None: ...
    @property
    def thresholds(self) -> object | None: ...
    @property
    def coming_back(self) -> object | None: ...
    @property
    def circuit(self) -> object | None: ...


@dataclass(frozen=True, slots=True)
class Part:
    """A part that a board may have: what it is, where a profile describes it, and the checks that need it."""

    what: str
    place: str
    checks: tuple[str, ...]
    is_described: Callable[[Described], bool]


PARTS: tuple[Part, ...] = (
    Part(
        "a temperature of its own", "console.questions.temperature", ("temperature",), lambda one: one.has_temperature
    ),
    Part(
        "a load that it switches",
        "console.questions.load_on and load_off, and table rail",
        ("rail",),
        lambda one: one.has_load,
    ),
    Part(
        "its radio",
        "table air",
        ("join", "uplink_hops", "downlink", "report_period", "join_backoff"),
        lambda one: one.air is not None,
    ),
    Part(
        "how it reports by itself",
        "table air.reports",
        ("report_period",),
        lambda one: one.air is not None and one.air.reports is not None,
    ),
    Part(
        "how it asks again to join",
        "table air.backoff",
        ("join_backoff",),
        lambda one: one.air is not None and one.air.backoff is not None,
    ),
    Part(
        "a pin that a downlink switches",
        "table air.pin",
        ("downlink",),
        lambda one: one.air is not None and one.air.pin is not None,
    ),
    Part("correction constants", "table correction", ("correction",), lambda one: one.correction is not None),
    Part("its cell and use", "table energy", ("energy",), lambda one: one.energy is not None),
    Part("a solar input", "table solar", (), lambda one: one.solar is not None),
    Part("where it fails and starts", "table thresholds", ("thresholds",), lambda one: one.thresholds is not None),
    Part("power interruptions", "table coming_back", ("coming_back",), lambda one: one.coming_back is not None),
    Part("its schematic", "table circuit", (), lambda one: one.circuit is not None),
)


def not_described(profile: Described) -> tuple[Part, ...]:
    """What the profile leaves out: either the board does not have it, or nobody looks at it."""
    return tuple(part for part in PARTS if not part.is_described(profile))


def lacking(profile: Described, check: str) -> str:
    """Why the board, as its profile describes it, cannot be checked like that; '' when it can."""
    for part in not_described(profile):
        if check in part.checks:
            return f"the profile describes no such part: {part.what} ({part.place})"
    return ""
