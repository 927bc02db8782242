"""From what a test does to the verdict of the board and the exit code. Absence is not success."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from benchrig.records import CheckFinished, LimitJudged, RunFinished, RunState, Verdict

from .runs import BOARD

if TYPE_CHECKING:
    from pathlib import Path

    from .production_runs import ProductionRuns
    from .runs import Finished, Place

PASSED, NOT_PASSED, INCOMPLETE, BENCH_ERROR = 0, 10, 11, 12

TWO = """
@pytest.mark.check("blink", needs=[])
def test_blink(measure):
    measure("level", {level}, unit="V")

@pytest.mark.check("hum", needs=[])
def test_hum(measure):
    measure("level", 3.0, unit="V")
"""
LIMIT = '= {{ unit = "V", low = 1.0, high = 5.0, source = "invented", rule = "{rule}" }}'
LIMITS = "".join(f"[limits.{check}]\nlevel {LIMIT.format(rule='guarded')}\n" for check in ("blink", "hum"))


def run_own(place: Place, addresses: Path, text: str, *options: str | Path, limits: str = LIMITS) -> Finished:
    """Run an own suite whose checks `blink` and `hum` are required."""
    suite = place.suite(text)
    profile = place.profile(required=["blink", "hum"], limits=limits)
    simulation = ["--bench-profile", str(profile), "--bench-simulation", str(addresses)]
    return place.run(suite, *place.on_bench(*simulation, *options))


def verdicts(place: Place, board: str = BOARD) -> dict[str, Verdict]:
    """What the newest journal says of each check."""
    return {record.check: record.verdict for record in place.records(board) if isinstance(record, CheckFinished)}


def whys(place: Place, check: str) -> str:
    """Why a check did not pass."""
    return next(record.why for record in place.records() if isinstance(record, CheckFinished) and record.check == check)


def test_pass(place: Place, addresses: Path) -> None:
    """Every required check passed: exit code 0, a report without failures, the output off."""
    found = run_own(place, addresses, TWO.format(level=3.0))

    end = place.records()[-1]
    assert found.code == PASSED, found.text
    assert verdicts(place) == {"blink": Verdict.PASS, "hum": Verdict.PASS}
    assert (place.report().is_a_pass, place.report().state) == (True, "complete")
    assert isinstance(end, RunFinished)
    assert (end.state, end.output_off) == (RunState.COMPLETE, "off: switched off and read back")


def test_fail(place: Place, addresses: Path) -> None:
    """A violated limit: exit code 10, the value and the limit in the failure, the next check still runs."""
    found = run_own(place, addresses, TWO.format(level=7.5))

    assert found.code == NOT_PASSED, found.text
    assert verdicts(place) == {"blink": Verdict.FAIL, "hum": Verdict.PASS}
    assert "blink: fail: level: 7.500 V is above the high limit 5.000 V" in " ".join(found.out.split())
    assert f"{BOARD}: NOT PASSED (fail): blink (simulated bench)" in found.out
    assert place.report().outcomes["blink"] == "fail"


def test_undecided(place: Place, addresses: Path) -> None:
    """A value in the guard band of a limit is undecided, and that does not pass."""
    text = TWO.format(level="4.9, standard_uncertainty=0.1")

    found = run_own(place, addresses, text)

    assert found.code == NOT_PASSED, found.text
    assert verdicts(place)["blink"] is Verdict.UNDECIDED
    assert place.report().outcomes["blink"] == "undecided"


def test_next_action_of_the_worst(place: Place, addresses: Path) -> None:
    """The failure text tells the next action of what failed, not of what is merely undecided."""
    doubtful = "4.9, standard_uncertainty=0.1, at='first', next_action='buy a better meter'"
    wrong = '    measure("level", 9.0, unit="V", next_action="tighten it")\n'
    first, second, third = TWO.format(level=doubtful).partition('\n@pytest.mark.check("hum"')

    found = run_own(place, addresses, first + wrong + second + third)

    failure = found.out.split("= FAILURES =")[1].split("= boards =")[0]
    assert "next: tighten it" in failure
    assert "next: buy a better meter" not in failure


def test_limit_that_was_not_judged(place: Place, addresses: Path) -> None:
    """A check that forgets a value which the profile limits is undecided and names it."""
    limits = (
        f"[limits.hum]\nlevel {LIMIT.format(rule='simple')}\nblare {LIMIT.format(rule='simple')}\n"
        + LIMITS.split("[limits.hum]")[0]
    )

    found = run_own(place, addresses, TWO.format(level=3.0), limits=limits)

    assert found.code == NOT_PASSED, found.text
    assert "blare: the profile limits this value and the check never measured it" in whys(place, "hum")


@pytest.mark.parametrize("rule", ["simple", "guarded"])
@pytest.mark.parametrize("value", ["float('nan')", "float('inf')", "None"])
def test_no_number_never_passes(place: Place, addresses: Path, rule: str, value: str) -> None:
    """A value that is no finite number is undecided under every decision rule."""
    limits = "".join(f"[limits.{check}]\nlevel {LIMIT.format(rule=rule)}\n" for check in ("blink", "hum"))

    found = run_own(place, addresses, TWO.format(level=value), limits=limits)

    assert found.code == NOT_PASSED, found.text
    assert verdicts(place)["blink"] is Verdict.UNDECIDED


def test_own_marker_less_test(place: Place, addresses: Path) -> None:
    """A test without a marker is the check of its own name; one that is not required cannot complete a board."""
    text = (
        TWO.format(level=3.0)
        + "\ndef test_extra(measure):\n    measure.fact('a', expected='b', seen='b', holds=True)\n"
    )

    found = run_own(place, addresses, text)
    without = run_own(place, addresses, text, "-k", "extra")

    assert found.code == PASSED, found.text
    assert "extra: extra" not in found.out
    assert without.code == INCOMPLETE
    assert verdicts(place) == {"extra": Verdict.PASS}


ENDS = [
    pytest.param(
        "pytest.skip('no siren fitted')", Verdict.NOT_RUN, "the test skipped itself: no siren fitted", id="skip"
    ),
    pytest.param("assert 1 == 2, 'sums'", Verdict.FAIL, "the test itself failed: sums", id="assert"),
    pytest.param("raise ValueError('odd')", Verdict.BENCH_ERROR, "broke, which says nothing about", id="raise"),
    pytest.param("raise SystemExit(0)", Verdict.BENCH_ERROR, "about the board: SystemExit(0)", id="exit"),
    pytest.param("pytest.fail('by hand')", Verdict.FAIL, "the test itself failed: by hand", id="fail"),
    pytest.param("pytest.xfail('known')", Verdict.FAIL, "the test itself failed", id="xfail"),
]


@pytest.mark.parametrize("judged_first", [True, False], ids=["after a value", "at once"])
@pytest.mark.parametrize(("ends", "verdict", "why"), ENDS)
def test_ended_by_the_test(
    place: Place, addresses: Path, ends: str, verdict: Verdict, why: str, *, judged_first: bool
) -> None:
    """A test that skips itself is not run, one that asserts fails, one that breaks proves nothing; never a pass."""
    level = '    measure("level", 3.0, unit="V")\n'
    text = TWO.format(level=3.0).replace(level, f"{level if judged_first else ''}    {ends}\n", 1)

    found = run_own(place, addresses, text)

    codes = {Verdict.NOT_RUN: INCOMPLETE, Verdict.FAIL: NOT_PASSED, Verdict.BENCH_ERROR: BENCH_ERROR}
    assert found.code == codes[verdict], found.text
    assert verdicts(place) == {"blink": verdict, "hum": Verdict.PASS}
    assert why in whys(place, "blink")
    assert not place.report().is_a_pass


def test_failed_value_then_skip(place: Place, addresses: Path) -> None:
    """A test that skips itself after a violated limit does not undo the limit."""
    text = TWO.format(level=7.5).replace('7.5, unit="V")', '7.5, unit="V")\n    pytest.skip("enough")')

    found = run_own(place, addresses, text)

    assert found.code == NOT_PASSED, found.text
    assert verdicts(place)["blink"] is Verdict.FAIL


MARKS = [
    pytest.param("@pytest.mark.skip(reason='later')", Verdict.NOT_RUN, INCOMPLETE, id="skip mark"),
    pytest.param("@pytest.mark.skipif(True, reason='later')", Verdict.NOT_RUN, INCOMPLETE, id="skipif mark"),
    pytest.param("@pytest.mark.xfail(run=False)", Verdict.FAIL, NOT_PASSED, id="xfail without running"),
    pytest.param("@pytest.mark.xfail", Verdict.FAIL, NOT_PASSED, id="xfail"),
]


@pytest.mark.parametrize(("mark", "verdict", "code"), MARKS)
def test_marks_of_pytest_hide_nothing(place: Place, addresses: Path, mark: str, verdict: Verdict, code: int) -> None:
    """A required check under a skip or xfail mark leaves its board incomplete or failed, whatever pytest counts."""
    text = TWO.format(level=7.5).replace('@pytest.mark.check("blink"', f'{mark}\n@pytest.mark.check("blink"')

    found = run_own(place, addresses, text)

    assert found.code == code, found.text
    assert verdicts(place)["blink"] is verdict
    assert verdicts(place)["hum"] is Verdict.PASS


def test_fixture_that_fails(place: Place, addresses: Path) -> None:
    """A fixture of the test that raises ends the check with its text, charged to nobody's board."""
    text = TWO.format(level=3.0).replace("test_blink(measure)", "test_blink(measure, lamp)")
    text += "\n@pytest.fixture\ndef lamp():\n    raise RuntimeError('no bulb')\n"

    found = run_own(place, addresses, text)

    assert found.code == BENCH_ERROR, found.text
    assert whys(place, "blink").endswith("which says nothing about the board: RuntimeError('no bulb')")
    assert verdicts(place)["hum"] is Verdict.PASS


