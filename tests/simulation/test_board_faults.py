"""Every board fault is visible from outside, and a healthy board does not show it.

One process with as many slots as there are faults, and a last healthy slot.  Each check is a predicate over a slot; it
must hold on the faulty board and must not hold on the healthy one, so no check can pass for nothing.
"""

from __future__ import annotations

import binascii
import subprocess
import sys
from itertools import pairwise
from statistics import median, stdev
from typing import TYPE_CHECKING

import pytest

from .bench_process import BenchProcess, Slot, fields
from .conftest import bench_text
from .test_payload_bugs import BUGS
from .test_radio_faults import BOARD_CHECKS as AIR

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

CHECKS: dict[str, Callable[[Slot], bool]] = {}
QUIET_S = 0.25
"""Wall time after which a silent console is silent: 5 s of bench time."""


def shows(check: Callable[[Slot], bool]) -> Callable[[Slot], bool]:
    """Register a check under the fault's name."""
    CHECKS[check.__name__] = check
    return check


def is_silent(slot: Slot) -> bool:
    """Nothing comes from the console for 5 s of bench time."""
    try:
        slot.console.line(timeout_s=QUIET_S)
    except TimeoutError:
        return True
    return False


def relative_error(slot: Slot, volts: float) -> float:
    """The board's battery reading against the meter."""
    slot.set_voltage(volts)
    slot.wait_for_voltage(volts)
    return int(slot.battery()["mv"]) / 1000 / slot.terminals() - 1


def errors_v(slot: Slot) -> list[float]:
    """The board's battery error in volts near both ends of the range."""
    return [volts * relative_error(slot, volts) for volts in (3.2, 4.0)]


def payload_after(slot: Slot, command: str = "frame") -> tuple[dict[str, str], bytes]:
    """Console fields and payload of one frame."""
    frame = fields(slot.console.ask(command))
    return frame, bytes.fromhex(slot.modem.line().split(",")[1])


def asleep(slot: Slot, *, seconds: int = 5) -> list[float]:
    """Current in sleep with the console released, at 1 kS/s."""
    slot.power_up()
    slot.console.ask("sleep")
    slot.release_console()
    slot.record(range_a=0.01, interval_s=1e-3, points=1000 * seconds)
    samples = slot.samples()
    slot.console = slot.bench.port(f"{slot.number}.console")
    return samples


def pulses(samples: list[float]) -> int:
    """How often the current rises above 1 mA."""
    return sum(before <= 1e-3 < after for before, after in pairwise(samples))


def reporting(slot: Slot) -> list[float]:
    """Current over a whole report."""
    slot.power_up()
    slot.record(range_a=0.1, interval_s=1e-3, points=4000)
    slot.console.ask("report")
    return slot.samples()


# Battery measurement


@shows
def divider_top_high(slot: Slot) -> bool:
    slot.power_up()
    return all(-0.035 < relative_error(slot, volts) < -0.020 for volts in (3.2, 4.0))


@shows
def divider_bottom_open(slot: Slot) -> bool:
    slot.power_up()
    return slot.battery()["raw"] == "4095"


@shows
def divider_leak(slot: Slot) -> bool:
    slot.power_up()
    return all(-0.075 < error_v < -0.045 for error_v in errors_v(slot))


@shows
def adc_reference_high(slot: Slot) -> bool:
    slot.power_up()
    return all(-0.037 < relative_error(slot, volts) < -0.022 for volts in (3.2, 4.0))


@shows
def adc_offset(slot: Slot) -> bool:
    slot.power_up()
    return all(0.025 < error_v < 0.060 for error_v in errors_v(slot))


@shows
def adc_slow_settling(slot: Slot) -> bool:
    slot.power_up(volts=3.2)
    slot.wait_for(lambda: abs(relative_error(slot, 3.2)) < 0.01)
    return relative_error(slot, 4.0) < -0.02


