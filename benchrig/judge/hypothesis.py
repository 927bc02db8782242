"""A possible cause: how it changes a circuit, by how much, what it shows in words, and how likely it is beforehand.

Owns the form of a cause. Which causes there are stands in `circuit_faults` and `other_faults`; how they are weighed in
`diagnosis`. A cause of any severity is one parameter on a path of the circuit, or a shift of features that the circuit
does not hold (temperatures); a cause without severity shows in words alone.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

from benchrig.judge.signature import Measured, Signature

if TYPE_CHECKING:
    from collections.abc import Mapping

    from benchrig.judge.circuit_parts import Circuit

How = Literal["times", "plus", "is"]
Side = Literal["board", "bench"]

_UNITS = {"ohm": "ohm", "v": "V", "a": "A", "f": "F", "s": "s", "counts": "counts", "siemens": "S", "c": "degC"}
_PREFIXES = ((1e6, "M"), (1e3, "k"), (1.0, ""), (1e-3, "m"), (1e-6, "u"), (1e-9, "n"), (1e-12, "p"))


@dataclass(frozen=True, slots=True)
class Severity:
    """Where a cause may lie: `grid` is tried, and refined between its points if `refines`; how it acts on a path.

    'times' multiplies the number there, 'plus' adds to it, 'is' replaces it. The grid is even in what is as likely
    beforehand: a geometric one for a size that is not known to an order of magnitude.
    """

    path: str
    how: How
    grid: tuple[float, ...]
    refines: bool = True

    def act(self, circuit: Circuit, severity: float) -> Circuit:
        """The circuit with this severity."""
        if self.how == "is":
            return circuit.put(self.path, severity)
        before = circuit.value(self.path)
        return circuit.put(self.path, before * severity if self.how == "times" else before + severity)


@dataclass(frozen=True, slots=True, kw_only=True)
class Hypothesis:
    """One cause. `prior` is its weight before anything was measured, relative to the others.

    `words` are what it shows beside the numbers, `hides` the features that can then not be measured, `tells` what a
    further measurement would say, in words. `shifts` are features that move by so much for one unit of severity.
    """

    key: str
    cause: str
    side: Side
    prior: float
    severity: Severity | None = None
    words: Mapping[str, str] = field(default_factory=dict)
    hides: tuple[str, ...] = ()
    shifts: Mapping[str, float] = field(default_factory=dict)
    tells: Mapping[str, str] = field(default_factory=dict)

    @property
    def grid(self) -> tuple[float, ...]:
        """The severities to try; a single 0 for a cause without."""
        return self.severity.grid if self.severity else (0.0,)

    def circuit(self, sound: Circuit, severity: float) -> Circuit:
        """The circuit with this cause in it; one that only shifts features leaves it as it is."""
        return self.severity.act(sound, severity) if self.severity and self.severity.path else sound

    def show(self, predicted: Signature, severity: float) -> Signature:
        """What the circuit shows, with the words and shifts of this cause."""
        numbers = {name: value for name, value in predicted.numbers.items() if name not in self.hides}
        for name, per_unit in self.shifts.items():
            if name in numbers:
                numbers[name] = Measured(numbers[name].value + per_unit * severity, 0.0)
        return Signature(numbers, {**predicted.words, **self.words})

    def text(self, sound: Circuit, severity: float) -> str:
        """The cause with the size that fits best."""
        if self.severity is None:
            return self.cause
        if not self.severity.path:
            return f"{self.cause} ({severity:+.2g} degC)"
        path = self.severity.path
        now, was = self.circuit(sound, severity).value(path), sound.value(path)
        if path in _WORDLESS:
            return f"{self.cause} ({_WORDLESS[path](now)})"
        unit = _UNITS.get(path.rsplit("_", 1)[-1], "")
        before = f" instead of {engineering(was, unit)}" if was else ""
        return f"{self.cause} ({engineering(now, unit)}{before})"


_WORDLESS = {
    "codes.stuck_low": lambda value: f"bit {int(value).bit_length() - 1} always 0",
    "codes.stuck_high": lambda value: f"bit {int(value).bit_length() - 1} always 1",
    "codes.formula_gain": lambda value: f"{100.0 * (value - 1.0):+.2f} %",
    "bench.meter_gain": lambda value: f"{100.0 * value:+.2f} %",
    "bench.recorder_gain": lambda value: f"{100.0 * value:+.2f} %",
    "timing.spreading_factor": lambda value: f"SF{int(value)}",
}


def engineering(value: float, unit: str) -> str:
    """A number with three digits and a prefix: 312 kohm."""
    if not math.isfinite(value) or value == 0.0 or unit in ("", "counts", "degC"):
        return f"{value:.3g} {unit}".rstrip()
    factor, prefix = next(((f, p) for f, p in _PREFIXES if abs(value) >= 0.9995 * f), _PREFIXES[-1])
    digits = f"{value / factor:.3g}" if abs(value / factor) < 999.5 else f"{value / factor:.0f}"
    return f"{digits} {prefix}{unit}"


def geometric(low: float, high: float, *, steps: int = 25) -> tuple[float, ...]:
    """An even grid of the logarithm."""
    return tuple(low * (high / low) ** (index / (steps - 1)) for index in range(steps))


def even(low: float, high: float, *, steps: int = 25) -> tuple[float, ...]:
    """An even grid."""
    return tuple(low + (high - low) * index / (steps - 1) for index in range(steps))
