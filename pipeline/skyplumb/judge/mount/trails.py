"""What the frames of one placement drew, and how the camera turned between them.

Over one exposure the sky turns rigidly against the camera, by a rotation that is linear in the axis
error (u, v), the rate error and a slip. A frame's trail is the length and the line of that drift
without its sign: its second moments are the square of it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from skyplumb.calibrate.camera import RAD_TO_ARCSEC
from skyplumb.calibrate.light import Light
from skyplumb.calibrate.sky import SIDEREAL_RATE_ARCSEC_S
from skyplumb.judge.mount.paths import refraction_path
from skyplumb.judge.mount.regression import slip_pull
from skyplumb.judge.mount.samples import Sample, excess_rotation_arcsec

Floats = NDArray[np.float64]

SMALLEST_SIGMA_PX2 = 0.01
"""A trail of a third of a pixel: what a lens of unknown shape leaves of a frame's own."""
SHAPE_SHARE = 0.06
"""Of a trail's second moment: 3 % of its length, from the star's profile."""
ACROSS = np.array([1.0, 1.0, 0.0])
"""The parts of a camera's turn that move its aim."""
FEWEST_AT_REST, SMALL_MOVE_SHARE = 3, 0.25
"""Where the aim is moved nearly always, it may have been in one or two intervals that do not look
so: by so much of what the sky seems to have moved in them (our choice)."""
FAR_ARCSEC = 7200.0
"""A move between two frames that is a new field and no dither."""


@dataclass(frozen=True, slots=True)
class Trail:
    """Stretch of one frame's stars at the middle of the field, beyond the lens's."""

    moments_px2: Floats
    """Shape (2,): mxx - myy and 2 mxy, of an even trail d: d^2 / 12 along twice its angle."""
    sigma_px2: float


@dataclass(frozen=True, slots=True)
class Evidence:
    """Frames with their trails, and how the camera turned between them."""

    rate: Floats
    """Shape (n, 2, 5): drift, px/s, for a unit of u, v, epsilon, slip (arcsec/s) and even slip."""
    known: Floats
    """Shape (n, 2): drift by refraction over the exposure, px."""
    moments: Floats
    """Shape (n, 2), px^2."""
    sigma: Floats
    """Shape (n,), px^2."""
    open_s: Floats
    """Shape (n, 2): when each exposure began and ended."""
    turn: Floats
    """Shape (m, 3): rotations from a frame to the next beyond the sky's, arcsec, camera axes."""
    turn_rate: Floats
    """Shape (m, 3, 5): arcsec/s of the same for a unit of each fault."""
    noise: Floats
    """Shape (m, 3): errors of `turn`, moves of the aim not in them."""
    moved: NDArray[np.bool_]
    """Shape (m,): whether the aim was moved between the two."""
    between_s: Floats
    """Shape (m, 2): the middles of the two frames of each turn."""


def evidence_of(
    lights: Sequence[Light],
    samples: Sequence[Sample],
    trails: Mapping[str, Trail],
    moved: frozenset[str],
    zenith: Floats,
) -> Evidence:
    """The frames with known trails, and the turns between all of them.

    Parameters
    ----------
    lights : sequence of Light
        Solved and timed, held against the Earth.
    samples : sequence of Sample
        Of the same frames, in order of time.
    trails : mapping
        By file.
    moved : frozenset of str
        Files of frames before which the aim was moved.
    zenith : ndarray, shape (3,)
    """
    by_file = {light.file: light for light in lights}
    rate, known, moments, sigma, open_s = [], [], [], [], []
    for sample in samples:
        trail = trails.get(sample.file)
        if trail is None:
            continue
        light = by_file[sample.file]
        camera = light.pointing.camera
        assert camera is not None
        a = sample.attitude
        per_arcsec = camera.focal_px / RAD_TO_ARCSEC * np.stack([-camera.parity * a[1], a[0]])
        rate.append(per_arcsec @ _faults(sample, zenith).T)
        air = refraction_path(light, np.linspace(-0.5, 0.5, 3) * sample.exposure_s)
        known.append(air[-1] - air[0])
        moments.append(trail.moments_px2)
        open_s.append(sample.time_s + np.array([-0.5, 0.5]) * sample.exposure_s)
        size = float(np.hypot(*trail.moments_px2))
        sigma.append(
            float(np.sqrt(trail.sigma_px2**2 + SMALLEST_SIGMA_PX2**2 + (SHAPE_SHARE * size) ** 2))
        )
    turn, turn_rate, noise, was_moved, between_s = [], [], [], [], []
    for before, after in pairwise(samples):
        seconds = after.time_s - before.time_s
        if seconds <= 0 or by_file[before.file].info.lens != by_file[after.file].info.lens:
            continue
        excess = after.attitude @ excess_rotation_arcsec(before, after, True)
        if np.hypot(*excess[:2]) > FAR_ARCSEC:
            continue
        turn.append(excess)
        turn_rate.append(after.attitude @ _faults(after, zenith).T)
        noise.append(np.sqrt(np.diag(before.covariance) + np.diag(after.covariance)))
        was_moved.append(after.file in moved)
        between_s.append((before.time_s, after.time_s))
    if 0 < len(was_moved) - sum(was_moved) < min(FEWEST_AT_REST, sum(was_moved)):
        for n in np.flatnonzero(~np.array(was_moved)):
            noise[n] = np.hypot(noise[n], SMALL_MOVE_SHARE * np.hypot(*turn[n][:2]) * ACROSS)
    return Evidence(
        rate=np.array(rate).reshape(-1, 2, 5),
        known=np.array(known).reshape(-1, 2),
        moments=np.array(moments).reshape(-1, 2),
        sigma=np.array(sigma),
        open_s=np.array(open_s).reshape(-1, 2),
        turn=np.array(turn).reshape(-1, 3),
        turn_rate=np.array(turn_rate).reshape(-1, 3, 5),
        noise=np.array(noise).reshape(-1, 3),
        moved=np.array(was_moved, bool),
        between_s=np.array(between_s).reshape(-1, 2),
    )


def _faults(sample: Sample, zenith: Floats) -> Floats:
    """Rotation, arcsec/s in sky axes, that a unit of each fault makes; shape (5, 3)."""
    pull = [slip_pull(zenith, sample.forward, evenly) for evenly in (False, True)]
    return np.concatenate([-SIDEREAL_RATE_ARCSEC_S * np.eye(3), pull])
