"""The plots of a run: from its journal and its trace files, and never more than plots when something is wrong."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest
from lxml import etree

from benchrig.bench.recorder import CurrentTrace
from benchrig.errors import RecordError
from benchrig.journal import JournalWriter, read_journal
from benchrig.judge.uncertainty import AccuracyTerms
from benchrig.protocol.scpi import Samples
from benchrig.records import FileKept, LimitJudged, RunStarted, Verdict
from benchrig.run_plots import draw_run
from benchrig.trace_file import write_trace

if TYPE_CHECKING:
    from benchrig.records import Record

EXAMPLE = Path(__file__).parent / "report" / "hay_barn_run.jsonl"


def words(path: Path) -> str:
    """The texts of a plot: the library writes each as a comment beside its outlines."""
    return " | ".join(str(one.text).strip() for one in etree.parse(str(path)).iter(etree.Comment))


def uplink_trace() -> CurrentTrace:
    samples = np.full(26_000, 20e-6, dtype=np.float32)
    for start_s, length_s, level_a in ((0.1, 0.0566, 0.048), (1.1566, 0.03, 0.012), (2.1566, 0.03, 0.012)):
        samples[round(start_s / 1e-4) : round((start_s + length_s) / 1e-4)] = level_a
    marks = np.zeros(samples.size, dtype=np.bool_)
    return CurrentTrace(Samples(samples, marks), 1e-4, 0.0, 0.1, AccuracyTerms(), "recorder")


class Run:
    """A run on disk as a runner leaves it: reports/BOARD/run.jsonl and a folder of the same name."""

    def __init__(self, folder: Path) -> None:
        self.reports = folder / "reports"
        self.journal = self.reports / "HB-0001" / "run-1.jsonl"
        self.folder = self.journal.with_suffix("")
        self.trace = self.folder / "transmit.npz"
        write_trace(self.trace, uplink_trace())

    def write(self) -> None:
        started = next(one for one in read_journal(EXAMPLE).records if isinstance(one, RunStarted))
        kept = FileKept(
            kind="trace",
            title="transmit",
            path="HB-0001/run-1/transmit.npz",
            sha256=hashlib.sha256(self.trace.read_bytes()).hexdigest(),
            check="transmit",
            at_s=1.0,
        )
        plateau = LimitJudged(
            check="transmit", limit="plateau", value=0.048, unit="A", expanded_uncertainty=2e-5, coverage_factor=2.0,
            low=0.038, high=0.06, rule="guarded", guard_band=2e-5, verdict=Verdict.PASS, why="", limit_source="",
            at_s=1.0,
        )  # fmt: skip
        records: list[Record] = [started, kept, plateau]
        with JournalWriter(self.journal) as journal:
            for record in records:
                journal.append(record)


@pytest.fixture
def run(tmp_path: Path) -> Run:
    return Run(tmp_path)


def test_everything_that_the_journal_has_is_drawn(run: Run) -> None:
    """The kept trace with its segments, and all values against their limits, beside the trace."""
    run.write()

    drawn = draw_run(run.journal)

    assert drawn.problems == ()
    assert [path.relative_to(run.folder).as_posix() for path in drawn.paths] == ["transmit.svg", "limits.svg"]
    assert "RX2 after 2.0000 s," in words(drawn.paths[0])
    assert "transmit: plateau" in words(drawn.paths[1])
    assert all("SIMULATED" in words(path) for path in drawn.paths)


def test_drawing_changes_no_record_and_can_be_done_again(run: Run) -> None:
    """Plots are derived: the journal stays as it is, and a second drawing gives the same files."""
    run.write()
    before = run.journal.read_bytes()

    first = {path: path.read_bytes() for path in draw_run(run.journal).paths}
    second = {path: path.read_bytes() for path in draw_run(run.journal).paths}

    assert first == second
    assert run.journal.read_bytes() == before


def test_a_run_that_was_moved_is_drawn(run: Run, tmp_path: Path) -> None:
    """Journal and folder carried elsewhere as a whole still belong together."""
    run.write()
    moved = tmp_path / "archive"
    run.journal.parent.rename(moved)

    assert draw_run(moved / "run-1.jsonl").problems == ()


def test_a_trace_that_is_gone_costs_its_plot_alone(run: Run) -> None:
    """The other plots are drawn, and the reason is told."""
    run.write()
    run.trace.unlink()

    drawn = draw_run(run.journal)

    assert [path.name for path in drawn.paths] == ["limits.svg"]
    (problem,) = drawn.problems
    assert problem.startswith("plot transmit: not drawn: trace ")
    assert "No such file" in problem


def test_a_trace_that_was_changed_is_not_drawn_as_evidence(run: Run) -> None:
    """Samples that the run did not keep are not shown under its name."""
    run.write()
    run.trace.unlink()
    changed = uplink_trace()
    changed.samples.values[0] = 1.0
    write_trace(run.trace, changed)

    (problem,) = draw_run(run.journal).problems

    assert "its hash is another one" in problem


def test_a_folder_that_takes_no_file(run: Run, tmp_path: Path) -> None:
    """What stands where the plots belong is told for each of them, and nothing is raised."""
    run.write()
    run.trace.rename(tmp_path / "kept.npz")
    run.folder.rmdir()
    run.folder.write_text("in the way", encoding="utf-8")

    drawn = draw_run(run.journal)

    assert drawn.paths == ()
    assert len(drawn.problems) == 2
    assert "cannot be written" in drawn.problems[1]


def test_a_journal_with_values_and_no_files(tmp_path: Path) -> None:
    """A journal alone has its limits to draw."""
    journal = tmp_path / "HB-0001" / "run.jsonl"
    journal.parent.mkdir()
    journal.write_bytes(EXAMPLE.read_bytes())

    drawn = draw_run(journal)

    assert "limits.svg" in [path.name for path in drawn.paths]


def test_a_journal_that_is_not_there(tmp_path: Path) -> None:
    """Nothing to draw from is an error of its own."""
    with pytest.raises(RecordError, match="cannot be read"):
        draw_run(tmp_path / "none.jsonl")
