"""The length of a bit, read off the intervals between edges: an estimate, and whether a given rate can be right.

Owns what counts as fitting. Must not know files. An estimate is one only if no other rate fits as well: a wrong rate
is an error, never plausible text. Own method: the shortest interval that is not rare is one bit or a few; each such
rate is tried, and fits when edges stand on its grid and frames end with their stop bits.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from benchrig.errors import ConfigError
from benchrig.protocol.uart_frames import GLITCH_SHARE, cut_frames, without_glitches

if TYPE_CHECKING:
    from benchrig.protocol.uart_frames import Frames, Times, UartSettings

RATE_TOLERANCE = 0.04
"""Two ends that are off by 2 % each still understand each other: common practice, no source."""

_MOST_BAD = 0.02
_MOST_BAD_GIVEN = 0.10
"""The share of frames that cannot be believed: of an estimated rate, and of a given one. Own choices."""

_MOST_OFF = 0.16
"""Root mean square of edges off their grid, in bits; edges that stand anywhere give 0.29 (1/sqrt 12)."""

_RARE = 0.05
"""Intervals shorter than all others, and fewer than this share, come of glitches. Own choice."""

_MOST_BITS = 9
"""The shortest interval of a line is at most so many bits: a whole frame without its stop bit."""

_SAME = 0.02
_ROUNDS = 4
_FINE = 1e-6
_STARTS_TRIED = 12
_EDGES_TRIED = 400
_SHOWN = 3
_INVERTED = "it rests at the level of a start bit: is it inverted?"


@dataclass(frozen=True, slots=True)
class Fit:
    """A length of a bit that was tried, and the frames that it gives. `begin`: from which edge on there are frames."""

    bit_s: float
    begin: int
    frames: Frames

    @property
    def bad_share(self) -> float:
        return self.frames.bad / max(1, self.frames.values.size)

    @property
    def off_rms(self) -> float:
        return float(np.sqrt(self.frames.off_squared / max(1, self.frames.edges)))

    def clock_error(self, baud: float) -> float:
        """How much faster this is than a rate, as a share of it."""
        return 1.0 / (self.bit_s * baud) - 1.0

    @property
    def merit(self) -> tuple[float, float]:
        """Larger is better: first few bad frames, then edges near their grid."""
        return -self.bad_share, -self.off_rms

    @property
    def is_good(self) -> bool:
        return self.frames.values.size > 0 and self.bad_share <= _MOST_BAD and self.off_rms <= _MOST_OFF


def find_rate(
    times_s: Times, *, settings: UartSettings, rested_s: float, active_s: float, until_s: float, name: str
) -> Fit:
    """The fit for the given rate, or the only one that fits.

    `times_s`: edges, the first one towards active; `rested_s` how long the line rested before it, and `active_s` how
    long it was active before that (0: nobody knows). Raises ConfigError for a wrong or an unclear rate, naming what
    fits, and for a line that is active where it should rest.
    """
    fit = _find_rate(times_s, settings, rested_s, until_s, name)
    frame_s = fit.bit_s * settings.frame_bits
    lengths = np.diff(times_s, append=max(until_s, float(times_s[-1])))
    active = int(np.count_nonzero(lengths[0::2] > frame_s)) + (active_s > frame_s)
    at_rest = int(np.count_nonzero(lengths[1::2] > frame_s)) + (rested_s > frame_s)
    if active > at_rest:  # whole frames long: a line without power is active, but once
        raise ConfigError(f"{name}: {_INVERTED}; read it as {'not ' if settings.inverted else ''}inverted")
    return fit


def _find_rate(times_s: Times, settings: UartSettings, rested_s: float, until_s: float, name: str) -> Fit:
    rates = [_fit(times_s, bit_s, settings, rested_s, until_s) for bit_s in _candidates(times_s)]
    good = _different([fit for fit in rates if fit.is_good])
    if settings.baud is None:
        return _only(good, times_s, settings, name)
    near = [fit for fit in good if abs(fit.clock_error(settings.baud)) <= RATE_TOLERANCE]
    if near:
        return max(near, key=lambda fit: fit.merit)
    given = _fit_given(times_s, 1.0 / settings.baud, settings, rested_s, until_s)
    if good or given.bad_share > _MOST_BAD_GIVEN or not given.frames.values.size:
        raise _wrong_rate(given, good, times_s, settings, name)
    return given


def first_frame(times_s: Times, *, bit_s: float, settings: UartSettings, rested_s: float, until_s: float) -> int:
    """The edge from which frames can be cut, when the capture may have begun inside a byte.

    It is the first one that follows a rest as long as a frame, where the line was active when the capture began. Else
    the burst that came first is tried from each of its edges, and the earliest one without bad frames is taken.
    """
    frame_s = settings.frame_bits * bit_s
    longest_s = frame_s - 1.5 * bit_s  # within a frame the line rests for all bits but the start bit, at most
    if rested_s >= longest_s or times_s.size < 2:
        return 0
    rests = times_s[2::2] - times_s[1:-1:2]
    long = np.flatnonzero(rests >= longest_s)
    burst = int(long[0]) * 2 + 2 if long.size else times_s.size
    if long.size and (rested_s <= 0.0 or times_s[burst - 1] - times_s[0] < frame_s - 2.0 * bit_s):
        return burst
    tried = min(burst, _EDGES_TRIED)
    end_s = until_s if tried == times_s.size else float(times_s[tried - 1])
    starts = range(0, min(tried, 2 * _STARTS_TRIED), 2)

    def bad(start: int) -> int:
        edges = times_s[start:tried]
        return cut_frames(edges, bit_s=bit_s, settings=settings, free_s=float(edges[0]), until_s=end_s).bad

    return min(starts, key=bad)


def _fit(times_s: Times, bit_s: float, settings: UartSettings, rested_s: float, until_s: float) -> Fit:
    """The frames for this length of a bit, once it was brought nearer to what the edges inside frames say."""
    edges, _ = without_glitches(times_s, shortest_s=GLITCH_SHARE * bit_s)
    fit = _fit_as_is(edges, bit_s, settings, rested_s, until_s)
    for _ in range(_ROUNDS):
        if abs(fit.frames.longer) < _FINE:
            break
        finer = _fit_as_is(edges, fit.bit_s * (1.0 + fit.frames.longer), settings, rested_s, until_s)
        if finer.merit <= fit.merit:
            break
        fit = finer
    return fit


def _fit_given(times_s: Times, bit_s: float, settings: UartSettings, rested_s: float, until_s: float) -> Fit:
    """The given rate, corrected by how much the sender is off, unless that would be another rate."""
    fit = _fit(times_s, bit_s, settings, rested_s, until_s)
    if abs(fit.clock_error(1.0 / bit_s)) <= RATE_TOLERANCE:
        return fit
    edges, _ = without_glitches(times_s, shortest_s=GLITCH_SHARE * bit_s)
    return _fit_as_is(edges, bit_s, settings, rested_s, until_s)


def _fit_as_is(edges: Times, bit_s: float, settings: UartSettings, rested_s: float, until_s: float) -> Fit:
    begin = first_frame(edges, bit_s=bit_s, settings=settings, rested_s=rested_s, until_s=until_s)
    edges = edges[begin:]
    free_s = float(edges[0]) if edges.size else until_s
    return Fit(bit_s, begin, cut_frames(edges, bit_s=bit_s, settings=settings, free_s=free_s, until_s=until_s))


def _candidates(times_s: Times) -> list[float]:
    """Lengths of a bit that the shortest distances allow: between neighbours, and between edges of one direction.

    The second ones stay right where edges of one direction are slow.
    """
    intervals = np.diff(times_s)
    found = [_shortest(intervals) / bits for bits in range(1, _MOST_BITS + 1)] if intervals.size else []
    periods = np.concatenate((np.diff(times_s[0::2]), np.diff(times_s[1::2])))
    return found + ([_shortest(periods) / bits for bits in range(2, _MOST_BITS + 2)] if periods.size else [])


def _shortest(distances: Times) -> float:
    distances = np.sort(distances)
    while True:
        group = int(np.searchsorted(distances, 1.4 * distances[0] + 1e-15, side="right"))
        if group >= _RARE * distances.size:
            return max(float(np.median(distances[:group])), 1e-12)
        distances = distances[group:]


def _different(fits: list[Fit]) -> list[Fit]:
    """The best one of those that are the same rate, in the order that they came."""
    found: list[Fit] = []
    for fit in fits:
        same = next((index for index, other in enumerate(found) if abs(fit.bit_s / other.bit_s - 1.0) < _SAME), None)
        if same is None:
            found.append(fit)
        elif fit.merit > found[same].merit:
            found[same] = fit
    return found


def _only(good: list[Fit], times_s: Times, settings: UartSettings, name: str) -> Fit:
    if len(good) == 1:
        return good[0]
    if good:
        raise ConfigError(
            f"{name}: its edges fit {_bauds(good)}, as {settings}, and nothing tells which; give the baud rate"
        )
    raise ConfigError(
        f"{name}: no baud rate makes {times_s.size} edges into bytes of {settings}"
        f"{_rests_wrong(times_s)}; check parity, data bits and the signal, or give the baud rate"
    )


def _wrong_rate(given: Fit, good: list[Fit], times_s: Times, settings: UartSettings, name: str) -> ConfigError:
    bad, frames = given.frames.bad, given.frames.values.size
    came = f"at {settings.baud:.10g} baud, {settings}, {bad} of {frames} bytes have no stop bit or a wrong parity"
    if good:
        return ConfigError(f"{name}: {came}; its edges fit {_bauds(good)}; read it with that rate")
    return ConfigError(
        f"{name}: {came}{_rests_wrong(times_s)}; no other rate fits either; check parity, data bits and the signal"
    )


def _rests_wrong(times_s: Times) -> str:
    """A hint where the line spends its longest time at the level that should be the active one."""
    lengths = np.diff(times_s)
    if lengths.size > 1 and lengths[0::2].max() > 2.0 * lengths[1::2].max():
        return f", and {_INVERTED}"
    return ""


def _bauds(fits: list[Fit]) -> str:
    more = ", or others" if len(fits) > _SHOWN else ""
    return " or ".join(f"{1.0 / fit.bit_s:.0f}" for fit in fits[:_SHOWN]) + " baud" + more