def test_bench_error_in_a_fixture(place: Place, addresses: Path) -> None:
    """A bench error in a fixture is charged to the bench, and nothing after it is run."""
    text = "from benchrig.errors import InstrumentLost\n" + TWO.format(level=3.0).replace(
        "(measure)", "(measure, lamp)", 1
    )
    text += "\n@pytest.fixture\ndef lamp():\n    raise InstrumentLost('meter at 5: gone; look at its cable')\n"

    found = run_own(place, addresses, text)

    assert found.code == BENCH_ERROR, found.text
    assert verdicts(place) == {"blink": Verdict.BENCH_ERROR, "hum": Verdict.NOT_RUN}
    assert "the bench failed in blink" in whys(place, "hum")


def test_board_error_is_charged_to_the_board(place: Place, addresses: Path) -> None:
    """An error of the board is a fail of the board; the checks after it still run."""
    text = TWO.format(level=3.0).replace(
        '    measure("level", 3.0', "    raise BoardTimeout('board: no answer')\n    measure(\"level\", 3.0", 1
    )

    found = run_own(place, addresses, "from benchrig.errors import BoardTimeout\n" + text)

    assert found.code == NOT_PASSED, found.text
    assert verdicts(place) == {"blink": Verdict.FAIL, "hum": Verdict.PASS}
    assert whys(place, "blink") == "board: no answer"


