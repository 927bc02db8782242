"""Holds a value against a limit under a named decision rule. The one comparator of the project.

Owns `Limit`, the zones of a limit and `judge`. Must not know where a value came from, nor what is done
about a verdict.

The rules are those of `decision_rules`, after ILAC-G8:09/2019, section 4.2. ILAC-G8's binary rule calls whatever
is not accepted "fail"; here a value within the guard band of a limit, on either side, is *undecided*: this bench
can neither accept nor reject it. A value that is equal to the limit that decides is inside (ILAC-G8 draws equality
as pass). Values are compared exactly, as floats in the base unit; no tolerance is added to make something fit.
"""

from __future__ import annotations

import math
from dataclasses import KW_ONLY, dataclass, field
from decimal import Decimal
from numbers import Real
from typing import TYPE_CHECKING, NamedTuple

import msgspec

from benchrig.errors import ConfigError
from benchrig.judge.decision_rules import NORMAL_COVERAGE_FACTOR, RULE_FORMS, RULES, Rule, find_rule, rule_problem
from benchrig.quantity import format_quantity, to_base
from benchrig.records import Verdict

if TYPE_CHECKING:
    from benchrig.judge.risk import Bands

__all__ = ["RULES", "RULE_FORMS", "Judgement", "Limit", "Zones", "judge", "rule_problem", "zones"]

_LEAST_FACTOR, _LARGEST_FACTOR = 0.5, 20.0
"""Coverage factors that there can be: 1 is the standard uncertainty itself, 0.675 half of all (normal), and 13.97
Student's t for 95.45 % at one degree of freedom, the fewest (JCGM 100:2008, table G.2)."""

_PERCENT = "%"
_READABLE = 1e15
"""Above this a number is shown with its exponent, not with three hundred digits."""


@dataclass(frozen=True, slots=True)
class Limit:
    """What a value must be: `low <= value <= high`, either side may be open, under a decision rule.

    Given in any known unit and kept in its base unit: `Limit("rail", unit="mV", high=3400, ...)` has unit "V"
    and high 3.4. `source` says where the numbers come from. Raises ConfigError naming every problem at once.
    """

    name: str
    _: KW_ONLY
    unit: str
    low: float | None = None
    high: float | None = None
    source: str
    rule: str
    text: str = field(init=False, repr=False, compare=False)
    width: float = field(init=False, repr=False, compare=False)
    rule_bands: Rule = field(init=False, repr=False, compare=False)
    pass_text: str = field(init=False, repr=False, compare=False)
    resolution: float = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        problems = _problems(self)
        if problems:
            where = f"limit {self.name!r}"
            raise ConfigError(f"{where}: {'; '.join(problems)}", tuple(f"{where}: {one}" for one in problems))
        keep = object.__setattr__
        for name, side in (("low", self.low), ("high", self.high)):
            keep(self, name, None if side is None else to_base(float(side), self.unit)[0])
        keep(self, "unit", to_base(0.0, self.unit)[1])
        # what follows is asked for with every value that is judged, so it is prepared once
        keep(self, "width", math.inf if self.low is None or self.high is None else self.high - self.low)
        keep(self, "rule_bands", find_rule(self.rule))
        keep(self, "resolution", _written_resolution(self))
        keep(self, "text", _limit_text(self))
        keep(self, "pass_text", f"inside the limit, {self.text}")

    def bands(self, expanded_uncertainty: float, k: float = NORMAL_COVERAGE_FACTOR) -> Bands:
        """Guard bands of the rule on either side of a limit, all in the base unit; `k` is the coverage factor."""
        return self.rule_bands(expanded_uncertainty, k, self.width)

    def guard_band(self, expanded_uncertainty: float) -> float:
        """The w of the rule: a value passes when it is inside by w or more."""
        return self.bands(expanded_uncertainty).inner


def _problems(limit: Limit) -> list[str]:
    problems = []
    if not limit.name.strip():
        problems.append("has no name; give it one that a report can show")
    try:
        factor = to_base(1.0, limit.unit)[0]
    except ValueError as error:
        factor = 1.0
        problems.append(str(error))
    if rule_problem(limit.rule):
        problems.append(rule_problem(limit.rule))
    return problems + _side_problems(limit.low, limit.high, factor=factor)


def _side_problems(low: float | None, high: float | None, *, factor: float) -> list[str]:
    if low is None and high is None:
        return ["has neither low nor high; give at least one"]
    wrong = []
    for name, side in (("low", low), ("high", high)):
        number = _as_number(side)
        if side is not None and (number is None or not math.isfinite(number * factor)):
            wrong.append(f"{name} is {side!r}, no finite number; leave it out for an open side")
    if not wrong and low is not None and high is not None and low > high:
        wrong.append(f"low {low!r} is above high {high!r}; nothing can be inside")
    return wrong


