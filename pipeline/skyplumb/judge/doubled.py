"""Doubled stars: a knock between two rests, so that every star stands twice."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from skyplumb.angles import axis_deg
from skyplumb.measure.flags import BIT
from skyplumb.records import NAN, Measure
from skyplumb.robust import robust_sigma

REACH_PX = 90.0
"""Farthest that two images of one star are looked for."""
FEWEST_PAIRS = 8
"""So many stars must stand twice in one and the same way before it is said that stars do."""
MOST_STARS = 1500
"""The brightest: more tell nothing more, and the pairs grow with their square."""
LIKE_RATIOS = 0.4
"""Scatter of the natural logarithm of the two images' ratio of light: 0.03 to 0.1 of knocks, over
0.5 of stars that are paired by chance (drawn nights)."""
LEAST_WIDTH = 0.4
"""How wide the stars that stand twice are strewn across the line along which they are longest,
over how all stars are: of an aircraft's flashes 0 to 0.2, of a knock 1 (0.6 for eight)."""
FEWEST_QUARTERS = 3
"""Of the picture's stars, by the medians of their places."""


@dataclass(frozen=True, slots=True)
class Doubled:
    """Stars that stand twice: a knock between two rests. All NaN if they stand once."""

    separation_px: float = NAN
    angle_deg: float = NAN
    """In the picture, -90..90."""
    fainter_share: float = NAN
    """Part of the light in the fainter image."""

    @property
    def seen(self) -> bool:
        """Whether stars stand twice."""
        return bool(np.isfinite(self.separation_px))

    @property
    def trail_px(self) -> float:
        """Length of the even trail of the same second moment, px: f (1 - f) d^2 = L^2 / 12."""
        share = self.fainter_share
        return float(np.sqrt(12 * share * (1 - share)) * self.separation_px)


def doubled_stars(measure: Measure, fwhm_px: float, trail_px: float) -> Doubled:
    """How far apart stars stand twice; all NaN if they don't.

    Each star of a knocked frame has a companion at one and the same separation and with one
    and the same share of the light, so the separations between detections pile up there.
    Chance pairs spread evenly. Flashes of an aircraft are as like each other, but lie on its
    line: a knock doubles the stars all over the picture.
    """
    from scipy.spatial import cKDTree

    none = Doubled()
    stars = measure.stars
    stars = stars[(stars["flags"] & (BIT["hot"] | BIT["streak"])) == 0][:MOST_STARS]
    if len(stars) < 12:
        return none
    bright = stars[: max(12, len(stars) // 3)]
    ours = np.stack([bright["x"], bright["y"]], 1).astype(np.float64)
    places = np.stack([stars["x"], stars["y"]], 1).astype(np.float64)
    near = cKDTree(ours).sparse_distance_matrix(cKDTree(places), REACH_PX, output_type="ndarray")
    # A long trail breaks into pieces along itself; those are no doubles.
    least = max(1.1 * fwhm_px if np.isfinite(fwhm_px) else 2.0, 2.0)
    if np.isfinite(trail_px):
        least = max(least, 1.3 * trail_px)
    usable = near["v"] > least
    first, second = near["i"][usable], near["j"][usable]
    if len(first) < 6:
        return none
    vectors = places[second] - ours[first]
    # The fainter image may lie on either side. Both ways of each pair are kept: folded to one
    # half of the plane, separations along its edge would fall into two heaps.
    vectors = np.concatenate([vectors, -vectors])
    ours_light, theirs_light = bright["flux"][first], stars["flux"][second]
    share = np.minimum(ours_light, theirs_light) / (ours_light + theirs_light)
    share = np.concatenate([share, share])
    ratio = np.log(np.maximum(theirs_light, 1e-9) / np.maximum(ours_light, 1e-9))
    ratio = np.concatenate([ratio, -ratio])
    first = np.concatenate([first, first])
    radius = max(1.0, 0.35 * (fwhm_px if np.isfinite(fwhm_px) else 3.0))
    by_chance = len(vectors) * radius**2 / (REACH_PX**2 - least**2)
    by_chance += 6 * np.sqrt(by_chance + 1)
    fewest = max(FEWEST_PAIRS, 0.4 * len(bright))
    if _most_in_a_circle(vectors, radius) < max(fewest, by_chance):
        return none
    tree = cKDTree(vectors)
    # One way of each pair sees the crowd that the other does; lists would take gigabytes.
    crowd = tree.query_ball_point(vectors[: len(vectors) // 2], radius, return_length=True)
    peak = int(np.argmax(crowd))
    members = tree.query_ball_point(vectors[peak], radius)
    if len(np.unique(first[members])) < fewest or len(members) < by_chance:
        return none
    if not robust_sigma(ratio[members] - np.median(ratio[members])) < LIKE_RATIOS:
        return none
    if not _all_over(ours[np.unique(first[members])], places):
        return none
    middle = np.median(vectors[members], axis=0)
    angle = axis_deg(float(np.degrees(np.arctan2(middle[1], middle[0]))))
    return Doubled(float(np.hypot(*middle)), angle, float(np.median(share[members])))


def _all_over(some: NDArray[np.float64], stars: NDArray[np.float64]) -> bool:
    """Whether some of the stars, places of shape (n, 2), lie all over the picture as all do."""
    middle = np.median(stars, axis=0)
    quarters = np.unique((some > middle) @ (1, 2))
    narrowest = np.linalg.svd(some - some.mean(axis=0), compute_uv=False)[-1] / np.sqrt(len(some))
    usual = np.linalg.svd(stars - stars.mean(axis=0), compute_uv=False)[-1] / np.sqrt(len(stars))
    return bool(len(quarters) >= FEWEST_QUARTERS and narrowest > LEAST_WIDTH * usual)


def _most_in_a_circle(vectors: NDArray[np.float64], radius: float) -> int:
    """No circle of this radius holds more of the vectors, of `REACH_PX` at most.

    Of square cells as wide as the circle the four around one corner cover it: a quick look that
    spares nearly every frame the search.
    """
    cell = np.floor((vectors + REACH_PX) / (2 * radius)).astype(np.int64)
    side = int(REACH_PX / radius) + 2
    counts = np.bincount(cell @ (side, 1), minlength=side * side).reshape(side, side)
    pairs = counts[1:] + counts[:-1]
    return int((pairs[:, 1:] + pairs[:, :-1]).max())
