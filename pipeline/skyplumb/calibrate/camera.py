"""The camera as a map: directions in front of the lens <-> pixels, one model per lens.

Camera axes: +x right, +y down in the sensor frame, +z out of the lens. A mirrored
picture (FITS rows that run upwards) has `parity` -1: its x axis is turned round.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from skyplumb.robust import Weighting, cauchy_weighting, reweighted

Floats = NDArray[np.float64]

RAD_TO_ARCSEC = 206264.80624709636
EFFICIENCY = 0.966
"""Of the robust weights: a star counts half at three sigma. Of the pairs few are wrong."""


@dataclass(frozen=True, slots=True)
class Camera:
    """Pinhole with radial and decentring distortion (Brown 1966)."""

    focal_px: float
    width_px: int
    height_px: int
    parity: int = 1
    centre_x: float = 0.0
    """Optical axis from the middle of the picture, px."""
    centre_y: float = 0.0
    radial: tuple[float, float, float] = (0.0, 0.0, 0.0)
    """k1..k3: r_d = r (1 + k1 q + k2 q^2 + k3 q^3) with q = (r / corner)^2."""
    tangential: tuple[float, float] = (0.0, 0.0)
    """p1, p2 over `corner`, as in Brown's formula."""

    @property
    def corner(self) -> float:
        """Tangent of the angle from the axis to the picture's corner, without distortion."""
        return float(np.hypot(self.width_px, self.height_px) / 2 / self.focal_px)

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
        return float(2 * np.degrees(np.arctan(self.width_px / 2 / self.focal_px)))

    def project(self, directions: Floats) -> Floats:
        """Pixels, shape (n, 2), of directions in camera axes; NaN behind the lens."""
        z = directions[..., 2]
        with np.errstate(divide="ignore", invalid="ignore"):
            x = np.where(z > 0.02, directions[..., 0] / z, np.nan)
            y = np.where(z > 0.02, directions[..., 1] / z, np.nan)
        dx, dy = self._distort(x, y)
        middle = self.middle
        return np.stack(
            [middle[0] + self.parity * self.focal_px * dx, middle[1] + self.focal_px * dy], -1
        )

    def _distort(self, x: Floats, y: Floats) -> tuple[Floats, Floats]:
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

    def directions(self, pixels: Floats) -> Floats:
        """Unit vectors in camera axes, shape (n, 3), of pixels, by fixed-point inversion."""
        middle = self.middle
        tx = (pixels[..., 0] - middle[0]) / (self.parity * self.focal_px)
        ty = (pixels[..., 1] - middle[1]) / self.focal_px
        x, y = tx.copy(), ty.copy()
        for _ in range(25):
            dx, dy = self._distort(x, y)
            x, y = x + 0.9 * (tx - dx), y + 0.9 * (ty - dy)
        out = np.stack([x, y, np.ones_like(x)], -1)
        return np.asarray(out / np.linalg.norm(out, axis=-1, keepdims=True))

    def grows(self) -> bool:
        """True if pixels move outwards with the angle all over the picture."""
        r = np.linspace(0, self.corner * 1.02, 60)
        dr = self._distort(r, np.zeros_like(r))[0]
        return bool(np.all(np.diff(dr) > 0))

    def corner_distortion(self) -> float:
        """Relative radial displacement at the corner against a pinhole."""
        return float(sum(self.radial))


@dataclass(frozen=True, slots=True)
class Matched:
    """Stars of one frame with the catalogue directions they belong to."""

    pixels: Floats
    """Shape (n, 2)."""
    directions: Floats
    """Shape (n, 3), sky frame."""
    weights: Floats
    """One over the expected error, 1/px."""


def fit_attitude(
    camera: Camera, matched: Matched, attitude: Floats, rounds: int = 6
) -> tuple[Floats, Floats, Floats]:
    """Least-squares rotation sky -> camera axes, robust to a few wrong matches.

    Returns
    -------
    attitude : ndarray, shape (3, 3)
    covariance : ndarray, shape (3, 3)
        Of the small rotation about the camera axes, rad^2, scaled by the residuals.
    residuals : ndarray, shape (n, 2)
        Measured minus projected, px.
    """
    normal = np.eye(3)

    def off() -> Floats:
        return matched.pixels - camera.project(matched.directions @ attitude.T)

    def step(weighting: Weighting) -> Floats:
        nonlocal attitude, normal
        seen = matched.directions @ attitude.T
        jacobian = _turned(camera, seen)
        normal, slope = _normal_equations(jacobian, off(), matched.weights**2 * weighting.weights)
        turn = np.linalg.solve(normal + 1e-12 * np.trace(normal) * np.eye(3), slope)
        attitude = Rotation.from_rotvec(turn).as_matrix() @ attitude
        return off() * matched.weights[:, None]

    start = cauchy_weighting(off() * matched.weights[:, None], 3, EFFICIENCY)
    last = reweighted(step, start, rounds, 3, EFFICIENCY)
    sigma = float(last.sigma[0]) if len(last.sigma) else 1.0
    return attitude, np.asarray(np.linalg.pinv(normal) * sigma**2), off()


