"""Figures of a lot that is large enough for all of them, against numpy and hand-written formulas."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest

from benchrig.dossier.html import html_of
from benchrig.lot_report.build import build_pages
from benchrig.lot_report.figures_text import limits, ranges, scatter
from benchrig.lot_report.lot import LimitKey
from benchrig.lot_report.report import NEAR_SHARE
from benchrig.lot_report.tables import signals_by_rule, signals_of
from benchrig.records import Verdict
from tests.dossier.made import bare, text_of_page
from tests.store.journals import meter, records

from .lots import bad, history_of, lot_of_forty, report_of, sound

if TYPE_CHECKING:
    from pathlib import Path

    from benchrig.lot_report.report import LotReport


@pytest.fixture(scope="module")
def forty(tmp_path_factory: pytest.TempPathFactory) -> LotReport:
    """Forty real boards, five of which failed above the high limit."""
    return report_of(lot_of_forty(tmp_path_factory.mktemp("forty")))


def test_ppk_is_the_room_by_three_deviations(forty: LotReport) -> None:
    """The nearer of both rooms over three deviations of all boards (textbook formula), and within its interval."""
    (figures,) = forty.figures
    values = np.array(figures.series.values)
    mean, deviation = values.mean(), values.std(ddof=1)

    assert figures.capability is not None
    ppk = figures.capability.ppk
    assert ppk.value == pytest.approx(min(mean - 3.2, 3.4 - mean) / (3.0 * deviation), rel=1e-9)
    assert ppk.low is not None
    assert ppk.high is not None
    assert ppk.low < ppk.value < ppk.high
    assert ppk.n == 40


def test_boards_that_stand_apart_contradict_normal_theory(forty: LotReport) -> None:
    """Five boards far from the others: the index is shown as not proven, and no tolerance interval is made up."""
    (figures,) = forty.figures

    assert figures.normal == "contradicted"
    assert figures.tolerance is None
    assert any("needed are 93 or more" in why for why in figures.lacking)


def test_proposals_come_from_boards_that_passed(forty: LotReport) -> None:
    """Values of failed boards widen no proposal; the guard is the bench's own uncertainty, the largest of them."""
    (proposed,) = forty.proposals

    assert proposed.proposal.basis.n == 35
    assert proposed.proposal.guard == 0.002
    assert proposed.proposal.proposed_high is not None
    assert proposed.proposal.proposed_high < 3.41


def test_signals_are_told_at_their_boards(forty: LotReport) -> None:
    """A failed board is out of control by its own value, and the moving range at it and at the board after it."""
    (charts,) = forty.charts
    told = [(chart, board) for chart, _, board, _, _, rule in signals_of(charts) if rule == "beyond a control limit"]

    assert ("single values", "HB-1037") in told
    assert ("moving range", "HB-1037") in told
    assert ("moving range", "HB-1038") in told
    assert ("moving range", "HB-1036") not in told


def test_signals_by_rule_are_all_of_them(forty: LotReport) -> None:
    """The short table names as many points of each chart and rule as the long one, each with its board."""
    (charts,) = forty.charts
    long = {(chart, rule, number, board) for chart, number, board, _, _, rule in signals_of(charts)}
    short = {
        (chart, rule, number, board)
        for chart, rule, numbers, boards in signals_by_rule(charts)
        for number, board in zip(numbers, boards, strict=True)
    }

    assert short == long
    assert len(long) >= 5


def test_charts_are_for_the_limits_nearest_to_trouble(tmp_path: Path) -> None:
    """With two limits of one check only the one with boards outside is drawn."""
    runs = [
        records(board=f"HB-{at}", minutes=at, rail_v=(3.30 + 0.001 * (at % 5), 3.39 + 0.003 * (at % 5)))
        for at in range(20)
    ]

    (charts,) = report_of(history_of(tmp_path, runs)).charts

    assert charts.figures.series.key.limit == "voltage at 1"
    assert charts.figures.outside.value == 0.2


def test_near_is_within_a_tenth_of_the_width(tmp_path: Path) -> None:
    """Of limits 0.2 V apart 20 mV are near; a board outside is not near, it failed."""
    runs = [sound(1), sound(2, rail_v=3.381), sound(3, rail_v=3.379), bad(4, rail_v=3.41), sound(5, rail_v=3.215)]

    (near,) = report_of(history_of(tmp_path, runs)).near

    assert NEAR_SHARE == 0.1
    assert [row.board for row in near.rows] == ["HB-1005", "HB-1002"]
    assert not near.is_common


def test_a_limit_that_all_boards_are_near_is_told_apart(tmp_path: Path) -> None:
    """It says something of the limit, and no board is named for it."""
    found = report_of(history_of(tmp_path, [sound(at, rail_v=3.39) for at in range(4)]))

    assert [one.is_common for one in found.near] == [True]
    assert bare("More than half of all boards are near these") in text_of_page(html_of(build_pages(found)))


def test_overdue_calibration_stands_on_top(tmp_path: Path) -> None:
    """An instrument that was overdue in any run is named before everything else."""
    late = records(board="HB-1002", minutes=100, instruments=(meter(serial="S9", due="2031-03-01"),))
    pages = build_pages(report_of(history_of(tmp_path, [sound(1), late])))

    assert pages.alarms == ("The calibration of meter S9 was overdue in runs of this lot.",)


def test_checks_that_could_not_be_decided_are_told_apart(tmp_path: Path) -> None:
    """Undecided is no failure: it has a row of its own in the table of failing checks."""
    unknown = records(board="HB-1002", minutes=100, verdict=Verdict.UNDECIDED)

    found = report_of(history_of(tmp_path, [sound(1), unknown, bad(3), bad(4)])).failing

    assert [(one.check, one.boards) for one in found] == [("rail", 2), ("rail (undecided)", 1)]
    assert found[0].of_boards.value == 0.5


@pytest.mark.parametrize(
    ("low", "high", "unit", "text"),
    [
        (5e-06, 3e-05, "A", "5 µA to 30 µA"),
        (None, 0.062, "s", "at most 62 ms"),
        (90.0, None, "d", "at least 90 d"),
        (-0.01, 0.01, "1", "-0.01 to 0.01"),
        (3.2015, 3.4, "V", "3.2015 V to 3.4 V"),
        (0.0, 100.0, "count", "0 counts to 100 counts"),
    ],
    ids=["two prefixes", "one side", "low side", "plain ratio", "all digits", "nought and hundred"],
)
def test_limits_are_shown_in_full(low: float | None, high: float | None, unit: str, text: str) -> None:
    """No digit of a limit is rounded away, and none is made up."""
    assert limits(LimitKey("check", "limit", unit, low, high)) == text


@pytest.mark.parametrize(
    ("numbers", "text"),
    [((), ""), ((3,), "3"), ((3, 11, 12, 13), "3, 11 to 13"), ((1, 2, 5, 7, 8), "1 to 2, 5, 7 to 8")],
)
def test_points_are_joined(numbers: tuple[int, ...], text: str) -> None:
    """Neighbours become a range, others stand alone."""
    assert ranges(numbers) == text


@pytest.mark.parametrize(("deviation", "shown"), [(8e-17, 0.0), (1e-6, 1e-6), (None, 0.0)])
def test_rounding_is_no_scatter(deviation: float | None, shown: float) -> None:
    """The last digits of a float are shown as no deviation."""
    assert scatter(deviation, mean=1.0) == shown
