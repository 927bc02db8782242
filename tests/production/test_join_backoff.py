"""Requests to join that nobody answers, by a scripted board: rare, ever rarer, and not hurried by a power cut."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import pytest

from benchrig.board.air import AirJoin
from benchrig.clock import FakeClock
from benchrig.errors import BoardTimeout
from benchrig.production.join_backoff import check_join_backoff
from benchrig.records import Annex, CheckFinished, Verdict

from .fake_bench import PROFILE, Table
from .scripted_air import LEVEL, AirConsole, ScriptedAir, fact, table_with, told

if TYPE_CHECKING:
    from collections.abc import Callable

    from benchrig.protocol.console import Answer

SF7_US, SF12_US = 61_696, 1_482_752


def doubling(unanswered: int) -> float:
    """6 s of windows, then 4 s, 8 s, 16 s and so on."""
    return 0.5 if not unanswered else 6.0 + 4.0 * 2.0 ** (unanswered - 1)


@dataclass
class RetryingAir(ScriptedAir):
    """A board that asks again after a time that depends on how many requests had no answer."""

    pause_s: Callable[[int], float] = doubling
    forgets: bool = False
    request_us: int = SF7_US
    answers: list[bool] = field(default_factory=list)
    unanswered: int = 0
    last_s: float = 0.0

    def starts(self) -> None:
        """Told to join, after a start."""
        self.last_s = self.clock.now_s()
        self.unanswered = 0 if self.forgets else self.unanswered

    def answer_joins(self, *, answer: bool) -> None:
        self.answers.append(answer)

    def wait_for_request(self, timeout_s: float, *, since: int, number: int = 1) -> AirJoin:
        assert self.answers == [False]
        heard = [one for one in self.events[since:] if isinstance(one, AirJoin)]
        while len(heard) < number:
            left_s = self.last_s + self.pause_s(self.unanswered) - self.clock.now_s()
            if left_s > timeout_s:
                self.clock.sleep(timeout_s)
                raise BoardTimeout(f"no join-request {number} within {timeout_s:g} s, while gateways are alive")
            self.clock.sleep(max(0.0, left_s))
            heard.append(self._ask())
        return heard[number - 1]

    def _ask(self) -> AirJoin:
        self.unanswered, self.nonce, self.last_s = self.unanswered + 1, self.nonce + self.nonce_step, self.clock.now_s()
        asked = AirJoin(
            at_s=self.last_s, dev_nonce=self.nonce, app_nonce=0, dev_addr=0, levels=(LEVEL,),
            airtime_us=self.request_us, answered=False,
        )  # fmt: skip
        self.events.append(asked)
        return asked


@dataclass
class RetryingConsole(AirConsole):
    """A console that knows how to keep joining."""

    def ask(self, question: str, **_: str) -> Answer:  # type: ignore[override]  # the fake of most checks answers nothing
        if question == "join_keep":
            assert isinstance(self.air, RetryingAir)
            self.air.starts()
        return super().ask(question)


def checked(air: RetryingAir, *, window_s: float = 60.0, power_cuts: int = 2) -> tuple[Table, CheckFinished]:
    """The check with this board."""
    assert PROFILE.air is not None
    assert PROFILE.air.backoff is not None
    plan = replace(PROFILE.air, backoff=replace(PROFILE.air.backoff, window_s=window_s, power_cuts=power_cuts))
    table, run, _ = table_with("join_backoff", air, air=plan)
    table.board.console = RetryingConsole(table.clock, air=air)
    finished = table.do(check_join_backoff, run)
    assert air.answers == [False, True]
    assert run.on_bench.power.suspect  # it still asks: the next check cuts its power
    return table, finished


def test_board_that_asks_ever_more_rarely_passes() -> None:
    """The first hour is kept, later caps stay open with the gap that would keep them, and no cut hurries the board."""
    table, finished = checked(RetryingAir(FakeClock()))

    assert finished.verdict is Verdict.PASS
    assert fact(table, "on air in the first hour").verdict is Verdict.PASS
    assert "less than 36 s (LoRaWAN link layer 1.0.4, section 7)" in fact(table, "on air in the first hour").expected
    assert "hours 1 to 11 are less than 36 s on air" in told(table)
    assert "62 s would keep it" in told(table)
    assert [fact(table, f"not hurried by power cut {cut}").verdict for cut in (1, 2)] == [Verdict.PASS] * 2
    (annex,) = [one for one in table.records if isinstance(one, Annex)]
    assert sum("request, nonce" in line for line in annex.lines) == 7
    assert sum("power cut" in line for line in annex.lines) == 2


def test_board_that_asks_at_the_same_pace_for_ever_breaks_the_later_caps() -> None:
    """Once in 6.5 s is within the first hour's 36 s and ten times too much for the ten hours after it."""
    table, finished = checked(RetryingAir(FakeClock(), pause_s=lambda _: 6.5))

    assert finished.verdict is Verdict.FAIL
    assert fact(table, "on air in the first hour").verdict is Verdict.PASS
    assert fact(table, "on air in hours 1 to 11").verdict is Verdict.FAIL
    assert "342 s if it went on as at the end" in fact(table, "on air in hours 1 to 11").seen
    assert fact(table, "on air in 24 hours after that").verdict is Verdict.FAIL


