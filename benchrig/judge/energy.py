"""From charges and a battery to days of life, with an interval and each input's share of it.

Owns the arithmetic of a charge budget. Must not know how a charge was measured, nor the sun. Formulas:
Q = sum of the events' charges + floor x the rest of the time; mean current = Q over time;
life = usable capacity / (mean current + rated capacity x self-discharge per month / 730.5 h). Self-discharge is
taken at a constant rate. Shares: first-order law of propagation (JCGM 100:2008, 5.1.2). Interval: seeded draws,
each input log-normal with its value as mean and its standard uncertainty, since none of them can be negative.
"""

from __future__ import annotations

import math
from dataclasses import KW_ONLY, dataclass, replace
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from benchrig.judge.radio_timing import RadioSettings, time_on_air_s

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    import numpy.typing as npt

    Floats = npt.NDArray[np.float64]

MONTH_S = 730.5 * 3600.0
YEAR_S = 8766.0 * 3600.0
DAY_S = 86400.0

_LEAST_KNOWN = 1e100
"""Uncertainty over value up to which squares do not overflow; long before, nothing is known any more."""

_STEP = 1e-4
"""Relative step of the central differences; its error is the square of that."""


@dataclass(frozen=True, slots=True)
class Estimate:
    """A value from 0 up with its standard uncertainty `u`. Raises ValueError for anything else."""

    value: float
    _: KW_ONLY
    u: float = 0.0

    def __post_init__(self) -> None:
        if not (math.isfinite(self.value) and self.value >= 0.0):
            raise ValueError(f"an estimate of {self.value!r}; accepted: a finite number from 0 up")
        if not (math.isfinite(self.u) and self.u >= 0.0):
            raise ValueError(f"a standard uncertainty of {self.u!r}; accepted: a finite number from 0 up")
        if self.u > 0.0 and self.value == 0.0:
            raise ValueError(
                f"0 with a standard uncertainty of {self.u!r}: what cannot be below 0 needs a mean above it"
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """What happens again and again: all the charge that flows while it lasts, its duration, and its period."""

    name: str
    charge_c: Estimate
    duration_s: float
    every_s: float

    def __post_init__(self) -> None:
        if not 0.0 <= self.duration_s < self.every_s < math.inf:
            raise ValueError(
                f"event {self.name!r} lasts {self.duration_s!r} s every {self.every_s!r} s; "
                "accepted: from 0 up, and less than its period"
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class Load:
    """A board: its floor current and its events. Raises ValueError when the events fill all the time."""

    floor_a: Estimate
    events: tuple[Event, ...] = ()

    def __post_init__(self) -> None:
        names = [event.name for event in self.events]
        if len(set(names)) < len(names):
            raise ValueError(f"events {names}: each needs a name of its own")
        if self.busy_share >= 1.0:
            raise ValueError(f"the events {names} fill {self.busy_share:.3g} of the time; accepted: less than 1")

    @property
    def busy_share(self) -> float:
        """Share of the time that events take."""
        return math.fsum(event.duration_s / event.every_s for event in self.events)

    @property
    def mean_a(self) -> float:
        """Mean current."""
        events_a = math.fsum(event.charge_c.value / event.every_s for event in self.events)
        return events_a + self.floor_a.value * (1.0 - self.busy_share)


@dataclass(frozen=True, slots=True, kw_only=True)
class Battery:
    """A battery: rated charge, the share of it that can be used, and self-discharge per month as a share of it.

    Make the usable share from temperature and cut-off by `usable_share`. Raises ValueError for a share above 1.
    """

    capacity_c: Estimate
    usable: Estimate = Estimate(1.0)
    self_discharge_per_month: Estimate = Estimate(0.0)

    def __post_init__(self) -> None:
        if not self.capacity_c.value > 0.0:
            raise ValueError(f"a battery of {self.capacity_c.value!r} C; accepted: above 0 (1 Ah is 3600 C)")
        for name, share in (("usable", self.usable), ("self-discharge per month", self.self_discharge_per_month)):
            if share.value > 1.0:
                raise ValueError(f"a {name} share of {share.value!r}; accepted: 0 to 1 (2 % is 0.02)")


def ampere_hours(capacity_ah: float, *, u: float = 0.0) -> Estimate:
    """A capacity in coulomb from ampere-hours."""
    return Estimate(3600.0 * capacity_ah, u=3600.0 * u)


# ---- what of a battery can be used


def interpolate(table: Sequence[tuple[float, float]], at: float, *, name: str) -> float:
    """Straight line between the points of a table, x rising. Raises ValueError outside of it: nothing is guessed."""
    xs, ys = [x for x, _ in table], [y for _, y in table]
    if len(xs) < 2 or any(not math.isfinite(one) for one in xs + ys) or sorted(set(xs)) != xs:
        raise ValueError(f"the {name} table has x = {xs}; accepted: two or more finite ones, rising")
    if not xs[0] <= at <= xs[-1]:
        raise ValueError(f"{at!r} is outside of the {name} table, {xs[0]!r} to {xs[-1]!r}; extend it by a measurement")
    return float(np.interp(at, xs, ys))


def usable_share(
    *,
    temperature_table: Sequence[tuple[float, float]] = ((-273.15, 1.0), (1000.0, 1.0)),
    temperature_degc: float = 20.0,
    resting_table: Sequence[tuple[float, float]] = (),
    cutoff_v: float = 0.0,
    peak_a: float = 0.0,
    source_ohm: float = 0.0,
) -> float:
    """Share of the rated charge that comes out before the board stops, 0 to 1.

    `temperature_table` is (degC, share of the rated charge). `resting_table` is (resting volts, share still in
    it), volts rising: the board stops when the battery, less the drop of `peak_a` across `source_ohm`, is at
    `cutoff_v`. A stop below the table leaves nothing unused; one above it leaves nothing to use. Raises ValueError,
    also for a resting table whose share does not rise with the volts.
    """
    shares = [share for _, share in resting_table]
    if shares != sorted(set(shares)):
        raise ValueError(f"the resting voltage table has the shares {shares}; accepted: rising with the volts")
    cold = interpolate(temperature_table, temperature_degc, name="temperature")
    stop_v = cutoff_v + peak_a * source_ohm
    if not resting_table or stop_v <= resting_table[0][0]:
        left = 0.0
    elif stop_v >= resting_table[-1][0]:
        left = 1.0
    else:
        left = interpolate(resting_table, stop_v, name="resting voltage")
    share = cold * (1.0 - left)
    if not 0.0 <= share <= 1.0:
        raise ValueError(f"the usable share comes out as {share!r}; accepted: 0 to 1, so look at the tables")
    return share


# ---- life


class Share(NamedTuple):
    """An input, and the share that its uncertainty has in the variance of the life, 0 to 1.

    `days_per_percent` is how many days the life changes when the input rises by one percent.
    """

    name: str
    value: float
    u: float
    share: float
    days_per_percent: float


class Life(NamedTuple):
    """Days until the usable charge is gone, with an interval that holds `coverage` of the draws.

    `shares`, largest first, add up to 1, or are all 0 when no input has an uncertainty.
    """

    days: float
    low_days: float
    high_days: float
    coverage: float
    mean_a: float
    self_discharge_a: float
    shares: tuple[Share, ...]


def life(load: Load, battery: Battery, *, coverage: float = 0.95, draws: int = 20_000, seed: int = 1) -> Life:
    """How long the battery lasts. Raises ValueError when nothing draws from it, or for a coverage outside 0 to 1."""
    if not 0.0 < coverage < 1.0:
        raise ValueError(f"coverage is {coverage!r}; accepted: above 0 and below 1, such as 0.95")
    if draws < 100:
        raise ValueError(f"{draws!r} draws are too few for an interval; accepted: 100 or more")
    inputs = _inputs(load, battery)
    values = np.array([estimate.value for _, estimate in inputs])
    weights = _weights(load)
    days = float(_days(values, weights))
    low_days, high_days = np.quantile(
        _days(_drawn([estimate for _, estimate in inputs], draws, seed), weights),
        [0.5 - 0.5 * coverage, 0.5 + 0.5 * coverage],
    )
    capacity_c, _, per_month = values[-3:]
    return Life(
        days=days,
        low_days=float(low_days),
        high_days=float(high_days),
        coverage=coverage,
        mean_a=load.mean_a,
        self_discharge_a=float(capacity_c * per_month / MONTH_S),
        shares=_shares(inputs, values, weights),
    )


def _inputs(load: Load, battery: Battery) -> list[tuple[str, Estimate]]:
    return [
        ("floor current", load.floor_a),
        *((f"charge of {event.name}", event.charge_c) for event in load.events),
        ("capacity", battery.capacity_c),
        ("usable share", battery.usable),
        ("self-discharge", battery.self_discharge_per_month),
    ]


def _weights(load: Load) -> Floats:
    """What turns the floor current and each event's charge into a part of the mean current."""
    return np.array([1.0 - load.busy_share, *(1.0 / event.every_s for event in load.events)])


def _days(values: Floats, weights: Floats) -> Floats:
    """The model: inputs in the order of `_inputs` along the first axis."""
    capacity_c, usable, per_month = values[-3:]
    drawn_a = np.tensordot(weights, values[:-3], axes=1) + capacity_c * per_month / MONTH_S
    if not np.all(drawn_a > 0.0):
        raise ValueError("nothing draws from the battery, so no life can be said; give a floor current or events")
    return np.asarray(capacity_c * np.minimum(usable, 1.0) / drawn_a / DAY_S)


def _drawn(inputs: Sequence[Estimate], draws: int, seed: int) -> Floats:
    normal = np.random.default_rng(seed).standard_normal((len(inputs), draws))
    return np.array([_one_drawn(estimate, one) for estimate, one in zip(inputs, normal, strict=True)])


def _one_drawn(estimate: Estimate, normal: Floats) -> Floats:
    """Log-normal with the value as mean and u as standard deviation."""
    if estimate.u == 0.0:
        return np.full(normal.size, estimate.value)
    spread = math.sqrt(math.log1p(min(estimate.u / estimate.value, _LEAST_KNOWN) ** 2))
    return np.asarray(estimate.value * np.exp(spread * normal - 0.5 * spread * spread))


def _shares(inputs: Sequence[tuple[str, Estimate]], values: Floats, weights: Floats) -> tuple[Share, ...]:
    changes = [_relative_change(values, weights, index) for index in range(len(inputs))]
    parts = [
        (change * estimate.u / estimate.value) ** 2 if estimate.value else 0.0
        for change, (_, estimate) in zip(changes, inputs, strict=True)
    ]
    total = math.fsum(parts)
    return tuple(
        sorted(
            (
                Share(name, estimate.value, estimate.u, part / total if total else 0.0, 0.01 * change)
                for (name, estimate), part, change in zip(inputs, parts, changes, strict=True)
            ),
            key=lambda one: -one.share,
        )
    )


def _relative_change(values: Floats, weights: Floats, index: int) -> float:
    """Days by which the life changes for a relative change of 1 of an input, by central differences.

    From below only for a share that is at 1: what is above is cut off by the model.
    """
    up, down = values.copy(), values.copy()
    top = 1.0 if index == values.size - 2 and values[index] >= 1.0 else 1.0 + _STEP
    up[index] *= top
    down[index] *= 1.0 - _STEP
    return float((_days(up, weights) - _days(down, weights)) / (top - 1.0 + _STEP))


# ---- what if


@dataclass(frozen=True, slots=True, kw_only=True)
class Report:
    """One report by radio: a transmission whose time follows from the settings, and all the rest of it.

    `rest_c` over `rest_s` is what flows besides the transmission: waking, sensing, waiting, receive windows. A window
    that has the transmission's data rate can be told apart: it draws `listen_a` above the floor for `listen_symbols`.
    """

    every_s: float
    spreading_factor: int
    phy_payload_bytes: int
    transmit_a: Estimate
    rest_c: Estimate
    rest_s: float = 0.0
    listen_a: Estimate = Estimate(0.0)
    listen_symbols: float = 0.0

    @property
    def time_on_air_s(self) -> float:
        """Seconds that the transmission takes."""
        return time_on_air_s(RadioSettings(self.spreading_factor), phy_payload_bytes=self.phy_payload_bytes)

    def event(self) -> Event:
        """The report as an event of a load."""
        air_s = self.time_on_air_s
        listen_s = self.listen_symbols * RadioSettings(self.spreading_factor).symbol_s
        charge_c = self.transmit_a.value * air_s + self.listen_a.value * listen_s + self.rest_c.value
        u_c = math.hypot(self.transmit_a.u * air_s, self.listen_a.u * listen_s, self.rest_c.u)
        return Event(
            name="report", charge_c=Estimate(charge_c, u=u_c), duration_s=air_s + self.rest_s, every_s=self.every_s
        )


class WhatIf(NamedTuple):
    """The life with another report period or spreading factor."""

    every_s: float
    spreading_factor: int
    life: Life


def what_if(
    load: Load, battery: Battery, report: Report, *, periods_s: Iterable[float], spreading_factors: Iterable[int]
) -> tuple[WhatIf, ...]:
    """The life for each pair; `load` is the board without its report. Raises ValueError as the parts do."""
    factors = tuple(spreading_factors)
    cases = (replace(report, every_s=every, spreading_factor=sf) for every in periods_s for sf in factors)
    return tuple(
        WhatIf(one.every_s, one.spreading_factor, life(replace(load, events=(*load.events, one.event())), battery))
        for one in cases
    )


def table(cases: Sequence[WhatIf]) -> str:
    """The cases as lines of text: period, spreading factor, mean current, days with their interval."""
    lines = ["every s   SF   mean uA      days   interval"]
    lines += [
        f"{one.every_s:7g}   {one.spreading_factor:2d} {one.life.mean_a * 1e6:9.2f} {one.life.days:9.0f}   "
        f"{one.life.low_days:.0f} to {one.life.high_days:.0f}"
        for one in cases
    ]
    return "\n".join(lines)
