"""A user's series of irradiance: each accepted form, and one sentence for each thing that can be wrong."""

from __future__ import annotations

import math
import os
import re
import tracemalloc
from contextlib import suppress
from datetime import date, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchrig.errors import ConfigError
from benchrig.sun_file import parse_sun, read_sun_file

if TYPE_CHECKING:
    from benchrig.judge.autonomy import SunSeries

DEMO = Path(__file__).parents[1] / "fixtures" / "boards" / "hay-barn-irradiance.csv"
DAILY = "day, irradiation [kWh/m2]\n"
SEMICOLONS = "day; irradiation [kWh/m2]\n"


def parse(text: str, *, dark: bool = False) -> SunSeries:
    """A text under the name that messages use here."""
    return parse_sun(text, name="some.csv", missing_are_dark=dark)


def daily(first: date, values: list[float]) -> str:
    """A file of days in a row."""
    rows = [f"{first + timedelta(days=number)}, {value}\n" for number, value in enumerate(values)]
    return DAILY + "".join(rows)


def hourly(days: int = 2, *, start: str = "00", heading: str = "time, irradiance [W/m2]") -> list[str]:
    """Lines of a file by the hour, with the hour as its value."""
    rows = [f"2025-01-{day:02}T{hour:02}:{start}, {hour}" for day in range(1, days + 1) for hour in range(24)]
    return [heading, *rows]


def test_demo_is_a_year() -> None:
    """The invented series of the demo has 365 days and the sum that its own column has."""
    column = [float(line.split(",")[1]) for line in DEMO.read_text("utf-8").splitlines() if line.startswith("2025-")]

    sun = read_sun_file(DEMO)

    assert sun.every_day.size == len(column) == 365
    assert sun.irradiance_w_m2.mean() * 24.0 * 365 / 1000.0 == pytest.approx(math.fsum(column), rel=1e-12)
    assert "INVENTED" in DEMO.read_text("utf-8").splitlines()[0]


@pytest.mark.parametrize(
    ("heading", "value", "mean_w_m2"),
    [
        pytest.param("day, irradiation [kWh/m2]", "2.4", 100.0, id="kilowatt-hours"),
        pytest.param("day, irradiation [Wh/m²]", "2400", 100.0, id="watt-hours"),
        pytest.param("day, irradiation [MJ/m^2]", "8.64", 100.0, id="megajoules"),
        pytest.param("day, irradiation [J/m2]", "8.64e6", 100.0, id="joules"),
        pytest.param("day, irradiance [W/m2]", "100", 100.0, id="watts"),
        pytest.param("Day; Irradiance [kW/m2]".replace("I", "i"), "0,1", 100.0, id="kilowatts, decimal comma"),
        pytest.param("day\tirradiance [W/m2]", "100", 100.0, id="tabs"),
    ],
)
def test_units_of_the_heading(heading: str, value: str, mean_w_m2: float) -> None:
    """By hand: 2.4 kWh in 24 h are 100 W; 1 kWh is 3.6 MJ."""
    separator = next(one for one in (";", "\t", ",") if one in heading)
    text = f"{heading}\n2025-06-01{separator}{value}\n"

    assert parse(text).irradiance_w_m2.mean() == pytest.approx(mean_w_m2, rel=1e-12)


def test_day_is_dark_before_6_and_after_18() -> None:
    """A sum for a day has no light at night; from 9 to 15 o'clock a half sine has cos 45° = 0.707 of it."""
    sun = parse(daily(date(2025, 6, 1), [2.4]))

    (steps,) = sun.irradiance_w_m2
    assert steps.size * sun.step_s == 86400.0
    assert steps[[0, 1, 6, 7]].tolist() == [0.0] * 4
    assert steps[3:5].sum() / steps.sum() == pytest.approx(math.sqrt(0.5), rel=1e-12)
    assert sun.from_days


