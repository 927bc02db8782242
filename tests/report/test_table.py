"""The terminal report: the words it promises, aligned columns, and nothing that a board could smuggle in."""

from __future__ import annotations

from pathlib import Path

import msgspec
import pytest

from benchrig.journal import Journal, parse_journal
from benchrig.records import (
    CheckFinished,
    FactJudged,
    Happening,
    LimitJudged,
    Record,
    RunFinished,
    RunStarted,
    Verdict,
    WaiverGranted,
)
from benchrig.report.board_report import BoardReport, board_report
from benchrig.report.columns import column_widths, fitted, row_lines, width_for
from benchrig.report.table import board_table, verdict_line

RECORDS = parse_journal((Path(__file__).parent / "hay_barn_run.jsonl").read_bytes()).records

COMPLETE = """\
board HB-0001, production, run 2031-03-04T08-15-00Z, 2031-03-04T08:15:00+00:00
profile hay_barn_probe, bench barn bench, SIMULATED: no board was measured

check / what     measured              limits               rule     verdict     time
-------------------------------------------------------------------------------------
identity                                                             pass      0.75 s
  serial number  HB-0001               HB-0001                       pass
  firmware       2.4.1                 2.4.1                         pass
battery_sweep: battery voltage over the range                        pass      4.20 s
  vbat at 3.3 V  (3.3004 ± 0.0012) V   3.29 V to 3.31 V     guarded  pass
  vbat at 3.6 V  (3.6011 ± 0.0013) V   3.589 V to 3.611 V   guarded  pass
sleep_current: floor current asleep                                  pass     12.00 s
  floor current  (16.40 ± 0.40) µA     at most 20 µA        guarded  pass
siren                                                                pass      0.50 s
  siren codes    (512.0 ± 2.0) counts  at least 480 counts  guarded  pass

where the time went (18.50 s of bench time)
  recording           10.00 s  54.1 %
  settle               5.00 s  27.0 %
  reading              1.20 s   6.5 %
  console              0.65 s   3.5 %
  boot                 0.60 s   3.2 %
  between the phases   1.05 s   5.7 %
  the board's own periods alone: 15.00 s; this run took 1.23 times that

what else happened
  17.20 s: repeated question, charged to bench: the meter was asked twice for its range

output after the run: supply reads back 0.002 V and output off

HB-0001: PASS, 4 of 4 required checks (simulated bench)
"""


def report_of(records: tuple[Record, ...]) -> BoardReport:
    """The report of undamaged records."""
    return board_report(Journal(records))


def ended(check: str, verdict: Verdict, *, why: str = "no sound", simulated: bool = True) -> BoardReport:
    """The report of the sample run in which one check ended otherwise."""
    start = RECORDS[0]
    assert isinstance(start, RunStarted)
    changed: list[Record] = [
        msgspec.structs.replace(record, verdict=verdict, why=why, next_action="look at the horn")
        if isinstance(record, CheckFinished) and record.check == check
        else record
        for record in RECORDS[1:]
    ]
    if verdict is Verdict.WAIVED:
        changed.insert(0, WaiverGranted(check=check, who="QA", why="horn on order", until="2031-06-01", at_s=0.1))
    return report_of((msgspec.structs.replace(start, simulated=simulated), *changed))


def words(text: str) -> list[str]:
    """The words of a text, sorted, without rules across the page."""
    return sorted(word for word in text.split() if set(word) != {"-"})


def test_complete_run() -> None:
    """The whole text of a passed run, as a reader sees it."""
    assert board_table(report_of(RECORDS)) == COMPLETE


