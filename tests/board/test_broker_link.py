"""A board's air through a real broker: only what is new and the board's own counts, and silence is charged right."""

from __future__ import annotations

import base64
import json
import re
import threading
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import loramsg
import pytest
from paho.mqtt import publish, subscribe

from benchrig.board.air import AirDownlink, AirEvent, AirRefusal, AirRepeat, DownlinkTaken
from benchrig.board.broker_link import BrokerLink
from benchrig.clock import ScaledClock
from benchrig.errors import BoardTimeout, BrokerError, ConfigError
from benchrig.protocol.broker_json import DownlinkTemplate, UplinkMap
from benchrig.wires.mqtt import BrokerAddress, BrokerClient
from tests.wires.brokers import Broker, mosquitto

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

EUI = 0x02004842A0010001
MAP = UplinkMap(
    {
        "identity": "eui",
        "port": "port",
        "counter": "count",
        "payload": "data",
        "time": "at",
        "rssi": "level",
        "rate": "rate",
    }
)
SHORT_S, LONG_S = 0.3, 20.0


@dataclass
class Place:
    """A broker, a client of it, and links over the client."""

    broker: Broker
    client: BrokerClient
    notes: list[str] = field(default_factory=list)

    def link(self, *, template: str = "") -> BrokerLink:
        """A new link."""
        return BrokerLink(
            self.client, uplink=MAP, device_eui=EUI, clock=ScaledClock(),
            downlink_topic="{device_eui}/down" if template else "",
            downlink=DownlinkTemplate(template) if template else None,
            note=lambda _kind, text: self.notes.append(text),
        )  # fmt: skip

    def tell(self, counter: int, data: bytes = b"hay", *, eui: int = EUI, retain: bool = False, **more: object) -> None:
        """The network publishes an uplink."""
        content = {"eui": f"{eui:016x}", "port": 2, "count": counter, "data": base64.b64encode(data).decode(), **more}
        self.say(json.dumps(content).encode(), retain=retain)

    def say(self, text: bytes, *, retain: bool = False) -> None:
        """Somebody publishes a text."""
        publish.single("up", text, qos=1, retain=retain, hostname="127.0.0.1", port=self.broker.port)


@pytest.fixture
def place(tmp_path: Path) -> Iterator[Place]:
    """A broker that runs, and a client that is connected."""
    broker = mosquitto(tmp_path, "allow_anonymous true")
    broker.start()
    with BrokerClient(BrokerAddress("127.0.0.1", broker.port), topic="up") as client:
        client.wait_until_up(LONG_S)
        yield Place(broker, client)
    broker.kill()


def whys(events: tuple[AirEvent, ...]) -> list[str]:
    """Why events were refused."""
    return [event.why for event in events if isinstance(event, AirRefusal)]


def test_uplink_is_found_by_counter_and_port(place: Place) -> None:
    """The board's bytes, counter, level and the network's time come out; a gap is counted."""
    link = place.link()
    place.tell(4, level=-80, at="12:00")
    place.tell(7, b"\x01\x02", level=-81.5, at="12:01", port=3)

    found = link.wait_for_uplink(LONG_S, since=0, counter=7, port=3)

    assert (found.payload, found.missed, found.told_time) == (b"\x01\x02", 2, "12:01")
    assert [one.rssi_dbm for one in found.levels] == [-81.5]
    assert [one.counter for one in link.uplinks_since(0)] == [4, 7]


@pytest.mark.parametrize(
    ("rate", "size", "airtime_us"),
    [
        pytest.param("SF7BW125", 9, loramsg.airtime(125, 7, 22), id="SF7"),
        pytest.param("SF12BW125", 9, loramsg.airtime(125, 12, 22), id="SF12"),
        pytest.param("", 9, None, id="not told"),
    ],
)
def test_airtime_follows_from_the_data_rate(place: Place, rate: str, size: int, airtime_us: int | None) -> None:
    """By an independent formula, for the payload and 13 bytes around it (LoRaWAN 1.0.x); None where nobody tells."""
    link = place.link()
    place.tell(4, bytes(size), rate=rate or None)

    assert link.wait_for_uplink(LONG_S, since=0).airtime_us == airtime_us


def test_only_new_messages_of_the_board_count(place: Place) -> None:
    """Told twice, of another board, unusable: each is told apart, and none is an uplink."""
    link = place.link()
    for counter, eui in ((2, EUI), (2, EUI), (3, EUI + 1)):
        place.tell(counter, eui=eui)
    place.say(b'{"eui": 5')
    place.tell(9)
    link.wait_for_uplink(LONG_S, since=0, counter=9)

    events = link.events_since(0)

    assert [one.counter for one in link.uplinks_since(0)] == [2, 9]
    assert whys(events) == ["foreign board", "unusable message"]
    assert [event.attempt for event in events if isinstance(event, AirRepeat)] == [2]


