"""Runs of a season -> how the rig's hit rate depends on image scale and exposure.

A frame is kept when three things go well, and each is fitted from the frames that the ones
before it spared:

1. *Drift* (axis, rate, periodic error, refraction). The mount fit of a night predicts the
   trail of a frame: drift times exposure over image scale, and the swing of the periodic
   error. The frame is lost when that passes what the judge lets through; frames differ in
   where they point, so the limit is a log-normal one: a probit on log(predicted trail).
   Without mount fits the predicted trail is that of a drift of 1 arcsec/min.
2. *Events* (gusts, knocks, slips of the head). They come by chance, so many per minute of
   exposure, and more of them are seen at a finer scale: exp(-rate x minutes), the rate a
   power of the image scale.
3. *The rest* (focus, optics, unexplained, a tracker left off): a share of all frames.

Each part has its own random effect of the night (`mixed`). By the chain rule of chances the
product is the hit rate, in whatever order causes are looked at.

Which model is used is decided by leaving nights out: it must foretell them better than a plain
logistic regression on log(focal length x exposure), or the plain one is used and said to be.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from skyplumb.calibrate.sky import SIDEREAL_RATE_ARCSEC_S
from skyplumb.causes import CAUSES, Comes
from skyplumb.season.mixed_model import (
    LOGIT,
    PROBIT,
    SURVIVAL,
    Mixed,
    Prior,
    fit_mixed,
    success_rate,
)

Floats = NDArray[np.float64]

DRIFT = tuple(row.name for row in CAUSES.values() if row.comes is Comes.STEADILY)
EVENTS = tuple(row.name for row in CAUSES.values() if row.comes is Comes.IN_EVENTS)
SIDEREAL_ARCSEC_MIN = 60 * SIDEREAL_RATE_ARCSEC_S
"""Rate of the sky at the equator."""
ARCMIN = np.pi / 180 / 60

DRIFT_PRIORS = (Prior(2.0, 4.0), Prior(2.0, 1.0))
"""Intercept, and steepness against log trail: rates within a night differ by a factor of 1.3 to
several."""
EVENT_PRIORS = (Prior(-4.0, 2.5), Prior(1.0, 1.0))
"""log(events per minute) at the season's middle scale; power of the scale: 0 would be gusts that
every lens sees, 2 gusts whose size has a heavy tail."""
REST_PRIORS = (Prior(4.0, 2.0),)
"""Log odds of no other loss: 50 % to 99.96 %."""

FEWEST_NIGHTS = 3
FEWEST_FITTED = 0.8
"""Share of the frames whose night must have a mount fit for trails to be predicted from them."""
LEAST_SLOPE = 0.05
"""Longer trails never keep more frames."""
MANY_NIGHTS = 200
"""So many nights' faults stand for all of them."""
DRAWS = 1000
SEED = 20


@dataclass(frozen=True, slots=True)
class Faults:
    """A tracker's faults, night by night (arrays of one length), as a mount fit tells them."""

    axis_arcmin: Floats
    rate_ppm: Floats
    periodic_arcsec: Floats
    """Half swing; 0 where none was seen."""
    period_s: Floats
    """1 where there is no periodic error."""

    def __len__(self) -> int:
        return len(self.axis_arcmin)

    def at(self, rows: NDArray[np.intp]) -> Faults:
        """Those of some nights."""
        return Faults(
            self.axis_arcmin[rows],
            self.rate_ppm[rows],
            self.periodic_arcsec[rows],
            self.period_s[rows],
        )

    def some(self, most: int) -> Faults:
        """At most so many nights, spread evenly over all."""
        if len(self) <= most:
            return self
        return self.at(np.linspace(0, len(self) - 1, most).astype(np.intp))

    def with_axis(self, arcmin: float) -> Faults:
        """The same with the axis that far off."""
        return Faults(
            np.full(len(self), float(arcmin)), self.rate_ppm, self.periodic_arcsec, self.period_s
        )

    def trail_px(self, scale: Floats, exposure_s: Floats, dec_deg: Floats | float) -> Floats:
        """Predicted length of the equivalent uniform trail, px; the arrays broadcast.

        The mean square over hour angles: an axis off by a (rad) drifts by omega a times
        cos or sin of the hour angle in declination and that times sin(dec) in right
        ascension; a wrong rate by omega epsilon cos(dec). A sine of half swing A and period P,
        of unknown phase, has the variance A^2 (1 - sinc^2(t/P)) / 2, and a trail L has L^2/12.
        """
        sin2 = np.sin(np.radians(dec_deg)) ** 2
        minutes = exposure_s / 60
        axis2 = (SIDEREAL_ARCSEC_MIN * self.axis_arcmin * ARCMIN) ** 2 * (1 + sin2) / 2
        rate2 = (SIDEREAL_ARCSEC_MIN * self.rate_ppm * 1e-6) ** 2 * (1 - sin2)
        swing = self.periodic_arcsec**2 * (1 - np.sinc(exposure_s / self.period_s) ** 2)
        return np.asarray(
            np.sqrt((axis2 + rate2) * minutes**2 + 6 * swing * (1 - sin2) + 1e-12) / scale
        )