@shows
def adc_clipped(slot: Slot) -> bool:
    slot.power_up(volts=4.2)
    return slot.battery()["raw"] == "3600"


@shows
def code_beyond_converter(slot: Slot) -> bool:
    slot.power_up()
    return slot.battery()["raw"] == "5000"


@shows
def adc_dead_bit(slot: Slot) -> bool:
    slot.power_up()
    raws = []
    for volts in (3.30, 3.32, 3.34, 3.36, 3.38, 3.40):
        slot.set_voltage(volts)
        slot.terminals()
        raws.append(int(slot.battery()["raw"]))
    return not any(raw & 32 for raw in raws)


@shows
def adc_noisy(slot: Slot) -> bool:
    slot.power_up()
    return stdev(int(slot.battery()["raw"]) for _ in range(20)) > 10


@shows
def slow_conversion(slot: Slot) -> bool:
    slot.power_up()
    for _ in range(20):
        slot.console.send("batt?")
    slot.record(range_a=0.1, interval_s=1e-3, points=4000)
    slot.samples()
    return len(slot.console.waiting_lines()) < 10


@shows
def boot_in_middle(slot: Slot) -> bool:
    slot.power_up()
    answers = [slot.console.ask("batt?") for _ in range(6)]
    return [answer[:4] for answer in answers] == ["BATT"] * 4 + ["BOOT", "BATT"] and "brownout" in answers[4]


@shows
def divider_top_open(slot: Slot) -> bool:
    slot.power_up()
    return slot.battery()["raw"] == "0"


@shows
def divider_bottom_low(slot: Slot) -> bool:
    slot.power_up()
    return all(-0.037 < relative_error(slot, volts) < -0.023 for volts in (3.2, 4.0))


@shows
def divider_bottom_high(slot: Slot) -> bool:
    slot.power_up()
    return all(0.035 < relative_error(slot, volts) < 0.052 for volts in (3.2, 4.0))


@shows
def divider_capacitor_open(slot: Slot) -> bool:
    slot.power_up()
    return all(-0.065 < relative_error(slot, volts) < -0.045 for volts in (3.2, 4.0))


@shows
def adc_reference_low(slot: Slot) -> bool:
    slot.power_up()
    return all(0.034 < relative_error(slot, volts) < 0.050 for volts in (3.2, 4.0))


@shows
def adc_reference_off(slot: Slot) -> bool:
    slot.power_up()
    return all(0.003 < relative_error(slot, volts) < 0.011 for volts in (3.2, 4.0))


# Correction constants


@shows
def correction_refused(slot: Slot) -> bool:
    slot.power_up()
    refused = slot.console.ask("cal gain_ppm=100 offset_uv=5").startswith("ERR locked")
    held = slot.console.ask("cal?")
    slot.console.ask("cal gain_ppm=0 offset_uv=0")
    return refused and held.startswith("CAL gain_ppm=0 offset_uv=0")


@shows
def correction_not_kept(slot: Slot) -> bool:
    slot.power_up()
    taken = slot.console.ask("cal gain_ppm=100 offset_uv=5")
    slot.power_down()
    slot.power_up()
    held = slot.console.ask("cal?")
    slot.console.ask("cal gain_ppm=0 offset_uv=0")
    return "=100" in taken and held.startswith("CAL gain_ppm=0 offset_uv=0")


@shows
def correction_wrong_scale(slot: Slot) -> bool:
    slot.power_up()
    before = int(slot.battery()["mv"])
    slot.console.ask("cal gain_ppm=1000 offset_uv=0")
    raised = int(slot.battery()["mv"]) / before - 1
    slot.console.ask("cal gain_ppm=0 offset_uv=0")
    return raised > 0.02


# Power


@shows
def battery_short(slot: Slot) -> bool:
    slot.set_up(limit_a=0.15)
    return is_silent(slot) and slot.terminals() < 0.06 and slot.condition() == 2


