"""One check: what it judges, what it writes down, and how it ends. Absence is not success."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchrig.check import Check
from benchrig.clock import FakeClock
from benchrig.journal import JournalWriter, read_journal
from benchrig.judge.budget import Budget
from benchrig.judge.decision import Limit
from benchrig.judge.uncertainty import Component
from benchrig.procedures.on_bench import Phases
from benchrig.reading import Reading
from benchrig.records import Annex, CheckFinished, FactJudged, LimitJudged, NotProven, Part, ReadingTaken, Verdict

if TYPE_CHECKING:
    from pathlib import Path

    from benchrig.records import Record


def limit(name: str, *, low: float | None = 1.0, high: float | None = 5.0, rule: str = "simple") -> Limit:
    """An invented limit in volts."""
    return Limit(name, unit="V", low=low, high=high, source="invented", rule=rule)


class Bench:
    """A check in progress, what it wrote, and a clock that only the test moves."""

    def __init__(self, *limits: Limit) -> None:
        self.clock = FakeClock()
        self.written: list[Record] = []
        self.check = Check(
            "blink", {one.name: one for one in limits}, write=self.written.append, now_s=self.clock.now_s
        )

    def finish(self, **phases_s: float) -> CheckFinished:
        """End it."""
        return self.check.finish(phases_s)

    def of(self, kind: type[Record]) -> list[Record]:
        """The records of one kind."""
        return [record for record in self.written if isinstance(record, kind)]


def test_pass() -> None:
    """A value inside its limit passes, and the check with it."""
    bench = Bench(limit("level"))

    assert bench.check("level", 3.0, unit="V") is Verdict.PASS
    assert (bench.finish().verdict, bench.check.not_passed()) == (Verdict.PASS, ())


def test_value_is_kept_in_the_base_unit() -> None:
    """A value given in millivolts is judged and written down in volts, with limits, rule and source."""
    bench = Bench(limit("level", rule="guarded"))
    bench.check("level", 4900.0, unit="mV", standard_uncertainty=20.0, at="at noon", next_action="turn it down")

    (judged,) = bench.of(LimitJudged)
    assert isinstance(judged, LimitJudged)
    assert (judged.limit, judged.unit) == ("level at noon", "V")
    assert judged.value == pytest.approx(4.9)
    assert (judged.low, judged.high, judged.rule, judged.limit_source) == (1.0, 5.0, "guarded", "invented")
    # GUM (JCGM 100:2008) table G.1: k = 2 for 95.45 % of a normal distribution
    assert judged.coverage_factor == pytest.approx(2.0)
    assert judged.expanded_uncertainty == pytest.approx(0.040)
    assert (judged.verdict, judged.next_action) == (Verdict.PASS, "")


def test_next_action_only_when_needed() -> None:
    """A next action is written down for what did not pass, and only there."""
    bench = Bench(limit("level"))
    bench.check("level", 3.0, unit="V", next_action="turn it down")
    bench.check("level", 6.0, unit="V", next_action="turn it down")

    actions = [record.next_action for record in bench.of(LimitJudged) if isinstance(record, LimitJudged)]
    assert actions == ["", "turn it down"]


def test_several_violated_limits() -> None:
    """After a violated limit the check goes on; at its end every one is listed, each once."""
    bench = Bench(limit("level"), limit("ripple", high=0.1, low=None), limit("drift"))
    bench.check("level", 7.0, unit="V")
    bench.check("ripple", 0.4, unit="V")
    bench.check("drift", 2.0, unit="V")

    finished = bench.finish()

    assert finished.verdict is Verdict.FAIL
    assert (
        finished.why
        == "level: 7.000 V is above the high limit 5.000 V; ripple: 400.0 mV is above the high limit 100.0 mV"
    )
    assert [one.limit for one in bench.check.not_passed() if isinstance(one, LimitJudged)] == ["level", "ripple"]


def test_limit_never_judged() -> None:
    """A limit of the profile that was never judged makes the check undecided and is named."""
    bench = Bench(limit("level"), limit("ripple"))
    bench.check("level", 3.0, unit="V")

    finished = bench.finish()

    assert finished.verdict is Verdict.UNDECIDED
    assert finished.why == "ripple: the profile limits this value and the check never measured it"


def test_fact_does_not_stand_for_a_value() -> None:
    """A fact whose name begins like a limit does not count as that value measured."""
    bench = Bench(limit("level"))
    bench.check.fact("level of the water", expected="low", seen="low", holds=True)

    finished = bench.finish()

    assert finished.verdict is Verdict.UNDECIDED
    assert finished.why.startswith("level: the profile limits this value")


def test_name_with_blanks() -> None:
    """A limit whose name has blanks is known again when it is judged."""
    bench = Bench(limit("level of the water"))
    bench.check("level of the water", 3.0, unit="V", at="at noon")

    assert bench.finish().verdict is Verdict.PASS


def test_nothing_judged() -> None:
    """A check that judged nothing proved nothing."""
    finished = Bench().finish()

    assert finished.verdict is Verdict.UNDECIDED
    assert finished.why == "this check judged nothing: the profile limits none of its values"


NO_NUMBERS = [
    pytest.param(math.nan, 0.0, id="NaN"),
    pytest.param(math.inf, 0.0, id="infinity"),
    pytest.param(-math.inf, 0.0, id="minus infinity"),
    pytest.param(None, 0.0, id="none"),
    pytest.param(3.0, math.nan, id="uncertainty NaN"),
    pytest.param(3.0, math.inf, id="uncertainty infinite"),
    pytest.param(3.0, -0.1, id="uncertainty negative"),
]


@pytest.mark.parametrize("rule", ["simple", "guarded"])
@pytest.mark.parametrize(("value", "uncertainty"), NO_NUMBERS)
def test_no_number_never_passes(value: float | None, uncertainty: float, rule: str, tmp_path: Path) -> None:
    """A value or an uncertainty that is no finite number is undecided, and the journal takes it."""
    with JournalWriter(tmp_path / "one.jsonl") as journal:
        check = Check("blink", {"level": limit("level", rule=rule)}, write=journal.append, now_s=lambda: 0.0)
        verdict = check("level", value, unit="V", standard_uncertainty=uncertainty)
        finished = check.finish({})

    assert (verdict, finished.verdict) == (Verdict.UNDECIDED, Verdict.UNDECIDED)
    assert read_journal(tmp_path / "one.jsonl").problems == ()


@pytest.mark.parametrize("low", [None, -math.inf, 1.0])
def test_no_number_passes_no_open_limit(low: float | None) -> None:
    """Infinity does not pass a limit that is open on its side."""
    bench = Bench(limit("level", low=1.0, high=None) if low else limit("level", low=None, high=5.0))

    assert bench.check("level", math.inf if low else -math.inf, unit="V") is Verdict.UNDECIDED


@given(st.floats(), st.floats(), st.sampled_from(["simple", "guarded"]))
def test_pass_means_inside(value: float, uncertainty: float, rule: str) -> None:
    """Whatever value and uncertainty come, only finite ones inside the limits pass."""
    bench = Bench(limit("level", rule=rule))
    bench.check("level", value, unit="V", standard_uncertainty=uncertainty)

    if bench.finish().verdict is Verdict.PASS:
        assert 1.0 <= value <= 5.0
        assert 0.0 <= uncertainty < math.inf


def test_value_without_a_limit() -> None:
    """A value for which the profile has no limit is written down and not judged."""
    bench = Bench(limit("level"))

    verdict = bench.check("ripple", 0.4, unit="V", standard_uncertainty=0.1, at="at noon")

    (kept,) = bench.written
    assert verdict is None
    assert isinstance(kept, ReadingTaken)
    assert (kept.name, kept.value, kept.unit, kept.standard_uncertainty) == ("ripple at noon", 0.4, "V", 0.1)
    assert bench.check.judged == []


def test_value_without_a_limit_and_without_a_number() -> None:
    """No number is written down as none, with what came."""
    bench = Bench()
    bench.check("ripple", None, unit="V")

    (kept,) = bench.written
    assert isinstance(kept, ReadingTaken)
    assert (kept.value, kept.raw) == (None, "None")


def test_reading_is_written_once() -> None:
    """A reading that was written down before is not written again because no limit judges it."""
    bench = Bench()
    reading = Reading(0.4, "V", 0.1, "meter 101", "+4.0E-01", 2.0, 3)
    bench.check("ripple", bench.check.reading("ripple", reading))
    bench.check("other ripple", Reading(0.4, "V", 0.1, "meter 101", "+4.0E-01", 2.0, 3))

    names = [record.name for record in bench.of(ReadingTaken) if isinstance(record, ReadingTaken)]
    assert names == ["ripple", "other ripple"]


def test_reading_brings_its_unit_and_uncertainty() -> None:
    """A reading is judged by its own unit and uncertainty, and written with its raw text."""
    bench = Bench(limit("level", rule="guarded"))
    reading = bench.check.reading("level", Reading(4.95, "V", 0.1, "meter 101", "+4.95E+00", 2.0))

    assert bench.check("level", reading) is Verdict.UNDECIDED
    (kept,) = bench.of(ReadingTaken)
    assert isinstance(kept, ReadingTaken)
    assert (kept.raw, kept.source, kept.at_s) == ("+4.95E+00", "meter 101", 2.0)


def test_wrong_unit() -> None:
    """A value in a unit of another quantity is a programming error, not a verdict."""
    bench = Bench(limit("level"))

    with pytest.raises(ValueError, match=r"a value in 'A' cannot be held against limit 'level' in 'V'"):
        bench.check("level", 3.0, unit="A")


FACTS = [
    pytest.param(True, Verdict.PASS, "as expected", id="holds"),
    pytest.param(False, Verdict.FAIL, "expected red, seen blue", id="does not hold"),
    pytest.param(None, Verdict.UNDECIDED, "expected red, seen blue", id="cannot be decided"),
]


@pytest.mark.parametrize(("holds", "verdict", "why"), FACTS)
def test_fact(holds: bool | None, verdict: Verdict, why: str) -> None:
    """A fact holds, does not, or cannot be decided; the check follows, and says what was expected and seen."""
    bench = Bench()

    found = bench.check.fact("colour", expected="red", seen="blue", holds=holds, next_action="paint it")

    (record,) = bench.written
    assert isinstance(record, FactJudged)
    assert (found, record.verdict, record.why) == (verdict, verdict, why)
    assert record.next_action == ("" if holds else "paint it")
    assert bench.finish().verdict is verdict


def test_undecided_by_hand() -> None:
    """A value that this bench cannot decide is undecided with the reason, and is not named missing besides."""
    bench = Bench(limit("level"))
    bench.check.undecided("level", "no meter sees it", next_action="wire one")

    finished = bench.finish()

    (record,) = bench.of(FactJudged)
    assert isinstance(record, FactJudged)
    assert (record.expected, record.seen, record.next_action) == ("1 V to 5 V", "not measured", "wire one")
    assert (finished.verdict, finished.why) == (Verdict.UNDECIDED, "level: no meter sees it")


ENDS = [Verdict.FAIL, Verdict.BENCH_ERROR, Verdict.UNDECIDED, Verdict.NOT_RUN]


@pytest.mark.parametrize("verdict", ENDS)
def test_ended_early(verdict: Verdict) -> None:
    """A check that something else ended has that verdict, reason and next action; missing limits are not named."""
    bench = Bench(limit("level"), limit("ripple"))
    bench.check("level", 3.0, unit="V")
    bench.check.end_by(verdict, "the lamp went out", next_action="change the bulb")

    finished = bench.finish()

    assert bench.check.has_ended_early
    assert (finished.verdict, finished.why, finished.next_action) == (verdict, "the lamp went out", "change the bulb")


def test_ended_early_after_a_violation() -> None:
    """What was violated before the early end is still told, and counts when it is worse."""
    bench = Bench(limit("level"))
    bench.check("level", 7.0, unit="V")
    bench.check.end_by(Verdict.NOT_RUN, "the rest was left out")

    finished = bench.finish()

    assert finished.verdict is Verdict.FAIL
    assert finished.why == "the rest was left out; level: 7.000 V is above the high limit 5.000 V"


def test_ended_twice() -> None:
    """A second end does not hide the first: the worst counts, whichever came first, and both are told."""
    for order in ([Verdict.FAIL, Verdict.NOT_RUN], [Verdict.NOT_RUN, Verdict.FAIL]):
        bench = Bench()
        for verdict in order:
            bench.check.end_by(verdict, f"ended as {verdict}")

        finished = bench.finish()

        assert finished.verdict is Verdict.FAIL
        assert finished.why == "; ".join(f"ended as {verdict}" for verdict in order)


@pytest.mark.parametrize("verdict", [Verdict.PASS, Verdict.WAIVED])
def test_nobody_ends_a_check_as_passed(verdict: Verdict) -> None:
    """A check passes by what it judged; ending it as passed would leave limits out, and is refused."""
    bench = Bench(limit("level"))

    with pytest.raises(ValueError, match=r"cannot be ended by '(pass|waived)'; accepted: bench error, fail, not run"):
        bench.check.end_by(verdict, "looks good")


def test_phases_add_up() -> None:
    """The phases of a check and its overhead together are its duration; an inner phase is taken out of the outer."""
    bench = Bench()
    phases = Phases(bench.clock)
    with phases("settling"):
        bench.clock.sleep(1.0)
        with phases("measuring"):
            bench.clock.sleep(2.0)
        bench.clock.sleep(0.5)
    bench.clock.sleep(0.25)

    finished = bench.finish(**phases.take())

    assert finished.phases_s == {"settling": 1.5, "measuring": 2.0, "overhead": 0.25}
    assert finished.duration_s == sum(finished.phases_s.values()) == 3.75


def test_end_is_the_last_record() -> None:
    """What a check found is written down as it happens, its end last."""
    bench = Bench(limit("level"))
    bench.clock.sleep(1.0)
    bench.check("level", 3.0, unit="V")
    assert [type(record) for record in bench.written] == [LimitJudged]
    bench.clock.sleep(1.0)
    bench.finish()

    assert [(type(record), getattr(record, "at_s", None)) for record in bench.written] == [
        (LimitJudged, 1.0),
        (CheckFinished, 2.0),
    ]


def test_budget_gives_uncertainty_factor_and_causes() -> None:
    """A value judged by a budget keeps its causes, its coverage factor and where that is from (EA-4/02 S9: 1.65)."""
    bench = Bench(limit("level", rule="guarded"))
    budget = Budget(
        [Component.within("range", half_width=0.3), Component("noise", standard_uncertainty=0.01)], unit="V"
    )
    bench.check("level", 3.0, unit="V", budget=budget)
    (judged,) = bench.of(LimitJudged)
    assert isinstance(judged, LimitJudged)

    assert judged.coverage_factor == pytest.approx(0.9545 * 3**0.5, abs=2e-4)
    assert judged.expanded_uncertainty == pytest.approx(judged.coverage_factor * budget.standard_uncertainty)
    assert [part.name for part in judged.parts] == ["range", "noise"]
    assert judged.basis == "rectangular: range dominates"


def test_parts_of_a_reading_are_its_budget() -> None:
    """A reading that knows its causes is judged by them."""
    bench = Bench(limit("level", rule="guarded"))
    part = Part(name="meter", standard_uncertainty=0.1, shape="rectangular")
    bench.check("level", Reading(3.0, "V", 0.1, "meter", "3.0", 0.0, parts=(part,)))
    (judged,) = bench.of(LimitJudged)
    assert isinstance(judged, LimitJudged)

    assert judged.parts == (part,)
    assert judged.coverage_factor < 2.0


def test_next_action_of_what_is_undecided_does_not_begin_at_the_board() -> None:
    """A value in the guard band is to be measured better first; one that is no number is asked for as it is."""
    bench = Bench(limit("level", rule="guarded"))
    bench.check("level", 4.9, unit="V", standard_uncertainty=0.2, next_action="turn it down")
    bench.check("level", 4.9, unit="V", standard_uncertainty=0.2)
    bench.check("level", math.nan, unit="V", next_action="turn it down")

    judged = [record for record in bench.of(LimitJudged) if isinstance(record, LimitJudged)]
    assert {one.verdict for one in judged} == {Verdict.UNDECIDED}
    assert [one.next_action for one in judged] == [
        "measure it with a smaller uncertainty; only if it fails then: turn it down",
        "measure it with a smaller uncertainty",
        "turn it down",
    ]


@pytest.mark.parametrize(
    ("rule", "value", "verdict"),
    [
        pytest.param("guarded", 5.21, Verdict.FAIL, id="outside by more than U"),
        pytest.param("risk 2 %", 5.5, Verdict.FAIL, id="outside by more than the risk allows"),
        pytest.param("simple", 5.21, Verdict.FAIL, id="simple, outside by more than U"),
        pytest.param("simple", 5.19, Verdict.UNDECIDED, id="simple, outside by less than U"),
        pytest.param("guarded", 5.19, Verdict.UNDECIDED, id="outside by less than U"),
        pytest.param("guarded 0.5", 0.85, Verdict.FAIL, id="outside by more than half of U, as the rule says"),
    ],
)
def test_clear_fail_stays_though_called_vain(rule: str, value: float, verdict: Verdict) -> None:
    """Vain comes from what was expected; the uncertainty as measured, U = 0.2 V here, decides what is bad."""
    written: list[Record] = []
    check = Check(
        "blink",
        {"level": limit("level", rule=rule)},
        write=written.append,
        now_s=FakeClock().now_s,
        vain={"level": "the meter is too coarse"},
    )

    assert check("level", value, unit="V", standard_uncertainty=0.1, next_action="turn it down") is verdict
    (judged,) = [record for record in written if isinstance(record, LimitJudged)]
    assert (judged.next_action == "turn it down") is (verdict is Verdict.FAIL)
    assert judged.why.startswith("this bench cannot decide it") is (verdict is Verdict.UNDECIDED)


@pytest.mark.parametrize("value", [3.0, 5.1, 5.0])
@pytest.mark.parametrize("rule", ["simple", "guarded"])
def test_vain_values_stay_undecided(value: float, rule: str) -> None:
    """A value that this bench cannot decide does not pass, nor fail within its uncertainty."""
    clock = FakeClock()
    written: list[Record] = []
    check = Check(
        "blink",
        {"level": limit("level", rule=rule)},
        write=written.append,
        now_s=clock.now_s,
        vain={"level": "the meter is too coarse"},
    )

    assert check("level", value, unit="V", standard_uncertainty=0.1) is Verdict.UNDECIDED
    (judged,) = [record for record in written if isinstance(record, LimitJudged)]
    assert judged.why == "this bench cannot decide it: the meter is too coarse"
    assert "instrument or range that can decide it" in judged.next_action
    assert check.finish({}).verdict is Verdict.UNDECIDED


def test_what_is_left_open_is_written_down() -> None:
    """A check that passes still says what it leaves open, and what stands beside its verdicts."""
    bench = Bench(limit("level"))
    bench.check("level", 3.0, unit="V")
    bench.check.not_proven("the sign of the level", next_action="measure one below zero")
    bench.check.annex("levels", ["one", "two"])

    assert bench.finish().verdict is Verdict.PASS
    (left,) = bench.of(NotProven)
    (annex,) = bench.of(Annex)
    assert isinstance(left, NotProven)
    assert isinstance(annex, Annex)
    assert (left.text, left.next_action, left.check) == ("the sign of the level", "measure one below zero", "blink")
    assert (annex.title, annex.lines) == ("levels", ("one", "two"))


def test_risk_rule_takes_the_factor_into_account() -> None:
    """A risk is reckoned from the standard uncertainty, whatever factor the expanded one was made with."""
    wide, narrow = Bench(limit("level", rule="risk 2 %")), Bench(limit("level", rule="risk 2 %"))
    flat = Budget([Component.within("range", half_width=0.1 * 3**0.5)], unit="V")
    bell = Budget([Component("noise", standard_uncertainty=0.1)], unit="V")
    wide.check("level", 4.5, unit="V", budget=flat)
    narrow.check("level", 4.5, unit="V", budget=bell)
    bands = [
        one.guard_band for bench in (wide, narrow) for one in bench.of(LimitJudged) if isinstance(one, LimitJudged)
    ]

    assert bands[0] == pytest.approx(bands[1])
    assert bands[0] == pytest.approx(0.1 * 2.0537, rel=1e-3)  # the normal's 98 % point, from memory
