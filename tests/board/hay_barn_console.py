"""A console grammar, a note taker and a way to make links, shared by the tests of the console link."""

from __future__ import annotations

from collections.abc import Callable

from benchrig.board.console_link import NOTE_KINDS, ConsoleLink
from benchrig.protocol.console import Grammar, Question

from .far_end import checked

SHORT_S = 0.15
"""A time-out that is meant to pass."""

LONG_S = 5.0
"""A time-out that must not pass."""

MakeLink = Callable[..., ConsoleLink]


def question(name: str, send: str, answer: str, *, timeout_s: float = LONG_S) -> Question:
    """A question with one answer pattern."""
    return Question(name=name, send=send, answers=(answer,), timeout_s=timeout_s)


QUESTIONS = (
    question("identity", "id?", r"ID serial=(?P<serial>\S+)"),
    question("battery", "batt?", r"BATT n=(?P<n>\d+) mv=(?P<mv>\d+)"),
    question("adjust", "cal gain_ppm={gain_ppm}", r"CAL gain_ppm=(?P<gain_ppm>-?\d+)"),
)
NOTICES = {"boot": r"BOOT haybarn boots=(?P<boots>\d+)", "sent": r"REPORT done n=(?P<n>\d+)"}
GRAMMAR = Grammar(questions=QUESTIONS, notices=NOTICES, resets=("boot",), sync="identity")
PLAIN = Grammar(questions=(question("battery", "batt?", r"BATT=(?P<mv>\d+)"),))
BOOT = checked(b"BOOT haybarn boots=18")
IDENTITY = checked(b"ID serial=HB-0001")


def batt(n: int, mv: int = 3699) -> bytes:
    """An answer of the board."""
    return checked(b"BATT n=%d mv=%d" % (n, mv))


class Notes(list[tuple[str, str]]):
    """What the link told of, in order; refuses kinds that are not announced."""

    def __call__(self, kind: str, text: str) -> None:
        """Take a note."""
        assert kind in NOTE_KINDS
        self.append((kind, text))

    def kinds(self) -> list[str]:
        """The kinds only."""
        return [kind for kind, _ in self]
