"""The board's air through a network's broker: uplinks as the network tells them, downlinks given to it.

Owns which messages are new: what the broker retained, what is told twice and what is of another board never counts.
Must not know MQTT or the bench file. Joins, receive windows and keys are the network's own business. A silence is
charged to the board only if the connection stood all the time that was waited.
"""

from __future__ import annotations

import time
from collections import Counter
from typing import TYPE_CHECKING, NoReturn

from benchrig.board.air import (
    AirDownlink,
    AirEvent,
    AirJoin,
    AirLevel,
    AirLog,
    AirRefusal,
    AirRepeat,
    AirUplink,
    DownlinkTaken,
    describe,
)
from benchrig.board.air_price import FRAME_BYTES
from benchrig.errors import BoardTimeout, BrokerError, ConfigError
from benchrig.judge.radio_timing import RadioSettings, time_on_air_s
from benchrig.protocol.broker_json import RATE, topic_for
from benchrig.protocol.lorawan_frame import eui_text

if TYPE_CHECKING:
    from collections.abc import Callable

    from benchrig.board.air_price import AirDemand, AirPrice
    from benchrig.clock import Clock
    from benchrig.protocol.broker_json import BrokerUplink, DownlinkTemplate, UplinkMap
    from benchrig.wires.mqtt import BrokerClient, BrokerMessage

RETAINED, FOREIGN, UNUSABLE, COUNTER_REUSED = "retained", "foreign board", "unusable message", "counter used twice"
_OWN = "the network decides by itself when it sends; leave that to a bench with a [gateway] of its own"
_NO_JOINS = "the network answers them by itself; leave that to a bench with a [gateway] of its own"
_CONNECT_WALL_S = 10.0
_PUBLISH_S = 5.0
_PATIENCE_S = 0.25
"""How long a message may be under way after a wait has ended, in wall seconds; own choice."""


