"""What a run leaves behind: a JUnit report for each board, pytest's own beside it, and a quiet terminal under -q."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import junitparser
import pytest
from lxml import etree

from benchrig.board.profile import read_board_profile
from benchrig.records import CheckFinished, LimitJudged, RunFinished, Verdict

from .runs import ALL_PLUGINS, BOARD, PRODUCTION, PROFILE

if TYPE_CHECKING:
    from pathlib import Path

    from .production_runs import ProductionRuns
    from .runs import Place

QUICK = ("--bench-scale", "16")
REQUIRED = len(read_board_profile(PROFILE).required["production"])

OUTCOMES = [
    pytest.param("", 0, (REQUIRED + 1, 0, 0), "pass", id="pass"),
    pytest.param("rail_low", 10, (REQUIRED + 1, 1, 0), "fail", id="fail"),
    pytest.param("wrong_serial", 12, (REQUIRED + 1, REQUIRED - 1, 1), "bench error", id="bench error"),
]


@pytest.mark.parametrize(("fault", "code", "counts", "verdict"), OUTCOMES)
def test_report_of_the_board(
    production_runs: ProductionRuns, fault: str, code: int, counts: tuple[int, int, int], verdict: str
) -> None:
    """The board's report keeps the published rules, and three readers count the same as the journal says."""
    run = production_runs.of(fault)
    place, found = run.place, run.found

    report = place.report()
    ended = [record for record in place.records() if isinstance(record, CheckFinished)]
    assert found.code == code, found.text
    assert (report.tests, report.failures, report.errors) == counts
    assert (report.state, report.properties["run.verdict"]) == ("complete", verdict)
    assert {record.check: record.verdict.value for record in ended} == {
        name: outcome or "pass" for name, outcome in report.outcomes.items() if name != "run complete"
    }


def test_pytests_own_report(place: Place) -> None:
    """--junitxml works beside it, one case for a check, with the judged values as properties."""
    own = place.folder / "own.xml"

    found = place.run(PRODUCTION, *place.on_bench(*QUICK, "--junitxml", own))

    (suite,) = junitparser.JUnitXml.fromfile(str(own))
    values = {one.get("name"): one.get("value") for one in etree.parse(str(own)).getroot().iter("property")}
    assert found.code == 0, found.text
    assert (suite.tests, suite.failures, suite.errors, suite.skipped) == (REQUIRED, 0, 0, 0)
    judged = [record for record in place.records() if isinstance(record, LimitJudged)]
    assert len(judged) > REQUIRED
    for record in judged:
        assert float(values[f"{record.check}.{record.limit} [{record.unit}]"] or "nan") == record.value
    assert values["rail.verdict"] == "pass"


def test_quiet_run(place: Place) -> None:
    """Under -q a passed board is the line of its verdict and two paths, beside pytest's own two lines."""
    found = place.run(PRODUCTION, "-q", *place.on_bench(*QUICK))

    lines = [line for line in found.out.splitlines() if line.strip()]
    assert found.code == 0, found.text
    assert lines[0].split() == ["." * REQUIRED, "[100%]"]
    passed = rf"{BOARD}: PASS, {REQUIRED} of {REQUIRED} required checks; \d+ things not proven, named in the report"
    assert re.fullmatch(rf"{passed} \(simulated bench\)", lines[1])
    assert lines[2:4] == [f"report:  {place.reports / f'{BOARD}.xml'}", f"journal: {place.journals()[0]}"]
    assert re.fullmatch(rf"plots:   [\w., -]+ in {re.escape(str(place.journals()[0].with_suffix('')))}", lines[4])
    assert re.fullmatch(rf"{REQUIRED} passed(?:, 3 deselected)? in \d+\.\d+s", lines[5])
    assert len(lines) == 6
    assert found.err == ""


def test_table_of_the_board(production_runs: ProductionRuns) -> None:
    """Without -q a section shows each check with what was measured, its limits and its verdict."""
    found = production_runs.of("").found

    section = found.out.split(" boards ===")[1]
    assert re.search(r"rail: 3.3 V rail over the battery range, under load +pass +\d", section)
    assert re.search(r"voltage at 3\.60 V +\(3\.29\d+ ± 0\.0\d+\) V +3\.201 V to 3\.399 V +guarded +pass", section)
    assert "output after the run: off: switched off and read back" in section
    assert "\x1b" not in found.out


