"""A plan -> one HTML page with the night and each lens drawn; no script, nothing else needed."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import numpy as np
from numpy.typing import NDArray

from skyplumb.causes import LASER_CAUTION
from skyplumb.output.page.figures import percent
from skyplumb.output.page.render import fill_template
from skyplumb.season.night_ahead import spans
from skyplumb.season.plan import Choice, LensPlan, Plan
from skyplumb.season.plan_words import (
    basis,
    clock,
    good_words,
    lens_words,
    night_lines,
    snr_words,
    title,
    when,
)

Floats = NDArray[np.float64]
Plain = dict[str, Any]

WIDE, HIGH = 720.0, 220.0
"""Of the night's drawing inside its axes, in its own units."""
LENS_WIDE, LENS_HIGH = 300.0, 120.0


def render(told: Plan) -> str:
    """The page."""
    page = {
        "title": title(told),
        "target": told.ask.target.name,
        "when": when(told),
        "night_lines": night_lines(told),
        "night": _night(told),
        "lenses": [_lens(lens) for lens in told.lenses],
        "basis": basis(told),
        "notices": told.notices,
        "laser": LASER_CAUTION,
        "size": (WIDE, HIGH),
        "lens_size": (LENS_WIDE, LENS_HIGH),
    }
    return fill_template("plan.html", page, (), {"percent": percent}, {})


def _night(told: Plan) -> Plain:
    """Heights through the night, from two hours before it is dark until two hours after."""
    night = told.night
    there = np.flatnonzero(night.dark)
    a, b = (0, len(night.utc) - 1) if not len(there) else (there[0] - 24, there[-1] + 24)
    a, b = max(int(a), 0), min(int(b), len(night.utc) - 1)

    def x(step: float) -> float:
        return round(WIDE * (step - a) / (b - a), 1)

    def line(heights: Floats) -> str:
        rows = ((x(n), _y(float(heights[n]))) for n in range(a, b + 1))
        return "M" + "L".join(f"{at} {y}" for at, y in rows)

    step, first = night.utc[1] - night.utc[0], night.utc[a]
    hour = first.replace(minute=0, second=0, microsecond=0)
    whole = [hour + timedelta(hours=n) for n in range(1, 25)]
    hours = [one for one in whole if one <= night.utc[b]]
    return {
        "dark": [(x(i), x(j)) for i, j in spans(night.dark)],
        "usable": [(x(i), x(j)) for i, j in spans(night.usable)],
        "target": line(night.altitude_deg),
        "moon": line(night.moon_altitude_deg),
        "hours": [(x(a + (one - first) / step), clock(one)[:2]) for one in hours],
        "heights": [(height, _y(height)) for height in (0, 30, 60, 90)],
        "told": "; ".join(f"{name}: {text}" for name, text in night_lines(told)),
    }


def _y(height_deg: float) -> float:
    return round(HIGH * (1 - min(max(height_deg, 0.0), 90.0) / 90), 1)


def _lens(lens: LensPlan) -> Plain:
    """The share of good frames along exposure, and the same in numbers."""
    choices = lens.choices
    span = np.log([one.exposure_s for one in choices]) if choices else np.zeros(1)
    wide = max(float(np.ptp(span)), 1e-9)

    def at(one: Choice) -> float:
        return round(LENS_WIDE * float(np.log(one.exposure_s) - span[0]) / wide, 1)

    def up(share: float) -> float:
        return round(LENS_HIGH * (1 - share), 1)

    return {
        "name": lens.name,
        "words": lens_words(lens),
        "dots": [
            {
                "x": at(one),
                "y": up(one.share),
                "low": up(one.low),
                "high": up(one.high),
                "best": one is lens.best,
                "audited": one.audited,
                "told": f"{one.exposure_s:g} s: {percent(one.share)} good "
                f"({percent(one.low)} to {percent(one.high)})",
                "seconds": f"{one.exposure_s:g}",
            }
            for one in choices
        ],
        "rows": [
            {
                "seconds": f"{one.exposure_s:g}",
                "frames": one.frames,
                "share": percent(one.share),
                "range": f"{percent(one.low)} to {percent(one.high)}",
                "good": good_words(one),
                "light": f"{one.light_min_per_hour:.0f}",
                "snr": snr_words(one),
                "best": one is lens.best,
                "audited": one.audited,
            }
            for one in choices
        ],
    }
