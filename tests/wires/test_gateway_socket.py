"""The endpoint of the gateways on real loopback: answers at once, survives anything, hands on with its time."""

from __future__ import annotations

import errno
import os
import socket
import threading
import time
from typing import TYPE_CHECKING

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from benchrig.errors import GatewayError
from benchrig.protocol.gateway_packets import TransmitPacket
from benchrig.wires.gateway_socket import MOST_WAITING, GatewaySocket, _why_not_sent
from tests.wires.udp_gateway import PULL_DATA, PUSH_DATA, UdpGateway

if TYPE_CHECKING:
    from collections.abc import Iterator

NEAR, FAR = 0xA84041FFFE1E2D3C, 0x0016C001FF10A235
ORDER = TransmitPacket(payload=b"down", counter_us=3_000_000, frequency_hz=868_100_000, rate="SF7BW125", power_dbm=14)


@pytest.fixture
def endpoint() -> Iterator[GatewaySocket]:
    """Listens on a free port."""
    with GatewaySocket("127.0.0.1", 0) as made:
        yield made


@pytest.fixture
def gateway(endpoint: GatewaySocket) -> Iterator[UdpGateway]:
    """A gateway that speaks to it."""
    made = UdpGateway((endpoint.host, endpoint.port), NEAR)
    yield made
    made.close()


def test_packet_comes_out_with_its_gateway_and_time(endpoint: GatewaySocket, gateway: UdpGateway) -> None:
    """What a gateway received is handed on with who heard it, how, and when its datagram came."""
    before_s = time.monotonic()
    gateway.push(b"frame", counter_us=77, rssi=-51.0)
    after_s = time.monotonic()

    arrived = endpoint.take(5.0)

    assert arrived is not None
    (packet,) = arrived.heard.packets
    assert (arrived.heard.gateway, packet.payload, packet.counter_us, packet.rssi_dbm) == (NEAR, b"frame", 77, -51.0)
    assert before_s <= arrived.wall_s <= after_s


def test_order_reaches_the_gateway_that_opened_a_way(endpoint: GatewaySocket, gateway: UdpGateway) -> None:
    """An order goes to where the gateway last asked from, and its answer comes back under the order's number."""
    gateway.pull()
    number = endpoint.order(ORDER, gateway=NEAR)

    found = gateway.order(answer="TOO_LATE")

    assert (found.data, found.counter_us, found.frequency_mhz, found.rate, found.inverted) == (
        b"down", 3_000_000, 868.1, "SF7BW125", True,
    )  # fmt: skip
    arrived = endpoint.take(5.0)
    assert arrived is not None
    assert arrived.heard.answer == (number, NEAR, "TOO_LATE")


def test_order_without_a_way_is_an_error_of_the_bench(endpoint: GatewaySocket) -> None:
    """A gateway that never asked cannot be reached: said with those that did."""
    with pytest.raises(GatewayError, match=r"0016C001FF10A235 has opened no way for downlinks; accepted: none yet"):
        endpoint.order(ORDER, gateway=FAR)


def test_order_that_the_kernel_does_not_send_is_told(endpoint: GatewaySocket, gateway: UdpGateway) -> None:
    """A gateway beyond what a listener on loopback can reach (RFC 5737): said with what to do; it goes on."""
    hello = b"\x02ab\x02" + FAR.to_bytes(8, "big")
    endpoint._side.receive(hello, sender=("198.51.100.7", 1700))

    with pytest.raises(
        GatewayError,
        match=r"an order of \d+ bytes cannot be sent to gateway 0016C001FF10A235 at 198\.51\.100\.7:1700: Invalid "
        r"argument; that address cannot be reached from where the bench listens: give \[gateway\] listen",
    ):
        endpoint.order(ORDER, gateway=FAR)
    gateway.pull()
    endpoint.order(ORDER, gateway=NEAR)
    assert gateway.order().data == b"down"


@pytest.mark.parametrize(
    ("code", "says"),
    [
        pytest.param(errno.ENETUNREACH, "Network is unreachable; this computer has no way", id="no network"),
        pytest.param(errno.EHOSTUNREACH, "No route to host; nobody at that address answers", id="no host"),
        pytest.param(errno.EMSGSIZE, "Message too long; it is longer than a datagram may be", id="too long"),
        pytest.param(errno.EPERM, "Operation not permitted; a rule of this computer forbids it", id="firewall"),
        pytest.param(errno.EIO, "Input/output error; check the network between", id="any other"),
    ],
)
def test_what_the_kernel_says_comes_with_a_next_action(code: int, says: str) -> None:
    """Each way in which a datagram is not sent (errno of sendto, POSIX.1-2017) names what to do."""
    assert _why_not_sent(OSError(code, os.strerror(code))).startswith(says)


def test_gateway_that_moved_is_found_again(endpoint: GatewaySocket) -> None:
    """A gateway that comes back from another port gets its orders there."""
    for _ in range(2):
        gateway = UdpGateway((endpoint.host, endpoint.port), NEAR)
        gateway.pull()
        endpoint.order(ORDER, gateway=NEAR)
        assert gateway.order().data == b"down"
        gateway.close()


