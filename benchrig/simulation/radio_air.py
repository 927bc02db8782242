"""The air between the radios of the boards and the gateways: who hears whom, how loud, and what gets lost.

Owns transmissions in bench time, noise floor, least signal to noise ratio, and strangers on the air.  Must not know
what bytes mean or how a gateway speaks with a network.  Levels in dBm.  Source: noise floor -174 dBm/Hz +
10 log10(125 kHz) with a noise figure of 6 dB, least ratios of the spreading factors as in data sheets of LoRa radios,
all from memory; symbols of a preamble: RP002-1.0.1 (8).
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Protocol

from benchrig.simulation.airtime import BANDWIDTH_HZ, time_on_air_s

if TYPE_CHECKING:
    import random
    from collections.abc import Callable

    from benchrig.simulation.bench_time import Agenda
    from benchrig.simulation.parts import AirTraits

BOARD_POWER_DBM: Final = 14.0
NOISE_DBM: Final = -174.0 + 10.0 * math.log10(BANDWIDTH_HZ) + 6.0
LEAST_RATIO_DB: Final = {7: -7.5, 8: -10.0, 9: -12.5, 10: -15.0, 11: -17.5, 12: -20.0}
PREAMBLE_SYMBOLS: Final = 8
NEEDED_SYMBOLS: Final = 4
"""Of a preamble that was under way before the receiver opened; common practice, no source."""

STRANGER_EVERY_S: Final = 1.7
STRANGER_DBM: Final = -6.0
STRANGER_EUI: Final = bytes.fromhex("5A00FEA04248F00102004248F0A0FE5A")
_REMEMBERED: Final = 64


@dataclass(frozen=True, slots=True)
class Burst:
    """One transmission; `power_dbm` at the place where it leaves the sender's antenna."""

    data: bytes
    frequency_hz: int
    spreading_factor: int
    start_s: float
    end_s: float
    power_dbm: float
    is_inverted: bool = False
    """Polarity of a downlink."""

    @property
    def symbol_s(self) -> float:
        """Seconds of one symbol."""
        return float(2**self.spreading_factor / BANDWIDTH_HZ)

    def is_audible(self, level_dbm: float) -> bool:
        """Whether it can be demodulated at this level."""
        return level_dbm - NOISE_DBM >= LEAST_RATIO_DB[self.spreading_factor]


@dataclass(frozen=True, slots=True)
class Opening:
    """A receiver that was open for a while, `loss_db` behind its antenna."""

    frequency_hz: int
    spreading_factor: int
    opened_s: float
    closed_s: float
    loss_db: float = 0.0

    def catches(self, burst: Burst) -> bool:
        """Whether enough of the preamble fell into the opening, on the right channel, loud enough."""
        if (burst.frequency_hz, burst.spreading_factor) != (self.frequency_hz, self.spreading_factor):
            return False
        latest_s = burst.start_s + (PREAMBLE_SYMBOLS - NEEDED_SYMBOLS) * burst.symbol_s
        is_in_time = self.opened_s <= latest_s and burst.start_s <= self.closed_s
        return is_in_time and burst.is_inverted and burst.is_audible(burst.power_dbm - self.loss_db)


class Ear(Protocol):
    """What hears the boards."""

    def hear(self, burst: Burst) -> None:
        """An uplink has just ended."""


class Air:
    """All that is sent on one bench."""

    def __init__(self, agenda: Agenda, *, traits: AirTraits, rng: random.Random) -> None:
        self._agenda = agenda
        self._traits = traits
        self._rng = rng
        self._ears: list[Ear] = []
        self._listeners: list[Callable[[Burst], None]] = []
        self._downlinks: deque[Burst] = deque(maxlen=_REMEMBERED)
        self._strangers = 0
        if traits.has_stranger:
            agenda.after(STRANGER_EVERY_S, self._stranger_speaks)

    def add(self, ear: Ear) -> None:
        """Let a gateway hear."""
        self._ears.append(ear)

    def listen(self, listener: Callable[[Burst], None]) -> None:
        """Let a board hear every downlink from its beginning on."""
        self._listeners.append(listener)

    def uplink(self, burst: Burst) -> None:
        """A board's transmission has just ended."""
        if not self._is_lost():
            for ear in self._ears:
                ear.hear(burst)

    def downlink(self, burst: Burst) -> None:
        """A gateway's transmission has just begun; `power_dbm` as it arrives at a board's antenna."""
        if not self._is_lost():
            self._downlinks.append(burst)
            for listener in self._listeners:
                listener(burst)

    def caught(self, opening: Opening) -> Burst | None:
        """What a board's receiver caught while it was open, the first of several."""
        return next((burst for burst in self._downlinks if opening.catches(burst)), None)

    def _is_lost(self) -> bool:
        share = self._traits.lost_share
        return bool(share) and self._rng.random() < share

    def _stranger_speaks(self) -> None:
        """Another make of board, far away: data frames, and now and then a join-request."""
        self._strangers += 1
        if self._strangers % 4:
            head = b"\x40" + STRANGER_EUI[:4] + b"\x00" + self._strangers.to_bytes(2, "little") + b"\x02"
            data = head + self._rng.randbytes(13)
        else:
            data = b"\x00" + STRANGER_EUI + self._strangers.to_bytes(2, "little") + self._rng.randbytes(4)
        now_s = self._agenda.now
        on_air_s = time_on_air_s(phy_payload_bytes=len(data), spreading_factor=7)
        self.uplink(Burst(data, 868_300_000, 7, now_s - on_air_s, now_s, STRANGER_DBM))
        self._agenda.after(STRANGER_EVERY_S, self._stranger_speaks)
