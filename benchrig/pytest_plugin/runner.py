"""Runs boards inside pytest: parametrises by slot, ties tests to checks, keeps the three outcomes apart.

One test is one check. A violated limit lets the test go on and fails it once at its end, with everything found. An
error of the board or of the bench ends the test and is charged by its type. Absence is not success: required
checks that did not run make the board incomplete, whatever pytest's own count says.
"""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING, NoReturn

import pytest

from benchrig.board.checks import USES
from benchrig.board_run import BoardRun, sha256_of
from benchrig.cautions import cautions
from benchrig.errors import BenchrigError, ConfigError, RecordError
from benchrig.procedures.critical_path import expected_s
from benchrig.pytest_plugin.markers import PLACE_FIXTURE, check_marker, place_of, slot_of, use_of
from benchrig.pytest_plugin.options import BoardPlace, runs_tests
from benchrig.pytest_plugin.progress import Progress
from benchrig.pytest_plugin.stop_signals import StopSignals, has_line
from benchrig.pytest_plugin.summary import board_lines, exit_status, is_waived, never_begun, plot_lines, write_summary
from benchrig.pytest_plugin.workers import ERRORS_KEY, OUTPUT_KEY, TOLD_KEY
from benchrig.records import CheckFinished, LimitJudged, Verdict
from benchrig.report.text import safe_text, shown_lines

if TYPE_CHECKING:
    from collections.abc import Generator

    from benchrig.check import Check
    from benchrig.pytest_plugin.bench_session import BenchSession


