"""A simulated gateway: hears the boards, tells a network by UDP, and sends down what the network orders in time.

Owns its own microsecond counter, levels, the queue of what it will send, and keep-alives.  Must not know frames or
keys: it passes on bytes.  Names of errors: Semtech's `PROTOCOL.TXT` (protocol version 2), from memory; how far ahead an
order may come, and what a gateway needs to take one, are own choices.
"""

from __future__ import annotations

import asyncio
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

from benchrig.simulation import gateway_datagrams as datagrams
from benchrig.simulation.airtime import time_on_air_s
from benchrig.simulation.radio_air import NOISE_DBM, Air, Burst

if TYPE_CHECKING:
    import random

    from benchrig.simulation.bench_time import Agenda
    from benchrig.simulation.gateway_datagrams import TransmitOrder
    from benchrig.simulation.parts import GatewayTraits

KEEP_ALIVE_WALL_S: Final = 0.5
"""Wall time on purpose: the network on the other side is a program that may begin to listen at any moment."""
STATUS_EVERY: Final = 20
"""Keep-alives between two reports of the gateway's own figures."""
FIRST_STATUS: Final = 2
NEEDED_S: Final = 0.003
MOST_AHEAD_S: Final = 60.0
BAND_HZ: Final = (863_000_000, 870_000_000)
MOST_POWER_DBM: Final = 27.0
LARGEST_RATIO_DB: Final = 10.0
"""A LoRa receiver tells no larger one (from memory)."""
LEVEL_NOISE_DB: Final = 0.5
_WRAP: Final = 1 << 32


@dataclass(slots=True)
class _Figures:
    """What a gateway reports of itself."""

    received: int = 0
    good: int = 0
    handed_over: int = 0
    acknowledged: int = 0
    orders: int = 0
    sent: int = 0

    def status(self) -> dict[str, object]:
        share = 100.0 * self.acknowledged / self.handed_over if self.handed_over else 100.0
        return {
            "stat": {
                "rxnb": self.received,
                "rxok": self.good,
                "rxfw": self.handed_over,
                "ackr": round(min(share, 100.0), 1),
                "dwnb": self.orders,
                "txnb": self.sent,
            }
        }


