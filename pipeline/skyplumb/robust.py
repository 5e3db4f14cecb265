"""Scatter and least squares that a few wild values cannot pull.

The scale of a scatter is taken from the median length of its residuals, which no outlier moves
far, and each residual then counts by the Cauchy weight 1 / (1 + (r / (c s))^2) [1]_. Both
constants depend on how many numbers a residual has: they are those of unit normals.

References
----------
.. [1] Holland & Welsch 1977, *Robust regression using iteratively reweighted least-squares*,
   Communications in Statistics A6, 813: c = 2.385 keeps 95 % of the efficiency of plain least
   squares on normal residuals of one number. `cauchy_cut` solves for it in any dimension.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from typing import TypedDict, Unpack

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

EFFICIENCY = 0.95
"""Of the weights on normal residuals, against plain least squares."""
LEAST_SCALE = 1e-6
SETTLED = 1e-3
"""Change of the residuals, over their scale, below which another round adds nothing."""


_MEDIANS = {1: 0.6744897501960812, 2: 1.1774100225154749, 3: 1.5381722544550522}
"""`median_length`, kept since scipy's integrals take longer to load than a card to judge."""
_CUTS = {
    (1, 0.95): 2.3849471193621663,
    (2, 0.95): 2.5486376239444812,
    (3, 0.95): 2.6655683445840848,
    (1, 0.966): 2.789432777885563,
    (2, 0.966): 2.9876904677283775,
    (1, 0.99): 4.290241886330386,
    (2, 0.99): 4.608625981438249,
    (3, 0.99): 4.860628517673458,
}
"""`cauchy_cut` for the efficiencies that are asked for."""


@lru_cache
def median_length(dimensions: int) -> float:
    """Median length of a vector of independent unit normals (the median of chi)."""
    if dimensions in _MEDIANS:
        return _MEDIANS[dimensions]
    from scipy.special import gammaincinv

    return float(np.sqrt(2 * gammaincinv(dimensions / 2, 0.5)))


@lru_cache
def cauchy_cut(dimensions: int, efficiency: float = EFFICIENCY) -> float:
    """Length, in sigmas a number, at which the Cauchy weight is a half.

    The variance of a mean with weights w(r) is E[w^2 r^2 / d] / E[w + r w' / d]^2 of that of
    the plain one (Huber 1981, *Robust Statistics*, for d = 1; the same integral over chi).
    """
    if (dimensions, efficiency) in _CUTS:
        return _CUTS[dimensions, efficiency]
    from scipy.integrate import quad
    from scipy.optimize import brentq
    from scipy.special import gammaln

    d = dimensions
    log_norm = (d / 2 - 1) * np.log(2) + gammaln(d / 2)

    def expected(of: Callable[[float], float]) -> float:
        def weighed(r: float) -> float:
            return of(r) * float(np.exp((d - 1) * np.log(r) - r * r / 2 - log_norm))

        return float(quad(weighed, 0, np.inf)[0])

    def short_of(cut: float) -> float:
        def weight(r: float) -> float:
            return 1 / (1 + (r / cut) ** 2)

        slope = expected(lambda r: weight(r) - 2 * (r / cut * weight(r)) ** 2 / d)
        spread = expected(lambda r: (weight(r) * r) ** 2 / d)
        return slope**2 / spread - efficiency

    return float(brentq(short_of, 0.5, 50.0))


def robust_sigma(residuals: Floats, freedom: float = 1.0) -> float:
    """Standard deviation a number of residuals about zero, by their median length.

    Parameters
    ----------
    residuals : ndarray, shape (n,) or (n, d)
        Of one or d numbers each, equally scattered; NaN is left out.
    freedom : float
        Degrees of freedom over numbers, where the residuals are of a fit.

    Returns
    -------
    float
        NaN if there are none.
    """
    lengths, dimensions = _lengths(residuals)
    return _scale_of(lengths, dimensions, freedom)


