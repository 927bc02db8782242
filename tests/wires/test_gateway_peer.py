"""A gateway of another maker's codec (pamoja-gateway, from the registry) against our endpoint, over real UDP.

Both sides of a codec agree on its mistakes: here the other side is somebody else's.
"""

from __future__ import annotations

import socket
from typing import TYPE_CHECKING

import pytest
from pamoja.gateway import Packet, PacketKind, Rxpk, Stat, TxStatus, encode, parse
from pamoja.lora import link

from benchrig.protocol.gateway_packets import TransmitPacket
from benchrig.wires.gateway_socket import GatewaySocket

if TYPE_CHECKING:
    from collections.abc import Iterator

GATEWAY = "b827ebfffe010203"
EUI = int(GATEWAY, 16)


class Peer:
    """A gateway that speaks with the other codec alone."""

    def __init__(self, address: tuple[str, int]) -> None:
        self._socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self._socket.settimeout(5.0)
        self._socket.connect(address)

    def ask(self, packet: Packet) -> Packet:
        """Sends, and reads the answer."""
        self.say(packet)
        return self.hear()

    def say(self, packet: Packet) -> None:
        """Sends."""
        self._socket.send(encode(packet))

    def hear(self) -> Packet:
        """Reads."""
        return parse(self._socket.recv(65_535))

    def close(self) -> None:
        """Pulls the plug."""
        self._socket.close()


@pytest.fixture
def endpoint() -> Iterator[GatewaySocket]:
    """Listens on a free port."""
    with GatewaySocket("127.0.0.1", 0) as made:
        yield made


@pytest.fixture
def peer(endpoint: GatewaySocket) -> Iterator[Peer]:
    """The other maker's gateway."""
    made = Peer((endpoint.host, endpoint.port))
    yield made
    made.close()


def test_both_requests_are_acknowledged_in_its_reading(endpoint: GatewaySocket, peer: Peer) -> None:
    """PULL_DATA and PUSH_DATA are answered by what the other codec takes for their acknowledgements."""
    pulled = peer.ask(Packet(PacketKind.PULL_DATA, 0x7A01, gateway=GATEWAY))
    pushed = peer.ask(Packet(PacketKind.PUSH_DATA, 0x1234, gateway=GATEWAY, status=Stat(received=2, received_ok=1)))

    assert (pulled.kind, pulled.token) == (PacketKind.PULL_ACK, 0x7A01)
    assert (pushed.kind, pushed.token) == (PacketKind.PUSH_ACK, 0x1234)
    assert endpoint.gateways == (EUI,)
    arrived = endpoint.take(5.0)
    assert arrived is not None
    assert arrived.heard.status is not None
    assert (arrived.heard.status.received, arrived.heard.status.received_good) == (2, 1)


def test_packet_of_its_making_is_read_whole(endpoint: GatewaySocket, peer: Peer) -> None:
    """Frequency, data rate, level, counter and bytes come out as they went in."""
    heard = Rxpk(868_300_000, b"\x40hay", link=link(9, 125_000), rssi_dbm=-97, snr_db=-3.2, timestamp_us=3_512_348_611)
    peer.ask(Packet(PacketKind.PUSH_DATA, 1, gateway=GATEWAY, packets=[heard]))

    arrived = endpoint.take(5.0)

    assert arrived is not None
    (packet,) = arrived.heard.packets
    assert (packet.payload, packet.frequency_hz, packet.rate) == (b"\x40hay", 868_300_000, "SF9BW125")
    assert (packet.rssi_dbm, packet.snr_db, packet.counter_us) == (-97.0, -3.2, 3_512_348_611)


def test_order_of_ours_is_read_whole(endpoint: GatewaySocket, peer: Peer) -> None:
    """The other codec reads instant, channel, data rate, power, polarity and bytes of an order; we read its answer."""
    peer.ask(Packet(PacketKind.PULL_DATA, 2, gateway=GATEWAY))
    order = TransmitPacket(
        payload=b"\x60down", counter_us=3_513_348_611, frequency_hz=869_525_000, rate="SF12BW125", power_dbm=14
    )
    number = endpoint.order(order, gateway=EUI)

    found = peer.hear()
    sent = found.transmit

    assert found.kind == PacketKind.PULL_RESP
    assert sent is not None
    assert (sent.payload, sent.timestamp_us, sent.frequency_hz) == (b"\x60down", 3_513_348_611, 869_525_000)
    assert sent.link is not None
    assert (sent.link.spreading_factor, sent.link.bandwidth_hz) == (12, 125_000)
    assert (sent.power_dbm, sent.invert_polarity) == (14, True)
    peer.say(Packet(PacketKind.TX_ACK, found.token, gateway=GATEWAY, tx_status=TxStatus.TOO_LATE))
    arrived = endpoint.take(5.0)
    assert arrived is not None
    assert arrived.heard.answer == (number, EUI, "TOO_LATE")
