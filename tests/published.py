"""The published figures that the tests hold the project against: found in the test modules, written into one list.

A figure is any value with the fields `id`, `source` and `mark` that stands in a table of a test module. The list,
published_figures.md, is made from these tables alone, so that somebody with the documents at hand can check it
line by line. Made again by `python -m tests.published` in the folder of the project.

A mark says how well the expected value is backed: seen in the named source; seen-2nd, in another text that quotes it;
recomputed with a library or by hand; from memory. Joined by + where several hold.
"""

from __future__ import annotations

import ast
import dataclasses
import importlib
import re
from collections.abc import Callable, Iterator, Mapping
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Final, Generic, NamedTuple, Protocol, TypeVar, runtime_checkable

if TYPE_CHECKING:
    from types import ModuleType

    import pytest

HERE: Final = Path(__file__).parent
LIST: Final = HERE / "published_figures.md"
OWN_TEST: Final = "test_published_figures.py"
"""Its figures are made up, to try this module."""
COMMAND: Final = "python -m tests.published"
_MARKS: Final = re.compile(r"\b(seen|seen-2nd|recomputed|memory)\b")
_NOT_TOLD: Final = ("id", "source", "mark", "found", "compute", "tolerance", "tolerance_ms")
_HEAD: Final = f"""# Published figures

What the tests hold the project against, by source. Generated from the tables of the test modules; do not edit.
To make it again: `{COMMAND}`. `pytest -rA -k figures` runs what is tested here and shows source and mark.

Marks: *seen* in the named source itself; *seen-2nd* in another text that quotes it; *recomputed* with a library or by
hand; *memory*. Only what is *seen* needs no second look.
"""


@runtime_checkable
class Published(Protocol):
    """What every figure has, whatever else its test needs."""

    @property
    def id(self) -> str: ...

    @property
    def source(self) -> str: ...

    @property
    def mark(self) -> str: ...


Given = TypeVar("Given")
Value = TypeVar("Value")


class Figure(NamedTuple, Generic[Given, Value]):
    """A figure for tests that need no other fields than these."""

    id: str
    source: str
    mark: str
    inputs: Given
    expected: Value

    def __str__(self) -> str:
        return f"{self.id}: published {self.expected!r}; {self.source} [{self.mark}]"


class Listed(NamedTuple):
    """One line of the list: the figure, and the tests that hold something against it."""

    figure: Published
    nodes: tuple[str, ...]


def figures_in(value: object) -> Iterator[Published]:
    """Every figure in a value, in lists, tuples, tables and parameter sets as well."""
    if _is_figure(value):
        assert isinstance(value, Published)
        yield value
    elif isinstance(value, Mapping):
        yield from (one for inner in value.values() for one in figures_in(inner))
    elif isinstance(value, list | tuple):
        yield from (one for inner in value for one in figures_in(inner))


def _is_figure(value: object) -> bool:
    """Planted mistakes of our own have the same fields, but no mark of these."""
    if isinstance(value, type) or not isinstance(value, Published):
        return False
    texts = (value.id, value.source, value.mark)
    return all(isinstance(text, str) for text in texts) and bool(_MARKS.search(value.mark))


def all_listed() -> list[Listed]:
    """Every figure of every test module, in the order of modules and tables."""
    paths = sorted(path for path in HERE.rglob("test_*.py") if path.name != OWN_TEST and _has_figures(path))
    return [one for path in paths for one in listed_of(_module(path), path)]


def _has_figures(path: Path) -> bool:
    return "Figure(" in path.read_text(encoding="utf-8")


def _module(path: Path) -> ModuleType:
    parts = path.relative_to(HERE.parent).with_suffix("").parts
    return importlib.import_module(".".join(parts))


def listed_of(module: ModuleType, path: Path) -> Iterator[Listed]:
    """The figures of one module, once each, with the tests that use them."""
    tables = {name: tuple(figures_in(value)) for name, value in vars(module).items()}
    users = _users(path, [name for name, found in tables.items() if found])
    done: list[Published] = []
    for name, found in tables.items():
        for figure in found:
            if not any(figure is one for one in done):  # arrays in a figure cannot be compared
                done.append(figure)
                yield Listed(figure, tuple(node for node, uses in users.items() if uses(name, figure.id)))


