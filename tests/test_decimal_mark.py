"""Commas in columns of numbers: which are decimal marks for certain, and which cell is told when one is not."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchrig.decimal_mark import comma_doubt, until_sure


def column(*cells: str) -> list[tuple[int, str]]:
    """Cells one below the other, from line 2 on."""
    return list(enumerate(cells, 2))


SURE = [
    pytest.param(column("1.234", "5.678"), id="points alone"),
    pytest.param(column("1234", "5"), id="neither"),
    pytest.param(column("0,512", "1,234"), id="a zero before the comma"),
    pytest.param(column("1,5", "1,234"), id="one digit behind it"),
    pytest.param(column("1234,567"), id="four digits before it"),
    pytest.param(column("-1,7e-05", "+1,234"), id="an exponent"),
    pytest.param(column(",512", "1,234"), id="nothing before it"),
    pytest.param(column("0,5", "n.a.", "1,2,x", ""), id="words are for others to tell"),
]


@pytest.mark.parametrize("cells", SURE)
def test_decimal_commas_leave_no_doubt(cells: list[tuple[int, str]]) -> None:
    """A column in which every comma can be a decimal mark alone, or one cell of which must be, is read."""
    assert comma_doubt(cells) is None


DOUBTFUL = [
    pytest.param(column("1,234", "12,345"), (2, "1,234"), "nothing beside it tells which", id="all may be thousands"),
    pytest.param(column("5", "-123,456"), (3, "-123,456"), "nothing beside it tells which", id="with whole numbers"),
    pytest.param(column("0,5", "1,234,567"), (3, "1,234,567"), "more than one mark", id="two commas"),
    pytest.param(column("0,5", " 1.234,5 "), (3, "1.234,5"), "more than one mark", id="point and comma"),
    pytest.param(column("1.234.567"), (2, "1.234.567"), "more than one mark", id="two points"),
    pytest.param(column("1.5", "2,5"), (3, "2,5"), "while line 2 has '1.5'", id="both marks in one column"),
    pytest.param(column("1.5", "2,500"), (3, "2,500"), "while line 2 has '1.5'", id="a point, and perhaps thousands"),
]


@pytest.mark.parametrize(("cells", "place", "words"), DOUBTFUL)
def test_what_may_be_thousands_is_told(cells: list[tuple[int, str]], place: tuple[int, str], words: str) -> None:
    """The cell is named with its line, and why it cannot be read."""
    doubt = comma_doubt(cells)

    assert doubt is not None
    assert (doubt.line, doubt.cell) == place
    assert words in doubt.why


def test_a_decimal_comma_in_one_column_explains_another() -> None:
    """Times such as 0,5 say what the comma of 1,234 is; times with points do not."""
    currents = column("1,234", "2,345")

    assert comma_doubt(currents, column("0,0", "0,5")) is None
    assert comma_doubt(currents, column("0.0", "0.5")) is not None


def test_a_long_column_is_read_as_far_as_it_is_sure() -> None:
    """The first cell that leaves no doubt is the last that is asked; without one, all of them are."""
    cells = column("5", "1,234", "x,5", "0,5", "2,345")

    assert list(until_sure(cells)) == cells[:4]
    assert list(until_sure(cells[:3])) == cells[:3]


@given(st.lists(st.floats(-1e9, 1e9, allow_nan=False), min_size=1), st.integers(0, 6))
def test_what_is_written_with_a_comma_is_one_number(values: list[float], decimals: int) -> None:
    """A program that writes decimal commas is read, but where all of its numbers may be thousands."""
    texts = [f"{value:.{decimals}f}".replace(".", ",") for value in values]

    doubt = comma_doubt(list(enumerate(texts)))

    assert doubt is None or (
        decimals == 3 and all(1.0 <= abs(float(doubt.cell.replace(",", "."))) < 1000.0 for _ in texts)
    )
