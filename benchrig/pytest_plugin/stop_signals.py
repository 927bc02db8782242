"""SIGINT and SIGTERM during a run: the first one ends it in order, the next ones cannot break into that.

Handlers, not a signal mask: Python runs a handler in the main thread whichever thread the signal reached, so a
mask of the main thread holds nothing back while the console reader and the progress line have threads of their own.
"""

from __future__ import annotations

import signal
import threading
from contextlib import contextmanager
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

_NUMBERS = (signal.SIGINT, signal.SIGTERM)


class StopSignals:
    """Owns both signals from `install` to `restore`. `on_first` is told the name of the one that ends the run."""

    def __init__(self, on_first: Callable[[str], None]) -> None:
        self._on_first = on_first
        self._before: dict[signal.Signals, object] = {}
        self._held = 0
        self._waiting = ""
        self._over = False

    def install(self) -> None:
        """Take the signals over; one that the caller ignores stays ignored (a job in the background of a shell)."""
        if threading.current_thread() is not threading.main_thread():
            return  # only the main thread may; the power guard still stands behind this
        for number in _NUMBERS:
            if signal.getsignal(number) is not signal.SIG_IGN:
                self._before[number] = signal.signal(number, self._arrived)

    def let_go(self) -> None:
        """The run is ending: whatever comes from now on changes nothing any more."""
        self._over = True

    def restore(self) -> None:
        """Give the signals back; a second call does nothing."""
        for number, handler in self._before.items():
            signal.signal(number, handler)  # type: ignore[arg-type]  # typeshed cannot name what getsignal gave
        self._before.clear()

    @contextmanager
    def held(self) -> Iterator[None]:
        """A signal that comes inside waits until the end of the block."""
        self._held += 1
        try:
            yield
        finally:
            self._held -= 1
            if self._waiting and not self._held and not self._over:
                self._stop(self._waiting)

    def _arrived(self, number: int, frame: object) -> None:
        name = signal.Signals(number).name
        if self._held:
            self._waiting = self._waiting or name
        elif not self._over:
            self._stop(name)

    def _stop(self, name: str) -> None:
        self._over = True
        self._on_first(name)
        raise KeyboardInterrupt(name)


class Entry(Protocol):
    """What is asked of an entry of pytest's traceback, whose class pytest does not export."""

    @property
    def lineno(self) -> int: ...


def has_line(entry: Entry) -> bool:
    """Whether an entry stands on a line of source.

    A signal may hit an instruction that belongs to none (CPython 3.11 and later); pytest's own report of the
    interruption fails on such an entry, and with it the exit code.
    """
    try:
        return entry.lineno >= 0
    except TypeError:
        return False
