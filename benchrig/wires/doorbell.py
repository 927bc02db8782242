"""Waiting for the bytes of a port: for a caller, and aside for a thread that reads while no caller does.

Owns the pipe that ends every wait. Must not read from the port itself. A caller that comes or goes only changes
what the waiting thread listens to: waking it each time would stand between the arrival of a line and its caller.
"""

from __future__ import annotations

import contextlib
import math
import os
import select


class Doorbell:
    """Tells of bytes, of a port that vanished, and of `ring`. One waits, at most one other waits aside."""

    def __init__(self) -> None:
        self._port = self._pipe_out = self._pipe_in = -1
        self._near = select.poll()
        self._aside: select.epoll | select.poll = select.poll()  # holds no descriptor before it is opened

    def open(self, port: int) -> None:
        """Watch this descriptor from now on; what rang before is forgotten."""
        self.close()
        self._port = port
        self._pipe_out, self._pipe_in = os.pipe()
        os.set_blocking(self._pipe_in, False)
        self._near = select.poll()
        self._aside = _new_aside()
        for descriptor in (port, self._pipe_out):
            self._near.register(descriptor, select.POLLIN)
            self._aside.register(descriptor, select.POLLIN)

    def wait(self, timeout_s: float | None) -> bool:
        """Whether there is something to read, or the port failed: as soon as that is so, or after the time-out.

        None waits for ever. It does not wait after `ring`.
        """
        timeout_ms = None if timeout_s is None else max(0, math.ceil(timeout_s * 1000.0))
        return self._port in dict(self._near.poll(timeout_ms))

    def wait_aside(self) -> None:
        """The same for a second thread, for ever, and while `stand_back` is on for nothing but a ring."""
        with contextlib.suppress(OSError, ValueError):  # closed meanwhile: that rings, too
            self._aside.poll()

    def stand_back(self, *, on: bool) -> None:
        """Whether bytes are no business of the one that waits aside; bytes that are there when it ends are."""
        if self._port >= 0:
            self._aside.modify(self._port, 0 if on else select.POLLIN)

    def ring(self) -> None:
        """End every wait, and those to come until the next `open`."""
        with contextlib.suppress(OSError):  # full: it rings already; closed: nobody waits
            os.write(self._pipe_in, b"!")

    def close(self) -> None:
        """Watch nothing any more; nobody may be waiting. A second call does nothing."""
        if hasattr(self._aside, "close"):
            self._aside.close()
        if self._port >= 0:
            os.close(self._pipe_out)
            os.close(self._pipe_in)
        self._port = self._pipe_out = self._pipe_in = -1


def _new_aside() -> select.epoll | select.poll:
    # An epoll takes a change while somebody waits in it. Where there is none (it is Linux's own) a poll takes the
    # change at its next wait: then bytes of a caller wake the thread for nothing, and it waits for its turn.
    return select.epoll() if hasattr(select, "epoll") else select.poll()
