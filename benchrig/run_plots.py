"""The plots of one run, drawn from its journal and the trace files beside it, and from nothing else.

Owns which plots there are and where they lie: beside the journal, in the folder of the run's own files. They are
derived: no record names them, and they can be drawn again at any time. A plot that cannot be drawn costs nothing
but itself, and is told.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from typing import TYPE_CHECKING

from benchrig.errors import BenchrigError, ConfigError
from benchrig.journal import read_journal
from benchrig.judge.segments import find_segments
from benchrig.judge.uplink import cut_uplink
from benchrig.records import FileKept, LimitJudged, RunStarted
from benchrig.report.atomic_file import write_atomically
from benchrig.report.limits_plot import judged_limits, limits_figure, rows_worth_seeing
from benchrig.report.names import ACCEPTED_NAMES, is_file_name
from benchrig.report.plot_style import plot_style, svg_bytes
from benchrig.report.sweep_plot import sweep_errors, sweep_figure
from benchrig.report.text import one_line
from benchrig.report.trace_plot import trace_figure
from benchrig.trace_file import read_trace

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence
    from pathlib import Path

    from matplotlib.figure import Figure

    from benchrig.judge.segments import Segmentation
    from benchrig.records import Record

_SHOWN = 80
_UPLINK = "transmit"
"""The check whose traces hold a report."""


@dataclass(frozen=True, slots=True)
class Drawn:
    """The files that were written, and one sentence for each plot that could not be."""

    paths: tuple[Path, ...]
    problems: tuple[str, ...]


def draw_run(journal: Path) -> Drawn:
    """Draw every plot that the journal has something for. RecordError when it cannot be read."""
    records = read_journal(journal).records
    paths: list[Path] = []
    problems: list[str] = []
    for name, figure in _plots(journal, records):
        path = journal.with_suffix("") / f"{name}.svg"
        if not is_file_name(name):
            problems.append(f"plot {name[:_SHOWN]!r}: not drawn: no file can be called so; accepted: {ACCEPTED_NAMES}")
            continue
        try:
            with plot_style():
                write_atomically(path, svg_bytes(figure()))
        except (BenchrigError, OSError, ValueError, ImportError) as wrong:
            problems.append(one_line(f"plot {name}: not drawn: {wrong}"))
        else:
            paths.append(path)
    return Drawn(tuple(paths), tuple(problems))


def _plots(journal: Path, records: Sequence[Record]) -> Iterator[tuple[str, Callable[[], Figure]]]:
    """Name and drawing of each plot."""
    whose = _whose(records)
    for kept in records:
        if isinstance(kept, FileKept) and kept.kind == "trace":
            yield kept.title, _trace_drawing(journal, kept, records, whose)
    errors = sweep_errors(records)
    if errors.points:
        yield "battery-sweep", lambda: sweep_figure(errors, title=f"battery sweep, {whose}")
    rows = judged_limits(records)
    if rows:
        shown = rows_worth_seeing(rows)
        which = "all" if len(shown) == len(rows) else f"the {len(shown)} of {len(rows)}"
        nearest = "" if len(shown) == len(rows) else " that did not pass or are nearest"
        yield "limits", lambda: limits_figure(shown, title=f"{which} values{nearest} against their limits, {whose}")


def _whose(records: Sequence[Record]) -> str:
    started = next((one for one in records if isinstance(one, RunStarted)), None)
    if started is None:
        return "of a run without a beginning"
    simulated = ", SIMULATED: no board was measured" if started.simulated else ""
    return one_line(f"{started.board}, run {started.run}{simulated}")


def _trace_drawing(journal: Path, kept: FileKept, records: Sequence[Record], whose: str) -> Callable[[], Figure]:
    def drawing() -> Figure:
        return trace_figure(_segments(journal, kept, records), title=f"current trace {kept.title}, {whose}")

    return drawing


def _segments(journal: Path, kept: FileKept, records: Sequence[Record]) -> Segmentation:
    """The trace cut as the check cut it. Raises ConfigError when the file is gone or is another one."""
    folder = journal.absolute().parent.parent
    path = folder / kept.path
    if not path.resolve().is_relative_to(folder.resolve()):  # a journal is foreign text
        raise ConfigError(
            f"trace {kept.path!r} lies outside the reports; accepted: a path from {folder} on that stays in it"
        )
    if not path.is_file():
        path = journal.with_suffix("") / path.name  # somebody moved the run as a whole
    recording = read_trace(path).recording
    if hashlib.sha256(path.read_bytes()).hexdigest() != kept.sha256:
        raise ConfigError(f"trace {path}: it is not the file that the run kept: its hash is another one")
    return (
        cut_uplink(recording, least_plateau_a=_plateau_a(records))
        if kept.check == _UPLINK
        else find_segments(recording)
    )


def _plateau_a(records: Sequence[Record]) -> float | None:
    judged = (one for one in records if isinstance(one, LimitJudged) and one.check == _UPLINK)
    return next((one.low for one in judged if one.limit == "plateau"), None)
