"""A tracker's faults -> the trail that they draw in a frame, against the limit in force.

The axis error and the rate error drift the stars evenly [1]_, refraction adds its own drift,
the periodic error moves them to and fro along right ascension. What is not known of a frame (where
the axis error points against its hour angle, the phase of the periodic error, how refraction
lies against the rest) is taken as evenly spread.

What a season's losses say against that prediction is a factor on the limit and the scatter of
frames about it: where nothing was lost to drift yet, physics stands alone.

References
----------
.. [1] Barrett 2016, *Measuring Polar Axis Alignment Error*.
.. [2] Nakagami 1960, "The m-distribution", in *Statistical Methods in Radio Wave Propagation*
   (from memory), which holds Rayleigh's law and comes near to Rice's.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaincinv, gammaln, logsumexp, ndtr, ndtri, xlog1py, xlogy

from skyplumb.calibrate.sky import SIDEREAL_RATE_ARCSEC_S

Floats = NDArray[np.float64]

SIDEREAL_ARCSEC_MIN = 60 * SIDEREAL_RATE_ARCSEC_S
ARCMIN = np.pi / 180 / 60

REFRACTION_ARCSEC_MIN, REFRACTION_POWER = 0.19, 1.6
"""Drift by refraction times this power of the altitude's sine: the median over azimuths and
latitudes of 20 to 60 degrees (0.24 at 60 degrees, 0.38 at 40, 1.82 at 15)."""
USUAL_ALTITUDE_DEG = 50.0
"""Where the altitude of a frame is unknown."""

LOG_FACTOR = (0.0, 0.15)
"""Of the correction, mean and sd of its logarithm: a trail, a limit in pixels and a fitted axis are
good to some hundredths each, ours. What physics leaves beyond that is `discrepancy`'s."""
LOG_FACTOR_UNMEASURED = (0.0, 0.8)
"""The same where no mount fit tells the faults."""
LOG_SCATTER = (np.log(0.1), 0.5)
"""Of frames about their predicted trail: wind beside the drift, errors of the mount fit; ours."""
_FACTORS = np.linspace(-2.5, 2.5, 21)
_SCATTERS = np.linspace(-2, 2, 5)

AXIS_PRIOR = (np.log(6.0), 0.7)
"""Of the logarithm of the axis error's root mean square, arcmin: alignments by eye and polar scope,
ours."""
AXIS_SHAPE_PRIOR = (np.log(1.4), 0.6)
"""Of the logarithm of its shape: 1 where both parts of the error are normal about none (Rayleigh's
law), more where they are about an offset, ours."""
_SIZES = np.linspace(-3.5, 3.5, 29)
_SHAPES = np.linspace(-2.0, 3.0, 11)
RATE_PRIOR = (0.0, 0.5, 1.0, 80.0)
"""Of the rate error, ppm, likewise."""
UNSEEN_PERIODIC_PX = 0.5
"""A periodic error up to about this, in the finest pictures, is not seen in the pointings."""
AMPLITUDE_PRIOR = (np.log(3.0), 0.9)
"""Of the logarithm of its amplitude, arcsec: small trackers, ours."""
PERIODS_S = (300.0, 900.0)
PERIODIC_SPREAD = 0.15
"""Relative error of one night's amplitude and of the drive from night to night."""


@dataclass(frozen=True, slots=True)
class Faults:
    """A tracker's faults, night by night or draw by draw (arrays of one shape); NaN unknown."""

    axis_arcmin: Floats
    rate_ppm: Floats
    periodic_arcsec: Floats
    """Amplitude: half of peak to peak."""
    period_s: Floats

    def __len__(self) -> int:
        return len(self.axis_arcmin)

    def at(self, rows: NDArray[np.intp] | NDArray[np.bool_]) -> Faults:
        """Those of some nights."""
        return Faults(*(getattr(self, field.name)[rows] for field in fields(self)))

    @property
    def known(self) -> NDArray[np.bool_]:
        """Where the pointings told axis and rate."""
        return np.isfinite(self.axis_arcmin) & np.isfinite(self.rate_ppm)


def refraction_arcsec_min(altitude_deg: Floats) -> Floats:
    """Size of the drift by refraction against a perfect mount, arcsec a minute."""
    altitude = np.clip(np.nan_to_num(altitude_deg, nan=USUAL_ALTITUDE_DEG), 10, 90)
    return np.asarray(REFRACTION_ARCSEC_MIN / np.sin(np.radians(altitude)) ** REFRACTION_POWER)


