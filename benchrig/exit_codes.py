"""Exit codes beyond pytest's own (0 to 5), so that a script can tell a bad board from a bad bench.

0 stays: every board passed. The codes do not collide with pytest 9 or with signals (128 + n).
"""

from __future__ import annotations

from enum import IntEnum
from typing import TYPE_CHECKING

from benchrig.records import Verdict

if TYPE_CHECKING:
    from collections.abc import Iterable


class ExitCode(IntEnum):
    """How a run of boards ended; when several hold, the first of this order that holds is returned."""

    BENCH_ERROR = 12
    NOT_PASSED = 10
    INCOMPLETE = 11
    OUTPUT_LOST = 13
    PASSED = 0


MEANING = {
    ExitCode.PASSED: "every board passed: all required checks ran and passed, or were validly waived",
    ExitCode.NOT_PASSED: "a board did not pass: a check failed or stayed undecided",
    ExitCode.INCOMPLETE: "a required check did not run, or the run was interrupted",
    ExitCode.BENCH_ERROR: "the bench failed: the run proves nothing about the board",
    ExitCode.OUTPUT_LOST: "all is well, but standard output could not be written; journals and reports hold everything",
}

_CODE = {
    Verdict.PASS: ExitCode.PASSED,
    Verdict.FAIL: ExitCode.NOT_PASSED,
    Verdict.UNDECIDED: ExitCode.NOT_PASSED,
    Verdict.BENCH_ERROR: ExitCode.BENCH_ERROR,
    Verdict.NOT_RUN: ExitCode.INCOMPLETE,
    Verdict.WAIVED: ExitCode.NOT_PASSED,  # checks are waived, never a board: this is no verdict that may pass
}


def exit_code(verdicts: Iterable[Verdict]) -> ExitCode:
    """The code for the board verdicts of a run. No board at all is incomplete, never passed."""
    codes = {_CODE[verdict] for verdict in verdicts} or {ExitCode.INCOMPLETE}
    return next(code for code in ExitCode if code in codes)
