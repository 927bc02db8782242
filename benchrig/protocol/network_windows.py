"""In which receive window, from which gateway and at what cost an answer goes down.

Owns what the network tells the board about its windows, the choice between them, and orders that are on their way.
Must not know keys, sessions or what is sent. Source: LoRaWAN 1.0.x section 3.3 (class A windows), from memory; delays
and data rates of a region are in `regions`. Times in seconds on the caller's clock.
"""

from __future__ import annotations

from collections import OrderedDict
from contextlib import suppress
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, NamedTuple

from benchrig.protocol.airtime import AirtimeBudget, Price, price
from benchrig.protocol.gateway_packets import TransmitPacket
from benchrig.protocol.lorawan_counter import MAX_GAP
from benchrig.protocol.network_events import DownlinkOrder, NotSent

if TYPE_CHECKING:
    from benchrig.protocol.lorawan_join import ChannelList
    from benchrig.protocol.network_downlinks import Filled
    from benchrig.protocol.network_events import Reception
    from benchrig.protocol.network_merge import Merged
    from benchrig.protocol.region import DataRate, Region, Window

_COUNTER_WRAP = 1 << 32
_ON_THEIR_WAY = 16


@dataclass(frozen=True, slots=True, kw_only=True)
class NetworkSettings:
    """What the network tells the board at its join, and how it answers.

    `rx2_rate` None is the region's own. `first_window` 2 leaves the first window out. `merge_s` is how long copies
    of other gateways are awaited, `lead_s` what a gateway needs to take an order (both own choice). `gps_of_zero_s`
    are the GPS seconds at 0 on the caller's clock, None leaves requests for the time unanswered; `utc_of_zero_s` is
    the same for UTC, for the airtime budget. `dev_addr` None takes the lower 25 bits of the DevEUI. A session that
    is restored goes on under the settings of its join.
    """

    net_id: int = 0
    dev_addr: int | None = None
    rx_delay_s: int = 1
    rx1_offset: int = 0
    rx2_rate: int | None = None
    channels: ChannelList | None = None
    power_dbm: int = 14
    first_window: int = 1
    merge_s: float = 0.2
    lead_s: float = 0.1
    max_gap: int = MAX_GAP
    most_tries: int = 8
    utc_of_zero_s: float = 0.0
    gps_of_zero_s: float | None = None

    def __post_init__(self) -> None:
        if self.first_window not in (1, 2) or not 1 <= self.rx_delay_s <= 15:
            raise ValueError(
                f"first window {self.first_window!r} after {self.rx_delay_s!r} s; accepted: 1 or 2, after 1 to 15 s"
            )
        if not (self.merge_s >= 0.0 and self.lead_s >= 0.0 and self.merge_s + self.lead_s < self.rx_delay_s):
            raise ValueError(
                f"copies are awaited {self.merge_s!r} s and a gateway needs {self.lead_s!r} s; "
                f"accepted: together less than the {self.rx_delay_s} s to the first window"
            )


class Opening(NamedTuple):
    """A receive window of the board after one uplink, as one gateway that heard it must hit it."""

    number: int
    window: Window
    begins_s: float
    counter_us: int
    gateway: int


AT_ONCE = 0
"""In place of a window's number: sent when nobody listens who keeps to class A."""


class OnItsWay(NamedTuple):
    """An order that no gateway has answered yet, and what it takes to give it again in a later window.

    `again`: the frame was ordered once before, so that what it carries does not come back when this order fails.
    """

    order: DownlinkOrder
    data: bytes
    later: tuple[Opening, ...]
    filled: Filled | None
    again: bool


