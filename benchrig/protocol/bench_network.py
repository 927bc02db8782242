"""A LoRaWAN network for one board on one bench: uplinks go in, events and orders for gateways come out.

Owns the order of things: copies merged, joins and frames checked, each uplink answered once in time. Must not know
sockets, clocks or files: a time is seconds on the caller's clock, and whoever owns one calls `advance` at `due_s`.
It accepts the one board that it was made for; everything else is refused with a reason, never with an exception.
Source: LoRaWAN 1.0.x class A, from memory; numbers of a region are in `regions`.
"""

from __future__ import annotations

from collections import OrderedDict, deque
from dataclasses import dataclass
from typing import TYPE_CHECKING

from benchrig.protocol.airtime import price
from benchrig.protocol.lorawan_counter import LAST_COUNTER, Step
from benchrig.protocol.lorawan_crypto import crypt_payload, seal_join_accept
from benchrig.protocol.lorawan_frame import DataFrame, Frame, JoinRequest, parse_frame
from benchrig.protocol.lorawan_join import JoinAccept, build_join_accept
from benchrig.protocol.lorawan_mac import UnknownCommand, parse_commands
from benchrig.protocol.network_answers import answers_to
from benchrig.protocol.network_downlinks import DownlinkQueue, Filled
from benchrig.protocol.network_events import Joined, NetworkEvent, NotSent, Reception, Refused, Repeated, Uplink, Why
from benchrig.protocol.network_merge import Merged, Merger
from benchrig.protocol.network_session import Device, Good, Joins, Refusal
from benchrig.protocol.network_windows import NetworkSettings, Sender

if TYPE_CHECKING:
    from benchrig.protocol.airtime import AirtimeBudget
    from benchrig.protocol.gateway_packets import ReceivedPacket, RejectedPacket
    from benchrig.protocol.lorawan_mac import DownlinkCommand, MacCommand
    from benchrig.protocol.region import DataRate, Region
    from benchrig.protocol.secret_key import Key

MOST_ATTEMPTS = 15
"""LinkADRReq can ask for no more transmissions of one frame: 4 bits."""


_REMEMBERED_ITEMS = 16
"""Items that can be sent again (own choice)."""


@dataclass(slots=True)
class _Last:
    """The last good frame: what it was, how often it came, and how it was answered."""

    frame: DataFrame
    data: bytes
    commands: tuple[MacCommand, ...]
    receptions: tuple[Reception, ...]
    attempts: int = 1
    answer: Filled | None = None


