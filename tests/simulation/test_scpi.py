"""Conformance of the simulated instruments with IEEE 488.2 and SCPI-99, over a raw socket.

Sources: error numbers and texts, event status and status byte bits: j123b567/scpi-parser (error.h, ieee488.h), which
transcribes SCPI-99 volume 2 chapter 21 and IEEE 488.2; syntax and path rules: SCPI-99 volume 1 chapter 6, IEEE 488.2
section 7, from memory.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from .bench_process import BenchProcess, Instrument

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

NO_ERROR = '0,"No error"'


@pytest.fixture(scope="module")
def bench(bench_file: Path) -> Iterator[BenchProcess]:
    """One bench for the whole module."""
    bench = BenchProcess([bench_file])
    yield bench
    assert bench.end() == (0, "")


@pytest.fixture
def supply(bench: BenchProcess) -> Iterator[Instrument]:
    """A supply in its reset state."""
    supply = bench.instrument("supply")
    supply.ask("*RST;*CLS;*ESE 0;*SRE 0;*OPC?")
    yield supply
    supply.close()


SPELLINGS = [
    "VOLT 2.5,(@1)",
    "VOLTAGE 2.5,(@1)",
    "voltage 2.5,(@1)",
    "vOlT 2.5 , (@1)",
    ":VOLT 2.5,(@1)",
    "SOUR:VOLT 2.5,(@1)",
    "SOURCE:VOLTAGE:LEVEL:IMMEDIATE:AMPLITUDE 2.5,(@1)",
    "VOLT:LEV 2.5,(@1)",
    "VOLT:IMM:AMPL 2.5,(@1)",
    "SOUR1:VOLT1 2.5,(@1)",
    "VOLT 2.5V,(@1)",
    "VOLT 2500 mV,(@1)",
    "VOLT 2500000UV,(@1)",
    "VOLT +2.5E0,(@1)",
    "VOLT 25e-1,(@1)",
    "VOLT .25E+1,(@1)",
    "VOLT\t2.5,(@1)",
    "VOLT 2.5,(@1);",
    "  VOLT 2.5,(@1)\r",
    "VOLT 2.5,(@1,2)",
    "VOLT 2.5,(@1:2)",
]


@pytest.mark.parametrize("message", SPELLINGS)
def test_every_legal_spelling_sets_the_voltage(supply: Instrument, message: str) -> None:
    """Long and short form, either case, optional nodes, suffix 1, units and white space all mean the same."""
    supply.send(message)

    assert supply.ask_number("VOLT? (@1)") == 2.5
    assert supply.ask("SYST:ERR?") == NO_ERROR


ERRORS = {
    "half of a long form": ("VOLTA 2,(@1)", '-113,"Undefined header"'),
    "too short": ("VOL 2,(@1)", '-113,"Undefined header"'),
    "unknown": ("FREQ 50", '-113,"Undefined header"'),
    "query of a command without one": ("OUTP:PROT:CLE?", '-113,"Undefined header"'),
    "unknown common": ("*XYZ", '-113,"Undefined header"'),
    "suffix": ("VOLT2 2,(@1)", '-114,"Header suffix out of range"'),
    "no header": ("?", '-102,"Syntax error"'),
    "hanging colon": ("VOLT: 2,(@1)", '-102,"Syntax error"'),
    "hanging comma": ("VOLT 2,(@1),", '-102,"Syntax error"'),
    "empty parameter": ("VOLT ,(@1)", '-102,"Syntax error"'),
    "open list": ("VOLT 2,(@1", '-102,"Syntax error"'),
    "no parameter": ("VOLT", '-109,"Missing parameter"'),
    "no channel": ("MEAS:VOLT?", '-109,"Missing parameter"'),
    "parameter too many": ("VOLT 2,(@1),3", '-108,"Parameter not allowed"'),
    "parameter of common query": ("*IDN? 1", '-108,"Parameter not allowed"'),
    "word for a number": ("VOLT HIGH,(@1)", '-104,"Data type error"'),
    "string for a number": ('VOLT "2",(@1)', '-104,"Data type error"'),
    "number for a list": ("VOLT 2,1", '-104,"Data type error"'),
    "word for a switch": ("OUTP YES,(@1)", '-104,"Data type error"'),
    "wrong unit": ("VOLT 2A,(@1)", '-131,"Invalid suffix"'),
    "unit of a plain number": ("*ESE 3V", '-138,"Suffix not allowed"'),
    "list without numbers": ("VOLT 2,(@one)", '-171,"Invalid expression"'),
    "voltage too high": ("VOLT 6.01,(@1)", '-222,"Data out of range"'),
    "voltage negative": ("VOLT -0.1,(@1)", '-222,"Data out of range"'),
    "channel": ("VOLT 2,(@3)", '-222,"Data out of range"'),
    "mask": ("*ESE 256", '-222,"Data out of range"'),
}


@pytest.mark.parametrize(("message", "error"), ERRORS.values(), ids=ERRORS)
def test_wrong_message_queues_its_standard_error(supply: Instrument, message: str, error: str) -> None:
    """A message that cannot be carried out changes nothing and queues one error with the standard's text."""
    supply.send(message)

    assert supply.ask("SYST:ERR?") == error
    assert supply.ask("SYST:ERR:NEXT?") == NO_ERROR
    assert supply.ask_number("VOLT? (@1)") == 0.0


