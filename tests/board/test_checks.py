"""The table of the shipped checks, against the suites that run them and the profile that limits them."""

from __future__ import annotations

import ast
from typing import TYPE_CHECKING, cast

import pytest

from benchrig.bench_fitness import AIR_CHECKS
from benchrig.board.checks import CHECKS, USES
from benchrig.quantity import base_unit

from .profile_edits import ROOT, shipped

if TYPE_CHECKING:
    from pathlib import Path

SUITES = ROOT / "suites"
PRODUCTION = ROOT / "benchrig" / "production"


def _marked(suite: Path) -> list[str]:
    """The names in a suite's check markers, in its order."""
    calls = [
        mark
        for function in ast.parse(suite.read_text(encoding="utf-8")).body
        if isinstance(function, ast.FunctionDef)
        for mark in function.decorator_list
        if isinstance(mark, ast.Call) and ast.unparse(mark.func) == "pytest.mark.check"
    ]
    return [str(ast.literal_eval(call.args[0])) for call in calls]


def test_suites_run_every_check_of_the_table() -> None:
    """A check in the table without a test, or a test without an entry, would be required and never run."""
    assert {check for suite in SUITES.glob("*/test_*.py") for check in _marked(suite)} == set(CHECKS)


@pytest.mark.parametrize("suite", sorted(SUITES.glob("*/test_*.py")), ids=lambda suite: str(suite.stem))
def test_suite_keeps_to_the_order_of_the_table(suite: Path) -> None:
    """First touch first, output off last, and in between what a later check builds on before it; none twice."""
    assert _marked(suite) == [check for check in CHECKS if check in _marked(suite)]


def test_sign_off_holds_the_production_check() -> None:
    """Who signs a board off has run all that the line runs."""
    production, signoff = (_marked(SUITES / use / f"test_{use}.py") for use in ("production", "signoff"))

    assert set(production) < set(signoff)


SLOW_ON_THE_AIR = ("report_period", "join_backoff")
"""Too slow for a line: the sign-off alone runs them."""


@pytest.mark.parametrize(
    ("use", "not_required"),
    [("production", tuple(one for one in AIR_CHECKS if one not in SLOW_ON_THE_AIR)), ("signoff", ())],
)
def test_demo_requires_what_its_suite_runs(use: str, not_required: tuple[str, ...]) -> None:
    """A suite with a check that nobody requires would let a board pass without it: a line may have no gateway, and the
    sign-off is where its checks are required."""
    required = cast("dict[str, list[str]]", shipped()["required"])
    runs = _marked(SUITES / use / f"test_{use}.py")

    assert required[use] == [check for check in runs if check not in not_required]
    assert set(not_required) <= set(runs)


@pytest.mark.parametrize("check", CHECKS)
def test_units_are_base_units(check: str) -> None:
    """A limit is held against a value in the base unit, so the table names no other."""
    for unit in CHECKS[check].values.values():
        assert base_unit(unit) == (unit, 1.0)


def test_titles_tell_checks_apart() -> None:
    """A report shows titles: each its own."""
    titles = [kind.title for kind in CHECKS.values()]

    assert len(set(titles)) == len(titles)
    assert all(title.strip() == title != "" for title in titles)


def test_every_limitable_value_is_judged_somewhere() -> None:
    """A value that a profile may limit and no check judges would leave every board undecided."""
    sources = "".join(path.read_text(encoding="utf-8") for path in sorted(PRODUCTION.glob("*.py")))
    words = {
        node.value
        for node in ast.walk(ast.parse(sources.replace("from __future__ import annotations\n", "")))
        if isinstance(node, ast.Constant) and isinstance(node.value, str)
    }

    assert {value for kind in CHECKS.values() for value in kind.values} - words == set()


def test_uses_are_those_a_profile_may_require() -> None:
    """The demo requires checks for uses of the table only."""
    required = shipped()["required"]

    assert isinstance(required, dict)
    assert set(required) <= set(USES)
