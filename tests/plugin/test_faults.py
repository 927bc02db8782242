"""What the tool says of every named fault of the simulated bench: the right check, charged to the right party.

Each case is one whole production run, as a user starts it (`production_runs`).
"""

from __future__ import annotations

import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from benchrig.board.profile import read_board_profile
from benchrig.production.diagnosis import TITLE, diagnose_run
from benchrig.records import Verdict

from .air_faults import AIR, HARMLESS, PULLED_OUT, WHEN_LEFT_ALONE
from .signoff_faults import SIGN_OFF

if TYPE_CHECKING:
    from benchrig.report.board_report import BoardReport

    from .production_runs import ProductionRuns

ROOT = Path(__file__).parents[2]
PROFILE = read_board_profile(ROOT / "fixtures" / "boards" / "hay-barn-probe.toml")


@dataclass(frozen=True)
class Expected:
    """What must be said. `also` names checks that may honestly fail beside the right one, and why they may."""

    check: str
    verdict: Verdict
    says: str
    also: tuple[str, ...] = ()


def fail(check: str, says: str, *, also: tuple[str, ...] = ()) -> Expected:
    return Expected(check, Verdict.FAIL, says, also)


def bench_error(check: str, says: str, *, also: tuple[str, ...] = ()) -> Expected:
    return Expected(check, Verdict.BENCH_ERROR, says, also)


RESTARTED = ("identity_end",)  # the board did restart by itself, and the last check says so, too
COSTS = ("energy",)  # what a current costs follows from it: too much of it, or not known, is said once more
STILL_BLIND = ("output_off",)  # always run; the same instrument fails it again

