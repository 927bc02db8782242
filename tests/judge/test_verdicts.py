"""Verdict of a check and of a board. The order and the completeness rule are the project's own promises."""

from __future__ import annotations

import itertools
import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchrig.judge.verdicts import board_verdict, worst
from benchrig.records import RunState, Verdict

PASS, FAIL, UNDECIDED = Verdict.PASS, Verdict.FAIL, Verdict.UNDECIDED
BENCH, NOT_RUN, WAIVED = Verdict.BENCH_ERROR, Verdict.NOT_RUN, Verdict.WAIVED
COMPLETE, INTERRUPTED, RUNNING = RunState.COMPLETE, RunState.INTERRUPTED, RunState.RUNNING

names = st.sampled_from(["power", "identity", "sweep", "sleep", "transmit"])
runs = st.fixed_dictionaries(
    {
        "required": st.lists(names, max_size=6),
        "finished": st.dictionaries(names, st.sampled_from(Verdict), max_size=5),
        "state": st.sampled_from(RunState),
        "waivers": st.dictionaries(names, st.sampled_from(["", " ", "QA, known step, until lot 7"]), max_size=5),
    }
)


def test_worst_orders_every_pair() -> None:
    """Of any two verdicts the one that counts more is taken, in either order."""
    order = [BENCH, FAIL, UNDECIDED, NOT_RUN, WAIVED, PASS]

    assert set(order) == set(Verdict)
    for one, other in itertools.product(order, repeat=2):
        assert worst((one, other)) is min(one, other, key=order.index)


def test_worst_of_nothing_is_not_run() -> None:
    """A check that judged nothing has proven nothing."""
    assert worst(()) is NOT_RUN


BOARDS = [
    pytest.param({"a": PASS, "b": PASS}, COMPLETE, {}, (PASS, True, ()), id="all pass"),
    pytest.param({"a": PASS}, COMPLETE, {}, (NOT_RUN, False, ("b",)), id="one missing"),
    pytest.param({"a": PASS, "b": NOT_RUN}, COMPLETE, {}, (NOT_RUN, False, ("b",)), id="one not run"),
    pytest.param({"a": PASS, "b": PASS}, INTERRUPTED, {}, (NOT_RUN, False, ()), id="interrupted after the last"),
    pytest.param({"a": PASS, "b": PASS}, RUNNING, {}, (NOT_RUN, False, ()), id="still running"),
    pytest.param({"a": PASS, "b": FAIL}, COMPLETE, {}, (FAIL, True, ()), id="fail"),
    pytest.param({"a": UNDECIDED, "b": FAIL}, COMPLETE, {}, (FAIL, True, ()), id="fail before undecided"),
    pytest.param({"a": UNDECIDED}, COMPLETE, {}, (UNDECIDED, False, ("b",)), id="undecided before not run"),
    pytest.param({"a": FAIL, "b": BENCH}, COMPLETE, {}, (BENCH, True, ()), id="bench error before fail"),
    pytest.param(
        {"a": PASS, "b": PASS, "x": BENCH}, COMPLETE, {}, (BENCH, True, ()), id="bench error in an extra check"
    ),
    pytest.param({"a": PASS, "b": PASS, "x": FAIL}, COMPLETE, {}, (FAIL, True, ()), id="fail in an extra check"),
    pytest.param({"a": PASS, "b": PASS, "x": NOT_RUN}, COMPLETE, {}, (PASS, True, ()), id="extra check not run"),
    pytest.param({"a": PASS, "b": FAIL}, COMPLETE, {"b": "who, why"}, (PASS, True, ()), id="fail waived"),
    pytest.param({"a": PASS, "b": FAIL}, COMPLETE, {"b": " "}, (FAIL, True, ()), id="a waiver without words is void"),
    pytest.param({"a": PASS, "b": WAIVED}, COMPLETE, {}, (PASS, True, ()), id="finished as waived"),
    pytest.param(
        {"a": PASS, "b": BENCH}, COMPLETE, {"b": "who, why"}, (BENCH, True, ()), id="bench error cannot be waived"
    ),
    pytest.param({"a": PASS}, COMPLETE, {"b": "who, why"}, (NOT_RUN, False, ("b",)), id="absence cannot be waived"),
    pytest.param({"a": FAIL}, INTERRUPTED, {}, (FAIL, False, ("b",)), id="a fail outlives an interruption"),
]


