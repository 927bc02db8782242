"""The bytes of a broker's topics: a connection that comes back by itself, messages in with their time, messages out.

Owns the MQTT client, TLS, the pauses between attempts, and how each failure reads. Must not know what a message says.
Spoken is MQTT 3.1.1 with clean sessions: what a network publishes while the connection is away is lost, so every
absence is kept. A refusal that no attempt can mend (password, certificate, topic) ends the attempts.
"""

from __future__ import annotations

import queue
import secrets
import ssl
import threading
import time
from contextlib import suppress
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Self

from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from tenacity import Retrying, retry_if_exception_type, stop_when_event_set, wait_random_exponential
from tenacity.nap import sleep_using_event

from benchrig.errors import BrokerError, ConfigError

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from paho.mqtt.client import ConnectFlags, DisconnectFlags
    from paho.mqtt.properties import Properties
    from paho.mqtt.reasoncodes import ReasonCode

MOST_WAITING = 4096
"""Messages that wait for whoever takes them; beyond that the newest are lost, and counted."""

_CONNECT_S = 5.0
_KEEP_ALIVE_S = 15
_LONGEST_PAUSE_S = 4.0
_FIRST_PAUSE_S = 0.1
_QOS = 1  # at least once: a message told twice is known again, one that is lost is not
_PASSING = "Server unavailable"


@dataclass(frozen=True, slots=True)
class BrokerAddress:
    """Where a broker answers, and as whom. With `tls` its certificate must be of `ca`, or of the system's without."""

    host: str
    port: int
    tls: bool = False
    ca: Path | None = None
    user: str = ""
    password: str = field(default="", repr=False)

    @property
    def where(self) -> str:
        """For sentences; without user and password."""
        return f"{'mqtts' if self.tls else 'mqtt'}://{self.host}:{self.port}"


@dataclass(frozen=True, slots=True)
class BrokerMessage:
    """A message, and when it came by time.monotonic().

    `retained`: the broker kept it from before; it says nothing of now. `again`: marked as sent once more.
    """

    wall_s: float
    topic: str
    payload: bytes
    retained: bool
    again: bool


@dataclass(frozen=True, slots=True)
class Absence:
    """A time without connection, by time.monotonic(); `to_wall_s` is None while it lasts."""

    from_wall_s: float
    to_wall_s: float | None
    why: str


class _Passing(Exception):
    """An attempt failed in a way that the next may not."""


class _Final(Exception):
    """An attempt was refused in a way that every other will be."""


