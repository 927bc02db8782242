"""Keeps a current trace as a file: samples, which of them are invalid, interval, start, range."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from benchrig.errors import RecordError

if TYPE_CHECKING:
    from pathlib import Path

    from benchrig.bench.recorder import CurrentTrace


def write_trace(path: Path, trace: CurrentTrace) -> None:
    """Write a trace as NumPy's own archive. Raises RecordError."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with path.open("xb") as file:
            np.savez(
                file,
                current_a=trace.samples.values,
                invalid=trace.samples.invalid,
                interval_s=np.float64(trace.interval_s),
                start_s=np.float64(trace.start_s),
                range_a=np.float64(trace.range_a),
            )
    except OSError as wrong:
        raise RecordError(
            f"trace {path}: cannot be written: {wrong.strerror or wrong}; free space, run again"
        ) from wrong
