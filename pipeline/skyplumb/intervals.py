"""So many of so many -> the interval in which the true share lies."""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

CONFIDENCE = 0.95
_NORMAL = 1.959963984540054
"""The normal law's quantile at (1 + CONFIDENCE) / 2."""


def binomial_interval(
    kept: ArrayLike, judged: ArrayLike, method: Literal["wilson", "exact"] = "wilson"
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """The 95 % interval of a share.

    Parameters
    ----------
    kept, judged : array_like of whole numbers, one shape
    method : str
        wilson (Wilson 1927, the score interval) or exact (Clopper and Pearson 1934, never
        too narrow).

    Returns
    -------
    low, high : ndarray of the same shape
        0..1; NaN where nothing was judged.
    """
    k, n = np.broadcast_arrays(np.asarray(kept, float), np.asarray(judged, float))
    with np.errstate(divide="ignore", invalid="ignore"):
        if method == "wilson":
            z2 = _NORMAL**2
            middle = (k + z2 / 2) / (n + z2)
            half = _NORMAL / (n + z2) * np.sqrt(k * (n - k) / n + z2 / 4)
            # Nothing kept, or all, leaves an end at 0 or 1, not a rounding off it.
            low = np.where(k == 0, 0.0, middle - half)
            high = np.where(k == n, 1.0, middle + half)
        else:
            from scipy.special import betaincinv

            tail = (1 - CONFIDENCE) / 2
            low = np.where(k == 0, 0.0, betaincinv(np.maximum(k, 1), n - k + 1, tail))
            high = np.where(k == n, 1.0, betaincinv(k + 1, np.maximum(n - k, 1), 1 - tail))
    return np.where(n > 0, low, np.nan), np.where(n > 0, high, np.nan)
