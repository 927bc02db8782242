"""The rules of the history, on rows alone: attempts, yields, identities, margins, changes, new limits."""

from __future__ import annotations

import json
import math
from dataclasses import dataclass

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchrig.errors import ConfigError
from benchrig.judge.decision import Limit
from benchrig.records import Verdict
from benchrig.store.answer import Answer, as_csv, as_json, as_text
from benchrig.store.attempts import PastRun, attempt_numbers, attempts_since_rework, why_refused
from benchrig.store.identities import clashes, duplicates
from benchrig.store.judged_rows import (
    JudgedRow,
    again_answers,
    changes,
    find_limit,
    judge_again,
    near_limits,
    with_other_rules,
)
from benchrig.store.rows import is_overdue, utc_text
from benchrig.store.yields import CountedRun, yields

# ---- attempts


def run(number: int, verdict: str, *, purpose: str = "production", simulated: bool = False) -> PastRun:
    """A run of one board; later numbers are later runs."""
    return PastRun(number, purpose, simulated, f"2031-03-04T08:{number:02}:00+00:00", verdict)


def test_attempts_are_numbered_by_time() -> None:
    """Runs of a use count up, whatever order they come in."""
    runs = [run(3, "pass"), run(1, "fail"), run(2, "undecided")]

    assert attempt_numbers(runs) == {1: 1, 2: 2, 3: 3}


@pytest.mark.parametrize("verdict", ["bench error", "not run"])
def test_run_that_says_nothing_of_the_board_is_no_attempt(verdict: str) -> None:
    """A run that the bench failed, or that judged nothing, takes no attempt from a board."""
    assert attempt_numbers([run(1, verdict), run(2, "pass")]) == {2: 1}


def test_uses_and_simulated_runs_are_counted_apart() -> None:
    """A sign-off run, or one on a simulated bench, is no second attempt of production."""
    runs = [run(1, "fail", simulated=True), run(2, "pass", purpose="signoff"), run(3, "pass")]

    assert attempt_numbers(runs) == {1: 1, 2: 1, 3: 1}


def test_third_attempt_needs_a_rework() -> None:
    """Two attempts are free; the third is refused until a rework stands after them."""
    runs = [run(1, "fail"), run(2, "fail")]

    made = attempts_since_rework(runs, [], purpose="production", simulated=False)
    before = attempts_since_rework(runs, ["2031-03-04T08:01:30+00:00"], purpose="production", simulated=False)
    after = attempts_since_rework(runs, ["2031-03-04T09:00:00+00:00"], purpose="production", simulated=False)

    assert (made, before, after) == (2, 1, 0)
    assert why_refused("HB-0001", 1, purpose="production") == ""
    assert why_refused("HB-0001", 2, purpose="production") == (
        "board HB-0001: 2 attempts (production) stand in the history and no rework since; attempt 3 is refused. Say "
        "what was done to it: benchrig history note HB-0001 --kind rework --by NAME 'what was done'"
    )


# ---- yields


def counted(board: str, attempt: int, verdict: str, *, lot: str = "L7", simulated: bool = False) -> CountedRun:
    """An attempt of a board."""
    return CountedRun(board, "production", simulated, lot, attempt, verdict)


def test_attempt_one_alone_counts_for_the_first_pass_yield() -> None:
    """A retest that passes raises the final yield and leaves the first-pass yield where it was."""
    runs = [counted("A", 1, "pass"), counted("B", 1, "fail"), counted("C", 1, "undecided"), counted("D", 1, "pass")]

    (before,) = yields(runs).named()
    (after,) = yields([*runs, counted("B", 2, "pass")]).named()

    assert (before["first-pass yield"], before["final yield"]) == (0.5, 0.5)
    assert (after["first-pass yield"], after["final yield"], after["attempts"]) == (0.5, 0.75, 5)
    assert (after["passed at first"], after["passed at last"], after["boards"]) == (2, 3, 4)


def test_yield_of_simulated_boards_stands_apart() -> None:
    """Boards on a simulated bench never raise the yield of a real lot."""
    found = yields([counted("A", 1, "fail"), counted("B", 1, "pass", simulated=True)]).named()

    assert [(row["bench kind"], row["first-pass yield"]) for row in found] == [("real", 0.0), ("simulated", 1.0)]


