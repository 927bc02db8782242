"""Joins and uplinks against a scripted air: what is charged to the board, what to the bench, what stays open."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import pytest

from benchrig.board.air import AirDownlink
from benchrig.clock import FakeClock
from benchrig.errors import AirError
from benchrig.production.downlink import check_downlink
from benchrig.production.hops import check_uplink_hops
from benchrig.production.join import check_join
from benchrig.records import Annex, CheckFinished, FactJudged, Verdict
from benchrig.run_plan import Found

from .fake_bench import PROFILE, SOUND_IDENTITY
from .scripted_air import GOOD, LEVEL, LOST, UNSENT, ScriptedAir, fact, joined, table_with, told

if TYPE_CHECKING:
    from collections.abc import Callable

# ---- join


def test_joins_with_a_growing_nonce_pass() -> None:
    """One before and one after each power cut, answered in both windows by turns."""
    table, run, air = table_with("join")

    assert table.do(check_join, run).verdict is Verdict.PASS
    assert fact(table, "nonce grows over a power cut").seen == "101, 102, 103"
    assert run.on_bench.power.power_ups == 3
    windows = [one.window for one in air.events if isinstance(one, AirDownlink)]
    assert windows == [1, 2, 1]
    assert fact(table, "window of the answer to the join after power cut 1").seen == "receive window 2"
    assert (table.verdict("tries"), table.verdict("spreading_factor")) == (Verdict.PASS, Verdict.PASS)


def test_after_a_join_in_the_second_window_answers_come_in_the_first_again() -> None:
    """What one check asked of the air does not outlast it."""
    assert PROFILE.air is not None
    table, run, air = table_with("join", air=replace(PROFILE.air, power_cuts=1))

    table.do(check_join, run)

    assert [one.window for one in air.events if isinstance(one, AirDownlink)] == [1, 2]
    assert air.answers_from == 1


def test_answer_in_another_window_than_planned_is_undecided() -> None:
    """A bench that was late for the first window proves nothing of it."""
    table, run, _ = table_with("join", ScriptedAir(FakeClock(), window=2))

    assert table.do(check_join, run).verdict is Verdict.UNDECIDED
    assert "too late for window 1" in fact(table, "window of the answer to the join").why


def test_request_at_another_data_rate_fails() -> None:
    """The data rate of the request is held against its limit."""
    table, run, _ = table_with("join", ScriptedAir(FakeClock(), rate="SF12BW125"))

    assert table.do(check_join, run).verdict is Verdict.FAIL
    assert table.verdict("spreading_factor") is Verdict.FAIL


def test_nonce_that_does_not_grow_fails() -> None:
    """A network that takes it all the same does not make it right."""
    table, run, _ = table_with("join", ScriptedAir(FakeClock(), nonce_step=0))

    assert table.do(check_join, run).verdict is Verdict.FAIL
    assert fact(table, "nonce grows over a power cut").verdict is Verdict.FAIL


def test_board_that_never_hears_the_answer_fails() -> None:
    """Each request is heard and answered: it is deaf."""
    table, run, _ = table_with("join", ScriptedAir(FakeClock(), joins=["answer lost"] * 3))

    assert table.do(check_join, run).verdict is Verdict.FAIL
    assert "3 of 3 requests heard and answered" in fact(table, "joins").seen
    assert "receive windows" in fact(table, "joins").next_action


def test_board_that_joins_once_and_never_again_has_no_session() -> None:
    """After a later join that failed nobody knows its session: what needs one is not tried."""
    table, run, _ = table_with("join", ScriptedAir(FakeClock(), joins=[GOOD, *["answer lost"] * 3]))

    assert table.do(check_join, run).verdict is Verdict.FAIL
    assert "joined" not in run.found


def test_board_that_is_never_heard_fails() -> None:
    """The gateways live, and no request came."""
    table, run, _ = table_with("join", ScriptedAir(FakeClock(), joins=["request lost"] * 3))

    assert table.do(check_join, run).verdict is Verdict.FAIL
    assert "no request was heard" in fact(table, "joins").next_action


def test_requests_heard_now_and_then_prove_nothing_of_the_board() -> None:
    """The air loses frames: charged to the bench."""
    table, run, _ = table_with("join", ScriptedAir(FakeClock(), joins=["request lost", "answer lost", "request lost"]))

    with pytest.raises(AirError, match="of 3 join-requests 1 were heard"):
        table.do(check_join, run)


def test_second_try_is_told() -> None:
    """A join that took two tries passes, and says so."""
    table, run, _ = table_with("join", ScriptedAir(FakeClock(), joins=["request lost"]))

    assert table.do(check_join, run).verdict is Verdict.PASS
    assert "it took 2 tries (request not heard)" in told(table)


@pytest.mark.parametrize(
    ("said", "verdict"),
    [
        pytest.param(["answer lost", GOOD], Verdict.PASS, id="at the second try"),
        pytest.param(["answer lost"] * 3, Verdict.FAIL, id="never"),
    ],
)
def test_behind_a_broker_the_board_joins_by_its_own_word(said: list[str], verdict: Verdict) -> None:
    """Nobody sees its requests there: it is asked before uplinks are awaited, and fails when it never says yes."""
    table, run, _ = table_with("uplink_hops", ScriptedAir(FakeClock(), joins=said, can_join=False, can_time=False))

    assert table.do(check_uplink_hops, run).verdict is verdict
    assert ("joined" in run.found) is (verdict is Verdict.PASS)


def test_broker_sees_no_join() -> None:
    """It is not run, and names what would see it."""
    table, run, _ = table_with("join", ScriptedAir(FakeClock(), can_join=False))

    assert table.do(check_join, run).verdict is Verdict.NOT_RUN


@pytest.mark.parametrize("check", [check_join, check_uplink_hops, check_downlink])
@pytest.mark.parametrize("missing", ["plan", "air"])
def test_without_a_plan_or_an_air_nothing_is_run(check: Callable[..., None], missing: str) -> None:
    """Absence is not success, and no failure of the board."""
    table, run, _ = table_with("downlink", **({"air": None} if missing == "plan" else {}))
    if missing == "air":
        run.on_bench = replace(run.on_bench, air=None)

    finished: CheckFinished = table.do(check, run)

    assert finished.verdict is Verdict.NOT_RUN
    assert finished.next_action


# ---- uplinks


def test_healthy_uplinks_pass() -> None:
    """Five points and one after a power cut, each the same at every hop."""
    table, run, _ = table_with("uplink_hops")

    assert table.do(check_uplink_hops, joined(run)).verdict is Verdict.PASS
    assert fact(table, "counters").seen == "so, 0, 1, 2, 3, 4, 5"
    assert run.on_bench.power.power_ups == 2


def test_bytes_that_change_in_the_modem_are_found_on_the_air_and_explained() -> None:
    """The UART holds, the air does not; the way that explains every frame stands beside it."""
    turned = ScriptedAir(FakeClock(), changes=lambda data: data[::-1])
    table, run, _ = table_with("uplink_hops", turned)

    assert table.do(check_uplink_hops, joined(run)).verdict is Verdict.FAIL
    assert fact(table, "hop: modem UART").verdict is Verdict.PASS
    assert fact(table, "hop: frame on the air").verdict is Verdict.FAIL
    assert "explained by 'all bytes are in the opposite order'" in fact(table, "hop: frame on the air").next_action
    assert fact(table, "hop: decoded value").verdict is Verdict.PASS  # it only follows


def test_wrong_bytes_of_the_firmware_are_found_on_the_uart_alone() -> None:
    """What follows from them on the air is no second failure."""
    table, run, _ = table_with("uplink_hops")
    good = table.board.sends
    table.board.sends = lambda millivolts, celsius: (good(millivolts, celsius) or b"")[:8]

    assert table.do(check_uplink_hops, joined(run)).verdict is Verdict.FAIL
    failed = [one.fact for one in table.measure.not_passed() if isinstance(one, FactJudged)]
    assert failed == ["hop: modem UART"]


def test_without_a_tap_wrong_bytes_are_found_on_the_air() -> None:
    """The nearest hop that the bench sees is blamed, and what it does not see is no hop of the table."""
    table, run, _ = table_with("uplink_hops", ScriptedAir(FakeClock(), changes=lambda _: bytes(9)))
    table.board.tap = None

    assert table.do(check_uplink_hops, joined(run)).verdict is Verdict.FAIL
    failed = [one.fact for one in table.measure.not_passed() if isinstance(one, FactJudged)]
    assert failed == ["hop: frame on the air"]
    assert not [one for one in table.measure.judged if isinstance(one, FactJudged) and one.fact == "hop: modem UART"]


def test_frames_that_were_sent_and_not_heard_are_charged_to_the_bench() -> None:
    """The counter left one out, the others came loud: the air lost it. The table is written all the same."""
    table, run, _ = table_with("uplink_hops", ScriptedAir(FakeClock(), script=[GOOD, LOST]))

    with pytest.raises(AirError, match="1 of 7 were not heard, 1 of these sent by the frame counter"):
        table.do(check_uplink_hops, joined(run))
    assert any(isinstance(one, Annex) and one.title == "uplinks hop by hop" for one in table.records)


def test_weak_frames_that_get_lost_are_charged_to_the_board() -> None:
    """Where the level is below its limit, an antenna is likelier than the air."""
    weak = replace(LEVEL, rssi_dbm=-101.0)
    table, run, _ = table_with("uplink_hops", ScriptedAir(FakeClock(), script=[GOOD, LOST], level=weak))

    assert table.do(check_uplink_hops, joined(run)).verdict is Verdict.FAIL
    assert fact(table, "frames reach the air").verdict is Verdict.FAIL
    assert table.verdict("rssi") is Verdict.FAIL


def test_modem_that_does_not_send_is_charged_to_the_board() -> None:
    """No counter was left out: what was not heard was not sent."""
    table, run, _ = table_with("uplink_hops", ScriptedAir(FakeClock(), script=[GOOD, UNSENT]))

    assert table.do(check_uplink_hops, joined(run)).verdict is Verdict.FAIL
    assert fact(table, "frames reach the air").verdict is Verdict.FAIL


def test_board_that_is_never_heard_on_the_air_fails_soon() -> None:
    """Three tries of the first point are enough."""
    table, run, _ = table_with("uplink_hops", ScriptedAir(FakeClock(), script=[LOST] * 9))

    assert table.do(check_uplink_hops, joined(run)).verdict is Verdict.FAIL
    assert "3 of 3 were not heard" in fact(table, "frames reach the air").seen


def test_last_frames_lost_stay_undecided() -> None:
    """No later counter tells whether they were sent."""
    table, run, _ = table_with("uplink_hops", ScriptedAir(FakeClock(), script=[GOOD] * 5 + [LOST] * 3))

    assert table.do(check_uplink_hops, joined(run)).verdict is Verdict.UNDECIDED
    assert "no later frame tells" in fact(table, "frames reach the air").why


def test_counter_that_begins_anew_fails() -> None:
    """The network refuses the frame after the power cut; the frames before it are judged all the same."""
    table, run, _ = table_with("uplink_hops", ScriptedAir(FakeClock(), script=[GOOD] * 5 + ["replay"]))

    assert table.do(check_uplink_hops, joined(run)).verdict is Verdict.FAIL
    assert "refused: replay" in fact(table, "counters").why
    assert fact(table, "hop: frame on the air").seen == "so in all 5 frames"


@pytest.mark.parametrize(
    ("confirmed", "wanted", "verdict"),
    [
        pytest.param(False, False, Verdict.PASS, id="unconfirmed, as planned"),
        pytest.param(True, True, Verdict.PASS, id="confirmed, as planned"),
        pytest.param(True, False, Verdict.FAIL, id="confirmed, which costs a downlink each"),
        pytest.param(False, True, Verdict.FAIL, id="unconfirmed, though each was to be acknowledged"),
    ],
)
def test_uplinks_are_confirmed_as_the_profile_says(*, confirmed: bool, wanted: bool, verdict: Verdict) -> None:
    """The flag of every frame is held against the profile."""
    assert PROFILE.air is not None
    plan = replace(PROFILE.air, confirmed=wanted)
    table, run, _ = table_with("uplink_hops", ScriptedAir(FakeClock(), confirmed=confirmed), air=plan)

    assert table.do(check_uplink_hops, joined(run)).verdict is verdict
    assert fact(table, "confirmed flag").verdict is verdict


def test_broker_leaves_the_confirmed_flag_open() -> None:
    """A network tells no flag of a frame: named as not proven."""
    table, run, _ = table_with("uplink_hops", ScriptedAir(FakeClock(), can_join=False, can_time=False))

    table.do(check_uplink_hops, run)

    assert "whether uplinks are confirmed" in told(table)


@pytest.mark.parametrize(
    ("eui", "verdict", "words"),
    [
        pytest.param("02004842A0010001", Verdict.PASS, "02004842A0010001", id="its own"),
        pytest.param("02004842A0010002", Verdict.FAIL, "02004842A0010002", id="that of another board"),
        pytest.param("010001A042480002", Verdict.FAIL, "in the other byte order", id="turned round"),
    ],
)
def test_identity_on_the_console_is_that_on_the_air(eui: str, verdict: Verdict, words: str) -> None:
    """What the board calls itself is what the bench knows it by on the air."""
    table, run, _ = table_with("uplink_hops")
    run.identity = replace(SOUND_IDENTITY, eui=eui)

    assert table.do(check_uplink_hops, joined(run)).verdict is verdict
    assert words in fact(table, "identity on the air").seen


def test_board_that_does_not_tell_its_identity_is_not_judged_by_it() -> None:
    """A console without an EUI leaves nothing to compare."""
    table, run, _ = table_with("uplink_hops")
    run.identity = replace(SOUND_IDENTITY, eui="")

    assert table.do(check_uplink_hops, joined(run)).verdict is Verdict.PASS


def test_first_frame_that_is_refused_fails() -> None:
    """A board whose very first frame breaks the protocol is charged with that, with no hop to follow."""
    table, run, _ = table_with("uplink_hops", ScriptedAir(FakeClock(), script=["bad integrity code"]))

    assert table.do(check_uplink_hops, joined(run)).verdict is Verdict.FAIL
    assert "refused: bad integrity code" in fact(table, "counters").why


def test_radio_that_is_on_longer_than_its_frame_fails() -> None:
    """Formula and current of one transmission do not agree."""
    table, run, _ = table_with("uplink_hops")
    run.found["transmit_duration_s"] = Found(0.0700, 4e-5, "s")

    assert table.do(check_uplink_hops, joined(run)).verdict is Verdict.FAIL
    assert fact(table, "time on air in the current").verdict is Verdict.FAIL


def test_board_that_did_not_join_is_not_tried() -> None:
    """The check before it says why."""
    table, run, _ = table_with("uplink_hops")
    run.checks["join"] = CheckFinished(check="join", verdict=Verdict.FAIL, why="", duration_s=0.0, at_s=0.0)

    assert table.do(check_uplink_hops, run).verdict is Verdict.NOT_RUN


def test_check_alone_lets_the_board_join_first() -> None:
    """Chosen without the check of the join, it asks for one."""
    table, run, _ = table_with("uplink_hops")

    assert table.do(check_uplink_hops, run).verdict is Verdict.PASS
    assert "joined" in run.found
