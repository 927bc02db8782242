"""Faults of the simulated board that a production check does not look for and a sign-off must find."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True)
class Found:
    """What a sign-off must say: words of the thresholds, words of coming back; '' where that check must pass."""

    thresholds: str
    coming_back: str


SIGN_OFF: Final = {
    "hangs_after_dusk": Found("", "from floors of 1.00 V to 1.80 V (it does from 2.10 V)"),
    "hangs_after_hole": Found("", "after a hole of"),
    "restart_too_high": Found("restart_rising: 4.00", "worst corner: floor 2.60 V in one step"),
    "latches_in_lockout": Found("restart_rising above 4.", "worst corner: floor 2.60 V in one step"),
    "reset_too_high": Found("reset: 3.0", ""),
    "lockout_without_hysteresis": Found("mV is below the low limit 100.000 mV", ""),
}
