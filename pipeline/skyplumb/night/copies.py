"""Files that hold one and the same shot: copied into another folder, or converted.

A copy has the same samples. One that was converted has other bytes, but its stars stand where
those of the first do, to a small part of what the noise of two exposures would part them by.
When in doubt it is another shot.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import timedelta
from pathlib import PurePosixPath

import numpy as np
from numpy.typing import NDArray

from skyplumb.intake.card import FITS_SUFFIXES
from skyplumb.records import Measure

Floats = NDArray[np.float64]
StarsOf = Callable[[Sequence[str]], Mapping[str, NDArray[np.void]]]
"""Star tables of some files, from the store."""

SAME_TIME = timedelta(seconds=1)
"""Clocks are written to the second by some converters and to a fraction by cameras."""
SAME_EXPOSURE = 0.01
WHOLE_ZONE_S = 900
"""All civil zones are multiples of a quarter of an hour."""
BRIGHTEST = 300
NEAR_PX = 1.5
"""Stars nearer than this may be one; a conversion moves the picture by whole samples at most."""
FARTHEST_PX = 20.0
"""Borders that one decoder cuts off and another keeps."""
FEWEST_STARS = 10
LEAST_SHARE = 0.6
"""Of the fewer stars, the share that has to be found again."""
SAME_PLACE_PX = 0.1
"""Root mean square per axis beyond a common shift."""
ONE_NOISE = 0.5
"""The same over the errors of two exposures' centroids: one there, far less for one exposure."""
LEAST_ERROR_PX = 0.02
"""No centroid is better than this (common practice, no source)."""


def find_copies(measures: Iterable[Measure], stars_of: StarsOf) -> dict[str, str]:
    """Each copy with the file that it is a copy of.

    Parameters
    ----------
    measures : iterable of Measure
        All of the card that could be read, without star tables.
    stars_of : callable
        Gives star tables (`STAR_DTYPE`) of the few files that are asked for.

    Returns
    -------
    dict of str to str
        RAW is the shot before DNG before FITS, then what lies less deep, then the first path.
    """
    known = sorted(measures, key=_rank)
    found: dict[str, str] = {}
    by_samples: dict[str, Measure] = {}
    for one in known:
        if one.samples_digest:
            first = by_samples.setdefault(one.samples_digest, one)
            if first is not one:
                found[one.file] = first.file
    lights = [one for one in known if one.kind == "light" and one.file not in found]
    for first, second in _same_moment(lights):
        if first.file in found or second.file in found:
            continue
        stars = stars_of([first.file, second.file])
        if _one_exposure(first, stars.get(first.file), second, stars.get(second.file)):
            found[second.file] = first.file
    return found


def _rank(measure: Measure) -> tuple[int, int, str]:
    """The shot itself sorts before its copies."""
    path = PurePosixPath(measure.file)
    suffix = path.suffix.casefold()
    form = 2 if measure.info.is_fits or suffix in FITS_SUFFIXES else int(suffix == ".dng")
    return form, len(path.parts), measure.file


def _same_moment(lights: Sequence[Measure]) -> list[tuple[Measure, Measure]]:
    """Pairs, in order, that say they are one body's exposure of one time."""
    by_second: dict[tuple[int, int], list[Measure]] = defaultdict(list)
    pairs = []
    for one in lights:
        clock, exposure = one.info.clock, one.info.exposure_s
        if clock is None or math.isnan(exposure):
            continue
        # Of the hour, since one of the two may be in UTC and the other in a zone.
        second = int((clock.minute % 15) * 60 + clock.second)
        tenth = round(math.log(max(exposure, 1e-6)) * 50)
        seen: dict[str, Measure] = {}
        for moment in (second - 1, second, second + 1):
            for setting in (tenth - 1, tenth, tenth + 1):
                for other in by_second[moment % WHOLE_ZONE_S, setting]:
                    seen[other.file] = other
        pairs += [(other, one) for other in seen.values() if _may_be_one(other, one)]
        by_second[second, tenth].append(one)
    return pairs


