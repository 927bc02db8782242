"""Floor and transmit current on traces that are known, and benches that cannot tell."""

from __future__ import annotations

import numpy as np
import pytest

from benchrig.errors import BoardTimeout, InstrumentUnfit
from benchrig.production.currents import check_floor_current, check_transmit
from benchrig.records import Verdict

from .fake_bench import PROFILE, FakeRecorder, Table, as_run, square

SLEEP_S = (PROFILE.sleep.wake_periods + 1) * PROFILE.sleep.wake_period_s
WAKES = [(0.5 + 2.0 * number, 0.012, 0.0045) for number in range(5)]
UPLINK = [(0.3, 0.0566, 0.048), (1.3566, 0.03, 0.012), (2.3566, 0.03, 0.012)]


def sleeper(*, floor_a: float = 17e-6, wakes: list[tuple[float, float, float]] = WAKES) -> Table:
    """A board whose sleep is recorded so."""
    table = Table("floor_current").powered()
    samples = square(duration_s=SLEEP_S, interval_s=PROFILE.sleep.interval_s, low_a=floor_a, pulses=wakes)
    table.recorder = FakeRecorder(table.clock, samples)
    return table


def sender(*pulses: tuple[float, float, float], low_a: float = 0.0045) -> Table:
    """A board whose uplink is recorded so."""
    table = Table("transmit").powered()
    plan = PROFILE.transmit
    samples = square(duration_s=plan.window_s, interval_s=plan.interval_s, low_a=low_a, pulses=pulses)
    table.recorder = FakeRecorder(table.clock, samples)
    return table


def recorder_of(table: Table) -> FakeRecorder:
    """The recorder that is there."""
    assert table.recorder is not None
    return table.recorder


def lose(table: Table, share: float) -> None:
    """Part of the samples were not measured."""
    size = recorder_of(table).samples.size
    recorder_of(table).invalid = np.arange(size) < share * size


def test_sound_sleep() -> None:
    """A sleeper within its budget that wakes passes; links were released, the trace is kept."""
    table = sleeper()
    run = table.run()

    finished = table.do(check_floor_current, run)

    assert finished.verdict is Verdict.PASS, finished.why
    assert set(PROFILE.limits["floor_current"]) == {getattr(one, "limit", "") for one in table.measure.judged} - {""}
    assert run.traces == ["sleep"]
    assert table.board.console.asked == ["sleep"]
    assert table.board.links_open


def test_bench_without_a_recorder() -> None:
    """Without a recorder neither current is decided, and the next action says what to wire."""
    for name, check, value in (
        ("floor_current", check_floor_current, "floor"),
        ("transmit", check_transmit, "peak"),
    ):
        table = Table(name).powered()

        finished = table.do(check)

        assert finished.verdict is Verdict.UNDECIDED
        assert "slots.N.recorder" in table.judged(value).next_action
        assert {one.verdict for one in table.measure.judged} == {Verdict.UNDECIDED}


def test_link_that_cannot_be_released() -> None:
    """An adapter that may feed the board spoils a floor current: undecided, and the board is not sent to sleep."""
    table = sleeper()
    table.link_release = "none"

    finished = table.do(check_floor_current)

    assert finished.verdict is Verdict.UNDECIDED
    assert "release = 'close'" in table.judged("floor").next_action
    assert table.board.console.asked == []


def test_board_that_does_not_wake() -> None:
    """A floor within its limit is no pass when the board never wakes; the next check power-cycles it."""
    table = sleeper()
    table.board.console.wakes = False
    run = table.run()

    finished = table.do(check_floor_current, run)

    assert finished.verdict is Verdict.FAIL
    assert table.verdict("floor") is Verdict.PASS
    assert table.verdict("wakes again") is Verdict.FAIL
    assert table.judged("wakes again").next_action
    assert run.on_bench.power.suspect


FLOORS = [
    pytest.param(200e-6, "above the high limit", id="leak"),
    pytest.param(1e-6, "below the low limit", id="nothing there"),
]


@pytest.mark.parametrize(("floor_a", "words"), FLOORS)
def test_floor_outside_its_limits(floor_a: float, words: str) -> None:
    """Too much fails, and so does less than any sleeping board draws."""
    table = sleeper(floor_a=floor_a)

    finished = table.do(check_floor_current)

    assert finished.verdict is Verdict.FAIL
    assert words in table.judged("floor").why


