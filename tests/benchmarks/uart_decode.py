"""What decoding a long capture costs, as a ratio to a bare pass over its lines: python tests/benchmarks/uart_decode.py

    python tests/benchmarks/uart_decode.py [edges]

A value change dump of 10 million edges (200 MB) with random bytes at 115200 baud in picoseconds is written to a
temporary folder. Timed is all from the file to the bytes with their times, the rate estimated, against `for line in
file: pass` over the same file in binary mode; rounds of both are interleaved and compared by their medians, in time of
this process on a core. Memory is the peak of all allocations, for the whole capture and for its first tenth: when it
is flat, they are the same. The bytes are held against those that were sent. Exit status 1 when a bound is broken.
"""

from __future__ import annotations

import hashlib
import statistics
import sys
import tempfile
import time
import tracemalloc
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from benchrig.capture_file import Capture

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

_EDGES = 10_000_000
_ROUNDS = 3
_BYTES_AT_ONCE = 50_000
_BIT_PS = 1e12 / 115200
_HEAD = b"$timescale 1 ps $end\n$scope module probe $end\n$var wire 1 ! tx $end\n$upscope $end\n$enddefinitions $end\n"

RATIO_BOUND, MEMORY_BOUND, MEMORY_BOUND_BYTES = 3.0, 1.2, 64e6


def _edges_of(values: bytes, *, begin_ps: float) -> list[int]:
    """Times of all edges of these bytes, sent without pauses but for a bit and a half behind each."""
    bits = np.unpackbits(np.frombuffer(values, np.uint8)[:, None], axis=1, bitorder="little")
    frames = np.hstack([np.zeros((len(values), 1), np.uint8), bits, np.ones((len(values), 1), np.uint8)])
    before = np.hstack([np.ones((len(values), 1), np.uint8), frames[:, :-1]])
    rows, places = np.nonzero(frames != before)
    found: list[int] = np.rint(begin_ps + (rows * 11.5 + places) * _BIT_PS).astype(np.int64).tolist()
    return found


def _pieces(edges: int) -> Iterator[tuple[bytes, bytes]]:
    """Text of the file, and the bytes that it stands for."""
    chance = np.random.default_rng(1)
    yield _HEAD + b"#0\n1!\n", b""
    count, level, begin_ps = 0, 1, 100 * _BIT_PS
    while count < edges:
        values = chance.integers(0, 256, _BYTES_AT_ONCE, np.uint8).tobytes()
        times = _edges_of(values, begin_ps=begin_ps)
        lines = []
        for at_ps in times:
            level = 1 - level
            lines.append(b"#%d\n%d!\n" % (at_ps, level))
        count += len(times)
        begin_ps += _BYTES_AT_ONCE * 11.5 * _BIT_PS
        yield b"".join(lines), values


def _write(path: Path, edges: int) -> str:
    """The hash of the bytes that were written as edges."""
    sent = hashlib.sha256()
    with path.open("wb") as file:
        for text, values in _pieces(edges):
            file.write(text)
            sent.update(values)
    return sent.hexdigest()


def _bare_pass(path: Path) -> None:
    with path.open("rb") as file:
        for _ in file:
            pass


def _decode(path: Path) -> str:
    found = hashlib.sha256()
    for block in Capture(path).blocks():
        found.update(block.values.tobytes())
    return found.hexdigest()


def _medians(*calls: Callable[[], object]) -> list[float]:
    times: list[list[float]] = [[] for _ in calls]
    for _ in range(_ROUNDS):
        for own, call in zip(times, calls, strict=True):
            begin_s = time.process_time()
            call()
            own.append(time.process_time() - begin_s)
    return [statistics.median(own) for own in times]


def _peak_bytes(call: Callable[[], object]) -> int:
    tracemalloc.start()
    call()
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    return peak


def _judge(name: str, found: float, bound: float) -> bool:
    print(f"{name}: {found:.3g} (bound {bound:.3g})")
    return found <= bound


def main() -> int:
    """Measure, print, and judge against the bounds."""
    edges = int(sys.argv[1]) if len(sys.argv) > 1 else _EDGES
    with tempfile.TemporaryDirectory() as folder:
        whole, tenth = Path(folder) / "whole.vcd", Path(folder) / "tenth.vcd"
        sent = _write(whole, edges)
        _write(tenth, edges // 10)
        is_right = _decode(whole) == sent
        bare_s, decode_s = _medians(lambda: _bare_pass(whole), lambda: _decode(whole))
        size = whole.stat().st_size
        print(f"{size / 1e6:.0f} MB, {edges} edges: bare pass {bare_s:.2f} s, decoded in {decode_s:.2f} s")
        peak, tenth_peak = _peak_bytes(lambda: _decode(whole)), _peak_bytes(lambda: _decode(tenth))
        kept = [
            _judge("decode / bare pass over the lines", decode_s / bare_s, RATIO_BOUND),
            _judge("peak memory, bytes", peak, MEMORY_BOUND_BYTES),
            _judge("peak memory / that of a tenth of the capture", peak / tenth_peak, MEMORY_BOUND),
        ]
    print(f"bytes: {'as sent' if is_right else 'NOT as sent'}")
    return 0 if all(kept) and is_right else 1


if __name__ == "__main__":
    sys.exit(main())
