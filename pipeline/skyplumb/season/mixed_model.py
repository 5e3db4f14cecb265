"""Counts of successes, night by night -> a generalised linear mixed model.

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

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize
from scipy.special import expit, log_expit, logsumexp
from statsmodels.tools.numdiff import approx_fprime

Floats = NDArray[np.float64]

LOGIT, SURVIVAL = "logit", "survival"
"""How the linear predictor becomes a chance of success. Survival is exp(-exp(eta)): success is
that nothing happened, and eta the logarithm of how much was expected to happen."""

_GRID = np.linspace(-4.25, 4.25, 35)
"""Where the night's intercept is evaluated, in its standard deviations. For smooth integrands
equal steps converge faster than any power of the step; a quarter of a sigma resolves nights of
hundreds of frames."""
_LOG_WEIGHT = -0.5 * _GRID**2
_LOG_WEIGHT = _LOG_WEIGHT - logsumexp(_LOG_WEIGHT)

AT_ONCE = 200_000
"""Numbers that are worked on at once: few enough for a processor's own memory."""
PROPOSED = 800
TAIL = 6
"""Degrees of freedom of the proposal."""
MANY_NIGHTS = 40
SEED = 20


@dataclass(frozen=True, slots=True)
class Prior:
    """A normal prior."""

    mean: float
    sd: float


SPREAD = Prior(float(np.log(0.4)), 0.5)
"""Of the logarithm of the nights' spread: 0.15 to 1.1 with 95 %."""


@dataclass(frozen=True, slots=True)
class Mixed:
    """A fitted regression."""

    link: str
    params: Floats
    """Coefficients, then the logarithm of the nights' standard deviation."""
    covariance: Floats
    """Of `params`, from the curvature at the best fit."""
    nights: int
    posterior: Floats
    """Parameters as they may be in truth, equally likely, shape (n, parameters)."""
    night_effects: Floats
    """Each night's own intercept, in the nights' standard deviations, and its error: shape
    (nights, 2), at the best fit."""
    cost: float
    """Less the logarithm of likelihood and priors at the best fit, but for a constant: of the same
    counts with a regressor less it is larger by half of the likelihood ratio's chi squared."""

    @property
    def spread(self) -> float:
        """Standard deviation between nights, on the scale of the linear predictor."""
        return float(np.exp(self.params[-1]))

    def draws(self, count: int, rng: np.random.Generator) -> Floats:
        """Parameters as they may be in truth, shape (count, parameters)."""
        return np.asarray(self.posterior[rng.integers(0, len(self.posterior), count)])


