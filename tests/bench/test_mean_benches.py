"""Bench files that somebody made mean: each is refused with what stands where, and none of them is a perfect bench."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchrig.bench.bench_file import read_bench_file
from benchrig.errors import ConfigError

TEXT = (Path(__file__).parents[2] / "fixtures/benches/simulated.toml").read_text(encoding="utf-8")
EXAMPLE = (Path(__file__).parents[2] / "fixtures/benches/example.toml").read_text(encoding="utf-8")

SUPPLY_VOLTAGE = "voltage = { of_reading_percent = 0.05, fixed = 0.002 }\n"
SUPPLY_CURRENT = "current = { of_reading_percent = 0.1, fixed = 0.0005 }\n"
METER_VOLTAGE = "voltage = { of_reading_percent = 0.0035, of_range_percent = 0.0007, resolution = 1e-6 }\n"
METER_TEMPERATURE = "temperature = { fixed = 0.1, resolution = 0.01 }\n"
RECORDER_CURRENT = "current = { of_reading_percent = 0.05, of_range_percent = 0.0005 }\n"
STATE = "state one or more of of_reading_percent, of_range_percent, resolution, fixed as its data sheet gives them"


def told(folder: Path, text: str) -> list[str]:
    """What is told of a bad file, without the file's name in front of each."""
    path = folder / "bench.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(ConfigError, match="bench file") as caught:
        read_bench_file(path)
    return [problem.removeprefix(f"{path}: ") for problem in caught.value.problems]


def edited(text: str, old: str, new: str) -> str:
    """The file with its first `old` replaced."""
    assert old in text, f"the file has no {old!r}"
    return text.replace(old, new, 1)


UNSTATED = [
    pytest.param(
        SUPPLY_VOLTAGE,
        "",
        "instruments.supply.accuracy.voltage: this table is missing, and slots.1.battery reads voltage there",
        id="read-back of volts",
    ),
    pytest.param(
        SUPPLY_CURRENT,
        "",
        "instruments.supply.accuracy.current: this table is missing, and slots.1.battery reads current there",
        id="read-back of current",
    ),
    pytest.param(
        METER_VOLTAGE,
        "",
        "instruments.meter.accuracy.voltage: this table is missing, and slots.1.meters.terminals reads voltage there",
        id="meter",
    ),
    pytest.param(
        METER_TEMPERATURE,
        "",
        "instruments.meter.accuracy.temperature: this table is missing, and slots.1.meters.temperature reads",
        id="thermometer",
    ),
    pytest.param(
        RECORDER_CURRENT,
        "",
        "instruments.recorder.accuracy.current: this table is missing, and slots.1.recorder reads current there",
        id="recorder",
    ),
    pytest.param(
        METER_VOLTAGE,
        "voltage = {}\n",
        "instruments.meter.accuracy.voltage: all of its terms are 0, and slots.1.meters.terminals reads voltage there",
        id="no term",
    ),
    pytest.param(
        RECORDER_CURRENT,
        "current = { of_reading_percent = 0.0, of_range_percent = 0, resolution = 0.0 }\n",
        "instruments.recorder.accuracy.current: all of its terms are 0, and slots.1.recorder reads current there",
        id="every term 0",
    ),
    pytest.param(
        METER_VOLTAGE,
        "voltage = { drift_percent_per_year = 0.01 }\n",
        "instruments.meter.accuracy.voltage: all of its terms are 0",
        id="drift alone: perfect on the day of its calibration",
    ),
    pytest.param(
        SUPPLY_CURRENT,
        "current = { of_range_percent = 0.1 }\n",
        "instruments.supply.accuracy.current: of_range_percent alone says nothing at slots.1.battery, where no range "
        "is stated, so that it would count as perfect",
        id="a share of no range",
    ),
]


@pytest.mark.parametrize(("old", "new", "starts"), UNSTATED)
def test_nothing_stated_is_never_perfect(old: str, new: str, starts: str, tmp_path: Path) -> None:
    """A quantity that a slot reads has an accuracy that is not zero; told once, with the terms that there are."""
    (problem,) = told(tmp_path, edited(TEXT, old, new))

    assert problem.startswith(starts)
    assert problem.endswith(STATE)


def test_what_no_slot_reads_needs_no_accuracy(tmp_path: Path) -> None:
    """A meter that is wired to nothing, and a temperature that nobody takes, may be silent about it."""
    text = TEXT.replace(METER_TEMPERATURE, "")
    for slot in ("1", "2"):
        text = text.replace(f'temperature = {{ instrument = "meter", channel = {slot}03 }}\n', "")
    path = tmp_path / "bench.toml"
    path.write_text(text, encoding="utf-8")

    assert "temperature" not in read_bench_file(path).instruments["meter"].accuracy