JOINED = {
    "token": ("*ESE 37;:VOLT? (@1);*ESE?", "+1.00000000E+00;37"),
    "same level": ("SOUR:VOLT 2,(@1);CURR 0.5,(@1);CURR? (@1)", "+5.00000000E-01"),
    "default nodes are not part of the path": ("VOLT 2,(@1);CURR 0.5,(@1);CURR? (@1)", "+5.00000000E-01"),
    "path goes down": ("VOLT:PROT 4,(@1);PROT? (@1)", "+4.00000000E+00"),
    "level below": ("SOUR:VOLT:LEV 2,(@1);LEV? (@1);PROT? (@1)", "+2.00000000E+00;+6.60000000E+00"),
    "common commands keep the path": ("VOLT:PROT 4,(@1);*ESE 1;PROT? (@1);*ESE?", "+4.00000000E+00;1"),
    "colon goes to the root": ("VOLT:PROT 4,(@1);:VOLT? (@1)", "+1.00000000E+00"),
    "empty units": (";;*ESE?;;*SRE?;", "0;0"),
    "two channels": ("VOLT? (@1,2);*ESE?", "+1.00000000E+00,+0.00000000E+00;0"),
    "unknown unit does not stop rooted ones": ("*ESE 5;:NONSENSE?;*ESE?;:VOLT? (@1)", "5;+1.00000000E+00"),
    "unit hanging on an unknown one is left out": ("FOO:BAR 1;VOLT 2,(@1);:VOLT? (@1)", "+1.00000000E+00"),
    "error in a value does not stop the rest": ("VOLT 7,(@1);VOLT? (@1)", "+1.00000000E+00"),
}


@pytest.mark.parametrize(("message", "reply"), JOINED.values(), ids=JOINED)
def test_joined_units_follow_the_path_rule(supply: Instrument, message: str, reply: str) -> None:
    """Units joined with ';' share one response message and continue at the level of the unit before."""
    supply.send("VOLT 1,(@1)")

    assert supply.ask(message) == reply


def test_path_does_not_outlive_its_message(supply: Instrument) -> None:
    """Every program message begins at the root."""
    supply.send("VOLT:PROT 4,(@1)")
    supply.send("PROT 5,(@1)")

    assert supply.ask("SYST:ERR?") == '-113,"Undefined header"'


def test_message_without_query_gives_no_response(supply: Instrument) -> None:
    """A failed query leaves no response behind: the next reply belongs to the next question."""
    supply.send("MEAS:VOLT?")
    supply.send("*IDN?")

    assert supply.receive() == "Simulated Instruments,supply,SIM-supply-1,1.0"


def test_named_numbers_are_the_limits(supply: Instrument) -> None:
    """MIN, MAX and DEF are accepted as parameters and in queries."""
    supply.send("VOLT MAX,(@1);CURR MINimum,(@1);:VOLT:PROT DEF,(@1)")

    assert supply.ask("VOLT? (@1);CURR? (@1)") == "+6.00000000E+00;+0.00000000E+00"
    assert supply.ask("VOLT? MAX,(@1);VOLT? MIN,(@1)") == "+6.00000000E+00;+0.00000000E+00"


def test_error_queue_overflow_ends_in_minus_350(supply: Instrument) -> None:
    """Sixteen errors fit; the last place then says that more were lost."""
    supply.send(";:".join(["VOLT 7,(@1)"] * 20))

    assert supply.ask("SYST:ERR:COUN?") == "16"
    errors = [supply.ask("SYST:ERR?") for _ in range(17)]
    assert errors == ['-222,"Data out of range"'] * 15 + ['-350,"Queue overflow"', NO_ERROR]


