"""Which gateway of the bench answers, in which window, and what a run costs on the air, on real loopback."""

from __future__ import annotations

from dataclasses import replace

import loramsg
import pytest

from benchrig.board.air import AirDownlink
from benchrig.board.air_price import AirDemand
from benchrig.errors import BoardProtocolError, ConfigError
from tests.protocol.lorawan_board import Board
from tests.wires.udp_gateway import UdpGateway

from .air_on_loopback import DEVICE, FAR, LONG_S, NEAR, Air, joined, kinds


def test_gateway_that_hears_best_without_a_way_down_is_passed_over(air: Air, gateway: UdpGateway) -> None:
    """A gateway that hands packets over and never asks for downlinks cannot send: the other one does."""
    link = air.link()
    board = joined(link, gateway)
    deaf = UdpGateway((air.endpoint.host, air.endpoint.port), FAR)
    mark = link.mark()
    item = link.queue_downlink(b"\x01", port=10)
    frame = board.uplink()
    deaf.push(frame, counter_us=1, rssi=-30.0, lsnr=9.5)
    gateway.push(frame, counter_us=9_000_000)

    order = gateway.order()

    assert order.counter_us == 10_000_000
    assert link.wait_for_downlink(item, LONG_S, since=mark).gateway == f"{NEAR:016X}"
    assert link.uplinks_since(mark)[0].levels[0].gateway == f"{FAR:016X}"
    assert len(kinds(link, AirDownlink, mark)) == 1  # nothing was tried in vain
    deaf.close()


def test_unasked_frame_goes_out_at_once(air: Air, gateway: UdpGateway) -> None:
    """Before the board is heard it is refused; then the frame is ordered for now, and told with its airtime."""
    link = air.link()
    board = joined(link, gateway)
    with pytest.raises(ConfigError, match=r"nothing was heard of the board yet; wait for an uplink first"):
        link.send_unasked(b"\x01", port=10)
    gateway.push(board.uplink(), counter_us=9_000_000)
    link.wait_for_uplink(LONG_S, since=0)
    mark = link.mark()

    item = link.send_unasked(b"\x01", port=10)

    order = gateway.order()
    found = link.wait_for_downlink(item, LONG_S, since=mark)
    assert (order.counter_us, order.frequency_mhz) == (None, 869.525)
    assert (board.open(order.data).payload, found.window) == (b"\x01", 0)


def test_answers_wait_for_the_window_that_was_asked_for(air: Air, gateway: UdpGateway) -> None:
    """Held back for the second window, and a window that is none is a mistake of the profile."""
    link = air.link()
    board = joined(link, gateway)
    link.answer_from(2)
    gateway.push(board.uplink(confirmed=True), counter_us=9_000_000)

    assert gateway.order().counter_us == 11_000_000
    with pytest.raises(ConfigError, match=r"window 3; accepted: 1 or 2"):
        link.answer_from(3)


def test_join_that_is_left_alone_is_heard_and_not_answered(air: Air, gateway: UdpGateway) -> None:
    """Its nonce is used up all the same; answers come again once they are wanted."""
    link, board = air.link(), Board()
    link.answer_joins(answer=False)
    for _ in range(2):
        gateway.push(board.join_request())
    heard = [link.wait_for_request(LONG_S, since=0, number=number) for number in (1, 2)]

    assert gateway.no_order(0.5)
    assert [(one.dev_nonce, one.answered) for one in heard] == [(1, False), (2, False)]
    assert "join nonce 2, left without an answer" in "\n".join(air.notes)
    link.answer_joins(answer=True)
    joined(link, gateway, board)
    assert link.wait_for_join(LONG_S, since=0).dev_nonce == 3  # the one that was answered
    air.clock.sleep(1.5)  # the same bytes sooner than that are a copy on a slow way
    gateway.push(board.request_with(2), counter_us=90_000_000)
    with pytest.raises(BoardProtocolError, match=r"nonce reused: DevNonce 2 was used before"):
        link.wait_for_request(LONG_S, since=0, number=4)


DEMAND = AirDemand(
    joins=(1, 1), uplinks=2, downlinks=(1, 1), spreading_factor=7, uplink_bytes=22, downlink_bytes=14, tries=3
)


def test_price_of_a_run_counts_what_was_spent_before(air: Air, gateway: UdpGateway) -> None:
    """By an independent formula: requests and uplinks of the board, answers of the gateways; a join was spent before.

    An accept is priced with a channel list, 33 bytes, and was sent without one, 17 (LoRaWAN 1.0.x, from memory).
    """
    link = air.link()
    before = link.price(DEMAND).planned
    joined(link, gateway)

    after = link.price(DEMAND).planned

    (board, first, second) = before.lines
    assert (board.all_us, first.all_us, second.all_us) == (
        2 * loramsg.airtime(125, 7, 23) + 2 * loramsg.airtime(125, 7, 22),
        loramsg.airtime(125, 7, 33, crc=0) + loramsg.airtime(125, 7, 14, crc=0),
        loramsg.airtime(125, 12, 33, crc=0) + loramsg.airtime(125, 12, 14, crc=0),
    )
    assert (first.band.name, second.band.name) == ("868-868.6 MHz", "869.4-869.65 MHz")
    assert before.airtime_us == board.all_us + first.all_us + second.all_us
    assert board.left_us - after.lines[0].left_us == loramsg.airtime(125, 7, 23)
    assert first.left_us - after.lines[1].left_us == loramsg.airtime(125, 7, 17, crc=0)
    assert (before.nonces_left, after.nonces_left) == (65_536 - 2, 65_536 - 3)
    assert link.price(DEMAND).at_most.airtime_us == 3 * before.airtime_us


def test_nonces_that_must_rise_are_counted_from_the_last(air: Air, gateway: UdpGateway) -> None:
    """From LoRaWAN 1.0.4 on what lies below the last nonce is lost (TR007, from memory), used or not."""
    link = air.link(replace(DEVICE, nonces="rising"))
    joined(link, gateway, Board(nonce=65_530))

    found = link.price(DEMAND).planned

    assert found.nonces_left == 65_536 - 65_532 - 2
    assert found.refusals == ()
    more = link.price(replace(DEMAND, joins=(5, 0))).planned
    assert more.refusals == ("5 joins with 4 nonces left of 65536: give the board new keys",)


def test_data_rate_that_is_none_has_no_price(air: Air) -> None:
    """A mistake of the profile, with what is accepted."""
    with pytest.raises(ConfigError, match=r"SF6 at 125 kHz in EU868; accepted: SF12, .*SF7; see transmit in the prof"):
        air.link().price(replace(DEMAND, spreading_factor=6))
