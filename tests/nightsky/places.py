"""One exposure of a night -> where its stars stand on the sensor, without a picture.

The stars' places are those that `draw` draws them about, at mid-exposure. What an estimator of
places makes of a picture is added as numbers: noise by the signal, a pull by coma, blends.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from .air import air_mass
from .night import Night, Shot
from .path import Sightline
from .sky import stars_near

Floats = NDArray[np.float64]

NOISE_FLOOR_PX = 0.04
BLEND_PX = 4.0
"""Stars closer than this are found as one, at their common centre of light."""
LOWEST_DEG = 1.0
"""Air and land hide what is lower."""


@dataclass(frozen=True, slots=True)
class Coma:
    """How far coma pulls found places outwards; it grows with the distance from the axis."""

    edge_px: float = 0.0
    """At the sensor's half diagonal, for the brightest stars."""
    power: float = 1.0
    """Third-order coma grows evenly with the field, higher orders faster."""
    faint_share: float = 0.5
    """Of it at the faintest stars, whose tails are lost in the sky."""
    leaning_px: tuple[float, float] = (0.0, 0.0)
    """The same all over the field, of a lens whose parts are decentred."""


@dataclass(frozen=True, slots=True)
class Places:
    """Stars that were found in one exposure, brightest first."""

    x: Floats
    y: Floats
    magnitude: Floats
    snr: Floats


def places_of(
    night: Night, number: int, coma: Coma, faint_mag: float, most: int, floor_px: float = 0.0
) -> Places:
    """Where one exposure's stars are found.

    Parameters
    ----------
    night, number
        Which exposure.
    coma : Coma
        Of its lens.
    faint_mag : float
        Faintest star that shows at the zenith.
    most : int
        So many of the brightest at most.
    floor_px : float
        Error of a place beside that of its signal: unevenness of seeing and sensor.
    """
    shot = night.shots[number]
    rng = np.random.default_rng([night.seed, number, 31])
    at = shot.start_s + shot.exposure_s / 2
    x, y, apparent = _seen(night, shot, at, faint_mag)
    order = np.argsort(apparent, kind="stable")[: 2 * most]
    x, y, apparent = x[order], y[order], apparent[order]
    snr = 8.0 * 10 ** (0.4 * (faint_mag - apparent))
    there = rng.random(len(x)) > 0.05
    x, y, apparent, snr = (one[there] for one in (x, y, apparent, snr))
    x, y, alone = _blended(x, y, apparent)
    x, y, apparent, snr = (one[alone] for one in (x, y, apparent, snr))
    pulled_x, pulled_y = _pulled(night, shot, coma, x, y, apparent, faint_mag)
    width = 2.3548 * np.sqrt(shot.lens.variance_px2(night.sensor))
    noise = np.hypot(max(NOISE_FLOOR_PX, floor_px), 0.6 * width / snr)
    x = x + pulled_x + rng.normal(size=len(x)) * noise
    y = y + pulled_y + rng.normal(size=len(y)) * noise
    inside = (x > 3) & (y > 3) & (x < night.sensor.width - 4) & (y < night.sensor.height - 4)
    return Places(*(one[inside][:most] for one in (x, y, apparent, snr)))


def _seen(night: Night, shot: Shot, at: float, faint_mag: float) -> tuple[Floats, Floats, Floats]:
    """Places and magnitudes under the air and the lens of all stars that show."""
    ground = night.mount.attitude(np.array([at])).apply([0.0, 0.0, 1.0])[0]
    ra, dec = np.radians(night.place.icrs(ground, at))
    towards = np.array([np.cos(dec) * np.cos(ra), np.cos(dec) * np.sin(ra), np.sin(dec)])
    stars = stars_near(towards, min(shot.lens.reach_deg(night.sensor) * 1.03, 110.0), faint_mag)
    sight = Sightline(night, shot, stars)
    x, y = (axis[:, 0] for axis in sight.project(night.mount, np.array([at])))
    up = sight.ground(at)[:, 2]
    shown = stars.mag + night.sky.extinction * (air_mass(up) - 1)
    shown = shown - 2.5 * np.log10(np.maximum(shot.lens.throughput(x, y, night.sensor), 0.05))
    good = np.isfinite(x + y) & (up > np.sin(np.radians(LOWEST_DEG))) & (shown < faint_mag)
    good &= (x > 0) & (x < night.sensor.width) & (y > 0) & (y < night.sensor.height)
    if night.land:
        good &= ~night.land.hides(sight.ground(at))
    return x[good], y[good], shown[good]


def _blended(x: Floats, y: Floats, magnitude: Floats) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    """Places of light with near neighbours in them, and which stars are found at all."""
    x, y = x.copy(), y.copy()
    alone = np.ones(len(x), bool)
    light = 10 ** (-0.4 * magnitude)
    for one, other in sorted(cKDTree(np.column_stack([x, y])).query_pairs(BLEND_PX)):
        if alone[one] and alone[other]:
            share = light[other] / (light[one] + light[other])
            x[one] += share * (x[other] - x[one])
            y[one] += share * (y[other] - y[one])
            alone[other] = False
    return x, y, alone


def _pulled(
    night: Night, shot: Shot, coma: Coma, x: Floats, y: Floats, apparent: Floats, faint_mag: float
) -> tuple[Floats, Floats]:
    sensor, lens = night.sensor, shot.lens
    dx = (x - sensor.middle[0] - lens.off_axis_px[0]) / sensor.half_diagonal_px
    dy = (y - sensor.middle[1] - lens.off_axis_px[1]) / sensor.half_diagonal_px
    out = np.hypot(dx, dy)
    size = coma.edge_px * out ** (coma.power - 1)
    # The brighter a star, the more of its tail stands above the sky: over four magnitudes.
    bright = np.clip((faint_mag - apparent) / 4.0, 0.0, 1.0)
    share = coma.faint_share + (1 - coma.faint_share) * bright
    return (
        share * (size * dx + coma.leaning_px[0]),
        share * (size * dy + coma.leaning_px[1]),
    )
