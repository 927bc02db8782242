"""What the lines of an AT dialogue mean: result codes of the standard, and the patterns that a profile adds.

Owns the tables. Must not know bytes, stamps or what came before. Source: ITU-T V.250 (07/2003) Table 1 for the result
codes, clause 5.7.1 for their two forms; +CME ERROR from 3GPP TS 27.007, clause 9.2, +CMS ERROR from 3GPP TS 27.005,
clause 3.2.5 (all from memory). V.250 spells NO DIALTONE; with a blank is common practice, no source.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field
from enum import StrEnum
from functools import cached_property
from typing import TYPE_CHECKING

from benchrig.errors import ConfigError

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping


class Outcome(StrEnum):
    """What became of a command. `unknown`: bytes were lost, the answer may have been among them; `open`: the record
    ends before an answer was due."""

    ACCEPTED = "accepted"
    REFUSED = "refused"
    BUSY = "busy"
    UNANSWERED = "unanswered"
    UNKNOWN = "unknown"
    OPEN = "open"


ACCEPTED = (r"OK", r"CONNECT(?: .*)?")
REFUSED = (r"ERROR", r"NO CARRIER", r"NO DIAL ?TONE", r"NO ANSWER", r"\+CM[ES] ERROR: ?.+")
BUSY = (r"BUSY",)
UNSOLICITED = {"ring": r"RING"}

NUMERIC = {
    "0": "OK",
    "1": "CONNECT",
    "2": "RING",
    "3": "NO CARRIER",
    "4": "ERROR",
    "6": "NO DIALTONE",
    "7": "BUSY",
    "8": "NO ANSWER",
}
"""Result codes as numbers, without verbose text (`ATV0`); 5 stands in no table of the standard."""


@dataclass(frozen=True)
class AtRules:
    """Patterns are matched against whole lines, those of a profile before those of the standard.

    `hand_over`: the command that hands a payload to the modem, with groups `port` and `payload` (hexadecimal), '' for
    none. A command whose final result does not come for `answer_timeout_s` is unanswered; a line that is not ended
    for `half_line_s` is half a line; a number that ends in CR is a result unless LF follows within `numeric_gap_s`.
    Raises ConfigError with every problem at once.
    """

    accepted: tuple[str, ...] = ()
    refused: tuple[str, ...] = ()
    busy: tuple[str, ...] = ()
    unsolicited: Mapping[str, str] = field(default_factory=dict)
    hand_over: str = ""
    answer_timeout_s: float = 10.0
    half_line_s: float = 0.5
    numeric_gap_s: float = 0.05
    max_line_bytes: int = 1024

    def __post_init__(self) -> None:
        problems = tuple(self._problems())
        if problems:
            raise ConfigError("AT dialogue: " + "; ".join(problems), problems)

    def outcome(self, text: str) -> Outcome | None:
        """What a line says about a command, when it is a final result."""
        return next((outcome for outcome, pattern in self._results if pattern.fullmatch(text)), None)

    def unasked(self, text: str) -> str | None:
        """The name of the unsolicited line that this is."""
        return next((name for name, pattern in self._unsolicited.items() if pattern.fullmatch(text)), None)

    def payload(self, command: str) -> tuple[int, bytes] | None:
        """Port and bytes that a command hands over."""
        found = self._hand_over.fullmatch(command) if self._hand_over else None
        if not found:
            return None
        try:
            return int(found["port"]), bytes.fromhex(found["payload"])
        except (ValueError, TypeError):  # an odd number of digits, or a group that took no part
            return None

    @cached_property
    def _results(self) -> tuple[tuple[Outcome, re.Pattern[str]], ...]:
        own = ((Outcome.BUSY, self.busy), (Outcome.REFUSED, self.refused), (Outcome.ACCEPTED, self.accepted))
        standard = ((Outcome.BUSY, BUSY), (Outcome.REFUSED, REFUSED), (Outcome.ACCEPTED, ACCEPTED))
        return tuple((outcome, _compiled(text)) for outcome, texts in (*own, *standard) for text in texts)

    @cached_property
    def _unsolicited(self) -> dict[str, re.Pattern[str]]:
        return {name: _compiled(text) for name, text in {**UNSOLICITED, **self.unsolicited}.items()}

    @cached_property
    def _hand_over(self) -> re.Pattern[str] | None:
        return _compiled(self.hand_over) if self.hand_over else None

    def _problems(self) -> Iterator[str]:
        for name in ("answer_timeout_s", "half_line_s", "numeric_gap_s"):
            value = getattr(self, name)
            if not (math.isfinite(value) and value > 0.0):
                yield f"{name} {value!r}; accepted: seconds above 0"
        if self.max_line_bytes < 2:
            yield f"max_line_bytes {self.max_line_bytes}; accepted: 2 and more"
        for text in (*self.accepted, *self.refused, *self.busy, *self.unsolicited.values()):
            yield from _pattern_problems(text)
        if self.hand_over:
            yield from _pattern_problems(self.hand_over, groups=("port", "payload"))


def _compiled(text: str) -> re.Pattern[str]:
    return re.compile(text, re.ASCII)


def _pattern_problems(text: str, *, groups: tuple[str, ...] = ()) -> Iterator[str]:
    try:
        pattern = _compiled(text)
    except re.error as wrong:
        yield f"pattern {text!r} is no regular expression: {wrong}"
        return
    if pattern.fullmatch(""):
        yield f"pattern {text!r} matches an empty line"
    for name in groups:
        if name not in pattern.groupindex:
            yield f"pattern {text!r} has no group {name!r}; accepted: (?P<port>...) and (?P<payload>...)"
