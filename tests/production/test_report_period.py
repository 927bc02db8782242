"""Reports that a scripted board sends by itself: their period and jitter, whoever's clock it is, and what gets lost."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import pytest

from benchrig.board.air import AirLevel, AirUplink
from benchrig.clock import FakeClock
from benchrig.errors import BoardTimeout
from benchrig.production.report_period import check_report_period, times_of
from benchrig.records import CheckFinished, FactJudged, Verdict

from .fake_bench import PROFILE, Table
from .scripted_air import LEVEL, ScriptedAir, fact, joined, table_with

PERIOD_S = 5.0


@dataclass
class ReportingAir(ScriptedAir):
    """A board that reports at these times, seconds after it was told; those in `lost` are not heard."""

    at_s: tuple[float, ...] = tuple(PERIOD_S * number for number in range(5))
    lost: frozenset[int] = frozenset()
    clock_us: int = 0
    has_clock: bool = True
    told_s: float | None = None
    heard: list[AirUplink] = field(default_factory=list)

    def wait_for_uplink(
        self, timeout_s: float, *, since: int, counter: int | None = None, port: int | None = None
    ) -> AirUplink:
        assert (since, port) == (0, None)
        self.told_s = self.clock.now_s() if self.told_s is None else self.told_s
        ends_s = self.clock.now_s() + timeout_s
        for number, at_s in enumerate(self.at_s):
            if number not in self.lost and self.told_s + at_s <= ends_s and len(self.heard) <= number:
                self._report(number, at_s)
            for one in self.heard:
                if counter in (None, one.counter):
                    return one
        self.clock.sleep(max(0.0, ends_s - self.clock.now_s()))
        raise BoardTimeout(f"no uplink {counter} within {timeout_s:g} s")

    def _report(self, number: int, at_s: float) -> None:
        assert self.told_s is not None
        self.clock.sleep(max(0.0, self.told_s + at_s - self.clock.now_s()))
        counter_us = (self.clock_us + round(at_s * 1e6)) % (1 << 32)
        level = replace(LEVEL, counter_us=counter_us if self.has_clock else None)
        self.heard.append(AirUplink(at_s=self.clock.now_s(), counter=20 + number, port=2, payload=b"", levels=(level,)))

    def uplinks_since(self, mark: int) -> tuple[AirUplink, ...]:
        return tuple(self.heard)


def checked(air: ReportingAir) -> tuple[Table, CheckFinished]:
    """The check with this board."""
    table, run, _ = table_with("report_period", air)
    finished = table.do(check_report_period, joined(run))
    assert run.on_bench.power.suspect  # it goes on: the next check cuts its power
    return table, finished


@pytest.mark.parametrize(
    ("air", "period_s"),
    [
        pytest.param(ReportingAir(FakeClock()), 5.0, id="by a gateway's clock"),
        pytest.param(ReportingAir(FakeClock(), has_clock=False), 5.0, id="by arrival"),
        pytest.param(ReportingAir(FakeClock(), clock_us=(1 << 32) - 7_000_000), 5.0, id="a clock that runs over"),
    ],
)
def test_board_that_keeps_its_period_passes(air: ReportingAir, period_s: float) -> None:
    """Four gaps of five seconds, whoever tells the time."""
    table, finished = checked(air)

    assert finished.verdict is Verdict.PASS, finished.why
    assert getattr(table.judged("period"), "value", 0.0) == pytest.approx(period_s, abs=1e-6)


@pytest.mark.parametrize(
    ("at_s", "failed"),
    [
        pytest.param((0.0, 4.0, 8.0, 12.0, 16.0), ["period"], id="too often"),
        pytest.param((0.0, 5.0, 10.3, 15.0, 20.0), ["jitter"], id="uneven"),
        pytest.param((0.0, 5.0, 10.0), ["goes on reporting"], id="stops"),
    ],
)
def test_board_that_does_not_keep_it_fails(at_s: tuple[float, ...], failed: list[str]) -> None:
    """A wrong period, an uneven one, and a board that stops are told apart."""
    table, finished = checked(ReportingAir(FakeClock(), at_s=at_s))

    assert finished.verdict is Verdict.FAIL
    not_passed = [one.fact if isinstance(one, FactJudged) else one.limit for one in table.measure.not_passed()]
    assert not_passed == failed


def test_report_that_got_lost_spoils_no_period() -> None:
    """Its counter tells that it was sent: the gap around it counts for two, and it is told."""
    table, finished = checked(ReportingAir(FakeClock(), lost=frozenset({2})))

    assert finished.verdict is Verdict.PASS, finished.why
    assert fact(table, "goes on reporting").seen == "4, of which 1 were not heard"


def test_clock_is_that_of_a_gateway_that_heard_them_all() -> None:
    """A gateway that missed one, and one without a name, are no clock."""
    levels = [
        (AirLevel(gateway="near", counter_us=100), AirLevel(gateway="far", counter_us=7)),
        (AirLevel(gateway="far", counter_us=5_000_007),),
    ]
    heard = [
        AirUplink(at_s=at_s, counter=0, port=2, payload=b"", levels=one)
        for at_s, one in zip((1.0, 6.5), levels, strict=True)
    ]

    assert times_of(heard, stamp_u_s=0.01).at_s == (7e-6, 5.000007)
    assert times_of([replace(one, levels=()) for one in heard], stamp_u_s=0.01)[:2] == ((1.0, 6.5), 0.01)


@pytest.mark.parametrize("missing", ["plan", "air"])
def test_without_a_plan_or_an_air_it_is_not_run(missing: str) -> None:
    """Absence is not success, and no failure of the board."""
    assert PROFILE.air is not None
    plan = replace(PROFILE.air, reports=None) if missing == "plan" else PROFILE.air
    table, run, _ = table_with("report_period", ReportingAir(FakeClock()), air=plan)
    if missing == "air":
        run.on_bench = replace(run.on_bench, air=None)

    assert table.do(check_report_period, run).verdict is Verdict.NOT_RUN
