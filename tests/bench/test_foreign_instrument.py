"""Instruments simulated by somebody else's library, driven by nothing but command tables of the user's own."""

from __future__ import annotations

from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
import pyvisa

from benchrig.bench import ownership
from benchrig.bench.bench_file import read_bench_file
from benchrig.bench.open_bench import OpenBench, SlotBench
from benchrig.bench.power_guard import switch_off
from benchrig.bench.supply import Maxima, Supply
from benchrig.clock import FakeClock
from benchrig.errors import InstrumentReplyError

if TYPE_CHECKING:
    from collections.abc import Iterator

    from pyvisa.resources import MessageBasedResource

    from benchrig.records import InstrumentRecord

BACKEND = f"{Path(__file__).with_name('foreign_bench.yaml')}@sim"
SOCKET = "TCPIP0::foreign.invalid::5025::SOCKET"
USB = "USB0::0x0000::0x0042::0042::0::INSTR"

TABLE = """
schema = 1
kind = "supply"
summary = "a supply that is spoken to message by message"
source = "its maker's manual"
joins = false
token = false
clear = ""
error_query = ""
{termination}
[settings.voltage]
set = "SET:VOLTS {{value:.3f}}"
query = "SET:VOLTS?"
tolerance = 0.002
header = "VSET"

[settings.current_limit]
set = "SET:AMPS {{value:.4f}}"
query = "SET:AMPS?"
tolerance = 0.0005
header = "ISET"

[settings.protection]
set = "SET:OVER {{value:.2f}}"
query = "SET:OVER?"
tolerance = 0.01

[output]
on = "GATE ON"
off = "GATE OFF"
query = "GATE?"
header = "GATE"

[readings.voltage]
query = "READ:VOLTS?"

[readings.current]
query = "READ:AMPS?"
"""

METER_TABLE = """
schema = 1
kind = "meter"
summary = "a meter that knows one question"
source = "its maker's manual"
joins = false
token = false
clear = ""
error_query = ""
readings.voltage.query = "VOLTS?"
"""

BENCH = """
schema = 1
name = "a foreign bench"
backend = '{backend}'

[instruments.psu]
kind = "supply"
table = "foreign.toml"
resource = "{resource}"
model = "PX-1"
serial = "0042"
timeout_s = 0.5
accuracy = {{ voltage = {{ fixed = 0.002 }}, current = {{ fixed = 0.0005 }} }}

[instruments.dmm]
kind = "meter"
table = "meter.toml"
resource = "TCPIP0::meter.invalid::5025::SOCKET"
model = "MX-1"
serial = "0043"
timeout_s = 0.5
accuracy = {{ voltage = {{ of_reading_percent = 0.0035, resolution = 1e-6 }} }}

[slots.1]
profile = "board.toml"
battery = {{ instrument = "psu" }}
meters.terminals = {{ instrument = "dmm", range = 10.0 }}
serial.console = {{ port = "/dev/serial/by-path/none" }}
"""


@pytest.fixture(params=[pytest.param(SOCKET, id="socket"), pytest.param(USB, id="USB")])
def bench(request: pytest.FixtureRequest, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[OpenBench]:
    """The bench by its files alone; its addresses are owned in a folder of its own."""
    monkeypatch.setattr(ownership, "_SHARED", tmp_path)
    end = 'read_termination = "\\r\\n"\nwrite_termination = "\\r\\n"' if request.param == USB else ""
    (tmp_path / "foreign.toml").write_text(TABLE.format(termination=end), encoding="utf-8")
    (tmp_path / "meter.toml").write_text(METER_TABLE, encoding="utf-8")
    path = tmp_path / "bench.toml"
    path.write_text(BENCH.format(backend=BACKEND, resource=request.param), encoding="utf-8")
    with closing(OpenBench(read_bench_file(path), ("1",), {})) as opened:
        yield opened


@pytest.fixture
def records(bench: OpenBench) -> tuple[InstrumentRecord, ...]:
    """The instruments as they identified themselves."""
    return bench.open(lambda _kind, _text: None)


@pytest.fixture
def slot(bench: OpenBench, records: tuple[InstrumentRecord, ...]) -> SlotBench:
    """The slot, guarded."""
    assert len(records) == 2
    return bench.slot("1", Maxima(6.0, 0.5), FakeClock(), guarded=lambda: True)


@pytest.fixture
def supply(slot: SlotBench) -> Supply:
    """Its supply."""
    return slot.supply


def _peer(resource: str) -> MessageBasedResource:
    """The library's own session with the same instrument: another pair of eyes."""
    session: MessageBasedResource
    manager = pyvisa.ResourceManager(BACKEND)
    end = "\r\n" if resource == USB else "\n"
    session = manager.open_resource(resource, read_termination=end, write_termination=end)  # type: ignore[assignment]
    return session


def test_foreign_instruments_are_identified(records: tuple[InstrumentRecord, ...]) -> None:
    """Identity, serial number and table stand in the record of each instrument."""
    assert [(record.name, record.identity, record.table) for record in records] == [
        ("psu", "Invented Works,PX-1,0042,0.9", "foreign"),
        ("dmm", "Invented Works,MX-1,0043,0.9", "meter"),
    ]


def test_foreign_supply_is_set_and_read_back(bench: OpenBench, supply: Supply) -> None:
    """Every setting arrives in the foreign instrument."""
    supply.set_limits(current_limit_a=0.15, protection_v=5.5)
    supply.set_voltage(3.7)

    with closing(_peer(bench.spec.instruments["psu"].resource)) as peer:
        answers = [peer.query(question) for question in ("SET:VOLTS?", "SET:AMPS?", "SET:OVER?")]
    assert answers == ["VSET 3.700 V", "ISET 0.1500 A", "5.50"]
    assert (supply.setpoint_v, supply.current_limit_a, supply.protection_v) == (3.7, 0.15, 5.5)


def test_foreign_instruments_measure(slot: SlotBench) -> None:
    """Readings come in base units whatever prefix the instrument writes."""
    readings = (slot.supply.read_voltage(), slot.supply.read_current(), slot.terminals.read_voltage())

    assert [(reading.value, reading.unit, reading.raw) for reading in readings] == [
        (3.699, "V", "3.6990 V"),
        (0.0125, "A", "12.5 mA"),
        (3.6985, "V", "3698.5mV"),
    ]


def test_foreign_output_is_switched(bench: OpenBench, supply: Supply) -> None:
    """On and off arrive and are read back, by the run and by its guard."""
    supply.set_limits(current_limit_a=0.15, protection_v=5.5)

    with closing(_peer(bench.spec.instruments["psu"].resource)) as peer:
        seen = []
        for step in (
            supply.output_on,
            supply.output_off,
            supply.output_on,
            lambda: switch_off(bench.off_order("1")),
        ):
            step()
            seen.append(peer.query("GATE?"))

    assert seen == ["GATE ON", "GATE OFF", "GATE ON", "GATE OFF"]


def test_word_that_is_no_number_is_no_reading(slot: SlotBench) -> None:
    """The foreign parser's own word for an unknown question is an error that shows question and answer."""
    with pytest.raises(InstrumentReplyError, match=r"asked 'READ:WATTS\?', the reply 'ERROR' is no usable number"):
        slot.supply.instrument.number("READ:WATTS?", unit="W")
