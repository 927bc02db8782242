"""The board's air by the bench's own gateways: a network for this one board, run over the gateways' socket.

Owns a thread that answers in time whatever the check does meanwhile, the order "keep first, then send", and whom a
silence is charged to: no word of a gateway is the bench's, a board that nobody heard while gateways live is the
board's, and so is a frame of it that breaks the protocol. Must not know the bench file or where keys come from.
"""

from __future__ import annotations

import threading
import time
from typing import TYPE_CHECKING, NoReturn, TypeVar

from benchrig.board.air import (
    AirDownlink,
    AirEvent,
    AirJoin,
    AirLog,
    AirRefusal,
    AirUplink,
    DownlinkSettled,
    DownlinkTaken,
    describe,
)
from benchrig.board.air_events import as_told
from benchrig.board.air_finds import find_downlink, find_join, find_request, find_settled, find_uplink
from benchrig.board.air_price import AirPrice, planned_frames
from benchrig.errors import BenchrigError, BoardTimeout, ConfigError, GatewayError
from benchrig.protocol.airtime import Price
from benchrig.protocol.airtime_plan import price_plan
from benchrig.protocol.bench_network import BenchNetwork
from benchrig.protocol.lorawan_frame import eui_text
from benchrig.protocol.network_events import (
    DownlinkOrder,
    Joined,
    Repeated,
    Uplink,
    Why,
)
from benchrig.protocol.network_windows import NetworkSettings

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    from benchrig.board.air_price import AirDemand
    from benchrig.board.air_state import AirState
    from benchrig.clock import Clock
    from benchrig.protocol.airtime_plan import PlanPrice
    from benchrig.protocol.network_events import NetworkEvent
    from benchrig.protocol.region import Region
    from benchrig.protocol.secret_key import Key
    from benchrig.wires.gateway_socket import Arrived, GatewaySocket

T = TypeVar("T")

SILENT_WALL_S = 15.0
"""A gateway opens its way for downlinks again at least every 10 s (the usual setting; common practice, no source)."""

_GPS_EPOCH_UTC_S = 315_964_800  # 6 January 1980
_LEAP_S = 18  # GPS ahead of UTC since 1 January 2017 (IERS Bulletin C 52, from memory)


def settings_for(clock: Clock, *, rx_delay_s: int = 1, power_dbm: int = 14) -> NetworkSettings:
    """Settings of a network whose times are those of this clock."""
    utc_of_zero_s = clock.utc().timestamp() - clock.now_s()
    return NetworkSettings(
        rx_delay_s=rx_delay_s,
        power_dbm=power_dbm,
        utc_of_zero_s=utc_of_zero_s,
        gps_of_zero_s=utc_of_zero_s - _GPS_EPOCH_UTC_S + _LEAP_S,
    )


