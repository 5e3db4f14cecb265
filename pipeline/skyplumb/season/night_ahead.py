"""A day, a site and a target -> that night's Sun, Moon, and the target's height; all offline.

Directions by ERFA's series (of the IAU's SOFA collection), right to an arcminute or so, which is
far below what a plan needs. Aberration, refraction and polar motion are left out, and UT1 is taken
for UTC: a second of time at most.
"""

from __future__ import annotations

import re
import warnings
from dataclasses import dataclass
from datetime import date, datetime, timedelta

import erfa
import numpy as np
from numpy.typing import NDArray

from skyplumb.calibrate.almanac import almanac
from skyplumb.calibrate.sky import julian
from skyplumb.errors import UserError

Floats = NDArray[np.float64]

STEP_MIN = 5
DARK_DEG, DUSK_DEG = -18.0, -12.0
"""The Sun lower than this is astronomical night; nautical where a summer has none."""
LOWEST_DEG = 20.0
"""Targets lower than this stand in too much air to be worth a frame (common practice, no
source)."""
SAMPLED = 20_000
"""Places on the sphere by which the middle of a constellation is found, 1.4 degrees apart."""
STANDARD_REFRACTION_ARCSEC = 58.2
"""Times tan z: erfa.refco at 1013 hPa, 10 C."""


@dataclass(frozen=True, slots=True)
class Target:
    """Where to point, ICRS."""

    name: str
    ra_deg: float
    dec_deg: float


@dataclass(frozen=True, slots=True)
class NightAhead:
    """One night at one site, from noon to noon; arrays of shape (n,)."""

    utc: tuple[datetime, ...]
    sun_altitude_deg: Floats
    moon_altitude_deg: Floats
    moon_lit: float
    """Share of the Moon's disc that is lit at midnight, 0..1."""
    altitude_deg: Floats
    """Of the target, without refraction."""
    hour_angle_deg: Floats
    dark_below_deg: float
    """The Sun under this is taken for dark; NaN where it never is."""
    moon_apart_deg: float
    """From the target at midnight."""

    @property
    def dark(self) -> NDArray[np.bool_]:
        return np.asarray(self.sun_altitude_deg < self.dark_below_deg)

    @property
    def usable(self) -> NDArray[np.bool_]:
        """Dark, and the target high enough."""
        return self.dark & (self.altitude_deg > LOWEST_DEG)

    @property
    def hours(self) -> float:
        """Of the usable."""
        return hours_of(self.usable)


