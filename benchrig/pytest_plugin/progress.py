"""Progress on a terminal: one line for each check as it ends, and what runs now with the time left."""

from __future__ import annotations

import threading
from typing import TYPE_CHECKING

import pytest

from benchrig.records import Verdict

if TYPE_CHECKING:
    from collections.abc import Mapping

    from benchrig.clock import Clock
    from benchrig.records import CheckFinished

_TICK_S = 0.25


class Progress:
    """Writes nothing when output is no terminal, under -q, or in an xdist worker."""

    def __init__(self, config: pytest.Config, clock: Clock, expected_s: Mapping[str, float]) -> None:
        """`expected_s`: bench seconds that each check takes about."""
        self._config = config
        self._clock = clock
        self._expected_s = expected_s
        self._count = 0
        self._done = 0
        self._check = ""
        self._board = ""
        self._began_s = 0.0
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None
        self._writing = threading.Lock()

    @property
    def shown(self) -> bool:
        reporter = self._reporter()
        return reporter is not None and bool(reporter.isatty) and self._config.getoption("verbose") == 0

    def expect(self, count: int) -> None:
        """How many checks are to come."""
        self._count = count

    def start(self, check: str, board: str) -> None:
        """A check begins."""
        self._check, self._board, self._began_s = check, board, self._clock.now_s()
        if self.shown and self._thread is None:
            self._thread = threading.Thread(target=self._tick, name="progress", daemon=True)
            self._thread.start()

    def end(self, finished: CheckFinished) -> None:
        """A check ended: its line stays."""
        self._done += 1
        reporter = self._reporter()
        if not self.shown or reporter is None:
            return
        with self._writing:
            self._check = ""
            reporter.ensure_newline()
            reporter.rewrite(
                f"  {self._done:2d}/{self._count}  {self._board}  {finished.check}: {finished.verdict}, "
                f"{finished.duration_s:.1f} s",
                erase=True,
                **({"green": True} if finished.verdict is Verdict.PASS else {"red": True}),
            )
            reporter.write_line("")

    def stop(self) -> None:
        """No more ticks; a second call does nothing."""
        self._stop.set()
        if self._thread is not None:
            self._thread.join(timeout=1.0)
            self._thread = None

    def _tick(self) -> None:
        while not self._stop.wait(_TICK_S):
            with self._writing:
                self._write_now()

    def _write_now(self) -> None:
        reporter = self._reporter()
        check = self._check
        if reporter is None or not check:
            return
        elapsed_s = self._clock.now_s() - self._began_s
        left_s = max(0.0, self._expected_s.get(check, 0.0) - elapsed_s)
        reporter.rewrite(
            f"  {self._done + 1:2d}/{self._count}  {self._board}  {check} ... {elapsed_s:.0f} s"
            + (f", about {left_s:.0f} s left" if left_s else ""),
            erase=True,
        )

    def _reporter(self) -> pytest.TerminalReporter | None:
        plugin = self._config.pluginmanager.get_plugin("terminalreporter")
        return plugin if isinstance(plugin, pytest.TerminalReporter) else None
