"""Where on a picture something stands above the sky: sep, at a depth that the noise allows.

The threshold is stated in the noise of the smoothed picture, which is measured: neighbouring
samples of a developed, resized or crowded picture are not independent, and a threshold in the
noise of single samples would find its grain or miss its stars.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import sep
from numpy.typing import NDArray

from skyplumb.robust import mad_sigma

DETECTION_SIGMA = 6.0
"""Of the smoothed picture; noise alone passes this once in 10^9 samples."""
KERNEL = np.outer([1, 2, 1], [1, 2, 1]).astype(np.float32) / 16
"""What sep smooths with before it looks (its default)."""
SMOOTHED_PX2 = 0.5
"""Second moment that smoothing adds along each axis, px^2 of the detection image."""
DEBLEND_LEVELS = 16
"""Steps in which touching stars are taken apart; 32 cost half as much again and part only 1 in
300 more, 8 leave two of 63 catalogue stars of a real frame in their neighbours."""
MOST_LIT_SAMPLES = 2_000_000
"""Samples above the threshold at once; sep keeps some 40 bytes for each of so many."""
PATCH = 160
PATCHES = 4
"""The smoothed noise is measured on so many by so many patches."""


@dataclass(frozen=True, slots=True)
class Detections:
    """What was found on one detection image."""

    found: NDArray[np.void]
    """Of sep, in places and units of the detection image."""
    scale: int
    """Sensor pixels to a pixel of the detection image: 2 or 1."""


def detect(over_noise: NDArray[np.float32], scale: int) -> Detections:
    """Everything that stands above the sky.

    Parameters
    ----------
    over_noise : ndarray, shape (rows, columns)
        Picture above its sky, in units of the noise of one sample there.
    scale : int
        Sensor pixels to a pixel of it.
    """
    over_noise = np.ascontiguousarray(over_noise)  # of a picture of odd width it is not
    threshold = DETECTION_SIGMA * smoothed_noise(over_noise)
    sep.set_extract_pixstack(max(300_000, min(over_noise.size // 8, MOST_LIT_SAMPLES)))
    sep.set_sub_object_limit(4096)
    # A crowded or ruined picture raises the threshold.
    for raised in (1, 4, 16, 64):
        try:
            found = sep.extract(
                over_noise,
                raised * threshold,
                minarea=3,
                filter_kernel=KERNEL,
                deblend_nthresh=DEBLEND_LEVELS,
                clean=False,
            )
        except Exception as error:  # sep raises bare Exception for its full buffers
            if "pixel buffer full" not in str(error) and "overflow" not in str(error):
                raise
        else:
            return Detections(np.asarray(found), scale)
    nothing = sep.extract(np.zeros((8, 8), np.float32), 1.0)
    return Detections(np.asarray(nothing), scale)


def smoothed_noise(over_noise: NDArray[np.float32]) -> float:
    """Robust noise of the smoothed picture: 0.375 if samples are independent, of noise 1.

    The lower quartile over patches all over the picture: neither a bright object nor the ground
    counts.
    """
    rows, columns = over_noise.shape
    corners = [
        (int(y), int(x))
        for y in np.linspace(0, max(rows - PATCH, 0), PATCHES)
        for x in np.linspace(0, max(columns - PATCH, 0), PATCHES)
    ]
    found = []
    for y, x in corners:
        smooth = over_noise[y : y + PATCH, x : x + PATCH].astype(np.float64)
        for _ in range(2):  # KERNEL, along one axis and the other
            smooth = (smooth[:-2] + 2 * smooth[1:-1] + smooth[2:]).T / 4
        found.append(mad_sigma(smooth.ravel()))
    independent = float(np.sqrt(np.sum(KERNEL.astype(np.float64) ** 2)))
    return max(float(np.percentile(found, 25)), independent)
