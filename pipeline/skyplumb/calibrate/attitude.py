"""Matched stars and a known camera -> where each frame pointed, many frames side by side."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from skyplumb.angles import rotation
from skyplumb.calibrate.camera import EFFICIENCY, Camera, Matched
from skyplumb.robust import Scale, Weighting, cauchy_weighting, reweighted

Floats = NDArray[np.float64]

LINEARISED = 3
"""So often at most an attitude is fitted anew along straight lines."""
ROUNDS = 6
"""Of weighing along straight lines, at most."""
STRAIGHT_RAD = 3e-4
"""A turn so small moves pixels along straight lines: what is bent is its square, 1e-7 of the focal
length."""


@dataclass(frozen=True, slots=True)
class FittedAttitude:
    """Where a frame's stars say that the camera pointed."""

    attitude: Floats
    """Shape (3, 3): sky -> camera axes."""
    covariance: Floats
    """Of a small rotation about the camera axes, rad^2, scaled by the residuals."""
    residuals: Floats
    """Shape (n, 2): measured minus projected, px."""


def fit_attitudes(
    camera: Camera, frames: Sequence[Matched], attitudes: Sequence[Floats]
) -> list[FittedAttitude]:
    """Least-squares rotations sky -> camera axes, each robust to a few wrong matches.

    Frames are fitted side by side, since a few hundred stars are too few to keep an array busy.

    Parameters
    ----------
    camera : Camera
    frames : sequence of Matched
        With a star at least.
    attitudes : sequence of ndarray, shape (3, 3)
        Where each begins.
    """
    at = list(attitudes)
    covariances = [np.full((3, 3), np.nan)] * len(frames)
    left = list(range(len(frames)))
    for _ in range(LINEARISED):
        if not left:
            break
        turns, found = _turns(camera, [frames[n] for n in left], [at[n] for n in left])
        for n, turn, covariance in zip(left, turns, found, strict=True):
            at[n], covariances[n] = rotation(turn) @ at[n], covariance
        bent = np.linalg.norm(turns, axis=1) > STRAIGHT_RAD
        left = [n for n, again in zip(left, bent, strict=True) if again]
    return [
        FittedAttitude(
            attitude, covariance, one.pixels - camera.project(one.directions @ attitude.T)
        )
        for one, attitude, covariance in zip(frames, at, covariances, strict=True)
    ]


def _turns(
    camera: Camera, frames: Sequence[Matched], attitudes: Sequence[Floats]
) -> tuple[Floats, Floats]:
    """Small turns, shape (frames, 3), that pixels moving along straight lines ask for, and their
    covariances."""
    lengths = np.array([len(one.pixels) for one in frames], np.int64)
    frame = np.repeat(np.arange(len(frames)), lengths)
    first = np.cumsum(lengths) - lengths
    seen = np.concatenate(
        [one.directions @ at.T for one, at in zip(frames, attitudes, strict=True)]
    )
    expected = np.concatenate([one.weights for one in frames])[:, None]
    off = (np.concatenate([one.pixels for one in frames]) - camera.project(seen)) * expected
    jacobian = camera.turned(seen) * expected[:, :, None]
    behind = ~np.isfinite(off[:, 0] + off[:, 1])
    jacobian[behind] = 0.0
    flat, pulls = jacobian.reshape(-1, 3), np.nan_to_num(off).reshape(-1, 1)
    rows = [slice(2 * a, 2 * (a + n)) for a, n in zip(first, lengths, strict=True)]
    turns, normal = np.zeros((len(frames), 3)), np.zeros((len(frames), 3, 3))
    scale = Scale(free=3, efficiency=EFFICIENCY, group=frame)

    def step(weighting: Weighting) -> Floats:
        nonlocal turns, normal
        weighed = (jacobian * weighting.weights[:, None, None]).reshape(-1, 3)
        normal = np.stack([weighed[mine].T @ flat[mine] for mine in rows])
        slope = np.stack([weighed[mine].T @ pulls[mine] for mine in rows])
        held = 1e-12 * np.trace(normal, axis1=1, axis2=2)[:, None, None] * np.eye(3)
        turns = np.linalg.solve(normal + held, slope)[:, :, 0]
        moved = [flat[mine] @ turn for mine, turn in zip(rows, turns, strict=True)]
        return np.asarray(off - np.concatenate(moved).reshape(-1, 2))

    last = reweighted(step, cauchy_weighting(off, **scale), ROUNDS, **scale)
    sigma = last.sigma[first]
    return turns, np.linalg.pinv(normal) * sigma[:, None, None] ** 2
