"""One run of one board on one slot: from the first line of its journal to its report.

Holds the promises that must not depend on who calls: the journal begins before the power, a report that says
"interrupted" lies there before the first check, the guard stands by before the output closes, and `finish`
switches off, reads back and writes the end whatever happened before.
"""

from __future__ import annotations

import hashlib
import platform
import sys
import time
from collections import Counter
from contextlib import ExitStack, suppress
from typing import TYPE_CHECKING, cast

from benchrig import __version__
from benchrig.bench.open_bench import off_order
from benchrig.bench.power_guard import GuardOrders, PowerGuard
from benchrig.bench.supply import Maxima
from benchrig.board_links import BoardLinks
from benchrig.check import Check
from benchrig.errors import AirError, BenchError, BenchrigError, BoardError, RecordError
from benchrig.journal import Journal, JournalWriter, read_journal
from benchrig.known_secrets import KnownSecrets
from benchrig.procedures.critical_path import critical_path_s
from benchrig.procedures.on_bench import OnBench, Phases
from benchrig.records import (
    Annex,
    CheckFinished,
    CheckStarted,
    FileKept,
    Happening,
    InstrumentsOpened,
    RunFinished,
    RunStarted,
    RunState,
    Verdict,
)
from benchrig.report.board_report import board_report
from benchrig.report.calibration_gate import not_proven_by
from benchrig.report.junit import write_report
from benchrig.stall_gauge import StallGauge
from benchrig.trace_file import write_trace

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from pathlib import Path

    from benchrig.bench.open_bench import OpenBench
    from benchrig.bench.recorder import CurrentTrace
    from benchrig.board.air import AirPath
    from benchrig.board.board import BoardIdentity
    from benchrig.clock import ScaledClock
    from benchrig.procedures.sweep import SweepPoint
    from benchrig.reading import Reading
    from benchrig.records import InstrumentRecord, Record
    from benchrig.report.board_report import BoardReport
    from benchrig.run_plan import Found, RunPlan