UNIT_DRIFT = Faults(np.zeros(1), np.full(1, 1e6 / SIDEREAL_ARCSEC_MIN), np.zeros(1), np.ones(1))
"""One arcsecond a minute at the equator: what stands in for faults that were not measured."""


@dataclass(frozen=True, slots=True)
class Counts:
    """What became of the frames of each run; all arrays of one length."""

    night: NDArray[np.intp]
    scale: Floats
    exposure_s: Floats
    dec_deg: Floats
    """0 where unknown, and everywhere if there are no mount fits."""
    focal_mm: Floats
    drift: Floats
    events: Floats
    rest: Floats
    keep: Floats
    faults: Faults
    """Of each run; `UNIT_DRIFT` repeated if `measured` is false."""
    measured: bool
    """Whether the faults come from mount fits."""

    @property
    def judged(self) -> Floats:
        return self.drift + self.events + self.rest + self.keep

    def at(self, rows: NDArray[np.intp]) -> Counts:
        """Some of the runs."""
        picked = {
            field.name: getattr(self, field.name)[rows]
            for field in fields(self)
            if field.name not in ("faults", "measured")
        }
        return Counts(**picked, faults=self.faults.at(rows), measured=self.measured)

    def nightly_faults(self) -> Faults:
        """One run of each night."""
        return self.faults.at(np.unique(self.night, return_index=True)[1])


@dataclass(frozen=True, slots=True)
class Rate:
    """A hit rate with its 95 % interval; arrays of the shape that was asked for."""

    middle: Floats
    low: Floats
    high: Floats
    draws: Floats
    """Shape (draws, ...): the hit rate as it may be in truth."""


