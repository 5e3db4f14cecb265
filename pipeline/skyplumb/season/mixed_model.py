"""Counts of successes, night by night -> a regression whose nights differ by chance.

A binomial regression with one random intercept per night: two nights with the same gear do
not give the same hit rate, and frames of one night are not independent, so the night is what
counts when errors are reckoned. The night's own intercept is integrated out on a fixed grid.

Weak normal priors on all parameters keep the fit finite where everything was kept or lost
(complete separation) [1]_; what they are is said where a model is set up.

References
----------
.. [1] Gelman, Jakulin, Pittau, Su 2008, "A weakly informative default prior distribution for
   logistic and other regression models" (from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize
from scipy.special import expit, log_expit, log_ndtr, logsumexp, ndtr
from statsmodels.tools.numdiff import approx_fprime

Floats = NDArray[np.float64]

PROBIT, LOGIT, SURVIVAL = "probit", "logit", "survival"
"""How the linear predictor becomes a chance of success. Survival is exp(-exp(eta)): success is
that nothing happened, and eta the logarithm of how much was expected to happen."""

_GRID = np.linspace(-4.25, 4.25, 35)
"""Where the night's intercept is evaluated, in its standard deviations. For smooth integrands
equal steps converge faster than any power of the step; a quarter of a sigma resolves nights of
hundreds of frames."""
_LOG_WEIGHT = -0.5 * _GRID**2
_LOG_WEIGHT = _LOG_WEIGHT - logsumexp(_LOG_WEIGHT)

SPREAD_PRIOR = (np.log(0.4), 0.8)
"""Of the logarithm of the nights' spread: 0.08 to 1.9 with 95 %."""


@dataclass(frozen=True, slots=True)
class Prior:
    """A normal prior."""

    mean: float
    sd: float


@dataclass(frozen=True, slots=True)
class Mixed:
    """A fitted regression."""

    link: str
    params: Floats
    """Coefficients, then the logarithm of the nights' standard deviation."""
    covariance: Floats
    """Of `params`, from the curvature at the best fit."""
    nights: int

    @property
    def spread(self) -> float:
        """Standard deviation between nights, on the scale of the linear predictor."""
        return float(np.exp(self.params[-1]))

    def draws(self, count: int, rng: np.random.Generator) -> Floats:
        """Parameters as they may be in truth, shape (count, parameters).

        Student draws: the spread between few nights is itself known from few nights.
        """
        df = max(self.nights - 1, 1)
        normal = rng.multivariate_normal(
            np.zeros(len(self.params)), self.covariance, count, method="eigh"
        )
        return np.asarray(self.params + normal * np.sqrt(df / rng.chisquare(df, count))[:, None])


def fit_mixed(
    link: str,
    success: Floats,
    total: Floats,
    design: Floats,
    night: NDArray[np.intp],
    priors: Sequence[Prior],
    offset: Floats | float = 0.0,
) -> Mixed:
    """Fit by maximum (penalised) marginal likelihood.

    Parameters
    ----------
    link : str
        PROBIT, LOGIT or SURVIVAL.
    success, total : ndarray, shape (n,)
        Successes out of so many trials, row by row.
    design : ndarray, shape (n, p)
        Regressors, a column of ones among them if wanted.
    night : ndarray, shape (n,)
        Number of the night of each row.
    priors : sequence of Prior, length p
    offset : ndarray, shape (n,), or float
        Known part of the linear predictor.
    """
    order = np.argsort(night, kind="stable")
    success, total, design = success[order], total[order], design[order]
    fixed = np.broadcast_to(offset, total.shape)[order] if np.ndim(offset) else offset
    starts = np.flatnonzero(np.r_[True, np.diff(night[order]) != 0]) if len(order) else order
    mean = np.array([p.mean for p in priors] + [SPREAD_PRIOR[0]])
    sd = np.array([p.sd for p in priors] + [SPREAD_PRIOR[1]])

    def cost(params: Floats) -> tuple[float, Floats]:
        off = (params - mean) / sd
        value, slope = 0.5 * float(off @ off), off / sd
        if len(order):
            spread = np.exp(np.clip(params[-1], -8, 4))
            eta = (fixed + design @ params[:-1])[:, None] + spread * _GRID
            log_p, log_q, dp, dq = _logs(link, eta)
            rows = success[:, None] * log_p + (total - success)[:, None] * log_q
            by_night = np.add.reduceat(rows, starts, axis=0) + _LOG_WEIGHT
            sums = logsumexp(by_night, axis=1)
            share = np.exp(by_night - sums[:, None])
            lengths = np.diff(np.r_[starts, len(order)])
            pull = np.repeat(share, lengths, axis=0) * (
                success[:, None] * dp + (total - success)[:, None] * dq
            )
            value -= float(sums.sum())
            slope = slope - np.r_[design.T @ pull.sum(axis=1), spread * float((pull @ _GRID).sum())]
        return value, slope

    found = minimize(cost, mean, jac=True, method="BFGS", options={"gtol": 1e-4})
    curvature = approx_fprime(found.x, lambda at: cost(at)[1], centered=True)
    curvature = (curvature + curvature.T) / 2
    # The prior's curvature is the least there can be; rounding must not go below it.
    values, vectors = np.linalg.eigh(curvature)
    values = np.maximum(values, 0.5 * float(np.min(1 / sd**2)))
    covariance = (vectors / values) @ vectors.T
    return Mixed(link, np.asarray(found.x), covariance, len(starts))


def success_rate(link: str, eta: Floats, spread: Floats | float) -> Floats:
    """Chance of success over all nights, the random intercept of sd `spread` averaged out.

    `eta` and `spread` broadcast against each other.
    """
    spread = np.asarray(spread, float)
    if link == PROBIT:
        return np.asarray(ndtr(eta / np.sqrt(1 + spread**2)))
    at = np.asarray(eta)[..., None] + spread[..., None] * _GRID[::2]
    chance = expit(at) if link == LOGIT else np.exp(-np.exp(np.minimum(at, 50)))
    weight = np.exp(_LOG_WEIGHT[::2])
    return np.asarray(chance @ (weight / weight.sum()))


def _logs(link: str, eta: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """Logarithm of the chances of success and failure, and their slopes along `eta`."""
    if link == PROBIT:
        log_p, log_q = log_ndtr(eta), log_ndtr(-eta)
        log_density = -0.5 * eta**2 - 0.5 * np.log(2 * np.pi)
        return log_p, log_q, np.exp(log_density - log_p), -np.exp(log_density - log_q)
    if link == LOGIT:
        return log_expit(eta), log_expit(-eta), expit(-eta), -expit(eta)
    much = np.exp(np.minimum(eta, 50))
    fail = -np.expm1(-much)
    with np.errstate(divide="ignore"):
        # For the tiniest chances expm1 is `much` itself, and its logarithm is eta.
        log_q = np.where(eta < -30, eta, np.log(fail))
    return (
        -much,
        log_q,
        -much,
        np.where(eta < -30, 1.0, much * np.exp(-much) / np.maximum(fail, 1e-300)),
    )
