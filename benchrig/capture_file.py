"""A capture of a serial line as a file: value change dump in, bytes with times out, in blocks of any file's size.

Owns reading the file piece by piece, and putting the bytes of two lines into one order. Knows nothing of what is said.
"""

from __future__ import annotations

import itertools
import stat
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from benchrig.errors import ConfigError
from benchrig.protocol.uart_edges import UartDecoder, UartReport, UartSettings
from benchrig.protocol.vcd import VcdReader

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

    import numpy.typing as npt

    from benchrig.protocol.uart_edges import UartBytes
    from benchrig.protocol.vcd import Changes

MOST_LINES = 2
_BLOCK_BYTES = 1 << 20
_ARENA_BYTES = 1 << 24
_LONGEST_WAIT_S = 10.0
"""So long one line waits for the other one's rate; then it takes its own for both. Own choice."""


@dataclass(frozen=True, slots=True, eq=False)
class CapturedBytes:
    """Bytes of one or two lines in the order in which they began. `lines` counts the signals from 0.

    Times in seconds from the beginning of the capture's own time; faults as in `UartBytes`.
    """

    times_s: npt.NDArray[np.float64]
    lines: npt.NDArray[np.int8]
    values: npt.NDArray[np.uint8]
    faults: npt.NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class CapturedLine:
    """A signal of the capture, by its whole name, and how it was read."""

    name: str
    report: UartReport


class Capture:
    """Reads one capture, once. Memory stays flat, whatever the size of the file."""

    def __init__(self, path: Path, *, signals: Sequence[str] = (), settings: UartSettings | None = None) -> None:
        """`signals`: one or two of the capture, see `benchrig.protocol.vcd_header.choose`; none: all that there are."""
        self.path = path
        self.until_s = 0.0
        self._settings = settings or UartSettings()
        self._reader = VcdReader(f"capture {path}", signals=signals, most=MOST_LINES)
        self._changes = self._read()
        self._first: list[Changes] = []
        self._decoders: list[UartDecoder] = []
        self._waiting: list[list[UartBytes]] = []

    def blocks(self) -> Iterator[CapturedBytes]:
        """The bytes, oldest first. Raises ConfigError for a file that cannot be used, with what to do."""
        self.open()
        _keep_pages()
        for changes in itertools.chain(self._first, self._changes):
            yield self._taken(changes)
        yield self._finish()

    def open(self) -> None:
        """Read until the signals are known; a second call does nothing. Raises ConfigError as `blocks` does."""
        while not self._decoders:
            self._first = [next(self._changes)]  # before the signals are known, nothing changes
            names = [f"capture {self.path}, signal {variable.name}" for variable in self._reader.chosen]
            self._decoders = [UartDecoder(self._settings, name=name) for name in names]
            self._waiting = [[] for _ in names]

    def _read(self) -> Iterator[Changes]:
        for piece in _pieces(self.path):
            yield self._reader.feed(piece)
        yield self._reader.finish()

    @property
    def lines(self) -> tuple[CapturedLine, ...]:
        """The signals and how they were read, as far as blocks were taken."""
        pairs = zip(self._reader.chosen, self._decoders, strict=False)
        return tuple(CapturedLine(variable.name, decoder.report) for variable, decoder in pairs)

    def _taken(self, changes: Changes) -> CapturedBytes:
        tick_s = self._reader.header.seconds_per_tick if self._reader.header else 0.0
        times_s = changes.ticks * tick_s
        self.until_s = until_s = changes.until * tick_s
        for number, decoder in enumerate(self._decoders):
            own = changes.signals == number
            self._waiting[number].append(decoder.feed(times_s[own], changes.levels[own], until_s=until_s))
        self._settle(until_s)
        return self._before(min(decoder.horizon_s for decoder in self._decoders))

    def _settle(self, until_s: float) -> None:
        """Keep a line that says little from holding back the other one."""
        sure = next((decoder.report.baud for decoder in self._decoders if decoder.has_rate), None)
        for waiting, decoder in zip(self._waiting, self._decoders, strict=True):
            if sure and not decoder.has_rate and until_s - decoder.horizon_s > _LONGEST_WAIT_S:
                waiting.append(decoder.settle(sure))

    def _finish(self) -> CapturedBytes:
        sure: float | None = next((decoder.report.baud for decoder in self._decoders if decoder.has_rate), None)
        pairs = list(zip(self._waiting, self._decoders, strict=True))
        for waiting, decoder in sorted(pairs, key=lambda pair: -pair[1].edges_held):
            waiting.append(decoder.finish(hint_baud=sure))
            if sure is None and decoder.has_rate:
                sure = decoder.report.baud
        if not any(decoder.has_rate for decoder in self._decoders):
            names = ", ".join(variable.name for variable in self._reader.chosen)
            raise ConfigError(
                f"capture {self.path}: no edge on {names}: nothing was sent, or the probe was not connected; "
                "look at the wiring, or name other signals"
            )
        return self._before(np.inf)

    def _before(self, horizon_s: float) -> CapturedBytes:
        """All bytes that began before this time; the others wait."""
        ready: list[tuple[int, UartBytes]] = []
        for number, waiting in enumerate(self._waiting):
            later: list[UartBytes] = []
            for block in waiting:
                count = int(np.searchsorted(block.times_s, horizon_s))
                ready.append((number, block[:count]))
                if count < block.times_s.size:
                    later.append(block[count:])
            self._waiting[number] = later
        return _in_order(ready)


