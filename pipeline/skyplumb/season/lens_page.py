"""Lenses of a season -> one HTML page with a picture of each one's field, and lens.csv."""

from __future__ import annotations

from dataclasses import asdict
from itertools import groupby
from math import isfinite
from typing import Any

import numpy as np
import pandas as pd

from skyplumb.digits import counted, with_error
from skyplumb.output.page.render import fill_template
from skyplumb.plain import plain
from skyplumb.season.aberrations import Term
from skyplumb.season.gear_page import csv_cell
from skyplumb.season.lenses import Place, SeasonLens, lens_rows
from skyplumb.season.trend import Line

Plain = dict[str, Any]

WIDE = 360.0
"""Of a field's drawing, in its own units."""
ROOM = 0.42
"""Of the distance between two parts of the picture, for the longest star."""
SHARE_SIGMAS = 2.0
"""An excess clearer than so many errors is parted into shares."""


def render_lenses(lenses: list[SeasonLens]) -> str:
    """The page."""
    groups = [
        {"name": name, "apertures": _apertures(mine), "lenses": [_lens(one) for one in mine]}
        for name, mine in (
            (name, list(mine)) for name, mine in groupby(lenses, key=lambda one: one.label)
        )
    ]
    return fill_template("lenses.html", {"groups": groups, "wide": WIDE}, (), {}, {})


def lens_table(lenses: list[SeasonLens]) -> pd.DataFrame:
    """lens.csv: for each lens, aperture and camera its parts and means, and its field."""
    return pd.DataFrame([dict(row) for row in lens_rows(lenses)]).astype(object).map(csv_cell)


def lens_facts(lenses: list[SeasonLens]) -> list[Plain]:
    """The same in tally.json."""
    return [plain(asdict(one)) for one in lenses]


def _apertures(lenses: list[SeasonLens]) -> list[Plain]:
    """How a lens changes with its aperture: a row for each, where there are several."""
    if len(lenses) < 2:
        return []
    return [
        {
            "name": _name(one),
            "sharpest": _px(one.sharpest_px),
            "parts": [
                (_error(part.fwhm_px), _error(part.ellipticity))
                for part in (one.centre, one.edges, one.corners)
            ],
            "shares": [_share(one, name) for name in ("coma", "astigmatism", "focus")],
        }
        for one in lenses
    ]


def _lens(one: SeasonLens) -> Plain:
    """One lens at one aperture."""
    found = one.aberrations
    nights = counted(one.of_nights, "night")
    axis = (found.axis_x, found.axis_y)
    return {
        "name": _name(one),
        "basis": f"{counted(one.frames, 'sharp frame')} of {one.nights} of {nights}, "
        f"{one.stars} stars of the catalogue" + ", each counted once a night" * (one.nights > 1),
        "field": _field(one),
        "rows": [
            (title, _error(part.fwhm_px), _error(part.ellipticity))
            for title, part in (
                ("Centre", one.centre),
                ("Edges", one.edges),
                ("Corners", one.corners),
                ("Worst corner", one.worst_corner),
            )
        ],
        "facts": [
            ("Sharpest ever", f"{_px(one.sharpest_px)} px on {one.sharpest_night}"),
            (
                "Tilt",
                f"right edge less left {_error(one.tilt_x_px)} px, "
                f"lower less upper {_error(one.tilt_y_px)} px",
            ),
            ("Optical axis", f"{_axis(axis)}" if all(map(_known, axis)) else "not known"),
            ("Corners are wider by", _shares(one)),
            ("Focus through a night", _line(one.per_hour, "mean", "px an hour")),
            ("Focus with temperature", _line(one.per_degree, "mean", "px a degree, within nights")),
            (
                "Focus, night to night",
                _line(one.between_nights, "slope", "px a degree of their temperatures"),
            ),
        ],
    }


def _name(one: SeasonLens) -> str:
    aperture = f"f/{one.aperture:.3g}" if isfinite(one.aperture) else "aperture not known"
    through = f", {one.filter}" if one.filter else ""
    body = f"{one.camera or 'an unknown camera'} {one.serial}".rstrip()
    return f"{aperture} on {body}{through}"


