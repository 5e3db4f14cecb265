"""A mount's fit -> how long a lens can expose before its stars trail: here, and anywhere up.

Goes in: how the camera turns beyond the sky (axis, rate, periodic error), where it looks, and the
trail that the rules keep. Comes out: the exposure at which the trail meets the limit. A star in
direction s drifts by w x s where w is the rotation beyond the sky; refraction is added in length,
since how it lies against the drift is not followed here.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from skyplumb.calibrate.sky import SIDEREAL_RATE_ARCSEC_S
from skyplumb.judge.mount import MountFit
from skyplumb.records import NAN
from skyplumb.season.drift import Faults, refraction_arcsec_min, trail_arcsec

Floats = NDArray[np.float64]

ARCSEC_MIN = 60 * SIDEREAL_RATE_ARCSEC_S
"""Of a drift a minute, for a rotation of the sky's own speed."""
LONGEST_S = 1800.0
"""Longer exposures are not told; the forecast's own end."""
LOWEST_DEG = 30.0
"""Nobody who can choose aims lower (common practice, no source)."""
_LOWEST_SINE = float(np.sin(np.radians(LOWEST_DEG)))
SURE_SIGMAS = 2.0
_TIMES_S = np.geomspace(1.0, LONGEST_S, 600)
_PHASES = 2 * np.pi * np.arange(16) / 16
_COMPASS = (
    "north",
    "north-east",
    "east",
    "south-east",
    "south",
    "south-west",
    "west",
    "north-west",
)


@dataclass(frozen=True, slots=True)
class KnownLens:
    """A lens of a season, by what its exposures are limited."""

    name: str
    focal_mm: float
    scale_arcsec_px: float
    limit_px: float


@dataclass(frozen=True, slots=True)
class Longest:
    """Longest exposures of one lens, s, from the start on without a trail past the limit."""

    lens: str
    focal_mm: float
    limit_px: float
    """Longest trail that is kept."""
    here_s: float = NAN
    """At the target, by the drift as it was found."""
    here_sure_s: float = NAN
    """With the drift `SURE_SIGMAS` of its errors longer."""
    worst_s: float = NAN
    """In the worst direction over `LOWEST_DEG`."""
    worst_toward: str = ""
    turned_here_s: float = NAN
    """At the target, once the axis is turned as it is told; NaN where no turn is."""
    turned_worst_s: float = NAN


