"""The bench for the length of one pytest run: processes started early, instruments opened at first need."""

from __future__ import annotations

import gc
from contextlib import ExitStack, suppress
from typing import TYPE_CHECKING

from benchrig.bench.open_bench import OpenBench
from benchrig.bench.power_guard import PowerGuard
from benchrig.bench_air import BenchAir
from benchrig.bench_fitness import Eyes, bench_fitness
from benchrig.board_run import BoardRun
from benchrig.clock import ScaledClock
from benchrig.errors import BenchError, BenchrigError
from benchrig.journal_signature import read_signing_key, sign_journal
from benchrig.known_secrets import KnownSecrets
from benchrig.procedures.stamps import scaled_stamp_uncertainty_s
from benchrig.production.air_budget import price_air
from benchrig.production.diagnosis import note_causes
from benchrig.production.left_open import tell_untried
from benchrig.records import RunState
from benchrig.run_history import RunHistory
from benchrig.run_plan import RunPlan
from benchrig.simulated_bench import Addresses, SimulatedBench

if TYPE_CHECKING:
    from collections.abc import Callable

    from benchrig.bench_fitness import BenchFitness
    from benchrig.board.air import AirPath
    from benchrig.pytest_plugin.options import BenchOptions, BoardPlace
    from benchrig.records import InstrumentRecord

_NO_ADDRESSES = Addresses({}, {}, 1.0, ())


