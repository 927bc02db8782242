"""`benchrig trace FILE`: what a current trace from any recorder says, without a bench or a profile.

Owns the words and the JSON. Must not know a board: nothing is held against a limit here.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from benchrig.judge.charge import close_charge, kinds, mean_current
from benchrig.judge.radio_timing import match_duration
from benchrig.judge.segments import find_segments
from benchrig.judge.uplink import read_uplink
from benchrig.plain_json import json_text
from benchrig.quantity import format_quantity
from benchrig.report.atomic_file import write_atomically
from benchrig.report.plot_style import plot_style, svg_bytes
from benchrig.report.segment_lines import segment_lines, segment_sums
from benchrig.report.text import one_line
from benchrig.report.trace_plot import trace_figure
from benchrig.trace_file import read_trace

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    import numpy.typing as npt

    from benchrig.judge.radio_timing import AirtimeMatch
    from benchrig.judge.segments import Segmentation
    from benchrig.judge.uplink import Uplink
    from benchrig.trace_file import TraceFile

_TOLERANCE_S = 0.5e-3
_SAMPLES = 2.0
"""How far a measured time on air may be off: the transmitter's ramps, and this many samples. Own choice."""

_REVERSED = 10.0
"""A load draws many times more than noise shows below 0; the other way round it is reversed. Own choice."""

_MOST_TOLD = 6
_NOT_JUDGED = 10


def tell_trace(
    path: Path,
    *,
    interval_s: float | None,
    range_a: float | None,
    column: str | None,
    encoding: str | None,
    plot: Path | None,
    as_json: bool,
) -> tuple[str, int]:
    """What to print, and the exit code: 0, or 10 when the trace was not judged. Raises ConfigError, RecordError."""
    trace = read_trace(path, interval_s=interval_s, column=column, range_a=range_a, encoding=encoding)
    found = find_segments(trace.recording)
    problems = (*found.problems, *_suspicions(trace))
    if plot is not None:
        with plot_style():
            write_atomically(plot, svg_bytes(trace_figure(found, title=one_line(f"current trace {path}"))))
    text = _json(trace, found, problems) if as_json else "\n".join(_lines(trace, found, problems, plot))
    return text, _NOT_JUDGED if problems else 0


def _suspicions(trace: TraceFile) -> tuple[str, ...]:
    """A current that is the same to the last bit all the time was not measured; one below 0 comes the wrong way."""
    samples = trace.recording.samples_a
    if samples.size > 1 and np.all(samples == samples[0]):
        return (f"all {samples.size} samples are the same number: no recorder measures that; look at its input",)
    known = samples[np.isfinite(samples)]
    if known.size and float(known.mean(dtype=np.float64)) < 0.0 and -float(known.min()) > _REVERSED * known.max():
        return (_of_reversal(known),)
    return ()


def _of_reversal(known: npt.NDArray[np.float32]) -> str:
    lowest, highest = (format_quantity(float(one), "A") for one in (known.min(), known.max()))
    return (
        f"{int(np.count_nonzero(known < 0.0))} of {known.size} currents are below 0, from {lowest} to {highest}: the "
        "recorder's leads are reversed, or the battery was being charged; swap them and record again, or turn the signs"
    )


# ---- as text


def _lines(trace: TraceFile, found: Segmentation, problems: tuple[str, ...], plot: Path | None) -> Iterator[str]:
    recording = trace.recording
    yield one_line(
        f"trace {trace.path}: {trace.form}, {recording.samples_a.size} samples, "
        f"{format_quantity(recording.interval_s, 's')} apart, {format_quantity(recording.duration_s, 's')}"
    )
    yield from (one_line(f"note: {note}") for note in trace.notes)
    yield from (one_line(f"not judged: {problem}") for problem in problems)
    if not problems:
        yield from ("", *segment_lines(found), "")
        yield from _charge_lines(found)
        yield from _radio_lines(found)
    if plot is not None:
        yield f"plot:    {plot}"


def _charge_lines(found: Segmentation) -> Iterator[str]:
    mean, closure = mean_current(found), close_charge(found)
    floor, scatter, drift = (format_quantity(one, "A") for one in (found.floor_a, found.floor_u, found.drift_a))
    yield f"floor:   {floor}, standard uncertainty by scatter {scatter}, drift {drift}"
    yield f"mean:    {format_quantity(mean.mean_a, 'A')}, {'certain' if mean.certain else 'not certain'}: {mean.why}"
    yield f"charge:  {'closes' if closure.closes else 'does not close'}: {closure.why}"
    yield from (f"event:   {kind}" for kind in kinds(found))


