"""The dialects of the simulated instruments: each says the same physical values in its own words."""

from __future__ import annotations

import re
import struct
from typing import TYPE_CHECKING

import pytest

from .bench_process import BenchProcess, Instrument
from .conftest import INSTRUMENT

if TYPE_CHECKING:
    from collections.abc import Iterator

NO_ERROR = '0,"No error"'
OVERLOAD = 9.9e37
NOT_A_NUMBER = 9.91e37

MODELS = {
    "list": ("supply", "supply-channel-list"),
    "select": ("supply", "supply-channel-select"),
    "single": ("supply", "supply-one-channel"),
    "scan": ("meter", "meter-scan-list"),
    "configure": ("meter", "meter-configure-read"),
    "function": ("meter", "meter-function-fetch"),
    "celsius": ("meter", "meter-function-fetch"),
    "block": ("recorder", "recorder-block"),
    "ascii": ("recorder", "recorder-ascii"),
}
SLOTS = """
[slots.1]
battery = { instrument = "list", channel = 1 }
solar = { instrument = "list", channel = 2 }
recorder = { instrument = "block", channel = 1 }
meters = { terminals = { instrument = "scan", channel = 101 }, temperature = { instrument = "scan", channel = 103 } }
serial = { console = { port = "simulated" }, modem_uart = { port = "simulated" } }
[slots.2]
battery = { instrument = "select", channel = 2 }
recorder = { instrument = "ascii" }
meters = { terminals = { instrument = "configure" }, temperature = { instrument = "celsius" } }
[slots.3]
battery = { instrument = "single" }
meters = { terminals = { instrument = "function" } }
"""


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[BenchProcess]:
    """A bench with one instrument of every dialect."""
    models = ", ".join(f'{name} = "{model}"' for name, (_, model) in MODELS.items())
    instruments = "".join(INSTRUMENT.format(name=name, kind=kind) for name, (kind, _) in MODELS.items())
    path = tmp_path_factory.mktemp("dialects") / "bench.toml"
    path.write_text(f"[simulation]\nscale = 20.0\nmodels = {{ {models} }}\n{instruments}{SLOTS}", encoding="utf-8")
    bench = BenchProcess([path])
    yield bench
    assert bench.end() == (0, "")


def reset(bench: BenchProcess, name: str) -> Instrument:
    """The instrument in its reset state, with an empty error queue."""
    instrument = bench.instrument(name)
    assert instrument.ask("*RST;*CLS;*OPC?") == "1"
    return instrument


def number_in(reply: str) -> float:
    """The number in a reply, whatever stands around it."""
    found = re.search(r"[+-]?\d+(?:\.\d+)?(?:E[+-]?\d+)?", reply)
    assert found
    return float(found[0])


SUPPLY_TALK = {
    "list": ("", ",(@1)", " (@1)"),
    "select": (":INST:NSEL 2;", "", ""),
    "single": ("", "", ""),
}
SUPPLY_ANSWERS = {
    "list": (r"\+3\.70000000E\+00", r"\+1\.50000000E-01", r"\+4\.50000000E\+00", "1", r"[+]\d\.\d{8}E[+-]\d\d"),
    "select": (r"3\.7000V", r"0\.1500A", r"4\.5000V", "ON", r"\d\.\d{4}V"),
    "single": (r"VOLT 3\.70000E\+00", r"CURR 1\.50000E-01", r"VOLT 4\.50000E\+00", "OUTP 1", r"VOLT \d\.\d{5}E\+00"),
}


@pytest.mark.parametrize("name", ["list", "select", "single"])
def test_supply_dialect_sets_and_reads_back(bench: BenchProcess, name: str) -> None:
    """Voltage, limit, protection and switch are set and read back in the dialect's own form."""
    supply = reset(bench, name)
    first, set_channel, ask_channel = SUPPLY_TALK[name]

    supply.send(
        f"{first}:VOLT 3.7{set_channel};CURR 0.15{set_channel};:VOLT:PROT 4.5{set_channel};:OUTP ON{set_channel}"
    )
    queries = ("VOLT?", "CURR?", "VOLT:PROT?", "OUTP?", "MEAS:VOLT?")
    replies = [supply.ask(f"{first}:{query}{ask_channel}") for query in queries]

    for reply, pattern in zip(replies, SUPPLY_ANSWERS[name], strict=True):
        assert re.fullmatch(pattern, reply)
    assert number_in(replies[-1]) == pytest.approx(3.7, abs=0.0005 * 3.7 + 0.003 + 0.0005 * 3.7 + 0.002)
    assert supply.ask("SYST:ERR?") == NO_ERROR
    assert supply.ask("STAT:QUES:COND?") == "0"


