"""The check that puts a board right by constants: written, kept, proven; and the boards that it refuses."""

from __future__ import annotations

import re
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import pytest

from benchrig.production.correction import check_correction
from benchrig.production.voltages import check_battery_sweep
from benchrig.protocol.console import Answer, Line
from benchrig.records import Annex, CheckFinished, Verdict

from .fake_bench import PROFILE, FakeConsole, FakeRun, Table, as_run

if TYPE_CHECKING:
    from collections.abc import Callable

PER_COUNT_V = PROFILE.converter.volts_per_count


@dataclass
class Memory(FakeConsole):
    """A console whose board holds constants. `keeps` without power; `takes` says what it makes of those it is sent."""

    gain: int = 0
    offset: int = 0
    keeps: bool = True
    refuses: bool = False
    takes: Callable[[int, int], tuple[int, int]] = field(default=lambda gain, offset: (gain, offset))
    sent: list[tuple[int, int]] = field(default_factory=list)

    def ask(self, question: str, **numbers: int) -> Answer:  # type: ignore[override]
        """Write and read; any other question is none of this test's."""
        assert question in ("write_correction", "read_correction")
        fields = {}
        if question == "write_correction":
            self.sent.append((numbers["gain"], numbers["offset"]))
            if self.refuses:
                fields["refused"] = "locked"
            else:
                self.gain, self.offset = self.takes(numbers["gain"], numbers["offset"])
        fields |= {"gain": str(self.gain), "offset": str(self.offset)}
        return Answer(question, fields, Line(b"CAL", self.clock.now_s(), self.clock.now_s()))


@dataclass
class Corrected:
    """A table after the sweep, with a board that applies its constants to what it reports."""

    table: Table
    run: FakeRun
    memory: Memory

    def do(self) -> CheckFinished:
        check_correction(as_run(self.run), self.table.measure)
        return self.table.measure.finish({})


def swept(
    gain: float = 0.007,
    *,
    code: Callable[[float], int] | None = None,
    per_gain: float = 1e-6,
    memory: Callable[[Memory], None] = lambda _: None,
    meter_u_v: float = 1e-4,
) -> Corrected:
    """A board that is off by `gain`, swept as in a run; `per_gain` is what its firmware makes of the gain constant."""
    table = Table("correction").powered()
    table.terminals.u = meter_u_v
    console = Memory(table.clock)
    memory(console)
    table.board.console = console
    counts = code or (lambda volts: round(volts * (1.0 + gain) / PER_COUNT_V))
    table.board.counts = counts
    table.board.millivolts = lambda volts: round(
        1000 * counts(volts) * PER_COUNT_V * (1 + console.gain * per_gain) + console.offset / 1000
    )
    if not console.keeps:
        off = table.supply.output_off

        def forget() -> None:
            off()
            console.gain = console.offset = 0

        table.supply.output_off = forget  # type: ignore[method-assign]
    run = table.run()
    sweep = Table("battery_sweep")
    sweep.clock = table.clock
    check_battery_sweep(as_run(run), sweep.measure)
    run.checks["battery_sweep"] = sweep.measure.finish({})
    return Corrected(table, run, console)


def test_board_that_is_off_is_put_right() -> None:
    """0.7 % of gain error: constants taken, kept over a power cycle, and new readings right where none was before."""
    corrected = swept(0.007)

    finished = corrected.do()

    assert finished.verdict is Verdict.PASS, finished.why
    assert corrected.memory.sent == [(corrected.memory.gain, corrected.memory.offset)]
    assert corrected.memory.gain == pytest.approx(1e6 * (1 / 1.007 - 1), abs=400)
    assert corrected.run.on_bench.power.power_ups == 2
    points_v = PROFILE.correction.verify_points_v if PROFILE.correction else ()
    assert [corrected.table.verdict(f"error_after at {v:.3f} V") for v in points_v] == [Verdict.PASS] * 3
    (annex,) = [record for record in corrected.table.records if isinstance(record, Annex)]
    assert any(re.match(r"gain +-0\.\d+ % ± 0\.\d+ % standard, number -\d+", line) for line in annex.lines)


def test_constants_that_were_there_do_not_matter() -> None:
    """A board corrected before is corrected from its bare codes, not on top."""
    corrected = swept(0.007, memory=lambda held: setattr(held, "gain", -5000))

    finished = corrected.do()

    assert finished.verdict is Verdict.PASS, finished.why
    assert corrected.memory.gain == pytest.approx(1e6 * (1 / 1.007 - 1), abs=400)