def trail_arcsec(
    faults: Faults,
    exposure_s: Floats,
    dec_deg: Floats,
    axis_turn: Floats,
    phase: Floats,
    refraction: tuple[Floats, Floats],
) -> Floats:
    """Length of the even straight trail with the same elongation, arcsec; all arrays broadcast.

    Parameters
    ----------
    faults : Faults
        Without NaN.
    exposure_s, dec_deg : ndarray
    axis_turn : ndarray
        Hour angle counted from where the axis error points, rad.
    phase : ndarray
        Of the periodic error at the middle of the exposure, rad.
    refraction : (ndarray, ndarray)
        Drift by refraction towards east and north, arcsec a minute.

    Notes
    -----
    An axis off by a (rad) drifts by omega a sin(turn) in declination and omega a sin(dec)
    cos(turn) in right ascension, a wrong rate by omega epsilon cos(dec). For a sine of half
    amplitude A and x = exposure / period the variance over the exposure is
    A^2 ((1 - sinc 2x cos 2phase) / 2 - sinc^2 x sin^2 phase), its covariance with the time
    A cos(phase) (sinc x - cos pi x) period / 2 pi. A trail L has the variance L^2 / 12.
    """
    dec = np.radians(dec_deg)
    minutes = exposure_s / 60
    pull = SIDEREAL_ARCSEC_MIN * ARCMIN * faults.axis_arcmin
    rate = SIDEREAL_ARCSEC_MIN * 1e-6 * faults.rate_ppm
    east = minutes * (rate * np.cos(dec) - pull * np.sin(dec) * np.cos(axis_turn) + refraction[0])
    north = minutes * (refraction[1] - pull * np.sin(axis_turn))
    x, amplitude = exposure_s / faults.period_s, faults.periodic_arcsec * np.cos(dec)
    sine = (1 - np.sinc(2 * x) * np.cos(2 * phase)) / 2 - (np.sinc(x) * np.sin(phase)) ** 2
    # Per unit of the whole drift during the exposure.
    along = amplitude * np.cos(phase) * (np.sinc(x) - np.cos(np.pi * x)) / (2 * np.pi * x)
    ee = east**2 / 12 + amplitude**2 * sine + 2 * east * along
    nn = north**2 / 12
    en = east * north / 12 + north * along
    return np.asarray(np.sqrt(12 * np.hypot(ee - nn, 2 * en)) + 1e-6)


def one_a_night(night: NDArray[np.intp], faults: Faults) -> Faults:
    """The first known faults of each night that has any; a periodic error that none saw is NaN."""
    rows = np.flatnonzero(faults.known)
    first = rows[np.unique(night[rows], return_index=True)[1]]
    return faults.at(np.sort(first))


@dataclass(frozen=True, slots=True)
class Population:
    """The nights that this tracker may have, as the nights seen tell; arrays of shape (draws,)."""

    axis_square: Floats
    """Mean square of the axis error, arcmin^2."""
    axis_shape: Floats
    rate: Floats
    rate_sd: Floats
    periodic: Floats
    period_s: Floats

    def nights(self, axis: Floats, rate: Floats) -> Faults:
        """Faults of shape (draws, points), and (draws, 1) where all nights have the same, from
        standard normal points."""
        # Shapes are those of a grid, of which many draws share one.
        shapes, which = np.unique(self.axis_shape, return_inverse=True)
        much = (gammaincinv(shapes[:, None], ndtr(axis)) / shapes[:, None])[which]
        return Faults(
            np.sqrt(self.axis_square[:, None] * much),
            self.rate[:, None] + self.rate_sd[:, None] * rate,
            self.periodic[:, None],
            self.period_s[:, None],
        )


def population(
    nights: Faults, finest_arcsec_px: float, draws: int, rng: np.random.Generator
) -> Population:
    """Draw what the faults' distribution from night to night may be.

    The axis error is the length of two parts that are normal about an offset: Nakagami's law,
    whose square has a gamma distribution [2]_, of unknown size and shape. The rate error is
    normal with unknown mean and spread, conjugate priors. A periodic error is the tracker's own;
    where none was seen it may hide under what the finest pictures (arcsec/px) could show.
    """
    axis = _axis_draws(nights.axis_arcmin, draws, rng)
    rate = _normal_draws(nights.rate_ppm, RATE_PRIOR, draws, rng)
    seen = np.isfinite(nights.periodic_arcsec) & np.isfinite(nights.period_s)
    seen &= nights.periodic_arcsec > 0
    normal = rng.standard_normal(draws)
    if seen.any():
        which = rng.integers(0, int(seen.sum()), draws)
        amplitude = nights.periodic_arcsec[seen].mean() * np.exp(
            PERIODIC_SPREAD / np.sqrt(seen.sum()) * normal
        )
        period = nights.period_s[seen][which]
    else:
        most = (
            np.log(UNSEEN_PERIODIC_PX * finest_arcsec_px) - AMPLITUDE_PRIOR[0]
        ) / AMPLITUDE_PRIOR[1]
        # Normal, cut off at what would have been seen.
        amplitude = np.exp(
            AMPLITUDE_PRIOR[0] + AMPLITUDE_PRIOR[1] * ndtri(ndtr(most) * ndtr(normal))
        )
        period = np.exp(rng.uniform(np.log(PERIODS_S[0]), np.log(PERIODS_S[1]), draws))
    return Population(*axis, *rate, amplitude, period)


