"""Which darks, flats and bias of a card fit the frames of a run."""

from __future__ import annotations

import math
from collections.abc import Sequence
from statistics import median

from skyplumb.columns import FrameRow
from skyplumb.judge.runs import same_exposure

FOLDERS = {"dark": "dark-frames", "flat": "flat-frames", "bias": "bias-frames"}
"""Kind of frame and the folder it is laid in."""

SAME_TEMPERATURE_C = 5.0
"""Darks this much warmer or colder do not fit. Dark current doubles every 6 to 8 degrees (common
practice, no source)."""

_ALIKE = {
    "dark": ("camera", "iso", "gain", "offset", "binning"),
    "flat": ("camera", "lens", "focal_mm", "aperture", "filter", "binning"),
    "bias": ("camera", "iso", "gain", "offset", "binning"),
}
SAME_SETTING_C = 0.5
"""Coolers are set to whole degrees."""


def fitting(rows: Sequence[FrameRow], run: Sequence[FrameRow]) -> dict[str, list[str]]:
    """Files of each kind of `FOLDERS` that fit the light frames of one run.

    Darks fit by camera, ISO, gain, offset, binning, exposure and, where both are known, what the
    cooler was set to and the temperature; flats by camera, lens, focal length, aperture, filter
    and binning; bias by camera, ISO, gain, offset and binning. What is unknown of both is alike.

    Parameters
    ----------
    rows : sequence of FrameRow
        Calibration frames among them.
    run : sequence of FrameRow
        Its light frames, one or more.
    """
    first = run[0]
    warmth = _middle([row.temperature_c for row in run])
    exposure = _middle([row.exposure_s for row in run])
    found: dict[str, list[str]] = {}
    for kind, names in _ALIKE.items():
        some = [
            row
            for row in rows
            if row.kind == kind
            and all(_alike(getattr(row, name), getattr(first, name)) for name in names)
        ]
        if kind == "dark":
            some = [
                row
                for row in some
                if same_exposure(float(row.exposure_s), exposure)
                and not abs(row.temperature_c - warmth) > SAME_TEMPERATURE_C
                and not abs(row.set_temperature_c - first.set_temperature_c) > SAME_SETTING_C
            ]
        found[kind] = [row.file for row in some]
    return found


def _middle(values: Sequence[float]) -> float:
    """Median of what is known; NaN if nothing is."""
    return median([float(value) for value in values if not math.isnan(value)] or [math.nan])


def _alike(one: object, other: object) -> bool:
    """Equal, or unknown both."""
    if isinstance(one, float) and isinstance(other, float):
        return one == other or (math.isnan(one) and math.isnan(other))
    if isinstance(one, str) and isinstance(other, str):
        return one.casefold() == other.casefold()
    return one == other
