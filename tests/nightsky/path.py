"""Where points of the sky stand on the sensor through an exposure."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from .mount import Mount, instants
from .night import Night, Shot
from .sky import EARTH_RATE, Stars, north_pole

Floats = NDArray[np.float64]

TRAIL_STEP_PX = 0.5
PIECE_PX = 10.0
MERGE_PX = 0.5
MOST_MERGED_PX = 1.2
MOST_PLACES = 80
MANY_PLACES = 40
"""Paths of more places are drawn with four rays, of the same second moments, a spot."""


@dataclass(frozen=True, slots=True)
class Paths:
    """Where points of the sky stand on the sensor in the middle of each piece of an exposure."""

    x: Floats
    y: Floats
    """Pixels, shape (n, m)."""
    share: Floats
    """Of the exposure, shape (m,)."""


class Sightline:
    """Directions of points of the sky through one exposure.

    Refraction changes slowly, so a point's place in a frame that turns with the Earth is
    a parabola through begin, middle and end of the exposure; the rest is rotation.
    """

    def __init__(self, night: Night, shot: Shot, stars: Stars) -> None:
        self._night, self._shot = night, shot
        self._nodes = shot.start_s + shot.exposure_s * np.array([0.0, 0.5, 1.0])
        pole = north_pole(night.site)
        self._pole = pole
        self.at_nodes = [
            Rotation.from_rotvec(pole * EARTH_RATE * (at - self._nodes[1])).apply(
                night.place.observed(stars, float(at))
            )
            for at in self._nodes
        ]

    def project(self, mount: Mount, at_s: Floats) -> tuple[Floats, Floats]:
        """Pixels at moments, each shape (stars, moments)."""
        begin, middle, end = self._nodes
        turn = Rotation.from_rotvec(-np.outer(EARTH_RATE * (at_s - middle), self._pole))
        to_camera = (mount.attitude(at_s).inv() * turn).as_matrix()
        weights = (
            (at_s - middle) * (at_s - end) / ((begin - middle) * (begin - end)),
            (at_s - begin) * (at_s - end) / ((middle - begin) * (middle - end)),
            (at_s - begin) * (at_s - middle) / ((end - begin) * (end - middle)),
        )
        directions = sum(
            (weight[:, None, None] * to_camera) @ node.T
            for weight, node in zip(weights, self.at_nodes, strict=True)
        )
        return self._shot.lens.project(
            np.swapaxes(directions, 1, 2).swapaxes(0, 1), self._night.sensor
        )

    def ground(self, at_s: float) -> Floats:
        """Directions from the ground at a moment, shape (stars, 3)."""
        turn = Rotation.from_rotvec(-self._pole * EARTH_RATE * (at_s - self._nodes[1]))
        seen: Floats = turn.apply(self.at_nodes[1])
        return seen


def moments_of(shot: Shot, mount: Mount, even: int) -> tuple[Floats, Floats]:
    """Middles of the pieces of an exposure and their shares."""
    end = shot.start_s + shot.exposure_s
    edges = instants(mount.events(shot.start_s, end), shot.start_s, end, even)
    return (edges[1:] + edges[:-1]) / 2, np.diff(edges) / shot.exposure_s


def reference_points(night: Night, shot: Shot) -> Stars:
    """The sky in the middle of the frame and near its four corners, at mid-exposure."""
    sensor = night.sensor
    at = shot.start_s + shot.exposure_s / 2
    x = np.array([0.5, 0.03, 0.97, 0.03, 0.97]) * (sensor.width - 1)
    y = np.array([0.5, 0.03, 0.03, 0.97, 0.97]) * (sensor.height - 1)
    camera = shot.lens.unproject(x, y, sensor)
    ground = night.mount.attitude(np.array([at])).apply(camera)
    places = np.radians([night.place.icrs(one, at) for one in ground])
    return Stars(places[:, 0], places[:, 1], np.full(5, 99.0), np.full(5, 0.8))


def even_pieces(reference: Sightline, mount: Mount, shot: Shot) -> int:
    """How many even pieces let the longest path be drawn without gaps; slow faults only."""
    at_s = np.linspace(shot.start_s, shot.start_s + shot.exposure_s, 33)
    slow = replace(mount, gusts=(), knocks=())
    x, y = reference.project(slow, at_s)
    steps = np.hypot(np.diff(x, axis=1), np.diff(y, axis=1))
    longest = float(np.nanmax(np.nansum(steps, axis=1)))
    return max(6, int(np.ceil(longest / TRAIL_STEP_PX)))


def merged(paths: Paths, reference: Sightline, mount: Mount, at_s: Floats) -> tuple[Paths, float]:
    """The paths with instants joined at which the picture stands alike, within 0.5 to 1.2 px.

    A gust is sampled at hundreds of instants, yet the picture visits few places. Also the mean
    variance along an axis, square pixels, that joining took away and blur has to give back.
    """
    if len(at_s) <= MANY_PLACES or not mount.events(float(at_s[0]), float(at_s[-1])):
        return paths, 0.0
    x, y = reference.project(mount, at_s)
    size, cell = MERGE_PX, np.arange(len(at_s))
    while size <= MOST_MERGED_PX and cell.max() >= MOST_PLACES:
        places = np.rint(np.column_stack([x[0], y[0]]) / size)
        cell = np.unique(places, axis=0, return_inverse=True)[1]
        size *= 1.3
    weights = np.zeros((len(at_s), cell.max() + 1))
    weights[np.arange(len(at_s)), cell] = paths.share
    share = weights.sum(axis=0)
    weights /= share
    lost = sum(float(paths.share @ (axis[0] - (axis[0] @ weights)[cell]) ** 2) for axis in (x, y))
    return Paths(paths.x @ weights, paths.y @ weights, share), lost / 2


def in_pieces(
    x: Floats, y: Floats, share: Floats
) -> tuple[Floats, Floats, Floats, NDArray[np.intp]]:
    """Long paths cut into pieces that fit a stamp: places and shares, shape (pieces, k), whose."""
    count = x.shape[1]
    extent = max(np.ptp(x, axis=1).max(), np.ptp(y, axis=1).max())
    pieces = 1 if extent <= PIECE_PX else int(min(np.ceil(extent / PIECE_PX), max(1, count // 4)))
    k = int(np.ceil(count / pieces))
    pieces = int(np.ceil(count / k))
    fill = pieces * k - count
    # The last piece is filled with its last place at no share.
    x, y = (np.concatenate([a, np.repeat(a[:, -1:], fill, axis=1)], axis=1) for a in (x, y))
    share = np.concatenate([share, np.full(fill, 1e-12)])
    n = len(x)
    return (
        x.reshape(n * pieces, k),
        y.reshape(n * pieces, k),
        np.tile(share.reshape(pieces, k), (n, 1)),
        np.repeat(np.arange(n), pieces),
    )
