"""So many of so many -> the interval in which the true share lies."""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.stats import binomtest

CONFIDENCE = 0.95


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
    pairs = np.stack(np.broadcast_arrays(kept, judged), axis=-1).astype(np.int64)
    kinds, place = np.unique(pairs.reshape(-1, 2), axis=0, return_inverse=True)
    ends = np.full((len(kinds), 2), np.nan)
    for row, (k, n) in enumerate(kinds.tolist()):
        if n > 0:
            ends[row] = binomtest(k, n).proportion_ci(CONFIDENCE, method)
    found = ends[place.reshape(-1)].reshape(*pairs.shape[:-1], 2)
    return found[..., 0], found[..., 1]
