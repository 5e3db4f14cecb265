"""A plan -> words for a terminal, and the same for programs."""

from __future__ import annotations

import json
from datetime import datetime, timedelta
from math import isfinite

import numpy as np
from numpy.typing import NDArray

from skyplumb.causes import LASER_CAUTION
from skyplumb.digits import counted, duration, significant
from skyplumb.plain import plain
from skyplumb.season.night_ahead import LOWEST_DEG, NightAhead, hours_of, spans
from skyplumb.season.noise import ADDS
from skyplumb.season.plan import OF_THE_SKY, Choice, LensPlan, Plan

Steps = NDArray[np.bool_]

WINDS = {"calm": "calmest", "usual": "middle", "worst": "windiest"}


def words(told: Plan) -> str:
    """The night, then a line a lens."""
    lines = [title(told), *(f"{name:8} {text}" for name, text in night_lines(told)), ""]
    lines += [f"{lens.name}: {lens_words(lens)}" for lens in told.lenses]
    lines += ["", basis(told), *told.notices]
    lines.append("--json tells every exposure of each lens to programs, the page shows them.")
    lines.append(LASER_CAUTION)
    return "\n".join(lines)


def title(told: Plan) -> str:
    """Target, night and place."""
    return f"{told.ask.target.name}, {when(told)}"


def when(told: Plan) -> str:
    """Night and place."""
    day = told.ask.day
    ends = f"{day.isoformat()} to {(day + timedelta(days=1)).strftime('%d')}"
    return f"night of {ends} at {_place(told)}"


def night_lines(told: Plan) -> list[tuple[str, str]]:
    """What the night is like, line by line."""
    night = told.night
    if not night.dark.any():
        dark = "never: the Sun stays over −12° all night"
    else:
        which = "" if night.dark_below_deg < -15 else " (nautical: it gets no darker)"
        dark = f"{_spans(night, night.dark)}, {_hours(night.dark)}{which}"
    highest = int(np.argmax(np.where(night.dark, night.altitude_deg, -90.0)))
    if not night.usable.any():
        target = f"never over {LOWEST_DEG:.0f}° while it is dark"
    else:
        target = (
            f"over {LOWEST_DEG:.0f}° {_spans(night, night.usable)}, {_hours(night.usable)}; "
            f"highest {night.altitude_deg[highest]:.0f}° at {clock(night.utc[highest])}"
        )
    up = night.usable & (night.moon_altitude_deg > 0)
    moon = f"{night.moon_lit:.0%} lit, {night.moon_apart_deg:.0f}° from the target, "
    moon += f"up {_spans(night, up)}" if up.any() else "down in these hours"
    axis = "axis as usually met"
    if isfinite(told.ask.axis_error_arcmin):
        axis = f"axis off by {told.axis_arcmin:.1f} arcmin, as given"
    elif isfinite(told.axis_arcmin):
        axis += f" (median {told.axis_arcmin:.1f} arcmin off)"
    wind = f"as on the season's {WINDS[told.ask.wind]} night; {axis}"
    return [("dark", dark), ("target", target), ("moon", moon), ("wind", wind)]


def lens_words(lens: LensPlan) -> str:
    """What to shoot with it."""
    best = lens.best
    if best is None:
        return "no frame fits into the night"
    said = f"{best.exposure_s:g} s, {counted(best.frames, 'frame')}, {good_words(best)}"
    said += f"; {best.light_min_per_hour:.0f} min of sharp light an hour; {snr_words(best)}"
    return said if best.audited else f"{said} (not audited: by physics)"


def good_words(one: Choice) -> str:
    """Good frames with their range."""
    if one.good_low == one.good_high:
        return f"{one.good} good"
    return f"{one.good} good ({one.good_low} to {one.good_high})"


def snr_words(one: Choice) -> str:
    """What the stack has at dawn."""
    if not isfinite(one.snr):
        return f"the stack at dawn {one.snr_gain:.1f} times as clean as one frame"
    spread = f" ({one.snr_low:.1f} to {one.snr_high:.1f})" if one.good_low < one.good_high else ""
    return f"{OF_THE_SKY:.0%} of the sky at SNR {one.snr:.1f}{spread} a pixel at dawn"