class BrokerClient:
    """Reads one topic and publishes to others, from the moment it is made until `close`."""

    def __init__(self, address: BrokerAddress, *, topic: str) -> None:
        """Raises ConfigError for a file of certificates that cannot be used; a broker that is away is no error yet."""
        self.address = address
        self._topic = topic
        self._tls = _tls_of(address)
        self._messages: queue.SimpleQueue[BrokerMessage | None] = queue.SimpleQueue()
        self._state = threading.Condition()
        self._client: Client | None = None
        self._away = threading.Event()
        self._absences = [Absence(time.monotonic(), None, "not connected yet")]
        self._refused = ""
        self._last_problem = "no attempt has ended yet"
        self._lost = 0
        self._closing = threading.Event()
        self._thread = threading.Thread(target=self._run, name=f"broker {address.where}", daemon=True)
        self._thread.start()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    @property
    def is_up(self) -> bool:
        """Whether it is connected and reads its topic."""
        with self._state:
            return self._client is not None

    @property
    def absences(self) -> tuple[Absence, ...]:
        """Every time without connection, the one before the first connection included."""
        with self._state:
            return tuple(self._absences)

    @property
    def lost(self) -> int:
        """How many messages were thrown away since nobody took them."""
        return self._lost

    def wait_until_up(self, timeout_s: float) -> None:
        """Return once it reads its topic. Raises BrokerError after wall seconds, or at once when it is refused."""
        with self._state:
            self._state.wait_for(lambda: self._client is not None or bool(self._refused), timeout_s)
            if self._client is not None:
                return
        self.check()
        raise BrokerError(
            f"broker {self.address.where}: no connection within {timeout_s:g} s: {self._last_problem}; check that the "
            "broker runs, and [network] url in the bench file"
        )

    def check(self) -> None:
        """Raise BrokerError when the broker refused for good."""
        if self._refused:
            raise BrokerError(f"broker {self.address.where}: {self._refused}")

    def take(self, timeout_s: float) -> BrokerMessage | None:
        """The next message; None after wall seconds or after `close`. Raises BrokerError when refused for good."""
        try:
            found = self._messages.get(timeout=timeout_s)
        except queue.Empty:
            found = None
        if found is None:
            self.check()
        return found

    def forget(self) -> None:
        """Throws away what waits: it was for somebody who has gone."""
        with suppress(queue.Empty):
            while True:
                self._messages.get_nowait()

    def publish(self, topic: str, payload: bytes, *, timeout_s: float) -> None:
        """Return once the broker has it. Raises BrokerError."""
        with self._state:
            client = self._client
        if client is None:
            self.check()
            raise BrokerError(
                f"broker {self.address.where}: nothing can be published to {topic!r}: {self._last_problem}; send it "
                "again once the broker is back"
            )
        told = client.publish(topic, payload, qos=_QOS)
        try:
            told.wait_for_publish(timeout_s)
        except (ValueError, RuntimeError) as wrong:
            raise BrokerError(f"broker {self.address.where}: publishing to {topic!r} failed: {wrong}") from wrong
        if not told.is_published():
            raise BrokerError(
                f"broker {self.address.where}: {topic!r} was not acknowledged within {timeout_s:g} s; check that this "
                "user may publish there"
            )

    def close(self) -> None:
        """Disconnect and stop; a second call does nothing."""
        self._closing.set()
        with self._state:
            self._away.set()
            self._state.notify_all()
        self._thread.join()
        self._messages.put(None)

    # ---- its own thread

    def _run(self) -> None:
        while not self._closing.is_set():
            try:
                attempt = self._attempts()(self._connect)
            except _Final as wrong:
                self._refuse(str(wrong))
                return
            except _Passing:
                return  # closing
            attempt.run_until_away()
            self._note_away(attempt.problem or "the connection ended")

    def _attempts(self) -> Retrying:
        """Pauses grow, and differ, so that several benches do not come back at one stroke."""
        return Retrying(
            retry=retry_if_exception_type(_Passing),
            wait=wait_random_exponential(multiplier=_FIRST_PAUSE_S, max=_LONGEST_PAUSE_S),
            sleep=sleep_using_event(self._closing),
            stop=stop_when_event_set(self._closing),
            reraise=True,
        )

    def _connect(self) -> _Connection:
        connection = _Connection(self.address, self._topic, self._tls, self._receive)
        try:
            connection.open()
        except _Passing as wrong:
            self._last_problem = str(wrong)
            raise
        with self._state:
            self._client = connection.client
            self._away = connection.away
            if self._closing.is_set():
                connection.away.set()
            last = self._absences[-1]
            self._absences[-1] = Absence(last.from_wall_s, time.monotonic(), last.why)
            self._state.notify_all()
        return connection

    def _receive(self, message: BrokerMessage) -> None:
        if self._messages.qsize() >= MOST_WAITING:
            self._lost += 1
        else:
            self._messages.put(message)

    def _note_away(self, why: str) -> None:
        with self._state:
            self._client = None
            self._last_problem = why
            self._absences.append(Absence(time.monotonic(), None, why))
            self._state.notify_all()

    def _refuse(self, why: str) -> None:
        with self._state:
            self._refused = self._last_problem = why
            self._state.notify_all()
        self._messages.put(None)