# ---- identities


def test_identity_of_another_board_is_named() -> None:
    """A board that says what another one has said is told of it, with both names."""
    said = {"eui": "70b3d57ed0001234", "firmware": "1.4.2"}
    others = [
        ("eui", "70B3D57ED0001234", "HB-0002"),
        ("eui", "70B3D57ED0009999", "HB-0003"),
        ("firmware", "1.4.2", "X"),
    ]

    (sentence,) = clashes("HB-0001", said, others)

    assert sentence.startswith("board HB-0001: its eui 70B3D57ED0001234 was said by HB-0002 before; two boards")
    assert clashes("HB-0002", said, others) == ()


@pytest.mark.parametrize("written", ["70-B3-D5-7E-D0-00-12-34", "70:b3:d5:7e:d0:00:12:34", "70B3D57ED0001234"])
def test_duplicates_are_found_however_they_are_written(written: str) -> None:
    """Separators and case make no other identity."""
    found = duplicates(
        [("eui", "70B3D57ED0001234", "A"), ("eui", written, "B"), ("eui", "00", "C"), ("chip", "1", "A")]
    )

    assert found == (("eui", "70B3D57ED0001234", ("A", "B")),)


# ---- times


@pytest.mark.parametrize(
    ("text", "utc"),
    [
        ("2031-03-04T08:15:00+00:00", "2031-03-04T08:15:00.000000+00:00"),
        ("2031-03-04T09:15:00.5+01:00", "2031-03-04T08:15:00.500000+00:00"),
        ("2031-03-04T08:15:00Z", "2031-03-04T08:15:00.000000+00:00"),
        ("yesterday\x00", "yesterday\\x00"),
    ],
)
def test_times_sort_as_text(text: str, utc: str) -> None:
    """Every time is kept in UTC with microseconds; what is none stays as it is."""
    assert utc_text(text) == utc


@pytest.mark.parametrize(
    ("due", "overdue"),
    [("2031-03-03", True), ("2031-03-04", False), ("2031-03-05", False), ("", False), ("soon", False)],
)
def test_calibration_holds_through_its_day(due: str, overdue: bool) -> None:
    """The day on which a calibration is due still counts (common practice, no source)."""
    assert is_overdue(due, "2031-03-04T23:59:59+00:00") is overdue


# ---- near a limit


def row(
    value: float | None = 3.3,
    *,
    low: float | None = 3.2,
    high: float | None = 3.4,
    expanded: float | None = 0.002,
    rule: str = "guarded",
    verdict: str = "pass",
    limit: str = "rail at 3.60 V",
    run: str = "r1",
    board: str = "HB-0001",
) -> JudgedRow:
    """A judged value of the rail."""
    return JudgedRow(board, run, 0, "rail", limit, value, "V", expanded, 2.0, low, high, rule, verdict)


def test_near_by_share_of_the_width() -> None:
    """Inside, but within a tenth of the width of a limit: named with its margin, the nearest first."""
    rows = [row(3.3), row(3.385, limit="a"), row(3.205, limit="b"), row(3.41, limit="outside"), row(None, limit="none")]

    found = near_limits(rows, share=0.1, within_u=None).named()

    assert [(one["limit"], round(float(one["share of width"] or 0), 3)) for one in found] == [
        ("b", 0.025),
        ("a", 0.075),
    ]
    assert found[0]["margin"] == pytest.approx(0.005)
    assert found[0]["margin in u"] == pytest.approx(5.0)


def test_near_by_uncertainty() -> None:
    """Within so many standard uncertainties of a limit, whatever the width is."""
    rows = [row(3.3, expanded=0.1, limit="coarse"), row(3.3, limit="fine"), row(0.9, low=None, high=1.0, limit="open")]

    found = near_limits(rows, share=None, within_u=3.0).named()

    assert [one["limit"] for one in found] == ["coarse"]


def test_open_side_has_the_size_of_its_limit_as_width() -> None:
    """17 µA of at most 20 µA are within 15 % of the limit."""
    found = near_limits([row(17e-6, low=None, high=20e-6, expanded=1e-7)], share=0.16, within_u=None).named()

    assert found[0]["share of width"] == pytest.approx(0.15)


