"""Runs of a season -> how the rig's hit rate depends on lens and exposure.

A frame is kept when four things go well; each is fitted from the frames that those before it
spared:

1. *Drift* (axis, rate, periodic error, refraction): physics. The trail that the nights'
   measured faults predict is held against the limit in force (`drift`), with a correction
   where the season has evidence.
2. *A loose head* (slip): so many slips a minute of exposure, seen by the arcsec they take.
3. *Events* (gusts, knocks): so many a minute, and more of them are seen the fewer arcsec the
   limit leaves beside the drift. A gust is a part of a long exposure, so that its minutes
   need not add up in full: the power of the exposure is fitted too.
4. *The rest* (focus, optics, unexplained, a tracker left off): a share of all frames.

The last three have a random effect of the night (`mixed_model`). By the chain rule of chances
the product is the hit rate, in whatever order causes are looked at. All of it has priors wide
enough for any small tracker, so that the first night already gives an answer, with the
interval that it deserves. What the counted frames say against all that, and what no count tells
where none was made, is a smooth correction of the whole (`discrepancy`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import expit, ndtri
from scipy.stats import qmc

from skyplumb.causes import CAUSES, Comes, Where
from skyplumb.season.discrepancy import Discrepancy, discrepancy
from skyplumb.season.drift import (
    DriftFit,
    Faults,
    fit_drift,
    held,
    one_a_night,
    population,
    refraction_arcsec_min,
    trail_arcsec,
)
from skyplumb.season.mixed_model import LOGIT, SPREAD, SURVIVAL, Mixed, Prior, fit_mixed

Floats = NDArray[np.float64]

DRIFT = tuple(row.name for row in CAUSES.values() if row.comes is Comes.STEADILY)
_HAPPENS = [row for row in CAUSES.values() if row.comes is Comes.IN_EVENTS]
SLIPS = tuple(row.name for row in _HAPPENS if row.where is Where.MOUNT)
EVENTS = tuple(row.name for row in _HAPPENS if row.where is not Where.MOUNT)

EVENT_PRIORS = (Prior(-3.5, 1.2), Prior(1.3, 0.35), Prior(0.5, 0.2), Prior(-0.3, 0.2))
"""log(events per minute) that 10 arcsec do not hide; power of the arcsec: 0 would be gusts that
every lens sees, 2 gusts whose size has a heavy tail; how much that power grows, 1/2 for sizes
that are log-normal with a spread of 1; what the power of the exposure is more than 1: a gust of
a few seconds is diluted in a long exposure's moments."""
EVENT_SPREAD = Prior(float(np.log(0.6)), 0.4)
"""Of the logarithm of the nights' spread: wind differs by a factor of two and more."""
EVENT_ROOM_ARCSEC = 10.0
SLIP_PRIORS = (Prior(-6.0, 1.2),)
"""log(slips per minute of exposure that 10 arcsec do not hide)."""
REST_PRIORS = (Prior(3.7, 1.2),)
"""Log odds of no other loss: 80 % to 99.8 %."""
MOST = 30.0
"""Logarithm of events that no frame survives."""
LEAST_ROOM = 0.3
"""Share of the limit that is left for a gust at least: frames that drift took are gone anyway."""

FEWEST_NIGHTS = 1
DRAWS = 300
QUICK_DRAWS = 60
POINTS = 128
"""Nights, targets and frames that each draw is averaged over."""
TURNS, PHASES = 16, 4
MOST_TARGETS = 512
SEED = 20


