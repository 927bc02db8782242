"""Downlinks against a scripted air: switched once, in the right window, and never by what must be ignored."""

from __future__ import annotations

from dataclasses import replace

import pytest

from benchrig.clock import FakeClock
from benchrig.production.downlink import check_downlink
from benchrig.records import Verdict

from .fake_bench import PROFILE
from .scripted_air import LOST, ScriptedAir, fact, joined, table_with, told


def test_pin_goes_on_and_off_and_a_repeated_frame_is_dropped() -> None:
    """The whole story, seen by the meter."""
    table, run, air = table_with("downlink")

    assert table.do(check_downlink, joined(run)).verdict is Verdict.PASS
    assert (air.pin_v, fact(table, "commands obeyed").seen) == (0.0, "2")


def test_both_windows_are_used() -> None:
    """'On' goes down in the first window and 'off' in the second, as the profile says; afterwards the first again."""
    table, run, air = table_with("downlink")
    table.do(check_downlink, joined(run))

    assert [fact(table, f"window of '{word}'").seen for word in ("on", "off")] == [
        "receive window 1, ",
        "receive window 2, ",
    ]
    assert air.answers_from == 1


@pytest.mark.parametrize(
    ("wrong", "name"),
    [
        pytest.param(
            ScriptedAir(FakeClock(), obeys_unknown=lambda _: 0), "an unknown command changes nothing while on", id="off"
        ),
        pytest.param(
            ScriptedAir(FakeClock(), obeys_unknown=lambda _: 1), "an unknown command changes nothing while off", id="on"
        ),
        pytest.param(ScriptedAir(FakeClock(), obeys_any_port=True), "'on' to another port", id="port"),
        pytest.param(ScriptedAir(FakeClock(), obeys_unasked=True), "deaf until it has spoken", id="unasked"),
        pytest.param(ScriptedAir(FakeClock(), keeps_pin=True), "pin after a power cut", id="reset"),
    ],
)
def test_board_that_obeys_what_it_must_ignore_fails(wrong: ScriptedAir, name: str) -> None:
    """Each disobedience fails under its own name, seen by the meter."""
    table, run, _ = table_with("downlink", wrong)

    assert table.do(check_downlink, joined(run)).verdict is Verdict.FAIL
    assert fact(table, name).verdict is Verdict.FAIL


@pytest.mark.parametrize(
    ("after_reset", "keeps", "verdict"),
    [
        pytest.param("kept", True, Verdict.PASS, id="kept, as planned"),
        pytest.param("kept", False, Verdict.FAIL, id="lost, though it was to be kept"),
        pytest.param("on", False, Verdict.FAIL, id="off, though it was to go on"),
    ],
)
def test_pin_after_a_power_cut_is_what_the_profile_says(after_reset: str, *, keeps: bool, verdict: Verdict) -> None:
    """A pin that is to be kept, or to go on, is as right as one that goes off; and in the end it is off."""
    assert PROFILE.air is not None
    assert PROFILE.air.pin is not None
    plan = replace(PROFILE.air, pin=replace(PROFILE.air.pin, after_reset=after_reset))
    table, run, air = table_with("downlink", ScriptedAir(FakeClock(), keeps_pin=keeps), air=plan)

    table.do(check_downlink, joined(run))

    assert fact(table, "pin after a power cut").verdict is verdict
    assert air.pin_v == 0.0


def test_repeated_frame_that_switches_fails() -> None:
    """The meter sees the pin, and the board counts one command too many."""
    table, run, _ = table_with("downlink", ScriptedAir(FakeClock(), obeys_twice=True))

    assert table.do(check_downlink, joined(run)).verdict is Verdict.FAIL
    assert fact(table, "a repeated frame switches nothing").verdict is Verdict.FAIL
    assert (fact(table, "commands obeyed").seen, fact(table, "commands obeyed").verdict) == ("3", Verdict.FAIL)


def test_pin_that_does_not_move_fails() -> None:
    """Three downlinks went down in the right window, and the meter saw nothing."""
    table, run, air = table_with("downlink", ScriptedAir(FakeClock(), obeys=False))

    assert table.do(check_downlink, joined(run)).verdict is Verdict.FAIL
    assert fact(table, "'on' obeyed").seen == "not on after 3 downlinks"
    assert fact(table, "'on' obeyed").verdict is Verdict.FAIL
    assert len(air.sent) == 4


def test_downlink_of_the_second_window_is_undecided() -> None:
    """The bench was late: that is not held against the board, and nothing is proven of its first window."""
    table, run, _ = table_with("downlink", ScriptedAir(FakeClock(), window=2))

    assert table.do(check_downlink, joined(run)).verdict is Verdict.UNDECIDED


def test_broker_leaves_window_and_repetition_open() -> None:
    """What a network behind a broker does not tell, or cannot do, is named as not proven."""
    table, run, _ = table_with(
        "downlink", ScriptedAir(FakeClock(), can_join=False, can_repeat=False, can_time=False, window=None)
    )

    assert table.do(check_downlink, run).verdict is Verdict.PASS
    assert "in which receive window" in told(table)
    assert "that a repeated frame switches nothing" in told(table)
    assert "that the board listens in its receive windows alone" in told(table)


def test_uplink_that_gives_the_occasion_is_tried_again() -> None:
    """A report that was lost costs a try, no second command."""
    table, run, air = table_with("downlink", ScriptedAir(FakeClock(), script=[LOST]))

    assert table.do(check_downlink, joined(run)).verdict is Verdict.PASS
    assert fact(table, "commands obeyed").seen == "2"
    assert len(air.sent) == 7  # on, unknown, off, unknown, to another port, unasked, on before the power cut
