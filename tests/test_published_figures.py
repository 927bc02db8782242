"""The list of published figures is the one that the test modules' tables make, whole, and each figure is tested."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import pytest

from tests.published import COMMAND, LIST, Figure, all_listed, figures_in, list_text, note_of, told

if TYPE_CHECKING:
    from pathlib import Path

pytest_plugins = ["pytester"]


def test_list_is_up_to_date() -> None:
    """The list holds exactly the figures of the tables; when it does not, the command to make it again is told."""
    assert LIST.read_text(encoding="utf-8") == list_text(), f"run `{COMMAND}` in the folder of the project"


def test_every_figure_is_tested() -> None:
    """No figure stands in a table without a test that uses it."""
    listed = all_listed()
    idle = [f"{one.figure.id} ({one.figure.source})" for one in listed if not one.nodes]

    assert idle == []
    assert len(listed) >= 300


class Odd(NamedTuple):
    """A figure as a module of its own might have it."""

    id: str
    source: str
    mark: str
    up_bytes: int
    down_bytes: int


@dataclass(frozen=True)
class Classy:
    """A figure as a data class."""

    id: str
    source: str
    mark: str
    inputs: str
    expected_ms: float
    tolerance_ms: float = 0.0


ONE = Figure("one", "a book", "seen", "2 + 2", 4)
ODD = Odd("odd", "a table", "seen-2nd+recomputed", 1, 2)
CLASSY = Classy("classy", "a page", "memory", "SF7", 46.336, 0.001)
PLANTED = Figure("own", "common practice, no source", "written with struct", "", "")


def test_figures_are_found_wherever_they_stand() -> None:
    """In lists, tables and parameter sets; a planted mistake of our own is none, nor is a class."""
    found = figures_in([[ONE], {"a": (ODD,)}, pytest.param(CLASSY, id="x"), PLANTED, Figure, "text", 4])

    assert [*found] == [ONE, ODD, CLASSY]


TOLD = [
    pytest.param(ONE, ("2 + 2", "4"), id="inputs and value"),
    pytest.param(ODD, ("", "up_bytes 1, down_bytes 2"), id="all fields are the value"),
    pytest.param(CLASSY, ("SF7", "46.336"), id="a field that begins with expected"),
]


@pytest.mark.parametrize(("figure", "cells"), TOLD)
def test_what_is_told_of_a_figure(figure: Figure[str, int], cells: tuple[str, str]) -> None:
    """What goes in and the value as it is written, without tolerances."""
    assert told(figure) == cells


def test_note_of_a_figure() -> None:
    """Value, source and mark in one line."""
    assert note_of(ONE) == "one of 2 + 2: 4; a book [seen]"


@pytest.fixture
def own(pytester: pytest.Pytester, request: pytest.FixtureRequest) -> pytest.Pytester:
    """A folder with this project's hooks and a test module of its own."""
    root: Path = request.config.rootpath
    hooks = "from tests.conftest import pytest_collection_modifyitems, pytest_runtest_call\n"
    pytester.makeconftest(f"import sys\nsys.path.insert(0, {str(root)!r})\n{hooks}")
    pytester.makepyfile(
        test_own="""
        import pytest
        from tests.published import Figure

        FIGURES = [Figure("sum", "a book", "seen", "2 + 2", 4), Figure("odd sum", "a page", "memory", "2 + 2", 5)]
        TABLE = [Figure("looked up", "a table", "recomputed", "3 + 3", 6)]

        @pytest.mark.parametrize("figure", FIGURES, ids=lambda figure: figure.id)
        def test_sum(figure):
            assert figure.expected == 4

        def test_table():
            assert TABLE[0].expected == 6

        def test_other():
            assert True
        """
    )
    return pytester


def test_figures_are_shown_with_source_and_mark(own: pytest.Pytester) -> None:
    """`-rA -k figures` runs the tests that use figures and shows each with source and mark, failed or passed."""
    result = own.runpytest_subprocess("-rA", "-k", "figures", "-p", "no:cacheprovider")

    result.assert_outcomes(passed=2, failed=1, deselected=1)
    text = result.stdout.str()
    for line in (
        "sum of 2 + 2: 4; a book [seen]",
        "odd sum of 2 + 2: 5; a page [memory]",
        "looked up of 3 + 3: 6; a table [recomputed]",
    ):
        assert line in text.splitlines()


def test_failing_figure_names_its_source_without_being_asked(own: pytest.Pytester) -> None:
    """A plain run that fails shows where the expected value is from, and how well it is backed."""
    result = own.runpytest_subprocess("-p", "no:cacheprovider")

    assert "odd sum of 2 + 2: 5; a page [memory]" in result.stdout.str().splitlines()
    assert "sum of 2 + 2: 4; a book [seen]" not in result.stdout.str().splitlines()
