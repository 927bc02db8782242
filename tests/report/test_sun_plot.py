"""The picture of the stored charge: sound SVG, the same bytes for the same numbers, and words for its parts."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from lxml import etree

from benchrig.errors import RecordError
from benchrig.judge.autonomy import ChargeByDay
from benchrig.report.sun_plot import sun_plot, write_sun_plot

if TYPE_CHECKING:
    from pathlib import Path

FIRST_OF_2025 = 20089


def charge(days: int = 365) -> ChargeByDay:
    """A charge that falls to half and comes back, with a band of 10 % around it."""
    middle = 0.75 + 0.25 * np.cos(np.linspace(0.0, 2.0 * np.pi, days))
    return ChargeByDay(
        np.arange(FIRST_OF_2025, FIRST_OF_2025 + days), 0.9 * middle, middle, np.minimum(1.1 * middle, 1.0)
    )


def words(picture: bytes) -> list[str]:
    """Every text in the picture."""
    return ["".join(map(str, node.itertext())).strip() for node in etree.fromstring(picture).iter("{*}text")]


def test_picture_says_what_it_shows() -> None:
    """Title, axis with its unit, the band, the median, the empty line, and each month once."""
    told = words(sun_plot(charge(), title="probe: stored charge"))

    for text in ("probe: stored charge", "lowest charge of the day, % of usable", "95 % of draws", "median"):
        assert text in told
    assert any("empty" in text for text in told)
    assert [text for text in told if text in ("Feb", "Jul", "Dec")] == ["Feb", "Jul", "Dec"]
    assert "2025" in " ".join(told)


def test_two_years_name_every_other_month() -> None:
    """Names do not run into each other: 24 months have 12 names."""
    told = words(sun_plot(charge(730), title="two years"))

    months = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
    assert sum(text[:3] in months for text in told) == 12


def test_same_numbers_make_the_same_bytes() -> None:
    """No date and no chance in it, so that a picture can be compared."""
    assert sun_plot(charge(), title="one") == sun_plot(charge(), title="one")
    assert sun_plot(charge(), title="one") != sun_plot(charge(364), title="one")


def test_picture_is_written_whole(tmp_path: Path) -> None:
    """It lies where it was asked for, alone; a folder in its place is told."""
    path = tmp_path / "plots" / "sun.svg"

    write_sun_plot(path, charge(), title="one")

    assert path.read_bytes() == sun_plot(charge(), title="one")
    assert [one.name for one in path.parent.iterdir()] == ["sun.svg"]
    with pytest.raises(RecordError, match="cannot be written"):
        write_sun_plot(path.parent, charge(), title="one")
