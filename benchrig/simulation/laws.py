"""How a voltage or current moves inside one stretch of bench time: constant, straight line or exponential.

Owns: the closed forms.  Must not know which part of the bench they describe.  Source: solutions of the first-order
linear differential equation with constant coefficients.
"""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Law:
    """value(t) = base + slope * t + swing * exp(-t / tau), t in seconds from the start of the stretch."""

    base: float
    slope: float = 0.0
    swing: float = 0.0
    tau_s: float = 1.0

    def value(self, elapsed_s: float) -> float:
        """The value after `elapsed_s` seconds."""
        moving = self.swing * math.exp(-elapsed_s / self.tau_s) if self.swing else 0.0
        return self.base + self.slope * elapsed_s + moving

    def scaled(self, factor: float) -> Law:
        """The same movement multiplied by `factor`."""
        return Law(self.base * factor, self.slope * factor, self.swing * factor, self.tau_s)

    def seconds_until(self, value: float) -> float | None:
        """Seconds until the law passes `value`, None if it never does; for pure lines or pure exponentials."""
        if self.swing:
            ratio = (value - self.base) / self.swing
            return -self.tau_s * math.log(ratio) if 0.0 < ratio <= 1.0 else None
        if self.slope:
            elapsed_s = (value - self.base) / self.slope
            return elapsed_s if elapsed_s >= 0.0 else None
        return None


def settled(law: Law, *, start: float, tau_s: float, elapsed_s: float) -> float:
    """Output of a first-order low-pass (time constant `tau_s`, output `start` at t = 0) that is fed with `law`."""
    if law.swing and abs(law.tau_s - tau_s) < 1e-6 * tau_s:
        tau_s *= 1.0 + 1e-6  # equal time constants have another closed form; a hair apart is as good
    gain = law.swing * law.tau_s / (law.tau_s - tau_s) if law.swing else 0.0
    forced_at_start = law.base - law.slope * tau_s + gain
    forced = law.base + law.slope * (elapsed_s - tau_s)
    if gain:
        forced += gain * math.exp(-elapsed_s / law.tau_s)
    return forced + (start - forced_at_start) * math.exp(-elapsed_s / tau_s)
