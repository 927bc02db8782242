"""What a production run says of each planted bug of the payload encoder: the true cause, or what it could not see.

Each case is a whole production run, as a user starts it (`production_runs`).
"""

from __future__ import annotations

import subprocess
import sys
from typing import TYPE_CHECKING

import pytest

from benchrig.journal import read_journal
from benchrig.report.board_report import board_report

from .runs import PRODUCTION

if TYPE_CHECKING:
    from benchrig.report.board_report import BoardReport

    from .production_runs import ProductionRuns
    from .runs import Place

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


@pytest.fixture(scope="module")
def reports(production_runs: ProductionRuns) -> dict[str, BoardReport]:
    """The report of the production run with each bug."""
    return {fault: run.report for fault, run in production_runs.all_of([*TRUE_CAUSES, *UNSEEN]).items()}


@pytest.fixture
def sound(place: Place) -> BoardReport:
    """The report of a run without a bug, up to the payload and without the sweep, whose points it would share."""
    place.run(PRODUCTION, *place.on_bench("-k", CHECKS))
    (journal,) = place.journals()
    return board_report(read_journal(journal))


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


def test_sound_board_is_told_what_its_points_leave_open(sound: BoardReport) -> None:
    """A pass comes with at most six lines of what it does not prove, and the fewest points that would."""
    told = [one for one in sound.not_proven if one.check == "payload_bytes"]

    assert _passed(sound)
    assert not _explained(sound)
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
