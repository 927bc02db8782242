"""A net as a meter sees it: function, mean, uncertainty, and what is no reading."""

from __future__ import annotations

import math
from contextlib import closing
from dataclasses import replace
from typing import TYPE_CHECKING

import pytest

from benchrig.bench.command_table import NumberReading
from benchrig.bench.instrument import Instrument
from benchrig.bench.meter import Meter
from benchrig.bench.wiring import MeterWiring
from benchrig.clock import FakeClock
from benchrig.errors import ConfigError, InstrumentUnfit
from benchrig.judge.uncertainty import AccuracyTerms

from .instruments import Notes, open_wire, spec, table
from .scripted_instrument import InstrumentServer, ScriptedInstrument

if TYPE_CHECKING:
    from collections.abc import Iterator

READINGS = {
    "voltage": NumberReading("READ?", "V", prepare="FUNC VOLT"),
    "temperature": NumberReading("READ?", "degC", prepare="FUNC TEMP"),
}
WIRING = MeterWiring("dmm", None, range=10.0)


@pytest.fixture
def scripted() -> ScriptedInstrument:
    """A meter of the tests' own."""
    return ScriptedInstrument()


@pytest.fixture
def session(scripted: ScriptedInstrument) -> Iterator[Instrument]:
    """An open session with it."""
    accuracy = {
        "voltage": AccuracyTerms(of_reading=0.001, of_range=0.0002),
        "temperature": AccuracyTerms(floor=0.1),
    }
    with InstrumentServer(scripted) as server:
        described = replace(spec(server.resource, table("meter", readings=READINGS)), accuracy=accuracy)
        with closing(Instrument(described, open_wire=open_wire, note=Notes())) as opened:
            opened.open()
            yield opened


def test_two_nets_on_one_meter_each_get_their_function(scripted: ScriptedInstrument, session: Instrument) -> None:
    """Volts and degrees taken in turns are never taken for each other, even by two views of one instrument."""
    terminals = Meter(session, WIRING, FakeClock(), net="terminals")
    beside = Meter(session, WIRING, FakeClock(), net="temperature")

    seen = [(terminals.read_voltage().value, beside.read_temperature().value) for _ in range(2)]

    assert seen == [(3.7, 21.5), (3.7, 21.5)]
    assert [unit for unit in scripted.log if "FUNC" in unit] == ["FUNC VOLT", "FUNC TEMP", "FUNC VOLT", "FUNC TEMP"]


def test_mean_of_readings_carries_scatter_and_accuracy(scripted: ScriptedInstrument, session: Instrument) -> None:
    """The uncertainty is type A and type B in quadrature (JCGM 100:2008 4.2.3, 4.3.7, 5.1.2)."""
    values = iter((b"3.6", b"3.8"))
    scripted.answers["READ?"] = lambda: next(values)

    reading = Meter(session, WIRING, FakeClock(start_s=7.0), net="rail").read_voltage(count=2)

    type_a = 0.1  # deviation 0.1414 V of two readings, over the root of 2
    type_b = math.hypot(0.001 * 3.7, 0.0002 * 10.0) / math.sqrt(3.0)
    assert reading.value == pytest.approx(3.7)
    assert reading.standard_uncertainty == pytest.approx(math.hypot(type_a, type_b), rel=1e-6)
    assert (reading.unit, reading.source, reading.raw, reading.at_s, reading.count) == (
        "V",
        "psu at rail",
        "3.6, 3.8",
        7.0,
        2,
    )


@pytest.mark.parametrize(
    ("answer", "kind"),
    [
        pytest.param(b"+9.90000000E+37", "overload", id="overload"),
        pytest.param(b"-9.9E37", "overload", id="negative overload"),
        pytest.param(b"9.91E37", "not a number", id="no number"),
        pytest.param(b"NAN", "not a number", id="the word"),
    ],
)
def test_special_number_is_no_reading(
    answer: bytes, kind: str, scripted: ScriptedInstrument, session: Instrument
) -> None:
    """SCPI-99 marks for overload and no number (vol. 1, 7.2.1.4 and 7.2.1.5) are charged to the bench."""
    scripted.answers["READ?"] = lambda: answer

    with pytest.raises(InstrumentUnfit, match=rf"asked 'READ\?'.*\({kind}\).*check range, leads and wiring"):
        Meter(session, WIRING, FakeClock(), net="terminals").read_voltage()


def test_reading_that_the_table_lacks_is_told(session: Instrument) -> None:
    """A command table without that quantity is a ConfigError that names the table and what it has."""
    session.table = table("meter", readings={"voltage": READINGS["voltage"]})

    with pytest.raises(ConfigError, match="command table scripted has no reading of temperature; known there: voltage"):
        Meter(session, WIRING, FakeClock(), net="temperature").read_temperature()
