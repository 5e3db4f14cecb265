"""What a whole run's trails say together: closure with the image drift, and a common axis."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from skyplumb.findings import TrailAxes
from skyplumb.judge.scene import Scene
from skyplumb.records import NAN

Floats = NDArray[np.float64]

CLEAR_TRAIL_PX = 0.7
"""Shorter trails have no direction worth counting."""
LEAST_DRIFT_PX = 0.3
MANY_ANGLES = 50
"""From so many the limit of Rayleigh's test is taken, as astropy does."""
TERMS, LEAST_P = 400, 1e-6
"""Of the series of a few angles, and the smallest that it tells."""


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
        both = np.isfinite(drift.length_px) and np.isfinite(motion.trail_px)
        if both and not motion.in_pieces:
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
    expansions in 1/n fall below 0 where few angles lie close together. It is good to 4e-4 for
    three angles and to 1e-5 for more.

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
    at, weight = _of_the_disc()
    # J0 stays under the root of 2 / (pi x): from there on its power is under 1e-8.
    felt = at < n * 2 / np.pi * 1e16 ** (1 / n)
    at, weight = at[felt], weight[felt]
    terms = weight * _bessel(0, at / n) ** n * _bessel(1, at / n * length)
    return max(1 - length / n * float(np.sum(terms)), LEAST_P)


@cache
def _of_the_disc() -> tuple[Floats, Floats]:
    """The first zeros z of J0, and 2 / (z J1(z)^2)."""
    # McMahon's expansion is good to a thousandth at the first, which Newton's steps mend.
    middle = np.pi * (np.arange(1, TERMS + 1) - 0.25)
    at = middle + 1 / (8 * middle) - 31 / (384 * middle**3)
    for _ in range(2):
        at = at + _bessel(0, at) / _bessel(1, at)
    return at, 2 / (at * _bessel(1, at) ** 2)


def _bessel(order: int, at: Floats) -> Floats:
    """J of a whole order: Bessel's integral by the midpoint rule, which for more points than `at`
    is exact to rounding. scipy has it, and takes longer to load than a changed rule to judge."""
    points = int(at.max()) + 40
    turn = np.pi * (np.arange(points) + 0.5) / points
    return np.asarray(np.cos(order * turn - np.outer(at, np.sin(turn))).mean(axis=1))


def _quadrupole(length_px: float, angle_deg: float) -> Floats:
    """Second moments xx - yy and 2 xy of a uniform trail, px^2."""
    turn = 2 * np.radians(angle_deg)
    return length_px**2 / 12 * np.array([np.cos(turn), np.sin(turn)])
