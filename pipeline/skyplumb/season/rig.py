"""The model of the rig: hit rates at any scale and exposure, of nights that may come.

What is not sure (the parameters) is drawn, what comes by chance (nights, targets, phases) is
averaged over evenly spread points, and what physics leaves is added last (`discrepancy`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, ndtri

from skyplumb.season.discrepancy import Discrepancy
from skyplumb.season.drift import (
    DriftFit,
    Faults,
    held,
    population,
    refraction_arcsec_min,
    trail_arcsec,
)
from skyplumb.season.lattice import lattice
from skyplumb.season.mixed_model import Mixed

Floats = NDArray[np.float64]

SLIP_ROOM_ARCSEC = 10.0
GUST_ARCSEC = 10.0
"""Size of the gusts whose number is told."""
GUST_S = 4.0
"""How long a gust pushes: a few seconds, ours, no source."""
MOST = 30.0
"""Logarithm of events that no frame survives."""
LEAST_ROOM = 0.3
"""Share of the limit that is left for a gust at least: frames that drift took are gone anyway."""
DRAWS = 300
QUICK_DRAWS = 60
POINTS = 128
"""Nights, targets and frames that each draw is averaged over."""
SEED = 20
OWN_WAY_RAD = 0.35
"""How far the axis errors of two nights that point alike are apart, 20 degrees, ours."""


@dataclass(frozen=True, slots=True)
class Rate:
    """A hit rate with its 95 % interval; arrays of the shape that was asked for."""

    middle: Floats
    """The median of what it may be: as likely too high as too low, whatever it is asked for."""
    low: Floats
    high: Floats
    draws: Floats
    """Shape (draws, ...): the hit rate as it may be in truth."""


@dataclass(frozen=True, slots=True)
class Better:
    """What to forecast with instead of the nights' own faults."""

    axis_arcmin: float = np.nan
    """NaN for that of the nights."""
    all_fixed: bool = False
    """Perfect axis, rate and balance, a head that holds: what no adjustment takes remains."""


@dataclass(frozen=True, slots=True)
class Rig:
    """The physical model."""

    drift: DriftFit
    slips: Mixed
    """Of nights with a slip."""
    slipping: tuple[float, float]
    """Parameters of the beta law of the share of nights with one."""
    events: Mixed
    rest: Mixed
    faults: Faults
    """One a night, of those that have a mount fit."""
    targets: tuple[Floats, Floats]
    """Declination and altitude of the season's runs, each as often as it has frames."""
    limit_px: float
    """That of most frames."""
    finest_arcsec_px: float
    nights: int
    left: Discrepancy
    """What physics leaves of the hit rates counted."""
    axis_ways_rad: Floats
    """Hour angle that is to be added to a target's to count it from where the axis error points,
    night by night; empty where no night knows it."""

    @property
    def measured(self) -> bool:
        return len(self.faults) > 0

    @property
    def events_per_min(self) -> tuple[float, float, float]:
        """Gusts and knocks a minute of over `GUST_ARCSEC`, with the interval."""
        spread = 1.96 * np.sqrt(self.events.covariance[0, 0])
        at = self.events.params[0]
        low, middle, high = np.exp([at - spread, at, at + spread])
        return float(middle), float(low), float(high)

    def expected(self, scale: Floats, exposure_s: Floats, limit_px: Floats) -> Floats:
        """Hit rates of single runs, all their targets taken as the season's, shape (runs,)."""
        cells = np.stack([np.round(np.log(scale), 2), exposure_s, limit_px])
        kinds, place = np.unique(cells, axis=1, return_inverse=True)
        ahead = Ahead(self, QUICK_DRAWS)
        many = [ahead.rate(float(np.exp(s)), t, limit) for s, t, limit in kinds.T]
        told = self.left.applied(np.stack(many, axis=1), np.exp(kinds[0]), kinds[1])
        return np.asarray(told.mean(axis=0)[place.reshape(-1)])

    def rate(
        self,
        scale: Floats | float,
        exposure_s: Floats | float,
        dec_deg: float = np.nan,
        better: Better | None = None,
        draws: int = DRAWS,
        limit_px: float = np.nan,
    ) -> Rate:
        """Hit rate over all nights at some scales (arcsec/px) and exposures, broadcast.

        NaN for the declination is the targets of the season, for the limit that of the season.
        """
        scale, exposure_s = np.broadcast_arrays(
            np.asarray(scale, float), np.asarray(exposure_s, float)
        )
        limit = limit_px if np.isfinite(limit_px) else self.limit_px
        ahead = Ahead(self, draws, dec_deg, better)
        many = np.stack(
            [
                ahead.rate(s, t, limit)
                for s, t in zip(scale.ravel(), exposure_s.ravel(), strict=True)
            ],
            axis=1,
        )
        many = self.left.applied(many, scale.ravel(), exposure_s.ravel())
        low, middle, high = np.percentile(many, [2.5, 50, 97.5], axis=0)
        shape = scale.shape
        return Rate(
            middle.reshape(shape),
            low.reshape(shape),
            high.reshape(shape),
            many.reshape(draws, *shape),
        )