def test_current_out_of_the_board_is_charged_to_the_bench() -> None:
    """A floor that flows backwards cannot be the board's: something else feeds it."""
    table = sleeper(floor_a=-40e-6, wakes=[])

    with pytest.raises(InstrumentUnfit, match=r"a floor of -40\.0 uA flows out of the board .*unplug"):
        check_floor_current(as_run(table.run()), table.measure)


def test_board_that_wakes_too_rarely() -> None:
    """With fewer whole periods than asked for the mean is undecided; the floor is judged all the same."""
    table = sleeper(wakes=WAKES[:2])

    finished = table.do(check_floor_current)

    assert finished.verdict is Verdict.UNDECIDED
    assert table.verdict("floor") is Verdict.PASS
    assert "1 whole wake periods" in table.judged("mean").why
    assert table.judged("mean").next_action


def test_board_that_never_wakes_by_itself() -> None:
    """Without any wake there is no charge of one: what the profile limits there is undecided, not passed."""
    table = sleeper(wakes=[])

    finished = table.do(check_floor_current)

    assert finished.verdict is Verdict.UNDECIDED
    for name in ("mean", "wake_charge", "wake_period"):
        assert table.verdict(name) is Verdict.UNDECIDED


@pytest.mark.parametrize("name", ["floor_current", "transmit"])
def test_recorder_that_contradicts_the_supply(name: str) -> None:
    """Over range nearly all the time while the supply reads little: the recorder is broken, not the board."""
    table = sleeper() if name == "floor_current" else sender(*UPLINK)
    lose(table, 0.9)
    check = check_floor_current if name == "floor_current" else check_transmit

    with pytest.raises(InstrumentUnfit, match="90% of its samples are over range or no number") as caught:
        check(as_run(table.run()), table.measure)

    assert caught.value.instrument == "recorder"


UNDECIDED = [
    pytest.param(0.1, 0.0045, id="a few samples lost"),
    pytest.param(0.9, 0.25, id="over range, and the supply agrees"),
]


@pytest.mark.parametrize(("share", "draws_a"), UNDECIDED)
@pytest.mark.parametrize("name", ["floor_current", "transmit"])
def test_trace_with_gaps(name: str, share: float, draws_a: float) -> None:
    """A trace with gaps is not judged: undecided, and the next action says where to look."""
    table = sleeper() if name == "floor_current" else sender(*UPLINK)
    lose(table, share)
    table.supply.draws_a = draws_a

    finished = table.do(check_floor_current if name == "floor_current" else check_transmit)

    assert finished.verdict is Verdict.UNDECIDED
    value = "floor" if name == "floor_current" else "peak"
    assert "samples were not measured" in table.judged(value).why
    assert table.judged(value).next_action == "look at the recorder's range and wiring"


def test_sound_uplink() -> None:
    """One transmission within its limits passes; receive windows are none."""
    table = sender(*UPLINK)
    run = table.run()

    finished = table.do(check_transmit, run)

    assert finished.verdict is Verdict.PASS, finished.why
    assert run.traces == ["transmit"]
    assert recorder_of(table).aborted == 0


SILENT = [
    pytest.param([], id="nothing"),
    pytest.param([(0.3, 0.5, 0.012)], id="an idle radio"),
]


@pytest.mark.parametrize("pulses", SILENT)
def test_radio_that_stays_silent(pulses: list[tuple[float, float, float]]) -> None:
    """A rise that is far from a transmission is none: the board fails, with what to look at."""
    table = sender(*pulses)

    finished = table.do(check_transmit)

    assert finished.verdict is Verdict.FAIL
    assert "the current shows no transmission" in finished.why
    assert finished.next_action == "look at the modem's dialogue"


def test_second_transmission() -> None:
    """Two transmissions for one report fail, though each is as it should be."""
    table = sender(UPLINK[0], (1.8, 0.0566, 0.048))

    finished = table.do(check_transmit)

    assert finished.verdict is Verdict.FAIL
    assert table.judged("transmits").why == "expected one transmission, seen 2"
    assert table.verdict("plateau") is Verdict.PASS


def test_uplink_that_never_ends() -> None:
    """When the board is lost in its uplink the recorder is let go of, so that the next check can have it."""
    table = sender(*UPLINK)
    table.board.reports_done = False

    with pytest.raises(BoardTimeout, match="no notice report_done"):
        check_transmit(as_run(table.run()), table.measure)

    assert recorder_of(table).aborted == 1
