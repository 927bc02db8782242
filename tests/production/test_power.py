"""First touch and output off: what each state of the terminals means, and whom it is charged to."""

from __future__ import annotations

import pytest

from benchrig.errors import InstrumentUnfit
from benchrig.production.power import check_first_touch, check_output_off
from benchrig.records import Verdict

from .fake_bench import Table, as_run

STRANGE = [
    pytest.param(True, 0.1, 0.02, "short circuit", id="short"),
    pytest.param(True, 0.7, 0.02, "reversed polarity", id="reversed"),
    pytest.param(True, 2.5, 0.02, "too much current", id="too much current"),
    pytest.param(False, 3.7, 0.0001, "open", id="open"),
]


@pytest.mark.parametrize(("limiting", "held_v", "current_a", "word"), STRANGE)
def test_strange_board_fails_and_gets_no_more_power(limiting: bool, held_v: float, current_a: float, word: str) -> None:
    """A strange board fails in words, is switched off, and nothing that needs power is run on it."""
    table = Table("first_touch")
    table.supply.limiting, table.supply.held_v, table.supply.draws_a = limiting, held_v, current_a
    run = table.run()

    finished = table.do(check_first_touch, run)

    assert finished.verdict is Verdict.FAIL
    assert table.judged("polarity and shorts").why.startswith(word)
    assert table.judged("polarity and shorts").next_action
    assert word in run.blocked["power"]
    assert not table.supply.is_on


def test_no_contact_is_charged_to_the_bench() -> None:
    """Where no volts arrive and none flows the contact pins are at fault, and the board is not judged."""
    table = Table("first_touch")
    table.supply.held_v, table.supply.draws_a = 0.02, 0.0
    run = table.run()

    with pytest.raises(InstrumentUnfit, match=r"no contact: .*; re-seat the board") as caught:
        check_first_touch(as_run(run), table.measure)

    assert caught.value.instrument == "supply"
    assert "no contact" in run.blocked["power"]
    assert not table.supply.is_on
    assert table.measure.judged == []


def test_sound_board_stays_powered() -> None:
    """A sound board passes at the low limit, keeps its power, and blocks nothing."""
    table = Table("first_touch")
    run = table.run()

    finished = table.do(check_first_touch, run)

    assert finished.verdict is Verdict.PASS
    assert table.supply.is_on
    assert table.supply.current_limit_a == table.profile.first_touch.current_limit_a
    assert run.blocked == {}


def test_warm_part_fails_by_its_current() -> None:
    """A board that draws more than its limit, and less than the supply's, fails by the number."""
    table = Table("first_touch")
    table.supply.draws_a = 0.018

    finished = table.do(check_first_touch)

    assert finished.verdict is Verdict.FAIL
    assert table.verdict("current") is Verdict.FAIL


def test_output_off() -> None:
    """Off, read back, and the terminals down."""
    table = Table("output_off").powered()

    finished = table.do(check_output_off)

    assert finished.verdict is Verdict.PASS
    assert not table.supply.is_on
    assert table.readings() == ["terminals after output off"]


def test_something_else_feeds_the_board() -> None:
    """Terminals that stay up after output off fail once the profile's patience is over, and say what to unplug."""
    table = Table("output_off").powered()
    table.supply.residue_v = 1.1
    began_s = table.clock.now_s()

    finished = table.do(check_output_off)

    assert finished.verdict is Verdict.FAIL
    assert table.clock.now_s() - began_s >= table.profile.power.off_within_s
    assert "unplug" in table.judged("terminals").next_action