@dataclass(frozen=True, slots=True)
class Aim:
    """One target at some moments of a night, instead of those of the season."""

    dec_deg: float
    hour_angle_rad: Floats
    """Shape (n,)."""
    refraction: tuple[Floats, Floats]
    """Drift towards east and north, arcsec a minute."""


@dataclass(frozen=True, slots=True)
class Wind:
    """Where a night stands among all nights by its gusts, in their standard deviations."""

    middle: float
    sd: float


class Ahead:
    """Nights that may come: draws of what is not sure, and points of what comes by chance."""

    def __init__(
        self,
        rig: Rig,
        draws: int,
        dec_deg: float = np.nan,
        better: Better | None = None,
        aim: Aim | None = None,
        wind: Wind | None = None,
        net: Floats | None = None,
    ) -> None:
        """`net` has a row for each night and frame, shape (n, 9) in 0..1: axis, rate, gusts, slips,
        rest, axis' direction, refraction's direction, phase, target or moment."""
        better = better or Better()
        rng = np.random.default_rng(SEED)
        if net is None:
            net = lattice(POINTS, 9)
        axis, rate, gusts, _, rest = ndtri(net[:, :5]).T
        turn, way, phase = 2 * np.pi * net[:, 5:8].T
        if wind is not None:
            gusts = wind.middle + wind.sd * gusts
        if aim is None:
            target = (net[:, 8] * len(rig.targets[0])).astype(np.intp)
            self.dec_deg = rig.targets[0][target]
            if np.isfinite(dec_deg):
                self.dec_deg = np.full(len(net), dec_deg)
            size = refraction_arcsec_min(rig.targets[1][target])
            refraction = (size * np.cos(way), size * np.sin(way))
        else:
            moment = (net[:, 8] * len(aim.hour_angle_rad)).astype(np.intp)
            self.dec_deg = np.full(len(net), aim.dec_deg)
            refraction = (aim.refraction[0][moment], aim.refraction[1][moment])
            turn = aim.hour_angle_rad[moment] + _directions(rig.axis_ways_rad, net[:, 5])
        self.chance = (turn, phase, refraction)
        people = population(rig.faults, rig.finest_arcsec_px, draws, rng)
        faults = people.nights(axis, rate)
        still = np.zeros_like(faults.axis_arcmin)
        if better.all_fixed:
            faults = Faults(still, still, faults.periodic_arcsec, faults.period_s)
        elif np.isfinite(better.axis_arcmin):
            exact = still + better.axis_arcmin
            faults = Faults(exact, faults.rate_ppm, faults.periodic_arcsec, faults.period_s)
        self.faults = faults
        self._trails: dict[float, tuple[Floats, Floats]] = {}
        factor, scatter = rig.drift.draws(draws, rng)
        self.factor, self.scatter = factor[:, None], scatter[:, None]
        parts = [part.draws(draws, rng) for part in (rig.slips, rig.events, rig.rest)]
        self.slips, self.events, self.rest = parts
        loose = 0.0 if better.all_fixed else rng.beta(*rig.slipping, draws)[:, None]
        self.slips_per_min = _slips_per_min(self.slips, loose, net[:, 3])
        self.log_gusts = self.events[:, :1] + np.exp(self.events[:, -1:]) * gusts
        self.fine = expit(self.rest[:, :1] + np.exp(self.rest[:, -1:]) * rest)

    def rate(self, scale: float, exposure_s: float, limit_px: float) -> Floats:
        """Hit rate of each draw, shape (draws,)."""
        return np.asarray(self.chances(scale, exposure_s, limit_px).mean(axis=1))

    def chances(self, scale: float, exposure_s: float, limit_px: float) -> Floats:
        """The same point by point, shape (draws, points)."""
        trail, log_trail = self._trail(exposure_s)
        limit = limit_px * scale
        good = held(log_trail, np.log(limit), self.factor, self.scatter)
        minutes = exposure_s / 60
        slips = self.slips_per_min * minutes * SLIP_ROOM_ARCSEC / limit
        power, bend = np.maximum(self.events[:, 1:2], 0), np.maximum(self.events[:, 2:3], 0)
        size = log_gust(trail, limit, exposure_s)
        more = np.where(size < 0, -power * size, -power * size - bend * size**2)
        gusts = np.exp(np.minimum(self.log_gusts + more, MOST)) * minutes
        return np.asarray(good * np.exp(-slips - gusts) * self.fine)

    def _trail(self, exposure_s: float) -> tuple[Floats, Floats]:
        """What the mount draws, arcsec, and its logarithm; the same whatever the lens."""
        if exposure_s not in self._trails:
            time = np.full(1, exposure_s)
            trail = trail_arcsec(self.faults, time, self.dec_deg, *self.chance)
            self._trails[exposure_s] = trail, np.log(trail)
        return self._trails[exposure_s]


