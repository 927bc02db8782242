"""Reads the profile's table `air`: how the board is made to join and report over its radio, and what switches its pin.

Owns what the table may say, and that the console knows how to ask for a join. Must not know gateways, brokers or keys:
those are the bench's. The table may be absent: then the checks of the air say that none is planned.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from benchrig.toml_reader import nearest

if TYPE_CHECKING:
    from benchrig.toml_reader import Section

JOIN, PIN = "join", "pin"
"""Questions of the console: `join` begins a join, `pin` (if the board knows it) tells `switched`, how often."""
JOINED = "joined"
"""Notice with the group `outcome`: one of the words of `air.joined_words` when the board took the answer."""
_FIRST_PORT, _LAST_PORT = 1, 223


@dataclass(frozen=True, slots=True, kw_only=True)
class PinPlan:
    """Commands down on a port. The pin is on above `threshold_v`, unless it `is_low_active`; limits judge how far.

    After a downlink the board gets `settle_s` to obey.
    """

    port: int
    on: bytes
    off: bytes
    threshold_v: float
    is_low_active: bool
    settle_s: float

    def is_on(self, volts: float) -> bool:
        """Whether a pin at these volts is switched on."""
        return (volts > self.threshold_v) is not self.is_low_active


@dataclass(frozen=True, slots=True, kw_only=True)
class AirPlan:
    """How the air is tried.

    A join, its windows included, is over after `join_s`; an uplink after `uplink_s`, and what was handed over is heard
    within that. Each may be tried `tries` times: the air itself may lose frames. `points_v` are battery voltages of
    the uplinks. A pin is switched where `pin` says how.
    """

    join_s: float
    uplink_s: float
    tries: int
    joined_words: tuple[str, ...]
    points_v: tuple[float, ...]
    pin: PinPlan | None


def read_air(top: Section, *, maximum_v: float) -> AirPlan | None:
    """The plan, None when the table is absent. No voltage may be above `maximum_v`."""
    section = top.section("air", required=False)
    if section is None:
        return None
    pin = section.section("pin", required=False)
    plan = AirPlan(
        join_s=section.number("join_s", default=10.0, above=0.0, at_most=600.0),
        uplink_s=section.number("uplink_s", default=5.0, above=0.0, at_most=600.0),
        tries=section.integer("tries", default=3, at_least=1, at_most=20),
        joined_words=section.texts("joined_words", default=("accepted",)),
        points_v=_points(section, maximum_v),
        pin=_pin(pin) if pin else None,
    )
    _check_console(top)
    section.finish()
    return plan


def _points(section: Section, maximum_v: float) -> tuple[float, ...]:
    points_v = section.numbers("points_v")
    for point_v in points_v:
        if point_v <= 0.0 or point_v > maximum_v:
            section.problem(
                "points_v",
                f"{point_v:g} V; accepted: above 0 V, up to the absolute maximum of {maximum_v:g} V (table maxima)",
            )
    if not points_v:
        section.problem("points_v", "no voltage; uplinks at two or more show that the bytes follow")
    return points_v


def _pin(section: Section) -> PinPlan:
    plan = PinPlan(
        port=section.integer("port", at_least=_FIRST_PORT, at_most=_LAST_PORT),
        on=_bytes(section, "on"),
        off=_bytes(section, "off"),
        threshold_v=section.number("threshold_v", above=0.0),
        is_low_active=section.boolean("low_active", default=False),
        settle_s=section.number("settle_s", default=0.05, at_least=0.0, at_most=60.0),
    )
    if plan.on == plan.off and plan.on:
        section.problem("off", f"{plan.off.hex()!r} is what switches on, too; accepted: other bytes")
    section.finish()
    return plan


def _bytes(section: Section, key: str) -> bytes:
    text = section.text(key)
    try:
        return bytes.fromhex(text)
    except ValueError:
        section.problem(key, f"{text!r} is no row of hexadecimal digits in pairs, such as '01'")
        return b""


def _check_console(top: Section) -> None:
    """The console must know how to begin a join, and say how it went. What is wrong in an entry is told elsewhere."""
    console = top.raw("console")
    if not isinstance(console, dict):
        return
    for table, name, group in (("questions", JOIN, ""), ("notices", JOINED, "outcome")):
        entries = console.get(table)
        if not isinstance(entries, dict):
            continue
        place = f"console.{table}.{name}"
        if name not in entries:
            top.problem(place, f"this entry is missing: table air needs it{nearest(name, list(entries))}")
        elif group and f"(?P<{group}>" not in str(entries[name]):
            top.problem(place, f"the pattern has no group (?P<{group}>...)")
    _check_pin(top, console.get("questions"))


def _check_pin(top: Section, questions: object) -> None:
    """The question is of use only when it counts."""
    question = questions.get(PIN) if isinstance(questions, dict) else None
    if isinstance(question, dict) and "(?P<switched>" not in str(question.get("answer", "")):
        top.problem(f"console.questions.{PIN}.answer", "the pattern has no group (?P<switched>...)")
