"""A season's model and a lens -> what its exposures will yield.

Everything is for an ordinary night: nights differ, and the hit rate of one night can lie well
beside the average that is told here. Figures beyond the exposures audited are the model's word
alone and marked so.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import atan, degrees, inf, isfinite, isnan, nan

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq

from skyplumb.causes import LASER_CAUTION
from skyplumb.records import UserError
from skyplumb.season.cross_validation import Model
from skyplumb.season.rig_model import ARCMIN, SIDEREAL_ARCSEC_MIN, Faults, Rate
from skyplumb.season.sessions import ARCSEC_PER_RAD_UM_MM, Season, label_of

Floats = NDArray[np.float64]

TARGETS = (0.90, 0.75, 0.50)
"""Hit rates whose longest exposure is told."""
GRID_S = np.geomspace(1, 1800, 160)
SHOWN_S = (15, 30, 60, 90, 120, 180, 240, 360, 480)
GOAL = 0.90
"""Hit rate that an axis accuracy or a focal length is found for."""
WORST_AXIS_ARCMIN = 120.0
BEYOND = 1.25
"""So far past the most demanding run audited the model is still taken to have been there."""


@dataclass(frozen=True, slots=True)
class Ask:
    """What a forecast is wanted for; NaN is not given."""

    focal_mm: float = nan
    fnumber: float = nan
    pixel_um: float = nan
    sensor_width_mm: float = nan
    axis_error_arcmin: float = nan
    declination_deg: float = 0.0
    gap_s: float = nan
    exposure_s: float = nan


@dataclass(frozen=True, slots=True)
class Longest:
    """The longest exposure that still gives a hit rate, s, with its 95 % interval.

    0 where no exposure does, infinite where even the longest tried (30 min) does."""

    target: float
    exposure_s: float
    low_s: float
    high_s: float


@dataclass(frozen=True, slots=True)
class LensForecast:
    """What one lens will yield."""

    name: str
    focal_mm: float
    scale: float
    """arcsec/px."""
    exposures_s: tuple[float, ...]
    rate: Rate
    audited_to_s: float
    """Exposures longer than this are beyond what was audited (in scale x exposure)."""
    longest: tuple[Longest, ...]
    best_s: float
    """The exposure with the most kept minutes an hour."""
    best_minutes: float
    axis_needed_arcmin: float
    """For `GOAL` at the wanted exposure; 0 where no alignment is good enough, NaN if the axis
    cannot be told from other faults, infinite if any will do."""
    rule_500_s: float
    rule_pixel_s: float
    """(35 N + 30 p) / f; NaN without aperture."""
    field_deg: float
    """Width of the field; NaN without the sensor's width."""
    turn_edge_px_min: float
    """How fast the field's turning, by the axis error alone, moves its side edge, px a minute;
    NaN if unknown."""


@dataclass(frozen=True, slots=True)
class Forecast:
    """The answer."""

    model: Model
    lenses: tuple[LensForecast, ...]
    wanted_s: float
    gap_s: float
    gap_from: str
    """asked, measured or assumed."""
    pixel_um: float
    axis_arcmin: float
    """Asked, else the median of the nights; NaN if no mount fit tells."""
    declination_deg: float
    sturdier: tuple[tuple[float, float], ...]
    """Exposure (s) and the focal length (mm) beyond which, at it, no alignment reaches `GOAL`:
    there a sturdier mount pays. Empty if the axis cannot be told from other faults."""
    notices: tuple[str, ...]


