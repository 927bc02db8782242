"""Datagrams of the packet-forwarder protocol: literal bytes, round trips, several gateways, and garbage."""

from __future__ import annotations

import base64
import json
from typing import TYPE_CHECKING

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchrig.protocol.gateway_packets import GatewayStatus, ReceivedPacket, RejectedPacket, TransmitPacket
from benchrig.protocol.gateway_side import GatewaySide, OrderAnswer, Reply
from benchrig.protocol.packet_forwarder import (
    PullAck,
    PullData,
    PullResp,
    PushAck,
    PushData,
    TxAck,
    build_datagram,
    parse_datagram,
)

if TYPE_CHECKING:
    from collections.abc import Mapping

    from benchrig.protocol.packet_forwarder import Datagram

GATEWAY, OTHER = 0xA84041FFFE1E2D3C, 0x0016C001FF10A235
UPLINK = bytes.fromhex("40f17dbe4900020001954378762b11ff0d")  # lora-packet, see lorawan_frames.csv

# As a gateway writes it, by the field lists of PROTOCOL.TXT (from memory).
RXPK: Mapping[str, object] = {
    "time": "2026-11-25T14:48:20.123456Z",
    "tmst": 3512348611,
    "chan": 2,
    "rfch": 0,
    "freq": 868.1,
    "stat": 1,
    "modu": "LORA",
    "datr": "SF7BW125",
    "codr": "4/5",
    "rssi": -35,
    "lsnr": 5.1,
    "size": 17,
    "data": base64.b64encode(UPLINK).decode("ascii"),
}
RECEIVED = ReceivedPacket(
    payload=UPLINK,
    counter_us=3512348611,
    frequency_hz=868_100_000,
    rate="SF7BW125",
    rssi_dbm=-35.0,
    snr_db=5.1,
    channel=2,
    time="2026-11-25T14:48:20.123456Z",
)
ORDER = TransmitPacket(
    payload=b"\x60down", counter_us=3513348611, frequency_hz=869_525_000, rate="SF12BW125", power_dbm=14
)


def push(*packets: object, token: int = 0x1234, gateway: int = GATEWAY, **more: object) -> bytes:
    """PUSH_DATA with these objects as its packets."""
    content = {"rxpk": list(packets), **more} if packets else more
    return b"\x02" + token.to_bytes(2, "big") + b"\x00" + gateway.to_bytes(8, "big") + json.dumps(content).encode()


def changed(**changes: object) -> dict[str, object]:
    """The packet with other fields; None leaves one out."""
    return {name: value for name, value in {**RXPK, **changes}.items() if value is not None}


def test_a_push_is_read() -> None:
    """Every field of a received packet comes out in base units."""
    found = parse_datagram(push(RXPK))

    assert found == PushData(0x1234, GATEWAY, (RECEIVED,))


@pytest.mark.parametrize(
    ("data", "expected"),
    [
        pytest.param("02 1234 01", PushAck(0x1234), id="push-ack"),
        pytest.param("02 1234 02 a84041fffe1e2d3c", PullData(0x1234, GATEWAY), id="pull-data"),
        pytest.param("02 1234 04", PullAck(0x1234), id="pull-ack"),
        pytest.param("02 1234 05 a84041fffe1e2d3c", TxAck(0x1234, GATEWAY), id="tx-ack-bare"),
        pytest.param("02 1234 05 a84041fffe1e2d3c 00", TxAck(0x1234, GATEWAY), id="tx-ack-zero"),
        pytest.param(
            "02 1234 05 a84041fffe1e2d3c" + b'{"txpk_ack":{"error":"NONE"}}'.hex(), TxAck(0x1234, GATEWAY), id="tx-ack"
        ),
        pytest.param(
            "02 1234 05 a84041fffe1e2d3c" + b'{"txpk_ack":{"error":"TOO_LATE"}}'.hex(),
            TxAck(0x1234, GATEWAY, "TOO_LATE"),
            id="too-late",
        ),
    ],
)
def test_short_datagrams_are_read(data: str, expected: Datagram) -> None:
    """Version, token in network order, kind, gateway (PROTOCOL.TXT version 2, from memory)."""
    assert parse_datagram(bytes.fromhex(data)) == expected