def _field(one: SeasonLens) -> Plain:
    """Its stars over the picture, drawn larger than they are by a factor that is told."""
    half = np.array([one.width_px, one.height_px]) / np.hypot(one.width_px, one.height_px)
    unit = WIDE / (2 * half[0])
    axes = [_axes(place) for place in one.places]
    longest = max((long for long, _, _ in axes), default=1.0)
    apart = WIDE / 7
    times = ROOM * apart / longest
    widths = [place.shape.fwhm_px.value for place in one.places]
    sharp, soft = min(widths, default=1.0), max(widths, default=1.0)
    return {
        "high": round(WIDE * one.height_px / one.width_px, 1),
        "stars": [
            {
                "x": round((place.x + half[0]) * unit, 1),
                "y": round((place.y + half[1]) * unit, 1),
                "rx": round(times * long, 2),
                "ry": round(times * short, 2),
                "turn": round(angle, 1),
                "soft": round((width - sharp) / max(soft - sharp, 1e-9), 2),
                "words": f"FWHM {_error(place.shape.fwhm_px)} px, ellipticity "
                f"{_error(place.shape.ellipticity)}, {place.stars} stars",
            }
            for place, (long, short, angle), width in zip(one.places, axes, widths, strict=True)
        ],
        "times": f"{times * one.width_px / WIDE:.0f}",
        "sharp": _px(sharp),
        "soft": _px(soft),
    }


def _axes(place: Place) -> tuple[float, float, float]:
    """Half the width of a star along and across its longer axis, px, and that axis."""
    xx, yy, xy = (term.value for term in place.moments)
    half = place.shape.fwhm_px.value / 2
    stretch, trace = float(np.hypot(xx - yy, 2 * xy)), xx + yy
    long, short = (half * np.sqrt(max(1 + way * stretch / trace, 0.05)) for way in (1.0, -1.0))
    return float(long), float(short), place.shape.angle_deg


def _known(term: Term) -> bool:
    return isfinite(term.value) and isfinite(term.sigma)


def _error(term: Term) -> str:
    return with_error(term.value, term.sigma) if isfinite(term.value) else "–"


def _px(value: float) -> str:
    return f"{value:.2f}" if isfinite(value) else "–"


def _axis(axis: tuple[Term, Term]) -> str:
    right, down = (Term(100 * term.value, 100 * term.sigma) for term in axis)
    return (
        f"{_error(right)}% of the half diagonal to the right of the middle, {_error(down)}% below"
    )


def _shares(one: SeasonLens) -> str:
    """The corners' excess variance, parted."""
    excess = one.aberrations.excess
    if not _known(excess):
        return "not known"
    told = f"{_error(excess)} px² than the middle, of both axes together"
    if excess.value < SHARE_SIGMAS * excess.sigma:
        return f"{told}: no more than its error"
    parts = (
        ("coma", "coma"),
        ("astigmatism", "astigmatism"),
        ("curvature of the field and tilt", "focus"),
    )
    return f"{told}: " + ", ".join(f"{title} {_share(one, name)}" for title, name in parts)


def _share(one: SeasonLens, name: str) -> str:
    """A part of the corners' excess with its error, per cent."""
    excess, part = one.aberrations.excess, getattr(one.aberrations, name)
    if not _known(excess) or excess.value < SHARE_SIGMAS * excess.sigma:
        return "–"
    return f"{_error(Term(*(100 * v / excess.value for v in (part.value, part.sigma))))}%"


def _line(line: Line, part: str, unit: str) -> str:
    """A drift with its range."""
    value, low, high = (getattr(line, part + end) for end in ("", "_low", "_high"))
    if not (isfinite(low) and isfinite(high)):
        return "not known yet"
    none = ": none seen" if low <= 0 <= high else ""
    return f"{value:+.2g} ({low:+.2g} to {high:+.2g}) {unit}{none}".replace("-", "−")
