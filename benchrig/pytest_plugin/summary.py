"""What the terminal shows at the end: one table for each board, and where the reports lie."""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol

from benchrig.records import Verdict
from benchrig.report.table import board_table, verdict_line

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pytest

    from benchrig.board_run import BoardRun


class Writer(Protocol):
    """What is used of pytest's terminal writer, whose class pytest does not export."""

    @property
    def fullwidth(self) -> int: ...

    def markup(self, text: str, **markup: bool) -> str: ...


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
    report = run.report()
    width = max(100, min(writer.fullwidth, 150)) if writer else 110

    def paint(text: str, verdict: Verdict) -> str:
        return writer.markup(text, **_MARKUP[verdict]) if writer else text

    return {
        "verdict": report.verdict.verdict.value,
        "line": verdict_line(report),
        "table": board_table(report, width=width, paint=paint),
        "report": str(run.plan.report_path),
        "journal": str(run.journal_path),
    }


def write_summary(reporter: pytest.TerminalReporter, boards: Sequence[dict[str, str]]) -> None:
    """One section; under -q the verdict line and the paths alone."""
    if not boards:
        return
    quiet = reporter.config.getoption("verbose") < 0
    if not quiet:
        reporter.section("boards", sep="=")
    for board in boards:
        reporter.write_line(board["line"] if quiet else board["table"])
        reporter.write_line(f"report:  {board['report']}")
        reporter.write_line(f"journal: {board['journal']}")