def test_an_order_is_written_as_gateways_read_it() -> None:
    """Frequency in megahertz, polarity inverted, no checksum over the payload, time by the gateway's clock."""
    data = build_datagram(PullResp(0x0203, ORDER))

    assert data[:4] == b"\x02\x02\x03\x03"
    assert json.loads(data[4:])["txpk"] == {
        "tmst": 3513348611,
        "freq": 869.525,
        "rfch": 0,
        "powe": 14,
        "modu": "LORA",
        "datr": "SF12BW125",
        "codr": "4/5",
        "ipol": True,
        "prea": 8,
        "ncrc": True,
        "size": 5,
        "data": base64.b64encode(b"\x60down").decode("ascii"),
    }
    assert parse_datagram(data) == PullResp(0x0203, ORDER)


packets = st.builds(
    ReceivedPacket,
    payload=st.binary(max_size=255),
    counter_us=st.integers(0, 0xFFFFFFFF),
    frequency_hz=st.integers(1, 9_999_999_999),
    rate=st.sampled_from(["SF7BW125", "SF12BW500", "50000"]),
    rssi_dbm=st.integers(-150, 20).map(float),
    snr_db=st.none() | st.floats(-30, 30),
    channel=st.integers(0, 255),
    chain=st.integers(0, 3),
    time=st.text("0123456789-:TZ.", max_size=30),
)
statuses = st.builds(
    GatewayStatus,
    time=st.text(max_size=20),
    received=st.integers(0, 1 << 32),
    received_good=st.integers(0, 1 << 32),
    forwarded=st.integers(0, 1 << 32),
    acknowledged_percent=st.floats(0, 100),
    orders=st.integers(0, 1 << 32),
    transmitted=st.integers(0, 1 << 32),
)


@settings(deadline=None)
@given(st.integers(0, 0xFFFF), st.integers(0, (1 << 64) - 1), st.lists(packets, max_size=4), st.none() | statuses)
def test_a_push_comes_back(token: int, gateway: int, found: list[ReceivedPacket], status: GatewayStatus | None) -> None:
    """What a gateway would write is read as the same values."""
    datagram = PushData(token, gateway, tuple(found), (), status)

    assert parse_datagram(build_datagram(datagram)) == datagram


@settings(deadline=None)
@given(st.binary(max_size=80))
def test_garbage_is_a_datagram_or_a_value_error(data: bytes) -> None:
    """No bytes whatever end in another exception."""
    try:
        parse_datagram(data)
    except ValueError:
        return


json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=10),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=5), inner, max_size=4),
    max_leaves=10,
)


@settings(deadline=None)
@given(st.sampled_from([*RXPK, "stat", "txpk", "rxpk"]), json_values, st.sampled_from([0, 3, 5]))
def test_strange_json_is_a_datagram_or_a_value_error(name: str, value: object, kind: int) -> None:
    """Whatever stands in a field: one bad packet is told apart, and nothing else is raised."""
    bad = {**RXPK, name: value}
    content = {"rxpk": [bad, RXPK], "txpk": bad, "stat": {name: value}, "txpk_ack": {"error": value}}
    data = b"\x02\x00\x01" + bytes((kind,)) + (b"" if kind == 3 else bytes(8)) + json.dumps(content).encode()
    try:
        found = parse_datagram(data)
    except ValueError:
        return
    if isinstance(found, PushData):
        assert RECEIVED in found.packets


