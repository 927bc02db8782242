"""What a journal says of a board: nothing that is missing, cut or damaged ever counts for it."""

from __future__ import annotations

from pathlib import Path

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchrig.journal import Journal, parse_journal
from benchrig.records import (
    CheckFinished,
    CheckStarted,
    FactJudged,
    Happening,
    LimitJudged,
    Record,
    RunFinished,
    RunStarted,
    RunState,
    Verdict,
    WaiverGranted,
)
from benchrig.report.board_report import BoardReport, board_report

SAMPLE = (Path(__file__).parent / "hay_barn_run.jsonl").read_bytes()
RECORDS = parse_journal(SAMPLE).records
REQUIRED = ("identity", "battery_sweep", "sleep_current", "siren")


def report_of(records: tuple[Record, ...]) -> BoardReport:
    """The report of undamaged records."""
    return board_report(Journal(records))


def ended(check: str, verdict: Verdict, *, why: str = "") -> tuple[Record, ...]:
    """The sample run in which one check ended otherwise."""
    return tuple(
        msgspec.structs.replace(record, verdict=verdict, why=why)
        if isinstance(record, CheckFinished) and record.check == check
        else record
        for record in RECORDS
    )


def judged_as(limit: str, verdict: Verdict) -> tuple[Record, ...]:
    """The sample run in which one limit was judged otherwise, though its check still says pass."""
    return tuple(
        msgspec.structs.replace(record, verdict=verdict, why="as judged")
        if isinstance(record, LimitJudged) and record.limit == limit
        else record
        for record in RECORDS
    )


def without(kind: type[Record], check: str = "") -> tuple[Record, ...]:
    """The sample run without the records of a kind (of one check)."""
    return tuple(
        record
        for record in RECORDS
        if not (isinstance(record, kind) and (not check or getattr(record, "check", "") == check))
    )


def test_complete_run() -> None:
    """A complete run in which every required check passed passes, and everything recorded is in its report."""
    report = report_of(RECORDS)

    assert (report.verdict.verdict, report.state, report.problems) == (Verdict.PASS, RunState.COMPLETE, ())
    assert report.passed
    assert report.simulated
    assert (report.board, report.required) == ("HB-0001", REQUIRED)
    assert [instrument.serial for instrument in report.instruments] == ["S1001", "S2002"]
    assert [check.name for check in report.checks] == list(REQUIRED)
    assert [len(check.judged) for check in report.checks] == [2, 2, 1, 1]
    assert [len(check.readings) for check in report.checks] == [0, 2, 1, 0]
    assert [check.duration_s for check in report.checks] == [0.75, 4.2, 12.0, 0.5]
    assert report.checks[1].title == "battery voltage over the range"
    assert [event.kind for event in report.checks[2].events] == ["repeated question"]
    assert report.phases_s == {
        "boot": 0.6,
        "console": 0.65,
        "settle": 5.0,
        "reading": 1.2,
        "recording": 10.0,
    }
    assert (report.duration_s, report.critical_path_s) == (18.5, 15.0)
    assert "output off" in report.output_off


@pytest.mark.parametrize("verdict", [v for v in Verdict if v not in (Verdict.PASS, Verdict.WAIVED)])
def test_required_check_that_did_not_pass(verdict: Verdict) -> None:
    """The board has the verdict of its worst required check, with the check's reason."""
    report = report_of(ended("siren", verdict, why="no sound"))

    assert report.verdict.verdict is verdict
    assert [(check.name, check.verdict, check.why) for check in report.not_passed] == [("siren", verdict, "no sound")]


def test_valid_waiver() -> None:
    """A check waived by somebody, with reason and last day, lets the board pass, and stays visible."""
    report = report_of(waived())

    assert report.passed
    assert report.verdict.waived == ("siren",)
    assert [check.name for check in report.not_passed] == ["siren"]


def waived(**change: object) -> tuple[Record, ...]:
    """The sample run, of 2031-03-04, whose siren was waived, by a waiver that says something else."""
    first, *rest = ended("siren", Verdict.WAIVED, why="by the quality lead until 2031-06-01: horn on order")
    waiver = WaiverGranted(check="siren", who="quality lead", why="horn on order", until="2031-06-01", at_s=0.1)
    return (first, msgspec.structs.replace(waiver, **change), *rest)


def test_waiver_holds_through_its_last_day() -> None:
    """`until` is the last day, not the first that is too late."""
    assert report_of(waived(until="2031-03-04")).passed


VOID_WAIVERS = [
    pytest.param({"check": "identity"}, "not by whom, why and until when", id="none of this check"),
    pytest.param({"who": " "}, "not by whom, why and until when", id="nobody"),
    pytest.param({"why": ""}, "not by whom, why and until when", id="no reason"),
    pytest.param({"until": "2031-03-03"}, "until 2031-03-03, and this run is of 2031-03-04", id="over"),
    pytest.param({"until": "soon"}, "until 'soon' in a run of", id="no date"),
    pytest.param({"boards": ("HB-0002",)}, "for HB-0002", id="another board's"),
]