CASES: dict[str, Expected] = {
    # the battery divider and the converter
    "divider_top_high": fail("battery_sweep", "gain_error"),
    "code_beyond_converter": fail("battery_sweep", "code 5000 is above the converter's top code (accepted: 0 to 4095)"),
    "divider_top_open": fail("battery_sweep", "codes stand still"),
    "divider_bottom_low": fail("battery_sweep", "gain_error"),
    "divider_bottom_high": fail("battery_sweep", "gain_error"),
    "divider_capacitor_open": fail("battery_sweep", "gain_error"),
    "adc_reference_low": fail("battery_sweep", "gain_error"),
    "divider_bottom_open": fail("battery_sweep", "codes stand still"),
    "divider_leak": fail("battery_sweep", "offset"),
    "adc_reference_high": fail("battery_sweep", "gain_error"),
    "adc_offset": fail("battery_sweep", "offset"),
    "adc_slow_settling": fail("battery_sweep", "hysteresis"),
    "adc_clipped": fail("battery_sweep", "codes stand still at the high end"),
    "adc_dead_bit": fail("battery_sweep", "bits [5] never change"),
    "adc_noisy": fail("battery_sweep", "noise"),
    # the late conversion pushes the second receive window out of the recording, which is said and not judged
    "slow_conversion": fail("battery_sweep", "answer_time", also=("transmit",)),
    # correction constants
    "correction_refused": fail("correction", "seen refused: locked"),
    "correction_not_kept": fail("correction", "constants kept without power"),
    "correction_wrong_scale": fail("correction", "errors as predicted"),
    # power
    "battery_short": fail("first_touch", "short circuit"),
    "battery_reversed": fail("first_touch", "reversed polarity"),
    "battery_open": fail("first_touch", "open"),
    "rail_low": fail("rail", "3.098 V is below the low limit"),
    "rail_sags_under_load": fail("rail", "below the low limit"),
    "rail_feedback_high": fail("rail", "above the high limit"),
    "converter_dropout_high": fail("rail", "voltage at 3.60 V"),
    "load_stays_off": fail("rail", "the rail was not measured under its load"),
    "lockout_high": fail("battery_sweep", "no complete answer"),
    # sleep and transmit
    "sleep_leak": fail("floor_current", "floor", also=COSTS),
    "pull_up_leak": fail("floor_current", "floor", also=COSTS),
    "lamp_stuck_on": fail("floor_current", "floor", also=COSTS),
    "converter_quiescent_high": fail("floor_current", "floor", also=COSTS),
    "input_capacitor_leaks": fail("floor_current", "floor", also=COSTS),
    "converter_lossy": fail("transmit", "plateau", also=COSTS),
    "processor_hungry": fail("floor_current", "wake_charge", also=COSTS),
    "timer_slow": fail("floor_current", "wake_period", also=COSTS),
    "radio_standby": fail("floor_current", "1.60", also=COSTS),
    "never_sleeps": fail("floor_current", "mA is above the high limit", also=COSTS),
    "never_wakes": fail("floor_current", "wakes again", also=COSTS),
    "wakes_too_often": fail("floor_current", "wake_period", also=COSTS),
    "transmit_weak": fail("transmit", "plateau"),
    "transmit_strong": fail("transmit", "plateau", also=COSTS),
    "transmit_long": fail("transmit", "duration: 370."),
    "transmit_silent": fail("transmit", "no transmission", also=COSTS),
    "resets_on_transmit": fail("transmit", "the board reset", also=(*RESTARTED, *COSTS)),
    # firmware
    "bytes_swapped": fail("payload_bytes", "battery_difference"),
    "payload_stale": fail("payload_bytes", "battery_difference"),
    "payload_crc_wrong": fail("payload_bytes", "CRC-8/SMBUS"),
    "wrong_port": fail("payload_bytes", "port 3 received"),
    "temperature_off": fail("temperature", "error"),
    "temperature_sensor_open": fail("temperature", "error"),
    "temperature_byte_unsigned_offset": fail("payload_bytes", "temperature_difference"),
    "bale_probe_open": fail("temperature", "no probe"),
    "battery_truncated": fail("payload_bytes", "battery_difference"),
    "battery_in_10_mv": fail("payload_bytes", "battery_difference"),
    "battery_12_bits": fail("payload_bytes", "battery_difference"),
    "temperature_fahrenheit": fail("payload_bytes", "temperature_difference"),
    "bale_little_endian": fail("temperature", "probe_error"),
    "flags_reversed": fail("payload_bytes", "flags"),
    "payload_short": fail("payload_bytes", "8 bytes received"),
    "payload_crc_range": fail("payload_bytes", "CRC-8/SMBUS"),
    "wrong_firmware": fail("identity_start", "expected 1.4.2, seen 1.3.9"),
    "wrong_identity": fail("identity_start", "expected HB-0001, seen"),
    "hang_at_boot": fail("identity_start", "no notice boot"),
    "boot_in_middle": fail("battery_sweep", "the board reset", also=RESTARTED),
    # the bench
    "contact_open": bench_error("first_touch", "no contact"),
    "contact_worn": bench_error("rail", "lost in lead and contact (3 ohm)"),
    "supply_ignores_limit": bench_error("first_touch", "asked 'CURR 0.0200"),
    "supply_ignores_protection": bench_error("first_touch", "asked 'VOLT:PROT 4.300"),
    "supply_refuses_voltage": bench_error("first_touch", "-222, Data out of range"),
    "supply_reads_wrong": bench_error("first_touch", "one of the two is wrong"),
    "supply_stuck_slew": bench_error("first_touch", "does not reach its set-point"),
    # the correction of the board switches it off, too
    "supply_stuck_on": bench_error("output_off", "switch the supply off by hand", also=("correction",)),
    "wrong_serial": bench_error("first_touch", "serial number 'SIM-PS-0001'"),
    "meter_overload": bench_error("first_touch", "overload", also=STILL_BLIND),
    "meter_not_a_number": bench_error("first_touch", "not a number", also=STILL_BLIND),
    "meter_silent": bench_error("first_touch", "no complete line", also=STILL_BLIND),
    "thermometer_broken": bench_error("temperature", "not a number"),
    "recorder_short_block": bench_error("floor_current", "the block has"),
    "recorder_overload": bench_error("floor_current", "over range or no number"),
    "recorder_never_done": bench_error("floor_current", "still says it is measuring"),
    "console_vanishes": bench_error("battery_sweep", "vanished"),
    "adapter_leaks_always": bench_error("floor_current", "asleep, with the console released, the rail stands at"),
}

