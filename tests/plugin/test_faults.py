"""What the tool says of every named fault of the simulated bench: the right check, charged to the right party.

Each case is one whole production run, as a user starts it. The runs are made once for the whole file, two at a time.
"""

from __future__ import annotations

import os
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import pytest

from benchrig.journal import read_journal
from benchrig.records import Verdict
from benchrig.report.board_report import BoardReport, board_report

ROOT = Path(__file__).parents[2]
AT_ONCE = 2


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
STILL_BLIND = ("output_off",)  # always run; the same instrument fails it again

CASES: dict[str, Expected] = {
    # the battery divider and the converter
    "divider_top_high": fail("battery_sweep", "gain_error"),
    "divider_bottom_open": fail("battery_sweep", "codes stand still"),
    "divider_leak": fail("battery_sweep", "offset"),
    "adc_reference_high": fail("battery_sweep", "gain_error"),
    "adc_offset": fail("battery_sweep", "offset"),
    "adc_slow_settling": fail("battery_sweep", "hysteresis"),
    "adc_clipped": fail("battery_sweep", "codes stand still at the high end"),
    "adc_dead_bit": fail("battery_sweep", "bits [5] never change"),
    "adc_noisy": fail("battery_sweep", "noise"),
    "slow_conversion": fail("battery_sweep", "answer_time"),
    # power
    "battery_short": fail("first_touch", "short circuit"),
    "battery_reversed": fail("first_touch", "reversed polarity"),
    "battery_open": fail("first_touch", "open"),
    "rail_low": fail("rail", "3.098 V is below the low limit"),
    "rail_sags_under_load": fail("rail", "below the low limit"),
    "converter_dropout_high": fail("rail", "voltage at 3.60 V"),
    "lockout_high": fail("battery_sweep", "no complete answer"),
    # sleep and transmit
    "sleep_leak": fail("floor_current", "floor"),
    "radio_standby": fail("floor_current", "1.60"),
    "never_sleeps": fail("floor_current", "mA is above the high limit"),
    "never_wakes": fail("floor_current", "wakes again"),
    "wakes_too_often": fail("floor_current", "wake_period"),
    "transmit_weak": fail("transmit", "plateau"),
    "transmit_long": fail("transmit", "duration: 370."),
    "transmit_silent": fail("transmit", "no transmission"),
    "resets_on_transmit": fail("transmit", "the board reset", also=RESTARTED),
    # firmware
    "bytes_swapped": fail("payload_bytes", "battery_difference"),
    "payload_stale": fail("payload_bytes", "battery_difference"),
    "payload_crc_wrong": fail("payload_bytes", "CRC-8/SMBUS"),
    "wrong_port": fail("payload_bytes", "port 3 received"),
    "temperature_off": fail("temperature", "error"),
    "temperature_byte_unsigned_offset": fail("payload_bytes", "temperature_difference"),
    "bale_probe_open": fail("temperature", "no probe"),
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
    "supply_stuck_on": bench_error("output_off", "switch the supply off by hand"),
    "wrong_serial": bench_error("first_touch", "serial number 'SIM-PS-0001'"),
    "meter_overload": bench_error("first_touch", "overload", also=STILL_BLIND),
    "meter_not_a_number": bench_error("first_touch", "not a number", also=STILL_BLIND),
    "meter_silent": bench_error("first_touch", "no complete line", also=STILL_BLIND),
    "thermometer_broken": bench_error("temperature", "not a number"),
    "recorder_short_block": bench_error("floor_current", "the block has"),
    "recorder_overload": bench_error("floor_current", "over range or no number"),
    "recorder_never_done": bench_error("floor_current", "still says it is measuring"),
    "console_vanishes": bench_error("battery_sweep", "vanished"),
    "adapter_leaks_always": bench_error("floor_current", "flows out of the board"),
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

NAMES = (*CASES, *ANY_CONSOLE_CHECK, *INSTRUMENT_BY_LUCK)


@dataclass(frozen=True)
class Run:
    """A finished run."""

    exit_code: int
    report: BoardReport
    text: str


def _run(folder: Path, fault: str) -> Run:
    command = [sys.executable, "-m", "pytest", "suites/production", "-p", "no:cacheprovider"]
    command += ["--bench", "fixtures/benches/simulated.toml", "--board", "HB-0001"]
    command += ["--bench-reports", str(folder / (fault or "healthy"))]
    command += ["--bench-fault", fault] if fault else []
    environment = {key: value for key, value in os.environ.items() if not key.startswith("PYTEST_")}
    done = subprocess.run(command, cwd=ROOT, env=environment, capture_output=True, text=True, timeout=120, check=False)
    (journal,) = (folder / (fault or "healthy")).rglob("*.jsonl")
    return Run(done.returncode, board_report(read_journal(journal)), done.stdout + done.stderr)


@pytest.fixture(scope="module")
def runs(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Run]:
    """One production run for each fault, and one without any ('')."""
    folder = tmp_path_factory.mktemp("faults")
    names = ("", *NAMES)
    with ThreadPoolExecutor(AT_ONCE) as pool:
        return dict(zip(names, pool.map(lambda name: _run(folder, name), names), strict=True))


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

    assert {line.split()[0] for line in listed.splitlines() if line.strip()} == set(NAMES)
    assert len(CASES) >= 24


def test_a_healthy_board_passes(runs: dict[str, Run]) -> None:
    """Without a fault every required check passes."""
    run = runs[""]

    assert run.exit_code == 0, run.text
    assert run.report.verdict.verdict is Verdict.PASS
    assert len(run.report.required) == 10


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
