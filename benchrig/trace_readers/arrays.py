"""Traces as arrays: NumPy's own files, and Parquet, whose library is an extra.

Owns how columns come out of such files. Must not know what they mean beyond `columns`. Nothing pickled is read: a
file from elsewhere must not run code here.
"""

from __future__ import annotations

import io
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from benchrig.errors import ConfigError
from benchrig.trace_readers.columns import pick, pick_by_place, shortened

if TYPE_CHECKING:
    from collections.abc import Mapping

    import numpy.typing as npt

    Floats = npt.NDArray[np.floating]
    Column = npt.NDArray[Any]

_SCALARS = ("interval_s", "start_s", "range_a")
"""What this project writes into an archive beside the samples."""

_SHOWN_MEMBERS = 4
_SHOWN_REASON = 160

_INSTALL = "pip install 'benchrig[parquet]'"


@dataclass(frozen=True, slots=True)
class ArrayTrace:
    """What such a file says: currents in ampere, marks of what was not measured, and as much of the time as it has."""

    current: Floats
    invalid: npt.NDArray[np.bool_] | None = None
    time: Floats | None = None
    interval_s: float | None = None
    start_s: float = 0.0
    range_a: float | None = None
    notes: tuple[str, ...] = ()


def read_npy(data: bytes, *, column: str | None, file: str) -> ArrayTrace:
    """A row of samples, rows of (time, current), or a structured array with named fields. Raises ConfigError."""
    array = _loaded(io.BytesIO(data), file)
    if array.dtype.names:
        return _named({name: array[name] for name in array.dtype.names}, column=column, file=file)
    if array.ndim == 1:
        return ArrayTrace(_numbers(array, "the array", file), notes=("no unit in the file: taken as ampere",))
    if array.ndim == 2:
        picked = pick_by_place(array.shape[1], file=file)
        time = None if picked.time is None else _numbers(array[:, picked.time], "column 1", file)
        return ArrayTrace(_numbers(array[:, picked.current], "the current", file), time=time, notes=picked.notes)
    raise ConfigError(f"trace {file}: an array of shape {array.shape}; accepted: a row of samples, or (time, current)")


def read_npz(data: bytes, *, column: str | None, file: str) -> ArrayTrace:
    """An archive as this project writes it, or any with a current among its arrays. Raises ConfigError."""
    try:
        with np.load(io.BytesIO(data), allow_pickle=False) as archive:
            members = {name: archive[name] for name in archive.files}
    except Exception as wrong:  # of a damaged file anything may come, from the tokenizer to the memory
        raise ConfigError(f"trace {file}: no NumPy archive that can be read ({_reason(wrong)})") from wrong
    # of a zip from elsewhere a member may be anything; what is no array comes as its bytes
    arrays: dict[str, Column] = {name: one for name, one in members.items() if isinstance(one, np.ndarray)}
    if not arrays:
        held = ", ".join(repr(shortened(name)) for name in [*members][:_SHOWN_MEMBERS]) or "nothing"
        raise ConfigError(
            f"trace {file}: a zip without a NumPy array, it holds {held}; accepted: an archive of NumPy (.npz); "
            "export a spreadsheet as text with columns"
        )
    rows = {name: one for name, one in arrays.items() if one.ndim == 1 and name not in _SCALARS}
    found = _named(rows, column=column, file=file)
    return ArrayTrace(
        found.current,
        invalid=_marks(arrays.get("invalid"), found.current.size, file),
        time=found.time,
        interval_s=_scalar(arrays, "interval_s", file),
        start_s=_scalar(arrays, "start_s", file) or 0.0,
        range_a=_scalar(arrays, "range_a", file),
        notes=found.notes,
    )


def _marks(marks: Column | None, count: int, file: str) -> npt.NDArray[np.bool_] | None:
    """Which samples were not measured. Raises ConfigError for marks that are not one for each sample."""
    if marks is None:
        return None
    if marks.shape != (count,) or marks.dtype.kind not in "biu":
        raise ConfigError(
            f"trace {file}: invalid is {marks.dtype} of shape {marks.shape} for {count} samples; accepted: true or "
            "false for each of them, or no such array"
        )
    return marks.astype(np.bool_)


def read_parquet(data: bytes, *, column: str | None, file: str) -> ArrayTrace:
    """Columns of a Parquet file; nulls are gaps. Raises ConfigError, also when the library is not installed."""
    try:
        import pyarrow  # noqa: PLC0415  # an extra, and slow to load
        import pyarrow.parquet  # noqa: PLC0415
    except ImportError as wrong:
        raise ConfigError(f"trace {file}: Parquet files need one more library: {_INSTALL}") from wrong
    try:
        table = pyarrow.parquet.read_table(pyarrow.BufferReader(data))
        arrays = {name: _parquet_column(table.column(name)) for name in table.column_names}
    except Exception as wrong:  # of a damaged file anything may come
        raise ConfigError(f"trace {file}: no Parquet file that can be read ({_reason(wrong)})") from wrong
    return _named(arrays, column=column, file=file)


def _reason(wrong: Exception) -> str:
    """What a library said, as far as it belongs into a sentence."""
    return (next(iter(str(wrong).splitlines()), "") or type(wrong).__name__)[:_SHOWN_REASON]


def _parquet_column(chunks: Any) -> Column:  # of a library that ships no types
    return np.asarray(chunks.to_numpy())


def _loaded(stream: io.BytesIO, file: str) -> Column:
    try:
        return np.asarray(np.lib.format.read_array(stream, allow_pickle=False))
    except Exception as wrong:  # of a damaged file anything may come, from the tokenizer to the memory
        raise ConfigError(f"trace {file}: no NumPy file that can be read ({_reason(wrong)}); write it again") from wrong


def _named(arrays: Mapping[str, Column], *, column: str | None, file: str) -> ArrayTrace:
    names = [name for name in arrays if name != "invalid"]
    picked = pick(names, column=column, file=file)
    current = names[picked.current]
    time = None
    if picked.time is not None:
        name = names[picked.time]
        time = _scaled(_numbers(arrays[name], f"column {name!r}", file).astype(np.float64), picked.time_factor)
        if time.shape != arrays[current].shape:
            raise ConfigError(f"trace {file}: {time.size} times for {arrays[current].size} samples")
    values = _scaled(_numbers(arrays[current], f"column {current!r}", file), picked.current_factor)
    return ArrayTrace(values, time=time, notes=picked.notes)


def _numbers(array: Column, what: str, file: str) -> Floats:
    if array.dtype.kind not in "fiu" or array.ndim != 1:
        raise ConfigError(
            f"trace {file}: {what} holds {array.dtype} in {array.ndim} dimensions; accepted: numbers in one"
        )
    if array.dtype in (np.float32, np.float64):  # as it is: a long recording is not copied to twice its size
        return array
    return array.astype(np.float64)


def _scaled(values: Floats, factor: float) -> Floats:
    return values if factor == 1.0 else values * factor


def _scalar(arrays: Mapping[str, Column], name: str, file: str) -> float | None:
    array = arrays.get(name)
    if array is None:
        return None
    if array.size != 1 or array.dtype.kind not in "fiu":
        raise ConfigError(f"trace {file}: {name} is {array.dtype} of shape {array.shape}; accepted: one number")
    return float(array.reshape(()))
