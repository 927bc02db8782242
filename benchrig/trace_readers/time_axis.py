"""Puts samples with time stamps onto a grid of one interval; what is missing there becomes NaN, which is a gap.

Owns what counts as the same interval and as a hole. Must not know files. Steps that fit no grid leave a gap: what
was measured at an unknown time is no sample. All times in seconds.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from benchrig.errors import ConfigError

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy.typing as npt

    Floats = npt.NDArray[np.floating]

_OFF_GRID = 0.25
"""A step that is off a whole number of intervals by more than this share of one fits no grid. Own choice."""

_MOST_IRREGULAR = 0.05
"""With more steps than this share off the grid there is no interval. Own choice."""

_MOST_HOLES = 10
_SMALL = 1_000_000
"""So many times as many samples as there are, or so many in all, may be missing; else the stamps are wrong."""

_SAME_INTERVAL = 0.01

_LONGEST_S = 1e9
"""Thirty years: between two samples there is never so much. Own choice."""


class OnGrid(NamedTuple):
    """Samples at one interval from `start_s` on; NaN where there was none. `notes` says what was filled."""

    values: Floats
    interval_s: float
    start_s: float
    notes: tuple[str, ...]


def on_grid(
    times_s: Floats, values: Floats, *, interval_s: float | None, file: str, lines: Sequence[int] | None = None
) -> OnGrid:
    """Values by their time stamps; `lines` says in which line of a text each stands. Raises ConfigError."""
    if values.size < 2:
        raise ConfigError(f"trace {file}: one sample shows no interval; accepted: two or more with rising times")
    with np.errstate(over="ignore", invalid="ignore"):  # of stamps that are no times; they are refused below
        steps_s = np.diff(times_s)
    _refuse_backwards(times_s, steps_s, lines=lines, file=file)
    places, is_off, seen_s = _places(steps_s, file=file)
    if interval_s is not None and abs(interval_s - seen_s) > _SAME_INTERVAL * interval_s:
        raise ConfigError(
            f"trace {file}: the time stamps are {seen_s:.6g} s apart, not {interval_s:.6g} s as was said; leave it out"
        )
    filled = np.full(int(places[-1]) + 1, np.nan)
    filled[places[~is_off]] = values[~is_off]
    missing, off = filled.size - np.unique(places).size, int(is_off.sum())
    return OnGrid(filled, seen_s, float(times_s[0]), tuple(_notes(missing, off)))


def _refuse_backwards(times_s: Floats, steps_s: Floats, *, lines: Sequence[int] | None, file: str) -> None:
    wrong = np.flatnonzero(~((steps_s > 0.0) & (steps_s < _LONGEST_S)))
    if wrong.size:
        at = int(wrong[0])
        where = f"row {at + 2}" if lines is None else f"line {lines[at + 1]}"
        raise ConfigError(
            f"trace {file}, {where}: the time is {times_s[at + 1]:.9g} s after {times_s[at]:.9g} s; "
            "accepted: finite times that rise; look at the time column, or leave out what is there twice"
        )


def _places(steps_s: Floats, *, file: str) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.bool_], float]:
    """Where each sample stands on the grid, which of them come off it, and the interval.

    A step that is nearly a whole number of intervals is that many, so that a clock which runs a little fast or slow
    opens no hole after a thousand samples; the others count as they are.
    """
    ratios = steps_s / float(np.median(steps_s))
    _refuse_years(ratios, steps_s, file=file)
    # stamps with few digits go 3, 3, 4 ms: what they are on average is nearer to the interval than their median
    ratios = steps_s * (float(np.maximum(1.0, np.rint(ratios)).sum()) / float(steps_s.sum()))
    whole = np.maximum(1.0, np.rint(ratios))
    is_off = np.abs(ratios - whole) > _OFF_GRID
    if float(is_off.mean()) > _MOST_IRREGULAR:
        raise ConfigError(
            f"trace {file}: {is_off.mean():.0%} of the time steps are no whole number of intervals (from "
            f"{steps_s.min():.6g} s to {steps_s.max():.6g} s); accepted: one interval, with holes in it; resample it"
        )
    at = np.concatenate(([0.0], np.cumsum(np.where(is_off, ratios, whole))))
    return np.floor(at + 0.5).astype(np.int64), np.concatenate(([False], is_off)), float(steps_s.sum() / at[-1])


def _refuse_years(ratios: Floats, steps_s: Floats, *, file: str) -> None:
    """Time stamps that ask for far more samples than there are tell of a wrong unit or a wrong column."""
    if float(ratios.sum()) > max(_SMALL, _MOST_HOLES * steps_s.size):
        raise ConfigError(
            f"trace {file}: at {np.median(steps_s):.6g} s from sample to sample, {ratios.sum():.3g} samples would fit "
            f"between the first time stamp and the last, and there are {steps_s.size + 1}; look at the time column "
            "and its unit"
        )


def _notes(missing: int, off: int) -> list[str]:
    notes = [f"{missing} samples are missing by the time stamps: gaps"] if missing else []
    return [*notes, *([f"{off} samples come at irregular times: gaps"] if off else [])]
