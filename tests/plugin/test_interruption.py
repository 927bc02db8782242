"""Runs that are interrupted at any moment: output off, records readable, a report that nobody takes for a pass.

The supply is asked over a plain socket, on a simulation that outlives the runs.
"""

from __future__ import annotations

import random
import signal
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import TYPE_CHECKING

import pytest

from benchrig.journal import Journal, read_journal
from benchrig.records import RunFinished, RunState

from .runs import ALL_PLUGINS, BENCH, BOARD, PRODUCTION, Place, Report, eventually

if TYPE_CHECKING:
    import subprocess
    from collections.abc import Iterator, Mapping
    from pathlib import Path

    from tests.conftest import Simulation, StartBench

SCALE = "8"
LONGEST_S = 4.0
"""A little more than a whole run takes at this scale."""

SIGNALS = (signal.SIGKILL, signal.SIGTERM, signal.SIGINT)
SEEDS = range(20)
AT_ONCE = 2
OFF_WITHIN_S = 1.0
OFF, ON = "0", "1"
INCOMPLETE = 11


@dataclass(frozen=True)
class End:
    """What was found after a run was sent a signal at some moment."""

    after_s: float
    code: int
    output: str
    is_off: bool
    left_over: tuple[int, ...]
    journal: Journal | None
    report: Report | None
    next_code: int | None = None

    @property
    def end(self) -> RunFinished | None:
        """The last line of the journal, if the run came to write it."""
        last = self.journal.records[-1] if self.journal and self.journal.records else None
        return last if isinstance(last, RunFinished) else None

    @property
    def is_complete(self) -> bool:
        """Whether the run had ended before the signal came."""
        return self.end is not None and self.end.state is RunState.COMPLETE


def start_simulation(start: StartBench, folder: Path) -> Simulation:
    """A simulation of the shipped bench at this file's scale; its addresses lie in the folder."""
    folder.mkdir(exist_ok=True)
    return start(BENCH, "--scale", SCALE, "--board", "1=HB-0001", "--addresses", str(folder / "addresses.json"))


def arguments(place: Place, folder: Path) -> list[str]:
    """The production check on a simulation started by hand."""
    return [str(PRODUCTION), *place.on_bench("--bench-simulation", folder / "addresses.json")]


def is_off(simulation: Simulation, *, within_s: float = OFF_WITHIN_S) -> bool:
    """Whether the supply says in time that its output is off."""
    return eventually(lambda: simulation.ask("supply", "OUTP? (@1)") == OFF, within_s=within_s)


def is_on(simulation: Simulation) -> bool:
    """Whether the run has come to power the board."""
    return eventually(lambda: simulation.ask("supply", "OUTP? (@1)") == ON)


def _begun(journal: Journal) -> Journal | None:
    """A journal; none when the signal came between its making and its first record, and nothing was run yet."""
    return journal if journal.records else None


def look_at(place: Place, simulation: Simulation, process: subprocess.Popen[bytes], after_s: float) -> End:
    """Wait for the end of a run and look at all it left behind."""
    out, err = process.communicate(timeout=30)
    off = is_off(simulation)
    eventually(lambda: not place.processes())
    journals, report = place.journals(), place.reports / f"{BOARD}.xml"
    return End(
        after_s=after_s,
        code=process.returncode,
        output=(out + err).decode(),
        is_off=off,
        left_over=tuple(place.processes()),
        journal=_begun(read_journal(journals[-1])) if journals else None,
        report=Report.read(report) if report.exists() else None,
    )


def interrupt(place: Place, simulation: Simulation, folder: Path, number: signal.Signals, after_s: float) -> End:
    """Start a run, send it a signal after a while, and look."""
    process = place.start(*arguments(place, folder))
    time.sleep(after_s)  # the moment itself is what is tried out; nothing is expected of it
    process.send_signal(number)
    return look_at(place, simulation, process, after_s)


def one_after_another(
    cases: list[tuple[signal.Signals, int]], start: StartBench, folder: Path
) -> dict[tuple[signal.Signals, int], End]:
    """All these cases on one simulation, without any clean-up between them; every fifth is followed by a whole run."""
    simulation = start_simulation(start, folder)
    found = {}
    for number, seed in cases:
        moment = random.Random(f"{number.name} {seed}")
        place = Place(folder / f"{number.name}-{seed}")
        place.folder.mkdir()
        end = interrupt(place, simulation, folder, number, moment.uniform(0.2, LONGEST_S))
        if seed % 5 == 4:
            after = Place(place.folder / "next")
            after.folder.mkdir()
            end = End(**{**vars(end), "next_code": after.run(*arguments(after, folder)).code})
        found[number, seed] = end
    return found