def fit_camera(
    camera: Camera,
    frames: list[Matched],
    attitudes: list[Floats],
    centre_sigma_px: float,
) -> tuple[Camera, list[Floats]]:
    """One camera for several frames, with an attitude for each: joint least squares.

    The wider the field, the more of the distortion is free; the optical axis is held
    near the middle of the picture, since a narrow field cannot tell it from a turn.
    """
    names = _free(camera)
    count = len(names)
    steps = {"focal_px": camera.focal_px * 1e-6, "centre_x": 1e-2, "centre_y": 1e-2}
    # A corner displaced by 3 % and a decentring by 0.3 % are ordinary.
    priors = {"centre_x": centre_sigma_px, "centre_y": centre_sigma_px, "k": 0.1, "p": 0.01}
    frame = np.repeat(np.arange(len(frames)), [len(matched.pixels) for matched in frames])

    def off(number: int) -> Floats:
        matched = frames[number]
        return matched.pixels - camera.project(matched.directions @ attitudes[number].T)

    def pulls() -> Floats:
        each = [off(n) * matched.weights[:, None] for n, matched in enumerate(frames)]
        return np.concatenate(each)

    def step(weighting: Weighting) -> Floats:
        nonlocal camera, attitudes
        size = count + 3 * len(frames)
        normal = np.zeros((size, size))
        slope = np.zeros(size)
        for number, (matched, attitude) in enumerate(zip(frames, attitudes, strict=True)):
            seen = matched.directions @ attitude.T
            there = camera.project(seen)
            bent = [
                (_moved(camera, name, steps.get(name, 1e-6)).project(seen) - there)
                / steps.get(name, 1e-6)
                for name in names
            ]
            jacobian = np.concatenate([np.stack(bent, -1), _turned(camera, seen)], -1)
            mine = np.flatnonzero(frame == number)
            # Each frame counts by its own scatter, against the priors too.
            weight = weighting.weights[mine] * (matched.weights / weighting.sigma[mine]) ** 2
            where = np.r_[np.arange(count), count + 3 * number + np.arange(3)]
            one, pull = _normal_equations(jacobian, off(number), weight)
            normal[np.ix_(where, where)] += one
            slope[where] += pull
        for index, name in enumerate(names):
            sigma = priors.get(name) or priors.get(name[0])
            if sigma:
                normal[index, index] += 1 / sigma**2
                slope[index] -= _value(camera, name) / sigma**2
        normal += 1e-10 * np.diag(np.diag(normal)) + 1e-30 * np.eye(size)
        move = np.linalg.solve(normal, slope)
        for index, name in enumerate(names):
            camera = _moved(camera, name, float(move[index]))
        attitudes = [
            Rotation.from_rotvec(move[count + 3 * n : count + 3 * n + 3]).as_matrix() @ attitude
            for n, attitude in enumerate(attitudes)
        ]
        return pulls()

    start = cauchy_weighting(pulls(), efficiency=EFFICIENCY, group=frame)
    reweighted(step, start, 8, efficiency=EFFICIENCY, group=frame)
    return camera, attitudes


def _turned(camera: Camera, seen: Floats) -> Floats:
    """How pixels move with a small turn about each camera axis, px/rad, shape (n, 2, 3)."""
    step = 1e-6
    there = camera.project(seen)
    return np.stack(
        [(camera.project(seen + step * np.cross(a, seen)) - there) / step for a in np.eye(3)], -1
    )


def _normal_equations(
    jacobian: Floats, residuals: Floats, weights: Floats
) -> tuple[Floats, Floats]:
    """Left and right side of weighted least squares; stars behind the lens have no say."""
    good = np.isfinite(residuals[:, 0] + residuals[:, 1])
    j = np.where(good[:, None, None], jacobian, 0.0)
    r = np.where(good[:, None], residuals, 0.0)
    weighed = np.where(good, weights, 0.0)[:, None, None] * j
    return (
        np.einsum("nki,nkj->ij", weighed, j, optimize=True),
        np.einsum("nki,nk->i", weighed, r),
    )


def _free(camera: Camera) -> list[str]:
    """Parameters that a field of this width can show."""
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
            return replace(camera, radial=(k[0], k[1], k[2]))
        p = list(camera.tangential)
        p[place] += by
        return replace(camera, tangential=(p[0], p[1]))
    changed: dict[str, Any] = {name: getattr(camera, name) + by}
    return replace(camera, **changed)
