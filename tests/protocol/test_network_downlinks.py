"""Class A downlinks: queued, answered in the right window, acknowledged, repeated; opened by an independent codec."""

from __future__ import annotations

from typing import TYPE_CHECKING, TypeVar

import loramsg
import loraopts
import pytest

from benchrig.protocol.bench_network import BenchNetwork
from benchrig.protocol.lorawan_mac import DevStatusReq, LinkAdrReq, RxParamSetupReq, RxTimingSetupReq
from benchrig.protocol.network_events import (
    Acknowledged,
    DownlinkOrder,
    GivenUp,
    NotSent,
    Refused,
    Repeated,
    Uplink,
    Why,
)
from benchrig.protocol.network_session import Device, Joins
from benchrig.protocol.network_windows import NetworkSettings
from benchrig.protocol.regions import EU868
from benchrig.protocol.secret_key import Key
from tests.protocol.lorawan_board import APP_KEY, DEV_EUI, JOIN_EUI, Board, at, heard

if TYPE_CHECKING:
    from benchrig.protocol.network_events import NetworkEvent
    from tests.protocol.lorawan_board import Down

NEAR = 0xA84041FFFE1E2D3C
Event = TypeVar("Event")
SIREN_ON, SIREN_OFF = b"\x01", b"\x00"


class Bench:
    """A network and a board that has joined it. Each uplink comes half a minute after the one before."""

    def __init__(self, **settings: object) -> None:
        device = Device(dev_eui=DEV_EUI, join_eui=JOIN_EUI, app_key=Key(APP_KEY))
        self.network = BenchNetwork(EU868, joins=Joins(device), settings=NetworkSettings(**settings))  # type: ignore[arg-type]
        self.board = Board()
        self.at_s = 0.0
        self.join()

    def join(self) -> None:
        """The board joins."""
        self.board.take_accept(self.one(self.tell(self.board.join_request()), DownlinkOrder).packet.payload)

    def tell(
        self, data: bytes, *, rate: str = "SF7BW125", counter_us: int = 0, snr_db: float = 7.0
    ) -> list[NetworkEvent]:
        """A gateway hears this, and the time for copies passes."""
        self.at_s += 30.0
        packet = at(heard(data, rate=rate, counter_us=counter_us, snr_db=snr_db), self.at_s)
        events = self.network.hear(packet, gateway=NEAR, at_s=self.at_s)
        return [*events, *self.network.advance(self.at_s + 0.2)]

    def one(self, events: list[NetworkEvent], kind: type[Event]) -> Event:
        """The one event of this kind."""
        (found,) = (event for event in events if isinstance(event, kind))
        return found

    def down(self, events: list[NetworkEvent]) -> Down:
        """The one downlink, as the board reads it."""
        return self.board.open(self.one(events, DownlinkOrder).packet.payload)


def orders(events: list[NetworkEvent]) -> list[DownlinkOrder]:
    """Every downlink that was ordered."""
    return [event for event in events if isinstance(event, DownlinkOrder)]


def test_nothing_goes_down_when_nothing_is_due() -> None:
    """An unconfirmed uplink with an empty queue is left unanswered."""
    bench = Bench()

    assert orders(bench.tell(bench.board.uplink(b"x"))) == []


def test_a_confirmed_uplink_is_acknowledged() -> None:
    """Even with an empty queue: a frame without port, with the acknowledgement."""
    bench = Bench()

    found = bench.down(bench.tell(bench.board.uplink(b"x", confirmed=True)))

    assert (found.ack, found.more, found.port, found.payload, found.counter) == (True, False, -1, b"", 0)


def test_a_request_for_any_answer_is_answered() -> None:
    """A board that asks whether it is still heard gets a frame."""
    bench = Bench()

    found = bench.down(bench.tell(bench.board.uplink(b"x", flags=loramsg.FCtrl.ADREN | loramsg.FCtrl.ADRARQ)))

    assert (found.ack, found.port) == (False, -1)


