"""Star shapes: the elliptical Gaussian that fits a star best, on any mosaic of colours.

Adaptive Gaussian-weighted second moments are the covariance of the elliptical
Gaussian with the least squared difference from the star [1]_. Solving that least
squares problem directly, rather than iterating weighted sums, lets the samples lie
anywhere: on the green sites alone, or on all sites with one brightness per colour.
Undersampled stars are then no special case, and neither is the colour of a star.

A fitted covariance is not yet a blur: where the star's profile has wings, a trail
stretches it by more than length^2 / 12. `trail_length_px` and `fwhm_px` undo that with
the profile's own fourth moment, on laws measured against drawn stars
(`python -m tests.bench.shape_laws` derives their constants and prints what they leave).

References
----------
.. [1] Bernstein & Jarvis 2002, AJ 123, 583, section 3.1; Hirata & Seljak 2003,
   MNRAS 343, 459 (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from skyplumb.angles import axis_deg

Floats = NDArray[np.float64]

SIGMA_TO_FWHM = 2.0 * np.sqrt(2.0 * np.log(2.0))
GAUSSIAN_KURT = 2.0
"""Weighted radial fourth moment of a Gaussian; wings make it larger, a trail smaller."""


STEP_DONE = 2e-3
"""A step of the moments, over the moments along the same axis, that ends the fit."""
NEEDLE = 0.9999
"""Highest correlation of x and y: a diagonal trail 500 px long and 2 px wide has less."""
LEAST_MOMENT = 0.02
"""No star is narrower than a quarter of a pixel's own box, px^2."""


@dataclass(frozen=True, slots=True)
class GaussianFits:
    """Best elliptical Gaussian of each of n stars; all arrays have n rows."""

    x: Floats
    """Centre relative to the middle sample of the stamp, px."""
    y: Floats
    moments: Floats
    """Columns mxx, myy, mxy, px^2; the pixel's own 1/12 is inside."""
    errors: Floats
    """One-sigma errors of `moments`, from the noise and the misfit."""
    amplitude: Floats
    """Height above the sky of each colour class, shape (n, classes)."""
    snr: Floats
    """Gaussian-weighted flux over its error by the sky noise."""
    kurt: Floats
    converged: NDArray[np.bool_]


def fit_gaussians(
    stamps: NDArray[np.float32],
    classes: NDArray[np.int8],
    noise: float | Floats,
    start: Floats,
    start_xy: Floats,
    iterations: int = 14,
) -> GaussianFits:
    """Fit one elliptical Gaussian to each stamp by damped Gauss-Newton steps.

    Every sample weighs the same, so the result does not depend on the brightness.

    Parameters
    ----------
    stamps : ndarray, shape (n, size, size)
        Samples above the sky; size is odd.
    classes : ndarray, shape (n, size, size)
        Colour class of each sample from 0 up, each class with its own brightness;
        -1 leaves the sample out.
    noise : float or ndarray, shape (n,)
        Standard deviation of one sample of the sky.
    start : ndarray, shape (n, 3)
        First guess of mxx, myy, mxy.
    start_xy : ndarray, shape (n, 2)
        First guess of the centre, px from the middle sample.
    """
    samples = _samples(stamps, classes)
    search = _Search.begin(start, start_xy, samples.levels)
    live = np.arange(len(stamps))
    for _ in range(iterations):
        step = _gauss_newton(samples.of(live), search.centre[live], search.shape[live])
        search.take(live, step)
        live = live[search.last_step[live] > STEP_DONE]
        if len(live) == 0:
            break
    search.settle()
    return _described(
        samples, search, np.broadcast_to(noise, len(stamps)), reach=max(2.0, stamps.shape[1] / 4)
    )


@dataclass(frozen=True, slots=True)
class _Samples:
    """The samples that are used, n stars with equally many each."""

    data: NDArray[np.float32]
    """Shape (n, samples)."""
    x: NDArray[np.float32]
    """Offsets from the middle of the stamp, px."""
    y: NDArray[np.float32]
    member: NDArray[np.float32]
    """Shape (n, samples, classes), 1 for a sample's own class; stars with fewer samples than
    others end in members of no class."""

    @property
    def levels(self) -> int:
        """How many colour classes there are."""
        return int(self.member.shape[2])

    def of(self, rows: NDArray[np.int64]) -> _Samples:
        """The samples of some of the stars."""
        if len(rows) == len(self.data):
            return self
        return _Samples(self.data[rows], self.x[rows], self.y[rows], self.member[rows])