@pytest.mark.parametrize(("change", "words"), VOID_WAIVERS)
def test_waiver_that_is_void(change: dict[str, object], words: str) -> None:
    """A check that says waived without a waiver on record that was valid at the run does not count."""
    report = report_of(waived(**change))

    assert report.verdict.verdict is Verdict.UNDECIDED
    (siren,) = [check for check in report.not_passed if check.name == "siren"]
    assert words in siren.why
    assert siren.why.endswith(": this does not count")


def test_waiver_cannot_cover_a_bench_error() -> None:
    """A check in which the bench failed proves nothing that somebody could accept."""
    changed = tuple(
        msgspec.structs.replace(record, verdict=Verdict.BENCH_ERROR, why="meter lost")
        if isinstance(record, LimitJudged) and record.check == "siren"
        else record
        for record in waived()
    )

    report = report_of(changed)

    assert report.verdict.verdict is Verdict.BENCH_ERROR
    assert report.not_passed[0].why == "meter lost"


@pytest.mark.parametrize("board", ["", " "])
def test_run_that_names_no_board_passes_none(board: str) -> None:
    """A verdict is one on a board; a record that does not say on which has none."""
    start, *rest = RECORDS
    assert isinstance(start, RunStarted)

    report = report_of((msgspec.structs.replace(start, board=board), *rest))

    assert report.verdict.verdict is Verdict.BENCH_ERROR
    assert "the run names no board" in report.verdict.why


@pytest.mark.parametrize("is_before", [True, False], ids=["before", "after"])
def test_waiver_does_not_hide_a_bench_error_of_another_attempt(*, is_before: bool) -> None:
    """A check that is waived in one attempt and broke by the bench in another proves nothing, in whatever order."""
    records = waived()
    place = next(i for i, one in enumerate(records) if isinstance(one, CheckFinished) and one.check == "siren")
    ended_by_waiver = records[place]
    assert isinstance(ended_by_waiver, CheckFinished)
    broken = msgspec.structs.replace(ended_by_waiver, verdict=Verdict.BENCH_ERROR, why="meter lost")
    both = (broken, ended_by_waiver) if is_before else (ended_by_waiver, broken)

    report = report_of((*records[:place], *both, *records[place + 1 :]))

    assert report.verdict.verdict is Verdict.BENCH_ERROR
    assert not report.passed


@pytest.mark.parametrize("verdict", [Verdict.FAIL, Verdict.UNDECIDED, Verdict.BENCH_ERROR])
def test_judged_limit_outweighs_the_check(verdict: Verdict) -> None:
    """A check that says pass over a limit that did not is not believed."""
    report = report_of(judged_as("vbat at 3.6 V", verdict))

    assert report.verdict.verdict is verdict
    assert [(check.name, check.verdict, check.why) for check in report.not_passed] == [
        ("battery_sweep", verdict, "as judged")
    ]
    assert [one.verdict for one in report.not_passed[0].violated] == [verdict]


def test_missing_required_check() -> None:
    """A required check of which the journal says nothing stands in the report as not run."""
    records = tuple(record for record in RECORDS if getattr(record, "check", "") != "battery_sweep")

    report = report_of(records)

    assert report.verdict.verdict is Verdict.NOT_RUN
    assert report.verdict.missing == ("battery_sweep",)
    assert [(check.name, check.verdict, check.why) for check in report.not_passed] == [
        ("battery_sweep", Verdict.NOT_RUN, "this required check did not begin")
    ]


def test_check_without_end() -> None:
    """A check that began and has no end was interrupted, and its readings are kept."""
    report = report_of(without(CheckFinished, "battery_sweep"))

    (check,) = report.not_passed
    assert (check.verdict, check.why) == (Verdict.NOT_RUN, "interrupted in this check")
    assert len(check.readings) == len(check.judged) == 2
    assert report.verdict.missing == ("battery_sweep",)


def test_run_without_end() -> None:
    """Without its last record a run is interrupted and cannot pass, though every check did."""
    report = report_of(without(RunFinished))

    assert report.state is RunState.INTERRUPTED
    assert report.verdict.verdict is Verdict.NOT_RUN
    assert report.not_passed == ()
    assert report.duration_s is None


@pytest.mark.parametrize("state", [RunState.INTERRUPTED, RunState.RUNNING])
def test_run_that_says_it_was_interrupted(state: RunState) -> None:
    """An end that is not complete is an interruption, with its reason."""
    (end,) = [record for record in RECORDS if isinstance(record, RunFinished)]
    changed = msgspec.structs.replace(end, state=state, why="SIGTERM")

    report = report_of((*RECORDS[:-1], changed))

    assert (report.state, report.state_why) == (RunState.INTERRUPTED, "SIGTERM")
    assert not report.passed


def test_second_attempt_does_not_hide_the_first() -> None:
    """A check that failed and then passed is shown as two attempts, and the board did not pass."""
    failed = ended("siren", Verdict.FAIL, why="no sound")
    again = tuple(record for record in RECORDS if getattr(record, "check", "") == "siren")

    report = report_of((*failed[:-1], *again, RECORDS[-1]))

    assert [(check.label, check.verdict) for check in report.checks if check.name == "siren"] == [
        ("siren", Verdict.FAIL),
        ("siren (attempt 2)", Verdict.PASS),
    ]
    assert report.verdict.verdict is Verdict.FAIL


