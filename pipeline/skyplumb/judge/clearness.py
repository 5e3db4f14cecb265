"""Whether one frame by itself shows cloud: starlight against the catalogue, place by place.

A frame's own stars have catalogue magnitudes, so each tells a zero point G + 2.5 log10(flux)
(Pogson 1856). The lens changes it smoothly with the distance from the middle and clear air along
a gradient; what is left between parts of the picture, beyond the scatter of the stars in each, is
patchy cloud. So is a place where catalogue stars are missing that the frame reaches elsewhere. An
even cloud leaves neither: of that, one frame alone says nothing.

Stars are chosen by their catalogue magnitude: among those chosen by their signal the dimmed ones
are missing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from skyplumb.calibrate.light import Light
from skyplumb.calibrate.matching import may_show
from skyplumb.calibrate.sky import catalogue
from skyplumb.judge.transparency import COUNTS_SLOPE
from skyplumb.measure.flags import BIT
from skyplumb.records import NAN
from skyplumb.rowwise import AT_ONCE, Rows, medians, quantiles, robust_fits, sigmas

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


def clearness_of(lights: Sequence[Light]) -> list[Clearness]:
    """What each of some frames of one lens says; nothing where it was not solved or few stars tell.

    Everything here is done for all frames at once: arrays have a row a frame, and NaN where it
    has no more stars.
    """
    out = [UNTOLD] * len(lights)
    solved = [
        n
        for n, light in enumerate(lights)
        if light.pointing.solved and light.pointing.sky is not None and len(light.pointing.star)
    ]
    for start in range(0, len(solved), AT_ONCE):
        some = solved[start : start + AT_ONCE]
        for n, told in zip(some, _told([lights[n] for n in some]), strict=True):
            out[n] = told
    return out


def _told(lights: Sequence[Light]) -> list[Clearness]:
    """Of some solved frames of one lens."""
    spoiled = BIT["saturated"] | BIT["blended"] | BIT["edge"] | BIT["unfit"] | BIT["streak"]
    sky = catalogue()
    star = np.concatenate([light.measure.stars[light.pointing.star] for light in lights])
    number = np.concatenate([light.pointing.catalogue for light in lights])
    rows = Rows([len(light.pointing.star) for light in lights])
    good = ((star["flags"] & spoiled) == 0) & (star["flux"] > 0) & (star["snr"] > 0)
    good &= _high_of_all(lights, number)
    flux, snr, x, y = (star[name].astype(np.float64) for name in ("flux", "snr", "x", "y"))
    known = rows.of(np.where(good, sky.magnitude[number], np.nan))
    snr = rows.of(np.where(good, snr, np.nan))
    told = _told_by(known, snr)
    enough = np.count_nonzero(told, axis=1) >= FEWEST_STARS
    out = [UNTOLD] * len(lights)
    if not enough.any():
        return out
    # The others' rows are left out, and what does not tell is as if it were not there.
    gone = ~told[enough]
    known, snr, flux, x, y = (
        np.where(gone, np.nan, one[enough])
        for one in (known, snr, rows.of(flux), rows.of(x), rows.of(y))
    )
    lights = [light for light, one in zip(lights, enough, strict=True) if one]
    size = np.array([lights[0].measure.width_px, lights[0].measure.height_px], float)
    zero = known + 2.5 * np.log10(flux)
    errors = np.hypot(LEAST_STAR_MAG, 2.5 / np.log(10) / snr)
    count = np.count_nonzero(~gone, axis=1)
    # Vignetting of a magnitude in the corner and a gradient of half of one are ordinary.
    prior = np.tile([np.inf, 1.0, 1.0, 0.5, 0.5], (len(lights), 1))
    prior[count < FEWEST_FOR_TERMS, 1:] = 1e-3
    design = _terms(x, y, size)
    terms, _ = robust_fits(design, zero, errors, prior)
    left = zero - (terms[:, None, :] @ design)[:, 0]
    spread = np.maximum(sigmas(left - medians(left)[:, None]), LEAST_STAR_MAG)
    patches, beyond_chance = _between_cells(left, x / size[0], y / size[1], errors)
    brightest = np.nanmin(known, axis=1), np.nanmax(known, axis=1)
    counted = _counted(lights, terms, spread, medians(flux / snr), *brightest)
    for n, *found in zip(np.flatnonzero(enough), patches, beyond_chance, *counted, strict=True):
        out[n] = Clearness(float(found[0]), float(found[1]), int(found[2]), int(found[3]))
    return out


def _told_by(known: Floats, snr: Floats) -> NDArray[np.bool_]:
    """Which stars tell the air: those that are strong unless cloud dims them.

    Chosen by their magnitude, since of stars chosen by their signal those that cloud dims are
    missing; by signal where so few are left.
    """
    strong, over = snr > STRONG_SNR, snr / STRONG_SNR
    near = np.abs(np.log(over)) < 1
    reaches = medians(np.where(near, known + 2.5 * np.log10(over), np.nan))
    chosen = known < reaches[:, None] - SPARE_MAG
    many = np.count_nonzero(chosen, axis=1) > FEWEST_BY_MAGNITUDE
    return np.where(many[:, None], chosen, strong)


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


def _high_of_all(lights: Sequence[Light], number: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Which matched stars of solved frames stand high enough, by their numbers in the catalogue."""
    sky, high = catalogue(), np.ones(len(number), bool)
    start = 0
    for light in lights:
        mine = slice(start, start + len(light.pointing.star))
        start = mine.stop
        if _may_be_low(light) and light.pointing.sky is not None:
            rows = number[mine]
            seen = light.pointing.sky.directions(sky.ra_rad[rows], sky.dec_rad[rows])
            high[mine] = _high(light, seen)
    return high


