"""What a production run says of each planted bug of the payload encoder: the true cause, or what it could not see.

Each case is a run of the checks up to the payload, as a user starts it, two at a time.
"""

from __future__ import annotations

import os
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING

import pytest

from benchrig.journal import read_journal
from benchrig.report.board_report import board_report

from .runs import BENCH, PRODUCTION, ROOT

if TYPE_CHECKING:
    from pathlib import Path

    from benchrig.report.board_report import BoardReport

AT_ONCE = 2
CHECKS = "first_touch or identity_start or payload_bytes"
TITLE = "wrong bytes explained"

TRUE_CAUSES = {
    "bytes_swapped": "1. battery: bytes in the other order",
    "payload_stale": "1. battery: value of the point before",
    "payload_crc_wrong": "1. the check value: inverted",
    "payload_crc_range": "1. the check value: it leaves out the first byte",
    "payload_short": "1. the payload: a byte missing: byte 8 (the check value), cut off at the end",
    "wrong_port": "the port: every frame sent on port 3 instead of 2",
    "temperature_byte_unsigned_offset": "1. temperature: +40 degC added",
    "temperature_fahrenheit": "temperature: sent in degrees Fahrenheit",
    "battery_truncated": "1. battery: cut off toward zero",
    "battery_in_10_mv": "battery: 10 times too small and cut off toward zero",
    "battery_12_bits": "1. battery: cut to its low 12 bits",
    "bale_little_endian": "1. bale[*].temperature: bytes in the other order",
    "flags_reversed": "1. flags: siren and low_battery on each other's bits",
}
"""By fault what a line of the answer holds; "1." where no simpler cause may stand before it."""

UNSEEN = {
    "temperature_sign_magnitude": "the sign of temperature",
    "temperature_clamped": "the sign of temperature",
    "bale_swapped": "values of bale[0].temperature and bale[1].temperature exchanged",
}
"""By fault what the run must name as not proven: at room temperature no byte differs, or none that it can tell."""


def _run(folder: Path, fault: str) -> BoardReport:
    command = [sys.executable, "-m", "pytest", str(PRODUCTION), "-p", "no:cacheprovider", "-k", CHECKS]
    command += ["--bench", str(BENCH), "--board", "HB-0001", "--bench-reports", str(folder / (fault or "sound"))]
    command += ["--bench-fault", fault] if fault else []
    environment = {key: value for key, value in os.environ.items() if not key.startswith("PYTEST_")}
    subprocess.run(command, cwd=ROOT, env=environment, capture_output=True, timeout=120, check=False)
    (journal,) = (folder / (fault or "sound")).rglob("*.jsonl")
    return board_report(read_journal(journal))


@pytest.fixture(scope="module")
def reports(tmp_path_factory: pytest.TempPathFactory) -> dict[str, BoardReport]:
    """The report of one run for each bug, and of one without any ('')."""
    folder = tmp_path_factory.mktemp("bugs")
    names = ("", *TRUE_CAUSES, *UNSEEN)
    with ThreadPoolExecutor(AT_ONCE) as pool:
        return dict(zip(names, pool.map(lambda name: _run(folder, name), names), strict=True))


def _explained(report: BoardReport) -> list[str]:
    return [line for annex in report.annexes if annex.title == TITLE for line in annex.lines]


def _not_proven(report: BoardReport) -> list[str]:
    return [one.text for one in report.not_proven if one.check == "payload_bytes"]


def _passed(report: BoardReport) -> bool:
    return any(check.name == "payload_bytes" and check.verdict.value == "pass" for check in report.checks)


def _next_actions(report: BoardReport) -> str:
    return " | ".join(
        judged.next_action for check in report.checks if check.name == "payload_bytes" for judged in check.violated
    )


@pytest.mark.parametrize("fault", TRUE_CAUSES)
def test_true_cause_is_in_the_answer(reports: dict[str, BoardReport], fault: str) -> None:
    """The answer to the wrong bytes of each bug holds the bug, and a failed value tells the first cause."""
    report = reports[fault]
    lines = _explained(report)

    assert any(TRUE_CAUSES[fault] in line for line in lines), lines
    assert _passed(report) or "explained by" in _next_actions(report)


@pytest.mark.parametrize("fault", UNSEEN)
def test_bug_without_a_wrong_byte_is_not_called_found(reports: dict[str, BoardReport], fault: str) -> None:
    """Where no byte differs the check passes, explains nothing, and names the very thing as not proven."""
    report = reports[fault]

    assert _passed(report)
    assert not _explained(report)
    assert any(UNSEEN[fault] in line for line in _not_proven(report)), _not_proven(report)


def test_sound_board_is_told_what_its_points_leave_open(reports: dict[str, BoardReport]) -> None:
    """A pass comes with at most six lines of what it does not prove, and the fewest points that would."""
    report = reports[""]
    told = [one for one in report.not_proven if one.check == "payload_bytes"]

    assert _passed(report)
    assert not _explained(report)
    assert 1 <= len(told) <= 6
    assert told[-1].next_action.startswith("measure also (1) battery ")


def test_list_of_bugs_is_whole() -> None:
    """Every payload bug of the simulator that is a board's, sensors aside, has its place in these tables."""
    listed = subprocess.run(
        [sys.executable, "-m", "benchrig.simulation", "--list-faults"], capture_output=True, text=True, check=True
    ).stdout
    names = {line.split()[0] for line in listed.splitlines() if line.strip()}
    prefixes = ("payload_", "battery_", "bale_", "flags_", "temperature_")
    sensors = {"battery_short", "battery_reversed", "battery_open", "temperature_off", "bale_probe_open"}
    sensors |= {"temperature_sensor_open"}

    bugs = {name for name in names if name.startswith(prefixes)} - sensors

    assert bugs <= {*TRUE_CAUSES, *UNSEEN} <= names
