"""Reads a user's series of irradiance in the plane of the panel from a text file with columns.

Owns the form of such a file, and every way in which it can be wrong. Knows no panel and no board.

    # a line like this one says something to people
    day, irradiation [kWh/m2]              a sum for each day, or
    time, irradiance [W/m2]                a mean for each step of the day, the step being the same all over

A column `day` holds dates (2025-12-31), a column `time` dates with a time of day (2025-12-31T13:00, ISO 8601), all
in one zone without summer time. Columns stand apart by comma, semicolon or tab; with semicolon or tab a decimal
comma is read, too, and a comma that may as well stand between thousands is refused. Other columns are left alone. A
sum for a day is spread from 6 to 18 o'clock as a half sine (common practice, no source): what the panel gives in dull
light, and at night, then counts.
"""

from __future__ import annotations

import csv
import io
import itertools
import math
import re
import stat
from collections import defaultdict
from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from benchrig.decimal_mark import WRITE_IT, comma_doubt
from benchrig.errors import ConfigError
from benchrig.judge.autonomy import DAY_S, SunSeries

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence
    from pathlib import Path

    import numpy.typing as npt

    Floats = npt.NDArray[np.float64]

EPOCH = date(1970, 1, 1)

MEANS = {"W/m2": 1.0, "kW/m2": 1e3}
"""Units of irradiance, and the watts per square metre that each is."""

SUMS = {"Wh/m2": 3600.0, "kWh/m2": 3.6e6, "J/m2": 1.0, "MJ/m2": 1e6}
"""Units of irradiation, a sum over the step, and the joules per square metre that each is."""

_HEADING = re.compile(r"(irradiance|irradiation)\s*\[([^\]]*)\]")
_DAY_STEPS = 8
_SHOWN = 6
_SHOWN_CHARACTERS = 60
_SHORTEST_STEP_S = 1.0
_MOST_YEARS = 100
_LARGEST_BYTES = 64 * 1024 * 1024
"""A hundred years by the quarter of an hour. What is larger is another file. Own choice, as that of a second."""


_Cells = tuple[int, str, list[str]]
"""A row: the number of its line, what stands between its cells, and the cells."""


class _Row(NamedTuple):
    line: int
    when: datetime
    value: float


class _Columns(NamedTuple):
    """Which column of how many holds what; `factor` and `is_sum` from the unit in the heading."""

    width: int
    separator: str
    when: int
    value: int
    is_day: bool
    unit: str
    is_sum: bool
    factor: float


def read_sun_file(path: Path, *, missing_are_dark: bool = False) -> SunSeries:
    """The series of a file. Raises ConfigError with every problem at once."""
    try:
        found = path.stat()
        if not stat.S_ISREG(found.st_mode):
            raise ConfigError(f"irradiance {path}: cannot be read: a folder, a device or a pipe; accepted: a file")
        if found.st_size > _LARGEST_BYTES:
            raise ConfigError(f"irradiance {path}: {found.st_size} bytes; accepted: up to {_LARGEST_BYTES}")
        text = path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise ConfigError(
            f"irradiance {path}: there is no such file; put it beside the profile, or name it by its whole path"
        ) from None
    except UnicodeDecodeError as wrong:
        raise ConfigError(
            f"irradiance {path}: cannot be read: byte {wrong.start} is no text in UTF-8; accepted: text with columns; "
            "unpack it if it is packed, and save it as UTF-8"
        ) from wrong
    except (OSError, ValueError) as wrong:  # a name that no file can have is a ValueError
        raise ConfigError(f"irradiance {path}: cannot be read: {wrong}; check the path") from wrong
    _refuse_cut(text, path)
    return parse_sun(text, name=str(path), missing_are_dark=missing_are_dark)


def _refuse_cut(text: str, path: Path) -> None:
    """A row without a line break at the end of a file may be half of one (POSIX.1-2017, 3.206 "Line", from memory)."""
    last = text[max(text.rfind("\n"), text.rfind("\r")) + 1 :].strip()
    if last and not last.startswith("#"):
        raise ConfigError(
            f"irradiance {path}: line {len(text.splitlines())}: {_short(last)!r} is the end of the file, without a "
            "line break: its last number may be cut; accepted: a line break behind every row; take the whole file, or, "
            "if the row is whole, add one"
        )


def parse_sun(text: str, *, name: str, missing_are_dark: bool = False) -> SunSeries:
    """The series of a text; `name` is what messages call it. Raises ConfigError with every problem at once."""
    problems: list[str] = []
    rows = _rows(text, problems)
    columns, found = _read_rows(rows, problems)
    if problems or columns is None:
        raise _wrong(name, problems)
    steps = 1 if columns.is_day else _steps(found, problems)
    by_day = _by_day(found, steps, problems) if steps else {}
    if problems:
        raise _wrong(name, problems)
    return _series(by_day, columns, steps, name=name, missing_are_dark=missing_are_dark)