@dataclass(frozen=True, slots=True)
class Beyond:
    """How the camera turns beyond the sky, over the sky's own rate."""

    rate: Floats
    """Shape (3,): two parts of the axis error, rad, and the rate's."""
    covariance: Floats
    latitude_deg: float = NAN
    """NaN where directions are not held against the Earth."""
    periodic_arcsec: float = 0.0
    period_s: float = 600.0
    slip_arcsec_min: float = 0.0
    """How fast a head that slips carries the picture; added in length, as refraction is."""

    def without(self, *parts: int) -> Beyond:
        """The same with some parts of the axis error put right; their errors remain."""
        rate = self.rate.copy()
        rate[list(parts)] = 0.0
        return replace(self, rate=rate)

    def drift_arcsec_min(self, forward: Floats) -> Floats:
        """Of stars in some directions, shape (..., 3)."""
        return np.asarray(ARCSEC_MIN * np.cross(self.rate, forward))

    def drift_sigma_arcsec_min(self, forward: Floats) -> float:
        """Error of its length in one direction."""
        drift = self.drift_arcsec_min(forward)
        size = float(np.linalg.norm(drift))
        across = np.cross(np.eye(3), forward).T  # drift = across @ rate
        covariance = ARCSEC_MIN**2 * across @ self.covariance @ across.T
        if size < 1e-9:
            return float(np.sqrt(np.trace(covariance) / 2))
        way = drift / size
        return float(np.sqrt(max(float(way @ covariance @ way), 0.0)))

    def worst(self) -> tuple[Floats, float, str]:
        """The direction over `LOWEST_DEG` in which stars trail soonest, its altitude, and where it
        is; without the Earth any direction across the rotation will do."""
        if not np.isfinite(self.latitude_deg):
            across = np.cross(self.rate, [0.0, 0.0, 1.0])
            size = np.linalg.norm(across)
            return (across / size if size > 0 else np.eye(3)[0]), LOWEST_DEG, ""
        phi = np.radians(self.latitude_deg)
        sine: Floats = _SPHERE @ np.array([np.cos(phi), 0.0, np.sin(phi)])
        high = sine >= _LOWEST_SINE
        some, altitude = _SPHERE[high], np.degrees(np.arcsin(np.clip(sine[high], -1, 1)))
        speed = np.linalg.norm(self.drift_arcsec_min(some), axis=1)
        place = int(np.argmax(speed + refraction_arcsec_min(altitude)))
        north = float(some[place] @ np.array([-np.sin(phi), 0.0, np.cos(phi)]))
        azimuth = np.degrees(np.arctan2(some[place][1], north)) % 360
        return some[place], float(altitude[place]), toward(float(azimuth))

    def longest_s(
        self, limit_arcsec: float, forward: Floats, altitude_deg: float, sigmas: float = 0.0
    ) -> float:
        """How long a star there may be exposed, s, `LONGEST_S` at most; NaN without a limit."""
        if not limit_arcsec > 0:
            return NAN
        drift = self.drift_arcsec_min(forward)
        size = float(np.linalg.norm(drift))
        longer = size + float(refraction_arcsec_min(np.array(altitude_deg))) + self.slip_arcsec_min
        longer += sigmas * self.drift_sigma_arcsec_min(forward)
        east = np.cross([0.0, 0.0, 1.0], forward)
        cos_dec = float(np.linalg.norm(east))
        # A drift that is none at all lies along right ascension, as a periodic error does.
        share = abs(float(drift @ east)) / (size * cos_dec) if size * cos_dec > 0 else 1.0
        along, nothing = longer * min(share, 1.0), np.zeros(1)
        across = float(np.sqrt(max(longer**2 - along**2, 0.0)))
        swing = np.full(1, self.periodic_arcsec), np.full(1, self.period_s)
        worst = trail_arcsec(
            Faults(nothing, nothing, *swing),
            _TIMES_S[:, None],
            np.degrees(np.arctan2(forward[2:], cos_dec)),
            nothing,
            _PHASES[None],
            (np.full(1, along), np.full(1, across)),
        ).max(axis=1)
        over = np.flatnonzero(worst > limit_arcsec)
        if len(over) == 0:
            return LONGEST_S
        first = int(over[0])
        if first == 0:
            return float(limit_arcsec / worst[0])
        part = (limit_arcsec - worst[first - 1]) / (worst[first] - worst[first - 1])
        return float(_TIMES_S[first - 1] + part * (_TIMES_S[first] - _TIMES_S[first - 1]))


def beyond_of(fit: MountFit) -> Beyond | None:
    """Of a mount's fit; None where it tells no number."""
    if fit.why_not or not np.isfinite(fit.axis_rate).all():
        return None
    covariance = fit.covariance.copy()
    if not fit.rate_known:
        covariance[2], covariance[:, 2] = 0.0, 0.0
    slip = 0.0
    if np.isfinite(fit.slip_arcsec_per_min):
        slip = max(fit.slip_arcsec_per_min + fit.slip_before_arcsec_per_min, 0.0)
    latitude = fit.latitude_deg if fit.earth_fixed else NAN
    out = Beyond(fit.axis_rate, covariance, latitude, slip_arcsec_min=slip)
    if fit.periodic is None:
        return out
    return replace(
        out, periodic_arcsec=fit.periodic.amplitude_arcsec, period_s=fit.periodic.period_s
    )


def toward(azimuth_deg: float) -> str:
    """The nearest of eight points of the compass."""
    return _COMPASS[round(azimuth_deg / 45) % 8]


def _sphere(count: int) -> Floats:
    """Directions evenly spread, shape (count, 3): a spiral by the golden angle."""
    up = 1 - 2 * (np.arange(count) + 0.5) / count
    turn = np.pi * (3 - np.sqrt(5)) * np.arange(count)
    flat = np.sqrt(1 - up**2)
    return np.stack([flat * np.cos(turn), flat * np.sin(turn), up], axis=1)


_SPHERE = _sphere(2000)
