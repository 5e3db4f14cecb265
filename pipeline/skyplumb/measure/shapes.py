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
    noise: float,
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
    noise : float
        Standard deviation of one sample of the sky.
    start : ndarray, shape (n, 3)
        First guess of mxx, myy, mxy.
    start_xy : ndarray, shape (n, 2)
        First guess of the centre, px from the middle sample.
    """
    count, size, _ = stamps.shape
    data, px, py, member = _samples(stamps, classes)
    levels = member.shape[2]
    shape = start.astype(np.float64).copy()
    centre = start_xy.astype(np.float64).copy()
    cost = np.full(count, np.inf)
    damping = np.full(count, 1e-3)
    last_step = np.full(count, np.inf)
    best_centre, best_shape = centre.copy(), shape.copy()
    normals = np.tile(np.eye(5 + levels), (count, 1, 1))
    live = np.arange(count)
    for _ in range(iterations):
        d, x, y, m = (
            (data, px, py, member)
            if len(live) == count
            else (data[live], px[live], py[live], member[live])
        )
        u, v, radius2 = _offsets(x, y, centre[live], shape[live])
        jacobian = np.empty((*d.shape, 5 + levels), np.float32)
        heights = _model(d, m, radius2, jacobian)
        fitted = np.matmul(jacobian[..., 5:], heights[..., None])[..., 0]
        residual = d - fitted
        jacobian[..., 0] = fitted * u
        jacobian[..., 1] = fitted * v
        jacobian[..., 2] = 0.5 * jacobian[..., 0] * u
        jacobian[..., 3] = 0.5 * jacobian[..., 1] * v
        jacobian[..., 4] = jacobian[..., 0] * v
        turned = jacobian.transpose(0, 2, 1)
        normal = np.matmul(turned, jacobian).astype(np.float64)
        slope = np.matmul(turned, residual[..., None])[..., 0].astype(np.float64)
        new_cost = np.matmul(residual[:, None, :], residual[..., None])[:, 0, 0].astype(np.float64)
        better = new_cost <= cost[live] * (1 + 1e-9)
        damp = damping[live]
        damp = np.where(better, np.maximum(damp * 0.2, 1e-5), np.minimum(damp * 8, 1e3))
        damping[live] = damp
        kept = live[better]
        best_centre[kept], best_shape[kept] = centre[kept], shape[kept]
        cost[kept], normals[kept] = new_cost[better], normal[better]
        diagonal = np.einsum("nii->ni", normal)
        # Each in its own unit: samples may run to 60000 or to 1. An empty stamp has zeros here.
        diagonal += damp[:, None] * diagonal + 1e-30
        step = np.linalg.solve(normal, slope[..., None])[..., 0]
        # A step of the covariance may not turn it inside out, nor the centre leave the star.
        reach = _relative_step(shape[live], step[:, 2:5])
        scale = np.minimum(1.0, 0.5 / (reach + 1e-12))[:, None]
        usable = (better & np.isfinite(step).all(axis=1))[:, None]
        base_centre, base_shape = best_centre[live], best_shape[live]
        centre[live] = np.where(
            usable, base_centre + np.clip(step[:, :2], -1, 1), 0.5 * (base_centre + centre[live])
        )
        moved = np.where(
            usable, base_shape + scale * step[:, 2:5], 0.5 * (base_shape + shape[live])
        )
        moved[:, :2] = np.maximum(moved[:, :2], LEAST_MOMENT)
        limit = NEEDLE * np.sqrt(moved[:, 0] * moved[:, 1])
        moved[:, 2] = np.clip(moved[:, 2], -limit, limit)
        shape[live] = moved
        last_step[live] = np.where(usable[:, 0], reach, last_step[live])
        live = live[last_step[live] > STEP_DONE]
        if len(live) == 0:
            break

    # A last step too small to be tried again is taken all the same.
    done = (last_step <= STEP_DONE)[:, None]
    centre, shape = np.where(done, centre, best_centre), np.where(done, shape, best_shape)
    _, _, radius2 = _offsets(px, py, centre, shape)
    gauss = np.empty((*data.shape, 5 + levels), np.float32)
    heights = _model(data, member, radius2, gauss)
    bright = np.matmul(member, heights[..., None])[..., 0]
    core = gauss[..., 5:].sum(axis=-1)
    core2 = np.einsum("np,np->n", core, core).astype(np.float64)
    residual = (data - bright * core) * core
    misfit2 = np.einsum("np,np->n", residual, residual) / np.maximum(core2, 1e-9)
    variance = np.maximum(noise**2, misfit2)
    covariance = np.linalg.pinv(normals, hermitian=True)
    errors = np.sqrt(np.maximum(np.einsum("nii->ni", covariance)[:, 2:5], 0.0) * variance[:, None])
    # Each colour is brought to the star's own level before profiles are compared.
    level = np.where(bright > 0, data / np.maximum(bright, 1e-9), 0.0) * core
    total = level.sum(axis=1)
    kurt = np.einsum("np,np->n", level, radius2 * radius2) / np.where(total > 0, total, np.nan)
    height = np.sqrt(np.einsum("np,np->n", bright * core, bright * core))
    det = shape[:, 0] * shape[:, 1] - shape[:, 2] ** 2
    inside = np.abs(centre).max(axis=1) < max(2.0, size / 4)
    converged = (last_step < 0.05) & (det > 0) & inside & (heights[:, 0] > 0)
    return GaussianFits(
        x=centre[:, 0],
        y=centre[:, 1],
        moments=shape,
        errors=errors,
        amplitude=heights.astype(np.float64),
        snr=height.astype(np.float64) / noise if noise > 0 else np.full(count, np.nan),
        kurt=kurt.astype(np.float64),
        converged=converged,
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


def _samples(
    stamps: NDArray[np.float32], classes: NDArray[np.int8]
) -> tuple[NDArray[np.float32], NDArray[np.float32], NDArray[np.float32], NDArray[np.float32]]:
    """The samples that are used: values, offsets x and y from the middle, and colour members.

    Shapes (n, samples) and, for the members, (n, samples, classes); rows with fewer samples
    end in members of no class.
    """
    count, size, _ = stamps.shape
    kinds = classes.reshape(count, size * size)
    most = int((kinds >= 0).sum(axis=1).max(initial=1))
    order = np.argsort(kinds < 0, axis=1, kind="stable")[:, :most]
    kinds = np.take_along_axis(kinds, order, axis=1)
    data = np.take_along_axis(stamps.reshape(count, -1), order, axis=1).astype(np.float32)
    levels = max(int(kinds.max(initial=0)) + 1, 1)
    member = (kinds[..., None] == np.arange(levels)).astype(np.float32)
    half = size // 2
    px = (order % size - half).astype(np.float32)
    py = (order // size - half).astype(np.float32)
    return data * (kinds >= 0), px, py, member


def _offsets(
    px: NDArray[np.float32], py: NDArray[np.float32], centre: Floats, shape: Floats
) -> tuple[NDArray[np.float32], NDArray[np.float32], NDArray[np.float32]]:
    """M^-1 (x - centre), its two components, and the squared distance in units of sigma."""
    det = shape[:, 0] * shape[:, 1] - shape[:, 2] ** 2
    inverse = np.stack([shape[:, 1] / det, shape[:, 0] / det, -shape[:, 2] / det]).astype(
        np.float32
    )[..., None]
    dx = px - centre[:, :1].astype(np.float32)
    dy = py - centre[:, 1:].astype(np.float32)
    u = inverse[0] * dx + inverse[2] * dy
    v = inverse[2] * dx + inverse[1] * dy
    return u, v, u * dx + v * dy


def _model(
    data: NDArray[np.float32],
    member: NDArray[np.float32],
    radius2: NDArray[np.float32],
    jacobian: NDArray[np.float32],
) -> NDArray[np.float32]:
    """Best height of each colour, shape (n, classes); its Gaussians go to jacobian[..., 5:]."""
    gauss = np.exp(-0.5 * np.minimum(radius2, 60.0))
    np.multiply(gauss[..., None], member, out=jacobian[..., 5:])
    lit = jacobian[..., 5:]
    light = np.matmul(lit.transpose(0, 2, 1), data[..., None])[..., 0]
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
    return half_sum + split, half_sum - split, (angle + 90.0) % 180.0 - 90.0


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
