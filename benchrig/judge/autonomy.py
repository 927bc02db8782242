"""Will a board with a panel live through the year: charge in, charge out, step by step over many draws.

Owns the balance of sun, charger, battery and load. Must not know where the irradiance came from: it is the user's
series, in the plane of the panel. Method: stepwise balance with a full and an empty end, as public off-grid tools
do it (empty days, worst month). Peak sun hours: handbook method, panel = load x 24 h / (hours x efficiency).
Day numbers count from 1970-01-01.
"""

from __future__ import annotations

import math
from dataclasses import KW_ONLY, dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy.typing as npt

    Floats = npt.NDArray[np.float64]
    Ints = npt.NDArray[np.int64]
    Marks = npt.NDArray[np.bool_]

DAY_S = 86400.0
DAYS_PER_YEAR = 365.25
STANDARD_W_M2 = 1000.0
"""Irradiance at which a panel gives its rated power (standard test conditions, IEC 60904-3, from memory)."""

_BRIGHTEST_W_M2 = 2000.0
"""Nothing on the ground is brighter, cloud edges included: such a number is another unit. Own choice."""

_COVERAGE = 0.95


def panel_w(load_w: float, *, peak_sun_hours: float, efficiency: float) -> float:
    """Rated panel power that a mean load needs with so many hours a day of full sun. Raises ValueError."""
    for name, value in (("load", load_w), ("peak sun hours", peak_sun_hours), ("efficiency", efficiency)):
        if not (math.isfinite(value) and value > 0.0):
            raise ValueError(f"{name} {value!r}; accepted: a finite number above 0")
    return load_w * 24.0 / (peak_sun_hours * efficiency)


@dataclass(frozen=True, slots=True, eq=False)
class SunSeries:
    """Irradiance in W/m² in the plane of the panel: a row of equal steps for each day, day numbers rising.

    Days that are missing between the first and the last are refused, or, with `missing_are_dark`, taken as days
    without sun, which can only make the answer worse; `missing` lists them. `from_days` says that only the sums of
    days are known, and their course is assumed. Raises ValueError.
    """

    days: Ints
    irradiance_w_m2: Floats
    _: KW_ONLY
    missing_are_dark: bool = False
    from_days: bool = False

    def __post_init__(self) -> None:
        if self.days.ndim != 1 or self.days.size == 0 or not np.issubdtype(self.days.dtype, np.integer):
            raise ValueError(f"day numbers are whole and in a row; these are {self.days.dtype}, {self.days.shape}")
        if self.irradiance_w_m2.ndim != 2 or self.irradiance_w_m2.shape[0] != self.days.size:
            raise ValueError(f"{self.days.size} days with irradiance {self.irradiance_w_m2.shape}; give a row for each")
        if self.irradiance_w_m2.shape[1] == 0:
            raise ValueError("a day without a step; give one or more, such as 24 hours")
        if np.any(np.diff(self.days) <= 0):
            at = int(np.argmax(np.diff(self.days) <= 0))
            raise ValueError(f"day {self.days[at + 1]} comes after day {self.days[at]}; accepted: rising, each once")
        sound = np.isfinite(self.irradiance_w_m2) & (self.irradiance_w_m2 >= 0.0)
        sound &= self.irradiance_w_m2 <= _BRIGHTEST_W_M2
        if not sound.all():
            row, step = np.argwhere(~sound)[0]
            value = float(self.irradiance_w_m2[row, step])
            raise ValueError(f"day {self.days[row]}, step {step}: {value!r} W/m²; accepted: 0 to {_BRIGHTEST_W_M2:g}")
        if self.missing.size and not self.missing_are_dark:
            raise ValueError(
                f"{self.missing.size} days are missing, the first is {self.missing[0]}; complete the series, or say "
                "that missing days are dark"
            )

    @property
    def missing(self) -> Ints:
        """Day numbers between the first and the last without a row."""
        every = np.arange(self.days[0], self.days[-1] + 1)
        return every[~np.isin(every, self.days)]

    @property
    def every_day(self) -> Ints:
        """Every day number from the first to the last."""
        return np.arange(self.days[0], self.days[-1] + 1)

    @property
    def step_s(self) -> float:
        """Seconds of one step."""
        return float(DAY_S / self.irradiance_w_m2.shape[1])

    def steps_w_m2(self) -> Floats:
        """The irradiance of every step from the first to the last day."""
        filled = np.zeros((self.every_day.size, self.irradiance_w_m2.shape[1]))
        filled[self.days - self.days[0]] = self.irradiance_w_m2
        return filled.ravel()