def basis(told: Plan) -> str:
    """What the plan stands on."""
    gap = {"measured": "by the frames' own times", "assumed": "not known, taken as none"}
    known = [lens for lens in told.lenses if lens.sky.known]
    sky = (
        f" Read noise adds under {ADDS:.0%} from "
        + ", ".join(f"{significant(lens.sky.at, 2):g} s with {lens.name}" for lens in known)
        + " on; the Moon's light is not counted."
        if known
        else " Read noise is not known: nothing under the shortest exposure audited is told."
    )
    return (
        f"From {told.judged} judged frames of {counted(told.nights, 'night')}; gap between frames "
        f"{told.gap_s:.1f} s ({gap[told.gap_from]}). Clouds are not foretold.{sky}"
    )


def as_json(told: Plan) -> str:
    """The plan as JSON; null is not known."""
    return json.dumps(plain(facts(told)), indent=1, ensure_ascii=False, allow_nan=False)


def facts(told: Plan) -> dict[str, object]:
    """What a program is told; times in UTC, every step of the night."""
    night, ask = told.night, told.ask
    return {
        "date": ask.day.isoformat(),
        "target": {
            "name": ask.target.name,
            "ra_deg": ask.target.ra_deg,
            "dec_deg": ask.target.dec_deg,
        },
        "site": {
            "latitude_deg": told.latitude_deg,
            "longitude_deg": told.longitude_deg,
            "from": told.site_from,
        },
        "wind": ask.wind,
        "axis_error_arcmin": told.axis_arcmin,
        "axis_from": "asked" if isfinite(ask.axis_error_arcmin) else "nights",
        "nights": told.nights,
        "judged_frames": told.judged,
        "gap_s": told.gap_s,
        "gap_from": told.gap_from,
        "dark": _ends(night, night.dark),
        "usable": _ends(night, night.usable),
        "usable_hours": night.hours,
        "moon_lit": night.moon_lit,
        "moon_apart_deg": night.moon_apart_deg,
        "night": {
            "utc": [_iso(moment) for moment in night.utc],
            "target_altitude_deg": night.altitude_deg,
            "hour_angle_deg": night.hour_angle_deg,
            "moon_altitude_deg": night.moon_altitude_deg,
            "sun_altitude_deg": night.sun_altitude_deg,
        },
        "lenses": [_lens_facts(lens) for lens in told.lenses],
        "notices": [*told.notices, LASER_CAUTION],
    }


def _lens_facts(lens: LensPlan) -> dict[str, object]:
    return {
        "name": lens.name,
        "focal_mm": lens.focal_mm,
        "scale_arcsec_px": lens.scale,
        "sky_rules_from_s": lens.sky.at,
        "take": lens.best and _choice_facts(lens.best),
        "exposures": [_choice_facts(one) for one in lens.choices],
    }


def _choice_facts(one: Choice) -> dict[str, object]:
    return {
        "exposure_s": one.exposure_s,
        "frames": one.frames,
        "share_good": one.share,
        "share_good_low": one.low,
        "share_good_high": one.high,
        "good": one.good,
        "good_low": one.good_low,
        "good_high": one.good_high,
        "sharp_min_per_hour": one.light_min_per_hour,
        "snr_of_1_percent_of_sky": one.snr,
        "snr_of_1_percent_of_sky_low": one.snr_low,
        "snr_of_1_percent_of_sky_high": one.snr_high,
        "snr_over_one_frame": one.snr_gain,
        "audited": one.audited,
    }


def clock(moment: datetime) -> str:
    """To the minute, UTC."""
    return f"{moment + timedelta(seconds=30):%H:%M} UTC"


def _spans(night: NightAhead, steps: Steps) -> str:
    return " and ".join(
        f"{clock(night.utc[a])[:5]} to {clock(night.utc[b])}" for a, b in spans(steps)
    )


def _hours(steps: Steps) -> str:
    return duration(3600 * hours_of(steps))


def _ends(night: NightAhead, steps: Steps) -> list[list[str]]:
    return [[_iso(night.utc[a]), _iso(night.utc[b])] for a, b in spans(steps)]


def _iso(moment: datetime) -> str:
    return moment.isoformat(timespec="seconds") + "Z"


def _place(told: Plan) -> str:
    lat, lon = told.latitude_deg, told.longitude_deg
    return f"{abs(lat):.1f} {'N' if lat >= 0 else 'S'} {abs(lon):.1f} {'E' if lon >= 0 else 'W'}"
