"""Whether one frame by itself shows cloud: starlight against the catalogue, place by place.

A frame's own stars have catalogue magnitudes, so each tells a zero point G + 2.5 log10(flux)
(Pogson 1856). The lens changes it smoothly with the distance from the middle and clear air along
a gradient; what is left between parts of the picture, beyond the scatter of the stars in each, is
patchy cloud. So is a place where catalogue stars are missing that the frame reaches elsewhere. An
even cloud leaves neither: of that, one frame alone says nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from skyplumb.calibrate.light import Light
from skyplumb.calibrate.sky import catalogue, unit_vectors
from skyplumb.judge.transparency import COUNTS_SLOPE
from skyplumb.measure.flags import BIT
from skyplumb.records import NAN
from skyplumb.robust import mad_sigma, robust_fit, robust_sigma

Floats = NDArray[np.float64]

CELLS = (6, 4)
"""Parts of the picture, across and down, at the least; each is parted further where stars are
many, since pieces of cloud smaller than a part only scatter its stars."""
STARS_IN_CELL = 8
MOST_PARTED = 5
FEWEST_IN_CELL = 4
"""Stars whose median a single wrong one does not carry off."""
FEWEST_CELLS = 10
"""Twice the terms of the lens and the clear air that are fitted first."""
LEAST_STAR_MAG = 0.03
"""Scatter of stars of one part at the least: what shape and sampling do to a flux."""
PATCHES_SHARE = 1 / 8
"""Share of the picture that may be dimmed by what the rules allow for a whole frame."""
LEFT_OUT = 0.1
"""Share of the parts that a hill or a dark corner may take."""
MEDIAN_OVER_MEAN = 1.2533
"""Error of a median over that of a mean, of normal values: sqrt(pi / 2)."""
CHANCE_SIGMAS = 4.0
"""Chance alone reaches this in one frame of 30,000."""
FAINT_MARGIN_SIGMAS = 3.0
"""So far above a frame's limit nearly every star is found, whatever its colour."""
FEWEST_STARS = 8
"""With fewer nothing is said: of 8, chance shows 6 where half are hidden once in seven times."""
FEWEST_FOR_TERMS = 20
"""Fewer stars tell the zero point alone, not how it changes over the picture."""
LOWEST_DEG = 20.0
"""Below, ten degrees of altitude take 0.3 mag and more of clear air (0.2 mag an air mass of
1 / sin): parts of a wide field would differ by as much as with cloud."""
STRONG_SNR = 20.0
"""Fainter stars were found by luck, where noise or a crowd made them brighter."""
SPARE_MAG = 1.0
"""So far above the strong stars' limit a cloud of a magnitude leaves them strong."""
FEWEST_BY_MAGNITUDE = 100
"""Four in each part."""
FOUND_WITHIN_PX = 4.0
"""A detection so near to a star's place is the star, blended or spoiled as it may be."""


@dataclass(frozen=True, slots=True)
class Clearness:
    """What the catalogue says of the air in front of one frame."""

    patches_mag: float = NAN
    """Standard deviation of the zero point between parts of the picture; NaN if too few stars
    tell."""
    patches_sigmas: float = NAN
    """How far beyond chance it is, as of a normal value."""
    expected: int = 0
    """Catalogue stars that the frame reaches."""
    found: int = 0

    @property
    def missing(self) -> float:
        """Share of the stars that should be there and are not; NaN if too few should be."""
        if self.expected < FEWEST_STARS:
            return NAN
        return 1 - self.found / self.expected

    def patchy(self, limit_mag: float) -> bool | None:
        """Whether cloud of this extinction covers parts of the picture; None if nothing tells.

        A share p dimmed by the limit m is a standard deviation of m sqrt(p (1 - p)).
        """
        if np.isnan(self.patches_mag):
            return None
        return self._beyond(limit_mag)

    def shows_no_cloud(self, limit_mag: float) -> bool:
        """Whether the stars are evenly bright, and those that the frame reaches are there.

        Half the scatter of a cloud is neither: it may be a thinner one, or the lens.
        A cloud of the limit m hides what lies within m of the faintest. Star counts grow as
        10^(0.5 m) (see `COUNTS_SLOPE`), so it hides a share of 1 - 10^(-0.5 m).
        """
        share = 1 - 10 ** (-COUNTS_SLOPE * limit_mag)
        return not self._beyond(limit_mag / 2) and self.missing < share

    def _beyond(self, dimmed_mag: float) -> bool:
        """Whether parts differ by more than this would make, and more than chance allows."""
        least = dimmed_mag * np.sqrt(PATCHES_SHARE * (1 - PATCHES_SHARE))
        return bool(self.patches_sigmas > CHANCE_SIGMAS and self.patches_mag > least)


