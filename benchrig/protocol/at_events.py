"""What happens in an AT dialogue, as frozen values. Stamps are the seconds that the bytes were given with."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from benchrig.protocol.at_rules import Outcome


class Side(StrEnum):
    """Who spoke."""

    HOST = "host"
    MODEM = "modem"


@dataclass(frozen=True, slots=True)
class Sent:
    """A command of the host. `attempt`: 2 for one that was sent again, and so on; `text` is as it was meant.

    `lost_first`: its first character did not come, and was put back.
    """

    text: str
    began_s: float
    at_s: float
    attempt: int
    lost_first: bool


@dataclass(frozen=True, slots=True)
class Echo:
    """The modem sent the command back. `lost_first`: without its first character, which it slept through."""

    text: str
    at_s: float
    lost_first: bool


@dataclass(frozen=True, slots=True)
class Result:
    """The final result of a command; `numeric` when it came as a number."""

    text: str
    at_s: float
    outcome: Outcome
    command: str
    numeric: bool


@dataclass(frozen=True, slots=True)
class Information:
    """A line of the modem between a command and its final result."""

    text: str
    at_s: float
    command: str


@dataclass(frozen=True, slots=True)
class Unsolicited:
    """A line that the modem sends unasked, by the name of its pattern."""

    name: str
    text: str
    at_s: float


@dataclass(frozen=True, slots=True)
class Stray:
    """A whole line of the modem while no command was open; `outcome` when it is a final result, too late or unasked."""

    text: str
    at_s: float
    outcome: Outcome | None


@dataclass(frozen=True, slots=True)
class Unanswered:
    """A command whose final result did not come, and why it is not waited for any more."""

    command: str
    at_s: float
    why: str
    outcome: Outcome


@dataclass(frozen=True, slots=True)
class Garbage:
    """Bytes that are no line of a dialogue."""

    side: Side
    raw: bytes
    at_s: float
    why: str


@dataclass(frozen=True, slots=True)
class HalfLine:
    """A line that began and was not ended."""

    side: Side
    raw: bytes
    at_s: float
    why: str


@dataclass(frozen=True, slots=True)
class Overflow:
    """Bytes were lost before they could be read (`lost` None: nobody knows how many)."""

    side: Side
    at_s: float
    lost: int | None


Event = Sent | Echo | Result | Information | Unsolicited | Stray | Unanswered | Garbage | HalfLine | Overflow


@dataclass(frozen=True, slots=True)
class HandOver:
    """A payload that was handed to the modem, and what it answered (`answered_s` None: nothing)."""

    at_s: float
    port: int
    payload: bytes
    command: str
    attempt: int
    lost_first: bool
    outcome: Outcome
    answer: str
    answered_s: float | None
