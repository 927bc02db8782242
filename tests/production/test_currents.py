"""Floor and transmit current on traces that are known, and benches that cannot tell."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from benchrig.errors import BoardTimeout, InstrumentUnfit
from benchrig.production.currents import check_floor_current, check_transmit
from benchrig.production.energy_budget import energy_budget
from benchrig.records import Annex, LimitJudged, NotProven, Verdict
from benchrig.run_plan import Found

from .fake_bench import PROFILE, FakeMeter, FakeRecorder, Table, as_run, square

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


def limit(table: Table, name: str) -> LimitJudged:
    """The one judged value of this name."""
    judged = table.judged(name)
    assert isinstance(judged, LimitJudged)
    return judged


def annex(table: Table, title: str) -> tuple[str, ...]:
    """The lines of an annex."""
    (found,) = [one for one in table.records if isinstance(one, Annex) and one.title == title]
    return found.lines


def open_ends(table: Table) -> list[str]:
    """What the check says that it did not prove."""
    return [one.text for one in table.records if isinstance(one, NotProven)]


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


def test_no_current_between_wakes_is_charged_to_the_bench() -> None:
    """A board that wakes with milliamperes draws something between its wakes, too: if not of the supply, of what?"""
    table = sleeper(floor_a=0.0)
    recorder_of(table).samples[recorder_of(table).samples < 1e-3] = 0.0

    with pytest.raises(InstrumentUnfit, match=r"draws 4\.5 mA, and between its wakes nothing, .*something else feeds"):
        check_floor_current(as_run(table.run()), table.measure)


def test_rail_that_is_lifted_asleep_is_charged_to_the_bench() -> None:
    """A floor within its limits is none of the board's when the rail stands 150 mV above what its converter makes."""
    table = sleeper(floor_a=13e-6)
    table.rail = FakeMeter(table.clock, lambda: 3.3 if table.board.links_open else 3.45)

    with pytest.raises(InstrumentUnfit, match=r"the rail stands at 3\.450 V, 150 mV above .*13\.0 uA.*something else"):
        check_floor_current(as_run(table.run()), table.measure)


def test_wake_while_the_rail_is_read_does_not_hide_a_feed() -> None:
    """One of the two readings may fall into a wake, which brings the rail down: the other one counts."""
    table = sleeper(floor_a=13e-6)
    seen_v = iter([3.3, 3.45, 3.3])  # asleep twice, then awake
    table.rail = FakeMeter(table.clock, lambda: next(seen_v))

    with pytest.raises(InstrumentUnfit, match=r"the rail stands at 3\.450 V"):
        check_floor_current(as_run(table.run()), table.measure)


@pytest.mark.parametrize(("under_load_v", "reads"), [(3.297, 0), (3.19, 1), (None, 1)])
def test_rail_awake_is_read_only_where_the_sleeping_one_stands_out(under_load_v: float | None, reads: int) -> None:
    """A rail that sags under load, or was not measured, proves nothing yet: the awake rail without load decides."""
    table = sleeper()
    run = table.run()
    if under_load_v is not None:
        run.found["rail_v"] = Found(under_load_v, 1e-4, "V")

    finished = table.do(check_floor_current, run)

    assert finished.verdict is Verdict.PASS, finished.why
    assert table.readings().count("rail awake") == reads
    assert table.board.console.nudges == 1


def test_board_that_does_not_wake_is_no_bench_error() -> None:
    """A lifted rail of a board that never wakes cannot be held against an awake one: the board fails by not waking."""
    table = sleeper(floor_a=13e-6)
    table.rail = FakeMeter(table.clock, lambda: 3.3 if table.board.links_open else 3.45)
    table.board.console.wakes = False

    assert table.do(check_floor_current).verdict is Verdict.FAIL
    assert table.verdict("wakes again") is Verdict.FAIL


@pytest.mark.parametrize(
    ("asleep_v", "floor_a", "verdict"),
    [
        pytest.param(3.35, 17e-6, Verdict.PASS, id="skips pulses"),
        pytest.param(3.45, 200e-6, Verdict.FAIL, id="the converter leaks from the battery"),
    ],
)
def test_rail_that_the_board_itself_lifts(asleep_v: float, floor_a: float, verdict: Verdict) -> None:
    """1.5 % more at no load is usual; a rail that the battery lifts shows as too high a floor, and is the board's."""
    table = sleeper(floor_a=floor_a)
    table.rail = FakeMeter(table.clock, lambda: 3.3 if table.board.links_open else asleep_v)

    assert table.do(check_floor_current).verdict is verdict


