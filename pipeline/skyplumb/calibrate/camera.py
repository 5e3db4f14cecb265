"""The camera as a map: directions in front of the lens <-> pixels, one model per lens.

Camera axes: +x right, +y down in the sensor frame, +z out of the lens. A mirrored
picture (FITS rows that run upwards) has `parity` -1: its x axis is turned round.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from skyplumb.angles import rotation
from skyplumb.robust import Weighting, cauchy_weighting, reweighted

Floats = NDArray[np.float64]

RAD_TO_ARCSEC = 206264.80624709636
EFFICIENCY = 0.966
"""Of the robust weights: a star counts half at three sigma. Of the matches few are wrong."""


PINHOLE = "pinhole"
FISHEYE = "fisheye"
EDGE_OF_VIEW_RAD = 1.75
"""Nothing is drawn from further off the axis: the widest fisheyes see 200 degrees."""


@dataclass(frozen=True, slots=True)
class Camera:
    """One lens in front of one sensor.

    Two laws of how far from the middle a star is drawn, by its angle t off the axis. A
    `pinhole` draws it at r = f tan t, bent by three even powers of r and decentred (Brown
    1966). A `fisheye` draws r = f t (1 + k1 t^2 + k2 t^4 + k3 t^6 + k4 t^8), which follows
    every fisheye design and reaches past 90 degrees (Kannala & Brandt 2006, equation 6, its
    first coefficient being the focal length).
    """

    focal_px: float
    width_px: int
    height_px: int
    parity: int = 1
    centre_x: float = 0.0
    """Optical axis from the middle of the picture, px."""
    centre_y: float = 0.0
    radial: tuple[float, ...] = (0.0, 0.0, 0.0)
    """Of a pinhole k1..k3: r_d = r (1 + k1 q + k2 q^2 + k3 q^3) with q = (r / corner)^2; of a
    fisheye k1..k4."""
    tangential: tuple[float, float] = (0.0, 0.0)
    """p1, p2 over `corner`, as in Brown's formula."""
    projection: str = PINHOLE

    @property
    def corner(self) -> float:
        """Distance of the picture's corner from its middle in focal lengths: of a pinhole the
        tangent of the angle there, of a fisheye nearly the angle."""
        return math.hypot(self.width_px, self.height_px) / 2 / self.focal_px

    @property
    def middle(self) -> Floats:
        """Pixel of the optical axis."""
        return np.array(
            [
                (self.width_px - 1) / 2 + self.centre_x,
                (self.height_px - 1) / 2 + self.centre_y,
            ]
        )

    @property
    def scale_arcsec_px(self) -> float:
        """Image scale on the optical axis, arcsec/px."""
        return RAD_TO_ARCSEC / self.focal_px

    @property
    def width_deg(self) -> float:
        """Width of the field along x, degrees, without distortion."""
        half = self.width_px / 2 / self.focal_px
        if self.projection == FISHEYE:
            return float(2 * np.degrees(min(half, EDGE_OF_VIEW_RAD)))
        return float(2 * np.degrees(np.arctan(half)))

    def field_radius_rad(self) -> float:
        """Angle off the axis that holds every part of the picture, distortion and all."""
        if self.projection == FISHEYE:
            return float(self._fisheye_angle(np.array([self.corner * 1.05]))[0])
        return float(min(np.arctan(min(self.corner * 1.3, 12.0)) * 1.05 + 0.01, 1.4))

    def project(self, directions: Floats) -> Floats:
        """Pixels, shape (n, 2), of directions in camera axes; NaN out of the lens's view."""
        x, y, z = directions[..., 0], directions[..., 1], directions[..., 2]
        if self.projection == FISHEYE:
            off = np.hypot(x, y)
            angle = np.arctan2(off, z)
            far = self._fisheye_radius(np.minimum(angle, EDGE_OF_VIEW_RAD))
            with np.errstate(divide="ignore", invalid="ignore"):
                share = np.where(off > 1e-12, far / off, 1.0)
            share = np.where(angle <= self._fisheye_edge(), share, np.nan)
            dx, dy = self._decentre(x * share, y * share)
        else:
            ahead = np.where(z > 0.02, z, np.nan)
            x, y = x / ahead, y / ahead
            dx, dy = self._distort(x, y)
        middle = self.middle
        pixels = np.empty((*np.shape(dx), 2))
        pixels[..., 0] = middle[0] + self.parity * self.focal_px * dx
        pixels[..., 1] = middle[1] + self.focal_px * dy
        return pixels

    def _distort(self, x: Floats, y: Floats) -> tuple[Floats, Floats]:
        """A pinhole's picture in focal lengths -> the lens's."""
        k1, k2, k3 = self.radial
        p1, p2 = self.tangential
        corner = self.corner
        r2 = x * x + y * y
        q = r2 / corner**2
        factor = 1 + q * (k1 + q * (k2 + q * k3))
        return (
            x * factor + (2 * p1 * x * y + p2 * (r2 + 2 * x * x)) / corner,
            y * factor + (p1 * (r2 + 2 * y * y) + 2 * p2 * x * y) / corner,
        )

    def turned(self, directions: Floats) -> Floats:
        """How pixels move with a small turn about each camera axis, px/rad.

        Parameters
        ----------
        directions : ndarray, shape (n, 3)
            In camera axes.

        Returns
        -------
        ndarray, shape (n, 2, 3)
            The derivative of `project`; NaN out of the lens's view.
        """
        if self.projection == FISHEYE:
            step, there = 1e-6, self.project(directions)
            turned = [directions + step * np.cross(axis, directions) for axis in np.eye(3)]
            return np.stack([(self.project(one) - there) / step for one in turned], -1)
        z = np.where(directions[:, 2] > 0.02, directions[:, 2], np.nan)
        x, y = directions[:, 0] / z, directions[:, 1] / z
        k1, k2, k3 = self.radial
        p1, p2 = self.tangential
        corner = self.corner
        q = (x * x + y * y) / corner**2
        factor = 1 + q * (k1 + q * (k2 + q * k3))
        slope = 2 * (k1 + q * (2 * k2 + q * 3 * k3)) / corner**2
        xy = x * y * slope + 2 * (p1 * x + p2 * y) / corner
        xx = factor + x * x * slope + (2 * p1 * y + 6 * p2 * x) / corner
        yy = factor + y * y * slope + (6 * p1 * y + 2 * p2 * x) / corner
        # How the pinhole's own x and y move with each turn.
        moved = np.empty((len(x), 2, 3))
        moved[:, 0, 0], moved[:, 0, 1], moved[:, 0, 2] = -x * y, 1 + x * x, -y
        moved[:, 1, 0], moved[:, 1, 1], moved[:, 1, 2] = -1 - y * y, x * y, x
        bent = np.empty_like(moved)
        across = self.parity * self.focal_px
        bent[:, 0] = across * (xx[:, None] * moved[:, 0] + xy[:, None] * moved[:, 1])
        bent[:, 1] = self.focal_px * (xy[:, None] * moved[:, 0] + yy[:, None] * moved[:, 1])
        return bent

    def _decentre(self, x: Floats, y: Floats) -> tuple[Floats, Floats]:
        """The tangential part alone."""
        p1, p2 = self.tangential
        corner = self.corner
        r2 = x * x + y * y
        return (
            x + (2 * p1 * x * y + p2 * (r2 + 2 * x * x)) / corner,
            y + (p1 * (r2 + 2 * y * y) + 2 * p2 * x * y) / corner,
        )

    def _fisheye_radius(self, angle: Floats) -> Floats:
        """Distance from the axis in focal lengths of an angle, rad."""
        return _fisheye(angle, self.radial)

    def _fisheye_edge(self) -> float:
        """Largest angle up to which the distance grows, rad."""
        return _edge_of(self.radial)

    def _fisheye_angle(self, radius: Floats) -> Floats:
        """The inverse of `_fisheye_radius`; distances past the edge of view give the edge."""
        angle = np.linspace(0, self._fisheye_edge(), 400)
        found = np.interp(radius, self._fisheye_radius(angle), angle)
        step = 1e-6
        for _ in range(3):
            slope = (self._fisheye_radius(found + step) - self._fisheye_radius(found)) / step
            miss = self._fisheye_radius(found) - radius
            found = found - np.where(slope > 0.05, miss / np.maximum(slope, 0.05), 0.0)
        return np.asarray(np.clip(found, 0, angle[-1]))

    def directions(self, pixels: Floats) -> Floats:
        """Unit vectors in camera axes, shape (n, 3), of pixels, by fixed-point inversion."""
        middle = self.middle
        tx = (pixels[..., 0] - middle[0]) / (self.parity * self.focal_px)
        ty = (pixels[..., 1] - middle[1]) / self.focal_px
        x, y = tx.copy(), ty.copy()
        bend = self._decentre if self.projection == FISHEYE else self._distort
        for _ in range(25):
            dx, dy = bend(x, y)
            x, y = x + 0.9 * (tx - dx), y + 0.9 * (ty - dy)
        if self.projection == FISHEYE:
            radius = np.hypot(x, y)
            angle = self._fisheye_angle(radius)
            share = np.where(radius > 1e-12, np.sin(angle) / np.maximum(radius, 1e-12), 1.0)
            return np.stack([x * share, y * share, np.cos(angle)], -1)
        out = np.stack([x, y, np.ones_like(x)], -1)
        return np.asarray(out / np.linalg.norm(out, axis=-1, keepdims=True))

    def grows(self) -> bool:
        """True if pixels move outwards with the angle all over the picture."""
        if self.projection == FISHEYE:
            # Beyond some 70 degrees an orthographic one hardly grows at all.
            return self._fisheye_edge() > min(self.corner, 1.2)
        r = np.linspace(0, self.corner * 1.02, 60)
        dr = self._distort(r, np.zeros_like(r))[0]
        return bool(np.all(np.diff(dr) > 0))

    def corner_distortion(self) -> float:
        """Relative radial displacement of a pinhole's corner."""
        return float(sum(self.radial)) if self.projection == PINHOLE else float("nan")


