"""A season's model and a lens -> what its exposures will yield.

Everything is for an ordinary night: nights differ, and the hit rate of one night can lie well
beside the average that is told here. Every answer is a best guess and a 95 % interval, from the
first night on; figures beside the exposures audited lean on physics and are marked so.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import atan, degrees, inf, isfinite, isnan, nan

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq

from skyplumb.errors import UserError
from skyplumb.season.cross_validation import SeasonModel
from skyplumb.season.drift import ARCMIN, SIDEREAL_ARCSEC_MIN
from skyplumb.season.kit import gap_between, lenses_of, limit_px, pixel_pitch, runs_at
from skyplumb.season.noise import SkyRules, light_min_per_hour, sky_rules
from skyplumb.season.rig import Better, Rate
from skyplumb.season.sessions import ARCSEC_PER_RAD_UM_MM, Season

Floats = NDArray[np.float64]

TARGETS = (0.90, 0.75, 0.50)
"""Hit rates whose longest exposure is told."""
GRID_S = np.geomspace(1, 1800, 34)
FOCALS_MM = np.geomspace(5, 2000, 25)
SHOWN_S = (15, 30, 60, 90, 120, 180, 240, 360, 480)
STURDIER_S = (30.0, 60.0, 120.0, 240.0)
GOAL = 0.90
"""Hit rate that an axis accuracy or a focal length is found for."""
WORST_AXIS_ARCMIN = 120.0
AXES_ARCMIN = np.geomspace(0.25, WORST_AXIS_ARCMIN, 10)
BEYOND = 1.25
"""So far past the most demanding run audited, and so far beside any, the model is still taken to
have been there."""
TOO_WIDE = 6.0
"""An interval whose ends are further apart than this factor is only a range, not a figure."""


@dataclass(frozen=True, slots=True)
class Ask:
    """What a forecast is wanted for; NaN is not given."""

    focal_mm: float = nan
    fnumber: float = nan
    pixel_um: float = nan
    sensor_width_mm: float = nan
    axis_error_arcmin: float = nan
    declination_deg: float = nan
    """NaN for the targets audited."""
    gap_s: float = nan
    exposure_s: float = nan


@dataclass(frozen=True, slots=True)
class Crossing:
    """Where a falling hit rate passes a goal, with its 95 % interval.

    0 where it never reaches the goal, infinite where it never falls below it."""

    goal: float
    at: float
    low: float
    high: float

    @property
    def known(self) -> bool:
        """Whether the interval has both ends, not too far apart."""
        return self.low == self.high or (self.low > 0 and self.high <= TOO_WIDE * self.low)


@dataclass(frozen=True, slots=True)
class BestStack:
    """The exposure whose frames kept in an hour have the stack with the best signal to noise, with
    95 % intervals."""

    exposure_s: float
    low_s: float
    high_s: float
    minutes: float
    """Kept in an hour at that exposure, gaps between frames taken off."""
    low_minutes: float
    high_minutes: float
    least_s: float
    """Shorter ones are not asked: where read noise is not known, the shortest exposure audited."""


@dataclass(frozen=True, slots=True)
class LensForecast:
    """What one lens will yield."""

    name: str
    focal_mm: float
    """NaN of a lens whose frames tell their scale alone."""
    scale: float
    """arcsec/px."""
    exposures_s: tuple[float, ...]
    rate: Rate
    wanted: Rate
    """At the wanted exposure."""
    audited_to_s: float
    """Exposures longer than this are beyond what was audited (in scale x exposure)."""
    audited_s: tuple[float, ...]
    """Exposures audited at this scale."""
    longest: tuple[Crossing, ...]
    """Exposures, s."""
    best: BestStack
    sky: SkyRules
    axis_needed: Crossing
    """Axis error, arcmin, for `GOAL` at the wanted exposure; 0 where no alignment is good enough,
    infinite if any will do."""
    rule_500_s: float
    rule_pixel_s: float
    """(35 N + 30 p) / f; NaN without aperture."""
    field_deg: float
    """Width of the field; NaN without the sensor's width."""
    turn_edge_px_min: float
    """How fast the field's turning, by the axis error alone, moves its side edge, px a minute;
    NaN if unknown."""

    def audited(self, exposure_s: float) -> bool:
        """Whether there are frames of about that exposure at this scale."""
        return any(abs(np.log(exposure_s / one)) <= np.log(BEYOND) for one in self.audited_s)


@dataclass(frozen=True, slots=True)
class Sturdier:
    """Beyond which focal length, mm, less than `GOAL` is kept at an exposure."""

    exposure_s: float
    as_it_is: Crossing
    all_fixed: Crossing
    """Axis and rate perfect, a head that holds: what is left is the drive's own periodic error and
    the wind, which only a sturdier mount takes."""