def test_bench_that_does_not_see_the_rail() -> None:
    """Without a meter at the rail the floor passes, and the report says that a feed would not have been seen."""
    table = sleeper()
    table.rail = None

    assert table.do(check_floor_current).verdict is Verdict.PASS
    assert any("no meter sees the rail" in text for text in open_ends(table))


@pytest.mark.parametrize(
    ("asleep_a", "is_told"), [pytest.param(24e-6, True, id="fed"), pytest.param(20e-6, False, id="as asleep")]
)
def test_open_link_that_feeds_the_board_is_told(asleep_a: float, is_told: bool) -> None:
    """A floor below that of the sleep says that the open link feeds the board, and what is missing where."""
    table = sender(*UPLINK, low_a=20e-6)
    run = table.run()
    run.found["floor_a"] = Found(asleep_a, 0.05e-6, "A")

    table.do(check_transmit, run)

    told = [text for text in open_ends(table) if "the open console link" in text]
    assert len(told) == is_told
    for text in told:
        assert "flow 20.00 µA, with the link released 24.00 µA" in text.replace("uA", "µA")
        assert "peak, plateau and charge are all that the supply gave" in text


def test_board_that_wakes_too_rarely() -> None:
    """With fewer whole periods than asked for the mean is undecided; the floor is judged all the same."""
    table = sleeper(wakes=WAKES[:2])

    finished = table.do(check_floor_current)

    assert finished.verdict is Verdict.UNDECIDED
    assert table.verdict("floor") is Verdict.PASS
    assert "1 whole periods in 10.00 s; 4 are needed" in table.judged("mean").why
    assert table.judged("mean").next_action


def test_board_that_never_wakes_by_itself() -> None:
    """Without any wake there is no charge of one: what the profile limits there is undecided, not passed."""
    table = sleeper(wakes=[])

    finished = table.do(check_floor_current)

    assert finished.verdict is Verdict.UNDECIDED
    for name in ("mean", "wake_charge", "wake_period"):
        assert table.verdict(name) is Verdict.UNDECIDED


@pytest.mark.parametrize(
    ("announced", "words"),
    [
        pytest.param((3, 9), "the port differs: 2 on the modem UART, 3 on the console", id="port"),
        pytest.param((2, 8), "the length differs: 9 bytes on the modem UART, 8 on the console", id="length"),
    ],
)
def test_report_that_is_not_the_one_of_the_console(announced: tuple[int, int], words: str) -> None:
    """A report that is handed over on another port, or of another length, than the console says fails, and is named."""
    table = sender(*UPLINK)
    table.board.announces = announced

    finished = table.do(check_transmit)

    assert finished.verdict is Verdict.FAIL
    assert table.judged("handed over").why == words


def test_report_that_nobody_hears() -> None:
    """Without a tap nothing is said of what was handed over, and the current is judged all the same."""
    table = sender(*UPLINK)
    table.board.tap = None

    finished = table.do(check_transmit)

    assert finished.verdict is Verdict.PASS, finished.why
    assert "handed over" not in {getattr(one, "fact", "") for one in table.measure.judged}


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
    """One transmission within its limits passes, with both receive windows in time and the profile's data rate."""
    table = sender(*UPLINK)
    run = table.run()

    finished = table.do(check_transmit, run)

    assert finished.verdict is Verdict.PASS, finished.why
    assert set(PROFILE.limits["transmit"]) == {getattr(one, "limit", "") for one in table.measure.judged} - {""}
    assert getattr(table.judged("data rate"), "expected", "") == "SF7 for 22 bytes: 56.58 ms"
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
    assert table.judged("transmits").why == (
        "expected one transmission, seen 2, 1 of them soon enough to repeat the one before"
    )
    assert table.verdict("plateau") is Verdict.PASS


def test_uplink_that_never_ends() -> None:
    """When the board is lost in its uplink the recorder is let go of, so that the next check can have it."""
    table = sender(*UPLINK)
    table.board.reports_done = False

    with pytest.raises(BoardTimeout, match="no notice report_done"):
        check_transmit(as_run(table.run()), table.measure)

    assert recorder_of(table).aborted == 1


# ---- what else the traces say


