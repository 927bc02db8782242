"""Current traces as files: how a run keeps its own, and how one of any accepted form is read.

Owns which reader a file is for, by its first bytes. Must not know segments. What could not be measured - NaN,
overload (9.9E37 by SCPI-99), a null, a hole in the time stamps - is a gap in the recording that comes out.
"""

from __future__ import annotations

import errno
import os
import stat
from contextlib import suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from benchrig.errors import ConfigError, RecordError
from benchrig.journal import make_folder, reason, sync_folder
from benchrig.judge.recording import NO_SAMPLE, RangeUse, Recording
from benchrig.trace_readers.arrays import ArrayTrace, read_npy, read_npz, read_parquet
from benchrig.trace_readers.blocks import read_block
from benchrig.trace_readers.text import read_text
from benchrig.trace_readers.time_axis import on_grid

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    import numpy.typing as npt

    from benchrig.bench.recorder import CurrentTrace
    from benchrig.judge.uncertainty import AccuracyTerms

_SHORTEST_S, _LONGEST_S = 1e-9, 1e6
"""From a fast converter to a sample in eleven days: what is beyond stands in another unit. Own choice."""

_NUMPY, _ZIP, _PARQUET = b"\x93NUMPY", b"PK", b"PAR1"


@dataclass(frozen=True, slots=True, eq=False)
class TraceFile:
    """A trace from a file. `form` says which reader it was for, `notes` what was taken for granted or filled in."""

    path: Path
    form: str
    recording: Recording
    start_s: float
    notes: tuple[str, ...]


def read_trace(
    path: Path,
    *,
    interval_s: float | None = None,
    column: str | None = None,
    range_a: float | None = None,
    accuracy: AccuracyTerms | None = None,
    encoding: str | None = None,
) -> TraceFile:
    """Read a trace of any accepted form.

    `interval_s` for files without time, `column` where several could be the current, `range_a` with `accuracy` if
    the recorder's range is known, `encoding` of a binary block. Raises ConfigError naming file, line and column.
    """
    data = _bytes_of(path)
    form, found, lines = _read(data, column=column, encoding=encoding, file=str(path))
    if found.current.size == 0:
        raise ConfigError(f"trace {path}: no sample in it; accepted: one or more")
    return _trace_file(path, form, found, lines=lines, given_s=interval_s, range_a=range_a, accuracy=accuracy)


def _bytes_of(path: Path) -> bytes:
    """All of a regular file: a device may never end, and a pipe may never begin. Raises ConfigError."""
    try:
        if not stat.S_ISREG(path.stat().st_mode):
            raise ConfigError(f"trace {path}: is a folder, a device or a pipe; accepted: a file; check the path")
        data = path.read_bytes()
    except (OSError, ValueError) as wrong:  # a name that no file can have is a ValueError
        told = wrong.strerror if isinstance(wrong, OSError) else ""
        raise ConfigError(f"trace {path}: cannot be read: {told or wrong}; check the path") from wrong
    except MemoryError as wrong:
        raise ConfigError(f"trace {path}: is larger than the memory; cut it into parts, and read each") from wrong
    if not data:
        raise ConfigError(f"trace {path}: the file is empty; accepted: one or more samples; record it again")
    return data


def _read(
    data: bytes, *, column: str | None, encoding: str | None, file: str
) -> tuple[str, ArrayTrace, Sequence[int] | None]:
    """Form, what the file says, and the lines of its samples where it has lines."""
    if data.startswith(_NUMPY):
        return "NumPy array", read_npy(data, column=column, file=file), None
    if data.startswith(_ZIP):
        return "NumPy archive", read_npz(data, column=column, file=file), None
    if data.startswith(_PARQUET):
        return "Parquet", read_parquet(data, column=column, file=file), None
    if data[:1] == b"#" and data[1:2].isdigit():
        samples, notes = read_block(data, encoding=encoding, file=file)
        return "IEEE 488.2 block", ArrayTrace(samples.values, samples.invalid, notes=notes), None
    table = read_text(data, column=column, file=file)
    return "text", ArrayTrace(table.current, time=table.time, notes=table.picked.notes), table.lines


