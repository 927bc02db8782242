"""What the checks of a run ask of the air, as planned frames, and their price in words before anything is powered.

Owns how many frames each check sends and in which windows answers go down. Sums, bands and refusals are for
`protocol.airtime_plan`. Must not know how a frame is sent. Every figure is of a run in which nothing is lost; how much
more it is when every try is used stands beside it and refuses nothing: the link refuses each frame beyond a band.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, NamedTuple

from benchrig.protocol.airtime_plan import PlannedFrames, planned_joins
from benchrig.protocol.lorawan_frame import JOIN_ACCEPT_BYTES
from benchrig.protocol.region import MAC_OVERHEAD_BYTES, PHY_OVERHEAD_BYTES

if TYPE_CHECKING:
    from collections.abc import Collection

    from benchrig.board.air_table import AirPlan, PinPlan
    from benchrig.protocol.airtime_plan import PlanPrice
    from benchrig.protocol.region import DataRate, Region

FRAME_BYTES = MAC_OVERHEAD_BYTES + PHY_OVERHEAD_BYTES
"""Around an application payload, without options."""
_SECOND = 2
SECOND_JOIN_WINDOW_S = 6.0
"""After a request (RP002-1.0.1): no board asks again before it has listened there."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AirDemand:
    """Frames of one run. Pairs count those that are answered in the first and in the second window.

    `unanswered` requests to join get no answer on purpose, and are not tried again.
    `spreading_factor` None takes the slowest of the region. Sizes are those of a PHYPayload.
    """

    joins: tuple[int, int]
    uplinks: int
    downlinks: tuple[int, int]
    spreading_factor: int | None
    uplink_bytes: int
    downlink_bytes: int
    unanswered: int = 0
    tries: int = 1

    @property
    def requests(self) -> int:
        """To join, all of them; each takes a nonce."""
        return sum(self.joins) + self.unanswered

    @property
    def at_most(self) -> AirDemand:
        """The same with every try used."""
        return replace(
            self,
            joins=_times(self.joins, self.tries),
            uplinks=self.uplinks * self.tries,
            downlinks=_times(self.downlinks, self.tries),
        )


def _times(pair: tuple[int, int], tries: int) -> tuple[int, int]:
    return pair[0] * tries, pair[1] * tries


class AirPrice(NamedTuple):
    """The price when nothing is lost, and when every try is used."""

    planned: PlanPrice
    at_most: PlanPrice

    @property
    def lines(self) -> tuple[str, ...]:
        """The sum, each band of each transmitter, and what is left of the nonces."""
        planned = self.planned
        bands = tuple(
            f"{line.transmitter}: {line.all_us / 1e6:.3g} s of the {max(line.left_us, 0) / 1e6:.4g} s that are left of "
            f"{line.band.allowed_us / 1e6:g} s in {line.band.name} ({float(line.band.duty) * 100:g} % of an hour)"
            for line in planned.lines
        )
        sums = (
            f"{planned.airtime_us / 1e6:.3g} s on air in all, with every try used {self.at_most.airtime_us / 1e6:.3g} s"
        )
        nonces = f"{planned.joins} joins, {max(planned.nonces_left, 0)} nonces left afterwards"
        return (sums, *(bands or ("no duty cycle in this region",)), nonces)


def demand_of(
    plan: AirPlan, checks: Collection[str], *, spreading_factor: int | None, uplink_bytes: int
) -> AirDemand | None:
    """What these checks send; None when none of them needs the air."""
    asks_join, hops, pin = "join" in checks, "uplink_hops" in checks, plan.pin if "downlink" in checks else None
    own = plan.reports.count + 2 if plan.reports and "report_period" in checks else 0  # and the one that goes on
    unanswered = _unanswered(plan) if "join_backoff" in checks else 0
    if not (asks_join or hops or pin or own or unanswered):
        return None
    once = [1] if hops or pin or own else []
    answered = [plan.windows[number % 2] for number in range(plan.power_cuts + 1)] if asks_join else once
    windows = _downlink_windows(plan, pin) if pin else []
    return AirDemand(
        joins=(len(answered) - answered.count(_SECOND), answered.count(_SECOND)),
        uplinks=own
        + ("transmit" in checks)
        + hops * (len(plan.points_v) + 1)
        + sum(one is not None for one in windows),
        downlinks=(windows.count(1), windows.count(_SECOND) + windows.count(None)),
        spreading_factor=spreading_factor,
        uplink_bytes=uplink_bytes,
        downlink_bytes=FRAME_BYTES + max((len(pin.on), len(pin.off), len(pin.unknown or b"")) if pin else (0,)),
        unanswered=unanswered,
        tries=plan.tries,
    )


