"""Columns of a trace file: which one is the current, which one the time, and in which units.

Owns what a heading means. Must not know the form of the file. A heading carries its unit behind the name, as in
`current_mA`, `Current (mA)`, `I [µA]` or `I/µA`; without one it is taken as ampere or second, and that is told.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

from benchrig.errors import ConfigError
from benchrig.quantity import base_unit

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy as np
    import numpy.typing as npt

    Floats = npt.NDArray[np.float64]

_BRACKETED = re.compile(r"(.*?)\s*[\[(]\s*([^\[\]()]*?)\s*[\])]\s*")
_BEHIND = re.compile(r"(.*?)[\s_/]+([^\s_/]+)\s*")

_ALIAS = {
    "a": "A", "ma": "mA", "ua": "uA", "µa": "uA", "na": "nA", "pa": "pA", "amp": "A", "amps": "A", "ampere": "A",
    "sec": "s", "secs": "s", "second": "s", "seconds": "s", "msec": "ms", "usec": "us",
    "UA": "uA", "NA": "nA", "PA": "pA", "S": "s", "US": "us", "NS": "ns", "Sec": "s", "SEC": "s", "Seconds": "s",
}  # fmt: skip
_TWO_MEANINGS = {"MA": "mA, or A", "MS": "ms, or s", "Ms": "ms, or s"}
"""Mega by the SI, milli as some instruments write it: a factor of 10^9 is not guessed."""

_LONGEST_HEADING = 200
"""What is longer is no heading: it is not searched for a unit, which takes time with the square of its length."""

_SHOWN_CHARACTERS = 60
_SHOWN_HEADINGS = 8

_CURRENT_NAMES = frozenset(("current", "i", "amps", "ampere", "amperes"))
_TIME_NAMES = frozenset(("time", "t", "timestamp", "seconds"))

_ACCEPTED = "name a column current_A, current_mA, current_uA or the like, and a time column time_s or time_ms"


@dataclass(frozen=True, slots=True)
class Heading:
    """A heading as it stands in the file, the name in it, and its unit: base unit and factor, None for none."""

    text: str
    name: str
    base: str | None
    factor: float

    @property
    def is_current(self) -> bool:
        """Whether this column can be the current."""
        return self.base == "A" or (self.base is None and self.name.lower() in _CURRENT_NAMES)

    @property
    def is_time(self) -> bool:
        """Whether this column can be the time."""
        return self.base == "s" or (self.base is None and self.name.lower() in _TIME_NAMES)


@dataclass(frozen=True, slots=True)
class Picked:
    """Positions of the columns with the factors that bring them to ampere and second; no time column: None."""

    current: int
    current_factor: float
    time: int | None
    time_factor: float
    notes: tuple[str, ...]


def shortened(text: str) -> str:
    """As much of what stands in a file as a message can show."""
    return text if len(text) <= _SHOWN_CHARACTERS else f"{text[:_SHOWN_CHARACTERS]}..."


def read_heading(text: str, *, file: str) -> Heading:
    """A heading taken apart. Raises ConfigError for a unit that has two meanings."""
    if len(text) > _LONGEST_HEADING:
        return Heading(text.strip(), text.strip(), None, 1.0)
    for pattern in (_BRACKETED, _BEHIND):
        match = pattern.fullmatch(text.strip())
        if match is not None:
            name, unit = match[1], match[2]
            if unit in _TWO_MEANINGS:
                raise ConfigError(
                    f"trace {file}: column {text!r}: {unit} is mega or milli; accepted: {_TWO_MEANINGS[unit]}"
                )
            found = _unit(unit)
            if found is not None or pattern is _BRACKETED:
                return Heading(text.strip(), name, *(found or (unit, 1.0)))
    return Heading(text.strip(), text.strip(), None, 1.0)


def _unit(text: str) -> tuple[str, float] | None:
    try:
        return base_unit(_ALIAS.get(text, text))
    except ValueError:
        return None


def pick(texts: Sequence[str], *, column: str | None, file: str) -> Picked:
    """Choose by heading; `column` names the current where several could be. Raises ConfigError."""
    headings = [read_heading(text, file=file) for text in texts]
    current = _current(headings, column, file=file)
    times = [index for index, one in enumerate(headings) if one.is_time and index != current]
    time = times[0] if times else None
    chosen = [(headings[current], "ampere")] + ([(headings[time], "second")] if time is not None else [])
    return Picked(
        current,
        headings[current].factor,
        time,
        headings[time].factor if time is not None else 1.0,
        tuple(f"column {one.text!r} has no unit: taken as {unit}" for one, unit in chosen if one.base is None),
    )


def _current(headings: Sequence[Heading], column: str | None, *, file: str) -> int:
    names = _listed(headings)
    if column is not None:
        named = [index for index, one in enumerate(headings) if column in (one.text, one.name)]
        if len(named) != 1:
            raise ConfigError(f"trace {file}: {len(named)} columns are {column!r}; accepted: one of {names}")
        heading = headings[named[0]]
        if heading.base not in ("A", None):
            raise ConfigError(f"trace {file}: column {heading.text!r} is in {heading.base}, no current; {_ACCEPTED}")
        return named[0]
    found = [index for index, one in enumerate(headings) if one.is_current]
    if len(found) > 1:
        raise ConfigError(f"trace {file}: {len(found)} columns could be the current ({names}); say which (--column)")
    if not found:
        raise ConfigError(f"trace {file}: no column is a current by name and unit ({names}); {_ACCEPTED}")
    return found[0]


def _listed(headings: Sequence[Heading]) -> str:
    names = ", ".join(repr(shortened(one.text)) for one in headings[:_SHOWN_HEADINGS])
    left = len(headings) - _SHOWN_HEADINGS
    return f"{names} and {left} more" if left > 0 else names


def pick_by_place(count: int, *, file: str) -> Picked:
    """Columns without headings: the current alone in ampere, or time in seconds and current. Raises ConfigError."""
    if count == 1:
        return Picked(0, 1.0, None, 1.0, ("no heading: taken as ampere",))
    if count == 2:
        return Picked(1, 1.0, 0, 1.0, ("no headings: taken as second and ampere",))
    raise ConfigError(f"trace {file}: {count} columns without headings; {_ACCEPTED}")