def _axis_draws(axis_arcmin: Floats, draws: int, rng: np.random.Generator) -> tuple[Floats, Floats]:
    """Mean squares and shapes of Nakagami's law from their posterior on a grid."""
    size, shape = (
        part.ravel()
        for part in np.meshgrid(
            AXIS_PRIOR[0] + AXIS_PRIOR[1] * _SIZES,
            AXIS_SHAPE_PRIOR[0] + AXIS_SHAPE_PRIOR[1] * _SHAPES,
            indexing="ij",
        )
    )
    log_post = -((size - AXIS_PRIOR[0]) ** 2) / (2 * AXIS_PRIOR[1] ** 2)
    log_post = log_post - (shape - AXIS_SHAPE_PRIOR[0]) ** 2 / (2 * AXIS_SHAPE_PRIOR[1] ** 2)
    square, power = np.exp(2 * size), np.exp(shape)
    seen = np.maximum(axis_arcmin, 0.1)[:, None] ** 2
    inverse_scale = power / square
    log_gamma = (
        xlogy(power, inverse_scale)
        - gammaln(power)
        + (power - 1) * np.log(seen)
        - inverse_scale * seen
    )
    log_post = log_post + log_gamma.sum(axis=0)
    weight = np.exp(log_post - log_post.max())
    rows = rng.choice(len(weight), draws, p=weight / weight.sum())
    return square[rows], power[rows]


def _normal_draws(
    values: Floats, prior: tuple[float, float, float, float], draws: int, rng: np.random.Generator
) -> tuple[Floats, Floats]:
    """Means and standard deviations of a normal law from its normal-inverse-gamma posterior."""
    mean0, worth, nights, spread = prior
    count = len(values)
    mean = values.mean() if count else mean0
    a = (nights + count) / 2
    b = nights * spread**2 / 2 + ((values - mean) ** 2).sum() / 2
    b += worth * count / (worth + count) * (mean - mean0) ** 2 / 2
    sd = np.sqrt(b / rng.gamma(a, 1.0, draws))
    centre = (worth * mean0 + count * mean) / (worth + count)
    return centre + sd / np.sqrt(worth + count) * rng.standard_normal(draws), sd


@dataclass(frozen=True, slots=True)
class DriftFit:
    """How frames bear their predicted trail: points of the posterior with their weights."""

    log_factor: Floats
    """Of the trail borne over the limit in force."""
    log_scatter: Floats
    weight: Floats

    def draws(self, count: int, rng: np.random.Generator) -> tuple[Floats, Floats]:
        """Points of the posterior, shape (count,) each."""
        rows = rng.choice(len(self.weight), count, p=self.weight)
        return self.log_factor[rows], np.exp(self.log_scatter[rows])

    @property
    def factor(self) -> float:
        """Its median."""
        order = np.argsort(self.log_factor, kind="stable")
        place = np.searchsorted(np.cumsum(self.weight[order]), 0.5)
        return float(np.exp(self.log_factor[order][place]))


def held(log_trail: Floats, log_limit: Floats, log_factor: Floats, scatter: Floats) -> Floats:
    """Chance that a predicted trail is borne."""
    return np.asarray(ndtr((log_limit + log_factor - log_trail) / scatter))


def fit_drift(
    spared: Floats, judged: Floats, log_trail: Floats, log_limit: Floats, measured: bool
) -> DriftFit:
    """Hold predicted trails against what was lost to drift.

    Parameters
    ----------
    spared, judged : ndarray, shape (runs,)
        Frames not lost to drift, of so many.
    log_trail : ndarray, shape (runs, turns, phases)
        Predicted trails as they may be: the frames of a run share the turn, not the phase.
    log_limit : ndarray, shape (runs,)
        Of the trail that is kept, in the same unit.
    measured : bool
        Whether mount fits tell the faults.
    """
    mean, sd = LOG_FACTOR if measured else LOG_FACTOR_UNMEASURED
    factor, scatter = (
        part.ravel()
        for part in np.meshgrid(
            mean + sd * _FACTORS, LOG_SCATTER[0] + LOG_SCATTER[1] * _SCATTERS, indexing="ij"
        )
    )
    log_post = -((factor - mean) ** 2) / (2 * sd**2)
    log_post = log_post - (scatter - LOG_SCATTER[0]) ** 2 / (2 * LOG_SCATTER[1] ** 2)
    for n in range(len(factor)) if len(spared) else ():
        each = held(log_trail, log_limit[:, None, None], factor[n], np.exp(scatter[n]))
        chance = np.clip(each.mean(axis=2), 1e-6, 1 - 1e-6)
        row = xlogy(spared[:, None], chance) + xlog1py((judged - spared)[:, None], -chance)
        log_post[n] += logsumexp(row, axis=1).sum()
    weight = np.exp(log_post - log_post.max())
    return DriftFit(factor, scatter, weight / weight.sum())