@shows
def battery_reversed(slot: Slot) -> bool:
    slot.set_up(limit_a=0.15)
    return is_silent(slot) and 0.69 < slot.terminals() < 0.75 and slot.condition() == 2


@shows
def battery_open(slot: Slot) -> bool:
    slot.set_up()
    slot.record(range_a=1e-3, interval_s=1e-3, points=100)
    return max(map(abs, slot.samples())) < 1e-6 and slot.terminals() > 3.6 and slot.rail() < 0.1


@shows
def rail_low(slot: Slot) -> bool:
    slot.power_up()
    return 3.05 < slot.rail() < 3.15


@shows
def rail_sags_under_load(slot: Slot) -> bool:
    slot.power_up()
    idle_v = slot.rail()
    slot.console.ask("load on")
    return idle_v > 3.25 and idle_v - slot.rail() > 0.08


@shows
def load_stays_off(slot: Slot) -> bool:
    slot.power_up()
    return slot.console.ask("load on").startswith("LOAD on") and slot.read_current() < 0.010


@shows
def converter_dropout_high(slot: Slot) -> bool:
    slot.power_up(volts=3.8)
    return slot.rail() < 3.2


@shows
def rail_feedback_high(slot: Slot) -> bool:
    slot.power_up()
    return 3.45 < slot.rail() < 3.50


@shows
def converter_lossy(slot: Slot) -> bool:
    slot.power_up()
    slot.record(range_a=0.1, interval_s=1e-3, points=100)
    return 5.3e-3 < median(slot.samples()) < 6.2e-3


@shows
def lockout_high(slot: Slot) -> bool:
    slot.power_up()
    slot.set_voltage(3.45)
    slot.wait_for_voltage(3.45)
    return slot.rail() < 0.1


# Empty battery


def sunk_to(slot: Slot, *path_v: float) -> None:
    """Power up, then one voltage after the other, each seen at the pads."""
    slot.power_up()
    for volts in path_v:
        slot.set_voltage(volts)
        slot.wait_for_voltage(volts)


@shows
def hangs_after_dusk(slot: Slot) -> bool:
    sunk_to(slot, 1.8)
    slot.record(range_a=0.1, interval_s=1e-3, points=500)
    slot.samples()
    slot.set_voltage(3.7)
    return is_silent(slot) and slot.read_current() > 3e-3


@shows
def hangs_after_hole(slot: Slot) -> bool:
    slot.power_up()
    for _ in range(16):
        slot.supply.ask(f"OUTP OFF,{slot.channel};*OPC?")
        slot.terminals()  # takes the meter 20 ms of bench time
        slot.supply.send(f"OUTP ON,{slot.channel}")
        if is_silent(slot):
            return True
    return False


@shows
def restart_too_high(slot: Slot) -> bool:
    sunk_to(slot, 2.4, 3.7)
    is_dead = slot.rail() < 0.1
    slot.set_voltage(4.1)
    slot.wait_for_voltage(4.1)
    return is_dead and slot.rail() > 3.0


@shows
def latches_in_lockout(slot: Slot) -> bool:
    sunk_to(slot, 2.4, 4.2)
    return slot.rail() < 0.1


@shows
def reset_too_high(slot: Slot) -> bool:
    sunk_to(slot, 2.9)
    return slot.read_current() < 2e-3 and slot.rail() > 2.5


@shows
def lockout_without_hysteresis(slot: Slot) -> bool:
    sunk_to(slot, 2.6, 2.76)
    return slot.rail() > 2.0


# Sleep


@shows
def sleep_leak(slot: Slot) -> bool:
    return 250e-6 < median(asleep(slot)) < 350e-6


@shows
def radio_standby(slot: Slot) -> bool:
    return 1.4e-3 < median(asleep(slot)) < 1.8e-3


@shows
def pull_up_leak(slot: Slot) -> bool:
    return 55e-6 < median(asleep(slot)) < 75e-6


