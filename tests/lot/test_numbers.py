"""Whole runs of simulated boards: every number of the report is what the statistics say of the journals' own values."""

from __future__ import annotations

import csv
import io
import json
import subprocess
import sys
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pypdf
import pytest
from scipy import stats

from benchrig.cli import main
from benchrig.dossier.html import html_of
from benchrig.dossier.pdf import pdf_of
from benchrig.journal import read_journal
from benchrig.lot_report.build import SIMULATED
from benchrig.lot_report.figures_text import quantity, scatter
from benchrig.records import LimitJudged, RunFinished, RunStarted, Verdict
from benchrig.report.board_report import board_report
from benchrig.statistics.charts import individuals_charts
from benchrig.statistics.proportions import exact_share, lot_statement, wilson_share
from benchrig.statistics.tolerance import free_interval, normal_interval
from benchrig.statistics.trend import trend
from benchrig.statistics.weighted_charts import average_chart, sum_chart
from tests.dossier.made import bare, text_of_page, text_of_pages

from .lots import pages_of_lot
from .make_lot import LOT, boards_of, faults_of, make_lot

if TYPE_CHECKING:
    from pathlib import Path

    Tables = dict[str, list[dict[str, object]]]
    Limit = tuple[str, str]

FAULTS = ("pull_up_leak", "rail_low", "pull_up_leak")


@dataclass(frozen=True)
class Made:
    """A lot: its history, and its journals read by nothing of the history."""

    history: Path
    boards: tuple[str, ...]
    faulty: dict[str, str]
    verdicts: dict[str, list[Verdict]]
    firsts: dict[str, dict[Limit, float]]
    readings: list[dict[str, float]]

    def values(self, check: str, limit: str) -> list[float]:
        """Attempt 1's values in the order of time."""
        return [values[check, limit] for values in self.firsts.values() if (check, limit) in values]


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Made:
    """Twelve boards, three of them faulty, one of which was tested again without its fault."""
    folder = tmp_path_factory.mktemp("lot")
    boards = boards_of(12)
    faulty = faults_of(boards, FAULTS)
    place = make_lot(folder, boards, faults=faulty, again=list(faulty)[:1])
    history = folder / "history.sqlite"
    assert main(["history", "import", str(place.reports), "--history", str(history)]) == 0
    journals = [read_journal(path) for board in boards for path in place.journals(board)]
    journals.sort(key=lambda journal: next(one.utc for one in journal.records if isinstance(one, RunStarted)))
    verdicts: dict[str, list[Verdict]] = {}
    firsts: dict[str, dict[Limit, float]] = {}
    readings = []
    for journal in journals:
        report = board_report(journal)
        assert any(isinstance(one, RunFinished) for one in journal.records)
        verdicts.setdefault(report.board, []).append(report.verdict.verdict)
        readings.append({one.name: one.value for check in report.checks for one in check.readings if one.value})
        if report.board not in firsts:
            judged = [one for check in report.checks for one in check.judged if isinstance(one, LimitJudged)]
            firsts[report.board] = {}
            for one in judged:
                if one.value is not None:
                    firsts[report.board].setdefault((one.check, one.limit.partition(", at ")[0]), one.value)
    return Made(history, tuple(boards), faulty, verdicts, firsts, readings)


@pytest.fixture(scope="module")
def tables(made: Made) -> Tables:
    """All tables, as JSON."""
    return asked(made, "--json")


def asked(made: Made, *words: str) -> Tables:
    """The command's answer as JSON."""
    found: Tables = json.loads(said(made, *words))
    return found


def said(made: Made, *words: str) -> str:
    """What the command says of the lot."""
    command = [sys.executable, "-m", "benchrig", "history", "lot", LOT, *words, "--history", str(made.history)]
    found = subprocess.run(command, check=False, capture_output=True, text=True, timeout=60)
    assert found.returncode == 0, found.stderr
    return found.stdout