@pytest.mark.parametrize(("finished", "state", "waivers", "expected"), BOARDS)
def test_board_verdict_of_two_required_checks(
    finished: dict[str, Verdict],
    state: RunState,
    waivers: dict[str, str],
    expected: tuple[Verdict, bool, tuple[str, ...]],
) -> None:
    """Each way a run can end gives the board its one verdict."""
    board = board_verdict(("a", "b"), finished, state, waivers)

    assert (board.verdict, board.complete, board.missing) == expected


def test_board_with_nothing_required_does_not_pass() -> None:
    """A use that requires no check proves nothing, however much passed."""
    board = board_verdict((), {"a": PASS}, COMPLETE)

    assert (board.verdict, board.complete) == (NOT_RUN, False)
    assert "no check is required" in board.why


WHYS = [
    pytest.param({"a": PASS, "b": PASS}, COMPLETE, {}, "every required check passed", id="pass"),
    pytest.param({"a": PASS, "b": FAIL}, COMPLETE, {"b": "w"}, r"passed or is waived \(waived: b\)", id="waived"),
    pytest.param({"a": FAIL, "b": FAIL}, COMPLETE, {}, "fail: a, b$", id="fail"),
    pytest.param({"a": FAIL}, INTERRUPTED, {}, "fail: a; the run is interrupted, not complete; not run: b", id="both"),
    pytest.param(
        {"a": BENCH}, COMPLETE, {}, "the bench failed in a: the run proves nothing about the board", id="bench"
    ),
    pytest.param({"a": PASS}, COMPLETE, {}, "not run: b", id="missing"),
]


@pytest.mark.parametrize(("finished", "state", "waivers", "text"), WHYS)
def test_why_names_the_checks(
    finished: dict[str, Verdict], state: RunState, waivers: dict[str, str], text: str
) -> None:
    """The reason names the checks that decided."""
    why = board_verdict(("a", "b"), finished, state, waivers).why

    assert re.search(text, why), why


# ---- properties


@settings(deadline=None, max_examples=500)
@given(run=runs)
def test_no_pass_with_a_required_check_missing_or_undecided(run: dict[str, object]) -> None:
    """No run whose required checks are not all passed or waived, or that is not complete, passes the board."""
    required: list[str] = run["required"]  # type: ignore[assignment]  # as drawn
    finished: dict[str, Verdict] = run["finished"]  # type: ignore[assignment]
    waivers: dict[str, str] = run["waivers"]  # type: ignore[assignment]

    board = board_verdict(**run)  # type: ignore[arg-type]

    if board.verdict is PASS:
        assert run["state"] is COMPLETE
        assert required
        for name in required:
            its = finished[name]  # a missing one fails here
            assert its in (PASS, WAIVED) or (its in (FAIL, UNDECIDED) and waivers[name].strip())
        assert BENCH not in finished.values()
        assert board.complete
        assert board.missing == ()


@settings(deadline=None, max_examples=500)
@given(run=runs)
def test_a_bench_error_anywhere_dominates(run: dict[str, object]) -> None:
    """With a bench error in any finished check the run says bench error, waived or not, and only then."""
    finished: dict[str, Verdict] = run["finished"]  # type: ignore[assignment]

    board = board_verdict(**run)  # type: ignore[arg-type]

    assert (board.verdict is BENCH) == (BENCH in finished.values())


@settings(deadline=None, max_examples=500)
@given(run=runs, name=names)
def test_losing_a_result_never_helps(run: dict[str, object], name: str) -> None:
    """Taking a passed check away from a run never makes a board pass."""
    finished: dict[str, Verdict] = run["finished"]  # type: ignore[assignment]
    before = board_verdict(**run)  # type: ignore[arg-type]
    less = {check: verdict for check, verdict in finished.items() if check != name or verdict is not PASS}

    after = board_verdict(**(run | {"finished": less}))  # type: ignore[arg-type]

    assert after.verdict is not PASS or before.verdict is PASS