class Gateway(asyncio.DatagramProtocol):
    """One gateway; `attenuation_db` lies between it and every board."""

    def __init__(
        self,
        agenda: Agenda,
        air: Air,
        *,
        eui: int,
        attenuation_db: float,
        traits: GatewayTraits,
        rng: random.Random,
    ) -> None:
        self._agenda = agenda
        self._air = air
        self._eui = eui
        self._attenuation_db = attenuation_db
        self._traits = traits
        self._rng = rng
        self._offset_us = rng.randrange(_WRAP)
        self._figures = _Figures()
        self._planned: list[Burst] = []
        self._keep_alives = 0
        self._transport: asyncio.DatagramTransport | None = None
        air.add(self)

    async def open(self, *, host: str, port: int) -> None:
        """Begin to speak with the network at this address, whether it listens yet or not."""
        loop = asyncio.get_running_loop()
        self._transport, _ = await loop.create_datagram_endpoint(lambda: self, remote_addr=(host, port))
        self._keep_alive()

    def hear(self, burst: Burst) -> None:
        """An uplink has just ended: hand it over if it can be heard here."""
        level_dbm = burst.power_dbm - self._attenuation_db + self._rng.gauss(0.0, LEVEL_NOISE_DB)
        if burst.is_inverted or not burst.is_audible(level_dbm):
            return
        figures, every = self._figures, self._traits.crc_failed_every
        figures.received += 1
        is_sound = not every or figures.received % every != 0
        figures.good += is_sound
        packet = datagrams.received_packet(
            burst,
            counter_us=self._counter_us(burst.end_s),
            rssi_dbm=level_dbm,
            ratio_db=min(LARGEST_RATIO_DB, level_dbm - NOISE_DBM),
            is_sound=is_sound,
        )
        figures.handed_over += 1
        self._say(datagrams.PUSH_DATA, {"rxpk": [packet]})

    @property
    def _is_mute(self) -> bool:
        traits = self._traits
        return traits.is_mute or 0.0 < traits.mute_after_s <= self._agenda.now

    # What comes from the network.

    def datagram_received(self, data: bytes, addr: object) -> None:
        """Take a datagram; one that is none of the protocol is dropped."""
        self._agenda.catch_up()
        try:
            kind, token, body = datagrams.from_network(data)
            if kind == datagrams.PUSH_ACK:
                self._figures.acknowledged += 1
            elif kind == datagrams.PULL_RESP and not self._is_mute:
                self._take(datagrams.transmit_order(body), token)
        except ValueError:
            return

    def error_received(self, exc: Exception) -> None:
        """Nobody listens there yet."""

    def _take(self, order: TransmitOrder, token: int) -> None:
        self._figures.orders += 1
        burst = self._planned_burst(order)
        error = self._refusal(order, burst)
        self._say(datagrams.TX_ACK, {"txpk_ack": {"error": error or "NONE"}}, token=token)
        if not error:
            self._planned.append(burst)
            self._agenda.at(burst.start_s, lambda: self._send(burst))

    def _planned_burst(self, order: TransmitOrder) -> Burst:
        now_s = self._agenda.now
        if order.counter_us is None:
            start_s = now_s + NEEDED_S
        else:
            ahead_us = (order.counter_us - self._counter_us(now_s) + _WRAP // 2) % _WRAP - _WRAP // 2
            start_s = now_s + ahead_us / 1e6
        on_air_s = time_on_air_s(
            phy_payload_bytes=len(order.data), spreading_factor=order.spreading_factor, has_crc=False
        )
        return Burst(
            order.data,
            order.frequency_hz,
            order.spreading_factor,
            start_s,
            start_s + on_air_s,
            order.power_dbm,
            order.is_inverted,
        )

    def _refusal(self, order: TransmitOrder, burst: Burst) -> str:
        """The protocol's name for why an order cannot be taken; empty if it can."""
        ahead_s = burst.start_s - self._agenda.now
        self._planned = [one for one in self._planned if one.end_s > self._agenda.now]
        if ahead_s < NEEDED_S - 1e-6:
            return "TOO_LATE"
        if ahead_s > MOST_AHEAD_S:
            return "TOO_EARLY"
        if any(one.start_s < burst.end_s and burst.start_s < one.end_s for one in self._planned):
            return "COLLISION_PACKET"
        if not BAND_HZ[0] <= order.frequency_hz <= BAND_HZ[1]:
            return "TX_FREQ"
        return "TX_POWER" if order.power_dbm > MOST_POWER_DBM else ""

    def _send(self, burst: Burst) -> None:
        self._figures.sent += 1
        self._air.downlink(replace(burst, power_dbm=burst.power_dbm - self._attenuation_db))

    # What goes to the network.

    def _keep_alive(self) -> None:
        self._say(datagrams.PULL_DATA)
        if self._keep_alives % STATUS_EVERY == FIRST_STATUS:
            self._say(datagrams.PUSH_DATA, self._figures.status())
        self._keep_alives += 1
        self._agenda.after(KEEP_ALIVE_WALL_S * self._agenda.scale, self._keep_alive)

    def _say(self, kind: int, content: object = None, *, token: int | None = None) -> None:
        if self._transport is None or self._is_mute:
            return
        token = self._rng.randrange(1 << 16) if token is None else token
        self._transport.sendto(datagrams.to_network(kind, token=token, eui=self._eui, content=content))

    def _counter_us(self, at_s: float) -> int:
        """The gateway's own clock at a bench time."""
        return (round(at_s * 1e6) + self._offset_us) % _WRAP
