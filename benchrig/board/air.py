"""What a board says on the air and what goes down to it, as values, whichever way they reached us.

Owns those values, the log in which they are awaited, and `AirPath`: what a check asks of the air. Must not know
gateways, brokers or keys. Times are bench seconds, levels dBm and dB, frequencies hertz, airtime microseconds.
"""

from __future__ import annotations

import threading
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol, TypeAlias, TypeVar

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from benchrig.board.air_price import AirDemand, AirPrice
    from benchrig.errors import BenchrigError

T = TypeVar("T")


@dataclass(frozen=True, slots=True, kw_only=True)
class AirLevel:
    """How one gateway heard a frame. What the way to us does not tell is None or empty."""

    gateway: str
    rssi_dbm: float | None = None
    snr_db: float | None = None
    frequency_hz: int | None = None
    rate: str = ""
    counter_us: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class AirJoin:
    """The board asked to join; `levels` the best first. `notes`: what it breaks in the region.

    It was answered unless joins are left without an answer on purpose.
    """

    at_s: float
    dev_nonce: int
    app_nonce: int
    dev_addr: int
    levels: tuple[AirLevel, ...]
    airtime_us: int
    notes: tuple[str, ...] = ()
    answered: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class AirUplink:
    """A frame of the board, once, whoever heard it; `levels` the best first.

    `at_s` is when the first copy came in. `missed` counters were never heard before it. `airtime_us` is by the
    formula, None where the data rate is not known. `payload` is in the clear, None on port 0.
    """

    at_s: float
    counter: int
    port: int | None
    payload: bytes | None
    levels: tuple[AirLevel, ...]
    confirmed: bool = False
    missed: int = 0
    airtime_us: int | None = None
    told_time: str = ""
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class AirRepeat:
    """A frame that came before, once more: of the board itself, or told twice on the way. Never delivered again."""

    at_s: float
    counter: int
    attempt: int


