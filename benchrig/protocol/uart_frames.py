"""Frames of an asynchronous line out of the times of its edges, once the length of a bit is known.

Owns the form of a frame and how it is sampled: every bit at its centre, counted from the edge that began the start
bit. Must not know where edges come from, nor how the length of a bit was found (`uart_rate`). Start bit, data from
the least significant bit on, parity and stop bits as TIA-232-F and every UART have it (from memory). Sampling at the
centres lets both clocks be off by 5.26 % together for ten bits (0.5 / 9.5, arithmetic).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from benchrig.errors import ConfigError

if TYPE_CHECKING:
    import numpy.typing as npt

    Times = npt.NDArray[np.float64]
    Indexes = npt.NDArray[np.intp]

FRAMING = 1
"""A stop bit was not there."""

PARITY = 2
BREAK = 4
"""The line stayed active for the whole of a frame: nobody sends that as a byte."""

UNKNOWN_LEVEL = 8
"""The capture does not say what the level was in a part of the frame."""

PARITIES = ("none", "even", "odd")
DATA_BITS = (7, 8)
STOP_BITS = (1, 2)

_MOST_FALLS = 12
"""Twice as many as a frame can have: with more of them inside, it is noise."""

GLITCH_SHARE = 0.25
"""Pulses shorter than this share of a bit are no signal: own choice, half of what a start bit must last."""


@dataclass(frozen=True, slots=True, kw_only=True)
class UartSettings:
    """How bytes stand on the line. `baud` None: it is estimated. `inverted`: the line rests low. Raises ConfigError."""

    baud: float | None = None
    data_bits: int = 8
    parity: str = "none"
    stop_bits: int = 1
    inverted: bool = False

    def __post_init__(self) -> None:
        problems = tuple(
            f"{name} {value!r}; accepted: {', '.join(map(str, accepted))}"
            for name, value, accepted in (
                ("data bits", self.data_bits, DATA_BITS),
                ("parity", self.parity, PARITIES),
                ("stop bits", self.stop_bits, STOP_BITS),
            )
            if value not in accepted
        )
        if self.baud is not None and not 1.0 <= self.baud <= 1e9:
            problems += (f"baud {self.baud!r}; accepted: 1 to 1e9 bits a second, or none, to have it estimated",)
        if problems:
            raise ConfigError("serial line: " + "; ".join(problems), problems)

    @property
    def frame_bits(self) -> int:
        """Bits of a frame: start, data, parity, stop."""
        return 1 + self.data_bits + (self.parity != "none") + self.stop_bits

    def __str__(self) -> str:
        return f"{self.data_bits}{self.parity[0].upper()}{self.stop_bits}"


class Frames(NamedTuple):
    """Frames in order: the index of the edge that began each, its time, its byte and what was wrong with it.

    `off_squared` and `off_most`: how far edges stood from where they belong, in bits; `edges` of them were looked at.
    `longer`: by which share bits were longer than was taken, least squares over the same edges.
    `false_starts`: pulses too short for a start bit. `cut`: the index of a start whose frame is not yet whole, or the
    number of edges. `free_s`: no frame begins before this time.
    """

    starts: Indexes
    times_s: Times
    values: npt.NDArray[np.uint8]
    faults: npt.NDArray[np.uint8]
    edges: int = 0
    off_squared: float = 0.0
    off_most: float = 0.0
    longer: float = 0.0
    false_starts: int = 0
    cut: int = 0
    free_s: float = 0.0

    @property
    def bad(self) -> int:
        """How many frames cannot be believed."""
        return int(np.count_nonzero(self.faults))


def cut_frames(times_s: Times, *, bit_s: float, settings: UartSettings, free_s: float, until_s: float) -> Frames:
    """The frames that are whole at `until_s`.

    `times_s` are edges, the first one towards active, every other one back to rest. No frame begins before `free_s`.
    """
    falls, rises = times_s[0::2], times_s[1::2]
    last_centre_s = (settings.frame_bits - 0.5) * bit_s
    own = np.arange(falls.size)
    following = _following(falls, own, last_centre_s)
    is_false = np.zeros(falls.size, np.bool_)
    is_false[: rises.size] = rises - falls[: rises.size] < 0.5 * bit_s
    following[is_false] = own[is_false] + 1
    first = int(np.searchsorted(falls, free_s))
    chain = _chain(following, first)
    whole = falls[chain] + np.where(is_false[chain], 0.0, last_centre_s) <= until_s
    count = int(np.argmin(whole)) if not whole.all() else chain.size
    cut = int(chain[count]) * 2 if count < chain.size else times_s.size
    false_starts = int(np.count_nonzero(is_false[chain[:count]]))
    chain = chain[:count][~is_false[chain[:count]]]
    end_s = float(falls[chain[-1]]) + last_centre_s if chain.size else free_s
    found = _read(times_s[:cut], chain * 2, bit_s=bit_s, settings=settings)
    return found._replace(false_starts=false_starts, cut=cut, free_s=max(free_s, end_s))


def _following(falls: Times, own: Indexes, length_s: float) -> Indexes:
    """For each fall the first one that comes so much later: searched step by step, since a frame has few of them."""
    ends = falls + length_s
    found = own + 1
    for step in range(1, _MOST_FALLS):
        is_inside = falls[step:] < ends[: falls.size - step]
        if not is_inside.any():
            return found
        found[: falls.size - step] += is_inside
    return np.searchsorted(falls, ends)


def _chain(following: Indexes, first: int) -> Indexes:
    """The edges that begin frames: from each the next one that comes when the frame is over."""
    nexts = following.tolist()
    marks = bytearray(len(nexts))
    at, end = first, len(nexts)
    while at < end:
        marks[at] = 1
        at = nexts[at]
    return np.flatnonzero(np.frombuffer(marks, np.uint8))


def _read(times_s: Times, starts: Indexes, *, bit_s: float, settings: UartSettings) -> Frames:
    """What the frames say: an edge turns over every bit whose centre comes behind it."""
    if not starts.size:
        nothing = np.zeros(0, np.uint8)
        return Frames(starts, times_s[:0], nothing, nothing)
    bits = settings.frame_bits
    begin = int(starts[0])
    counts = np.diff(starts, append=times_s.size)
    places = (times_s[begin:] - np.repeat(times_s[starts], counts)) / bit_s
    turned = np.minimum(np.ceil(places - 0.5), bits)
    turns = _TURNS[bits][turned.astype(np.intp)]
    words = np.bitwise_xor.reduceat(turns, starts - begin) ^ _TURNS[bits][0]
    inside = turned < bits
    off = (places - turned) * inside
    weight = turned * inside
    values = ((words >> 1) & ((1 << settings.data_bits) - 1)).astype(np.uint8)
    return Frames(
        starts=starts,
        times_s=times_s[starts],
        values=values,
        faults=_faults(words, settings),
        edges=int(np.count_nonzero(inside)) - starts.size,
        off_squared=_product(off, off),
        off_most=float(np.abs(off).max()),
        longer=_product(off, weight) / max(1.0, _product(weight, weight)),
    )


def _product(one: Times, other: Times) -> float:
    """The inner product; `@` would wake threads for it."""
    return float(np.einsum("i,i->", one, other))


def _turns(bits: int) -> npt.NDArray[np.uint16]:
    """For an edge before the centre of bit n: all bits from n on."""
    whole = (1 << bits) - 1
    return np.array([whole & ~((1 << place) - 1) for place in range(bits + 1)], np.uint16)


_TURNS = {bits: _turns(bits) for bits in range(9, 13)}


def _faults(words: npt.NDArray[np.uint16], settings: UartSettings) -> npt.NDArray[np.uint8]:
    stops = ((1 << settings.stop_bits) - 1) << (settings.frame_bits - settings.stop_bits)
    no_stop = (words & stops) != stops
    faults = np.where(no_stop, np.where(words == 0, BREAK, FRAMING), 0).astype(np.uint8)
    if settings.parity != "none":
        protected = (words >> 1) & ((1 << (settings.data_bits + 1)) - 1)
        for shift in (8, 4, 2, 1):  # folds all bits onto the lowest one: their sum modulo two
            protected = protected ^ (protected >> shift)
        is_odd = protected & 1 == 1
        faults[(is_odd != (settings.parity == "odd")) & (faults == 0)] |= PARITY
    return faults


def without_glitches(times_s: Times, *, shortest_s: float) -> tuple[Times, int]:
    """The edges without pulses shorter than `shortest_s`, and how many such pulses there were.

    Where a line rings, pulse behind pulse, its first edge counts if the level changed in the end, and none if not.
    """
    is_short = np.diff(times_s) < shortest_s
    if not is_short.any():
        return times_s, 0
    borders = np.flatnonzero(np.diff(np.concatenate(([False], is_short, [False])).astype(np.int8)))
    kept = np.ones(times_s.size, np.bool_)
    glitches = 0
    for begin, end in zip(borders[0::2].tolist(), borders[1::2].tolist(), strict=True):
        pulses = end - begin  # and one more edge
        kept[begin + (pulses % 2 == 0) : end + 1] = False
        glitches += pulses
    return times_s[kept], glitches
