"""Plate -> star table: sep finds the stars, `shapes` measures them.

Stars are found on the half-size green image and measured on the full mosaic: on the
green samples, or, where the stars are too narrow for those, on all samples.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import sep
from numpy.typing import NDArray

from skyplumb.measure import shapes
from skyplumb.records import STAR_DTYPE, Plate

GREEN = 1


@dataclass(frozen=True, slots=True)
class Flag:
    """A reason why a star does not vote."""

    bit: int
    name: str
    meaning: str


FLAGS = (
    Flag(1, "saturated", "a sample of its core is at the sensor's limit"),
    Flag(2, "blended", "another detection shares its light"),
    Flag(4, "edge", "its stamp leaves the picture"),
    Flag(8, "hot", "narrower than any lens can draw: a hot pixel"),
    Flag(16, "streak", "long and straight unlike its neighbours: a satellite or aircraft"),
    Flag(32, "unfit", "no Gaussian could be fitted"),
    Flag(64, "faint", "signal below ten times its noise"),
)
BIT = {flag.name: np.uint16(flag.bit) for flag in FLAGS}

DETECTION_SIGMA = 5.0
BACKGROUND_BOX = 64
MOST_STARS = 2500
MEASURED_STARS = 1300
MOST_HOT = 2000
GREEN_FROM_FWHM_PX = 2.4
"""Below this width the green samples alone are too sparse to hold a star's shape."""
HOT_SHARE = 0.62
"""Share of a star's light in its highest sample; a lens of FWHM 1.4 px reaches 0.37."""
MEAN_STAR_SIZE = 49
MEAN_STAR_FROM = 200
"""How many stars the mean star is made of."""
MEAN_STAR_REACH = 0.5
"""Part of the half diagonal they come from: further out the lens draws them its own way."""
CROP_SIZE = 49
CROP_RADII = (0.0, 0.17, 0.34, 0.5, 0.66, 0.8, 0.93)
STAMP_HALVES = (5, 7, 10, 14, 20, 30, 45, 75, 120)


@dataclass(frozen=True, slots=True)
class StarMeasure:
    """What one plate holds."""

    stars: NDArray[np.void]
    stars_found: int
    sky_level: float
    noise: float
    trails: int
    hot_pixels: int
    hot_xy: NDArray[np.float32]
    crops: NDArray[np.float32]
    crop_xy: NDArray[np.float32]
    mean_star: NDArray[np.float32]


def measure_stars(plate: Plate) -> StarMeasure:
    """Find the stars of a plate and measure their shapes.

    Returns a `StarMeasure`; the table is of `STAR_DTYPE`, brightest first, and empty
    where nothing stands above the sky.
    """
    half = green_half_size(plate)
    finite = np.isfinite(half)
    if not finite.all():
        half = np.where(finite, half, np.float32(np.median(half[finite]) if finite.any() else 0))
    rows, columns = half.shape
    background = sep.Background(
        half, bw=min(BACKGROUND_BOX, columns), bh=min(BACKGROUND_BOX, rows), fw=3, fh=3
    )
    half_noise = float(background.globalrms)
    sky_map = background.back()
    sky_level = float(np.median(sky_map))
    noise = half_noise * np.sqrt(_greens_per_cell(plate))
    nothing = StarMeasure(
        stars=np.zeros(0, STAR_DTYPE),
        stars_found=0,
        sky_level=sky_level,
        noise=noise,
        trails=0,
        hot_pixels=0,
        hot_xy=np.zeros((0, 2), np.float32),
        crops=_no_crops(),
        crop_xy=np.zeros((0, 2), np.float32),
        mean_star=np.zeros((0, 0), np.float32),
    )
    if not half_noise > 0:
        return nothing
    half -= sky_map
    found = _extract(half, half_noise)
    if len(found) == 0:
        return nothing
    mosaic = _Mosaic(plate, sky_map, sky_level)
    table, streaks = _describe(found, half.shape)
    _measure(mosaic, table, noise, found)
    _mark_odd(table)
    table = table[np.argsort(-table["flux"], kind="stable")]
    hot = table[(table["flags"] & BIT["hot"]) != 0]
    keep = (table["flags"] & (BIT["hot"] | BIT["streak"])) == 0
    crops, crop_xy = _crops(mosaic, table[keep])
    return StarMeasure(
        stars=table[keep][:MOST_STARS],
        stars_found=int(np.count_nonzero(keep)),
        sky_level=sky_level,
        noise=noise,
        trails=streaks,
        hot_pixels=len(hot),
        hot_xy=np.stack([hot["x"], hot["y"]], 1)[:MOST_HOT],
        crops=crops,
        crop_xy=crop_xy,
        mean_star=_mean_star(mosaic, table[keep]),
    )