def fit_mixed(
    link: str,
    success: Floats,
    total: Floats,
    design: Floats,
    night: NDArray[np.intp],
    priors: Sequence[Prior],
    offset: Floats | float = 0.0,
    spread: Prior | None = None,
    draws: bool = True,
) -> Mixed:
    """Fit by maximum (penalised) marginal likelihood.

    Parameters
    ----------
    link : str
        LOGIT or SURVIVAL.
    success, total : ndarray, shape (n,)
        Successes out of so many trials, row by row.
    design : ndarray, shape (n, p)
        Regressors, a column of ones among them if wanted.
    night : ndarray, shape (n,)
        Number of the night of each row.
    priors : sequence of Prior, length p
    offset : ndarray, shape (n,), or float
        Known part of the linear predictor.
    spread : Prior
        Of the logarithm of the nights' standard deviation; `SPREAD` if not given.
    draws : bool
        Whether draws of the posterior are wanted; the best fit stands for all of them else.
    """
    spread_prior = spread or SPREAD
    order = np.argsort(night, kind="stable")
    success, total, design = success[order], total[order], design[order]
    fixed = np.broadcast_to(offset, total.shape)[order] if np.ndim(offset) else offset
    starts = np.flatnonzero(np.r_[True, np.diff(night[order]) != 0]) if len(order) else order
    mean = np.array([p.mean for p in priors] + [spread_prior.mean])
    sd = np.array([p.sd for p in priors] + [spread_prior.sd])

    def cost(params: Floats) -> tuple[float, Floats]:
        off = (params - mean) / sd
        value, slope = 0.5 * float(off @ off), off / sd
        if len(order):
            width = np.exp(np.clip(params[-1], -8, 4))
            eta = (fixed + design @ params[:-1])[:, None] + width * _GRID
            log_p, log_q = _log_chances(link, eta)
            dp, dq = _slopes(link, eta)
            rows = success[:, None] * log_p + (total - success)[:, None] * log_q
            by_night = np.add.reduceat(rows, starts, axis=0) + _LOG_WEIGHT
            sums = logsumexp(by_night, axis=1)
            share = np.exp(by_night - sums[:, None])
            lengths = np.diff(np.r_[starts, len(order)])
            pull = np.repeat(share, lengths, axis=0) * (
                success[:, None] * dp + (total - success)[:, None] * dq
            )
            value -= float(sums.sum())
            slope = slope - np.r_[design.T @ pull.sum(axis=1), width * float((pull @ _GRID).sum())]
        return value, slope

    def costs(params: Floats) -> Floats:
        """The cost alone, of many parameters at once."""
        off = (params - mean) / sd
        value = 0.5 * (off**2).sum(axis=1)
        if len(order):
            width = np.exp(np.clip(params[:, -1:], -8, 4))
            fitted = fixed + params[:, :-1] @ design.T
            at_once = max(AT_ONCE // (len(order) * len(_GRID)), 1)
            for first in range(0, len(params), at_once):
                some = slice(first, first + at_once)
                eta = fitted[some, :, None] + width[some, None] * _GRID
                log_p, log_q = _log_chances(link, eta)
                rows = success[:, None] * log_p + (total - success)[:, None] * log_q
                by_night = np.add.reduceat(rows, starts, axis=1) + _LOG_WEIGHT
                most = by_night.max(axis=2)
                inside = np.exp(by_night - most[:, :, None]).sum(axis=2)
                value[some] -= (most + np.log(inside)).sum(axis=1)
        return np.asarray(value)

    found = minimize(cost, mean, jac=True, method="BFGS", options={"gtol": 1e-4})
    curvature = approx_fprime(found.x, lambda at: cost(at)[1], centered=True)
    curvature = (curvature + curvature.T) / 2
    # The prior's curvature is the least there can be; rounding must not go below it.
    values, vectors = np.linalg.eigh(curvature)
    values = np.maximum(values, 0.5 * float(np.min(1 / sd**2)))
    covariance = (vectors / values) @ vectors.T
    nights = len(starts)
    posterior = np.asarray(found.x)[None]
    if draws:
        posterior = _posterior(np.asarray(found.x), covariance, nights, costs)
    effects = np.zeros((0, 2))
    if len(order):
        share = _night_shares(link, found.x, fixed, design, success, total, starts)
        middle = share @ _GRID
        effects = np.stack([middle, np.sqrt(share @ _GRID**2 - middle**2)], axis=1)
    best = np.asarray(found.x)
    return Mixed(link, best, covariance, nights, posterior, effects, float(found.fun))


def _night_shares(
    link: str,
    params: Floats,
    fixed: Floats | float,
    design: Floats,
    success: Floats,
    total: Floats,
    starts: NDArray[np.intp],
) -> Floats:
    """How likely each point of the grid is to be the night's own intercept, shape (nights, n)."""
    eta = (fixed + design @ params[:-1])[:, None] + np.exp(params[-1]) * _GRID
    log_p, log_q = _log_chances(link, eta)
    rows = success[:, None] * log_p + (total - success)[:, None] * log_q
    by_night = np.add.reduceat(rows, starts, axis=0) + _LOG_WEIGHT
    return np.asarray(np.exp(by_night - logsumexp(by_night, axis=1, keepdims=True)))


def _posterior(
    best: Floats, covariance: Floats, nights: int, costs: Callable[[Floats], Floats]
) -> Floats:
    """Draws of the posterior: of many nights the normal one, else importance sampling.

    Of few nights the posterior is skew, and its mean is not its peak: Student draws about the
    peak, with twice the width, are taken as often as the posterior has them denser.
    """
    rng = np.random.default_rng(SEED)
    normal = rng.multivariate_normal(np.zeros(len(best)), covariance, PROPOSED, method="cholesky")
    if nights > MANY_NIGHTS:
        return np.asarray(best + normal)
    steps = normal * np.sqrt(2 * TAIL / rng.chisquare(TAIL, PROPOSED))[:, None]
    # The density of a Student law of these steps, but for a constant.
    size = np.einsum("ni,ij,nj->n", steps, np.linalg.inv(covariance), steps) / 2
    log_proposal = -(TAIL + len(best)) / 2 * np.log1p(size / TAIL)
    log_weight = -costs(best + steps) - log_proposal
    weight = np.exp(log_weight - log_weight.max())
    # Systematic resampling: each comes as often as its weight says, but for a rounding.
    at = (np.arange(PROPOSED) + 0.5) / PROPOSED * weight.sum()
    rows = np.minimum(np.searchsorted(np.cumsum(weight), at), PROPOSED - 1)
    return np.asarray(best + steps[rows])


def _log_chances(link: str, eta: Floats) -> tuple[Floats, Floats]:
    """Logarithm of the chances of success and failure."""
    if link == LOGIT:
        return log_expit(eta), log_expit(-eta)
    much = np.exp(np.minimum(eta, 50))
    with np.errstate(divide="ignore"):
        # For the tiniest chances expm1 is `much` itself, and its logarithm is eta.
        return -much, np.where(eta < -30, eta, np.log(-np.expm1(-much)))


def _slopes(link: str, eta: Floats) -> tuple[Floats, Floats]:
    """Slopes of the logarithms of both chances along `eta`."""
    if link == LOGIT:
        return expit(-eta), -expit(eta)
    much = np.exp(np.minimum(eta, 50))
    fail = np.maximum(-np.expm1(-much), 1e-300)
    return -much, np.where(eta < -30, 1.0, much * np.exp(-much) / fail)