@dataclass(frozen=True, slots=True, kw_only=True)
class System:
    """A board with its panel, charger and battery.

    `panel_w` at 1000 W/m². Below `least_w` from the panel the charger gives nothing; `efficiency` is from panel
    watts to battery watts at `battery_v`; it never gives more than `most_charge_a`. `capacity_c` is the usable
    charge. `load_a` is the mean current with self-discharge, `night_leak_a` flows back while there is no sun. Once
    empty, the board starts again when `restart_share` of the capacity is there. `start_share` None begins the series
    with what its end leaves of a full battery: a year that begins full in January hides half a winter.
    Raises ValueError.
    """

    panel_w: float
    efficiency: float
    battery_v: float
    capacity_c: float
    load_a: float
    least_w: float = 0.0
    most_charge_a: float = math.inf
    night_leak_a: float = 0.0
    start_share: float | None = 1.0
    restart_share: float = 0.0

    def __post_init__(self) -> None:
        for name in ("panel_w", "efficiency", "battery_v", "capacity_c", "load_a", "most_charge_a"):
            value = getattr(self, name)
            if not value > 0.0 or (math.isinf(value) and name != "most_charge_a"):
                raise ValueError(f"{name} is {value!r}; accepted: a finite number above 0")
        for name in ("least_w", "night_leak_a"):
            value = getattr(self, name)
            if not (math.isfinite(value) and value >= 0.0):
                raise ValueError(f"{name} is {value!r}; accepted: a finite number from 0 up")
        for name in ("efficiency", "start_share", "restart_share"):
            value = getattr(self, name)
            if value is None and name == "start_share":
                continue
            if not 0.0 <= value <= 1.0:
                raise ValueError(f"{name} is {value!r}; accepted: 0 to 1")

    @property
    def dark_days(self) -> float:
        """Days that a full battery carries the load without sun."""
        return self.capacity_c / (self.load_a + self.night_leak_a) / DAY_S


@dataclass(frozen=True, slots=True, kw_only=True)
class Spread:
    """What is not known: share of light lost to dirt, and the relative spread of capacity and load.

    Dirt is drawn from a normal distribution cut at 0 and 1, capacity and load from log-normal ones about the
    system's values. Raises ValueError.
    """

    dirt: float = 0.0
    dirt_u: float = 0.0
    capacity_u: float = 0.0
    load_u: float = 0.0
    draws: int = 1000
    seed: int = 1

    def __post_init__(self) -> None:
        if not 0.0 <= self.dirt < 1.0:
            raise ValueError(f"dirt takes {self.dirt!r} of the light; accepted: from 0 to below 1")
        for name in ("dirt_u", "capacity_u", "load_u"):
            value = getattr(self, name)
            if not (math.isfinite(value) and value >= 0.0):
                raise ValueError(f"{name} is {value!r}; accepted: a finite number from 0 up")
        if self.draws < 1:
            raise ValueError(f"{self.draws!r} draws; accepted: 1 or more, such as 1000")


class Month(NamedTuple):
    """A calendar month: mean number of empty days, lowest charge in it as a share of the capacity (worst draw of
    the middle 95 %), and the charge that the panel could give through the mean dirt less what the load takes."""

    name: str
    empty_days: float
    lowest_share: float
    balance_c: float


