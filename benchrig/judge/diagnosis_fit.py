"""How well a possible cause explains a measured signature: its best severity, its likelihood, and the evidence for it.

Owns the likelihood. Numbers are Gaussian with the covariance of measurement and part tolerances together, so that two
features that the same sound part moves are not counted twice; words fit or do not. The evidence is the likelihood
averaged over the severities that a cause may have (Laplace's approximation about the best one), so that a cause that
could explain anything is worth less than one that had to show this. Must not know which causes there are.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from benchrig.judge.circuit import predict
from benchrig.judge.other_faults import SOUND_WORDS
from benchrig.judge.signature import Signature, scale_of

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    import numpy.typing as npt

    from benchrig.judge.circuit import BenchPlan
    from benchrig.judge.circuit_parts import Circuit, Tolerance
    from benchrig.judge.hypothesis import Hypothesis

    Floats = npt.NDArray[np.float64]

_WORD_FITS, _WORD_DOES_NOT = math.log(0.99), math.log(1e-5)
"""A sound board shows another word once in a hundred for reasons of its own; a wrong word all but rules a cause out."""

_NOT_EXPECTED = math.log(1e-5)
"""A number where a cause leaves nothing to measure."""

_HOPELESS = 300.0
"""A cause so far behind one that is not in the list is not refined: between two grid points there is less to gain."""

_GOLDEN = (math.sqrt(5.0) - 1.0) / 2.0
_NARROWING = 10
_HALF_STEP = 0.05
_UNTOUCHED = 0.95
"""Share of features that a cause which is not in the list leaves alone. Own choice."""
_WORD_UNTOUCHED, _OTHER_WORD = math.log(0.97), math.log(0.01)


class Fit(NamedTuple):
    """A cause at its best severity: what it predicts, chi squared of the numbers, words that do not fit, evidence."""

    severity: float
    circuit: Circuit
    predicted: Signature
    chi_squared: float
    misses: tuple[str, ...]
    log_evidence: float


@dataclass(frozen=True, slots=True, eq=False)
class Scale:
    """The numbers that were measured, in order, and the inverse of their covariance."""

    names: tuple[str, ...]
    measured: Floats
    inverse: Floats
    sigmas: Floats
    log_norm: float

    def chi_squared(self, residuals: Floats) -> float:
        """Squared distance in standard deviations, correlations counted."""
        return float(residuals @ self.inverse @ residuals)

    def vector(self, signature: Signature, otherwise: Floats) -> Floats:
        """The numbers of a signature in this order, `otherwise` where it has none."""
        numbers = signature.numbers
        return np.array(
            [
                numbers[name].value if name in numbers else float(other)
                for name, other in zip(self.names, otherwise, strict=True)
            ]
        )


class Weigher:
    """Weighs causes against one measured signature."""

    def __init__(self, seen: Signature, sound: Circuit, tolerances: Iterable[Tolerance], plan: BenchPlan) -> None:
        self.seen = seen
        self.sound = sound
        self._plan = plan
        self._known: dict[Circuit, Signature] = {}
        self.scale = self._scale(tolerances)
        self._another = self.log_evidence_of_another()

    def predict(self, circuit: Circuit) -> Signature:
        """What the model says of a circuit; the same one is not asked for twice."""
        if circuit not in self._known:
            self._known[circuit] = predict(circuit, self._plan)
        return self._known[circuit]

    def _scale(self, tolerances: Iterable[Tolerance]) -> Scale:
        sound = self.predict(self.sound)
        names = tuple(name for name in self.seen.numbers if name in sound.numbers)
        measured = np.array([self.seen.numbers[name].value for name in names])
        own = np.array(
            [math.hypot(self.seen.numbers[name].standard_uncertainty, scale_of(name).model_u) for name in names]
        )
        covariance = np.diag(own**2)
        middle = np.array([sound.numbers[name].value for name in names])
        for one in tolerances:
            moved = self.predict(_moved(self.sound, one))
            step = np.array([moved.numbers[name].value for name in names]) - middle
            covariance += np.outer(step, step)
        _, log_det = np.linalg.slogdet(2.0 * math.pi * covariance)
        return Scale(names, measured, np.linalg.inv(covariance), np.sqrt(np.diag(covariance)), -0.5 * float(log_det))

    # ---- one cause ---------------------------------------------------------------------------------------

    def fit(self, cause: Hypothesis) -> Fit:
        """The best severity of a cause, and the evidence for it."""
        grid = cause.grid
        tried = [self._log_likelihood(cause, severity) for severity in grid]
        best = max(range(len(grid)), key=tried.__getitem__)
        can_matter = tried[best] > self._another - _HOPELESS
        if cause.severity is None or not cause.severity.refines or len(grid) == 1 or not can_matter:
            return self._fit(cause, grid[best], log_evidence=_log_mean(tried))
        index, log_l = self._refined(cause, float(best))
        log_width = self._log_width(lambda at: self._log_likelihood(cause, _between(grid, at)), index, log_l, len(grid))
        return self._fit(cause, _between(grid, index), log_evidence=max(log_l + log_width, _log_mean(tried)))

    def _fit(self, cause: Hypothesis, severity: float, *, log_evidence: float) -> Fit:
        circuit = cause.circuit(self.sound, severity)
        predicted = cause.show(self.predict(circuit), severity)
        chi_squared, _ = self._numbers(predicted)
        return Fit(severity, circuit, predicted, chi_squared, self._misses(predicted), log_evidence)

    def _log_likelihood(self, cause: Hypothesis, severity: float) -> float:
        predicted = cause.show(self.predict(cause.circuit(self.sound, severity)), severity)
        chi_squared, unexpected = self._numbers(predicted)
        misses = len(self._misses(predicted))
        words = (len(self.seen.words) - misses) * _WORD_FITS + misses * _WORD_DOES_NOT
        return self.scale.log_norm - 0.5 * chi_squared + unexpected * _NOT_EXPECTED + words

    def _numbers(self, predicted: Signature) -> tuple[float, int]:
        scale = self.scale
        residuals = scale.measured - scale.vector(predicted, scale.measured)
        unexpected = sum(name not in predicted.numbers for name in scale.names)
        return scale.chi_squared(residuals), unexpected

    def _misses(self, predicted: Signature) -> tuple[str, ...]:
        """The words that were seen where this predicts others."""
        shown = {**SOUND_WORDS, **predicted.words}
        return tuple(name for name, word in self.seen.words.items() if shown.get(name, "") != word)

    def _refined(self, cause: Hypothesis, best: float) -> tuple[float, float]:
        """Golden-section search between the neighbours of the best grid point."""
        grid = cause.grid
        low, high = max(0.0, best - 1.0), min(len(grid) - 1.0, best + 1.0)

        def value(at: float) -> float:
            return self._log_likelihood(cause, _between(grid, at))

        left, right = high - _GOLDEN * (high - low), low + _GOLDEN * (high - low)
        at_left, at_right = value(left), value(right)
        for _ in range(_NARROWING):
            if at_left >= at_right:
                high, right, at_right = right, left, at_left
                left = high - _GOLDEN * (high - low)
                at_left = value(left)
            else:
                low, left, at_left = left, right, at_right
                right = low + _GOLDEN * (high - low)
                at_right = value(right)
        return max(((best, value(best)), (left, at_left), (right, at_right)), key=lambda found: found[1])

    @staticmethod
    def _log_width(value: Callable[[float], float], index: float, log_l: float, count: int) -> float:
        """Log of the share of the range in which the likelihood is as good as at its best."""
        low, high = max(0.0, index - _HALF_STEP), min(count - 1.0, index + _HALF_STEP)
        drop = 2.0 * log_l - value(low) - value(high)
        reach = 0.5 * (high - low)
        curvature = max(drop, 1e-9) / max(reach, 1e-9) ** 2
        return min(0.0, math.log(math.sqrt(2.0 * math.pi / curvature) / (count - 1)))

    # ---- none of the causes --------------------------------------------------------------------------------

    def log_evidence_of_another(self) -> float:
        """The evidence for a cause that is not in the list: it may show any word, move no number, any one, or many."""
        sound = self.predict(self.sound)
        shown = {**SOUND_WORDS, **sound.words}
        words = [
            _WORD_UNTOUCHED if shown.get(name, "") == word else _OTHER_WORD for name, word in self.seen.words.items()
        ]
        residuals = self.scale.measured - self.scale.vector(sound, self.scale.measured)
        return math.fsum(words) + _log_mean(
            [
                self.scale.log_norm - 0.5 * self.scale.chi_squared(residuals),
                *self._with_one_free(residuals),
                self._with_any_free(residuals),
            ]
        )

    def _with_one_free(self, residuals: Floats) -> list[float]:
        """Log density with one number anywhere in its span and the others as on a sound board (marginal Gaussian)."""
        pull, weight = self.scale.inverse @ residuals, np.diag(self.scale.inverse)
        chi_squared = self.scale.chi_squared(residuals) - pull**2 / weight
        norms = self.scale.log_norm + 0.5 * np.log(2.0 * math.pi / weight)
        spans = [math.log(scale_of(name).span) for name in self.scale.names]
        return [float(one) for one in norms - 0.5 * chi_squared - np.array(spans)]

    def _with_any_free(self, residuals: Floats) -> float:
        """Log density with each number either as on a sound board, by itself, or anywhere in its span."""
        total = 0.0
        for name, residual, sigma in zip(self.scale.names, residuals, self.scale.sigmas, strict=True):
            density = math.exp(-0.5 * (residual / sigma) ** 2) / (sigma * math.sqrt(2.0 * math.pi))
            total += math.log(_UNTOUCHED * density + (1.0 - _UNTOUCHED) / scale_of(name).span)
        return total


def _moved(circuit: Circuit, one: Tolerance) -> Circuit:
    value = circuit.value(one.path)
    return circuit.put(one.path, value * (1.0 + one.sigma) if one.is_ratio else value + one.sigma)


def _between(grid: tuple[float, ...], index: float) -> float:
    """The severity at a place between two grid points, geometric where both are above 0."""
    first = min(int(index), len(grid) - 2)
    low, high, part = grid[first], grid[first + 1], index - first
    if low > 0.0 and high > 0.0:
        return low * math.exp(part * math.log(high / low))
    return low + part * (high - low)


def _log_mean(logs: list[float]) -> float:
    best = max(logs)
    return best + math.log(math.fsum(math.exp(one - best) for one in logs) / len(logs))