@pytest.fixture(scope="module")
def ends(
    shared_bench: StartBench, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Mapping[tuple[signal.Signals, int], End]]:
    """Every signal at every random moment, two runs at a time, each on a simulation of its own."""
    folder = tmp_path_factory.mktemp("interrupted")
    cases = [(number, seed) for number in SIGNALS for seed in SEEDS]
    with ThreadPoolExecutor(AT_ONCE) as pool:
        parts = [
            pool.submit(one_after_another, cases[part::AT_ONCE], shared_bench, folder / str(part))
            for part in range(AT_ONCE)
        ]
        yield {case: end for part in parts for case, end in part.result().items()}


EACH = pytest.mark.parametrize("seed", SEEDS)
EVERY_SIGNAL = pytest.mark.parametrize("number", SIGNALS, ids=lambda number: number.name)
Ends = dict[tuple[signal.Signals, int], End]


@EVERY_SIGNAL
@EACH
def test_output_is_off(ends: Ends, number: signal.Signals, seed: int) -> None:
    """Within a second of the end the supply itself says that its output is off, and no process is left."""
    end = ends[number, seed]

    assert end.is_off, f"still on after {end.after_s:.2f} s\n{end.output}"
    assert end.left_over == ()


@EVERY_SIGNAL
@EACH
def test_journal_is_readable(ends: Ends, number: signal.Signals, seed: int) -> None:
    """Whatever was written can be read: no line is broken but perhaps the last one."""
    end = ends[number, seed]

    assert end.journal is None or all("was cut after" in problem for problem in end.journal.problems)
    assert end.journal is None or end.journal.records


@EVERY_SIGNAL
@EACH
def test_report_is_no_pass(ends: Ends, number: signal.Signals, seed: int) -> None:
    """The report of a run that had not ended says interrupted and counts failures; that of one that had is whole."""
    end = ends[number, seed]

    if end.report is None:
        assert end.journal is None or not end.journal.records
        return
    if not end.report.is_a_pass:
        assert (end.report.state, end.report.properties["run.state"]) == ("interrupted", "interrupted")
        assert end.report.failures > 0
    assert end.is_complete or not end.report.is_a_pass, end.output


@EVERY_SIGNAL
@EACH
def test_exit_code_is_no_pass(ends: Ends, number: signal.Signals, seed: int) -> None:
    """A run that was interrupted after its record began exits with 11; none exits with 0 that had not ended."""
    end = ends[number, seed]

    if number is signal.SIGKILL:
        assert end.code == -signal.SIGKILL or end.is_complete
    elif end.journal is not None and not end.is_complete:
        assert end.code == INCOMPLETE, end.output
    assert end.code != 0 or end.is_complete, end.output


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT], ids=lambda number: number.name)
@EACH
def test_orderly_end_is_recorded(ends: Ends, number: signal.Signals, seed: int) -> None:
    """SIGTERM and SIGINT let the run write its own end: by what it was interrupted, and that the output is off."""
    end = ends[number, seed]

    if end.journal is None or end.is_complete:
        return
    assert end.end is not None, end.output
    assert (end.end.state, end.end.why) == (RunState.INTERRUPTED, f"interrupted by {number.name}")
    assert end.end.output_off.startswith("off")


@EVERY_SIGNAL
def test_next_run_passes(ends: Ends, number: signal.Signals) -> None:
    """The next run on the same bench passes, with no clean-up by anybody."""
    codes = [end.next_code for (which, _), end in ends.items() if which is number and end.next_code is not None]

    assert codes == [0] * 4


@EVERY_SIGNAL
def test_moments_were_worth_trying(ends: Ends, number: signal.Signals) -> None:
    """Most of the signals met a run with a record and without an end: the tests above had something to find."""
    met = [end for (which, _), end in ends.items() if which is number and end.journal and not end.is_complete]

    assert len(met) >= len(SEEDS) // 2


# ---- moments that are chosen, not drawn


