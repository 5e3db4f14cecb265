"""Runs of a season -> how the rig's hit rate depends on lens and exposure.

A frame is kept when four things go well; each is fitted from the frames that those before it
spared:

1. *Drift* (axis, rate, periodic error, refraction): physics. The trail that the nights'
   measured faults predict is held against the limit in force (`drift`), with a correction
   where the season has evidence.
2. *A loose head* (slip): it holds all night or it does not; on the share of nights where it does
   not, so many slips a minute of exposure, seen by the arcsec they take.
3. *Events* (gusts, knocks): so many a minute, and the larger the rarer. A gust of a few seconds
   displaces a small share of a long exposure's light, which therefore bears larger ones; the
   drift beside it leaves room for smaller ones (`rig.log_gust`).
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

from skyplumb.causes import CAUSES, Comes, Where
from skyplumb.season.discrepancy import Discrepancy, discrepancy
from skyplumb.season.drift import (
    Faults,
    fit_drift,
    one_a_night,
    population,
    refraction_arcsec_min,
    trail_arcsec,
)
from skyplumb.season.mixed_model import LOGIT, SPREAD, SURVIVAL, Mixed, Prior, fit_mixed
from skyplumb.season.rig import QUICK_DRAWS, SEED, SLIP_ROOM_ARCSEC, Ahead, Rig, log_gust

Floats = NDArray[np.float64]

DRIFT = tuple(row.name for row in CAUSES.values() if row.comes is Comes.STEADILY)
_HAPPENS = [row for row in CAUSES.values() if row.comes is Comes.IN_EVENTS]
SLIPS = tuple(row.name for row in _HAPPENS if row.where is Where.MOUNT)
EVENTS = tuple(row.name for row in _HAPPENS if row.where is not Where.MOUNT)

EVENT_PRIORS = (Prior(-2.8, 1.0), Prior(0.9, 0.5), Prior(0.6, 0.2))
"""log(events per minute) of over 10 arcsec; with which power of their size larger ones are rarer:
0 would be gusts that every lens sees, 2 gusts whose size has a heavy tail; how much that power
grows, 1/2 for sizes that are log-normal with a spread of 1."""
EVENT_SPREAD = Prior(float(np.log(0.6)), 0.4)
"""Of the logarithm of the nights' spread: wind differs by a factor of two and more."""
SLIPPING_PRIOR = (0.2, 2.0)
"""Of the beta law of the share of nights on which the head slips, as if two nights had been seen:
most heads hold, some never do."""
SLIP_PRIORS = (Prior(-2.5, 1.0),)
"""log(slips per minute of exposure that 10 arcsec do not hide) on such a night."""
REST_PRIORS = (Prior(3.7, 1.2),)
"""Log odds of no other loss: 80 % to 99.8 %."""

FEWEST_NIGHTS = 1
TURNS, PHASES = 16, 4
MOST_TARGETS = 512


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
    axis_way_rad: Floats
    """What is to be added to an hour angle to count it from where the axis error points."""

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
class Spreads:
    """What is thought of the spread of nights before any was seen; logarithms of standard
    deviations."""

    slips: Prior = SPREAD
    events: Prior = EVENT_SPREAD
    rest: Prior = SPREAD


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
        # Of a turned axis by u in altitude and v on the sky along the horizon (`trail_arcsec`).
        axis_way_rad=np.arctan2(
            column("axis_az_error_arcmin") * np.cos(np.radians(column("latitude_deg"))),
            column("axis_alt_error_arcmin"),
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
    size = log_gust(np.median(trail, axis=(1, 2)), limit, counts.exposure_s)

    loose = np.unique(counts.night[counts.slips > 0])
    nights_of_all = len(np.unique(counts.night))

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

    of_events = (ones, -size, -(np.maximum(size, 0) ** 2))
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
            np.where(np.isin(counts.night, loose), spared, 0.0),
            (ones,),
            SLIP_PRIORS,
            np.log(minutes * SLIP_ROOM_ARCSEC / limit),
            spreads.slips,
        ),
        slipping=(
            SLIPPING_PRIOR[0] + len(loose),
            SLIPPING_PRIOR[1] + nights_of_all - len(loose),
        ),
        events=fit(
            SURVIVAL, calm, steady, of_events, EVENT_PRIORS, np.log(minutes), spreads.events
        ),
        rest=fit(LOGIT, counts.keep, calm, (ones,), REST_PRIORS, 0 * ones, spreads.rest),
        faults=nights,
        targets=_targets(counts),
        limit_px=_most(counts.limit_px, counts.judged),
        finest_arcsec_px=finest,
        nights=nights_of_all,
        left=Discrepancy(np.zeros((0, 2)), np.zeros(0), np.zeros(0)),
        axis_ways_rad=_ways(counts),
    )
    return replace(rig, left=_left(rig, counts))


def _ways(counts: Counts) -> Floats:
    """Where the axis pointed, night by night, of those that tell."""
    rows = np.flatnonzero(np.isfinite(counts.axis_way_rad))
    first = rows[np.unique(counts.night[rows], return_index=True)[1]]
    return counts.axis_way_rad[first]


def _left(rig: Rig, counts: Counts) -> Discrepancy:
    """What the fitted physics leaves of the cells audited."""
    cells = np.stack([np.round(np.log(counts.scale), 2), counts.exposure_s, counts.limit_px])
    kinds, place = np.unique(cells, axis=1, return_inverse=True)
    place = place.reshape(-1)
    ahead = Ahead(rig, QUICK_DRAWS)
    many = np.stack([ahead.chances(float(np.exp(s)), t, limit) for s, t, limit in kinds.T])
    return discrepancy(
        np.stack([kinds[0], np.log(kinds[1])], axis=1),
        np.bincount(place, counts.keep).astype(float),
        np.bincount(place, counts.judged).astype(float),
        # Of one night, however many runs it is parted into.
        np.bincount(np.unique(np.stack([place, counts.night]), axis=1)[0]).astype(float),
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