def test_slow_data_rate_breaks_the_first_hour() -> None:
    """At SF12 a request takes 1.48 s: 25 of them are too much."""
    table, _ = checked(RetryingAir(FakeClock(), pause_s=lambda count: 20.0 if count else 0.5, request_us=SF12_US))

    assert fact(table, "on air in the first hour").verdict is Verdict.FAIL


def test_board_that_is_hurried_by_a_power_cut_fails() -> None:
    """Pauses that begin anew at each start: two brown-outs a minute would make it ask all day."""
    table, finished = checked(RetryingAir(FakeClock(), forgets=True))

    assert finished.verdict is Verdict.FAIL
    assert fact(table, "not hurried by power cut 1").verdict is Verdict.FAIL
    assert fact(table, "on air in the first hour").verdict is Verdict.PASS


def test_nonces_that_do_not_rise_fail() -> None:
    """A request under a nonce that was used tells the board's own story, whatever the network makes of it."""
    table, finished = checked(RetryingAir(FakeClock(), nonce_step=0))

    assert finished.verdict is Verdict.FAIL
    assert fact(table, "nonces rise").verdict is Verdict.FAIL


def test_board_that_asks_once_leaves_everything_open() -> None:
    """One request proves no pace and no rising nonce, a power cut has nothing to be compared with: that is no pass."""
    table, finished = checked(RetryingAir(FakeClock(), pause_s=lambda count: 1e6 if count else 0.5), power_cuts=1)

    assert finished.verdict is Verdict.UNDECIDED
    assert fact(table, "asks again").verdict is Verdict.UNDECIDED
    assert "the board gave up, or its next one was not heard" in finished.why
    assert "that a power cut does not hurry it" in told(table)
    assert told(table).count("less than 36 s on air") == 2


def test_board_that_never_asks_is_charged_with_it() -> None:
    """Told to join and silent: an error of the board, and answers are given again."""
    air = RetryingAir(FakeClock(), pause_s=lambda _: 1e6)

    with pytest.raises(BoardTimeout, match="no join-request 1 within 10 s"):
        checked(air)
    assert air.answers == [False, True]


@pytest.mark.parametrize("missing", ["plan", "gateway"])
def test_without_a_plan_or_a_gateway_it_is_not_run(missing: str) -> None:
    """Absence is not success, and no failure of the board."""
    assert PROFILE.air is not None
    plan = replace(PROFILE.air, backoff=None) if missing == "plan" else PROFILE.air
    air = RetryingAir(FakeClock(), can_join=missing != "gateway")
    table, run, _ = table_with("join_backoff", air, air=plan)

    finished = table.do(check_join_backoff, run)

    assert finished.verdict is Verdict.NOT_RUN
    assert finished.next_action
