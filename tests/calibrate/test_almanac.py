"""Sun, Moon and constellations against printed values."""

from __future__ import annotations

import warnings
from datetime import datetime, timedelta

import astropy.units as u
import numpy as np
import pytest
from astropy.coordinates import AltAz, EarthLocation, get_body
from astropy.time import Time
from astropy.utils import iers

from skyplumb.calibrate.almanac import almanac, constellations


def test_the_moon_of_a_solar_eclipse_is_dark_and_stands_at_the_sun() -> None:
    # Greatest eclipse of 2017-08-21: 18:25.5 UT at 36.97 N 87.67 W, Sun 63.9 degrees high
    # (Espenak, NASA eclipse bulletin; from memory, the altitude rounded).
    told = almanac(datetime(2017, 8, 21, 18, 20), datetime(2017, 8, 21, 18, 30), 36.97, -87.67)
    assert told.sun_altitude_deg[0] == pytest.approx(63.9, abs=0.5)  # printed for another minute
    assert told.moon_altitude_deg[0] == pytest.approx(told.sun_altitude_deg[0], abs=0.3)
    assert told.moon_lit < 0.001


@pytest.mark.broad
@pytest.mark.parametrize(
    ("year", "month", "latitude", "longitude"),
    [(2026, 8, 46.9, 10.3), (2024, 1, -33.0, 151.0), (2025, 5, 69.0, -120.0)],
)
def test_sun_and_moon_stand_where_astropy_has_them(
    year: int, month: int, latitude: float, longitude: float
) -> None:
    told = almanac(datetime(year, month, 11, 18), datetime(year, month, 12, 4), latitude, longitude)
    place = EarthLocation(lat=latitude * u.deg, lon=longitude * u.deg)
    with (
        iers.conf.set_temp("auto_download", False),
        iers.conf.set_temp("iers_degraded_accuracy", "ignore"),
    ):
        times = Time(list(told.utc), scale="utc")
        frame = AltAz(obstime=times, location=place)
        for name, found in (("sun", told.sun_altitude_deg), ("moon", told.moon_altitude_deg)):
            seen = get_body(name, times, place).transform_to(frame).alt.deg
            # Aberration, which is left out, is 20 arcsec.
            assert found == pytest.approx(seen, abs=0.007)


def test_the_moon_of_a_lunar_eclipse_is_full() -> None:
    # Total lunar eclipse of 2018-07-27, greatest at 20:22 UT (from memory).
    told = almanac(datetime(2018, 7, 27, 20, 0), datetime(2018, 7, 27, 21, 0), 46.0, 10.0)
    assert told.moon_lit > 0.999


def test_a_night_is_sampled_from_end_to_end() -> None:
    begin, end = datetime(2026, 8, 14, 20, 0), datetime(2026, 8, 15, 3, 7)
    told = almanac(begin, end, 46.9, 10.3)
    assert (told.utc[0], told.utc[-1]) == (begin, end)
    assert np.diff(told.utc).max().total_seconds() <= 600
    assert told.sun_altitude_deg.max() < 0 < np.ptp(told.moon_altitude_deg)


@pytest.mark.parametrize("year", [1995, 2017, 2024])
def test_the_earth_may_be_taken_to_turn_evenly(year: int) -> None:
    # Against astropy's own Sun with the measured Earth rotation (IERS Bulletin B, shipped with
    # it): UT1 keeps within 0.9 s of UTC, which is 13.5 arcsec; aberration, left out, is 20.5.
    begin = datetime(year, 3, 1, 18)
    told = almanac(begin, begin + timedelta(hours=12), 46.9, 10.3)
    times, place = Time(list(told.utc)), EarthLocation(lat=46.9 * u.deg, lon=10.3 * u.deg)
    with iers.earth_orientation_table.set(iers.IERS_B.open()):
        sun = get_body("sun", times, place).transform_to(AltAz(obstime=times, location=place))
    assert np.abs(told.sun_altitude_deg - sun.alt.deg).max() * 3600 < 34


@pytest.mark.parametrize("year", [1980, 2026, 2027, 2028, 2035, 2060])
def test_a_night_of_any_year_is_told_and_in_silence(year: int) -> None:
    begin = datetime(year, 12, 1, 12)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        told = almanac(begin, begin + timedelta(hours=24), 46.9, 10.3)
    # Declination -21.9 degrees on 1 December (any almanac), here 46.9 degrees north.
    assert told.sun_altitude_deg.max() == pytest.approx(90 - 46.9 - 21.9, abs=0.5)
    assert told.sun_altitude_deg.min() == pytest.approx(46.9 - 90 - 21.9, abs=0.5)


def test_bright_stars_lie_in_their_constellations() -> None:
    # Vega, Betelgeuse, Acrux: places rounded from any atlas.
    names = constellations([279.23, 88.79, 186.65], [38.78, 7.41, -63.10])
    assert names == ["Lyra", "Orion", "Crux"]
    assert constellations([], []) == []