def test_yields_are_those_of_the_journals(made: Made, tables: Tables) -> None:
    """First-pass yield by attempt 1, final yield by the last one, each with both intervals."""
    first, final = tables["yield"]
    passed = [sum(verdicts[at] is Verdict.PASS for verdicts in made.verdicts.values()) for at in (0, -1)]
    total = len(made.verdicts)

    assert passed == [9, 10]
    for row, count in ((first, passed[0]), (final, passed[1])):
        exact, wilson = exact_share(count, total=total), wilson_share(count, total=total)
        assert (row["passed"], row["boards"], row["share"]) == (count, total, count / total)
        assert (row["exact low"], row["exact high"]) == (exact.low, exact.high)
        assert (row["Wilson low"], row["Wilson high"]) == (wilson.low, wilson.high)


def test_exact_interval_is_that_of_another_library(tables: Tables) -> None:
    """The first-pass interval, by scipy's exact binomial test."""
    first = tables["yield"][0]
    assert isinstance(first["passed"], int)
    theirs = stats.binomtest(first["passed"], 12).proportion_ci(0.95, method="exact")

    assert first["exact low"] == pytest.approx(theirs.low, rel=1e-9)
    assert first["exact high"] == pytest.approx(theirs.high, rel=1e-9)


def test_failing_checks_are_those_that_were_planted(made: Made, tables: Tables) -> None:
    """Two boards leak in sleep and one has a low rail: that is the order of the checks, and the first is so on both."""
    found = {row["check"]: row["boards"] for row in tables["failing checks"]}

    assert tables["failing checks"][0]["boards"] == 2
    assert found["floor_current"] == 2
    assert found["rail"] == 1
    assert {board for board, verdicts in made.verdicts.items() if verdicts[0] is Verdict.FAIL} == {*made.faulty}


def test_every_limit_has_the_figures_of_its_values(made: Made, tables: Tables) -> None:
    """n, mean, s, extremes and share outside of every limit, by numpy from the journals' values."""
    limits = {limit for values in made.firsts.values() for limit in values}

    assert {(row["check"], row["limit"]) for row in tables["limits"]} == limits
    assert len(limits) >= 35
    for row in tables["limits"]:
        values = np.array(made.values(str(row["check"]), str(row["limit"])))
        low, high = row["low"], row["high"]
        outside = sum(not (low is None or one >= low) or not (high is None or one <= high) for one in values)
        assert row["n"] == values.size
        assert row["mean"] == pytest.approx(values.mean(), rel=1e-12, abs=1e-15)
        assert row["min"] == values.min()
        assert row["max"] == values.max()
        assert row["s"] == pytest.approx(values.std(ddof=1), rel=1e-6, abs=1e-15)
        assert row["outside"] == outside
        assert row["share outside"] == exact_share(outside, total=values.size).value


def test_tolerance_interval_of_a_limit(made: Made, tables: Tables) -> None:
    """Normal theory where the values do not contradict it, and a sentence where nothing can be said."""
    told = 0
    for row in tables["capability"]:
        values = made.values(str(row["check"]), str(row["limit"]))
        side = "both" if row["low"] is not None and row["high"] is not None else "high" if row["low"] is None else "low"
        if row["method"] == "normal":
            found = normal_interval(values, side=side)
            assert (row["tolerance low"], row["tolerance high"]) == (found.low, found.high)
            assert found.proven
            told += 1
        else:
            assert (row["tolerance low"], row["tolerance high"]) == (None, None)
            reasons = [
                str(one["why"]) for one in tables["not said"] if f"{row['check']}.{row['limit']}" in str(one["of"])
            ]
            assert any("tolerance interval" in why for why in reasons)
            with pytest.raises(ValueError, match=r"needed|values are|all"):
                free_interval(values, side=side)
    assert told >= 10


def test_no_index_from_twelve_boards(tables: Tables) -> None:
    """Ppk needs 25 values: none is told, and the page says why."""
    assert all(row["Ppk"] is None for row in tables["capability"])
    assert any("capability: 12 values say too little" in str(row["why"]) for row in tables["not said"])