@shows
def lamp_stuck_on(slot: Slot) -> bool:
    return 1.8e-3 < median(asleep(slot)) < 2.2e-3


@shows
def converter_quiescent_high(slot: Slot) -> bool:
    return 70e-6 < median(asleep(slot)) < 85e-6


@shows
def input_capacitor_leaks(slot: Slot) -> bool:
    return 95e-6 < median(asleep(slot)) < 120e-6


@shows
def processor_hungry(slot: Slot) -> bool:
    slot.power_up()
    return 7e-3 < slot.read_current() < 10e-3


@shows
def timer_slow(slot: Slot) -> bool:
    samples = asleep(slot, seconds=8)
    rises = [index for index, (before, after) in enumerate(pairwise(samples)) if before <= 1e-3 < after]
    return all(2250 < later - earlier < 2350 for earlier, later in pairwise(rises)) and len(rises) >= 3


@shows
def never_sleeps(slot: Slot) -> bool:
    return min(asleep(slot)[1000:]) > 4e-3


@shows
def never_wakes(slot: Slot) -> bool:
    is_flat = pulses(asleep(slot)) == 0
    slot.console.send("boots?")
    return is_flat and is_silent(slot)


@shows
def wakes_too_often(slot: Slot) -> bool:
    return pulses(asleep(slot)) in (19, 20, 21)


# Radio


@shows
def transmit_weak(slot: Slot) -> bool:
    return 20e-3 < max(reporting(slot)) < 30e-3


@shows
def transmit_strong(slot: Slot) -> bool:
    return 65e-3 < max(reporting(slot)) < 80e-3


@shows
def transmit_long(slot: Slot) -> bool:
    return 350 < sum(value > 40e-3 for value in reporting(slot)) < 390


@shows
def transmit_silent(slot: Slot) -> bool:
    return max(reporting(slot)) < 6e-3 and slot.console.text().startswith("REPORT done")


@shows
def resets_on_transmit(slot: Slot) -> bool:
    slot.power_up()
    slot.console.ask("report")
    return "reset=watchdog" in slot.console.text()


# Payload


@shows
def bytes_swapped(slot: Slot) -> bool:
    slot.power_up()
    frame, payload = payload_after(slot)
    return int.from_bytes(payload[:2], "big") == int(frame["mv"]) and crc8(payload) == 0


@shows
def payload_stale(slot: Slot) -> bool:
    slot.power_up(volts=3.2)
    first, _ = payload_after(slot)
    slot.set_voltage(4.0)
    slot.wait_for_voltage(4.0)
    second, payload = payload_after(slot)
    return int.from_bytes(payload[:2], "little") == int(first["mv"]) != int(second["mv"])


@shows
def payload_crc_wrong(slot: Slot) -> bool:
    slot.power_up()
    frame, payload = payload_after(slot)
    return crc8(payload) != 0 and int.from_bytes(payload[:2], "little") == int(frame["mv"])


@shows
def wrong_port(slot: Slot) -> bool:
    slot.power_up()
    port = fields(slot.console.ask("frame"))["port"]
    return port == "3" and slot.modem.line().startswith("AT+BUF=3,")


@shows
def temperature_off(slot: Slot) -> bool:
    slot.power_up()
    celsius = float(fields(slot.console.ask("temp?"))["c"])
    _, payload = payload_after(slot)
    return 26.5 < celsius < 27.5 and payload[2] == 27


@shows
def temperature_sensor_open(slot: Slot) -> bool:
    slot.power_up()
    return -41.0 < float(fields(slot.console.ask("temp?"))["c"]) < -39.0


@shows
def temperature_byte_unsigned_offset(slot: Slot) -> bool:
    slot.power_up()
    frame, payload = payload_after(slot)
    return payload[2] - 40 == int(frame["c"]) == 21


@shows
def bale_probe_open(slot: Slot) -> bool:
    slot.power_up()
    return payload_after(slot)[1][6:8] == b"\x7f\xff"