@dataclass(frozen=True, slots=True)
class _Step:
    """The least-squares problem of n stars about their present guess."""

    cost: Floats
    normal: Floats
    """Shape (n, k, k): centre (2), moments (3), heights (one a class)."""
    slope: Floats


@dataclass(slots=True)
class _Search:
    """Where the damped steps of n stars have come to; all arrays have n rows."""

    centre: Floats
    shape: Floats
    best_centre: Floats
    best_shape: Floats
    cost: Floats
    """Of the best guess so far."""
    normals: Floats
    damping: Floats
    last_step: Floats
    """Relative step of the moments; under `STEP_DONE` the star is done."""

    @classmethod
    def begin(cls, start: Floats, start_xy: Floats, levels: int) -> _Search:
        """Nothing tried yet."""
        count = len(start)
        shape, centre = start.astype(np.float64), start_xy.astype(np.float64)
        return cls(
            centre=centre.copy(),
            shape=shape.copy(),
            best_centre=centre,
            best_shape=shape,
            cost=np.full(count, np.inf),
            normals=np.tile(np.eye(5 + levels), (count, 1, 1)),
            damping=np.full(count, 1e-3),
            last_step=np.full(count, np.inf),
        )

    def take(self, live: NDArray[np.int64], step: _Step) -> None:
        """Keep what is better than before and guess anew; go half way back from what is not."""
        better = step.cost <= self.cost[live] * (1 + 1e-9)
        damp = self.damping[live]
        damp = np.where(better, np.maximum(damp * 0.2, 1e-5), np.minimum(damp * 8, 1e3))
        self.damping[live] = damp
        kept = live[better]
        self.best_centre[kept], self.best_shape[kept] = self.centre[kept], self.shape[kept]
        self.cost[kept], self.normals[kept] = step.cost[better], step.normal[better]
        damped = step.normal.copy()
        # Each in its own unit: samples may run to 60000 or to 1. An empty stamp has zeros here.
        diagonal = np.einsum("nii->ni", damped)
        diagonal += damp[:, None] * diagonal + 1e-30
        move: Floats = np.linalg.solve(damped, step.slope[..., None])[..., 0].astype(np.float64)
        # A step of the covariance may not turn it inside out, nor the centre leave the star.
        reach = _relative_step(self.shape[live], move[:, 2:5])
        scale = np.minimum(1.0, 0.5 / (reach + 1e-12))[:, None]
        usable = (better & np.isfinite(move).all(axis=1))[:, None]
        best_centre, best_shape = self.best_centre[live], self.best_shape[live]
        ahead = best_centre + np.clip(move[:, :2], -1, 1)
        self.centre[live] = np.where(usable, ahead, 0.5 * (best_centre + self.centre[live]))
        ahead = best_shape + scale * move[:, 2:5]
        self.shape[live] = _possible(np.where(usable, ahead, 0.5 * (best_shape + self.shape[live])))
        self.last_step[live] = np.where(usable[:, 0], reach, self.last_step[live])

    def settle(self) -> None:
        """End at the best guess; a last step too small to be tried again is taken all the same."""
        done = (self.last_step <= STEP_DONE)[:, None]
        self.centre = np.where(done, self.centre, self.best_centre)
        self.shape = np.where(done, self.shape, self.best_shape)


def _possible(moments: Floats) -> Floats:
    """The same moments kept those of a star: neither too narrow nor a needle."""
    moments[:, :2] = np.maximum(moments[:, :2], LEAST_MOMENT)
    limit = NEEDLE * np.sqrt(moments[:, 0] * moments[:, 1])
    moments[:, 2] = np.clip(moments[:, 2], -limit, limit)
    return moments


def _gauss_newton(samples: _Samples, centre: Floats, shape: Floats) -> _Step:
    """Cost, normal matrix and slope of the squared differences at a guess."""
    u, v, radius2 = _offsets(samples, centre, shape)
    jacobian = np.empty((*samples.data.shape, 5 + samples.levels), np.float32)
    heights = _model(samples, radius2, jacobian[..., 5:])
    fitted = np.matmul(jacobian[..., 5:], heights[..., None])[..., 0]
    residual = samples.data - fitted
    jacobian[..., 0] = fitted * u
    jacobian[..., 1] = fitted * v
    jacobian[..., 2] = 0.5 * jacobian[..., 0] * u
    jacobian[..., 3] = 0.5 * jacobian[..., 1] * v
    jacobian[..., 4] = jacobian[..., 0] * v
    turned = jacobian.transpose(0, 2, 1)
    return _Step(
        cost=np.matmul(residual[:, None, :], residual[..., None])[:, 0, 0].astype(np.float64),
        normal=np.matmul(turned, jacobian).astype(np.float64),
        slope=np.matmul(turned, residual[..., None])[..., 0].astype(np.float64),
    )