def log_gust(
    trail_arcsec: Floats, limit_arcsec: Floats | float, exposure_s: Floats | float
) -> Floats:
    """Logarithm of the largest gust that a frame bears beside its drift, over `GUST_ARCSEC`.

    Variances add. A push of s arcsec for a share p of the exposure has s^2 p (1 - p), an even
    trail L^2 / 12: the longer the exposure, the less of the star's light a gust displaces, and
    the larger one it bears.
    """
    left = np.maximum(1 - (trail_arcsec / limit_arcsec) ** 2, LEAST_ROOM**2)
    share = GUST_S / (GUST_S + exposure_s)
    borne = limit_arcsec * np.sqrt(left / (12 * share * (1 - share)))
    return np.asarray(np.log(borne / GUST_ARCSEC))


def _slips_per_min(fitted: Floats, loose: Floats | float, at: Floats) -> Floats:
    """Slips of nights by a number in 0..1, shape (draws, points): none but of the share `loose`."""
    inside = np.clip((at - 1 + loose) / np.maximum(loose, 1e-9), 0.0, 1 - 1e-3)
    log_slips = fitted[:, :1] + np.exp(fitted[:, -1:]) * ndtri(np.maximum(inside, 1e-3))
    return np.asarray(np.where(inside > 0, np.exp(np.minimum(log_slips, MOST)), 0.0))


def _directions(known_rad: Floats, at: Floats) -> Floats:
    """Where axis errors point, by a number in 0..1: as on each of the nights known, about as often
    anywhere as on one of them."""
    part = at * (len(known_rad) + 1)
    which = np.minimum(part.astype(np.intp), len(known_rad))
    inside = np.clip(part - which, 1e-3, 1 - 1e-3)
    own = np.append(known_rad, 0.0)[which] + OWN_WAY_RAD * ndtri(inside)
    return np.asarray(np.where(which < len(known_rad), own, 2 * np.pi * inside))