def _users(path: Path, tables: list[str]) -> dict[str, Callable[[str, str], bool]]:
    """For each test function of a file whether it uses a table, or names a figure of it.

    A helper that returns the figure of a given name uses its table on behalf of the test that gives the name.
    """
    tree = ast.parse(path.read_text(encoding="utf-8"))
    root = path.relative_to(HERE.parent).as_posix() if path.is_relative_to(HERE.parent) else path.name
    return {
        f"{root}::{node.name}": _uses(node, tables)
        for node in ast.walk(tree)
        if isinstance(node, ast.FunctionDef) and node.name.startswith("test_")
    }


def _uses(function: ast.FunctionDef, tables: list[str]) -> Callable[[str, str], bool]:
    names = {node.id for node in ast.walk(function) if isinstance(node, ast.Name)} & set(tables)
    texts = {node.value for node in ast.walk(function) if isinstance(node, ast.Constant)}
    return lambda table, figure: table in names or figure in texts


def figures_of(item: pytest.Function) -> list[Published]:
    """The figures of one test: those in its parameters, else those that its function uses."""
    call = getattr(item, "callspec", None)
    given = [] if call is None else [*figures_in([*call.params.values()])]
    return given or _used_by(item.path, item.module, item.originalname)


def _used_by(path: Path, module: ModuleType, function: str) -> list[Published]:
    return [one.figure for one in _listed_of(path, module) if any(node.endswith(f"::{function}") for node in one.nodes)]


@cache
def _listed_of(path: Path, module: ModuleType) -> tuple[Listed, ...]:
    return tuple(listed_of(module, path)) if _has_figures(path) else ()


# ---- the list --------------------------------------------------------------------------------------------


def list_text() -> str:
    """The whole list."""
    by_source: dict[str, list[Listed]] = {}
    for one in all_listed():
        by_source.setdefault(one.figure.source, []).append(one)
    return "\n".join([_HEAD, *(line for source in sorted(by_source) for line in _section(source, by_source[source]))])


def _section(source: str, found: list[Listed]) -> Iterator[str]:
    yield f"## {_cell(source)}\n"
    yield "| id | of | value | mark | tested in |"
    yield "|---|---|---|---|---|"
    for one in found:
        given, value = told(one.figure)
        cells = (one.figure.id, given, value, one.figure.mark, ", ".join(one.nodes))
        yield f"| {' | '.join(map(_cell, cells))} |"
    yield ""


def told(figure: Published) -> tuple[str, str]:
    """What goes in, and the published value; where no field is called the expected one, all of them are the value."""
    fields = {name: value for name, value in _fields(figure).items() if name not in _NOT_TOLD}
    expected = {name: value for name, value in fields.items() if name.startswith("expected")}
    given = {name: value for name, value in fields.items() if name not in expected} if expected else {}
    return _text(given), _text(expected or fields)


def _fields(figure: Published) -> dict[str, object]:
    if dataclasses.is_dataclass(figure):
        return {field.name: getattr(figure, field.name) for field in dataclasses.fields(figure)}
    return dict(figure._asdict()) if isinstance(figure, tuple) and hasattr(figure, "_asdict") else {}


def _text(fields: Mapping[str, object]) -> str:
    if len(fields) == 1:
        (value,) = fields.values()
        return value if isinstance(value, str) else _plain(value)
    return ", ".join(f"{name} {_plain(value)}" for name, value in fields.items())


def _plain(value: object) -> str:
    if isinstance(value, Mapping):
        return ", ".join(f"{key} {_plain(one)}" for key, one in value.items())
    return repr(value)


def _cell(text: str) -> str:
    return text.replace("|", "\\|").replace("\n", " ")


def note_of(figure: Published) -> str:
    """A figure in one line, as a test run shows it."""
    given, value = told(figure)
    return f"{figure.id}{f' of {given}' if given else ''}: {value}; {figure.source} [{figure.mark}]"


if __name__ == "__main__":
    LIST.write_text(list_text(), encoding="utf-8")
    print(f"{LIST}: {len(all_listed())} figures")  # noqa: T201  # a command of the project's own tests
