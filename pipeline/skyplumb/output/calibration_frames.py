"""Which darks, flats and bias of a card fit the frames of a run."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
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
    """A folder of calibration frames beside the card."""

    root: Path
    rows: tuple[FrameRow, ...]
    """Their `file` is relative to `root`."""


@dataclass(frozen=True, slots=True)
class Fit:
    """The frames of one kind that fit a run."""

    root: Path
    files: tuple[str, ...]
    words: str = ""
    """When they were taken and where they are from; empty for the card's own."""


def best_fit(
    kind: str, own: Sequence[str], card: Path, libraries: Sequence[Library],
    run: Sequence[FrameRow],
) -> Fit:  # fmt: skip
    """The card's own frames of a kind; where it has none, those of a library that were taken
    nearest to the run in time, of one day, and no more than `MOST_DAYS` from it."""
    if own:
        return Fit(card, tuple(own))
    when = _day(run[0])
    found: list[tuple[int, int, date, list[str]]] = []
    for place, library in enumerate(libraries):
        fits = set(fitting(library.rows, run)[kind])
        days: dict[date, list[str]] = {}
        for row in library.rows:
            day = _day(row)
            if row.file in fits and row.kind == kind and day is not None and when is not None:
                days.setdefault(day, []).append(row.file)
        found += [
            (age, place, day, files)
            for day, files in days.items()
            if when is not None and (age := abs((when - day).days)) <= MOST_DAYS
        ]
    if not found:
        return Fit(card, ())
    age, place, day, files = min(found, key=lambda one: one[:3])
    root = libraries[place].root
    told = f"{counted(len(files), f'{kind} frame')} of {day}, {counted(age, 'day')} from the run, "
    return Fit(root, tuple(files), f"{told}from {root}")


def _day(row: FrameRow) -> date | None:
    """When a frame was taken, by its camera's clock; None if it does not say."""
    found = re.match(r"(\d{4})[:-](\d\d)[:-](\d\d)", str(row.taken_camera or ""))
    try:
        return date(*map(int, found.groups())) if found else None
    except ValueError:
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
