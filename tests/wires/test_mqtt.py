"""Real brokers on loopback: messages both ways, passwords, certificates, and a broker that is killed and comes back."""

from __future__ import annotations

import threading
import time
import traceback
from typing import TYPE_CHECKING

import pytest
from paho.mqtt import publish, subscribe

from benchrig.errors import BrokerError, ConfigError
from benchrig.wires.mqtt import MOST_WAITING, BrokerAddress, BrokerClient
from tests.wires.brokers import Broker, amqtt, certificates, free_port, mosquitto, password_file

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

PASSWORD = "correct horse battery"
PATIENCE_S = 20.0


@pytest.fixture
def plain(tmp_path: Path) -> Iterator[Broker]:
    """mosquitto without a password, running."""
    broker = mosquitto(tmp_path, "allow_anonymous true")
    broker.start()
    yield broker
    broker.kill()


def client_of(broker: Broker, *, topic: str = "up/#", **more: object) -> BrokerClient:
    """A client of a broker on this machine."""
    return BrokerClient(BrokerAddress("127.0.0.1", broker.port, **more), topic=topic)  # type: ignore[arg-type]


def say(broker: Broker, payload: bytes, *, topic: str = "up/1", retain: bool = False) -> None:
    """Publish with a client that is not under test."""
    publish.single(topic, payload, qos=1, retain=retain, hostname="127.0.0.1", port=broker.port)


MAKERS = (lambda folder: mosquitto(folder, "allow_anonymous true"), amqtt)


@pytest.mark.parametrize("make", MAKERS, ids=["mosquitto", "amqtt"])
def test_message_comes_with_its_topic_and_time(tmp_path: Path, make: Callable[[Path], Broker]) -> None:
    """Both brokers hand over what was published, as bytes, with the instant at which it came."""
    broker = make(tmp_path)
    broker.start()
    try:
        with client_of(broker) as client:
            client.wait_until_up(PATIENCE_S)
            before_s = time.monotonic()
            say(broker, b"\x00\xffhay")
            found = client.take(PATIENCE_S)
        assert found is not None
        assert (found.topic, found.payload, found.retained) == ("up/1", b"\x00\xffhay", False)
        assert before_s <= found.wall_s <= time.monotonic()
    finally:
        broker.kill()


def test_publishing_returns_once_the_broker_has_it(plain: Broker) -> None:
    """A foreign client reads what was published."""
    found: list[bytes] = []

    def read() -> None:
        message = subscribe.simple("down/1", qos=1, hostname="127.0.0.1", port=plain.port)  # type: ignore[no-untyped-call]  # paho leaves it so
        found.append(message.payload)

    reader = threading.Thread(target=read)
    reader.start()
    with client_of(plain) as client:
        client.wait_until_up(PATIENCE_S)
        while not found:  # until the reader has subscribed
            client.publish("down/1", b"on", timeout_s=PATIENCE_S)
            reader.join(0.05)

    assert found == [b"on"]


def test_retained_message_is_marked(plain: Broker) -> None:
    """What the broker kept from before says nothing of now, and is told apart from the same text published now."""
    say(plain, b"old", retain=True)
    with client_of(plain) as client:
        client.wait_until_up(PATIENCE_S)
        say(plain, b"new", retain=True)
        marks: dict[bytes, bool] = {}
        while len(marks) < 2:
            message = client.take(PATIENCE_S)
            assert message is not None
            marks[message.payload] = message.retained

    assert marks == {b"old": True, b"new": False}


def test_broker_that_is_away_at_the_start_is_found_when_it_comes(tmp_path: Path) -> None:
    """The client waits for a broker that is started later, with growing pauses."""
    broker = mosquitto(tmp_path, "allow_anonymous true")
    with client_of(broker) as client:
        with pytest.raises(
            BrokerError, match=rf"mqtt://127.0.0.1:{broker.port}: no connection within 0.3 s: Connection"
        ):
            client.wait_until_up(0.3)
        broker.start()
        client.wait_until_up(PATIENCE_S)
        assert client.is_up
        broker.kill()


def test_broker_that_is_killed_in_a_wait_is_found_again(plain: Broker) -> None:
    """A waiting client outlives the broker: it subscribes anew, the absence is kept, and the next message comes."""
    with client_of(plain) as client:
        client.wait_until_up(PATIENCE_S)
        got: list[object] = []
        waiting = threading.Thread(target=lambda: got.append(client.take(PATIENCE_S)))
        waiting.start()
        plain.kill()
        _until(lambda: not client.is_up)
        with pytest.raises(BrokerError, match=r"nothing can be published to 'down/1': .*send it again"):
            client.publish("down/1", b"on", timeout_s=1.0)

        plain.start()
        client.wait_until_up(PATIENCE_S)
        say(plain, b"after")
        waiting.join(PATIENCE_S)

        assert [getattr(one, "payload", None) for one in got] == [b"after"]
        absences = client.absences
    assert len(absences) == 2
    assert all(one.to_wall_s is not None and one.to_wall_s >= one.from_wall_s for one in absences)


def _until(condition: Callable[[], bool]) -> None:
    deadline_s = time.monotonic() + PATIENCE_S
    while not condition():
        assert time.monotonic() < deadline_s
        time.sleep(0.005)  # gives the processor to the thread that is waited for


