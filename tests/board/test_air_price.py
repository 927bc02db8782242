"""What the checks of a run ask of the air, and how it is priced: counts by check, bands, retries."""

from __future__ import annotations

from dataclasses import replace

import pytest

from benchrig.board.air_price import AirDemand, AirPrice, demand_of, planned_frames
from benchrig.board.air_table import AirPlan, BackoffPlan, PinPlan, ReportsPlan
from benchrig.protocol.airtime import AirtimeBudget
from benchrig.protocol.airtime_plan import price_plan
from benchrig.protocol.regions import EU868, US915

PIN = PinPlan(
    port=10, on=b"\x01", off=b"\x00", threshold_v=1.65, is_low_active=False, settle_s=0.05, unknown=b"\x7f",
    other_port=11,
)  # fmt: skip
PLAN = AirPlan(
    join_s=10.0,
    uplink_s=5.0,
    tries=3,
    joined_words=("accepted",),
    points_v=(3.45, 3.6, 3.75),
    pin=PIN,
    power_cuts=2,
    reports=ReportsPlan(period_s=5.0, count=4, by_itself=False),
    backoff=BackoffPlan(window_s=60.0, power_cuts=2, by_itself=False),
)


def demand(*checks: str, plan: AirPlan = PLAN) -> AirDemand | None:
    """What these checks send."""
    return demand_of(plan, checks, spreading_factor=7, uplink_bytes=22)


@pytest.mark.parametrize(
    ("checks", "plan", "joins", "uplinks", "downlinks"),
    [
        pytest.param(("join",), PLAN, (2, 1), 0, (0, 0), id="joins by turns in both windows"),
        pytest.param(("join",), replace(PLAN, windows=(1, 1)), (3, 0), 0, (0, 0), id="joins in the first window"),
        pytest.param(("uplink_hops",), PLAN, (1, 0), 4, (0, 0), id="uplinks, and a join before them"),
        pytest.param(("transmit", "uplink_hops"), PLAN, (1, 0), 5, (0, 0), id="the uplink in the current, too"),
        # on, unknown, off in the second, unknown, other port, repeated, unasked without an uplink, on before the cut
        pytest.param(("downlink",), PLAN, (1, 0), 7, (6, 2), id="downlinks"),
        pytest.param(
            ("downlink",),
            replace(PLAN, pin=replace(PIN, unknown=None, after_reset="kept")),
            (1, 0),
            6,
            (5, 2),
            id="no unknown command, and off at the end",
        ),
        pytest.param(("report_period",), PLAN, (1, 0), 6, (0, 0), id="reports by itself, until its power is cut"),
        pytest.param(("join_backoff",), PLAN, (0, 0), 0, (0, 0), id="requests that nobody answers, alone"),
        pytest.param(("join", "downlink"), replace(PLAN, pin=None), (2, 1), 0, (0, 0), id="no pin"),
    ],
)
def test_frames_of_each_check_are_counted(
    checks: tuple[str, ...], plan: AirPlan, joins: tuple[int, int], uplinks: int, downlinks: tuple[int, int]
) -> None:
    """A check asks for as many frames as it sends when nothing is lost."""
    found = demand(*checks, plan=plan)

    assert found is not None
    assert (found.joins, found.uplinks, found.downlinks) == (joins, uplinks, downlinks)


def test_checks_without_the_air_ask_for_nothing() -> None:
    """A run that does not touch the air has no price; the uplink in the current alone is no business of the air."""
    assert demand("rail", "transmit") is None


def test_requests_without_an_answer_are_counted_once_in_six_seconds() -> None:
    """The second window opens 6 s after a request (RP002-1.0.1): 10 in a minute, 2 around it, one after each cut."""
    found = demand("join_backoff", "join")

    assert found is not None
    assert (found.unanswered, found.requests, found.at_most.unanswered) == (14, 17, 14)
    assert not replace(found, unanswered=0).unanswered


def test_every_try_is_counted_in_the_worst_case() -> None:
    """Three tries are three times the frames."""
    found = demand("join", "uplink_hops", "downlink")

    assert found is not None
    assert (found.at_most.joins, found.at_most.uplinks, found.at_most.downlinks) == ((6, 3), 33, (18, 6))


def test_suite_at_the_slowest_data_rate_is_refused() -> None:
    """25 uplinks of 22 bytes at SF12 are 37.1 s, of 36 s that an hour of 1 % has (EN 300 220-2): told with both."""
    found = demand("uplink_hops", plan=replace(PLAN, points_v=(3.5,) * 24))
    assert found is not None
    frames = planned_frames(replace(found, joins=(0, 0), spreading_factor=12), EU868, board="board", gateway="gateways")
    budgets = {name: AirtimeBudget(transmitter=name, region=EU868) for name in ("board", "gateways")}

    priced = price_plan(frames, budgets=budgets, at_s=0.0)

    assert priced.refusals[0].startswith(
        "board in 868-868.6 MHz: 37.0688 s on air in the worst hour, 36 s left of 36 s"
    )


def test_region_without_duty_cycles_is_priced_without_bands() -> None:
    """US915 limits each frame and no hour (RP002-1.0.1): the sum is told, and that there is no duty cycle."""
    found = demand("join", "uplink_hops", "downlink")
    assert found is not None
    frames = planned_frames(found, US915, board="board", gateway="gateways")
    budgets = {name: AirtimeBudget(transmitter=name, region=US915) for name in ("board", "gateways")}

    priced = price_plan(frames, budgets=budgets, at_s=0.0, joins=3)

    assert priced.refusals == ()
    assert AirPrice(priced, priced).lines[1:] == (
        "no duty cycle in this region",
        "3 joins, 65533 nonces left afterwards",
    )