class BrokerLink:
    """One board behind a broker. The client lives on when this is closed. Waits take bench seconds."""

    can_join = False
    can_time = False
    can_repeat = False

    def __init__(
        self,
        client: BrokerClient,
        *,
        uplink: UplinkMap,
        device_eui: int,
        clock: Clock,
        downlink_topic: str = "",
        downlink: DownlinkTemplate | None = None,
        note: Callable[[str, str], None] = lambda _kind, _text: None,
    ) -> None:
        self._client = client
        self._map = uplink
        self._device_eui = device_eui
        self._clock = clock
        self._topic = topic_for(downlink_topic, device_eui)
        self._template = downlink
        self._note = note
        self._log = AirLog()
        self._last: int | None = None
        self._seen: Counter[tuple[int, int, bytes, str]] = Counter()
        self._sent = 0
        client.forget()

    @property
    def name(self) -> str:
        """The board's identity, and which broker tells of it."""
        return f"board {eui_text(self._device_eui)} by broker {self._client.address.where}"

    @property
    def device_eui(self) -> int:
        """The board's identity on the air."""
        return self._device_eui

    def close(self) -> None:
        """Nothing to end; the client is its owner's."""

    # ---- what a check asks

    def wait_until_open(self) -> None:
        """Until the broker is connected and its topic is read, at once where it is. Raises BrokerError when not."""
        self._client.wait_until_up(_CONNECT_WALL_S)

    def mark(self) -> int:
        """A place in the log: behind all that was told until now."""
        self._listen(0.0)
        return self._log.mark()

    def events_since(self, mark: int) -> tuple[AirEvent, ...]:
        """All that was told behind a mark (0: all). Raises BrokerError when the broker refused for good."""
        self._listen(0.0)
        return self._log.since(mark)

    def uplinks_since(self, mark: int) -> tuple[AirUplink, ...]:
        """The uplinks behind a mark."""
        return tuple(one for one in self.events_since(mark) if isinstance(one, AirUplink))

    def wait_for_join(self, timeout_s: float, *, since: int) -> AirJoin:
        """Raises ConfigError: a broker tells of no joins."""
        raise ConfigError(
            f"{self.name}: joins are answered by the network itself, and it tells nothing of them; leave the check of "
            "the join to a bench with a [gateway] of its own"
        )

    def answer_joins(self, *, answer: bool) -> None:
        """Raises ConfigError: the network answers joins."""
        raise ConfigError(f"{self.name}: joins cannot be {'answered' if answer else 'left alone'}: {_NO_JOINS}")

    def wait_for_request(self, timeout_s: float, *, since: int, number: int = 1) -> AirJoin:
        """Raises ConfigError: a broker tells of no joins."""
        del timeout_s, since, number
        raise ConfigError(f"{self.name}: a join-request cannot be awaited: {_NO_JOINS}")

    def wait_for_uplink(
        self, timeout_s: float, *, since: int, counter: int | None = None, port: int | None = None
    ) -> AirUplink:
        """The first uplink behind a mark, of this counter or port if given.

        Raises BrokerError when the connection was away meanwhile, BoardTimeout when it stood and nothing came.
        """
        begun_s = time.monotonic()
        deadline_s = begun_s + self._clock.wall_timeout_s(timeout_s)
        while True:
            for one in self.uplinks_since(since):
                if counter in (None, one.counter) and port in (None, one.port):
                    return one
            left_s = deadline_s - time.monotonic()
            if left_s <= -_PATIENCE_S:
                self._nothing_came(timeout_s, since, begun_s, counter)
            self._listen(max(left_s, _PATIENCE_S / 5))

    def queue_downlink(self, payload: bytes, *, port: int, confirmed: bool = False) -> int:
        """Gives a payload to the network, which sends it when it can; the number of the item.

        Raises ConfigError for what cannot be sent, BrokerError when the broker does not take it.
        """
        if self._template is None:
            raise ConfigError(f"{self.name}: [network] has no downlink_topic and downlink; give both to send down")
        try:
            message = self._template.fill(payload, port=port, confirmed=confirmed, device_eui=self._device_eui)
        except ValueError as wrong:
            raise ConfigError(f"{self.name}: a downlink cannot be sent: {wrong}; correct the board profile") from wrong
        self._sent += 1
        self._tell(AirDownlink(at_s=self._clock.now_s(), number=self._sent, item=self._sent))
        self._client.publish(self._topic, message, timeout_s=_PUBLISH_S)
        self._tell(DownlinkTaken(at_s=self._clock.now_s(), number=self._sent, item=self._sent))
        return self._sent

    def repeat_downlink(self, item: int) -> None:
        """Raises ConfigError: which frame carries a downlink, a network decides by itself."""
        raise ConfigError(
            f"{self.name}: the network makes the frames, and none can be repeated (downlink {item}); leave that to a "
            "bench with a [gateway] of its own"
        )

    def answer_from(self, window: int) -> None:
        """Raises ConfigError: the network chooses its windows."""
        raise ConfigError(f"{self.name}: window {window} cannot be asked for: {_OWN}")

    def send_unasked(self, payload: bytes, *, port: int) -> int:
        """Raises ConfigError: a network sends to a board of class A only after it spoke."""
        raise ConfigError(f"{self.name}: {len(payload)} bytes to port {port} cannot be sent unasked: {_OWN}")

    def wait_for_downlink(self, item: int, timeout_s: float, *, since: int) -> AirDownlink:
        """The order of an item: the broker took it, or `queue_downlink` had raised. When it goes out nobody tells."""
        del since, timeout_s
        events = self._log.since(0)
        taken = {event.number for event in events if isinstance(event, DownlinkTaken)}
        for event in events:
            if isinstance(event, AirDownlink) and event.item == item and event.number in taken:
                return event
        raise ConfigError(f"{self.name}: downlink {item} was never given; queue_downlink returns the numbers")

    def price(self, demand: AirDemand) -> AirPrice | None:
        """None: the network keeps airtime and nonces."""
        del demand
        return None

    # ---- what the broker tells

    def _listen(self, timeout_s: float) -> None:
        """Every message that is there; waits for the first of them."""
        message = self._client.take(timeout_s)
        while message is not None:
            self._tell(self._read(message))
            message = self._client.take(0.0)

    def _tell(self, event: AirEvent) -> None:
        self._note("air", describe(event))
        self._log.add(event)

    def _read(self, message: BrokerMessage) -> AirEvent:
        at_s = self._clock.from_wall_s(message.wall_s)
        try:
            told = self._map.read(message.payload)
        except ValueError as wrong:
            return _refusal(at_s, UNUSABLE, f"{wrong}, topic {message.topic!r}")
        if told.eui != self._device_eui:
            detail = f"{told.identity[:40]!r}; accepted: {eui_text(self._device_eui)}"
            return _refusal(at_s, FOREIGN, detail)
        if message.retained:
            return _refusal(at_s, RETAINED, f"uplink {told.counter} was kept by the broker from before")
        return self._of_board(told, at_s)

    def _of_board(self, told: BrokerUplink, at_s: float) -> AirEvent:
        key = told.counter, told.port, told.payload, told.time
        if self._seen[key]:
            self._seen[key] += 1
            return AirRepeat(at_s=at_s, counter=told.counter, attempt=self._seen[key])
        last = self._last
        if last is not None and told.counter == last:
            return _refusal(at_s, COUNTER_REUSED, f"counter {last} came before with other content", by_board=True)
        restarted = last is not None and told.counter < last
        self._seen[key] += 1
        self._last = told.counter
        return AirUplink(
            at_s=at_s,
            counter=told.counter,
            port=told.port,
            payload=told.payload,
            levels=_levels(told),
            airtime_us=_airtime_us(told),
            missed=0 if last is None or restarted else told.counter - last - 1,
            told_time=told.time,
            notes=(f"counter {told.counter} after {last}: joined anew, or counts anew",) if restarted else (),
        )

    # ---- silence

    def _nothing_came(self, timeout_s: float, since: int, begun_s: float, counter: int | None) -> NoReturn:
        which = "uplink" if counter is None else f"uplink {counter}"
        asked = f"{self.name}: no {which} within {timeout_s:g} s"
        self._client.check()
        away = [one for one in self._client.absences if one.to_wall_s is None or one.to_wall_s > begun_s]
        if away:
            raise BrokerError(
                f"{asked}, and the connection was away meanwhile ({away[-1].why}): what was published then is lost; "
                "check the broker, then run again"
            )
        heard = "; ".join(describe(event) for event in self._log.since(since)[-3:]) or "nothing"
        raise BoardTimeout(
            f"{asked}, while the broker was connected; told meanwhile: {heard}; check that the board ran the step and "
            "has joined, its gateway, and uplink_topic in the bench file"
        )


def _refusal(at_s: float, why: str, detail: str, *, by_board: bool = False) -> AirRefusal:
    return AirRefusal(at_s=at_s, why=why, detail=detail, by_board=by_board)


def _levels(told: BrokerUplink) -> tuple[AirLevel, ...]:
    if told.rssi_dbm is None and told.snr_db is None and not told.rate:
        return ()
    return (AirLevel(gateway="", rssi_dbm=told.rssi_dbm, snr_db=told.snr_db, rate=told.rate),)


def _airtime_us(told: BrokerUplink) -> int | None:
    """By the formula, for a frame without options; None where the network tells no data rate."""
    rate = RATE.fullmatch(told.rate)
    if rate is None:
        return None
    settings = RadioSettings(int(rate[1]), bandwidth_hz=int(rate[2]) * 1000)
    return round(time_on_air_s(settings, phy_payload_bytes=len(told.payload) + FRAME_BYTES) * 1e6)