PORT = "/dev/serial/by-path/pci-0000:00:14.0-usb-0:2:1.0-port0"
MEAN = [
    pytest.param(
        METER_VOLTAGE, "voltage = { resolution = 1e-300 }\n", "finer than any instrument", id="step of nothing"
    ),
    pytest.param(
        METER_VOLTAGE, "voltage = { fixed = 1e300 }\n", "1e+300 is not a number at least 0", id="endless error"
    ),
    pytest.param(METER_VOLTAGE, "voltage = { of_reading_percent = 101 }\n", "at most 100", id="more than all"),
    pytest.param(METER_VOLTAGE, "voltage = { fixed = inf }\n", "inf is not a finite number", id="infinite error"),
    pytest.param(METER_VOLTAGE, "voltage = { fixed = nan }\n", "nan is not a finite number", id="no error"),
    pytest.param(
        METER_VOLTAGE, "voltage = { fixed = 0.1, drift_percent_per_year = 1e300 }\n", "at most 100", id="endless drift"
    ),
    pytest.param(
        METER_VOLTAGE, "voltage = { fixed = 0.1, of_reading_percent_per_k = 1e300 }\n", "at most 10", id="endless slope"
    ),
    pytest.param(
        METER_VOLTAGE,
        "voltage = { fixed = 0.1, band_c = [-1e300, 1e300] }\n",
        "accepted: from -60 to 150 degrees",
        id="good everywhere",
    ),
    pytest.param("lead_ohm = 0.05", "lead_ohm = 99.0", "99.0 is not a number at least 0 and at most 5", id="long lead"),
    pytest.param("contact_ohm = 0.02", "contact_ohm = 1e300", "at most 5", id="no contact"),
    pytest.param("lead_ohm = 0.05", "lead_ohm = -0.05", "-0.05 is not a number at least 0", id="lead that gives volts"),
    pytest.param("channel = 102, range = 10.0", "channel = 102, range = 1e300", "at most 1000", id="endless range"),
    pytest.param("channel = 102, range = 10.0", "channel = 102, range = 1e-300", "is no range", id="range of nothing"),
    pytest.param("sleep_range_a = 0.01", "sleep_range_a = 1.0", "1 A is above transmit_range_a = 0.1 A", id="ranges"),
    pytest.param("transmit_range_a = 0.1", "transmit_range_a = 1e300", "at most 10", id="endless current"),
    pytest.param(
        'model = "DM-6"', 'model = "DM-6"\ntimeout_s = 1e-300', "at least 0.01 and at most 600", id="no patience"
    ),
    pytest.param("scale = 8.0", "scale = 1e-300", "at least 0.01 and at most 100", id="time that stands"),
    pytest.param("scale = 8.0", "scale = 1000", "at least 0.01 and at most 100", id="time that flies"),
    pytest.param("real_cell = false", "ambient_c = 1e300", "at least -40 and at most 85", id="hot bench"),
    pytest.param(
        "calibration_due = 2036-03-01", "calibration_due = 9999-12-31", "more than 10 years after", id="for ever"
    ),
    pytest.param("calibrated = 2026-03-02\n", "", "holds from some day on", id="due since never"),
    pytest.param("[slots.1]", '[slots."../../1"]', "'../../1' is no name of a slot", id="slot that leaves its folder"),
    pytest.param("[slots.1]", '[slots."1=2"]', "'1=2' is no name of a slot", id="slot that the command line splits"),
    pytest.param(
        '[slots.2.recorder]\ninstrument = "recorder"\nchannel = 2',
        '[slots.2.recorder]\ninstrument = "recorder"\nchannel = 1',
        "'recorder' channel 1 is already wired to slots.1.recorder",
        id="one current for two boards",
    ),
    pytest.param(
        '[slots.2.recorder]\ninstrument = "recorder"\nchannel = 2',
        '[slots.2.recorder]\ninstrument = "recorder"',
        "slots.2.recorder.channel: this key is missing: 'recorder' is wired to slots.1.recorder, too",
        id="a current of nobody",
    ),
]


@pytest.mark.parametrize(("old", "new", "says"), MEAN)
def test_mean_edit_is_refused(old: str, new: str, says: str, tmp_path: Path) -> None:
    """Numbers that no bench has, and things that are claimed twice, are one clear problem."""
    problems = told(tmp_path, edited(TEXT, old, new))

    assert [problem for problem in problems if says in problem], problems


TWICE = [
    pytest.param(
        "usb-0:3:1.0-port0",
        "usb-0:2:1.0-port0",
        f"slots.1.serial.modem_uart.port: '{PORT}' is already the port of slots.1.serial.console",
        id="port for two lines",
    ),
    pytest.param(
        "TCPIP::192.0.2.11::5025::SOCKET",
        "tcpip::192.0.2.10::5025::socket",
        "instruments.meter.resource: 'tcpip::192.0.2.10::5025::socket' is already the address of 'supply'",
        id="address of two instruments",
    ),
    pytest.param(
        'model = "DM-6"\nserial = "DM6-11803"',
        'model = "PS-2"\nserial = "PS2-40017"',
        "instruments.meter.serial: PS-2 'PS2-40017' is already 'supply'",
        id="number of two instruments",
    ),
]


@pytest.mark.parametrize(("old", "new", "starts"), TWICE)
def test_one_thing_under_two_names(old: str, new: str, starts: str, tmp_path: Path) -> None:
    """A port, an address and a serial number each belong to one place of a bench of real instruments."""
    (problem,) = told(tmp_path, edited(EXAMPLE, old, new))

    assert problem.startswith(starts)


def test_two_names_of_one_port(tmp_path: Path) -> None:
    """A link to a port is that port: two slots must not open it twice."""
    real, link = tmp_path / "port0", tmp_path / "console"
    real.touch()
    link.symlink_to(real)
    text = EXAMPLE.replace(PORT, str(real)).replace("/dev/serial/by-path/pci-0000:00:14.0-usb-0:3:1.0-port0", str(link))

    (problem,) = told(tmp_path, text)

    assert problem.startswith("slots.1.serial.modem_uart.port: ")
    assert problem.endswith("is already the port of slots.1.serial.console; give each line its own")


def test_simulated_ports_are_each_their_own(tmp_path: Path) -> None:
    """The word 'simulated' stands for another port in each place."""
    path = tmp_path / "bench.toml"
    path.write_text(TEXT, encoding="utf-8")

    assert {wiring.port for wiring in read_bench_file(path).slots["2"].serial.values()} == {"simulated"}