@dataclass(slots=True)
class Sender:
    """Gives orders within the region's rules and the gateways' airtime budget, and keeps those on their way.

    `reachable` are the gateways that have a way down, None while nobody knows: of those that heard a frame the best
    that can be reached answers it, and the others stand behind it. `first_window` is the settings' until it is changed.
    Raises ValueError for settings that the region does not have.
    """

    region: Region
    settings: NetworkSettings
    budget: AirtimeBudget | None = None
    reachable: frozenset[int] | None = None
    first_window: int = field(init=False)
    _orders: OrderedDict[int, OnItsWay] = field(default_factory=OrderedDict)
    _given: int = 0

    def __post_init__(self) -> None:
        self.first_window = self.settings.first_window
        self.region.second_window(rate=self.rx2_rate)
        offsets = sorted({offset for _, offset in self.region.rx1_rates})
        if self.settings.rx1_offset not in offsets:
            raise ValueError(f"offset {self.settings.rx1_offset!r} in {self.region.name}; accepted: {offsets}")
        channels = self.settings.channels
        if channels is not None and channels.list_type != self.region.channel_list_type:
            accepted = self.region.channel_list_type
            raise ValueError(f"channel list of type {channels.list_type} in {self.region.name}; accepted: {accepted}")

    @property
    def rx2_rate(self) -> int:
        """Data rate of the second window in a session."""
        return self.region.rx2_rate if self.settings.rx2_rate is None else self.settings.rx2_rate

    def data_openings(self, merged: Merged, rate: DataRate) -> tuple[Opening, ...]:
        """The windows after a data frame."""
        delay_s = self.settings.rx_delay_s
        return self._openings(merged, rate, (delay_s, delay_s + 1), self.settings.rx1_offset, self.rx2_rate)

    def join_openings(self, merged: Merged, rate: DataRate) -> tuple[Opening, ...]:
        """The windows after a join-request. The board learns other ones from the very answer: the region's hold."""
        return self._openings(merged, rate, self.region.join_delays_s, 0, self.region.rx2_rate)

    def _openings(
        self, merged: Merged, rate: DataRate, delays_s: tuple[int, int], offset: int, rx2_rate: int
    ) -> tuple[Opening, ...]:
        windows: list[tuple[int, Window]] = []
        with suppress(ValueError):  # outside of the region's channels only the second window is left
            windows.append((1, self.region.first_window(merged.receptions[0].frequency_hz, rate, offset=offset)))
        windows.append((2, self.region.second_window(rate=rx2_rate)))
        return tuple(
            Opening(
                number,
                window,
                merged.heard_s + delays_s[number - 1],
                (one.counter_us + delays_s[number - 1] * 1_000_000) % _COUNTER_WRAP,
                one.gateway,
            )
            for number, window in windows
            if number >= self.first_window
            for one in self.ways(merged.receptions)
        )

    def ways(self, receptions: tuple[Reception, ...]) -> tuple[Reception, ...]:
        """Those that heard a frame and can be reached, the best first; where none can, the best, whose answer tells."""
        open_ways = tuple(one for one in receptions if self.reachable is None or one.gateway in self.reachable)
        return open_ways or receptions[:1]

    def longest(self, opening: Opening) -> int:
        """Bytes of payload and options together that fit into a window."""
        return self.region.longest_payload(opening.window.rate)

    def in_time(self, openings: tuple[Opening, ...], *, at_s: float) -> tuple[Opening, ...]:
        """Those that a gateway can still hit."""
        return tuple(one for one in openings if at_s <= one.begins_s - self.settings.lead_s)

    def order(
        self,
        openings: tuple[Opening, ...],
        data: bytes,
        *,
        at_s: float,
        filled: Filled | None = None,
        again: bool = False,
    ) -> DownlinkOrder | NotSent:
        """An order for the first window that can be used, or why there is none."""
        reasons: list[str] = []
        for place, opening in enumerate(openings):
            cost = self._cost(opening, len(data), at_s)
            if isinstance(cost, Price):
                order = self._give(opening, cost, data, filled)
                self._orders[order.number] = OnItsWay(order, data, openings[place + 1 :], filled, again)
                if len(self._orders) > _ON_THEIR_WAY:
                    self._orders.popitem(last=False)
                return order
            if (reason := f"window {opening.number}: {cost}") not in reasons:
                reasons.append(reason)
        return NotSent("; ".join(reasons) or "no window is left", filled.number if filled else None)

    def order_at_once(
        self, receptions: tuple[Reception, ...], data: bytes, *, at_s: float, filled: Filled
    ) -> DownlinkOrder | NotSent:
        """An order without an uplink before it, where the second window would be: a board of class A is deaf then."""
        gateway = self.ways(receptions)[0].gateway
        opening = Opening(AT_ONCE, self.region.second_window(rate=self.rx2_rate), at_s, 0, gateway)
        return self.order((opening,), data, at_s=at_s, filled=filled, again=True)

    def _cost(self, opening: Opening, phy_bytes: int, at_s: float) -> Price | str:
        """What a frame in this window costs, or why it cannot be sent there."""
        if opening.number != AT_ONCE and not self.in_time((opening,), at_s=at_s):
            return f"opens in {opening.begins_s - at_s:.3f} s, a gateway needs {self.settings.lead_s:g} s"
        window = opening.window
        cost = price(self.region, frequency_hz=window.frequency_hz, rate=window.rate, phy_bytes=phy_bytes, uplink=False)
        if self.budget is None:
            return cost.why_not or cost
        begins_utc_s = self.settings.utc_of_zero_s + opening.begins_s
        refusal = self.budget.refuses(cost, at_s=begins_utc_s)
        if refusal is not None:
            return refusal.reason
        self.budget = self.budget.spend(cost, at_s=begins_utc_s)
        return cost

    def _give(self, opening: Opening, cost: Price, data: bytes, filled: Filled | None) -> DownlinkOrder:
        self._given += 1
        packet = TransmitPacket(
            payload=data,
            counter_us=None if opening.number == AT_ONCE else opening.counter_us,
            frequency_hz=opening.window.frequency_hz,
            rate=opening.window.rate.text,
            power_dbm=self.settings.power_dbm,
        )
        return DownlinkOrder(
            number=self._given,
            window=opening.number,
            gateway=opening.gateway,
            packet=packet,
            airtime_us=cost.airtime_us,
            counter=filled.counter if filled else None,
            item=filled.number if filled else None,
        )

    def taken(self, number: int) -> None:
        """A gateway took the order."""
        self._orders.pop(number, None)

    def refused(self, number: int, *, error: str, at_s: float) -> tuple[DownlinkOrder | NotSent | None, Filled | None]:
        """A gateway did not take the order: the same in a later window, or what could not be sent.

        None twice for an order that is not on its way.
        """
        known = self._orders.pop(number, None)
        if known is None:
            return None, None
        event = self.order(known.later, known.data, at_s=at_s, filled=known.filled, again=known.again)
        if isinstance(event, NotSent):
            event = NotSent(f"window {known.order.window}: the gateway says {error}; {event.reason}", event.item)
        return event, None if known.again else known.filled
