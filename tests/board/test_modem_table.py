"""The profile's table of the modem: which lines are answers, which come unasked, and how long an answer may take."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from benchrig.board.modem_dialogue import Piece, dialogue
from benchrig.board.modem_tap import TapLine
from benchrig.board.profile import read_board_profile
from benchrig.protocol.at_events import Unsolicited
from benchrig.protocol.at_rules import AtRules, Outcome

from .profile_edits import changed, shipped, write_toml

if TYPE_CHECKING:
    from pathlib import Path

COMMAND = TapLine("AT+BUF=2,AA", 0.1, 0.1, False)


def rules_with(folder: Path, **keys: object) -> AtRules:
    """The rules of the demo profile with other keys in its table of the modem."""
    table = shipped()
    for key, value in keys.items():
        changed(table, f"modem.{key}", value)
    return read_board_profile(write_toml(folder, table)).modem_rules


def test_without_keys_the_standard_holds(tmp_path: Path) -> None:
    """The demo profile adds no time of its own: what is not named is as the dialogue has it."""
    rules, plain = rules_with(tmp_path), AtRules()

    assert (rules.answer_timeout_s, rules.half_line_s) == (plain.answer_timeout_s, plain.half_line_s)
    assert rules.payload("AT+BUF=2,E20D") == (2, b"\xe2\x0d")


@pytest.mark.parametrize(
    ("key", "said", "outcome"),
    [
        pytest.param("accepted", "SENT 17", Outcome.ACCEPTED, id="accepted"),
        pytest.param("refused", "NO SLOT", Outcome.REFUSED, id="refused"),
        pytest.param("busy", "WAIT 3", Outcome.BUSY, id="busy"),
    ],
)
def test_words_of_the_modem_end_a_command(tmp_path: Path, key: str, said: str, outcome: Outcome) -> None:
    """A line that the profile names is a final result; without the key the same line ends nothing."""
    pieces = [Piece(said.encode() + b"\r\n", 0.2, lost=False)]
    with_key, without = rules_with(tmp_path, **{key: ["SENT \\d+", "NO .*", "WAIT .*"]}), rules_with(tmp_path)

    (named,) = dialogue([COMMAND], pieces, rules=with_key, end_s=1.0)[1]
    (plain,) = dialogue([COMMAND], pieces, rules=without, end_s=1.0)[1]

    assert (named.outcome, named.answer) == (outcome, said)
    assert plain.outcome is Outcome.OPEN


def test_line_that_comes_unasked_answers_nothing(tmp_path: Path) -> None:
    """A notice between a command and its OK is told under its name, and the OK is the answer."""
    rules = rules_with(tmp_path, unsolicited={"link": "LINK (?:UP|DOWN)"})
    pieces = [Piece(b"LINK UP\r\nOK\r\n", 0.2, lost=False)]

    events, (handed,) = dialogue([COMMAND], pieces, rules=rules, end_s=1.0)

    assert [(one.name, one.text) for one in events if isinstance(one, Unsolicited)] == [("link", "LINK UP")]
    assert (handed.outcome, handed.answer) == (Outcome.ACCEPTED, "OK")


def test_answer_may_take_as_long_as_the_profile_says(tmp_path: Path) -> None:
    """An answer after 20 s is late by default and in time where the profile gives 30 s."""
    pieces = [Piece(b"OK\r\n", 20.0, lost=False)]

    (late,) = dialogue([COMMAND], pieces, rules=rules_with(tmp_path), end_s=40.0)[1]
    (patient,) = dialogue([COMMAND], pieces, rules=rules_with(tmp_path, answer_timeout_s=30.0), end_s=40.0)[1]

    assert (late.outcome, patient.outcome) == (Outcome.UNANSWERED, Outcome.ACCEPTED)