@pytest.mark.parametrize("start", ["00", "30"])
def test_steps_of_a_day(start: str) -> None:
    """Rows by the hour make 24 steps a day, wherever in the hour they are stamped; their order does not matter."""
    heading, *rows = hourly(start=start)

    sun = parse("\n".join([heading, *reversed(rows)]))

    assert sun.irradiance_w_m2.tolist() == [[float(hour) for hour in range(24)]] * 2
    assert not sun.from_days
    assert sun.days.tolist() == [20089, 20090]  # 55 years with 14 leap days since 1970 (arithmetic)


def test_zone_is_left_alone() -> None:
    """Days begin where the file lets them begin: a zone behind each time changes nothing."""
    heading, *rows = hourly()
    zoned = [row.replace(",", "+02:00,") for row in rows]

    assert parse("\n".join([heading, *zoned])).irradiance_w_m2[0, 3] == 3.0


def test_sum_of_a_step() -> None:
    """50 Wh in an hour are 50 W."""
    text = "\n".join(hourly(heading="time, irradiation [Wh/m2]"))

    assert parse(text).irradiance_w_m2[0, 5] == pytest.approx(5.0)


def test_other_columns_and_remarks_are_left_alone() -> None:
    """Temperatures beside it, blank lines and remarks do no harm, nor does a byte order mark."""
    text = "# site\n\nair [degC], day, irradiance [W/m2]\n-3.5, 2025-01-01, 12\n# end\n"

    assert parse(text).irradiance_w_m2.mean() == pytest.approx(12.0)


def test_two_years_with_a_leap_day() -> None:
    """2024 and 2025 are 731 days, and none is missing."""
    sun = parse(daily(date(2024, 1, 1), [1.0] * 731))

    assert (sun.every_day.size, sun.missing.size) == (731, 0)


def test_missing_days_are_told_or_dark() -> None:
    """A gap is refused with its dates; told that it is dark, it is, and the series says how many days."""
    text = (
        daily(date(2025, 1, 1), [1.0, 1.0, 1.0, 1.0]).replace("2025-01-02, 1.0\n", "").replace("2025-01-03, 1.0\n", "")
    )

    with pytest.raises(ConfigError, match=r"some\.csv: 2 days are missing, or not whole: 2025-01-02, 2025-01-03; "):
        parse(text)
    sun = parse(text, dark=True)
    assert sun.missing.size == 2
    assert sun.steps_w_m2().reshape(4, -1).mean(axis=1).tolist() == pytest.approx([1000 / 24, 0.0, 0.0, 1000 / 24])


def test_day_that_is_not_whole_counts_as_missing() -> None:
    """An hour that is not there makes its day dark, never a day with an hour less."""
    lines = hourly(3)
    del lines[1 + 24 + 7]

    with pytest.raises(ConfigError, match=r"1 days are missing, or not whole: 2025-01-02; complete"):
        parse("\n".join(lines))
    assert parse("\n".join(lines), dark=True).missing.tolist() == [20090]


