"""Plate -> star table: sep finds the stars, `shapes` measures them.

Stars are found on the half-size green image, or, where they are too narrow for that, on the
mosaic itself. They are measured on the full mosaic: on the green samples, or, where the stars
are too narrow for those, on all samples.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
import sep
from numpy.typing import NDArray

from skyplumb.measure import shapes
from skyplumb.measure.arcs import Arcs, find_arcs
from skyplumb.measure.crops import mean_star, no_crops, star_crops
from skyplumb.measure.detect import SMOOTHED_PX2, Detections, detect
from skyplumb.measure.flags import BIT
from skyplumb.measure.mosaic import GREEN, Mosaic, SkyLevel, green_half_size, noise_before_cut
from skyplumb.measure.thumbnail import thumbnail_of
from skyplumb.records import STAR_DTYPE, Plate

MOST_STARS = 2500
MEASURED_STARS = 1300
"""Fewer tell less of the air: of a hundred skies of patchy cloud that `tests.bench.clearness`
makes, 69 were told with all stars measured, 55 with so many, 47 with 900 and 44 with 600."""
PROBED_STARS = 120
FEWEST_PROBED = 5
MOST_HOT = 2000
NARROW_FWHM_PX = 2.4
"""Below this width stars drown in the half-size image, and the green samples alone are too
sparse to hold a star's shape."""
HOT_SHARE = 0.62
"""Share of a star's light in its highest sample; a lens of FWHM 1.4 px reaches 0.37."""
STAMP_HALVES = (5, 7, 8, 9, 11, 14, 20, 30, 45, 75, 120)
LARGEST_SAMPLE = 1e15
"""No sensor counts so far: such samples are damage, and their squares are no numbers."""

Table = NDArray[np.void]


@dataclass(frozen=True, slots=True)
class StarMeasure:
    """What one plate holds."""

    stars: Table = field(default_factory=lambda: np.zeros(0, STAR_DTYPE))
    stars_found: int = 0
    sky_level: float = 0.0
    noise: float = 0.0
    trails: int = 0
    hot_pixels: int = 0
    hot_xy: NDArray[np.float32] = field(default_factory=lambda: np.zeros((0, 2), np.float32))
    crops: NDArray[np.float32] = field(default_factory=no_crops)
    crop_xy: NDArray[np.float32] = field(default_factory=lambda: np.zeros((0, 2), np.float32))
    mean_star: NDArray[np.float32] = field(default_factory=lambda: np.zeros((0, 0), np.float32))
    thumbnail: NDArray[np.uint8] = field(default_factory=lambda: np.zeros((0, 0), np.uint8))
    arcs: Arcs = field(default_factory=Arcs)


def measure_stars(plate: Plate) -> StarMeasure:
    """Find the stars of a plate and measure their shapes.

    Returns a `StarMeasure`; the table is of `STAR_DTYPE`, brightest first, and empty
    where nothing stands above the sky.
    """
    plate = _without_damage(plate)
    half = green_half_size(plate)
    finite = np.isfinite(half)
    if not finite.all():
        half = np.where(finite, half, np.float32(np.median(half[finite]) if finite.any() else 0))
    thumbnail = thumbnail_of(half)
    before_cut = noise_before_cut(plate)
    greens = np.float32(np.sqrt(4.0 * np.mean(plate.colours == GREEN)))
    sky = SkyLevel(half, None if before_cut is None else before_cut / greens)
    mosaic = Mosaic(plate, sky)
    nothing = StarMeasure(
        sky_level=sky.level, noise=sky.noise * mosaic.per_cell, thumbnail=thumbnail
    )
    if not sky.noise > 0:
        return nothing
    sky.flatten(half)
    detections, table, streaks, all_colours = _at_their_scale(mosaic, half)
    if len(detections.found) == 0:
        return nothing
    arcs = find_arcs(detections)
    _measure(mosaic, table, detections, all_colours)
    _mark_odd(table)
    table = table[np.argsort(-table["flux"], kind="stable")]
    hot = table[(table["flags"] & BIT["hot"]) != 0]
    keep = (table["flags"] & (BIT["hot"] | BIT["streak"])) == 0
    crops, crop_xy = star_crops(mosaic, table[keep])
    return replace(
        nothing,
        stars=table[keep][:MOST_STARS],
        # The pieces of arcs are neither stars nor satellites.
        stars_found=arcs.number or int(np.count_nonzero(keep)),
        trails=0 if arcs.number else streaks,
        hot_pixels=len(hot),
        hot_xy=np.stack([hot["x"], hot["y"]], 1)[:MOST_HOT],
        crops=crops,
        crop_xy=crop_xy,
        mean_star=mean_star(mosaic, table[keep]),
        arcs=arcs,
    )


def _without_damage(plate: Plate) -> Plate:
    """The same plate with samples that no sensor can have counted marked as unknown."""
    if plate.samples.dtype.kind != "f":
        return plate
    sound = np.abs(plate.samples) < LARGEST_SAMPLE
    if sound.all():
        return plate
    return replace(plate, samples=np.where(sound, plate.samples, np.nan).astype(np.float32))


