"""Time on air of a LoRa frame, what a measured duration says of it, and the receive windows after a transmission.

Owns the airtime formula both ways and the class A timing. Must not know a current, a trace or a frame's bytes.

Formula: Semtech AN1200.13 rev 1 (July 2013) section 4, with the CRC term of the SX1276 data sheet, in integers:
a ceiling of a float gives one symbol block too many where the quotient is whole (spreading factor 7, 33 bytes).
Low data rate optimisation is on when a symbol lasts 16 ms or longer. Spreading factors 5 and 6 are timed
differently by different chip families and are left out, and so is FSK. Receive delays: LoRa Alliance RP002-1.0.1,
table of recommended values (1 s and 2 s; 5 s and 6 s after a join-request).
"""

from __future__ import annotations

import bisect
import itertools
import math
from dataclasses import KW_ONLY, dataclass, field, replace
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

SPREADING_FACTORS = (7, 8, 9, 10, 11, 12)
RX_DELAYS_S = (1.0, 2.0)
JOIN_DELAYS_S = (5.0, 6.0)

FRAME_OVERHEAD_BYTES = 13
"""Of a data frame: header, address, control, counter, port and integrity code, without options (LoRaWAN 1.0.x)."""

SHORTEST_FRAME_BYTES = 12
"""A data frame without a port and so without a payload (LoRaWAN 1.0.x)."""

LONGEST_FRAME_BYTES = 255
"""What the length byte of the LoRa header can say."""

_SYNC_QUARTER_SYMBOLS = 17
_SLOW_SYMBOL_S = 16e-3

_RETRY_S = 3.0
"""The latest repetition after the second window: 2 s, give or take 1 s (LoRaWAN 1.0.x, from memory)."""

_EARLY_S, _LATE_S = 0.25, 0.05
"""How far from its delay a window is looked for. A slow data rate opens some symbols early; own choice."""


@dataclass(frozen=True, slots=True)
class RadioSettings:
    """How a frame is modulated; the defaults are those of an EU868 uplink.

    `coding_rate` is the denominator: 5 for 4/5 up to 8 for 4/8. `low_data_rate` None means as the symbol time
    asks for. Raises ValueError for what the formula does not cover.
    """

    spreading_factor: int
    _: KW_ONLY
    bandwidth_hz: int = 125_000
    coding_rate: int = 5
    preamble_symbols: int = 8
    explicit_header: bool = True
    crc: bool = True
    low_data_rate: bool | None = None
    is_slow: bool = field(init=False)

    def __post_init__(self) -> None:
        if self.spreading_factor not in SPREADING_FACTORS:
            raise ValueError(f"spreading factor {self.spreading_factor!r}; accepted: 7 to 12")
        if self.coding_rate not in range(5, 9):
            raise ValueError(f"coding rate 4/{self.coding_rate!r}; accepted: 5 to 8 for 4/5 to 4/8")
        if not self.bandwidth_hz > 0:
            raise ValueError(f"bandwidth {self.bandwidth_hz!r} Hz; accepted: above 0, such as 125000")
        if self.preamble_symbols < 0:
            raise ValueError(f"{self.preamble_symbols!r} preamble symbols; accepted: from 0 up, such as 8")
        by_symbol = self.symbol_s >= _SLOW_SYMBOL_S
        object.__setattr__(self, "is_slow", by_symbol if self.low_data_rate is None else self.low_data_rate)

    @property
    def symbol_s(self) -> float:
        """Seconds that a symbol lasts."""
        return float(2**self.spreading_factor / self.bandwidth_hz)

    def seconds(self, symbols: int) -> float:
        """Time on air of a frame with so many symbols after its preamble, rounded once."""
        quarters = 4 * (self.preamble_symbols + symbols) + _SYNC_QUARTER_SYMBOLS
        return float(quarters * 2**self.spreading_factor / (4 * self.bandwidth_hz))


