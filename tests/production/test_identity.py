"""Who the board is: at the start, and still at the end."""

from __future__ import annotations

from dataclasses import replace

import pytest

from benchrig.errors import BoardTimeout
from benchrig.production.identity import check_identity_end, check_identity_start
from benchrig.records import Verdict

from .fake_bench import PROFILE, SOUND_IDENTITY, Table, as_run


def test_board_of_the_label() -> None:
    """The board of the label with the firmware of the profile passes; its boot time is a reading."""
    table = Table("identity_start").powered()
    run = table.run()

    finished = table.do(check_identity_start, run)

    assert finished.verdict is Verdict.PASS
    assert run.identity == table.board.identity_now
    assert "boot time" in table.readings()
    assert run.blocked == {}


def test_board_that_does_not_boot() -> None:
    """A board that says nothing is the board's error, and everything that asks it is blocked."""
    table = Table("identity_start").powered()
    table.board.boots_up = False
    run = table.run()

    with pytest.raises(BoardTimeout, match="no notice boot"):
        check_identity_start(as_run(run), table.measure)

    assert run.blocked["board"].startswith("the board does not answer on its console: no notice boot")
    assert run.identity is None


WRONG = [
    pytest.param({"serial": "HB-0002"}, "serial number", True, id="another board"),
    pytest.param({"serial": "hb-0001"}, "serial number", True, id="small letters"),
    pytest.param({"firmware": "1.4.1"}, "firmware", False, id="firmware"),
    pytest.param({"image": "9c41e0b8"}, "firmware image", False, id="image"),
]


@pytest.mark.parametrize(("said", "fact", "blocks"), WRONG)
def test_wrong_identity(said: dict[str, str], fact: str, blocks: bool) -> None:
    """What differs fails by name; another board than the label says ends the run, another firmware does not."""
    table = Table("identity_start").powered()
    table.board.identity_now = replace(table.board.identity_now, **said)  # type: ignore[arg-type]
    run = table.run()

    finished = table.do(check_identity_start, run)

    assert finished.verdict is Verdict.FAIL
    assert [one.verdict for one in table.measure.not_passed()] == [Verdict.FAIL]
    assert table.judged(fact).next_action
    assert ("board" in run.blocked) is blocks


def test_image_that_no_profile_names() -> None:
    """Where the profile names no image none is judged."""
    profile = replace(PROFILE, identity=replace(PROFILE.identity, image=""))
    table = Table("identity_start", profile=profile).powered()
    table.board.identity_now = replace(table.board.identity_now, image="")

    finished = table.do(check_identity_start)

    assert finished.verdict is Verdict.PASS
    assert "image" not in "".join(record.fact for record in table.records if hasattr(record, "fact"))


ENDS = [
    pytest.param({}, 1, Verdict.PASS, id="the same"),
    pytest.param({"serial": "HB-0002"}, 1, Verdict.FAIL, id="changed during the run"),
    pytest.param({"boots": 18}, 1, Verdict.FAIL, id="restarted by itself"),
    pytest.param({"boots": 18}, 2, Verdict.PASS, id="restarted as ordered"),
    pytest.param({"boots": 17}, 2, Verdict.FAIL, id="a restart that it did not count"),
]


@pytest.mark.parametrize(("said", "power_ups", "verdict"), ENDS)
def test_identity_at_the_end(said: dict[str, str | int], power_ups: int, verdict: Verdict) -> None:
    """The same board, restarted exactly as often as the run itself ordered."""
    table = Table("identity_end").powered()
    table.board.identity_now = replace(SOUND_IDENTITY, **said)  # type: ignore[arg-type]
    run = table.run()
    run.identity, run.on_bench.power.power_ups = SOUND_IDENTITY, power_ups

    finished = table.do(check_identity_end, run)

    assert finished.verdict is verdict


def test_end_without_a_start_cannot_be_decided() -> None:
    """Without the start nothing is known of restarts: undecided, and the next action says what to run before."""
    table = Table("identity_end").powered()

    finished = table.do(check_identity_end)

    assert finished.verdict is Verdict.UNDECIDED
    assert table.judged("restarts").why == "the start was not seen"
    assert "identity_start" in table.judged("restarts").next_action
