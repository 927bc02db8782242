"""The signature of a board: named features, measured or predicted, and the scale on which each is compared.

Owns what a feature is and how a sweep is boiled down to a few of them. Must not know records, a board or a fault.
A feature is a number on its scale, or a word; one that is missing was not measured and speaks for nothing. Currents,
charges and times are compared by their logarithm: a part that is 10 % off is as far off at 10 uA as at 10 mA.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, NamedTuple

from benchrig.judge.codes import CodeAt, clipped_codes, dead_bits
from benchrig.judge.linear import fit_line

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

_FEWEST_POINTS = 3
_FEWEST_FOR_BITS = 8
_LEAST_NOISE_COUNTS = 0.5
"""Rounding alone: below this a scatter of codes says nothing, so it is added before the logarithm. Own choice."""

_STRAIGHT_COUNTS = 1.5
"""A bit that is dead and can be told bends the line by more than this; the search for it is dear."""


class Scale(NamedTuple):
    """How a feature is compared: by logarithm or not, what the model cannot do better than, and how wide it may be."""

    is_log: bool
    model_u: float
    span: float


_RATIO = Scale(is_log=False, model_u=3e-4, span=2.0)
_VOLTS = Scale(is_log=False, model_u=1e-3, span=4.0)
_LOG = Scale(is_log=True, model_u=0.01, span=7.0)
_TIMED = Scale(is_log=True, model_u=0.5, span=7.0)  # timed by a machine that may have other work
_SCATTER = Scale(is_log=False, model_u=0.35, span=8.0)  # a logarithm already, of a standard deviation of few points
_CELSIUS = Scale(is_log=False, model_u=0.3, span=100.0)  # a sound sensor: 0.5 degrees, common practice, no source

SCALES: Mapping[str, Scale] = {
    "gain": _RATIO,
    "middle error": _VOLTS,
    "hysteresis": _VOLTS,
    "noise": _SCATTER,
    "bend": _SCATTER,
    "conversion gain": _RATIO,
    "conversion offset": _VOLTS,
    "answer time": Scale(is_log=True, model_u=0.8, span=7.0),  # the slowest of many, on such a machine
    "supply against meter": Scale(is_log=False, model_u=1e-3, span=2.0),
    "drop under load": Scale(is_log=False, model_u=1.5e-3, span=1.0),
    "rail": Scale(is_log=False, model_u=2e-3, span=4.0),
    "touch current": _LOG,
    "floor": _LOG,
    "wake charge": _LOG,
    "wake period": _LOG,
    "plateau": _LOG,
    "airtime": _LOG,
    "boot time": _TIMED,
    "temperature": _CELSIUS,
    "probe": _CELSIUS,
}


def scale_of(name: str) -> Scale:
    """The scale of a feature; 'rail 3.60 V' is one of several of the kind 'rail'. Raises KeyError for another name."""
    if name in SCALES:
        return SCALES[name]
    return SCALES[name.split(" ", 1)[0]]


class Measured(NamedTuple):
    """A number on its feature's scale, and its standard uncertainty there."""

    value: float
    standard_uncertainty: float


def on_scale(name: str, value: float, standard_uncertainty: float = 0.0) -> Measured | None:
    """A value in base units on its feature's scale; None for one that the scale cannot hold, such as log of 0."""
    if not math.isfinite(value):
        return None
    if not scale_of(name).is_log:
        return Measured(value, standard_uncertainty)
    return Measured(math.log(value), standard_uncertainty / value) if value > 0.0 else None


@dataclass(frozen=True, slots=True)
class Signature:
    """What was measured of a board, or what a model predicts: numbers on their scales, and words."""

    numbers: Mapping[str, Measured] = field(default_factory=dict)
    words: Mapping[str, str] = field(default_factory=dict)


class Converted(NamedTuple):
    """One conversion: volts at the terminals as metered, the code, which way the sweep went, seconds since the last."""

    setpoint_v: float
    terminals_v: float
    code: float
    direction: str
    since_s: float


def sweep_signature(points: Sequence[Converted], *, volts_per_count: float, top_code: int) -> Signature:
    """Gain, error at the middle, hysteresis, scatter and bend, and in words clipping and dead bits.

    Scatter and bend are logarithms of counts. Too few points, or points at one voltage, give no feature.
    """
    inputs = [point.terminals_v / volts_per_count for point in points]
    codes = [float(point.code) for point in points]
    if len(points) < _FEWEST_POINTS or max(inputs) - min(inputs) < 1.0:
        return Signature()
    line = fit_line(inputs, codes)
    middle = math.fsum(inputs) / len(inputs)
    pairs = _pairs(points, line.residuals)
    hysteresis = math.fsum(pairs) / len(pairs) if pairs else 0.0
    numbers = {
        "gain": Measured(line.slope - 1.0, line.slope_se),
        "middle error": Measured((line.at(middle)[0] - middle) * volts_per_count, line.at(middle)[1] * volts_per_count),
        "bend": Measured(scatter_feature(line.residual_sd), 0.0),
    }
    if len(pairs) > 1:
        scatter = math.sqrt(math.fsum((pair - hysteresis) ** 2 for pair in pairs) / (len(pairs) - 1))
        numbers["hysteresis"] = Measured(
            hysteresis * volts_per_count, scatter / math.sqrt(len(pairs)) * volts_per_count
        )
        numbers["noise"] = Measured(scatter_feature(scatter / math.sqrt(2.0)), 0.0)
    return Signature(numbers, _sweep_words(points, inputs, line.residual_sd, top_code=top_code))


def scatter_feature(counts: float) -> float:
    """A standard deviation in counts on the scale of 'noise' and 'bend'."""
    return math.log(counts + _LEAST_NOISE_COUNTS)


def scatter_counts(feature: float) -> float:
    """The counts of such a feature."""
    return math.exp(feature) - _LEAST_NOISE_COUNTS


def _pairs(points: Sequence[Converted], residuals: Sequence[float]) -> list[float]:
    """Residual going up less the one going down, in counts, for every set-point seen both ways."""
    seen = {(point.setpoint_v, point.direction): left for point, left in zip(points, residuals, strict=True)}
    return [
        left - seen[setpoint_v, "down"]
        for (setpoint_v, direction), left in seen.items()
        if direction == "up" and (setpoint_v, "down") in seen
    ]


def _sweep_words(
    points: Sequence[Converted], inputs: Sequence[float], scatter_counts: float, *, top_code: int
) -> dict[str, str]:
    samples = [
        CodeAt(expected, point.code, (point.setpoint_v, point.direction))
        for expected, point in zip(inputs, points, strict=True)
    ]
    low, high = clipped_codes(samples, full_scale=top_code)
    words = {
        "codes": {(False, False): "follow", (True, False): "stand low", (False, True): "stand high"}.get(
            (low, high), "stand"
        )
    }
    if len(points) >= _FEWEST_FOR_BITS and words["codes"] == "follow":
        codes = [round(point.code) for point in points]
        dead = dead_bits(inputs, codes, width=top_code.bit_length()) if scatter_counts > _STRAIGHT_COUNTS else ()
        words["bits"] = "all move" if not dead else f"dead {', '.join(map(str, dead))}"
    return words
