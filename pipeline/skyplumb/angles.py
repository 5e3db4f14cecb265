"""Turns, and axes: directions without a head, so that 10 and 190 degrees are the same."""

from __future__ import annotations

import math
from typing import overload

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@overload
def axis_deg(angle_deg: float) -> float: ...
@overload
def axis_deg(angle_deg: Floats) -> Floats: ...
def axis_deg(angle_deg: float | Floats) -> float | Floats:
    """An axis in the picture, -90 to below 90 degrees; NaN stays NaN."""
    return (angle_deg + 90.0) % 180.0 - 90.0


@overload
def position_axis_deg(angle_deg: float) -> float: ...
@overload
def position_axis_deg(angle_deg: Floats) -> Floats: ...
def position_axis_deg(angle_deg: float | Floats) -> float | Floats:
    """An axis on the sky as a position angle, 0 to below 180 degrees; NaN stays NaN."""
    return angle_deg % 180.0


def between_axes_deg(a_deg: float, b_deg: float) -> float:
    """Angle between two axes, 0 to 90 degrees; NaN where one is not known."""
    return abs(axis_deg(a_deg - b_deg))


def turn_of(matrix: Floats) -> Floats:
    """The turn whose `rotation` is a matrix, shape (3,), rad; the inverse of Rodrigues' formula."""
    sine = (
        np.array(
            [
                matrix[2, 1] - matrix[1, 2],
                matrix[0, 2] - matrix[2, 0],
                matrix[1, 0] - matrix[0, 1],
            ]
        )
        / 2
    )
    size, cosine = float(np.sqrt(sine @ sine)), (float(np.trace(matrix)) - 1) / 2
    if cosine < -0.9:
        # Near half a turn the axis is in the symmetric part.
        from scipy.spatial.transform import Rotation

        return np.asarray(Rotation.from_matrix(matrix).as_rotvec())
    return np.asarray(sine * (np.arctan2(size, cosine) / size if size > 1e-12 else 1.0))


def rotation(turn_rad: Floats) -> Floats:
    """Matrix of a turn about an axis by the length of its vector (Rodrigues' formula).

    Parameters
    ----------
    turn_rad : ndarray, shape (..., 3)

    Returns
    -------
    ndarray, shape (..., 3, 3)
        Of determinant 1; moves column vectors.
    """
    turn = np.asarray(turn_rad, float)
    if turn.ndim == 1:
        return _rotation_once(*turn.tolist())
    angle = np.sqrt((turn * turn).sum(-1))[..., None, None]
    x, y, z = turn[..., 0], turn[..., 1], turn[..., 2]
    none = np.zeros_like(x)
    cross = np.stack([none, -z, y, z, none, -x, -y, x, none], -1).reshape(*turn.shape, 3)
    # sin(a) / a and (1 - cos(a)) / a^2, whole at a = 0.
    sine, half = np.sinc(angle / np.pi), np.sinc(angle / 2 / np.pi)
    return np.asarray(np.eye(3) + sine * cross + half**2 / 2 * (cross @ cross))


def _rotation_once(x: float, y: float, z: float) -> Floats:
    """The same of one turn, in plain numbers: arrays of three cost twenty times as much."""
    angle2 = x * x + y * y + z * z
    angle = math.sqrt(angle2)
    # sin(a) / a and (1 - cos(a)) / a^2, whole at a = 0.
    sine = math.sin(angle) / angle if angle > 0 else 1.0
    half = math.sin(angle / 2) / (angle / 2) if angle > 0 else 1.0
    versine = half * half / 2
    return np.array(
        [
            [1 - versine * (y * y + z * z), versine * x * y - sine * z, versine * x * z + sine * y],
            [versine * x * y + sine * z, 1 - versine * (x * x + z * z), versine * y * z - sine * x],
            [versine * x * z - sine * y, versine * y * z + sine * x, 1 - versine * (x * x + y * y)],
        ]
    )
