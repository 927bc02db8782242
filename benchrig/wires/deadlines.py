"""Time-outs of the wires: checked once, then counted down to a deadline on the monotonic clock.

All times are wall seconds. Must not know what is waited for.
"""

from __future__ import annotations

import math
import time


def checked_s(timeout_s: float) -> float:
    """The time-out itself. Raises ValueError for one that would not wait, or would wait for ever."""
    if not 0.0 < timeout_s < math.inf:
        raise ValueError(f"a time-out is above 0 s and finite, not {timeout_s}")
    return timeout_s


def deadline_s(timeout_s: float) -> float:
    """When a time-out that begins now is over. Raises ValueError like `checked_s`."""
    return time.monotonic() + checked_s(timeout_s)


def left_s(until_s: float) -> float:
    """The time left until a deadline, always above 0. Raises TimeoutError when it has passed."""
    left = until_s - time.monotonic()
    if left <= 0.0:
        raise TimeoutError("the time is up")
    return left


def whole_ms(timeout_s: float) -> int:
    """The time-out in whole milliseconds, at least one and never less than asked."""
    return max(1, math.ceil(timeout_s * 1e3))
