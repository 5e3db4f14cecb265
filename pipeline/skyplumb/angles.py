"""Axes: directions without a head, such as a trail's, so that 10 and 190 degrees are the same."""

from __future__ import annotations

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