@dataclass(frozen=True, slots=True)
class Forecast:
    """The answer."""

    model: SeasonModel
    lenses: tuple[LensForecast, ...]
    wanted_s: float
    gap_s: float
    gap_from: str
    """asked, measured or assumed."""
    pixel_um: float
    """NaN where no lens needs it."""
    axis_arcmin: float
    """Asked, else the median of the nights; NaN if no mount fit tells."""
    axis_from: str
    """asked or nights."""
    declination_deg: float
    sturdier: tuple[Sturdier, ...]
    """Empty without a pixel pitch."""
    notices: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Basis:
    """What all lenses of a forecast share."""

    season: Season
    model: SeasonModel
    ask: Ask
    pixel_um: float
    gap_s: float
    better: Better | None

    @property
    def wanted_s(self) -> float:
        return self.ask.exposure_s if isfinite(self.ask.exposure_s) else 120.0

    @property
    def axis_arcmin(self) -> float:
        rig = self.model.rig
        if self.better is not None:
            return self.better.axis_arcmin
        return float(np.median(rig.faults.axis_arcmin)) if rig and rig.measured else nan

    def scale(self, focal: Floats | float) -> Floats | float:
        return ARCSEC_PER_RAD_UM_MM * self.pixel_um / focal


def predict(season: Season, model: SeasonModel, ask: Ask) -> Forecast:
    """Forecast one lens, or every lens of the season if none is asked for.

    Raises
    ------
    UserError
        If the season cannot carry a model, or what is asked needs what was never measured.
    """
    if model.rig is None:
        raise UserError(f"no forecast: {model.why_not}; audit a night with tracked frames")
    _refuse_never_up(season, ask)
    notices = list(season.notices)
    pixel_um = pixel_pitch(season, notices, ask.pixel_um, ask.focal_mm)
    gap_s, gap_from = gap_between(season, ask.gap_s)
    basis = _Basis(season, model, ask, pixel_um, gap_s, _better(model, ask, notices))
    exposures = (basis.wanted_s,) if isfinite(ask.exposure_s) else STURDIER_S
    return Forecast(
        model=model,
        lenses=tuple(
            _lens_forecast(basis, *lens) for lens in lenses_of(season, pixel_um, ask.focal_mm)
        ),
        wanted_s=basis.wanted_s,
        gap_s=gap_s,
        gap_from=gap_from,
        pixel_um=pixel_um,
        axis_arcmin=basis.axis_arcmin,
        axis_from="nights" if basis.better is None else "asked",
        declination_deg=ask.declination_deg,
        sturdier=tuple(_sturdier(basis, t) for t in exposures) if isfinite(pixel_um) else (),
        notices=tuple(notices),
    )


def crossing(rate: Rate, along: Floats, goal: float) -> Crossing:
    """Where the hit rate and each of its draws fall below `goal`; they fall along the grid."""
    curves = np.concatenate([rate.middle[None], rate.draws])
    crossed = np.array([_crossing(curve, np.log(along), goal) for curve in curves])
    low, high = np.percentile(crossed[1:], [2.5, 97.5], method="nearest")
    return Crossing(goal, float(crossed[0]), float(low), float(high))


def _crossing(curve: Floats, log_t: Floats, target: float) -> float:
    under = np.flatnonzero(curve < target)
    if len(under) == 0:
        return inf
    n = int(under[0])
    if n == 0:
        return 0.0
    part = (curve[n - 1] - target) / (curve[n - 1] - curve[n])
    return float(np.exp(log_t[n - 1] + part * (log_t[n] - log_t[n - 1])))


def _lens_forecast(basis: _Basis, name: str, focal: float, scale: float) -> LensForecast:
    ask, model, wanted = basis.ask, basis.model, basis.wanted_s
    limit = limit_px(basis.season, scale)
    asked = [wanted] if isfinite(ask.exposure_s) else []
    shown = tuple(sorted({*map(float, SHOWN_S), *asked}))

    def rate(exposures_s: Floats) -> Rate:
        return model.rate(scale, focal, exposures_s, ask.declination_deg, basis.better, limit)

    shortest = float(np.clip(model.counts.exposure_s.min(), *GRID_S[[0, -1]]))
    grid = np.union1d(GRID_S, shortest)
    fine = rate(grid)
    audited = float(np.max(model.counts.exposure_s / model.counts.scale)) * scale
    sky = sky_rules(basis.season, focal, ask.fnumber)
    return LensForecast(
        name=name,
        focal_mm=focal,
        scale=scale,
        exposures_s=shown,
        rate=rate(np.array(shown)),
        wanted=rate(np.array([wanted])),
        audited_to_s=min(audited, float(model.counts.exposure_s.max())) * BEYOND,
        audited_s=tuple(sorted(runs_at(basis.season, scale)["setting_s"].dropna().unique())),
        longest=tuple(crossing(fine, grid, goal) for goal in TARGETS),
        best=best_stack(fine, grid, basis.gap_s, sky, shortest),
        sky=sky,
        axis_needed=_axis_needed(basis, scale, focal),
        rule_500_s=500 / focal,
        rule_pixel_s=(35 * ask.fnumber + 30 * basis.pixel_um) / focal,
        field_deg=2 * degrees(atan(ask.sensor_width_mm / 2 / focal)),
        turn_edge_px_min=_turn_edge_px_min(basis),
    )


