"""The simulated board as a client on its console, modem line and instruments sees it; scale 20, a healthy board."""

from __future__ import annotations

import re
from itertools import pairwise
from statistics import fmean, median
from typing import TYPE_CHECKING

import pytest

from .bench_process import BenchProcess, Slot, fields

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

AWAKE_A = 4.5e-3 * 3.3 / (0.9 * 3.7) + 4e-6 + 3.7 / 400e3
FLOOR_A = 3e-6 * 3.3 / (0.675 * 3.7) + 4e-6 + 3.7 / 400e3
WAKE_SHARE = 0.012 / 2.0
ADAPTER_A = 180e-6
NO_LOAD_A = 4e-6 + 3.7 / 400e3
"""The converter itself and the divider: what the battery gives while the adapter carries the rail."""


@pytest.fixture
def slot(bench_file: Path) -> Iterator[Slot]:
    """A powered-off healthy board in slot 1, with its boot line still to come."""
    bench = BenchProcess([bench_file, "--board", "1=HB-0042"])
    yield Slot(bench)
    assert bench.end() == (0, "")


@pytest.fixture
def running(slot: Slot) -> Slot:
    """A board that has booted."""
    slot.power_up()
    return slot


ANSWERS = {
    "id?": r"ID serial=HB-0042 chip=48420000A0010042 eui=02004842A0010042 fw=1\.4\.2 image=9c41e0b7 boots=\d+",
    "batt?": r"BATT n=1 raw=34\d\d mv=\d{4}",
    "temp?": r"TEMP n=1 raw=2\d\d\d c=2\d\.\d",
    "load on": "LOAD on",
    "load off": "LOAD off",
    "frame": r"FRAME n=1 mv=3\d{3} c=21 port=2 len=9",
    "sleep": "SLEEP",
    "boots?": r"BOOTS n=\d+",
    "cal?": "CAL gain_ppm=0 offset_uv=0",
    "cal gain_ppm=-1200 offset_uv=2500": "CAL gain_ppm=-1200 offset_uv=2500",
    "hello": "ERR unknown",
    "BATT?": "ERR unknown",
    "batt?*0000": "ERR crc",
    "123456789*29B1": "ERR unknown",
    "123456789*29b1": "ERR unknown",
}


def test_power_up_boots_after_a_quarter_second(slot: Slot) -> None:
    """The board says BOOT after power-up, and counts boots over power cycles."""
    first = slot.power_up()
    slot.power_down()
    second = slot.power_up()

    assert re.fullmatch(r"BOOT haybarn fw=1\.4\.2 reset=power boots=\d+", first)
    assert int(fields(second)["boots"]) == int(fields(first)["boots"]) + 1


def test_commands_are_answered(running: Slot) -> None:
    """Every command of the console has its answer, with or without a checksum."""
    answers = {}
    for command in ANSWERS:
        if command in ("batt?", "temp?", "frame"):
            running.power_down()
            running.power_up()
        answers[command] = running.console.ask(command)
        if command == "sleep":
            running.console.send("")
            assert running.console.text().startswith("WAKE boots=")

    assert {command for command, answer in answers.items() if not re.fullmatch(ANSWERS[command], answer)} == set()


def test_measured_voltage_agrees_with_the_meter(running: Slot) -> None:
    """The board's millivolts are within 1 % and 10 mV of the volts at its pads, over the whole range."""
    errors = {}
    for volts in (3.0, 3.3, 3.7, 4.0, 4.2):
        running.set_voltage(volts)
        running.wait_for_voltage(volts)
        measured_v = int(running.battery()["mv"]) / 1000
        errors[volts] = abs(measured_v - running.terminals()) / (0.01 * volts + 0.010)

    assert max(errors.values()) < 1.0


def test_battery_reading_follows_the_formula(running: Slot) -> None:
    """mv = round(raw * 1100 * 4 / 4096), then the stored correction."""
    reading = running.battery()
    assert int(reading["mv"]) == round(int(reading["raw"]) * 4400 / 4096)

    running.console.ask("cal gain_ppm=100000 offset_uv=5000")
    running.power_down()
    running.power_up()
    reading = running.battery()
    assert int(reading["mv"]) == pytest.approx(int(reading["raw"]) * 4400 / 4096 * 1.1 + 5, abs=0.51)


def test_frame_and_payload_are_the_same_sample(running: Slot) -> None:
    """The millivolts on the console are those in the payload on the modem line, little-endian."""
    frame = fields(running.console.ask("frame"))
    modem = running.modem.line()

    port, payload_hex = modem.removeprefix("AT+BUF=").split(",")
    payload = bytes.fromhex(payload_hex)
    assert (port, len(payload)) == (frame["port"], int(frame["len"]))
    assert int.from_bytes(payload[0:2], "little") == int(frame["mv"])
    assert int.from_bytes(payload[2:3], "little", signed=True) == int(frame["c"])
    assert payload[3] == 0
    for bale in (payload[4:6], payload[6:8]):
        assert int.from_bytes(bale, "big", signed=True) == pytest.approx(210, abs=3)