ANY_CONSOLE_CHECK = {
    # where the first unusable line falls is a matter of chance; what it may never do is pass, or be called a value
    "console_noise": "damaged",
    "console_half_lines": "",
}

INSTRUMENT_BY_LUCK = {
    # now and then an answer is lost or late: either the bench came through on right numbers and says how often it
    # had to begin again, or it gave up; the board is never blamed
    "meter_late": "resync",
    "meter_garbage": "resync",
    "meter_drops_connection": "resync",
}

NOT_AT_ROOM_TEMPERATURE = {
    # nothing differs at the points of a production run: the board passes, and the report names what it left open
    "temperature_sign_magnitude": "the sign of temperature",
    "temperature_clamped": "the sign of temperature",
    "bale_swapped": "exchanged",
}

NO_HARM = {
    # off but not faulty, or noise that more readings overcome: passed, and the record says how
    "adc_reference_off": "gain -6",
    "meter_noisy": "certain after",
    "meter_noisy_slow": "certain after",
}

NAMES = (*CASES, *ANY_CONSOLE_CHECK, *INSTRUMENT_BY_LUCK, *NO_HARM, *NOT_AT_ROOM_TEMPERATURE)

# What is broken, by the key of the cause that says so. The faults are planted as changes of the simulation's own
# parts; the runner's model knows the profile alone.
CAUSES = {
    "divider_top_high": "divider top off",
    "divider_top_open": "divider top open",
    "divider_bottom_low": "divider bottom off",
    "divider_bottom_high": "divider bottom off",
    "divider_bottom_open": "divider bottom open",
    "divider_leak": "divider leak",
    "divider_capacitor_open": "divider capacitor open",
    "adc_reference_high": "reference off",
    "adc_reference_low": "reference off",
    "adc_offset": "converter offset",
    "adc_slow_settling": "divider capacitor large",
    "adc_clipped": "codes stop short",
    "adc_dead_bit": "bit stuck low",
    "adc_noisy": "converter noisy",
    "battery_short": "input bridge",
    "battery_reversed": "board turned",
    "battery_open": "fuse open",
    "rail_low": "feedback top off",
    "rail_feedback_high": "feedback top off",
    "rail_sags_under_load": "rail resistance",
    "converter_dropout_high": "dropout high",
    "converter_lossy": "converter lossy",
    "converter_quiescent_high": "quiescent high",
    "lockout_high": "lockout high",
    "load_stays_off": "load open",
    "sleep_leak": "rail leak",
    "pull_up_leak": "rail leak",
    "lamp_stuck_on": "lamp on",
    "input_capacitor_leaks": "input leak",
    "radio_standby": "radio in standby",
    "processor_hungry": "awake current",
    "timer_slow": "timer off",
    "transmit_weak": "transmit current",
    "transmit_strong": "transmit current",
    "temperature_off": "sensor off",
    "temperature_sensor_open": "sensor open",
    "bale_probe_open": "probe bale[1].temperature open",
    "contact_open": "contact open",
    "contact_worn": "contact worn",
    "thermometer_broken": "thermometer failed",
    "adapter_leaks_always": "adapter feeds board",
}
BENCH_CAUSES = ("contact_open", "contact_worn", "thermometer_broken", "adapter_leaks_always")
ALIKE = {
    # faults of which nothing that a production run measures can tell the cause from these others
    "divider_top_high": {"divider top off", "divider bottom off", "reference off"},
    "adc_reference_low": {"divider top off", "divider bottom off", "reference off"},
    "divider_leak": {"divider leak", "converter offset"},
    "sleep_leak": {"rail leak", "input leak", "quiescent high"},
    "input_capacitor_leaks": {"rail leak", "asleep load", "input leak", "quiescent high"},
    "load_stays_off": {"load open", "load not switched"},
    "converter_dropout_high": {"dropout high", "input resistance"},
    "battery_short": {"input bridge", "input part shorted", "bench lead shorted"},
    "rail_low": {"feedback top off", "feedback bottom off", "rail resistance"},
}


