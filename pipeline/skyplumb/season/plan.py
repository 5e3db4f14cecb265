"""A season's model, a night and a target -> what to shoot, and what will come of it.

The model of the rig is asked for that night alone: the target's declination, its hour angles in
the hours that can be used, the drift by refraction there, the axis as it was met on the season's
nights (its direction too, where mount fits tell it), the drive's own errors, and the gusts of the
calmest, the middle or the worst night of the season. A share is the mean over such nights with
its 95 % interval; the range of good frames is that of one night, the chance of frames included.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from math import inf, isfinite, nan

import numpy as np
from numpy.typing import NDArray

from skyplumb.digits import named
from skyplumb.errors import UserError
from skyplumb.season.cross_validation import SeasonModel
from skyplumb.season.discrepancy import shifted
from skyplumb.season.kit import gap_between, lenses_of, limit_px, pixel_pitch, runs_at
from skyplumb.season.lattice import lattice
from skyplumb.season.night_ahead import (
    NightAhead,
    Target,
    night_ahead,
    refraction_drift_arcsec_min,
)
from skyplumb.season.noise import SkyRules, light_min_per_hour, sky_rules
from skyplumb.season.rig import SEED, Ahead, Aim, Better, Rig, Wind
from skyplumb.season.sessions import Season

Floats = NDArray[np.float64]

USUAL_S = (30.0, 60.0, 90.0, 120.0, 180.0, 240.0, 360.0, 480.0)
"""Asked besides the exposures of the season."""
DRAWS = 200
NIGHTS, FRAMES = 32, 8
"""Nights as they may come, and frames through each, that every draw is averaged over."""
WIND_DRAWS = 4000
"""Draws of which of the season's nights was the calmest, or the worst, and how much so."""
OF_THE_SKY = 0.01
"""Brightness, over that of the sky, whose signal to noise is told."""
WINDS = ("calm", "usual", "worst")


@dataclass(frozen=True, slots=True)
class PlanAsk:
    """What a plan is wanted for; NaN and empty are not given."""

    day: date
    """Of the evening."""
    target: Target
    latitude_deg: float = nan
    longitude_deg: float = nan
    lens: str = ""
    focal_mm: float = nan
    axis_error_arcmin: float = nan
    wind: str = "usual"


@dataclass(frozen=True, slots=True)
class Choice:
    """One exposure through one lens, all night."""

    exposure_s: float
    frames: int
    """That fit into the usable hours."""
    share: float
    """Of them that will be good, with its 95 % interval."""
    low: float
    high: float
    good: int
    """Frames, with the interval of one such night."""
    good_low: int
    good_high: int
    light_min_per_hour: float
    """Of good frames."""
    snr: float
    """In a pixel of the stack at dawn, of what has `OF_THE_SKY` of the sky's brightness; NaN where
    read noise is unknown."""
    snr_low: float
    snr_high: float
    audited: bool
    """Whether there are frames of about that exposure and scale."""

    @property
    def snr_gain(self) -> float:
        """Of the stack over one frame."""
        return float(np.sqrt(self.good))


@dataclass(frozen=True, slots=True)
class LensPlan:
    """What one lens may be used for."""

    name: str
    focal_mm: float
    """NaN of a lens whose frames tell their scale alone."""
    scale: float
    """arcsec/px."""
    sky: SkyRules
    choices: tuple[Choice, ...]
    best: Choice | None
    """Whose stack has the best signal to noise; None where no frame fits."""


@dataclass(frozen=True, slots=True)
class Plan:
    """The answer."""

    ask: PlanAsk
    night: NightAhead
    latitude_deg: float
    longitude_deg: float
    site_from: str
    """asked or the season's last night."""
    gap_s: float
    gap_from: str
    axis_arcmin: float
    """Asked, else the median of the nights; NaN unknown."""
    nights: int
    judged: int
    lenses: tuple[LensPlan, ...]
    notices: tuple[str, ...]


def plan(season: Season, model: SeasonModel, ask: PlanAsk) -> Plan:
    """Plan one night.

    Raises
    ------
    UserError
        If the season cannot carry a model, knows no site or lens, or the target never rises.
    """
    rig = model.rig
    if rig is None:
        raise UserError(f"no plan: {model.why_not}; audit a night with tracked frames")
    notices = list(season.notices)
    latitude, longitude, site_from = _site(season, ask)
    night = night_ahead(ask.day, latitude, longitude, ask.target)
    pixel_um = pixel_pitch(season, notices, focal_mm=ask.focal_mm)
    gap_s, gap_from = gap_between(season)
    lenses = [
        lens
        for lens in lenses_of(season, pixel_um, ask.focal_mm)
        if ask.lens.casefold() in lens[0].casefold()
    ]
    if not lenses:
        known = [name for name, _, _ in lenses_of(season, pixel_um)]
        raise UserError(f"--lens {ask.lens}: none of {named(known)}; give one of these, or --focal")
    ahead = _tonight(rig, night, ask, latitude)
    exposures = np.array(sorted({*USUAL_S, *season.runs["setting_s"].dropna().map(float)}))
    shortest = float(model.counts.exposure_s.min())
    plans = (
        _lens_plan(season, rig, ahead, night, lens, exposures, shortest, gap_s) for lens in lenses
    )
    axis = ask.axis_error_arcmin
    if not isfinite(axis) and rig.measured:
        axis = float(np.median(rig.faults.axis_arcmin))
    return Plan(
        ask=ask,
        night=night,
        latitude_deg=latitude,
        longitude_deg=longitude,
        site_from=site_from,
        gap_s=gap_s,
        gap_from=gap_from,
        axis_arcmin=axis,
        nights=rig.nights,
        judged=int(model.counts.judged.sum()),
        lenses=tuple(plans),
        notices=tuple(notices),
    )


