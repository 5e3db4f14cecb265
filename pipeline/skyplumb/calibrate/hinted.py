"""A narrow field and a place roughly known -> where its stars lie in the catalogue.

Patterns of the whole sky end at fields of some degrees: narrower ones hold too few catalogue
stars to be unlike all others. Near a place that the header or the night notes give, few stars
are enough. The places found here are candidates: the odds against chance decide (`matching`).

It takes some six stars of the catalogue, which ends at G 10, or four where no star as bright is
left over on either side of a field under 1.7 degrees: there nearly anywhere, at 1 degree mostly.
A run's other frames are sought near the one that was found (`lens_search`).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from skyplumb.calibrate.camera import Camera
from skyplumb.calibrate.matching import fewest_matches, trusted_rows
from skyplumb.calibrate.similarity import VOTERS, best_similarity
from skyplumb.calibrate.sky import catalogue, unit_vectors
from skyplumb.records import Measure

Floats = NDArray[np.float64]

HINT_OFF_DEG = 1.5
"""How far off a mount's or a target's place may be: its own error, a target that is not in the
middle, and precession since J2000 (common practice, no source)."""
MOST_PATCHES = 50
"""So many patches of sky are looked at, the nearest first."""
WITHIN_PX = 3.0
"""A first guess knows no distortion and no refraction."""
FEWEST_HITS = 5


def places_near(
    measure: Measure,
    camera: Camera,
    hint_deg: tuple[float, float],
    scales: tuple[float, float],
    parities: tuple[int, ...] = (1, -1),
) -> Iterator[tuple[Camera, Floats]]:
    """Cameras and attitudes (ICRS to camera axes) that lay stars on catalogue stars.

    Parameters
    ----------
    measure : Measure
    camera : Camera
        A guess at the lens.
    hint_deg : tuple of float
        Right ascension and declination of about the middle of the picture; NaN gives nothing.
    scales : tuple of float
        Least and greatest image scale, over that of `camera`.
    parities : tuple of int
        1 and -1 (mirrored) as they are to be tried.
    """
    if not np.isfinite(hint_deg).all() or camera.width_deg > 60:
        return
    known = catalogue()
    size = np.array([camera.width_px, camera.height_px]) / camera.focal_px
    diagonal = float(np.hypot(*size)) * scales[1]
    axis = unit_vectors(*np.radians(hint_deg))
    reach = np.radians(HINT_OFF_DEG) + diagonal
    rows = np.flatnonzero(known.directions @ axis > np.cos(min(reach, 1.5)))
    fewest = fewest_matches(camera)
    if len(rows) < fewest:
        return
    # As many of the picture's brightest as the catalogue may hold there, by its mean density.
    density = len(rows) / (2 * np.pi * (1 - np.cos(min(reach, 1.5))))
    expected = density * float(np.prod(size))
    count = int(np.clip(1.5 * expected + 6, 12, VOTERS / 2))
    stars = measure.stars[trusted_rows(measure.stars)][:count]
    pixels = np.stack([stars["x"], stars["y"]], 1).astype(np.float64)
    mine = (pixels - camera.middle) / camera.focal_px
    for patch in _patches(axis, float(size.min())):
        near = rows[known.directions[rows] @ patch > np.cos(0.75 * diagonal)][:VOTERS]
        if len(near) < fewest:
            continue
        plane, basis = _tangent(known.directions[near], patch)
        for parity in parities:
            found = best_similarity(
                mine, plane, WITHIN_PX / camera.focal_px, scales, mirrored=parity < 0
            )
            if found is None or found.hits < min(FEWEST_HITS, fewest):
                continue
            lens = replace(camera, focal_px=camera.focal_px / abs(found.factor), parity=parity)
            yield lens, _attitude(found.factor * parity, found.translation, basis)


def _patches(axis: Floats, narrow_rad: float) -> Iterator[Floats]:
    """Middles of patches half a field apart, from the hint outwards."""
    east, north = _east_north(axis)
    step = narrow_rad / 2
    most = int(np.ceil(np.radians(HINT_OFF_DEG) / step))
    grid = np.arange(-most, most + 1) * step
    x, y = (part.ravel() for part in np.meshgrid(grid, grid))
    away = np.hypot(x, y)
    order = np.argsort(away, kind="stable")
    order = order[away[order] <= np.radians(HINT_OFF_DEG) + 1e-9][:MOST_PATCHES]
    for n in order:
        middle = axis + x[n] * east + y[n] * north
        yield middle / np.linalg.norm(middle)


def _east_north(axis: Floats) -> tuple[Floats, Floats]:
    """East and north at a place; at a pole any two that are square to it."""
    pole = np.array([0.0, 0.0, 1.0]) if abs(axis[2]) < 0.999999 else np.array([1.0, 0.0, 0.0])
    east = np.cross(pole, axis)
    east /= np.linalg.norm(east)
    return east, np.cross(axis, east)


def _tangent(directions: Floats, middle: Floats) -> tuple[Floats, Floats]:
    """Gnomonic places about a middle, shape (n, 2), and the axes they are counted in."""
    basis = np.stack([*_east_north(middle), middle])
    seen = directions @ basis.T
    return seen[:, :2] / seen[:, 2:], basis


def _attitude(factor: complex, translation: complex, basis: Floats) -> Floats:
    """ICRS to camera axes of a picture whose x runs along `factor` from `translation`."""
    ahead = np.array([translation.real, translation.imag, 1.0]) @ basis
    ahead /= np.linalg.norm(ahead)
    right = np.array([factor.real, factor.imag, 0.0]) @ basis
    right -= (right @ ahead) * ahead
    right /= np.linalg.norm(right)
    return np.stack([right, np.cross(ahead, right), ahead])