def _fisheye(angle: Floats, radial: tuple[float, ...]) -> Floats:
    k1, k2, k3, k4 = radial
    q = angle * angle
    return angle * (1 + q * (k1 + q * (k2 + q * (k3 + q * k4))))


@lru_cache(maxsize=64)
def _edge_of(radial: tuple[float, ...]) -> float:
    """Largest angle, rad, up to which a fisheye's distance from the axis grows."""
    angle = np.linspace(0, EDGE_OF_VIEW_RAD, 176)
    falls = np.flatnonzero(np.diff(_fisheye(angle, radial)) <= 0)
    return float(angle[falls[0]] if len(falls) else EDGE_OF_VIEW_RAD)


@dataclass(frozen=True, slots=True)
class Matched:
    """Stars of one frame with the catalogue directions they belong to."""

    pixels: Floats
    """Shape (n, 2)."""
    directions: Floats
    """Shape (n, 3), sky frame."""
    weights: Floats
    """One over the expected error, 1/px."""


def fit_camera(
    camera: Camera,
    frames: list[Matched],
    attitudes: list[Floats],
    centre_sigma_px: float,
    rounds: int = 8,
) -> tuple[Camera, list[Floats]]:
    """One camera for several frames, with an attitude for each: joint least squares.

    The wider the field, the more of the distortion is free; the optical axis is held
    near the middle of the picture, since a narrow field cannot tell it from a turn.
    """
    names = _free(camera)
    count = len(names)
    sigmas = prior_sigmas(camera, centre_sigma_px)
    lengths = [len(matched.pixels) for matched in frames]
    frame = np.repeat(np.arange(len(frames)), lengths)
    mine = [
        slice(end - length, end) for end, length in zip(np.cumsum(lengths), lengths, strict=True)
    ]
    pixels = np.concatenate([matched.pixels for matched in frames])
    expected = np.concatenate([matched.weights for matched in frames])
    seen = off = np.zeros(0)

    def pulls() -> Floats:
        nonlocal seen, off
        turned = [one.directions @ turn.T for one, turn in zip(frames, attitudes, strict=True)]
        seen = np.concatenate(turned)
        off = pixels - camera.project(seen)
        return np.asarray(off * expected[:, None])

    def step(weighting: Weighting) -> Floats:
        nonlocal camera, attitudes
        size = count + 3 * len(frames)
        normal = np.zeros((size, size))
        slope = np.zeros(size)
        jacobian = camera_columns(camera, seen, names)
        # Each frame counts by its own scatter, against the priors too.
        weight = weighting.weights * (expected / weighting.sigma) ** 2
        for number, rows in enumerate(mine):
            where = np.r_[np.arange(count), count + 3 * number + np.arange(3)]
            one, pull = _normal_equations(jacobian[rows], off[rows], weight[rows])
            normal[np.ix_(where, where)] += one
            slope[where] += pull
        for index, (name, sigma) in enumerate(zip(names, sigmas, strict=True)):
            normal[index, index] += 1 / sigma**2
            slope[index] -= _value(camera, name) / sigma**2
        normal += 1e-10 * np.diag(np.diag(normal)) + 1e-30 * np.eye(size)
        move = np.linalg.solve(normal, slope)
        for index, name in enumerate(names):
            camera = _moved(camera, name, float(move[index]))
        attitudes = [
            rotation(np.asarray(move[count + 3 * n : count + 3 * n + 3], float)) @ attitude
            for n, attitude in enumerate(attitudes)
        ]
        return pulls()

    start = cauchy_weighting(pulls(), efficiency=EFFICIENCY, group=frame)
    reweighted(step, start, rounds, efficiency=EFFICIENCY, group=frame)
    return camera, attitudes


