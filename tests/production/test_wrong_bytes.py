"""Wrong frames of a fake board explained: the causes beside the verdict, and no cause where there is none.

Frames are packed here by struct, with mistakes of our own, and go through the check as it stands.
"""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING

import pytest

from benchrig.production.payload import check_payload_bytes
from benchrig.records import Annex, NotProven, Verdict

from .fake_bench import PROFILE, Table, crc8, payload

if TYPE_CHECKING:
    from collections.abc import Callable

TITLE = "wrong bytes explained"


def sealed(body: bytes) -> bytes:
    return body + bytes([crc8(body)])


def lines_of(table: Table) -> list[str]:
    """The answer, as the report gets it."""
    return [line for one in table.records if isinstance(one, Annex) and one.title == TITLE for line in one.lines]


def told_by(sends: Callable[[int, int], bytes | None], **board: object) -> Table:
    """The check done with frames as `sends` makes them."""
    table = Table("payload_bytes").powered()
    table.board.sends = sends
    for name, value in board.items():
        setattr(table.board, name, value)
    table.do(check_payload_bytes)
    return table


def low_first_twelve_bits(millivolts: int, celsius: int) -> bytes:
    sound = payload(millivolts, celsius)
    return sealed(struct.pack("<H", millivolts & 0xFFF) + sound[2:-1])


CAUSES = [
    pytest.param(
        lambda mv, c: sealed(payload(mv, c)[1::-1] + payload(mv, c)[2:-1]),
        "1. battery: bytes in the other order",
        id="swapped",
    ),
    pytest.param(low_first_twelve_bits, "1. battery: cut to its low 12 bits", id="masked"),
    pytest.param(
        lambda mv, c: payload(mv, c)[:-1] + bytes([payload(mv, c)[-1] ^ 0xFF]),
        "1. the check value: inverted",
        id="check value",
    ),
    pytest.param(
        lambda mv, c: payload(mv, c)[:-1],
        "1. the payload: a byte missing: byte 8 (the check value), cut off at the end",
        id="short",
    ),
    pytest.param(
        lambda mv, c: payload(mv, round(c * 1.8 + 32)), "1. temperature: sent in degrees Fahrenheit", id="Fahrenheit"
    ),
    pytest.param(
        lambda mv, c: sealed(payload(mv, c)[:4] + struct.pack("<hh", 211, 212)),
        "1. bale[*].temperature: bytes in the other order",
        id="probes little-endian",
    ),
    pytest.param(
        lambda mv, c: sealed(payload(mv, c)[:3] + bytes([(mv < 3400)]) + payload(mv, c)[4:-1]),
        "1. flags: siren and low_battery on each other's bits",
        id="flags",
    ),
]


@pytest.mark.parametrize(("sends", "line"), CAUSES)
def test_true_cause_is_told(sends: Callable[[int, int], bytes | None], line: str) -> None:
    """The simplest cause that explains every frame is the true one."""
    lines = lines_of(told_by(sends))

    assert any(one.startswith(line) for one in lines), lines


def test_cause_stands_in_the_next_action() -> None:
    """Whoever reads the failed value reads its cause there, too."""
    table = told_by(low_first_twelve_bits)

    (wrong,) = table.measure.not_passed()
    assert wrong.next_action.endswith("; explained by 'battery: cut to its low 12 bits', see 'wrong bytes explained'")


def test_wrong_port_is_a_cause_of_its_own() -> None:
    """Right bytes on a wrong port: the port is told, and that the bytes are right."""
    table = told_by(payload, sends_on=3)

    assert lines_of(table) == [
        "the port: every frame sent on port 3 instead of 2",
        "the bytes themselves are as they should be",
    ]


class Stale:
    """A board that sends the millivolts of its last conversion before the frame's."""

    def __init__(self) -> None:
        self.last = 3700
        self.asked = 0

    def millivolts(self, volts: float) -> int:
        """A conversion; those for the console differ from those for the frame by a millivolt."""
        self.asked += 1
        self.before, self.last = self.last, round(volts * 1000) + self.asked**2 % 3
        return self.last

    def sends(self, millivolts: int, celsius: int) -> bytes:
        """The frame, its flags fresh."""
        fresh = payload(millivolts, celsius)
        return sealed(struct.pack("<H", self.before) + fresh[2:-1])


def test_sample_between_two_frames_is_thought_of() -> None:
    """A frame with the sample that the board took for its console is explained by that very sample."""
    board = Stale()

    lines = lines_of(told_by(board.sends, millivolts=board.millivolts))

    assert lines[0] == "wrong: battery, counting the samples for the console between the frames"
    assert lines[1] == "1. battery: value of the point before"


