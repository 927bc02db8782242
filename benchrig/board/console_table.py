"""Reads the console's grammar and checksum out of the board profile's table `console`.

Owns which questions, answer fields and notices the checks cannot do without: what is missing is told when the
file is read, not in the middle of a run.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from benchrig.errors import ConfigError
from benchrig.protocol.console import Checksum, Grammar, Question
from benchrig.toml_reader import nearest

if TYPE_CHECKING:
    from collections.abc import Mapping

    from benchrig.toml_reader import Section

_FRAME = ("millivolts", "celsius", "port", "length")
NEEDED_ANSWERS: Mapping[str, tuple[str, ...]] = {
    "identity": ("serial", "firmware", "boots"),
    "battery": ("counts", "millivolts"),
    "temperature": ("celsius",),
    "load_on": (),
    "load_off": (),
    "frame": _FRAME,
    "report": _FRAME,
    "sleep": (),
}
"""The questions that `benchrig.board.board` asks, and the fields that it reads in each answer."""
LOAD_QUESTIONS = frozenset(("load_on", "load_off"))
"""Of a board that switches a load of its own; one that has none leaves out both."""
NEEDED_NOTICES = ("boot", "woke", "report_done")


def questions_of(console: Section) -> frozenset[str]:
    """Names of the questions, whatever stands in them; all that could be needed where there is no such table."""
    table = console.raw("questions")
    return frozenset(table if isinstance(table, dict) else NEEDED_ANSWERS)


def _needed(asked: frozenset[str], *, has_image: bool, sends_temperature: bool) -> dict[str, tuple[str, ...]]:
    """What the board must answer: a part that it does not have is not asked for."""
    needed = dict(NEEDED_ANSWERS)
    if has_image:
        needed["identity"] += ("image",)
    if not sends_temperature:
        for name in ("frame", "report"):
            needed[name] = tuple(field for field in needed[name] if field != "celsius")
    left_out = {"temperature"} - (asked if not sends_temperature else frozenset(("temperature",)))
    left_out |= frozenset() if LOAD_QUESTIONS & asked else LOAD_QUESTIONS
    return {name: fields for name, fields in needed.items() if name not in left_out}


def read_grammar(console: Section, *, has_image: bool, sends_temperature: bool = True) -> Grammar:
    """The grammar; an empty one when it cannot be used.

    `has_image`: the board is asked for its firmware image, too. `sends_temperature`: its payload carries its own
    temperature, so that its console must tell it.
    """
    needed = _needed(questions_of(console), has_image=has_image, sends_temperature=sends_temperature)
    found, questions = [], []
    for name, section in console.sections("questions"):
        found.append(name)
        question = _question(section, name, needed.get(name, ()))
        if question:
            questions.append(question)
    if isinstance(console.raw("questions"), dict):
        _check_named(console, "questions", found, tuple(needed))
    notices = _notices(console)
    line_end = console.text("line_end", default="\n", accepted=("\n", "\r", "\r\n")) or "\n"
    try:
        grammar = Grammar(
            questions=tuple(questions),
            notices=notices,
            resets=("boot",) if "boot" in notices else (),
            sync="identity" if any(question.name == "identity" for question in questions) else "",
            line_end=line_end,
        )
    except ConfigError as wrong:
        for problem in wrong.problems:
            console.problem("", problem)
        return Grammar(questions=())
    for question in questions:
        if question.name in needed and question.placeholders:
            place = f"questions.{question.name}.send"
            console.problem(place, "this question is asked as it stands: no {placeholder} is filled in")
    return grammar


def _question(section: Section, name: str, fields: tuple[str, ...]) -> Question | None:
    """A question, None when something is wrong with it."""
    before = len(section.problems)
    send = section.text("send")
    answer = pattern_with(section, "answer", fields)
    timeout_s = section.number("timeout_s", default=0.5, above=0.0, at_most=600.0)
    section.finish()
    if len(section.problems) > before:
        return None
    return Question(name=name, send=send, answers=(answer,), timeout_s=timeout_s)


def _notices(console: Section) -> dict[str, str]:
    section = console.section("notices")
    if section is None:
        return {}
    notices = {name: section.pattern(name).pattern for name in section.names()}
    _check_named(console, "notices", list(notices), NEEDED_NOTICES)
    return notices


def _check_named(console: Section, key: str, found: list[str], needed: tuple[str, ...]) -> None:
    for name in needed:
        if name not in found:
            console.problem(f"{key}.{name}", f"this entry is missing{nearest(name, found)}")


def read_checksum(console: Section) -> Checksum | None:
    """The checksum behind each line; None where there is none, or it cannot be used."""
    section = console.section("checksum", required=False)
    if section is None:
        return None
    before = len(section.problems)
    crc, separator = section.text("crc"), section.text("separator", default="*", empty=True)
    on_commands = section.boolean("on_commands", default=True)
    section.finish()
    if len(section.problems) > before:
        return None
    try:
        return Checksum(crc=crc, separator=separator, on_commands=on_commands)
    except ConfigError as wrong:
        section.problem("", wrong.message)
        return None


def pattern_with(section: Section, key: str, groups: tuple[str, ...]) -> str:
    """A pattern with named groups: one that lacks a group is told here, not in the middle of a run."""
    before = len(section.problems)
    pattern = section.pattern(key)
    found = tuple(pattern.groupindex)
    for group in groups if len(section.problems) == before else ():
        if group not in found:
            section.problem(key, f"the pattern has no group (?P<{group}>...){nearest(group, found)}")
    return pattern.pattern
