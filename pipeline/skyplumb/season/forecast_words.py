"""A forecast -> words for a terminal, and the same for programs."""

from __future__ import annotations

import json
from math import inf, isfinite

import numpy as np

from skyplumb.causes import LASER_CAUTION
from skyplumb.digits import significant
from skyplumb.plain import plain
from skyplumb.season.forecast import (
    FOCALS_MM,
    GOAL,
    GRID_S,
    WORST_AXIS_ARCMIN,
    Crossing,
    Forecast,
    LensForecast,
    Sturdier,
)
from skyplumb.season.noise import ADDS


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
    """The forecast as JSON; null is not known (or without end), `known` false where the interval is
    too wide for a figure."""
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
        "axis_from": told.axis_from,
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
        "audited_exposures_s": lens.audited_s,
        "longest": [
            {"goal_rate": one.goal, **_crossing_facts("exposure", "s", one)} for one in lens.longest
        ],
        "most_kept_exposure_s": lens.best.exposure_s,
        "most_kept_exposure_low_s": lens.best.low_s,
        "most_kept_exposure_high_s": lens.best.high_s,
        "most_kept_min_per_hour": lens.best.minutes,
        "most_kept_low_min_per_hour": lens.best.low_minutes,
        "most_kept_high_min_per_hour": lens.best.high_minutes,
        "least_exposure_s": lens.best.least_s,
        "sky_rules_from_s": lens.sky.at,
        "sky_rules_from_low_s": lens.sky.low,
        "sky_rules_from_high_s": lens.sky.high,
        **_crossing_facts("axis_needed", "arcmin", lens.axis_needed),
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
    mark = _where(lens, told.wanted_s)
    kept = f"{told.wanted_s:.0f} s keeps {rate.middle[0]:.0%} ({_range(rate.low[0], rate.high[0])})"
    longest = f"longest for {GOAL:.0%} kept: {_seconds_words(lens.longest[0])}"
    return f"{lens.name}: {kept}{mark and f' ({mark})'}; {longest}; {_stack_words(lens)}"


def _where(lens: LensForecast, exposure_s: float) -> str:
    """Beside what was audited an answer is physics; empty where there are frames."""
    if exposure_s > lens.audited_to_s:
        return "beyond what was audited: by physics"
    return "" if lens.audited(exposure_s) else "not audited: by physics"


def _stack_words(lens: LensForecast) -> str:
    """The exposure to take where nothing else is asked."""
    best = lens.best
    at = f"{_round(best.exposure_s)} s"
    if best.low_s < best.high_s:
        at += f" ({_round(best.low_s)} to {_round(best.high_s)} s)"
    mark = _where(lens, best.exposure_s)
    minutes = f"{best.minutes:.0f} min kept an hour"
    minutes += f" ({best.low_minutes:.0f} to {best.high_minutes:.0f})"
    return f"best stack with {at}, {minutes}{mark and f' ({mark})'}"


def _range(low: float, high: float) -> str:
    return f"{low:.0%} to {high:.0%}"


def _round(value: float) -> str:
    """Two digits: more are not known."""
    return f"{significant(value, 2):.0f}"


def _seconds_words(one: Crossing) -> str:
    last = f"{GRID_S[-1] / 60:.0f} min and more"
    return _crossing_words(one, "s", "no exposure", last)


def _crossing_words(one: Crossing, unit: str, never: str, always: str) -> str:
    """The best guess and its range, whichever of them has an end."""

    def told(value: float) -> str:
        return never if value == 0 else always if value == inf else f"{_round(value)} {unit}"

    if one.low == one.high:
        return told(one.at)
    low = f"{_round(one.low)}" if 0 < one.low < inf and one.high < inf else told(one.low)
    return f"{told(one.at)} ({low} to {told(one.high)})"


def _sturdier_lines(told: Forecast, tables: bool) -> list[str]:
    """What can be fixed, and where only another mount helps."""
    if not told.sturdier:
        return ["Where a sturdier mount pays: give the pixel pitch with --pixel."]
    near = min(told.sturdier, key=lambda one: abs(one.exposure_s - told.wanted_s))
    lines = [f"Where a sturdier mount pays ({GOAL:.0%} kept):"]
    lines += [_sturdier_line(one) for one in (told.sturdier if tables else (near,))]
    lines.append(
        "  Can be fixed: axis, rate, a loose head, balance. What remains is the drive's own "
        "periodic error and the wind."
    )
    if told.model.rig is not None and not told.model.rig.measured:
        lines.append(
            "  No night has a mount fit: axis and drive are taken as of any small tracker."
        )
    return lines


def _sturdier_line(one: Sturdier) -> str:
    fixed = f"beyond {_focal_words(one.all_fixed)}, with all fixed that can be"
    return f"  {one.exposure_s:.0f} s: {fixed}; as it is, beyond {_focal_words(one.as_it_is)}"