class BenchNetwork:
    """The network. `joins` may be restored from what an earlier run kept; `budget` is the gateways' airtime."""

    def __init__(
        self,
        region: Region,
        *,
        joins: Joins,
        settings: NetworkSettings | None = None,
        budget: AirtimeBudget | None = None,
    ) -> None:
        self.region = region
        self.joins = joins
        self.settings = settings or NetworkSettings()
        self._sender = Sender(region, self.settings, budget)
        self._merger = Merger(self.settings.merge_s)
        self._queue = DownlinkQueue(most_tries=self.settings.most_tries)
        self._last: _Last | None = None
        self._sent: OrderedDict[int, Filled] = OrderedDict()
        self._again: deque[Filled] = deque()
        self.answers_joins = True
        """False: joins are heard and left without an answer, as by a gateway that cannot send."""

    @property
    def device(self) -> Device:
        """The board."""
        return self.joins.device

    @property
    def budget(self) -> AirtimeBudget | None:
        """What the gateways have been on air, to be kept over a restart."""
        return self._sender.budget

    @property
    def due_s(self) -> float | None:
        """When to call `advance` at the latest; None while nothing waits."""
        return self._merger.due_s

    @property
    def waiting(self) -> int:
        """Downlinks in the queue."""
        return len(self._queue)

    @property
    def secrets(self) -> tuple[Key, ...]:
        """Every key in use, for the redaction of texts."""
        return self.joins.secrets

    # ---- what the bench asks for

    def send(self, payload: bytes, *, port: int, confirmed: bool = False) -> int:
        """Queues a downlink; it goes after the next uplink. Raises ValueError for a port or length that cannot be."""
        return self._queue.add(payload, port=port, confirmed=confirmed)

    def send_again(self, item: int) -> None:
        """The frame that carried an item goes down once more after the next uplink, byte for byte, in place of others.

        A board must not take it: its counter was used. Raises ValueError for an item that was not sent of late.
        """
        if item not in self._sent:
            raise ValueError(f"item {item} was not sent of late; accepted: {', '.join(map(str, self._sent)) or 'none'}")
        self._again.append(self._sent[item])

    def send_command(self, command: DownlinkCommand) -> None:
        """Queues a MAC command for the options of the next downlink. Raises ValueError for one that moves windows."""
        self._queue.add_command(command)

    def send_unasked(self, payload: bytes, *, port: int, at_s: float) -> tuple[int, tuple[NetworkEvent, ...]]:
        """Sends a frame now, though the board did not speak: one of class A must not hear it. Its item, and the events.

        Raises ValueError for a port or length that cannot be, and before the first uplink of a session.
        """
        last = self._last
        if last is None:
            raise ValueError("nothing was heard of the board yet; wait for an uplink first")
        filled = self._queue.past_the_queue(self.joins.running, payload, port=port, next_counter=self.joins.next_down)
        assert filled.item is not None
        event = self._sender.order_at_once(last.receptions, filled.data, at_s=at_s, filled=filled)
        return filled.item.number, (event,)

    def answer_from(self, window: int) -> None:
        """From now on answers go down in this window or a later one. Raises ValueError for a window that is none."""
        if window not in (1, 2):
            raise ValueError(f"window {window!r}; accepted: 1 or 2")
        self._sender.first_window = window

    def reach(self, gateways: frozenset[int]) -> None:
        """Which gateways have a way down now."""
        self._sender.reachable = gateways

    # ---- what gateways bring

    def hear(self, packet: ReceivedPacket, *, gateway: int, at_s: float) -> tuple[NetworkEvent, ...]:
        """A gateway received a packet. The events are those that were due by now."""
        due = self.advance(at_s)
        reception = Reception(
            gateway=gateway,
            at_s=at_s,
            counter_us=packet.counter_us,
            frequency_hz=packet.frequency_hz,
            rate=packet.rate,
            rssi_dbm=packet.rssi_dbm,
            snr_db=packet.snr_db,
            channel=packet.channel,
            time=packet.time,
        )
        if self._merger.add(packet.payload, reception):
            return due
        late = Refused(why=Why.LATE_COPY, detail="its packet was dealt with before", receptions=(reception,))
        return (*due, late)

    def hear_rejected(self, packet: RejectedPacket, *, gateway: int, at_s: float) -> tuple[NetworkEvent, ...]:
        """A gateway received what must not be used: told, and nothing else."""
        at = "" if packet.frequency_hz is None else f" at {packet.frequency_hz / 1e6:g} MHz, {packet.rate}"
        level = "" if packet.rssi_dbm is None else f", {packet.rssi_dbm:g} dBm"
        why = Why.MALFORMED if packet.counter_us is None else Why.CRC
        return (
            *self.advance(at_s),
            Refused(why=why, detail=f"{packet.reason}{at}{level}, gateway {gateway:016X}"),
        )

    def ordered(self, number: int, *, error: str, at_s: float) -> tuple[NetworkEvent, ...]:
        """A gateway took the order with this number, or refused it for `error`: then the second window is tried."""
        if not error:
            self._sender.taken(number)
            return ()
        event, filled = self._sender.refused(number, error=error, at_s=at_s)
        if isinstance(event, NotSent):
            self._take_back(filled)
        return () if event is None else (event,)

    def advance(self, at_s: float) -> tuple[NetworkEvent, ...]:
        """Time went on: every packet whose copies are complete is dealt with."""
        return tuple(event for merged in self._merger.take(at_s) for event in self._packet(merged, at_s))

    def _packet(self, merged: Merged, at_s: float) -> tuple[NetworkEvent, ...]:
        try:
            frame = parse_frame(merged.data)
            rate = self.region.rate_of(merged.receptions[0].rate, uplink=True)
        except ValueError as error:
            return _refused(Why.MALFORMED, str(error), merged)
        found = self._checked(frame)
        if isinstance(found, Refusal):
            return _refused(found.why, found.detail, merged)
        if isinstance(frame, JoinRequest):
            return self._join(frame, merged, rate, at_s)
        if not isinstance(frame, DataFrame) or found is None:
            return _refused(Why.NOT_UPLINK, f"a {type(frame).__name__} comes from no board", merged)
        if found.step is Step.REPEATED:
            return self._repeated(found.counter, merged, rate, at_s)
        return self._new(frame, found, merged, rate, at_s)

    def _checked(self, frame: Frame) -> Good | Refusal | None:
        """Why a frame is refused; what a data frame is in its session; None for any other."""
        if isinstance(frame, JoinRequest):
            return self.joins.check(frame)
        if not isinstance(frame, DataFrame):
            return None
        if not frame.uplink:
            return Refusal(Why.NOT_UPLINK, "a data frame that goes down, from another gateway")
        coming = self.joins.coming
        found = self.joins.check_data(frame, max_gap=self.settings.max_gap)
        if coming is not None and self.joins.coming is None:  # the new session has begun
            self._queue.forget_counters()
        return found

    # ---- joins

    def _join(self, request: JoinRequest, merged: Merged, rate: DataRate, at_s: float) -> tuple[NetworkEvent, ...]:
        if not self.answers_joins:
            return (self._unanswered(request, merged, rate),)
        settings = self.settings
        address = self.device.dev_eui & 0x01FF_FFFF if settings.dev_addr is None else settings.dev_addr
        session = self.joins.accept(request, net_id=settings.net_id, dev_addr=address)
        accept = JoinAccept(
            app_nonce=session.app_nonce,
            net_id=settings.net_id,
            dev_addr=address,
            rx1_offset=settings.rx1_offset,
            rx2_data_rate=self._sender.rx2_rate,
            rx_delay_s=settings.rx_delay_s,
            channels=settings.channels,
        )
        joined = Joined(
            dev_nonce=request.dev_nonce,
            app_nonce=session.app_nonce,
            dev_addr=address,
            receptions=merged.receptions,
            airtime_us=rate.airtime_us(len(merged.data), uplink=True),
            notes=self._notes(merged, rate),
        )
        sealed = seal_join_accept(self.device.app_key, build_join_accept(accept))
        return (joined, self._sender.order(self._sender.join_openings(merged, rate), sealed, at_s=at_s))

    def _unanswered(self, request: JoinRequest, merged: Merged, rate: DataRate) -> Joined:
        self.joins.ignore(request)
        return Joined(
            dev_nonce=request.dev_nonce,
            app_nonce=0,
            dev_addr=0,
            receptions=merged.receptions,
            airtime_us=rate.airtime_us(len(merged.data), uplink=True),
            notes=self._notes(merged, rate),
            answered=False,
        )

    # ---- data

    def _repeated(self, counter: int, merged: Merged, rate: DataRate, at_s: float) -> tuple[NetworkEvent, ...]:
        last = self._last
        if last is None:
            return _refused(Why.REPLAY, f"counter {counter} was heard before a restart", merged)
        if last.data != merged.data:
            detail = f"two different frames with counter {counter}: their encryption can be undone"
            return _refused(Why.COUNTER_REUSED, detail, merged)
        if last.attempts >= MOST_ATTEMPTS:
            return _refused(Why.REPLAY, f"counter {counter} was heard {last.attempts} times already", merged)
        last.attempts += 1
        last.receptions = merged.receptions
        event = Repeated(
            counter=counter,
            attempt=last.attempts,
            receptions=merged.receptions,
            airtime_us=rate.airtime_us(len(merged.data), uplink=True),
        )
        return (event, *self._answer_again(last, merged, rate, at_s))

    def _answer_again(self, last: _Last, merged: Merged, rate: DataRate, at_s: float) -> tuple[NetworkEvent, ...]:
        """The same bytes once more; where the first answer never went out, another one."""
        if last.answer is None:
            return self._answer(last, merged, rate, at_s)
        ways, sent = self._sender.data_openings(merged, rate), last.answer
        return (self._sender.order(ways, sent.data, at_s=at_s, filled=sent, again=True),)

    def _new(
        self, frame: DataFrame, good: Good, merged: Merged, rate: DataRate, at_s: float
    ) -> tuple[NetworkEvent, ...]:
        payload, commands, notes = self._content(frame, good.counter)
        uplink = Uplink(
            counter=good.counter,
            port=frame.port,
            payload=payload,
            confirmed=frame.confirmed,
            adr=frame.adr,
            adr_ack_request=frame.adr_ack_request,
            ack=frame.ack,
            missed=good.missed,
            commands=commands,
            receptions=merged.receptions,
            phy_bytes=len(merged.data),
            airtime_us=rate.airtime_us(len(merged.data), uplink=True),
            notes=(*notes, *self._notes(merged, rate)),
        )
        last = self._last = _Last(frame, merged.data, commands, merged.receptions)
        settled = self._queue.acknowledge() if frame.ack else self._queue.give_up()
        answer = self._answer(last, merged, rate, at_s)
        return (uplink, *answer) if settled is None else (uplink, settled, *answer)

    def _content(self, frame: DataFrame, counter: int) -> tuple[bytes | None, tuple[MacCommand, ...], tuple[str, ...]]:
        """Payload in the clear, MAC commands, and what is wrong with them. Keeps the counter."""
        keys = self.joins.heard(counter).keys
        key = keys.network if frame.port == 0 else keys.application
        clear = crypt_payload(key, frame.payload, uplink=True, dev_addr=frame.dev_addr, counter=counter)
        payload = None if frame.port in (0, None) else clear
        try:
            commands = parse_commands(clear if frame.port == 0 else frame.options, uplink=True)
        except ValueError as error:
            return payload, (), (f"MAC commands: {error}",)
        unknown = (one.cid for one in commands if isinstance(one, UnknownCommand))
        return payload, commands, tuple(f"MAC command 0x{cid:02X} is none of LoRaWAN 1.0.x" for cid in unknown)

    def _notes(self, merged: Merged, rate: DataRate) -> tuple[str, ...]:
        """What the packet breaks in the region. It is used all the same: a bench tells, and a limit judges."""
        heard_hz = merged.receptions[0].frequency_hz
        cost = price(self.region, frequency_hz=heard_hz, rate=rate, phy_bytes=len(merged.data), uplink=True)
        return (cost.why_not,) if cost.why_not else ()

    # ---- downlinks

    def _answer(self, last: _Last, merged: Merged, rate: DataRate, at_s: float) -> tuple[NetworkEvent, ...]:
        """What goes down after an uplink: an acknowledgement, answers to its commands, what waits; or nothing."""
        if self._again:
            old = self._again.popleft()
            ways = self._sender.data_openings(merged, rate)
            return (self._sender.order(ways, old.data, at_s=at_s, filled=old, again=True),)
        frame, settings = last.frame, self.settings
        gps_s = None if settings.gps_of_zero_s is None else merged.heard_s + settings.gps_of_zero_s
        answers = answers_to(last.commands, receptions=merged.receptions, rate=rate, gps_s=gps_s)
        must = frame.confirmed or frame.adr_ack_request or bool(answers)
        if not must and not self._queue.waits:
            return ()
        sender = self._sender
        ways = sender.in_time(sender.data_openings(merged, rate), at_s=at_s)
        used = sum(len(one.to_bytes()) for one in answers)
        roomy = tuple(one for one in ways if self._queue.fits(sender.longest(one) - used))
        if not ways or not (roomy or must):
            return (NotSent("what waits is too long for both windows" if ways else "no window is left in time"),)
        session = self.joins.running
        if session.next_down > LAST_COUNTER:
            return (NotSent("the session has used all of its downlink counters; join again"),)
        chosen = roomy or ways
        filled = self._queue.fill(
            session,
            longest=sender.longest(chosen[0]),
            ack=frame.confirmed,
            answers=answers,
            next_counter=self.joins.next_down,
        )
        last.answer = filled
        event = sender.order(chosen, filled.data, at_s=at_s, filled=filled)
        if isinstance(event, NotSent):
            self._take_back(filled)
        elif filled.number is not None:
            self._remember(filled.number, filled)
        return (event,)

    def _remember(self, item: int, filled: Filled) -> None:
        self._sent[item] = filled
        if len(self._sent) > _REMEMBERED_ITEMS:
            self._sent.popitem(last=False)

    def _take_back(self, filled: Filled | None) -> None:
        """What could not be sent waits for the next uplink."""
        if filled is None:
            return
        self._queue.put_back(filled)
        if self._last is not None and self._last.answer is filled:
            self._last.answer = None


def _refused(why: Why, detail: str, merged: Merged) -> tuple[NetworkEvent, ...]:
    return (Refused(why=why, detail=detail, receptions=merged.receptions),)