WRONG = [
    pytest.param("", "nothing stands in it; accepted: a heading", id="empty"),
    pytest.param("# only a remark\n", "nothing stands in it", id="remark"),
    pytest.param(DAILY, "no row stands below the heading", id="no rows"),
    pytest.param(
        "day, sun\n2025-01-01, 1\n", "line 1: the heading is 'day, sun'; accepted: one column day", id="no unit"
    ),
    pytest.param("2025-01-01, 1\n", "line 1: the heading is '2025-01-01, 1'", id="no heading"),
    pytest.param(
        "day, irradiation [W/m2]\n", r"line 1: irradiation in 'W/m2'; accepted: Wh/m2, kWh/m2", id="power for a sum"
    ),
    pytest.param("day, irradiance [kWh/m2]\n", r"irradiance in 'kWh/m2'; accepted: W/m2, kW/m2", id="sum for a power"),
    pytest.param("day, irradiance [W/m2], irradiance [kW/m2]\n", "one irradiance", id="two columns"),
    pytest.param(
        DAILY + "01.02.2025, 1\n", "line 2: '01.02.2025' is no day; accepted: a date such as", id="other date"
    ),
    pytest.param(DAILY + "2025-02-29, 1\n", "line 2: '2025-02-29' is no day", id="no such day"),
    pytest.param(
        DAILY + "2025-01-01, -0.1\n", r"line 2 \(2025-01-01\): '-0.1' kWh/m2; accepted: a finite", id="negative"
    ),
    pytest.param(DAILY + "2025-01-01, nan\n", "'nan' kWh/m2; accepted: a finite number from 0 up", id="NaN"),
    pytest.param(DAILY + "2025-01-01, inf\n", "'inf' kWh/m2", id="infinite"),
    pytest.param(DAILY + "2025-01-01,\n", r"line 2 \(2025-01-01\): '' kWh/m2", id="empty cell"),
    pytest.param(DAILY + "2025-01-01, --\n", "'--' kWh/m2", id="text"),
    pytest.param(DAILY + "2025-01-01\n", "line 2: 1 columns; accepted: as many as the heading has", id="short row"),
    pytest.param(
        DAILY + "2025-01-01, 1\n2025-01-02, 1\n2025-01-01, 2\n", "line 4: 2025-01-01 stands in line 2, too", id="twice"
    ),
    pytest.param(
        "day, irradiance [W/m2]\n2025-01-01, 100000\n",
        r"\d+\.\d+ W/m².*look at the unit in the heading, which is \[W/m2\]",
        id="brighter than the sun",
    ),
    pytest.param(
        "\n".join([*hourly(), "2025-01-02T05:00, 1"]), "line 50: 2025-01-02T05:00:00 stands in line 31", id="hour"
    ),
    pytest.param("\n".join(hourly()[:2]), "all rows are of one time", id="one time"),
    pytest.param(
        "time, irradiance [W/m2]\n2025-01-01T00:00, 1\n2025-01-01T00:07, 1\n",
        "rows are 420 s apart; accepted: a step of which a day holds a whole number",
        id="seven minutes",
    ),
    pytest.param(
        "time, irradiance [W/m2]\n2025-01-01T00:00:00.000000, 1\n2025-01-01T00:00:00.000001, 1\n",
        "rows are 1e-06 s apart; accepted: a step of which a day holds a whole number, from 1 s up; look at the time",
        id="a microsecond",
    ),
    pytest.param(
        DAILY + "2025-01-01, 1,5\n",
        "line 2: 3 columns; accepted: as many as the heading has, 2; with decimal commas, divide the columns by",
        id="decimal comma between commas",
    ),
    pytest.param(
        SEMICOLONS + "2025-01-01; 1,234\n2025-01-02; 2,345\n",
        "line 2: '1,234' kWh/m2 may have three decimals, or be a thousand and more: .*; write 1.5 or 1,5 for one and a",
        id="thousands or decimals",
    ),
    pytest.param(SEMICOLONS + "2025-01-01; 1.234,5\n", r"line 2: '1\.234,5' kWh/m2 has more than one mark", id="both"),
    pytest.param(
        DAILY + '2025-01-01, "1,5"\n', r"line 2 \(2025-01-01\): '1,5' kWh/m2; accepted: a finite", id="quotes"
    ),
    pytest.param(
        DAILY + "2025-01-01, 1_0\n", r"line 2 \(2025-01-01\): '1_0' kWh/m2; accepted: a finite", id="underscore"
    ),
    pytest.param(
        DAILY + "1025-01-01, 1\n2025-01-01, 1\n",
        "from 1025-01-01 to 2025-01-01; accepted: 100 years",
        id="a wrong year",
    ),
    pytest.param(
        "\n".join([*hourly(), "2025-01-03T00:20, 1"]),
        "line 50: 2025-01-03T00:20:00 is not a whole step of 3600 s",
        id="off step",
    ),
]


@pytest.mark.parametrize(("text", "words"), WRONG)
def test_what_is_wrong_is_told(text: str, words: str) -> None:
    """Each is one sentence with the line, what stands there and what is accepted."""
    with pytest.raises(ConfigError, match=rf"irradiance some\.csv: .*(?:{words})"):
        parse(text)


