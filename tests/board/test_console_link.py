"""The console link against a board that the test plays on a real pseudo terminal."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
from typing import TYPE_CHECKING

import pytest

from benchrig.board.console_link import NOTE_KINDS, ConsoleLink
from benchrig.clock import FakeClock, ScaledClock
from benchrig.errors import BoardProtocolError, BoardTimeout, ConfigError, PortError
from benchrig.protocol.console import Checksum, Grammar, Question

from .far_end import FarEnd, checked, until

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

SHORT_S = 0.05
"""A time-out that is meant to pass."""

LONG_S = 5.0
"""A time-out that must not pass."""


def question(name: str, send: str, answer: str) -> Question:
    """A question with a time-out that must not pass."""
    return Question(name=name, send=send, answers=(answer,), timeout_s=LONG_S)


QUESTIONS = (
    question("identity", "id?", r"ID serial=(?P<serial>\S+)"),
    question("battery", "batt?", r"BATT n=(?P<n>\d+) mv=(?P<mv>\d+)"),
    question("adjust", "cal gain_ppm={gain_ppm}", r"CAL gain_ppm=(?P<gain_ppm>-?\d+)"),
)
NOTICES = {"boot": r"BOOT haybarn boots=(?P<boots>\d+)", "sent": r"REPORT done n=(?P<n>\d+)"}
GRAMMAR = Grammar(questions=QUESTIONS, notices=NOTICES, resets=("boot",), sync="identity")
PLAIN = Grammar(questions=(question("battery", "batt?", r"BATT=(?P<mv>\d+)"),))
BOOT = checked(b"BOOT haybarn boots=18")


def batt(n: int, mv: int = 3699) -> bytes:
    """An answer of the board."""
    return checked(b"BATT n=%d mv=%d" % (n, mv))


class Notes(list[tuple[str, str]]):
    """What the link told of, in order; refuses kinds that are not announced."""

    def __call__(self, kind: str, text: str) -> None:
        assert kind in NOTE_KINDS
        self.append((kind, text))

    def kinds(self) -> list[str]:
        """The kinds only."""
        return [kind for kind, _ in self]


@pytest.fixture
def far_end() -> Iterator[FarEnd]:
    """A fresh terminal."""
    made = FarEnd()
    yield made
    made.close()


@pytest.fixture
def notes() -> Notes:
    """Nothing noted yet."""
    return Notes()


MakeLink = "Callable[..., ConsoleLink]"


@pytest.fixture
def make_link(far_end: FarEnd, notes: Notes) -> Iterator[Callable[..., ConsoleLink]]:
    """Makes a link on the terminal; closes it afterwards."""
    links: list[ConsoleLink] = []

    def make(grammar: Grammar = GRAMMAR, checksum: Checksum | None = Checksum(), attempts: int = 3) -> ConsoleLink:
        links.append(ConsoleLink(far_end.open(), grammar, checksum, ScaledClock(), notes, attempts=attempts))
        return links[-1]

    yield make
    for link in links:
        link.close()
