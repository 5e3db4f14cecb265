"""Fields of stars over a site, placed by astropy and not by the code under test."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime

import astropy.units as u
import numpy as np
import pytest
from astropy.coordinates import AltAz, EarthLocation, SkyCoord
from astropy.time import Time
from astropy.utils import iers
from numpy.typing import NDArray

from skyplumb.calibrate.lens_search import StarField
from skyplumb.calibrate.sky import ObservedSky, Site, catalogue
from skyplumb.records import STAR_DTYPE, Measure

Floats = NDArray[np.float64]

WIDTH, HEIGHT, FOCAL = 3000, 2000, 5000.0
NIGHT = datetime(2026, 8, 14, 23, 10, 7)
SITE = Site(47.3, 11.4, 900.0)


@contextmanager
def iers_as_installed() -> Iterator[None]:
    """The Earth orientation tables that install with astropy serve."""
    with (
        iers.conf.set_temp("auto_download", False),
        iers.conf.set_temp("iers_degraded_accuracy", "ignore"),
    ):
        yield


@pytest.fixture(autouse=True)
def no_downloads() -> Iterator[None]:
    """The same for every test of a module."""
    with iers_as_installed():
        yield


@dataclass(frozen=True)
class Shot:
    """A field as astropy sees it over the site: X north, Y east, Z up."""

    utc: datetime = NIGHT
    altitude_deg: float = 52.0
    azimuth_deg: float = 140.0
    roll_deg: float = 25.0
    """The sensor's up direction, from the zenith's direction towards growing azimuth."""
    site: Site = SITE
    air_c: float = 10.0

    def altaz(self) -> AltAz:
        """The observer's frame, at 10 C with the air the project's own sky has."""
        time = Time(self.utc)
        time.delta_ut1_utc = 0.0  # ours takes it as zero
        return AltAz(
            obstime=time,
            location=EarthLocation(
                lat=self.site.latitude_deg * u.deg,
                lon=self.site.longitude_deg * u.deg,
                height=self.site.height_m * u.m,
            ),
            pressure=self.site.pressure_hpa * u.hPa,
            temperature=self.air_c * u.deg_C,
            relative_humidity=0.5,
            obswl=0.55 * u.micron,
        )

    def axes(self) -> Floats:
        """Rows: the sensor's right, its down, the line of sight."""
        alt, az = np.radians([self.altitude_deg, self.azimuth_deg])
        sight = np.array([np.cos(alt) * np.cos(az), np.cos(alt) * np.sin(az), np.sin(alt)])
        higher = np.array([-np.sin(alt) * np.cos(az), -np.sin(alt) * np.sin(az), np.cos(alt)])
        onwards = np.array([-np.sin(az), np.cos(az), 0.0])
        roll = np.radians(self.roll_deg)
        up = np.cos(roll) * higher + np.sin(roll) * onwards
        right = np.cos(roll) * onwards - np.sin(roll) * higher
        return np.stack([right, -up, sight])

    def centre(self) -> SkyCoord:
        """ICRS place of the line of sight."""
        here = SkyCoord(
            az=self.azimuth_deg * u.deg, alt=self.altitude_deg * u.deg, frame=self.altaz()
        )
        return here.icrs

    def roll_pa_deg(self) -> float:
        """Position angle on the sky, ICRS, of the sensor's up direction."""
        _, down, sight = self.axes()
        near = sight - 1e-4 * down
        az, alt = np.arctan2(near[1], near[0]), np.arcsin(near[2] / np.linalg.norm(near))
        above = SkyCoord(az=az * u.rad, alt=alt * u.rad, frame=self.altaz()).icrs
        return float(self.centre().position_angle(above).deg)


@dataclass(frozen=True)
class Followed(Shot):
    """The same field at another time, by a camera that follows the stars."""

    first: Shot = Shot()

    def axes(self) -> Floats:
        """Those of the first shot, carried along with two of its stars."""
        right, _, sight = self.first.axes()
        ways = np.stack([sight, sight + 0.02 * right])
        there = SkyCoord(*ways.T, representation_type="cartesian", frame=self.first.altaz())
        here = there.icrs.transform_to(self.altaz()).cartesian.xyz.value.T
        sight = here[0] / np.linalg.norm(here[0])
        right = here[1] - (here[1] @ sight) * sight
        right /= np.linalg.norm(right)
        # North, east, up is a left-handed frame.
        return np.stack([right, np.cross(right, sight), sight])

    def centre(self) -> SkyCoord:
        """Where the first shot pointed."""
        return self.first.centre()