def green_half_size(plate: Plate) -> NDArray[np.float32]:
    """Mean of the green samples above black in each 2 x 2 cell, shape (height // 2, width // 2)."""
    samples, colours = plate.samples, plate.colours
    height, width = samples.shape[0] // 2 * 2, samples.shape[1] // 2 * 2
    if colours.shape == (1, 1):
        colours = np.full((2, 2), GREEN, np.uint8)
    period = np.lcm(2, colours.shape)
    tiles = tuple(period // colours.shape)
    pattern = np.tile(colours, tiles)
    black = np.tile(
        np.broadcast_to(plate.black, plate.colours.shape), tuple(period // plate.black.shape)
    )
    out = np.zeros((height // 2, width // 2), np.float32)
    for cell_y in range(period[0] // 2):
        for cell_x in range(period[1] // 2):
            places = [
                (y, x)
                for y in (2 * cell_y, 2 * cell_y + 1)
                for x in (2 * cell_x, 2 * cell_x + 1)
                if pattern[y, x] == GREEN
            ]
            view = out[cell_y :: period[0] // 2, cell_x :: period[1] // 2]
            for y, x in places:
                view += samples[y : height : period[0], x : width : period[1]]
                view -= black[y, x]
            if len(places) > 1:
                view /= len(places)
    return out


def _greens_per_cell(plate: Plate) -> float:
    """Average number of green samples behind one sample of the half-size image."""
    return 4.0 * float(np.mean(plate.colours == GREEN))


def _extract(half: NDArray[np.float32], noise: float) -> NDArray[np.void]:
    """Detections above the sky; a crowded or ruined picture raises the threshold."""
    sep.set_extract_pixstack(max(300_000, half.size // 8))
    sep.set_sub_object_limit(4096)
    for threshold in (DETECTION_SIGMA, 4 * DETECTION_SIGMA, 20 * DETECTION_SIGMA):
        try:
            return np.asarray(sep.extract(half, threshold, err=noise, minarea=3))
        except Exception as error:  # sep raises bare Exception for its full buffers
            if "pixel buffer full" not in str(error) and "overflow" not in str(error):
                raise
    return np.zeros(0, np.dtype([("x", "f8")]))


class _Mosaic:
    """Samples above the sky anywhere on the plate, with their colour class."""

    def __init__(self, plate: Plate, sky_map: NDArray[np.float32], sky_level: float) -> None:
        self.plate = plate
        self.height, self.width = plate.samples.shape
        self.sky_map = sky_map
        self.ratio = self._sky_ratios(sky_level)

    def _sky_ratios(self, sky_level: float) -> NDArray[np.float32]:
        """Sky of each place of the pattern over the green sky (1 for green places)."""
        pattern = self.plate.colours
        rows, columns = pattern.shape
        ratio = np.ones(pattern.shape, np.float32)
        for y in range(rows):
            for x in range(columns):
                if pattern[y, x] != GREEN and sky_level > 0:
                    coarse = self.plate.samples[y::rows, x::columns][::7, ::7]
                    level = float(np.nanmedian(coarse.astype(np.float32)))
                    ratio[y, x] = (level - self.plate.black[y, x]) / sky_level
        return ratio

    def stamps(
        self, x: NDArray[np.int64], y: NDArray[np.int64], half_size: int
    ) -> tuple[NDArray[np.float32], NDArray[np.uint8], NDArray[np.bool_]]:
        """Samples above the sky, colours and saturation around each place, edges repeated."""
        reach = np.arange(-half_size, half_size + 1)
        row = np.clip(y[:, None] + reach, 0, self.height - 1)[:, :, None]
        column = np.clip(x[:, None] + reach, 0, self.width - 1)[:, None, :]
        raw = self.plate.samples[row, column].astype(np.float32)
        rows, columns = self.plate.colours.shape
        place = (row % rows, column % columns)
        sky = self.sky_map[
            np.minimum(y // 2, self.sky_map.shape[0] - 1),
            np.minimum(x // 2, self.sky_map.shape[1] - 1),
        ]
        above = raw - self.plate.black[place] - sky[:, None, None] * self.ratio[place]
        above = np.nan_to_num(above, nan=0.0, posinf=0.0, neginf=0.0)
        return above, self.plate.colours[place], raw >= self.plate.saturation


def _describe(found: NDArray[np.void], shape: tuple[int, int]) -> tuple[NDArray[np.void], int]:
    """First star table from the detections, and how many streaks cross the picture."""
    table = np.zeros(len(found), STAR_DTYPE)
    table["x"] = 2 * found["x"] + 0.5
    table["y"] = 2 * found["y"] + 0.5
    table["flux"] = 4 * found["flux"]
    table["peak"] = found["peak"]
    for column, source in (("mxx", "x2"), ("myy", "y2"), ("mxy", "xy")):
        # The detection image has half the scale.
        table[column] = 4 * found[source]
    for column in ("snr", "sxx", "syy", "sxy", "kurt"):
        table[column] = np.nan
    table["flags"] = np.where(found["flag"] & sep.OBJ_MERGED, BIT["blended"], np.uint16(0))
    length = found["a"]
    usual = np.median(length)
    streak = (length > max(12.0, 6 * usual)) & (length > 5 * found["b"])
    table["flags"][streak] |= BIT["streak"]
    return table, int(np.count_nonzero(streak))


def _choose(table: NDArray[np.void], width: int, height: int, most: int) -> NDArray[np.int64]:
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


def _measure(
    mosaic: _Mosaic, table: NDArray[np.void], noise: float, found: NDArray[np.void]
) -> None:
    """Fit the chosen stars in place; the rest keep the detection's description."""
    chosen = _choose(table, mosaic.width, mosaic.height, MEASURED_STARS)
    table["flags"] |= BIT["unfit"]
    mono = mosaic.plate.colours.shape == (1, 1)
    # sep smooths before it thresholds, which adds 0.5 px^2; its isophote cuts the wings.
    sigma = 2 * np.sqrt(np.maximum(found["a"] ** 2 - 0.45, 0.15))
    half = np.asarray(STAMP_HALVES)
    want = 3.6 * sigma + 1.5
    size_class = np.minimum(np.searchsorted(half, want), len(half) - 1)
    all_colours = False
    if not mono:
        probe = chosen[(table["flags"][chosen] & BIT["blended"]) == 0][:120]
        trial = table.copy()
        _fit_group(mosaic, trial, probe, int(half[size_class[probe]].max(initial=7)), noise, False)
        good = probe[(trial["flags"][probe] & ~BIT["blended"]) == 0]
        if len(good) >= 5:
            moments = np.stack([trial["mxx"], trial["myy"], trial["mxy"]], 1)[good]
            _, minor, _ = shapes.axes(moments.astype(np.float64))
            all_colours = bool(
                shapes.SIGMA_TO_FWHM * np.sqrt(np.median(minor)) < GREEN_FROM_FWHM_PX
            )
        else:
            all_colours = True
    for number, reach in enumerate(half):
        group = chosen[size_class[chosen] == number]
        # Few long trails say as much as many, and their stamps are large.
        group = group[: max(40, int(1_200_000 / (2 * reach + 1) ** 2))]
        for part in np.array_split(group, max(1, len(group) * (2 * reach + 1) ** 2 // 120_000)):
            _fit_group(mosaic, table, part, int(reach), noise, all_colours)


def _fit_group(
    mosaic: _Mosaic,
    table: NDArray[np.void],
    which: NDArray[np.int64],
    reach: int,
    noise: float,
    all_colours: bool,
) -> None:
    """Fit the stars `which` on stamps of one size and write them into the table."""
    if len(which) == 0:
        return
    x = np.rint(table["x"][which]).astype(np.int64)
    y = np.rint(table["y"][which]).astype(np.int64)
    above, colours, saturated = mosaic.stamps(x, y, reach)
    # Colour class 0 is green: its height gives the flux.
    order = np.array([1, 0, 2], np.int8) if all_colours else np.array([-1, 0, -1], np.int8)
    classes = order[colours]
    start = np.stack([table["mxx"], table["myy"], table["mxy"]], 1)[which].astype(np.float64)
    # Less what sep's smoothing adds. A start too narrow may lead nowhere, one too wide shrinks.
    larger, smaller, angle = shapes.axes(start)
    larger, smaller = np.maximum(larger - 1.5, 1.0), np.maximum(smaller - 1.5, 1.0)
    mean, half, turn = (larger + smaller) / 2, (larger - smaller) / 2, np.radians(2 * angle)
    start = np.stack(
        [mean + half * np.cos(turn), mean - half * np.cos(turn), half * np.sin(turn)], 1
    )
    offset = np.stack([table["x"][which] - x, table["y"][which] - y], 1).astype(np.float64)
    fit = shapes.fit_gaussians(above, classes, noise, start, offset)

    flags = table["flags"][which] & ~BIT["unfit"]
    core = above[:, reach - 2 : reach + 3, reach - 2 : reach + 3]
    # Only samples of the star count: noise around it would hide a lone bright pixel.
    light = np.where(core > 2 * noise, core, 0.0)
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


def _mark_odd(table: NDArray[np.void]) -> None:
    """Flag fits far narrower than the rest, and stars that share their light."""
    fitted = (table["flags"] & (BIT["unfit"] | BIT["hot"] | BIT["streak"])) == 0
    if fitted.any():
        det = table["mxx"] * table["myy"] - table["mxy"] ** 2
        width2 = np.sqrt(np.maximum(det, 0))
        usual = np.median(width2[fitted])
        table["flags"][fitted & (width2 < 0.3 * usual) & (width2 < 0.25)] |= BIT["hot"]
        reach = 2.5 * np.sqrt(np.median((table["mxx"] + table["myy"])[fitted])) + 2
        _mark_blends(table, float(reach))


def _mark_blends(table: NDArray[np.void], reach: float) -> None:
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


def _mean_star(mosaic: _Mosaic, table: NDArray[np.void]) -> NDArray[np.float32]:
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
    green = _fill_green(above, colours == GREEN)[:, 1:-1, 1:-1]
    stars = table[chosen]
    det = np.maximum(stars["mxx"] * stars["myy"] - stars["mxy"] ** 2, 1e-6)
    height = stars["flux"] / (2 * np.pi * np.sqrt(det))
    return np.asarray(np.median(green / height[:, None, None], axis=0), np.float32)


def _no_crops() -> NDArray[np.float32]:
    return np.zeros((0, CROP_SIZE, CROP_SIZE), np.float32)


def _crops(
    mosaic: _Mosaic, table: NDArray[np.void]
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
        return _no_crops(), np.zeros((0, 2), np.float32)
    xy = np.array(places, np.float32)
    xy = xy[np.argsort(np.hypot(*(xy - middle).T), kind="stable")]
    reach = CROP_SIZE // 2
    above, colours, _ = mosaic.stamps(
        np.rint(xy[:, 0]).astype(np.int64), np.rint(xy[:, 1]).astype(np.int64), reach + 1
    )
    return _fill_green(above, colours == GREEN)[:, 1:-1, 1:-1], xy


def _fill_green(above: NDArray[np.float32], green: NDArray[np.bool_]) -> NDArray[np.float32]:
    """Green at every sample: its own, or the weighted mean of its green neighbours."""
    total = np.zeros_like(above)
    weight = np.zeros_like(above)
    lit = np.where(green, above, 0)
    for dy in (-1, 0, 1):
        for dx in (-1, 0, 1):
            share = 0.5 ** (abs(dy) + abs(dx))
            total += share * np.roll(lit, (dy, dx), (1, 2))
            weight += share * np.roll(green, (dy, dx), (1, 2))
    return np.where(green, above, total / np.maximum(weight, 1e-6)).astype(np.float32)
