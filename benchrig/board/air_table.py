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
KEEP_JOINING = "join_keep"
"""Question that has the board ask to join until it is answered."""
REPORT_EVERY = "report_every"
"""Question that has the board report by itself; its {seconds} are the period."""
JOINED = "joined"
"""Notice with the group `outcome`: one of the words of `air.joined_words` when the board took the answer."""
AFTER_RESET = ("off", "on", "kept")
"""How a pin may be after a power cut; `kept` is as it was before."""
_FIRST_PORT, _LAST_PORT = 1, 223
_MOST_VOLTS = 60.0
"""Of a pin: what is beyond needs other protection (IEC 61140, from memory)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PinPlan:
    """Commands down on a port. The pin is on above `threshold_v`, unless it `is_low_active`; limits judge how far.

    After a downlink the board gets `settle_s` to obey. `unknown` is a command on this port that means nothing, None
    to leave that out; `other_port` is one on which the same bytes mean nothing. `after_reset` is how the pin is then.
    """

    port: int
    on: bytes
    off: bytes
    threshold_v: float
    is_low_active: bool
    settle_s: float
    unknown: bytes | None = None
    other_port: int = 0
    after_reset: str = "off"

    def is_on(self, volts: float) -> bool:
        """Whether a pin at these volts is switched on."""
        return (volts > self.threshold_v) is not self.is_low_active


@dataclass(frozen=True, slots=True, kw_only=True)
class BackoffPlan:
    """How long requests to join are counted while nobody answers, and how many power cuts come after that.

    A board that does not join `by_itself` after a start is told to by its console.
    """

    window_s: float
    power_cuts: int
    by_itself: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportsPlan:
    """Reports that the board sends by itself: after which time each, and how many are waited for after the first.

    A board that does not begin `by_itself` after a start is told to by its console.
    """

    period_s: float
    count: int
    by_itself: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class AirPlan:
    """How the air is tried.

    A join, its windows included, is over after `join_s`; an uplink after `uplink_s`, and what was handed over is heard
    within that. Each may be tried `tries` times: the air itself may lose frames. `points_v` are battery voltages of
    the uplinks. A pin is switched where `pin` says how. `windows` are the receive windows in which joins are answered
    in turn, and in which "on" and "off" go down. `power_cuts` lie between joins. `confirmed`: what uplinks are.
    """

    join_s: float
    uplink_s: float
    tries: int
    joined_words: tuple[str, ...]
    points_v: tuple[float, ...]
    pin: PinPlan | None
    windows: tuple[int, int] = (1, 2)
    power_cuts: int = 1
    confirmed: bool = False
    backoff: BackoffPlan | None = None
    reports: ReportsPlan | None = None


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
        windows=_windows(section),
        power_cuts=section.integer("power_cuts", default=1, at_least=1, at_most=10),
        confirmed=section.boolean("confirmed", default=False),
        backoff=_backoff(section),
        reports=_reports(section),
    )
    told = ((KEEP_JOINING, plan.backoff), (REPORT_EVERY, plan.reports))
    _check_console(top, tuple(name for name, one in told if one is not None and not one.by_itself))
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


def _backoff(air: Section) -> BackoffPlan | None:
    section = air.section("backoff", required=False)
    if section is None:
        return None
    plan = BackoffPlan(
        window_s=section.number("window_s", above=0.0, at_most=200_000.0),
        power_cuts=section.integer("power_cuts", default=1, at_least=0, at_most=10),
        by_itself=section.boolean("by_itself", default=False),
    )
    section.finish()
    return plan


def _reports(air: Section) -> ReportsPlan | None:
    section = air.section("reports", required=False)
    if section is None:
        return None
    plan = ReportsPlan(
        period_s=section.number("period_s", above=0.0, at_most=86_400.0),
        count=section.integer("count", default=4, at_least=2, at_most=1000),
        by_itself=section.boolean("by_itself", default=False),
    )
    section.finish()
    return plan


def _windows(section: Section) -> tuple[int, int]:
    """Two of class A: the first and the second, in any order, or one of them twice."""
    found = section.numbers("windows", default=(1.0, 2.0))
    if len(found) != 2 or any(one not in (1.0, 2.0) for one in found):
        section.problem("windows", f"{[*found]}; accepted: two receive windows, each 1 or 2, such as [1, 2]")
        return (1, 2)
    return round(found[0]), round(found[1])


def _pin(section: Section) -> PinPlan:
    port = section.integer("port", at_least=_FIRST_PORT, at_most=_LAST_PORT)
    plan = PinPlan(
        port=port,
        on=_bytes(section, "on"),
        off=_bytes(section, "off"),
        threshold_v=section.number("threshold_v", above=0.0, at_most=_MOST_VOLTS),
        is_low_active=section.boolean("low_active", default=False),
        settle_s=section.number("settle_s", default=0.05, at_least=0.0, at_most=60.0),
        unknown=_bytes(section, "unknown") if section.has("unknown") else None,
        other_port=section.integer("other_port", default=_beside(port), at_least=_FIRST_PORT, at_most=_LAST_PORT),
        after_reset=section.text("after_reset", default="off", accepted=AFTER_RESET),
    )
    if plan.unknown in (plan.on, plan.off):
        section.problem("unknown", "this is what switches; accepted: bytes that the board must ignore")
    if plan.other_port == plan.port:
        section.problem("other_port", f"{plan.port} is the port that switches; accepted: another one")
    if plan.on == plan.off and plan.on:
        section.problem("off", f"{plan.off.hex()!r} is what switches on, too; accepted: other bytes")
    section.finish()
    return plan


def _beside(port: int) -> int:
    return port + 1 if port < _LAST_PORT else port - 1


def _bytes(section: Section, key: str) -> bytes:
    text = section.text(key)
    try:
        return bytes.fromhex(text)
    except ValueError:
        section.problem(key, f"{text!r} is no row of hexadecimal digits in pairs, such as '01'")
        return b""


def _check_console(top: Section, further: tuple[str, ...]) -> None:
    """The console must know how to begin a join, and say how it went. What is wrong in an entry is told elsewhere."""
    console = top.raw("console")
    if not isinstance(console, dict):
        return
    questions = [("questions", name, "") for name in (JOIN, *further)]
    for table, name, group in (*questions, ("notices", JOINED, "outcome")):
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