UNTOLD = Clearness()


def clearness_of(light: Light) -> Clearness:
    """What one frame says; nothing where it was not solved or few stars tell."""
    pointing, stars = light.pointing, light.measure.stars
    spoiled = BIT["saturated"] | BIT["blended"] | BIT["edge"] | BIT["unfit"] | BIT["streak"]
    matched = stars[pointing.star]
    good = ((matched["flags"] & spoiled) == 0) & (matched["flux"] > 0) & (matched["snr"] > 0)
    if not pointing.solved or pointing.sky is None:
        return UNTOLD
    sky, rows = catalogue(), pointing.catalogue
    good &= _high(light, pointing.sky.directions(sky.ra_rad[rows], sky.dec_rad[rows]))
    good = _told_by(good, sky.magnitude[rows], matched["snr"].astype(np.float64))
    if np.count_nonzero(good) < FEWEST_STARS:
        return UNTOLD
    matched, known = matched[good], sky.magnitude[rows[good]]
    size = np.array([light.measure.width_px, light.measure.height_px], float)
    place = np.stack([matched["x"], matched["y"]], 1).astype(np.float64)
    flux, snr = matched["flux"].astype(np.float64), matched["snr"].astype(np.float64)
    zero = known + 2.5 * np.log10(flux)
    errors = np.hypot(LEAST_STAR_MAG, 2.5 / np.log(10) / snr)
    # Vignetting of a magnitude in the corner and a gradient of half of one are ordinary.
    prior = np.array([np.inf, 1.0, 1.0, 0.5, 0.5])
    if len(zero) < FEWEST_FOR_TERMS:
        prior[1:] = 1e-3
    terms, _ = robust_fit(_terms(place, size), zero, errors, prior)
    left = zero - _terms(place, size) @ terms
    spread = max(mad_sigma(left), LEAST_STAR_MAG)
    parted = int(
        np.clip(np.sqrt(len(left) / (STARS_IN_CELL * CELLS[0] * CELLS[1])), 1, MOST_PARTED)
    )
    patches, sigmas = _between_cells(left, _cell(place, size, parted), errors)
    expected, found = _counted(light, terms, spread, flux / snr, known)
    return Clearness(patches, sigmas, expected, found)


def _told_by(good: NDArray[np.bool_], known: Floats, snr: Floats) -> NDArray[np.bool_]:
    """Which stars tell the air: those that are strong unless cloud dims them.

    Chosen by their magnitude, since of stars chosen by their signal those that cloud dims are
    missing; by signal where so few are left.
    """
    strong, over = good & (snr > STRONG_SNR), np.maximum(snr, 1e-9) / STRONG_SNR
    near = good & (np.abs(np.log(over)) < 1)
    if not near.any():
        return strong
    reaches = float(np.median((known + 2.5 * np.log10(over))[near]))
    chosen = good & (known < reaches - SPARE_MAG)
    return chosen if np.count_nonzero(chosen) > FEWEST_BY_MAGNITUDE else strong


def patches_of_all(frames: Sequence[Clearness], limit_mag: float) -> float:
    """Patchiness, mag, of a run of which no frame is clear; NaN if one is, or may well be.

    Parameters
    ----------
    frames : sequence of Clearness
        Of one run.
    limit_mag : float
        Extinction that the rules allow.
    """
    told = [frame for frame in frames if frame.patchy(limit_mag) is not None]
    # Of a run most of which tells nothing, a clear frame may be among the rest.
    if not told or 2 * len(told) < len(frames):
        return NAN
    if not all(frame.patchy(limit_mag) for frame in told):
        return NAN
    return float(np.median([frame.patches_mag for frame in told]))


def _high(light: Light, seen: Floats) -> NDArray[np.bool_]:
    """Which stars stand high enough, as far as that is known, by their directions."""
    sky = light.pointing.sky
    if sky is None or not sky.observed:
        return np.ones(len(seen), bool)
    altitude, _ = sky.altitude_azimuth_deg(seen)
    return np.asarray(altitude > LOWEST_DEG)


def _terms(place: Floats, size: Floats) -> Floats:
    """Zero point of a clear frame: constant, vignetting (r^2, r^4), a gradient of the air."""
    off = (place - (size - 1) / 2) / (np.hypot(*size) / 2)
    r2 = np.sum(off**2, axis=1)
    return np.stack([np.ones(len(off)), r2, r2**2, off[:, 0], off[:, 1]], 1)