def _may_be_low(light: Light) -> bool:
    """Whether some of the picture may be too low: most pictures need no look at each star."""
    camera, altitude_deg = light.pointing.camera, light.pointing.altitude_deg
    if camera is None or np.isnan(altitude_deg):
        return True
    return altitude_deg - float(np.degrees(camera.field_radius_rad())) < LOWEST_DEG + 0.1


def _high(light: Light, seen: Floats) -> NDArray[np.bool_]:
    """Which stars stand high enough, as far as that is known, by their directions."""
    sky = light.pointing.sky
    if sky is None or not sky.observed:
        return np.ones(len(seen), bool)
    altitude, _ = sky.altitude_azimuth_deg(seen)
    return np.asarray(altitude > LOWEST_DEG)


def _terms(x: Floats, y: Floats, size: Floats) -> Floats:
    """Zero point of a clear frame: constant, vignetting (r^2, r^4), a gradient of the air.

    Of places of shape (..., n) their share of each, shape (..., 5, n).
    """
    half_diagonal = np.hypot(*size) / 2
    x, y = (x - (size[0] - 1) / 2) / half_diagonal, (y - (size[1] - 1) / 2) / half_diagonal
    r2 = x * x + y * y
    return np.stack([np.ones_like(r2), r2, r2 * r2, x, y], axis=-2)


def _between_cells(left: Floats, x: Floats, y: Floats, errors: Floats) -> tuple[Floats, Floats]:
    """Scatter of the cells' medians beyond that of their stars, mag, and how unlikely it is.

    The parts that are furthest off are left out, so that a hill or a dark corner alone makes
    none. The sum of squares is put on the scale of a normal value (Wilson & Hilferty 1931).
    Places `x` and `y` are shares of the picture. NaN where too few cells are full.
    """
    known = np.isfinite(left)
    parted = np.sqrt(np.count_nonzero(known, axis=1) / (STARS_IN_CELL * CELLS[0] * CELLS[1]))
    parted = np.clip(parted, 1, MOST_PARTED).astype(np.int64)[:, None]
    across, down = (
        np.clip(
            (np.where(known, place, 0.0) * parted * cells).astype(np.int64), 0, parted * cells - 1
        )
        for place, cells in ((x, CELLS[0]), (y, CELLS[1]))
    )
    frames, most = len(left), MOST_PARTED**2 * CELLS[0] * CELLS[1]
    cell = (down * parted * CELLS[0] + across + most * np.arange(frames)[:, None])[known]
    counts = np.bincount(cell, minlength=frames * most)
    each = _cell_medians(left[known], cell, counts)
    full = counts >= FEWEST_IN_CELL
    own = np.full_like(left, np.nan)
    own[known] = np.where(full[cell], left[known] - each[cell], np.nan)
    full = full.reshape(frames, most)
    cells, stars = full.sum(axis=1), np.count_nonzero(np.isfinite(own), axis=1)
    with np.errstate(all="ignore"):  # frames of too few full cells end as NaN
        # A median of n takes one of their freedoms.
        spread = np.maximum(sigmas(own, 1 - cells / stars), medians(errors))
        error = MEDIAN_OVER_MEAN * spread[:, None] / np.sqrt(counts.reshape(frames, most))
        free = cells - 5
        off = np.where(full, each.reshape(frames, most), np.nan)
        off -= medians(off)[:, None]
        chi2 = np.nansum((off / error) ** 2, axis=1)
        chance = ((chi2 / free) ** (1 / 3) - (1 - 2 / (9 * free))) / np.sqrt(2 / (9 * free))
        order = np.argsort(np.abs(off), axis=1, kind="stable")  # NaN at the end
        kept = cells - np.ceil(LEFT_OUT * cells).astype(np.int64)
        inner = np.arange(most) < kept[:, None]
        excess = np.take_along_axis(off**2 - error**2, order, axis=1)
        beyond = np.where(inner, excess, 0.0).sum(axis=1) / kept
    told = cells >= FEWEST_CELLS
    patches = np.where(told, np.sqrt(np.maximum(beyond, 0.0)), np.nan)
    return patches, np.where(told, chance, np.nan)


