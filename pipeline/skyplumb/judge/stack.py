"""What a frame adds to a stack, and what a stack of some frames would look like.

Of a faint point source on an even sky the best linear estimate of its light has the signal to
noise ratio S / (sigma sqrt(A)): S its electrons, sigma the noise of one sample, A the noise
equivalent area of the star's image, 4 pi sqrt(det M) for a Gaussian of second moments M [1]_.
Its square adds up over frames that are weighted by it, so that square, against the run's best
frames, is what a frame is worth.

References
----------
.. [1] King 1983, PASP 95, 163, for the noise equivalent area; the same sum of squares in
   Naylor 1998, MNRAS 296, 339 (both from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from skyplumb.judge.facts import FrameFacts
from skyplumb.measure.shapes import SIGMA_TO_FWHM
from skyplumb.records import NAN

Floats = NDArray[np.float64]

BEST_PERCENTILE = 90
"""Of a run's frames, the information that counts as weight 1: a lone lucky frame does not."""


@dataclass(frozen=True, slots=True)
class Stack:
    """A weighted mean of frames of one run that were laid star on star."""

    frames: int
    minutes: float
    fwhm_px: float
    """Of the stacked star, from its mean second moments."""
    ellipticity: float
    """1 - b/a of the stacked star."""
    snr_gain: float
    """Signal to noise ratio of a faint star over that in one frame of weight 1."""


def weights(facts: Sequence[FrameFacts]) -> Floats:
    """Point-source information of each frame of one run, 1 for its best frames.

    Returns
    -------
    ndarray, shape (n,)
        NaN where a frame's width, sky noise or exposure is unknown. A frame whose
        transparency is unknown counts as clear as the run's clearest.
    """
    information = np.array([_information(fact) for fact in facts])
    known = information[np.isfinite(information)]
    best = float(np.percentile(known, BEST_PERCENTILE)) if len(known) else NAN
    return np.asarray(information / best) if best > 0 else np.full(len(facts), np.nan)


def stacked(facts: Sequence[FrameFacts], weight: Floats) -> Stack:
    """The stack of these frames; those of unknown weight are left out."""
    used = [n for n in range(len(facts)) if weight[n] > 0]
    if not used:
        return Stack(0, 0.0, NAN, NAN, NAN)
    moments = np.array([_moments(facts[n]) for n in used])
    trace, plus, cross = np.average(moments, axis=0, weights=weight[used])
    size = float(np.hypot(plus, cross))
    seconds = np.array([facts[n].light.info.exposure_s for n in used])
    return Stack(
        frames=len(used),
        minutes=float(np.nansum(seconds)) / 60,
        fwhm_px=float(SIGMA_TO_FWHM * np.sqrt(trace / 2)),
        ellipticity=float(1 - np.sqrt(max(trace - size, 0.0) / (trace + size))),
        snr_gain=float(np.sqrt(weight[used].sum())),
    )


def _information(fact: FrameFacts) -> float:
    """Square of a faint star's signal to noise ratio, in a unit of the run's own."""
    exposure = fact.light.info.exposure_s
    noise = fact.light.measure.noise
    area = fact.fwhm_px**2 * _roundness(fact.ellipticity)
    loss_mag = 0.0 if np.isnan(fact.extinction_mag) else fact.extinction_mag
    if not (noise > 0 and area > 0 and exposure > 0):
        return NAN
    signal = exposure * 10 ** (-0.4 * loss_mag)
    return float(signal**2 / (noise**2 * area))


def _roundness(ellipticity: float) -> float:
    """2 a b / (a^2 + b^2): area of an ellipse over that of a circle of the same trace."""
    ratio = 1 - ellipticity
    return float(2 * ratio / (1 + ratio**2))


def _moments(fact: FrameFacts) -> tuple[float, float, float]:
    """Trace, mxx - myy and 2 mxy behind a frame's width, roundness and angle, px^2."""
    trace = 2 * (fact.fwhm_px / SIGMA_TO_FWHM) ** 2
    ratio = (1 - fact.ellipticity) ** 2
    size = trace * (1 - ratio) / (1 + ratio)
    turn = 2 * np.radians(fact.image_angle_deg)
    return trace, float(size * np.cos(turn)), float(size * np.sin(turn))