@dataclass(frozen=True)
class Run:
    """A finished run."""

    exit_code: int
    report: BoardReport
    text: str


@pytest.fixture(scope="module")
def runs(production_runs: ProductionRuns) -> dict[str, Run]:
    """One production run for each fault, and one without any ('')."""
    made = production_runs.all_of(["", *NAMES])
    return {fault: Run(run.found.code, run.report, run.found.text) for fault, run in made.items()}


def _not_passed(report: BoardReport) -> dict[str, Verdict]:
    """Checks that said something against the board or the bench; one that was not run says nothing."""
    return {
        check.name: check.verdict for check in report.checks if check.verdict not in (Verdict.PASS, Verdict.NOT_RUN)
    }


def _words(report: BoardReport, name: str) -> str:
    (check,) = (check for check in report.checks if check.name == name)
    return " | ".join([check.why, *(f"{_what(one)}: {one.why}" for one in check.violated)])


def _what(one: object) -> str:
    return str(getattr(one, "limit", None) or getattr(one, "fact", ""))


def test_the_list_of_faults_is_whole() -> None:
    """A new fault of the simulator is not forgotten here."""
    listed = subprocess.run(
        [sys.executable, "-m", "benchrig.simulation", "--list-faults"], capture_output=True, text=True, check=True
    ).stdout

    on_the_air = {*AIR, *HARMLESS, *PULLED_OUT, *WHEN_LEFT_ALONE}
    assert {line.split()[0] for line in listed.splitlines() if line.strip()} == {*NAMES, *SIGN_OFF} | on_the_air
    assert len(CASES) >= 24


def test_a_healthy_board_passes(runs: dict[str, Run]) -> None:
    """Without a fault every required check passes."""
    run = runs[""]

    assert run.exit_code == 0, run.text
    assert run.report.verdict.verdict is Verdict.PASS
    assert len(run.report.required) == 12


@pytest.mark.parametrize("fault", CASES)
def test_fault_is_found_by_the_right_check_alone(runs: dict[str, Run], fault: str) -> None:
    """The board does not pass, the check that is right says so in the right words, and no other one does."""
    run, expected = runs[fault], CASES[fault]
    found = _not_passed(run.report)

    assert found.pop(expected.check, None) is expected.verdict, run.text
    assert expected.says in _words(run.report, expected.check)
    assert set(found) <= set(expected.also), run.text
    assert run.exit_code == (10 if expected.verdict is Verdict.FAIL else 12)
    assert "Traceback" not in run.text


@pytest.mark.parametrize("fault", [name for name, case in CASES.items() if case.verdict is Verdict.BENCH_ERROR])
def test_bench_fault_is_never_held_against_the_board(runs: dict[str, Run], fault: str) -> None:
    """Where the bench failed the report says that nothing is proven, and no check says fail."""
    run = runs[fault]

    assert run.report.verdict.verdict is Verdict.BENCH_ERROR
    assert Verdict.FAIL not in _not_passed(run.report).values()
    assert "the run proves nothing about the board" in run.text


@pytest.mark.parametrize("fault", NOT_AT_ROOM_TEMPERATURE)
def test_bug_that_no_point_shows_is_named_as_not_proven(runs: dict[str, Run], fault: str) -> None:
    """A bug of the encoder that changes no byte at these points passes, and is named as a thing not proven."""
    run = runs[fault]
    told = " | ".join(one.text for one in run.report.not_proven if one.check == "payload_bytes")

    assert run.exit_code == 0, run.text
    assert NOT_AT_ROOM_TEMPERATURE[fault] in told
    assert not any(annex.title == "wrong bytes explained" for annex in run.report.annexes)


