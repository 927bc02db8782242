"""Runs boards inside pytest: parametrises by slot, ties tests to checks, keeps the three outcomes apart.

One test is one check. A violated limit lets the test go on and fails it once at its end, with everything found. An
error of the board or of the bench ends the test and is charged by its type. Absence is not success: required
checks that did not run make the board incomplete, whatever pytest's own count says.
"""

from __future__ import annotations

import hashlib
import signal
from contextlib import contextmanager
from typing import TYPE_CHECKING

import pytest

from benchrig.board.checks import USES
from benchrig.board_run import BoardRun, sha256_of
from benchrig.cautions import cautions
from benchrig.errors import BenchrigError, ConfigError, RecordError
from benchrig.exit_codes import exit_code
from benchrig.procedures.critical_path import expected_s
from benchrig.pytest_plugin.options import BoardPlace
from benchrig.pytest_plugin.progress import Progress
from benchrig.pytest_plugin.summary import board_lines, write_summary
from benchrig.pytest_plugin.workers import OUTPUT_KEY
from benchrig.records import CheckFinished, LimitJudged, Verdict

if TYPE_CHECKING:
    from collections.abc import Generator, Iterator

    from benchrig.check import Check
    from benchrig.pytest_plugin.bench_session import BenchSession

_PLACE_FIXTURE = "board_run"


class BenchRunner:
    """The plugin object of a pytest run that works with a bench."""

    def __init__(self, config: pytest.Config, session: BenchSession) -> None:
        self._config = config
        self._session = session
        self._suite_sha256 = ""
        self._use = ""
        self._errors: list[str] = []
        self._boards: list[dict[str, str]] = []
        self._closed = False
        self._progress = Progress(config, session.clock, expected_s(session.options.boards[0].profile))

    # ---- collection ----------------------------------------------------------------------------------

    def pytest_generate_tests(self, metafunc: pytest.Metafunc) -> None:
        """Every test that works with a board runs once for each board; the boards come one after another."""
        if _PLACE_FIXTURE in metafunc.fixturenames:
            places = self._session.options.boards
            metafunc.parametrize(
                _PLACE_FIXTURE, places, ids=[place.serial for place in places], indirect=True, scope="session"
            )

    @pytest.hookimpl(trylast=True)
    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        """Check the markers, group by slot in the suite's own order, and hash the suite's files."""
        slots = [place.slot for place in self._session.options.boards]
        items.sort(key=lambda item: slots.index(place.slot) if (place := _place(item)) else -1)
        checks = [item for item in items if _place(item)]
        for item in checks:
            _check_marker(item)
        uses = {use for item in checks if (use := _use(item))}
        if len(uses) > 1:
            raise pytest.UsageError(f"tests of several uses were chosen ({', '.join(sorted(uses))}); run one at a time")
        self._use = next(iter(uses), USES[0])
        files = sorted({item.path for item in checks})
        self._suite_sha256 = hashlib.sha256("".join(sha256_of(path) for path in files).encode()).hexdigest()
        self._progress.expect(len(checks))

    # ---- session -------------------------------------------------------------------------------------

    def pytest_sessionstart(self) -> None:
        if not self._config.option.collectonly:
            signal.signal(signal.SIGTERM, _stop_orderly)
            self._session.start_processes()

    def pytest_keyboard_interrupt(self, excinfo: pytest.ExceptionInfo[BaseException]) -> None:
        word = str(excinfo.value) or "Ctrl-C"
        self._session.interrupted = f"interrupted by {word}"

    def pytest_internalerror(self, excrepr: object) -> None:
        self._session.interrupted = "interrupted by an internal error of the test run"

    @pytest.hookimpl(wrapper=True)
    def pytest_sessionfinish(self, session: pytest.Session) -> Generator[None, object, object]:
        """Safe state before anything else, and no second Ctrl-C in between; then the exit code."""
        with _undisturbed():
            self._close()
        result = yield
        if not session.config.option.collectonly and int(session.exitstatus) in (0, 1, 2, 5):
            session.exitstatus = exit_code(self._session.verdicts)
        return result

    def pytest_unconfigure(self) -> None:
        with _undisturbed():
            self._close()

    def _close(self) -> None:
        if self._closed:
            return
        self._closed = True
        self._progress.stop()
        self._errors += self._session.close()
        writer = self._config.get_terminal_writer() if self._has_terminal() else None
        self._boards = [board_lines(run, writer) for run in self._session.runs.values()]
        output = getattr(self._config, "workeroutput", None)
        if output is not None:
            output[OUTPUT_KEY] = self._boards

    # ---- checks --------------------------------------------------------------------------------------

    def board_run(self, request: pytest.FixtureRequest) -> BoardRun:
        """The run of the slot that this test is for; ended when pytest turns to another slot."""
        place: BoardPlace = request.param
        request.addfinalizer(lambda: self._session.finish(place.slot))
        return self._session.run_for(place, use=self._use, suite_sha256=self._suite_sha256)

    def check(self, item: pytest.Item, run: BoardRun) -> Check:
        """The check that a test's `measure` works with."""
        assert run.current is not None, f"{item.name} has no check in progress"
        return run.current

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_setup(self, item: pytest.Item) -> Generator[None, object, object]:
        place = _place(item)
        if place is None:
            return (yield)
        name, needs, always = _check_marker(item)
        self._progress.start(name, place.serial)
        run = self._session.runs.get(place.slot)
        if run is None:
            run = self._begin(place, name)
        why = _why_not(run, needs, always=always)
        if why:
            self._progress.end(run.not_run(name, why))
            pytest.skip(f"not run: {why}")
        run.start_check(name)
        return (yield)

    def _begin(self, place: BoardPlace, name: str) -> BoardRun:
        """Open bench and board; what goes wrong here ends the first check, charged to the bench."""
        try:
            return self._session.run_for(place, use=self._use, suite_sha256=self._suite_sha256)
        except ConfigError as wrong:
            self._session.interrupted = "interrupted: the configuration cannot be used"
            pytest.exit(wrong.message, returncode=pytest.ExitCode.USAGE_ERROR)
        except RecordError as wrong:
            self._session.interrupted = "interrupted: the records cannot be written"
            self._errors.append(wrong.message)
            pytest.exit(wrong.message, returncode=exit_code([Verdict.BENCH_ERROR]))
        except BenchrigError as wrong:
            run = self._session.runs[place.slot]
            run.start_check(name)
            run.charge(wrong)
            self._progress.end(run.end_check())
            pytest.fail(f"{Verdict.BENCH_ERROR}: {wrong.message}", pytrace=False)

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_call(self, item: pytest.Item) -> Generator[None, object, object]:
        place = _place(item)
        run = self._session.runs.get(place.slot) if place else None
        if run is None or run.current is None:
            return (yield)
        try:
            result = yield
        except BenchrigError as wrong:
            run.charge(wrong)
            result = None
        except BaseException as wrong:
            self._end_by_test(item, run, wrong)
            raise
        finished = self._end(item, run)
        if finished.verdict not in (Verdict.PASS, Verdict.WAIVED):
            pytest.fail(_failure_text(finished, item), pytrace=False)
        return result

    def _end_by_test(self, item: pytest.Item, run: BoardRun, wrong: BaseException) -> None:
        """The test's own code ended it. An interruption leaves the check open: the journal shows that."""
        assert run.current is not None
        if isinstance(wrong, pytest.skip.Exception):
            run.current.end_by(Verdict.NOT_RUN, f"the test skipped itself: {wrong}")
        elif isinstance(wrong, Exception | pytest.fail.Exception):
            run.current.end_by(Verdict.FAIL, f"the test itself failed: {wrong}")
        else:
            return
        self._end(item, run)

    def _end(self, item: pytest.Item, run: BoardRun) -> CheckFinished:
        assert run.current is not None
        judged = run.current.judged
        finished = run.end_check()
        for one in judged:
            if isinstance(one, LimitJudged) and one.value is not None:
                item.user_properties.append((f"{one.check}.{one.limit} [{one.unit}]", one.value))
        item.user_properties.append((f"{finished.check}.verdict", finished.verdict.value))
        self._progress.end(finished)
        return finished

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
        return lines + [f"caution: {caution}" for caution in cautions(bench)]

    def pytest_report_teststatus(self, report: pytest.TestReport) -> tuple[str, str, str] | None:
        """On a terminal the progress line says it; a dot beside it would only be noise."""
        if self._progress.shown and report.when == "call" and report.outcome in ("passed", "failed"):
            return report.outcome, "", report.outcome.upper()
        return None

    def pytest_terminal_summary(self, terminalreporter: pytest.TerminalReporter) -> None:
        write_summary(terminalreporter, self._boards)
        for text in self._errors:
            terminalreporter.write_line(f"bench error: {text}", red=True)

    def _has_terminal(self) -> bool:
        return self._config.pluginmanager.has_plugin("terminalreporter")