def test_load_draws_its_current(running: Slot) -> None:
    """The load adds 45 mA of the rail: 45 mA * 3.3 V / (0.9 * 3.7 V) from the battery."""
    before_a = running.read_current()
    running.console.ask("load on")
    rise_a = running.read_current() - before_a
    running.console.ask("load off")

    assert rise_a == pytest.approx(45e-3 * 3.3 / (0.9 * 3.7), rel=0.02)


def test_inrush_is_seen_as_current_limit(slot: Slot) -> None:
    """With a limit of 1 mA, 47 uF takes 174 ms to charge; the supply reports the limit, then reports it gone."""
    slot.set_up(volts=2.5, limit_a=1e-3)

    assert slot.supply.ask("STAT:QUES:COND?") == "2"
    slot.wait_for(lambda: slot.supply.ask("STAT:QUES:COND?") == "0")
    assert slot.terminals() == pytest.approx(2.5, abs=0.01)


def test_lockout_stops_the_board_and_it_comes_back(running: Slot) -> None:
    """At 2.6 V the rail is off and nothing answers; back at 3.7 V the board boots with cause brownout."""
    assert running.rail() == pytest.approx(3.3, abs=0.01)

    running.set_voltage(2.6)
    running.wait_for(lambda: running.rail() < 0.01)
    running.console.send("batt?")
    running.set_voltage(3.7)

    assert "reset=brownout" in running.console.text()


def test_over_voltage_trips_and_latches(running: Slot) -> None:
    """A set-point above the protection level opens the output until the trip is cleared."""
    running.set_voltage(5.5)
    running.wait_for(lambda: running.supply.ask("OUTP? (@1)") == "0")

    assert running.supply.ask("STAT:QUES:COND?") == "1"
    running.supply.send("OUTP ON,(@1)")
    assert running.supply.ask("SYST:ERR?") == '-221,"Settings conflict"'
    running.supply.send("VOLT 3.7,(@1);:OUTP:PROT:CLE (@1);:OUTP ON,(@1)")
    assert running.supply.ask("OUTP? (@1);:STAT:QUES:COND? (@1)") == "1;0"


def test_sleep_current_is_floor_and_wake_pulses(running: Slot) -> None:
    """Asleep with the console released: the floor between pulses, and floor plus 0.6 % of awake on average."""
    assert running.console.ask("sleep") == "SLEEP"
    running.release_console()

    running.record(range_a=0.01, interval_s=1e-3, points=9000)
    samples = running.samples()

    assert median(samples) == pytest.approx(FLOOR_A, abs=0.3e-6)
    rises = [i for i in range(1, 9000) if samples[i] > 1e-3 >= samples[i - 1]]
    assert len(rises) in (4, 5)
    assert all(later - earlier == pytest.approx(2000, rel=0.006) for earlier, later in pairwise(rises))
    whole_cycles = samples[rises[0] : rises[-1]]
    assert fmean(whole_cycles) == pytest.approx(FLOOR_A + WAKE_SHARE * (AWAKE_A - FLOOR_A), rel=0.03)


def test_open_console_feeds_the_board(running: Slot) -> None:
    """With the console open the adapter's 180 uA come off the rail's load: all of it asleep, and nothing goes back."""
    running.record(range_a=0.1, interval_s=1e-3, points=300)
    awake_a = median(running.samples())
    running.console.ask("sleep")

    running.record(range_a=0.01, interval_s=1e-3, points=3000)
    samples = running.samples()

    # power through the converter: 180 uA of the rail are 180 uA x 3.3 V / (0.9 x 3.7 V) of the battery
    assert awake_a == pytest.approx(AWAKE_A - ADAPTER_A * 3.3 / (0.9 * 3.7), abs=2e-6)
    assert median(samples) == pytest.approx(NO_LOAD_A, abs=0.3e-6)
    assert min(samples) > 0.0


def test_rail_that_is_overfed_is_lifted(running: Slot) -> None:
    """Asleep the board takes less than the open console gives: the rail rises above 3.3 V, where it stays awake."""
    awake_v = running.rail()
    running.console.ask("sleep")
    running.record(range_a=0.01, interval_s=1e-3, points=100)
    running.samples()

    assert awake_v == pytest.approx(3.3, abs=0.005)
    running.wait_for(lambda: abs(running.rail() - 3.45) < 0.005)
    running.release_console()
    running.wait_for(lambda: abs(running.rail() - 3.3) < 0.005)


def test_any_byte_wakes_the_board(running: Slot) -> None:
    """The line that wakes the board is lost; the next one is answered."""
    running.console.ask("sleep")
    running.record(range_a=0.1, interval_s=1e-3, points=200)
    running.samples()
    running.console.send("batt?")

    assert running.console.text().startswith("WAKE boots=")
    assert running.console.ask("boots?").startswith("BOOTS n=")


