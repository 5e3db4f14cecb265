"""Frames whose two faults nobody could tell apart, by what is true of their night alone.

A head that slips all along turns the camera about a level line that the sky carries round, an axis
error about one that stands still. Where the aim is moved before most frames, only what each frame
drew is left to tell them: where some axis error would have drawn in every frame what the slip
drew, to a tenth, both together are a right answer.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

ALIKE = 0.1
"""Of what a slip draws: trails are measured to some hundredths of their length."""
TWINS = frozenset({"axis", "slip"})


def slip_or_axis(truth: dict[str, Any]) -> bool:
    """Whether a slip and some axis error draw alike in all frames of a night.

    Parameters
    ----------
    truth : dict
        Of a night, as `tests.nightsky.truth.night_truth` has it.
    """
    frames = truth["frames"]
    if 2 * len(truth["aims_s"]) < len(frames):
        return False
    height, azimuth = np.radians([[f["altitude_deg"], f["azimuth_deg"]] for f in frames]).T
    looks = np.stack(
        [np.cos(height) * np.sin(azimuth), np.cos(height) * np.cos(azimuth), np.sin(height)], 1
    )
    latitude = np.radians(truth["site"]["latitude_deg"])
    pole = np.array([0.0, np.cos(latitude), np.sin(latitude)])
    east = np.array([1.0, 0.0, 0.0])
    sinks = np.cross([0.0, 0.0, 1.0], looks)
    sinks /= np.linalg.norm(sinks, axis=1, keepdims=True)
    slip = _drift(sinks, looks, pole)
    axis = np.stack([_drift(one, looks, pole) for one in (east, np.cross(pole, east))], -1)
    nearest, *_ = np.linalg.lstsq(axis.reshape(-1, 2), slip.ravel(), rcond=None)
    left = slip - axis @ nearest
    return bool(np.hypot(*left.T).max() < ALIKE)


def _drift(turn: Floats, looks: Floats, pole: Floats) -> Floats:
    """How a turn of the camera moves it on the sky, toward the pole and along its circle, of one
    radian; shape (n, 2)."""
    moves = np.cross(np.broadcast_to(turn, looks.shape), looks)
    along = np.cross(pole, looks)
    along /= np.linalg.norm(along, axis=1, keepdims=True)
    return np.stack([(moves * np.cross(looks, along)).sum(1), (moves * along).sum(1)], 1)
