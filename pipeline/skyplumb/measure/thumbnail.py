"""The whole picture, small: eight-bit grey of the green image, to see what is in it at a glance."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

LONG_SIDE_PX = 200
DARKEST, BRIGHTEST = 1.0, 99.8
"""Percentiles of the picture that come out black and white, chosen by eye, no source."""


def thumbnail_of(half: NDArray[np.float32]) -> NDArray[np.uint8]:
    """Means over square blocks, shape (height, width) of at most `LONG_SIDE_PX`; grey 0..255.

    Each picture has a stretch of its own, by the square root: it shows what is there, and
    compares nothing.
    """
    size = max(1, -(-max(half.shape) // LONG_SIDE_PX))
    rows, columns = (side // size * size for side in half.shape)
    if min(rows, columns) == 0:
        return np.zeros((0, 0), np.uint8)
    # Whole rows are added first: that is three times as fast as block by block.
    lines = half[:rows, :columns].reshape(rows // size, size, columns).mean(axis=1)
    small = lines.reshape(-1, columns // size, size).mean(axis=2)
    low, high = np.percentile(small, [DARKEST, BRIGHTEST])
    level = np.clip((small - low) / max(float(high - low), 1e-9), 0, 1)
    return np.asarray(np.round(255 * np.sqrt(level)), np.uint8)
