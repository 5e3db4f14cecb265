"""Two frames of one lens -> how the stars moved on the sensor between them, without a catalogue.

A sky that is not solved (a narrow field, haze, an odd lens) still shows its own stars in
frame after frame. They are laid on each other and the matches are held against the odds of chance,
as they are with the catalogue. What stands still on the sensor while other points move
together, such as hot pixels and lamps, is not the sky.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from skyplumb.calibrate.matching import (
    CERTAIN_LOG_ODDS,
    FEWEST_MATCHES,
    NEIGHBOURS,
    centroid_errors,
    mixture_of,
    trusted_rows,
)
from skyplumb.calibrate.similarity import best_similarity
from skyplumb.records import Measure
from skyplumb.rowwise import robust_fits

Floats = NDArray[np.float64]

BRIGHTEST = 200
"""So many stars of each frame are laid on each other."""
WITHIN_PX = 2.0
SAME_PLACE_PX = 0.1
"""A pattern of the sensor moves less than this, whatever its noise."""
STANDS_PX = 0.6
"""What moves less than this between two frames may be the sensor's own."""
TERMS = ((60, 6), (16, 3))
"""With so many matches, so many terms of the move over the picture: its curve, its slope."""


@dataclass(frozen=True, slots=True)
class Registration:
    """How one frame's stars lie on the next one's."""

    move_px: Floats
    """dx and dy at the middle of the picture."""
    turn_rad: float
    """From +x towards +y."""
    sigma_px: float
    """One-sigma error of the move, root mean square length of both numbers."""
    matches: int
    log_odds: float
    """Natural logarithm of the odds against chance."""


def laid_stars(measure: Measure) -> NDArray[np.void]:
    """Those rows of a star table that `register` lays on each other."""
    return measure.stars[trusted_rows(measure.stars)][:BRIGHTEST]


def register(before: Measure, after: Measure) -> Registration | None:
    """Lay the stars of one frame on those of another; None where chance would do as well.

    Parameters
    ----------
    before, after : Measure
        Of one camera and lens.
    """
    first, second = _Stars.of(before), _Stars.of(after)
    if min(len(first.place), len(second.place)) < FEWEST_MATCHES:
        return None
    middle = np.array([(before.width_px - 1) / 2, (before.height_px - 1) / 2])
    still = _fitted(first, second, np.zeros_like(first.place), middle)
    if still is not None and np.hypot(*still.move_px) > SAME_PLACE_PX:
        return still
    # What stands still may be the sensor's own, so the rest is asked too.
    loose = first.only(~_stand_still(first.place, second.place))
    others = second.only(~_stand_still(second.place, first.place))
    rest = _moved(loose, others, middle)
    if still is None or rest is None:
        return still or rest
    # Second images of doubled stars are loose in one frame alone.
    most = rest.matches > max(len(loose.place), len(others.place)) / 2
    return rest if most and np.hypot(*rest.move_px) > 2 * STANDS_PX else still


def _moved(first: _Stars, second: _Stars, middle: Floats) -> Registration | None:
    """The likeliest move of some stars, from none and from how most of them agree."""
    if min(len(first.place), len(second.place)) < FEWEST_MATCHES:
        return None
    moves = [np.zeros_like(first.place)]
    start = best_similarity(first.place, second.place, WITHIN_PX, apart=STANDS_PX)
    if start is not None:
        moves.append(start(first.place) - first.place)
    fits = [fit for move in moves if (fit := _fitted(first, second, move, middle)) is not None]
    return max(fits, key=lambda fit: fit.log_odds, default=None)


@dataclass(frozen=True, slots=True)
class _Stars:
    place: Floats
    errors: Floats

    @classmethod
    def of(cls, measure: Measure) -> _Stars:
        stars = laid_stars(measure)
        place = np.stack([stars["x"], stars["y"]], 1).astype(np.float64)
        return cls(place, centroid_errors(stars))

    def only(self, which: NDArray[np.bool_]) -> _Stars:
        """Some of them."""
        return _Stars(self.place[which], self.errors[which])


def _fitted(first: _Stars, second: _Stars, move: Floats, middle: Floats) -> Registration | None:
    """The move over the picture from a start; None if the matches are not beyond chance."""
    from scipy.spatial import cKDTree

    size = float(np.hypot(*middle))
    off = (first.place - middle) / size
    sigma_px, parts = WITHIN_PX, np.zeros((0, 0))
    count, odds, error = 0, 0.0, np.inf
    tree = cKDTree(second.place)
    for _ in range(4):
        laid = first.place + move
        near, index = tree.query(laid, k=min(NEIGHBOURS, len(second.place)))
        density = _density(near, second.place)
        errors = np.hypot(first.errors, second.errors[index[:, 0]])
        mixture = mixture_of(near[:, 0], density, errors, sigma_px)
        step = second.place[index[:, 0]] - first.place
        sure = mixture.sure(index[:, 0])
        count, odds = len(sure), mixture.log_odds
        if count < FEWEST_MATCHES:
            return None
        terms = next((terms for least, terms in TERMS if count >= least), 0)
        scatter = np.hypot(errors[sure], mixture.sigma_px)
        if terms:
            columns = _columns(off, terms)
            both = np.broadcast_to(columns[sure].T, (2, terms, count))
            parts, covariance = robust_fits(both, step[sure].T, np.stack([scatter, scatter]))
            move = columns @ parts.T
            error = float(np.sqrt(covariance[:, 0, 0].sum()))
        else:
            move, parts, error = _rigid(off, step, sure, scatter)
        sigma_px = 1.2 * mixture.sigma_px + 0.1
    if odds < CERTAIN_LOG_ODDS:
        return None
    turn = (parts[1, 1] - parts[0, 2]) / 2 / size
    return Registration(parts[:, 0], float(turn), error, count, odds)


def _stand_still(place: Floats, there: Floats) -> NDArray[np.bool_]:
    """Which points have one at the same place of the other frame."""
    from scipy.spatial import cKDTree

    return np.asarray(cKDTree(there).query(place)[0] < STANDS_PX)


def _columns(off: Floats, terms: int) -> Floats:
    x, y = off.T
    return np.stack([np.ones(len(x)), x, y, x * x, x * y, y * y][:terms], 1)


def _rigid(
    off: Floats, step: Floats, sure: NDArray[np.int64], scatter: Floats
) -> tuple[Floats, Floats, float]:
    """A move and a turn alone, for few matches: every star's move, its terms, and its error."""
    one, zero = np.ones(len(off)), np.zeros(len(off))
    across = np.stack([one, zero, -off[:, 1]], 1)
    down = np.stack([zero, one, off[:, 0]], 1)
    (fit,), (covariance,) = robust_fits(
        np.concatenate([across[sure], down[sure]]).T[None],
        step[sure].T.reshape(1, -1),
        np.concatenate([scatter, scatter])[None],
    )
    dx, dy, turn = fit
    move = np.stack([across @ fit, down @ fit], 1)
    parts = np.array([[dx, 0.0, -turn], [dy, turn, 0.0]])
    return move, parts, float(np.sqrt(covariance[0, 0] + covariance[1, 1]))


def _density(near: Floats, place: Floats) -> Floats:
    """Stars for each square pixel around each laid star, by its neighbours."""
    k = near.shape[1]
    area = float(np.prod(np.ptp(place, axis=0) + 1.0))
    local = (k - 1) / (np.pi * np.maximum(near[:, -1], 0.5) ** 2)
    return np.asarray(np.maximum(local, 0.1 * len(place) / area))
