"""A forecast -> words for a terminal, and the same for programs."""

from __future__ import annotations

import json
from math import inf, isfinite, isnan

import numpy as np

from skyplumb.causes import LASER_CAUTION
from skyplumb.plain import plain
from skyplumb.season.forecast import (
    GOAL,
    GRID_S,
    WORST_AXIS_ARCMIN,
    Crossing,
    Forecast,
    LensForecast,
    Sturdier,
)

NOT_KNOWN = "not known yet"


def words(told: Forecast, tables: bool = False) -> str:
    """A line a lens, then what it stands on; every exposure of each lens on request."""
    lines = [_lens_line(told, lens) for lens in told.lenses]
    lines += ["", *_sturdier_lines(told, tables)]
    if tables:
        for lens in told.lenses:
            lines += ["", *_lens_table(told, lens)]
    lines += ["", *_basis(told, tables), *told.notices, LASER_CAUTION]
    if not tables:
        lines.append("--tables tells every exposure of each lens, --json the same to programs.")
    return "\n".join(lines)


def as_json(told: Forecast) -> str:
    """The forecast as JSON; null is not known, `known` false what the nights leave open."""
    model, counts = told.model, told.model.counts
    facts = {
        "nights": len(np.unique(counts.night)),
        "judged_frames": int(counts.judged.sum()),
        "model": model.used,
        "pixel_um": told.pixel_um,
        "declination_deg": told.declination_deg,
        "gap_s": told.gap_s,
        "gap_from": told.gap_from,
        "axis_error_arcmin": told.axis_arcmin,
        "wanted_exposure_s": told.wanted_s,
        "lenses": [_lens_facts(lens) for lens in told.lenses],
        "sturdier_mount": [
            {
                "exposure_s": one.exposure_s,
                "goal_rate": GOAL,
                **_crossing_facts("as_it_is_focal", "mm", one.as_it_is),
                **_crossing_facts("all_mended_focal", "mm", one.all_fixed),
            }
            for one in told.sturdier
        ],
        "notices": [*told.notices, LASER_CAUTION],
    }
    return json.dumps(plain(facts), indent=1, ensure_ascii=False, allow_nan=False)


def _lens_facts(lens: LensForecast) -> dict[str, object]:
    return {
        "name": lens.name,
        "focal_mm": lens.focal_mm,
        "scale_arcsec_px": lens.scale,
        "exposures_s": lens.exposures_s,
        "rate": lens.rate.middle,
        "rate_low": lens.rate.low,
        "rate_high": lens.rate.high,
        "audited_to_s": lens.audited_to_s,
        "longest": [
            {"goal_rate": one.goal, **_crossing_facts("exposure", "s", one)} for one in lens.longest
        ],
        "most_kept_exposure_s": lens.best_s,
        "most_kept_min_per_hour": lens.best_minutes,
        "axis_needed_arcmin": lens.axis_needed_arcmin,
        "untracked_500_rule_s": lens.rule_500_s,
        "untracked_aperture_pixel_rule_s": lens.rule_pixel_s,
        "field_deg": lens.field_deg,
        "field_turn_edge_px_min": lens.turn_edge_px_min,
    }


def _crossing_facts(name: str, unit: str, one: Crossing) -> dict[str, object]:
    return {
        f"{name}_{unit}": one.at,
        f"{name}_low_{unit}": one.low,
        f"{name}_high_{unit}": one.high,
        f"{name}_known": one.known,
    }


def _lens_line(told: Forecast, lens: LensForecast) -> str:
    """The answer for one lens."""
    rate = lens.wanted
    star = " (beyond what was audited)" if told.wanted_s > lens.audited_to_s else ""
    kept = f"{told.wanted_s:.0f} s keeps {rate.middle[0]:.0%} ({_range(rate.low[0], rate.high[0])})"
    best = f"most light kept at about {_round(lens.best_s)} s, {lens.best_minutes:.0f} min an hour"
    longest = f"longest for {GOAL:.0%} kept: {_seconds_words(lens.longest[0])}"
    return f"{lens.name}: {kept}{star}; {longest}; {best}"


def _range(low: float, high: float) -> str:
    return f"{low:.0%} to {high:.0%}"


