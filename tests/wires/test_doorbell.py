"""The two waits of a port on real pipes: who is told of bytes, and that a ring ends everything."""

from __future__ import annotations

import os
import select
import threading
import time
from typing import TYPE_CHECKING

import pytest

from benchrig.wires.doorbell import Doorbell

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

PATIENCE_S = 20.0
"""A time-out that a passing test never uses up."""
SHORT_S = 0.05
"""A time-out that a test waits out on purpose."""


class Pipe:
    """Stands for a port: what is put in can be read out."""

    def __init__(self) -> None:
        self.out, self._in = os.pipe()

    def put(self, data: bytes) -> None:
        os.write(self._in, data)

    def take(self) -> bytes:
        return os.read(self.out, 4096)

    def close(self) -> None:
        os.close(self.out)
        os.close(self._in)


@pytest.fixture
def pipe() -> Iterator[Pipe]:
    """An empty pipe."""
    made = Pipe()
    yield made
    made.close()


@pytest.fixture
def bell(pipe: Pipe) -> Iterator[Doorbell]:
    """A doorbell on the pipe."""
    made = Doorbell()
    made.open(pipe.out)
    yield made
    made.close()


def waiting_aside(bell: Doorbell) -> threading.Thread:
    """A thread that waits aside once."""
    thread = threading.Thread(target=bell.wait_aside, daemon=True)
    thread.start()
    return thread


def test_wait_tells_bytes_from_none(pipe: Pipe, bell: Doorbell) -> None:
    """Without bytes the wait ends after its time, with bytes at once."""
    begin_s = time.monotonic()
    assert not bell.wait(SHORT_S)
    assert time.monotonic() - begin_s >= SHORT_S

    pipe.put(b"x")

    assert bell.wait(None)


CALLS = [
    pytest.param(lambda bell: bell.wait(None), id="wait"),
    pytest.param(lambda bell: bell.wait_aside(), id="wait aside"),
]


@pytest.mark.parametrize("call", CALLS)
def test_ring_ends_a_wait_and_those_to_come(bell: Doorbell, call: Callable[[Doorbell], object]) -> None:
    """A ring ends what would wait for ever, as often as it is tried."""
    ringer = threading.Timer(SHORT_S, bell.ring)
    ringer.start()

    assert not call(bell)
    assert not call(bell)
    ringer.join()


def test_ring_ends_both_waits_at_once(bell: Doorbell) -> None:
    """One ring reaches the caller and the thread that waits aside."""
    thread = waiting_aside(bell)

    bell.ring()

    assert not bell.wait(None)
    thread.join(PATIENCE_S)
    assert not thread.is_alive()


def test_ring_is_forgotten_when_opened_again(pipe: Pipe, bell: Doorbell) -> None:
    """A port that is opened again waits again."""
    bell.ring()
    bell.open(pipe.out)
    begin_s = time.monotonic()

    assert not bell.wait(SHORT_S)

    assert time.monotonic() - begin_s >= SHORT_S


def test_ring_never_blocks(bell: Doorbell) -> None:
    """However often it rings, nobody need answer: 100000 rings are more than a pipe holds (64 KiB, pipe(7))."""
    for _ in range(100_000):
        bell.ring()

    assert not bell.wait(None)


def test_bytes_end_the_wait_aside(pipe: Pipe, bell: Doorbell) -> None:
    """While nobody stands back, bytes are told to the thread."""
    thread = waiting_aside(bell)

    pipe.put(b"x")

    thread.join(PATIENCE_S)
    assert not thread.is_alive()


def test_bytes_of_a_caller_leave_the_thread_waiting(pipe: Pipe, bell: Doorbell) -> None:
    """What comes while the thread stands back is the caller's alone, also when it waited before."""
    thread = waiting_aside(bell)
    bell.stand_back(on=True)

    pipe.put(b"x")
    assert bell.wait(PATIENCE_S)
    thread.join(SHORT_S)
    was_waiting = thread.is_alive()
    pipe.take()
    bell.stand_back(on=False)
    thread.join(SHORT_S)

    assert was_waiting
    assert thread.is_alive()
    bell.ring()
    thread.join(PATIENCE_S)


def test_bytes_that_a_caller_left_are_told_to_the_thread(pipe: Pipe, bell: Doorbell) -> None:
    """When the caller goes without reading, the thread learns of what is there, without anything new."""
    bell.stand_back(on=True)
    thread = waiting_aside(bell)
    pipe.put(b"x")
    assert bell.wait(PATIENCE_S)

    bell.stand_back(on=False)

    thread.join(PATIENCE_S)
    assert not thread.is_alive()


def test_closed_bell_is_left_alone(bell: Doorbell) -> None:
    """After close a ring and a change of turns do nothing, and a second close neither."""
    bell.close()
    bell.close()

    bell.ring()
    bell.stand_back(on=True)
    bell.stand_back(on=False)


def test_system_without_epoll_tells_of_bytes_and_rings(pipe: Pipe, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the system has poll alone, the thread hears of bytes and of a ring all the same."""
    monkeypatch.delattr(select, "epoll")
    bell = Doorbell()
    bell.open(pipe.out)
    pipe.put(b"x")

    bell.wait_aside()
    pipe.take()
    thread = waiting_aside(bell)
    bell.ring()

    thread.join(PATIENCE_S)
    assert not thread.is_alive()
    bell.close()
