"""The serial ports of the simulated bench: pseudo-terminals whose far end a client opens and closes.

Owns: file descriptors and noticing open, close and bytes without polling.  Must not know what is said.  Linux tells of
an opened far end through inotify, of bytes and of a hang-up through the near end; both are event driven.
"""

from __future__ import annotations

import ctypes
import os
import select
import struct
import termios
import tty
from contextlib import contextmanager, suppress
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    import asyncio
    from collections.abc import Callable, Iterator

IN_OPEN: Final = 0x20
_INOTIFY_EVENT = struct.Struct("iIII")


class Pty:
    """One serial port; bytes that are sent while nobody has it open are lost, as on a real line."""

    def __init__(
        self, watcher: PtyWatcher, *, received: Callable[[bytes], None], opened: Callable[[bool], None]
    ) -> None:
        """`received` gets bytes from the client, `opened` whether a client now has the port open."""
        self._near, far = os.openpty()
        tty.setraw(far)
        self.path = os.ttyname(far)
        os.close(far)
        os.set_blocking(self._near, False)
        self._received = received
        self._opened = opened
        self.is_open = False
        self._is_present = True
        self._watcher = watcher
        watcher.add(self, near=self._near)

    def send(self, data: bytes) -> None:
        """Give bytes to the client that has the port open, if any."""
        self.notice_state()
        if self.is_open:
            with suppress(OSError):  # a client that never reads loses bytes, it must not stop the bench
                os.write(self._near, data)

    def vanish(self) -> None:
        """Disappear as an unplugged adapter does."""
        if self._is_present:
            self._is_present = False
            self._watcher.remove(near=self._near)
            os.close(self._near)
            self._set_open(is_open=False)

    def take_input(self) -> None:
        """Pass on what the client has written."""
        while self._is_present:
            try:
                data = os.read(self._near, 4096)
            except OSError:  # nothing left, or the far end is closed
                return
            self._received(data)

    def notice_state(self) -> None:
        """Find out whether a client has the port open now."""
        if self._is_present:
            poll = select.poll()
            poll.register(self._near, 0)
            self._set_open(is_open=not poll.poll(0))

    def client_has_come(self) -> None:
        """Take note of an opened far end; if it counted as open already, the client before went unnoticed."""
        if self.is_open:
            self._forget_unread()
        self.notice_state()

    def _set_open(self, *, is_open: bool) -> None:
        if is_open == self.is_open:
            return
        self.is_open = is_open
        if not is_open and self._is_present:
            self._forget_unread()
        self._opened(is_open)

    def _forget_unread(self) -> None:
        # Linux keeps what a client left unread for the next one, a serial adapter does not.  Only the far end can
        # discard it, and opening that must not look like a client.
        with self._watcher.unwatched(self):
            far = os.open(self.path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
            termios.tcflush(far, termios.TCIFLUSH)
            os.close(far)


class PtyWatcher:
    """Wakes the event loop when something happens on any of the ports."""

    def __init__(self, *, before: Callable[[], None]) -> None:
        """`before` runs before any port is told of an event; it brings bench time up to date."""
        self._before = before
        # Edge triggered: a closed far end is a lasting hang-up and would wake a level-triggered loop for ever.
        self._epoll = select.epoll()
        self._libc = ctypes.CDLL(None, use_errno=True)
        self._inotify = self._libc.inotify_init1(os.O_NONBLOCK | os.O_CLOEXEC)
        if self._inotify < 0:
            raise OSError(ctypes.get_errno(), "inotify_init1 failed")
        self._by_near: dict[int, Pty] = {}
        self._by_watch: dict[int, Pty] = {}

    def add(self, pty: Pty, *, near: int) -> None:
        """Watch a port."""
        self._by_near[near] = pty
        self._epoll.register(near, select.EPOLLIN | select.EPOLLHUP | select.EPOLLET)
        self._watch(pty)

    def remove(self, *, near: int) -> None:
        """Stop watching a port."""
        self._epoll.unregister(near)
        del self._by_near[near]

    @contextmanager
    def unwatched(self, pty: Pty) -> Iterator[None]:
        """Do not notice that the far end is opened meanwhile."""
        watch = next(watch for watch, watched in self._by_watch.items() if watched is pty)
        self._libc.inotify_rm_watch(self._inotify, watch)
        del self._by_watch[watch]
        yield
        self._watch(pty)

    def _watch(self, pty: Pty) -> None:
        watch = self._libc.inotify_add_watch(self._inotify, os.fsencode(pty.path), IN_OPEN)
        if watch < 0:
            raise OSError(ctypes.get_errno(), f"inotify_add_watch failed for {pty.path}")
        self._by_watch[watch] = pty

    def attach(self, loop: asyncio.AbstractEventLoop) -> None:
        """Let the event loop wake the watcher."""
        loop.add_reader(self._epoll.fileno(), self._near_event)
        loop.add_reader(self._inotify, self._far_event)

    def _near_event(self) -> None:
        self._before()
        for near, _ in self._epoll.poll(0):
            if near in self._by_near:
                pty = self._by_near[near]
                pty.take_input()
                pty.notice_state()

    def _far_event(self) -> None:
        self._before()
        data = os.read(self._inotify, 4096)
        for offset in range(0, len(data), _INOTIFY_EVENT.size):
            watch, *_ = _INOTIFY_EVENT.unpack_from(data, offset)  # a watched node has no name appended
            pty = self._by_watch.get(watch)
            if pty is not None:
                pty.client_has_come()