def _round(value: float) -> str:
    """Two digits: more are not known."""
    return f"{float(f'{value:.2g}'):.0f}"


def _seconds_words(one: Crossing) -> str:
    if one.high == 0:
        return "no exposure"
    if one.low == inf:
        return f"{GRID_S[-1] / 60:.0f} min and more"
    if one.at_least:
        return f"{_round(one.low)} s at least, how far is {NOT_KNOWN}"
    if not one.known:
        return NOT_KNOWN
    return f"{_round(one.at)} s ({_round(one.low)} to {_round(one.high)} s)"


def _sturdier_lines(told: Forecast, tables: bool) -> list[str]:
    """What can be fixed, and where only another mount helps."""
    if not told.sturdier:
        why = (
            "the plain regression does not part the axis from other faults"
            if told.model.used == "plain"
            else "no night has a mount fit"
        )
        return [f"Axis accuracy, and where a sturdier mount pays: {NOT_KNOWN}, {why}."]
    near = min(told.sturdier, key=lambda one: abs(one.exposure_s - told.wanted_s))
    lines = [f"Where a sturdier mount pays ({GOAL:.0%} kept):"]
    lines += [_sturdier_line(one) for one in (told.sturdier if tables else (near,))]
    lines.append(
        "  Can be fixed: axis, rate, a loose head, balance. What remains is the drive's own "
        "periodic error and the wind."
    )
    return lines


def _sturdier_line(one: Sturdier) -> str:
    exposure = f"  {one.exposure_s:.0f} s: "
    if not (one.all_fixed.known or one.all_fixed.at_least):
        return exposure + NOT_KNOWN
    fixed = f"beyond {_focal_words(one.all_fixed)}, with all fixed that can be"
    return f"{exposure}{fixed}; as it is, beyond {_focal_words(one.as_it_is)}"


def _focal_words(one: Crossing) -> str:
    if one.high == 0:
        return "any focal length"
    if one.low == inf:
        return "2000 mm and more"
    if one.at_least:
        return f"{_round(one.low)} mm at least, how far is {NOT_KNOWN}"
    if not one.known:
        return f"a focal length {NOT_KNOWN}"
    return f"{_round(one.at)} mm ({_round(one.low)} to {_round(one.high)} mm)"


def _basis(told: Forecast, tables: bool) -> list[str]:
    """What the forecast stands on."""
    model, counts = told.model, told.model.counts
    nights = len(np.unique(counts.night))
    where = (
        f"declination {told.declination_deg:g} deg"
        if isfinite(told.declination_deg)
        else "targets as audited"
    )
    lines = [
        f"From {counts.judged.sum():.0f} judged frames of {nights} night{'s' * (nights != 1)}, "
        f"pixel pitch {told.pixel_um:.2f} um, {where}."
    ]
    check = model.check
    if check is not None and tables:
        used = "the model of the rig" if model.used == "rig" else "a plain logistic regression"
        lines.append(
            f"Used is {used}: left-out nights have a log-likelihood a frame of "
            f"{check.rig_score / check.frames:.4f} by the rig's model, "
            f"{check.plain_score / check.frames:.4f} by the plain one."
        )
    if isfinite(told.axis_arcmin):
        lines.append(f"Polar axis off by {told.axis_arcmin:.1f} arcmin (median of the nights).")
    source = {"asked": "as given", "measured": "measured", "assumed": "not known, taken as none"}
    lines.append(f"Gap between frames {told.gap_s:.1f} s ({source[told.gap_from]}).")
    return lines


def _lens_table(told: Forecast, lens: LensForecast) -> list[str]:
    """One lens in full."""
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
            f"{_range(lens.rate.low[n], lens.rate.high[n])}{mark}"
        )
    if beyond:
        lines.append("  * beyond what was audited: the model's word alone")
    lines += [f"  longest for {one.goal:.0%} kept: {_seconds_words(one)}" for one in lens.longest]
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


def _axis_words(lens: LensForecast) -> str:
    if lens.axis_needed_arcmin == 0:
        return "no alignment is good enough, other faults take more"
    if lens.axis_needed_arcmin == inf:
        return f"any up to {WORST_AXIS_ARCMIN / 60:g} deg"
    return f"within {lens.axis_needed_arcmin:.1f} arcmin"
