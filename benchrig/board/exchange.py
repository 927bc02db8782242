"""One question's life: when it was sent, what came instead of its answer, and the charge when none came.

Owns the rule that makes an answer a value: it is a complete, undamaged line that matches the question's pattern
and began after the question was sent. All times are bench time. Must not know ports, clocks or repeats.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from benchrig.board.console_log import Awaited, shown
from benchrig.errors import BoardProtocolError, BoardTimeout
from benchrig.protocol.console import Answer, Damaged, Meaning, Unknown

if TYPE_CHECKING:
    from benchrig.protocol.console import Question


@dataclass
class Exchange:
    """One question on its way, over all its attempts. `timeout_s` holds for each; `purpose` stands in messages."""

    question: Question
    message: bytes
    timeout_s: float
    expected_notices: frozenset[str]
    purpose: str = ""
    attempt: int = 0
    sent_s: float = -math.inf
    first_sent_s: float = math.inf
    pending: int = 0  # bytes of an unfinished line that had come before it was sent
    unusable: list[str] = field(default_factory=list)

    @property
    def doing(self) -> str:
        """What the board is to do meanwhile, as messages say it."""
        return f"answering {self.question.name}"

    @property
    def awaited(self) -> Awaited:
        """The notices that do not disturb it; before it was sent, none."""
        return Awaited(self.expected_notices, self.first_sent_s)

    def begin_attempt(self, *, sent_s: float, pending: int) -> None:
        """It is about to be sent."""
        self.sent_s = sent_s
        self.first_sent_s = min(self.first_sent_s, sent_s)
        self.pending = pending

    def is_older(self, meaning: Meaning) -> bool:
        """Whether its line began before this attempt was sent."""
        return meaning.line.began_s <= self.sent_s

    def answer_in(self, meaning: Meaning) -> Answer | None:
        """The answer, if this is it; else what came is kept for the message."""
        if self.is_older(meaning):
            return None
        match meaning:
            case Answer(question=name) if name == self.question.name:
                return meaning
            case Damaged(line=line, why=why):
                self.unusable.append(f"the damaged line {shown(line.text)} ({why})")
            case Unknown(line=line):
                self.unusable.append(f"the line {shown(line.text)}")
        return None

    def last_came(self) -> str:
        """The last that could not be used."""
        return self.unusable[-1] if self.unusable else "nothing"

    def charge(self) -> BoardTimeout | BoardProtocolError:
        """The board's error when no attempt brought the answer; to be raised."""
        times = f"{self.attempt} times, {self.timeout_s:g} s each"
        asked = f"board asked {shown(self.message)}{self.purpose} {times}"
        accepted = " or ".join(map(repr, self.question.answers))
        if not self.unusable:
            return BoardTimeout(
                f"{asked}: no complete answer that began after the question; accepted is {accepted}; "
                "check power, boot, baud rate and wiring of the console"
            )
        came = ", ".join(self.unusable[-3:])
        return BoardProtocolError(
            f"{asked}: last came {came}; accepted is {accepted}; compare profile and firmware, look for noise"
        )