class BoardRun:
    """A run in progress. `on_bench` is what procedures work with once `begin` is over."""

    def __init__(
        self, plan: RunPlan, clock: ScaledClock, guard: PowerGuard, *, secrets: KnownSecrets | None = None
    ) -> None:
        """`secrets` are taken out of all that is written, and may grow meanwhile."""
        self.plan = plan
        self.clock = clock
        self.secrets = secrets or KnownSecrets()
        self.checks: dict[str, CheckFinished] = {}
        self.blocked: dict[str, str] = {}
        self.finished: RunFinished | None = None
        self.current: Check | None = None
        self.identity: BoardIdentity | None = None
        self.sweep: list[SweepPoint] = []
        self.found: dict[str, Found] = {}
        self.before_end: Callable[[BoardRun], None] | None = None
        self._later: list[Callable[[], None]] = []
        self.stalls = StallGauge(clock)
        self._guard = guard
        self._origin_s = clock.now_s()
        self._origin_wall_s = time.monotonic()
        self._phases = Phases(clock)
        self._stack = ExitStack()
        self._traces: Counter[str] = Counter()
        self._on_bench: OnBench | None = None
        stamp = clock.utc().strftime("%Y%m%dT%H%M%S.%fZ")
        self.run = f"{stamp}-{plan.slot}"
        self.journal_path = plan.reports / plan.board / f"{self.run}.jsonl"
        self._journal = JournalWriter(self.journal_path, redact=self.secrets.record)
        started = self._started()
        # The report first: killed in between, an old report of this board must not stand beside a new journal.
        write_report(board_report(Journal((started,))), plan.report_path)
        self.write(started)
        for waiver in plan.waivers:
            if waiver.covers(plan.board):
                self.write(waiver.record(at_s=self.now_s()))
        self._tell_fitness()
        self._journal.sync()

    def _tell_fitness(self) -> None:
        """What this bench can decide stands in the record before anything is powered."""
        fitness = self.plan.fitness
        if fitness is not None:
            title = f"what this bench can decide, said before power: {fitness.summary()}"
            self.write(Annex(title=title, lines=fitness.warnings(), at_s=self.now_s()))

    # ---- begin ---------------------------------------------------------------------------------------

    def begin(
        self,
        bench: OpenBench,
        instruments: tuple[InstrumentRecord, ...],
        ports: Mapping[str, str],
        *,
        air: AirPath | None = None,
    ) -> OnBench:
        """Guard, instruments and links of this slot, ready for power; `air` is closed at the end. Raises BenchError."""
        if air is not None:
            self._stack.callback(self._close_air, air)
        slot = self.plan.bench.slots[self.plan.slot]
        supply = bench.resolved(slot.battery.instrument)
        self._guard.arm(
            GuardOrders(
                outputs=(off_order(supply, slot),),
                journal=str(self.journal_path),
                afterwards=(sys.executable, "-m", "benchrig", "report", str(self.journal_path)),
                run_origin_monotonic_s=self._origin_wall_s,
                clock_scale=self.clock.scale,
            )
        )
        self.stalls.start()
        self.write(InstrumentsOpened(instruments=instruments, at_s=self.now_s()))
        for open_ in not_proven_by(instruments, on=self.clock.utc().date(), at_s=self.now_s()):
            self.write(open_)
        maxima = Maxima(self.plan.profile.maximum_voltage_v, self.plan.profile.maximum_current_a)
        self._on_bench = OnBench(
            bench=bench.slot(self.plan.slot, maxima, self.clock, guarded=lambda: self._guard.stands_by),
            board=BoardLinks(slot, self.plan.profile, ports, self.clock, self.note, self._stack).open(),
            profile=self.plan.profile,
            clock=self.clock,
            phases=self._phases,
            record=self._record_reading,
            link_release=slot.serial["console"].release,
            air=air,
        )
        return self._on_bench

    @property
    def has_begun(self) -> bool:
        """Whether instruments and links of this slot are open."""
        return self._on_bench is not None

    @property
    def on_bench(self) -> OnBench:
        if self._on_bench is None:
            raise BenchError(f"slot {self.plan.slot}: the run has not begun")
        return self._on_bench

    def _close_air(self, air: AirPath) -> None:
        """What it could not keep is said; that never costs the end of the run."""
        try:
            air.close()
        except BenchrigError as wrong:
            with suppress(RecordError):
                self.note("air not closed", wrong.message, charged_to="bench")

    def _started(self) -> RunStarted:
        plan, profile, bench = self.plan, self.plan.profile, self.plan.bench
        return RunStarted(
            run=self.run,
            use=plan.use,
            board=plan.board,
            slot=plan.slot,
            bench=bench.name,
            profile=profile.name,
            simulated=bench.simulation is not None,
            simulated_faults=plan.simulated_faults,
            required=plan.required,
            titles={check: profile.title(check) for check in dict.fromkeys((*plan.required, *profile.limits))},
            sha256={
                "bench file": sha256_of(bench.path),
                "board profile": sha256_of(profile.path),
                "suite": plan.suite_sha256,
            },
            tool_version=__version__,
            python=platform.python_version(),
            host=platform.node(),
            operator=plan.operator,
            lot=plan.provenance.lot,
            assembly_revision=plan.provenance.assembly_revision,
            contact_fixture=plan.provenance.contact_fixture,
            options=dict(plan.options),
            requirements=profile.requirements,
            utc=self.clock.utc().isoformat(),
            clock_scale=self.clock.scale,
        )

    # ---- checks --------------------------------------------------------------------------------------

    def start_check(self, name: str) -> Check:
        """Begin a check; the one before it must have ended."""
        self.write(CheckStarted(check=name, at_s=self.now_s(), utc=self.clock.utc().isoformat()))
        self._phases.take()
        fitness = self.plan.fitness
        self.current = Check(
            name,
            self.plan.profile.limits.get(name, {}),
            write=self.write,
            now_s=self.now_s,
            origin_s=self._origin_s,
            vain=fitness.vain.get(name, {}) if fitness else {},
            waiver=self.plan.waiver(name),
        )
        return self.current

    def end_check(self) -> CheckFinished:
        """End the check in progress and make it survive the loss of power."""
        assert self.current is not None
        check, self.current = self.current, None
        finished = cast("CheckFinished", self.secrets.record(check.finish(self._phases.take())))
        self._journal.sync()
        self.checks[check.name] = finished
        return finished

    def charge(self, wrong: BenchrigError) -> None:
        """End the check in progress by an error, charged to whom its type says."""
        assert self.current is not None
        if isinstance(wrong, BoardError):
            self._on_bench_suspect()
            self.current.end_by(Verdict.FAIL, wrong.message, next_action="look at the board's last lines in the report")
            self.note("last console lines", self._last_lines(), charged_to="board")
        elif isinstance(wrong, AirError) and self._on_bench is not None:  # all else of the bench still works
            self.current.end_by(Verdict.BENCH_ERROR, wrong.message)
            self.block("air", f"the air failed in {self.current.name}; repair it, then run again")
        else:
            self.current.end_by(Verdict.BENCH_ERROR, wrong.message)
            self.block("bench", f"the bench failed in {self.current.name}; repair it, then run again")

    def not_run(self, name: str, why: str) -> CheckFinished:
        """Write down that a check did not run, and why."""
        finished = CheckFinished(check=name, verdict=Verdict.NOT_RUN, why=why, duration_s=0.0, at_s=self.now_s())
        self.write(finished)
        self._journal.sync()
        self.checks[name] = finished
        return finished

    def refused(self, name: str) -> str:
        """Why a check is not even tried on this bench; '' when it can decide something."""
        lost = self.plan.fitness.lost.get(name) if self.plan.fitness else None
        return f"this bench cannot do it: {lost}" if lost else ""

    def block(self, need: str, why: str) -> None:
        """From now on checks that need this are not run. `need`: power, console, board, air or bench."""
        self.blocked.setdefault(need, why)

    def _on_bench_suspect(self) -> None:
        if self._on_bench is not None:
            self._on_bench.power.suspect = True

    def _last_lines(self) -> str:
        if self._on_bench is None:
            return ""
        lines = self._on_bench.board.console.lines()[-20:]
        texts = (line.text.decode("ascii", "backslashreplace") for line in lines)
        told = (f"{line.began_s - self._origin_s:9.3f} s  {text}" for line, text in zip(lines, texts, strict=True))
        return "\n".join(told) or "none came"

    def _record_reading(self, name: str, reading: Reading) -> Reading:
        if self.current is not None:
            self.current.reading(name, reading)
        return reading

    def keep_trace(self, name: str, trace: CurrentTrace) -> None:
        """Keep the samples of a current trace beside the journal, and write down their file and hash."""
        self._traces[name] += 1
        folder = self.journal_path.with_suffix("")
        number = self._traces[name]  # a check that runs a second time keeps a second trace
        path = folder / (f"{name}.npz" if number == 1 else f"{name}-{number}.npz")
        write_trace(path, trace)
        self.keep_file("trace", path.stem, path)

    def keep_file(self, kind: str, title: str, path: Path) -> None:
        """Write down a file beside the journal, with its hash. Raises RecordError when it cannot be read."""
        check = self.current.name if self.current else ""
        where = str(path.relative_to(self.plan.reports))
        self.write(FileKept(kind=kind, title=title, path=where, sha256=sha256_of(path), check=check, at_s=self.now_s()))

    # ---- journal -------------------------------------------------------------------------------------

    def now_s(self) -> float:
        """Bench time since the run began."""
        return self.clock.now_s() - self._origin_s

    def write(self, record: Record) -> None:
        """Append a record to the journal."""
        self._journal.append(record)

    def note(self, kind: str, text: str, *, charged_to: str = "") -> None:
        """Write down something that a reader of the report would want to know."""
        check = self.current.name if self.current else ""
        self.write(Happening(kind=kind, text=text, charged_to=charged_to, check=check, at_s=self.now_s()))

    def report(self) -> BoardReport:
        """The report as the journal now stands."""
        return board_report(read_journal(self.journal_path))

    def write_report(self) -> None:
        """Write the JUnit file from the journal. Raises RecordError."""
        write_report(self.report(), self.plan.report_path)

    # ---- finish --------------------------------------------------------------------------------------

    def finish(self, state: RunState, why: str = "") -> RunFinished:
        """Safe state first, then its proof, then the closing; each step on its own. Safe to call twice."""
        if self.finished is not None:
            return self.finished
        output_off = self._switch_off()
        self.stalls.stop()
        self._stack.close()
        ended_s = self.now_s()
        if state is RunState.COMPLETE:
            self._look_back()
        self.finished = RunFinished(
            state=state,
            why=why,
            output_off=output_off,
            duration_s=ended_s,
            critical_path_s=critical_path_s(self.plan.profile, self.checks) or None,
            utc=self.clock.utc().isoformat(),
            at_s=self.now_s(),
        )
        try:
            self.current = None  # if there was one it did not end; the journal shows its start without an end
            self.write(self.finished)
            self._journal.close()
        finally:
            self.write_report()
        return self.finished

    def later(self, work: Callable[[], None]) -> None:
        """Have something reckoned when the board is off and may be taken away: nothing of it is judged."""
        self._later.append(work)

    def _look_back(self) -> None:
        """What was put off, and what whoever asked for it makes of the finished checks.

        It can fail; that never costs the verdict.
        """
        later, self._later = self._later, []
        look, self.before_end = self.before_end, None
        for work in (*later, *((lambda: look(self),) if look else ())):
            self._try(work)

    def _try(self, work: Callable[[], None]) -> None:
        try:
            work()
        except Exception as wrong:  # whatever it is: the end of the run must still be written
            with suppress(RecordError):
                self.note("looking back failed", f"{type(wrong).__name__}: {wrong}; the verdict does not depend on it")

    def _switch_off(self) -> str:
        """Output off and read back, or the guard lets loose; returns the sentence for the record."""
        if self._on_bench is None or not self._on_bench.bench.supply.may_be_on:
            self._dismiss_guard()
            return "off: switched off and read back" if self._on_bench else "off: never switched on"
        try:
            self._on_bench.bench.supply.output_off()
        except BenchrigError as wrong:
            self._guard.let_it_act()
            return f"NOT PROVEN OFF by the runner ({wrong.message}); see the power guard's line"
        self._dismiss_guard()
        return "off: switched off and read back"

    def _dismiss_guard(self) -> None:
        """Without orders there is nothing to release it from: it ends with its pipe."""
        if self._guard.stands_by:
            self._guard.release()
        else:
            self._guard.let_it_act()


def sha256_of(path: Path) -> str:
    """Hash of a file's bytes. Raises RecordError."""
    try:
        return hashlib.sha256(path.read_bytes()).hexdigest()
    except OSError as wrong:
        raise RecordError(f"{path}: cannot be read for its hash: {wrong.strerror or wrong}") from wrong