@dataclass(frozen=True, slots=True, kw_only=True)
class AirRefusal:
    """What was heard and not used. `by_board`: the board itself broke its protocol."""

    at_s: float
    why: str
    detail: str
    by_board: bool
    levels: tuple[AirLevel, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class AirDownlink:
    """Given to a gateway (with its window, 0 for at once) or to a broker (without). `item` is the number that
    `queue_downlink` gave.

    `number` is that of the order, by which its answer is told.
    """

    at_s: float
    number: int
    item: int | None
    gateway: str = ""
    window: int | None = None
    counter: int | None = None
    frequency_hz: int | None = None
    rate: str = ""
    airtime_us: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class DownlinkTaken:
    """The gateway, or the broker, took the order of this number; of this item, if it carried one."""

    at_s: float
    number: int
    item: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class DownlinkRefused:
    """An order that was not taken, or could not be given. The item waits for the next uplink."""

    at_s: float
    item: int | None
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class DownlinkSettled:
    """A confirmed downlink was acknowledged by the board, or given up, after so many transmissions."""

    at_s: float
    item: int
    tries: int
    acknowledged: bool


AirEvent: TypeAlias = (
    AirJoin | AirUplink | AirRepeat | AirRefusal | AirDownlink | DownlinkTaken | DownlinkRefused | DownlinkSettled
)


class AirPath(Protocol):
    """The air as a check sees it: by the bench's own gateways, or through a network's broker."""

    @property
    def name(self) -> str:
        """Which way it is, for sentences."""

    @property
    def device_eui(self) -> int:
        """The board's identity on the air, as the bench knows it."""

    @property
    def can_join(self) -> bool:
        """Whether joins are answered here; a network behind a broker answers them itself."""

    @property
    def can_time(self) -> bool:
        """Whether it can be said in which window an answer goes down, or that it goes at once."""

    @property
    def can_repeat(self) -> bool:
        """Whether a frame can be sent down twice, byte for byte; a network behind a broker builds its frames itself."""

    def wait_until_open(self) -> None:
        """Returns once something is there to carry frames down, at once where it is. Raises AirError when not."""

    def mark(self) -> int:
        """A place in the log: behind all that was heard until now."""

    def events_since(self, mark: int) -> tuple[AirEvent, ...]:
        """All that was heard behind a mark (0: all)."""

    def uplinks_since(self, mark: int) -> tuple[AirUplink, ...]:
        """The uplinks behind a mark."""

    def wait_for_join(self, timeout_s: float, *, since: int) -> AirJoin:
        """The first join behind a mark whose answer a gateway took; it may have come already."""

    def answer_joins(self, *, answer: bool) -> None:
        """Whether joins are answered from now on, or heard and left alone. Raises ConfigError where none can say."""

    def wait_for_request(self, timeout_s: float, *, since: int, number: int = 1) -> AirJoin:
        """The join-request of this number behind a mark, answered or not; it may have come already."""

    def wait_for_uplink(
        self, timeout_s: float, *, since: int, counter: int | None = None, port: int | None = None
    ) -> AirUplink:
        """The first uplink behind a mark, of this counter or port if given; it may have come already."""

    def queue_downlink(self, payload: bytes, *, port: int, confirmed: bool = False) -> int:
        """Sends down with the next occasion; the number of the item. Raises ConfigError for what cannot be sent."""

    def repeat_downlink(self, item: int) -> None:
        """Sends the frame of an item once more, byte for byte, after the next uplink. Raises ConfigError."""

    def answer_from(self, window: int) -> None:
        """From now on answers go down in this receive window or a later one. Raises ConfigError where none can say."""

    def send_unasked(self, payload: bytes, *, port: int) -> int:
        """Sends down at once, though the board has not spoken; the number of the item. Raises ConfigError."""

    def wait_for_downlink(self, item: int, timeout_s: float, *, since: int) -> AirDownlink:
        """The order that took an item to the board, once a gateway (or the broker) has taken it."""

    def price(self, demand: AirDemand) -> AirPrice | None:
        """What a run costs, on top of what was spent before; None where others keep that. Raises ConfigError."""

    def close(self) -> None:
        """Stop listening; a second call does nothing."""


class AirLog:
    """Events in the order in which they came; one thread adds, others wait."""

    def __init__(self) -> None:
        self._events: list[AirEvent] = []
        self._grew = threading.Condition()
        self._wrong: BenchrigError | None = None

    def mark(self) -> int:
        """The number of events until now."""
        with self._grew:
            return len(self._events)

    def add(self, *events: AirEvent) -> None:
        """Add events and wake those that wait."""
        with self._grew:
            self._events += events
            self._grew.notify_all()

    def since(self, mark: int) -> tuple[AirEvent, ...]:
        """The events behind a mark."""
        with self._grew:
            return tuple(self._events[mark:])

    def fail(self, wrong: BenchrigError) -> None:
        """Nothing will come any more: every wait ends with this error."""
        with self._grew:
            self._wrong = wrong
            self._grew.notify_all()

    def check(self) -> None:
        """Raise the error by which the log ended, if it did."""
        with self._grew:
            self._raise()

    def wait(self, find: Callable[[Sequence[AirEvent]], T | None], *, since: int, timeout_s: float) -> T | None:
        """What `find` makes of the events behind a mark, as soon as it is not None; None after wall seconds."""
        with self._grew:
            found = self._grew.wait_for(lambda: self._found(find, since), timeout_s)
            if not found:
                self._raise()
            return found[0] if found else None

    def _found(self, find: Callable[[Sequence[AirEvent]], T | None], since: int) -> tuple[T | None, ...]:
        """One entry once the wait is over; it is None when the log ended."""
        found = find(self._events[since:])
        if found is None and self._wrong is not None:
            self._raise()
        return () if found is None else (found,)

    def _raise(self) -> None:
        if self._wrong is not None:
            raise self._wrong


def level_text(levels: Sequence[AirLevel]) -> str:
    """How well a frame was heard, for people."""
    return "; ".join(filter(None, map(_one_level, levels)))


def _one_level(level: AirLevel) -> str:
    parts = [f"gateway {level.gateway}"] if level.gateway else []
    parts += [] if level.rssi_dbm is None else [f"{level.rssi_dbm:g} dBm"]
    parts += [] if level.snr_db is None else [f"SNR {level.snr_db:g} dB"]
    parts += [] if level.frequency_hz is None else [f"{level.frequency_hz / 1e6:g} MHz"]
    return " ".join([*parts, level.rate] if level.rate else parts)


def describe(event: AirEvent) -> str:
    """An event in one line, for the record."""
    match event:
        case AirJoin():
            answer = f"address {event.dev_addr:08X}" if event.answered else "left without an answer"
            text = f"join nonce {event.dev_nonce}, {answer}, {event.airtime_us / 1e3:g} ms"
        case AirUplink():
            payload = "no payload" if event.payload is None else event.payload.hex()
            text = f"uplink {event.counter} port {event.port}: {payload}"
        case AirRepeat():
            text = f"uplink {event.counter} once more, number {event.attempt}"
        case AirRefusal():
            text = f"refused: {event.why}: {event.detail}"
        case AirDownlink():
            window = {None: "", 0: " at once"}.get(event.window, f" in window {event.window}")
            text = f"downlink order {event.number}{window}{_item(event.item)}"
        case DownlinkTaken():
            text = f"downlink order {event.number} taken{_item(event.item)}"
        case DownlinkRefused():
            text = f"downlink not sent{_item(event.item)}: {event.reason}"
        case DownlinkSettled():
            end = "acknowledged" if event.acknowledged else "given up"
            text = f"downlink {end} after {event.tries} transmissions{_item(event.item)}"
    return "; ".join(filter(None, (text, level_text(getattr(event, "levels", ())))))


def _item(item: int | None) -> str:
    return "" if item is None else f", item {item}"
