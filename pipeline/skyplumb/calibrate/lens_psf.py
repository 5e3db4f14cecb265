"""The lens's own PSF across the field, by its second moments, learned from its sharpest frames.

Second moments add, so a star's moments are the lens's at that place plus those of the
motion. Motion is the same all over the field (or nearly), so the change across the field
is the lens's: a smooth polynomial in the place, fitted to the sharpest frames together,
with a constant of its own for each frame. What the lens does at the very centre cannot
be told from motion in this way; `motion` settles that from the pointings.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from skyplumb.findings import LensReport
from skyplumb.measure.crops import MEAN_STAR_FROM, MEAN_STAR_REACH
from skyplumb.measure.flags import BIT
from skyplumb.measure.shapes import SIGMA_TO_FWHM
from skyplumb.records import NAN, FieldShapes, Measure
from skyplumb.rowwise import robust_fits

Floats = NDArray[np.float64]

SHARPEST_FRAMES = 12
SHOWN_STARS = 150
SHOWN_CELLS = (15, 10)
"""A star or so from each cell across and down, so that the shown ones cover the picture."""
LEAST_SNR = 12.0
FEW_STARS = 40
WIDTHS_WITHIN = 3.0
"""Few stars of one frame have squared widths within so much of their median: a lens's corners
are wider, but then hold few of them."""
AROUND = 0.35
"""Of the half diagonal: a tenth of the picture about the middle of an edge."""
FEWEST_AROUND = 5
"""Stars there in each frame, since the frames of a run show the same ones."""
ORDER_NEEDS_STARS = ((4, 400), (3, 200), (2, 60), (1, 25))
"""Highest power of the place that so many stars can carry."""
FEW_FRAMES = 2
"""Of so many frames a lens is learned hardly apart from their motion: what it does is taken to be
like all around the middle first (see `judge/motion.py`), and a tilt, the first power, is left for
frames that show it together."""


@dataclass(frozen=True, slots=True)
class ShapeStars:
    """The stars of one frame whose shapes count; all arrays have n rows."""

    place: Floats
    """Shape (n, 2): from the middle of the picture, over its half diagonal."""
    moments: Floats
    """Shape (n, 3): trace mxx + myy, mxx - myy, 2 mxy, px^2."""
    errors: Floats
    """One-sigma errors of `moments`."""
    kurt: Floats

    def only(self, which: NDArray[np.bool_]) -> ShapeStars:
        """Some of them, by a mask of shape (n,)."""
        return ShapeStars(
            self.place[which], self.moments[which], self.errors[which], self.kurt[which]
        )


@dataclass(frozen=True, slots=True)
class LensPsf:
    """Moments the lens adds away from the centre, over those at the centre."""

    order: int
    coefficients: Floats
    """Shape (terms, 3), for trace, mxx - myy and 2 mxy, px^2."""
    frames: int
    """How many frames it was learned from."""
    stars: int
    places: Floats = field(default_factory=lambda: np.zeros((0, 2)))
    """Shape (stars, 2): where they are, as in `ShapeStars`."""

    def at(self, place: Floats) -> Floats:
        """Shape (n, 3): trace, mxx - myy and 2 mxy the lens adds there, px^2."""
        return np.asarray(powers(place, self.order) @ self.coefficients)

    def holds_at(self, place: Floats) -> NDArray[np.bool_]:
        """Whether stars around each place told of it, shape (n,): beyond them a fit runs free."""
        if self.order == 0:
            return np.zeros(len(place), bool)
        apart = self.places[None] - place[:, None]
        near = np.hypot(apart[..., 0], apart[..., 1]) < AROUND
        return np.asarray(near.sum(axis=1) >= FEWEST_AROUND * self.frames)


def lens_doubt_px2(lens: LensPsf, frame: ShapeStars) -> float:
    """How far the lens's mean stretch differs between two draws of a frame's inner stars, px^2.

    The scatter of the lens's moments over the part of the field that makes mean stars, over
    the square root of their number.
    """
    inner = frame.place[np.hypot(frame.place[:, 0], frame.place[:, 1]) < MEAN_STAR_REACH]
    if len(inner) < 2:
        return float("inf")
    spread = lens.at(inner)[:, 1:].std(axis=0).max()
    return float(spread / np.sqrt(min(len(inner), MEAN_STAR_FROM)))


def shape_rows(measure: Measure) -> NDArray[np.int64]:
    """Rows of the star table whose shapes count: unspoiled, and clear of the noise."""
    stars = measure.stars
    return np.flatnonzero(((stars["flags"] & ~BIT["faint"]) == 0) & (stars["snr"] > LEAST_SNR))


def shape_stars(measure: Measure) -> ShapeStars:
    """The shapes of `shape_rows`."""
    stars = measure.stars[shape_rows(measure)]
    size = np.array([measure.width_px, measure.height_px], float)
    pixels = np.stack([stars["x"], stars["y"]], 1).astype(np.float64)
    place = (pixels - (size - 1) / 2) / (np.hypot(*size) / 2)
    mxx, myy, mxy = (stars[name].astype(np.float64) for name in ("mxx", "myy", "mxy"))
    sxx, syy, sxy = (stars[name].astype(np.float64) for name in ("sxx", "syy", "sxy"))
    spread = np.hypot(sxx, syy)
    return ShapeStars(
        place=place,
        moments=np.stack([mxx + myy, mxx - myy, 2 * mxy], 1),
        # Errors far below the scatter between stars would let a few bright ones decide.
        errors=np.maximum(np.stack([spread, spread, 2 * sxy], 1), 0.02),
        kurt=stars["kurt"].astype(np.float64),
    )


def of_one_width(frame: ShapeStars) -> ShapeStars:
    """The same without what is no star beside the others, where they are few.

    Edges of clouds, lamps and hot pixels pass for stars one by one, and have no width in common.
    Many stars outvote them; of few, those far from the median width do not count.
    """
    if not 0 < len(frame.place) < FEW_STARS:
        return frame
    size = np.maximum(frame.moments[:, 0], 0.1)
    share = size / np.median(size)
    alike = (share < WIDTHS_WITHIN) & (share > 1 / WIDTHS_WITHIN)
    return frame.only(alike)


def field_shapes(frame: ShapeStars, lens: LensPsf) -> FieldShapes:
    """The brightest stars of every part of the picture, with and without the lens's shape."""
    # Brightest first within each cell, the cells in turn.
    cell = np.floor((frame.place + 1) / 2 * SHOWN_CELLS) @ (1, SHOWN_CELLS[0])
    by_cell = np.argsort(cell, kind="stable")
    first = np.searchsorted(cell[by_cell], cell[by_cell])
    turn = np.empty(len(cell), int)
    turn[by_cell] = np.arange(len(cell)) - first
    chosen = np.argsort(turn, kind="stable")[:SHOWN_STARS]
    place, moments = frame.place[chosen], frame.moments[chosen]
    return FieldShapes(place, moments, moments - lens.at(place))


