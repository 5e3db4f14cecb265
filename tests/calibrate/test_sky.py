"""Where stars stand, against astropy and published values."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta

import astropy.units as u
import numpy as np
import pytest
from astropy.coordinates import AltAz, EarthLocation, SkyCoord, get_sun
from astropy.time import Time
from astropy.utils import iers
from numpy.typing import NDArray

from skyplumb.calibrate.sky import (
    SIDEREAL_RATE_ARCSEC_S,
    ObservedSky,
    Site,
    catalogue,
    east_and_north,
    unit_vectors,
)

Floats = NDArray[np.float64]

ARCSEC = np.pi / 648000
NIGHT = datetime(2026, 8, 14, 23, 10, 7, 250_000)
SITES = (Site(47.3, 11.4, 900.0), Site(-33.0, 151.2, 40.0), Site(19.54, -155.58, 3400.0))


@pytest.fixture(autouse=True)
def no_downloads() -> Iterator[None]:
    """The Earth orientation tables that install with astropy serve."""
    with (
        iers.conf.set_temp("auto_download", False),
        iers.conf.set_temp("iers_degraded_accuracy", "ignore"),
    ):
        yield


def aimed(latitude: float, hour: float, dec: float) -> Floats:
    """Direction (X meridian, Y east, Z pole) of an hour angle (west positive), degrees."""
    places = unit_vectors(np.radians(np.array([-hour])), np.radians(np.array([dec])))
    return np.asarray(places[0])


def angle_of(at: Floats, towards: Floats) -> float:
    """Position angle of a way, degrees."""
    east, north = east_and_north(at) @ towards
    return float(np.degrees(np.arctan2(east, north)) % 360.0)


def apart_arcsec(a: Floats, b: Floats) -> Floats:
    """Angle between unit vectors, without the loss of precision of an arc cosine."""
    return np.asarray(2 * np.arcsin(np.linalg.norm(a - b, axis=-1) / 2) / ARCSEC)


@pytest.mark.parametrize("site", SITES)
def test_places_agree_with_astropy_to_an_arcsecond_refraction_included(site: Site) -> None:
    rng = np.random.default_rng(2)
    ra, dec = rng.uniform(0, 2 * np.pi, 400), np.arcsin(rng.uniform(-1, 1, 400))
    frame = ObservedSky(NIGHT, site)
    altitude, azimuth = frame.altitude_azimuth_deg(frame.directions(ra, dec))
    location = EarthLocation(
        lat=site.latitude_deg * u.deg, lon=site.longitude_deg * u.deg, height=site.height_m * u.m
    )
    time = Time(NIGHT)
    # UT1-UTC moves the sky as a whole; ours takes it as zero, and so does this time.
    time.delta_ut1_utc = 0.0
    theirs = SkyCoord(ra * u.rad, dec * u.rad).transform_to(
        AltAz(
            obstime=time,
            location=location,
            pressure=site.pressure_hpa * u.hPa,
            temperature=10 * u.deg_C,
            relative_humidity=0.5,
            obswl=0.55 * u.micron,
        )
    )
    ours = unit_vectors(np.radians(azimuth), np.radians(altitude))
    want = unit_vectors(theirs.az.rad, theirs.alt.rad)
    high = theirs.alt.deg > 10
    # Half an arcsecond is polar motion, which ours leaves out; both use erfa's refraction.
    assert np.count_nonzero(high) > 100
    assert apart_arcsec(ours, want)[high].max() < 1.0


@pytest.mark.parametrize(
    ("latitude", "hour", "dec", "east", "north"),
    [
        # arcsec a minute against an exact mount on the true pole: derived in closed form from
        # R = A tan z + B tan^3 z and recomputed numerically; 1013.25 hPa, 10 C, 50 %.
        (40, 0, 0, 0.2545, 0.0),
        (40, 60, 20, 0.4784, 0.3209),
        (40, 75, 20, 0.9026, 0.7223),
        (-33, 75, -20, 1.1504, -0.7250),
    ],
)
def test_refraction_moves_a_tracked_star_as_derived(
    latitude: float, hour: float, dec: float, east: float, north: float
) -> None:
    site = Site(latitude, 10.0)
    middle = ObservedSky(NIGHT, site)
    ra_rad, dec_rad = middle.icrs(aimed(latitude, hour, dec)[None])
    step = timedelta(seconds=30)
    before, after = (
        ObservedSky(NIGHT + way * step, site).directions(ra_rad, dec_rad)[0] for way in (-1, 1)
    )
    # The camera turns with the Earth rotation angle; what is left is the drift in one minute.
    longitude = np.arctan2(after[1], after[0]) - np.arctan2(before[1], before[0])
    turned = (longitude + SIDEREAL_RATE_ARCSEC_S * ARCSEC * 60 + np.pi) % (2 * np.pi) - np.pi
    dec_moved = np.arcsin(after[2]) - np.arcsin(before[2])
    drift = np.array([turned * np.cos(np.radians(dec)), dec_moved]) / ARCSEC
    # The formula is to first order in refraction: half a percent at the lowest of these.
    # Diurnal and yearly aberration change by under 0.002 arcsec a minute.
    assert drift == pytest.approx([east, north], rel=0.005, abs=0.002)


@pytest.mark.parametrize(
    ("latitude", "hour", "dec", "angle"),
    [
        # tan q = sin H / (tan phi cos d - sin d cos H) (Meeus, Astronomical Algorithms, ch. 14,
        # from memory), recomputed with erfa.hd2pa to the digits given.
        (40, 30, 20, 45.4447),
        (40, -30, 20, -45.4447),
        (52, 60, 45, 57.5102),
        (-33, 30, -20, 122.1326),
        (40, 0, 60, 180.0),
    ],
)
def test_the_zenith_lies_at_the_parallactic_angle(
    latitude: float, hour: float, dec: float, angle: float
) -> None:
    phi = np.radians(latitude)
    zenith = np.array([np.cos(phi), 0.0, np.sin(phi)])
    found = angle_of(aimed(latitude, hour, dec), zenith)
    assert (found - angle + 180) % 360 - 180 == pytest.approx(0.0, abs=5e-5)


def test_position_angles_run_from_north_through_east() -> None:
    longitude = np.array([1.0, 1.0, 1.0 + 1e-6, 1.0 - 1e-6])
    here, north, east, west = unit_vectors(longitude, np.array([0.5, 0.6, 0.5, 0.5]))
    found = [angle_of(here, there) for there in (north, east, west)]
    # A parallel leaves its tangent by the step, 1e-6 rad.
    assert found == pytest.approx([0.0, 90.0, 270.0], abs=1e-4)


@pytest.mark.parametrize("site", [*SITES, None])
@pytest.mark.parametrize("utc", [NIGHT, None])
def test_icrs_is_the_inverse_of_directions(site: Site | None, utc: datetime | None) -> None:
    rng = np.random.default_rng(5)
    ra, dec = rng.uniform(0, 2 * np.pi, 300), np.arcsin(rng.uniform(-1, 1, 300))
    frame = ObservedSky(utc, site)
    seen = frame.directions(ra, dec)
    back = unit_vectors(*frame.icrs(seen))
    altitude = frame.altitude_azimuth_deg(seen)[0]
    high = ~(altitude < 10)  # all where no site gives an altitude
    # erfa says of its refraction that way and back agree to 0.05 arcsec at 5 degrees; by 10
    # degrees it is under half of that. The rest is exact.
    assert np.count_nonzero(high) > 80
    assert apart_arcsec(back, unit_vectors(ra, dec))[high].max() < 0.02


def test_yearly_aberration_has_the_published_amplitude() -> None:
    rng = np.random.default_rng(6)
    ra, dec = rng.uniform(0, 2 * np.pi, 20_000), np.arcsin(rng.uniform(-1, 1, 20_000))
    plain = unit_vectors(ra, dec)
    largest = []
    for month in range(12):
        utc = datetime(2026, 1, 5) + timedelta(days=30.44 * month)
        seen = ObservedSky(utc, None).directions(ra, dec)
        sun = get_sun(Time(utc)).cartesian.xyz.value
        # The Sun bends light beside it; away from it by under 0.01 arcsec.
        away = np.abs(plain @ sun) < 0.5
        largest.append(apart_arcsec(seen, plain)[away].max())
    # Constant of aberration 20.49552 arcsec (IAU 1976, from memory). The planets pull the
    # Earth's speed about by 13 m/s, 0.009 arcsec; the orbit's ellipse gives -/+ 1.7 %.
    assert np.mean(largest) == pytest.approx(20.49552, abs=0.01)
    assert np.ptp(largest) == pytest.approx(2 * 0.0167 * 20.49552, abs=0.03)


def test_without_a_time_directions_are_the_catalogue_places() -> None:
    ra, dec = np.array([0.3, 6.0]), np.array([-1.2, 0.7])
    assert ObservedSky(None, None).directions(ra, dec) == pytest.approx(unit_vectors(ra, dec))
    assert ObservedSky(None, SITES[0]).directions(ra, dec) == pytest.approx(unit_vectors(ra, dec))


@pytest.mark.parametrize(
    ("height", "pressure"),
    # ICAO standard atmosphere (Doc 7488, from memory), geopotential metres and hPa.
    [(0, 1013.25), (1000, 898.75), (2000, 794.95), (3000, 701.09), (5000, 540.20)],
)
def test_pressure_follows_the_standard_atmosphere(height: float, pressure: float) -> None:
    # The formula's constants are rounded; 0.1 hPa is 1e-4 of the refraction.
    assert Site(0.0, 0.0, height).pressure_hpa == pytest.approx(pressure, abs=0.1)


def test_the_suns_altitude_agrees_with_astropy() -> None:
    for site in SITES:
        for hours in (0, 5, 11, 17):
            utc = NIGHT + timedelta(hours=hours)
            location = EarthLocation(lat=site.latitude_deg * u.deg, lon=site.longitude_deg * u.deg)
            theirs = get_sun(Time(utc)).transform_to(AltAz(obstime=Time(utc), location=location))
            found = ObservedSky(utc, site).sun_altitude_deg()
            # Refraction, some 0.5 deg at the horizon, is in ours: it is to tell day from night.
            assert found == pytest.approx(theirs.alt.deg, abs=0.6)
    assert np.isnan(ObservedSky(NIGHT, None).sun_altitude_deg())
    assert np.isnan(ObservedSky(None, SITES[0]).sun_altitude_deg())


def test_altitudes_need_a_site() -> None:
    altitude, azimuth = ObservedSky(NIGHT, None).altitude_azimuth_deg(np.eye(3))
    assert np.isnan(altitude).all()
    assert np.isnan(azimuth).all()


def test_altitude_and_azimuth_of_the_cardinal_points() -> None:
    frame = ObservedSky(NIGHT, Site(40.0, 0.0))
    phi = np.radians(40.0)
    zenith = np.array([np.cos(phi), 0, np.sin(phi)])
    north, east = np.array([-np.sin(phi), 0, np.cos(phi)]), np.array([0.0, 1.0, 0.0])
    altitude, azimuth = frame.altitude_azimuth_deg(np.stack([zenith, north, east, -north]))
    assert altitude == pytest.approx([90, 0, 0, 0], abs=1e-6)
    assert azimuth[1:] % 360 == pytest.approx([0, 90, 180], abs=1e-6)


def test_the_catalogue_is_brightest_first_and_begins_with_sirius() -> None:
    stars = catalogue()
    assert (np.diff(stars.magnitude) >= 0).all()
    assert np.abs(np.linalg.norm(stars.directions, axis=1) - 1).max() < 1e-12
    # Sirius, ICRS J2000 (Hipparcos, from memory); it moves 1.3 arcsec a year until 2016.
    sirius = unit_vectors(np.radians(np.array([101.28716])), np.radians(np.array([-16.71612])))
    assert apart_arcsec(stars.directions[:1], sirius)[0] < 25