def payload_symbols(settings: RadioSettings, *, phy_payload_bytes: int) -> int:
    """Symbols after the preamble for a whole PHYPayload of so many bytes. Raises ValueError outside 0 to 255."""
    if not 0 <= phy_payload_bytes <= LONGEST_FRAME_BYTES:
        raise ValueError(f"{phy_payload_bytes!r} bytes in a frame; accepted: 0 to {LONGEST_FRAME_BYTES}")
    bits = 8 * phy_payload_bytes - 4 * settings.spreading_factor + 28
    bits += 16 * settings.crc - 20 * (not settings.explicit_header)
    bits_in_block = 4 * (settings.spreading_factor - 2 * settings.is_slow)
    return 8 + max(-(-bits // bits_in_block) * settings.coding_rate, 0)


def time_on_air_s(settings: RadioSettings, *, phy_payload_bytes: int) -> float:
    """Seconds on air of a frame with so many bytes of PHYPayload (application bytes + 13 without options)."""
    return settings.seconds(payload_symbols(settings, phy_payload_bytes=phy_payload_bytes))


# ---- from a duration back to the data rate


class AirtimeMatch(NamedTuple):
    """Frames that last as long as what was measured: these settings, and every length from first to last.

    Lengths that fill the same block of symbols cannot be told apart by time. `error_s` is measured less computed.
    """

    settings: RadioSettings
    first_bytes: int
    last_bytes: int
    time_s: float
    error_s: float

    @property
    def lengths(self) -> range:
        """The PHYPayload lengths of this block."""
        return range(self.first_bytes, self.last_bytes + 1)


def match_duration(
    duration_s: float,
    *,
    tolerance_s: float,
    spreading_factors: Iterable[int] = SPREADING_FACTORS,
    lengths: Iterable[int] = range(SHORTEST_FRAME_BYTES, LONGEST_FRAME_BYTES + 1),
    template: RadioSettings | None = None,
) -> tuple[AirtimeMatch, ...]:
    """Every data rate and block of lengths whose time on air is within `tolerance_s` of what was measured.

    Nearest first, and the faster one first where two are equally near. Several are a true ambiguity: narrow it by
    a length or a data rate that is known otherwise. None says that this is no frame of these settings.
    `template` holds everything but the spreading factor. Raises ValueError for numbers that are not finite.
    """
    if not (math.isfinite(duration_s) and duration_s > 0.0):
        raise ValueError(f"a duration of {duration_s!r} s; accepted: finite and above 0")
    if not (math.isfinite(tolerance_s) and tolerance_s >= 0.0):
        raise ValueError(f"a tolerance of {tolerance_s!r} s; accepted: finite and from 0 up")
    base = template or RadioSettings(SPREADING_FACTORS[0])
    sizes = sorted(set(lengths))
    found = (
        AirtimeMatch(settings, first, last, time_s, duration_s - time_s)
        for factor in spreading_factors
        for settings in (replace(base, spreading_factor=factor),)
        for first, last, time_s in _blocks(settings, sizes)
        if abs(duration_s - time_s) <= tolerance_s
    )
    return tuple(sorted(found, key=lambda one: (abs(one.error_s), one.settings.spreading_factor)))


def _blocks(settings: RadioSettings, lengths: Sequence[int]) -> Iterator[tuple[int, int, float]]:
    """First and last of the given lengths, and time, of each block with one number of symbols."""
    for symbols, block in itertools.groupby(lengths, lambda size: payload_symbols(settings, phy_payload_bytes=size)):
        sizes = list(block)
        yield sizes[0], sizes[-1], settings.seconds(symbols)


# ---- receive windows and repetitions


class Pulse(NamedTuple):
    """Something that lasted: a transmission, or a rise of the current after it."""

    start_s: float
    duration_s: float

    @property
    def end_s(self) -> float:
        """When it was over."""
        return self.start_s + self.duration_s


class ReceiveWindow(NamedTuple):
    """A receive window. `number` is 1 or 2; `late_s` is above 0 when it opened after its delay, which is wrong."""

    number: int
    start_s: float
    duration_s: float
    late_s: float


class Exchange(NamedTuple):
    """A transmission with the windows found after it. `attempt` above 1: a repetition of the one before."""

    transmit: Pulse
    windows: tuple[ReceiveWindow, ...]
    attempt: int


def find_exchanges(
    transmits: Sequence[Pulse],
    pulses: Sequence[Pulse],
    *,
    delays_s: Sequence[float] = RX_DELAYS_S,
    early_s: float = _EARLY_S,
    late_s: float = _LATE_S,
) -> tuple[Exchange, ...]:
    """The windows of each transmission, and which transmissions repeat the one before.

    Both sequences are in order of time. A window is the pulse that begins nearest to its delay after the end of
    the transmission, `early_s` before to `late_s` after it, and before the next transmission. A transmission
    that begins up to 3 s after the last window of the one before was due repeats it: current alone cannot see
    the frame counter.
    """
    found: list[Exchange] = []
    starts_s = [pulse.start_s for pulse in pulses]
    for index, transmit in enumerate(transmits):
        until_s = transmits[index + 1].start_s if index + 1 < len(transmits) else math.inf
        windows = (
            _nearest(pulses[slice(*_reach(starts_s, due_s - early_s, min(due_s + late_s, until_s)))], due_s, number)
            for number, delay_s in enumerate(delays_s, start=1)
            for due_s in (transmit.end_s + delay_s,)
        )
        attempt = 1
        if found and transmit.start_s <= found[-1].transmit.end_s + max(delays_s) + _RETRY_S + late_s:
            attempt = found[-1].attempt + 1
        found.append(Exchange(transmit, tuple(one for one in windows if one is not None), attempt))
    return tuple(found)


def _reach(starts_s: Sequence[float], from_s: float, to_s: float) -> tuple[int, int]:
    return bisect.bisect_left(starts_s, from_s), bisect.bisect_right(starts_s, to_s)


def _nearest(pulses: Sequence[Pulse], due_s: float, number: int) -> ReceiveWindow | None:
    if not pulses:
        return None
    pulse = min(pulses, key=lambda one: abs(one.start_s - due_s))
    return ReceiveWindow(number, pulse.start_s, pulse.duration_s, pulse.start_s - due_s)
