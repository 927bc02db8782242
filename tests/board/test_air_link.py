"""A board's air by the bench's own gateways: real datagrams, a board of an independent codec, silence charged right."""

from __future__ import annotations

import pytest

from benchrig.board.air import AirDownlink, AirRefusal, AirRepeat, AirUplink, DownlinkTaken
from benchrig.board.air_link import SILENT_WALL_S
from benchrig.board.air_state import AirState
from benchrig.errors import BoardProtocolError, BoardTimeout, ConfigError, GatewayError
from benchrig.protocol.regions import EU868
from benchrig.protocol.secret_key import Key
from tests.protocol.lorawan_board import APP_KEY, DEV_EUI, Board
from tests.wires.udp_gateway import UdpGateway

from .air_on_loopback import DEVICE, FAR, LONG_S, NEAR, SHORT_S, Air, gateway_that_lives, joined, kinds


def test_board_joins_in_its_first_window(air: Air, gateway: UdpGateway) -> None:
    """The answer is ordered five seconds after the request by the gateway's clock, and opens with the board's key."""
    link, board = air.link(), Board()
    gateway.push(board.join_request(), counter_us=4_294_000_000)

    order = gateway.order()

    found = link.wait_for_join(LONG_S, since=0)
    board.take_accept(order.data)  # raises when it is not sealed with the board's key
    assert (order.counter_us, order.rate, order.inverted) == ((4_294_000_000 + 5_000_000) % (1 << 32), "SF7BW125", True)
    assert (found.dev_nonce, found.dev_addr) == (board.nonce, board.address)
    assert [(one.gateway, one.rssi_dbm, one.snr_db, one.frequency_hz, one.rate) for one in found.levels] == [
        (f"{NEAR:016X}", -60.0, 7.5, 868_100_000, "SF7BW125")
    ]


def test_uplink_is_told_once_with_every_gateway(air: Air, gateway: UdpGateway) -> None:
    """Copies of two gateways are one uplink, the gateway that hears best first, with the board's bytes in the clear."""
    link = air.link()
    board = joined(link, gateway)
    far = UdpGateway((air.endpoint.host, air.endpoint.port), FAR)
    frame = board.uplink(b"\x01\x02\x03", port=7)
    far.push(frame, rssi=-101.0, lsnr=-3.0)
    gateway.push(frame)

    found = link.wait_for_uplink(LONG_S, since=0, port=7)

    assert (found.counter, found.port, found.payload, found.missed) == (0, 7, b"\x01\x02\x03", 0)
    assert [(one.gateway, one.rssi_dbm) for one in found.levels] == [(f"{NEAR:016X}", -60.0), (f"{FAR:016X}", -101.0)]
    assert len(kinds(link, AirUplink)) == 1
    far.close()


def test_downlink_goes_down_after_the_next_uplink(air: Air, gateway: UdpGateway) -> None:
    """What was queued is ordered for one second after the uplink, and the board reads it on its port."""
    link = air.link()
    board = joined(link, gateway)
    mark = link.mark()
    item = link.queue_downlink(b"\x01", port=10)
    gateway.push(board.uplink(), counter_us=9_000_000)

    order = gateway.order()

    found = link.wait_for_downlink(item, LONG_S, since=mark)
    down = board.open(order.data)
    assert (down.port, down.payload, down.counter) == (10, b"\x01", 0)
    assert (order.counter_us, found.window, found.counter, found.gateway) == (10_000_000, 1, 0, f"{NEAR:016X}")


def test_refused_order_is_tried_in_the_second_window(air: Air, gateway: UdpGateway) -> None:
    """A gateway that says TOO_LATE gets the same frame for two seconds after the uplink."""
    link = air.link()
    board = joined(link, gateway)
    mark = link.mark()
    item = link.queue_downlink(b"\x01", port=10)
    gateway.push(board.uplink(), counter_us=9_000_000)

    first = gateway.order(answer="TOO_LATE")
    second = gateway.order()

    assert link.wait_for_downlink(item, LONG_S, since=mark).window == 2
    assert (second.data, second.counter_us, second.frequency_mhz) == (first.data, 11_000_000, 869.525)


def test_downlink_that_no_window_took_is_charged_to_the_bench(air: Air, gateway: UdpGateway) -> None:
    """Two refusals are the gateway's business, not the board's, and the sentence quotes it."""
    link = air.link()
    board = joined(link, gateway)
    mark = link.mark()
    item = link.queue_downlink(b"\x01", port=10)
    gateway.push(board.uplink(), counter_us=9_000_000)
    gateway.order(answer="TX_FREQ")
    gateway.order(answer="TX_FREQ")

    with pytest.raises(GatewayError, match=r"downlink 1 was not sent: window 2: the gateway says TX_FREQ"):
        link.wait_for_downlink(item, LONG_S, since=mark)


