"""Panels of mosaics -> what the page shows of them: outlines on the sky, a table, what is missing.

The sky is drawn as it is seen, north up and east to the left, about the mosaic's middle with true
distances and directions from there (the azimuthal equidistant projection), which holds a panorama
of half the sky as well.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta
from itertools import groupby
from statistics import median
from typing import Any

import numpy as np
from numpy.typing import NDArray

from skyplumb.output.page.figures import number
from skyplumb.output.panels import LOW_DEG, Panel
from skyplumb.plain import visible

Plain = dict[str, Any]
Floats = NDArray[np.float64]

WIDTH, HEIGHT = 640.0, 420.0
"""Of the drawing at most, in its own units."""
EDGE = 12.0
MOST_WORDS = 6
"""Panels that are told in a sentence each."""


def mosaics(panels: Sequence[Panel], ahead_s: int | None) -> list[Plain]:
    """One entry a mosaic.

    Parameters
    ----------
    panels : sequence of Panel
        Mosaic by mosaic.
    ahead_s : int or None
        How far the camera's clock is ahead of UTC, for times as its user reads them.
    """
    return [_mosaic(list(some), ahead_s) for _, some in groupby(panels, lambda one: one.mosaic)]


def _mosaic(panels: Sequence[Panel], ahead_s: int | None) -> Plain:
    usual = median(one.keep for one in panels)
    rows = [
        {
            "panel": one.panel,
            "frames": one.frames,
            "keep": one.keep,
            "seconds": 60 * one.keep_minutes,
            "fwhm_px": number(one.fwhm_px),
            "snr_of_best": number(one.snr_of_best),
            "overlaps": [(other.panel, other.overlap) for other in one.neighbours],
            "few": 2 * one.keep < usual,
        }
        for one in panels
    ]
    drawn, size = _drawing([one.outline for one in panels])
    for row, shape in zip(rows, drawn, strict=True):
        row |= shape
    weak = sorted((one for one in panels if one.keep < usual), key=lambda one: one.keep)
    lens = visible(panels[0].lens) or f"{panels[0].focal_mm:g} mm"
    return {
        "lens": lens,
        "panels": rows,
        "size": size,
        "words": [_words(one, ahead_s) for one in weak[:MOST_WORDS]],
        "gaps": _gaps(panels),
    }


def _words(one: Panel, ahead_s: int | None) -> str:
    """Such as `Panel 4 has 2 of 6 good frames; it is above 30° until 02:40.`"""
    told = f"Panel {one.panel} has {one.keep} of {one.frames} good frames"
    if np.isnan(one.altitude_deg):
        return f"{told}."
    low = f"{LOW_DEG:.0f}°"
    if one.altitude_deg < LOW_DEG:
        return f"{told}; at the last frame it stood {one.altitude_deg:.0f}° high."
    if one.above_until is None:
        return f"{told}; it stays above {low} for half a day."
    until = one.above_until + timedelta(seconds=ahead_s or 0)
    return f"{told}; it is above {low} until {until:%H:%M}{' UTC' * (ahead_s is None)}."


def _gaps(panels: Sequence[Panel]) -> list[str]:
    """Neighbours that leave a gap between them, each pair once."""
    return [
        f"Panels {one.panel} and {other.panel} do not overlap."
        for one in panels
        for other in one.neighbours
        if other.overlap == 0 and one.panel < other.panel
    ]


def _drawing(
    outlines: Sequence[Sequence[tuple[float, float]]],
) -> tuple[list[Plain], tuple[float, float]]:
    """Each outline as an SVG path and where its number stands, and the drawing's size."""
    flat = _flat([np.radians(np.array(one)) for one in outlines])
    every = np.concatenate(flat)
    low, high = every.min(axis=0), every.max(axis=0)
    wide, tall = np.maximum(high - low, 1e-9)
    scale = min((WIDTH - 2 * EDGE) / wide, (HEIGHT - 2 * EDGE) / tall)
    drawn = []
    for one in flat:
        points = (one - low) * scale + EDGE
        path = "L".join(f"{x:.1f},{y:.1f}" for x, y in points)
        x, y = points.mean(axis=0)
        drawn.append({"path": f"M{path}Z", "x": round(float(x), 1), "y": round(float(y), 1)})
    return drawn, (round(wide * scale + 2 * EDGE, 1), round(tall * scale + 2 * EDGE, 1))


def _flat(outlines: Sequence[Floats]) -> list[Floats]:
    """Places on a plane, rad: east to the left, north up (smaller y)."""
    ways = [
        np.stack([np.cos(d) * np.cos(a), np.cos(d) * np.sin(a), np.sin(d)], -1)
        for a, d in (one.T for one in outlines)
    ]
    middle = np.concatenate(ways).mean(axis=0)
    middle /= np.linalg.norm(middle)
    longitude = np.arctan2(middle[1], middle[0])
    east = np.array([-np.sin(longitude), np.cos(longitude), 0.0])
    north = np.cross(middle, east)
    out = []
    for way in ways:
        x, y = way @ east, way @ north
        angle = np.arctan2(np.hypot(x, y), way @ middle)
        share = angle / np.maximum(np.hypot(x, y), 1e-12)
        out.append(np.stack([-x * share, -y * share], -1))
    return out