@pytest.mark.parametrize(
    ("data", "complaint"),
    [
        pytest.param(b"\x02\x00\x01", "a datagram of 3 bytes; accepted: 4 to 65507", id="short"),
        pytest.param(b"\x01\x00\x01\x02" + bytes(8), "byte 0: protocol version 1; accepted: 2", id="version"),
        pytest.param(b"\x02\x00\x01\x06", "byte 3: datagram type 6; accepted: 0 to 5", id="kind"),
        pytest.param(b"\x02\x00\x01\x02" + bytes(7), "PULL_DATA of 11 bytes has no gateway", id="no-gateway"),
        pytest.param(b"\x02\x00\x01\x01x", "PUSH_ACK of 5 bytes; accepted: 4", id="long-ack"),
        pytest.param(b"\x02\x00\x01\x00" + bytes(8) + b"{", "no JSON in 1 bytes", id="no-json"),
        pytest.param(b"\x02\x00\x01\x00" + bytes(8) + b"[" * 60000, "no JSON in 60000 bytes", id="deep"),
        pytest.param(b"\x02\x00\x01\x00" + bytes(8) + b"[]", "JSON of type list; accepted: an object", id="list"),
        pytest.param(push(RXPK, rxpk=3), "rxpk is no list", id="rxpk"),
        pytest.param(b"\x02\x00\x01\x03{}", "no txpk object", id="txpk"),
        pytest.param(bytes(65508), "a datagram of 65508 bytes", id="long"),
    ],
)
def test_a_bad_datagram_is_named(data: bytes, complaint: str) -> None:
    """The error says what is wrong, where, and what is accepted."""
    with pytest.raises(ValueError, match=complaint):
        parse_datagram(data)


def test_an_order_fits_a_gateways_buffer() -> None:
    """255 bytes of payload are below the 1000 bytes that a gateway takes (from memory)."""
    assert len(build_datagram(PullResp(1, TransmitPacket(
        payload=bytes(255), counter_us=0xFFFFFFFF, frequency_hz=869_525_000, rate="SF12BW125", power_dbm=27,
    )))) < 1000  # fmt: skip
    with pytest.raises(ValueError, match=r"a datagram of .* bytes; accepted: up to 1000"):
        build_datagram(PullResp(1, TransmitPacket(
            payload=bytes(700), counter_us=1, frequency_hz=869_525_000, rate="SF12BW125", power_dbm=27,
        )))  # fmt: skip
    with pytest.raises(ValueError, match="token 65536; accepted: 16 bits"):
        build_datagram(PushAck(65536))


@pytest.mark.parametrize(
    ("changes", "reason"),
    [
        pytest.param({"stat": -1}, "CRC failed", id="crc"),
        pytest.param({"stat": 0}, "no CRC", id="no-crc"),
        pytest.param({"stat": None}, "unreadable: stat None; accepted", id="no-status"),
        pytest.param({"stat": True}, "unreadable: stat True; accepted", id="status-true"),
        pytest.param({"data": "?!"}, "unreadable: data of 2 characters is no base64", id="base64"),
        pytest.param({"size": 16}, "unreadable: size 16 beside 17 bytes", id="size"),
        pytest.param({"tmst": 1 << 32}, "unreadable: tmst 4294967296", id="clock"),
        pytest.param({"freq": 0}, "unreadable: freq 0.0", id="frequency"),
        pytest.param({"rssi": 10**400}, "unreadable: rssi 1000000000", id="level"),
        pytest.param({"datr": 50000}, "unreadable: modu 'LORA', datr 50000", id="rate"),
    ],
)
def test_a_packet_that_must_not_be_used_has_no_bytes(changes: dict[str, object], reason: str) -> None:
    """It is told beside the good ones of its datagram, and can be used by nobody."""
    found = parse_datagram(push(changed(**changes), RXPK))

    assert isinstance(found, PushData)
    assert found.packets == (RECEIVED,)
    (rejected,) = found.rejected
    assert isinstance(rejected, RejectedPacket)
    assert rejected.reason.startswith(reason)
    assert UPLINK not in [getattr(rejected, name) for name in rejected.__struct_fields__]


def test_base64_without_padding_is_read() -> None:
    """Some gateways leave the padding out."""
    found = parse_datagram(push(changed(data=str(RXPK["data"]).rstrip("="))))

    assert isinstance(found, PushData)
    assert found.packets[0].payload == UPLINK


# ---- the network's side


def test_pushes_and_pulls_are_answered_with_their_token() -> None:
    """The answer has the token of the datagram and goes back to whoever sent it."""
    side = GatewaySide[str]()

    assert side.receive(push(RXPK), sender="a").replies == (Reply(b"\x02\x12\x34\x01", "a"),)
    assert side.receive(build_datagram(PullData(7, GATEWAY)), sender="b").replies == (Reply(b"\x02\x00\x07\x04", "b"),)