class AirLink:
    """Works from the moment it is made until `close`. Waits take bench seconds.

    `note` gets a line for each event, `know` every key that comes into use, before it is used. The socket lives on.
    """

    can_join = True
    can_time = True
    can_repeat = True

    def __init__(
        self,
        socket: GatewaySocket,
        *,
        region: Region,
        state: AirState,
        clock: Clock,
        settings: NetworkSettings | None = None,
        note: Callable[[str, str], None] = lambda _kind, _text: None,
        know: Callable[[Iterable[Key]], None] = lambda _keys: None,
    ) -> None:
        self._socket = socket
        self._clock = clock
        self._state = state
        self._settings = settings or settings_for(clock)
        self._note = note
        self._know = know
        self._log = AirLog()
        self._turn = threading.RLock()
        self._network = _network(region, state, self._settings)
        self._orders: dict[int, DownlinkOrder] = {}
        know(self._network.secrets)
        socket.forget()
        self._closing = False
        self._thread = threading.Thread(target=self._run, name=f"air of {self.name}", daemon=True)
        self._thread.start()

    @property
    def name(self) -> str:
        """The board's identity, and where its gateways speak to."""
        return f"board {eui_text(self._network.device.dev_eui)} by gateways at {self._socket.where}"

    @property
    def device_eui(self) -> int:
        """The board's identity on the air."""
        return self._network.device.dev_eui

    def close(self) -> None:
        """Stop, and keep what was learnt; a second call does nothing. Raises RecordError."""
        if self._closing:
            return
        self._closing = True
        self._socket.ring()
        self._thread.join()
        self._state.save()

    # ---- what a check asks

    def wait_until_open(self) -> None:
        """Until a gateway has opened its way for downlinks: before, an answer to a join would be lost.

        Raises GatewayError when none did for as long as a gateway may be silent.
        """
        if not self._socket.wait_for_gateway(SILENT_WALL_S):
            raise GatewayError(f"{self.name}: there is no way down: {self._silence()}")

    def mark(self) -> int:
        """A place in the log: behind all that was heard until now."""
        return self._log.mark()

    def events_since(self, mark: int) -> tuple[AirEvent, ...]:
        """All that was heard behind a mark (0: all). Raises what ended the link, if something did."""
        self._log.check()
        return self._log.since(mark)

    def uplinks_since(self, mark: int) -> tuple[AirUplink, ...]:
        """The uplinks behind a mark."""
        return tuple(one for one in self.events_since(mark) if isinstance(one, AirUplink))

    def wait_for_join(self, timeout_s: float, *, since: int) -> AirJoin:
        """The first join behind a mark whose answer a gateway took.

        Raises GatewayError for gateways that are silent or do not take the answer, BoardProtocolError for a key or
        nonce of the board, BoardTimeout when it asks for none.
        """
        return self._wait(lambda events: find_join(events, path=self.name), "join-request", timeout_s, since)

    def answer_joins(self, *, answer: bool) -> None:
        """Whether joins are answered from now on, or heard and left alone."""
        with self._turn:
            self._network.answers_joins = answer

    def wait_for_request(self, timeout_s: float, *, since: int, number: int = 1) -> AirJoin:
        """The join-request of this number behind a mark, answered or not. Raises as `wait_for_join`."""
        what = f"join-request {number}"
        return self._wait(lambda events: find_request(events, number=number), what, timeout_s, since)

    def wait_for_uplink(
        self, timeout_s: float, *, since: int, counter: int | None = None, port: int | None = None
    ) -> AirUplink:
        """The first uplink behind a mark, of this counter or port if given.

        Raises GatewayError for silent gateways, BoardProtocolError for a frame of the board that breaks the
        protocol, BoardTimeout when none comes.
        """
        what = "uplink" + (f" {counter}" if counter is not None else "") + (f" on port {port}" if port else "")
        return self._wait(lambda events: find_uplink(events, counter=counter, port=port), what, timeout_s, since)

    def queue_downlink(self, payload: bytes, *, port: int, confirmed: bool = False) -> int:
        """Goes down after the next uplink; the number of the item. Raises ConfigError for what cannot be sent."""
        try:
            with self._turn:
                return self._network.send(payload, port=port, confirmed=confirmed)
        except ValueError as wrong:
            raise ConfigError(f"{self.name}: a downlink cannot be sent: {wrong}; correct the board profile") from wrong

    def repeat_downlink(self, item: int) -> None:
        """The frame that carried an item goes down once more after the next uplink, byte for byte.

        A board must not obey it twice. Raises ConfigError for an item that was not sent of late.
        """
        try:
            with self._turn:
                self._network.send_again(item)
        except ValueError as wrong:
            raise ConfigError(f"{self.name}: no frame to repeat: {wrong}; wait for the downlink first") from wrong

    def answer_from(self, window: int) -> None:
        """From now on answers go down in this receive window of the board or a later one. Raises ConfigError."""
        try:
            with self._turn:
                self._network.answer_from(window)
        except ValueError as wrong:
            raise ConfigError(
                f"{self.name}: answers cannot be held back: {wrong}; correct the board profile"
            ) from wrong

    def send_unasked(self, payload: bytes, *, port: int) -> int:
        """Sends down at once, though the board has not spoken; the number of the item. Raises ConfigError."""
        try:
            with self._turn:
                self._network.reach(self._reachable())
                item, events = self._network.send_unasked(payload, port=port, at_s=self._clock.now_s())
                self._deal(events)
        except ValueError as wrong:
            raise ConfigError(f"{self.name}: nothing can be sent unasked: {wrong}; see the board profile") from wrong
        return item

    def wait_for_downlink(self, item: int, timeout_s: float, *, since: int) -> AirDownlink:
        """The order that took an item to the board, once a gateway has taken it.

        Raises GatewayError when the order was refused or gateways are silent, BoardTimeout when no uplink gave an
        occasion.
        """
        what = f"uplink that gives an occasion for downlink {item}"
        return self._wait(lambda events: find_downlink(events, item=item, path=self.name), what, timeout_s, since)

    def wait_for_settled(self, item: int, timeout_s: float, *, since: int) -> DownlinkSettled:
        """How a confirmed downlink ended. Raises as `wait_for_uplink`."""
        what = f"acknowledgement of downlink {item}"
        return self._wait(lambda events: find_settled(events, item=item), what, timeout_s, since)

    def price(self, demand: AirDemand) -> AirPrice:
        """What a run costs board and gateways, on top of what earlier runs spent. Raises ConfigError."""
        try:
            with self._turn:
                return AirPrice(self._priced(demand), self._priced(demand.at_most))
        except ValueError as wrong:
            raise ConfigError(f"{self.name}: its frames have no price: {wrong}; see transmit in the profile") from wrong

    def _priced(self, demand: AirDemand) -> PlanPrice:
        network, board, joins = self._network, self._state.board, self._state.joins
        gateways = network.budget or self._state.gateways
        rising = joins.device.nonces == "rising"
        return price_plan(
            planned_frames(demand, network.region, board=board.transmitter, gateway=gateways.transmitter),
            budgets={board.transmitter: board, gateways.transmitter: gateways},
            at_s=self._utc_s(self._clock.now_s()),
            joins=demand.requests,
            nonces_used=max(joins.dev_nonces, default=-1) + 1 if rising else len(joins.dev_nonces),
        )

    def _wait(self, find: Callable[[Sequence[AirEvent]], T | None], what: str, timeout_s: float, since: int) -> T:
        found = self._log.wait(find, since=since, timeout_s=self._clock.wall_timeout_s(timeout_s))
        if found is not None:
            return found
        ended_s = time.monotonic()
        lives = self._socket.wait_for_word(ended_s, self._patience_for_word_s(ended_s))
        found = self._log.wait(find, since=since, timeout_s=0.0)  # it may have come meanwhile
        if found is None:
            self._nothing_came(what, timeout_s, since, lives=lives)
        return found

    def _patience_for_word_s(self, now_s: float) -> float:
        last_s = max(self._socket.last_wall_s.values(), default=-SILENT_WALL_S)
        return max(0.0, last_s + SILENT_WALL_S - now_s)

    def _nothing_came(self, what: str, timeout_s: float, since: int, *, lives: bool) -> NoReturn:
        events = self._log.since(since)
        asked = f"{self.name}: no {what} within {timeout_s:g} s"
        if not lives:
            raise GatewayError(f"{asked}, and {self._silence()}")
        damaged = [event for event in events if isinstance(event, AirRefusal) and event.why == Why.CRC]
        if damaged and not any(isinstance(event, AirUplink | AirJoin) for event in events):
            raise GatewayError(
                f"{asked}: {len(damaged)} packets reached the gateways damaged and none whole; check antennas, levels "
                "and what else is on the air"
            )
        heard = "; ".join(describe(event) for event in events[-3:]) or "nothing"
        raise BoardTimeout(
            f"{asked}, while gateways are alive; heard meanwhile: {heard}; check that the board ran the step, its "
            "antenna, and that its channels are those of the bench"
        )

    def _silence(self) -> str:
        counts = self._socket.counts
        seen = f"{counts.datagrams} datagrams came so far"
        bad = f", {counts.bad} of them unusable ({counts.bad_reason})" if counts.bad else ""
        return (
            f"no gateway says a word ({seen}{bad}); check its power and network, that it sends to "
            f"{self._socket.where}, and [gateway] euis in the bench file"
        )

    # ---- its own thread

    def _run(self) -> None:
        try:
            while not self._closing:
                arrived = self._socket.take(self._patience_s())
                with self._turn:
                    self._deal(self._hear(arrived))
        except BenchrigError as wrong:
            self._log.fail(wrong)
        except Exception as wrong:  # whatever it is: nobody may wait for a thread that has ended
            self._log.fail(GatewayError(f"{self.name}: the network of the bench failed: {wrong!r}; report this"))

    def _patience_s(self) -> float | None:
        due_s = self._network.due_s
        return None if due_s is None else max(0.0, (due_s - self._clock.now_s()) / self._clock.scale)

    def _hear(self, arrived: Arrived | None) -> tuple[NetworkEvent, ...]:
        network, now_s = self._network, self._clock.now_s()
        network.reach(self._reachable())
        if arrived is None:
            return network.advance(now_s)
        at_s, heard = self._clock.from_wall_s(arrived.wall_s), arrived.heard
        gateway = heard.gateway or 0
        events: list[NetworkEvent] = []
        for packet in heard.packets:
            events += network.hear(packet, gateway=gateway, at_s=at_s)
        for rejected in heard.rejected:
            events += network.hear_rejected(rejected, gateway=gateway, at_s=at_s)
        if heard.answer is not None:
            events += self._answered(heard.answer.order, heard.answer.error)
        return (*events, *network.advance(now_s))

    def _reachable(self) -> frozenset[int]:
        """Gateways that opened a way down and were heard of late; a plug that was pulled leaves its way behind."""
        since_s, heard_s = time.monotonic() - SILENT_WALL_S, self._socket.last_wall_s
        return frozenset(one for one in self._socket.gateways if heard_s.get(one, 0.0) >= since_s)

    def _answered(self, number: int, error: str) -> tuple[NetworkEvent, ...]:
        order = self._orders.pop(number, None)
        if order is None:
            return ()  # of a link before this one
        at_s = self._clock.now_s()
        if not error:
            self._tell(DownlinkTaken(at_s=at_s, number=order.number, item=order.item))
        return self._network.ordered(order.number, error=error, at_s=at_s)

    def _deal(self, events: tuple[NetworkEvent, ...]) -> None:
        """Keep, then tell, then send: a nonce or counter is never used that a crash could forget."""
        if not events:
            return
        self._know(self._network.secrets)
        self._keep(events)
        for event in events:
            self._tell(as_told(event, at_s=self._clock.now_s()))
        for event in events:
            if isinstance(event, DownlinkOrder):
                self._send(event)

    def _keep(self, events: tuple[NetworkEvent, ...]) -> None:
        state = self._state
        for event in events:
            if isinstance(event, Joined | Uplink | Repeated):
                state.board = state.board.record(self._cost(event), at_s=self._utc_s(event.receptions[0].at_s))
        if self._network.budget is not None:
            state.gateways = self._network.budget
        if any(isinstance(event, Joined | Uplink | Repeated | DownlinkOrder) for event in events):
            state.save()

    def _cost(self, event: Joined | Uplink | Repeated) -> Price:
        heard, region = event.receptions[0], self._network.region
        band = region.band_of(heard.frequency_hz, region.rate_of(heard.rate, uplink=True))
        return Price(event.airtime_us, band, "")

    def _utc_s(self, at_s: float) -> float:
        return self._settings.utc_of_zero_s + at_s

    def _send(self, order: DownlinkOrder) -> None:
        try:
            number = self._socket.order(order.packet, gateway=order.gateway)
        except GatewayError as wrong:
            self._deal(self._network.ordered(order.number, error=wrong.message, at_s=self._clock.now_s()))
            return
        self._orders[number] = order

    def _tell(self, event: AirEvent) -> None:
        self._note("air", describe(event))
        self._log.add(event)


def _network(region: Region, state: AirState, settings: NetworkSettings) -> BenchNetwork:
    try:
        return BenchNetwork(region, joins=state.joins, settings=settings, budget=state.gateways)
    except ValueError as wrong:
        raise ConfigError(f"the bench's own network: {wrong}; correct [gateway] in the bench file") from wrong