def _site(season: Season, ask: PlanAsk) -> tuple[float, float, str]:
    """That asked for, else that of the season's last night that knows its own."""
    if isfinite(ask.latitude_deg):
        return ask.latitude_deg, ask.longitude_deg, "asked"
    known = season.runs.dropna(subset=["latitude_deg", "longitude_deg"])
    if known.empty:
        raise UserError("--site: give LAT,LON in degrees; these sessions know of no place")
    last = known.sort_values("night", key=lambda night: night.astype(str)).iloc[-1]
    return float(last["latitude_deg"]), float(last["longitude_deg"]), "last night"


def _tonight(rig: Rig, night: NightAhead, ask: PlanAsk, latitude: float) -> Ahead | None:
    """The rig under that target; None where it cannot be shot."""
    if not night.usable.any():
        return None
    hours = night.hour_angle_deg[night.usable]
    aim = Aim(
        ask.target.dec_deg,
        np.radians(hours),
        refraction_drift_arcsec_min(latitude, hours, ask.target.dec_deg),
    )
    better = Better(axis_arcmin=ask.axis_error_arcmin)
    return Ahead(rig, DRAWS, better=better, aim=aim, wind=_wind(rig, ask.wind), net=_net())


def _net() -> Floats:
    """Every night with the same frames through it, shape (NIGHTS x FRAMES, 9)."""
    nights = lattice(NIGHTS, 6)
    frame = (np.arange(FRAMES) + 0.5) / FRAMES
    # Steps of the golden angle lie against the moments in every way.
    phase = frame + np.arange(FRAMES) * (np.sqrt(5) - 1) / 2
    each = np.stack([0 * frame, phase % 1, frame], axis=1)
    return np.concatenate([np.repeat(nights, FRAMES, axis=0), np.tile(each, (NIGHTS, 1))], axis=1)


def _wind(rig: Rig, which: str) -> Wind:
    """Where the season's calmest, middle or worst night stands among all nights.

    Which night that is, is as uncertain as the nights are: the extreme of several is further out
    than the largest of their best guesses.
    """
    seen = rig.events.night_effects
    if not len(seen):
        return Wind(0.0, 1.0)
    normal = np.random.default_rng(SEED).standard_normal((WIND_DRAWS, len(seen)))
    share = {"calm": 0.0, "usual": 0.5, "worst": 1.0}[which]
    drawn = np.quantile(seen[:, 0] + seen[:, 1] * normal, share, axis=1)
    return Wind(float(drawn.mean()), float(drawn.std()))


def _lens_plan(
    season: Season,
    rig: Rig,
    ahead: Ahead | None,
    night: NightAhead,
    lens: tuple[str, float, float],
    exposures: Floats,
    shortest_s: float,
    gap_s: float,
) -> LensPlan:
    name, focal, scale = lens
    sky = sky_rules(season, focal)
    exposures = exposures[exposures + gap_s <= 3600 * night.hours]
    exposures = exposures[sky.told(exposures, shortest_s)]
    if ahead is None or not len(exposures):
        return LensPlan(name, focal, scale, sky, (), None)
    limit = limit_px(season, scale)
    limit = limit if isfinite(limit) else rig.limit_px
    shapes = (DRAWS, NIGHTS, FRAMES)
    by_night = np.stack(
        [ahead.chances(scale, t, limit).reshape(shapes).mean(axis=2) for t in exposures], axis=1
    )
    left = rig.left.shifts(DRAWS, np.full(len(exposures), scale), exposures)
    by_night = shifted(by_night, left[:, :, None])
    audited = runs_at(season, scale)["setting_s"].dropna().to_numpy(float)
    choices = tuple(
        _choice(by_night[:, n], float(t), night, gap_s, sky, audited)
        for n, t in enumerate(exposures)
    )
    shares = np.array([one.share for one in choices])
    best = choices[int(np.argmax(sky.stack_min_per_hour(exposures, gap_s, shares)))]
    return LensPlan(name, focal, scale, sky, choices, best)


def _choice(
    by_night: Floats,
    exposure_s: float,
    night: NightAhead,
    gap_s: float,
    sky: SkyRules,
    audited: Floats,
) -> Choice:
    """One exposure, from shares of shape (draws, nights)."""
    frames = int(3600 * night.hours / (exposure_s + gap_s))
    low, share, high = np.percentile(by_night.mean(axis=1), [2.5, 50, 97.5])
    rng = np.random.default_rng(SEED)
    good_low, good_high = np.percentile(rng.binomial(frames, by_night), [2.5, 97.5]).astype(int)
    good = int(np.clip(round(frames * share), good_low, good_high))
    near = np.abs(np.log(exposure_s / audited)) if len(audited) else np.array([inf])

    def snr(count: int) -> float:
        light = sky.electrons_s * exposure_s
        return float(OF_THE_SKY * light * np.sqrt(count / (light + sky.read_e**2)))

    return Choice(
        exposure_s=exposure_s,
        frames=frames,
        share=float(share),
        low=float(low),
        high=float(high),
        good=good,
        good_low=int(good_low),
        good_high=int(good_high),
        light_min_per_hour=float(light_min_per_hour(np.array(exposure_s), gap_s) * share),
        snr=snr(good),
        snr_low=snr(int(good_low)),
        snr_high=snr(int(good_high)),
        audited=bool(near.min() < np.log(1.25)),
    )
