"""Two sides of some runs -> how their hit rates differ, and what would settle it.

A logistic regression with a random effect of the night (`mixed_model`), since frames of one night
are not independent. The chance of a difference is that of the likelihood ratio's signed root
[5]_, fitted once with and once without it: where most is kept, the curvature at the best fit takes
large differences for unsure [6]_. How far nights differ is itself not well known from few: the
error of the contrast has as many degrees of freedom as what is known of the nights' spread is
worth, after Satterthwaite [1]_, where the spread is what the error hangs on; where frames are few
and their own chance is most of it, many. Frames of one run share more than their night (target,
hour): where the runs of a night scatter more than their frames' chance would have it, the error
grows with them (quasi-likelihood [3]_).

References
----------
.. [1] Satterthwaite 1946, "An approximate distribution of estimates of variance components"
   (from memory).
.. [2] Zeger, Liang, Albert 1988, "Models for longitudinal data", for the mean of a logistic curve
   over normal intercepts (from memory).
.. [3] McCullagh, Nelder 1989, *Generalized Linear Models*, section 4.5 (from memory).
.. [4] Holm 1979, "A simple sequentially rejective multiple test procedure" (from memory).
.. [5] Severini 2000, *Likelihood Methods in Statistics*, section 4.4 (from memory).
.. [6] Hauck, Donner 1977, "Wald's test as applied to hypotheses in logit analysis" (from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf, isfinite, nan

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, ndtri, stdtr, stdtrit

from skyplumb.season.mixed_model import LOGIT, Mixed, Prior, fit_mixed

Floats = NDArray[np.float64]

PRIORS = (Prior(1.0, 3.0), Prior(-0.5, 1.5), Prior(0.0, 2.5))
"""Log odds of keeping at the middle, their slope, and the difference."""
SPREAD = Prior(float(np.log(0.45)), 0.6)
"""Of the logarithm of the nights' spread in log odds, 0.14 to 1.5: wide, so that nights that differ
much are not taken for sides that do."""
EVEN_RUNS = 20.0
"""That runs of a night scatter as their frames' chance has it is worth so many of them."""
LEAST_ROOT = 0.1
"""Roots under this are of no difference, and tell no standard error."""
CHANCE = 0.8
"""That so many more nights or frames settle a difference as large as it looks."""
MOST = 1e4
"""Beyond so many nothing settles it."""
SIGNIFICANT = 0.05


def holm(chances: Sequence[float]) -> Floats:
    """Chances (p values) of several comparisons, corrected for their number [4]_.

    The smallest of m times m, the next times m - 1, and so on, none below the one before and none
    over 1. Of statsmodels, which has the same, the import alone takes a second.

    Parameters
    ----------
    chances : sequence of float
        0 to 1.

    Returns
    -------
    ndarray
        In their order.
    """
    given = np.asarray(chances, float)
    order = np.argsort(given, kind="stable")
    stepped = given[order] * np.arange(len(given), 0, -1)
    corrected = np.empty_like(given)
    corrected[order] = np.minimum(np.maximum.accumulate(stepped), 1.0)
    return corrected


@dataclass(frozen=True, slots=True)
class Contrast:
    """A difference in log odds between two sides, the second less the first."""

    base: float
    """Log odds of the first side, on the middle night."""
    step: float
    sigma: float
    """Standard error of the difference, towards none."""
    df: float
    spread: float
    """Standard deviation of nights in log odds."""
    by_nights: float
    """Share of the error's square that comes of nights, not of frames."""
    sigma_away: float = nan
    """Standard error away from none; NaN for the same."""

    @property
    def p(self) -> float:
        """Two-sided chance of so much where there is no difference."""
        return float(2 * stdtr(self.df, -abs(self.step) / self.sigma))

    @property
    def interval(self) -> tuple[float, float]:
        """In log odds, 95 %; it holds none just where the chance of it is 5 % or more."""
        away = self.sigma_away if isfinite(self.sigma_away) else self.sigma
        below, above = (self.sigma, away) if self.step > 0 else (away, self.sigma)
        wide = float(stdtrit(self.df, 0.975))
        return self.step - wide * below, self.step + wide * above

    def rates(self) -> tuple[float, float]:
        """Hit rates of both sides, the mean over nights [2]_."""
        return self.rate(0.0), self.rate(self.step)

    def rate(self, step: float) -> float:
        """Of a side that is so many log odds from the first."""
        flatter = np.sqrt(1 + (16 * np.sqrt(3) / (15 * np.pi)) ** 2 * self.spread**2)
        return float(expit((self.base + step) / flatter))

    def gain(self) -> tuple[float, float, float]:
        """Of the hit rate, with its 95 % interval."""
        first = self.rate(0.0)
        middle, low, high = (self.rate(step) - first for step in (self.step, *self.interval))
        return middle, low, high

    def settled_by_nights(self) -> float:
        """Times as many nights, of as many frames, would show a difference as large as it looks
        in `CHANCE` of cases; 1 or less where it is shown."""
        wanted = abs(self.step) / (ndtri(0.975) + ndtri(CHANCE))
        times = (self.sigma / wanted) ** 2 if wanted > 0 else inf
        return float(times) if times < MOST else inf

    def settled_by_frames(self) -> float:
        """Times as many frames in the same nights would; infinite where nights differ too much."""
        wanted = (abs(self.step) / (ndtri(0.975) + ndtri(CHANCE))) ** 2
        of_frames = self.sigma**2 * (1 - self.by_nights)
        rest = wanted - self.sigma**2 * self.by_nights
        times = of_frames / rest if rest > 0 else inf
        return float(times) if times < MOST else inf