def _unanswered(plan: AirPlan) -> int:
    """Requests of a board that hurries as much as its windows let it: more than a good one ever sends."""
    if plan.backoff is None:
        return 0
    return math.ceil(plan.backoff.window_s / SECOND_JOIN_WINDOW_S) + plan.backoff.power_cuts + 2


def _downlink_windows(plan: AirPlan, pin: PinPlan) -> list[int | None]:
    """The window of each frame that goes down in the check of the downlinks; None for the one that comes unasked."""
    on, off = plan.windows
    unknown = [1, 1] if pin.unknown is not None else []
    other_port, repeated, before_reset = 1, 1, 1
    after_reset = [] if pin.after_reset == "off" else [1]
    return [on, off, *unknown, other_port, repeated, None, before_reset, *after_reset]


def planned_frames(demand: AirDemand, region: Region, *, board: str, gateway: str) -> tuple[PlannedFrames, ...]:
    """The frames of a run, each charged to whoever sends it."""
    rate = _rate(region, demand.spreading_factor)
    channels = tuple(one.frequency_hz for one in region.channels if one.least_rate <= rate.number <= one.greatest_rate)
    uplinks = PlannedFrames(
        what="uplinks",
        transmitter=board,
        count=demand.uplinks,
        rate=rate,
        phy_bytes=demand.uplink_bytes,
        uplink=True,
        frequencies_hz=channels,
    )
    requests, _ = planned_joins(region, board=board, gateway=gateway, count=demand.requests, rate=rate)
    accepts = _answers(region, rate, demand.joins, what="join-accepts", gateway=gateway, size=max(JOIN_ACCEPT_BYTES))
    downlinks = _answers(region, rate, demand.downlinks, what="downlinks", gateway=gateway, size=demand.downlink_bytes)
    return tuple(one for one in (requests, uplinks, *accepts, *downlinks) if one.count)


def _answers(
    region: Region, rate: DataRate, counts: tuple[int, int], *, what: str, gateway: str, size: int
) -> tuple[PlannedFrames, PlannedFrames]:
    """Answers in the first window, wherever the uplink may be, and in the second."""
    firsts = [
        region.first_window(one.frequency_hz, rate)
        for one in region.channels
        if one.least_rate <= rate.number <= one.greatest_rate
    ]
    second = region.second_window()
    first = PlannedFrames(
        what=what,
        transmitter=gateway,
        count=counts[0],
        rate=firsts[0].rate,
        phy_bytes=size,
        uplink=False,
        frequencies_hz=tuple(sorted({window.frequency_hz for window in firsts})),
    )
    return first, replace(first, count=counts[1], rate=second.rate, frequencies_hz=(second.frequency_hz,))


def _rate(region: Region, spreading_factor: int | None) -> DataRate:
    """The data rate of a default channel with this spreading factor. Raises ValueError for one that is none."""
    numbers = {number for channel in region.channels for number in range(channel.least_rate, channel.greatest_rate + 1)}
    usual = [
        rate for number in sorted(numbers) if (rate := region.rates[number]).uplink and rate.bandwidth_hz == 125_000
    ]
    if spreading_factor is None:
        return usual[0]
    for rate in usual:
        if rate.spreading_factor == spreading_factor:
            return rate
    accepted = ", ".join(f"SF{rate.spreading_factor}" for rate in usual)
    raise ValueError(f"SF{spreading_factor} at 125 kHz in {region.name}; accepted: {accepted}")
