"""Faint tails of the mean star: the motion that a Gaussian-weighted shape does not see.

A gust that throws the camera aside for a few seconds leaves a faint tail beside a bright
round core. The weighted moments of `shapes` follow the core. The plain second moments of
the frame's mean star follow the tail too, and as plain moments add exactly, those of the
run's calm frames can be taken out.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from skyplumb.angles import axis_deg
from skyplumb.judge.doubled import Doubled
from skyplumb.robust import robust_sigma
from skyplumb.rowwise import AT_ONCE, medians, sigmas

Floats = NDArray[np.float64]

FAINTEST = 0.004
"""Of the core's height; below this the wings of the lens and the sky decide."""
CLEAR_SIGMAS = 4.0
LEAST_TAIL_PX2 = 0.2
"""Smaller changes of the mean star are as likely focus, or other stars of an uneven lens: an
even trail of 1.5 px. Up to 0.18 px^2 was seen on drawn nights without motion."""
TAIL_SIGMA_PX = 0.13
"""Error of a tail's length beside its noise: what lies under the cut, and the calm frames' own
tails. Empirical: root mean square of 24 frames in wind (`tests.bench.honesty`, seeds 150,000 to
150,032)."""
HIDDEN_SIGMAS = 2.0
"""A tail that stands so clear of its error is doubt about the trail's length, if no claim."""
CALM_FRAMES = 9
LEAST_SIGMA_PX2 = 0.012
"""Scatter of the plain moments between like frames that pixels and star places leave."""


@dataclass(frozen=True, slots=True)
class Spread:
    """Plain second moments of a mean star over its own footprint."""

    moments: Floats
    """mxx - myy and 2 mxy, px^2."""
    sigma: float
    """One-sigma error of each."""
    cut: float
    """Height, in parts of the core's, down to which the footprint goes."""


_NO_SPREAD = Spread(np.zeros(2), np.inf, np.inf)


def spreads_of(
    mean_stars: Sequence[NDArray[np.float32]], least_cut: float = FAINTEST
) -> list[Spread | None]:
    """Plain moments of frames' mean stars; None where there is none or it leaves its stamp.

    The footprint goes down to `least_cut` of the core's height, or to the noise.
    """
    out: list[Spread | None] = [None] * len(mean_stars)
    for some, stamps in _stamps(mean_stars):
        for n, spread in zip(some, _spreads(stamps, least_cut), strict=True):
            out[n] = spread
    return out


def _stamps(mean_stars: Sequence[NDArray[np.float32]]) -> Iterator[tuple[list[int], Floats]]:
    """Mean stars of one size, shape (n, size, size), and which they are, some at a time."""
    for size in sorted({len(star) for star in mean_stars if star.size}):
        mine = [n for n, star in enumerate(mean_stars) if len(star) == size]
        for start in range(0, len(mine), AT_ONCE):
            some = mine[start : start + AT_ONCE]
            yield some, np.stack([mean_stars[n] for n in some]).astype(np.float64)


def _spreads(stamps: Floats, least_cut: float) -> list[Spread | None]:
    """Of mean stars of one size."""
    from scipy import ndimage

    size = stamps.shape[1]
    half = size // 2
    y, x = np.mgrid[:size, :size] - half
    sky = stamps[:, np.hypot(x, y) > 0.85 * half]
    level = medians(sky)
    noise = sigmas(sky - level[:, None])
    stars = stamps - level[:, None, None]
    cuts = np.maximum(CLEAR_SIGMAS * noise, least_cut)
    # What touches within its own stamp is one.
    touching = np.zeros((3, 3, 3), bool)
    touching[1] = True
    labels, _ = ndimage.label(stars > cuts[:, None, None], structure=touching)
    core = labels[:, half, half]
    footprint = ndimage.binary_dilation(labels == core[:, None, None], touching)
    at_edge = np.maximum(np.abs(x), np.abs(y)) == half
    whole = (core > 0) & ~footprint[:, at_edge].any(axis=1)
    light = np.where(footprint, stars, 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):  # stamps without a star
        total = light.sum(axis=(1, 2))
        dx = x - (np.einsum("nyx,yx->n", light, x) / total)[:, None, None]
        dy = y - (np.einsum("nyx,yx->n", light, y) / total)[:, None, None]
        plus, cross = dx**2 - dy**2, 2 * dx * dy
        moments = np.stack([(light * of).sum(axis=(1, 2)) / total for of in (plus, cross)], axis=1)
        errors = noise * np.sqrt(np.where(footprint, plus**2, 0.0).sum(axis=(1, 2))) / total
    return [
        Spread(moments[n], float(errors[n]), float(cuts[n])) if whole[n] else None
        for n in range(len(stamps))
    ]


