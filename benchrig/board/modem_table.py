"""Reads the profile's table `modem`: the line that hands a frame over, and how the modem answers beyond the standard.

Owns the keys of that table. What a line means without them is `protocol.at_rules`; must not know ports or bytes.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from benchrig.board.console_table import pattern_with
from benchrig.errors import ConfigError
from benchrig.protocol.at_rules import AtRules

if TYPE_CHECKING:
    from benchrig.toml_reader import Section

_SHOWN = "AT dialogue: "
_LONGEST_S = 600.0


def read_modem(section: Section) -> AtRules:
    """The rules of the dialogue; its `hand_over` names `port` and `payload`. Every problem is told at its own key."""
    plain = AtRules()
    rules = AtRules(
        hand_over=_frame(section),
        accepted=_patterns(section, "accepted"),
        refused=_patterns(section, "refused"),
        busy=_patterns(section, "busy"),
        unsolicited=_unsolicited(section),
        answer_timeout_s=_seconds(section, "answer_timeout_s", plain.answer_timeout_s),
        half_line_s=_seconds(section, "half_line_s", plain.half_line_s),
        numeric_gap_s=_seconds(section, "numeric_gap_s", plain.numeric_gap_s),
    )
    section.finish()
    return rules


def _frame(section: Section) -> str:
    """'' stands in for a pattern with a problem."""
    before = len(section.problems)
    text = pattern_with(section, "frame", ("port", "payload"))
    return text if len(section.problems) == before and _is_sound(section, "frame", text) else ""


def _patterns(section: Section, key: str) -> tuple[str, ...]:
    return tuple(text for text in section.texts(key, default=()) if _is_sound(section, key, text))


def _unsolicited(section: Section) -> dict[str, str]:
    """Lines that come unasked, by a name of the maker's choice."""
    table = section.section("unsolicited", required=False)
    if table is None:
        return {}
    found = {name: text for name in table.names() if (text := table.text(name)) and _is_sound(table, name, text)}
    table.finish()
    return found


def _is_sound(section: Section, key: str, text: str) -> bool:
    """Whether the rules take a pattern; why not is told at its key."""
    try:
        AtRules(accepted=(text,))
    except ConfigError as wrong:
        section.problem(key, f"{wrong.message.removeprefix(_SHOWN)}; accepted: a regular expression for a whole line")
        return False
    return True


def _seconds(section: Section, key: str, default: float) -> float:
    value = section.number(key, default=default, above=0.0, at_most=_LONGEST_S)
    return value if value > 0.0 else default