def test_teardown_that_fails(place: Place, addresses: Path) -> None:
    """A fixture that fails on its way out takes nothing from the board's record, and the exit code is not 0."""
    text = TWO.format(level=3.0).replace("test_blink(measure)", "test_blink(measure, lamp)")
    text += "\n@pytest.fixture\ndef lamp():\n    yield\n    raise RuntimeError('bulb stuck')\n"

    found = run_own(place, addresses, text)

    assert found.code == 1, found.text
    assert place.report().is_a_pass


def test_other_test_that_fails(place: Place, addresses: Path) -> None:
    """A failing test without a board leaves the board's pass alone, and the exit code is pytest's own."""
    found = run_own(place, addresses, TWO.format(level=3.0) + "\ndef test_sum():\n    assert 1 + 1 == 3\n")

    assert found.code == 1, found.text
    assert f"{BOARD}: PASS" in found.out


SELECTIONS = [
    pytest.param(["-k", "hum"], id="-k"),
    pytest.param(["--deselect", "test_own.py::test_blink[HB-0001]"], id="--deselect"),
    pytest.param(["-m", "check and not board_use"], id="-m that takes nothing"),
    pytest.param(["-k", "nothing_of_that_name"], id="nothing collected"),
]


@pytest.mark.parametrize("options", SELECTIONS)
def test_deselected_checks(place: Place, addresses: Path, options: list[str]) -> None:
    """A required check that was not selected leaves the board incomplete: exit code 11, never 0 or 5."""
    found = run_own(place, addresses, TWO.format(level=3.0), *options)

    assert found.code == INCOMPLETE, found.text
    assert f"{BOARD}: INCOMPLETE" in found.out


