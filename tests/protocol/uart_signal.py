"""A serial signal as a generator makes it, and a second way to read one: level by level, byte by byte.

Neither shares a line with the decoder under test.
"""

from __future__ import annotations

import bisect
import random
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

Changes = tuple[npt.NDArray[np.float64], npt.NDArray[np.int8]]


@dataclass
class Signal:
    """A line that rests and is driven bit by bit. `rate_error`: how much faster the sender's clock is."""

    baud: float = 115200.0
    data_bits: int = 8
    parity: str = "none"
    stop_bits: int = 1
    inverted: bool = False
    rate_error: float = 0.0
    jitter_bits: float = 0.0
    seed: int = 1
    now_s: float = 0.0
    edges: list[tuple[float, int]] = field(default_factory=list)

    def __post_init__(self) -> None:
        self._random = random.Random(self.seed)
        self._level = 1
        self.edges.append((self.now_s, self._shown(1)))

    @property
    def bit_s(self) -> float:
        """How long the sender makes a bit."""
        return 1.0 / (self.baud * (1.0 + self.rate_error))

    def rest(self, bits: float) -> Signal:
        """Leave the line at rest."""
        self.now_s += bits * self.bit_s
        return self

    def send(self, data: bytes, *, gap_bits: float = 0.0, stop_level: int = 1) -> Signal:
        """Send bytes, each with its frame, and rest between them."""
        for byte in data:
            for level in self._frame(byte, stop_level):
                self.drive(level, bits=1.0)
            self.drive(1, bits=gap_bits)
        return self

    def drive(self, level: int, *, bits: float) -> Signal:
        """Hold a level."""
        if bits > 0.0 and level != self._level:
            off = self._random.uniform(-self.jitter_bits, self.jitter_bits) * self.bit_s
            self.edges.append((self.now_s + off, self._shown(level)))
            self._level = level
        self.now_s += bits * self.bit_s
        return self

    def changes(self) -> Changes:
        """Times and levels."""
        times, levels = zip(*self.edges, strict=True)
        return np.array(times), np.array(levels, np.int8)

    def _frame(self, byte: int, stop_level: int) -> list[int]:
        data = [byte >> place & 1 for place in range(self.data_bits)]
        odd = sum(data) % 2
        parity = {"none": [], "even": [odd], "odd": [1 - odd]}[self.parity]
        return [0, *data, *parity, *[stop_level] * self.stop_bits]

    def _shown(self, level: int) -> int:
        return 1 - level if self.inverted else level


def read_slowly(changes: Changes, *, bit_s: float, data_bits: int = 8) -> list[tuple[float, int, bool]]:
    """Time, byte and whether the stop bit was there: the level is looked up at the centre of each bit, one by one."""
    times, levels = changes[0].tolist(), changes[1].tolist()

    def level(at_s: float) -> int:
        return int(levels[max(0, bisect.bisect_right(times, at_s) - 1)])

    found: list[tuple[float, int, bool]] = []
    index, free_s = 1, float("-inf")
    while index < len(times):
        at_s = times[index]
        if levels[index] == 0 and levels[index - 1] == 1 and at_s >= free_s and level(at_s + 0.5 * bit_s) == 0:
            bits = [level(at_s + (place + 0.5) * bit_s) for place in range(1, data_bits + 2)]
            byte = sum(bit << place for place, bit in enumerate(bits[:-1]))
            found.append((at_s, byte, bits[-1] == 1))
            free_s = at_s + (data_bits + 1.5) * bit_s
        index += 1
    return found
