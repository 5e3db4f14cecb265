"""What a whole run's trails say together: closure with the image drift, and a common axis."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import j0, j1, jn_zeros

from skyplumb.judge.scene import Scene
from skyplumb.records import NAN
from skyplumb.summary import TrailAxes

Floats = NDArray[np.float64]

CLEAR_TRAIL_PX = 0.7
"""Shorter trails have no direction worth counting."""
LEAST_DRIFT_PX = 0.3
MANY_ANGLES = 50
"""From so many the limit of Rayleigh's test is taken, as astropy does."""
TERMS, LEAST_P = 1200, 1e-9
"""Of the series of a few angles, and the size of its rounding."""


@dataclass(frozen=True, slots=True)
class Closure:
    """How much of the trails the image drift between frames explains.

    1: all of it, the mount drifted steadily; 0: none, the shaking left the pointing alone.
    """

    slope: float = NAN
    sigma: float = NAN
    frames: int = 0


def closure(scenes: Sequence[Scene]) -> Closure:
    """Regression of the measured stretch on the image drift's, through the origin."""
    measured, predicted = [], []
    for scene in scenes:
        drift, motion = scene.drift, scene.motion
        if np.isfinite(drift.length_px) and np.isfinite(motion.trail_px):
            measured.append(_quadrupole(motion.trail_px, motion.trail_angle_deg))
            predicted.append(_quadrupole(drift.length_px, drift.angle_deg))
    if len(measured) < 3:
        return Closure(frames=len(measured))
    e, f = np.array(measured), np.array(predicted)
    if np.sqrt(12 * np.hypot(f[:, 0], f[:, 1]).max()) < LEAST_DRIFT_PX:
        return Closure(frames=len(e))
    size = float(np.sum(f * f))
    slope = float(np.sum(e * f)) / size
    left = float(np.sum((e - slope * f) ** 2)) / (2 * len(e) - 1)
    return Closure(slope, float(np.sqrt(left / size)), len(e))


def trail_axes(scenes: Sequence[Scene]) -> TrailAxes:
    """Whether the clear trails of a run share a direction on the sky.

    A trail has an axis, not a head: angles are doubled (Mardia & Jupp 2000, section 9).
    """
    angles, from_ra = [], []
    for scene in scenes:
        motion = scene.motion
        if not (motion.trail_px > CLEAR_TRAIL_PX and motion.directed):
            continue
        here = scene.light.pointing.position_angle_of(motion.trail_angle_deg)
        if np.isfinite(here):
            angles.append(here)
            from_ra.append(motion.trail_angle_deg - scene.east_deg)
    if len(angles) < 2:
        return TrailAxes(len(angles))
    doubled = 2 * np.radians(angles)
    return TrailAxes(
        frames=len(angles),
        concentration=float(np.abs(np.mean(np.exp(1j * doubled)))),
        p=rayleigh_p(doubled),
        ra_share=float(np.mean(np.cos(2 * np.radians(from_ra)))),
    )


def rayleigh_p(angles_rad: Floats) -> float:
    """Chance that angles strewn evenly lie so close together (Rayleigh's test), over 0 and up to 1.

    Of 50 and more the limit exp(-z). Of fewer the law of the length R of the sum of n unit
    vectors itself [1]_, as a series of Bessel functions over the disc of radius n that holds it:
    expansions in 1/n fall below 0 where few angles lie close together. The series is good to
    2e-4 for three angles and to 2e-6 for more; what is smaller than its rounding is told as that.

    References
    ----------
    .. [1] Greenwood & Durand 1955, *The distribution of length and components of the sum of n
       random unit vectors*, Annals of Mathematical Statistics 26, 233 (from memory).
    """
    n = len(angles_rad)
    length = float(np.abs(np.sum(np.exp(1j * angles_rad))))
    if n >= MANY_ANGLES:
        return float(np.exp(-(length**2) / n))
    if n == 2:  # the series converges slowly, and the angle between two is spread evenly
        return max(float(2 / np.pi * np.arccos(min(length / 2, 1.0))), LEAST_P)
    at = jn_zeros(0, TERMS)
    terms = 2 * length / (n * at * j1(at) ** 2) * j0(at / n) ** n * j1(at / n * length)
    return max(1 - float(np.sum(terms)), LEAST_P)


def _quadrupole(length_px: float, angle_deg: float) -> Floats:
    """Second moments xx - yy and 2 xy of a uniform trail, px^2."""
    turn = 2 * np.radians(angle_deg)
    return length_px**2 / 12 * np.array([np.cos(turn), np.sin(turn)])