def test_deselected_check_is_named(place: Place, addresses: Path) -> None:
    """What was not selected is named on the terminal, and is a failure of its own in the report."""
    found = run_own(place, addresses, TWO.format(level=3.0), "-k", "hum")

    assert f"{BOARD}: INCOMPLETE (not run: blink) (simulated bench)" in found.out
    assert place.report().outcomes["blink"] == "not run"
    assert place.report().failures > 0


def test_stop_after_the_first_failure(place: Place, addresses: Path) -> None:
    """-x after a failure: the failure counts more than what was not run, and both are said."""
    found = run_own(place, addresses, TWO.format(level=7.5), "-x")

    assert found.code == NOT_PASSED, found.text
    assert verdicts(place) == {"blink": Verdict.FAIL}
    assert f"{BOARD}: NOT PASSED (fail): blink; not run: hum" in found.out


def test_all_tests_skipped(place: Place, addresses: Path) -> None:
    """A suite that skips everything leaves the board incomplete, though pytest itself would be content."""
    found = run_own(place, addresses, "pytestmark = [pytestmark, pytest.mark.skip]\n" + TWO.format(level=3.0))

    assert "2 skipped" in found.out
    assert found.code == INCOMPLETE, found.text


def test_suite_that_cannot_be_read(place: Place, addresses: Path) -> None:
    """A suite with a syntax error tests nothing: incomplete."""
    found = run_own(place, addresses, "def test_blink(:\n")

    assert found.code == INCOMPLETE, found.text
    assert f"{BOARD}: INCOMPLETE (no check of it began)" in found.out


def test_use_without_required_checks(place: Place, addresses: Path) -> None:
    """A use for which the profile requires nothing proves nothing."""
    text = "pytestmark = pytest.mark.board_use('nightly')\n" + TWO.format(level=3.0)

    found = run_own(place, addresses, text)

    assert found.code == INCOMPLETE, found.text
    assert "no check is required, so nothing can be proven" in found.out


def test_test_that_ends_pytest(place: Place, addresses: Path) -> None:
    """pytest.exit in a test interrupts the run: the check is left open, nobody is blamed."""
    text = TWO.format(level=3.0).replace('    measure("level", 3.0, unit="V")\n', "    pytest.exit('lunch')\n", 1)

    found = run_own(place, addresses, text)

    assert found.code == INCOMPLETE, found.text
    assert verdicts(place) == {}
    assert (place.report().state, place.report().is_a_pass) == ("interrupted", False)
    assert place.report().properties["run.board"] == BOARD


def test_values_reach_the_report(place: Place, addresses: Path) -> None:
    """Value, unit and limits of the profile stand in the journal and in the report, as judged."""
    run_own(place, addresses, TWO.format(level=3.25))

    (judged,) = [r for r in place.records() if isinstance(r, LimitJudged) and r.check == "blink"]
    assert (judged.value, judged.unit, judged.low, judged.high) == (3.25, "V", 1.0, 5.0)
    assert place.report().properties["blink.level.value"] == "3.25"


def test_rail_fault(production_runs: ProductionRuns) -> None:
    """The production check of a board with a low rail: exit code 10."""
    found = production_runs.of("rail_low").found

    assert found.code == NOT_PASSED, found.text
    assert f"{BOARD}: NOT PASSED (fail): rail" in found.out


def test_bench_fault(production_runs: ProductionRuns) -> None:
    """The production check on a bench with another supply than its file names: exit code 12, checked nothing."""
    run = production_runs.of("wrong_serial")
    place, found = run.place, run.found

    assert found.code == BENCH_ERROR, found.text
    assert f"{BOARD}: BENCH ERROR: the run proves nothing about the board" in found.out
    assert set(verdicts(place).values()) == {Verdict.BENCH_ERROR, Verdict.NOT_RUN}