def _described(samples: _Samples, search: _Search, noise: Floats, reach: float) -> GaussianFits:
    """Errors, brightness and profile of the fits that a search ended with."""
    centre, shape = search.centre, search.shape
    _, _, radius2 = _offsets(samples, centre, shape)
    gauss = np.empty_like(samples.member)
    heights = _model(samples, radius2, gauss)
    bright = np.matmul(samples.member, heights[..., None])[..., 0]
    core = gauss.sum(axis=-1)
    core2 = np.einsum("np,np->n", core, core).astype(np.float64)
    residual = (samples.data - bright * core) * core
    misfit2 = np.einsum("np,np->n", residual, residual) / np.maximum(core2, 1e-9)
    variance = np.maximum(noise**2, misfit2)
    covariance = np.linalg.pinv(search.normals, hermitian=True)
    spread = np.maximum(np.einsum("nii->ni", covariance)[:, 2:5], 0.0)
    # Each colour is brought to the star's own level before profiles are compared.
    level = np.where(bright > 0, samples.data / np.maximum(bright, 1e-9), 0.0) * core
    total = level.sum(axis=1)
    kurt = np.einsum("np,np->n", level, radius2 * radius2) / np.where(total > 0, total, np.nan)
    height = np.sqrt(np.einsum("np,np->n", bright * core, bright * core))
    det = shape[:, 0] * shape[:, 1] - shape[:, 2] ** 2
    inside = np.abs(centre).max(axis=1) < reach
    return GaussianFits(
        x=centre[:, 0],
        y=centre[:, 1],
        moments=shape,
        errors=np.sqrt(spread * variance[:, None]),
        amplitude=heights.astype(np.float64),
        snr=height.astype(np.float64) / np.where(noise > 0, noise, np.nan),
        kurt=kurt.astype(np.float64),
        converged=(search.last_step < 0.05) & (det > 0) & inside & (heights[:, 0] > 0),
    )


def _relative_step(shape: Floats, step: Floats) -> Floats:
    """Largest change of the second moment along any axis, over that moment.

    The eigenvalue of M^-1 dM farthest from zero; columns are mxx, myy, mxy.
    """
    det = shape[:, 0] * shape[:, 1] - shape[:, 2] ** 2
    half_trace = (
        shape[:, 1] * step[:, 0] + shape[:, 0] * step[:, 1] - 2 * shape[:, 2] * step[:, 2]
    ) / (2 * det)
    step_det = (step[:, 0] * step[:, 1] - step[:, 2] ** 2) / det
    return np.abs(half_trace) + np.sqrt(np.maximum(half_trace**2 - step_det, 0.0))