def test_charts_are_those_of_the_values(made: Made, tables: Tables) -> None:
    """Signals of all four charts, each by its rule, for the three limits that are charted."""
    charted = {(str(row["check"]), str(row["limit"])) for row in tables["chart points"]}
    assert len(charted) == 3
    assert ("floor_current", "floor") in charted
    for check, limit in charted:
        values = made.values(check, limit)
        pair = individuals_charts(values)
        target, sigma = pair.location.centre.value, pair.location.sigma.value
        wanted = {("single values", one.number, one.rule.value) for one in pair.location.signals}
        wanted |= {("moving range", one.number + 1, one.rule.value) for one in pair.dispersion.signals}
        average = average_chart(values, target=target, sigma=sigma)
        wanted |= {("weighted average", one.number, one.rule.value) for one in average.signals}
        sums = sum_chart(values, target=target, slack=0.5 * sigma, limit=5.0 * sigma)
        wanted |= {("cumulative sum", one.number, one.rule.value) for one in sums.signals}
        found = [row for row in tables["signals"] if (row["check"], row["limit"]) == (check, limit)]

        assert {(row["chart"], row["point"], row["rule"]) for row in found} == wanted
        assert all(row["value"] == values[int(str(row["point"])) - 1] for row in found)


def test_contact_resistance_is_that_of_the_readings(made: Made, tables: Tables) -> None:
    """Each seating's resistance from two readings of its journal, and the trend over them."""
    ohm = [(3.7 - one["battery at 3.70 V"]) / one["current at 3.70 V, load on"] for one in made.readings]
    found = trend([float(number) for number in range(1, len(ohm) + 1)], y=ohm)
    (row,) = tables["contact fixtures"]

    assert [one["ohm"] for one in tables["seatings"]] == pytest.approx(ohm, rel=1e-12)
    assert row["ohm per seating"] == found.slope.value
    assert (row["low"], row["high"]) == (found.slope.low, found.slope.high)


def test_page_and_pdf_show_the_same_numbers(made: Made, tables: Tables) -> None:
    """Every mean, extreme and deviation, both yields and the sentence of the lot stand in both forms."""
    pages = pages_of_lot(made.history, LOT)
    for text in (text_of_page(html_of(pages)), text_of_pages(pdf_of(pages))):
        assert bare(lot_statement(3, boards=12)) in text
        assert bare("9 of 12 boards passed first time, 10 of 12 finally") in text
        for row in tables["limits"]:
            mean, s = row["mean"], row["s"]
            assert isinstance(mean, float)
            assert isinstance(s, float)
            deviation = scatter(s, mean=mean)
            for name in ("mean", "min", "max", "s"):
                value = row[name]
                assert isinstance(value, float)
                value = deviation if name == "s" else value
                assert bare(quantity(value, str(row["unit"]), deviation=deviation)) in text
            assert bare(f"{row['check']}: {row['limit']}") in text


def test_every_page_says_simulated(made: Made) -> None:
    """Big, on top, and on each page of the PDF."""
    pages = pages_of_lot(made.history, LOT)
    html = html_of(pages).decode()

    assert html.index(SIMULATED) < html.index("<h1>")
    for page in pypdf.PdfReader(io.BytesIO(pdf_of(pages))).pages:
        assert "SIMULATED" in page.extract_text()


@pytest.mark.parametrize(
    "title", ["lot", "yield", "failing checks", "limits", "capability", "signals", "values", "not said"]
)
def test_each_table_as_csv(made: Made, tables: Tables, title: str) -> None:
    """The same rows as in JSON, under the same columns."""
    rows = list(csv.DictReader(io.StringIO(said(made, "--csv", "--part", title))))

    assert len(rows) == len(tables[title])
    for row, other in zip(rows, tables[title], strict=True):
        assert [*row] == [*other]
        for name, cell in row.items():
            value = other[name]
            assert cell == ("" if value is None else str(value)) or cell == f"'{value}"
