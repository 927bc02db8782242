"""What commands print as JSON is JSON."""

from __future__ import annotations

import json
import math
import re
from pathlib import Path
from typing import NoReturn

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchrig.plain_json import json_text

PACKAGE = Path(__file__).parents[1] / "benchrig"


def refuse(word: str) -> NoReturn:
    """What RFC 8259 does not know: NaN, Infinity, -Infinity; Python's own reader takes them unless told."""
    raise ValueError(f"{word} is no JSON")


NOTHING = st.none() | st.booleans() | st.integers() | st.floats() | st.text()
ANYTHING = st.recursive(NOTHING, lambda one: st.lists(one) | st.dictionaries(st.text(), one), max_leaves=20)


@given(ANYTHING)
def test_whatever_is_told_can_be_read(what: object) -> None:
    """Any numbers, texts, lists and tables come out as JSON by the letter, with nothing else changed."""
    back = json.loads(json_text(what), parse_constant=refuse)

    assert json_text(back) == json_text(what)


@pytest.mark.parametrize("number", [math.nan, math.inf, -math.inf])
def test_no_number_is_null(number: float) -> None:
    """What is no finite number is null, however deep it lies."""
    assert json_text({"a": [1.5, (number,)], "b": {"c": number}}) == '{"a": [1.5, [null]], "b": {"c": null}}'


OWN_WRITERS = {"plain_json.py", "dossier/pdf.py", "bench/ownership.py"}
"""The one for what is told, the data of a page, and the line of a lock; msgspec writes no NaN."""


def test_nothing_that_is_told_makes_json_by_itself() -> None:
    """Python's own writer, which prints NaN unless told, is called in these modules alone; the simulation is apart."""
    modules = (path for path in PACKAGE.rglob("*.py") if path.relative_to(PACKAGE).parts[0] != "simulation")
    writers = {
        path.relative_to(PACKAGE).as_posix()
        for path in modules
        if re.search(r"(?<!msgspec\.)\bjson\.dumps?\(", path.read_text(encoding="utf-8"))
    }

    assert writers <= OWN_WRITERS


def test_what_is_no_json_is_refused() -> None:
    """A set has no form in JSON: that is a mistake of the program, and told as one."""
    with pytest.raises(TypeError, match="set is not JSON serializable"):
        json_text({1, 2})