def test_decimal_commas_between_semicolons() -> None:
    """Three decimals are read where a cell of the column shows what its comma is; a blank cell at the end is let be."""
    sun = parse(SEMICOLONS + "2025-01-01; 1,234\n2025-01-02; 0,512;\n")

    assert (sun.irradiance_w_m2.mean(axis=1) * 0.024).tolist() == pytest.approx([1.234, 0.512], rel=1e-12)


def test_memory_grows_with_the_file_and_not_with_its_step() -> None:
    """A step of a second between two rows of a file makes no room for the seconds of all other days."""
    days = "".join(f"{date(2024, 1, 1) + timedelta(days=number)}T12:00:00, 1\n" for number in range(366))
    text = "time, irradiance [W/m2]\n" + days + "2024-06-01T12:00:01, 1\n"
    tracemalloc.start()
    try:
        with pytest.raises(ConfigError, match="no day is whole; accepted: a value for each step of each day"):
            parse(text)
        _, most_bytes = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()

    assert most_bytes < 8 * 366 * 86_400 / 100


def test_every_problem_is_told_at_once() -> None:
    """Ten bad lines are ten problems, of which the sentence shows the first ones and counts the rest."""
    text = DAILY + "".join(f"2025-01-{day:02}, -1\n" for day in range(1, 11))

    with pytest.raises(ConfigError, match=r"; and 4 more$") as caught:
        parse(text)
    assert len(caught.value.problems) == 10


def test_files_that_cannot_be_read(tmp_path: Path) -> None:
    """No file, a folder, a pipe, a device, a loop of links, or no text: told with the path, at once."""
    (tmp_path / "bad.csv").write_bytes(b"\xff\xfe\x00")
    (tmp_path / "loop").symlink_to("loop")
    os.mkfifo(tmp_path / "pipe")

    for path, words in (
        (tmp_path / "gone.csv", "there is no such file"),
        (tmp_path, "cannot be read: a folder, a device or a pipe; accepted: a file"),
        (tmp_path / "pipe", "cannot be read: a folder, a device or a pipe; accepted: a file"),
        (Path("/dev/zero"), "cannot be read: a folder, a device or a pipe; accepted: a file"),
        (tmp_path / "loop", "cannot be read: .*; check the path"),
        (tmp_path / "bad.csv", "cannot be read: byte 0 is no text in UTF-8; .* save it as UTF-8"),
    ):
        with pytest.raises(ConfigError, match=f"irradiance {re.escape(str(path))}: {words}"):
            read_sun_file(path)


@pytest.mark.parametrize("end", ["", "\n# the end", "\r"], ids=["cut", "a remark", "CR"])
def test_file_that_ends_within_a_row(tmp_path: Path, end: str) -> None:
    """A last row without a line break may be cut within its number: it is told; a remark may end as it likes."""
    path = tmp_path / "sun.csv"
    path.write_bytes((DAILY + "2025-01-01, 1.5\n2025-01-02, 1.2" + end).encode())

    if end:
        assert read_sun_file(path).days.size == 2
    else:
        with pytest.raises(
            ConfigError, match=r"line 3: '2025-01-02, 1\.2' is the end of the file, without a line break"
        ):
            read_sun_file(path)


@given(st.text(max_size=200))
def test_any_text_is_a_series_or_is_refused(text: str) -> None:
    """Whatever stands in a file, the answer is a series or a ConfigError, and nothing else."""
    for before in ("", DAILY, "time, irradiance [W/m2]\n2025-01-01T00:00, 1\n"):
        with suppress(ConfigError):
            assert parse(before + text).days.size > 0


@given(values=st.lists(st.floats(0.0, 15.0), min_size=1, max_size=40))
def test_what_was_written_comes_back(values: list[float]) -> None:
    """Daily sums keep their sum to rounding."""
    sun = parse(daily(date(2025, 1, 1), values))

    assert np.allclose(sun.irradiance_w_m2.mean(axis=1) * 0.024, values, rtol=1e-12)
