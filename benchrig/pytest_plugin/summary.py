"""What the terminal shows at the end: one table for each board, and where the reports lie."""

from __future__ import annotations

from pathlib import Path
from shutil import get_terminal_size
from typing import TYPE_CHECKING, Protocol

import pytest

from benchrig.errors import RecordError
from benchrig.exit_codes import ExitCode, exit_code
from benchrig.records import RunState, Verdict
from benchrig.report.columns import fitted, width_for
from benchrig.report.table import board_table, verdict_line
from benchrig.report.text import shown_lines
from benchrig.run_plots import draw_run

if TYPE_CHECKING:
    from collections.abc import Sequence

    from benchrig.board_run import BoardRun


class Writer(Protocol):
    """What is used of pytest's terminal writer, whose class pytest does not export."""

    def markup(self, text: str, **markup: bool) -> str: ...


_ENDED_EARLY = (pytest.ExitCode.INTERRUPTED, pytest.ExitCode.NO_TESTS_COLLECTED)
_MARKUP = {
    Verdict.PASS: {"green": True},
    Verdict.FAIL: {"red": True, "bold": True},
    Verdict.UNDECIDED: {"yellow": True, "bold": True},
    Verdict.BENCH_ERROR: {"purple": True, "bold": True},
    Verdict.NOT_RUN: {"red": True, "bold": True},
    Verdict.WAIVED: {"cyan": True},
}


def board_lines(run: BoardRun, writer: Writer | None) -> dict[str, str]:
    """Everything the summary needs of one board, as texts that can be sent from a worker."""
    paths = {"board": run.plan.board, "report": str(run.plan.report_path), "journal": str(run.journal_path)}
    try:
        report = run.report()
    except RecordError as wrong:  # somebody took the journal away; the run cannot be counted on
        line = shown_lines(f"{run.plan.board}: BENCH ERROR: {wrong.message}")
        return {**paths, "verdict": Verdict.BENCH_ERROR.value, "line": line, "table": line, "state": ""}
    width = width_for(get_terminal_size((0, 0)).columns, otherwise=100) if writer else 110

    def paint(text: str, verdict: Verdict) -> str:
        return writer.markup(text, **_MARKUP[verdict]) if writer else text

    return {
        **paths,
        "verdict": report.verdict.verdict.value,
        "line": verdict_line(report),
        "table": board_table(report, width=width, paint=paint),
        "state": report.state.value,
    }


def plot_lines(board: dict[str, str]) -> dict[str, str]:
    """Draw the plots of a run that ended by itself, and say where they lie. What goes wrong is told and no more.

    The bench is off by now, and verdict and report are written: nothing here can change them.
    """
    if board["state"] != RunState.COMPLETE.value:
        return {}
    try:
        drawn = draw_run(Path(board["journal"]))
    except Exception as wrong:  # whatever a drawing library runs into is no reason to lose a verdict
        return {"plots": f"plots:   not drawn: {type(wrong).__name__}: {wrong}"}
    names = ", ".join(path.name for path in drawn.paths)
    lines = [f"plots:   {names} in {drawn.paths[0].parent}"] if drawn.paths else []
    return {"plots": "\n".join([*lines, *drawn.problems])}


def never_begun(boards: Sequence[dict[str, str]], *, named: Sequence[str]) -> list[dict[str, str]]:
    """A line for each board that was named on the command line and of which no check began."""
    begun = {board["board"] for board in boards}
    lines = {serial: f"{serial}: INCOMPLETE (no check of it began)" for serial in named if serial not in begun}
    return [
        {"board": serial, "verdict": Verdict.NOT_RUN.value, "line": line, "table": line}
        for serial, line in lines.items()
    ]


def exit_status(own: int, boards: Sequence[dict[str, str]], *, named: Sequence[str], bench_failed: bool) -> int:
    """The exit status of a pytest run of boards; `own` is the one that pytest itself would give.

    Bad input (4) and pytest's own failure (3) stay. Where every board passed and pytest still says that something
    failed or was interrupted - another test, a teardown - that stays, too.
    """
    if own not in (pytest.ExitCode.OK, pytest.ExitCode.TESTS_FAILED, *_ENDED_EARLY):
        return own
    verdicts = [Verdict(board["verdict"]) for board in (*boards, *never_begun(boards, named=named))]
    code = exit_code([*verdicts, *[Verdict.BENCH_ERROR] * bench_failed])
    return own if code is ExitCode.PASSED else code


def is_waived(report: pytest.TestReport) -> bool:
    """Whether this ended a check that is waived: neither passed nor failed, and counted apart."""
    ended = report.when == "call" and report.outcome == "passed"
    return ended and any(
        name.endswith(".verdict") and value == Verdict.WAIVED for name, value in report.user_properties
    )


def write_summary(
    reporter: pytest.TerminalReporter,
    boards: Sequence[dict[str, str]],
    *,
    errors: Sequence[str] = (),
    told: Sequence[str] = (),
) -> None:
    """One section; under -q the verdict line and the paths alone. `told` changes no verdict, and is always shown."""
    if not boards:
        return
    quiet = reporter.config.getoption("verbose") < 0
    columns = get_terminal_size().columns if reporter.isatty else 0
    if not quiet:
        reporter.section("boards", sep="=")
    for board in boards:
        reporter.write_line(fitted(board["line"] if quiet else board["table"], columns))
        if "report" in board:
            reporter.write_line(f"report:  {board['report']}")
            reporter.write_line(f"journal: {board['journal']}")
        if board.get("plots"):
            reporter.write_line(board["plots"])
    for text in told:
        reporter.write_line(shown_lines(text))
    for text in errors:
        reporter.write_line(f"bench error: {shown_lines(text)}", red=True)