def test_frame_is_repeated_byte_for_byte(air: Air, gateway: UdpGateway) -> None:
    """A repeated downlink is the very frame that the board had, after a later uplink; the order names its item."""
    link = air.link()
    board = joined(link, gateway)
    item = link.queue_downlink(b"\x01", port=10)
    gateway.push(board.uplink(), counter_us=9_000_000)
    first = gateway.order()
    link.wait_for_downlink(item, LONG_S, since=0)
    mark = link.mark()
    link.repeat_downlink(item)
    gateway.push(board.uplink(), counter_us=19_000_000)

    again = gateway.order()

    assert (again.data, again.counter_us) == (first.data, 20_000_000)
    assert link.wait_for_downlink(item, LONG_S, since=mark).counter == 0
    with pytest.raises(ConfigError, match=r"item 99 was not sent of late; accepted: 1"):
        link.repeat_downlink(99)


def test_confirmed_downlink_is_settled_by_the_board(air: Air, gateway: UdpGateway) -> None:
    """The board's acknowledgement ends a confirmed downlink."""
    link = air.link()
    board = joined(link, gateway)
    item = link.queue_downlink(b"\x01", port=10, confirmed=True)
    gateway.push(board.uplink(), counter_us=9_000_000)
    assert board.open(gateway.order().data).confirmed
    gateway.push(board.uplink(flags=0x20), counter_us=19_000_000)  # ACK, LoRaWAN 1.0.x section 4.3.1.2, from memory

    found = link.wait_for_settled(item, LONG_S, since=0)

    assert (found.acknowledged, found.tries) == (True, 1)


def test_repeated_uplink_is_no_second_one(air: Air, gateway: UdpGateway) -> None:
    """A frame that the board sends again later is a repetition, and delivered once."""
    link = air.link()
    board = joined(link, gateway)
    frame = board.uplink(b"\x01", confirmed=True)
    for number in range(2):
        gateway.push(frame, counter_us=9_000_000 + number * 3_000_000)
        gateway.order()
        link.wait_for_uplink(LONG_S, since=0)
        air.clock.sleep(2.5)  # a board sends again once both windows are over; a copy that comes sooner is a late one

    assert len(kinds(link, AirUplink)) == 1
    assert [event.attempt for event in kinds(link, AirRepeat) if isinstance(event, AirRepeat)] == [2]


def test_silent_gateway_is_charged_to_the_bench(air: Air, gateway: UdpGateway, monkeypatch: pytest.MonkeyPatch) -> None:
    """A gateway whose plug was pulled says nothing after the wait: the board is not blamed."""
    monkeypatch.setattr("benchrig.board.air_link.SILENT_WALL_S", 0.5)
    link = air.link()
    joined(link, gateway)
    gateway.close()

    with pytest.raises(GatewayError, match=r"no uplink within 0.4 s, and no gateway says a word .*check its power"):
        link.wait_for_uplink(SHORT_S, since=link.mark())


def test_bench_without_any_gateway_is_charged_to_the_bench(air: Air) -> None:
    """Nobody ever spoke: said at once, with the address that gateways are to send to."""
    with pytest.raises(GatewayError, match=rf"no gateway says a word \(0 datagrams .*{air.endpoint.where}"):
        air.link().wait_for_join(SHORT_S, since=0)


def test_silent_board_is_charged_to_the_board(air: Air, gateway: UdpGateway) -> None:
    """While a gateway lives, a board that nobody heard is the board's business."""
    link = air.link()
    with gateway_that_lives(gateway), pytest.raises(BoardTimeout, match=r"no join-request .*while gateways are alive"):
        link.wait_for_join(SHORT_S, since=0)


def test_only_damaged_packets_are_charged_to_the_bench(air: Air, gateway: UdpGateway) -> None:
    """Packets whose checksum failed are never used, and say nothing of the board."""
    link, board = air.link(), Board()
    gateway.push(board.join_request(), stat=-1)

    with gateway_that_lives(gateway), pytest.raises(GatewayError, match=r"1 packets reached the gateways damaged"):
        link.wait_for_join(SHORT_S, since=0)


@pytest.mark.parametrize(
    ("board", "reason"),
    [
        pytest.param(Board(app_key=APP_KEY[::-1]), "holds its key in the other byte order", id="key turned round"),
        pytest.param(Board(app_key=bytes(16)), "signs with another key", id="another key"),
    ],
)
def test_wrong_key_is_charged_to_the_board(air: Air, gateway: UdpGateway, board: Board, reason: str) -> None:
    """A request with a wrong integrity code ends the wait at once, and says in which way the key is wrong."""
    link = air.link()
    gateway.push(board.join_request())

    with pytest.raises(BoardProtocolError, match=rf"a join was awaited and refused: wrong key: .*{reason}"):
        link.wait_for_join(LONG_S, since=0)