def _may_be_one(first: Measure, second: Measure) -> bool:
    """Whether what both files tell agrees: body, exposure, and the time, in one zone or in two."""
    ours, theirs = first.info, second.info
    for name in ("camera", "serial"):
        a, b = getattr(ours, name), getattr(theirs, name)
        if a and b and a != b:
            return False
    if abs(ours.exposure_s - theirs.exposure_s) > SAME_EXPOSURE * ours.exposure_s:
        return False
    assert ours.clock is not None and theirs.clock is not None
    apart = ours.clock - theirs.clock
    if abs(apart) <= SAME_TIME:
        return True
    # A converted file may have its time in UTC.
    zones = [a.utc_offset_h for a in (ours, theirs)]
    if not any(math.isnan(zone) for zone in zones):
        return abs(apart - timedelta(hours=zones[0] - zones[1])) <= SAME_TIME
    if ours.is_fits == theirs.is_fits or abs(apart) > timedelta(hours=14):
        return False
    off = apart % timedelta(seconds=WHOLE_ZONE_S)
    return min(off, timedelta(seconds=WHOLE_ZONE_S) - off) <= SAME_TIME


def _one_exposure(
    first: Measure,
    ours: NDArray[np.void] | None,
    second: Measure,
    theirs: NDArray[np.void] | None,
) -> bool:
    """Whether two star tables are of one exposure: of one pointing and of one noise."""
    if ours is None or theirs is None:
        return False
    if first.width_px < 1 or abs(first.width_px - second.width_px) > FARTHEST_PX:
        return False
    if abs(first.height_px - second.height_px) > FARTHEST_PX:
        return False
    a, error_a = _places(ours)
    b, error_b = _places(theirs)
    upside_down = np.stack([b[:, 0], second.height_px - 1 - b[:, 1]], 1)
    return any(_same_stars(a, error_a, one, error_b) for one in (b, upside_down))


def _places(stars: NDArray[np.void]) -> tuple[Floats, Floats]:
    """Places of the brightest usable stars, px, and their errors per axis."""
    some = stars[stars["flags"] == 0][:BRIGHTEST]
    width = np.sqrt(np.maximum(some["mxx"] + some["myy"], 0.1) / 2)
    # Error of a centroid: the width over the signal to noise (King 1983, PASP 95, 163).
    error = width / np.maximum(some["snr"], 1.0)
    places = np.stack([some["x"], some["y"]], 1).astype(np.float64)
    return places, np.maximum(error.astype(np.float64), LEAST_ERROR_PX)


def _same_stars(a: Floats, error_a: Floats, b: Floats, error_b: Floats) -> bool:
    from scipy.spatial import cKDTree

    fewer = min(len(a), len(b))
    if fewer < FEWEST_STARS:
        return False
    tree = cKDTree(b)
    shift = np.zeros(2)
    # The commonest step between the brightest stars is the border that one has cut off.
    steps = (b[None, :60] - a[:60, None]).reshape(-1, 2)
    steps = steps[np.abs(steps).max(1) <= FARTHEST_PX]
    if len(steps):
        near = cKDTree(steps).query_ball_point(steps, NEAR_PX, return_length=True)
        shift = steps[int(np.argmax(near))]
    for _ in range(2):
        away, index = tree.query(a + shift)
        pairs = away < NEAR_PX
        if np.count_nonzero(pairs) < max(FEWEST_STARS, LEAST_SHARE * fewer):
            return False
        shift = np.median(b[index[pairs]] - a[pairs], axis=0)
    left = b[index[pairs]] - a[pairs] - shift
    errors = np.hypot(error_a[pairs], error_b[index[pairs]])
    # Medians, since a blend may be parted in one and not in the other: 0.6745 sigma.
    scatter = np.median(np.abs(left)) / 0.6745
    noise = np.median(np.abs(left) / errors[:, None]) / 0.6745
    return bool(scatter < SAME_PLACE_PX and noise < ONE_NOISE)
