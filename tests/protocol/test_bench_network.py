"""The network of one board, spoken to by a board made of an independent codec: joins, uplinks, refusals."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, TypeVar

import loramsg
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchrig.protocol.airtime import AirtimeBudget, price
from benchrig.protocol.bench_network import BenchNetwork
from benchrig.protocol.gateway_packets import RejectedPacket
from benchrig.protocol.lorawan_frame import reversed_eui
from benchrig.protocol.lorawan_join import ChannelMasks, ExtraChannels
from benchrig.protocol.lorawan_mac import DevStatusAns, LinkCheckReq, UnknownCommand
from benchrig.protocol.network_events import DownlinkOrder, Joined, NotSent, Refused, Repeated, Uplink, Why
from benchrig.protocol.network_session import Device, Joins
from benchrig.protocol.network_windows import NetworkSettings
from benchrig.protocol.redaction import Redactor
from benchrig.protocol.regions import EU868, US915
from benchrig.protocol.secret_key import Key
from tests.protocol.lorawan_board import APP_KEY, DEV_EUI, JOIN_EUI, Board, at, heard

if TYPE_CHECKING:
    from benchrig.protocol.gateway_packets import ReceivedPacket
    from benchrig.protocol.network_events import NetworkEvent

NEAR, FAR = 0xA84041FFFE1E2D3C, 0x0016C001FF10A235
DEVICE = Device(dev_eui=DEV_EUI, join_eui=JOIN_EUI, app_key=Key(APP_KEY))
Event = TypeVar("Event")


def network_of(**settings_: object) -> BenchNetwork:
    """A network that has heard nothing yet."""
    return BenchNetwork(EU868, joins=Joins(DEVICE), settings=NetworkSettings(**settings_))  # type: ignore[arg-type]


def tell(network: BenchNetwork, *packets: ReceivedPacket, at_s: float, gateway: int = NEAR) -> list[NetworkEvent]:
    """Hands packets over, and lets the time for copies pass."""
    events = [event for one in packets for event in network.hear(at(one, at_s), gateway=gateway, at_s=at_s)]
    due_s = network.due_s
    return events if due_s is None else [*events, *network.advance(due_s)]


def only(events: list[NetworkEvent], kind: type[Event]) -> Event:
    """The one event of this kind."""
    (found,) = (event for event in events if isinstance(event, kind))
    return found


def joined(network: BenchNetwork, board: Board, *, at_s: float = 0.0) -> Board:
    """A board that has joined."""
    board.take_accept(only(tell(network, heard(board.join_request()), at_s=at_s), DownlinkOrder).packet.payload)
    return board


def refusal(events: list[NetworkEvent]) -> Refused:
    """The refusal, beside which nothing may be delivered or ordered."""
    assert not [event for event in events if isinstance(event, Uplink | Joined | DownlinkOrder | Repeated)]
    return only(events, Refused)


# ---- joins


def test_a_board_joins_and_is_heard() -> None:
    """An independent board opens the join-accept, derives its keys, and its payload comes out in the clear."""
    network, board = network_of(rx1_offset=2, rx2_rate=3, rx_delay_s=5), Board()

    events = tell(network, heard(board.join_request(), counter_us=7_000_000), at_s=10.0)
    order = only(events, DownlinkOrder)
    board.take_accept(order.packet.payload)
    uplink = only(tell(network, heard(board.uplink(b"\x0e\x74\x14")), at_s=20.0), Uplink)

    assert (order.window, order.gateway, order.packet.counter_us) == (1, NEAR, 12_000_000)  # 5 s later
    assert (order.packet.frequency_hz, order.packet.rate, order.packet.inverted) == (868_100_000, "SF7BW125", True)
    assert loramsg.DLSettings.unpack(board.accept["DLSettings"])[:2] == (2, 3)
    assert board.accept["RxDelay"] == 5
    assert (uplink.counter, uplink.port, uplink.payload, uplink.missed) == (0, 2, b"\x0e\x74\x14", 0)
    assert uplink.airtime_us == loramsg.airtime(125, 7, 13 + 3)


def test_a_join_tells_what_was_heard() -> None:
    """Nonces, address, level, SNR, frequency and data rate are in the record."""
    event = only(tell(network_of(), heard(Board().join_request(), rssi_dbm=-41.0, snr_db=9.2), at_s=1.5), Joined)

    assert (event.dev_nonce, event.app_nonce, event.dev_addr) == (1, 1, DEV_EUI & 0x01FFFFFF)
    (reception,) = event.receptions
    assert (reception.gateway, reception.at_s, reception.rssi_dbm, reception.snr_db) == (NEAR, 1.5, -41.0, 9.2)
    assert (reception.frequency_hz, reception.rate) == (868_100_000, "SF7BW125")
    assert event.airtime_us == 61_696  # AN1200.13, 23 bytes at SF7 [recomputed]


@pytest.mark.parametrize(
    ("channels", "list_type"),
    [
        pytest.param(ExtraChannels((867_100_000, 867_300_000)), 0, id="extra-channels"),
    ],
)
def test_a_channel_list_goes_along(channels: ExtraChannels, list_type: int) -> None:
    """The board reads frequencies in steps of 100 Hz, least significant byte first, and the type at the end."""
    board = joined(network_of(channels=channels), Board())
    packed = board.accept["CFList"]

    assert isinstance(packed, bytes)
    assert packed[:6].hex() == "184f84e85684"  # 8671000 and 8673000, worked out by hand
    assert packed[-1] == list_type


@pytest.mark.parametrize(
    ("board", "why", "detail"),
    [
        pytest.param(
            Board(dev_eui=DEV_EUI + 1), Why.FOREIGN_BOARD, "DevEUI 70B3D57ED00000DD; accepted: 70B3", id="dev-eui"
        ),
        pytest.param(
            Board(join_eui=1), Why.WRONG_IDENTITY, "JoinEUI 0000000000000001; accepted: 0004A3", id="join-eui"
        ),
        pytest.param(
            Board(dev_eui=reversed_eui(DEV_EUI)),
            Why.WRONG_IDENTITY,
            "the same in the other byte order",
            id="reversed-eui",
        ),
        pytest.param(
            Board(join_eui=1, app_key=APP_KEY[::-1]), Why.FOREIGN_BOARD, "JoinEUI 0000000000000001", id="nothing fits"
        ),
        pytest.param(Board(app_key=bytes(16)), Why.WRONG_KEY, "signs with another key", id="key"),
        pytest.param(Board(app_key=APP_KEY[::-1]), Why.WRONG_KEY, "key in the other byte order", id="reversed-key"),
    ],
)
def test_a_join_that_is_not_this_boards_is_refused(board: Board, why: Why, detail: str) -> None:
    """The reason tells a foreign board from a wrong key, and either from one that was copied backwards."""
    found = refusal(tell(network_of(), heard(board.join_request()), at_s=0.0))

    assert found.why is why
    assert detail in found.detail
    assert APP_KEY.hex() not in found.detail


def test_a_nonce_is_used_once() -> None:
    """A board that forgot its nonce over a power cut is refused, and joins with the next one."""
    network, board = network_of(), Board()
    joined(network, board)

    again = refusal(tell(network, heard(board.request_with(1)), at_s=60.0))
    back = tell(network, heard(board.request_with(7)), at_s=120.0)
    earlier = tell(network, heard(board.request_with(5)), at_s=180.0)

    assert (again.why, "DevNonce 1 was used before" in again.detail) == (Why.NONCE_REUSED, True)
    assert only(back, Joined).dev_nonce == 7
    assert only(earlier, Joined).dev_nonce == 5  # LoRaWAN 1.0.0 to 1.0.3: any that was not used


def test_nonces_must_rise_where_the_board_is_of_1_0_4() -> None:
    """From LoRaWAN 1.0.4 on a nonce is a counter."""
    device = Device(dev_eui=DEV_EUI, join_eui=JOIN_EUI, app_key=Key(APP_KEY), nonces="rising")
    network, board = BenchNetwork(EU868, joins=Joins(device)), Board()
    tell(network, heard(board.request_with(7)), at_s=0.0)

    found = refusal(tell(network, heard(board.request_with(5)), at_s=60.0))

    assert (found.why, found.detail) == (
        Why.NONCE_REUSED, "DevNonce 5 after 7; accepted from LoRaWAN 1.0.4 on: rising",
    )  # fmt: skip


def test_the_old_session_lives_until_the_new_one_speaks() -> None:
    """A join-accept may get lost: the board goes on in its session. Once it has spoken in the new one, that ends."""
    network, board = network_of(), Board()
    joined(network, board)
    before = Board(**vars(board))
    tell(network, heard(before.uplink(b"1")), at_s=20.0)
    joined(network, board, at_s=40.0)

    in_old = only(tell(network, heard(before.uplink(b"2")), at_s=60.0), Uplink)
    in_new = only(tell(network, heard(board.uplink(b"3")), at_s=80.0), Uplink)
    too_late = refusal(tell(network, heard(before.uplink(b"4")), at_s=100.0))

    assert (in_old.payload, in_old.counter) == (b"2", 1)
    assert (in_new.payload, in_new.counter) == (b"3", 0)
    assert too_late.why is Why.BAD_MIC


# ---- copies of several gateways


def test_copies_of_several_gateways_are_one_uplink() -> None:
    """All receptions are in the record, the strongest first, and that gateway answers."""
    network = network_of()
    board = joined(network, Board())
    data = board.uplink(b"x", confirmed=True)

    network.hear(heard(data, snr_db=-3.0, counter_us=5), gateway=FAR, at_s=30.0)
    network.hear(heard(data, snr_db=-9.0, counter_us=10, frequency_hz=868_300_000), gateway=NEAR, at_s=30.1)
    network.hear(heard(data, snr_db=8.0, counter_us=11), gateway=NEAR, at_s=30.1)
    assert network.advance(30.15) == ()
    events = list(network.advance(30.2))

    uplink, order = only(events, Uplink), only(events, DownlinkOrder)
    assert [(one.gateway, one.snr_db) for one in uplink.receptions] == [(NEAR, 8.0), (FAR, -3.0)]
    assert (order.gateway, order.packet.counter_us) == (NEAR, 1_000_011)


def test_a_copy_that_comes_late_is_told() -> None:
    """It is neither a repetition nor delivered."""
    network = network_of()
    board = joined(network, Board())
    data = board.uplink(b"x")
    tell(network, heard(data), at_s=30.0)

    found = refusal(list(network.hear(heard(data), gateway=FAR, at_s=30.5)))
    handed_over_again = refusal(tell(network, heard(data, counter_us=30_000_000), at_s=45.0))

    assert found.why is Why.LATE_COPY
    assert handed_over_again.why is Why.LATE_COPY  # the gateway's clock shows the same instant


# ---- data frames


def test_the_counter_goes_through_its_rollover() -> None:
    """After 65535 comes 65536, whose lower half is 0 on air, and the payload is in the clear."""
    network = network_of()
    board = joined(network, Board())
    for number, counter in enumerate((10_000, 20_000, 30_000, 45_000, 60_000, 65_535, 65_536, 65_537)):
        board.up = counter
        found = only(tell(network, heard(board.uplink(b"hello")), at_s=30.0 * (number + 1)), Uplink)
        assert (found.counter, found.payload) == (counter, b"hello")


def test_a_replay_is_refused() -> None:
    """An old frame is known by its code, and is told apart from a wrong key."""
    network = network_of()
    board = joined(network, Board())
    old = [board.uplink(b"siren on"), board.uplink(b"siren off")]
    for number, data in enumerate([*old, board.uplink(b"")]):
        tell(network, heard(data), at_s=30.0 * (number + 1))

    found = refusal(tell(network, heard(old[0]), at_s=500.0))

    assert (found.why, found.detail) == (
        Why.REPLAY, "counter 0 after 2: an old frame, or a board that counts anew",
    )  # fmt: skip


def test_a_replay_from_before_a_rollover_is_refused() -> None:
    """Its lower half looks like a new counter; its code fits the old one."""
    network = network_of()
    board = joined(network, Board())
    old = b""
    for number, counter in enumerate((100, 16_000, 32_000, 48_000, 64_000, 65_536)):
        board.up = counter
        data = board.uplink(b"x")
        old = old or data
        tell(network, heard(data), at_s=30.0 * (number + 1))

    assert refusal(tell(network, heard(old), at_s=900.0)).why is Why.REPLAY


def test_a_gap_is_told_from_a_wrong_key() -> None:
    """A board that lost more frames than allowed is refused as such."""
    network = network_of()
    board = joined(network, Board())
    tell(network, heard(board.uplink(b"")), at_s=30.0)
    board.up = 16_385

    found = refusal(tell(network, heard(board.uplink(b"")), at_s=60.0))
    board.up = 16_384
    accepted = only(tell(network, heard(board.uplink(b"")), at_s=90.0), Uplink)

    assert (found.why, "accepted: up to 16384 ahead" in found.detail) == (Why.GAP, True)
    assert accepted.missed == 16_383


@pytest.mark.parametrize(
    ("spoil", "why"),
    [
        pytest.param(lambda data: data[:-1] + bytes((data[-1] ^ 1,)), Why.BAD_MIC, id="code"),
        pytest.param(lambda data: data[:9] + bytes((data[9] ^ 1,)) + data[10:], Why.BAD_MIC, id="payload"),
        pytest.param(lambda data: data[:1] + bytes((data[1] ^ 1,)) + data[2:], Why.FOREIGN_BOARD, id="address"),
        pytest.param(lambda data: data[:11], Why.MALFORMED, id="cut"),
        pytest.param(lambda data: b"\xe0" + data[1:], Why.NOT_UPLINK, id="proprietary"),
        pytest.param(lambda data: b"\x60" + data[1:], Why.NOT_UPLINK, id="downlink"),
        pytest.param(lambda data: b"\x20" + bytes(16), Why.NOT_UPLINK, id="join-accept"),
    ],
)
def test_what_is_not_the_boards_frame_is_refused(spoil: object, why: Why) -> None:
    """With the right reason, and the next good frame is accepted."""
    network = network_of()
    board = joined(network, Board())
    data = board.uplink(b"x")
    assert callable(spoil)

    assert refusal(tell(network, heard(spoil(data)), at_s=30.0)).why is why
    assert only(tell(network, heard(data), at_s=60.0), Uplink).payload == b"x"


def test_data_before_a_join_is_refused() -> None:
    """A board that remembers a session of another network must join."""
    board = Board(address=5, network_key=bytes(16), application_key=bytes(16))

    assert refusal(tell(network_of(), heard(board.uplink(b"x")), at_s=0.0)).why is Why.NOT_JOINED


@pytest.mark.parametrize(
    ("packet", "why", "detail"),
    [
        pytest.param(
            RejectedPacket("CRC failed", 5, 868_300_000, "SF9BW125", -118.0),
            Why.CRC,
            "CRC failed at 868.3 MHz, SF9BW125, -118 dBm, gateway A84041FFFE1E2D3C",
            id="crc",
        ),
        pytest.param(
            RejectedPacket("unreadable: size"),
            Why.MALFORMED,
            "unreadable: size, gateway A84041FFFE1E2D3C",
            id="unreadable",
        ),
    ],
)
def test_what_gateways_reject_is_told(packet: RejectedPacket, why: Why, detail: str) -> None:
    """A packet whose checksum failed is in the record, and in nothing else."""
    found = refusal(list(network_of().hear_rejected(packet, gateway=NEAR, at_s=1.0)))

    assert (found.why, found.detail) == (why, detail)


def test_a_data_rate_that_the_region_does_not_have_is_refused() -> None:
    """What cannot be priced is not used."""
    found = refusal(tell(network_of(), heard(Board().join_request(), rate="SF6BW500"), at_s=0.0))

    assert (found.why, "'SF6BW500' for uplinks in EU868" in found.detail) == (Why.MALFORMED, True)


def test_what_breaks_the_region_is_used_and_noted() -> None:
    """A board on a forbidden frequency is heard, and the record says so."""
    network = network_of()
    board = joined(network, Board())

    found = only(tell(network, heard(board.uplink(b"x"), frequency_hz=868_650_000), at_s=30.0), Uplink)

    assert found.notes == ("868.65 MHz at SF7BW125 lies in no band of EU868",)


# ---- MAC commands


def test_commands_in_the_options_and_on_port_0_are_read() -> None:
    """Options in the clear, port 0 under the network key; neither is the application's payload."""
    network = network_of()
    board = joined(network, Board())
    in_options = only(tell(network, heard(board.uplink(b"x", options=bytes.fromhex("06ff2c"))), at_s=30.0), Uplink)
    on_port_0 = only(tell(network, heard(_on_port_0(board, "02 06 fe 05")), at_s=60.0), Uplink)
    strange = only(tell(network, heard(board.uplink(b"x", options=b"\x80\x01")), at_s=90.0), Uplink)
    cut = only(tell(network, heard(board.uplink(b"x", options=b"\x06\x01")), at_s=120.0), Uplink)

    assert (in_options.commands, in_options.payload) == ((DevStatusAns(255, -20),), b"x")
    assert (on_port_0.commands, on_port_0.payload) == ((LinkCheckReq(), DevStatusAns(254, 5)), None)
    assert strange.commands == (UnknownCommand(0x80, b"\x01"),)
    assert strange.notes == ("MAC command 0x80 is none of LoRaWAN 1.0.x",)
    assert cut.notes == ("MAC commands: byte 0: DevStatusAns has 1 bytes; accepted: 2 after its identifier",)