def _cell_medians(values: Floats, cell: NDArray[np.int64], counts: NDArray[np.int64]) -> Floats:
    """Median of the values of each cell; any number where there are none."""
    by_cell = values[np.lexsort((values, cell))]
    ends = np.cumsum(counts)
    low, high = ends - counts + (np.maximum(counts, 1) - 1) // 2, ends - counts + counts // 2
    low, high = (np.minimum(n, len(values) - 1) for n in (low, high))
    return np.asarray((by_cell[low] + by_cell[high]) / 2)


def _counted(
    lights: Sequence[Light],
    terms: Floats,
    spread: Floats,
    noise: Floats,
    brightest: Floats,
    faintest: Floats,
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """How many catalogue stars each frame reaches, and how many of them it shows.

    It reaches those that are brighter than its faintest detections by what stars scatter, and no
    brighter than its brightest unspoiled match: saturated stars are found otherwise or not at all.
    """
    from scipy.spatial import cKDTree

    sky = catalogue()
    size = np.array([lights[0].measure.width_px, lights[0].measure.height_px], float)
    tables = [light.measure.stars for light in lights]
    tables = [stars[(stars["flags"] & BIT["hot"]) == 0] for stars in tables]
    rows, real = Rows([len(stars) for stars in tables]), np.concatenate(tables)
    least_snr = quantiles(rows.of(np.where(real["snr"] > 0, real["snr"], np.nan)), 0.05)
    reach = least_snr * noise * 10 ** (0.4 * FAINT_MARGIN_SIGMAS * spread)
    y, x = np.mgrid[0:1:9j, 0:1:9j]
    best = (terms @ _terms(x.ravel() * size[0], y.ravel() * size[1], size)).max(axis=1)
    limit = np.minimum(best - 2.5 * np.log10(reach), faintest)
    stars, places = [], []
    for light, *limits in zip(lights, brightest, limit, strict=True):
        star, place = _in_picture(light, *limits)
        stars.append(star)
        places.append(place)
    frame = np.repeat(np.arange(len(lights)), [len(one) for one in stars])
    star, place = np.concatenate(stars), np.concatenate(places)
    zero = np.einsum("nt,tn->n", terms[frame], _terms(place[:, 0], place[:, 1], size))
    reached = 10 ** (0.4 * (zero - sky.magnitude[star])) > reach[frame]
    frame, place = frame[reached], place[reached]
    # The pictures lie side by side, so that one search serves all.
    apart = size[0] + 3 * FOUND_WITHIN_PX
    tree = cKDTree(np.stack([real["x"] + apart * rows.row, real["y"]], 1).astype(np.float64))
    away, _ = tree.query(place + np.outer(frame, [apart, 0]), distance_upper_bound=FOUND_WITHIN_PX)
    shown = frame[np.isfinite(away)]
    return np.bincount(frame, minlength=len(lights)), np.bincount(shown, minlength=len(lights))


def _in_picture(
    light: Light, brightest: float, faintest: float
) -> tuple[NDArray[np.int64], Floats]:
    """Catalogue stars between two magnitudes that stand in a picture, and their pixels."""
    pointing = light.pointing
    if pointing.camera is None or pointing.sky is None:
        return np.zeros(0, np.int64), np.zeros((0, 2))
    sky = catalogue()
    size = np.array([light.measure.width_px, light.measure.height_px], float)
    first, last = np.searchsorted(sky.magnitude, [brightest, faintest])
    rows = may_show(pointing.sky, pointing.camera, pointing.attitude, (int(first), int(last)))
    seen = pointing.sky.directions(sky.ra_rad[rows], sky.dec_rad[rows])
    place = pointing.camera.project(seen @ pointing.attitude.T)
    edge = 0.02 * size
    with np.errstate(invalid="ignore"):
        inside = ((place > edge) & (place < size - edge)).all(1)
    if _may_be_low(light):
        inside &= _high(light, seen)
    return rows[inside], place[inside]