@dataclass(frozen=True, slots=True)
class Counts:
    """What became of the frames of each run; all arrays of one length."""

    night: NDArray[np.intp]
    scale: Floats
    exposure_s: Floats
    dec_deg: Floats
    """0 where unknown."""
    altitude_deg: Floats
    """NaN where unknown."""
    focal_mm: Floats
    limit_px: Floats
    """Longest trail that is kept."""
    drift: Floats
    slips: Floats
    events: Floats
    rest: Floats
    keep: Floats
    faults: Faults
    """Of each run; NaN where no mount fit tells."""

    @property
    def judged(self) -> Floats:
        return self.drift + self.slips + self.events + self.rest + self.keep

    @property
    def measured(self) -> bool:
        """Whether a mount fit tells the faults of any run."""
        return bool(self.faults.known.any())

    def at(self, rows: NDArray[np.intp]) -> Counts:
        """Some of the runs."""
        names = [field.name for field in fields(self) if field.name != "faults"]
        picked = {name: getattr(self, name)[rows] for name in names}
        return Counts(**picked, faults=self.faults.at(rows))


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
class Spreads:
    """What is thought of the spread of nights before any was seen; logarithms of standard
    deviations."""

    slips: Prior = SPREAD
    events: Prior = EVENT_SPREAD
    rest: Prior = SPREAD


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

    @property
    def measured(self) -> bool:
        return len(self.faults) > 0

    @property
    def events_per_min(self) -> tuple[float, float, float]:
        """Gusts and knocks a minute that `EVENT_ROOM_ARCSEC` do not hide, with the interval."""
        spread = 1.96 * np.sqrt(self.events.covariance[0, 0])
        at = self.events.params[0]
        low, middle, high = np.exp([at - spread, at, at + spread])
        return float(middle), float(low), float(high)

    def expected(self, counts: Counts) -> Floats:
        """The hit rate of each run alone, all its targets taken as the season's, shape (runs,)."""
        cells = np.stack([np.round(np.log(counts.scale), 2), counts.exposure_s, counts.limit_px])
        kinds, place = np.unique(cells, axis=1, return_inverse=True)
        ahead = _Ahead(self, QUICK_DRAWS, np.nan, Better())
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
        ahead = _Ahead(self, draws, dec_deg, better or Better())
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


class _Ahead:
    """Nights that may come: draws of what is not sure, and points of what comes by chance."""

    def __init__(self, rig: Rig, draws: int, dec_deg: float, better: Better) -> None:
        rng = np.random.default_rng(SEED)
        # A net of evenly spread points; half a step keeps them off the ends.
        net = qmc.Sobol(9, scramble=False).random(POINTS) + 0.5 / POINTS
        axis, rate, gusts, slips, rest = ndtri(net[:, :5]).T
        turn, way, phase = 2 * np.pi * net[:, 5:8].T
        target = (net[:, 8] * len(rig.targets[0])).astype(np.intp)
        self.dec_deg = rig.targets[0][target] if np.isnan(dec_deg) else np.full(POINTS, dec_deg)
        size = refraction_arcsec_min(rig.targets[1][target])
        self.chance = (turn, phase, (size * np.cos(way), size * np.sin(way)))
        people = population(rig.faults, rig.finest_arcsec_px, draws, rng)
        faults = people.nights(axis, rate)
        still = np.zeros_like(faults.axis_arcmin)
        if better.all_fixed:
            faults = Faults(still, still, faults.periodic_arcsec, faults.period_s)
        elif np.isfinite(better.axis_arcmin):
            exact = still + better.axis_arcmin
            faults = Faults(exact, faults.rate_ppm, faults.periodic_arcsec, faults.period_s)
        self.faults = faults
        factor, scatter = rig.drift.draws(draws, rng)
        self.factor, self.scatter = factor[:, None], scatter[:, None]
        parts = [part.draws(draws, rng) for part in (rig.slips, rig.events, rig.rest)]
        self.slips, self.events, self.rest = parts
        self.log_slips = self.slips[:, :1] + np.exp(self.slips[:, -1:]) * slips
        if better.all_fixed:
            self.log_slips = self.log_slips - np.inf
        self.log_gusts = self.events[:, :1] + np.exp(self.events[:, -1:]) * gusts
        self.fine = expit(self.rest[:, :1] + np.exp(self.rest[:, -1:]) * rest)

    def rate(self, scale: float, exposure_s: float, limit_px: float) -> Floats:
        """Hit rate of each draw, shape (draws,)."""
        return np.asarray(self.chances(scale, exposure_s, limit_px).mean(axis=1))

    def chances(self, scale: float, exposure_s: float, limit_px: float) -> Floats:
        """The same night by night, shape (draws, POINTS)."""
        time = np.full(1, exposure_s)
        trail = trail_arcsec(self.faults, time, self.dec_deg, *self.chance)
        limit = limit_px * scale
        good = held(np.log(trail), np.log(limit), self.factor, self.scatter)
        minutes = exposure_s / 60
        slips = np.exp(np.minimum(self.log_slips, MOST)) * minutes * EVENT_ROOM_ARCSEC / limit
        power, bend = np.maximum(self.events[:, 1:2], 0), np.maximum(self.events[:, 2:3], 0)
        longer = np.maximum(self.events[:, 3:4], -0.95)
        room = np.log(EVENT_ROOM_ARCSEC / _room_arcsec(trail, limit))
        room = np.where(room > 0, power * room, power * room - bend * room**2)
        gusts = np.exp(np.minimum(self.log_gusts + room + longer * np.log(minutes), MOST)) * minutes
        return np.asarray(good * np.exp(-slips - gusts) * self.fine)


