"""Irradiance in the plane of the panel for every hour of a year: from the user's file, or from a model of the sky.

Owns the model, and is the only importer of pvlib, which the extra `sun` brings along. Knows no panel and no board.

Model, each step by pvlib under the name given there: position of the sun by the NREL algorithm (Reda and Andreas
2004); a clear sky by Haurwitz (1945), which needs no table of turbidity; the user's share of it for each month;
beam and diffuse apart by Erbs et al. (1982); on the panel with an isotropic sky (Liu and Jordan 1963); years from
pvlib's documentation. What stands on the horizon takes the beam away while the sun is behind it, and its share of
the diffuse light as it would from a level panel: cos² of the elevation, all around (own simplification).
"""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING

import numpy as np

from benchrig.errors import ConfigError
from benchrig.judge.autonomy import SunSeries
from benchrig.sun_file import EPOCH, read_sun_file

if TYPE_CHECKING:
    import numpy.typing as npt

    from benchrig.board.solar_table import SolarPlan, SunPlace

    Floats = npt.NDArray[np.float64]

HOURS = 24

_DEGREES_PER_HOUR = 15.0


def sun_of(plan: SolarPlan) -> SunSeries:
    """The irradiance that a profile names. Raises ConfigError."""
    if plan.series is not None:
        return read_sun_file(plan.series, missing_are_dark=plan.missing_days_are_dark)
    if plan.place is None:
        raise ConfigError("the table solar names no sun; accepted: series, a file, or place, where the panel stands")
    return modelled_sun(plan.place)


def modelled_sun(place: SunPlace) -> SunSeries:
    """A year of hours by the model; days begin at midnight of the zone. Raises ConfigError without pvlib."""
    try:
        import pandas as pd  # noqa: PLC0415  # an optional extra, and a second to import
        from pvlib import clearsky, irradiance, solarposition  # noqa: PLC0415
    except ImportError as wrong:
        raise ConfigError(
            f"a sun from latitude and tilt needs pvlib, which is not there ({wrong}); pip install 'benchrig[sun]', or "
            "give solar.series, a file of irradiance"
        ) from wrong
    days = np.arange((date(place.year, 1, 1) - EPOCH).days, (date(place.year + 1, 1, 1) - EPOCH).days)
    zone_h = round(place.longitude_deg / _DEGREES_PER_HOUR)
    middle_h = np.arange(days.size * HOURS) + 0.5 - zone_h
    times = pd.DatetimeIndex(days[0].astype("datetime64[D]") + (middle_h * 3600.0).astype("timedelta64[s]"), tz="UTC")
    sun = solarposition.get_solarposition(
        times, place.latitude_deg, place.longitude_deg, altitude=place.altitude_m, method="nrel_numpy"
    )
    zenith_deg, azimuth_deg = (sun[name].to_numpy() for name in ("apparent_zenith", "azimuth"))
    clear = clearsky.haurwitz(sun["apparent_zenith"])["ghi"].to_numpy()
    level = clear * np.repeat(_clearness(place, days), HOURS)
    day_of_year = np.repeat(np.arange(1, days.size + 1), HOURS)
    parts = irradiance.erbs(level, sun["zenith"].to_numpy(), day_of_year)
    beam = _seen_beam(place, np.asarray(parts["dni"]), 90.0 - zenith_deg, azimuth_deg)
    facing = irradiance.aoi_projection(place.tilt_deg, place.azimuth_deg, zenith_deg, azimuth_deg)
    diffuse = np.asarray(irradiance.isotropic(place.tilt_deg, np.asarray(parts["dhi"]))) * _sky_view(place)
    ground = np.asarray(irradiance.get_ground_diffuse(place.tilt_deg, level, place.albedo))
    total = beam * np.maximum(np.asarray(facing), 0.0) + diffuse + ground
    return SunSeries(days, np.maximum(total, 0.0).reshape(-1, HOURS))


def _clearness(place: SunPlace, days: npt.NDArray[np.int64]) -> Floats:
    """Share of a clear sky on each day; the run of dull days at each month's end leaves the month's mean as it is."""
    dates = days.astype("datetime64[D]")
    months = dates.astype("datetime64[M]").astype(int) % 12
    mean = np.array(place.clearness)[months]
    if place.dull_days == 0:
        return np.asarray(mean)
    month_ends = (dates.astype("datetime64[M]") + 1).astype("datetime64[D]")
    lengths = (month_ends - dates.astype("datetime64[M]").astype("datetime64[D]")).astype(int)
    is_dull = (month_ends - dates).astype(int) <= place.dull_days
    dull = np.minimum(place.dull_share, mean)
    others = (mean * lengths - dull * place.dull_days) / (lengths - place.dull_days)
    return np.asarray(np.where(is_dull, dull, np.minimum(others, 1.0)))


def _seen_beam(place: SunPlace, beam: Floats, elevation_deg: Floats, azimuth_deg: Floats) -> Floats:
    """The beam, where the sun is above what stands on the horizon."""
    return np.where(elevation_deg > _horizon_deg(place, azimuth_deg), beam, 0.0)


def _horizon_deg(place: SunPlace, azimuth_deg: Floats) -> Floats:
    """Elevation of the horizon, straight lines between the points, all around."""
    if not place.horizon:
        return np.zeros_like(azimuth_deg)
    azimuths, elevations = zip(*place.horizon, strict=True)
    return np.asarray(np.interp(azimuth_deg, azimuths, elevations, period=360.0))


def _sky_view(place: SunPlace) -> float:
    """Share of the sky's diffuse light that comes over the horizon to a level panel."""
    around = np.arange(0.5, 360.0)
    return float(np.mean(np.cos(np.radians(_horizon_deg(place, around))) ** 2))