class Autonomy(NamedTuple):
    """Days a year on which the board stood still at some time: mean over draws, and where 95 % of the draws lie.

    `never_empty` is the share of draws without such a day. `missing_days` were taken as dark.
    """

    empty_days: float
    low_days: float
    high_days: float
    never_empty: float
    worst_month: Month
    months: tuple[Month, ...]
    missing_days: int


class _Draws(NamedTuple):
    """One number for each draw."""

    light: Floats
    capacity_c: Floats
    load_a: Floats


def live_through(sun: SunSeries, system: System, *, spread: Spread | None = None) -> Autonomy:
    """Run the balance over the series. The battery begins at `start_share` of its capacity, as `System` says."""
    spread = spread or Spread(draws=1)
    empty, lowest = _from_the_start(sun, system, _draw(system, spread))
    per_year = empty.sum(axis=0) * (DAYS_PER_YEAR / empty.shape[0])
    low_days, high_days = np.quantile(per_year, [0.5 - 0.5 * _COVERAGE, 0.5 + 0.5 * _COVERAGE])
    months = _months(sun.every_day, _daily_balances_c(sun, system, light=1.0 - spread.dirt), empty, lowest)
    return Autonomy(
        empty_days=float(per_year.mean()),
        low_days=float(low_days),
        high_days=float(high_days),
        never_empty=float(np.mean(per_year == 0.0)),
        worst_month=min(months, key=lambda one: (-one.empty_days, one.lowest_share, one.balance_c)),
        months=months,
        missing_days=int(sun.missing.size),
    )


class ChargeByDay(NamedTuple):
    """The lowest charge of each day as a share of the capacity: its median over draws, and where 95 % of them lie."""

    days: Ints
    low: Floats
    middle: Floats
    high: Floats


def charge_by_day(sun: SunSeries, system: System, *, spread: Spread | None = None) -> ChargeByDay:
    """How the stored charge goes through the series, on the same draws as `live_through`."""
    _, lowest = _from_the_start(sun, system, _draw(system, spread or Spread(draws=1)))
    ends = [0.5 - 0.5 * _COVERAGE, 0.5, 0.5 + 0.5 * _COVERAGE]
    return ChargeByDay(sun.every_day, *np.quantile(lowest, ends, axis=1))


def _draw(system: System, spread: Spread) -> _Draws:
    normal = np.random.default_rng(spread.seed).standard_normal((3, spread.draws))
    light = 1.0 - np.clip(spread.dirt + spread.dirt_u * normal[0], 0.0, 1.0)
    capacity, load = (
        _log_normal(one, u) for one, u in zip(normal[1:], (spread.capacity_u, spread.load_u), strict=True)
    )
    return _Draws(light, system.capacity_c * capacity, system.load_a * load)


def _log_normal(normal: Floats, relative_u: float) -> Floats:
    spread = math.sqrt(math.log1p(relative_u * relative_u))
    return np.asarray(np.exp(spread * normal - 0.5 * spread * spread))


def _from_the_start(sun: SunSeries, system: System, drawn: _Draws) -> tuple[Marks, Floats]:
    """Whether the board stood still on each day of each draw, and the lowest share of charge of that day."""
    if system.start_share is not None:
        return _run(sun, system, drawn, system.start_share * drawn.capacity_c)[:2]
    _, _, left_c = _run(sun, system, drawn, drawn.capacity_c)
    return _run(sun, system, drawn, left_c)[:2]


def _run(sun: SunSeries, system: System, drawn: _Draws, start_c: Floats) -> tuple[Marks, Floats, Floats]:
    """As above, from this charge on, and the charge that is left at the end."""
    steps = sun.steps_w_m2().reshape(sun.every_day.size, -1)
    step_s = sun.step_s
    charge_c = start_c.copy()
    stopped = np.zeros(charge_c.size, dtype=np.bool_)
    empty = np.zeros((steps.shape[0], charge_c.size), dtype=np.bool_)
    lowest = np.ones((steps.shape[0], charge_c.size))
    restart_c = system.restart_share * drawn.capacity_c
    for day, of_day in enumerate(steps):
        least_c = charge_c.copy()
        for irradiance in of_day.tolist():
            charge_c += (charge_current_a(system, irradiance, light=drawn.light) - drawn.load_a * ~stopped) * step_s
            np.minimum(charge_c, drawn.capacity_c, out=charge_c)
            stopped = (charge_c < 0.0) | (stopped & (charge_c < restart_c))
            empty[day] |= stopped
            np.maximum(charge_c, 0.0, out=charge_c)
            np.minimum(least_c, charge_c, out=least_c)
        lowest[day] = least_c / drawn.capacity_c
    return empty, lowest, charge_c


