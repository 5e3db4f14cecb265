"""Sun, Moon and target over a night, and the constellation of a place; all offline.

The Sun and Moon by ERFA's series (of the IAU's SOFA collection), right to an arcminute or so, far
below what a picture of the night needs. Aberration is left out, and refraction: the Moon rises a
few minutes earlier than drawn.
"""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import erfa
import numpy as np
from numpy.typing import NDArray

from skyplumb.calibrate.sky import julian

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
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", erfa.ErfaWarning)  # leap seconds yet to be announced
        days = np.array([julian(moment) for moment in utc]).T
        tt = erfa.taitt(*erfa.utctai(*days))
        turn = erfa.era00(*days)
        earth, _ = erfa.epv00(*tt)
        axes = erfa.c2i06a(*tt)
    longitude, latitude = np.radians(longitude_deg), np.radians(latitude_deg)
    here = erfa.pvtob(longitude, latitude, 0.0, 0.0, 0.0, 0.0, turn)["p"] / erfa.DAU
    flat = np.cos(latitude)
    zenith = np.stack(
        [flat * np.cos(turn + longitude), flat * np.sin(turn + longitude),
         np.full(count, np.sin(latitude))], -1,
    )  # fmt: skip
    heights, ways = [], []
    for body in (-np.asarray(earth["p"]), np.asarray(erfa.moon98(*tt)["p"])):
        way = np.einsum("nij,nj->ni", axes, body) - here
        way /= np.linalg.norm(way, axis=1, keepdims=True)
        ways.append(way[count // 2])
        heights.append(np.degrees(np.arcsin(np.clip(np.sum(way * zenith, 1), -1, 1))))
    # The lit share of a far-away ball by the angle between it and the Sun.
    lit = float((1 - np.clip(ways[0] @ ways[1], -1, 1)) / 2)
    return Almanac(utc, heights[0], heights[1], lit)


def constellations(ra_deg: Sequence[float], dec_deg: Sequence[float]) -> list[str]:
    """Latin names of the constellations (IAU borders) that places (ICRS, degrees) lie in."""
    if len(ra_deg) == 0:
        return []
    import astropy.units as u
    from astropy.coordinates import SkyCoord, get_constellation

    places = SkyCoord(np.asarray(ra_deg) * u.deg, np.asarray(dec_deg) * u.deg)
    return [str(name).strip() for name in get_constellation(places)]