def _focal_words(one: Crossing) -> str:
    return _crossing_words(one, "mm", "any focal length", f"{FOCALS_MM[-1]:.0f} mm and more")


def _basis(told: Forecast, tables: bool) -> list[str]:
    """What the forecast stands on."""
    model, counts = told.model, told.model.counts
    nights = len(np.unique(counts.night))
    where = (
        f"declination {told.declination_deg:g}°"
        if isfinite(told.declination_deg)
        else "targets as audited"
    )
    pitch = f"pixel pitch {told.pixel_um:.2f} um, " if isfinite(told.pixel_um) else ""
    lines = [
        f"From {counts.judged.sum():.0f} judged frames of {nights} night{'s' * (nights != 1)}, "
        f"{pitch}{where}."
    ]
    check = model.check
    if check is not None and tables:
        used = "the model of the rig" if model.used == "rig" else "a plain logistic regression"
        lines.append(
            f"Forecast by {used}, which was better at nights that it had not seen "
            "(log-likelihood per frame: model of the rig "
            f"{check.rig_score / check.frames:.4f}, plain regression "
            f"{check.plain_score / check.frames:.4f})."
        )
    if told.axis_from == "asked":
        lines.append(f"Polar axis off by {told.axis_arcmin:.1f} arcmin, as given.")
    elif isfinite(told.axis_arcmin):
        lines.append(
            f"Polar axis as off as on each night by itself (median {told.axis_arcmin:.1f} arcmin)."
        )
    source = {
        "asked": "as given",
        "measured": "by the frames' own times",
        "assumed": "not known, taken as none",
    }
    lines.append(f"Gap between frames {told.gap_s:.1f} s ({source[told.gap_from]}).")
    lines += _sky_lines(told)
    return lines


def _sky_lines(told: Forecast) -> list[str]:
    """From which exposure on read noise matters no more."""
    known = [f"{_sky_seconds(one)} with {one.name}" for one in told.lenses if one.sky.known]
    if not known:
        shortest = min(one.best.least_s for one in told.lenses)
        return [
            "Read noise is not known (frames of one setting under a darker and a brighter sky "
            "would tell it): no exposure under the shortest audited, "
            f"{_round(shortest)} s, is told for the best stack."
        ]
    return [f"The sky rules (read noise adds under {ADDS:.0%}) from " + ", ".join(known) + "."]


def _sky_seconds(lens: LensForecast) -> str:
    sky = lens.sky
    spread = f" ({_short(sky.low)} to {_short(sky.high)})" if sky.low < sky.high else ""
    return f"{_short(sky.at)} s{spread} on"


def _short(value: float) -> str:
    return f"{significant(value, 2):g}"


def _lens_table(told: Forecast, lens: LensForecast) -> list[str]:
    """One lens in full."""
    lines = [f"{lens.name}: {lens.scale:.2f} arcsec/px"]
    if isfinite(lens.field_deg):
        lines[0] += f", field {lens.field_deg:.1f}° wide"
    lines.append("  exposure   kept   95% interval")
    marks = set()
    for n, exposure in enumerate(lens.exposures_s):
        where = _where(lens, exposure)
        mark = "" if not where else "*" if where.startswith("beyond") else "+"
        marks.add(mark)
        lines.append(
            f"  {exposure:6.0f} s  {lens.rate.middle[n]:5.0%}   "
            f"{_range(lens.rate.low[n], lens.rate.high[n])} {mark}".rstrip()
        )
    if "*" in marks:
        lines.append("  * beyond what was audited: by physics alone")
    if "+" in marks:
        lines.append("  + not audited with this lens: by physics and what was audited beside it")
    lines += [f"  longest for {one.goal:.0%} kept: {_seconds_words(one)}" for one in lens.longest]
    lines.append(f"  axis for {GOAL:.0%} at {told.wanted_s:.0f} s: {_axis_words(lens.axis_needed)}")
    if isfinite(lens.turn_edge_px_min):
        lines.append(
            f"  the axis error turns the field: {lens.turn_edge_px_min:.2f} px/min at its side edge"
        )
    if isfinite(lens.rule_500_s):
        rules = f"500 rule {lens.rule_500_s:.1f} s"
        if isfinite(lens.rule_pixel_s):
            rules += f", aperture and pixel rule {lens.rule_pixel_s:.1f} s"
        lines.append(f"  without a tracker, common practice: {rules}")
    return lines


def _axis_words(one: Crossing) -> str:
    if one.high == 0:
        return "no alignment is good enough, other faults take more"
    if one.low == inf:
        return f"any up to {WORST_AXIS_ARCMIN / 60:g}°"

    def told(value: float) -> str:
        if value == 0:
            return "none"
        return f"{WORST_AXIS_ARCMIN / 60:g}°" if value == inf else f"{value:.1f} arcmin"

    within = "none is good enough" if one.at == 0 else f"within {told(one.at)}"
    return f"{within} ({told(one.low)} to {told(one.high)})"
