"""Rail and battery sweep on numbers that are known."""

from __future__ import annotations

from dataclasses import replace

import pytest

from benchrig.errors import BoardTimeout
from benchrig.judge.decision import Limit
from benchrig.production.voltages import check_battery_sweep, check_rail
from benchrig.records import FactJudged, Verdict

from .fake_bench import PROFILE, FakeMeter, Table, as_run

PER_COUNT_V = PROFILE.converter.volts_per_count


def test_rail_at_every_point() -> None:
    """Each point of the plan is judged under load, and the load is off again afterwards."""
    table = Table("rail").powered()
    under_load: list[bool] = []

    def reads() -> float:
        under_load.append(table.board.load_is_on)
        return 3.3

    table.rail = FakeMeter(table.clock, reads)

    finished = table.do(check_rail)

    assert finished.verdict is Verdict.PASS
    assert len(table.measure.judged) == len(PROFILE.rail.points_v) + 1
    assert len(under_load) >= len(PROFILE.rail.points_v)
    assert all(under_load)
    assert not table.board.load_is_on
    assert table.supply.setpoint_v >= PROFILE.power.nominal_v


def test_rail_that_drops_out_at_one_point() -> None:
    """The point at which the rail is low fails by its voltage; the others pass."""
    table = Table("rail").powered()
    table.rail = FakeMeter(table.clock, lambda: 3.1 if table.supply.setpoint_v < 3.65 else 3.3)

    finished = table.do(check_rail)

    assert finished.verdict is Verdict.FAIL
    volts = [one.verdict for one in table.measure.judged if one is not table.judged("load")]
    assert volts == [Verdict.FAIL, Verdict.PASS, Verdict.PASS]
    assert table.verdict("voltage at 3.60 V") is Verdict.FAIL


# A step-down converter carries power (energy is conserved): 45 mA x 3.3 V out of 3.7 V are 40.1 mA without any loss.
LOADS = [
    pytest.param(0.0, 1e-5, Verdict.FAIL, id="says on and draws nothing"),
    pytest.param(0.0401, 1e-5, Verdict.PASS, id="a converter without loss"),
    pytest.param(0.0669, 1e-5, Verdict.PASS, id="a converter of 60 %"),
    pytest.param(0.0190, 1e-5, Verdict.FAIL, id="less than half"),
    pytest.param(0.0210, 1e-5, Verdict.PASS, id="more than half"),
    pytest.param(0.0210, 1e-3, Verdict.UNDECIDED, id="more than half, by a coarse supply"),
    pytest.param(0.0446, 30e-3, Verdict.UNDECIDED, id="sound, by a supply that cannot tell"),
    pytest.param(0.0, 30e-3, Verdict.UNDECIDED, id="nothing, by a supply that cannot tell"),
    pytest.param(0.0446, 0.0, Verdict.UNDECIDED, id="nobody says how good the supply is"),
]


@pytest.mark.parametrize(("draws_a", "u_a", "verdict"), LOADS)
def test_load_is_seen_by_the_supply(draws_a: float, u_a: float, verdict: Verdict) -> None:
    """The board's word that its load is on is not enough: the supply must see half of it at least."""
    table = Table("rail").powered()
    table.board.load_draws_a, table.supply.current_u_a = draws_a, u_a

    finished = table.do(check_rail)

    assert finished.verdict is table.verdict("load") is verdict, table.judged("load")
    assert bool(table.judged("load").next_action) is (verdict is not Verdict.PASS)
    assert table.readings()[0] == "current without load"


def test_current_of_the_load_is_read_beside_the_point_next_to_nominal() -> None:
    """One current with the load on, at the point where the idle current can be compared with it."""
    table = Table("rail").powered()
    table.do(check_rail)

    assert [name for name in table.readings() if name.endswith("load on")] == ["current at 3.70 V, load on"]
    load = table.judged("load")
    assert isinstance(load, FactJudged)
    assert "20.07 mA" in load.expected  # by hand: half of 45 mA x 3.3 V / 3.7 V


def test_bench_without_a_rail_meter() -> None:
    """Without a meter on the rail nothing is decided; the next action says what to wire, the board is left alone."""
    table = Table("rail").powered()
    table.rail = None

    finished = table.do(check_rail)

    assert finished.verdict is Verdict.UNDECIDED
    assert table.judged("voltage").next_action == "wire one (slots.N.meters.rail)"
    assert table.readings() == []


def test_sound_sweep() -> None:
    """A straight converter passes every limit, and each point leaves terminals, report and code behind."""
    table = Table("battery_sweep").powered()
    run = table.run()

    finished = table.do(check_battery_sweep, run)

    points = 2 * len(PROFILE.sweep.points_v)
    assert finished.verdict is Verdict.PASS
    assert len(run.sweep) == points
    for word in ("terminals at", "reported at", "counts at"):
        assert sum(name.startswith(word) for name in table.readings()) == points


