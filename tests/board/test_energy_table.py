"""The profile's tables energy and solar: as the demo has them, and one sentence for each thing that can be wrong."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import pytest

from benchrig.board.profile import BoardProfile, read_board_profile
from benchrig.errors import ConfigError

from .profile_edits import GONE, PROFILE, changed, shipped, without_checks, write_toml
from .profile_mistakes import case

if TYPE_CHECKING:
    from pathlib import Path

PLACE = {
    "latitude_deg": 51.5,
    "longitude_deg": 10.0,
    "tilt_deg": 60.0,
    "azimuth_deg": 180.0,
    "clearness": [0.3] * 12,
}


def a_place() -> tuple[tuple[str, object], tuple[str, object]]:
    """A place instead of a series, fresh for each caller."""
    return ("solar.series", GONE), ("solar.place", dict(PLACE))


MISTAKES = [
    case("unknown key", "energy.report_period", 900.0, "unknown key (nearest known: report_period_s)"),
    case("no period", "energy.report_period_s", GONE, "this key is missing"),
    case("spreading factor", "energy.spreading_factor", 6, "6 is not a whole number from 7 to 12"),
    case("no cell", "energy.cell", GONE, "this key is missing"),
    case("unknown key of a cell", "energy.cell.capacity", 1.0, "unknown key (nearest known: capacity_ah)"),
    case("no capacity", "energy.cell.capacity_ah", 0.0, "0.0 is not a number at least 1e-06"),
    case("percent", "energy.cell.self_discharge_per_month", 2.0, "2.0 is not a number at least 0 and at most 1"),
    case(
        "spread of nothing",
        "energy.cell.self_discharge_per_month",
        0.0,
        "what is 0 and never below has no uncertainty; accepted: 0",
        at="energy.cell.self_discharge_u_per_month",
    ),
    case(
        "colder than the table",
        "energy.cell.temperature_degc",
        -25.0,
        "-25 degC is outside of at_temperature, -20 to 20 degC",
    ),
    case(
        "falling table",
        "energy.cell.at_rest",
        [{"volts": 4.2, "share": 1.0}, {"volts": 3.3, "share": 0.0}],
        "volts is 4.2, 3.3; accepted: two or more, rising",
    ),
    case(
        "share that falls with the volts",
        "energy.cell.at_rest",
        [{"volts": 3.3, "share": 0.0}, {"volts": 3.7, "share": 0.6}, {"volts": 4.2, "share": 0.5}],
        "share is 0, 0.6, 0.5; accepted: rising with volts, since it is what is still in the cell",
    ),
    case(
        "share that stands",
        "energy.cell.at_rest",
        [{"volts": 3.3, "share": 0.5}, {"volts": 4.2, "share": 0.5}],
        "share is 0.5, 0.5; accepted: rising with volts",
    ),
    case("a cell beyond all measure", "energy.cell.capacity_ah", 1e300, "1e+300 is not a number at least 1e-06 and at"),
    case("one point", "energy.cell.at_rest", [{"volts": 4.2, "share": 1.0}], "volts is 4.2; accepted: two or more"),
    case("share", "energy.cell.at_rest[1].share", 10.0, "10.0 is not a number at least 0 and at most 1"),
    case("unknown key of a point", "energy.cell.at_rest[0].volt", 1.0, "unknown key (nearest known: volts)"),
    case("no time", "energy.what_if.report_periods_s", [0.0], "0 s: a period is above 0"),
    case("half a factor", "energy.what_if.spreading_factors", [7.5], "7.5 is no spreading factor; accepted: 7 to 12"),
    case("unknown what if", "energy.what_if.periods_s", [60.0], "unknown key (nearest known: report_periods_s)"),
    case("no panel", "solar.panel_w", GONE, "this key is missing"),
    case("more than all", "solar.efficiency", 1.2, "1.2 is not a number at least 0.01 and at most 1"),
    case("start", "solar.start_share", 80.0, "80.0 is not a number at least 0 and at most 1"),
    case(
        "no sun",
        "solar.series",
        GONE,
        "accepted: either series, a file of irradiance, or place, where the panel stands",
        at="solar",
    ),
    case("two suns", "solar.place", PLACE, "accepted: either series, a file of irradiance, or place", at="solar"),
    case("unknown key of an option", "solar.options[1].tilt_deg", 60.0, "unknown key"),
    case("option without a cost", "solar.options[1].cost", GONE, "this key is missing"),
    case("option's factor", "solar.options[1].spreading_factor", 13, "13 is not a whole number from 7 to 12"),
]

PLACES = [
    case("latitude", "solar.place.latitude_deg", 91.0, "91.0 is not a number at least -90 and at most 90"),
    case("eleven months", "solar.place.clearness", [0.3] * 11, "11 numbers; accepted: 12, from January on"),
    case("percent", "solar.place.clearness", [30.0] + [0.3] * 11, "30: no share of a clear sky; accepted: 0 to 1"),
    case(
        "falling horizon",
        "solar.place.horizon",
        [{"azimuth_deg": 180.0, "elevation_deg": 5.0}, {"azimuth_deg": 90.0, "elevation_deg": 5.0}],
        "azimuth_deg is 180, 90; accepted: rising",
    ),
    case("whole month", "solar.place.dull_days", 28, "28 is not a whole number from 0 to 27"),
    case("unknown key", "solar.place.latitude", 1.0, "unknown key (nearest known: latitude_deg)"),
]


def read(folder: Path, *edits: tuple[str, object]) -> BoardProfile:
    """The demo profile with some places changed."""
    table = shipped()
    for place, value in edits:
        changed(table, place, value)
    return read_board_profile(write_toml(folder, table))


def problems(folder: Path, *edits: tuple[str, object]) -> list[str]:
    """What is wrong with it, without the file's name."""
    with pytest.raises(ConfigError, match=r"board profile .*problem") as caught:
        read(folder, *edits)
    return [problem.removeprefix(f"{folder / 'probe.toml'}: ") for problem in caught.value.problems]