def _scale_of(lengths: Floats, dimensions: int, freedom: float) -> float:
    """`robust_sigma` of residuals whose lengths are known."""
    lengths = lengths[np.isfinite(lengths)]
    count = lengths.size
    if count == 0:
        return float("nan")
    # The median, without the checks for NaN that cost more than a short list itself.
    lengths.partition([(count - 1) // 2, count // 2])
    median = (float(lengths[(count - 1) // 2]) + float(lengths[count // 2])) / 2
    return median / median_length(dimensions) / math.sqrt(freedom)


def mad_sigma(values: Floats) -> float:
    """Standard deviation of values about their median, by the median absolute deviation."""
    return robust_sigma(values - np.nanmedian(values)) if np.size(values) else float("nan")


@dataclass(frozen=True, slots=True)
class Weighting:
    """How much each residual counts."""

    weights: Floats
    """Shape (n,), 0..1; 0 where the residual is NaN."""
    sigma: Floats
    """Shape (n,): scale of the residuals of the same group."""


class Scale(TypedDict, total=False):
    """How residuals are weighed."""

    free: int
    """Parameters that were fitted to them, or to each group; 0 if not given."""
    efficiency: float
    """`EFFICIENCY`, if not given."""
    least: float
    """Smallest scale, that of residuals which are all alike; `LEAST_SCALE` if not given."""
    group: NDArray[np.int64]
    """Shape (n,), never falling: residuals of one group have one scale; all, if not given."""


def cauchy_weighting(residuals: Floats, **scale: Unpack[Scale]) -> Weighting:
    """Cauchy weights of residuals by their own robust scale.

    Parameters
    ----------
    residuals : ndarray, shape (n,) or (n, d)
        Over their expected errors.
    **scale
        See `Scale`.
    """
    free, group = scale.get("free", 0), scale.get("group")
    least, efficiency = scale.get("least", LEAST_SCALE), scale.get("efficiency", EFFICIENCY)
    lengths, dimensions = _lengths(residuals)
    steps = np.zeros(0) if group is None else np.diff(group)
    sigma = np.ones(len(lengths))
    for begin, end in pairwise([0, *(np.flatnonzero(steps) + 1), len(lengths)]):
        count = (end - begin) * dimensions
        found = _scale_of(lengths[begin:end], dimensions, max(count - free, 1) / max(count, 1))
        sigma[begin:end] = max(found, least) if math.isfinite(found) else 1.0
    cut = cauchy_cut(dimensions, efficiency)
    weights = 1 / (1 + (lengths / (cut * sigma)) ** 2)
    weights[~np.isfinite(lengths)] = 0.0
    return Weighting(weights, sigma)


def cauchy_loss(residuals: Floats, sigma: float, efficiency: float = EFFICIENCY) -> float:
    """Sum over residuals of what takes the place of their squares: c^2 s^2 ln(1 + r^2 / (c s)^2).

    Near zero it is the sum of squares; its minimum is where the Cauchy weights settle.
    """
    lengths, dimensions = _lengths(residuals)
    cut2 = (cauchy_cut(dimensions, efficiency) * sigma) ** 2
    return float(cut2 * np.sum(np.log1p(lengths**2 / cut2)))


def reweighted(
    solve: Callable[[Weighting], Floats],
    start: Weighting,
    rounds: int,
    **scale: Unpack[Scale],
) -> Weighting:
    """Solve, weigh the residuals, solve again, until they no longer move.

    Parameters
    ----------
    solve : callable
        Weighted least squares, or one step of it: takes a weighting, answers the residuals over
        their errors, shape (n,) or (n, d).
    start : Weighting
        Of the first round.
    rounds : int
        Most rounds.
    **scale
        What `cauchy_weighting` is told of the residuals.

    Returns
    -------
    Weighting
        Of the last residuals.
    """
    weighting, before = start, None
    for _ in range(rounds):
        residuals = solve(weighting)
        weighting = cauchy_weighting(residuals, **scale)
        if before is not None:
            moved = np.abs(residuals - before)
            sigma = weighting.sigma if moved.ndim == 1 else weighting.sigma[:, None]
            if not np.any(moved > SETTLED * sigma):  # NaN of a star behind the lens moves nothing
                break
        before = residuals
    return weighting


def even(count: int) -> Weighting:
    """Every residual counts alike."""
    return Weighting(np.ones(count), np.ones(count))


def _lengths(residuals: Floats) -> tuple[Floats, int]:
    """Lengths of residuals, and of how many numbers each is."""
    if residuals.ndim == 1:
        return np.abs(residuals), 1
    return np.sqrt(np.einsum("nd,nd->n", residuals, residuals)), residuals.shape[1]