# Firmware and console


@shows
def wrong_firmware(slot: Slot) -> bool:
    return fields(slot.power_up())["fw"] == "1.3.9" == fields(slot.console.ask("id?"))["fw"]


@shows
def wrong_identity(slot: Slot) -> bool:
    slot.power_up()
    return not slot.console.ask("id?").startswith(f"ID serial=HB-{slot.number:04d} ")


@shows
def hang_at_boot(slot: Slot) -> bool:
    slot.set_up()
    slot.console.send("id?")
    return is_silent(slot) and slot.rail() > 3.25 and slot.read_current() > 3e-3


@shows
def console_noise(slot: Slot) -> bool:
    slot.set_up()
    slot.wait_for(lambda: slot.rail() > 3.2)
    slot.record(range_a=0.1, interval_s=1e-3, points=400)
    slot.samples()
    for _ in range(60):
        slot.console.send("boots?")
    slot.record(range_a=0.1, interval_s=1e-3, points=2000)
    slot.samples()
    lines = slot.console.waiting_lines()
    return 0.1 < sum(not is_checked(line) for line in lines) / len(lines) < 0.6


@shows
def console_half_lines(slot: Slot) -> bool:
    slot.set_up()
    slot.wait_for(lambda: slot.rail() > 3.2)
    slot.record(range_a=0.1, interval_s=1e-3, points=400)
    slot.samples()
    for _ in range(60):
        slot.console.send("boots?")
    slot.record(range_a=0.1, interval_s=1e-3, points=2000)
    slot.samples()
    # a cut line spoils the one after it too: 0.7 squared of 60 are left, give or take 4
    return 15 < sum(is_checked(line) for line in slot.console.waiting_lines()) < 48


def is_checked(line: str) -> bool:
    """The checksum fits; binascii's CRC-CCITT started with FFFF is CRC-16/IBM-3740."""
    text, _, checksum = line.rpartition("*")
    return f"{binascii.crc_hqx(text.encode('latin-1'), 0xFFFF):04X}" == checksum


def crc8(payload: bytes) -> int:
    """Remainder of the whole payload by the polynomial x^8 + x^2 + x + 1 as long division: 0 if it fits."""
    dividend = int.from_bytes(payload, "big")
    while dividend.bit_length() > 8:
        dividend ^= 0x107 << (dividend.bit_length() - 9)
    return dividend


NAMES = list(CHECKS)
HEALTHY = len(NAMES) + 1


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[BenchProcess]:
    """One board per fault, and a healthy one."""
    path = tmp_path_factory.mktemp("faults") / "bench.toml"
    path.write_text(bench_text(slots=HEALTHY), encoding="utf-8")
    faults = [f"{NAMES.index(name) + 1}:{name}" for name in NAMES]
    bench = BenchProcess([path, "--fault", *faults])
    yield bench
    assert bench.end() == (0, "")


@pytest.mark.parametrize("name", NAMES)
def test_board_fault_is_visible_and_health_is_not(bench: BenchProcess, name: str) -> None:
    """The faulty board shows the fault's effect; the healthy board does not."""
    faulty = Slot(bench, number=NAMES.index(name) + 1)
    shown = CHECKS[name](faulty)
    faulty.power_down()
    faulty.close()

    healthy = Slot(bench, number=HEALTHY)
    shown_by_healthy = CHECKS[name](healthy)
    healthy.power_down()
    healthy.close()

    assert (shown, shown_by_healthy) == (True, False)


def test_every_board_fault_has_a_check() -> None:
    """The board faults that the command lists are those checked here, or with the payload bugs, or on the air."""
    listing = subprocess.run(
        [sys.executable, "-m", "benchrig.simulation", "--list-faults"], check=True, capture_output=True, text=True
    ).stdout
    listed = {line.split()[0] for line in listing.splitlines() if line.split()[1] == "board"}

    assert set(NAMES) | set(BUGS) | set(AIR) == listed