def _trace_file(
    path: Path,
    form: str,
    found: ArrayTrace,
    *,
    lines: Sequence[int] | None,
    given_s: float | None,
    range_a: float | None,
    accuracy: AccuracyTerms | None,
) -> TraceFile:
    values, notes, start_s = found.current, list(found.notes), found.start_s
    if found.invalid is not None:
        values = np.where(found.invalid, np.nan, values)
    interval_s = _agreed(found.interval_s, given_s, path)
    if found.time is not None:
        grid = on_grid(found.time, values, interval_s=interval_s, lines=lines, file=str(path))
        values, interval_s, start_s = grid.values, grid.interval_s, grid.start_s
        _check_interval(interval_s, path)
        notes += grid.notes
    if not np.isfinite(start_s):
        raise ConfigError(f"trace {path}: it begins at {start_s!r} s; accepted: a finite time; look at start_s in it")
    if interval_s is None:
        raise ConfigError(f"trace {path}: no time column and no interval in the file; say it (--interval S)")
    ranges = _ranges(found.range_a if range_a is None else range_a, accuracy, path)
    return TraceFile(path, form, _recording(values, interval_s, ranges), start_s, tuple(notes))


def _agreed(in_file_s: float | None, given_s: float | None, path: Path) -> float | None:
    for value_s in (in_file_s, given_s):
        if value_s is not None:
            _check_interval(value_s, path)
    if in_file_s is not None and given_s is not None and abs(given_s - in_file_s) > 0.01 * in_file_s:
        raise ConfigError(f"trace {path}: its own interval is {in_file_s:g} s, not {given_s:g} s; leave it out")
    return in_file_s or given_s


def _check_interval(interval_s: float, path: Path) -> None:
    if not _SHORTEST_S <= interval_s <= _LONGEST_S:
        raise ConfigError(
            f"trace {path}: an interval of {float(interval_s)!r} s; accepted: {_SHORTEST_S:g} to {_LONGEST_S:g} s; "
            "look at its unit, or at that of the time column"
        )


def _ranges(range_a: float | None, accuracy: AccuracyTerms | None, path: Path) -> tuple[RangeUse, ...]:
    if range_a is None:
        return ()
    try:
        return (RangeUse(0, range_a=range_a, accuracy=accuracy) if accuracy else RangeUse(0, range_a=range_a),)
    except ValueError as wrong:
        raise ConfigError(f"trace {path}: {wrong}") from wrong


def _recording(values: npt.NDArray[np.floating], interval_s: float, ranges: tuple[RangeUse, ...]) -> Recording:
    """Samples as binary32. What is no current is NaN there: a number beyond its range would be an infinity."""
    with np.errstate(invalid="ignore"):  # a signalling NaN is a NaN
        missing = ~(np.abs(values) < NO_SAMPLE)
    samples = np.where(missing, np.float32("nan"), values).astype(np.float32, copy=False)
    return Recording.of_marks(samples, missing, interval_s=interval_s, ranges=ranges)


def write_trace(path: Path, trace: CurrentTrace) -> None:
    """Write a trace as NumPy's own archive: whole or not at all, never over another one. Raises RecordError."""
    partial = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        make_folder(path.parent)
        try:
            if path.exists():
                raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), str(path))
            _write_synced(partial, trace)
            partial.replace(path)
        finally:
            with suppress(OSError):
                partial.unlink(missing_ok=True)
        sync_folder(path.parent)
    except OSError as wrong:
        raise RecordError(f"trace {path}: cannot be written: {reason(wrong)}") from wrong


def _write_synced(partial: Path, trace: CurrentTrace) -> None:
    with partial.open("wb") as file:
        np.savez(
            file,
            current_a=trace.samples.values,
            invalid=trace.samples.invalid,
            interval_s=np.float64(trace.interval_s),
            start_s=np.float64(trace.start_s),
            range_a=np.float64(trace.range_a),
        )
        file.flush()
        os.fsync(file.fileno())
