"""Which model predicts nights it has not seen: the rig's or a plain logistic regression.

Nights are left out in turn, both models are fitted to the others and asked for the chance of
each frame of the ones left out, knowing neither their mount fit nor their weather. The sum of
the logarithms of the chances given to what happened is the score; the better one is used.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import expit, xlog1py, xlogy

from skyplumb.intervals import binomial_interval
from skyplumb.season.rig import DRAWS, SEED, Better, Rate, Rig
from skyplumb.season.rig_model import Counts, fit_rig

Floats = NDArray[np.float64]

FEWEST_NIGHTS = 3
"""For leaving one out."""
FOLDS = 12
"""Nights are left out one by one up to this many, else in so many groups."""
LONG_SEASON, LONG_FOLDS = 100, 4
"""More nights than this are left out in fewer groups: their fits hardly differ."""
BINS = 8
CLEARLY = 2.0
"""Standard errors."""


@dataclass(frozen=True, slots=True)
class Plain:
    """A logistic regression of keeping on log(focal length x exposure), mm s."""

    params: Floats
    covariance: Floats
    """Frames of one night taken as dependent."""
    nights: int

    def rate(
        self, focal_mm: Floats | float, exposure_s: Floats | float, draws: int = DRAWS
    ) -> Rate:
        """Hit rate at some focal lengths and exposures, broadcast."""
        at = np.log(np.asarray(focal_mm, float) * np.asarray(exposure_s, float))
        rng = np.random.default_rng(SEED)
        df = max(self.nights - 1, 1)
        normal = rng.multivariate_normal(np.zeros(2), self.covariance, draws, method="cholesky")
        many = self.params + normal * np.sqrt(df / rng.chisquare(df, draws))[:, None]
        # More exposure at the same place never keeps more frames.
        slope = np.minimum(many[:, 1], 0.0)
        shape = (-1, *([1] * at.ndim))
        drawn = expit(many[:, 0].reshape(shape) + slope.reshape(shape) * at)
        low, high = np.percentile(drawn, [2.5, 97.5], axis=0)
        return Rate(expit(self.params[0] + min(self.params[1], 0.0) * at), low, high, drawn)


SAME_CELL = 1e-3
"""In the logarithm of focal length times exposure: what rounding leaves between two alike."""


@dataclass(frozen=True, slots=True)
class Check:
    """How well the left-out nights were predicted."""

    rig_score: float
    """Log-likelihood of all frames left out; nearer 0 is better."""
    plain_score: float
    frames: int
    nights: int
    calibration: pd.DataFrame
    """By predicted hit rate, of the model used: `predicted`, `judged`, `kept`, `rate`, `low`,
    `high`."""

    plain_lead: float
    """How many standard errors the plain score lies above the rig's, night by night."""

    @property
    def rig_wins(self) -> bool:
        """Physics is believed until the plain regression is clearly better."""
        return not self.plain_lead > CLEARLY


@dataclass(frozen=True, slots=True)
class SeasonModel:
    """What the season says of hit rates, or why it says nothing."""

    counts: Counts
    rig: Rig | None = None
    plain: Plain | None = None
    check: Check | None = None
    why_not: str = ""

    @property
    def used(self) -> str:
        """rig, plain or none."""
        if self.rig is None:
            return "none"
        return "plain" if self.check and self.plain and not self.check.rig_wins else "rig"

    def rate(
        self,
        scale: Floats | float,
        focal_mm: Floats | float,
        exposure_s: Floats | float,
        dec_deg: float = np.nan,
        better: Better | None = None,
        limit_px: float = np.nan,
    ) -> Rate:
        """Hit rate by the model that is used."""
        if self.rig is None:
            raise ValueError(self.why_not)
        told = bool(np.isfinite(focal_mm).all())
        if self.used == "plain" and self.plain is not None and better is None and told:
            return self.plain.rate(focal_mm, exposure_s)
        return self.rig.rate(scale, exposure_s, dec_deg, better, limit_px=limit_px)


def model_of(counts: Counts) -> SeasonModel:
    """Fit both models and choose."""
    nights = len(np.unique(counts.night))
    if nights == 0:
        return SeasonModel(counts, why_not="no tracked frame of known image scale and exposure")
    check = leave_nights_out(counts) if nights >= FEWEST_NIGHTS else None
    return SeasonModel(counts, fit_rig(counts), fit_plain(counts), check)