def _place(item: pytest.Item) -> BoardPlace | None:
    """The board that an item is for, None for a test without a board."""
    spec = getattr(item, "callspec", None)
    place = spec.params.get(_PLACE_FIXTURE) if spec else None
    return place if isinstance(place, BoardPlace) else None


def _use(item: pytest.Item) -> str:
    marker = item.get_closest_marker("board_use")
    use = str(marker.args[0]) if marker and marker.args else ""
    if use and use not in USES:
        raise pytest.UsageError(f"{item.nodeid}: board_use({use!r}): accepted: {', '.join(USES)}")
    return use


def _check_marker(item: pytest.Item) -> tuple[str, tuple[str, ...], bool]:
    """Name, needs and always of a test's check; the function's name when it has no marker."""
    marker = item.get_closest_marker("check")
    if marker is None:
        function = getattr(item, "originalname", None) or item.name
        return str(function).removeprefix("test_"), ("power", "board"), False
    unknown = set(marker.kwargs) - {"needs", "always"}
    if len(marker.args) != 1 or not isinstance(marker.args[0], str) or unknown:
        raise pytest.UsageError(f"{item.nodeid}: accepted: check('name', needs=['power', 'board'], always=False)")
    return marker.args[0], tuple(marker.kwargs.get("needs", ())), bool(marker.kwargs.get("always", False))


def _why_not(run: BoardRun, needs: tuple[str, ...], *, always: bool) -> str:
    """Why a check is not run; '' when it may. The bench is a need of every check but those that always run."""
    if always:
        return "" if run.has_begun else run.blocked.get("bench", "the bench was never opened")
    return next((run.blocked[need] for need in ("bench", *needs) if need in run.blocked), "")


def _failure_text(finished: CheckFinished, item: pytest.Item) -> str:
    text = f"{finished.check}: {finished.verdict}: {finished.why}"
    return f"{text}\nnext: {finished.next_action}" if finished.next_action else text


def _stop_orderly(number: int, frame: object) -> None:
    """SIGTERM ends a run as Ctrl-C does: pytest tears down, the output goes off, the report says interrupted."""
    signal.signal(signal.SIGTERM, signal.SIG_IGN)
    raise KeyboardInterrupt("SIGTERM")


@contextmanager
def _undisturbed() -> Iterator[None]:
    """Signals wait: whatever runs inside ends before anybody can break into it."""
    blocked = {signal.SIGINT, signal.SIGTERM}
    signal.pthread_sigmask(signal.SIG_BLOCK, blocked)
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_UNBLOCK, blocked)