def _at_their_scale(
    mosaic: Mosaic, half: NDArray[np.float32]
) -> tuple[Detections, Table, int, bool]:
    """Detections at the scale that suits the stars' width, their table, and what else they need.

    Returns
    -------
    tuple
        The detections, the first star table and the number of streaks among them, and whether
        all colours are needed to measure them.
    """
    coarse = detect(half, 2)
    of_coarse = _describe(coarse, mosaic)
    width = _typical_fwhm_px(mosaic, coarse, of_coarse[0])
    if width >= NARROW_FWHM_PX:
        return coarse, *of_coarse, False
    fine = detect(mosaic.over_noise(), 1)
    of_fine = _describe(fine, mosaic)
    # Few stars on the coarse image may still be wide ones.
    if np.isnan(width) and _typical_fwhm_px(mosaic, fine, of_fine[0]) >= NARROW_FWHM_PX:
        wide = (coarse, *of_coarse) if len(coarse.found) else (fine, *of_fine)
        return *wide, False
    return fine, *of_fine, not mosaic.mono


def _typical_fwhm_px(mosaic: Mosaic, detections: Detections, described: Table) -> float:
    """Median width across the trail of some bright lone stars, px; NaN with too few."""
    table = described.copy()  # the fits are tried, not kept
    chosen = _choose(table, mosaic.width, mosaic.height, 2 * PROBED_STARS)
    probe = chosen[(table["flags"][chosen] & BIT["blended"]) == 0][:PROBED_STARS]
    sizes = _stamp_classes(detections)[probe]
    reach = int(np.asarray(STAMP_HALVES)[int(np.median(sizes))]) if len(probe) else 0
    _fit_group(mosaic, table, probe, max(reach, 7), False, detections.scale)
    good = probe[(table["flags"][probe] & ~(BIT["blended"] | BIT["saturated"])) == 0]
    if len(good) < FEWEST_PROBED:
        return float("nan")
    moments = np.stack([table["mxx"], table["myy"], table["mxy"]], 1)[good]
    _, minor, _ = shapes.axes(moments.astype(np.float64))
    return float(shapes.SIGMA_TO_FWHM * np.sqrt(np.median(minor)))


def _describe(detections: Detections, mosaic: Mosaic) -> tuple[Table, int]:
    """First star table from the detections, and how many streaks cross the picture."""
    found, scale = detections.found, detections.scale
    table = np.zeros(len(found), STAR_DTYPE)
    table["x"] = scale * found["x"] + (scale - 1) / 2
    table["y"] = scale * found["y"] + (scale - 1) / 2
    x, y = (np.rint(table[name]).astype(np.int64) for name in ("x", "y"))
    unit = mosaic.noise_at(x, y) / (mosaic.per_cell if scale == 2 else 1.0)
    table["flux"] = scale**2 * found["flux"] * unit
    table["peak"] = found["peak"] * unit
    for column, source in (("mxx", "x2"), ("myy", "y2"), ("mxy", "xy")):
        table[column] = scale**2 * found[source]
    for column in ("snr", "sxx", "syy", "sxy", "kurt"):
        table[column] = np.nan
    table["flags"] = BIT["unfit"] | np.where(
        found["flag"] & sep.OBJ_MERGED, BIT["blended"], np.uint16(0)
    )
    length = found["a"]
    usual = np.median(length) if len(length) else np.inf
    streak = (length > max(24.0 / scale, 6 * usual)) & (length > 5 * found["b"])
    table["flags"][streak] |= BIT["streak"]
    return table, int(np.count_nonzero(streak))


def _choose(table: Table, width: int, height: int, most: int) -> NDArray[np.int64]:
    """The brightest detections of every part of the picture, so that corners vote too."""
    usable = np.flatnonzero((table["flags"] & BIT["streak"]) == 0)
    across, down = 9, 6
    cell = np.minimum(
        (table["x"][usable] * across / width).astype(int), across - 1
    ) + across * np.minimum((table["y"][usable] * down / height).astype(int), down - 1)
    order = np.lexsort((-table["flux"][usable], cell))
    usable, cell = usable[order], cell[order]
    first = np.searchsorted(cell, cell)
    rank = np.arange(len(cell)) - first
    return usable[np.argsort(rank, kind="stable")[:most]]


def _stamp_classes(detections: Detections) -> NDArray[np.int64]:
    """Which of `STAMP_HALVES` holds each detection."""
    # The isophote cuts the wings.
    variance = np.maximum(detections.found["a"] ** 2 - 0.9 * SMOOTHED_PX2, 0.15)
    want = 3.6 * detections.scale * np.sqrt(variance) + 1.5
    return np.minimum(np.searchsorted(STAMP_HALVES, want), len(STAMP_HALVES) - 1)


