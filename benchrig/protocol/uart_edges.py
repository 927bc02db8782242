"""A serial line decoded from its edges, block by block: times and levels in, bytes with times out.

Owns what is carried from one block to the next, and the account of what was wrong. Must not know files, nor what the
bytes mean. The first edges are held back until the rate is certain (`uart_rate`); behind them memory does not grow.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from benchrig.protocol.uart_frames import (
    BREAK,
    FRAMING,
    GLITCH_SHARE,
    PARITY,
    UNKNOWN_LEVEL,
    UartSettings,
    cut_frames,
    without_glitches,
)
from benchrig.protocol.uart_rate import RATE_TOLERANCE, find_rate

if TYPE_CHECKING:
    import numpy.typing as npt

    from benchrig.protocol.uart_frames import Frames, Times

__all__ = ["BREAK", "FRAMING", "PARITY", "UNKNOWN_LEVEL", "UartBytes", "UartDecoder", "UartReport", "UartSettings"]

_HELD_EDGES = 4_000
"""So many edges decide about the rate: some hundred bytes."""

_MOST_BAD = 0.10


@dataclass(frozen=True, slots=True, eq=False)
class UartBytes:
    """Bytes in order, the time of the edge that began each, and its faults (0: none; else FRAMING and so on, added)."""

    times_s: Times
    values: npt.NDArray[np.uint8]
    faults: npt.NDArray[np.uint8]

    def __getitem__(self, part: slice) -> UartBytes:
        return UartBytes(self.times_s[part], self.values[part], self.faults[part])


@dataclass(frozen=True, slots=True, kw_only=True)
class UartReport:
    """What a line was like. Shares are of a bit, `clock_error` is relative to the given rate (None: none was given).

    `skipped_edges` stood before the first byte, in a capture that began inside one; `may_begin_inside`: the line had
    not rested for a whole byte before its first edge, so that the first bytes are the likeliest, not certain.
    `cut_bytes` had begun and were not whole at the end.
    """

    baud: float
    clock_error: float | None
    frames: int
    framing_errors: int
    parity_errors: int
    breaks: int
    unknown_levels: int
    glitches: int
    skipped_edges: int
    cut_bytes: int
    may_begin_inside: bool
    jitter_rms_bits: float
    jitter_most_bits: float

    @property
    def problems(self) -> tuple[str, ...]:
        """Every reason not to believe all of it, as phrases; none for a clean line."""
        counted = (
            (self.framing_errors, "bytes without stop bit"),
            (self.parity_errors, "bytes with wrong parity"),
            (self.breaks, "breaks"),
            (self.unknown_levels, "bytes with an unknown level in them"),
            (self.glitches, "pulses too short for a bit, taken out"),
            (self.skipped_edges, "edges before the first whole byte"),
            (self.cut_bytes, "bytes cut by the end"),
        )
        said = [f"{count} {what}" for count, what in counted if count]
        if self.may_begin_inside:
            said.append("it may begin inside a byte")
        if self.clock_error is not None and abs(self.clock_error) > RATE_TOLERANCE / 2.0:
            said.append(f"the sender's clock is off by {100.0 * self.clock_error:+.1f} %; ±2 % is common practice")
        return tuple(said)

    @property
    def is_trustworthy(self) -> bool:
        """Whether at most a tenth of the frames is bad: above that, the settings are likely wrong."""
        return self.framing_errors + self.parity_errors + self.breaks <= _MOST_BAD * self.frames


class UartDecoder:
    """One direction of a line. `name` is what messages call it."""

    def __init__(self, settings: UartSettings, *, name: str) -> None:
        self._settings = settings
        self._levels = _Levels(rest=0 if settings.inverted else 1)
        self._name = name
        self._bit_s = 0.0
        self._edges: Times = np.zeros(0)
        self._known_s = -math.inf
        self._free_s = -math.inf
        self._rested_s = 0.0
        self._skipped = self._glitches = self._cut = 0
        self._frames = self._measured = 0
        self._faults = dict.fromkeys((FRAMING, PARITY, BREAK, UNKNOWN_LEVEL), 0)
        self._off_squared = self._off_most = 0.0

    def feed(self, times_s: Times, levels: npt.NDArray[np.int8], *, until_s: float) -> UartBytes:
        """The bytes that these changes complete. Levels: 0, 1, and -1 where nobody knows; `until_s`: known till then.

        Raises ConfigError for a wrong or an unclear rate.
        """
        fresh = self._levels.edges(times_s, levels)
        self._edges = np.concatenate((self._edges, fresh))
        self._known_s = max(self._known_s, until_s)
        if not self._bit_s and self._edges.size < _HELD_EDGES:
            return _no_bytes()
        return self._decode(is_end=False)

    def settle(self, hint_baud: float) -> UartBytes:
        """Stop waiting for more edges, and take this rate where none was given: the other direction has it."""
        is_waiting = self._edges.size and not self._bit_s
        return self._decode(is_end=False, hint_baud=hint_baud) if is_waiting else _no_bytes()

    def finish(self, *, hint_baud: float | None = None) -> UartBytes:
        """The bytes that are left: behind its last edge the line is taken to stay as it was. For the hint see `settle`.

        Raises ConfigError for a wrong or an unclear rate.
        """
        return self._decode(is_end=True, hint_baud=hint_baud) if self._edges.size else _no_bytes()

    @property
    def has_rate(self) -> bool:
        """Whether the rate is certain."""
        return self._bit_s > 0.0

    @property
    def edges_held(self) -> int:
        """How many edges wait for the rate to be certain."""
        return 0 if self._bit_s else self._edges.size

    @property
    def horizon_s(self) -> float:
        """All bytes that began before this time were given out."""
        if not self._bit_s:
            return float(self._edges[0]) if self._edges.size else self._known_s
        return min(self._known_s, float(self._edges[0])) if self._edges.size else self._known_s

    @property
    def report(self) -> UartReport:
        """The account so far."""
        baud = 1.0 / self._bit_s if self._bit_s else math.nan
        given = self._settings.baud
        return UartReport(
            baud=baud,
            clock_error=baud / given - 1.0 if given and self._bit_s else None,
            frames=self._frames,
            framing_errors=self._faults[FRAMING],
            parity_errors=self._faults[PARITY],
            breaks=self._faults[BREAK],
            unknown_levels=self._faults[UNKNOWN_LEVEL],
            glitches=self._glitches,
            skipped_edges=self._skipped,
            cut_bytes=self._cut,
            may_begin_inside=self._frames > 0 and self._rested_s < (self._settings.frame_bits - 1.5) * self._bit_s,
            jitter_rms_bits=math.sqrt(self._off_squared / max(1, self._measured)),
            jitter_most_bits=self._off_most,
        )

    def _decode(self, *, is_end: bool, hint_baud: float | None = None) -> UartBytes:
        until_s = math.inf if is_end and self._rests else self._known_s
        if not self._bit_s:
            self._begin(until_s, hint_baud)
        shortest_s = GLITCH_SHARE * self._bit_s
        settled = self._edges.size
        if not is_end and settled and self._known_s - self._edges[-1] < shortest_s:
            settled = _settled(self._edges, shortest_s=shortest_s)
        held = self._edges[settled:]
        edges, glitches = without_glitches(self._edges[:settled], shortest_s=shortest_s)
        frames = cut_frames(
            edges,
            bit_s=self._bit_s,
            settings=self._settings,
            free_s=self._free_s,
            until_s=float(held[0]) if held.size else until_s,
        )
        self._glitches += glitches
        self._free_s = frames.free_s
        self._edges = np.concatenate((_carried(edges, frames), held))
        if is_end:
            self._cut += frames.cut < edges.size
        return self._account(frames)

    @property
    def _rests(self) -> bool:
        return self._edges.size % 2 == 0  # they begin with one towards active

    def _begin(self, until_s: float, hint_baud: float | None) -> None:
        self._rested_s = self._levels.rested_s
        fit = find_rate(
            self._edges[:_HELD_EDGES],
            settings=replace(self._settings, baud=self._settings.baud or hint_baud),
            rested_s=self._rested_s,
            active_s=self._levels.active_s,
            until_s=until_s if self._edges.size <= _HELD_EDGES else float(self._edges[_HELD_EDGES - 1]),
            name=self._name,
        )
        self._bit_s = fit.bit_s
        edges, self._glitches = without_glitches(self._edges, shortest_s=GLITCH_SHARE * fit.bit_s)
        self._edges = edges[fit.begin :]
        self._skipped = fit.begin
        if fit.begin and fit.begin < edges.size:
            self._rested_s = max(self._rested_s, float(edges[fit.begin] - edges[fit.begin - 1]))

    def _account(self, frames: Frames) -> UartBytes:
        faults = self._levels.mark_unknown(frames, frame_s=self._settings.frame_bits * self._bit_s)
        for fault in self._faults:
            self._faults[fault] += int(np.count_nonzero(faults & fault))
        self._frames += faults.size
        self._glitches += frames.false_starts
        self._measured += frames.edges
        self._off_squared += frames.off_squared
        self._off_most = max(self._off_most, frames.off_most)
        return UartBytes(frames.times_s, frames.values, faults)


class _Levels:
    """Turns levels into edges: the first one leaves the rest, every other one goes back to it."""

    def __init__(self, *, rest: int) -> None:
        self.active_s = self.rested_s = 0.0
        self._rest = rest
        self._level = -1
        self._since_s = 0.0
        self._is_unknown = False
        self._unknown: list[tuple[float, float]] = []

    def edges(self, times_s: Times, levels: npt.NDArray[np.int8]) -> Times:
        """Times at which the level really changed; an unknown level is taken to be the one before."""
        if not times_s.size:
            return times_s
        is_known = levels >= 0
        if self._is_unknown or not is_known.all():
            self._note_unknown(times_s, is_known)
            times_s, levels = times_s[is_known], levels[is_known]
        if not times_s.size:
            return times_s
        if self._level < 0:
            self._level, self._since_s = int(levels[0]), float(times_s[0])
        before = np.concatenate((np.full(1, self._level, np.int8), levels[:-1]))
        found: Times = times_s[levels != before]
        if found.size and self._since_s > -math.inf:
            found = self._first(found)
        self._level = int(levels[-1])
        return found

    def _first(self, found: Times) -> Times:
        """Where the capture began with the active level, its end is no edge that a byte begins with."""
        if self._level != self._rest:
            self.active_s = float(found[0]) - self._since_s
            self._since_s = float(found[0])
            found = found[1:]
        if found.size:
            self.rested_s = float(found[0]) - self._since_s
            self._since_s = -math.inf
        return found

    def _note_unknown(self, times_s: Times, is_known: npt.NDArray[np.bool_]) -> None:
        for at_s, known in zip(times_s.tolist(), is_known.tolist(), strict=True):
            if self._is_unknown and known:
                self._unknown[-1] = (self._unknown[-1][0], at_s)
            elif not known and not self._is_unknown:
                self._unknown.append((at_s, math.inf))
            self._is_unknown = not known

    def mark_unknown(self, frames: Frames, *, frame_s: float) -> npt.NDArray[np.uint8]:
        """The faults of frames, with those added that have a stretch of unknown level in them."""
        faults = frames.faults
        for begin_s, end_s in self._unknown:
            within = (frames.times_s < end_s) & (frames.times_s + frame_s > begin_s)
            faults = np.where(within, faults | UNKNOWN_LEVEL, faults)
        if frames.times_s.size:
            self._unknown = [(begin, end) for begin, end in self._unknown if end > frames.times_s[-1]]
        return faults


def _settled(edges: Times, *, shortest_s: float) -> int:
    """How many edges have a known successor; those of a glitch that may go on are not among them."""
    last = edges.size - 1
    while last > 0 and edges[last] - edges[last - 1] < shortest_s:
        last -= 1
    return max(0, last)


def _carried(edges: Times, frames: Frames) -> Times:
    """What the next block needs: the frame that is not whole, or the fall behind which the line is still active."""
    if frames.cut < edges.size:
        return edges[frames.cut :]
    return edges[-1:] if edges.size % 2 else edges[:0]


def _no_bytes() -> UartBytes:
    return UartBytes(np.zeros(0), np.zeros(0, np.uint8), np.zeros(0, np.uint8))
