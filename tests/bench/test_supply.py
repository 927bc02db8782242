"""A supply does nothing that could hurt the board: refused before it is sent, or found before the output closes."""

from __future__ import annotations

import math
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from benchrig.bench.bench_file import read_bench_file
from benchrig.bench.command_table import Condition
from benchrig.bench.open_bench import OpenBench
from benchrig.bench.supply import Maxima, Supply
from benchrig.bench.wiring import SourceWiring
from benchrig.clock import FakeClock, ScaledClock
from benchrig.errors import InstrumentRefusal, InstrumentUnfit, SafetyError

from .instruments import instrument, table
from .scripted_instrument import InstrumentServer, ScriptedInstrument

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from tests.conftest import StartBench

MAXIMA = Maxima(voltage_v=5.0, current_a=0.5)
SHIPPED_BENCH = Path(__file__).parents[2] / "fixtures" / "benches" / "simulated.toml"
WIRING = SourceWiring("psu", None, lead_ohm=0.0, contact_ohm=0.0)


class Bench:
    """A supply on a scripted instrument, and whether a guard stands by."""

    def __init__(self, server: InstrumentServer) -> None:
        self.scripted = server.instrument
        self.is_guarded = True
        self.session = instrument(server.resource)
        self.session.open()
        self.supply = Supply(self.session, WIRING, MAXIMA, FakeClock(), guarded=lambda: self.is_guarded)

    def sent(self, header: str) -> list[str]:
        """The message units with that header that reached the instrument."""
        return [unit for unit in self.scripted.log if unit.split(" ")[0] == header]


@pytest.fixture
def bench() -> Iterator[Bench]:
    """A sound supply under guard."""
    with InstrumentServer(ScriptedInstrument()) as server:
        made = Bench(server)
        yield made
        made.session.close()


WRONG_VALUES = [
    pytest.param(5.0001, id="above the maximum"),
    pytest.param(-0.001, id="negative"),
    pytest.param(math.nan, id="no number"),
    pytest.param(math.inf, id="infinite"),
    pytest.param(-math.inf, id="minus infinite"),
]


@pytest.mark.parametrize("value", WRONG_VALUES)
@pytest.mark.parametrize(
    ("what", "header", "ask"),
    [
        pytest.param("a voltage", "VOLT", lambda supply, value: supply.set_voltage(value), id="voltage"),
        pytest.param(
            "a current limit",
            "CURR",
            lambda supply, value: supply.set_limits(current_limit_a=value / 10, protection_v=5.0),
            id="current limit",
        ),
        pytest.param(
            "an over-voltage protection level",
            "VOLT:PROT",
            lambda supply, value: supply.set_limits(current_limit_a=0.1, protection_v=value),
            id="protection",
        ),
    ],
)
def test_value_beyond_the_boards_maxima_is_never_sent(
    what: str, header: str, ask: Callable[[Supply, float], None], value: float, bench: Bench
) -> None:
    """Whatever is no number from 0 up to the board's absolute maximum is refused, and nothing is sent."""
    with pytest.raises(
        SafetyError, match=rf"^{what} of .* refused: the board profile's absolute maximum is (5 V|0.5 A)"
    ):
        ask(bench.supply, value)

    assert bench.sent(header) == []


def test_refusal_shows_the_deciding_digit(bench: Bench) -> None:
    """A value a hair above its maximum does not look equal to it in the sentence."""
    with pytest.raises(SafetyError, match=r"a voltage of 5\.0000001 V refused: .* maximum is 5 V"):
        bench.supply.set_voltage(5.0000001)


@pytest.mark.parametrize("value", [0.0, 5.0])
def test_value_at_the_edge_is_sent(value: float, bench: Bench) -> None:
    """The maxima themselves and 0 are accepted."""
    bench.supply.set_voltage(value)

    assert bench.scripted.numbers["VOLT"] == value


def test_voltage_above_its_own_protection_is_refused(bench: Bench) -> None:
    """A set-point that would trip the protection is refused before it is sent."""
    bench.supply.set_limits(current_limit_a=0.1, protection_v=4.0)

    with pytest.raises(SafetyError, match=r"a voltage of 4\.1 V refused: the over-voltage protection stands at 4 V"):
        bench.supply.set_voltage(4.1)

    assert bench.sent("VOLT") == []


def test_output_stays_off_before_limits_were_read_back(bench: Bench) -> None:
    """Without a current limit and a protection that were read back the output is not closed."""
    with pytest.raises(SafetyError, match="current limit and over-voltage protection were not yet read back"):
        bench.supply.output_on()

    assert bench.sent("OUTP") == []
    assert bench.supply.may_be_on is False


def test_output_stays_off_without_a_guard(bench: Bench) -> None:
    """Nobody who would switch off after a crash: no power."""
    bench.supply.set_limits(current_limit_a=0.1, protection_v=5.0)
    bench.is_guarded = False

    with pytest.raises(SafetyError, match="no power guard stands by"):
        bench.supply.output_on()

    assert bench.sent("OUTP") == []


