"""What a region's rules are made of: data rates, channels, receive windows, bands; and what follows from them.

Owns the questions that are put to a region. Must not know the numbers of one (`regions` holds them), frames, keys or
time. Frequencies in hertz, delays and dwell in seconds, powers in dBm, duty cycles as exact fractions of an hour.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, NamedTuple

from benchrig.judge.radio_timing import LONGEST_FRAME_BYTES, RadioSettings, time_on_air_s

if TYPE_CHECKING:
    from collections.abc import Mapping
    from fractions import Fraction

MAC_OVERHEAD_BYTES = 8
"""Of a MACPayload (M) around its application payload (N): address, control, counter, port."""

PHY_OVERHEAD_BYTES = 5
"""Of a PHYPayload around its MACPayload: header and integrity code."""

DUTY_WINDOW_S = 3600
"""Over which a duty cycle holds: any hour, not the hours of the clock (EN 300 220-1, from memory)."""

# RP002-1.0.1, FSK frames: preamble 5 bytes, sync word 3, length 1, CRC 2 (from memory).
_FSK_EXTRA_BYTES = 11
_EIRP_OVER_ERP_DB = 2.15


@dataclass(frozen=True, slots=True, kw_only=True)
class DataRate:
    """One data rate. `spreading_factor` is 0 for FSK. `longest_payload` is N: application bytes without options.

    `behind_repeater` is N where a repeater may be on the way.
    """

    number: int
    spreading_factor: int
    bandwidth_hz: int
    bit_rate: int
    longest_payload: int
    behind_repeater: int
    uplink: bool = True
    downlink: bool = True

    @property
    def text(self) -> str:
        """As a gateway names it: SF7BW125, or the bit rate of FSK."""
        if not self.spreading_factor:
            return str(self.bit_rate)
        return f"SF{self.spreading_factor}BW{self.bandwidth_hz // 1000}"

    def settings(self, *, uplink: bool) -> RadioSettings:
        """For the airtime formula: an uplink has a CRC over its payload, a downlink none. Raises ValueError for FSK."""
        return RadioSettings(self.spreading_factor, bandwidth_hz=self.bandwidth_hz, crc=uplink)

    def airtime_us(self, phy_bytes: int, *, uplink: bool) -> int:
        """Microseconds on air of a PHYPayload, exact: every symbol of these data rates lasts whole microseconds."""
        if self.spreading_factor:
            return round(time_on_air_s(self.settings(uplink=uplink), phy_payload_bytes=phy_bytes) * 1e6)
        if not 0 <= phy_bytes <= LONGEST_FRAME_BYTES:
            raise ValueError(f"{phy_bytes!r} bytes in a frame; accepted: 0 to {LONGEST_FRAME_BYTES}")
        return -(-(phy_bytes + _FSK_EXTRA_BYTES) * 8 * 1_000_000 // self.bit_rate)


class Channel(NamedTuple):
    """A channel for uplinks, and the data rates that it carries."""

    number: int
    frequency_hz: int
    least_rate: int
    greatest_rate: int


class Window(NamedTuple):
    """Where a board listens."""

    frequency_hz: int
    rate: DataRate


@dataclass(frozen=True, slots=True, kw_only=True)
class Band:
    """A part of the spectrum with a limit of its own: all transmissions in it share one duty cycle."""

    low_hz: int
    high_hz: int
    duty: Fraction
    max_erp_mw: int

    @property
    def name(self) -> str:
        """Its edges, in words."""
        return f"{self.low_hz / 1e6:g}-{self.high_hz / 1e6:g} MHz"

    @property
    def allowed_us(self) -> int:
        """Microseconds on air in any hour."""
        return int(self.duty * DUTY_WINDOW_S * 1_000_000)

    def holds(self, frequency_hz: int, bandwidth_hz: int) -> bool:
        """Whether the whole signal lies inside."""
        return (
            2 * self.low_hz <= 2 * frequency_hz - bandwidth_hz and 2 * frequency_hz + bandwidth_hz <= 2 * self.high_hz
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Region:
    """A region's rules. `rx1_rates` gives the data rate of the first window for (uplink rate, offset).

    `dwell_s` limits one uplink frame on air, None where the region has no such rule. `bands` is empty where it has
    no duty cycle: then `edges_hz` alone limits frequencies. `down_channels_hz` is empty where the first window is on
    the frequency of the uplink.
    """

    name: str
    source: str
    edges_hz: tuple[int, int]
    rates: Mapping[int, DataRate]
    channels: tuple[Channel, ...]
    rx1_rates: Mapping[tuple[int, int], int]
    rx2_frequency_hz: int
    rx2_rate: int
    max_eirp_dbm: float
    power_steps: int
    channel_list_type: int
    bands: tuple[Band, ...] = ()
    down_channels_hz: tuple[int, ...] = ()
    dwell_s: float | None = None
    rx_delays_s: tuple[int, int] = (1, 2)
    join_delays_s: tuple[int, int] = (5, 6)
    _by_text: Mapping[tuple[str, bool], DataRate] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        both = ((rate.text, way, rate) for rate in self.rates.values() for way in (True, False))
        named = {(text, way): rate for text, way, rate in both if (rate.uplink if way else rate.downlink)}
        object.__setattr__(self, "_by_text", named)

    def rate(self, number: int, *, uplink: bool) -> DataRate:
        """The data rate of this number. Raises ValueError when it is none, or not of this way."""
        found = self.rates.get(number)
        if found is None or not (found.uplink if uplink else found.downlink):
            raise ValueError(f"data rate {number!r} {_way(uplink)} in {self.name}; accepted: {self._numbers(uplink)}")
        return found

    def rate_of(self, text: str, *, uplink: bool) -> DataRate:
        """The data rate that a gateway calls this: "SF7BW125", "50000". Raises ValueError when the region has none."""
        found = self._by_text.get((text, uplink))
        if found is None:
            names = ", ".join(name for name, way in self._by_text if way is uplink)
            raise ValueError(f"data rate {text!r} {_way(uplink)} in {self.name}; accepted: {names}")
        return found

    def channel_of(self, frequency_hz: int, rate: DataRate) -> Channel | None:
        """The default channel at this frequency that carries this data rate."""
        return next(
            (
                one
                for one in self.channels
                if one.frequency_hz == frequency_hz and one.least_rate <= rate.number <= one.greatest_rate
            ),
            None,
        )

    def first_window(self, frequency_hz: int, rate: DataRate, *, offset: int = 0) -> Window:
        """Where a board listens first after an uplink. Raises ValueError for an offset or channel that is none."""
        number = self.rx1_rates.get((rate.number, offset))
        if number is None:
            offsets = sorted({one for up, one in self.rx1_rates if up == rate.number})
            raise ValueError(f"offset {offset!r} after data rate {rate.number} in {self.name}; accepted: {offsets}")
        return Window(self._down_frequency(frequency_hz, rate), self.rates[number])

    def _down_frequency(self, frequency_hz: int, rate: DataRate) -> int:
        if not self.down_channels_hz:
            return frequency_hz
        channel = self.channel_of(frequency_hz, rate)
        if channel is None:
            raise ValueError(f"{frequency_hz / 1e6:g} MHz at {rate.text} is no uplink channel of {self.name}")
        return self.down_channels_hz[channel.number % len(self.down_channels_hz)]

    def second_window(self, *, rate: int | None = None, frequency_hz: int | None = None) -> Window:
        """Where a board listens second, unless it was told otherwise: then give what it was told."""
        number = self.rx2_rate if rate is None else rate
        return Window(frequency_hz or self.rx2_frequency_hz, self.rate(number, uplink=False))

    def band_of(self, frequency_hz: int, rate: DataRate) -> Band | None:
        """The band that the signal lies in, the strictest where two do; None where the region has none there."""
        width_hz = rate.bandwidth_hz
        return min(
            (band for band in self.bands if band.holds(frequency_hz, width_hz)), key=lambda one: one.duty, default=None
        )

    def allows(self, frequency_hz: int, rate: DataRate) -> bool:
        """Whether the region lets anybody transmit this signal here at all."""
        if self.bands:
            return self.band_of(frequency_hz, rate) is not None
        low_hz, high_hz = self.edges_hz
        half_hz = rate.bandwidth_hz / 2
        return low_hz <= frequency_hz - half_hz and frequency_hz + half_hz <= high_hz

    def longest_payload(self, rate: DataRate, *, options_bytes: int = 0, repeater: bool = False) -> int:
        """Application bytes in a frame with so many bytes of options; below 0 when the options alone are too long."""
        return (rate.behind_repeater if repeater else rate.longest_payload) - options_bytes

    def eirp_dbm(self, step: int) -> float:
        """Radiated power of a power step. Raises ValueError beyond the last."""
        if not 0 <= step <= self.power_steps:
            raise ValueError(f"power step {step!r} in {self.name}; accepted: 0 to {self.power_steps}")
        return self.max_eirp_dbm - 2.0 * step

    def _numbers(self, uplink: bool) -> str:
        numbers = (one.number for one in self.rates.values() if (one.uplink if uplink else one.downlink))
        return ", ".join(str(number) for number in sorted(numbers))


def _way(uplink: bool) -> str:
    return "for uplinks" if uplink else "for downlinks"


def erp_dbm(eirp_dbm: float) -> float:
    """Power against a half-wave dipole instead of all round: 2.15 dB less."""
    return eirp_dbm - _EIRP_OVER_ERP_DB


def longest_in(rate: DataRate, *, dwell_s: float, uplink: bool) -> int:
    """Application bytes (without options) of the longest frame within `dwell_s` on air; below 0 when none fits."""
    sizes = range(LONGEST_FRAME_BYTES, -1, -1)
    longest = next((size for size in sizes if rate.airtime_us(size, uplink=uplink) <= dwell_s * 1e6), -1)
    return longest - MAC_OVERHEAD_BYTES - PHY_OVERHEAD_BYTES