def best_stack(
    rate: Rate, exposures_s: Floats, gap_s: float, sky: SkyRules, shortest_s: float
) -> BestStack:
    """Which exposure makes the best stack of an hour: hit rate, gaps and read noise together.

    `shortest_s` is the shortest exposure audited.
    """
    asked = sky.told(exposures_s, shortest_s)
    times = exposures_s[asked]
    middle, draws = rate.middle[asked], rate.draws[:, asked]
    best = int(np.argmax(sky.stack_min_per_hour(times, gap_s, middle)))
    bests = np.argmax(sky.stack_min_per_hour(times, gap_s, draws), axis=1)
    low_s, high_s = np.percentile(times[bests], [2.5, 97.5])
    minutes = light_min_per_hour(times, gap_s)[best]
    low, high = np.percentile(draws[:, best] * minutes, [2.5, 97.5])
    return BestStack(
        float(times[best]),
        float(low_s),
        float(high_s),
        float(middle[best] * minutes),
        float(low),
        float(high),
        float(times[0]),
    )


def _turn_edge_px_min(basis: _Basis) -> float:
    """The root mean square over hour angles of the turn about the line of sight, at the edge."""
    dec = basis.ask.declination_deg if isfinite(basis.ask.declination_deg) else 0.0
    turn = SIDEREAL_ARCSEC_MIN / ARCSEC_PER_RAD_UM_MM / 1000 * basis.axis_arcmin * ARCMIN
    edge_px = basis.ask.sensor_width_mm * 500 / basis.pixel_um
    return float(turn / np.sqrt(2) * np.cos(np.radians(dec)) * edge_px)


def _axis_needed(basis: _Basis, scale: float, focal: float) -> Crossing:
    """The axis error up to which `GOAL` is kept at the wanted exposure."""
    rig, limit, dec = basis.model.rig, limit_px(basis.season, scale), basis.ask.declination_deg
    assert rig is not None  # `predict` refuses a season without

    def kept(axis: float) -> Rate:
        better = Better(axis_arcmin=axis)
        return rig.rate(scale, basis.wanted_s, dec, better, limit_px=limit)

    axes = np.concatenate([[1e-3], AXES_ARCMIN])
    many = np.stack([kept(float(axis)).draws for axis in axes], axis=1)
    low, middle, high = np.percentile(many, [2.5, 50, 97.5], axis=0)
    found = crossing(Rate(middle, low, high, many), axes, GOAL)
    at = found.at
    if 0 < at < inf:
        there = int(np.flatnonzero(middle < GOAL)[0])
        ends = (axes[there - 1], axes[there])
        at = float(brentq(lambda axis: float(kept(axis).middle) - GOAL, *ends, xtol=0.01))
    return Crossing(GOAL, at, min(found.low, at), max(found.high, at))


def _sturdier(basis: _Basis, exposure_s: float) -> Sturdier:
    """The focal lengths beyond which the tracker as it is, and at its best, keep too little."""
    dec = basis.ask.declination_deg

    def beyond(better: Better | None) -> Crossing:
        scales = basis.scale(FOCALS_MM)
        found = basis.model.rate(scales, FOCALS_MM, exposure_s, dec, better)
        return crossing(found, FOCALS_MM, GOAL)

    return Sturdier(exposure_s, beyond(basis.better), beyond(Better(all_fixed=True)))


def _better(model: SeasonModel, ask: Ask, notices: list[str]) -> Better | None:
    """What to forecast with; None for the nights as they were."""
    if isnan(ask.axis_error_arcmin) or model.rig is None:
        return None
    if not model.rig.measured:
        raise UserError(
            "--axis-error: none of these sessions has a mount fit, so the axis cannot be told "
            "from other faults; leave it out, or audit with site and UTC known (night notes)"
        )
    if model.used == "plain":
        notices.append(
            "The plain regression knows no axis error: for --axis-error the rig's model is used, "
            "though it predicts the nights less well."
        )
    return Better(axis_arcmin=ask.axis_error_arcmin)


def _refuse_never_up(season: Season, ask: Ask) -> None:
    """A declination that no site of the season ever sees."""
    sites = season.runs["latitude_deg"].dropna().unique()
    dec = ask.declination_deg
    if len(sites) and all(abs(latitude - dec) > 90 for latitude in sites):
        most = sites[np.argmin(np.abs(sites - dec))]
        north = "N" if most >= 0 else "S"
        seen = f"{most - 90:.1f} to 90" if most >= 0 else f"-90 to {most + 90:.1f}"
        raise UserError(
            f"--declination {dec:g}: never rises at {abs(most):.1f} {north}, where these sessions "
            f"were taken; give one of {seen}"
        )