def test_second_end_does_not_hide_the_first() -> None:
    """A check that ended twice, failed and then passed, did not pass."""
    failed = ended("siren", Verdict.FAIL, why="no sound")

    report = report_of((*failed[:-1], RECORDS[-2], RECORDS[-1]))

    assert [check.verdict for check in report.checks if check.name == "siren"] == [Verdict.FAIL, Verdict.PASS]
    assert report.verdict.verdict is Verdict.FAIL


def test_further_check_that_failed() -> None:
    """A check that nobody required is in the report, and what it found counts."""
    extra = (
        CheckStarted(check="lid", at_s=18.3, utc=""),
        FactJudged(check="lid", fact="screws", expected="4", seen="3", verdict=Verdict.FAIL, why="one lost", at_s=18.4),
        CheckFinished(check="lid", verdict=Verdict.FAIL, duration_s=0.1, at_s=18.4),
    )

    report = report_of((*RECORDS[:-1], *extra, RECORDS[-1]))

    assert [(check.name, check.required, check.why) for check in report.not_passed] == [("lid", False, "one lost")]
    assert report.verdict.verdict is Verdict.FAIL


def test_event_does_not_make_a_check_run() -> None:
    """An event that names a check which never began does not make it one that ran."""
    records = tuple(record for record in RECORDS if getattr(record, "check", "") != "siren")
    event = Happening(kind="lost line", text="siren", check="siren", at_s=18.0)

    report = report_of((*records[:-1], event, records[-1]))

    assert [(check.name, check.why) for check in report.not_passed] == [("siren", "this required check did not begin")]
    assert report.events[-1] == event


DAMAGE = [
    pytest.param((*RECORDS, RECORDS[5]), "after the end of the run", id="record after the end"),
    pytest.param((*RECORDS, *RECORDS), "holds it once", id="two runs in one journal"),
    pytest.param(RECORDS[1:], "begins with 'run started'", id="no start"),
]


@pytest.mark.parametrize(("records", "problem"), DAMAGE)
def test_journal_that_is_not_one_run(records: tuple[Record, ...], problem: str) -> None:
    """A journal that is not exactly one run, start to end, is told and cannot pass."""
    report = report_of(records)

    assert any(problem in found for found in report.problems)
    assert not report.passed


def test_broken_line_in_a_passed_run() -> None:
    """A run that would pass but lost a line of its journal is a bench error: the line may have said fail."""
    journal = parse_journal(SAMPLE.replace(b'"charged_to":"bench"', b'"charged_to":bench'))

    report = board_report(journal)

    assert report.verdict.verdict is Verdict.BENCH_ERROR
    assert "line 16 is no record" in report.verdict.why
    assert not report.verdict.complete


def test_cut_at_every_byte() -> None:
    """Wherever the journal is cut, there is a report, it says interrupted, and it is no pass."""
    for length in range(len(SAMPLE)):
        report = board_report(parse_journal(SAMPLE[:length]))

        assert report.state is RunState.INTERRUPTED
        assert not report.passed
        assert not report.verdict.complete
    assert board_report(parse_journal(SAMPLE)).passed


@given(st.lists(st.sampled_from(RECORDS), max_size=30))
def test_records_in_any_order(records: list[Record]) -> None:
    """From whatever records there is a report; it passes only with a start, an end and every required check."""
    report = report_of(tuple(records))

    if report.passed:
        assert isinstance(records[0], RunStarted)
        assert isinstance(records[-1], RunFinished)
        assert {record.check for record in records if isinstance(record, CheckFinished)} == set(REQUIRED)


@given(st.sets(st.integers(0, len(RECORDS) - 1)))
def test_lost_records_never_make_a_pass(lost: set[int]) -> None:
    """A failed run that loses any of its records still does not pass."""
    failed = ended("siren", Verdict.FAIL, why="no sound")
    kept = tuple(record for number, record in enumerate(failed) if number not in lost)

    report = report_of(kept)

    assert not report.passed


# ---- a board of which nothing was found out


def test_board_of_which_nothing_was_found_out() -> None:
    """That the output is off is no finding about a board: a run of that alone is incomplete and says why."""
    started, finished = RECORDS[0], RECORDS[-1]
    assert isinstance(started, RunStarted)
    off = FactJudged(
        check="output_off", fact="output", expected="off", seen="off", verdict=Verdict.PASS, why="", at_s=1.0
    )
    ended_off = CheckFinished(check="output_off", verdict=Verdict.PASS, duration_s=1.0, at_s=1.0)

    report = report_of((msgspec.structs.replace(started, required=("output_off",)), off, ended_off, finished))

    assert (report.verdict.verdict, report.verdict.complete) == (Verdict.NOT_RUN, False)
    assert "nothing is proven of it" in report.verdict.why
    assert not report.passed
