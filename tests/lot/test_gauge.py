"""Gauge studies from runs: the published study, run as journals, comes out as it is published."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import msgspec
import pytest

from benchrig.cli import main
from benchrig.records import LimitJudged, RunStarted, Verdict
from benchrig.statistics.study_order import study_plan
from tests.published import Figure
from tests.statistics.published_tables import gauge_readings
from tests.statistics.test_gauge_study import AIAG, MARK
from tests.statistics.test_gauge_variance import OWN
from tests.store.journals import records

from .lots import history_of, started_with

if TYPE_CHECKING:
    from pathlib import Path

    from benchrig.records import Record

    Tables = dict[str, list[dict[str, object]]]

LIMIT = "rail.voltage at 0"
RANGES = [
    Figure("EV of runs", AIAG, MARK, "repeatability (EV)", 0.20186),
    Figure("AV of runs", AIAG, MARK, "reproducibility (AV)", 0.22967),
    Figure("GRR of runs", AIAG, MARK, "gauge (GRR)", 0.30577),
    Figure("PV of runs", AIAG, MARK, "parts (PV)", 1.10460),
    Figure("TV of runs", AIAG, MARK, "total (TV)", 1.14613),
]
SQUARES = [
    Figure("SS parts of runs", OWN, "recomputed", "parts", 88.36193),
    Figure("SS appraisers of runs", OWN, "recomputed", "appraisers", 3.16726),
    Figure("SS interaction of runs", OWN, "recomputed", "interaction", 0.35898),
    Figure("SS error of runs", OWN, "recomputed", "error", 2.75893),
]


def published_runs() -> list[list[Record]]:
    """The published readings as runs: one for each, parts as boards, appraisers as operators."""
    runs = []
    for number, one in enumerate(sorted(gauge_readings(), key=lambda one: (one.trial, one.appraiser, one.part))):
        lines = records(
            board=f"HB-{int(one.part):04d}",
            minutes=10.0 * number,
            rail_v=(one.value,),
            verdict=Verdict.FAIL,
            lot="STUDY",
        )
        runs.append(started_with(lines, operator=f"operator {one.appraiser}"))
    return runs


@pytest.fixture(scope="module")
def history(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A history of the study."""
    return history_of(tmp_path_factory.mktemp("study"), published_runs())


def asked(capsys: pytest.CaptureFixture[str], history: Path, *words: str) -> Tables:
    """The study's tables."""
    given = ["--lot", "STUDY", "--limit", LIMIT, *words, "--json", "--history", str(history)]
    assert main(["history", "gauge", *given]) == 0
    found: Tables = json.loads(capsys.readouterr().out)
    return found


@pytest.mark.parametrize("figure", RANGES, ids=lambda figure: figure.id)
def test_averages_and_ranges(history: Path, capsys: pytest.CaptureFixture[str], figure: Figure[str, float]) -> None:
    """Each deviation of the published study, from runs of boards by operators."""
    rows = {row["what"]: row for row in asked(capsys, history)["averages and ranges"]}

    assert rows[figure.inputs]["value"] == pytest.approx(figure.expected, abs=2e-4), figure


@pytest.mark.parametrize("figure", SQUARES, ids=lambda figure: figure.id)
def test_analysis_of_variance(history: Path, capsys: pytest.CaptureFixture[str], figure: Figure[str, float]) -> None:
    """Each sum of squares of the published study."""
    rows = {row["source"]: row for row in asked(capsys, history)["analysis of variance"]}

    assert rows[figure.inputs]["sum of squares"] == pytest.approx(figure.expected, abs=6e-6), figure


def test_gauge_is_held_against_the_limits(history: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Six GRR by the width of the limits that the runs were held against, 0.2 V."""
    found = asked(capsys, history)
    rows = {row["what"]: row["value"] for row in found["averages and ranges"]}

    assert rows["6 GRR by the tolerance"] == pytest.approx(6.0 * float(str(rows["gauge (GRR)"])) / 0.2, rel=1e-9)
    assert {row["what"]: row["is"] for row in found["gauge study"]}["operators"] == "operator A, operator B, operator C"


def _without_operator(runs: list[list[Record]]) -> list[list[Record]]:
    return [started_with(runs[0], operator=""), *runs[1:]]


def _without_number(runs: list[list[Record]]) -> list[list[Record]]:
    return [
        [msgspec.structs.replace(one, value=None) if isinstance(one, LimitJudged) else one for one in runs[0]],
        *runs[1:],
    ]


@pytest.mark.parametrize(
    ("change", "limit", "said"),
    [
        (lambda runs: runs[1:], LIMIT, "has 0 readings; accepted: 1 in every cell"),
        (_without_operator, LIMIT, "1 runs name no operator"),
        (_without_number, LIMIT, "it has no number for this limit"),
        (lambda runs: runs, "rail.voltage at O", "nearest known: rail.voltage at 0"),
        (lambda runs: runs[:8], LIMIT, "1 appraisers; needed are 2 or more"),
    ],
    ids=["a run is missing", "no operator", "no number", "unknown limit", "one operator"],
)
def test_refused(tmp_path: Path, change: object, limit: str, said: str, capsys: pytest.CaptureFixture[str]) -> None:
    """A study that is none is refused by a sentence that names the cell, run or limit."""
    assert callable(change)
    history = history_of(tmp_path, change(published_runs()))

    assert main(["history", "gauge", "--lot", "STUDY", "--limit", limit, "--history", str(history)]) == 4

    assert said in capsys.readouterr().err


def test_plan_is_the_order_of_the_seed(capsys: pytest.CaptureFixture[str]) -> None:
    """Every board by every operator, equally often, in the order that the seed gives; the same for ever."""
    words = ["history", "gauge-plan", "--parts", "10", "--operators", "anna, ben", "--repeats", "3", "--seed", "4"]
    assert main([*words, "--json"]) == 0
    (steps,) = json.loads(capsys.readouterr().out).values()
    parts = [f"part {number:02d}" for number in range(1, 11)]

    assert [tuple(step.values()) for step in steps] == [
        tuple(step) for step in study_plan(parts, appraisers=["anna", "ben"], trials=3, seed=4)
    ]
    assert len({(step["part"], step["operator"], step["repeat"]) for step in steps}) == 60
    assert [step["part"] for step in steps[:10]] != parts


@pytest.mark.parametrize(
    ("parts", "operators", "repeats", "said"),
    [
        ("3", "a,b", "2", "3 parts; needed are 5 or more"),
        ("0", "a,b", "2", "--parts 0: accepted: a whole number up to 1000"),
        ("5", "a", "2", "1 operators; needed are 2 or more"),
        ("5", "a,,b", "2", "a name is empty"),
        ("5", "a,a", "2", "'a' is named twice"),
        ("5", "a,b", "1", "accepted: from 2 to 25"),
    ],
)
def test_plan_refused(parts: str, operators: str, repeats: str, said: str, capsys: pytest.CaptureFixture[str]) -> None:
    """Too small a study, or names that are none, is a sentence."""
    words = ["--parts", parts, "--operators", operators, "--repeats", repeats, "--seed", "1"]

    assert main(["history", "gauge-plan", *words]) == 4

    assert said in capsys.readouterr().err


def test_simulated_runs_are_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A study on a simulated bench says so."""
    runs = [
        [msgspec.structs.replace(one, simulated=True) if isinstance(one, RunStarted) else one for one in lines]
        for lines in published_runs()
    ]

    found = asked(capsys, history_of(tmp_path, runs))

    assert {row["what"]: row["is"] for row in found["gauge study"]}["bench kind"] == "simulated"
