"""A mean star against that of calm frames: does it stand twice, closer than two peaks show?

A camera that was pushed rests at two places, so that each star is the calm star twice, d apart and
with one ratio of light. Shaking strews it all about, an even motion draws it into a line. Each is
fitted to the transform of the mean star, where a shift is a phase; which of them fits tells rest
from motion long before the light between two images dips.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from skyplumb.angles import axis_deg
from skyplumb.judge.doubled import Doubled

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]

FEWEST_CALM, MOST_CALM = 3, 9
CALM_PX = 1.2
"""Longest trail of a calm frame."""
FEWEST_ALIKE, ALIKE = 5, 0.25
"""Frames that are trailed alike: so many, their stretches to so much of the usual one."""
BETTER = 0.35
"""What two rests leave, over what a motion leaves: so 61 of 69 knocks by lot are told, and none of
197 trails of wind, slip and drive (seeds 260,000 to 262,039)."""
LEAST_SHARE = 0.1
"""Of the light, in the fainter image."""
PARTED, ALONG_DEG = 2.0, 25.0
"""Along a trail that all frames have, a longer one is two of the usual one end to end: two rests
there have to lie so many of its lengths apart."""
FADED = 1e-2
"""Of a calm star's transform, below which it is noise."""
STARTS = (0.15, 0.3, 0.45)
"""Shares of the light from which a fit starts."""
STEPS = 25

_Law = Callable[[Floats, Floats], tuple[Complex, Complex]]
"""Of waves and its own numbers: a transform, and how it changes with each of them."""


def calm_star(
    mean_stars: Sequence[NDArray[np.float32]], trail_px: Floats, angle_deg: Floats
) -> Floats | None:
    """Median of the mean stars of the calmest frames, of one sum; None where too few are calm.

    Where the mount trails all frames alike it is that of those: a push moves such a star as well.

    Parameters
    ----------
    mean_stars : sequence of ndarray, shape (size, size)
        Of frames of one lens; those of the commonest size count.
    trail_px, angle_deg : ndarray, shape (n,)
        Of their trails.
    """
    order = [int(n) for n in np.argsort(trail_px, kind="stable") if trail_px[n] < CALM_PX]
    if len(order) < FEWEST_CALM:
        order = _alike(trail_px, angle_deg)
    calm = [mean_stars[n] for n in order if mean_stars[n].size]
    if not calm:
        return None
    sizes = [len(star) for star in calm]
    size = max(set(sizes), key=lambda one: (sizes.count(one), one))
    whole = [star for one in calm if len(one) == size and (star := _of_sum_one(one)) is not None]
    if len(whole) < FEWEST_CALM:
        return None
    middle = np.median(whole[:MOST_CALM], axis=0)
    return np.asarray(middle / middle.sum())


def _alike(trail_px: Floats, angle_deg: Floats) -> list[int]:
    """Frames whose trails are the usual one, the nearest to it first; none where too few are."""
    turn = 2 * np.radians(angle_deg)
    stretch = trail_px[:, None] ** 2 * np.stack([np.cos(turn), np.sin(turn)], 1)
    known = np.isfinite(stretch).all(1)
    if np.count_nonzero(known) < FEWEST_ALIKE:
        return []
    usual = np.median(stretch[known], axis=0)
    away = np.where(known, np.hypot(*(stretch - usual).T), np.inf)
    near = away < ALIKE * np.hypot(*usual)
    if np.count_nonzero(near) < FEWEST_ALIKE:
        return []
    return [int(n) for n in np.argsort(away, kind="stable") if near[n]]


def two_rests(mean_star: NDArray[np.float32], calm: Floats) -> Doubled:
    """How far apart the star stands twice; all NaN where a motion draws it about as well."""
    none = Doubled()
    if mean_star.shape != calm.shape:
        return none
    star = _of_sum_one(mean_star)
    if star is None:
        return none
    waves = _Waves.of(star, calm)
    centre, spread = _excess(star, calm)
    values, vectors = np.linalg.eigh(spread)
    length2, along = float(values[1]), vectors[:, 1]
    if not length2 > 0:
        return none
    # Of two points of light f and 1 - f the variance is f (1 - f) d^2; which is the brighter is
    # seen by trying.
    starts = []
    for share in STARTS:
        for way in (along, -along):
            apart = way * np.sqrt(length2 / (share * (1 - share)))
            starts.append(np.array([*(centre - share * apart), share, *apart]))
    # From some starts a fit ends where one of the two holds next to nothing.
    fits = [waves.fitted(_resting, one) for one in starts]
    resting, found = min(fits, key=lambda one: one[0])
    fainter = float(min(found[2], 1 - found[2]))
    if not fainter > LEAST_SHARE:
        return none
    strewn, _ = waves.fitted(_strewn, np.array([*centre, spread[0, 0], spread[1, 1], spread[0, 1]]))
    drawn, _ = waves.fitted(_drawn, np.array([*centre, *(along * np.sqrt(12 * length2))]))
    if not resting < BETTER * min(strewn, drawn):
        return none
    dx, dy = found[3:5]
    apart, angle = float(np.hypot(dx, dy)), float(np.degrees(np.arctan2(dy, dx)))
    length, along_deg = _drawn_out(calm)
    if apart < PARTED * length and abs(axis_deg(angle - along_deg)) < ALONG_DEG:
        return none
    return Doubled(apart, axis_deg(angle), fainter)