def _radio_lines(found: Segmentation) -> Iterator[str]:
    uplink = read_uplink(found)
    burst = uplink.transmit
    if burst is None:
        yield "radio:   no transmission: no receive window follows the highest level where class A has one"
        return
    yield (
        f"radio:   {uplink.transmissions} transmissions, {uplink.repeats} of them repetitions; the first lasts "
        f"{format_quantity(burst.duration_s, 's')} and takes {format_quantity(burst.charge_c, 'C')}"
    )
    matches = _matches(found, uplink)
    yield from (f"  as long as {_frame(one)}" for one in matches[:_MOST_TOLD])
    if len(matches) > _MOST_TOLD:
        yield f"  and {len(matches) - _MOST_TOLD} more data rates and lengths"
    for window in uplink.windows:
        after_s, lasts = window.start_s - burst.end_s, format_quantity(window.duration_s, "s")
        yield f"  receive window {window.number}: {after_s:.6f} s after its end, for {lasts}"


def _matches(found: Segmentation, uplink: Uplink) -> tuple[AirtimeMatch, ...]:
    if uplink.transmit is None or not uplink.transmit.whole:
        return ()
    tolerance_s = _TOLERANCE_S + _SAMPLES * found.recording.interval_s
    return match_duration(uplink.transmit.duration_s, tolerance_s=tolerance_s)


def _frame(match: AirtimeMatch) -> str:
    sizes = (
        f"{match.first_bytes}"
        if match.first_bytes == match.last_bytes
        else f"{match.first_bytes} to {match.last_bytes}"
    )
    settings = match.settings
    return (
        f"SF{settings.spreading_factor}, {settings.bandwidth_hz / 1e3:g} kHz, 4/{settings.coding_rate}: {sizes} bytes, "
        f"{format_quantity(match.time_s, 's')}"
    )


# ---- as JSON


def _json(trace: TraceFile, found: Segmentation, problems: tuple[str, ...]) -> str:
    """Base units throughout. Without a judgement there is no number but those of the file."""
    told: dict[str, object] = {
        "file": str(trace.path),
        "form": trace.form,
        "notes": list(trace.notes),
        "samples": int(trace.recording.samples_a.size),
        "interval_s": trace.recording.interval_s,
        "problems": list(problems),
    }
    if not problems:
        told |= {**_json_charge(found), **_json_radio(found)}
    return json_text(told, indent=2)


def _json_charge(found: Segmentation) -> dict[str, object]:
    mean, closure = mean_current(found), close_charge(found)
    assert closure.balance is not None  # of a recording that was judged
    return {
        "floor_a": found.floor_a,
        "floor_u_a": found.floor_u,
        "drift_a": found.drift_a,
        "mean_a": mean.mean_a,
        "mean_certain": mean.certain,
        "mean_why": mean.why,
        "charge_c": closure.balance.total_c,
        "residue_c": closure.residue_c,
        "residue_u_c": closure.residue_u,
        "closes": closure.closes,
        "segments": [
            {"label": one.label.value, "count": one.count, "time_s": one.time_s, "charge_c": one.charge_c}
            for one in segment_sums(found)
        ],
    }


def _json_radio(found: Segmentation) -> dict[str, object]:
    uplink = read_uplink(found)
    burst = uplink.transmit
    if burst is None:
        return {"transmissions": 0}
    return {
        "transmissions": uplink.transmissions,
        "repetitions": uplink.repeats,
        "transmission": {
            "start_s": burst.start_s,
            "duration_s": burst.duration_s,
            "charge_c": burst.charge_c,
            "plateau_a": burst.plateau_a,
        },
        "report_charge_c": uplink.report_c,
        "data_rates": [
            {
                "spreading_factor": one.settings.spreading_factor,
                "first_bytes": one.first_bytes,
                "last_bytes": one.last_bytes,
                "time_s": one.time_s,
            }
            for one in _matches(found, uplink)
        ],
        "receive_windows": [
            {"number": one.number, "after_s": one.start_s - burst.end_s, "duration_s": one.duration_s}
            for one in uplink.windows
        ],
    }