def test_a_queue_goes_down_in_order_one_after_each_uplink() -> None:
    """Each downlink once, with its own counter, and "more waits" until the last."""
    bench = Bench()
    items = [bench.network.send(payload, port=10) for payload in (SIREN_ON, SIREN_OFF, b"third")]

    found = [bench.tell(bench.board.uplink(b"x")) for _ in range(4)]
    read = [bench.down(events) for events in found[:3]]

    assert [(one.port, one.payload, one.more, one.counter, one.ack) for one in read] == [
        (10, SIREN_ON, True, 0, False),
        (10, SIREN_OFF, True, 1, False),
        (10, b"third", False, 2, False),
    ]
    assert [orders(events)[0].item for events in found[:3]] == items
    assert orders(found[3]) == []
    assert bench.network.waiting == 0


@pytest.mark.parametrize(
    ("settings", "window", "counter_us", "frequency_hz", "rate"),
    [
        pytest.param({}, 1, 1_000_000, 868_100_000, "SF9BW125", id="first"),
        pytest.param({"rx1_offset": 1}, 1, 1_000_000, 868_100_000, "SF10BW125", id="first-with-offset"),
        pytest.param({"first_window": 2}, 2, 2_000_000, 869_525_000, "SF12BW125", id="second"),
        pytest.param({"first_window": 2, "rx2_rate": 3}, 2, 2_000_000, 869_525_000, "SF9BW125", id="second-as-told"),
        pytest.param({"rx_delay_s": 5}, 1, 5_000_000, 868_100_000, "SF9BW125", id="later-first"),
        pytest.param({"rx_delay_s": 5, "first_window": 2}, 2, 6_000_000, 869_525_000, "SF12BW125", id="later-second"),
    ],
)
def test_the_right_window_is_hit(
    settings: dict[str, object], window: int, counter_us: int, frequency_hz: int, rate: str
) -> None:
    """Delay, frequency and data rate are those that the board learnt at its join (RP002-1.0.1 [seen])."""
    bench = Bench(**settings)

    events = bench.tell(bench.board.uplink(b"x", confirmed=True), rate="SF9BW125", counter_us=0xFFFF_FFFF)

    order = bench.one(events, DownlinkOrder)
    assert order.window == window
    assert order.packet.counter_us == counter_us - 1  # the gateway's clock runs over on the way
    assert (order.packet.frequency_hz, order.packet.rate) == (frequency_hz, rate)
    assert order.packet.has_crc is False
    size = len(order.packet.payload)
    factor = int(rate[2:].partition("BW")[0])
    assert order.airtime_us == loramsg.airtime(125, factor, size, crc=0)


def test_a_confirmed_downlink_is_sent_until_it_is_acknowledged() -> None:
    """The same counter and payload each time, then it is done, and the next one follows."""
    bench = Bench()
    item = bench.network.send(SIREN_ON, port=10, confirmed=True)
    bench.network.send(SIREN_OFF, port=10)

    first = bench.down(bench.tell(bench.board.uplink(b"x")))
    second = bench.down(bench.tell(bench.board.uplink(b"x")))
    events = bench.tell(bench.board.uplink(b"x", flags=loramsg.FCtrl.ACK))

    assert (first.confirmed, first.payload, first.more) == (True, SIREN_ON, True)
    assert second == first
    assert bench.one(events, Acknowledged) == Acknowledged(item, 2)
    third = bench.down(events)
    assert (third.payload, third.counter, third.confirmed, third.more) == (SIREN_OFF, 1, False, False)


def test_a_confirmed_downlink_is_given_up_after_so_many_tries() -> None:
    """A board that never acknowledges does not block the queue for good."""
    bench = Bench(most_tries=3)
    item = bench.network.send(SIREN_ON, port=10, confirmed=True)

    found = [bench.tell(bench.board.uplink(b"x")) for _ in range(4)]

    assert [len(orders(events)) for events in found] == [1, 1, 1, 0]
    assert bench.one(found[3], GivenUp) == GivenUp(item, 3)


def test_an_acknowledgement_of_nothing_is_no_event() -> None:
    """A board that acknowledges what was never sent changes nothing."""
    bench = Bench()
    bench.network.send(SIREN_ON, port=10, confirmed=True)

    events = bench.tell(bench.board.uplink(b"x", flags=loramsg.FCtrl.ACK))

    assert not [event for event in events if isinstance(event, Acknowledged)]
    assert bench.down(events).payload == SIREN_ON


