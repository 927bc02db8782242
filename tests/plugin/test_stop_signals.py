"""What a signal does to a run in progress: the first ends it, none breaks into its end."""

from __future__ import annotations

import signal
import threading
from typing import TYPE_CHECKING

import pytest

from benchrig.pytest_plugin.stop_signals import StopSignals, has_line

if TYPE_CHECKING:
    from collections.abc import Iterator

BOTH = [signal.SIGINT, signal.SIGTERM]


class Told:
    """A StopSignals that is installed, and the names of signals that ended something."""

    def __init__(self) -> None:
        self.names: list[str] = []
        self.signals = StopSignals(self.names.append)
        self.signals.install()


@pytest.fixture
def told() -> Iterator[Told]:
    """Installed handlers, given back afterwards."""
    found = Told()
    yield found
    found.signals.restore()


@pytest.mark.parametrize("number", BOTH)
def test_first_signal(told: Told, number: signal.Signals) -> None:
    """The first signal tells its name and ends what runs as Ctrl-C does."""
    with pytest.raises(KeyboardInterrupt, match=number.name):
        signal.raise_signal(number)

    assert told.names == [number.name]


@pytest.mark.parametrize("second", BOTH)
def test_second_signal(told: Told, second: signal.Signals) -> None:
    """A second signal of either kind changes nothing: the end is under way."""
    with pytest.raises(KeyboardInterrupt, match="SIGINT"):
        signal.raise_signal(signal.SIGINT)

    signal.raise_signal(second)

    assert told.names == ["SIGINT"]


def test_signal_while_held(told: Told) -> None:
    """A signal that comes inside a held block waits until its end, nested blocks and repetition included."""
    done = []
    with pytest.raises(KeyboardInterrupt, match="SIGTERM"), told.signals.held():  # noqa: PT012  # order is the point
        with told.signals.held():
            signal.raise_signal(signal.SIGTERM)
            done.append("inner")
        signal.raise_signal(signal.SIGINT)
        done.append("outer")

    assert done == ["inner", "outer"]
    assert told.names == ["SIGTERM"]


def test_held_without_a_signal(told: Told) -> None:
    """A held block without a signal ends as if it were not held."""
    with told.signals.held():
        pass

    assert told.names == []


def test_signal_sent_to_another_thread(told: Told) -> None:
    """A signal that another thread catches is held back, too."""
    with pytest.raises(KeyboardInterrupt, match="SIGINT"), told.signals.held():  # noqa: PT012  # all inside is held
        thread = threading.Thread(target=lambda: signal.pthread_kill(threading.get_ident(), signal.SIGINT))
        thread.start()
        thread.join()

    assert told.names == ["SIGINT"]


def test_after_letting_go(told: Told) -> None:
    """Once the run lets go, signals change nothing until they are given back."""
    told.signals.let_go()

    signal.raise_signal(signal.SIGTERM)
    signal.raise_signal(signal.SIGINT)

    assert told.names == []


def test_restored() -> None:
    """Handlers that stood before stand again afterwards, and restoring twice is harmless."""
    before = [signal.getsignal(number) for number in BOTH]
    signals = StopSignals(print)
    signals.install()
    changed = [signal.getsignal(number) for number in BOTH]

    signals.restore()
    signals.restore()

    assert [signal.getsignal(number) for number in BOTH] == before
    assert before != changed


def test_ignored_stays_ignored() -> None:
    """A signal that whoever started the run ignores, as a shell does for background jobs, stays ignored."""
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    signals = StopSignals(print)
    try:
        signals.install()
        assert signal.getsignal(signal.SIGINT) is signal.SIG_IGN
    finally:
        signals.restore()
        signal.signal(signal.SIGINT, before)


def test_another_thread_installs_nothing() -> None:
    """In a thread that may not set handlers nothing is set and nothing breaks."""
    before = signal.getsignal(signal.SIGTERM)
    thread = threading.Thread(target=StopSignals(print).install)

    thread.start()
    thread.join()

    assert signal.getsignal(signal.SIGTERM) is before


def test_entry_without_a_line_is_left_out() -> None:
    """An interruption at an instruction of no line is reported all the same, with the entries that have one."""

    def interrupted() -> None:
        raise KeyboardInterrupt("SIGINT")

    interrupted.__code__ = interrupted.__code__.replace(co_linetable=b"")
    with pytest.raises(KeyboardInterrupt, match="SIGINT") as caught:
        interrupted()

    kept = caught.traceback.filter(has_line)

    assert (len(caught.traceback), len(kept)) == (2, 1)
    caught.traceback = kept
    assert "KeyboardInterrupt: SIGINT" in str(caught.getrepr(funcargs=True))