def test_demo_is_read_with_its_numbers() -> None:
    """The cell and the panel of the demo come as they stand; a frame is 9 bytes of payload and 13 around it."""
    profile = read_board_profile(PROFILE)

    assert profile.energy is not None
    assert (profile.energy.report_period_s, profile.energy.phy_payload_bytes) == (900.0, 22)
    assert profile.energy.cell.capacity_ah == 0.35
    assert profile.energy.cell.at_temperature[0] == (-20.0, 0.6)
    assert profile.energy.spreading_factors == (7, 10, 12)
    assert profile.solar is not None
    assert profile.solar.series == PROFILE.parent / "hay-barn-irradiance.csv"
    assert profile.solar.start_share is None
    assert math.isclose(profile.solar.most_charge_a, 0.1)
    assert [one.capacity_ah for one in profile.solar.options] == [None, None, None, 1.0]


@pytest.mark.parametrize(("place", "value", "sentence"), MISTAKES)
def test_one_thing_wrong(tmp_path: Path, place: str, value: object, sentence: str) -> None:
    """Each thing wrong is one sentence that says where, what stands there and what is accepted."""
    (told,) = problems(tmp_path, (place, value))

    assert told.startswith(sentence)


@pytest.mark.parametrize(("place", "value", "sentence"), PLACES)
def test_one_thing_wrong_with_a_place(tmp_path: Path, place: str, value: object, sentence: str) -> None:
    """A place that is no place is told the same way."""
    (told,) = problems(tmp_path, *a_place(), (place, value))

    assert told.startswith(sentence)


def test_place_is_read(tmp_path: Path) -> None:
    """A place has no series, a horizon only if given, and no dull days unless told."""
    solar = read(tmp_path, *a_place()).solar

    assert solar is not None
    assert solar.series is None
    assert solar.place is not None
    assert (solar.place.latitude_deg, solar.place.clearness[11], solar.place.horizon) == (51.5, 0.3, ())
    assert solar.place.dull_days == 0


def test_board_without_energy(tmp_path: Path) -> None:
    """Both tables may be left out; the sun alone may not, since it needs the cell."""
    bare = read(tmp_path, ("energy", GONE), ("solar", GONE), ("required", without_checks("energy")))

    assert (bare.energy, bare.solar) == (None, None)
    assert problems(tmp_path, ("energy", GONE)) == [
        "solar: the table energy is missing: the cell and the load of a solar year stand there"
    ]


def test_tables_that_are_none(tmp_path: Path) -> None:
    """A number in place of a table is told once."""
    assert problems(tmp_path, ("solar", 3.7)) == ["solar: 3.7 is not a table"]
    assert problems(tmp_path, ("energy", 3.7)) == ["energy: 3.7 is not a table"]