def test_two_boards(place: Place) -> None:
    """Two boards are run one after the other, and each has its own journal and report; one fails alone."""
    found = place.run(
        PRODUCTION, "-v", *place.on_bench(*QUICK, "--bench-fault", "2:rail_low", boards=["1=HB-0001", "2=HB-0002"])
    )

    assert found.code == 10, found.text
    order = re.findall(r"::test_\w+\[(HB-\d+)\] (?:PASSED|FAILED)", found.out)
    assert order == ["HB-0001"] * REQUIRED + ["HB-0002"] * REQUIRED
    assert (place.report("HB-0001").is_a_pass, place.report("HB-0002").is_a_pass) == (True, False)
    assert place.report("HB-0002").outcomes["rail"] == "fail"
    assert [place.started(board).slot for board in ("HB-0001", "HB-0002")] == ["1", "2"]
    first_end, second_start = place.records("HB-0001")[-1], place.started("HB-0002")
    assert isinstance(first_end, RunFinished)
    assert first_end.utc <= second_start.utc


def test_boards_in_the_order_of_slots(place: Place, addresses: Path) -> None:
    """Whatever order another plugin brings the tests into, one board is finished before the next begins."""
    place.write(
        "conftest.py", "def pytest_collection_modifyitems(items):\n    items[:] = [*items[1::2], *items[::2]][::-1]\n"
    )
    place.write("level", "3.0")

    found = place.run(*own(place), *place.on_bench("--bench-simulation", addresses, boards=["1=HB-0001", "2=HB-0002"]))

    ends = [place.records(board)[-1] for board in ("HB-0001", "HB-0002")]
    assert found.code == 0, found.text
    assert isinstance(ends[0], RunFinished)
    assert isinstance(ends[1], RunFinished)
    assert ends[0].utc <= place.started("HB-0002").utc <= ends[1].utc


OWN = """
import pathlib

@pytest.mark.check("blink", needs=[])
def test_blink(measure):
    measure("level", float(pathlib.Path("level").read_text()), unit="V")

@pytest.mark.check("hum", needs=[])
def test_hum(measure):
    measure.fact("hums", expected="yes", seen="yes", holds=True)
"""
LEVEL = '[limits.blink]\nlevel = { unit = "V", low = 1.0, high = 5.0, source = "invented", rule = "simple" }\n'


def own(place: Place) -> list[str]:
    """An own suite whose first check reads its value from a file."""
    profile = place.profile(required=["blink", "hum"], limits=LEVEL)
    return [str(place.suite(OWN)), "--bench-profile", str(profile)]


def test_second_board_never_begun(place: Place, addresses: Path) -> None:
    """A board that was named and whose tests were not chosen is named at the end and makes the run incomplete."""
    place.write("level", "3.0")
    boards = place.on_bench("--bench-simulation", addresses, boards=["1=HB-0001", "2=HB-0002"])

    found = place.run(*own(place), "-q", "-k", "HB-0001", *boards)

    assert found.code == 11, found.text
    assert "HB-0001: PASS" in found.out
    assert "HB-0002: INCOMPLETE (no check of it began)" in found.out
    assert not (place.reports / "HB-0002.xml").exists()


def test_last_failed(place: Place, addresses: Path) -> None:
    """--lf runs the failed check again alone: it passes, and the board stays incomplete until all have run."""
    place.options = ()  # with pytest's cache, in which it keeps what failed
    arguments = [*own(place), *place.on_bench("--bench-simulation", addresses)]
    place.write("level", "7.0")
    first = place.run(*arguments)
    place.write("level", "3.0")

    again = place.run(*arguments, "--lf")

    assert first.code == 10, first.text
    assert again.code == 11, again.text
    assert "1 passed" in again.out
    assert f"{BOARD}: INCOMPLETE (not run: hum)" in again.out