def _samples(stamps: NDArray[np.float32], classes: NDArray[np.int8]) -> _Samples:
    """The samples whose class is not -1, gathered to the front of each star's row."""
    count, size, _ = stamps.shape
    kinds = classes.reshape(count, size * size)
    most = int((kinds >= 0).sum(axis=1).max(initial=1))
    order = np.argsort(kinds < 0, axis=1, kind="stable")[:, :most]
    kinds = np.take_along_axis(kinds, order, axis=1)
    data = np.take_along_axis(stamps.reshape(count, -1), order, axis=1).astype(np.float32)
    levels = max(int(kinds.max(initial=0)) + 1, 1)
    half = size // 2
    return _Samples(
        data=data * (kinds >= 0),
        x=(order % size - half).astype(np.float32),
        y=(order // size - half).astype(np.float32),
        member=(kinds[..., None] == np.arange(levels)).astype(np.float32),
    )


def _offsets(
    samples: _Samples, centre: Floats, shape: Floats
) -> tuple[NDArray[np.float32], NDArray[np.float32], NDArray[np.float32]]:
    """M^-1 (x - centre), its two components, and the squared distance in units of sigma."""
    det = shape[:, 0] * shape[:, 1] - shape[:, 2] ** 2
    inverse = np.stack([shape[:, 1] / det, shape[:, 0] / det, -shape[:, 2] / det]).astype(
        np.float32
    )[..., None]
    dx = samples.x - centre[:, :1].astype(np.float32)
    dy = samples.y - centre[:, 1:].astype(np.float32)
    u = inverse[0] * dx + inverse[2] * dy
    v = inverse[2] * dx + inverse[1] * dy
    return u, v, u * dx + v * dy


def _model(
    samples: _Samples, radius2: NDArray[np.float32], lit: NDArray[np.float32]
) -> NDArray[np.float32]:
    """Best height of each colour, shape (n, classes); their Gaussians of height 1 go to `lit`."""
    gauss = np.exp(-0.5 * np.minimum(radius2, 60.0))
    np.multiply(gauss[..., None], samples.member, out=lit)
    light = np.matmul(lit.transpose(0, 2, 1), samples.data[..., None])[..., 0]
    norm = np.einsum("npk,npk->nk", lit, lit)
    return np.asarray(light / np.maximum(norm, 1e-9), np.float32)


def axes(moments: Floats) -> tuple[Floats, Floats, Floats]:
    """Larger and smaller eigenvalue (px^2) and the angle of the larger one's axis.

    `moments` has mxx, myy, mxy in its last axis. Angle in degrees from +x towards +y,
    in [-90, 90).
    """
    half_sum = (moments[..., 0] + moments[..., 1]) / 2
    half_difference = (moments[..., 0] - moments[..., 1]) / 2
    split = np.hypot(half_difference, moments[..., 2])
    angle = np.degrees(np.arctan2(moments[..., 2], half_difference)) / 2
    return half_sum + split, half_sum - split, axis_deg(angle)


def profile_kurt(kurt: Floats, stretch: Floats) -> Floats:
    """Fourth moment the star had before it was trailed.

    A trail flattens the profile. With g = s / (1 + s / 4) and the stretch
    s = (larger - smaller eigenvalue) / smaller, drawn Moffat and Gaussian stars give
    kurt = k0 - (0.05 + 0.3 (k0 - 2)) g within 0.02 up to s = 2.
    """
    g = stretch / (1 + stretch / 4)
    return GAUSSIAN_KURT + (kurt - GAUSSIAN_KURT + 0.05 * g) / np.maximum(1 - 0.3 * g, 0.4)


def trail_length_px(excess: float | Floats, across: float | Floats, kurt: float | Floats) -> Floats:
    """Length of the uniform straight trail behind a difference of second moments, px.

    L = sqrt(12 excess / kappa), kappa = 1.5 - (1.5 - kappa0) / (1 + excess / (1.5 across)),
    kappa0 = 1 + 1.14 (kurt - 2).

    Parameters
    ----------
    excess : ndarray
        Second moment along the trail minus across it, lens removed, px^2.
    across : ndarray
        Second moment across the trail, px^2.
    kurt : ndarray
        Fourth moment of the untrailed profile (2 for a Gaussian).
    """
    kappa0 = 1 + 1.14 * np.clip(kurt - GAUSSIAN_KURT, -0.1, 0.4)
    kappa = 1.5 - (1.5 - kappa0) / (1 + excess / (1.5 * across))
    return np.asarray(np.sqrt(12 * np.maximum(excess, 0) / kappa))


def moment_excess(
    length_px: float | Floats, across: float | Floats, kurt: float | Floats
) -> Floats:
    """Difference of second moments that `trail_length_px` would turn into this length, px^2."""
    kappa0 = 1 + 1.14 * np.clip(kurt - GAUSSIAN_KURT, -0.1, 0.4)
    excess = np.asarray(length_px) ** 2 / 12
    for _ in range(12):
        kappa = 1.5 - (1.5 - kappa0) / (1 + excess / (1.5 * across))
        excess = kappa * length_px**2 / 12
    return np.asarray(excess)


def fwhm_px(moment: float | Floats, kurt: float | Floats) -> Floats:
    """Full width at half maximum of a star of this second moment and profile, px.

    2.3548 sqrt(moment) for a Gaussian; a profile with wings is narrower at half its
    height: the factor 1 - 0.66 (kurt - 2) fits drawn Moffat stars (beta 2.5 to 6) within 3 %.
    """
    wings = np.clip(kurt - GAUSSIAN_KURT, -0.1, 0.4)
    return np.asarray(SIGMA_TO_FWHM * np.sqrt(moment) * (1 - 0.66 * wings))