def _wrong(name: str, problems: Sequence[str]) -> ConfigError:
    shown = [*problems[:_SHOWN], *([f"and {len(problems) - _SHOWN} more"] if len(problems) > _SHOWN else [])]
    return ConfigError(f"irradiance {name}: {'; '.join(shown)}", tuple(problems))


def _rows(text: str, problems: list[str]) -> Iterator[_Cells]:
    """Every row; what is blank or a remark is left out."""
    lines = [(number, line) for number, line in enumerate(text.splitlines(), 1) if line.strip()]
    lines = [(number, line) for number, line in lines if not line.lstrip().startswith("#")]
    if not lines:
        problems.append("nothing stands in it; accepted: a heading such as 'day, irradiation [kWh/m2]', and rows")
        return
    separator = next((one for one in (";", "\t") if one in lines[0][1]), ",")
    for number, line in lines:
        try:
            (cells,) = csv.reader(io.StringIO(line), delimiter=separator, skipinitialspace=True)
        except (csv.Error, ValueError) as wrong:
            problems.append(f"line {number}: is no row: {wrong}")
            return
        yield number, separator, [cell.strip() for cell in cells]


def _read_rows(rows: Iterator[_Cells], problems: list[str]) -> tuple[_Columns | None, list[_Row]]:
    heading = next(rows, None)
    columns = _columns(*heading, problems) if heading else None
    if columns is None:
        return None, []
    whole = [(number, cells) for number, _, cells in rows if _is_whole(number, cells, columns, problems)]
    if columns.separator != ",":
        doubt = comma_doubt((number, cells[columns.value]) for number, cells in whole)
        if doubt is not None:
            problems.append(f"line {doubt.line}: {_short(doubt.cell)!r} {columns.unit} {doubt.why}; {WRITE_IT}")
            return None, []
    found = [row for number, cells in whole if (row := _row(number, cells, columns, problems))]
    if not found and not problems:
        problems.append("no row stands below the heading")
    return columns, found


def _columns(line: int, separator: str, cells: list[str], problems: list[str]) -> _Columns | None:
    names = [cell.lower() for cell in cells]
    times = [index for index, name in enumerate(names) if name in ("day", "time")]
    values = [(index, match) for index, cell in enumerate(cells) if (match := _HEADING.fullmatch(cell))]
    if len(times) != 1 or len(values) != 1:
        problems.append(
            f"line {line}: the heading is {_short(', '.join(cells))!r}; accepted: one column day or time, and one "
            "irradiance [W/m2] or irradiation [kWh/m2]"
        )
        return None
    ((value, match),) = values
    unit = match[2].strip().replace("²", "2").replace("m^2", "m2")
    units = MEANS if match[1] == "irradiance" else SUMS
    if unit not in units:
        problems.append(f"line {line}: {match[1]} in {match[2]!r}; accepted: {', '.join(units)}")
        return None
    return _Columns(
        width=len(cells),
        separator=separator,
        when=times[0],
        value=value,
        is_day=names[times[0]] == "day",
        unit=unit,
        is_sum=units is SUMS,
        factor=units[unit],
    )


def _is_whole(line: int, cells: list[str], columns: _Columns, problems: list[str]) -> bool:
    """A row that is too short has no value; in one that is too long, a decimal comma has cut a number in two."""
    is_short = len(cells) <= max(columns.when, columns.value)
    if not is_short and not any(cells[columns.width :]):
        return True
    hint = "" if is_short else "; with decimal commas, divide the columns by semicolon or tab"
    problems.append(f"line {line}: {len(cells)} columns; accepted: as many as the heading has, {columns.width}{hint}")
    return False


def _row(line: int, cells: list[str], columns: _Columns, problems: list[str]) -> _Row | None:
    when, text = cells[columns.when], cells[columns.value]
    at = _moment(when, is_day=columns.is_day)
    if at is None:
        accepted = "a date such as 2025-12-31" if columns.is_day else "a time such as 2025-12-31T13:00"
        what = "day" if columns.is_day else "time"
        problems.append(f"line {line}: {_short(when)!r} is no {what}; accepted: {accepted}")
        return None
    value = _number(text, comma_is_decimal=columns.separator != ",")
    if not (math.isfinite(value) and value >= 0.0):
        shown = f"line {line} ({when}): {_short(text)!r} {columns.unit}"
        problems.append(f"{shown}; accepted: a finite number from 0 up, such as 1.5")
        return None
    return _Row(line, at, value)


def _number(text: str, *, comma_is_decimal: bool) -> float:
    """NaN for what is none. float() would read 1_000, too, which nobody writes."""
    if "_" in text or not text.isascii():
        return math.nan
    try:
        return float(text.replace(",", ".") if comma_is_decimal else text)
    except ValueError:
        return math.nan


