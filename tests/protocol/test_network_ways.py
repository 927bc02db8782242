"""Which gateway answers, in which window, and what goes down unasked; opened by an independent codec."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import loramsg
import pytest

from benchrig.protocol.bench_network import BenchNetwork
from benchrig.protocol.network_events import DownlinkOrder, NotSent
from benchrig.protocol.network_session import Device, Joins
from benchrig.protocol.network_windows import AT_ONCE
from benchrig.protocol.regions import EU868
from benchrig.protocol.secret_key import Key
from tests.protocol.lorawan_board import APP_KEY, DEV_EUI, JOIN_EUI, Board, at, heard

if TYPE_CHECKING:
    from benchrig.protocol.network_events import NetworkEvent

NEAR, FAR = 0xA84041FFFE1E2D3C, 0x0016C001FF10A235
BOTH = frozenset((NEAR, FAR))


def _network() -> BenchNetwork:
    return BenchNetwork(EU868, joins=Joins(Device(dev_eui=DEV_EUI, join_eui=JOIN_EUI, app_key=Key(APP_KEY))))


@dataclass
class Bench:
    """A network with two gateways, of which one hears better, and a board that has joined."""

    network: BenchNetwork = field(default_factory=_network)
    board: Board = field(default_factory=Board)
    at_s: float = 0.0

    def __post_init__(self) -> None:
        self.board.take_accept(order(self.hears(self.board.join_request())).packet.payload)

    def hears(self, data: bytes) -> tuple[NetworkEvent, ...]:
        """Both gateways hear this; each has a clock of its own."""
        self.at_s += 30.0
        for gateway, snr_db, ahead_us in ((FAR, -3.0, 500), (NEAR, 7.0, 0)):
            packet = at(heard(data, snr_db=snr_db, counter_us=round(self.at_s * 1e6) + ahead_us), self.at_s)
            self.network.hear(packet, gateway=gateway, at_s=self.at_s)
        return self.network.advance(self.at_s + 0.2)


def order(events: tuple[NetworkEvent, ...]) -> DownlinkOrder:
    """The one order among events."""
    (found,) = (event for event in events if isinstance(event, DownlinkOrder))
    return found


@pytest.mark.parametrize(
    ("reachable", "answers"),
    [
        pytest.param(BOTH, NEAR, id="both"),
        pytest.param(frozenset((FAR,)), FAR, id="the best has no way down"),
        pytest.param(frozenset(), NEAR, id="none: the best, whose refusal tells"),
    ],
)
def test_the_best_gateway_that_can_be_reached_answers(reachable: frozenset[int], answers: int) -> None:
    """A gateway that hears well and never asks for downlinks is left out; the clock is that of the one that sends."""
    bench = Bench()
    bench.network.reach(reachable)

    found = order(bench.hears(bench.board.uplink(b"x", confirmed=True)))

    assert (found.gateway, found.window) == (answers, 1)
    assert found.packet.counter_us == round(bench.at_s * 1e6) + 1_000_000 + 500 * (answers == FAR)


def test_a_refused_order_goes_to_the_other_gateway_then_to_the_second_window() -> None:
    """The same bytes: first window by the best, by the other, then the second window by each; then it is given up."""
    bench = Bench()
    bench.network.reach(BOTH)
    given = [order(bench.hears(bench.board.uplink(b"x", confirmed=True)))]
    for _ in range(3):
        given.append(order(bench.network.ordered(given[-1].number, error="COLLISION_PACKET", at_s=bench.at_s + 0.3)))

    (end,) = bench.network.ordered(given[-1].number, error="COLLISION_PACKET", at_s=bench.at_s + 0.3)

    assert [(one.window, one.gateway) for one in given] == [(1, NEAR), (1, FAR), (2, NEAR), (2, FAR)]
    assert len({one.packet.payload for one in given}) == 1
    assert isinstance(end, NotSent)


def test_answers_wait_for_the_second_window_when_told() -> None:
    """Data and joins alike, from the next one on, and back again: 869.525 MHz, SF12, 2 s and 6 s (RP002-1.0.1)."""
    bench = Bench()
    bench.network.answer_from(2)
    data = order(bench.hears(bench.board.uplink(b"x", confirmed=True)))
    data_at_s = bench.at_s
    join = order(bench.hears(bench.board.join_request()))
    join_at_s = bench.at_s
    bench.network.answer_from(1)
    back = order(bench.hears(bench.board.uplink(b"y", confirmed=True)))

    for one, after_us in ((data, data_at_s * 1e6 + 2e6), (join, join_at_s * 1e6 + 6e6)):
        assert (one.window, one.packet.frequency_hz, one.packet.rate) == (2, 869_525_000, "SF12BW125")
        assert one.packet.counter_us == round(after_us)
    assert back.window == 1
    with pytest.raises(ValueError, match="window 3; accepted: 1 or 2"):
        bench.network.answer_from(3)


def test_a_frame_goes_down_unasked_at_once() -> None:
    """Where the second window would be, by no clock; a good frame with a counter of its own, and the queue stays."""
    bench = Bench()
    waits = bench.network.send(b"waits", port=10)
    bench.board.open(order(bench.hears(bench.board.uplink(b"x"))).packet.payload)
    later = bench.network.send(b"later", port=10)

    item, events = bench.network.send_unasked(b"\x01", port=10, at_s=bench.at_s + 20.0)

    found = order(events)
    assert (found.window, found.item, found.gateway) == (AT_ONCE, item, NEAR)
    assert (found.packet.counter_us, found.packet.frequency_hz, found.packet.rate) == (None, 869_525_000, "SF12BW125")
    assert found.airtime_us == loramsg.airtime(125, 12, len(found.packet.payload), crc=0)
    down = bench.board.open(found.packet.payload)
    assert (down.port, down.payload, down.counter, down.more) == (10, b"\x01", 1, False)
    assert len({waits, later, item}) == 3
    assert bench.board.open(order(bench.hears(bench.board.uplink(b"y"))).packet.payload).payload == b"later"


def test_an_unasked_frame_that_a_gateway_refuses_does_not_come_later() -> None:
    """It was for this moment alone."""
    bench = Bench()
    bench.hears(bench.board.uplink(b"x"))
    _, events = bench.network.send_unasked(b"\x01", port=10, at_s=bench.at_s + 20.0)

    (end,) = bench.network.ordered(order(events).number, error="TX_FREQ", at_s=bench.at_s + 20.1)

    assert isinstance(end, NotSent)
    assert bench.network.waiting == 0


def test_before_the_first_uplink_nothing_goes_down_unasked() -> None:
    """Nobody knows yet which gateway hears the board."""
    with pytest.raises(ValueError, match="nothing was heard of the board yet; wait for an uplink first"):
        Bench().network.send_unasked(b"\x01", port=10, at_s=60.0)
