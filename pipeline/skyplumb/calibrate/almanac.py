"""Sun, Moon and target over a night, and the constellation of a place; all offline.

The Sun and Moon by astropy's built-in ephemerides (ERFA), right to an arcminute or so, far
below what a picture of the night needs. Refraction is left out: the Moon rises a few minutes
earlier than drawn.
"""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import lru_cache

import astropy.units as u
import numpy as np
from astropy.coordinates import AltAz, EarthLocation, SkyCoord, get_body, get_constellation
from astropy.time import Time
from astropy.utils import iers
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Almanac:
    """Heights above the horizon over one night, without refraction; arrays of shape (n,)."""

    utc: tuple[datetime, ...]
    sun_altitude_deg: Floats
    moon_altitude_deg: Floats
    moon_lit: float
    """Share of the Moon's disc that is lit in the middle of the night, 0..1."""


def almanac(
    begin: datetime, end: datetime, latitude_deg: float, longitude_deg: float, step_min: float = 10
) -> Almanac:
    """Sun and Moon from `begin` to `end` (UTC, without zone object) as seen from a place."""
    count = max(int(np.ceil((end - begin) / timedelta(minutes=step_min))), 1) + 1
    utc = tuple(begin + (end - begin) * n / (count - 1) for n in range(count))
    with warnings.catch_warnings(), iers.earth_orientation_table.set(_even_earth()):
        warnings.simplefilter("ignore")  # years ahead, leap seconds may come
        times = Time(list(utc), scale="utc")
        place = EarthLocation(lat=latitude_deg * u.deg, lon=longitude_deg * u.deg)
        frame = AltAz(obstime=times, location=place)
        sun, moon = (get_body(name, times, place) for name in ("sun", "moon"))
        heights = [np.asarray(body.transform_to(frame).alt.deg) for body in (sun, moon)]
        # The lit share of a far-away ball by the angle between it and the Sun.
        apart = sun[count // 2].separation(moon[count // 2]).rad
    return Almanac(utc, heights[0], heights[1], float((1 - np.cos(apart)) / 2))


@lru_cache
def _even_earth() -> iers.IERS:
    """An Earth whose turn keeps to UTC and whose poles stand still, in any year.

    It does to 14 arcsec. The measured table that astropy brings ends, and reading it takes
    longer than all else here.
    """
    zero = np.zeros(2)
    columns = {"MJD": np.array([0.0, 1e6]) * u.day, "UT1_UTC": zero * u.s}
    angles = dict.fromkeys(("PM_x", "PM_y", "dX_2000A", "dY_2000A"), zero * u.arcsec)
    return iers.IERS(columns | angles)


def constellations(ra_deg: Sequence[float], dec_deg: Sequence[float]) -> list[str]:
    """Latin names of the constellations (IAU borders) that places (ICRS, degrees) lie in."""
    if len(ra_deg) == 0:
        return []
    places = SkyCoord(np.asarray(ra_deg) * u.deg, np.asarray(dec_deg) * u.deg)
    return [str(name).strip() for name in get_constellation(places)]
