"""What a run leaves open is said when, and only when, it was left open; a sign-off says what it made of its plan."""

from __future__ import annotations

import math
from dataclasses import replace
from types import SimpleNamespace
from typing import TYPE_CHECKING, cast

import pytest

from benchrig.judge.coming_back import Fate, Point, Tried
from benchrig.procedures.coming_back import Result
from benchrig.production.coming_back import _judge
from benchrig.production.currents import check_transmit
from benchrig.production.left_open import tell_radio, tell_untried
from benchrig.production.temperature import check_temperature
from benchrig.production.voltages import check_rail
from benchrig.records import CheckFinished, FactJudged, NotProven, Record, Verdict

from .fake_bench import PROFILE, FakeRun, Table, as_run
from .test_currents import UPLINK, sender

if TYPE_CHECKING:
    from benchrig.board.profile import BoardProfile
    from benchrig.board_run import BoardRun

RADIO = "no radio power, frequency or reception was seen: the supply current alone says that it transmits"


def said(records: list[Record]) -> list[str]:
    """Everything that is not proven."""
    return [one.text for one in records if isinstance(one, NotProven)]


def with_end(run: FakeRun, check: str, verdict: Verdict) -> FakeRun:
    run.checks[check] = CheckFinished(check=check, verdict=verdict, duration_s=1.0, at_s=1.0)
    return run


@pytest.mark.parametrize(
    ("verdict", "told"),
    [(None, [RADIO]), (Verdict.NOT_RUN, [RADIO]), (Verdict.PASS, [])],
    ids=["no gateway", "not run", "heard"],
)
def test_a_current_is_no_proof_of_a_signal(verdict: Verdict | None, told: list[str]) -> None:
    """Radio power and reception are open unless a check of the air really ran."""
    table = Table("transmit").powered()
    run = table.run() if verdict is None else with_end(table.run(), "join", verdict)

    tell_radio(as_run(run), table.measure)

    assert said(table.records) == told


def test_uplink_seen_by_its_current_says_so() -> None:
    """The check of a sound uplink leaves its signal open by itself."""
    table = sender(*UPLINK)

    table.do(check_transmit)

    assert RADIO in said(table.records)


def test_temperature_is_compared_at_one_ambient_only() -> None:
    """The sensor beside the board reads 21.0 degC, and nothing else was tried."""
    table = Table("temperature").powered()

    table.do(check_temperature)

    assert said(table.records) == ["compared at one ambient temperature, 21.0 degC, only"]


def test_rail_says_where_it_was_not_measured() -> None:
    """Measured from 3.60 V up, while the sweep goes down to 3.30 V and the budget to 3.45 V: both are named."""
    table = Table("rail").powered()

    table.do(check_rail)

    (text,) = said(table.records)
    assert text.startswith("the rail was measured from 3.60 V to 4.20 V at the battery only")
    assert "3.30 V" in text
    assert "3.45 V" in text


def test_rail_measured_down_to_the_lowest_point_leaves_nothing_open() -> None:
    """A plan that reaches the sweep's lowest point and the cut-off has nothing to say."""
    points_v = (3.30, 3.70, 4.20)
    table = Table("rail", profile=replace(PROFILE, rail=replace(PROFILE.rail, points_v=points_v))).powered()

    table.do(check_rail)

    assert said(table.records) == []


BOTH = "undervoltage and coming back after a dark week were not tried (suites/signoff does)"
UNTRIED = [
    pytest.param(PROFILE, (), (), [BOTH], id="production"),
    pytest.param(PROFILE, ("thresholds", "coming_back"), (), [], id="both tried"),
    pytest.param(PROFILE, (), ("thresholds", "coming_back"), [], id="missed, and said so elsewhere"),
    pytest.param(
        PROFILE,
        ("coming_back",),
        (),
        ["undervoltage was not tried (suites/signoff does)"],
        id="one tried",
    ),
    pytest.param(replace(PROFILE, thresholds=None, coming_back=None), (), (), [], id="nothing planned"),
]


@pytest.mark.parametrize(("profile", "ran", "required", "told"), UNTRIED)
def test_what_a_sign_off_would_try_is_named(
    profile: BoardProfile, ran: tuple[str, ...], required: tuple[str, ...], told: list[str]
) -> None:
    """Undervoltage and coming back are open where the profile plans them and this run did without."""
    written: list[Record] = []
    checks = {name: CheckFinished(check=name, verdict=Verdict.PASS, duration_s=1.0, at_s=1.0) for name in ran}
    plan = SimpleNamespace(profile=profile, required=required)
    run = SimpleNamespace(plan=plan, checks=checks, write=written.append, now_s=lambda: 1.0)

    tell_untried(cast("BoardRun", run))

    assert said(written) == told


# ---- coming back: made and planned


def tried(*, made: bool) -> list[Result]:
    """Every planned point survived; the last hole, unless it was made, was not applied as planned."""
    assert PROFILE.coming_back is not None
    last = Point(0.0, math.inf, 2.0, "hole")
    return [
        Result(Tried(point, Fate.CAME_BACK, as_planned=made or point != last), None)
        for point in PROFILE.coming_back.points.grid()
    ]


def coming_back_fact(table: Table) -> FactJudged:
    fact = table.judged("comes back")
    assert isinstance(fact, FactJudged)
    return fact


def judged(results: list[Result]) -> Table:
    assert PROFILE.coming_back is not None
    table = Table("coming_back")
    _judge(table.measure, PROFILE.coming_back, results)
    return table


def test_sign_off_counts_what_was_made() -> None:
    """Of 32 planned interruptions one was not made: the verdict speaks of 31, and the one is named as not proven."""
    table = judged(tried(made=False))

    fact = coming_back_fact(table)
    assert "after each of 31 power interruptions" in fact.expected
    assert "(32 planned)" in fact.expected
    assert fact.verdict is Verdict.PASS
    assert "coming back: not tried as planned: battery open for 2 s" in said(table.records)


def test_sign_off_in_which_nothing_was_made_decides_nothing() -> None:
    """A bench that applied none of the plan cannot say that the board always comes back."""
    none = [replace(one, tried=replace(one.tried, as_planned=False)) for one in tried(made=True)]

    assert judged(none).judged("comes back").verdict is Verdict.UNDECIDED


def test_border_point_that_was_not_made_is_named() -> None:
    """A point beside the grid, tried to follow a border and not applied as planned, is open as well."""
    assert PROFILE.coming_back is not None
    besides = Result(Tried(Point(2.2, 0.5, 0.1), Fate.CAME_BACK, as_planned=False), None)
    table = judged([*tried(made=True), besides])

    assert any("not tried as planned: floor 2.20 V" in one for one in said(table.records))
    assert "(33 planned)" in coming_back_fact(table).expected