def test_kept_message_is_told_as_such(place: Place) -> None:
    """What the broker kept from before the connection is refused by name when it comes."""
    place.tell(1, b"old", retain=True)
    client = BrokerClient(BrokerAddress("127.0.0.1", place.broker.port), topic="up")
    link = BrokerLink(client, uplink=MAP, device_eui=EUI, clock=ScaledClock())
    with client:
        client.wait_until_up(LONG_S)
        place.tell(2)
        link.wait_for_uplink(LONG_S, since=0, counter=2)

        refused = [event for event in link.events_since(0) if isinstance(event, AirRefusal)]
        assert [(one.why, one.detail) for one in refused] == [
            ("retained", "uplink 1 was kept by the broker from before")
        ]


def test_counter_used_twice_is_refused(place: Place) -> None:
    """The same counter with other bytes is neither new nor a repetition; a board's own fault."""
    link = place.link()
    place.tell(5, b"one")
    place.tell(5, b"two")
    place.tell(6)
    link.wait_for_uplink(LONG_S, since=0, counter=6)

    refused = [event for event in link.events_since(0) if isinstance(event, AirRefusal)]
    assert [(one.why, one.by_board) for one in refused] == [("counter used twice", True)]


def test_counter_that_begins_anew_is_new_and_noted(place: Place) -> None:
    """A network tells of no joins: a lower counter with other content is an uplink with a note."""
    link = place.link()
    place.tell(500)
    place.tell(0, b"anew")

    found = link.wait_for_uplink(LONG_S, since=0, counter=0)

    assert found.missed == 0
    assert found.notes == ("counter 0 after 500: joined anew, or counts anew",)


def test_silent_board_is_charged_to_the_board(place: Place) -> None:
    """The connection stood and nothing came: the sentence says what was told meanwhile."""
    link = place.link()
    place.tell(3, eui=EUI + 1)

    with pytest.raises(BoardTimeout, match=r"no uplink within 0.3 s, while the broker was connected; .*foreign board"):
        link.wait_for_uplink(SHORT_S, since=0)


def test_lost_connection_is_charged_to_the_bench(place: Place) -> None:
    """A broker that was away in a wait may have lost the uplink."""
    link = place.link()
    place.broker.kill()

    with pytest.raises(BrokerError, match=r"the connection was away meanwhile .*check the broker, then run again"):
        link.wait_for_uplink(SHORT_S, since=0)


def test_wait_outlives_a_broker_that_comes_back(place: Place) -> None:
    """Killed and started again inside a wait, the broker tells of the next uplink, and the wait ends with it."""
    link = place.link()
    found: list[int] = []
    waiting = threading.Thread(target=lambda: found.append(link.wait_for_uplink(LONG_S, since=0).counter))
    waiting.start()
    place.broker.kill()
    place.broker.start()
    place.client.wait_until_up(LONG_S)
    place.tell(8)
    waiting.join(LONG_S)

    assert found == [8]


def test_downlink_is_given_to_the_network(place: Place) -> None:
    """The template is filled and published on the board's own topic; the order names its item."""
    link = place.link(template='{"port": "{port}", "ack": "{confirmed}", "data": "{payload_base64}"}')
    found: list[bytes] = []

    def read() -> None:
        message = subscribe.simple(  # type: ignore[no-untyped-call]  # paho leaves it so
            "02004842a0010001/down", qos=1, hostname="127.0.0.1", port=place.broker.port
        )
        found.append(message.payload)

    reader = threading.Thread(target=read)
    reader.start()
    while not found:  # until the reader has subscribed
        item = link.queue_downlink(b"\x01", port=10, confirmed=True)
        reader.join(0.05)

    assert json.loads(found[0]) == {"port": 10, "ack": True, "data": "AQ=="}
    assert link.wait_for_downlink(item, LONG_S, since=0).item == item
    kinds = [type(event) for event in link.events_since(0)]
    assert kinds[:2] == [AirDownlink, DownlinkTaken]


def test_downlink_that_the_broker_did_not_take_is_an_error_of_the_bench(place: Place) -> None:
    """Nothing is reported as taken."""
    link = place.link(template='"{payload_hex}"')
    place.broker.kill()
    while place.client.is_up:
        place.client.take(0.01)

    with pytest.raises(BrokerError, match="nothing can be published to '02004842a0010001/down'"):
        link.queue_downlink(b"\x01", port=10)
    assert not [event for event in link.events_since(0) if isinstance(event, DownlinkTaken)]


@pytest.mark.parametrize(
    ("ask", "said"),
    [
        pytest.param(lambda link: link.wait_for_join(1.0, since=0), "joins are answered by the network", id="join"),
        pytest.param(lambda link: link.queue_downlink(b"", port=1), "has no downlink_topic", id="no template"),
        pytest.param(lambda link: link.repeat_downlink(1), "none can be repeated", id="repeat"),
        pytest.param(lambda link: link.wait_for_downlink(9, 1.0, since=0), "downlink 9 was never given", id="unknown"),
    ],
)
def test_what_a_network_does_itself_is_refused(place: Place, ask: object, said: str) -> None:
    """Joins and frames are the network's: said as a matter of configuration, not as a fault of anybody."""
    with pytest.raises(ConfigError, match=re.escape(said)):
        ask(place.link())  # type: ignore[operator]
