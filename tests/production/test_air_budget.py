"""The price of a run, before power: written down, said in a line, and a refusal that costs the air alone."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import pytest

from benchrig.board.air_price import AirPrice, planned_frames
from benchrig.production.air_budget import TITLE, price_air
from benchrig.protocol.airtime import AirtimeBudget
from benchrig.protocol.airtime import price as price_of
from benchrig.protocol.airtime_plan import price_plan
from benchrig.protocol.regions import EU868
from benchrig.records import Annex

from .fake_bench import Table

if TYPE_CHECKING:
    from benchrig.board.air_price import AirDemand

CHECKS = ("join", "uplink_hops", "downlink", "rail")


@dataclass
class PricedAir:
    """An air whose board has spent so many frames of SF12 within the hour."""

    frames_before: int = 0
    keeps_account: bool = True
    asked: list[AirDemand] = field(default_factory=list)

    def price(self, demand: AirDemand) -> AirPrice | None:
        self.asked.append(demand)
        if not self.keeps_account:
            return None
        spent = AirtimeBudget(transmitter="board", region=EU868)
        cost = price_of(EU868, frequency_hz=868_100_000, rate=EU868.rate(0, uplink=True), phy_bytes=22, uplink=True)
        for number in range(self.frames_before):
            spent = spent.record(cost, at_s=10.0 * number)
        budgets = {"board": spent, "gateways": AirtimeBudget(transmitter="gateways", region=EU868)}
        frames = planned_frames(demand, EU868, board="board", gateway="gateways")
        found = price_plan(frames, budgets=budgets, at_s=600.0, joins=sum(demand.joins))
        return AirPrice(found, found)


def told_by(air: PricedAir, *checks: str) -> tuple[str, dict[str, str], list[Annex]]:
    """The line, what is blocked, and what was written."""
    table = Table("join")
    run = table.run()
    run.on_bench = replace(run.on_bench, air=air)  # type: ignore[arg-type]  # a price is all that is asked of it
    vars(run).update(write=table.records.append, now_s=table.clock.now_s)
    line = price_air(run, checks)  # type: ignore[arg-type]  # what a check asks of a run
    return line, run.blocked, [one for one in table.records if isinstance(one, Annex)]


def test_price_is_said_and_written() -> None:
    """A line for the terminal and an annex of the report, with airtime, bands and nonces; nothing is blocked."""
    line, blocked, (annex,) = told_by(PricedAir(), *CHECKS)

    assert line.startswith("air: ")
    assert "board: 0.921 s of the 36 s that are left of 36 s in 868-868.6 MHz (1 % of an hour)" in line
    assert (annex.title, annex.lines[-1]) == (TITLE, "3 joins, 65533 nonces left afterwards")
    assert blocked == {}


def test_suite_that_would_break_a_limit_is_refused_with_the_numbers() -> None:
    """Only what needs the air is blocked, and why holds what is needed and what is left."""
    line, blocked, (annex,) = told_by(PricedAir(frames_before=24), *CHECKS)

    assert set(blocked) == {"air"}
    for text in (line, blocked["air"], annex.lines[-1]):
        assert "board in 868-868.6 MHz: 0.920576 s on air in the worst hour, 0.413952 s left of 36 s" in text
    assert "wait until enough of the hour is over" in blocked["air"]


@pytest.mark.parametrize(
    ("air", "checks"),
    [
        pytest.param(PricedAir(keeps_account=False), CHECKS, id="a broker's network keeps the account"),
        pytest.param(PricedAir(frames_before=24), ("rail", "transmit"), id="no check needs the air"),
    ],
)
def test_nothing_is_said_where_nothing_is_to_be_priced(air: PricedAir, checks: tuple[str, ...]) -> None:
    """No line, no annex, nothing blocked."""
    assert told_by(air, *checks) == ("", {}, [])