VERDICT_LINES = [
    pytest.param(ended("siren", Verdict.PASS, simulated=False), "HB-0001: PASS, 4 of 4 required checks", id="pass"),
    pytest.param(
        ended("siren", Verdict.WAIVED, simulated=False),
        "HB-0001: PASSED WITH 1 WAIVER (siren), 3 of 4 required checks passed",
        id="waived",
    ),
    pytest.param(
        ended("battery_sweep", Verdict.FAIL),
        "HB-0001: NOT PASSED (fail): battery_sweep (simulated bench)",
        id="fail",
    ),
    pytest.param(
        ended("siren", Verdict.UNDECIDED, simulated=False),
        "HB-0001: NOT PASSED (undecided): siren",
        id="undecided",
    ),
    pytest.param(
        ended("siren", Verdict.NOT_RUN, simulated=False), "HB-0001: INCOMPLETE (not run: siren)", id="not run"
    ),
    pytest.param(
        ended("siren", Verdict.BENCH_ERROR, simulated=False),
        "HB-0001: BENCH ERROR: the run proves nothing about the board",
        id="bench error",
    ),
    pytest.param(
        report_of(RECORDS[:6]),
        "HB-0001: INCOMPLETE (not run: battery_sweep, sleep_current, siren), run interrupted (simulated bench)",
        id="interrupted",
    ),
    pytest.param(
        report_of(tuple(r for r in RECORDS if not isinstance(r, RunFinished))),
        "HB-0001: INCOMPLETE (the run is interrupted, not complete), run interrupted (simulated bench)",
        id="interrupted after the last check",
    ),
    pytest.param(
        board_report(Journal((), ("the journal is empty",))),
        "unknown board: INCOMPLETE (no check is required, so nothing can be proven; the run is interrupted, not"
        " complete), run interrupted",
        id="empty journal",
    ),
    pytest.param(
        board_report(Journal(RECORDS, ("line 7 is no record",))),
        "HB-0001: BENCH ERROR: the run proves nothing about the board (simulated bench)",
        id="damaged journal",
    ),
]


@pytest.mark.parametrize(("report", "line"), VERDICT_LINES)
def test_verdict_line(report: BoardReport, line: str) -> None:
    """The last line says what may be said of the board, in its promised words."""
    assert verdict_line(report) == line
    assert board_table(report, width=400).splitlines()[-1] == line


@pytest.mark.parametrize("verdict", [v for v in Verdict if v is not Verdict.PASS])
def test_not_passed_says_why_and_what_next(verdict: Verdict) -> None:
    """Every check that did not pass is listed by its exact verdict word, with why and what to do."""
    text = board_table(ended("siren", verdict))

    assert f"not passed\n  siren: {verdict.value}\n    why: no sound\n    next: look at the horn\n" in text


def test_violated_limit_is_listed() -> None:
    """A violated limit and a fact that does not hold are listed with what was seen and what was wanted."""
    changed = tuple(
        msgspec.structs.replace(r, value=3.3104, verdict=Verdict.FAIL, why="too high", next_action="see R2")
        if isinstance(r, LimitJudged) and r.limit == "vbat at 3.3 V"
        else msgspec.structs.replace(r, seen="2.4.0", verdict=Verdict.FAIL, why="old")
        if isinstance(r, FactJudged) and r.fact == "firmware"
        else r
        for r in RECORDS
    )

    text = board_table(report_of(changed))

    assert "    vbat at 3.3 V: (3.3104 ± 0.0012) V, limits 3.29 V to 3.31 V: fail\n" in text
    assert "      why: too high\n      next: see R2\n" in text
    assert "    firmware: 2.4.0, expected 2.4.1: fail\n      why: old\n" in text


def test_interrupted_run_has_no_output_state() -> None:
    """Where nothing was recorded of the supply's output, the report says so instead of assuming off."""
    text = board_table(report_of(RECORDS[:-1]))

    assert "output after the run: not recorded" in text
    assert "run interrupted: the journal ends before the run did" in text


def test_paint_takes_no_width() -> None:
    """Colours change nothing but themselves: without them the text is the plain one."""

    def paint(text: str, verdict: Verdict) -> str:
        return f"\x1b[{list(Verdict).index(verdict) + 31}m{text}\x1b[0m"

    plain = board_table(ended("siren", Verdict.FAIL))

    painted = board_table(ended("siren", Verdict.FAIL), paint=paint)

    assert "\x1b[32mfail" in painted
    for number in range(31, 37):
        painted = painted.replace(f"\x1b[{number}m", "")
    stripped = "\n".join(line.rstrip() for line in painted.replace("\x1b[0m", "").split("\n"))
    assert stripped == plain


@pytest.mark.parametrize(
    ("columns", "width"),
    [(0, 110), (40, 80), (80, 80), (100, 100), (120, 120), (400, 150)],
    ids=["no terminal", "narrow", "80", "100", "120", "wide"],
)
def test_width_is_that_of_the_terminal(columns: int, width: int) -> None:
    """A report fits the terminal that it is read on, from 80 columns on; without one it has a width of its own."""
    assert width_for(columns, otherwise=110) == width


