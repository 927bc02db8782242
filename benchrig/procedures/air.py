"""The board's radio, tried: joins, uplinks with all that is seen of them, and downlinks that switch a pin.

Owns the order of things on the bench and what is tried again. What the air loses is told, never hidden: every try is
returned. Whom a silence is charged to is for the air's own link; what it all means is judged elsewhere.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING

from benchrig.board.air import AirDownlink
from benchrig.board.air_table import JOIN, JOINED, PIN
from benchrig.errors import BoardTimeout
from benchrig.procedures.sweep import SweepPoint
from benchrig.procedures.terminals import set_battery
from benchrig.protocol.console import field_number

if TYPE_CHECKING:
    from collections.abc import Iterator

    from benchrig.bench.meter import Meter
    from benchrig.board.air import AirJoin, AirPath, AirUplink
    from benchrig.board.air_table import AirPlan, PinPlan
    from benchrig.board.board import FrameAnswer
    from benchrig.procedures.on_bench import OnBench
    from benchrig.reading import Reading

_GRACE_S = 0.5
"""For what was heard already, or is on its way inside this computer."""


@dataclass(frozen=True, slots=True)
class JoinTry:
    """One try to join: what the board said, the request that was answered (None: none was heard), and the window."""

    accepted: bool
    said: str
    took_s: float
    join: AirJoin | None
    window: int | None = None


@dataclass(frozen=True, slots=True)
class UplinkTry:
    """One report: the point, when it was asked for, and what came of it on the air (None: lost)."""

    name: str
    point: SweepPoint
    asked_s: float
    uplink: AirUplink | None


@dataclass(frozen=True, slots=True)
class PinTry:
    """One downlink: the order that a gateway took, its item, and the volts at the pin afterwards."""

    order: AirDownlink
    item: int
    volts: Reading


@contextmanager
def answering_in(air: AirPath, window: int) -> Iterator[None]:
    """Meanwhile answers go down in this receive window; where the way cannot choose, as it likes."""
    if not air.can_time:
        yield
        return
    air.answer_from(window)
    try:
        yield
    finally:
        air.answer_from(1)


def join_once(on: OnBench, air: AirPath, plan: AirPlan, *, window: int = 1) -> JoinTry:
    """Have the board join, answer in this receive window, and see what the network made of it.

    Raises GatewayError for gateways that are silent or hear damaged packets, BoardProtocolError for a key or nonce
    that the network refuses, BoardTimeout when the board does not say how it went.
    """
    mark, began_s = air.mark(), on.clock.now_s()
    with on.phases("board"), answering_in(air, window):
        on.board.console.ask(JOIN)
        notice = on.board.console.wait_for_notice(JOINED, began_after_s=began_s, timeout_s=plan.join_s)
        heard = _request(air, mark) if air.can_join else None
    outcome = notice.fields.get("outcome", "")
    said, took_s = notice.line.text.decode("ascii", "backslashreplace"), notice.line.began_s - began_s
    return JoinTry(outcome in plan.joined_words, said, took_s, heard, _window_of_join(air, mark))


def _request(air: AirPath, mark: int) -> AirJoin | None:
    try:
        return air.wait_for_join(_GRACE_S, since=mark)
    except BoardTimeout:
        return None


def _window_of_join(air: AirPath, mark: int) -> int | None:
    """Of the last order that answered a join: such an order has no counter."""
    orders = [event for event in air.events_since(mark) if isinstance(event, AirDownlink) and event.counter is None]
    return orders[-1].window if orders else None


def uplink_once(on: OnBench, air: AirPath, plan: AirPlan, *, name: str, voltage_v: float) -> UplinkTry:
    """One report at a battery voltage, with terminals and counts of the same volts.

    Raises GatewayError for silent gateways, BoardProtocolError for a frame by which the board breaks the protocol.
    """
    set_battery(on, voltage_v, settle_s=on.profile.sweep.settle_s)
    mark, asked_s = air.mark(), on.clock.now_s()
    with on.phases("board"):
        frame = report(on, plan)
        with ThreadPoolExecutor(max_workers=1, thread_name_prefix="meter") as beside:
            meanwhile = beside.submit(on.bench.terminals.read_voltage)
            battery = on.board.battery()
            terminals = on.record(f"terminals {name}", meanwhile.result())
        heard = _heard(air, mark, asked_s + plan.uplink_s - on.clock.now_s())
    return UplinkTry(name, SweepPoint(voltage_v, "up", terminals, battery, frame), asked_s, heard)


def report(on: OnBench, plan: AirPlan) -> FrameAnswer:
    """One uplink, until its receive windows are over."""
    began_s = on.clock.now_s()
    frame = on.board.report()
    on.board.wait_for_report_done(after_s=began_s, timeout_s=2.0 * plan.uplink_s)
    return frame


def _heard(air: AirPath, mark: int, left_s: float) -> AirUplink | None:
    try:
        return air.wait_for_uplink(max(_GRACE_S, left_s), since=mark)
    except BoardTimeout:
        return None


def switch_pin(
    on: OnBench, air: AirPath, plan: AirPlan, pin: PinPlan, meter: Meter, *, to_on: bool, window: int = 1
) -> list[PinTry]:
    """Send the command down in this receive window until the pin shows it, or the tries are over. Returns every try.

    Raises GatewayError when no gateway takes the order, BoardTimeout when no uplink gave an occasion.
    """
    tries: list[PinTry] = []
    payload, name = (pin.on, "pin after 'on'") if to_on else (pin.off, "pin after 'off'")
    while len(tries) < plan.tries:
        with answering_in(air, window):
            tries.append(send_command(on, air, plan, pin, meter, payload=payload, port=pin.port, name=name))
        if pin.is_on(tries[-1].volts.value) is to_on:
            break
    return tries


def send_command(
    on: OnBench, air: AirPath, plan: AirPlan, pin: PinPlan, meter: Meter, *, payload: bytes, port: int, name: str
) -> PinTry:
    """Send these bytes down once, after an uplink, and look at the pin. Raises as `switch_pin`."""
    mark = air.mark()
    item = air.queue_downlink(payload, port=port)
    order = _carried(on, air, plan, item, mark)
    return PinTry(order, item, read_pin(on, pin, meter, name=name))


def send_unasked(on: OnBench, air: AirPath, plan: AirPlan, pin: PinPlan, meter: Meter) -> PinTry:
    """Send "on" though the board has not spoken, and look at the pin once the frame is over.

    Raises GatewayError when no gateway takes the order.
    """
    del plan
    mark = air.mark()
    item = air.send_unasked(pin.on, port=pin.port)
    with on.phases("board"):
        order = air.wait_for_downlink(item, _GRACE_S, since=mark)
        on.clock.sleep((order.airtime_us or 0) / 1e6 + _GRACE_S)
    return PinTry(order, item, read_pin(on, pin, meter, name="pin after 'on' unasked"))


def repeat_frame(on: OnBench, air: AirPath, plan: AirPlan, pin: PinPlan, meter: Meter, *, item: int) -> PinTry:
    """Send a frame that the board had before once more, byte for byte, and look at the pin."""
    mark = air.mark()
    air.repeat_downlink(item)
    order = _carried(on, air, plan, item, mark)
    return PinTry(order, item, read_pin(on, pin, meter, name="pin after the repeated frame"))


def _carried(on: OnBench, air: AirPath, plan: AirPlan, item: int, mark: int) -> AirDownlink:
    """Report until an uplink gave the occasion to send an item. Raises BoardTimeout when none was heard."""
    for left in reversed(range(plan.tries)):
        with on.phases("board"):
            report(on, plan)
        try:
            return air.wait_for_downlink(item, _GRACE_S, since=mark)
        except BoardTimeout:
            if not left:
                air.wait_for_uplink(_GRACE_S, since=mark)  # says why none was good, where some were refused
                raise
    raise AssertionError("a plan has one try at least")


def read_pin(on: OnBench, pin: PinPlan, meter: Meter, *, name: str) -> Reading:
    """Volts at the pin, once the board had its time to obey."""
    on.clock.sleep(pin.settle_s)
    with on.phases("measuring"):
        return on.record(name, meter.read_voltage())


def times_switched(on: OnBench) -> int | None:
    """How often the board has obeyed a command, as it says; None where its console cannot tell."""
    if all(question.name != PIN for question in on.profile.grammar.questions):
        return None
    answer = on.board.console.ask(PIN)
    return round(field_number(answer.fields, "switched"))
