"""Can this bench decide this limit? Answered from numbers alone, before anything is powered.

Owns the figures by which a measurement is fit for a limit, the word for it (adequate, marginal, inadequate), and what
would do better. Must not know instruments by name, nor take a reading.

The test uncertainty ratio is the tolerance over the expanded uncertainty with k = 2: (high - low) / (2 U), and with
one limit the distance from it over U. 4:1 as the ratio that is wanted is common practice, no source; 2 % of bad
boards accepted is the figure of ANSI/NCSL Z540.3 5.3 (from memory); 5 % of good boards not accepted is this
project's own. At a ratio of 1:1 the guard band w = U takes the whole tolerance, so that from there on measuring is
inadequate. Risks are those of `risk`.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from enum import StrEnum
from typing import TYPE_CHECKING, NamedTuple

from benchrig.judge.decision import Limit, zones
from benchrig.judge.risk import GlobalRisks, Spread, global_risks, nonconformance_probability
from benchrig.quantity import format_quantity, to_base

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

Uncertainty = float | Callable[[float], float]
"""A standard uncertainty, or what gives it for each value: a meter is less certain of more volts."""

_COVERAGE_FACTOR = 2.0
_SCANNED = 201
"""Values at which a tolerance is looked through for where it can be accepted; borders between are then found."""
_SQRT3 = math.sqrt(3.0)


class Usefulness(StrEnum):
    """Whether a measurement can decide its limit."""

    USEFUL = "adequate"
    DOUBTFUL = "marginal"
    VAIN = "inadequate"


@dataclass(frozen=True, slots=True, kw_only=True)
class Targets:
    """What a useful measurement keeps: a least ratio and, where a process is known, the largest global risks."""

    ratio: float = 4.0
    accepted_bad: float = 0.02
    not_accepted_good: float = 0.05

    def __post_init__(self) -> None:
        if not (math.isfinite(self.ratio) and self.ratio > 1.0):
            raise ValueError(f"the wanted ratio is {self.ratio!r}; accepted: finite and above 1, such as 4")
        for name in ("accepted_bad", "not_accepted_good"):
            if not 0.0 < getattr(self, name) < 1.0:
                raise ValueError(f"the wanted risk {name} is {getattr(self, name)!r}; accepted: above 0 and below 1")


class Basis(NamedTuple):
    """The distance that uncertainty is held against: half the tolerance, or how far a single limit is away."""

    half_width: float
    start: float
    end: float
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Fitness:
    """How well one limit can be decided. Numbers are in the base unit of `limit`.

    `standard_uncertainty` is the largest over the tolerance; ratio and global risks are taken with it. `accepted` are
    the stretches of the tolerance whose values pass, each with its own uncertainty; `zone_share` is their share.
    `band_share` is what the guard bands take at the limits, as a share of the tolerance. `risk_at_limit` is the
    specific risk of a value that only just passes; None when nothing does. `risks` is None without a process.
    `wanted_uncertainty` is the largest that would be useful, None where it is already; `would_do` names the
    alternatives that are.
    """

    name: str
    limit: Limit
    standard_uncertainty: float
    ratio: float
    basis: str
    band_share: float
    accepted: tuple[tuple[float, float], ...]
    zone_width: float
    zone_share: float
    risk_at_limit: float | None
    risks: GlobalRisks | None
    usefulness: Usefulness
    why: str
    wanted_uncertainty: float | None = None
    would_do: tuple[str, ...] = field(default=())

    @property
    def expanded_uncertainty(self) -> float:
        return _COVERAGE_FACTOR * self.standard_uncertainty


def fitness(
    limit: Limit,
    *,
    unit: str,
    standard_uncertainty: Uncertainty,
    prior: Spread | None = None,
    targets: Targets | None = None,
    alternatives: Mapping[str, Uncertainty] | None = None,
    name: str = "",
) -> Fitness:
    """Whether a measurement with this uncertainty can decide `limit`.

    Uncertainties, `prior` and what a function of values takes and gives are in `unit`, which must be the limit's
    base unit. `alternatives` are other instruments or ranges; the useful ones are named in the answer.
    A single limit is held against the mean of the process; without one against zero. Raises ValueError.
    """
    _check_unit(limit, unit)
    wanted = targets or Targets()
    basis = _basis(limit, prior)
    found = _figures(limit, basis, standard_uncertainty, prior, name=name or limit.name, targets=wanted)
    if found.usefulness is Usefulness.USEFUL:
        return found
    would_do = tuple(
        other
        for other, uncertainty in (alternatives or {}).items()
        if _figures(limit, basis, uncertainty, prior, name=other, targets=wanted).usefulness is Usefulness.USEFUL
    )
    return _with_advice(found, _wanted_uncertainty(limit, basis, prior, wanted), would_do)


def _check_unit(limit: Limit, unit: str) -> None:
    factor, base = to_base(1.0, unit)
    if base != limit.unit:
        raise ValueError(f"an uncertainty in {unit!r} cannot be held against limit {limit.name!r} in {limit.unit!r}")
    if factor != 1.0:
        raise ValueError(f"the uncertainty is in {unit!r}; accepted: the base unit {limit.unit!r}")


def _basis(limit: Limit, prior: Spread | None) -> Basis:
    low, high = limit.low, limit.high
    if low is not None and high is not None:
        return Basis(0.5 * (high - low), low, high, "half the tolerance")
    side = high if low is None else low
    assert side is not None  # a limit has at least one side
    if prior is not None:
        distance = max(abs(side - prior.mean), prior.standard_deviation)
        text = "distance of the process mean"
    elif side != 0.0:
        distance, text = abs(side), "distance of zero"
    else:
        raise ValueError(
            f"limit {limit.name!r} is {limit.text} alone: give the process (mean and standard deviation) to hold "
            "the uncertainty against"
        )
    return Basis(distance, side - distance, side, text) if low is None else Basis(distance, side, side + distance, text)


# ---- figures


def _figures(
    limit: Limit, basis: Basis, uncertainty: Uncertainty, prior: Spread | None, *, name: str, targets: Targets
) -> Fitness:
    def u(value: float) -> float:
        found = uncertainty(value) if callable(uncertainty) else uncertainty
        if not (math.isfinite(found) and found >= 0.0):
            raise ValueError(
                f"the standard uncertainty of {name} is {found!r} at {format_quantity(value, limit.unit)}; "
                "accepted: a finite number from 0 up"
            )
        return float(found)

    values = [basis.start + (basis.end - basis.start) * step / (_SCANNED - 1) for step in range(_SCANNED)]
    worst = max(map(u, values))
    accepted = _accepted(limit, values, u)
    span = basis.end - basis.start
    width = math.fsum(end - start for start, end in accepted)
    ratio = basis.half_width / (_COVERAGE_FACTOR * worst) if worst else math.inf
    risks = _risks(limit, worst, prior)
    usefulness, why = _usefulness(ratio, accepted, risks, targets)
    return Fitness(
        name=name,
        limit=limit,
        standard_uncertainty=worst,
        ratio=ratio,
        basis=basis.text,
        band_share=_band_share(limit, span, u),
        accepted=accepted,
        zone_width=width,
        zone_share=width / span if span else float(bool(accepted)),
        risk_at_limit=_risk_at_limit(limit, accepted, u),
        risks=risks,
        usefulness=usefulness,
        why=why,
    )


def _accepts(limit: Limit, value: float, u: float) -> bool:
    found = zones(limit, expanded_uncertainty=_COVERAGE_FACTOR * u)
    return found.accept_low <= value <= found.accept_high


def _accepted(limit: Limit, values: Sequence[float], u: Callable[[float], float]) -> tuple[tuple[float, float], ...]:
    """Stretches of values that pass; a change of range in the middle may leave more than one."""
    stretches: list[tuple[float, float]] = []
    start: float | None = None
    passes = [_accepts(limit, value, u(value)) for value in values]
    for index, now in enumerate(passes):
        before = passes[index - 1] if index else False
        if now and not before:
            start = _border(limit, values[index], values[index - 1], u) if index else values[0]
        elif before and not now:
            assert start is not None  # a stretch that ends has begun
            stretches.append((start, _border(limit, values[index - 1], values[index], u)))
            start = None
    return (*stretches, *([(start, values[-1])] if start is not None else ()))


def _border(limit: Limit, inside: float, outside: float, u: Callable[[float], float]) -> float:
    """The last value that passes between one that does and one that does not."""
    for _ in range(60):
        middle = 0.5 * (inside + outside)
        if middle in (inside, outside):
            break
        if _accepts(limit, middle, u(middle)):
            inside = middle
        else:
            outside = middle
    return inside


def _band_share(limit: Limit, span: float, u: Callable[[float], float]) -> float:
    sides = [side for side in (limit.low, limit.high) if side is not None]
    bands = math.fsum(limit.guard_band(_COVERAGE_FACTOR * u(side)) for side in sides)
    if span == 0.0:
        return math.inf if bands else 0.0
    return bands / span


def _risk_at_limit(
    limit: Limit, accepted: tuple[tuple[float, float], ...], u: Callable[[float], float]
) -> float | None:
    ends = list(itertools.chain.from_iterable(accepted))
    return max(
        (nonconformance_probability(end, standard_uncertainty=u(end), low=limit.low, high=limit.high) for end in ends),
        default=None,
    )


def _risks(limit: Limit, u: float, prior: Spread | None) -> GlobalRisks | None:
    if prior is None:
        return None
    bands = limit.bands(_COVERAGE_FACTOR * u)
    return global_risks(prior, standard_uncertainty=u, low=limit.low, high=limit.high, bands=bands)


# ---- the word for it


def _usefulness(
    ratio: float, accepted: tuple[tuple[float, float], ...], risks: GlobalRisks | None, targets: Targets
) -> tuple[Usefulness, str]:
    if not accepted:
        return Usefulness.VAIN, "no value can pass: the guard band takes the whole tolerance"
    if ratio <= 1.0:
        return Usefulness.VAIN, f"the expanded uncertainty is as large as what it is held against, ratio {ratio:.2g}:1"
    short = []
    if ratio < targets.ratio:
        short.append(f"ratio {ratio:.2g}:1 is below {targets.ratio:g}:1")
    if risks is not None:
        short += _missed_risks(risks, targets)
    if short:
        return Usefulness.DOUBTFUL, "; ".join(short)
    kept = " and both risks are kept" if risks is not None else ""
    return Usefulness.USEFUL, f"ratio {ratio:.3g}:1 is {targets.ratio:g}:1 or more{kept}"


def _missed_risks(risks: GlobalRisks, targets: Targets) -> list[str]:
    missed = []
    if risks.accepted_bad > targets.accepted_bad:
        missed.append(
            f"{_share(risks.accepted_bad)} of all boards are bad and accepted, above {_share(targets.accepted_bad)}"
        )
    if risks.not_accepted_good > targets.not_accepted_good:
        missed.append(
            f"{_share(risks.not_accepted_good)} of all boards are good and not accepted, "
            f"above {_share(targets.not_accepted_good)}"
        )
    return missed


def _wanted_uncertainty(limit: Limit, basis: Basis, prior: Spread | None, targets: Targets) -> float | None:
    """The largest constant uncertainty that is useful, to a thousandth; None when the tolerance has no width."""

    def useful(u: float) -> bool:
        found = _figures(limit, basis, u, prior, name=limit.name, targets=targets)
        return found.usefulness is Usefulness.USEFUL

    enough = basis.half_width / (_COVERAGE_FACTOR * targets.ratio)
    if enough == 0.0:
        return None
    too_much = enough
    while not useful(enough):
        too_much, enough = enough, 0.5 * enough
        if enough < 1e-12 * basis.half_width:
            return None
    while too_much - enough > 1e-3 * enough:
        middle = 0.5 * (enough + too_much)
        enough, too_much = (middle, too_much) if useful(middle) else (enough, middle)
    return enough


def _with_advice(found: Fitness, wanted: float | None, would_do: tuple[str, ...]) -> Fitness:
    if wanted is None:
        why = f"{found.why}; no uncertainty would do: the limit leaves no room"
    else:
        unit = found.limit.unit
        accuracy = _quantity(_SQRT3 * wanted, unit)
        why = (
            f"{found.why}; wanted: a standard uncertainty of at most {_quantity(wanted, unit)}, "
            f"such as an instrument or range that is good to ±{accuracy}"
        )
    if would_do:
        why = f"{why}; would do: {', '.join(would_do)}"
    return replace(found, why=why, wanted_uncertainty=wanted, would_do=would_do)


# ---- a table


_HEADINGS = ("measurement", "limit", "U", "ratio", "guard bands", "accepts", "bad passed", "good not passed", "verdict")


def fitness_table(rows: Sequence[Fitness]) -> str:
    """A line for each measurement, and under the table why those that are not useful are not. Ends in a line feed."""
    cells: list[tuple[str, ...]] = [_HEADINGS, *map(_cells, rows)]
    if all(row.risks is None for row in rows):  # nothing is known of the boards, so nothing of their risks
        cells = [(*row[:-3], row[-1]) for row in cells]
    widths = [max(len(cell) for cell in column) for column in zip(*cells, strict=True)]
    lines = ["  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in cells]
    reasons = [f"{row.name}: {row.why}" for row in rows if row.usefulness is not Usefulness.USEFUL]
    return "\n".join([*lines, *([""] if reasons else []), *reasons]) + "\n"


def _cells(row: Fitness) -> tuple[str, ...]:
    risks = row.risks
    return (
        row.name,
        row.limit.text,
        _quantity(row.expanded_uncertainty, row.limit.unit),
        f"{row.ratio:.3g}:1" if math.isfinite(row.ratio) else "exact",
        _share(row.band_share),
        _share(row.zone_share),
        "-" if risks is None else _share(risks.accepted_bad),
        "-" if risks is None else _share(risks.not_accepted_good),
        row.usefulness.value,
    )


def _quantity(value: float, unit: str) -> str:
    """A share as its limit says it, in percent."""
    return f"{100.0 * value:.4g} %" if unit == "1" else format_quantity(value, unit)


def _share(share: float) -> str:
    if not math.isfinite(share):
        return "all"
    if share >= 10.0:
        return f"{100.0 * share:.0f} %"
    if share >= 0.001 or share == 0.0:
        return f"{100.0 * share:.3g} %"
    return f"{1e6 * share:.3g} ppm"
