"""What a transmitter has been on air, band by band over any hour, and whether one more frame still fits.

Owns the budget of one transmitter as a frozen value: each spending gives a new one. Must not know a clock, a file or
a frame's content: a time is seconds of UTC that the caller brings, so that a budget read back after a restart still
counts. `to_plain` and `from_plain` carry it through any file. All sums are whole microseconds.

Rule: in every window of one hour the sum on air stays within the duty cycle of the band (EN 300 220-1 for the hour,
from memory; EN 300 220-2 for the bands, see `regions`). A frame counts while any part of it lies in the window. A
clock that was set back makes nothing expire: what lies ahead of it counts too.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, NamedTuple, TypedDict, cast

from benchrig.protocol.region import DUTY_WINDOW_S, MAC_OVERHEAD_BYTES, PHY_OVERHEAD_BYTES

if TYPE_CHECKING:
    from collections.abc import Mapping

    from benchrig.protocol.region import Band, DataRate, Region

SCHEMA = 1
_US = 1_000_000
_FARTHEST_S = 1 << 53
"""Up to here a float holds every whole second."""


class PlainSpend(TypedDict):
    """A spending as plain data."""

    at_s: float
    band: str
    airtime_us: int


class PlainBudget(TypedDict):
    """A budget as plain data, for JSON, TOML or a database."""

    schema: int
    transmitter: str
    region: str
    spent: list[PlainSpend]


class Price(NamedTuple):
    """What a frame costs. `band` is None in a region without duty cycles; `why_not` is empty when it may be sent.

    `why_not` speaks of rules that hold at any time: length, frequency, dwell.
    """

    airtime_us: int
    band: Band | None
    why_not: str


class Spend(NamedTuple):
    """A frame that went on air. `at_s` is its beginning."""

    at_s: float
    band: str
    airtime_us: int

    @property
    def end_s(self) -> float:
        """When it was over."""
        return self.at_s + self.airtime_us / _US


class Refusal(NamedTuple):
    """A frame that does not fit now. `from_s` is when it would, math.inf when never."""

    reason: str
    from_s: float


def price(region: Region, *, frequency_hz: int, rate: DataRate, phy_bytes: int, uplink: bool) -> Price:
    """Airtime and band of a frame, and which rule of the region forbids it whenever it is sent."""
    airtime_us = rate.airtime_us(phy_bytes, uplink=uplink)
    band = region.band_of(frequency_hz, rate)
    return Price(airtime_us, band, _why_not(region, frequency_hz, rate, phy_bytes, dwells_us=airtime_us * uplink))


def _why_not(region: Region, frequency_hz: int, rate: DataRate, phy_bytes: int, *, dwells_us: int) -> str:
    if not region.allows(frequency_hz, rate):
        return f"{frequency_hz / 1e6:g} MHz at {rate.text} lies in no band of {region.name}"
    longest = rate.longest_payload + MAC_OVERHEAD_BYTES + PHY_OVERHEAD_BYTES
    if phy_bytes > longest:
        return f"{phy_bytes} bytes at {rate.text}: {region.name} allows {longest} (N = {rate.longest_payload})"
    if region.dwell_s is not None and dwells_us > region.dwell_s * _US:
        return f"{dwells_us / 1e3:g} ms on air at {rate.text}: {region.name} allows {region.dwell_s * 1e3:g} ms"
    return ""


@dataclass(frozen=True, slots=True, kw_only=True)
class AirtimeBudget:
    """The hours of one transmitter, a board or a gateway, in one region. `spent` is in the order of time."""

    transmitter: str
    region: Region
    spent: tuple[Spend, ...] = ()

    def used_us(self, band: Band, *, at_s: float) -> int:
        """Microseconds on air in the hour before `at_s`, and after it if a clock was set back."""
        since_s = at_s - DUTY_WINDOW_S
        return sum(one.airtime_us for one in self.spent if one.band == band.name and one.end_s > since_s)

    def remaining_us(self, band: Band, *, at_s: float) -> int:
        """Microseconds that are left to a frame that ends at `at_s`; below 0 after too much was spent."""
        return band.allowed_us - self.used_us(band, at_s=at_s)

    def refuses(self, cost: Price, *, at_s: float) -> Refusal | None:
        """Why a frame that begins at `at_s` must not be sent, and from when on it may; None when it may."""
        _finite(at_s)
        if cost.why_not:
            return Refusal(cost.why_not, math.inf)
        band = cost.band
        if band is None:
            return None
        left_us = self.remaining_us(band, at_s=at_s + cost.airtime_us / _US)
        if cost.airtime_us <= left_us:
            return None
        reason = (
            f"{cost.airtime_us / 1e3:g} ms on air in {band.name}: {max(left_us, 0) / 1e3:g} ms left of "
            f"{band.allowed_us / _US:g} s in an hour ({float(band.duty) * 100:g} %)"
        )
        return Refusal(reason, self._fits_from_s(band, cost.airtime_us))

    def _fits_from_s(self, band: Band, airtime_us: int) -> float:
        """When enough of what was spent has left the hour."""
        excess_us = airtime_us - band.allowed_us + sum(one.airtime_us for one in self.spent if one.band == band.name)
        for one in sorted(self.spent, key=lambda spend: spend.end_s):
            if one.band != band.name:
                continue
            excess_us -= one.airtime_us
            if excess_us <= 0:
                return one.end_s + DUTY_WINDOW_S - airtime_us / _US
        return math.inf

    def spend(self, cost: Price, *, at_s: float) -> AirtimeBudget:
        """The budget after a frame that began at `at_s`. Raises ValueError when it refuses the frame."""
        refusal = self.refuses(cost, at_s=at_s)
        if refusal is not None:
            raise ValueError(f"{self.transmitter}: {refusal.reason}")
        return self.record(cost, at_s=at_s)

    def record(self, cost: Price, *, at_s: float) -> AirtimeBudget:
        """The budget after a frame that was heard, whether it was allowed or not."""
        _finite(at_s)
        if cost.band is None:
            return self
        one = Spend(at_s, cost.band.name, cost.airtime_us)
        kept = (old for old in self.spent if old.end_s > at_s - DUTY_WINDOW_S)
        return replace(self, spent=tuple(sorted((*kept, one))))

    def to_plain(self) -> PlainBudget:
        """As plain data."""
        return {
            "schema": SCHEMA,
            "transmitter": self.transmitter,
            "region": self.region.name,
            "spent": [{"at_s": one.at_s, "band": one.band, "airtime_us": one.airtime_us} for one in self.spent],
        }

    @classmethod
    def from_plain(cls, plain: Mapping[str, object], *, region: Region) -> AirtimeBudget:
        """The way back. Raises ValueError for what is no budget of this region: an unreadable hour is no empty one."""
        if plain.get("schema") != SCHEMA or plain.get("region") != region.name:
            raise ValueError(
                f"a budget of schema {plain.get('schema')!r} for {plain.get('region')!r}; "
                f"accepted: {SCHEMA} for {region.name!r}"
            )
        transmitter, spent = plain.get("transmitter"), plain.get("spent")
        if not isinstance(transmitter, str) or not isinstance(spent, list):
            raise ValueError("a budget without its transmitter or its list of what was spent")
        bands = {band.name for band in region.bands}
        return cls(transmitter=transmitter, region=region, spent=tuple(sorted(_spend(one, bands) for one in spent)))


def _spend(plain: object, bands: set[str]) -> Spend:
    if not isinstance(plain, dict):
        raise ValueError(f"{plain!r} in a budget; accepted: a table of at_s, band and airtime_us")
    entry = cast("dict[str, object]", plain)
    at_s, band, airtime_us = entry.get("at_s"), entry.get("band"), entry.get("airtime_us")
    if not isinstance(at_s, int | float) or not isinstance(airtime_us, int) or airtime_us < 0:
        raise ValueError(f"at_s {at_s!r}, airtime_us {airtime_us!r} in a budget; accepted: numbers from 0 up")
    if isinstance(at_s, int) and abs(at_s) > _FARTHEST_S:  # beyond any float
        raise ValueError(f"at_s of {at_s.bit_length()} bits in a budget; accepted: seconds of UTC up to {_FARTHEST_S}")
    if not isinstance(band, str) or band not in bands:
        raise ValueError(f"band {band!r} in a budget; accepted: {', '.join(sorted(bands))}")
    return Spend(_finite(float(at_s)), band, airtime_us)


def _finite(at_s: float) -> float:
    if not math.isfinite(at_s):
        raise ValueError(f"a time of {at_s!r} s; accepted: finite seconds of UTC")
    return at_s