def _on_port_0(board: Board, commands: str) -> bytes:
    return board.uplink(bytes.fromhex(commands), port=0)


# ---- a restart, secrets, garbage


def test_a_session_survives_a_restart_without_its_keys() -> None:
    """Plain data holds no key in any form; the keys follow from it, and counters go on."""
    network = network_of()
    board = joined(network, Board())
    first = board.uplink(b"1", confirmed=True)
    tell(network, heard(first), at_s=30.0)
    text = json.dumps(network.joins.to_plain())

    later = BenchNetwork(EU868, joins=Joins.from_plain(json.loads(text), device=DEVICE))
    replayed = refusal(tell(later, heard(first), at_s=0.0))
    second = tell(later, heard(board.uplink(b"2", confirmed=True)), at_s=30.0)

    assert Redactor(network.secrets).find(text) == ()
    assert len(network.secrets) == 3
    assert replayed.why is Why.REPLAY
    assert only(second, Uplink).payload == b"2"
    assert board.open(only(second, DownlinkOrder).packet.payload).counter == 1
    assert refusal(tell(later, heard(board.request_with(1)), at_s=60.0)).why is Why.NONCE_REUSED


@pytest.mark.parametrize(
    ("change", "complaint"),
    [
        pytest.param({"schema": 9}, "joins of schema 9 of", id="schema"),
        pytest.param({"dev_eui": "0" * 16}, "accepted: schema 1 of '70B3D57ED00000DC'", id="another-board"),
        pytest.param({"dev_nonces": None}, "joins without their list of dev_nonces", id="no-nonces"),
        pytest.param({"dev_nonces": [70000]}, "dev_nonces 70000; accepted: whole numbers from 0 to 65535", id="nonce"),
        pytest.param({"app_nonce": True}, "app_nonce True; accepted", id="app-nonce"),
        pytest.param({"session": 5}, "a session of type int; accepted", id="session"),
        pytest.param({"session": {}}, "dev_addr None; accepted", id="empty-session"),
    ],
)
def test_unreadable_joins_are_no_fresh_ones(change: dict[str, object], complaint: str) -> None:
    """A nonce that is forgotten could be used again: what cannot be read is refused."""
    plain = {**Joins(DEVICE, 1, {1}).to_plain(), **change}

    with pytest.raises(ValueError, match=complaint):
        Joins.from_plain(plain, device=DEVICE)