def _normal_equations(
    jacobian: Floats, residuals: Floats, weights: Floats
) -> tuple[Floats, Floats]:
    """Left and right side of weighted least squares; stars behind the lens have no say."""
    good = np.isfinite(residuals[:, 0] + residuals[:, 1])
    if not good.all():
        jacobian, residuals, weights = jacobian[good], residuals[good], weights[good]
    j = jacobian.reshape(-1, jacobian.shape[-1])
    weighed = (weights[:, None, None] * jacobian).reshape(j.shape).T
    return weighed @ j, weighed @ residuals.ravel()


def camera_columns(camera: Camera, seen: Floats, names: Sequence[str] = ()) -> Floats:
    """How pixels move with each free number of the camera and a turn about each of its axes.

    Shape (n, 2, free + 3), of directions in camera axes; `names` are the free numbers, by
    default those that a field of this width can show.
    """
    there = camera.project(seen)
    steps = {"focal_px": camera.focal_px * 1e-6, "centre_x": 1e-2, "centre_y": 1e-2}
    exact = _pinhole_columns(camera, seen) if camera.projection == PINHOLE else {}
    columns = [
        exact[name]
        if name in exact
        else (_moved(camera, name, steps.get(name, 1e-6)).project(seen) - there)
        / steps.get(name, 1e-6)
        for name in names or _free(camera)
    ]
    return np.concatenate([np.stack(columns, -1), camera.turned(seen)], -1)