def _room_arcsec(trail_arcsec: Floats, limit_arcsec: Floats | float) -> Floats:
    """What the limit leaves for a gust beside the drift: variances add."""
    left = np.maximum(1 - (trail_arcsec / limit_arcsec) ** 2, LEAST_ROOM**2)
    return np.asarray(limit_arcsec * np.sqrt(left))


def counts_of(frames: pd.DataFrame, runs: pd.DataFrame) -> Counts:
    """Sort the frames of each run by what became of them.

    Runs without scale or exposure are left out, and frames lost to what is not the gear.
    """
    ours = frames[~frames["excluded"]]
    cause = ours["cause"].astype(str)
    lost = ours["verdict"] != "keep"
    fate = pd.DataFrame(
        {
            "keep": ~lost,
            "drift": lost & cause.isin(DRIFT),
            "slips": lost & cause.isin(SLIPS),
            "events": lost & cause.isin(EVENTS),
        }
    )
    fate["rest"] = ~fate.any(axis=1)
    table = fate.groupby(ours["run_id"]).sum().join(runs)
    table = table[(table["scale_arcsec_px"] > 0) & (table["setting_s"] > 0)]
    table = table[table["tracked"].astype(bool)]

    def column(name: str, unknown: float = np.nan) -> Floats:
        return np.asarray(table[name].fillna(unknown), float)

    return Counts(
        night=np.asarray(pd.factorize(table["night"].astype(str))[0], np.intp),
        scale=column("scale_arcsec_px"),
        exposure_s=column("setting_s"),
        dec_deg=column("dec_deg", 0.0),
        altitude_deg=column("altitude_deg"),
        focal_mm=column("focal_mm"),
        limit_px=column("trail_limit_px"),
        drift=column("drift"),
        slips=column("slips"),
        events=column("events"),
        rest=column("rest"),
        keep=column("keep"),
        faults=Faults(
            column("axis_total_error_arcmin"),
            column("rate_error_ppm"),
            column("periodic_amplitude_arcsec"),
            column("periodic_period_s"),
        ),
    )


def fit_rig(counts: Counts, spreads: Spreads | None = None) -> Rig:
    """Fit the four parts, one after the other, then what they leave."""
    spreads = spreads or Spreads()
    nights = one_a_night(counts.night, counts.faults)
    finest = float(counts.scale.min())
    trail = _predicted(counts, nights, finest)
    limit = counts.limit_px * counts.scale
    fitted = counts.faults.known if counts.measured else np.ones(len(limit), bool)
    spared = counts.judged - counts.drift
    steady = spared - counts.slips
    calm = steady - counts.events
    ones = np.ones(len(limit))
    minutes = counts.exposure_s / 60
    # Half of a run's frames have less trail than that.
    room = _room_arcsec(np.median(trail, axis=(1, 2)), limit)

    def fit(
        link: str,
        success: Floats,
        total: Floats,
        columns: Sequence[Floats],
        priors: Sequence[Prior],
        offset: Floats,
        spread: Prior,
    ) -> Mixed:
        there = total > 0
        design = np.stack([column[there] for column in columns], axis=1)
        night = counts.night[there]
        return fit_mixed(
            link, success[there], total[there], design, night, priors, offset[there], spread
        )

    seen = np.log(EVENT_ROOM_ARCSEC / room)
    of_events = (ones, seen, -(np.minimum(seen, 0) ** 2), np.log(minutes))
    rig = Rig(
        drift=fit_drift(
            spared[fitted],
            counts.judged[fitted],
            np.log(trail[fitted]),
            np.log(limit[fitted]),
            counts.measured,
        ),
        slips=fit(
            SURVIVAL,
            steady,
            spared,
            (ones,),
            SLIP_PRIORS,
            np.log(minutes * EVENT_ROOM_ARCSEC / limit),
            spreads.slips,
        ),
        events=fit(
            SURVIVAL, calm, steady, of_events, EVENT_PRIORS, np.log(minutes), spreads.events
        ),
        rest=fit(LOGIT, counts.keep, calm, (ones,), REST_PRIORS, 0 * ones, spreads.rest),
        faults=nights,
        targets=_targets(counts),
        limit_px=_most(counts.limit_px, counts.judged),
        finest_arcsec_px=finest,
        nights=len(np.unique(counts.night)),
        left=Discrepancy(np.zeros((0, 2)), np.zeros(0), np.zeros(0)),
    )
    return replace(rig, left=_left(rig, counts))