@dataclass(frozen=True)
class Leaning(Followed):
    """The same on a tracker whose axis is off: the camera turns about the east as well."""

    lean_rad_s: float = 0.0

    def axes(self) -> Floats:
        """Followed, then turned about the east by as much as the time since the first shot."""
        angle = self.lean_rad_s * (self.utc - self.first.utc).total_seconds()
        cosine, sine = np.cos(angle), np.sin(angle)
        # X north, Y east, Z up: a turn about Y moves the pole along the meridian.
        turn = np.array([[cosine, 0.0, sine], [0.0, 1.0, 0.0], [-sine, 0.0, cosine]])
        return super().axes() @ turn.T

    def centre(self) -> SkyCoord:
        """ICRS place of the line of sight."""
        sight = self.axes()[2]
        here = SkyCoord(*sight, representation_type="cartesian", frame=self.altaz())
        return SkyCoord(here.spherical.lon, here.spherical.lat, frame=self.altaz()).icrs


def table(pixels: Floats, magnitude: Floats, keep: int | None = None) -> Measure:
    """A measure with these stars, or the `keep` brightest of them, brightest first."""
    inside = (pixels >= 0).all(axis=1) & (pixels < [WIDTH, HEIGHT]).all(axis=1)
    pixels, magnitude = pixels[inside][:keep], magnitude[inside][:keep]
    stars = np.zeros(len(pixels), STAR_DTYPE)
    stars["x"], stars["y"] = pixels.T
    stars["flux"] = 10 ** (-0.4 * (magnitude - 20))
    stars["snr"], stars["mxx"], stars["myy"] = 100.0, 1.5, 1.5
    return Measure("a", "light", "", width_px=WIDTH, height_px=HEIGHT, stars=stars)


def exposure(
    shot: Shot,
    *,
    mirrored: bool = False,
    faint: float = 7.5,
    k1: float = 0.0,
    frame: ObservedSky | None = None,
    noise_px: float = 0.1,
    keep: int | None = None,
    fisheye: Callable[[Floats], Floats] | None = None,
    focal: float = FOCAL,
    seed: int = 1,
) -> StarField:
    """The star table of a shot, with centroids `noise_px` off and a tenth of the stars missing."""
    rng = np.random.default_rng(seed)
    known = catalogue()
    most = int(np.searchsorted(known.magnitude, faint))
    axes = shot.axes()
    # Only what can lie in the field goes through astropy.
    sight = shot.centre().cartesian.xyz.value
    reach = 1.57 if fisheye else 1.25 * np.hypot(WIDTH, HEIGHT) / 2 / focal
    near = np.flatnonzero(known.directions[:most] @ sight > np.cos(min(reach, 1.57)))
    places = SkyCoord(known.ra_rad[near] * u.rad, known.dec_rad[near] * u.rad)
    seen = places.transform_to(shot.altaz()).cartesian.xyz.value.T @ axes.T
    ahead = seen[:, 2] > 0.05
    if fisheye:  # down to the horizon and no further
        ahead = places.transform_to(shot.altaz()).alt.deg > 0.5
    seen, magnitude = seen[ahead], known.magnitude[near][ahead]
    if fisheye:
        off = np.hypot(seen[:, 0], seen[:, 1])
        flat = seen[:, :2] * (fisheye(np.arctan2(off, seen[:, 2])) / off)[:, None]
    else:
        flat = seen[:, :2] / seen[:, 2:]
    r2 = np.sum(flat**2, axis=1, keepdims=True) / (np.hypot(WIDTH, HEIGHT) / 2 / focal) ** 2
    pixels = focal * flat * (1 + k1 * r2) * [-1.0 if mirrored else 1.0, 1.0]
    pixels += np.array([(WIDTH - 1) / 2, (HEIGHT - 1) / 2])
    pixels += rng.normal(0, noise_px, pixels.shape)
    there = rng.random(len(pixels)) > 0.1
    measure = table(pixels[there], magnitude[there], keep)
    return StarField(measure, frame or ObservedSky(shot.utc, shot.site))