def test_a_repeated_uplink_is_answered_the_same_way_and_not_delivered_twice() -> None:
    """The same bytes at the new time; the queue does not move on."""
    bench = Bench()
    bench.network.send(SIREN_ON, port=10)
    bench.network.send(SIREN_OFF, port=10)
    data = bench.board.uplink(b"x", confirmed=True)

    first = bench.tell(data, counter_us=1)
    second = bench.tell(data, counter_us=5_000_001)
    third = bench.tell(bench.board.uplink(b"y"))

    assert (bench.one(second, Repeated).counter, bench.one(second, Repeated).attempt) == (0, 2)
    assert not [event for event in second if isinstance(event, Uplink)]
    once, again = bench.one(first, DownlinkOrder), bench.one(second, DownlinkOrder)
    assert once.packet.payload == again.packet.payload
    assert (once.packet.counter_us, again.packet.counter_us) == (1_000_001, 6_000_001)
    assert once.item == again.item
    assert bench.down(third).payload == SIREN_OFF


def test_a_repeated_answer_that_fails_brings_nothing_back() -> None:
    """The board may have had it the first time: a command is not executed twice."""
    bench = Bench(first_window=2)
    bench.network.send(SIREN_ON, port=10)
    data = bench.board.uplink(b"x")
    bench.tell(data)

    again = bench.one(bench.tell(data), DownlinkOrder)
    (lost,) = bench.network.ordered(again.number, error="TOO_LATE", at_s=bench.at_s + 0.5)

    assert isinstance(lost, NotSent)
    assert bench.network.waiting == 0


def test_endless_repetitions_are_a_replay() -> None:
    """More than fifteen transmissions of one frame cannot be asked for: somebody plays a record."""
    bench = Bench()
    data = bench.board.uplink(b"x")

    found = [bench.tell(data)[-1] for _ in range(16)]

    assert [event.attempt for event in found if isinstance(event, Repeated)] == list(range(2, 16))
    assert isinstance(found[15], Refused)
    assert found[15].why is Why.REPLAY


def test_a_counter_used_twice_is_refused() -> None:
    """Two different frames under one counter give both payloads away."""
    bench = Bench()
    bench.tell(bench.board.uplink(b"one"))
    bench.board.up -= 1

    found = bench.one(bench.tell(bench.board.uplink(b"two")), Refused)

    assert (found.why, found.detail) == (
        Why.COUNTER_REUSED, "two different frames with counter 0: their encryption can be undone",
    )  # fmt: skip


def test_a_gateway_that_is_too_late_has_the_second_window() -> None:
    """The same frame goes out in the second window; a gateway that refuses that too leaves the item in the queue."""
    bench = Bench()
    item = bench.network.send(SIREN_ON, port=10)
    first = bench.one(bench.tell(bench.board.uplink(b"x")), DownlinkOrder)

    (second,) = bench.network.ordered(first.number, error="TOO_LATE", at_s=bench.at_s + 0.5)
    assert isinstance(second, DownlinkOrder)
    (lost,) = bench.network.ordered(second.number, error="COLLISION_PACKET", at_s=bench.at_s + 0.6)

    assert (second.window, second.packet.payload) == (2, first.packet.payload)
    assert isinstance(lost, NotSent)
    assert (lost.item, lost.reason) == (item, "window 2: the gateway says COLLISION_PACKET; no window is left")
    assert bench.network.waiting == 1
    assert bench.down(bench.tell(bench.board.uplink(b"x"))).payload == SIREN_ON


def test_a_second_window_that_is_over_is_not_ordered() -> None:
    """A gateway that answers late leaves nothing to do."""
    bench = Bench()
    bench.network.send(SIREN_ON, port=10)
    first = bench.one(bench.tell(bench.board.uplink(b"x")), DownlinkOrder)

    (lost,) = bench.network.ordered(first.number, error="TOO_LATE", at_s=bench.at_s + 1.95)

    assert isinstance(lost, NotSent)
    assert "window 2: opens in 0.050 s, a gateway needs 0.1 s" in lost.reason


