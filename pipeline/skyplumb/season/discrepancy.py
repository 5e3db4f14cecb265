"""Hit rates counted and those that the model of the rig gives -> what physics leaves.

No model of a rig is whole: gusts come in bursts, a drive has more than one period, the ground
gives. What the model's hit rates are wrong by is taken for a smooth function of image scale and
exposure, on the scale of log odds: a Gaussian process [1]_ of mean zero, told by the frames
counted at the scales and exposures audited. Far from these it stays as wide as its prior, so that
an interval never says more than a model that was never tried there. The physics is fitted first,
by itself, and what it leaves afterwards [2]_, so that it explains what it can.

References
----------
.. [1] Kennedy, O'Hagan 2001, "Bayesian calibration of computer models", section 4 (from memory).
.. [2] Liu, Bayarri, Berger 2009, "Modularization in Bayesian analysis, with emphasis on analysis
   of computer models" (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, logit

Floats = NDArray[np.float64]

SD = 0.3
"""Of the log odds: what the model is wrong by where nothing was counted."""
LENGTHS = (0.7, 0.7)
"""In the logarithms of scale and exposure: a factor of two, over which it changes."""
EDGE = 0.005
"""Hit rates nearer to 0 and 1 than this are no nearer: their log odds have no end."""
SEED = 21


@dataclass(frozen=True, slots=True)
class Discrepancy:
    """A Gaussian process in log odds, conditioned on the cells audited."""

    places: Floats
    """Logarithms of scale and exposure of the cells audited, shape (n, 2)."""
    left: Floats
    """Log odds counted less those of the model, shape (n,)."""
    variance: Floats
    """Of these, by the chance of frames and nights, shape (n,)."""

    def applied(self, rates: Floats, scale: Floats, exposure_s: Floats) -> Floats:
        """Draws of hit rates, shape (draws, n), with what physics leaves at those places."""
        return shifted(rates, self.shifts(len(rates), scale, exposure_s))

    def shifts(self, draws: int, scale: Floats, exposure_s: Floats) -> Floats:
        """What physics leaves as it may be, in log odds, shape (draws, n)."""
        there = np.stack([np.log(scale), np.log(exposure_s)], axis=1)
        covariance = _kernel(there, there)
        mean = np.zeros(len(there))
        if len(self.left):
            cross = _kernel(there, self.places)
            seen = _kernel(self.places, self.places) + np.diag(self.variance)
            gain = np.linalg.solve(seen, cross.T).T
            mean = gain @ self.left
            covariance = covariance - gain @ cross.T
        rng = np.random.default_rng(SEED)
        # By its eigenvectors: neighbours on a fine grid are all but the same. The symmetric root is
        # one and the same whatever their signs, which differ from processor to processor.
        values, vectors = np.linalg.eigh(covariance)
        root = vectors * np.sqrt(np.maximum(values, 0)) @ vectors.T
        return np.asarray(mean + rng.standard_normal((draws, len(there))) @ root)


def shifted(rates: Floats, log_odds: Floats) -> Floats:
    """Hit rates moved by so much in log odds."""
    return np.asarray(expit(logit(np.clip(rates, 1e-9, 1 - 1e-9)) + log_odds))


def _kernel(one: Floats, other: Floats) -> Floats:
    apart = (one[:, None] - other[None]) / np.array(LENGTHS)
    return np.asarray(SD**2 * np.exp(-(apart**2).sum(axis=2) / 2))


def discrepancy(
    places: Floats, keep: Floats, judged: Floats, nights: Floats, rate: Floats, spread: Floats
) -> Discrepancy:
    """Hold what was counted against the model, cell by cell.

    Parameters
    ----------
    places : ndarray, shape (n, 2)
        Logarithms of scale (arcsec/px) and exposure (s).
    keep, judged, nights : ndarray, shape (n,)
        Frames kept of so many judged, in so many nights.
    rate, spread : ndarray, shape (n,)
        Hit rate by the model, and its standard deviation from night to night.
    """
    rate = np.clip(rate, EDGE, 1 - EDGE)
    odds = rate * (1 - rate)
    # As if one frame more had come out as the model says: a cell of few frames tells little.
    counted = (keep + rate) / (judged + 1)
    counted = np.clip(counted, EDGE, 1 - EDGE)
    variance = spread**2 / nights / odds**2 + 1 / (judged * odds)
    return Discrepancy(places, logit(counted) - logit(rate), variance)