@dataclass(frozen=True, slots=True)
class _Waves:
    """The transforms of a star and of the calm one, where the calm one has any strength."""

    k: Floats
    """Shape (n, 2), rad/px."""
    calm: Complex
    star: Complex

    @classmethod
    def of(cls, star: Floats, calm: Floats) -> _Waves:
        wave = 2 * np.pi * np.fft.fftfreq(len(calm))
        ky, kx = np.meshgrid(wave, wave, indexing="ij")
        shape, seen = (np.fft.fft2(np.fft.ifftshift(one)) for one in (calm, star))
        # The other half is the mirror image of this one.
        some = (np.abs(shape) > FADED) & ((kx > 0) | ((kx == 0) & (ky > 0)))
        return cls(np.stack([kx[some], ky[some]], 1), shape[some], seen[some])

    def left(self, law: _Law, numbers: Floats) -> Floats:
        """What a law leaves of the star: its numbers are the centre's two and its own."""
        moved = self.calm * np.exp(-1j * (self.k @ numbers[:2]))
        left = moved * law(self.k, numbers[2:])[0] - self.star
        return np.concatenate([left.real, left.imag])

    def slope(self, law: _Law, numbers: Floats) -> Floats:
        """How that changes with each number, shape (2 n, numbers)."""
        moved = self.calm * np.exp(-1j * (self.k @ numbers[:2]))
        value, own = law(self.k, numbers[2:])
        slope = moved[:, None] * np.concatenate([-1j * self.k * value[:, None], own], 1)
        return np.concatenate([slope.real, slope.imag])

    def fitted(self, law: _Law, start: Floats) -> tuple[float, Floats]:
        """Least squares from a start: what is left, and the numbers."""
        from scipy.optimize import least_squares

        found = least_squares(
            lambda numbers: self.left(law, numbers),
            start,
            lambda numbers: self.slope(law, numbers),
            method="lm",
            max_nfev=STEPS,
        )
        return float(found.cost), np.asarray(found.x)


def _resting(k: Floats, own: Floats) -> tuple[Complex, Complex]:
    """Light f at (dx, dy) from the rest; its transform and how that changes with the three."""
    there = np.exp(-1j * (k @ own[1:]))
    slope = np.concatenate([(there - 1)[:, None], -1j * own[0] * k * there[:, None]], 1)
    return 1 - own[0] + own[0] * there, slope


def _strewn(k: Floats, own: Floats) -> tuple[Complex, Complex]:
    """Normally distributed about the middle, of variances xx, yy and xy."""
    by_each = -np.stack([k[:, 0] ** 2 / 2, k[:, 1] ** 2 / 2, k[:, 0] * k[:, 1]], 1)
    value = np.exp(np.minimum(by_each @ own, 2.0)).astype(complex)
    return value, by_each * value[:, None]


def _drawn(k: Floats, own: Floats) -> tuple[Complex, Complex]:
    """An even line along (dx, dy) about the middle."""
    half = k @ own / 2
    near = np.where(np.abs(half) < 1e-6, 1e-6, half)
    value = np.sin(near) / near
    slope = ((np.cos(near) - value) / near)[:, None] * k / 2
    return value.astype(complex), slope.astype(complex)


def _of_sum_one(mean_star: NDArray[np.float32]) -> Floats | None:
    """The star over its sky, of sum one; None where there is no light."""
    half = len(mean_star) // 2
    y, x = np.mgrid[: len(mean_star), : len(mean_star)] - half
    star = mean_star - np.median(mean_star[np.hypot(x, y) > 0.85 * half])
    total = float(star.sum())
    return np.asarray(star / total, np.float64) if total > 0 else None


def _drawn_out(calm: Floats) -> tuple[float, float]:
    """Length and angle of the trail that the calm star has itself, as an even one, px and deg."""
    _, moments = _about(calm)
    values, vectors = np.linalg.eigh(moments)
    turn = float(np.degrees(np.arctan2(vectors[1, 1], vectors[0, 1])))
    return float(np.sqrt(12 * (values[1] - values[0]))), turn


def _excess(star: Floats, calm: Floats) -> tuple[Floats, Floats]:
    """The star's centre, and its second moments beyond the calm star's, shape (2, 2), px^2."""
    centre, moments = _about(star)
    return centre, moments - _about(calm)[1]


def _about(star: Floats) -> tuple[Floats, Floats]:
    """Centre of a star of sum one from its picture's middle, and its second moments, px^2."""
    half = len(star) // 2
    y, x = np.mgrid[: len(star), : len(star)] - half
    place = np.stack([x, y], -1).astype(np.float64)
    centre = np.einsum("yx,yxi->i", star, place)
    from_centre = place - centre
    return centre, np.einsum("yx,yxi,yxj->ij", star, from_centre, from_centre)