EVENTS = {
    "command error": ("NONSENSE", 32),
    "execution error": ("VOLT 7,(@1)", 16),
    "operation complete": ("*OPC", 1),
    "overflow is a device error": (";:".join(["VOLT 7,(@1)"] * 17), 16 | 8),
}


@pytest.mark.parametrize(("message", "bits"), EVENTS.values(), ids=EVENTS)
def test_event_register_shows_the_class_and_clears(supply: Instrument, message: str, bits: int) -> None:
    """Each error class and *OPC set their bit of the standard event register; reading clears it."""
    supply.send(message)

    assert supply.ask("*ESR?") == str(bits)
    assert supply.ask("*ESR?") == "0"


def test_power_on_bit_stands_until_read(bench: BenchProcess) -> None:
    """The register begins with power on, bit 7."""
    meter = bench.instrument("meter")

    assert [meter.ask("*ESR?"), meter.ask("*ESR?")] == ["128", "0"]


STATUS = {
    "nothing": ("*STB?", "0"),
    "error queue, bit 2": ("NONSENSE;*STB?", "4"),
    "event summary, bit 5": ("*ESE 32;NONSENSE;*STB?", "36"),
    "master summary, bit 6": ("*ESE 32;*SRE 32;NONSENSE;*STB?", "100"),
    "summary needs the enabled bit": ("*ESE 16;*SRE 32;NONSENSE;*STB?", "4"),
    "message available, bit 4": ("*ESE?;*STB?", "0;16"),
    "bit 6 cannot be enabled": ("*SRE 255;*SRE?", "191"),
    "clear leaves the enables": ("*ESE 32;*SRE 32;NONSENSE;*CLS;*STB?;*ESE?", "0;32"),
}


@pytest.mark.parametrize(("message", "reply"), STATUS.values(), ids=STATUS)
def test_status_byte_sums_up(supply: Instrument, message: str, reply: str) -> None:
    """Error queue 4, message available 16, event summary 32, master summary 64."""
    assert supply.ask(message) == reply


def test_reset_puts_settings_back_and_leaves_status(supply: Instrument) -> None:
    """*RST switches off and restores defaults but keeps the error queue and the enables."""
    supply.send("VOLT 3,(@1);OUTP ON,(@1);*ESE 8;NONSENSE;*RST")

    assert supply.ask("OUTP? (@1);VOLT? (@1);*ESE?") == "0;+0.00000000E+00;8"
    assert supply.ask("SYST:ERR?") == '-113,"Undefined header"'


def test_two_clients_share_one_instrument(bench: BenchProcess, supply: Instrument) -> None:
    """What one client sets the other reads."""
    other = bench.instrument("supply")
    supply.send("VOLT 3.25,(@2)")
    assert supply.ask("*OPC?") == "1"

    assert other.ask_number("VOLT? (@2)") == 3.25


def test_joined_queries_of_two_clients_do_not_mix(bench: BenchProcess) -> None:
    """While one client's reading takes its time, the other's message waits: each gets its own sequence token."""
    first, second = bench.instrument("meter"), bench.instrument("meter")

    for _ in range(5):
        first.send("*ESE 37;:MEAS:VOLT? (@101);*ESE?")
        second.send("*ESE 73;:MEAS:VOLT? (@101);*ESE?")
        assert (first.receive()[-3:], second.receive()[-3:]) == (";37", ";73")


def test_message_in_pieces_is_one_message(bench: BenchProcess, supply: Instrument) -> None:
    """A message ends at its line feed, however the network cut it; two in one piece are two."""
    supply._socket.sendall(b"*ES")
    supply._socket.sendall(b"E 12;*ESE?\r\n*ESE?\n*ID")
    assert [supply.receive(), supply.receive()] == ["12", "12"]

    supply._socket.sendall(b"N?\n")
    assert supply.receive() == "Simulated Instruments,supply,SIM-supply-1,1.0"


def test_all_mandatory_commands_exist(supply: Instrument) -> None:
    """The thirteen common commands of IEEE 488.2 section 10 and the required SCPI ones are known."""
    supply.send("*CLS;*ESE 0;*OPC;*RST;*SRE 0;*WAI")

    queries = "*ESE?;*ESR?;*IDN?;*OPC?;*SRE?;*STB?;*TST?;:SYST:ERR?;:SYST:VERS?"
    reply = supply.ask(queries).split(";")

    assert (reply[3], reply[6], reply[7], reply[8]) == ("1", "0", NO_ERROR, "1999.0")