def test_part_of_a_millivolt_is_thought_of() -> None:
    """Now and then a millivolt less than the console says is a rounding, and no other cause is simpler."""
    lines = lines_of(told_by(lambda mv, c: payload(mv - (mv in (3450, 3900)), c)))

    assert lines[0] == "wrong: battery, taking parts of a millivolt that the console does not tell"
    assert lines[1].startswith("1. battery: cut off toward zero")


def test_part_of_a_degree_is_thought_of() -> None:
    """71 degrees Fahrenheit is 21.4 or more degrees Celsius: the console's 21 alone would give 70."""
    lines = lines_of(told_by(lambda mv, c: payload(mv, 71)))

    assert any(one.endswith("temperature: sent in degrees Fahrenheit") for one in lines), lines


def test_hot_probe_is_not_explained_away() -> None:
    """A probe that says something far off, in bytes that nothing plausible makes, is no bug of the encoder."""
    lines = lines_of(told_by(lambda mv, c: payload(mv, c, 211, 437)))

    assert lines[0] == (
        "bale[1].temperature says 43.7 degC, the board itself 21 degC: the probe and its plug, or wrong bytes:"
    )


def test_probe_bytes_that_nothing_makes() -> None:
    """Where no wrong encoder makes the probe's bytes of a temperature near the board's the probe alone is named."""
    lines = lines_of(told_by(lambda mv, c: payload(mv, c, 211, 15000 + mv % 7 * 31)))

    assert lines[0].startswith("bale[1].temperature says 15")
    assert lines[-1].startswith("no wrong encoder of one field makes these bytes")
    assert not any(one.startswith("1. ") for one in lines)


def test_noise_has_no_cause() -> None:
    """Bytes that no wrong encoder sends get no cause, and the value's action names none."""
    table = told_by(lambda mv, c: sealed(struct.pack("<H", mv ^ (mv * mv % 251)) + payload(mv, c)[2:-1]))

    (wrong,) = table.measure.not_passed()
    assert "explained by" not in wrong.next_action
    assert "no wrong encoder of the family sends these bytes" in lines_of(table)[-1]


def test_values_that_no_payload_carries_are_told() -> None:
    """A console that says more than the field can hold: the answer says why there is none."""
    table = told_by(lambda mv, c: payload(min(mv, 65535), c), millivolts=lambda volts: 70000)

    assert lines_of(table)[0].startswith(
        "the bytes cannot be explained: point 1: encode 'hay-barn report': battery: 70.0 V"
    )


def not_proven(table: Table) -> list[NotProven]:
    return [one for one in table.records if isinstance(one, NotProven)]


def test_sound_frames_leave_things_open() -> None:
    """Right bytes explain nothing, and the few lines of what they do not prove end with what to measure."""
    table = told_by(payload)
    told = not_proven(table)

    assert lines_of(table) == []
    assert 1 <= len(told) <= 6
    assert any(one.text.startswith("these points do not prove the sign of temperature") for one in told)
    # a count more in a probe is within what the bench allows it
    assert any("of bale[*].temperature" in one.text and "nor its constant" in one.text for one in told)
    assert [bool(one.next_action) for one in told] == [False] * (len(told) - 1) + [True]
    assert "measure also (1) battery" in told[-1].next_action
    assert "wrong encoders show at no point from -20 to 60 degC" in told[-1].next_action


def test_frozen_board_proves_the_sign_of_its_temperature() -> None:
    """The same sweep at -7 degrees, all probes there: the sign is in doubt no more."""
    told = not_proven(told_by(lambda mv, c: payload(mv, c, -71, -68), celsius=-7.0))

    assert not [one for one in told if "the sign of temperature" in one.text]


def test_points_without_frames_prove_nothing_that_could_be_told() -> None:
    """No frame, no sentence: that there was none is judged elsewhere."""
    table = told_by(lambda mv, c: None)

    assert (not_proven(table), lines_of(table)) == ([], [])
    assert table.measure.not_passed()[0].verdict is Verdict.FAIL


def test_flag_against_its_rule_fails_the_board() -> None:
    """A flag that is not what the profile says of it is told with the point and the rule's answer."""
    table = told_by(lambda mv, c: sealed(payload(mv, c)[:3] + b"\x01" + payload(mv, c)[4:-1]))

    fact = table.judged("flags")
    assert fact.verdict is Verdict.FAIL
    assert (
        "at 3.30 V up: flags.siren is 1.0, expected 0; at 3.30 V up: flags.low_battery is 0.0, expected 1" in fact.why
    )
    assert fact.why.endswith(f"; and {2 * len(PROFILE.sweep.points_v) - 1} more")
