"""Hot pixels that look like stars: told by the darks on the card, and by standing still.

A lone bright pixel is narrower than any star and never enters a star table. A bright pair
or a warm cluster may pass for a star in one frame; but it shows in a dark too, and it stays
where it is when the camera points elsewhere; and in a solved frame it is narrower than the
stars that the catalogue holds. On a well-tracked run the stars stay as well,
so that only frames of different pointings are compared.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from skyplumb.calibrate.lens_psf import WIDTHS_WITHIN
from skyplumb.calibrate.lens_stars import FEWEST_KNOWN
from skyplumb.calibrate.light import Light
from skyplumb.calibrate.sky import unit_vectors
from skyplumb.measure.flags import BIT
from skyplumb.records import Measure

if TYPE_CHECKING:
    from scipy.spatial import cKDTree

Floats = NDArray[np.float64]

SAME_PLACE_PX = 0.6
MOVED_PX = 5.0
"""The sky must have moved on the sensor by more than this."""
OTHER_POINTINGS = 8
SEEN_IN = 2
"""So many other pointings must show the same bright place."""


def mark_hot(lights: Sequence[Light], darks: Sequence[Measure]) -> list[Light]:
    """The lights with hot pixels flagged in their star tables, so that they do not vote.

    Parameters
    ----------
    lights : sequence of Light
        Pointed, in any order.
    darks : sequence of Measure
        Dark frames of the session.
    """
    cameras: dict[tuple[object, ...], list[int]] = defaultdict(list)
    for number, light in enumerate(lights):
        cameras[_camera(light.measure)].append(number)
    out = list(lights)
    for camera, numbers in cameras.items():
        shut = [_bright_places(dark) for dark in darks if _camera(dark) == camera]
        known = np.concatenate([np.zeros((0, 2)), *shut])
        # Asked of every pair of frames, so each frame's place is worked out once.
        solved = [lights[n] for n in numbers if lights[n].pointing.solved]
        middles = unit_vectors(
            np.radians([light.pointing.ra_deg for light in solved]),
            np.radians([light.pointing.dec_deg for light in solved]),
        )
        trees: dict[str, cKDTree] = {}
        for number in numbers:
            light = lights[number]
            others = [solved[n] for n in np.flatnonzero(_moved(light, middles))]
            hot = _near(light, known) | _standing_still(light, others, trees) | _too_narrow(light)
            if hot.any():
                out[number] = _flagged(light, hot)
    return out


def _camera(measure: Measure) -> tuple[object, ...]:
    info = measure.info
    return (info.serial or info.camera, measure.width_px, measure.height_px)


def _bright_places(dark: Measure) -> Floats:
    """Everything that shines in a dark."""
    stars = np.stack([dark.stars["x"], dark.stars["y"]], 1)
    return np.concatenate([stars, dark.hot_xy]).astype(np.float64)


def _places(light: Light) -> Floats:
    stars = light.measure.stars
    return np.stack([stars["x"], stars["y"]], 1).astype(np.float64)


def _near(light: Light, known: Floats) -> NDArray[np.bool_]:
    """Which stars stand where a dark shines."""
    from scipy.spatial import cKDTree

    places = _places(light)
    if len(known) == 0 or len(places) == 0:
        return np.zeros(len(places), bool)
    distance, _ = cKDTree(known).query(places, distance_upper_bound=SAME_PLACE_PX)
    return np.asarray(distance < SAME_PLACE_PX)


def _standing_still(
    light: Light, others: Sequence[Light], trees: dict[str, cKDTree]
) -> NDArray[np.bool_]:
    """Which unmatched stars stand at the same place in frames of other pointings.

    `trees` keeps the others' places by file, since many frames ask the same ones.
    """
    from scipy.spatial import cKDTree

    still = np.zeros(len(light.measure.stars), bool)
    if not light.pointing.solved:
        return still
    alone = np.ones(len(still), bool)
    alone[light.pointing.star] = False
    unmatched = np.flatnonzero(alone)
    if len(unmatched) == 0:
        return still
    places = _places(light)[unmatched]
    seen = np.zeros(len(unmatched), int)
    step = max(1, len(others) // OTHER_POINTINGS)
    for other in others[::step][:OTHER_POINTINGS]:
        if len(other.measure.stars):
            if other.file not in trees:
                trees[other.file] = cKDTree(_places(other))
            distance, _ = trees[other.file].query(places, distance_upper_bound=SAME_PLACE_PX)
            seen += distance < SAME_PLACE_PX
    still[unmatched] = seen >= SEEN_IN
    return still


def _too_narrow(light: Light) -> NDArray[np.bool_]:
    """Which stars that the catalogue does not hold are much narrower than those it does."""
    stars, matched = light.measure.stars, light.pointing.star
    size = stars["mxx"] + stars["myy"]
    if len(matched) < FEWEST_KNOWN:
        return np.zeros(len(stars), bool)
    narrow = size < np.median(size[matched]) / WIDTHS_WITHIN
    narrow[matched] = False
    return np.asarray(narrow)


def _moved(light: Light, middles: Floats) -> NDArray[np.bool_]:
    """Which middles of other frames, ICRS, lie elsewhere on the sensor; none if not solved."""
    here = light.pointing
    if not here.solved or here.camera is None:
        return np.zeros(len(middles), bool)
    middle = unit_vectors(*np.radians([here.ra_deg, here.dec_deg]))
    off = np.linalg.norm(middles - middle, axis=1) * here.camera.focal_px
    return np.asarray(off > MOVED_PX)


def _flagged(light: Light, hot: NDArray[np.bool_]) -> Light:
    stars = light.measure.stars.copy()
    stars["flags"][hot] |= BIT["hot"]
    return replace(light, measure=replace(light.measure, stars=stars))