def test_foreign_board_changes_nothing(air: Air, gateway: UdpGateway) -> None:
    """Another board's request is refused and told, and the wait goes on to the own one."""
    link, board = air.link(), Board()
    gateway.push(Board(dev_eui=DEV_EUI + 1).join_request())
    gateway.push(board.join_request())
    gateway.order()

    assert link.wait_for_join(LONG_S, since=0).dev_nonce == board.nonce
    assert [event.why for event in kinds(link, AirRefusal) if isinstance(event, AirRefusal)] == ["foreign board"]


def test_nonces_and_counters_outlast_the_tool(air: Air, gateway: UdpGateway) -> None:
    """After a restart the session goes on, the downlink counter too, and a nonce used before is refused."""
    link = air.link()
    board = joined(link, gateway)
    link.queue_downlink(b"\x01", port=10)
    gateway.push(board.uplink(), counter_us=9_000_000)
    board.open(gateway.order().data)
    link.wait_for_uplink(LONG_S, since=0)
    link.close()

    again = air.link()
    again.queue_downlink(b"\x02", port=10)
    gateway.push(board.uplink(b"\x09"), counter_us=19_000_000)
    assert board.open(gateway.order().data).counter == 1
    assert again.wait_for_uplink(LONG_S, since=0).payload == b"\x09"
    gateway.push(board.request_with(board.nonce))
    with pytest.raises(BoardProtocolError, match=r"nonce reused: DevNonce 1 was used before"):
        again.wait_for_join(LONG_S, since=0)


def test_nonce_is_kept_before_its_answer_is_sent(air: Air, gateway: UdpGateway) -> None:
    """Killed right after the order went out, the next start knows the nonce: it is on the disk already."""
    air.link()
    gateway.push(Board().join_request())
    gateway.order()

    kept = AirState.load(air.folder, board="HB-1", device=DEVICE, region=EU868)

    assert kept.joins.dev_nonces == {1}
    assert kept.joins.app_nonce == 1


def test_airtime_is_kept_for_board_and_gateways(air: Air, gateway: UdpGateway) -> None:
    """What board and gateways spent on air is on the disk, in microseconds by the formula.

    23 bytes at SF7 and 125 kHz: (12.25 + 8 + 5 * ceil((8 * 23 - 4 * 7 + 28 + 16) / 28)) symbols of 1.024 ms, the
    formula of the radios' data sheets (from memory).
    """
    link = air.link()
    joined(link, gateway)
    link.close()

    kept = AirState.load(air.folder, board="HB-1", device=DEVICE, region=EU868)

    assert [one.airtime_us for one in kept.board.spent] == [61_696]
    assert [one.band for one in kept.gateways.spent] == ["868-868.6 MHz"]


def test_keys_of_a_session_are_known_before_its_first_line(air: Air, gateway: UdpGateway) -> None:
    """Redaction learns the key at the start, and both session keys with the join."""
    link = air.link()
    assert air.known == {Key(APP_KEY)}

    board = joined(link, gateway)

    assert air.known == {Key(APP_KEY), Key(board.network_key), Key(board.application_key)}


def test_every_event_is_written_down(air: Air, gateway: UdpGateway) -> None:
    """The record tells of joins and uplinks with level and frequency, of orders and who took them."""
    link = air.link()
    board = joined(link, gateway)
    gateway.push(board.uplink(b"\xab"), counter_us=9_000_000)
    link.wait_for_uplink(LONG_S, since=0)

    text = "\n".join(air.notes)

    assert "join nonce 1" in text
    assert "downlink order 1 taken" in text
    assert "uplink 0 port 2: ab; gateway A84041FFFE1E2D3C -60 dBm SNR 7.5 dB 868.1 MHz SF7BW125" in text
    assert APP_KEY.hex() not in text


def test_downlink_to_a_port_that_is_none_is_a_mistake_of_the_profile(air: Air) -> None:
    """Port 0 carries MAC commands and is refused before anything is sent."""
    with pytest.raises(ConfigError, match=r"port 0; accepted: 1 to 223"):
        air.link().queue_downlink(b"\x01", port=0)


def test_orders_are_taken_before_they_are_reported(air: Air, gateway: UdpGateway) -> None:
    """An order that no gateway has answered is not reported as sent."""
    link = air.link()
    board = joined(link, gateway)
    mark = link.mark()
    item = link.queue_downlink(b"\x01", port=10)
    gateway.push(board.uplink(), counter_us=9_000_000)
    gateway.order(answer=None)

    with gateway_that_lives(gateway), pytest.raises(BoardTimeout, match=r"downlink 1"):
        link.wait_for_downlink(item, SHORT_S, since=mark)
    assert kinds(link, AirDownlink, mark)
    assert not kinds(link, DownlinkTaken, mark)


def test_silence_is_longer_than_the_usual_keep_alive() -> None:
    """A gateway that asks every 10 s (common practice, no source) is not taken for a dead one."""
    assert SILENT_WALL_S > 10.0