class Zones(NamedTuple):
    """Where values pass: within [accept_low, accept_high]; where they fail: outside of [fail_low, fail_high]."""

    accept_low: float
    accept_high: float
    fail_low: float
    fail_high: float

    @property
    def nothing_passes(self) -> bool:
        return self.accept_low > self.accept_high


def zones(limit: Limit, *, expanded_uncertainty: float) -> Zones:
    """Borders of the rule of `limit` at that uncertainty, in the limit's unit; infinite on an open side.

    Raises ValueError for an uncertainty that is no finite number from 0 up.
    """
    uncertainty = _as_number(expanded_uncertainty)
    if uncertainty is None or uncertainty < 0.0:
        raise ValueError(f"the expanded uncertainty is {expanded_uncertainty!r}; accepted: a finite number from 0 up")
    return _zones(limit, limit.bands(uncertainty))


def _zones(limit: Limit, bands: Bands) -> Zones:
    low = -math.inf if limit.low is None else limit.low
    high = math.inf if limit.high is None else limit.high
    return Zones(low + bands.inner, high - bands.inner, low - bands.outer, high + bands.outer)


class Judgement(msgspec.Struct, frozen=True, kw_only=True):
    """A value held against a limit. All numbers are in `limit.unit`.

    `value` is None when what came was no finite number, `expanded_uncertainty` when that was none.
    `guard_band` is the w of the rule. `margin` is the distance to the nearer limit, negative outside.
    """

    limit: Limit
    verdict: Verdict
    why: str
    value: float | None
    expanded_uncertainty: float | None
    guard_band: float
    margin: float | None


def judge(
    value: float | None,
    *,
    unit: str,
    expanded_uncertainty: float,
    limit: Limit,
    coverage_factor: float = NORMAL_COVERAGE_FACTOR,
) -> Judgement:
    """Hold `value` ± `expanded_uncertainty`, both in `unit`, against `limit`.

    A value or an uncertainty that is no finite number, or an uncertainty below 0, is never a pass: undecided.
    Raises ValueError when `unit` measures something else than the limit's unit, and for a `coverage_factor` outside
    of 0.5 to 20: those are programming errors.
    """
    if not _LEAST_FACTOR <= coverage_factor <= _LARGEST_FACTOR:
        raise ValueError(
            f"the coverage factor for limit {limit.name!r} is {coverage_factor!r}; accepted: {_LEAST_FACTOR:g} to "
            f"{_LARGEST_FACTOR:g}; give the k by which the expanded uncertainty was made"
        )
    number = _as_number(value)
    uncertainty = _as_number(expanded_uncertainty)
    if unit != limit.unit:
        number, uncertainty = _in_unit_of(limit, unit, number, uncertainty)
    if number is None:
        why = f"{value!r} is no finite number; measure again"
        return _undecided(limit, why, value=None, uncertainty=uncertainty)
    if uncertainty is None or uncertainty < 0.0:
        why = f"the expanded uncertainty {expanded_uncertainty!r} is no finite number from 0 up"
        return _undecided(limit, why, value=number, uncertainty=None)
    return _compare(limit, number, uncertainty, coverage_factor)


def _compare(limit: Limit, value: float, uncertainty: float, k: float) -> Judgement:
    bands = limit.bands(uncertainty, k)
    zones = _zones(limit, bands)
    if zones.accept_low <= value <= zones.accept_high:
        verdict = Verdict.PASS
        why = limit.pass_text
    elif zones.fail_low <= value <= zones.fail_high:
        verdict = Verdict.UNDECIDED
        why = _why_undecided(limit, value, bands.inner)
    else:
        verdict = Verdict.FAIL
        why = _why_fail(limit, value, bands.outer)
    low = -math.inf if limit.low is None else limit.low
    high = math.inf if limit.high is None else limit.high
    return Judgement(
        limit=limit,
        verdict=verdict,
        why=why,
        value=value,
        expanded_uncertainty=uncertainty,
        guard_band=bands.inner,
        margin=min(value - low, high - value),
    )


def _undecided(limit: Limit, why: str, *, value: float | None, uncertainty: float | None) -> Judgement:
    return Judgement(
        limit=limit,
        verdict=Verdict.UNDECIDED,
        why=why,
        value=value,
        expanded_uncertainty=uncertainty,
        guard_band=0.0,
        margin=None,
    )


def _as_number(value: object) -> float | None:
    """The value as a finite float, or None: for None, NaN, infinity, text, and True, which is no voltage."""
    if type(value) is not float:
        if not isinstance(value, Real) or isinstance(value, bool):
            return None
        try:
            value = float(value)
        except OverflowError:
            return None
    return value if math.isfinite(value) else None