@pytest.fixture
def powered(place: Place, simulated_bench: StartBench) -> tuple[Simulation, subprocess.Popen[bytes]]:
    """A run that has just powered its board."""
    simulation = start_simulation(simulated_bench, place.folder)
    process = place.start(*arguments(place, place.folder))
    assert is_on(simulation)
    return simulation, process


@pytest.mark.parametrize("pause_s", [0.0, 0.003, 0.02, 0.1])
def test_sigint_twice(place: Place, powered: tuple[Simulation, subprocess.Popen[bytes]], pause_s: float) -> None:
    """An impatient second Ctrl-C does not break into the end of the first."""
    simulation, process = powered
    process.send_signal(signal.SIGINT)
    time.sleep(pause_s)  # an impatient person
    process.send_signal(signal.SIGINT)

    end = look_at(place, simulation, process, pause_s)

    assert (end.code, end.is_off) == (INCOMPLETE, True), end.output
    assert end.end is not None
    assert end.end.why == "interrupted by SIGINT"
    assert f"{BOARD}: INCOMPLETE" in end.output
    assert "Traceback" not in end.output
    assert end.report is not None
    assert not end.report.is_a_pass


def test_kill_report_is_made_by_the_guard(place: Place, powered: tuple[Simulation, subprocess.Popen[bytes]]) -> None:
    """After kill -9 the power guard switches off, says so in the journal, and makes the report."""
    simulation, process = powered
    process.kill()

    end = look_at(place, simulation, process, 0.0)

    assert end.is_off
    assert end.journal is not None
    assert "power guard" in repr(end.journal.records[-1])
    assert end.report is not None
    assert "power guard" in (place.reports / f"{BOARD}.xml").read_text(encoding="utf-8")
    assert not end.report.is_a_pass


def test_terminal_that_closes(place: Place, powered: tuple[Simulation, subprocess.Popen[bytes]]) -> None:
    """SIGHUP, as when the terminal window is closed, leaves nothing on and no pass."""
    simulation, process = powered
    process.send_signal(signal.SIGHUP)

    end = look_at(place, simulation, process, 0.0)

    assert (end.is_off, end.left_over) == (True, ())
    assert end.report is not None
    assert not end.report.is_a_pass


@pytest.mark.parametrize("number", SIGNALS, ids=lambda number: number.name)
def test_controller_of_a_worker(place: Place, simulated_bench: StartBench, number: signal.Signals) -> None:
    """A signal to the controller of an xdist worker ends the worker, too: output off, no pass."""
    simulation = start_simulation(simulated_bench, place.folder)
    process = place.start(*arguments(place, place.folder), "-n", "1", env=ALL_PLUGINS)
    assert is_on(simulation)
    process.send_signal(number)

    end = look_at(place, simulation, process, 0.0)

    assert end.code != 0
    assert is_off(simulation, within_s=5.0)
    assert end.left_over == ()
    assert end.report is not None
    assert not end.report.is_a_pass, end.output


@pytest.mark.parametrize("processes", [2, 3])
@pytest.mark.parametrize("number", SIGNALS, ids=lambda number: number.name)
def test_during_start_up(place: Place, number: signal.Signals, processes: int) -> None:
    """A signal while the simulator or the guard starts leaves no process behind, and no pass."""
    process = place.start(PRODUCTION, *place.on_bench("--bench-scale", SCALE))
    assert eventually(lambda: len(place.processes()) >= processes)
    process.send_signal(number)

    output = process.communicate(timeout=30)[0].decode()

    assert process.returncode != 0, output
    assert eventually(lambda: not place.processes())
    assert not (place.reports / f"{BOARD}.xml").exists() or not place.report().is_a_pass


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT], ids=lambda number: number.name)
def test_second_board_is_not_begun(place: Place, simulated_bench: StartBench, number: signal.Signals) -> None:
    """With two boards a signal during the first leaves the second unbegun, and says so."""
    simulation = start_simulation(simulated_bench, place.folder)
    options = place.on_bench("--bench-simulation", place.folder / "addresses.json", boards=["1=HB-0001", "2=HB-0002"])
    process = place.start(PRODUCTION, *options)
    assert is_on(simulation)
    process.send_signal(number)

    end = look_at(place, simulation, process, 0.0)

    assert end.code == INCOMPLETE, end.output
    assert "HB-0002: INCOMPLETE (no check of it began)" in end.output
    assert not (place.reports / "HB-0002.xml").exists()