def read_capture(
    path: Path, *, signals: Sequence[str] = (), settings: UartSettings | None = None
) -> tuple[CapturedBytes, tuple[CapturedLine, ...]]:
    """All bytes of a capture, and how each line was read. `Capture` gives them block by block.

    Raises ConfigError for a file that cannot be used, with what to do.
    """
    capture = Capture(path, signals=signals, settings=settings)
    blocks = list(capture.blocks())
    whole = CapturedBytes(
        *(
            np.concatenate([getattr(block, name) for block in blocks])
            for name in ("times_s", "lines", "values", "faults")
        )
    )
    return whole, capture.lines


def _keep_pages() -> None:
    """Take and give back a large array, untouched.

    The C library then keeps what the arrays of a block give back, for those of the next one (glibc raises its
    thresholds to the largest block that was freed: mallopt(3)). Without it a third of the time goes into new pages.
    """
    np.empty(_ARENA_BYTES, np.uint8)


def _pieces(path: Path) -> Iterator[bytes]:
    try:
        if not stat.S_ISREG(path.stat().st_mode):
            raise ConfigError(f"capture {path}: cannot be read: a folder, a device or a pipe; give a file (.vcd)")
        with path.open("rb") as file:
            while piece := file.read(_BLOCK_BYTES):
                yield piece
    except FileNotFoundError:
        raise ConfigError(f"capture {path}: there is no such file; give a value change dump (.vcd)") from None
    except (OSError, ValueError) as wrong:  # a name that no file can have is a ValueError
        raise ConfigError(f"capture {path}: cannot be read: {wrong}; check the path") from wrong


def _in_order(blocks: list[tuple[int, UartBytes]]) -> CapturedBytes:
    times_s = np.concatenate([np.zeros(0), *(block.times_s for _, block in blocks)])
    order = np.argsort(times_s, kind="stable")
    nothing = np.zeros(0, np.uint8)
    numbers = [np.full(block.times_s.size, number, np.int8) for number, block in blocks]
    return CapturedBytes(
        times_s[order],
        np.concatenate([np.zeros(0, np.int8), *numbers])[order],
        np.concatenate([nothing, *(block.values for _, block in blocks)])[order],
        np.concatenate([nothing, *(block.faults for _, block in blocks)])[order],
    )