def excess_over_calm(
    mean_stars: Sequence[NDArray[np.float32]],
    trail_px: Floats,
    trail_angle_deg: Floats,
    lens_sigma_px2: Floats,
) -> list[Spread | None]:
    """What motion adds to each frame's plain moments, the lens taken out.

    Parameters
    ----------
    mean_stars : sequence of ndarray
        Of frames of one lens and aperture.
    trail_px, trail_angle_deg : ndarray, shape (n,)
        Their trails by the weighted moments.
    lens_sigma_px2 : ndarray, shape (n,)
        How far the lens's part may differ for each frame, since other stars made its mean
        star and the lens draws each place its own way.

    Notes
    -----
    The frames with the least trail show the lens, once their own trail's length^2 / 12 is
    taken out; cut at the same height as the frame they are compared with, since a lens's
    faint wings need not be round.
    """
    spreads = spreads_of(mean_stars)
    turn = 2 * np.radians(trail_angle_deg)
    own = (trail_px**2 / 12)[:, None] * np.stack([np.cos(turn), np.sin(turn)], 1)
    usable = [n for n, s in enumerate(spreads) if s is not None and np.isfinite(trail_px[n])]
    if not usable:
        return [None] * len(spreads)
    usable.sort(key=lambda n: (trail_px[n] + 20 * (spreads[n] or _NO_SPREAD).cut, n))
    # Of few frames the scatter is hardly known: all that are as calm as the calmest show it.
    alike = trail_px[usable] ** 2 / 12 < np.min(trail_px[usable]) ** 2 / 12 + LEAST_TAIL_PX2
    calm = usable[: min(max(3, len(usable) // 3, int(alike.sum())), CALM_FRAMES)]
    lenses: dict[int, tuple[Floats, float]] = {}
    out: list[Spread | None] = []
    for spread, doubt in zip(spreads, lens_sigma_px2, strict=True):
        if spread is None:
            out.append(None)
            continue
        # Steps of a tenth in the cut's height are alike enough to share.
        step = int(np.ceil(np.log(spread.cut / FAINTEST) / 0.1))
        if step not in lenses:
            lenses[step] = _lens_at(FAINTEST * float(np.exp(0.1 * step)), mean_stars, own, calm)
        lens, scatter = lenses[step]
        sigma = float(np.sqrt(spread.sigma**2 + scatter**2 + doubt**2))
        out.append(Spread(spread.moments - lens, sigma, spread.cut))
    return out


def _lens_at(
    cut: float, mean_stars: Sequence[NDArray[np.float32]], own: Floats, calm: Sequence[int]
) -> tuple[Floats, float]:
    """What the calm frames show without their trails, cut at a height, and its scatter."""
    seen = zip(calm, spreads_of([mean_stars[n] for n in calm], cut), strict=True)
    left = np.array([spread.moments - own[n] for n, spread in seen if spread is not None])
    if len(left) == 0:
        return np.zeros(2), np.inf
    lens = np.median(left, axis=0)
    scatter = robust_sigma((left - lens).ravel(), max(len(left) - 1, 1) / len(left))
    return lens, max(scatter, LEAST_SIGMA_PX2)


def tail_length_px(excess: Spread | None, trail_px: float) -> tuple[float, float, float] | None:
    """Trail (px), its error and its angle (degrees) where the tail says more than the core.

    None where the plain moments do not clearly exceed the trail found by the weighted ones.
    """
    if excess is None or not np.isfinite(trail_px):
        return None
    size = float(np.hypot(*excess.moments))
    length = float(np.sqrt(12 * size))
    clear = size - trail_px**2 / 12 > max(CLEAR_SIGMAS * excess.sigma, LEAST_TAIL_PX2)
    if not clear or length < 1.15 * trail_px + 0.3:
        return None
    angle = float(np.degrees(np.arctan2(excess.moments[1], excess.moments[0])) / 2)
    return length, float(np.hypot(6 * excess.sigma / length, TAIL_SIGMA_PX)), angle


def hidden_px(excess: Spread | None, trail_px: float) -> float:
    """How much longer a trail may be by a tail that is no claim, px; 0 where none is seen.

    A path of uneven speed has another second moment than its core shows.
    """
    if excess is None or not np.isfinite(trail_px):
        return 0.0
    more = float(np.hypot(*excess.moments)) - trail_px**2 / 12
    if more < HIDDEN_SIGMAS * excess.sigma:
        return 0.0
    return float(np.sqrt(trail_px**2 + 12 * more)) - trail_px


def double_peaks(mean_stars: Sequence[NDArray[np.float32]]) -> list[Doubled]:
    """Two peaks of each frame's mean star; all NaN if there is one.

    For images too close for two detections: the second peak holds at least a fifth of the
    first one's height, and the light dips between them. So it does in the ring that a star out
    of focus is, which is as bright beside its middle.
    """
    from scipy import ndimage

    out = [Doubled()] * len(mean_stars)
    for some, stamps in _stamps(mean_stars):
        stars = ndimage.gaussian_filter(stamps, (0, 0.6, 0.6))
        peaks = stars == ndimage.maximum_filter(stars, size=(1, 3, 3))
        peaks &= stars > 0.2 * stars.max(axis=(1, 2), keepdims=True)
        for k in np.flatnonzero(np.count_nonzero(peaks, axis=(1, 2)) > 1):
            out[some[k]] = _double_peak(stars[k], peaks[k])
    return out


def _double_peak(star: Floats, peaks: NDArray[np.bool_]) -> Doubled:
    """Of one smoothed mean star with several peaks."""
    from scipy import ndimage

    none = Doubled()
    half = star.shape[0] // 2
    rows, columns = np.nonzero(peaks)
    order = np.argsort(-star[rows, columns], kind="stable")
    (r0, c0), (r1, c1) = [(rows[n], columns[n]) for n in order[:2]]
    apart = float(np.hypot(r1 - r0, c1 - c0))
    if apart < 2 or apart > 1.6 * half:
        return none
    along = np.linspace(0, 1, 41)
    line = ndimage.map_coordinates(star, [r0 + along * (r1 - r0), c0 + along * (c1 - c0)], order=1)
    if line.min() > 0.85 * star[r1, c1]:
        return none
    if _beside(star, peaks, (r0, c0), (r1, c1)) > max(float(line.min()), 0.3 * star[r1, c1]):
        return none
    (y0, x0), (y1, x1) = _top(star, r0, c0), _top(star, r1, c1)
    apart = float(np.hypot(y1 - y0, x1 - x0))
    angle = axis_deg(float(np.degrees(np.arctan2(y1 - y0, x1 - x0))))
    lower, higher = float(star[r1, c1]), float(star[r0, c0])
    return Doubled(apart, angle, lower / (lower + higher))


def _beside(
    star: Floats, peaks: NDArray[np.bool_], one: tuple[int, int], other: tuple[int, int]
) -> float:
    """The most light beside the line of two peaks: half as far from their middle as they are
    apart, or in another peak off the line."""
    from scipy import ndimage

    middle, way = np.add(one, other) / 2, np.subtract(other, one)
    across = way[::-1] * (-1, 1)
    sides = ndimage.map_coordinates(
        star, np.transpose([middle + across / 2, middle - across / 2]), order=1
    )
    off = np.abs((np.argwhere(peaks) - middle) @ across) / np.sum(way**2)
    return float(max(sides.max(), star[peaks][off > 0.35].max(initial=0.0)))


def _top(star: Floats, row: int, column: int) -> tuple[float, float]:
    """Place of a peak between the samples: parabolas through its neighbours."""
    out = []
    for here, step in ((row, (1, 0)), (column, (0, 1))):
        before = star[row - step[0], column - step[1]]
        after = star[(row + step[0]) % star.shape[0], (column + step[1]) % star.shape[1]]
        bend = before - 2 * star[row, column] + after
        out.append(here + (0.5 * (before - after) / bend if bend < 0 else 0.0))
    return out[0], out[1]