def _left(rig: Rig, counts: Counts) -> Discrepancy:
    """What the fitted physics leaves of the cells audited."""
    cells = np.stack([np.round(np.log(counts.scale), 2), counts.exposure_s, counts.limit_px])
    kinds, place = np.unique(cells, axis=1, return_inverse=True)
    place = place.reshape(-1)
    ahead = _Ahead(rig, QUICK_DRAWS, np.nan, Better())
    many = np.stack([ahead.chances(float(np.exp(s)), t, limit) for s, t, limit in kinds.T])
    return discrepancy(
        np.stack([kinds[0], np.log(kinds[1])], axis=1),
        np.bincount(place, counts.keep).astype(float),
        np.bincount(place, counts.judged).astype(float),
        np.bincount(place).astype(float),
        many.mean(axis=(1, 2)),
        many.std(axis=2).mean(axis=1),
    )


def _predicted(counts: Counts, nights: Faults, finest: float) -> Floats:
    """Trails that each run may have had, arcsec, shape (runs, turns, phases)."""
    usual = population(nights, finest, 1000, np.random.default_rng(SEED))
    seen = np.isfinite(nights.periodic_arcsec).any()

    def known(values: Floats, otherwise: float) -> Floats:
        return np.where(np.isfinite(values), values, otherwise)[:, None, None]

    faults = counts.faults
    amplitude = float(np.median(usual.periodic)) if seen else 0.0
    full = Faults(
        known(faults.axis_arcmin, float(np.sqrt(np.median(usual.axis_square)))),
        known(faults.rate_ppm, float(np.median(usual.rate))),
        known(faults.periodic_arcsec, amplitude),
        known(faults.period_s, float(np.median(usual.period_s))),
    )
    turn = 2 * np.pi * (np.arange(TURNS)[:, None] + 0.5) / TURNS
    # Steps of the golden angle lie against the turn in every way.
    way = np.pi * (3 - np.sqrt(5)) * np.arange(TURNS)[:, None]
    phase = 2 * np.pi * (np.arange(PHASES) + 0.5) / PHASES
    size = refraction_arcsec_min(counts.altitude_deg)[:, None, None]
    time, dec = counts.exposure_s[:, None, None], counts.dec_deg[:, None, None]
    return trail_arcsec(full, time, dec, turn, phase, (size * np.cos(way), size * np.sin(way)))


def _targets(counts: Counts) -> tuple[Floats, Floats]:
    """Declination and altitude of evenly chosen frames."""
    wanted = (np.arange(MOST_TARGETS) + 0.5) / MOST_TARGETS * counts.judged.sum()
    order = np.argsort(counts.dec_deg, kind="stable")
    there = np.cumsum(counts.judged[order])
    rows = order[np.minimum(np.searchsorted(there, wanted), len(order) - 1)]
    return counts.dec_deg[rows], counts.altitude_deg[rows]


def _most(values: Floats, weight: Floats) -> float:
    """The value with most weight."""
    kinds, place = np.unique(values, return_inverse=True)
    return float(kinds[np.argmax(np.bincount(place, weight))])
