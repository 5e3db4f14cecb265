"""Which points of a frame are stars: the ones whose shapes count, and those that tell of the lens.

Land under a skyline, lamps, edges of cloud and noise pass for stars one by one. The catalogue's
stars do not lie, so a lens is learned from those alone wherever one of its frames was solved.
Where none was, from parts of the picture whose points have a width in common, in frames whose
points are as bright beside one another as stars are.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from skyplumb.calibrate.lens_psf import (
    WIDTHS_WITHIN,
    ShapeStars,
    of_one_width,
    shape_rows,
    shape_stars,
)
from skyplumb.calibrate.light import Light
from skyplumb.robust import robust_sigma

FEWEST_KNOWN = 20
"""So many stars of the catalogue say how wide the frame's stars are."""
FEWEST_OF_LENS = 8
"""Fewer of a frame say nothing of the lens; see `learn_lens`."""
FEWEST_OF_A_SKY = 40
"""The slope of so many stars' brightness is good to a sixth."""
SLOPES = (0.5, 2.0)
"""Of star counts: N brighter than F falls as F^-1.5 where stars are strewn evenly through space
(0.6 dex a magnitude), in the Galaxy from 0.8 to 1.3 (0.3 to 0.5; Allen's Astrophysical
Quantities, from memory)."""
PARTS = (3, 3)
"""Of the picture, across and down."""
FEWEST_IN_PART = 5
LIKE_WIDTHS = 0.45
"""Scatter of the natural logarithm of the squared width of stars of one part: 0.05 to 0.25 on
fine sensors, up to 0.5 where a pixel is as wide as a star; of noise 0.5 to 2 (real frames)."""


NO_WIDTH = 0.8
"""The same of a whole frame: 0.14 to 0.67 on real skies from 0.8 to 180 degrees wide, 0.9 to 1.6
where clouds, a horizon or noise were taken for stars."""


def stars_of(light: Light) -> ShapeStars:
    """The shapes that count in a frame.

    Beside enough stars of the catalogue a point far wider than they are is none. Points far
    narrower are flagged as hot before. Where the catalogue says nothing and the points have no
    width in common, none is a star for sure.
    """
    shaped = shape_stars(light.measure)
    known = _known(light)
    if np.count_nonzero(known) < FEWEST_KNOWN:
        lost = not known.any() and not has_one_width(shaped)
        return shaped.only(known) if lost else of_one_width(shaped)
    size = shaped.moments[:, 0]
    return shaped.only(known | (size < WIDTHS_WITHIN * np.median(size[known])))


def has_one_width(shaped: ShapeStars) -> bool:
    """Whether the points of a frame have about one width, as stars have; so have too few."""
    if len(shaped.place) < FEWEST_OF_LENS:
        return True
    size = np.log(np.maximum(shaped.moments[:, 0], 0.1))
    return robust_sigma(size - np.median(size)) < NO_WIDTH


def stars_of_lens(lights: Sequence[Light]) -> list[ShapeStars]:
    """Of each frame of one lens what may speak of it; nothing of most where that is not sure."""
    known = [_known(light) for light in lights]
    if not any(np.count_nonzero(one) >= FEWEST_OF_LENS for one in known):
        known = [_like_a_sky(light) for light in lights]
    return [
        shape_stars(light.measure).only(which) for light, which in zip(lights, known, strict=True)
    ]


def sure_stars(light: Light) -> int:
    """How many of a frame's shapes are surely of stars."""
    return int(np.count_nonzero(_known(light))) or int(np.count_nonzero(_like_a_sky(light)))


def _known(light: Light) -> NDArray[np.bool_]:
    """Which of a frame's shapes are of stars that the catalogue holds."""
    matched = np.zeros(len(light.measure.stars), bool)
    matched[light.pointing.star] = True
    return matched[shape_rows(light.measure)]


def _like_a_sky(light: Light) -> NDArray[np.bool_]:
    """Which of the shapes of a frame that was not solved are of stars, by all of them."""
    measure, shaped = light.measure, shape_stars(light.measure)
    out = np.zeros(len(shaped.place), bool)
    flux = measure.stars["flux"][shape_rows(measure)].astype(np.float64)
    if len(flux) < FEWEST_OF_A_SKY or not SLOPES[0] < _slope(flux) < SLOPES[1]:
        return out
    size = np.log(np.maximum(shaped.moments[:, 0], 0.1))
    half = np.array([measure.width_px, measure.height_px])
    half = half / np.hypot(*half)
    across, down = (
        np.clip((shaped.place / half + 1) / 2 * PARTS, 0, np.array(PARTS) - 1).astype(int).T
    )
    part = across + PARTS[0] * down
    for one in np.unique(part):
        mine = part == one
        if np.count_nonzero(mine) >= FEWEST_IN_PART:
            out[mine] = robust_sigma(size[mine] - np.median(size[mine])) < LIKE_WIDTHS
    if out.mean() < 0.5:  # parts of one width by chance
        out[:] = False
    return out


def _slope(flux: NDArray[np.float64]) -> float:
    """The a of N(brighter than F) ~ F^-a (Hill 1975); the faintest fifth, cut by noise, aside."""
    least = np.percentile(flux, 20)
    above = flux[flux > least]
    return float(1 / np.mean(np.log(above / least))) if len(above) else np.inf