CHAINS = [
    pytest.param(lambda v: round(v * 1020), lambda v: round(v * 1.02 / PER_COUNT_V), "gain_error", id="gain"),
    pytest.param(lambda v: round(v * 1000 + 35), lambda v: round(v / PER_COUNT_V), "offset", id="offset"),
    pytest.param(lambda v: round(v * 1000), lambda v: round(v / PER_COUNT_V) + 60, "counts_offset", id="counts"),
    pytest.param(
        lambda v: round(v * 1000 + (20 if 3.7 < v < 3.8 else 0)),
        lambda v: round(v / PER_COUNT_V),
        "residual",
        id="bend",
    ),
]


@pytest.mark.parametrize(("millivolts", "counts", "limit"), CHAINS)
def test_each_error_of_the_chain_has_its_limit(millivolts: object, counts: object, limit: str) -> None:
    """What is wrong with divider, reference, constants or straightness shows in the limit of that name."""
    table = Table("battery_sweep").powered()
    table.board.millivolts, table.board.counts = millivolts, counts  # type: ignore[assignment]

    finished = table.do(check_battery_sweep)

    assert finished.verdict is Verdict.FAIL
    assert table.verdict(limit) is Verdict.FAIL
    assert table.judged(limit).next_action


NOISE_LIMITS = [
    pytest.param(0.1, "simple", Verdict.UNDECIDED, id="below a step, as measured"),
    pytest.param(0.1, "guarded", Verdict.UNDECIDED, id="below a step, guarded"),
    pytest.param(0.7, "simple", Verdict.UNDECIDED, id="below what k = 2 of a step can hide"),
    pytest.param(5.0, "simple", Verdict.PASS, id="well above"),
    pytest.param(5.0, "guarded", Verdict.PASS, id="well above, guarded"),
]


@pytest.mark.parametrize(("high_mv", "rule", "verdict"), NOISE_LIMITS)
def test_noise_below_a_step_is_not_known(high_mv: float, rule: str, verdict: Verdict) -> None:
    """A code that stands still tells of noise below its step nothing: such a limit is undecided, never a pass."""
    limit = Limit("noise", unit="mV", high=high_mv, source="invented", rule=rule)
    sweep = {**PROFILE.limits["battery_sweep"], "noise": limit}
    table = Table(
        "battery_sweep", profile=replace(PROFILE, limits={**PROFILE.limits, "battery_sweep": sweep})
    ).powered()

    table.do(check_battery_sweep)

    assert table.verdict("noise") is verdict


def test_limit_on_the_straightness_of_the_codes() -> None:
    """A profile may limit how straight the bare codes are, and that is judged like the rest."""
    limit = Limit("counts_residual", unit="count", high=2.0, source="invented", rule="simple")
    sweep = {**PROFILE.limits["battery_sweep"], "counts_residual": limit}
    profile = replace(PROFILE, limits={**PROFILE.limits, "battery_sweep": sweep})
    straight, bent = (Table("battery_sweep", profile=profile).powered() for _ in range(2))
    bent.board.counts = lambda volts: round(volts / PER_COUNT_V) + (12 if 3.7 < volts < 3.8 else 0)

    straight.do(check_battery_sweep)
    bent.do(check_battery_sweep)

    assert straight.verdict("counts_residual") is Verdict.PASS
    assert bent.verdict("counts_residual") is Verdict.FAIL


def test_slow_board() -> None:
    """The slowest answer stands for all."""
    table = Table("battery_sweep").powered()
    table.board.converts_in_s = 0.8

    finished = table.do(check_battery_sweep)

    assert finished.verdict is Verdict.FAIL
    assert table.verdict("answer_time slowest") is Verdict.FAIL


def test_code_beyond_the_converter() -> None:
    """A code at or above the top one is a converter at its end."""
    table = Table("battery_sweep").powered()
    table.board.counts = lambda volts: min(round(volts / PER_COUNT_V) + 400, 4095)

    table.do(check_battery_sweep)

    assert table.verdict("codes follow the voltage") is Verdict.FAIL


def test_board_that_dies_on_the_way() -> None:
    """The points before a board died are kept for the check of the bytes; a sweep that is done again begins anew."""
    table = Table("battery_sweep").powered()
    run = table.run()
    run.sweep.append(object())  # type: ignore[arg-type]
    table.board.dies_below_v = 3.4

    with pytest.raises(BoardTimeout, match="no complete answer"):
        check_battery_sweep(as_run(run), table.measure)

    assert run.sweep == []
    table.board.dies_below_v = 0.0
    check_battery_sweep(as_run(run), table.measure)
    assert len(run.sweep) == 2 * len(PROFILE.sweep.points_v)
