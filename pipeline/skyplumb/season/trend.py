"""A few measured values with their errors -> their mean and their trend, with ranges.

Values differ from night to night by more than their errors: a scatter of their own is added to all
of them, as large as makes the weighted squares come out as they should (Paule and Mandel [1]_), and
the range is Student's, with the squares themselves where they are larger (Knapp and Hartung [2]_).

References
----------
.. [1] Paule, Mandel 1982, "Consensus values and weighting factors" (from memory).
.. [2] Knapp, Hartung 2003, "Improved tests for a random effects meta-regression with a single
   covariate" (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import stdtrit

from skyplumb.records import NAN

Floats = NDArray[np.float64]

FEWEST = 4
"""Values that a trend is told of: of three its range holds nearly everything."""


@dataclass(frozen=True, slots=True)
class Line:
    """What some values tell; NaN where they do not."""

    count: int = 0
    mean: float = NAN
    mean_low: float = NAN
    """Of a 95 % range."""
    mean_high: float = NAN
    spread: float = NAN
    """Standard deviation from one to another beyond their errors, about the line if any."""
    slope: float = NAN
    """Per unit of what they are held against."""
    slope_low: float = NAN
    slope_high: float = NAN

    @property
    def clear(self) -> bool:
        """Whether the slope stands clear of none."""
        return bool(self.slope_low > 0 or self.slope_high < 0)


def line_of(values: Floats, sigmas: Floats, at: Floats | None = None) -> Line:
    """Mean of some values and, with `at`, their slope along it.

    Parameters
    ----------
    values, sigmas : ndarray, shape (n,)
        Unknown values are NaN; a value of unknown error counts with the median error.
    at : ndarray, shape (n,), optional
        What they are held against; values where it is unknown are left out.
    """
    known = np.isfinite(values) & (np.isfinite(at) if at is not None else True)
    values, sigmas = values[known], sigmas[known]
    told = sigmas[np.isfinite(sigmas) & (sigmas > 0)]
    usual = float(np.median(told)) if len(told) else 0.0
    sigmas = np.where(np.isfinite(sigmas) & (sigmas > 0), sigmas, usual)
    if not len(values):
        return Line()
    if len(values) == 1:
        reach = 1.96 * sigmas[0] if sigmas[0] > 0 else NAN
        return Line(1, values[0], values[0] - reach, values[0] + reach)
    ones = np.ones((len(values), 1))
    fit, reach, spread = _fitted(ones, values, sigmas)
    found = Line(len(values), fit[0], fit[0] - reach[0], fit[0] + reach[0], spread)
    if at is None or len(values) < FEWEST or np.ptp(at[known]) == 0:
        return found
    off = at[known] - at[known].mean()
    fit, reach, spread = _fitted(np.column_stack([ones, off]), values, sigmas)
    return Line(
        len(values),
        *(found.mean, found.mean_low, found.mean_high, spread),
        *(fit[1], fit[1] - reach[1], fit[1] + reach[1]),
    )


def _fitted(design: Floats, values: Floats, sigmas: Floats) -> tuple[Floats, Floats, float]:
    """Coefficients, half their 95 % ranges, and the scatter beyond the errors."""
    free = len(values) - design.shape[1]

    def solved(scatter: float) -> tuple[Floats, Floats, float]:
        weight = 1 / (sigmas**2 + scatter**2)
        covariance = np.asarray(np.linalg.inv((design.T * weight) @ design), float)
        fit = covariance @ (design.T @ (weight * values))
        return fit, covariance, float(weight @ (values - design @ fit) ** 2)

    most = float(np.ptp(values)) + 1e-12
    least = 1e-6 * most
    scatter = least
    if solved(least)[2] > free:
        scatter = float(brentq(lambda s: solved(s)[2] - free, least, 10 * most))
    fit, covariance, squares = solved(scatter)
    times = float(stdtrit(free, 0.975)) * np.sqrt(max(squares / free, 1.0))
    reach: Floats = times * np.sqrt(np.diag(covariance))
    return fit, reach, scatter if scatter > least else 0.0