@dataclass(frozen=True, slots=True)
class Rig:
    """The physical model."""

    drift: Mixed
    events: Mixed
    rest: Mixed
    middle_scale: float
    """arcsec/px; where the rate of events is quoted."""
    faults: Faults
    """One a night."""
    measured: bool
    nights: int

    @property
    def events_per_min(self) -> tuple[float, float, float]:
        """Gusts, knocks and slips a minute of exposure at `middle_scale`, with its interval."""
        spread = 1.96 * np.sqrt(self.events.covariance[0, 0])
        at = self.events.params[0]
        low, middle, high = np.exp([at - spread, at, at + spread])
        return float(middle), float(low), float(high)

    @property
    def tolerated(self) -> float:
        """Predicted trail, px, that half of the frames bear (of 1 arcsec/min if unmeasured)."""
        return float(np.exp(self.drift.params[0] / self.drift.params[1]))

    def rate(
        self,
        scale: Floats | float,
        exposure_s: Floats | float,
        dec_deg: float = 0.0,
        faults: Faults | None = None,
        draws: int = DRAWS,
    ) -> Rate:
        """Hit rate over all nights at some scales (arcsec/px) and exposures, broadcast."""
        scale, exposure_s = np.broadcast_arrays(
            np.asarray(scale, float), np.asarray(exposure_s, float)
        )
        shape, scale, exposure_s = scale.shape, scale.ravel(), exposure_s.ravel()
        rng = np.random.default_rng(SEED)
        faults = self.faults if faults is None else faults
        faults = faults.some(MANY_NIGHTS)
        trail = np.log(faults.trail_px(scale[:, None], exposure_s[:, None], dec_deg))
        # Which nights come is as uncertain as the nights seen are few (Bayesian bootstrap).
        weights = rng.dirichlet(np.ones(len(faults)), draws)
        parts = tuple(part.draws(draws, rng) for part in (self.drift, self.events, self.rest))
        # Point by point: all at once would be draws x points x nights x grid.
        many = np.concatenate(
            [
                self._chance(parts, trail[[n]], scale[[n]], exposure_s[[n]], weights)
                for n in range(len(scale))
            ],
            axis=1,
        )
        low, high = np.percentile(many, [2.5, 97.5], axis=0)
        middle = self.expected(scale, exposure_s, dec_deg, faults)
        return Rate(
            middle.reshape(shape),
            low.reshape(shape),
            high.reshape(shape),
            many.reshape(len(many), *shape),
        )

    def expected(
        self,
        scale: Floats,
        exposure_s: Floats,
        dec_deg: Floats | float,
        faults: Faults | None = None,
    ) -> Floats:
        """The hit rate alone, shape (n,), over all nights' faults or over those given."""
        faults = (self.faults if faults is None else faults).some(MANY_NIGHTS)
        dec = np.broadcast_to(dec_deg, scale.shape)[:, None]
        trail = np.log(faults.trail_px(scale[:, None], exposure_s[:, None], dec))
        even = np.full((1, len(faults)), 1 / len(faults))
        parts = tuple(part.params[None] for part in (self.drift, self.events, self.rest))
        return np.asarray(self._chance(parts, trail, scale, exposure_s, even)[0])

    def _chance(
        self,
        parts: Sequence[Floats],
        log_trail: Floats,
        scale: Floats,
        exposure_s: Floats,
        weights: Floats,
    ) -> Floats:
        """Hit rate, shape (draws, points), for parameters of shape (draws, ...), predicted trails
        of shape (points, nights) and weights of the nights (draws, nights)."""
        drift, events, rest = parts
        slope = np.maximum(drift[:, 1], LEAST_SLOPE)
        eta = drift[:, 0, None, None] - slope[:, None, None] * log_trail
        held = success_rate(PROBIT, eta, np.exp(drift[:, 2])[:, None, None])
        held = np.einsum("dpn,dn->dp", held, weights)
        much = self._expected(events, scale, exposure_s)
        calm = success_rate(SURVIVAL, much, np.exp(events[:, 2])[:, None])
        fine = success_rate(LOGIT, rest[:, :1], np.exp(rest[:, 1])[:, None])
        return np.asarray(held * calm * fine)

    def _expected(self, events: Floats, scale: Floats, exposure_s: Floats) -> Floats:
        """Logarithm of the events expected, shape (draws, points)."""
        finer = np.log(self.middle_scale / scale)
        return np.asarray(events[:, :1] + events[:, 1:2] * finer + np.log(exposure_s / 60))


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
            "events": lost & cause.isin(EVENTS),
        }
    )
    fate["rest"] = ~fate.any(axis=1)
    table = fate.groupby(ours["run_id"]).sum().join(runs)
    table = table[(table["scale_arcsec_px"] > 0) & (table["setting_s"] > 0)]
    table = table[table["tracked"].astype(bool)]
    judged = table[["keep", "drift", "events", "rest"]].sum(axis=1)
    fitted = table["axis_total_error_arcmin"].notna() & table["rate_error_ppm"].notna()
    some_nights = table.loc[fitted, "night"].nunique() >= FEWEST_NIGHTS
    measured = bool(some_nights and judged[fitted].sum() >= FEWEST_FITTED * judged.sum())
    if measured:
        table = table[fitted]
    night = pd.factorize(table["night"].astype(str))[0]

    def column(name: str, unknown: float = np.nan) -> Floats:
        return np.asarray(table[name].fillna(unknown), float)

    if measured:
        faults = Faults(
            column("axis_total_error_arcmin"),
            column("rate_error_ppm"),
            column("periodic_amplitude_arcsec", 0.0),
            column("periodic_period_s", 1.0),
        )
    else:
        faults = UNIT_DRIFT.at(np.zeros(len(table), np.intp))
    return Counts(
        night=np.asarray(night, np.intp),
        scale=column("scale_arcsec_px"),
        exposure_s=column("setting_s"),
        dec_deg=column("dec_deg", 0.0) if measured else np.zeros(len(table)),
        focal_mm=column("focal_mm"),
        drift=column("drift"),
        events=column("events"),
        rest=column("rest"),
        keep=column("keep"),
        faults=faults,
        measured=measured,
    )


def fit_rig(counts: Counts) -> Rig:
    """Fit the three parts, one after the other."""
    ones = np.ones(len(counts.scale))
    log_trail = np.log(counts.faults.trail_px(counts.scale, counts.exposure_s, counts.dec_deg))
    middle = float(np.exp(np.average(np.log(counts.scale), weights=counts.judged + 1e-9)))
    spared = counts.judged - counts.drift
    calm = spared - counts.events

    def fit(
        link: str,
        success: Floats,
        total: Floats,
        columns: Sequence[Floats],
        priors: Sequence[Prior],
        offset: Floats | float = 0.0,
    ) -> Mixed:
        there = total > 0
        known = offset[there] if isinstance(offset, np.ndarray) else offset
        design = np.stack([column[there] for column in columns], axis=1)
        return fit_mixed(
            link, success[there], total[there], design, counts.night[there], priors, known
        )

    return Rig(
        drift=fit(PROBIT, spared, counts.judged, (ones, -log_trail), DRIFT_PRIORS),
        events=fit(
            SURVIVAL,
            calm,
            spared,
            (ones, np.log(middle / counts.scale)),
            EVENT_PRIORS,
            np.log(counts.exposure_s / 60),
        ),
        rest=fit(LOGIT, counts.keep, calm, (ones,), REST_PRIORS),
        middle_scale=middle,
        faults=counts.nightly_faults(),
        measured=counts.measured,
        nights=len(np.unique(counts.night)),
    )
