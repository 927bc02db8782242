"""The demo profile as a table that a test changes in one place, written back as TOML.

Places are written as in the reader's own messages, such as `payload.fields[0].offset`.
"""

from __future__ import annotations

import json
import re
import tomllib
from pathlib import Path
from typing import Final, cast

ROOT: Final = Path(__file__).parents[2]
PROFILE: Final = ROOT / "fixtures" / "boards" / "hay-barn-probe.toml"
GONE: Final = object()
"""In place of a value: the key is taken out."""

Table = dict[str, object]


def shipped() -> Table:
    """The demo profile as it is shipped, fresh for each caller."""
    return tomllib.loads(PROFILE.read_text(encoding="utf-8"))


def changed(table: Table, place: str, value: object) -> Table:
    """`table` itself with one place set, or taken out; tables on the way are made where they are missing."""
    *way, last = _steps(place)
    holder: object = table
    for step in way:
        if isinstance(step, str):
            cast("Table", holder).setdefault(step, {})
        holder = cast("dict[str | int, object]", holder)[step]
    if value is GONE:
        del cast("Table", holder)[cast("str", last)]
    else:
        cast("dict[str | int, object]", holder)[last] = value
    return table


def without_checks(*checks: str) -> Table:
    """The table `required` of the demo profile, without these checks."""
    required = cast("dict[str, list[str]]", shipped()["required"])
    return {use: [name for name in names if name not in checks] for use, names in required.items()}


def read_at(table: Table, place: str) -> object:
    """What stands at a place."""
    found: object = table
    for step in _steps(place):
        found = cast("dict[str | int, object]", found)[step]
    return found


def places_of_numbers(value: object, place: str = "") -> list[str]:
    """Where the numbers of a table stand."""
    if isinstance(value, dict):
        return [at for key, one in value.items() for at in places_of_numbers(one, f"{place}.{key}".lstrip("."))]
    if isinstance(value, list):
        return [at for number, one in enumerate(value) for at in places_of_numbers(one, f"{place}[{number}]")]
    return [place] if isinstance(value, int | float) and not isinstance(value, bool) else []


def write_toml(folder: Path, table: Table) -> Path:
    """The table as a file."""
    path = folder / "probe.toml"
    path.write_text("".join(f"{key} = {_toml(value)}\n" for key, value in table.items()), encoding="utf-8")
    return path


def _steps(place: str) -> list[str | int]:
    return [int(step[1:-1]) if step.startswith("[") else step for step in re.findall(r"\[\d+\]|[^.\[\]]+", place)]


def _toml(value: object) -> str:
    match value:
        case dict():
            return "{" + ", ".join(f"{json.dumps(key)} = {_toml(one)}" for key, one in value.items()) + "}"
        case list():
            return "[" + ", ".join(map(_toml, value)) + "]"
        case bool() | str():
            return json.dumps(value)
        case _:
            return repr(value)
