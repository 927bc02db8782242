"""A network server of the tests, as small as one can be: gateways on one side, a broker on the other, one board.

It answers the board's joins, publishes each uplink as JSON, and sends down what is published to its topic. Frames are
those of the codec liblora, datagrams are written by hand, messages go through paho: it shares no code with the runner.
Datagrams: `PROTOCOL.TXT` of the public packet forwarder, version 2 (from memory). A thread of its own answers at once.
"""

from __future__ import annotations

import base64
import json
import select
import socket
import threading
from collections import deque
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import loracrypto
import loramsg
from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion

if TYPE_CHECKING:
    from collections.abc import Callable

PUSH_DATA, PUSH_ACK, PULL_DATA, PULL_RESP, PULL_ACK, TX_ACK = range(6)
UP, DOWN = "application/barn/device/{eui}/event/up", "application/barn/device/{eui}/command/down"
ADDRESS = 0x0100_0042
PATIENCE_S = 20.0


@dataclass(frozen=True)
class Login:
    """How a broker on this machine is entered, by its own people: through a listener of theirs without TLS."""

    port: int
    user: str
    password: str


@dataclass
class Session:
    """What holds since the board's last join."""

    network_key: bytes
    application_key: bytes
    last_up: int = 0
    down: int = 0


@dataclass
class SmallNetwork:
    """Works from `start` to `close`. `tell` is called with each uplink's message in place of publishing it."""

    listen: tuple[str, int]
    device_eui: int
    app_key: bytes
    login: Login
    tell: Callable[[SmallNetwork, str, dict[str, object]], None] = lambda network, topic, told: network.say(topic, told)
    told: list[dict[str, object]] = field(default_factory=list)
    sent_down: list[bytes] = field(default_factory=list)
    wrong: list[BaseException] = field(default_factory=list)
    _session: Session | None = None
    _app_nonce: int = 0
    _seen: set[bytes] = field(default_factory=set)
    _waits: deque[dict[str, object]] = field(default_factory=deque)
    _ways: dict[bytes, tuple[str, int]] = field(default_factory=dict)
    _over: threading.Event = field(default_factory=threading.Event)
    _up: threading.Event = field(default_factory=threading.Event)

    @property
    def eui(self) -> str:
        return f"{self.device_eui:016x}"

    def start(self) -> SmallNetwork:
        """Listen for gateways, and stay in touch with the broker whenever it is there."""
        self._socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self._socket.bind(self.listen)
        self.client = self._client()
        self.client.connect_async("127.0.0.1", self.login.port)
        self.client.loop_start()
        self._thread = threading.Thread(target=self._run, name="small network", daemon=True)
        self._thread.start()
        return self

    def close(self) -> None:
        """Stop; what went wrong in its thread is raised here."""
        self._over.set()
        self._thread.join()
        self.client.disconnect()
        self.client.loop_stop()
        self._socket.close()
        if self.wrong:
            raise self.wrong[0]

    def say(self, topic: str, content: object, *, retain: bool = False) -> None:
        """Publish, and wait until the broker has it. A broker that is away is waited for."""
        assert self._up.wait(PATIENCE_S), "the broker is away"
        text = content if isinstance(content, bytes) else json.dumps(content).encode()
        self.client.publish(topic, text, qos=1, retain=retain).wait_for_publish(PATIENCE_S)

    def _client(self) -> Client:
        client = Client(CallbackAPIVersion.VERSION2)
        client.username_pw_set(self.login.user, self.login.password)
        client.reconnect_delay_set(min_delay=1, max_delay=1)
        client.on_connect = self._subscribe
        client.on_disconnect = lambda *_: self._up.clear()
        client.on_message = self._take_command
        return client

    def _subscribe(self, client: Client, *_: object) -> None:
        client.subscribe(DOWN.format(eui=self.eui), qos=1)
        self._up.set()

    def _take_command(self, _client: Client, _data: object, message: MQTTMessage) -> None:
        self._waits.append(json.loads(message.payload))

    # ---- its thread

    def _run(self) -> None:
        try:
            while not self._over.is_set():
                if select.select([self._socket], [], [], 0.05)[0]:
                    self._receive(*self._socket.recvfrom(65_536))
        except BaseException as wrong:  # shown by whoever closes it
            self.wrong.append(wrong)

    def _receive(self, data: bytes, sender: tuple[str, int]) -> None:
        token, kind, gateway = data[1:3], data[3], data[4:12]
        if kind == PULL_DATA:
            self._ways[gateway] = sender
            self._socket.sendto(b"\x02" + token + bytes([PULL_ACK]), sender)
        elif kind == PUSH_DATA:
            self._socket.sendto(b"\x02" + token + bytes([PUSH_ACK]), sender)
            for packet in json.loads(data[12:]).get("rxpk", []):
                frame = base64.b64decode(packet["data"])
                if packet["stat"] == 1 and frame not in self._seen and gateway in self._ways:
                    self._seen.add(frame)
                    self._hear(frame, packet, gateway)

    def _hear(self, frame: bytes, packet: dict[str, object], gateway: bytes) -> None:
        if frame[0] == 0x00:
            self._join(frame, packet, gateway)
        elif self._session is not None and int.from_bytes(frame[1:5], "little") == ADDRESS:
            self._uplink(self._session, frame, packet, gateway)

    def _join(self, frame: bytes, packet: dict[str, object], gateway: bytes) -> None:
        request = loramsg.unpack_jreq(frame)
        loramsg.verify_jreq(self.app_key, frame)
        self._app_nonce += 1
        accept = loramsg.pack_jacc(self.app_key, self._app_nonce, 0, ADDRESS, 0, 0, None)
        self._order(bytes(accept), packet, gateway, delay_us=5_000_000)
        keys = (
            loracrypto.crypto.derive(self.app_key, int(request["DevNonce"]), self._app_nonce, 0, which)
            for which in (1, 2)
        )
        self._session = Session(*keys)

    def _uplink(self, session: Session, frame: bytes, packet: dict[str, object], gateway: bytes) -> None:
        found = loramsg.unpack_dataframe(frame, session.last_up, session.network_key, session.application_key)
        session.last_up = int(found["FCnt"])
        if self._waits:
            self._send_down(session, self._waits.popleft(), packet, gateway)
        told = {
            "device": {"eui": self.eui},
            "port": int(found["FPort"]),
            "counter": session.last_up,
            "data": base64.b64encode(found["FRMPayload"]).decode(),
            "rate": packet["datr"],
            "heard": [{"rssi": packet["rssi"], "snr": packet["lsnr"]}],
        }
        self.told.append(told)
        self.tell(self, UP.format(eui=self.eui), told)

    def _send_down(
        self, session: Session, command: dict[str, object], packet: dict[str, object], gateway: bytes
    ) -> None:
        payload = base64.b64decode(str(command["data"]))
        frame = loramsg.pack_dataframe(
            loramsg.FrmType.DADN, ADDRESS, 0, session.down, b"", int(str(command["port"])), payload,
            session.network_key, session.application_key,
        )  # fmt: skip
        session.down += 1
        self.sent_down.append(payload)
        self._order(bytes(frame), packet, gateway, delay_us=1_000_000)

    def _order(self, frame: bytes, packet: dict[str, object], gateway: bytes, *, delay_us: int) -> None:
        """Down in the first window, on the frequency and at the data rate of the uplink (RP002-1.0.1)."""
        order = {
            "tmst": (int(str(packet["tmst"])) + delay_us) % (1 << 32), "freq": packet["freq"], "rfch": 0, "powe": 14,
            "modu": "LORA", "datr": packet["datr"], "codr": "4/5", "ipol": True, "ncrc": True, "size": len(frame),
            "data": base64.b64encode(frame).decode(),
        }  # fmt: skip
        body = json.dumps({"txpk": order}).encode()
        self._socket.sendto(b"\x02\x00\x01" + bytes([PULL_RESP]) + body, self._ways[gateway])