def charge_current_a(system: System, irradiance_w_m2: Floats | float, *, light: Floats | float) -> Floats:
    """Current into the battery, below 0 for a leak at night; `light` is the share that dirt lets through."""
    watts = np.multiply(light, system.panel_w / STANDARD_W_M2 * irradiance_w_m2)
    current = np.minimum(watts * (system.efficiency / system.battery_v), system.most_charge_a)
    if system.least_w:
        current = np.where(watts < system.least_w, 0.0, current)
    if system.night_leak_a:
        current = np.where(np.equal(irradiance_w_m2, 0.0), -system.night_leak_a, current)
    return np.asarray(current)


def _daily_balances_c(sun: SunSeries, system: System, *, light: float) -> Floats:
    """What the panel could give on each day, behind so much light, less what the load takes."""
    steps = sun.steps_w_m2().reshape(sun.every_day.size, -1)
    return np.asarray(charge_current_a(system, steps, light=light).sum(axis=1) * sun.step_s - system.load_a * DAY_S)


def _months(days: Ints, balances_c: Floats, empty: Marks, lowest: Floats) -> tuple[Month, ...]:
    month_of = days.astype("datetime64[D]").astype("datetime64[M]")
    parts = [(str(month), month_of == month) for month in np.unique(month_of)]
    return tuple(
        Month(
            name=name,
            empty_days=float(empty[mine].sum(axis=0).mean()),
            lowest_share=float(np.quantile(lowest[mine].min(axis=0), 0.5 - 0.5 * _COVERAGE)),
            balance_c=float(balances_c[mine].sum()),
        )
        for name, mine in parts
    )


# ---- what to change


class Option(NamedTuple):
    """Something that could be changed: what it costs, and the system with it."""

    name: str
    cost: float
    system: System


class Tried(NamedTuple):
    """An option and what it does."""

    option: Option
    result: Autonomy
    is_enough: bool


class Fix(NamedTuple):
    """The cheapest option that is enough, None if none is, and all that were tried, cheapest first."""

    best: Tried | None
    tried: tuple[Tried, ...]
    why: str


def cheapest_fix(sun: SunSeries, options: Sequence[Option], *, spread: Spread, most_empty_days: float = 0.0) -> Fix:
    """Try every option on the same draws; enough is when the upper end of the interval is `most_empty_days` or less.

    Raises ValueError without options or for a cost that is not finite.
    """
    if not options:
        raise ValueError("no options to choose from; give one or more")
    for option in options:
        if not math.isfinite(option.cost):
            raise ValueError(f"option {option.name!r} costs {option.cost!r}; accepted: a finite number")
    results = ((one, live_through(sun, one.system, spread=spread)) for one in sorted(options, key=lambda it: it.cost))
    tried = tuple(Tried(one, result, result.high_days <= most_empty_days) for one, result in results)
    best = next((one for one in tried if one.is_enough), None)
    if best is None:
        nearest = min(tried, key=lambda one: one.result.high_days)
        why = (
            f"none of {len(tried)} options is enough; nearest is {nearest.option.name!r} with up to "
            f"{nearest.result.high_days:.1f} empty days a year (accepted: {most_empty_days:g}); add options"
        )
    else:
        why = f"{best.option.name!r} is the cheapest that leaves {most_empty_days:g} empty days a year or less"
    return Fix(best, tried, why)
