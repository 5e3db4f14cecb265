"""The sensor's own samples seen without its colours: above black and sky, green, flat."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from skyplumb.records import Plate

GREEN = 1
BACKGROUND_BOX = 64
"""Side of the boxes that the sky is measured in, samples of the half-size image."""
SKY_STEP = 2
"""Every second sample of every second row tells the sky of a box: a thousand hold sep's mode,
2.5 median - 1.5 mean, within 0.07 of their noise, and boxes are smoothed with those around."""
FEWEST_SKY_BOXES = 12
"""Along the shorter side; of a smaller picture, which costs little, every sample counts."""
CUT_LEAST = 0.03
"""Part of the samples at the lowest value from which on it is a cut; noise loses 1 % to it."""
CUT_MOST = 0.995
"""Boxes with more at the cut are outside of the picture, and hold no noise to be measured."""
BAND = 32
"""Rows that are worked on at once, so that what is made on the way stays in a cache."""

Image = NDArray[np.float32]


def green_half_size(plate: Plate) -> Image:
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
    band = int(BAND * period[0])
    for top in range(0, height, band):
        rows = samples[top : min(top + band, height)]
        here = out[top // 2 : (top + band) // 2]
        for cell_y in range(period[0] // 2):
            for cell_x in range(period[1] // 2):
                places = [
                    (y, x)
                    for y in (2 * cell_y, 2 * cell_y + 1)
                    for x in (2 * cell_x, 2 * cell_x + 1)
                    if pattern[y, x] == GREEN
                ]
                view = here[cell_y :: period[0] // 2, cell_x :: period[1] // 2]
                for y, x in places:
                    view += rows[y :: period[0], x : width : period[1]]
                    view -= black[y, x]
                if len(places) > 1:
                    view /= len(places)
    return out


def noise_before_cut(plate: Plate) -> Image | None:
    """Noise of one green sample of each box, had nothing been cut off at black.

    Where the sky is dark and a camera, or a program after it, keeps no sample below black, the
    lowest value holds all that noise would have spread below it: more samples than the next. Noise
    is normal, so that the share of the samples at the cut and the value that a quarter of the
    others exceed tell its deviation.

    Returns
    -------
    ndarray, shape (n, m), or None
        Boxes of `BACKGROUND_BOX` samples of the half-size image, sample units; None where nothing
        is cut, or nothing is left.
    """
    from scipy import ndimage
    from scipy.special import ndtri

    y, x = (int(place[0]) for place in np.nonzero(plate.colours == GREEN))
    rows, columns = plate.colours.shape
    green: NDArray[Any] = plate.samples[y::rows, x::columns]
    some = green[:: 1 + green.shape[0] // 500, :: 1 + green.shape[1] // 500]
    lowest = float(np.percentile(some.astype(np.float32), 50 * CUT_LEAST, method="lower"))
    at_bottom = int(np.count_nonzero(some <= lowest))
    above = some[some > lowest]
    if at_bottom < CUT_LEAST * some.size or not above.size:
        return None
    if at_bottom <= np.count_nonzero(above == above.min()):
        return None  # coarse steps, of which this is one
    cut = (lowest + float(above.min())) / 2
    down, across = (
        min(2 * BACKGROUND_BOX // side, length)
        for side, length in zip((rows, columns), green.shape, strict=True)
    )
    high, wide = green.shape[0] // down, green.shape[1] // across
    boxes = green[: high * down, : wide * across].reshape(high, down, wide, across)
    sorted_up = np.sort(boxes.swapaxes(1, 2).reshape(high, wide, -1), axis=2)
    share = (sorted_up <= lowest).mean(axis=2)
    last = sorted_up.shape[2] - 1
    at = ((1.0 - (1.0 - share) / 4) * last).astype(np.int64)[:, :, None]
    value = np.take_along_axis(sorted_up, at, axis=2)
    # Of what may come in coarse steps: how much is up to this step, and where the step ends.
    below = (sorted_up <= value).sum(axis=2)
    after = np.take_along_axis(sorted_up, np.minimum(below, last)[:, :, None], axis=2)
    end = (value[:, :, 0].astype(np.float64) + after[:, :, 0]) / 2
    told = (share > CUT_LEAST) & (share < CUT_MOST) & (end > cut) & (below <= last)
    if not told.any():
        return None
    low = np.where(told, share, 0.5)
    most = np.where(told, below / (last + 1), 0.75)
    noise = (end - cut) / (ndtri(most) - ndtri(low))
    # A box where nothing or everything is cut tells nothing of this kind.
    noise[~told & (share >= CUT_MOST)] = np.median(noise[told])
    noise[~told & (share < CUT_MOST)] = 0.0
    return np.asarray(ndimage.median_filter(noise, 3, mode="nearest"), np.float32)


class SkyLevel:
    """Level and noise of the sky over the half-size green image."""

    def __init__(self, half: Image, before_cut: Image | None = None) -> None:
        """Measure it.

        Parameters
        ----------
        half : ndarray, shape (rows, columns)
            The half-size green image.
        before_cut : ndarray, shape (n, m), optional
            Its noise in boxes, where the picture is cut off at black; see `noise_before_cut`.
        """
        import sep

        few = min(half.shape) < FEWEST_SKY_BOXES * BACKGROUND_BOX
        self.step = 1 if few else SKY_STEP
        """Samples of the half-size image to one of the maps, along each axis."""
        some = np.ascontiguousarray(half[:: self.step, :: self.step])
        rows, columns = some.shape
        box = BACKGROUND_BOX // self.step
        found = sep.Background(some, bw=min(box, columns), bh=min(box, rows), fw=3, fh=3)
        self.map = _without_overshoot(found.back(), box)
        self.level = float(np.median(self.map[::5, ::5]))
        self.noise = float(found.globalrms)
        """Of one sample of the half-size image, over the whole picture."""
        self.noise_map = _without_overshoot(found.rms(), box)
        """The same place by place: a bright ground does not hide the stars over it."""
        told = self.noise_map[::5, ::5]
        told = told[told > 0]
        # Where a picture is cut off at black it seems to have no noise at all.
        least = 0.5 * float(np.percentile(told, 5)) if told.size else 1.0
        np.maximum(self.noise_map, np.float32(least), out=self.noise_map)
        if before_cut is not None:
            self.noise = max(self.noise, float(np.median(before_cut)))
            row, column = (
                np.minimum(np.arange(length) // box, boxes - 1)
                for length, boxes in zip(some.shape, before_cut.shape, strict=True)
            )
            np.maximum(self.noise_map, before_cut[np.ix_(row, column)], out=self.noise_map)

    def flatten(self, half: Image) -> None:
        """Turn the half-size image, in place, into what stands above the sky over its noise."""
        for top in range(0, len(half), BAND):
            here = half[top : top + BAND]
            here -= self.spread(self.map, top, here.shape)
            here /= self.spread(self.noise_map, top, here.shape)

    def spread(self, sky: Image, top: int, shape: tuple[int, ...]) -> Image:
        """One of the maps at every sample of some rows of the half-size image.

        `top`, the first of them, is a multiple of `step`.
        """
        rows, columns = shape
        part = sky[top // self.step : -(-(top + rows) // self.step)]
        wide = part.repeat(self.step, axis=1)[:, :columns]
        return wide.repeat(self.step, axis=0)[:rows]

    def cell(
        self, x: NDArray[np.int64], y: NDArray[np.int64]
    ) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Indices into the maps of places on the mosaic."""
        rows, columns = self.map.shape
        size = 2 * self.step
        return np.clip(y // size, 0, rows - 1), np.clip(x // size, 0, columns - 1)


def _without_overshoot(smooth: Image, box: int) -> Image:
    """The same map held, in place, between the least and the most of the boxes around.

    A spline overshoots both sides of a step such as a skyline, by more than a sky's noise.
    """
    from scipy import ndimage

    rows, columns = smooth.shape
    middle = box // 2
    down = np.minimum(np.arange(0, rows, box) + middle, rows - 1)
    across = np.minimum(np.arange(0, columns, box) + middle, columns - 1)
    boxes = smooth[np.ix_(down, across)]
    low, high = (
        np.repeat(extreme(boxes, 3), box, axis=1)[:, :columns]
        for extreme in (ndimage.minimum_filter, ndimage.maximum_filter)
    )
    for number, start in enumerate(range(0, rows, box)):
        part = smooth[start : start + box]
        np.clip(part, low[number], high[number], out=part)
    return smooth


class Mosaic:
    """Samples above the sky anywhere on the plate, with their colour class."""

    def __init__(self, plate: Plate, sky: SkyLevel) -> None:
        self.plate = plate
        self.sky = sky
        self.height, self.width = plate.samples.shape
        self.mono = plate.colours.shape == (1, 1)
        greens = 4.0 * float(np.mean(plate.colours == GREEN))
        self.per_cell = float(np.sqrt(greens))
        """Noise of one green sample over that of one of the half-size image."""
        self.ratio = self._sky_ratios()

    def _sky_ratios(self) -> Image:
        """Sky of each place of the pattern over the green sky (1 for green places)."""
        pattern = self.plate.colours
        rows, columns = pattern.shape
        ratio = np.ones(pattern.shape, np.float32)
        for y in range(rows):
            for x in range(columns):
                if pattern[y, x] != GREEN and self.sky.level > 0:
                    coarse = self.plate.samples[y::rows, x::columns][::7, ::7]
                    level = float(np.nanmedian(coarse.astype(np.float32)))
                    ratio[y, x] = (level - self.plate.black[y, x]) / self.sky.level
        return ratio

    def noise_at(self, x: NDArray[np.int64], y: NDArray[np.int64]) -> NDArray[np.float64]:
        """Noise of one green sample of the sky there."""
        return self.sky.noise_map[self.sky.cell(x, y)].astype(np.float64) * self.per_cell

    def stamps(
        self, x: NDArray[np.int64], y: NDArray[np.int64], half_size: int
    ) -> tuple[Image, NDArray[np.uint8], NDArray[np.bool_]]:
        """Samples above the sky, colours and saturation around each place, edges repeated."""
        reach = np.arange(-half_size, half_size + 1)
        row = np.clip(y[:, None] + reach, 0, self.height - 1)[:, :, None]
        column = np.clip(x[:, None] + reach, 0, self.width - 1)[:, None, :]
        raw = self.plate.samples[row, column].astype(np.float32)
        rows, columns = self.plate.colours.shape
        place = row % rows * columns + column % columns
        sky = self.sky.map[self.sky.cell(x, y)]
        above = raw - self.plate.black.take(place)
        above -= sky[:, None, None] * self.ratio.take(place)
        np.nan_to_num(above, copy=False, nan=0.0, posinf=0.0, neginf=0.0)
        return above, self.plate.colours.take(place), raw >= self.plate.saturation

    def over_noise(self) -> Image:
        """The whole mosaic above its sky in units of the noise of a green sample.

        A [1 2 1] x [1 2 1] filter weighs green, red and blue 2 : 1 : 1 wherever it lies on a
        Bayer mosaic, so that stars look alike on all of its places.
        """
        high, wide = self.height // 2, self.width // 2
        rows, columns = self.plate.colours.shape
        period = np.lcm(2, (rows, columns))
        flat = np.empty((2 * high, 2 * wide), np.float32)
        band = int(BAND * period[0])
        for top in range(0, 2 * high, band):
            here = flat[top : top + band]
            here[:] = self.plate.samples[top : top + band, : 2 * wide][: len(here)]
            shape = (len(here) // 2, wide)
            sky = self.sky.spread(self.sky.map, top // 2, shape)
            per_noise = self.sky.spread(self.sky.noise_map, top // 2, shape) * self.per_cell
            for y in range(period[0]):
                for x in range(period[1]):
                    part = here[y :: period[0], x :: period[1]]
                    cells = np.s_[y // 2 :: period[0] // 2, x // 2 :: period[1] // 2]
                    part -= self.plate.black[y % rows, x % columns]
                    part -= self.ratio[y % rows, x % columns] * sky[cells]
                    part /= per_noise[cells]
            np.nan_to_num(here, copy=False, nan=0.0, posinf=0.0, neginf=0.0)
        return flat


def fill_green(above: Image, green: NDArray[np.bool_]) -> Image:
    """Green at every sample: its own, or the weighted mean of its green neighbours."""
    if green.all():
        return above
    lit, weight = np.where(green, above, 0), green.astype(np.float32)
    for axis in (1, 2):
        lit, weight = _with_halves(lit, axis), _with_halves(weight, axis)
    return np.where(green, above, lit / np.maximum(weight, 1e-6)).astype(np.float32)


def _with_halves(stamps: Image, axis: int) -> Image:
    """Each sample and half of its two neighbours along an axis; nothing lies beyond the edge."""
    out = stamps.copy()
    sums, halves = np.moveaxis(out, axis, -1), np.moveaxis(stamps / 2, axis, -1)
    sums[..., 1:] += halves[..., :-1]
    sums[..., :-1] += halves[..., 1:]
    return out