class BenchRunner:
    """The plugin object of a pytest run that works with a bench."""

    def __init__(self, config: pytest.Config, session: BenchSession) -> None:
        self._config = config
        self._session = session
        self._suite_sha256 = ""
        self._use = ""
        self._errors: list[str] = []
        self._records_lost = False
        self._signals = StopSignals(self._note_signal)
        self._boards: list[dict[str, str]] = []
        self._closed = False
        self._progress = Progress(config, session.clock, expected_s(session.options.boards[0].profile))

    # ---- collection ----------------------------------------------------------------------------------

    def pytest_generate_tests(self, metafunc: pytest.Metafunc) -> None:
        """Every test that works with a board runs once for each board; the boards come one after another."""
        if PLACE_FIXTURE in metafunc.fixturenames:
            places = self._session.options.boards
            metafunc.parametrize(
                PLACE_FIXTURE, places, ids=[place.serial for place in places], indirect=True, scope="session"
            )

    @pytest.hookimpl(trylast=True)
    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        """Check the markers, group by slot in the suite's own order, and hash the suite's files."""
        slots = [place.slot for place in self._session.options.boards]
        items.sort(key=lambda item: slots.index(place.slot) if (place := place_of(item)) else -1)
        checks = [item for item in items if place_of(item)]
        for item in checks:
            check_marker(item)
        uses = {use for item in checks if (use := use_of(item))}
        if len(uses) > 1:
            raise pytest.UsageError(f"tests of several uses were chosen ({', '.join(sorted(uses))}); run one at a time")
        self._use = next(iter(uses), USES[0])
        checks = self._leave_out(items, checks)
        for slot in slots:
            names = [check_marker(item)[0] for item in checks if slot_of(item) == slot]
            self._session.chosen[slot] = tuple(dict.fromkeys(names))
        self._session.say = self._progress.say
        files = sorted({item.path for item in checks})
        self._suite_sha256 = hashlib.sha256("".join(sha256_of(path) for path in files).encode()).hexdigest()
        self._progress.expect(len(checks))

    def _leave_out(self, items: list[pytest.Item], checks: list[pytest.Item]) -> list[pytest.Item]:
        """Take out what this bench cannot do and nobody requires: it is said before power, and costs no board its pass.

        Returns the checks that stay.
        """
        beyond = [item for item in checks if self._is_beyond(item)]
        if beyond:
            self._config.hook.pytest_deselected(items=beyond)
            items[:] = [item for item in items if item not in beyond]
        return [item for item in checks if item not in beyond]

    def _is_beyond(self, item: pytest.Item) -> bool:
        place, name = place_of(item), check_marker(item)[0]
        return (
            place is not None
            and name in self._session.fitness[place.slot].lost
            and name not in place.profile.required[self._use]
        )

    @pytest.hookimpl(tryfirst=True)
    def pytest_collection_finish(self, session: pytest.Session) -> None:
        """A fault that the simulated bench does not have is bad input: said before anything is written."""
        if runs_tests(self._config) and any(place_of(item) for item in session.items):
            try:
                self._session.refuse_by_history(self._use)
                self._session.check_simulation()
            except ConfigError as wrong:
                raise pytest.UsageError(wrong.message) from None

    # ---- session -------------------------------------------------------------------------------------

    def pytest_sessionstart(self) -> None:
        if runs_tests(self._config):
            self._signals.install()
            self._session.start_processes()

    def _note_signal(self, name: str) -> None:
        self._session.interrupted = f"interrupted by {name}"

    @pytest.hookimpl(tryfirst=True)
    def pytest_keyboard_interrupt(self, excinfo: pytest.ExceptionInfo[BaseException]) -> None:
        excinfo.traceback = excinfo.traceback.filter(has_line)
        self._session.interrupted = self._session.interrupted or f"interrupted: {str(excinfo.value) or 'Ctrl-C'}"

    def pytest_internalerror(self, excrepr: object) -> None:
        self._session.interrupted = "interrupted by an internal error of the test run"

    @pytest.hookimpl(wrapper=True)
    def pytest_sessionfinish(self, session: pytest.Session) -> Generator[None, object, object]:
        """Safe state before anything else, and no second Ctrl-C in between; then the exit code."""
        self._close()
        result = yield
        if runs_tests(self._config):
            session.exitstatus = exit_status(
                int(session.exitstatus),
                self._boards,
                named=self._serials,
                bench_failed=self._records_lost or bool(self._errors),
            )
        return result

    def pytest_unconfigure(self) -> None:
        self._close()
        self._signals.restore()

    def _close(self) -> None:
        self._signals.let_go()
        if self._closed:
            return
        self._closed = True
        self._progress.stop()
        for wrong in self._session.close():
            self._tell(wrong)
        writer = self._config.get_terminal_writer() if self._has_terminal() else None
        self._boards = [board_lines(run, writer) for run in self._session.runs.values()]
        if self._session.options.plots:
            self._boards = [board | plot_lines(board) for board in self._boards]
        output = getattr(self._config, "workeroutput", None)
        if output is not None:
            output[OUTPUT_KEY], output[ERRORS_KEY] = self._boards, self._errors
            output[TOLD_KEY] = list(self._session.told)

    @property
    def _serials(self) -> list[str]:
        return [place.serial for place in self._session.options.boards]

    # ---- checks --------------------------------------------------------------------------------------

    def board_run(self, request: pytest.FixtureRequest) -> BoardRun:
        """The run of the slot that this test is for; ended when pytest turns to another slot."""
        place = getattr(request, "param", None)
        if not isinstance(place, BoardPlace):
            raise pytest.UsageError("name board_run among the arguments of the test: it is made once for each board")
        request.addfinalizer(lambda: self._finish(place.slot))
        return self._session.run_for(place, use=self._use, suite_sha256=self._suite_sha256)

    def _finish(self, slot: str) -> None:
        with self._signals.held():
            try:
                self._session.finish(slot)
            except BenchrigError as wrong:
                self._tell(wrong)

    def _tell(self, wrong: BenchrigError) -> None:
        """Keep an error for the end of the output; that the records are lost was said already."""
        if not (self._records_lost and isinstance(wrong, RecordError)):
            self._errors.append(wrong.message)

    def check(self, item: pytest.Item, run: BoardRun) -> Check:
        """The check that a test's `measure` works with."""
        assert run.current is not None, f"{item.name} has no check in progress"
        return run.current

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_setup(self, item: pytest.Item) -> Generator[None, object, object]:
        place = place_of(item)
        if place is None:
            return (yield)
        name, needs, always = check_marker(item)
        self._progress.start(name, place.serial)
        try:
            run = self._session.runs.get(place.slot) or self._begin(place, name)
            why = run.refused(name) or _why_not(run, needs, always=always)
            if why:
                self._progress.end(run.not_run(name, why))
                pytest.skip(f"not run: {why}")
            run.start_check(name)
            try:
                return (yield)
            except BaseException as wrong:
                self._end_by(item, run, wrong)
                raise
        except RecordError as wrong:
            self._stop_without_records(item, wrong)

    def _begin(self, place: BoardPlace, name: str) -> BoardRun:
        """Open bench and board; what goes wrong here ends the first check, charged to the bench.

        One board at a time: the one before is switched off and its run ended first.
        """
        for slot in self._session.runs:
            self._finish(slot)
        try:
            return self._session.run_for(place, use=self._use, suite_sha256=self._suite_sha256)
        except ConfigError as wrong:
            self._session.interrupted = "interrupted: the configuration cannot be used"
            pytest.exit(wrong.message, returncode=pytest.ExitCode.USAGE_ERROR)
        except BenchrigError as wrong:
            run = self._session.runs.get(place.slot)
            if run is None:  # not even its journal could be begun
                raise
            run.start_check(name)
            run.charge(wrong)
            self._progress.end(run.end_check())
            _fail(f"{Verdict.BENCH_ERROR}: {wrong.message}")

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_call(self, item: pytest.Item) -> Generator[None, object, object]:
        place = place_of(item)
        run = self._session.runs.get(place.slot) if place else None
        if run is None or run.current is None:
            return (yield)
        try:
            try:
                result = yield
            except BaseException as wrong:
                self._end_by(item, run, wrong)
                raise
            self._end(item, run)
        except RecordError as wrong:
            self._stop_without_records(item, wrong)
        return result

    def _end_by(self, item: pytest.Item, run: BoardRun, wrong: BaseException) -> None:
        """Something else than a limit ended the check. An interruption leaves it open: the journal shows that."""
        if run.current is None or isinstance(wrong, KeyboardInterrupt | pytest.exit.Exception):
            return
        if isinstance(wrong, BenchrigError):
            run.charge(wrong)
            self._end(item, run)
        elif isinstance(wrong, pytest.skip.Exception):
            run.current.end_by(Verdict.NOT_RUN, f"the test skipped itself: {wrong}")
            self._note_end(item, run)
        else:
            run.current.end_by(*_broken(wrong))
            self._note_end(item, run)

    def _end(self, item: pytest.Item, run: BoardRun) -> None:
        """End the check; pytest's own verdict follows from that of the check."""
        finished, next_action = self._note_end(item, run)
        if finished.verdict not in (Verdict.PASS, Verdict.WAIVED):
            text = f"{finished.check}: {finished.verdict}: {finished.why}"
            _fail(f"{text}\nnext: {next_action}" if next_action else text)

    def _note_end(self, item: pytest.Item, run: BoardRun) -> tuple[CheckFinished, str]:
        """The end of the check, and what to do about it: what its worst finding says."""
        assert run.current is not None
        judged, not_passed = run.current.judged, run.current.not_passed()
        finished = run.end_check()
        for one in judged:
            if isinstance(one, LimitJudged) and one.value is not None:
                item.user_properties.append((f"{one.check}.{one.limit} [{one.unit}]", one.value))
        item.user_properties.append((f"{finished.check}.verdict", finished.verdict.value))
        self._progress.end(finished)
        found = [one.next_action for one in not_passed if one.verdict is finished.verdict and one.next_action]
        return finished, finished.next_action or next(iter(found), "")

    def _stop_without_records(self, item: pytest.Item, wrong: RecordError) -> NoReturn:
        """Nothing may go on: what is measured from now on could be shown to nobody."""
        self._records_lost = True
        self._session.interrupted = "interrupted: the records cannot be written"
        item.session.shouldstop = "the records cannot be written"
        _fail(f"{Verdict.BENCH_ERROR}: {wrong.message}")

    @pytest.hookimpl(wrapper=True, tryfirst=True)
    def pytest_runtest_makereport(self) -> Generator[None, pytest.TestReport, pytest.TestReport]:
        """No key in what pytest shows or hands on: a board's text, a traceback or a log could hold one.

        Nor what steers a terminal: the words of an assertion may be a board's.
        """
        report = yield

        def clean(text: str) -> str:
            return safe_text(self._session.secrets.text(text))

        if report.longrepr is not None and clean(shown := str(report.longrepr)) != shown:
            report.longrepr = clean(shown)
        report.sections = [(title, self._session.secrets.text(text)) for title, text in report.sections]
        return report

    # ---- terminal ------------------------------------------------------------------------------------

    def pytest_report_header(self) -> list[str]:
        options = self._session.options
        bench = options.bench
        simulated = f", SIMULATED, {options.scale:g} times as fast as life" if bench.simulation else ""
        lines = [f"bench: {bench.name} ({bench.path}){simulated}"]
        lines += [f"slot {place.slot}: board {place.serial}, profile {place.profile.name}" for place in options.boards]
        for name in dict.fromkeys(name for place in options.boards for name in bench.slots[place.slot].instruments):
            spec = bench.instruments[name]
            due = f", calibration due {spec.calibration_due}" if spec.calibration_due else ", no calibration date"
            lines.append(f"{spec.kind} {name}: {spec.maker} {spec.model} serial {spec.serial}{due}")
        for slot, fitness in self._session.fitness.items():
            lines.append(f"slot {slot}: what this bench can decide: {fitness.summary()}")
            lines += [f"  {warning}" for warning in fitness.warnings()]
        return lines + [f"caution: {caution}" for caution in cautions(bench)]

    def pytest_report_teststatus(self, report: pytest.TestReport) -> tuple[str, str, str] | None:
        """On a terminal the progress line says it; a dot beside it would only be noise."""
        if is_waived(report):
            return "waived", "" if self._progress.shown else "w", "WAIVED"
        if self._progress.shown and report.when == "call" and report.outcome in ("passed", "failed"):
            return report.outcome, "", report.outcome.upper()
        return None

    def pytest_terminal_summary(self, terminalreporter: pytest.TerminalReporter, exitstatus: int) -> None:
        boards = self._boards
        if runs_tests(self._config) and exitstatus != pytest.ExitCode.USAGE_ERROR:
            boards = [*boards, *never_begun(boards, named=self._serials)]
        write_summary(terminalreporter, boards, errors=self._errors, told=self._session.told)

    def _has_terminal(self) -> bool:
        return self._config.pluginmanager.has_plugin("terminalreporter")


def _why_not(run: BoardRun, needs: tuple[str, ...], *, always: bool) -> str:
    """Why a check is not run; '' when it may. The bench is a need of every check but those that always run."""
    if always:
        return "" if run.has_begun else run.blocked.get("bench", "the bench was never opened")
    return next((run.blocked[need] for need in ("bench", *needs) if need in run.blocked), "")


def _fail(text: str) -> NoReturn:
    """Fail a test by a sentence alone; where it came from stands in the journal."""
    raise pytest.fail.Exception(shown_lines(text), pytrace=False) from None


def _broken(wrong: BaseException) -> tuple[Verdict, str]:
    """Who is charged with what a test raised: what it asserts is said of the board; anything else broke by itself."""
    if isinstance(wrong, AssertionError | pytest.fail.Exception):
        return Verdict.FAIL, f"the test itself failed: {_words(wrong)}"
    return Verdict.BENCH_ERROR, f"the test itself broke, which says nothing about the board: {_words(wrong)}"


def _words(wrong: BaseException) -> str:
    """What an exception says; its type when it says nothing or is not meant to be read."""
    text = str(wrong)
    return text if text and isinstance(wrong, AssertionError | pytest.fail.Exception) else repr(wrong)