class _Connection:
    """One connection, from its first byte to its last; another client for each, so that nothing is left over."""

    def __init__(
        self, address: BrokerAddress, topic: str, tls: _Tls | None, receive: Callable[[BrokerMessage], None]
    ) -> None:
        self._address = address
        self._topic = topic
        self._receive = receive
        self._tls = tls
        self._settled = threading.Event()
        self._is_up = False
        self._final = self.problem = ""
        self.away = threading.Event()
        self.client = Client(
            CallbackAPIVersion.VERSION2,
            client_id=f"benchrig-{secrets.token_hex(6)}",
            clean_session=True,
            protocol=MQTTProtocolVersion.MQTTv311,
            reconnect_on_failure=False,
        )
        self.client.connect_timeout = _CONNECT_S
        self.client.on_connect = self._on_connect
        self.client.on_subscribe = self._on_subscribe
        self.client.on_disconnect = self._on_disconnect
        self.client.on_message = self._on_message
        if address.user:
            self.client.username_pw_set(address.user, address.password or None)
        if tls is not None:
            self.client.tls_set_context(tls)

    def open(self) -> None:
        """Connect and subscribe. Raises _Passing or _Final."""
        try:
            self.client.connect(self._address.host, self._address.port, keepalive=_KEEP_ALIVE_S)
        except ssl.SSLCertVerificationError as wrong:
            self._drop()
            raise _Final(
                f"its certificate is not to be trusted: {wrong.verify_message}; give its authority's certificate as ca"
            ) from wrong
        except (OSError, ValueError) as wrong:
            self._drop()
            raise _Passing(getattr(wrong, "strerror", None) or str(wrong) or type(wrong).__name__) from wrong
        self.client.loop_start()
        self._settled.wait(_CONNECT_S)
        if not self._is_up:
            self._end()
            if self._final:
                raise _Final(self._final)
            raise _Passing(self.problem or f"it did not answer within {_CONNECT_S:g} s")

    def run_until_away(self) -> None:
        """Return once the connection has ended, or somebody set `away`."""
        self.away.wait()
        self._end()

    def _drop(self) -> None:
        """The client forgets the socket of a handshake that failed."""
        if self._tls is not None and self._tls.last is not None:
            self._tls.last.close()

    def _end(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()

    def _on_connect(
        self, client: Client, _data: Any, _flags: ConnectFlags, reason: ReasonCode, _properties: Properties | None
    ) -> None:
        if not reason.is_failure:
            client.subscribe(self._topic, qos=_QOS)
            return
        self.problem = f"it says {reason.getName()!r}"
        if reason.getName() != _PASSING:
            self._final = f"{self.problem} to user {self._address.user!r}; check user and password in [network]"
        self._settled.set()

    def _on_subscribe(
        self, _client: Client, _data: Any, _mid: int, reasons: Sequence[ReasonCode], _properties: Properties | None
    ) -> None:
        if any(reason.is_failure for reason in reasons):
            self._final = f"it refuses to let user {self._address.user!r} read {self._topic!r}; check its access list"
        else:
            self._is_up = True
        self._settled.set()

    def _on_disconnect(
        self, _client: Client, _data: Any, _flags: DisconnectFlags, reason: ReasonCode, _properties: Properties | None
    ) -> None:
        self.problem = self.problem or f"the connection ended: {reason.getName()}"
        self._settled.set()
        self.away.set()

    def _on_message(self, _client: Client, _data: Any, message: MQTTMessage) -> None:
        self._receive(
            BrokerMessage(time.monotonic(), message.topic, bytes(message.payload), message.retain, message.dup)
        )


class _Tls(ssl.SSLContext):
    """Demands a certificate that is of the host and of an authority that is trusted; remembers its last socket."""

    last: ssl.SSLSocket | None = None

    def wrap_socket(self, *args: Any, **more: Any) -> ssl.SSLSocket:
        self.last = super().wrap_socket(*args, **more)
        return self.last


def _tls_of(address: BrokerAddress) -> _Tls | None:
    if not address.tls:
        return None
    try:
        context = _Tls(ssl.PROTOCOL_TLS_CLIENT)  # this alone turns both demands on
        if address.ca is None:
            context.load_default_certs()
        else:
            context.load_verify_locations(address.ca)
        return context
    except (OSError, ValueError) as wrong:  # ssl.SSLError is an OSError
        raise ConfigError(
            f"[network] ca {address.ca}: cannot be used: {wrong.strerror if isinstance(wrong, OSError) else wrong}; "
            "give a file of certificates in PEM form"
        ) from wrong