def test_what_later_checks_build_on() -> None:
    """Floor, wakes and mean of the sleep, duration, charge and data rate of the uplink: as the rectangles have them."""
    asleep, sending = sleeper(), sender(*UPLINK, low_a=20e-6)
    sleep, uplink = asleep.run(), sending.run()

    asleep.do(check_floor_current, sleep)
    sending.do(check_transmit, uplink)

    wake_c, burst_c = 0.012 * 0.0045, 0.0566 * 0.048
    found = {**sleep.found, **uplink.found}
    assert found["floor_a"].value == pytest.approx(17e-6, rel=1e-3)
    assert found["wake_charge_c"].value == pytest.approx(0.012 * (0.0045 - 17e-6), rel=1e-3)
    assert limit(asleep, "wake_charge").value == pytest.approx(wake_c, rel=1e-3)
    assert found["wake_period_s"].value == pytest.approx(2.0, abs=1e-3)
    assert found["sleep_mean_a"].value == pytest.approx((17e-6 * 1.988 + wake_c) / 2.0, rel=1e-3)
    assert found["transmit_duration_s"].value == pytest.approx(0.0566, abs=1e-4)
    assert found["transmit_charge_c"].value == pytest.approx(burst_c, rel=3e-3)
    above_c = 0.0566 * (0.048 - 20e-6) + 2 * 0.03 * (0.012 - 20e-6)
    assert found["report_charge_c"].value == pytest.approx(above_c, rel=3e-3)
    assert found["receive_charge_c"].value == pytest.approx(0.03 * (0.012 - 20e-6), rel=3e-3)
    assert found["receive_duration_s"].value == pytest.approx(0.03, abs=1e-4)
    assert found["spreading_factor"].value == 7.0
    assert {name for name, one in found.items() if one.standard_uncertainty <= 0.0} == {"spreading_factor"}
    assert {one.unit for one in found.values()} == {"A", "C", "s", "1"}


@pytest.mark.parametrize("length_s", [0.012, 0.2])
def test_average_without_reports_is_the_mean_of_the_sleep(length_s: float) -> None:
    """Floor and wakes as they are handed on give the mean of the trace they are from: the floor counts once."""
    assert PROFILE.energy is not None
    table = sleeper(wakes=[(start_s, length_s, 0.0045) for start_s, _, _ in WAKES])
    run = table.run()
    table.do(check_floor_current, run)
    mean = run.found["sleep_mean_a"]

    budget = energy_budget(PROFILE.energy, {**run.found, "report_charge_c": Found(0.0, 0.0, "C")})

    assert [event.name for event in budget.rest.events] == ["wake"]
    assert budget.load.mean_a == pytest.approx(mean.value, abs=2.0 * mean.standard_uncertainty)


def test_each_value_keeps_the_causes_of_its_uncertainty() -> None:
    """A charge is as uncertain as the recorder, its own scatter and the sampling make it, by name."""
    asleep, sending = sleeper(), sender(*UPLINK)
    asleep.do(check_floor_current)
    sending.do(check_transmit)

    assert {part.name for part in limit(asleep, "wake_charge").parts} >= {"of reading", "of range"}
    assert {part.name for part in limit(asleep, "floor").parts} >= {"of reading", "of range", "scatter of the floor"}
    assert {part.name for part in limit(sending, "charge").parts} == {"of reading", "of range", "edges between samples"}
    # 0.05 % of 48 mA and 5 ppm of 100 mA, both rectangular (GUM 4.3.7), over 56.6 ms; k = 2 of a normal distribution
    plateau = limit(sending, "plateau")
    standard_a = np.hypot(0.0005 * 0.048, 5e-6 * 0.1) / np.sqrt(3.0)
    assert plateau.expanded_uncertainty == pytest.approx(plateau.coverage_factor * standard_a, rel=1e-3)
    # that current over 56.6 ms, and 48 mA over two edges, each even within half of 0.1 ms (a uniform variance each)
    charge = limit(sending, "charge")
    standard_c = np.hypot(standard_a * 0.0566, 0.048 * 1e-4 / np.sqrt(6.0))
    assert charge.expanded_uncertainty == pytest.approx(charge.coverage_factor * standard_c, rel=5e-3)


def test_table_of_segments() -> None:
    """The report gets count, time and charge by kind, whether the charge closes, and which wakes are expected."""
    table = sleeper()
    table.do(check_floor_current)

    lines = annex(table, "segments of the sleep")

    assert lines[0].split()[:4] == ["segment", "count", "time", "charge"]
    assert [line.split()[:2] for line in lines[1:3]] == [["floor", "6"], ["wake", "5"]]
    assert lines[3].startswith("charge closes: ")
    assert "5 x wake" in lines[4]