def fit_plain(counts: Counts) -> Plain | None:
    """The plain regression; None if no focal length is known, or there is no line to be laid: its
    two numbers and their errors take three cells, not all of one focal length and exposure."""
    known = counts.focal_mm > 0
    nights = len(np.unique(counts.night[known]))
    at = np.log(counts.focal_mm[known] * counts.exposure_s[known])
    if nights < 2 or len(at) < 3 or np.ptp(at) < SAME_CELL:
        return None
    kept, judged = counts.keep[known], counts.judged[known]
    # One frame in all, half kept and half lost, spread over the data: the fit stays finite
    # where everything was kept or everything lost.
    extra = judged / judged.sum() / 2
    design = np.stack([np.ones_like(at), at], axis=1)
    # Loads as long as all else of a tally together, and few nights need none.
    from statsmodels.genmod.families import Binomial
    from statsmodels.genmod.generalized_linear_model import GLM

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        fit = GLM(
            np.stack([kept + extra, judged - kept + extra], axis=1), design, family=Binomial()
        ).fit(cov_type="cluster", cov_kwds={"groups": counts.night[known]})
    return Plain(np.asarray(fit.params), np.asarray(fit.cov_params()), nights)


def leave_nights_out(counts: Counts) -> Check:
    """Predict every night from the others, with both models."""
    nights = np.unique(counts.night)
    folds = LONG_FOLDS if len(nights) > LONG_SEASON else min(FOLDS, len(nights))
    groups = np.array_split(np.random.default_rng(SEED).permutation(nights), folds)
    by_rig, by_plain = np.full(len(counts.night), np.nan), np.full(len(counts.night), np.nan)
    for group in groups:
        out = np.isin(counts.night, group)
        there, gone = np.flatnonzero(~out), np.flatnonzero(out)
        rig, plain = fit_rig(counts.at(there)), fit_plain(counts.at(there))
        theirs = counts.at(gone)
        by_rig[gone] = rig.expected(theirs.scale, theirs.exposure_s, theirs.limit_px)
        if plain is not None:
            by_plain[gone] = expit(
                plain.params[0] + plain.params[1] * np.log(theirs.focal_mm * theirs.exposure_s)
            )
    both = np.isfinite(by_rig) & np.isfinite(by_plain)
    # Where no focal length is known there is nothing to compare with.
    scored = both if both.any() else np.isfinite(by_rig)
    kept, judged = counts.keep[scored], counts.judged[scored]

    def score(chance: Floats) -> Floats:
        """Night by night."""
        row = xlogy(kept, chance) + xlog1py(judged - kept, -chance)
        return np.asarray(np.bincount(counts.night[scored], row, minlength=len(nights)), float)

    by_night = score(by_rig[scored])
    rig_score, plain_score, lead = float(by_night.sum()), -np.inf, -np.inf
    if both.any():
        gain = score(by_plain[scored]) - by_night
        plain_score = rig_score + float(gain.sum())
        lead = float(gain.sum() / (gain.std(ddof=1) * np.sqrt(len(gain)) + 1e-9))
    used = by_plain if lead > CLEARLY else by_rig
    return Check(
        rig_score,
        plain_score,
        int(judged.sum()),
        len(nights),
        calibration(used[scored], kept, judged),
        lead,
    )


def calibration(predicted: Floats, kept: Floats, judged: Floats) -> pd.DataFrame:
    """Runs sorted by what was predicted, in bins of about as many frames each."""
    order = np.argsort(predicted, kind="stable")
    middle = np.cumsum(judged[order]) - judged[order] / 2
    bin_of = np.minimum((middle / judged.sum() * BINS).astype(int), BINS - 1)
    table = pd.DataFrame(
        {
            "bin": bin_of,
            "predicted": (predicted * judged)[order],
            "judged": judged[order],
            "kept": kept[order],
        }
    )
    sums = table.groupby("bin").sum()
    sums["predicted"] /= sums["judged"]
    sums["rate"] = sums["kept"] / sums["judged"]
    sums["low"], sums["high"] = binomial_interval(sums["kept"], sums["judged"])
    return sums.reset_index(drop=True)