def spans(steps: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """First and last step of each stretch."""
    edges = np.flatnonzero(np.diff(np.r_[False, steps, False].astype(int)))
    return [(int(a), int(b) - 1) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def hours_of(steps: NDArray[np.bool_]) -> float:
    """From the first to the last step of each stretch."""
    return sum(b - a for a, b in spans(steps)) * STEP_MIN / 60


def night_ahead(day: date, latitude_deg: float, longitude_deg: float, target: Target) -> NightAhead:
    """The night that begins on the evening of `day`.

    Raises
    ------
    UserError
        If the target never rises there.
    """
    if abs(latitude_deg - target.dec_deg) > 90:
        north = "N" if latitude_deg >= 0 else "S"
        raise UserError(
            f"--target {target.name}: never rises at {abs(latitude_deg):.1f} {north} (declination "
            f"{target.dec_deg:.1f}); choose another"
        )
    noon = datetime(day.year, day.month, day.day) + timedelta(hours=12 - longitude_deg / 15)
    bodies = almanac(noon, noon + timedelta(days=1), latitude_deg, longitude_deg, STEP_MIN)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", erfa.ErfaWarning)  # leap seconds yet to be announced
        days = np.array([julian(moment) for moment in bodies.utc]).T
        tt = erfa.taitt(*erfa.utctai(*days))
        axes, turn = erfa.c2i06a(*tt), erfa.era00(*days)
        moon = erfa.moon98(*tt)["p"][len(bodies.utc) // 2]
    way = erfa.s2c(*np.radians([target.ra_deg, target.dec_deg]))
    # From the celestial frame to that of the date, whose pole is the Earth's own.
    ra, dec = erfa.c2s(axes @ way)
    hour = turn + np.radians(longitude_deg) - ra
    _, altitude = erfa.hd2ae(hour, dec, np.radians(latitude_deg))
    lowest = float(bodies.sun_altitude_deg.min())
    return NightAhead(
        utc=bodies.utc,
        sun_altitude_deg=bodies.sun_altitude_deg,
        moon_altitude_deg=bodies.moon_altitude_deg,
        moon_lit=bodies.moon_lit,
        altitude_deg=np.degrees(altitude),
        hour_angle_deg=(np.degrees(hour) + 180) % 360 - 180,
        dark_below_deg=next((one for one in (DARK_DEG, DUSK_DEG) if lowest < one), np.nan),
        moon_apart_deg=float(np.degrees(erfa.sepp(way, moon))),
    )


def refraction_drift_arcsec_min(
    latitude_deg: float, hour_angle_deg: Floats, dec_deg: float
) -> tuple[Floats, Floats]:
    """How refraction moves a star against a perfect mount, towards east and north.

    The star stands R = `STANDARD_REFRACTION_ARCSEC` tan z towards the zenith; along the
    parallactic angle q, sin z sin q = cos phi sin H and sin z cos q = sin phi cos d - cos phi sin d
    cos H, so that both parts over cos z are known, and this is their slope along H.
    """
    phi, d, h = np.radians(latitude_deg), np.radians(dec_deg), np.radians(hour_angle_deg)
    # No lower than 10 degrees, where the law of the tangent ends.
    cos_z = np.maximum(np.sin(phi) * np.sin(d) + np.cos(phi) * np.cos(d) * np.cos(h), 0.17)
    turn_rad_min = 2 * np.pi / 1436.07
    size = STANDARD_REFRACTION_ARCSEC * turn_rad_min / cos_z**2
    east = size * np.cos(phi) * (np.sin(phi) * np.sin(d) * np.cos(h) + np.cos(phi) * np.cos(d))
    return np.asarray(east), np.asarray(size * np.sin(2 * phi) * np.sin(h) / 2)


def target_of(words: str) -> Target:
    """A place in words, or the middle of a constellation.

    `RA DEC` in degrees (`314.7 44.3`), in hours (`20h58m48s +44d20m`, `20:58:48 +44:20`), or a
    constellation's Latin name or abbreviation.

    Raises
    ------
    UserError
        If it is neither.
    """
    told = " ".join(words.replace(",", " ").split())
    number = re.fullmatch(r"([0-9.]+) ([+-]?[0-9.]+)", told)
    try:
        if number:
            ra, dec = map(float, number.groups())
        elif re.search(r"\d", told):
            ra, dec = _sexagesimal(told)
        else:
            return _constellation(told)
    except ValueError:
        ra, dec = np.nan, np.nan
    if not (0 <= ra <= 360 and -90 <= dec <= 90):
        raise UserError(
            f"--target {words!r}: is no place; give RA and DEC, as '314.7 44.3' in degrees or "
            "'20:58:48 +44:20' in hours and degrees, or a constellation, as Cygnus"
        )
    return Target(told, ra, dec)


def _sexagesimal(told: str) -> tuple[float, float]:
    from astropy.coordinates import Angle

    parts = told.split()
    if len(parts) != 2:
        raise ValueError(told)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # 60 seconds are rolled over
        ra, dec = Angle(parts[0], unit="hourangle"), Angle(parts[1], unit="deg")
    return float(ra.deg), float(dec.deg)


def _constellation(told: str) -> Target:
    """The place nearest to the mean of all places within a constellation's borders (IAU)."""
    import astropy.units as u
    from astropy.coordinates import SkyCoord, get_constellation

    # Steps of the golden angle lie evenly on the sphere.
    n = np.arange(SAMPLED) + 0.5
    dec = np.arcsin(1 - 2 * n / SAMPLED)
    ra = (np.pi * (3 - np.sqrt(5)) * n) % (2 * np.pi)
    places = SkyCoord(ra * u.rad, dec * u.rad)
    wanted = told.casefold()
    for short in (False, True):
        names = np.char.strip(get_constellation(places, short_name=short).astype(str))
        plain = np.char.lower(np.char.replace(names, "ö", "o"))
        mine = plain == wanted.replace("ö", "o")
        if mine.any():
            ways = np.asarray(places[mine].cartesian.xyz)
            near = int(np.argmax(ways.mean(axis=1) @ ways))
            row = np.flatnonzero(mine)[near]
            return Target(str(names[row]), float(np.degrees(ra[row])), float(np.degrees(dec[row])))
    raise UserError(
        f"--target {told!r}: is no constellation; give its Latin name, as Cygnus, or RA and DEC"
    )