def _short(text: str) -> str:
    return text if len(text) <= _SHOWN_CHARACTERS else f"{text[:_SHOWN_CHARACTERS]}..."


def _moment(text: str, *, is_day: bool) -> datetime | None:
    """Local time as it stands, its zone taken off: days begin where the file lets them begin."""
    try:
        if is_day:
            return datetime.combine(date.fromisoformat(text), datetime.min.time(), UTC)
        return datetime.fromisoformat(text).replace(tzinfo=UTC)
    except ValueError:
        return None


def _steps(rows: Sequence[_Row], problems: list[str]) -> int:
    """Steps of a day, from the shortest distance of two rows; 0 when it does not divide the day."""
    ordered = sorted(row.when for row in rows)
    gaps_s = {(two - one).total_seconds() for one, two in itertools.pairwise(ordered)} - {0.0}
    if not gaps_s:
        problems.append("all rows are of one time; accepted: a row for each step of each day")
        return 0
    step_s = min(gaps_s)
    steps = DAY_S / step_s
    if step_s < _SHORTEST_STEP_S or steps < 1.0 or not steps.is_integer():
        problems.append(
            f"rows are {step_s:g} s apart; accepted: a step of which a day holds a whole number, from "
            f"{_SHORTEST_STEP_S:g} s up; look at the time column"
        )
        return 0
    return int(steps)


def _by_day(rows: Sequence[_Row], steps: int, problems: list[str]) -> dict[date, list[float]]:
    """The values of each day that is whole; a day of which a part is missing counts as missing."""
    step_s = DAY_S / steps
    first_s = _second(min(rows, key=lambda row: _second(row.when)).when)
    seen: dict[datetime, int] = {}
    by_day: dict[date, dict[int, float]] = defaultdict(dict)  # as large as the file, however short its steps are
    for row in rows:
        if row.when in seen:
            problems.append(f"line {row.line}: {_shown(row.when, steps)} stands in line {seen[row.when]}, too")
        seen[row.when] = row.line
        index, rest_s = divmod(_second(row.when) - first_s, step_s)
        if rest_s or index >= steps:
            problems.append(f"line {row.line}: {_shown(row.when, steps)} is not a whole step of {step_s:g} s")
            continue
        by_day[row.when.date()][int(index)] = row.value
    return {day: [values[index] for index in range(steps)] for day, values in by_day.items() if len(values) == steps}


def _second(when: datetime) -> float:
    return when.hour * 3600.0 + when.minute * 60.0 + when.second + when.microsecond * 1e-6


def _shown(when: datetime, steps: int) -> str:
    return when.date().isoformat() if steps == 1 else when.replace(tzinfo=None).isoformat()


def _series(
    by_day: Mapping[date, list[float]], columns: _Columns, steps: int, *, name: str, missing_are_dark: bool
) -> SunSeries:
    if not by_day:
        raise ConfigError(f"irradiance {name}: no day is whole; accepted: a value for each step of each day")
    days = sorted(by_day)
    if (days[-1] - days[0]).days > _MOST_YEARS * 366:
        raise ConfigError(
            f"irradiance {name}: from {days[0]} to {days[-1]}; accepted: {_MOST_YEARS} years; look at the dates"
        )
    if not missing_are_dark and (gone := _missing(days)):
        more = f" and {len(gone) - _SHOWN} more" if len(gone) > _SHOWN else ""
        raise ConfigError(
            f"irradiance {name}: {len(gone)} days are missing, or not whole: {', '.join(gone[:_SHOWN])}{more}; "
            "complete the series, or say missing_days_are_dark = true in the profile's table solar"
        )
    values = np.array([by_day[day] for day in days]) * columns.factor
    if columns.is_sum:
        values /= DAY_S / steps
    try:
        return SunSeries(
            np.array([(day - EPOCH).days for day in days], dtype=np.int64),
            values * _half_sine() if steps == 1 else values,
            missing_are_dark=missing_are_dark,
            from_days=steps == 1,
        )
    except ValueError as wrong:
        raise ConfigError(
            f"irradiance {name}: {wrong}; look at the unit in the heading, which is [{columns.unit}]"
        ) from wrong


def _missing(days: Sequence[date]) -> list[str]:
    """Dates between the first and the last that are not there."""
    there = set(days)
    every = (days[0] + timedelta(days=number) for number in range((days[-1] - days[0]).days))
    return [day.isoformat() for day in every if day not in there]


def _half_sine() -> Floats:
    """A day of steps whose mean is 1: nothing until 6, a half sine until 18, nothing after."""
    edges = np.clip(np.linspace(0.0, 24.0, _DAY_STEPS + 1), 6.0, 18.0)
    area = np.diff(-np.cos((edges - 6.0) / 12.0 * np.pi))
    return np.asarray(area * _DAY_STEPS / area.sum())