def test_a_push_sent_again_is_answered_and_not_handed_over_again() -> None:
    """Our answer was lost: the gateway gets another, and its packets count once."""
    side = GatewaySide[str]()

    first, second = side.receive(push(RXPK), sender="a"), side.receive(push(RXPK), sender="a")

    assert (len(first.packets), len(second.packets)) == (1, 0)
    assert first.replies == second.replies
    assert (side.counts.packets, side.counts.repeated) == (1, 1)


def test_several_gateways_have_their_own_ways() -> None:
    """An order goes where its gateway last opened a way; addresses may change."""
    side = GatewaySide[str]()
    side.receive(build_datagram(PullData(1, GATEWAY)), sender="first")
    side.receive(build_datagram(PullData(1, OTHER)), sender="other")
    side.receive(build_datagram(PullData(2, GATEWAY)), sender="moved")

    assert side.gateways == (GATEWAY, OTHER)
    assert side.order(ORDER, gateway=GATEWAY)[1].to == "moved"
    assert side.order(ORDER, gateway=OTHER)[1].to == "other"
    with pytest.raises(ValueError, match="gateway 0000000000000001 has opened no way for downlinks; accepted: A84041"):
        side.order(ORDER, gateway=1)


def test_an_answer_finds_its_order() -> None:
    """Each order has a token of its own, by which a gateway takes or refuses it, once."""
    side = GatewaySide[str]()
    side.receive(build_datagram(PullData(1, GATEWAY)), sender="a")
    first, to_send = side.order(ORDER, gateway=GATEWAY)
    second, _ = side.order(ORDER, gateway=GATEWAY)
    sent = parse_datagram(to_send.data)
    assert isinstance(sent, PullResp)

    refused = side.receive(build_datagram(TxAck(sent.token, GATEWAY, "TOO_LATE")), sender="a")
    again = side.receive(build_datagram(TxAck(sent.token, GATEWAY)), sender="a")

    assert first != second
    assert refused.answer == OrderAnswer(first, GATEWAY, "TOO_LATE")
    assert again.answer is None
    assert (side.counts.refused_orders, side.counts.bad) == (1, 1)


@pytest.mark.parametrize(
    ("data", "reason"),
    [
        pytest.param(b"noise", "byte 0: protocol version 110", id="noise"),
        pytest.param(b"\x02\x00\x01\x01", "PushAck comes from a network", id="wrong-side"),
        pytest.param(build_datagram(PullData(1, 5)), "gateway 0000000000000005 is none of this bench", id="stranger"),
        pytest.param(build_datagram(TxAck(9, GATEWAY)), "TX_ACK for token 9, with which nothing", id="no-order"),
    ],
)
def test_bad_datagrams_are_counted_and_survived(data: bytes, reason: str) -> None:
    """Nothing is answered, the reason is kept, and the next good one is dealt with."""
    side = GatewaySide[str](accepted=frozenset((GATEWAY, OTHER)))

    heard = side.receive(data, sender="x")

    assert (heard.replies, heard.packets) == ((), ())
    assert (side.counts.datagrams, side.counts.bad) == (1, 1)
    assert side.counts.bad_reason.startswith(reason)
    assert side.receive(push(RXPK), sender="a").packets == (RECEIVED,)


@settings(deadline=None)
@given(st.lists(st.binary(max_size=60), max_size=20))
def test_no_datagram_ends_the_talk(datagrams: list[bytes]) -> None:
    """Whatever comes, `receive` returns, and counts it."""
    side = GatewaySide[int]()
    for number, data in enumerate(datagrams):
        side.receive(data, sender=number)

    assert side.counts.datagrams == len(datagrams)


def test_memory_stays_flat() -> None:
    """A long run remembers no more datagrams and orders than a short one."""
    side = GatewaySide[str]()
    side.receive(build_datagram(PullData(1, GATEWAY)), sender="a")
    for number in range(500):
        side.receive(push(RXPK, token=number), sender="a")
        side.order(ORDER, gateway=GATEWAY)

    assert len(side._seen) <= 64
    assert len(side._orders) <= 64