def test_gone_gateway_does_not_end_the_listening(endpoint: GatewaySocket) -> None:
    """Orders to a gateway that has gone are lost, and everybody else is heard."""
    gone = UdpGateway((endpoint.host, endpoint.port), FAR)
    gone.pull()
    gone.close()
    endpoint.order(ORDER, gateway=FAR)
    endpoint.order(ORDER, gateway=FAR)

    other = UdpGateway((endpoint.host, endpoint.port), NEAR)
    other.push(b"alive")
    other.close()

    arrived = endpoint.take(5.0)
    assert arrived is not None
    assert arrived.heard.packets[0].payload == b"alive"


@settings(max_examples=200, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.one_of(
        st.binary(max_size=300),
        st.binary(max_size=200).map(lambda body: b"\x02ab\x00" + NEAR.to_bytes(8, "big") + body),
        st.binary(max_size=60).map(lambda body: b'\x02ab\x00AAAABBBB{"rxpk":[{' + body + b"}]}"),
    )
)
def test_garbage_is_counted_and_survived(endpoint: GatewaySocket, gateway: UdpGateway, garbage: bytes) -> None:
    """Whatever bytes come, the next good datagram is answered."""
    gateway.raw(garbage)

    gateway.pull()

    assert endpoint.counts.datagrams >= 2
    assert NEAR in endpoint.gateways


def test_bad_datagram_is_counted_with_its_reason(endpoint: GatewaySocket, gateway: UdpGateway) -> None:
    """How many were bad, and why the last one was, can be asked."""
    gateway.raw(b"\x01\x00\x00\x02")
    gateway.pull()

    assert (endpoint.counts.bad, endpoint.counts.bad_reason) == (1, "byte 0: protocol version 1; accepted: 2")


def test_stranger_among_gateways_is_not_answered() -> None:
    """A gateway that the bench file does not name is counted as bad, and is no sign of life."""
    with GatewaySocket("127.0.0.1", 0, accepted=frozenset((NEAR,))) as endpoint:
        stranger, own = (UdpGateway((endpoint.host, endpoint.port), eui) for eui in (FAR, NEAR))
        stranger.say(PULL_DATA)
        for _ in range(2):  # what the first brought is complete once the second is answered
            own.pull()
        stranger.close()
        own.close()

        assert endpoint.gateways == (NEAR,)
        assert list(endpoint.last_wall_s) == [NEAR]
        assert endpoint.counts.bad_reason == "gateway 0016C001FF10A235 is none of this bench"


def test_sign_of_life_ends_the_wait_for_it(endpoint: GatewaySocket, gateway: UdpGateway) -> None:
    """A wait for a word ends with the first datagram after the instant, and not with one before."""
    gateway.pull()
    asked_s = time.monotonic()
    assert not endpoint.wait_for_word(asked_s, 0.05)

    speaker = threading.Timer(0.05, gateway.pull)
    speaker.start()
    assert endpoint.wait_for_word(asked_s, 5.0)
    speaker.join()


def test_what_nobody_takes_is_lost_and_counted(endpoint: GatewaySocket, gateway: UdpGateway) -> None:
    """Memory stays bounded: beyond the bound the newest are dropped, still answered, and counted."""
    for number in range(MOST_WAITING + 10):
        gateway.push(number.to_bytes(3, "big"))
    gateway.pull()  # what came before is complete once this is answered

    assert endpoint.lost == 10


def test_port_in_use_is_one_sentence(endpoint: GatewaySocket) -> None:
    """A second listener on the same port is told what to do."""
    with pytest.raises(
        GatewayError, match=rf"127.0.0.1:{endpoint.port}: cannot listen there: .*another program listens"
    ):
        GatewaySocket("127.0.0.1", endpoint.port)


def test_address_of_another_computer_is_one_sentence() -> None:
    """192.0.2.1 is an address for examples (RFC 5737): no computer has it."""
    with pytest.raises(GatewayError, match=r"192\.0\.2\.1:1700: cannot listen there: .*give one of its own"):
        GatewaySocket("192.0.2.1", 1700)


def test_closing_ends_a_wait_and_frees_the_port() -> None:
    """Nobody waits for a socket that is closed, and the next run can listen."""
    endpoint = GatewaySocket("127.0.0.1", 0)
    closer = threading.Timer(0.05, endpoint.close)
    closer.start()

    assert endpoint.take(None) is None
    closer.join()
    endpoint.close()
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as again:
        again.bind((endpoint.host, endpoint.port))


def test_repeated_push_is_answered_again_and_handed_on_once(endpoint: GatewaySocket, gateway: UdpGateway) -> None:
    """A gateway that missed our answer sends the same bytes: they count once."""
    content = {"rxpk": [], "stat": {"rxnb": 1}}
    for _ in range(2):
        gateway.say(PUSH_DATA, content, token=b"xy")
    gateway.pull()

    assert endpoint.counts.repeated == 1
    assert endpoint.take(1.0) is not None
    assert endpoint.take(0.0) is None
