"""Which boards and values of a lot count: attempt 1 alone, real apart from simulated, bench errors apart."""

from __future__ import annotations

from typing import TYPE_CHECKING

import msgspec
import pytest

from benchrig.errors import ConfigError
from benchrig.lot_report.lot import limit_name
from benchrig.lot_report.tables import attempt_rows, lot_facts
from benchrig.records import CheckFinished, LimitJudged, Record, Verdict, WaiverGranted
from tests.store.journals import note, records

from .lots import bad, history_of, report_of, rows_of, sound, spoiled

if TYPE_CHECKING:
    from pathlib import Path


def test_a_retest_does_not_raise_the_first_pass_yield(tmp_path: Path) -> None:
    """A board that failed and passed its second attempt counts as failed first and passed finally."""
    runs = [sound(1), sound(2), bad(3), records(board="HB-1003", minutes=300, rail_v=(3.31,))]

    found = report_of(history_of(tmp_path, runs))

    assert found.yields is not None
    assert (found.yields.first_pass.passed, found.yields.first_pass.boards) == (2, 3)
    assert (found.yields.final.passed, found.yields.final.boards) == (3, 3)


def test_values_are_those_of_attempt_1(tmp_path: Path) -> None:
    """One value for each board and limit: the first attempt's, that of a board which failed among them."""
    runs = [sound(1, rail_v=3.31), bad(2), records(board="HB-1002", minutes=300, rail_v=(3.32,))]

    (figures,) = report_of(history_of(tmp_path, runs)).figures

    assert [(row.board, row.value) for row in figures.series.rows] == [("HB-1001", 3.31), ("HB-1002", 3.5)]


def test_a_board_that_the_bench_alone_failed_is_left_out_and_counted_apart(tmp_path: Path) -> None:
    """It is in no share; a board whose later run says something counts by that one."""
    runs = [sound(1), spoiled(2), spoiled(3), records(board="HB-1003", minutes=400, rail_v=(3.3,))]

    found = report_of(history_of(tmp_path, runs))

    assert found.lot.bench_failed == ("HB-1002",)
    assert found.yields is not None
    assert (found.yields.first_pass.passed, found.yields.first_pass.boards) == (2, 2)
    assert found.yields.first_pass.left_out == 1
    assert found.lot.spoiled_runs == 2
    assert found.lot.seen == 3


def test_a_board_counts_for_the_lot_of_its_attempt_1(tmp_path: Path) -> None:
    """A retest under another lot moves no board, and is said."""
    runs = [sound(1, lot="L8"), records(board="HB-1001", minutes=300, rail_v=(3.3,), lot="L7"), sound(2)]
    history = history_of(tmp_path, runs)

    mine, other = report_of(history, "L7"), report_of(history, "L8")

    assert [run.board for run in mine.lot.firsts] == ["HB-1002"]
    assert [run.board for run in other.lot.firsts] == ["HB-1001"]
    assert ("the whole lot", "board HB-1001: its attempt 1 is of lot L8, and counts there") in mine.not_said


def test_since_takes_boards_by_their_attempt_1(tmp_path: Path) -> None:
    """A board first tested before that day is left out with all its runs, and said."""
    runs = [bad(0), records(board="HB-1000", minutes=3000, rail_v=(3.3,)), sound(50)]

    found = report_of(history_of(tmp_path, runs), since="2031-03-05")

    assert [run.board for run in found.lot.firsts] == ["HB-1050"]
    assert any("HB-1000: its attempt 1 was before 2031-03-05" in why for _, why in found.not_said)


def test_real_boards_come_before_simulated_ones(tmp_path: Path) -> None:
    """Where both are in a lot the simulated ones are left out, and said."""
    runs = [sound(1), records(board="HB-1002", minutes=100, simulated=True)]

    found = report_of(history_of(tmp_path, runs))

    assert [run.board for run in found.lot.firsts] == ["HB-1001"]
    assert not found.lot.simulated
    assert ("the whole lot", "1 simulated runs: no board was measured in them") in found.not_said


def test_another_use_is_told_and_asked_for_by_name(tmp_path: Path) -> None:
    """Runs of another use count for nothing here; --use takes them."""
    history = history_of(tmp_path, [sound(1), records(board="HB-1002", minutes=100, use="nightly")])

    assert [run.board for run in report_of(history).lot.firsts] == ["HB-1001"]
    assert [run.board for run in report_of(history, use="nightly").lot.firsts] == ["HB-1002"]
    assert ("the whole lot", "1 runs of use nightly: ask for them with --use nightly") in report_of(history).not_said


def test_values_against_other_limits_stand_apart(tmp_path: Path) -> None:
    """A limit that was moved within the lot has a row for each of its forms."""
    moved = [msgspec.structs.replace(one, high=3.35) if isinstance(one, LimitJudged) else one for one in sound(2)]

    found = report_of(history_of(tmp_path, [sound(1), moved])).figures

    assert [(one.series.key.high, one.statistics.n) for one in found] == [(3.4, 1), (3.35, 1)]


def test_waived_boards_did_not_pass(tmp_path: Path) -> None:
    """A board that passed by a waiver alone is counted as waived, in no yield, and proposes no limit."""
    waiver = WaiverGranted(check="rail", who="carla", why="cosmetic", until="2040-01-01", at_s=0.2)
    lines = [
        msgspec.structs.replace(one, verdict=Verdict.WAIVED) if isinstance(one, CheckFinished) else one
        for one in bad(2)
    ]
    runs = [sound(1), [*lines[:1], waiver, *lines[1:]], bad(3)]

    found = report_of(history_of(tmp_path, runs))

    assert [run.verdict for run in found.lot.firsts] == ["pass", "waived", "fail"]
    assert found.yields is not None
    assert (found.yields.first_pass.passed, found.yields.final.passed) == (1, 1)
    assert dict(lot_facts(found))["waived finally"] == 1


@pytest.mark.parametrize(
    ("name", "limit"),
    [
        ("error worst, at 3.90 V down", "error worst"),
        ("voltage at 3.60 V", "voltage at 3.60 V"),
        ("floor", "floor"),
    ],
    ids=["place that a run found", "place that the plan names", "no place"],
)
def test_a_place_that_a_run_found_is_no_part_of_the_name(name: str, limit: str) -> None:
    """Boards with their worst point at different places are held against the same limit."""
    assert limit_name(name) == limit


def test_unknown_lot(tmp_path: Path) -> None:
    """A lot that the history has not is an error that names those it has."""
    history = history_of(tmp_path, [sound(1)])

    with pytest.raises(ConfigError, match=r"lot 'L77': not in this history.*known: L7.*--bench-lot"):
        rows_of(history, "L77")


def test_fewer_built_than_tested(tmp_path: Path) -> None:
    """Nobody tests more boards than were built."""
    history = history_of(tmp_path, [sound(1), sound(2)])

    with pytest.raises(ConfigError, match=r"--built 1: 2 boards of lot 'L7' were on a bench; accepted: 2 or more"):
        report_of(history, built=1)


def test_notes_and_retests_are_told(tmp_path: Path) -> None:
    """Attempts, and what was noted of the board, stand beside each other."""
    runs: list[list[Record]] = [
        sound(1),
        bad(2),
        [note(board="HB-1002", minutes=200)],
        records(board="HB-1002", minutes=300),
    ]

    assert list(attempt_rows(report_of(history_of(tmp_path, runs)))) == [
        ("HB-1002", 2, "fail", "pass", 0, "rework: J2 soldered (operator 2)")
    ]