def foretell(season: Season, model: Model, ask: Ask) -> Forecast:
    """Forecast one lens, or every lens of the season if none is asked for.

    Raises
    ------
    UserError
        If the season cannot carry a model, or what is asked needs what was never measured.
    """
    if model.rig is None:
        raise UserError(f"no forecast: {model.why_not}; audit more nights")
    notices: list[str] = []
    pixel_um = _pixel(season, ask, notices)
    faults = _faults(model, ask, notices)
    gap_s, gap_from = _gap(season, ask)
    wanted = ask.exposure_s if isfinite(ask.exposure_s) else 120.0
    lenses = [
        _lens_forecast(model, faults, ask, name, focal, pixel_um, wanted, gap_s)
        for name, focal in _lenses(season, ask)
    ]
    axis = faults.axis_arcmin if faults else model.rig.faults.axis_arcmin
    exposures = (ask.exposure_s,) if isfinite(ask.exposure_s) else (30.0, 60.0, 120.0, 240.0)
    return Forecast(
        model,
        tuple(lenses),
        wanted,
        gap_s,
        gap_from,
        pixel_um,
        float(np.median(axis)) if model.counts.measured else nan,
        ask.declination_deg,
        tuple((t, _sturdier(model, t, pixel_um, ask.declination_deg)) for t in exposures)
        if model.used == "rig" and model.counts.measured
        else (),
        tuple(notices),
    )


def longest(rate: Rate, exposures_s: Floats, target: float) -> Longest:
    """Where the hit rate and each of its draws fall below `target`; rates fall with exposure."""
    curves = np.concatenate([rate.middle[None], rate.draws])
    crossed = np.array([_crossing(curve, np.log(exposures_s), target) for curve in curves])
    low, high = np.percentile(crossed[1:], [2.5, 97.5], method="nearest")
    return Longest(target, float(crossed[0]), float(low), float(high))


def _crossing(curve: Floats, log_t: Floats, target: float) -> float:
    under = np.flatnonzero(curve < target)
    if len(under) == 0:
        return inf
    n = int(under[0])
    if n == 0:
        return 0.0
    part = (curve[n - 1] - target) / (curve[n - 1] - curve[n])
    return float(np.exp(log_t[n - 1] + part * (log_t[n] - log_t[n - 1])))


def _lens_forecast(
    model: Model,
    faults: Faults | None,
    ask: Ask,
    name: str,
    focal: float,
    pixel_um: float,
    wanted: float,
    gap_s: float,
) -> LensForecast:
    scale = ARCSEC_PER_RAD_UM_MM * pixel_um / focal
    dec = ask.declination_deg
    fine = model.rate(scale, focal, GRID_S, dec, faults)
    shown = tuple(sorted({*map(float, SHOWN_S), *([wanted] if isfinite(ask.exposure_s) else [])}))
    audited = float(np.max(model.counts.exposure_s / model.counts.scale)) * scale
    a_while = model.counts.exposure_s.max()
    kept = fine.middle * GRID_S / (GRID_S + gap_s) * 60
    best = int(np.argmax(kept))
    axis = float(np.median((faults or model.counts.faults).axis_arcmin))
    turn = nan
    if isfinite(ask.sensor_width_mm) and model.counts.measured:
        # The root mean square over hour angles of the turn about the line of sight.
        field_turn = SIDEREAL_ARCSEC_MIN / ARCSEC_PER_RAD_UM_MM / 1000 * axis * ARCMIN / np.sqrt(2)
        turn = float(field_turn * np.cos(np.radians(dec)) * ask.sensor_width_mm * 500 / pixel_um)
    aperture = ask.fnumber
    return LensForecast(
        name=name,
        focal_mm=focal,
        scale=scale,
        exposures_s=shown,
        rate=model.rate(scale, focal, np.array(shown), dec, faults),
        audited_to_s=min(audited, float(a_while)) * BEYOND,
        longest=tuple(longest(fine, GRID_S, target) for target in TARGETS),
        best_s=float(GRID_S[best]),
        best_minutes=float(kept[best]),
        axis_needed_arcmin=_axis_needed(model, scale, focal, wanted, dec),
        rule_500_s=500 / focal,
        rule_pixel_s=(35 * aperture + 30 * pixel_um) / focal,
        field_deg=2 * degrees(atan(ask.sensor_width_mm / 2 / focal)),
        turn_edge_px_min=turn,
    )


def _axis_needed(model: Model, scale: float, focal: float, wanted: float, dec: float) -> float:
    """The axis error up to which `GOAL` is kept at the wanted exposure."""
    rig = model.rig
    if rig is None or not model.counts.measured or model.used != "rig":
        return nan
    at = (np.array([scale]), np.array([wanted]), dec)

    def over(axis: float) -> float:
        return float(rig.expected(*at, rig.faults.with_axis(axis))[0]) - GOAL

    if over(0) < 0:
        return 0.0
    if over(WORST_AXIS_ARCMIN) > 0:
        return inf
    return float(brentq(over, 0, WORST_AXIS_ARCMIN, xtol=0.01))


