"""How well the runner knows when something happened on a serial line."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from benchrig.clock import Clock

_DELAY_WALL_S = 0.005
"""A line is stamped this much after its first byte at most, on a machine with work to do. Own choice, measured
as 0.1 ms on an idle one; a USB adapter adds its latency timer, 1 ms to 16 ms, common practice, no source."""


def stamp_uncertainty_s(clock: Clock, *, stalled_s: float = 0.0) -> float:
    """Standard uncertainty of one arrival stamp in bench seconds: rectangular over the possible delay.

    `stalled_s` is by how much this computer was seen to be late while it waited, in bench seconds.
    """
    return max(scaled_stamp_uncertainty_s(clock.scale), stalled_s / 12**0.5)


def scaled_stamp_uncertainty_s(scale: float) -> float:
    """The same on a quiet computer, for a bench that lives `scale` times as fast as the wall clock."""
    return _DELAY_WALL_S * scale / 12**0.5