WRONG = [
    pytest.param({"memory": lambda held: setattr(held, "refuses", True)}, "constants taken", id="refused"),
    pytest.param(
        {"memory": lambda held: setattr(held, "takes", lambda gain, offset: (gain & ~1 | 1, offset & ~7))},
        "constants taken",
        id="other numbers",
    ),
    pytest.param({"memory": lambda held: setattr(held, "keeps", False)}, "constants kept without power", id="lost"),
    pytest.param({"per_gain": 2.0**-15}, "errors as predicted", id="scale"),
    pytest.param({"per_gain": -1e-6}, "errors as predicted", id="sign"),
]


@pytest.mark.parametrize(("wrong", "fact"), WRONG)
def test_constants_that_do_not_work_fail(wrong: dict[str, object], fact: str) -> None:
    """A board that does not take, keep or rightly apply its constants fails by that fact, with a next action."""
    corrected = swept(0.007, **wrong)  # type: ignore[arg-type]

    finished = corrected.do()

    assert finished.verdict is Verdict.FAIL
    assert corrected.table.verdict(fact) is Verdict.FAIL
    assert corrected.table.judged(fact).next_action


def test_constants_that_are_not_proven_are_taken_back() -> None:
    """After a failed proof the board holds what it held before, and the report says so."""
    corrected = swept(0.007, per_gain=2.0**-15, memory=lambda held: setattr(held, "offset", 7))

    corrected.do()

    assert (corrected.memory.gain, corrected.memory.offset) == (0, 7)
    assert corrected.table.verdict("earlier constants put back") is Verdict.PASS


FAULTY = [
    pytest.param(
        lambda volts: min(round(volts / PER_COUNT_V), 3600), "codes stand still at the high end", id="clipped"
    ),
    pytest.param(lambda volts: round(volts / PER_COUNT_V) & ~32, "bits [5] of the converter", id="dead bit"),
    pytest.param(lambda volts: round(volts * 1.04 / PER_COUNT_V), "a gain constant of -3.8", id="gain"),
    pytest.param(lambda _: 4095, "codes stand still at the low end", id="open divider"),
]


@pytest.mark.parametrize(("code", "reason"), FAULTY)
def test_faulty_board_gets_no_constants(code: Callable[[float], int], reason: str) -> None:
    """What the sweep failed is not failed twice; nothing is written, and the reason stands there."""
    corrected = swept(code=code)

    finished = corrected.do()

    assert corrected.run.checks["battery_sweep"].verdict is Verdict.FAIL
    assert finished.verdict is Verdict.NOT_RUN
    assert reason in finished.why
    assert "faulty rather than off" in finished.why
    assert corrected.memory.sent == []


def test_faulty_board_that_the_sweep_let_pass_fails_here() -> None:
    """Where the sweep has no limit for it, the refusal itself fails the board."""
    corrected = swept(code=lambda volts: round(volts * 1.04 / PER_COUNT_V))
    swept_well = replace_verdict(corrected.run.checks["battery_sweep"])
    corrected.run.checks["battery_sweep"] = swept_well

    finished = corrected.do()

    assert finished.verdict is Verdict.FAIL
    assert finished.why.startswith("no constants were written, the board is faulty rather than off: a gain constant")
    assert finished.why.count("a gain constant") == 1
    assert corrected.table.measure.judged == []
    assert finished.next_action
    assert corrected.memory.sent == []


def replace_verdict(finished: CheckFinished) -> CheckFinished:
    return CheckFinished(check=finished.check, verdict=Verdict.PASS, duration_s=0.0, at_s=finished.at_s)


def test_without_a_sweep_nothing_is_written() -> None:
    """Half a sweep, or none, gives no constants; the next action says what to run."""
    corrected = swept()
    del corrected.run.sweep[5:]

    finished = corrected.do()

    assert finished.verdict is Verdict.NOT_RUN
    assert "has 5 points" in finished.why
    assert finished.next_action == "run the check battery_sweep before this one"
    assert corrected.memory.sent == []


def test_profile_without_a_correction() -> None:
    """A profile that plans none says so in words."""
    table = Table("correction", profile=replace(PROFILE, correction=None)).powered()

    finished = table.do(check_correction)

    assert finished.verdict is Verdict.NOT_RUN
    assert finished.why == "the profile plans no correction"


def test_bench_that_is_less_certain_than_the_limit_writes_nothing() -> None:
    """Constants by a meter that may be 20 mV off would put a board wrong: undecided, with what would help."""
    corrected = swept(meter_u_v=0.010)

    finished = corrected.do()

    assert finished.verdict is Verdict.UNDECIDED
    assert "none were written" in corrected.table.judged("error_after").why
    assert corrected.table.judged("error_after").next_action.endswith("a meter with a smaller uncertainty")
    assert corrected.memory.sent == []