def test_no_event_shows_a_key() -> None:
    """Whatever a run tells of itself, no key is in it."""
    network, board = network_of(), Board()
    told: list[object] = []
    told += tell(network, heard(Board(app_key=APP_KEY[::-1]).join_request()), at_s=0.0)
    told += tell(network, heard(board.join_request()), at_s=20.0)
    board.take_accept(only([one for one in told if isinstance(one, DownlinkOrder)], DownlinkOrder).packet.payload)
    told += tell(network, heard(board.uplink(b"x", confirmed=True)), at_s=40.0)
    told += [network, network.joins, network.device, network.settings, network.secrets]

    assert Redactor(network.secrets).find("\n".join(repr(one) for one in told)) == ()


@settings(deadline=None, max_examples=60)
@given(st.lists(st.binary(min_size=1, max_size=60) | st.integers(0, 16).map(lambda at: bytes((at,))), max_size=8))
def test_no_packet_ends_the_network(packets: list[bytes]) -> None:
    """Whatever bytes a gateway hands over, the network answers with events, and the board is heard afterwards."""
    network = network_of()
    board = joined(network, Board())
    for number, data in enumerate(packets):
        assert all(isinstance(one, Refused) for one in tell(network, heard(data), at_s=30.0 * (number + 1)))

    assert only(tell(network, heard(board.uplink(b"x")), at_s=1000.0), Uplink).payload == b"x"