# ---- what changed


def test_change_within_the_uncertainty_is_none() -> None:
    """What two uncertainties cover is no change; what they do not is told in units of both together."""
    before = [row(3.300, limit="a"), row(3.300, limit="b")]
    after = [row(3.302, limit="a", run="r2"), row(3.304, limit="b", run="r2")]
    first, second = ({"run": name, "firmware": f"1.4.{name[1]}", "board": "HB-0001"} for name in ("r1", "r2"))

    run_with, values = changes(first, second, before, after)

    assert run_with.rows == (("firmware", "1.4.1", "1.4.2"),)
    (changed,) = values.named()
    assert changed["limit"] == "b"
    assert changed["change in U"] == pytest.approx(0.004 / math.hypot(0.002, 0.002))


def test_change_of_limits_and_verdict_is_told() -> None:
    """A value that is equal but was judged by other limits, or came out otherwise, is a change; so is a missing one."""
    before = [row(limit="a"), row(limit="gone"), row(limit="b")]
    after = [
        row(limit="a", high=3.35, run="r2"),
        row(limit="b", verdict="undecided", run="r2"),
        row(limit="new", run="r2"),
    ]

    _, values = changes({}, {}, before, after)

    told = {one["limit"]: (one["verdict before"], one["verdict after"], one["limits"]) for one in values.named()}
    assert told == {
        "a": ("pass", "pass", "3.2 to 3.4 V, guarded -> 3.2 to 3.35 V, guarded"),
        "gone": ("pass", "not judged", ""),
        "b": ("pass", "undecided", ""),
        "new": ("not judged", "pass", ""),
    }


def test_limit_that_was_judged_twice_is_compared_in_order() -> None:
    """The second value of a name is held against the second one of the other run."""
    _, values = changes({}, {}, [row(3.30), row(3.35)], [row(3.30, run="r2"), row(3.36, run="r2")])

    assert [(one["limit"], one["before"], one["after"]) for one in values.named()] == [
        ("rail at 3.60 V (2)", 3.35, 3.36)
    ]


# ---- judge again


def limits(*, low: float = 3.2, high: float = 3.4, rule: str = "guarded") -> dict[str, dict[str, Limit]]:
    """A profile's limits of the rail, as millivolts."""
    return {"rail": {"rail": Limit("rail", unit="mV", low=low * 1e3, high=high * 1e3, source="new", rule=rule)}}


@dataclass(frozen=True)
class Flip:
    """A value, what it is judged by now, and what it was and becomes."""

    value: float
    before: str
    high: float
    factor: float
    after: str


@pytest.mark.parametrize(
    "one",
    [
        Flip(3.3, "pass", 3.4, 1.0, "pass"),
        Flip(3.3, "pass", 3.29, 1.0, "fail"),
        Flip(3.3, "pass", 3.301, 1.0, "undecided"),
        Flip(3.41, "fail", 3.45, 1.0, "pass"),
        Flip(3.399, "undecided", 3.4, 0.25, "pass"),
        Flip(3.39, "pass", 3.4, 10.0, "undecided"),
    ],
    ids=["stays", "fails now", "in the band now", "passes now", "smaller uncertainty", "larger uncertainty"],
)
def test_value_under_new_limits(one: Flip) -> None:
    """Old values come out as the new limits and uncertainty say, by the guard band of ILAC-G8:09/2019, 4.2."""
    old = row(one.value, verdict=one.before)

    (found,) = judge_again([old], limits(high=one.high), uncertainty_factor=one.factor)

    assert found.after is not None
    assert found.after.value == one.after
    assert found.flips is (one.before != one.after)
    assert old == row(one.value, verdict=one.before)


def test_other_rule_flips_what_it_should() -> None:
    """Without a guard band a value in it passes."""
    (found,) = judge_again([row(3.399, verdict="undecided")], with_other_rules(limits(), "simple"))

    assert found.after is Verdict.PASS


def test_rule_that_there_is_not() -> None:
    """A rule with a typing error is refused, with those that there are."""
    with pytest.raises(ConfigError, match=r"--rule: unknown decision rule 'garded'; known: simple, guarded"):
        with_other_rules(limits(), "garded")


