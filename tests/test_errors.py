"""The error tree: whose fault it was stands in the type, and errors survive a trip through another process."""

from __future__ import annotations

import inspect
import pickle
import re

import pytest

from benchrig import errors
from benchrig.errors import (
    BenchError,
    BenchrigError,
    BoardError,
    BoardTimeout,
    ConfigError,
    InstrumentError,
    InstrumentTimeout,
)

CLASSES = [
    value for value in vars(errors).values() if inspect.isclass(value) and issubclass(value, BenchrigError)
]  # in the order of the file
RAISED = [kind for kind in CLASSES if kind is not BenchrigError]
_BRANCH = re.compile(r"^ {4}((?:[|` ] {3})*(?:[|`]-- )?)([A-Z]\w+)\b")


def _drawn() -> dict[str, str]:
    """Every class of the drawn tree with the one above it."""
    drawn: dict[str, str] = {}
    above: list[str] = []
    for line in inspect.getdoc(errors).__str__().splitlines():
        found = _BRANCH.match("" if not line.startswith("    ") else line)
        if found:
            depth = len(found[1]) // 4
            above[depth:] = [found[2]]
            drawn[found[2]] = above[depth - 1] if depth else ""
    return drawn


def test_tree_in_the_docstring_is_the_tree() -> None:
    """The drawing shows every class of the module below the class that it derives from, and no other."""
    assert _drawn() == {kind.__name__: "" if kind is BenchrigError else kind.__mro__[1].__name__ for kind in CLASSES}


def test_base_refuses_to_be_raised() -> None:
    """An error must say whose fault it was."""
    with pytest.raises(TypeError, match="raise a subclass of BenchrigError: the type says whose fault it was"):
        BenchrigError("something went wrong")


@pytest.mark.parametrize("kind", RAISED)
def test_every_error_survives_pickling(kind: type[BenchrigError]) -> None:
    """Type, text and fields come back from another process."""
    error = kind("asked A, came back B")

    copy = pickle.loads(pickle.dumps(error))

    assert type(copy) is kind
    assert (copy.message, str(copy), copy.__dict__) == ("asked A, came back B", "asked A, came back B", error.__dict__)


@pytest.mark.parametrize("kind", [kind for kind in RAISED if issubclass(kind, InstrumentError)])
def test_instrument_errors_keep_the_instrument(kind: type[InstrumentError]) -> None:
    """The name in the bench file travels with the error."""
    assert pickle.loads(pickle.dumps(kind("no answer", "meter"))).instrument == "meter"


def test_config_error_keeps_every_problem() -> None:
    """All problems of a file travel with the error; one that names none is its own only problem."""
    copy = pickle.loads(pickle.dumps(ConfigError("two problems", ("a", "b"))))

    assert copy.problems == ("a", "b")
    assert ConfigError("alone").problems == ("alone",)


@pytest.mark.parametrize("kind", [InstrumentTimeout, BoardTimeout])
def test_time_outs_are_time_outs_of_the_language(kind: type[BenchrigError]) -> None:
    """Whoever catches TimeoutError catches them."""
    assert issubclass(kind, TimeoutError)


def test_bench_and_board_are_two_branches() -> None:
    """No error is charged to both."""
    assert not [kind for kind in RAISED if issubclass(kind, BenchError) and issubclass(kind, BoardError)]
