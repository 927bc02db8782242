"""Coexistence with pytest-xdist: a bench is one piece of hardware, and files are written where the wires are.

A worker runs boards as an ordinary pytest run does and sends what it has to say to the controller, which prints it
and gives the exit code. More workers than independent slots are refused.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from benchrig.errors import ConfigError
from benchrig.pytest_plugin.options import runs_tests
from benchrig.pytest_plugin.summary import exit_status, is_waived, never_begun, write_summary

if TYPE_CHECKING:
    from benchrig.pytest_plugin.options import BenchOptions

OUTPUT_KEY = "benchrig_boards"
ERRORS_KEY = "benchrig_errors"
TOLD_KEY = "benchrig_told"


def refuse_too_many_workers(config: pytest.Config, options: BenchOptions) -> None:
    """Raises ConfigError when more workers are asked for than slots that share no instrument."""
    workers = workers_asked_for(config)
    independent = independent_slots(options)
    many = "s" if independent != 1 else ""
    if workers > independent:
        raise ConfigError(
            f"{workers} workers (-n {workers}): this run has {independent} slot{many} that share no instrument "
            f"({', '.join(place.slot for place in options.boards)} on {options.bench.name}); accepted: -n 1"
            + (f" to -n {independent}" if independent > 1 else "")
        )


def workers_asked_for(config: pytest.Config) -> int:
    """How many workers xdist will start, by `-n` or by `--tx 2*popen`; 0 without it, and in a worker."""
    if getattr(config.option, "dist", "no") == "no" or hasattr(config, "workerinput"):
        return 0
    counts = (str(spec).partition("*") for spec in getattr(config.option, "tx", None) or ())
    return sum(int(count) if star and count.isdigit() else 1 for count, star, _ in counts)


def independent_slots(options: BenchOptions) -> int:
    """How many of the chosen slots can work at one time: groups that share no instrument with another."""
    groups: list[set[str]] = []
    for place in options.boards:
        used = set(options.bench.slots[place.slot].instruments)
        joined = [group for group in groups if group & used]
        groups = [group for group in groups if not group & used]
        groups.append(used.union(*joined))
    return len(groups)


class BenchController:
    """The controller's part: it opens nothing, collects what the workers say, prints it."""

    def __init__(self, options: BenchOptions) -> None:
        self._options = options
        self._boards: list[dict[str, str]] = []
        self._errors: list[str] = []
        self._told: list[str] = []

    @pytest.hookimpl(optionalhook=True)
    def pytest_testnodedown(self, node: object, error: object) -> None:
        """A worker that crashed lacks the key: its boards then count as not run."""
        output = getattr(node, "workeroutput", {})
        self._boards += output.get(OUTPUT_KEY, [])
        self._errors += output.get(ERRORS_KEY, [])
        self._told += output.get(TOLD_KEY, [])

    def pytest_report_teststatus(self, report: pytest.TestReport) -> tuple[str, str, str] | None:
        return ("waived", "w", "WAIVED") if is_waived(report) else None

    @pytest.hookimpl(trylast=True)
    def pytest_sessionfinish(self, session: pytest.Session) -> None:
        if runs_tests(session.config):
            session.exitstatus = exit_status(
                int(session.exitstatus), self._boards, named=self._serials, bench_failed=bool(self._errors)
            )

    def pytest_terminal_summary(self, terminalreporter: pytest.TerminalReporter) -> None:
        boards = [*self._boards, *never_begun(self._boards, named=self._serials)]
        write_summary(terminalreporter, boards, errors=self._errors, told=tuple(dict.fromkeys(self._told)))

    @property
    def _serials(self) -> list[str]:
        return [place.serial for place in self._options.boards]