@pytest.mark.parametrize("fault", NO_HARM)
def test_what_a_run_overcomes_is_told(runs: dict[str, Run], fault: str) -> None:
    """A board that constants put right passes, and so does one behind a noisy lead; the report says what it took."""
    run = runs[fault]
    words = " | ".join(f"{one.why} {getattr(one, 'seen', '')}" for check in run.report.checks for one in check.judged)

    assert run.exit_code == 0, run.text
    assert NO_HARM[fault] in words


@pytest.mark.parametrize("fault", ANY_CONSOLE_CHECK)
def test_damaged_console_never_passes(runs: dict[str, Run], fault: str) -> None:
    """A console that loses or flips characters is charged to the board; no half line becomes a number."""
    run = runs[fault]

    assert run.exit_code == 10, run.text
    assert set(_not_passed(run.report).values()) == {Verdict.FAIL}
    assert all(one.verdict is Verdict.PASS for check in run.report.checks for one in check.judged if _number_of(one))


def _number_of(one: object) -> bool:
    return getattr(one, "value", None) is not None


@pytest.mark.parametrize("fault", INSTRUMENT_BY_LUCK)
def test_unsteady_instrument_is_told_and_never_blamed_on_the_board(runs: dict[str, Run], fault: str) -> None:
    """Late, garbled or dropped answers of an instrument: passed on right numbers or a bench error, and said."""
    run = runs[fault]

    assert run.report.verdict.verdict in (Verdict.PASS, Verdict.BENCH_ERROR), run.text
    assert any(event.kind == INSTRUMENT_BY_LUCK[fault] for event in run.report.events)


def _first_causes(report: BoardReport) -> list[str]:
    found = diagnose_run(report, PROFILE)
    assert found is not None
    return [cause.key for cause in found.causes[:3]]


def test_true_cause_is_among_the_first_three(runs: dict[str, Run]) -> None:
    """Of 24 planted faults and more, the part that is broken is one of the three likeliest causes for five in six."""
    ranked = {fault: _first_causes(runs[fault].report) for fault in CAUSES}
    missed = {fault: ranked[fault] for fault, cause in CAUSES.items() if cause not in ranked[fault]}

    assert len(CAUSES) >= 24
    assert len(missed) <= len(CAUSES) / 6, missed


@pytest.mark.parametrize("fault", ALIKE)
def test_causes_that_cannot_be_told_apart_are_named_as_a_group(runs: dict[str, Run], fault: str) -> None:
    """The first group holds all of them, and the annex says so and names a measurement that would split them."""
    report = runs[fault].report
    found = diagnose_run(report, PROFILE)
    (annex,) = (annex for annex in report.annexes if annex.title == TITLE)

    assert found is not None
    assert {cause.key for cause in found.groups[0].causes} >= ALIKE[fault]
    assert any("cannot tell apart" in line for line in annex.lines)
    assert any("tells them apart: " in line for line in annex.lines)


@pytest.mark.parametrize("fault", BENCH_CAUSES)
def test_bench_cause_is_called_a_suspicion_of_the_bench(runs: dict[str, Run], fault: str) -> None:
    """Where contact, lead or an instrument fits best, the annex suspects the bench first and in words."""
    report = runs[fault].report
    (annex,) = (annex for annex in report.annexes if annex.title == TITLE)
    found = diagnose_run(report, PROFILE)

    assert found is not None
    assert (found.causes[0].key, found.causes[0].side) == (CAUSES[fault], "bench")
    assert any("bench suspected: " in line for line in annex.lines)


def test_a_board_that_passes_has_no_causes(runs: dict[str, Run]) -> None:
    """Nothing is looked for where nothing failed."""
    assert not [annex for annex in runs[""].report.annexes if annex.title == TITLE]