def test_selected_channel_is_the_one_that_is_set(bench: BenchProcess) -> None:
    """INSTrument:NSELect decides which output the headers mean; a number without output is refused."""
    supply = reset(bench, "select")

    supply.send("INST:NSEL 2;:VOLT 2;:INST:NSEL 1;:VOLT 1")
    assert supply.ask("INST:NSEL?;:VOLT?;:INST:NSEL 2;:VOLT?") == "1;1.0000V;2.0000V"
    supply.send("INST:NSEL 3")
    assert supply.ask("SYST:ERR?") == '-222,"Data out of range"'


@pytest.fixture
def supplied(bench: BenchProcess) -> BenchProcess:
    """All three boards at 3.7 V."""
    for name, (first, set_channel, _) in SUPPLY_TALK.items():
        supply = reset(bench, name)
        supply.send(f"{first}:VOLT 3.7{set_channel};:OUTP ON{set_channel}")
        assert supply.ask("*OPC?") == "1"
    return bench


METER_TALK = {
    "scan": ("", "MEAS:VOLT:DC? 10,(@101)", r"\+3\.\d{8}E\+00"),
    "configure": ("CONF:VOLT:DC 10", "READ?", r"\+3\.\d{8}E\+00"),
    "function": ('FUNC "VOLT:DC";:VOLT:DC:RANG 10;:INIT', "FETC?", r"VDC 3\.\d{7}E\+00 V"),
}


@pytest.mark.parametrize("name", METER_TALK)
def test_meter_dialect_reads_the_pads(supplied: BenchProcess, name: str) -> None:
    """Each meter reads the volts at its board's pads in its own form."""
    meter = reset(supplied, name)
    prepare, query, pattern = METER_TALK[name]
    if prepare:
        meter.send(prepare)

    reply = meter.ask(query)

    assert re.fullmatch(pattern, reply)
    assert number_in(reply) == pytest.approx(3.7, abs=0.010)
    assert meter.ask("SYST:ERR?") == NO_ERROR


@pytest.mark.parametrize(
    ("name", "prepare", "query", "pattern"),
    [
        ("scan", "*WAI", "MEAS:TEMP? (@103)", r"\+2\.\d{8}E\+01"),
        ("celsius", "FUNC 'TEMP';:INIT:IMM", "FETCH?", r"TEMP 2\.\d{5}E\+01 C"),
    ],
)
def test_thermometer_reads_the_ambient(bench: BenchProcess, name: str, prepare: str, query: str, pattern: str) -> None:
    """The bench thermometer reads 21 C within 0.1 C and noise."""
    meter = reset(bench, name)
    meter.send(prepare)

    reply = meter.ask(query)

    assert re.fullmatch(pattern, reply)
    assert number_in(reply) == pytest.approx(21.0, abs=0.15)


def test_scan_reads_several_channels_and_odd_ones(supplied: BenchProcess) -> None:
    """A list gives one reading each: overload over 1.2 ranges, nothing on an open input, no sensor, no channel."""
    meter = reset(supplied, "scan")

    readings = [float(text) for text in meter.ask("MEAS:VOLT? 1,(@101,110)").split(",")]
    assert readings == [OVERLOAD, pytest.approx(0.0, abs=1e-4)]
    assert meter.ask_number("MEAS:TEMP? (@101)") == NOT_A_NUMBER
    meter.send("MEAS:VOLT? (@99);:MEAS:VOLT? 101,(@101)")
    assert [meter.ask("SYST:ERR?") for _ in range(2)] == ['-222,"Data out of range"'] * 2


def test_triggered_meters_refuse_a_reading_that_was_never_taken(bench: BenchProcess) -> None:
    """FETCh? without INITiate is -230; INITiate during a reading is -213; CONF? and FUNC? tell the function."""
    configure, function = reset(bench, "configure"), reset(bench, "function")

    for meter in (configure, function):
        meter.send("FETC?")
        assert meter.ask("SYST:ERR?") == '-230,"Data corrupt or stale"'
    configure.send("VOLT:NPLC 100;:INIT;:INIT")
    assert configure.ask("SYST:ERR?") == '-213,"Init ignored"'
    configure.send("CONF:TEMP")
    assert configure.ask("CONF?;:READ?") == '"TEMP";+9.91000000E+37'
    assert configure.ask("CONF:VOLT 5;:CONF?") == '"VOLT +1.00000000E+01"'
    assert function.ask('FUNC "VOLT:DC";:FUNC?;:VOLT:DC:RANG?') == '"VOLT:DC";RANG 1.0000E+01 V'
    function.send('FUNC "OHMS"')
    assert function.ask("SYST:ERR?") == '-224,"Illegal parameter value"'