def test_password_opens_the_door(tmp_path: Path) -> None:
    """With the right password messages come; a wrong one ends the attempts at once and is not shown."""
    users = password_file(tmp_path, "bench", PASSWORD)
    broker = mosquitto(tmp_path, "allow_anonymous false", f"password_file {users}")
    broker.start()
    try:
        with client_of(broker, user="bench", password=PASSWORD) as client:
            client.wait_until_up(PATIENCE_S)
        with client_of(broker, user="bench", password="wrong horse battery") as wrong:
            with pytest.raises(BrokerError, match=r"it says '.+' to user 'bench'; check user and password") as refused:
                wrong.wait_until_up(PATIENCE_S)
            with pytest.raises(BrokerError, match="check user and password"):
                wrong.take(PATIENCE_S)
            with pytest.raises(BrokerError, match="check user and password"):
                wrong.publish("down/1", b"on", timeout_s=1.0)
        assert "wrong horse" not in "".join(traceback.format_exception(refused.value))
        assert "wrong horse" not in repr(wrong.address)
    finally:
        broker.kill()


def test_certificate_of_the_own_authority_is_trusted(tmp_path: Path) -> None:
    """TLS with a password: the authority's certificate is given as ca."""
    own = certificates(tmp_path / "own")
    users = password_file(tmp_path, "bench", PASSWORD)
    broker = mosquitto(
        tmp_path, f"certfile {own.certificate}", f"keyfile {own.key}", "allow_anonymous false",
        f"password_file {users}",
    )  # fmt: skip
    broker.start()
    try:
        with client_of(broker, tls=True, ca=own.authority, user="bench", password=PASSWORD) as client:
            client.wait_until_up(PATIENCE_S)
            client.publish("up/1", b"over TLS", timeout_s=PATIENCE_S)
            found = client.take(PATIENCE_S)
        assert found is not None
        assert found.payload == b"over TLS"
    finally:
        broker.kill()


@pytest.mark.parametrize(
    ("name", "authority", "said"),
    [
        pytest.param("127.0.0.1", "other", "self.signed certificate|unable to get local issuer", id="other authority"),
        pytest.param("broker.example", "own", "IP address mismatch|not valid for '127.0.0.1'", id="other name"),
    ],
)
def test_certificate_that_is_not_to_be_trusted_ends_the_attempts(
    tmp_path: Path, name: str, authority: str, said: str
) -> None:
    """A certificate of another authority or for another name is refused at once, with what to give."""
    made = {which: certificates(tmp_path / which, name=name) for which in ("own", "other")}
    own = made["own"]
    broker = mosquitto(tmp_path, f"certfile {own.certificate}", f"keyfile {own.key}", "allow_anonymous true")
    broker.start()
    try:
        with (
            client_of(broker, tls=True, ca=made[authority].authority) as client,
            pytest.raises(BrokerError, match=rf"not to be trusted: .*({said}).*give its authority's certificate as ca"),
        ):
            client.wait_until_up(PATIENCE_S)
    finally:
        broker.kill()


def test_file_that_holds_no_certificates_is_refused(tmp_path: Path) -> None:
    """Found before the first attempt."""
    (tmp_path / "ca.pem").write_text("hay")
    for path in (tmp_path / "ca.pem", tmp_path / "none.pem"):
        with pytest.raises(ConfigError, match=rf"\[network\] ca {path}: cannot be used: .*in PEM form"):
            BrokerClient(BrokerAddress("127.0.0.1", free_port(), tls=True, ca=path), topic="up")


def test_topic_that_is_forbidden_is_told(tmp_path: Path) -> None:
    """A subscription that the broker refuses by its return code (MQTT 3.1.1 section 3.9.3, from memory) ends it all."""
    broker = amqtt(
        tmp_path,
        "  amqtt.plugins.topic_checking.TopicAccessControlListPlugin:\n    acl:\n      anonymous: ['other/#']\n",
    )
    broker.start()
    try:
        with client_of(broker, topic="other/1") as allowed:
            allowed.wait_until_up(PATIENCE_S)
        with client_of(broker, topic="up/1") as client, pytest.raises(BrokerError, match=r"refuses .* read 'up/1'"):
            client.wait_until_up(PATIENCE_S)
    finally:
        broker.kill()


def test_program_that_is_no_broker_is_told(tmp_path: Path) -> None:
    """Another service on the port is reported by what it did, and tried again until the time is over."""
    with (
        client_of(Broker([], free_port(), tmp_path / "log")) as client,
        pytest.raises(
            BrokerError, match=r"no connection within 0\.2 s: Connection refused; check that the broker runs"
        ),
    ):
        client.wait_until_up(0.2)


def say_often(broker: Broker, times: int) -> None:
    """Many messages over one connection."""
    publish.multiple([("up/1", b"x", 1, False) for _ in range(times)], hostname="127.0.0.1", port=broker.port)


def test_what_nobody_takes_is_lost_and_counted(plain: Broker) -> None:
    """Memory stays bounded: beyond the bound the newest are dropped and counted."""
    with client_of(plain) as client:
        client.wait_until_up(PATIENCE_S)
        for _ in range(10):
            say_often(plain, MOST_WAITING // 10 + 2)
        _until(lambda: client.lost == 10 * (MOST_WAITING // 10 + 2) - MOST_WAITING)


def test_closing_ends_a_wait(plain: Broker) -> None:
    """Nobody waits for a client that is closed, and closing twice does nothing."""
    client = client_of(plain)
    closer = threading.Timer(0.05, client.close)
    closer.start()

    assert client.take(PATIENCE_S) is None
    closer.join()
    client.close()


def test_closing_while_the_broker_is_away_is_quick() -> None:
    """The pauses between attempts end with the client."""
    client = BrokerClient(BrokerAddress("127.0.0.1", free_port()), topic="up")
    with pytest.raises(BrokerError, match="no connection"):
        client.wait_until_up(0.5)
    begun_s = time.monotonic()

    client.close()

    assert time.monotonic() - begun_s < 2.0