@pytest.mark.parametrize(
    ("make", "complaint"),
    [
        pytest.param(lambda: network_of(rx1_offset=6), r"offset 6 in EU868; accepted: \[0, 1", id="offset"),
        pytest.param(lambda: network_of(rx2_rate=9), "data rate 9 for downlinks in EU868", id="rx2"),
        pytest.param(lambda: network_of(channels=ChannelMasks((1,))), "channel list of type 1 in EU868", id="list"),
        pytest.param(lambda: network_of(first_window=3), "first window 3 after 1 s; accepted: 1 or 2", id="window"),
        pytest.param(lambda: network_of(rx_delay_s=0), "first window 1 after 0 s", id="delay"),
        pytest.param(lambda: network_of(merge_s=0.9), "together less than the 1 s to the first window", id="merge"),
    ],
)
def test_settings_that_cannot_be_are_refused(make: object, complaint: str) -> None:
    """Before anything is heard."""
    assert callable(make)
    with pytest.raises(ValueError, match=complaint):
        make()


def test_us915_answers_on_its_own_channels() -> None:
    """The first window is on one of eight channels at 500 kHz; off the channels there is the second window alone."""
    network, board = BenchNetwork(US915, joins=Joins(DEVICE)), Board()

    first = tell(network, heard(board.join_request(), frequency_hz=904_300_000, rate="SF10BW125"), at_s=0.0)
    second = tell(network, heard(board.join_request(), frequency_hz=904_350_000, rate="SF10BW125"), at_s=60.0)

    order = only(first, DownlinkOrder)
    assert (order.window, order.packet.frequency_hz, order.packet.rate) == (1, 924_500_000, "SF10BW500")
    other = only(second, DownlinkOrder)
    assert (other.window, other.packet.frequency_hz, other.packet.rate) == (2, 923_300_000, "SF12BW500")


