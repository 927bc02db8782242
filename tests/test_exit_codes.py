"""Exit codes from board verdicts: 0 only when every board passed."""

from __future__ import annotations

from itertools import product

import pytest

from benchrig.exit_codes import MEANING, ExitCode, exit_code
from benchrig.records import Verdict

ALONE = [
    pytest.param(Verdict.PASS, 0, id="pass"),
    pytest.param(Verdict.FAIL, 10, id="fail"),
    pytest.param(Verdict.UNDECIDED, 10, id="undecided"),
    pytest.param(Verdict.NOT_RUN, 11, id="not run"),
    pytest.param(Verdict.BENCH_ERROR, 12, id="bench error"),
    pytest.param(Verdict.WAIVED, 10, id="a verdict that no board has"),
]


@pytest.mark.parametrize(("verdict", "code"), ALONE)
def test_one_board(verdict: Verdict, code: int) -> None:
    """The code of a single board is the documented one."""
    assert exit_code([verdict]) == code


def test_no_board() -> None:
    """A run without any board proves nothing: incomplete."""
    assert exit_code([]) == 11


@pytest.mark.parametrize("count", [1, 2, 3])
def test_only_passes_pass(count: int) -> None:
    """Of all combinations of verdicts, 0 comes from those alone in which every board passed."""
    zeros = [verdicts for verdicts in product(Verdict, repeat=count) if exit_code(verdicts) == 0]

    assert zeros == [(Verdict.PASS,) * count]


ORDER = [
    pytest.param([Verdict.FAIL, Verdict.BENCH_ERROR, Verdict.NOT_RUN], 12, id="bench error before all"),
    pytest.param([Verdict.NOT_RUN, Verdict.FAIL, Verdict.PASS], 10, id="fail before not run"),
    pytest.param([Verdict.PASS, Verdict.NOT_RUN], 11, id="not run before pass"),
]


@pytest.mark.parametrize(("verdicts", "code"), ORDER)
def test_several_boards(verdicts: list[Verdict], code: int) -> None:
    """With several boards the documented order decides, whichever came first."""
    assert exit_code(verdicts) == exit_code(reversed(verdicts)) == code


def test_codes_are_our_own() -> None:
    """No code but 0 is one of pytest's own, or one of a process that a signal ended; each has its meaning."""
    own = {int(code) for code in ExitCode} - {0}

    assert not own & {int(code) for code in pytest.ExitCode}
    assert all(0 < code < 128 for code in own)
    assert set(MEANING) == set(ExitCode)
