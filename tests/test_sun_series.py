"""The model of the sky against published positions and transpositions, an almanac, and what must hold of any place."""

from __future__ import annotations

import math
import sys
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pandas as pd
import pytest
from pvlib import irradiance, solarposition

from benchrig.board.profile import read_board_profile
from benchrig.board.solar_table import SolarPlan, SunPlace
from benchrig.errors import ConfigError
from benchrig.sun_series import modelled_sun, sun_of

PROFILE = Path(__file__).parents[1] / "fixtures" / "boards" / "hay-barn-probe.toml"

LEVEL = SunPlace(
    latitude_deg=51.5,
    longitude_deg=0.0,
    altitude_m=0.0,
    tilt_deg=0.0,
    azimuth_deg=180.0,
    albedo=0.2,
    year=2025,
    clearness=(1.0,) * 12,
    dull_days=0,
    dull_share=0.1,
    horizon=(),
)


class Figure(NamedTuple):
    """A published value, as a failing test prints it."""

    id: str
    source: str
    mark: str
    inputs: str
    expected: float
    tolerance: float


NREL = "Reda and Andreas, NREL/TP-560-34302 (2004), worked example"
NREL_INPUTS = "2003-10-17 12:30:30 -7 h, 39.742476 N, 105.1786 W, 1830.14 m, 820 hPa, 11 degC, delta T 67 s"
SKY = "pvlib 0.16.1, irradiance; formulas of Liu and Jordan (1963)"
SKY_INPUTS = "tilt 40, facing 180; sun at zenith 50, azimuth 200; 700 W/m2 beam, 550 level, 100 diffuse, albedo 0.2"
FIGURES = [
    Figure("solar.spa zenith with refraction", NREL, "memory", NREL_INPUTS, 50.11162, 1e-5),
    Figure("solar.spa azimuth", NREL, "memory", NREL_INPUTS, 194.34024, 1e-5),
    Figure("solar.transposition beam", SKY, "recomputed", SKY_INPUTS, 668.5785, 1e-3),
    Figure("solar.transposition isotropic", SKY, "recomputed", SKY_INPUTS, 88.3022, 1e-3),
    Figure("solar.transposition ground", SKY, "recomputed", SKY_INPUTS, 12.8676, 1e-3),
]


def computed() -> dict[str, float]:
    """What the library says, called as `sun_series` calls it."""
    when = pd.DatetimeIndex(["2003-10-17 12:30:30"], tz="Etc/GMT+7")
    sun = solarposition.get_solarposition(
        when,
        39.742476,
        -105.1786,
        altitude=1830.14,
        pressure=82000.0,
        temperature=11.0,
        delta_t=67.0,
        method="nrel_numpy",
    )
    return {
        "solar.spa zenith with refraction": float(sun["apparent_zenith"].iloc[0]),
        "solar.spa azimuth": float(sun["azimuth"].iloc[0]),
        "solar.transposition beam": 700.0 * float(irradiance.aoi_projection(40.0, 180.0, 50.0, 200.0)),
        "solar.transposition isotropic": float(irradiance.isotropic(40.0, 100.0)),
        "solar.transposition ground": float(irradiance.get_ground_diffuse(40.0, 550.0, 0.2)),
    }


@pytest.mark.parametrize("figure", FIGURES, ids=lambda figure: figure.id)
def test_published_figures(figure: Figure) -> None:
    """The library that the model rests on gives the published figures."""
    assert computed()[figure.id] == pytest.approx(figure.expected, abs=figure.tolerance), figure


def almanac_level_kwh_m2(latitude_deg: float, day: int) -> float:
    """A clear day on a level panel by the minute: Spencer's declination (1971) and Haurwitz's sky, both from memory."""
    angle = 2.0 * math.pi * (day - 1) / 365.0
    declination = (
        0.006918
        - 0.399912 * math.cos(angle)
        + 0.070257 * math.sin(angle)
        - 0.006758 * math.cos(2 * angle)
        + 0.000907 * math.sin(2 * angle)
        - 0.002697 * math.cos(3 * angle)
        + 0.00148 * math.sin(3 * angle)
    )
    latitude = math.radians(latitude_deg)
    total = 0.0
    for minute in range(1440):
        hour_angle = math.radians((minute + 0.5) / 4.0 - 180.0)
        cos_zenith = math.sin(latitude) * math.sin(declination)
        cos_zenith += math.cos(latitude) * math.cos(declination) * math.cos(hour_angle)
        if cos_zenith > 0.0:
            total += 1098.0 * cos_zenith * math.exp(-0.057 / cos_zenith)
    return total / 60.0 / 1000.0


@pytest.mark.parametrize("latitude_deg", [0.0, 51.5, -35.0])
def test_clear_days_against_an_almanac(latitude_deg: float) -> None:
    """On a level panel under a clear sky each day's sum is that of an almanac's sun, within 4 % or 0.02 kWh/m2."""
    sun = modelled_sun(replace(LEVEL, latitude_deg=latitude_deg))
    sums = sun.irradiance_w_m2.mean(axis=1) * 0.024

    for day in range(1, 366, 13):
        assert sums[day - 1] == pytest.approx(almanac_level_kwh_m2(latitude_deg, day), rel=0.04, abs=0.02), day


