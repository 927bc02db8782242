"""A suite priced before it starts: airtime by band, joins, nonces, and every rule that it would break.

Owns the sum over planned frames and its refusals. Must not know a clock or a file. A board picks its channel by
chance, so frames that may go into several bands are charged to each of them in full; and frames whose spacing is not
planned are all charged to one hour. Both err on the safe side.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

from benchrig.protocol.airtime import price
from benchrig.protocol.lorawan_frame import JOIN_ACCEPT_BYTES, JOIN_REQUEST_BYTES
from benchrig.protocol.region import DUTY_WINDOW_S

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from benchrig.protocol.airtime import AirtimeBudget, Price
    from benchrig.protocol.region import Band, DataRate, Region

NONCES = 1 << 16
"""Of DevNonce: 16 bits. A network refuses one that was used, so a board has so many joins in its life."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedFrames:
    """Frames of one kind. `every_s` is their least spacing, 0 when they may follow each other at once.

    `transmitter` says whose budget they are charged to. `frequencies_hz` are all on which one may be sent.
    """

    what: str
    transmitter: str
    count: int
    rate: DataRate
    phy_bytes: int
    uplink: bool
    frequencies_hz: tuple[int, ...]
    every_s: float = 0.0

    def __post_init__(self) -> None:
        if self.count < 0 or not math.isfinite(self.every_s) or self.every_s < 0.0 or not self.frequencies_hz:
            raise ValueError(
                f"{self.what}: {self.count!r} frames every {self.every_s!r} s on {self.frequencies_hz!r}; "
                "accepted: from 0 up, and at least one frequency"
            )

    @property
    def in_one_hour(self) -> int:
        """How many fall into the worst hour."""
        if not self.every_s:
            return self.count
        return min(self.count, math.floor(DUTY_WINDOW_S / self.every_s) + 1)


class PlanLine(NamedTuple):
    """What the plan takes from one band of one transmitter, in its worst hour and in all."""

    transmitter: str
    band: Band
    hour_us: int
    all_us: int
    left_us: int


class PlanPrice(NamedTuple):
    """The price of a suite. It may start when `refusals` is empty; each is a sentence."""

    lines: tuple[PlanLine, ...]
    joins: int
    nonces_left: int
    airtime_us: int
    refusals: tuple[str, ...]


def planned_joins(
    region: Region, *, board: str, gateway: str, count: int, rate: DataRate, every_s: float = 0.0
) -> tuple[PlannedFrames, PlannedFrames]:
    """The frames of so many joins: requests on the default channels, and accepts in the first window."""
    channels = [one.frequency_hz for one in region.channels if one.least_rate <= rate.number <= one.greatest_rate]
    if not channels:
        raise ValueError(f"no default channel of {region.name} carries {rate.text}")
    windows = [region.first_window(frequency_hz, rate) for frequency_hz in channels]
    request = PlannedFrames(
        what="join-requests",
        transmitter=board,
        count=count,
        rate=rate,
        phy_bytes=JOIN_REQUEST_BYTES,
        uplink=True,
        frequencies_hz=tuple(channels),
        every_s=every_s,
    )
    accept = PlannedFrames(
        what="join-accepts",
        transmitter=gateway,
        count=count,
        rate=windows[0].rate,
        phy_bytes=max(JOIN_ACCEPT_BYTES),
        uplink=False,
        frequencies_hz=tuple(sorted({window.frequency_hz for window in windows})),
        every_s=every_s,
    )
    return request, accept


def price_plan(
    frames: Sequence[PlannedFrames],
    *,
    budgets: Mapping[str, AirtimeBudget],
    at_s: float,
    joins: int = 0,
    nonces_used: int = 0,
) -> PlanPrice:
    """What a suite that starts at `at_s` costs each transmitter, on top of what its budget holds by then.

    Raises ValueError for a transmitter without a budget: then nothing could be promised.
    """
    refusals: list[str] = []
    hour_us: dict[tuple[str, Band], int] = {}
    all_us: dict[tuple[str, Band], int] = {}
    airtime_us = 0
    for one in frames:
        costs = _prices(one, _budget(budgets, one.transmitter).region)
        refusals += sorted({f"{one.what}: {cost.why_not}" for cost in costs if cost.why_not})
        airtime_us += one.count * costs[0].airtime_us
        for band in {cost.band for cost in costs if cost.band is not None}:
            key = (one.transmitter, band)
            hour_us[key] = hour_us.get(key, 0) + one.in_one_hour * costs[0].airtime_us
            all_us[key] = all_us.get(key, 0) + one.count * costs[0].airtime_us
    lines = tuple(
        PlanLine(who, band, spent_us, all_us[who, band], budgets[who].remaining_us(band, at_s=at_s))
        for (who, band), spent_us in sorted(hour_us.items(), key=lambda item: (item[0][0], item[0][1].low_hz))
    )
    refusals += _over(lines)
    nonces_left = NONCES - nonces_used - joins
    if nonces_left < 0:
        refusals.append(f"{joins} joins with {NONCES - nonces_used} nonces left of {NONCES}: give the board new keys")
    return PlanPrice(lines, joins, nonces_left, airtime_us, tuple(refusals))


def _budget(budgets: Mapping[str, AirtimeBudget], transmitter: str) -> AirtimeBudget:
    if transmitter not in budgets:
        raise ValueError(f"no airtime budget of {transmitter!r}; accepted: {', '.join(sorted(budgets)) or 'none'}")
    return budgets[transmitter]


def _prices(one: PlannedFrames, region: Region) -> list[Price]:
    return [
        price(region, frequency_hz=frequency_hz, rate=one.rate, phy_bytes=one.phy_bytes, uplink=one.uplink)
        for frequency_hz in one.frequencies_hz
    ]


def _over(lines: Iterable[PlanLine]) -> list[str]:
    return [
        f"{one.transmitter} in {one.band.name}: {one.hour_us / 1e6:g} s on air in the worst hour, "
        f"{max(one.left_us, 0) / 1e6:g} s left of {one.band.allowed_us / 1e6:g} s "
        f"({float(one.band.duty) * 100:g} %): plan fewer frames, a faster data rate or more time between them"
        for one in lines
        if one.hour_us > one.left_us
    ]
