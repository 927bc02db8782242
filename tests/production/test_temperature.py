"""Temperature: the board, its probes and the bench's own sensor."""

from __future__ import annotations

from dataclasses import replace

import pytest

from benchrig.production.temperature import check_temperature
from benchrig.records import Verdict

from .fake_bench import PROFILE, Table, payload

WITHOUT_PROBE_LIMIT = replace(
    PROFILE,
    limits={**PROFILE.limits, "temperature": {"error": PROFILE.limits["temperature"]["error"]}},
)


def test_board_and_probes_agree() -> None:
    """Board and probes within their limits of the bench's sensor pass; what was read stands there."""
    table = Table("temperature").powered()

    finished = table.do(check_temperature)

    assert finished.verdict is Verdict.PASS
    assert table.readings()[:2] == ["temperature beside the board", "temperature by the board"]
    assert len(table.measure.judged) == 3


def test_bench_without_a_thermometer() -> None:
    """Without a sensor beside the board nothing is decided, and the next action says what to wire."""
    table = Table("temperature").powered()
    table.thermometer = None

    finished = table.do(check_temperature)

    assert finished.verdict is Verdict.UNDECIDED
    assert table.judged("error").next_action == "wire one (slots.N.meters.temperature)"
    assert {one.verdict for one in table.measure.judged} == {Verdict.UNDECIDED}


def test_bench_without_a_tap() -> None:
    """Without a tap the probes are undecided, and the next action says what to wire; the board's sensor is judged."""
    table = Table("temperature").powered()
    table.board.tap = None

    finished = table.do(check_temperature)

    assert finished.verdict is Verdict.UNDECIDED
    assert table.verdict("error") is Verdict.PASS
    assert "slots.N.serial.modem_uart" in table.judged("probe_error").next_action


def test_frame_that_never_came() -> None:
    """With a tap and no frame the probes are undecided here: the check of the payload's bytes fails the board."""
    table = Table("temperature").powered()
    table.board.sends = lambda millivolts, celsius: None

    finished = table.do(check_temperature)

    assert finished.verdict is Verdict.UNDECIDED
    assert table.judged("probe_error").why == "no frame came on the modem UART"
    assert table.judged("probe_error").next_action


def test_probes_that_nobody_limits() -> None:
    """Without a tap, and without a limit for the probes, nothing is missing."""
    table = Table("temperature", profile=WITHOUT_PROBE_LIMIT).powered()
    table.board.tap = None

    assert table.do(check_temperature).verdict is Verdict.PASS


def test_board_without_probes() -> None:
    """A board whose payload has no probes is judged by its own sensor alone."""
    profile = replace(WITHOUT_PROBE_LIMIT, roles=replace(PROFILE.roles, probes=()))
    table = Table("temperature", profile=profile).powered()

    finished = table.do(check_temperature)

    assert finished.verdict is Verdict.PASS
    assert len(table.measure.judged) == 1


PROBES = [
    pytest.param(payload(3700, 21, 211, 0x7FFF), "no probe", id="unplugged"),
    pytest.param(payload(3700, 21, 211, 212)[:6], "no such field in the frame", id="frame too short"),
]


@pytest.mark.parametrize(("frame", "seen"), PROBES)
def test_probe_without_a_value(frame: bytes, seen: str) -> None:
    """A probe that gives no temperature fails by name; the other one is judged."""
    table = Table("temperature").powered()
    table.board.sends = lambda millivolts, celsius: frame

    finished = table.do(check_temperature)

    assert finished.verdict is Verdict.FAIL
    assert seen in table.judged("probe_error bale[1].temperature").why
    assert table.verdict("probe_error bale[0]") is Verdict.PASS


WARM = [
    pytest.param(21.1, 211, 260, "probe_error bale[1].temperature", id="probe"),
    pytest.param(25.0, 211, 212, "error", id="board"),
]


@pytest.mark.parametrize(("celsius", "first", "second", "name"), WARM)
def test_temperature_that_is_off(celsius: float, first: int, second: int, name: str) -> None:
    """The one that is off fails alone."""
    table = Table("temperature").powered()
    table.board.celsius = celsius
    table.board.sends = lambda millivolts, said: payload(millivolts, said, first, second)

    finished = table.do(check_temperature)

    assert finished.verdict is Verdict.FAIL
    assert [one.limit for one in table.measure.not_passed() if hasattr(one, "limit")] == [name]
