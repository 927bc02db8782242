"""Reads a TOML table by what is expected of it, and collects every problem instead of stopping at the first.

Owns how a problem reads: file, key path, value, accepted set, nearest known key. Knows nothing of what the
keys mean. A read that failed returns a stand-in of the right type, so that reading goes on and finds the
rest; whoever reads a file raises once at the end with everything found.
"""

from __future__ import annotations

import difflib
import math
import re
import sys
import tomllib
from datetime import date
from datetime import time as clock_time
from typing import TYPE_CHECKING, TypeGuard, TypeVar

from benchrig.errors import ConfigError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence
    from pathlib import Path

T = TypeVar("T")

REQUIRED = object()
"""Default that says: the key must be there."""

_NEVER = r"(?!)"
_SHOWN_CHARACTERS = 60
_MOST_NUMBERS = 1000
"""In one array: nobody plans more points by hand, and a plan that multiplies them would never end. Own choice."""


def nearest(word: str, known: Sequence[str]) -> str:
    """' (nearest known: x)' when something known is close to `word`, else ''."""
    close = difflib.get_close_matches(word, known, n=1, cutoff=0.6)
    return f" (nearest known: {close[0]})" if close else ""


class Section:
    """One TOML table with its place in the file; `problems` is shared by all sections of the file."""

    def __init__(self, table: dict[str, object], *, file: str, path: str, problems: list[str]) -> None:
        self._table = table
        self._asked: dict[str, None] = {}
        self.file = file
        self.path = path
        self.problems = problems

    def problem(self, key: str, message: str) -> None:
        """Record a problem with a key of this table; an empty key means the table itself."""
        place = ".".join(part for part in (self.path, key) if part) or "(top level)"
        self.problems.append(f"{self.file}: {place}: {message}")

    def has(self, key: str) -> bool:
        return key in self._table

    def raw(self, key: str) -> object:
        """The value as it stands, for a key that may be of several types."""
        return self._take(key, None)

    def names(self) -> tuple[str, ...]:
        return tuple(self._table)

    def _take(self, key: str, default: object) -> object:
        self._asked[key] = None
        if key in self._table:
            return self._table[key]
        if default is REQUIRED:
            self.problem(key, "this key is missing")
        return default

    def _wrong(self, key: str, value: object, expected: str) -> None:
        self.problem(key, f"{_shown(value)} is not {expected}")

    def text(self, key: str, *, default: object = REQUIRED, accepted: Sequence[str] = (), empty: bool = False) -> str:
        """A string; with `accepted` one of that set. '' stands in for a bad one."""
        value = self._take(key, default)
        if value is default and key not in self._table:  # an empty text that is written is not one left out
            return value if isinstance(value, str) else ""
        if not isinstance(value, str) or not (empty or value.strip(" \t")):  # a line end says something
            self._wrong(key, value, "a text" if empty else "a text that says something")
            return ""
        if accepted and value not in accepted:
            self._wrong(key, value, f"one of: {', '.join(accepted)}{nearest(value, accepted)}")
            return ""
        return value

    def number(
        self,
        key: str,
        *,
        default: object = REQUIRED,
        at_least: float = -math.inf,
        at_most: float = math.inf,
        above: float = -math.inf,
    ) -> float:
        """A finite number within bounds. NaN stands in for a bad or absent one."""
        value = self._take(key, default)
        if value is default:
            return float(value) if isinstance(value, int | float) else math.nan
        if not _is_finite(value):
            self._wrong(key, value, "a finite number")
            return math.nan
        if not (at_least <= value <= at_most and value > above):
            self._wrong(key, value, f"a number {_bounds(at_least, at_most, above)}")
            return math.nan
        return float(value)

    def optional_number(self, key: str) -> float | None:
        """A finite number, or None when the key is not there or its value is no number."""
        value = self.number(key, default=None)
        return value if math.isfinite(value) else None

    def integer(self, key: str, *, default: object = REQUIRED, at_least: int, at_most: int) -> int:
        """A whole number within bounds. `at_least` stands in for a bad one."""
        value = self._take(key, default)
        if value is default:
            return value if isinstance(value, int) else at_least
        if isinstance(value, bool) or not isinstance(value, int) or not at_least <= value <= at_most:
            self._wrong(key, value, f"a whole number from {at_least} to {at_most}")
            return at_least
        return value

    def boolean(self, key: str, *, default: bool) -> bool:
        value = self._take(key, default)
        if not isinstance(value, bool):
            self._wrong(key, value, "true or false")
            return default
        return value

    def day(self, key: str) -> date | None:
        """A TOML local date such as 2027-03-01, or None when absent."""
        value = self._take(key, None)
        if value is None or type(value) is date:
            return value
        self._wrong(key, value, "a date without quotes, such as 2027-03-01")
        return None

    def pattern(self, key: str, *, default: object = REQUIRED) -> re.Pattern[str]:
        """A regular expression, compiled. One that never matches stands in for a bad one."""
        text = self.text(key, default=default)
        try:
            return re.compile(text or _NEVER)
        except (re.error, OverflowError, RecursionError) as wrong:
            self.problem(key, f"{_shown(text)} is not a regular expression: {wrong}")
            return re.compile(_NEVER)

    def texts(self, key: str, *, default: object = REQUIRED, accepted: Sequence[str] = ()) -> tuple[str, ...]:
        """An array of strings."""
        value = self._take(key, default)
        if value is default:
            return value if isinstance(value, tuple) else ()
        if not isinstance(value, list) or not all(isinstance(item, str) and item for item in value):
            self._wrong(key, value, "an array of texts")
            return ()
        for item in value:
            if accepted and item not in accepted:
                self._wrong(key, item, f"one of: {', '.join(accepted)}{nearest(item, accepted)}")
        return tuple(value)

    def numbers(self, key: str, *, default: object = REQUIRED) -> tuple[float, ...]:
        """An array of finite numbers."""
        value = self._take(key, default)
        if value is default:
            return value if isinstance(value, tuple) else ()
        if not isinstance(value, list) or not all(_is_finite(item) for item in value):
            self._wrong(key, value, "an array of finite numbers")
            return ()
        if len(value) > _MOST_NUMBERS:
            self.problem(key, f"{len(value)} numbers; accepted: at most {_MOST_NUMBERS} in an array")
            return ()
        return tuple(float(item) for item in value)

    def section(self, key: str, *, required: bool = True) -> Section | None:
        """A sub-table; None when it is absent or no table."""
        value = self._take(key, REQUIRED if required else None)
        if isinstance(value, dict):
            return self._child(value, key)
        if value is not None and value is not REQUIRED:
            self._wrong(key, value, "a table")
        return None

    def sections(self, key: str, *, required: bool = True) -> Iterator[tuple[str, Section]]:
        """Every sub-table of a sub-table, with its name."""
        parent = self.section(key, required=required)
        if parent is None:
            return
        for name in parent.names():
            child = parent.section(name)
            if child is not None:
                yield name, child

    def listed(self, key: str, *, required: bool = True) -> Iterator[Section]:
        """Every table of an array of tables."""
        value = self._take(key, REQUIRED if required else None)
        if value is None or value is REQUIRED:
            return
        if not isinstance(value, list) or not all(isinstance(item, dict) for item in value):
            self._wrong(key, value, "an array of tables")
            return
        for number, item in enumerate(value):
            yield self._child(item, f"{key}[{number}]")

    def _child(self, table: dict[str, object], key: str) -> Section:
        path = f"{self.path}.{key}" if self.path else key
        return Section(table, file=self.file, path=path, problems=self.problems)

    def finish(self, *, also_known: Sequence[str] = ()) -> None:
        """Report every key of this table that nobody asked for."""
        known = (*self._asked, *also_known)
        for key in self._table:
            if key not in known:
                hint = nearest(key, known)
                accepted = "" if hint else f" (known here: {', '.join(sorted(known)) or 'none'})"
                self.problem(key, f"unknown key{hint}{accepted}")