def learn_lens(frames: Sequence[ShapeStars]) -> LensPsf:
    """Fit the shape of one lens and aperture to its sharpest frames."""
    counted = [
        (float(np.median(v.moments[:, 0])), n) for n, v in enumerate(frames) if len(v.place) >= 8
    ]
    if not counted:
        return LensPsf(0, np.zeros((0, 3)), 0, 0)
    counted.sort()
    # Frames much wider than the sharpest are trailed or out of focus and would blur the lens.
    limit = counted[0][0] * 1.35 + 0.1
    chosen = [n for size, n in counted[:SHARPEST_FRAMES] if size <= limit]
    place = np.concatenate([frames[n].place for n in chosen])
    moments = np.concatenate([frames[n].moments for n in chosen])
    errors = np.concatenate([frames[n].errors for n in chosen])
    owner = np.repeat(np.arange(len(chosen)), [len(frames[n].place) for n in chosen])
    order = next((o for o, need in ORDER_NEEDS_STARS if len(place) >= need), 0)
    if order == 1 and len(chosen) <= FEW_FRAMES:
        order = 0
    if order == 0:
        return LensPsf(0, np.zeros((0, 3)), len(chosen), len(place), place)
    terms = powers(place, order)
    design = np.concatenate([terms, np.eye(len(chosen))[owner]], axis=1)
    columns, _ = robust_fits(np.broadcast_to(design.T, (3, *design.T.shape)), moments.T, errors.T)
    coefficients = columns.T[: terms.shape[1]]
    return LensPsf(order, coefficients, len(chosen), len(place), place)


def lens_report(lens: LensPsf, astigmatism: Floats, across_px2: float, shape: float) -> LensReport:
    """Sum a lens up; what no stars stood near to is unknown.

    Parameters
    ----------
    lens : LensPsf
    astigmatism : ndarray, shape (2,)
        mxx - myy and 2 mxy at the centre, px^2.
    across_px2 : float
        Second moment of a sharp star at the centre.
    shape : float
        Height over width of the picture.
    """
    right = 1 / np.hypot(1, shape)
    low = shape * right
    corners = np.array([[right, low], [-right, low], [right, -low], [-right, -low]])
    stretch = np.hypot(*lens.at(corners)[:, 1:].T)[lens.holds_at(corners)]
    edges = np.array([[right, 0], [-right, 0], [0, low], [0, -low]])
    widths = SIGMA_TO_FWHM * np.sqrt(np.maximum(across_px2 + lens.at(edges)[:, 0] / 2, 0.05))
    widths[~lens.holds_at(edges)] = NAN
    return LensReport(
        corner_stretch_px=float(np.sqrt(12 * stretch.max())) if len(stretch) else NAN,
        centre_stretch_px=float(np.sqrt(12 * np.hypot(*astigmatism))) if lens.frames else NAN,
        tilt_x_fwhm_px=float(widths[0] - widths[1]),
        tilt_y_fwhm_px=float(widths[2] - widths[3]),
        left_fwhm_px=float(widths[1]),
        upper_fwhm_px=float(widths[3]),
        frames=lens.frames,
    )


def powers(place: Floats, order: int) -> Floats:
    """Powers x^i y^j with 1 <= i + j <= order, shape (n, terms); no terms of order 0."""
    if order == 0:
        return np.zeros((len(place), 0))
    x, y = ([np.ones(len(place)), *np.cumprod([of] * order, axis=0)] for of in place.T)
    return np.stack([x[p - j] * y[j] for p in range(1, order + 1) for j in range(p + 1)], axis=1)