def test_report_transmits_and_listens_twice(running: Slot) -> None:
    """The transmit sequence: 5 ms, 61.696 ms on air at SF7 for 22 bytes or less, windows 1 s and 2 s after it."""
    running.record(range_a=0.1, interval_s=1e-3, points=4000)
    report = running.console.ask("report")
    assert [running.modem.line()[:7], running.modem.line()] == ["AT+BUF=", "AT+TX"]
    assert running.console.text() == f"REPORT done n={fields(report)['n']}"
    samples = running.samples()

    on_air = [i for i, value in enumerate(samples) if value > 30e-3]
    listening = [i for i, value in enumerate(samples) if 9e-3 < value < 30e-3 and i > on_air[-1]]
    first_window = [i for i in listening if i < on_air[-1] + 1500]
    second_window = [i for i in listening if i >= on_air[-1] + 1500]
    assert len(on_air) == pytest.approx(56.576, abs=1.5)
    assert max(samples) == pytest.approx(48.5e-3 * 3.3 / (0.9 * 3.7), rel=0.01)
    assert first_window[0] - on_air[-1] == pytest.approx(1000, abs=2)
    assert len(first_window) == pytest.approx(15, abs=1)
    assert second_window[0] - on_air[-1] == pytest.approx(2000, abs=2)
    assert len(second_window) == pytest.approx(33, abs=1)


def test_transmit_charge_is_the_analytic_one(running: Slot) -> None:
    """The recorded charge of a report equals the sum of its states within 0.5 %."""
    running.record(range_a=0.1, interval_s=1e-3, points=6000)
    running.console.ask("report")
    running.console.text()
    samples = running.samples()

    def battery_a(rail_a: float) -> float:
        return rail_a * 3.3 / (0.9 * 3.7) + 4e-6 + 3.7 / 400e3

    low_s = sum(1e-3 for value in samples if value < 1e-3)
    awake_s = 6.0 - 0.005 - 0.056576 - 0.015 - 0.033 - low_s
    expected_c = (
        battery_a(12e-3 - ADAPTER_A) * 0.005
        + battery_a(48.5e-3 - ADAPTER_A) * 0.056576
        + battery_a(11e-3 - ADAPTER_A) * (0.015 + 0.033)
        + battery_a(4.5e-3 - ADAPTER_A) * awake_s
        + NO_LOAD_A * low_s
    )
    assert low_s == pytest.approx(1.0 + 1.0 - 0.015, abs=0.004)
    assert sum(samples) * 1e-3 == pytest.approx(expected_c, rel=5e-3)


def test_discharge_is_the_charge_of_the_capacitor(slot: Slot) -> None:
    """Switched off at 2.5 V, below the lockout, 47 uF gives back 117.5 uC through the lead (Q = C V)."""
    slot.set_up(volts=2.5)
    slot.wait_for_voltage(2.5)

    slot.record(range_a=0.1, interval_s=20e-6, points=100_000)
    assert slot.recorder.ask("STAT:OPER:COND?") == "16"
    slot.supply.send("OUTP OFF,(@1)")
    returned_c = sum(value for value in slot.samples() if value < -20e-6) * 20e-6

    assert returned_c == pytest.approx(-47e-6 * 2.5, rel=0.02)


def test_bytes_to_a_closed_port_are_lost(running: Slot) -> None:
    """What the board says while nobody has the port open does not wait for the next client."""
    running.console.send("report")
    running.release_console()
    running.record(range_a=0.1, interval_s=1e-3, points=3500)
    running.samples()
    running.console = running.bench.port("1.console")

    assert running.console.ask("boots?").startswith("BOOTS n=")


def test_unread_bytes_go_with_their_client(running: Slot) -> None:
    """An answer that the last client left unread is not there for the next one, however soon that comes."""
    running.console.send("boots?")
    running.record(range_a=0.1, interval_s=1e-3, points=200)
    running.samples()
    running.release_console()
    running.console = running.bench.port("1.console")
    running.supply.ask("*OPC?")

    assert running.console.ask("cal?").startswith("CAL ")


def test_slots_are_separate_boards(start: Callable[..., BenchProcess]) -> None:
    """Two boards run side by side on their own channels, with their own serials and tolerances."""
    bench = start("--board", "1=HB-0007", "2=HB-0008")
    first, second = Slot(bench), Slot(bench, number=2)
    first.power_up(volts=3.7)
    second.power_up(volts=3.9)

    assert "serial=HB-0007" in first.console.ask("id?")
    assert "serial=HB-0008" in second.console.ask("id?")
    assert first.terminals() == pytest.approx(3.7, abs=0.01)
    assert second.terminals() == pytest.approx(3.9, abs=0.01)
    first.power_down()
    assert second.console.ask("boots?").startswith("BOOTS n=")


def test_same_seed_gives_the_same_board(start: Callable[..., BenchProcess]) -> None:
    """Tolerances come from the seed: equal seeds agree to the noise, another seed is another board."""

    def offset_v(seed: str) -> float:
        slot = Slot(start("--seed", seed))
        slot.power_up()
        return int(slot.battery()["mv"]) / 1000 - slot.terminals()

    same = offset_v("5"), offset_v("5")
    assert same[0] == pytest.approx(same[1], abs=1.1e-3)
    assert len({round(offset_v(seed), 3) for seed in ("6", "7", "8")}) > 1