def test_the_gateways_airtime_is_kept() -> None:
    """When the first window's band is used up the second is taken, and then nothing is sent."""
    budget = AirtimeBudget(transmitter="gateway", region=EU868)
    network = BenchNetwork(EU868, joins=Joins(DEVICE), budget=budget)
    board = joined(network, Board())
    windows: list[int] = []
    for number in range(150):
        data = board.uplink(b"", confirmed=True)
        events = tell(network, heard(data, rate="SF12BW125"), at_s=10.0 + 4.0 * number)
        windows += [event.window for event in events if isinstance(event, DownlinkOrder)]

    spent = network.budget
    assert spent is not None
    assert windows == sorted(windows)
    first, second = windows.count(1), windows.count(2)
    ack_us = EU868.rate(0, uplink=False).airtime_us(12, uplink=False)
    join_us = EU868.rate(5, uplink=False).airtime_us(17, uplink=False)
    assert first == (36_000_000 - join_us) // ack_us
    assert first + second == 150
    assert spent.used_us(EU868.bands[4], at_s=700.0) == second * ack_us
    full = BenchNetwork(EU868, joins=Joins(DEVICE), settings=NetworkSettings(utc_of_zero_s=700.0), budget=_full(spent))
    answer = only(tell(full, heard(Board().join_request(), rate="SF12BW125"), at_s=0.0), NotSent)
    assert "window 1: " in answer.reason
    assert "window 2: " in answer.reason


def _full(budget: AirtimeBudget) -> AirtimeBudget:
    window = EU868.second_window()
    cost = price(EU868, frequency_hz=window.frequency_hz, rate=window.rate, phy_bytes=64, uplink=False)
    for number in range(200):
        budget = budget.record(cost, at_s=400.0 + number)
    return budget