def test_aperture_takes_its_time_and_sets_the_bit_when_done(bench: BenchProcess) -> None:
    """A reading of 100 power-line cycles lasts 2 s of bench time: *OPC stays clear until then."""
    meter = reset(bench, "configure")

    assert meter.ask("VOLT:NPLC 100;NPLC?;:INIT;*OPC;*ESR?") == "+1.00000000E+02;0"
    assert meter.ask("*OPC?;*ESR?") == "1;1"


def sweep(recorder: Instrument, settings: str) -> None:
    recorder.send(settings)
    assert recorder.ask("*OPC?") == "1"


def test_recorders_sample_the_same_kind_of_current(supplied: BenchProcess) -> None:
    """Block (either byte order) and ASCII hold as many samples as asked, of the awake current."""
    block, ascii_ = reset(supplied, "block"), reset(supplied, "ascii")
    for recorder in (block, ascii_):
        sweep(recorder, "CURR:RANG 0.02;:SWE:TINT 1MS;POIN 200;:INIT")

    big = struct.unpack(">200f", block.ask_block("FETC:ARR:CURR?"))
    little = struct.unpack("<200f", block.ask_block("FORM:BORD SWAP;:FETC:ARR:CURR?"))
    words = [float(word) for word in ascii_.ask("FORM ASC;:FETC:ARR:CURR?").split(",")]

    expected_a = 4.5e-3 * 3.3 / (0.9 * 3.7) + 4e-6 + 3.7 / 400e3
    assert big == little
    for samples in (big, words):
        assert len(samples) == 200
        assert sum(samples) / 200 == pytest.approx(expected_a, rel=0.002)
    assert block.ask("CURR:RANG?;:SWE:POIN?;TINT?") == "+1.00000000E-01;200;+1.00000000E-03"


def test_recorder_tells_when_it_measures(bench: BenchProcess) -> None:
    """Bit 4 of the operation condition stands while measuring; fetching then is -230, a second INIT -213."""
    recorder = reset(bench, "block")

    recorder.send("SWE:TINT 0.1;POIN 1000;:INIT")
    assert recorder.ask("STAT:OPER:COND?") == "16"
    recorder.send("FETC:ARR:CURR?;:INIT")
    assert [recorder.ask("SYST:ERR?") for _ in range(2)] == ['-230,"Data corrupt or stale"', '-213,"Init ignored"']
    assert recorder.ask("ABOR;:STAT:OPER:COND?") == "0"


@pytest.mark.parametrize(
    "setting", ["CURR:RANG 1.01", "SWE:TINT 19e-6", "SWE:TINT 1.01", "SWE:POIN 20000001", "SWE:POIN 0", "ROUT:CHAN 9"]
)
def test_recorder_refuses_settings_out_of_range(bench: BenchProcess, setting: str) -> None:
    """Range, interval, points and channel have their limits."""
    recorder = reset(bench, "block")
    recorder.send(setting)

    assert recorder.ask("SYST:ERR?") == '-222,"Data out of range"'


def test_sample_over_range_is_the_overload_number(supplied: BenchProcess) -> None:
    """4.5 mA in the 1 mA range reads 9.9E37 in every sample."""
    recorder = reset(supplied, "ascii")
    sweep(recorder, "CURR:RANG 1E-3;:SWE:TINT 1E-3;POIN 5;:INIT")

    assert recorder.ask("FETC:ARR:CURR?") == ",".join(["+9.900000E+37"] * 5)


def test_solar_input_charges_the_battery(supplied: BenchProcess) -> None:
    """5 V at the solar input feed 30 mA into the battery node, and the payload's charging flag says so."""
    supply, console, modem = supplied.instrument("list"), supplied.port("1.console"), supplied.port("1.modem_uart")

    def battery_a() -> float:
        return supply.ask_number("MEAS:CURR? (@1)")

    def flags() -> int:
        console.ask("frame")
        return bytes.fromhex(modem.line().split(",")[1])[3]

    console.wait_for_answers()
    before_a, before_flags = battery_a(), flags()
    supply.send("VOLT 5,(@2);:OUTP ON,(@2)")

    assert supply.ask_number("MEAS:CURR? (@2)") == pytest.approx(0.030, abs=1e-3)
    assert battery_a() - before_a == pytest.approx(-0.030, abs=1e-3)
    assert (before_flags, flags()) == (0, 2)