def _in_unit_of(
    limit: Limit, unit: str, number: float | None, uncertainty: float | None
) -> tuple[float | None, float | None]:
    _, base = to_base(0.0, unit)
    if base != limit.unit:
        raise ValueError(f"a value in {unit!r} cannot be held against limit {limit.name!r} in {limit.unit!r}")
    return (
        None if number is None else _as_number(to_base(number, unit)[0]),
        None if uncertainty is None else _as_number(to_base(uncertainty, unit)[0]),
    )


# ---- texts: a value and the border that decided must never read as equal unless they are


def _why_fail(limit: Limit, value: float, band: float) -> str:
    if limit.low is not None and value < limit.low:
        side, border, edge, relation = "low", limit.low, limit.low - band, "below"
    else:
        assert limit.high is not None  # what fails is beyond one of the two
        side, border, edge, relation = "high", limit.high, limit.high + band, "above"
    resolution = _telling_resolution(limit, value, border, edge)
    shown, limit_shown = _shown(_unit_shown(limit), resolution, value, border)
    why = f"{shown} is {relation} the {side} limit {limit_shown}"
    return f"{why} by more than the guard band" if band else why


def _why_undecided(limit: Limit, value: float, band: float) -> str:
    low, high = limit.low, limit.high
    if low is not None and high is not None and low + band > high - band:
        return (
            f"the uncertainty of this value asks for a guard band of {_number_text(band, _unit_shown(limit), None)}, "
            "wider "
            f"than half of the tolerance {limit.text}: no value can pass; see what it is made of"
        )
    if high is None or (low is not None and value - low < high - value):
        assert low is not None  # a limit has at least one side
        side, border, edge = "low", low, low + band
    else:
        side, border, edge = "high", high, high - band
    resolution = _telling_resolution(limit, value, border, edge)
    shown, limit_shown, edge_shown = _shown(_unit_shown(limit), resolution, value, border, edge)
    return f"{shown} is in the guard band of the {side} limit {limit_shown}: acceptance ends at {edge_shown}"


def _telling_resolution(limit: Limit, value: float, *borders: float) -> float:
    """Fine enough for the limit as it was written, for four digits of the value, and to tell it from borders."""
    finest = min(limit.resolution, _power_of_ten(value) * 1e-3 if value else 1.0)
    for border in borders:
        step = abs(value - border)
        if 0.0 < step < finest:
            finest = _power_of_ten(step)
    return finest


def _shown(unit: str, resolution: float, value: float, *borders: float) -> list[str]:
    for step in (resolution, 0.1 * resolution):
        texts = [_number_text(number, unit, step) for number in (value, *borders)]
        if all(text != texts[0] or border == value for text, border in zip(texts[1:], borders, strict=True)):
            return texts
    # closer than nine decimals can tell: the shortest text that reads back as the same number
    return [f"{number!r} {'' if unit == _PERCENT else unit}".rstrip() for number in (value, *borders)]


def _unit_shown(limit: Limit) -> str:
    """The limit's unit; percent for a share, of which 0.01 alone would not say of what."""
    largest = max(abs(side) for side in (limit.low, limit.high) if side is not None)
    return _PERCENT if limit.unit == "1" and 0.0 < largest < 1.0 else limit.unit


def _number_text(number: float, unit: str, resolution: float | None) -> str:
    if unit == _PERCENT and abs(number) <= _READABLE:
        return f"{100.0 * number:.{_percent_digits(resolution)}f} %"
    if abs(number) > _READABLE:
        return repr(number) if unit == _PERCENT else f"{number!r} {unit}"
    return format_quantity(number, unit, resolution=resolution)


def _percent_digits(resolution: float | None) -> int:
    if resolution is None:
        return 2
    return max(0, min(9, round(-math.log10(resolution)) - 2)) if resolution > 0.0 else 9  # 0: finer than a float


def _power_of_ten(number: float) -> float:
    return float(10.0 ** math.floor(math.log10(abs(number))))


def _limit_text(limit: Limit) -> str:
    low, high = (
        None if side is None else _number_text(side, _unit_shown(limit), _last_digit(side))
        for side in (limit.low, limit.high)
    )
    if low is None:
        return f"at most {high}"
    return f"at least {low}" if high is None else f"{low} to {high}"


def _written_resolution(limit: Limit) -> float:
    return min(_last_digit(side) for side in (limit.low, limit.high) if side is not None)


def _last_digit(number: float) -> float:
    """Value of the last digit of the shortest text of `number`; below a femto-unit nobody reads on."""
    exponent = Decimal(repr(number)).normalize().as_tuple().exponent
    return 10.0 ** max(-15, min(0, int(exponent)))