def test_an_order_that_was_taken_is_done() -> None:
    """A later refusal under its number means nothing."""
    bench = Bench()
    order = bench.one(bench.tell(bench.board.uplink(b"x", confirmed=True)), DownlinkOrder)

    assert bench.network.ordered(order.number, error="", at_s=bench.at_s + 0.3) == ()
    assert bench.network.ordered(order.number, error="TOO_LATE", at_s=bench.at_s + 0.4) == ()


def test_a_runner_that_is_late_uses_the_second_window() -> None:
    """When `advance` is called after the first window could be hit, the second one is."""
    bench = Bench()
    bench.network.hear(heard(bench.board.uplink(b"x", confirmed=True)), gateway=NEAR, at_s=100.0)

    (_, order) = bench.network.advance(100.95)
    assert isinstance(order, DownlinkOrder)
    assert order.window == 2
    bench.network.hear(heard(bench.board.uplink(b"x", confirmed=True)), gateway=NEAR, at_s=200.0)
    (_, late) = bench.network.advance(205.0)
    assert late == NotSent("no window is left in time")


def test_what_is_too_long_waits() -> None:
    """51 bytes fit at SF12 (RP002-1.0.1 table 9 [seen]), 52 wait for a faster data rate."""
    bench = Bench(first_window=1)
    bench.network.send(bytes(52), port=10)

    slow = bench.tell(bench.board.uplink(b"x"), rate="SF12BW125")
    acknowledged = bench.down(bench.tell(bench.board.uplink(b"x", confirmed=True), rate="SF12BW125"))
    fast = bench.down(bench.tell(bench.board.uplink(b"x"), rate="SF7BW125"))

    assert bench.one(slow, NotSent) == NotSent("what waits is too long for both windows")
    assert (acknowledged.ack, acknowledged.payload, acknowledged.more) == (True, b"", True)
    assert (fast.payload, fast.more) == (bytes(52), False)


def test_the_second_window_is_taken_when_only_it_has_room() -> None:
    """A slow uplink has a slow first window; the second may have been set faster."""
    bench = Bench(rx2_rate=5)
    bench.network.send(bytes(100), port=10)

    order = bench.one(bench.tell(bench.board.uplink(b"x"), rate="SF12BW125"), DownlinkOrder)

    assert (order.window, order.packet.rate) == (2, "SF7BW125")


def test_commands_go_along_in_the_options() -> None:
    """Beside a payload, as many as fit into 15 bytes; the rest follows."""
    bench = Bench()
    bench.network.send(SIREN_ON, port=10)
    for _ in range(4):
        bench.network.send_command(LinkAdrReq(5, 1, 7))
    bench.network.send_command(DevStatusReq())

    first = bench.down(bench.tell(bench.board.uplink(b"x")))
    second = bench.down(bench.tell(bench.board.uplink(b"x")))

    assert (first.payload, first.more) == (SIREN_ON, True)
    assert [type(one).__name__ for one in loraopts.unpack_optsdn(bytes(first.options))] == ["LinkADRReq"] * 3
    assert [type(one).__name__ for one in loraopts.unpack_optsdn(bytes(second.options))] == [
        "LinkADRReq",
        "DevStatusReq",
    ]
    assert (second.port, second.more) == (-1, False)


def test_commands_that_could_not_be_sent_wait() -> None:
    """They come back with their frame, in their order."""
    bench = Bench(first_window=2)
    bench.network.send_command(LinkAdrReq(5, 1, 7))
    bench.network.send_command(DevStatusReq())
    order = bench.one(bench.tell(bench.board.uplink(b"x")), DownlinkOrder)
    bench.network.ordered(order.number, error="TOO_LATE", at_s=bench.at_s + 0.5)

    found = bench.down(bench.tell(bench.board.uplink(b"x")))

    assert [type(one).__name__ for one in loraopts.unpack_optsdn(bytes(found.options))] == [
        "LinkADRReq",
        "DevStatusReq",
    ]