def _cell(place: Floats, size: Floats, parted: int) -> NDArray[np.int64]:
    """Part of the picture that each place lies in, of `CELLS` parted so often each way."""
    across, down = (
        np.clip((place[:, n] / size[n] * count).astype(np.int64), 0, count - 1)
        for n, count in enumerate(parted * np.array(CELLS))
    )
    return np.asarray(down * parted * CELLS[0] + across)


def _between_cells(left: Floats, cell: NDArray[np.int64], errors: Floats) -> tuple[float, float]:
    """Scatter of the cells' medians beyond that of their stars, mag, and how unlikely it is.

    The parts that are furthest off are left out, so that a hill or a dark corner alone makes
    none. The sum of squares is put on the scale of a normal value (Wilson & Hilferty 1931).
    """
    counts = np.bincount(cell)
    full = counts >= FEWEST_IN_CELL
    if np.count_nonzero(full) < FEWEST_CELLS:
        return NAN, NAN
    each, known = _cell_medians(left, cell, counts), full[cell]
    medians, own, counts = each[full], (left - each[cell])[known], counts[full]
    # A median of n takes one of their freedoms.
    spread = robust_sigma(own, 1 - len(counts) / len(own))
    spread = max(spread, float(np.median(errors)))
    error = MEDIAN_OVER_MEAN * spread / np.sqrt(counts)
    free = len(counts) - 5
    off = medians - np.median(medians)
    chi2 = float(np.sum((off / error) ** 2))
    sigmas = ((chi2 / free) ** (1 / 3) - (1 - 2 / (9 * free))) / np.sqrt(2 / (9 * free))
    inner = np.argsort(np.abs(off))[: len(off) - int(np.ceil(LEFT_OUT * len(off)))]
    beyond = float(np.mean(off[inner] ** 2) - np.mean(error[inner] ** 2))
    return float(np.sqrt(max(beyond, 0.0))), float(sigmas)


def _cell_medians(values: Floats, cell: NDArray[np.int64], counts: NDArray[np.int64]) -> Floats:
    """Median of the values of each cell; any number where there are none."""
    by_cell = values[np.lexsort((values, cell))]
    ends = np.cumsum(counts)
    low, high = ends - counts + (np.maximum(counts, 1) - 1) // 2, ends - counts + counts // 2
    low, high = (np.minimum(n, len(values) - 1) for n in (low, high))
    return np.asarray((by_cell[low] + by_cell[high]) / 2)


def _counted(
    light: Light, terms: Floats, spread: float, noise: Floats, known: Floats
) -> tuple[int, int]:
    """How many catalogue stars this frame reaches, and how many of them it shows.

    It reaches those that are brighter than its faintest detections by what stars scatter, and no
    brighter than its brightest unspoiled match: saturated stars are found otherwise or not at all.
    """
    pointing, measure = light.pointing, light.measure
    if pointing.camera is None or pointing.sky is None:
        return 0, 0
    sky = catalogue()
    size = np.array([measure.width_px, measure.height_px], float)
    real = measure.stars[(measure.stars["flags"] & BIT["hot"]) == 0]
    faintest = float(np.percentile(real["snr"][real["snr"] > 0], 5))
    reach = faintest * float(np.median(noise)) * 10 ** (0.4 * FAINT_MARGIN_SIGMAS * spread)
    y, x = np.mgrid[0:1:9j, 0:1:9j]
    best = float(np.max(_terms(np.stack([x.ravel(), y.ravel()], 1) * size, size) @ terms))
    limit = min(best - 2.5 * np.log10(reach), float(known.max()))
    first, last = np.searchsorted(sky.magnitude, [known.min(), limit])
    centre = unit_vectors(*pointing.sky.icrs(pointing.middle_direction()[None]))[0]
    radius = min(pointing.camera.field_radius_rad() + 0.02, np.pi)
    rows = first + np.flatnonzero(sky.directions[first:last] @ centre > np.cos(radius))
    seen = pointing.sky.directions(sky.ra_rad[rows], sky.dec_rad[rows])
    place = pointing.camera.project(seen @ pointing.attitude.T)
    edge = 0.02 * size
    with np.errstate(invalid="ignore"):
        inside = ((place > edge) & (place < size - edge)).all(1)
    inside &= _high(light, seen)
    rows, place = rows[inside], place[inside]
    flux = 10 ** (0.4 * (_terms(place, size) @ terms - sky.magnitude[rows]))
    place = place[flux > reach]
    if not len(place):
        return 0, 0
    from scipy.spatial import cKDTree

    tree = cKDTree(np.stack([real["x"], real["y"]], 1).astype(np.float64))
    away, _ = tree.query(place, distance_upper_bound=FOUND_WITHIN_PX)
    return len(place), int(np.count_nonzero(np.isfinite(away)))
