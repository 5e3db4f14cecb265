"""Which darks, flats and bias of a card fit the frames of a run."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from pathlib import Path
from statistics import median

from skyplumb.columns import FrameRow
from skyplumb.digits import counted
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
MOST_DAYS = 365
"""Older frames of a library do not fit: a sensor gets new hot pixels, a lens new dust (common
practice, no source)."""
NOON = timedelta(hours=12)
"""A night is one evening's, whatever midnight does to its date."""
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


@dataclass(frozen=True, slots=True)
class Library:
    """A folder of calibration frames: the card itself, or one beside it."""

    root: Path
    rows: tuple[FrameRow, ...]
    """Their `file` is relative to `root`."""


@dataclass(frozen=True, slots=True)
class Fit:
    """The frames of one kind that fit a run."""

    root: Path
    files: tuple[str, ...]
    words: str = ""
    """When they were taken and where they are from; empty for the card's own of that night."""


def best_fits(
    card: Library, libraries: Sequence[Library], run: Sequence[FrameRow]
) -> dict[str, Fit]:
    """The frames of each kind of `FOLDERS` that fit a run, of the evening nearest to it.

    Where evenings are as near, the card's own serve, then those of the library named first. A
    library's frames fit within `MOST_DAYS`; the card's own do whatever their date, which may be
    wrong or missing.
    """
    places = (card, *libraries)
    fits = [fitting(one.rows, run) for one in places]
    return {kind: _nearest(kind, places, [one[kind] for one in fits], run[0]) for kind in FOLDERS}


def _nearest(
    kind: str, places: Sequence[Library], fits: Sequence[Sequence[str]], light: FrameRow
) -> Fit:
    when = _evening(light)
    found: dict[tuple[int, int, date], list[str]] = {}
    for place, (library, files) in enumerate(zip(places, fits, strict=True)):
        taken = {row.file: _evening(row) for row in library.rows if row.kind == kind}
        for file in files:
            evening = taken[file]
            if evening is None or when is None:
                continue
            age = abs((when - evening).days)
            if place == 0 or age <= MOST_DAYS:
                found.setdefault((age, place, evening), []).append(file)
    dated = any(place == 0 for _, place, _ in found)
    if not found or (fits[0] and not dated):  # nobody knows how old the card's own are
        return Fit(places[0].root, tuple(fits[0]))
    age, place, evening = min(found)
    files = found[age, place, evening]
    root = places[place].root
    told = (
        f"{counted(len(files), f'{kind} frame')} of {evening}, {counted(age, 'day')} from the run"
    )
    if place:
        told += f", from {root}"
    return Fit(root, tuple(files), told if age or place else "")


def _evening(row: FrameRow) -> date | None:
    """The evening of the night in which a frame was taken, by its camera's clock; None if it does
    not say."""
    found = re.match(r"(\d{4})[:-](\d\d)[:-](\d\d)(?:[ T](\d\d))?", str(row.taken_camera or ""))
    if found is None:
        return None
    year, month, day, hour = map(int, found.groups("12"))
    try:
        return (datetime(year, month, day, hour) - NOON).date()
    except (ValueError, OverflowError):
        return None


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