@pytest.mark.parametrize("command", [RxParamSetupReq(0, 0, 869_525_000), RxTimingSetupReq(5)], ids=["params", "timing"])
def test_commands_that_move_windows_are_refused(command: RxParamSetupReq | RxTimingSetupReq) -> None:
    """The network would have to guess whether the board followed."""
    with pytest.raises(ValueError, match=r"moves the windows; set them for the next join instead"):
        Bench().network.send_command(command)


@pytest.mark.parametrize(
    ("payload", "port", "complaint"),
    [
        pytest.param(b"x", 0, r"port 0; accepted: 1 to 223 \(0 carries MAC commands\)", id="port-0"),
        pytest.param(b"x", 224, "port 224; accepted", id="port-224"),
        pytest.param(bytes(243), 1, "243 bytes; accepted: up to 242", id="long"),
    ],
)
def test_a_downlink_that_cannot_be_is_refused(payload: bytes, port: int, complaint: str) -> None:
    """When it is given, not when it should go out."""
    with pytest.raises(ValueError, match=complaint):
        Bench().network.send(payload, port=port)


@pytest.mark.parametrize(
    ("rate", "snr_db", "margin_db"),
    [
        pytest.param("SF7BW125", 7.0, 14, id="sf7"),
        pytest.param("SF12BW125", -19.5, 0, id="sf12"),
        pytest.param("SF12BW125", -25.0, 0, id="below-the-floor"),
    ],
)
def test_a_link_check_is_answered(rate: str, snr_db: float, margin_db: int) -> None:
    """Margin above the least SNR of the spreading factor (SX1276 data sheet, from memory), and one gateway."""
    bench = Bench()

    found = bench.down(bench.tell(bench.board.uplink(b"x", options=b"\x02"), rate=rate, snr_db=snr_db))

    (answer,) = loraopts.unpack_optsdn(bytes(found.options))
    assert (type(answer).__name__, answer.Margin.value, answer.GwCnt.value) == ("LinkCheckAns", margin_db, 1)


def test_the_time_is_told_where_it_is_known() -> None:
    """Seconds since the GPS epoch at the end of the uplink, with 256ths; without a clock the question stays open."""
    bench = Bench(gps_of_zero_s=1_400_000_000.5)

    found = bench.down(bench.tell(bench.board.uplink(b"x", options=b"\x0d")))

    at_s = 1_400_000_000 + int(bench.at_s)
    assert found.options == b"\x0d" + at_s.to_bytes(4, "little") + b"\x80"
    silent = Bench()
    assert orders(silent.tell(silent.board.uplink(b"x", options=b"\x0d"))) == []


def test_the_queue_outlives_a_join() -> None:
    """What was sent in the session before begins anew in the next, under its counters and keys."""
    bench = Bench(most_tries=2)
    bench.tell(bench.board.uplink(b"x", confirmed=True))
    item = bench.network.send(SIREN_ON, port=10, confirmed=True)
    before = [bench.down(bench.tell(bench.board.uplink(b"x"))).counter for _ in range(2)]
    bench.join()

    events = bench.tell(bench.board.uplink(b"x"))
    after = bench.down(events)
    acknowledged = bench.one(bench.tell(bench.board.uplink(b"x", flags=loramsg.FCtrl.ACK)), Acknowledged)

    assert before == [1, 1]
    assert (after.payload, after.counter, after.confirmed) == (SIREN_ON, 0, True)
    assert acknowledged == Acknowledged(item, 1)  # tries of the session before do not count


def test_a_downlink_that_overtakes_takes_a_new_counter() -> None:
    """A confirmed item that no longer fits is not sent later under a counter that the board has passed."""
    bench = Bench()
    bench.network.send(bytes(60), port=10, confirmed=True)

    first = bench.down(bench.tell(bench.board.uplink(b"x")))
    between = bench.down(bench.tell(bench.board.uplink(b"x", confirmed=True), rate="SF12BW125"))
    again = bench.down(bench.tell(bench.board.uplink(b"x")))

    assert [one.counter for one in (first, between, again)] == [0, 1, 2]
    assert (between.payload, again.payload) == (b"", bytes(60))