def test_verdict_with_another_reason_stays() -> None:
    """A value that was undecided since the bench could not decide it does not pass by being judged again."""
    (found,) = judge_again([row(3.3, verdict="undecided")], limits())

    assert found.after is Verdict.UNDECIDED
    assert found.why == "stays: it had another reason than limit and rule"


def test_value_without_a_limit_now_is_told() -> None:
    """What the new profile does not limit is neither pass nor fail: it is named."""
    found = judge_again([row(limit="ripple at 3.60 V")], limits())

    flips, runs = again_answers(found)
    assert flips.named()[0]["now"] == "no limit"
    assert runs.named()[0]["worst now"] == "not run"


def test_runs_are_summed_up() -> None:
    """For each run: how many of its values flip, and the worst before and now."""
    found = judge_again([row(3.3), row(3.39), row(3.3, run="r2")], limits(high=3.35))

    _, runs = again_answers(found)

    assert [
        (one["run"], one["values"], one["flips"], one["worst before"], one["worst now"]) for one in runs.named()
    ] == [
        ("r1", 2, 1, "pass", "fail"),
        ("r2", 1, 0, "pass", "pass"),
    ]


@pytest.mark.parametrize(
    ("name", "limit"),
    [
        ("vbat", "vbat"),
        ("vbat at 3.60 V", "vbat"),
        ("vbat top at 4 V", "vbat top"),
        ("vbat_noise at 1", "vbat_noise"),
        ("vbatt", None),
        ("v", None),
    ],
)
def test_limit_of_a_judged_name(name: str, limit: str | None) -> None:
    """'vbat at 3.60 V' was judged by 'vbat', and by no other that its name begins like."""
    known = {
        one: Limit(one, unit="V", high=1.0, source="s", rule="simple") for one in ("vbat", "vbat top", "vbat_noise")
    }

    found = find_limit(known, name)

    assert (found.name if found else None) == limit


# ---- how an answer looks

FOREIGN = Answer("t", ("a", "b"), (("<b>\x1b[31m\r\n=1+1", 2.5), ("=cmd|' /C calc'!A0", None), ("+3.3E0", 1)))


def test_table_cannot_steer_a_terminal() -> None:
    """Control characters of a foreign text are shown, not obeyed; no cell breaks its line."""
    text = as_text([FOREIGN])

    assert "<b>\\x1b[31m\\r\\n=1+1" in text
    assert "\x1b" not in text
    assert len(text.splitlines()) == 5


def test_csv_cell_is_no_formula() -> None:
    """A text that a program for tables would reckon with gets an apostrophe; a number's text stays."""
    assert as_csv(FOREIGN).splitlines() == [
        "a,b",
        "<b>\\x1b[31m\\r\\n=1+1,2.5",
        "'=cmd|' /C calc'!A0,",
        "+3.3E0,1",
    ]
    assert as_csv(Answer("t", ("lot",), (("-",), ("-1+1",)))).splitlines() == ["lot", "-", "'-1+1"]


def test_table_keeps_its_width() -> None:
    """A table is as wide as it may be; a heading over numbers wraps between its words before a name breaks."""
    rows = (("HB-0001", "20310304T080000.000000Z-1", 0.0196078431, 24.4948974),)
    answer = Answer("near", ("board", "run", "share of width", "margin in u"), rows)

    assert as_text([answer], width=60).splitlines() == [
        "near (1)",
        "  board    run                         share of   margin",
        "                                          width     in u",
        "  HB-0001  20310304T080000.000000Z-1  0.0196078  24.4949",
    ]


@given(st.lists(st.tuples(st.text(), st.floats(allow_nan=False, allow_infinity=False))))
def test_json_keeps_everything(rows: list[tuple[str, float]]) -> None:
    """Any JSON reader gets the rows back exactly."""
    rows = [(text.encode("utf-8", "replace").decode(), number) for text, number in rows]

    found = json.loads(as_json([Answer("t", ("a", "b"), tuple(rows))]))

    assert found == {"t": [{"a": text, "b": number} for text, number in rows]}


def test_empty_answer_says_none() -> None:
    """No rows is an answer, too."""
    assert as_text([Answer("near a limit", ("a",), ())]) == "near a limit: none"