def _sturdier(model: Model, exposure_s: float, pixel_um: float, dec: float) -> float:
    """The focal length, mm, beyond which a perfect axis keeps less than `GOAL`."""
    rig = model.rig
    if rig is None:
        return nan
    perfect = rig.faults.with_axis(0.0)
    scales = ARCSEC_PER_RAD_UM_MM * pixel_um / (focals := np.geomspace(5, 2000, 240))
    rates = rig.expected(scales, np.full(len(scales), exposure_s), dec, perfect)
    return _crossing(rates, np.log(focals), GOAL)


def _faults(model: Model, ask: Ask, notices: list[str]) -> Faults | None:
    """The faults to forecast with; None for those of the nights."""
    if isnan(ask.axis_error_arcmin) or model.rig is None:
        return None
    if not model.counts.measured:
        raise UserError(
            "--axis-error: too few of these sessions have a mount fit, so the axis cannot be told "
            "from other faults; leave it out, or audit with site and UTC known (night notes)"
        )
    if model.used == "plain":
        notices.append(
            "The plain regression knows no axis error: for --axis-error the rig's model is used, "
            "though it foretold the nights less well."
        )
    return model.rig.faults.with_axis(ask.axis_error_arcmin)


def _pixel(season: Season, ask: Ask, notices: list[str]) -> float:
    if isfinite(ask.pixel_um):
        return ask.pixel_um
    runs = season.runs[season.runs["pixel_um"] > 0]
    if runs.empty:
        raise UserError(
            "--pixel: give the pixel pitch in micrometres; no frame of these sessions was solved "
            "with a known focal length, so it cannot be had from them"
        )
    shots = season.frames["run_id"].map(runs["pixel_um"])
    counted = shots.dropna().round(2).value_counts()
    pixel = float(counted.index[0])
    if len(counted) > 1:
        notices.append(
            f"Cameras of different pixel pitch were audited; this is for {pixel:.2f} um, the one "
            "with most frames. --pixel chooses another."
        )
    return pixel


def _gap(season: Season, ask: Ask) -> tuple[float, str]:
    """Seconds between the end of a frame and the start of the next, and where they are from."""
    if isfinite(ask.gap_s):
        return ask.gap_s, "asked"
    frames = season.frames.dropna(subset=["utc_s", "exposure_s"]).sort_values(["run_id", "utc_s"])
    gap = frames.groupby("run_id")["utc_s"].diff() - frames.groupby("run_id")["exposure_s"].shift()
    # Clocks that write whole seconds make short gaps look negative now and then.
    gap = gap[(gap > -2) & (gap < 120)]
    if len(gap) < 5:
        return 0.0, "assumed"
    return max(float(gap.median()), 0.0), "measured"


def _lenses(season: Season, ask: Ask) -> Sequence[tuple[str, float]]:
    if isfinite(ask.focal_mm):
        return [(f"{ask.focal_mm:g} mm", ask.focal_mm)]
    runs = season.runs[season.runs["focal_mm"] > 0]
    if runs.empty:
        raise UserError("--focal: give a focal length in mm; these sessions know of none")
    pairs = runs[["lens", "focal_mm"]].drop_duplicates().sort_values(["focal_mm", "lens"])
    found = {
        label_of(str(lens), focal): float(focal) for lens, focal in pairs.itertuples(index=False)
    }
    return list(found.items())


def words(told: Forecast) -> str:
    """The forecast as text for a terminal."""
    model = told.model
    lines = [*_basis(told), ""]
    for lens in told.lenses:
        lines += [*_lens_words(told, lens), ""]
    if told.sturdier:
        lines.append(f"Where a sturdier mount starts to pay ({GOAL:.0%} kept, axis perfect):")
        lines += [f"  {t:5.0f} s: beyond {_focal_words(f)}" for t, f in told.sturdier]
    else:
        lines.append(
            "Axis accuracy, and where a sturdier mount pays: not told, "
            + (
                "the plain regression does not part the axis from other faults."
                if model.used == "plain"
                else "too few nights have a mount fit."
            )
        )
    lines += ["", *told.notices, LASER_CAUTION]
    return "\n".join(lines)


