"""Pictures of stars for people and for the mean star: crops at 100 %, and the median star."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from skyplumb.measure.flags import BIT
from skyplumb.measure.mosaic import GREEN, Mosaic, fill_green

MEAN_STAR_SIZE = 49
MEAN_STAR_FROM = 200
"""How many stars the mean star is made of."""
MEAN_STAR_REACH = 0.5
"""Part of the half diagonal they come from: further out the lens draws them its own way."""
CROP_SIZE = 49
CROP_RADII = (0.0, 0.17, 0.34, 0.5, 0.66, 0.8, 0.93)


def mean_star(mosaic: Mosaic, table: NDArray[np.void]) -> NDArray[np.float32]:
    """Median of bright stars on the green samples, each divided by its fitted height.

    A median, so that the neighbours of the one or the other do not show.
    """
    spoiled = BIT["saturated"] | BIT["edge"] | BIT["unfit"] | BIT["hot"] | BIT["streak"]
    middle = np.array([mosaic.width - 1, mosaic.height - 1]) / 2
    radius = np.hypot(table["x"] - middle[0], table["y"] - middle[1]) / np.hypot(*middle)
    good = ((table["flags"] & spoiled) == 0) & (table["snr"] > 30) & (radius < MEAN_STAR_REACH)
    chosen = np.flatnonzero(good)[:MEAN_STAR_FROM]
    reach = MEAN_STAR_SIZE // 2
    x = np.rint(table["x"][chosen]).astype(np.int64)
    y = np.rint(table["y"][chosen]).astype(np.int64)
    whole = (
        (x > reach) & (y > reach) & (x < mosaic.width - reach - 1) & (y < mosaic.height - reach - 1)
    )
    chosen, x, y = chosen[whole], x[whole], y[whole]
    if len(chosen) < 5:
        return np.zeros((0, 0), np.float32)
    above, colours, _ = mosaic.stamps(x, y, reach + 1)
    green = fill_green(above, colours == GREEN)[:, 1:-1, 1:-1]
    stars = table[chosen]
    det = np.maximum(stars["mxx"] * stars["myy"] - stars["mxy"] ** 2, 1e-6)
    height = stars["flux"] / (2 * np.pi * np.sqrt(det))
    return np.asarray(np.median(green / height[:, None, None], axis=0), np.float32)


def no_crops() -> NDArray[np.float32]:
    return np.zeros((0, CROP_SIZE, CROP_SIZE), np.float32)


def star_crops(
    mosaic: Mosaic, table: NDArray[np.void]
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Crops of well-exposed stars from the middle of the picture out to its corners.

    The wanted places are fixed on the sensor, so that the frames of a tracked run show
    the same stars.
    """
    usable = (table["flags"] & ~(BIT["faint"] | BIT["blended"])) == 0
    candidates = table[usable]
    middle = np.array([mosaic.width - 1, mosaic.height - 1]) / 2
    corners = np.array([[1, 1], [-1, -1], [1, -1], [-1, 1]]) * middle
    places = []
    taken: set[int] = set()
    for number, radius in enumerate(CROP_RADII):
        target = middle + radius * corners[number % 4]
        distance = np.hypot(candidates["x"] - target[0], candidates["y"] - target[1])
        near = np.flatnonzero(distance < 0.14 * np.hypot(*middle))
        near = np.array([i for i in near if i not in taken], int)
        if len(near):
            pick = int(near[np.argmax(candidates["flux"][near])])
            taken.add(pick)
            places.append((candidates["x"][pick], candidates["y"][pick]))
    if not places:
        return no_crops(), np.zeros((0, 2), np.float32)
    xy = np.array(places, np.float32)
    xy = xy[np.argsort(np.hypot(*(xy - middle).T), kind="stable")]
    reach = CROP_SIZE // 2
    above, colours, _ = mosaic.stamps(
        np.rint(xy[:, 0]).astype(np.int64), np.rint(xy[:, 1]).astype(np.int64), reach + 1
    )
    return fill_green(above, colours == GREEN)[:, 1:-1, 1:-1], xy