@pytest.mark.parametrize("longitude_deg", [-105.0, 0.0, 151.0])
def test_noon_is_in_the_middle_of_the_day(longitude_deg: float) -> None:
    """Days begin at midnight of the zone, wherever the place is: the light's centre lies within an hour of noon."""
    sun = modelled_sun(replace(LEVEL, longitude_deg=longitude_deg))
    hours = np.arange(24) + 0.5

    centre = (sun.irradiance_w_m2 * hours).sum() / sun.irradiance_w_m2.sum()

    assert centre == pytest.approx(12.0, abs=0.6)
    assert sun.days[0] == (date(2025, 1, 1) - date(1970, 1, 1)).days
    assert sun.every_day.size == 365


def test_leap_year_has_366_days() -> None:
    """2024 has a February 29th."""
    assert modelled_sun(replace(LEVEL, year=2024)).every_day.size == 366


def test_tilt_helps_in_winter() -> None:
    """At 51.5 degrees north a panel at 60 degrees has more of December than a level one, facing south, not north."""
    december = {
        (tilt, facing): modelled_sun(replace(LEVEL, tilt_deg=tilt, azimuth_deg=facing)).irradiance_w_m2[334:].sum()
        for tilt, facing in ((0.0, 180.0), (60.0, 180.0), (60.0, 0.0))
    }

    assert december[60.0, 180.0] > 1.5 * december[0.0, 180.0] > 3.0 * december[60.0, 0.0] / 2.0


def test_months_have_their_clearness() -> None:
    """A level panel gets the share of a clear sky that its month is given, within 1 %."""
    shares = tuple(0.2 + 0.05 * month for month in range(12))

    clear, dull = (modelled_sun(replace(LEVEL, clearness=one)).irradiance_w_m2 for one in ((1.0,) * 12, shares))

    months = np.repeat(np.arange(12), [31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31])
    for month, share in enumerate(shares):
        assert dull[months == month].sum() == pytest.approx(share * clear[months == month].sum(), rel=0.01)


def test_dull_days_come_in_a_row_and_leave_the_mean() -> None:
    """Seven days at the end of January have a tenth of a clear sky, and the month what it had, within 6 %."""
    plain = replace(LEVEL, clearness=(0.4,) * 12)
    clear, even, uneven = (
        modelled_sun(one).irradiance_w_m2[:31].sum(axis=1) for one in (LEVEL, plain, replace(plain, dull_days=7))
    )

    assert uneven[24:] == pytest.approx(0.1 * clear[24:], rel=0.01)
    assert uneven.sum() == pytest.approx(even.sum(), rel=0.06)  # its last days are brighter than its first


def test_hill_takes_light_while_the_sun_is_behind_it() -> None:
    """A hill of 30 degrees all around leaves June most, and December's noon sun (15 degrees) none of its beam."""
    hill = replace(LEVEL, horizon=((0.0, 30.0), (180.0, 30.0)))
    open_, hilly = (modelled_sun(one).irradiance_w_m2.sum(axis=1) for one in (LEVEL, hill))

    assert 0.75 < hilly[171] / open_[171] < 0.95
    assert hilly[354] / open_[354] < 0.4


def test_wall_all_around_leaves_nothing() -> None:
    """Behind a wall up to the zenith a level panel sees neither sun nor sky."""
    walled = modelled_sun(replace(LEVEL, horizon=((0.0, 90.0), (180.0, 90.0))))

    assert walled.irradiance_w_m2.max() < 1e-9


def test_horizon_goes_around_north() -> None:
    """From 0 at 300 degrees to 60 at 10 degrees it rises by way of north: a winter sun at 345 degrees is behind it."""
    south = replace(LEVEL, latitude_deg=-35.0)
    hill = replace(south, horizon=((10.0, 60.0), (20.0, 0.0), (300.0, 0.0)))

    hilly, open_ = (modelled_sun(one).irradiance_w_m2[171] for one in (hill, south))

    assert hilly[12] < 0.5 * open_[12]  # half past noon, 31 degrees high at about 350 degrees
    assert hilly[9] > 0.7 * open_[9]


def plan() -> SolarPlan:
    """The demo's."""
    solar = read_board_profile(PROFILE).solar
    assert solar is not None
    return solar


def test_profile_names_its_sun() -> None:
    """A series is read, a place is modelled, and neither is refused."""
    assert sun_of(plan()).every_day.size == 365
    assert sun_of(replace(plan(), series=None, place=LEVEL)).irradiance_w_m2.shape == (365, 24)
    with pytest.raises(ConfigError, match=r"names no sun; accepted: series, a file, or place"):
        sun_of(replace(plan(), series=None))


def test_place_without_the_library_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    """Without pvlib a place is refused with the line that installs it; a series needs none."""
    monkeypatch.setitem(sys.modules, "pvlib", None)

    with pytest.raises(ConfigError, match=r"pip install 'benchrig\[sun\]', or give solar\.series"):
        modelled_sun(LEVEL)
    assert sun_of(plan()).every_day.size == 365