@pytest.mark.parametrize(
    ("line", "shown"),
    [
        pytest.param("short", "short", id="it fits"),
        pytest.param("wire one and name it: slots", "wire one and name\n  it: slots", id="sentence"),
        pytest.param("  next: wire one and name it", "  next: wire one and\n    name it", id="indented sentence"),
        pytest.param("  rail  3.6, 3.7, 4.2 V, up", "  rail  3.6, 3.7,\n        4.2 V, up", id="after its name"),
        pytest.param("floor     2  1.985 s  26.47 uC", "floor     2  1.985 s  26.47 uC", id="row of a table"),
        pytest.param("reports/HB-0001/20261125T170125-1", "reports/HB-0001/20261125T170125-1", id="path in one piece"),
        pytest.param("one\n\nwire one and name it: slots", "one\n\nwire one and name\n  it: slots", id="several lines"),
    ],
)
def test_sentences_fit_the_terminal(line: str, shown: str) -> None:
    """On a terminal of 20 columns sentences wrap at words, with what follows below; rows and paths stay whole."""
    assert fitted(line, 20) == shown
    assert fitted(line, 0) == line


@pytest.mark.parametrize("width", [75, 80, 100])
def test_width(width: int) -> None:
    """Lines keep the width asked for, and narrowing wraps words without losing one."""
    report = ended("siren", Verdict.FAIL, why="the horn gave no sound although " * 5)

    text = board_table(report, width=width)

    assert max(map(len, text.partition("\n\n")[2].splitlines())) <= width
    assert words(text) == words(board_table(report, width=400))


def test_hostile_text_cannot_steer_the_terminal() -> None:
    """A board that sends escape sequences or line ends appears as one line that shows them."""
    changed = tuple(
        msgspec.structs.replace(r, seen="\x1b[2J\x1b[32mpass\r\nHB-0001: PASS\u202e", verdict=Verdict.FAIL)
        if isinstance(r, FactJudged)
        else r
        for r in RECORDS
    )

    text = board_table(report_of(changed), width=300)

    assert all(line.isprintable() for line in text.splitlines())
    assert "\\x1b[2J\\x1b[32mpass\\r\\nHB-0001: PASS\\u202e" in text
    assert [line for line in text.splitlines() if line.startswith("HB-0001")] == [verdict_line(report_of(changed))]


def test_ten_thousand_characters_are_wrapped() -> None:
    """A cell of ten thousand characters is wrapped within the width and loses none."""
    widths = column_widths([("a" * 10_000, "b" * 9)], width=60, fixed=frozenset((1,)))

    lines = row_lines(("a" * 10_000, "b" * 9), widths)

    assert max(map(len, lines)) <= 60
    assert sum(line.count("a") for line in lines) == 10_000


def test_serial_number_is_one_word() -> None:
    """A cell is not wrapped at a hyphen: what is copied from the report must be the whole name."""
    assert row_lines(("board HB-BARN",), [10]) == ["board", "HB-BARN"]


# ---- said once, and line by line


def happened(*events: Happening) -> list[str]:
    """The lines under 'what else happened'."""
    text = board_table(report_of((*RECORDS[:-1], *events, RECORDS[-1])))
    return text.split("what else happened\n")[1].split("\n\n")[0].splitlines()


def event(kind: str, text: str, at_s: float) -> Happening:
    return Happening(kind=kind, text=text, at_s=at_s)


def test_equal_events_are_told_once_with_their_count() -> None:
    """Ten times the same damaged line is one line of the report, with how often and until when; another stays."""
    told = happened(*(event("damaged line", "'BATT'", 1.0 + n) for n in range(10)), event("damaged line", "'ID'", 20.0))

    assert told[1:] == [
        "  1.00 s, 10 times until 10.00 s: damaged line: 'BATT'",
        "  20.00 s: damaged line: 'ID'",
    ]


def test_lines_of_a_board_stand_below_each_other() -> None:
    """Several lines are laid out as lines, aligned as they came, and never as one with escaped line feeds."""
    told = happened(event("last console lines", "    1.235 s  BOOT\n   12.400 s  ID\x1b[2J", 3.0))

    assert told[1:] == ["  3.00 s: last console lines:", "        1.235 s  BOOT", "       12.400 s  ID\\x1b[2J"]


def test_checks_that_did_not_run_for_one_reason_are_told_together() -> None:
    """A board that does not answer is said once, with the names of all checks that had to wait for it."""
    silent = [
        CheckFinished(check=name, verdict=Verdict.NOT_RUN, why="the board does not answer", duration_s=0.0, at_s=1.0)
        for name in ("rail", "sweep", "sleep")
    ]
    text = board_table(report_of((RECORDS[0], *silent, RECORDS[-1])))

    assert "  rail, sweep, sleep: not run\n    why: the board does not answer\n" in text
    assert text.count("the board does not answer") == 1
