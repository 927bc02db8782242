"""Progress on a terminal: one line for each check as it ends, and what runs now with the time left.

Lines that stay are pytest's to write. The line that changes while a check runs goes to the terminal by a descriptor
of its own, taken while pytest captures nothing: during a test file descriptor 1 leads into pytest's capture.
"""

from __future__ import annotations

import os
import shutil
import sys
import threading
from contextlib import suppress
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
        self._terminal = -1
        self._width = 0
        self._is_mid_line = False
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None
        self._writing = threading.Lock()

    @property
    def shown(self) -> bool:
        reporter = self._reporter()
        return reporter is not None and bool(reporter.isatty) and self._config.getoption("verbose") == 0

    def expect(self, count: int) -> None:
        """How many checks are to come. From here on their lines stand alone, without the path of the suite."""
        self._count = count
        reporter = self._reporter()
        if reporter is not None and self.shown:
            reporter.showfspath = False

    def start(self, check: str, board: str) -> None:
        """A check begins."""
        self._check, self._board, self._began_s = check, board, self._clock.now_s()
        if self.shown and self._thread is None and self._take_terminal():
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
            self._is_mid_line = False
            reporter.ensure_newline()
            reporter.rewrite(
                f"  {self._done:2d}/{self._count}  {self._board}  {finished.check}: {finished.verdict}, "
                f"{finished.duration_s:.1f} s",
                erase=True,
                **({"green": True} if finished.verdict is Verdict.PASS else {"red": True}),
            )
            reporter.write_line("")
            reporter.flush()

    def say(self, text: str) -> None:
        """A line that stays, on a terminal or not; nothing under -q."""
        reporter = self._reporter()
        if reporter is None or self._config.getoption("verbose") < 0:
            return
        with self._writing:
            if self._is_mid_line:
                self._write("\r" + " " * self._width + "\r")
                self._is_mid_line = False
            reporter.ensure_newline()
            reporter.write_line(text)
            reporter.flush()

    def stop(self) -> None:
        """No more ticks; a second call does nothing."""
        self._stop.set()
        if self._thread is not None:
            self._thread.join(timeout=1.0)
            self._thread = None
        if self._is_mid_line:
            self._write("\n")
        if self._terminal >= 0:
            os.close(self._terminal)
            self._terminal = -1

    def _take_terminal(self) -> bool:
        self._width = shutil.get_terminal_size().columns - 1  # the last column would begin a new line
        with suppress(OSError, ValueError, AttributeError):  # no stdout, or one that is no file
            self._terminal = os.dup(sys.__stdout__.fileno())  # type: ignore[union-attr]  # None: see above
        return self._terminal >= 0 and os.isatty(self._terminal)

    def _tick(self) -> None:
        while not self._stop.wait(_TICK_S):
            with self._writing:
                self._write_now()

    def _write_now(self) -> None:
        check = self._check
        if not check:
            return
        elapsed_s = self._clock.now_s() - self._began_s
        left_s = max(0.0, self._expected_s.get(check, 0.0) - elapsed_s)
        line = f"  {self._done + 1:2d}/{self._count}  {self._board}  {check} ... {elapsed_s:.0f} s"
        line += f", about {left_s:.0f} s left" if left_s else ""
        self._write("\r" + line[: self._width].ljust(self._width))
        self._is_mid_line = True

    def _write(self, text: str) -> None:
        with suppress(OSError):  # a terminal that went away takes nothing from the run
            os.write(self._terminal, text.encode())

    def _reporter(self) -> pytest.TerminalReporter | None:
        plugin = self._config.pluginmanager.get_plugin("terminalreporter")
        return plugin if isinstance(plugin, pytest.TerminalReporter) else None