def contrast(
    keep: Floats,
    judged: Floats,
    night: NDArray[np.intp],
    second: Floats,
    x: Floats | None = None,
    spread: Prior = SPREAD,
    priors: Sequence[Prior] = PRIORS,
) -> Contrast:
    """Fit one.

    Parameters
    ----------
    keep, judged : ndarray, shape (n,)
        Frames kept of so many, run by run.
    night : ndarray, shape (n,)
        What runs share a random effect.
    second : ndarray, shape (n,)
        1 for the second side, 0 for the first; or how far along a run is, for a trend.
    x : ndarray, shape (n,), optional
        What hit rates hang on besides, about its middle.
    """
    columns = [np.ones_like(keep)] + ([] if x is None else [x]) + [second]
    design = np.stack(columns, axis=1)
    laws = (priors[0], priors[2]) if x is None else priors
    fit = fit_mixed(LOGIT, keep, judged, design, night, laws, spread=spread, draws=False)
    place = design.shape[1] - 1
    variance = float(fit.covariance[place, place])
    # What frames alone would leave: the information of as many independent ones.
    rate = expit(design @ fit.params[:-1])
    information = (design * (judged * rate * (1 - rate))[:, None]).T @ design
    information += np.diag([1 / law.sd**2 for law in laws])
    alone = float(np.linalg.inv(information)[place, place])
    by_nights = float(np.clip(1 - alone / variance, 0, 1))
    scatter = _scatter(keep, judged, night, design, fit)
    of_nights, of_frames = variance * by_nights, variance * (1 - by_nights) * scatter
    # A log-normal prior of that width is worth 1 / (2 sd^2) degrees of freedom of a variance.
    known = max(fit.nights - 2, 0) + 1 / (2 * spread.sd**2)
    without = fit_mixed(
        LOGIT, keep, judged, design[:, :-1], night, laws[:-1], spread=spread, draws=False
    )
    wider = (of_nights + of_frames) / variance
    # A standard error there is by the ratio, but where the difference itself is none.
    step = float(fit.params[place])
    root = float(np.sqrt(max(2 * (without.cost - fit.cost), 0.0)))
    even = float(np.sqrt(variance))
    sigma = abs(step) / root if root > LEAST_ROOT else even
    share = of_nights / (of_nights + of_frames)
    # Scatter is never taken for less than the frames' chance: that errs to the safe side already.
    df = known / max(share**2, 1e-4 * known)
    return Contrast(
        float(fit.params[0]),
        step,
        float(sigma * np.sqrt(wider)),
        float(df),
        fit.spread,
        share,
        float(even**2 / sigma * np.sqrt(wider)),
    )


def _scatter(
    keep: Floats, judged: Floats, night: NDArray[np.intp], design: Floats, fit: Mixed
) -> float:
    """Pearson's chi squared a degree of freedom of runs about their night, 1 at least."""
    effect = fit.night_effects[np.unique(night, return_inverse=True)[1].reshape(-1), 0]
    rate = np.clip(expit(design @ fit.params[:-1] + fit.spread * effect), 1e-3, 1 - 1e-3)
    squares = (keep - judged * rate) ** 2 / (judged * rate * (1 - rate))
    taken = design.shape[1] + float((1 - fit.night_effects[:, 1] ** 2).sum())
    spare = max(len(keep) - taken, 1.0) + EVEN_RUNS
    return float(max((squares.sum() + EVEN_RUNS) / spare, 1.0))


def settling_words(one: Contrast, nights: int, frames: int) -> str:
    """How many more nights, or frames, would settle what is open."""
    more_nights = (one.settled_by_nights() - 1) * nights
    more_frames = (one.settled_by_frames() - 1) * frames
    if not isfinite(more_nights):
        return "as alike as they look, no number of nights would tell them apart"
    if more_nights <= 0:
        return "about as much again as there is would settle it"
    told = f"if it is as it looks, some {_round(more_nights)} more nights like these"
    if isfinite(more_frames) and more_frames <= 10 * frames:
        told += f", or {_round(more_frames)} more frames in as many nights,"
    return f"{told} would settle it"


def _round(value: float) -> str:
    """Up, to two digits: more are not known."""
    step = 10.0 ** max(np.floor(np.log10(max(value, 1))) - 1, 0)
    return f"{np.ceil(value / step) * step:.0f}"
