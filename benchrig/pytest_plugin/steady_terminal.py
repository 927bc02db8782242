"""A terminal that goes away costs a run nothing but what it would have shown.

pytest writes each line as it comes; where that fails - a full disk, a reader that left - pytest itself breaks, and the
run with it. Here the run goes on to its end, and the exit code tells that not everything was shown. Owns the standard
output of a pytest run that works with a bench, and the last word on the exit code.
"""

from __future__ import annotations

import sys
from contextlib import suppress
from typing import TYPE_CHECKING

import pytest

from benchrig.exit_codes import ExitCode
from benchrig.report.steady_output import SteadyOutput, steady_stdout

if TYPE_CHECKING:
    from typing import TextIO


def stand_in() -> None:
    """Put something where a process was started without a standard output: pytest flushes what stands there."""
    if sys.stdout is None:
        sys.stdout = SteadyOutput(None)


class SteadyTerminal:
    """Takes `sys.stdout` over before pytest's reporter is made, and gives it back at the end."""

    def __init__(self) -> None:
        self._before: TextIO = sys.stdout
        self._output = sys.stdout if isinstance(sys.stdout, SteadyOutput) else steady_stdout()
        self._session: pytest.Session | None = None
        if self._output is not None:
            sys.stdout = self._output

    @property
    def output(self) -> SteadyOutput | None:
        return self._output

    @pytest.hookimpl(tryfirst=True)
    def pytest_sessionstart(self, session: pytest.Session) -> None:
        self._session = session

    @pytest.hookimpl(trylast=True)
    def pytest_unconfigure(self) -> None:
        """The summary was the last to be written: now it is known whether all was."""
        output, self._output = self._output, None
        if output is None:
            return
        if sys.stdout is output:
            sys.stdout = self._before
        output.end()
        if output.lost:
            self._tell(output.lost)

    def _tell(self, why: str) -> None:
        with suppress(OSError, AttributeError):  # standard error may be gone as well
            sys.stderr.write(f"standard output could not be written ({why}); journals and reports hold everything\n")
        if self._session is not None and self._session.exitstatus == pytest.ExitCode.OK:
            self._session.exitstatus = ExitCode.OUTPUT_LOST
