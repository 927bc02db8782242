"""Waivers: who accepted which check's bad result, why, and until when. A file of the user's, checked before any power.

Owns the file and its rules. A waiver accepts a result that is known: it turns *fail* and *undecided* of its check into
*waived*, and neither a bench error nor a check that did not run. Knows no run: its date, and the checks that there
are, are given.

    schema = 1

    [[waivers]]
    check = "floor_current"
    who = "quality lead"
    why = "lot 7 has the old regulator; 4 uA more are within the energy budget"
    until = 2027-03-31
    boards = ["HB-0001", "HB-0002"]     # left out: every board
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from benchrig.records import WaiverGranted
from benchrig.report.names import ACCEPTED_NAMES, is_file_name
from benchrig.toml_reader import nearest, read_toml

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from datetime import date
    from pathlib import Path

    from benchrig.toml_reader import Section

_SCHEMA = 1
_PROTECT_PEOPLE = frozenset(("first_touch", "output_off"))
"""Nobody may accept a board that shorts, or a bench that stays on."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Waiver:
    """One waiver; it holds through the day `until`. No `boards`: every board."""

    check: str
    who: str
    why: str
    until: date
    boards: tuple[str, ...] = ()

    def covers(self, board: str) -> bool:
        return not self.boards or board in self.boards

    def record(self, *, at_s: float) -> WaiverGranted:
        """For the journal."""
        return WaiverGranted(
            check=self.check, who=self.who, why=self.why, until=self.until.isoformat(), boards=self.boards, at_s=at_s
        )


def read_waivers(path: Path, *, checks: Iterable[str], today: date) -> tuple[Waiver, ...]:
    """The waivers of a file. Raises ConfigError with every problem at once: one that is void is no waiver at all."""
    known = tuple(dict.fromkeys(checks))
    return read_toml(path, what="waiver file", build=lambda root: _waivers(root, known, today))


def _waivers(root: Section, known: Sequence[str], today: date) -> tuple[Waiver, ...]:
    schema = root.integer("schema", at_least=1, at_most=10**6)
    if schema != _SCHEMA:
        root.problem("schema", f"{schema} is not {_SCHEMA}, the only one that this version reads")
    found = [(one, _waiver(one, known, today)) for one in root.listed("waivers")]
    root.finish()
    for place, (section, waiver) in enumerate(found):
        for _, other in found[:place]:
            if waiver.check and waiver.check == other.check and _overlap(waiver, other):
                section.problem("check", f"{waiver.check!r} is waived twice for one board; leave one of both")
    return tuple(waiver for _, waiver in found)


def _overlap(one: Waiver, other: Waiver) -> bool:
    return not one.boards or not other.boards or bool(set(one.boards) & set(other.boards))


def _waiver(section: Section, known: Sequence[str], today: date) -> Waiver:
    waiver = Waiver(
        check=section.text("check"),
        who=_words(section, "who"),
        why=_words(section, "why"),
        until=_until(section, today),
        boards=section.texts("boards", default=()),
    )
    section.finish()
    if waiver.check and waiver.check not in known:
        hint = nearest(waiver.check, known) or f" (known: {', '.join(known)})"
        section.problem("check", f"{waiver.check!r} is no check of this profile{hint}")
    if waiver.check in _PROTECT_PEOPLE:
        section.problem("check", f"{waiver.check!r} protects whoever touches the board: it cannot be waived")
    if section.has("boards") and not waiver.boards:
        section.problem("boards", "an empty list covers no board; name them, or leave the key out for every board")
    for board in waiver.boards:
        if not is_file_name(board):
            section.problem("boards", f"{board!r} is no serial number; accepted: {ACCEPTED_NAMES}")
    return waiver


def _words(section: Section, key: str) -> str:
    text = section.text(key)
    if text and not any(letter.isalnum() for letter in text):  # a blank without width is none to strip()
        section.problem(key, f"{text!r} says nothing; write it in words")
    return text


def _until(section: Section, today: date) -> date:
    until = section.day("until")
    if until is None:
        if not section.has("until"):
            section.problem("until", "this key is missing; a date without quotes, such as 2027-03-01")
        return today
    if until < today:
        section.problem("until", f"{until} is over (today is {today}); repair the boards, or have it granted anew")
    return until