@pytest.mark.parametrize("level", ["3.0", "7.0"])
@pytest.mark.parametrize("workers", [("-n", "1"), ("-n", "0"), ("--tx", "popen", "--dist", "load")], ids=" ".join)
def test_one_worker(place: Place, addresses: Path, workers: tuple[str, ...], level: str) -> None:
    """With one xdist worker, or none, exit code, summary, report and values are those of a plain run."""
    place.write("level", level)
    arguments = [*own(place), "-q", *place.on_bench("--bench-simulation", addresses)]

    plain = place.run(*arguments)
    values = [(r.limit, r.value) for r in place.records() if isinstance(r, LimitJudged)]
    found = place.run(*arguments, *workers, env=ALL_PLUGINS)

    assert found.code == plain.code == (0 if level == "3.0" else 10), found.text
    assert [line for line in found.out.splitlines() if line.startswith(BOARD)] == [
        line for line in plain.out.splitlines() if line.startswith(BOARD)
    ]
    assert f"journal: {place.journals()[-1]}" in found.out
    assert [(r.limit, r.value) for r in place.records() if isinstance(r, LimitJudged)] == values
    assert len(place.journals()) == 2


@pytest.mark.parametrize("workers", [("-n", "2"), ("--tx", "2*popen", "--dist", "load")], ids=" ".join)
def test_more_workers_than_benches(place: Place, workers: tuple[str, ...]) -> None:
    """Two workers for one slot are refused in one sentence that says what is accepted."""
    place.write("level", "3.0")

    found = place.run(*own(place), *place.on_bench(*workers), env=ALL_PLUGINS)

    assert found.code == 4, found.text
    assert "this run has 1 slot that share no instrument" in found.err
    assert "accepted: -n 1" in found.err
    assert not place.reports.exists()


def test_worker_that_dies(place: Place, addresses: Path) -> None:
    """A worker that is killed in a check leaves its board incomplete, never passed."""
    text = OWN.replace("    measure.fact", "    import os\n    os.kill(os.getpid(), 9)\n    measure.fact")
    place.write("level", "3.0")
    arguments = own(place)
    place.suite(text)

    alone = ("-n1", "--max-worker-restart=0")
    found = place.run(*arguments, *place.on_bench("--bench-simulation", addresses), *alone, env=ALL_PLUGINS)

    assert found.code == 11, found.text
    assert f"{BOARD}: INCOMPLETE" in found.out
    assert not place.report().is_a_pass


def test_without_a_terminal_plugin(place: Place, addresses: Path) -> None:
    """-p no:terminal: nothing is shown, everything is written, and the exit code is the same."""
    place.write("level", "7.0")

    found = place.run(*own(place), *place.on_bench("--bench-simulation", addresses), "-p", "no:terminal")

    assert found.code == 10, found.text
    assert "Traceback" not in found.text
    assert place.report().outcomes["blink"] == "fail"


def test_journal_that_vanished(place: Place, addresses: Path) -> None:
    """A journal that somebody removed during the run is a bench error in one sentence, not a crash of the run."""
    text = OWN.replace(
        "    measure.fact", "    next(pathlib.Path('reports').rglob('*.jsonl')).unlink()\n    measure.fact"
    )
    place.write("level", "3.0")
    arguments = own(place)
    place.suite(text)

    found = place.run(*arguments, "-q", *place.on_bench("--bench-simulation", addresses))

    assert found.code == 12, found.text
    assert f"{BOARD}: BENCH ERROR: journal" in found.out
    assert "INTERNALERROR" not in found.text


def test_hash_of_the_suite(place: Place, addresses: Path) -> None:
    """The record holds the hashes of bench file, profile and suite; another suite text has another hash."""
    place.write("level", "3.0")
    arguments = [*own(place), *place.on_bench("--bench-simulation", addresses)]
    place.run(*arguments)
    first = place.started().sha256
    place.suite(OWN + "\n# changed\n")

    place.run(*arguments)

    second = place.started().sha256
    assert set(first) == {"bench file", "board profile", "suite"}
    assert {name for name in first if first[name] != second[name]} == {"suite"}
    assert Verdict.PASS.value == place.report().properties["run.verdict"]