def _basis(told: Forecast) -> list[str]:
    """What the forecast stands on."""
    model, counts = told.model, told.model.counts
    check = model.check
    lines = [
        f"From {counts.judged.sum():.0f} judged frames of {len(np.unique(counts.night))} nights, "
        f"pixel pitch {told.pixel_um:.2f} um, declination {told.declination_deg:g} deg."
    ]
    if check is not None:
        used = "the model of the rig" if model.used == "rig" else "a plain logistic regression"
        lines.append(
            f"Used is {used}: left-out nights were foretold with a log chance a frame of "
            f"{check.rig_score / check.frames:.4f} by the rig's model, "
            f"{check.plain_score / check.frames:.4f} by the plain one."
        )
    if isfinite(told.axis_arcmin):
        lines.append(f"Polar axis off by {told.axis_arcmin:.1f} arcmin (median of the nights).")
    source = {"asked": "as given", "measured": "measured", "assumed": "not known, taken as none"}
    lines.append(f"Gap between frames {told.gap_s:.1f} s ({source[told.gap_from]}).")
    return lines


def _lens_words(told: Forecast, lens: LensForecast) -> list[str]:
    """One lens."""
    lines = [f"{lens.name}: {lens.scale:.2f} arcsec/px"]
    if isfinite(lens.field_deg):
        lines[0] += f", field {lens.field_deg:.1f} deg wide"
    lines.append("  exposure   kept   95 % interval")
    beyond = False
    for n, exposure in enumerate(lens.exposures_s):
        mark = "*" if exposure > lens.audited_to_s else ""
        beyond |= bool(mark)
        lines.append(
            f"  {exposure:6.0f} s  {lens.rate.middle[n]:5.0%}   "
            f"{lens.rate.low[n]:.0%} to {lens.rate.high[n]:.0%}{mark}"
        )
    if beyond:
        lines.append("  * beyond what was audited: the model's word alone")
    for one in lens.longest:
        lines.append(
            f"  longest for {one.target:.0%} kept: {_seconds_words(one.exposure_s)} "
            f"({_seconds_words(one.low_s)} to {_seconds_words(one.high_s)})"
        )
    star = " (beyond what was audited)" if lens.best_s > lens.audited_to_s else ""
    lines.append(
        f"  most kept minutes an hour: {lens.best_minutes:.0f} at {lens.best_s:.0f} s{star}"
    )
    if not isnan(lens.axis_needed_arcmin):
        lines.append(f"  axis for {GOAL:.0%} at {told.wanted_s:.0f} s: {_axis_words(lens)}")
    if isfinite(lens.turn_edge_px_min):
        lines.append(
            f"  the axis error turns the field: {lens.turn_edge_px_min:.2f} px/min at its side edge"
        )
    rules = f"500 rule {lens.rule_500_s:.1f} s"
    if isfinite(lens.rule_pixel_s):
        rules += f", aperture and pixel rule {lens.rule_pixel_s:.1f} s"
    lines.append(f"  without a tracker, common practice: {rules}")
    return lines


def _seconds_words(seconds: float) -> str:
    if seconds == 0:
        return "none"
    return f"over {GRID_S[-1] / 60:.0f} min" if seconds == inf else f"{seconds:.0f} s"


def _axis_words(lens: LensForecast) -> str:
    if lens.axis_needed_arcmin == 0:
        return "no alignment is good enough, other faults take more"
    if lens.axis_needed_arcmin == inf:
        return f"any up to {WORST_AXIS_ARCMIN / 60:g} deg"
    return f"within {lens.axis_needed_arcmin:.1f} arcmin"


def _focal_words(focal: float) -> str:
    if focal == 0:
        return "5 mm already: other faults take more than that at any focal length"
    return "2000 mm and more" if focal == inf else f"{focal:.0f} mm"