class BenchSession:
    """Owns everything that a pytest run has open. `close` is safe at any time, any number of times."""

    def __init__(self, options: BenchOptions) -> None:
        """Says what the bench can decide before anything is opened. Raises ConfigError."""
        self.options = options
        self.clock = ScaledClock(options.scale)
        self.fitness = {place.slot: self._fitness(place) for place in options.boards}
        self.runs: dict[str, BoardRun] = {}
        self.chosen: dict[str, tuple[str, ...]] = {}
        self.say: Callable[[str], None] = lambda _: None
        self.interrupted = ""
        self._simulation: SimulatedBench | None = None
        self._addresses: Addresses | BenchError | None = options.by_hand
        self._bench: OpenBench | None = None
        self._instruments: tuple[InstrumentRecord, ...] = ()
        self._spare_guard: PowerGuard | None = None
        self._air: BenchAir | None = None
        self.secrets = KnownSecrets()
        self.history = RunHistory(options.history, options.reports) if options.history else None
        self._sign_key = read_signing_key(options.sign_key) if options.sign_key else None
        self._told: list[str] = []

    def _fitness(self, place: BoardPlace) -> BenchFitness:
        bench = self.options.bench
        stamp_u_s = scaled_stamp_uncertainty_s(self.options.scale)
        today = self.clock.utc().date()
        return bench_fitness(Eyes(bench, bench.slots[place.slot], place.profile, stamp_u_s, today))

    def start_processes(self) -> None:
        """Start the simulated bench and the first power guard; their imports overlap with pytest's collection."""
        if self.options.bench.simulation is not None and self.options.by_hand is None:
            boards = [part for place in self.options.boards for part in ("--board", f"{place.slot}={place.serial}")]
            arguments = (*self.options.simulator_arguments, *boards)
            self._simulation = SimulatedBench(self.options.bench.path, arguments)
        self._spare_guard = PowerGuard()

    def check_simulation(self) -> None:
        """Wait for the simulated bench. Raises ConfigError, before anything is written, for a fault that it lacks."""
        with suppress(BenchError):  # `run_for` charges that to the bench, in the journal of a run
            self._found_addresses()

    def run_for(self, place: BoardPlace, *, use: str, suite_sha256: str) -> BoardRun:
        """The run of one slot, begun at the first call. An error is written into its journal before it rises."""
        if place.slot in self.runs:
            return self.runs[place.slot]
        guard, self._spare_guard = self._spare_guard or PowerGuard(), None
        try:
            run = BoardRun(self._plan(place, use, suite_sha256), self.clock, guard, secrets=self.secrets)
        except BaseException:
            guard.let_it_act()  # it has no orders: it ends
            raise
        run.before_end = note_causes
        run.later(lambda: tell_untried(run))
        self.runs[place.slot] = run
        bench, ports = self._opened(run), self._found_addresses().serial
        run.begin(bench, self._instruments, ports, air=self._air_of(run, place))
        told = price_air(run, self.chosen.get(place.slot, ()))
        if told:
            self.say(f"slot {place.slot}: {told}")
        return run

    def _air_of(self, run: BoardRun, place: BoardPlace) -> AirPath | None:
        """The way to this board over its radio; None where nothing of the bench hears it."""
        if self._air is None:
            told, options = self._found_addresses(), self.options
            self._air = BenchAir(
                options.bench,
                listen=told.gateways_listen,
                radios=told.radios,
                clock=self.clock,
                reports=options.reports,
                secrets=self.secrets,
            )
        return self._air.link(place.slot, board=place.serial, note=run.note)

    def finish(self, slot: str) -> None:
        """End the run of a slot; harmless when it never began or has ended."""
        run = self.runs.get(slot)
        if run is not None:
            state = RunState.INTERRUPTED if self.interrupted else RunState.COMPLETE
            is_new = run.finished is None
            try:
                run.finish(state, self.interrupted)
            finally:
                if is_new:
                    self._keep(run)

    def refuse_by_history(self, use: str) -> None:
        """Boards that may not be tried again. Raises ConfigError, before anything is written."""
        if self.history is not None:
            boards = [place.serial for place in self.options.boards]
            simulated = self.options.bench.simulation is not None
            self.history.refuse_third_attempts(boards, use=use, simulated=simulated)

    @property
    def told(self) -> tuple[str, ...]:
        """What history and signatures have to say, none of which changes a verdict."""
        return (*self._told, *(self.history.told if self.history else ()))

    def _keep(self, run: BoardRun) -> None:
        """Sign the journal of a run that has ended, and take it into the history. What goes wrong is told."""
        if self._sign_key is not None:
            try:
                sign_journal(run.journal_path, self._sign_key)
            except BenchrigError as wrong:
                self._told.append(wrong.message)
        if self.history is not None:
            self.history.keep()

    def close(self) -> list[BenchrigError]:
        """Finish every run, close the instruments, end the processes; each step whatever the one before did.

        Returns what went wrong, all of it.
        """
        wrong: list[BenchrigError] = []
        with ExitStack() as last_comes_first:
            if self._simulation is not None:
                last_comes_first.callback(self._simulation.stop)
            if self.history is not None:
                last_comes_first.callback(self.history.close)
            if self._spare_guard is not None:
                last_comes_first.callback(self._spare_guard.let_it_act)
                self._spare_guard = None
            if self._bench is not None:
                last_comes_first.callback(self._bench.close)
            if self._air is not None:
                last_comes_first.callback(self._air.close)
            for slot in self.runs:
                try:
                    self.finish(slot)
                except BenchrigError as error:
                    wrong.append(error)
        return wrong

    def _plan(self, place: BoardPlace, use: str, suite_sha256: str) -> RunPlan:
        options = self.options
        simulated = options.bench.simulation is not None
        return RunPlan(
            use=use,
            board=place.serial,
            slot=place.slot,
            bench=options.bench,
            profile=place.profile,
            reports=options.reports,
            suite_sha256=suite_sha256,
            simulated_faults=options.faults,
            operator=options.operator,
            fitness=self.fitness[place.slot],
            waivers=options.waivers,
            provenance=options.provenance,
            said_by_others=self.history.others(place.serial, simulated=simulated) if self.history else None,
            options={f"source of {name}": source for name, source in options.sources.items()},
        )

    def _found_addresses(self) -> Addresses:
        if self._addresses is None:
            try:
                self._addresses = self._simulation.addresses() if self._simulation else _NO_ADDRESSES
            except BenchError as wrong:
                self._addresses = wrong  # it announces itself once; the next board is told the same
        if isinstance(self._addresses, BenchError):
            raise self._addresses
        return self._addresses

    def _opened(self, run: BoardRun) -> OpenBench:
        if self._bench is None:
            slots = tuple(place.slot for place in self.options.boards)
            # a full collection of all that was imported would stall a check in its middle, and a stamp with it
            gc.collect()
            gc.freeze()
            today = self.clock.utc().date()
            bench = OpenBench(self.options.bench, slots, self._found_addresses().instruments, today=today)
            self._instruments = bench.open(lambda kind, text: self._note(run, kind, text))
            self._bench = bench
        return self._bench

    def _note(self, opener: BoardRun, kind: str, text: str) -> None:
        """What an instrument has to say goes to the run in progress, which need not be the one that opened it."""
        active = next((run for run in self.runs.values() if run.finished is None), opener)
        if active.finished is None:
            active.note(kind, text, charged_to="bench")