def test_hidden_wakes_are_charged() -> None:
    """A wake of 50 ms that comes every 4 s besides the timer's is found, named, and too much."""
    table = sleeper(wakes=[*WAKES, (1.2, 0.05, 0.0045), (5.2, 0.05, 0.0045), (9.2, 0.05, 0.0045)])

    finished = table.do(check_floor_current)

    assert finished.verdict is Verdict.FAIL
    assert table.verdict("hidden_charge") is Verdict.FAIL
    assert "3 x wake" in table.judged("hidden_charge").next_action
    assert table.verdict("wake_period") is Verdict.PASS


def test_charge_that_is_neither_floor_nor_event() -> None:
    """A spike each 100 ms, too short for an event, is unexplained charge: 2 % of it is too much."""
    table = sleeper()
    recorder_of(table).samples[50::100] += np.float32(0.1e-3)

    finished = table.do(check_floor_current)

    spikes_c, total_c = 100 * 1e-3 * 0.1e-3, 440e-6
    assert finished.verdict is Verdict.FAIL
    assert limit(table, "unexplained_charge").value == pytest.approx(spikes_c / total_c, rel=0.05)


def test_what_the_sleep_cannot_show() -> None:
    """An event rarer than the window is long is not in it, and the report says so."""
    table = sleeper()
    table.do(check_floor_current)

    assert any("less often than once in 10.00 s" in text for text in open_ends(table))


def test_wrong_data_rate() -> None:
    """22 bytes that last 370.7 ms are SF10 (AN1200.13), not the profile's SF7."""
    table = sender((0.1, 0.3707, 0.048), (1.4707, 0.03, 0.012), (2.4707, 0.03, 0.012))
    run = table.run()

    finished = table.do(check_transmit, run)

    assert finished.verdict is Verdict.FAIL
    assert table.judged("data rate").why.endswith("SF10 with 20 to 24 bytes")
    assert run.found["spreading_factor"].value == 10.0


def test_length_decides_between_data_rates_that_last_alike() -> None:
    """102.9 ms are 22 bytes at SF8, or 51 to 54 bytes at SF7 (AN1200.13): the board said 22."""
    table = sender((0.1, 0.1029, 0.048), (1.2029, 0.03, 0.012), (2.2029, 0.03, 0.012))
    run = table.run()

    table.do(check_transmit, run)

    assert table.judged("data rate").why.endswith("SF8 with 19 to 22 bytes")
    assert run.found["spreading_factor"].value == 8.0


def test_a_duration_that_is_no_frame() -> None:
    """A burst that no frame of these settings lasts is no data rate: failed, and what it might be is not claimed."""
    table = sender((0.1, 0.0030, 0.048), (1.103, 0.03, 0.012), (2.103, 0.03, 0.012))
    run = table.run()

    table.do(check_transmit, run)

    assert table.verdict("data rate") is Verdict.FAIL
    assert "no frame of these settings" in table.judged("data rate").why
    assert "spreading_factor" not in run.found


def test_data_rate_of_a_profile_that_names_none() -> None:
    """Without an expectation the data rate is found and not judged; the length is what the board announced."""
    profile = replace(PROFILE, transmit=replace(PROFILE.transmit, spreading_factor=None, phy_payload_bytes=None))
    table = sender(*UPLINK)
    table.profile = profile
    run = table.run()

    finished = table.do(check_transmit, run)

    assert finished.verdict is Verdict.PASS, finished.why
    assert run.found["spreading_factor"].value == 7.0
    assert [one for one in table.measure.judged if getattr(one, "fact", "") == "data rate"] == []


def test_late_window() -> None:
    """A first window 2 ms late fails, by its delay."""
    table = sender(UPLINK[0], (0.3566 + 1.002, 0.03, 0.012), UPLINK[2])

    finished = table.do(check_transmit)

    assert finished.verdict is Verdict.FAIL
    assert table.verdict("rx1_delay") is Verdict.FAIL
    assert table.verdict("rx2_delay") is Verdict.PASS


def test_deaf_board() -> None:
    """A board that opens no second window can never be switched if the first one is missed."""
    table = sender(*UPLINK[:2])

    finished = table.do(check_transmit)

    assert finished.verdict is Verdict.FAIL
    assert table.verdict("opens receive window 2") is Verdict.FAIL
    assert table.judged("opens receive window 2").next_action


def test_window_after_the_end_of_the_trace() -> None:
    """A window that is due after the last sample is not proven, and undecided where it is limited."""
    table = sender((1.4, 0.0566, 0.048), (2.4566, 0.03, 0.012))

    finished = table.do(check_transmit)

    assert finished.verdict is Verdict.UNDECIDED
    assert table.verdict("rx1_delay") is Verdict.PASS
    assert any("receive window 2 is due 2 s after the transmission" in text for text in open_ends(table))