def _measure(mosaic: Mosaic, table: Table, detections: Detections, all_colours: bool) -> None:
    """Fit the chosen stars in place; the rest keep the detection's description."""
    chosen = _choose(table, mosaic.width, mosaic.height, MEASURED_STARS)
    sizes = _stamp_classes(detections)[chosen]
    for number, reach in enumerate(STAMP_HALVES):
        group = chosen[sizes == number]
        # Few long trails say as much as many, and their stamps are large.
        group = group[: max(40, int(1_200_000 / (2 * reach + 1) ** 2))]
        for part in np.array_split(group, max(1, len(group) * (2 * reach + 1) ** 2 // 120_000)):
            _fit_group(mosaic, table, part, reach, all_colours, detections.scale)


def _fit_group(
    mosaic: Mosaic,
    table: Table,
    which: NDArray[np.int64],
    reach: int,
    all_colours: bool,
    scale: int,
) -> None:
    """Fit the stars `which` on stamps of one size and write them into the table."""
    if len(which) == 0:
        return
    x = np.rint(table["x"][which]).astype(np.int64)
    y = np.rint(table["y"][which]).astype(np.int64)
    above, colours, saturated = mosaic.stamps(x, y, reach)
    noise = mosaic.noise_at(x, y)
    # Colour class 0 is green: its height gives the flux.
    order = np.array([1, 0, 2], np.int8) if all_colours else np.array([-1, 0, -1], np.int8)
    classes = order[colours]
    start = np.stack([table["mxx"], table["myy"], table["mxy"]], 1)[which].astype(np.float64)
    # Less what sep's smoothing adds. A start too narrow may lead nowhere, one too wide shrinks.
    added = 0.75 * SMOOTHED_PX2 * scale**2
    larger, smaller, angle = shapes.axes(start)
    larger, smaller = np.maximum(larger - added, 1.0), np.maximum(smaller - added, 1.0)
    mean, half, turn = (larger + smaller) / 2, (larger - smaller) / 2, np.radians(2 * angle)
    start = np.stack(
        [mean + half * np.cos(turn), mean - half * np.cos(turn), half * np.sin(turn)], 1
    )
    offset = np.stack([table["x"][which] - x, table["y"][which] - y], 1).astype(np.float64)
    fit = shapes.fit_gaussians(above, classes, noise, start, offset)

    flags = table["flags"][which] & ~BIT["unfit"]
    core = above[:, reach - 2 : reach + 3, reach - 2 : reach + 3]
    # Only samples of the star count: noise around it would hide a lone bright pixel.
    light = np.where(core > 2 * noise[:, None, None], core, 0.0)
    share = light.max(axis=(1, 2)) / np.maximum(light.sum(axis=(1, 2)), 1e-6)
    flags = np.where(share > HOT_SHARE, flags | BIT["hot"], flags)
    wide = min(reach, 4)
    middle = saturated[:, reach - wide : reach + wide + 1, reach - wide : reach + wide + 1]
    flags = np.where(middle.any(axis=(1, 2)), flags | BIT["saturated"], flags)
    near_edge = (
        (x < reach) | (y < reach) | (x >= mosaic.width - reach) | (y >= mosaic.height - reach)
    )
    flags = np.where(near_edge, flags | BIT["edge"], flags)
    ok = fit.converged
    flags = np.where(ok, flags, flags | BIT["unfit"])
    flags = np.where(ok & ~(fit.snr >= 10), flags | BIT["faint"], flags)
    table["flags"][which] = flags
    good = which[ok]
    table["x"][good] = (x + fit.x)[ok]
    table["y"][good] = (y + fit.y)[ok]
    for number, column in enumerate(("xx", "yy", "xy")):
        table["m" + column][good] = fit.moments[ok, number]
        table["s" + column][good] = fit.errors[ok, number]
    det = fit.moments[:, 0] * fit.moments[:, 1] - fit.moments[:, 2] ** 2
    flux = 2 * np.pi * fit.amplitude[:, 0] * np.sqrt(np.maximum(det, 0))
    table["flux"][good] = flux[ok]
    table["snr"][good] = fit.snr[ok]
    table["kurt"][good] = fit.kurt[ok]
    table["peak"][which] = np.where(colours == GREEN, above, -np.inf).max(axis=(1, 2))


def _mark_odd(table: Table) -> None:
    """Flag fits far narrower than the rest, and stars that share their light."""
    fitted = (table["flags"] & (BIT["unfit"] | BIT["hot"] | BIT["streak"])) == 0
    if fitted.any():
        det = table["mxx"] * table["myy"] - table["mxy"] ** 2
        width2 = np.sqrt(np.maximum(det, 0))
        usual = np.median(width2[fitted])
        table["flags"][fitted & (width2 < 0.3 * usual) & (width2 < 0.25)] |= BIT["hot"]
        reach = 2.5 * np.sqrt(np.median((table["mxx"] + table["myy"])[fitted])) + 2
        _mark_blends(table, float(reach))


def _mark_blends(table: Table, reach: float) -> None:
    """Flag pairs within reach where the other star has over 3 % of this one's light."""
    from scipy.spatial import cKDTree

    places = np.stack([table["x"], table["y"]], 1)
    pairs = cKDTree(places).query_pairs(reach, output_type="ndarray")
    if len(pairs) == 0:
        return
    flux = table["flux"]
    both = np.concatenate([pairs, pairs[:, ::-1]])
    shared = flux[both[:, 1]] > 0.03 * flux[both[:, 0]]
    table["flags"][np.unique(both[shared, 0])] |= BIT["blended"]
