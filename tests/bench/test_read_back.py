"""Volts at the terminals without a meter there: the supply's read-back, less the drop of the lead, and its doubt."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from benchrig.bench.read_back import LEAD_DROP, ReadBackTerminals
from benchrig.bench.supply import Maxima, Supply
from benchrig.bench.wiring import SourceWiring
from benchrig.clock import FakeClock

from .instruments import instrument
from .scripted_instrument import InstrumentServer, ScriptedInstrument

if TYPE_CHECKING:
    from collections.abc import Iterator


@pytest.fixture
def server() -> Iterator[InstrumentServer]:
    """A supply that measures 4.00 V at its posts and 0.5 A in its lead."""
    scripted = ScriptedInstrument(
        answers={"MEAS:VOLT?": lambda: b"+4.000000E+00", "MEAS:CURR?": lambda: b"+5.000000E-01"}
    )
    with InstrumentServer(scripted) as server:
        yield server


def terminals(server: InstrumentServer, *, lead_ohm: float, contact_ohm: float) -> Iterator[ReadBackTerminals]:
    session = instrument(server.resource)
    session.open()
    wiring = SourceWiring("psu", None, lead_ohm=lead_ohm, contact_ohm=contact_ohm)
    yield ReadBackTerminals(Supply(session, wiring, Maxima(5.0, 1.0), FakeClock(), guarded=lambda: True))
    session.close()


def test_drop_is_taken_off_and_doubted(server: InstrumentServer) -> None:
    """0.5 A through 0.2 ohm are 0.1 V (Ohm's law); the correction is as uncertain as it is large (GUM 4.3.7)."""
    seen = next(terminals(server, lead_ohm=0.15, contact_ohm=0.05))
    reading = seen.read_voltage()
    lead = next(part for part in reading.parts if part.name == LEAD_DROP)

    assert reading.value == pytest.approx(3.9)
    assert lead.standard_uncertainty == pytest.approx(0.1 / 3**0.5)
    assert reading.standard_uncertainty >= lead.standard_uncertainty
    assert (reading.unit, reading.source) == ("V", seen.name)


def test_no_resistance_no_drop(server: InstrumentServer) -> None:
    """With a lead of no resistance the terminals carry what the posts do, and no cause is invented."""
    reading = next(terminals(server, lead_ohm=0.0, contact_ohm=0.0)).read_voltage(count=2)

    assert (reading.value, reading.count) == (4.0, 2)
    assert LEAD_DROP not in [part.name for part in reading.parts]