def _pinhole_columns(camera: Camera, seen: Floats) -> dict[str, Floats]:
    """How a pinhole's pixels move with its distortion and axis: those it is linear in."""
    z = np.where(seen[:, 2] > 0.02, seen[:, 2], np.nan)
    x, y = seen[:, 0] / z, seen[:, 1] / z
    corner, r2 = camera.corner, x * x + y * y
    across, none = camera.parity * camera.focal_px, 0.0 * x
    q = r2 / corner**2
    moves = {"centre_x": (none + 1 / across, none), "centre_y": (none, none + 1 / camera.focal_px)}
    moves |= {f"k{n}": (x * q**n, y * q**n) for n in (1, 2, 3)}
    moves["p1"] = (2 * x * y / corner, (r2 + 2 * y * y) / corner)
    moves["p2"] = ((r2 + 2 * x * x) / corner, 2 * x * y / corner)
    return {
        name: np.stack([across * dx, camera.focal_px * dy], -1) for name, (dx, dy) in moves.items()
    }


def prior_sigmas(camera: Camera, centre_sigma_px: float) -> Floats:
    """How far from nothing each free number of a camera may lie; inf for the focal length."""
    # A corner displaced by 3 % and a decentring by 0.3 % are ordinary.
    usual = {"centre_x": centre_sigma_px, "centre_y": centre_sigma_px, "k": 0.1, "p": 0.01}
    if camera.projection == FISHEYE:
        # From orthographic (-1/6, 1/120) to stereographic (1/12, 1/120) designs.
        usual |= {"k1": 0.2, "k2": 0.05, "k3": 0.02, "k4": 0.01}
    return np.array([usual.get(n, usual.get(n[0], np.inf)) for n in _free(camera)])


def free_values(camera: Camera) -> Floats:
    """The free numbers of a camera, in the order of `camera_columns`."""
    return np.array([_value(camera, name) for name in _free(camera)])


def _free(camera: Camera) -> list[str]:
    """Parameters that a field of this width can show."""
    if camera.projection == FISHEYE:
        return ["focal_px", "k1", "k2", "k3", "k4", "centre_x", "centre_y", "p1", "p2"]
    names = ["focal_px", "k1"]
    if camera.corner > 0.1:
        names += ["k2", "centre_x", "centre_y"]
    if camera.corner > 0.3:
        names += ["k3", "p1", "p2"]
    return names


def _value(camera: Camera, name: str) -> float:
    if name[0] == "k":
        return camera.radial[int(name[1]) - 1]
    if name[0] == "p":
        return camera.tangential[int(name[1]) - 1]
    return float(getattr(camera, name))


def _moved(camera: Camera, name: str, by: float) -> Camera:
    """The camera with one parameter changed; distortion stays tied to the same corner."""
    if name[0] in "kp":
        place = int(name[1]) - 1
        if name[0] == "k":
            k = list(camera.radial)
            k[place] += by
            return replace(camera, radial=tuple(k))
        p = list(camera.tangential)
        p[place] += by
        return replace(camera, tangential=(p[0], p[1]))
    changed: dict[str, Any] = {name: getattr(camera, name) + by}
    return replace(camera, **changed)
