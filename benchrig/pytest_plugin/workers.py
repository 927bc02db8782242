"""Coexistence with pytest-xdist: a bench is one piece of hardware, and files are written where the wires are.

A worker runs boards as an ordinary pytest run does and sends what it has to say to the controller, which prints it
and gives the exit code. More workers than independent slots are refused.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from benchrig.errors import ConfigError
from benchrig.exit_codes import exit_code
from benchrig.pytest_plugin.summary import write_summary
from benchrig.records import Verdict

if TYPE_CHECKING:
    from benchrig.pytest_plugin.options import BenchOptions

OUTPUT_KEY = "benchrig_boards"


def refuse_too_many_workers(config: pytest.Config, options: BenchOptions) -> None:
    """Raises ConfigError when more workers are asked for than slots that share no instrument."""
    workers = getattr(config.option, "numprocesses", None) or 0
    independent = independent_slots(options)
    if isinstance(workers, int) and workers > independent:
        raise ConfigError(
            f"-n {workers}: this run has {independent} slot{'s' if independent != 1 else ''} that share no instrument "
            f"({', '.join(place.slot for place in options.boards)} on {options.bench.name}); accepted: -n 1"
            + (f" to -n {independent}" if independent > 1 else "")
        )


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

    @pytest.hookimpl(optionalhook=True)
    def pytest_testnodedown(self, node: object, error: object) -> None:
        """A worker that crashed lacks the key: its boards then count as not run."""
        self._boards += getattr(node, "workeroutput", {}).get(OUTPUT_KEY, [])

    @pytest.hookimpl(trylast=True)
    def pytest_sessionfinish(self, session: pytest.Session) -> None:
        if session.config.option.collectonly or session.exitstatus not in (0, 1, 2):
            return
        verdicts = [Verdict(board["verdict"]) for board in self._boards]
        missing = len(self._options.boards) - len(verdicts)
        session.exitstatus = exit_code([*verdicts, *[Verdict.NOT_RUN] * missing])

    def pytest_terminal_summary(self, terminalreporter: pytest.TerminalReporter) -> None:
        write_summary(terminalreporter, self._boards)