@pytest.mark.parametrize(
    ("header", "sentence"),
    [
        pytest.param("CURR", r"asked 'CURR 0\.0200', read back 0\.1 A", id="limit ignored"),
        pytest.param("VOLT:PROT", r"asked 'VOLT:PROT 4\.500', read back 6\.6 V", id="protection ignored"),
    ],
)
def test_limit_that_was_sound_before_is_forgotten_when_it_fails(header: str, sentence: str, bench: Bench) -> None:
    """After a failed change of the limits the old ones are not taken for the present ones."""
    bench.supply.set_limits(current_limit_a=0.1, protection_v=5.0)
    bench.scripted.ignored = frozenset((header,))
    bench.scripted.numbers |= {"CURR": 0.1, "VOLT:PROT": 6.6}

    with pytest.raises(InstrumentUnfit, match=sentence):
        bench.supply.set_limits(current_limit_a=0.02, protection_v=4.5)

    with pytest.raises(SafetyError, match="were not yet read back"):
        bench.supply.output_on()


def test_set_point_that_failed_is_not_known(bench: Bench) -> None:
    """After a voltage that was refused nobody can tell what is set: the set-point is no number."""
    bench.supply.set_voltage(3.7)
    bench.scripted.refused = frozenset(("VOLT",))

    with pytest.raises(InstrumentRefusal, match=r"asked 'VOLT 3\.0000'"):
        bench.supply.set_voltage(3.0)

    assert math.isnan(bench.supply.setpoint_v)


def test_output_that_does_not_close_is_told(bench: Bench) -> None:
    """A supply that stays off when told on is unfit, and may still be on for all that is known."""
    bench.supply.set_limits(current_limit_a=0.1, protection_v=5.0)
    bench.scripted.ignored = frozenset(("OUTP",))

    with pytest.raises(InstrumentUnfit, match="asked 'OUTP ON', read back off; look at its front panel"):
        bench.supply.output_on()

    assert bench.supply.may_be_on is True


def test_output_that_does_not_open_is_told(bench: Bench) -> None:
    """A supply that stays on when told off is unfit, with what to do by hand; it still counts as on."""
    bench.supply.set_limits(current_limit_a=0.1, protection_v=5.0)
    bench.supply.output_on()
    bench.scripted.ignored = frozenset(("OUTP",))

    with pytest.raises(InstrumentUnfit, match="asked 'OUTP OFF', read back ON; the board is still powered: switch"):
        bench.supply.output_off()

    assert bench.supply.may_be_on is True


@pytest.mark.parametrize(("register", "limits"), [(b"2", True), (b"0", False), (b"1", False), (b"+3", True)])
def test_limit_is_told_by_the_register_where_there_is_one(register: bytes, limits: bool, bench: Bench) -> None:
    """With a condition in the table its bit decides, not the current."""
    bench.scripted.answers["STAT:QUES:COND?"] = lambda: register
    bench.session.table = replace(table(), conditions={"current_limited": Condition("STAT:QUES:COND?", 1)})

    assert bench.supply.is_limiting() is limits


SIMULATED_FAULTS = [
    pytest.param(
        "supply_ignores_limit",
        InstrumentUnfit,
        r"asked 'CURR 0\.0200,\(@1\)', read back 0\.1 A \(accepted: 0\.02 within 0\.0005\)",
        id="limit ignored",
    ),
    pytest.param(
        "supply_ignores_protection",
        InstrumentUnfit,
        r"asked 'VOLT:PROT 4\.800,\(@1\)', read back 6\.6 V \(accepted: 4\.8 within 0\.01\)",
        id="protection ignored",
    ),
    pytest.param(
        "supply_refuses_voltage",
        InstrumentRefusal,
        r"asked 'VOLT 3\.7000,\(@1\)', its error queue says: -222, Data out of range; check the command table",
        id="voltage refused",
    ),
]


@pytest.mark.parametrize(("fault", "error", "sentence"), SIMULATED_FAULTS)
def test_supply_that_does_not_obey_is_caught_before_power(
    fault: str, error: type[Exception], sentence: str, simulated_bench: StartBench
) -> None:
    """A supply that ignores or refuses a setting is told by command and words, with its output still off."""
    simulation = simulated_bench(SHIPPED_BENCH, "--fault", fault)
    spec = read_bench_file(simulation.bench)

    with closing(OpenBench(spec, ("1",), simulation.instruments)) as bench:
        bench.open(lambda _kind, _text: None)
        supply = bench.slot("1", MAXIMA, ScaledClock(simulation.scale), guarded=lambda: True).supply

        with pytest.raises(error, match=sentence):
            _power_up(supply)

        assert simulation.ask("supply", "OUTP? (@1)") == "0"
        assert supply.may_be_on is False


def _power_up(supply: Supply) -> None:
    supply.set_limits(current_limit_a=0.02, protection_v=4.8)
    supply.set_voltage(3.7)
    supply.output_on()