def read_toml(path: Path, *, what: str, build: Callable[[Section], T]) -> T:
    """Read a file and build what it describes. Raises ConfigError with every problem found at once."""
    return build_from(_parse(path, what=what), file=str(path), what=what, build=build)


def build_from(table: dict[str, object], *, file: str, what: str, build: Callable[[Section], T]) -> T:
    """Build from an already parsed table; pure. Raises ConfigError with every problem found at once."""
    problems: list[str] = []
    built = build(Section(table, file=file, path="", problems=problems))
    if problems:
        raise ConfigError(f"{what} {file}: {_counted(problems)}\n  " + "\n  ".join(problems), tuple(problems))
    return built


def _parse(path: Path, *, what: str) -> dict[str, object]:
    try:
        # some editors put a byte order mark before the first table
        return tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except FileNotFoundError:
        raise ConfigError(f"{what} {path}: there is no such file{_beside(path)}") from None
    except OSError as wrong:
        raise ConfigError(f"{what} {path}: cannot be read: {wrong.strerror or wrong}") from wrong
    except UnicodeDecodeError as wrong:
        raise ConfigError(f"{what} {path}: is not UTF-8 text (byte {wrong.start})") from wrong
    except tomllib.TOMLDecodeError as wrong:
        raise ConfigError(f"{what} {path}: is not TOML: {wrong}") from wrong
    except RecursionError:
        raise ConfigError(f"{what} {path}: is not TOML that can be read: its values are nested too deeply") from None
    except ValueError as wrong:  # a name that no file can have, or a number of thousands of digits
        raise ConfigError(f"{what} {str(path)!r}: cannot be read: {wrong}") from wrong


def _beside(path: Path) -> str:
    folder = path.parent
    others = sorted(item.name for item in folder.glob("*.toml")) if folder.is_dir() else []
    return f"; {folder} holds: {', '.join(others)}" if others else ""


def _counted(problems: Sequence[str]) -> str:
    return "1 problem" if len(problems) == 1 else f"{len(problems)} problems"


def _is_finite(value: object) -> TypeGuard[float]:
    """Whether it is a number that a float can hold; a TOML integer has no largest value."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return False
    return abs(value) <= sys.float_info.max


def _shown(value: object) -> str:
    """The value as it stands in the file, as far as it is short."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, date | clock_time):
        return value.isoformat()
    try:
        text = repr(value)
    except ValueError:  # Python writes no integer of more than 4300 digits
        text = "a number of thousands of digits"
    return text if len(text) <= _SHOWN_CHARACTERS else text[: _SHOWN_CHARACTERS - 3] + "..."


def _bounds(at_least: float, at_most: float, above: float) -> str:
    low = f"above {above:g}" if above > at_least else f"at least {at_least:g}" if at_least > -math.inf else ""
    high = f"at most {at_most:g}" if at_most < math.inf else ""
    return " and ".join(part for part in (low, high) if part)
