"""What kind of shot a picture is, by what is in it and the light it took; never by its name.

A picture of something else is told by its luminance from exposure, aperture and ISO; by structure
all over it, or in focus in its middle (second differences over one, two and four samples tell
edges from noise and from what is smooth); and by points that have no common width or stand on
uneven ground. Without metadata only clear cases are told; an exposure that is unknown is neither
short nor long. Lone points of one width whose numbers grow towards the faint as a sky's do outweigh
whatever else is in the picture.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from skyplumb.measure.flags import BIT
from skyplumb.measure.mosaic import green_half_size
from skyplumb.measure.stars import StarMeasure, Table
from skyplumb.records import Plate, ShotInfo
from skyplumb.robust import mad_sigma

FEW_STARS = 5
HOT_PAIRS = 0.02
"""Hot pixels that lie side by side look like stars: so many for each that is known as hot."""
DARK_SKY_OVER_NOISE = 1.5
"""Below this (some 6 electrons) hardly any light came in: the lens was shut."""
LIT_PART = 75
"""Percentile of the level that must be dark too: a round picture leaves the rest of a wide sensor
dark, the glow of an amplifier stays in a corner."""
FLAT_LEVEL = 0.15
"""Part of the sensor's range that a flat fills; a night sky without a star seldom does in a short
exposure."""
FLAT_LEVEL_ALONE = 0.5
"""The same where the exposure is unknown: a cut of a bright sky may well fill the other."""
POINTS_ON_A_FLAT = 3
"""So many points of one width are no dust and no chance."""
FLAT_LONGEST_S = 10.0
FLAT_SPREAD = 0.8
"""A flat is even: the middle nine tenths of its samples span no more of its level (vignetting)."""
BIAS_LONGEST_S = 0.01

BRIGHTEST_NIGHT_CD_M2 = 0.3
"""Magnitude 13.9 a square arcsecond: an overcast town's sky has 0.1, civil dusk ends near 1
(handbook values, from memory)."""
DAYLIGHT_CD_M2 = 3.0
"""No star is seen in this."""
LAMPLIT_CD_M2 = 20.0
"""What the brightest 1/500 of the picture shows; the Moon has 2500, a lit room 30 to 100 (from
memory)."""
SHINING_SHARE = 99.8
SHUT_BELOW = 0.5
"""A shut lens lets no 1/500 of the picture come half way to the limit."""
FEW_POINTS = 8
SOME_POINTS = 30
"""So many stars, or arcs, outweigh structure all over, which a developed or crowded picture has
too."""
MANY_POINTS = 200
"""With so many stars nothing else needs to be looked at."""
SKY_POINTS, SKY_SNR = 12, 15.0
"""Lone unsaturated stars of this signal over noise that make a sky, if the next two hold."""
SKY_SCATTER = 0.3
"""Of their widths, robust, as a part of the median. Clear skies of six real cameras have up to
0.28; of 35 photographs and drawn scenes of something else those with 12 such points 0.36 and
more."""
SKY_SLOPES = 0.4, 2.0
"""N(>F) goes as F^-s. A sky has 0.6 (numbers that grow by 0.25 dex a magnitude) to 1.5 (uniform
space), less where faint stars are lost in the noise: the clear skies have 0.46 to 1.4. Lamps and
glints are more alike in numbers (0.24 to 0.47), specks of a picture's own noise in height."""
GROUND_AROUND = 0.25
"""Part of the boxes around a light that are structured where it stands on the ground."""
BODY_LEAST, BODY_MOST, BODY_SLOPE = 0.002, 0.2, 0.6
"""Share of the picture that one bright body fills, and of it that its edge may fill."""
BODY_REACH = 0.5
"""Of its width: so far around it what stands out may be its own rim or glow."""
SAME_WIDTH = 0.3
"""Stars of one picture differ no more in width, as a part of it; and 0.5 px of sampling."""
POINTS_SHARE = 0.4
BOX = 8
"""Side of the boxes that structure is looked for in, samples of the half-size image."""
STRUCTURED = 2.0
"""Deviation from a plane over that of neighbouring samples, 1 for sky with its noise."""
STRUCTURED_SHARE = 0.35
"""Of the picture and of its middle: the rim of a round picture of the sky may take as much."""
STRUCTURED_SHARE_ALONE = 0.6
"""The same where nothing of it is in focus: aurora and lit clouds are structure too."""
LONG_S = 2.0
BOXES_LOOKED_AT = 5_000

FOCUS_BOX = 16
"""Side of the boxes that are looked at for structure in focus, samples of the half-size image."""
FOCUS_STEPS = (1, 2, 4)
"""Distances, in these samples, over which second differences are taken."""
ABOVE_NOISE = 1.7
"""Growth of their squares from 1 to 2 samples; noise alone shows it in one box of 1,000 (drawn)."""
GOING_ON, SMOOTH = 1.3, 4.0
"""Growth from 2 to 4 samples: below the first is the short reach of a developed picture's noise,
above the other what has no edges."""
LOWER_THIRD = 1 / 6
"""Part of the picture's middle that ground in the lower third of a frame takes."""
IN_FOCUS_SHARE = 2 * LOWER_THIRD
"""Of the middle: more than such a ground and trees on it."""
FEWEST_FOCUS_BOXES = 20
"""A third of fewer has an error of more than a tenth."""
FOCUS_BOXES_LOOKED_AT = 300


def kind_of(seen: StarMeasure, plate: Plate, info: ShotInfo) -> tuple[str, str]:
    """Kind of a shot by what is in the picture, and why.

    A dark or bias has no stars and no sky; a flat is bright, even, without a star, and short.
    Something else than a sky is too bright for a night, or in focus all over and without points.
    The limits of darks and flats are common practice, no source.
    """
    points = _points(seen.stars)
    if seen.arcs.number or len(points) >= max(FEW_STARS, HOT_PAIRS * seen.hot_pixels):
        return _light_or_other(seen, plate, info)
    black = float(np.mean(plate.black))
    shut = black > 0 and seen.sky_level < DARK_SKY_OVER_NOISE * seen.noise
    if shut and not _shows_light(plate, seen.noise):
        if info.exposure_s <= BIAS_LONGEST_S:
            return "bias", "no light, shortest exposure"
        return "dark", "no stars and no sky: the lens was shut"
    level = _share_of_range(plate, 50)
    unknown = not np.isfinite(info.exposure_s)
    bright = FLAT_LEVEL < level < 0.98 and len(points) < POINTS_ON_A_FLAT
    if bright and not info.exposure_s > FLAT_LONGEST_S and _even(green_half_size(plate)):
        if unknown and level < FLAT_LEVEL_ALONE:
            return "other", "no stars, and too dark for a flat whose exposure is unknown"
        return "flat", "bright and even, no stars"
    return _light_or_other(seen, plate, info)


def luminance_cd_m2(part_of_range: float, info: ShotInfo) -> float:
    """Luminance of what filled this part of the sensor's range; NaN if it cannot be told.

    ISO 12232: the range is full at 78 / S lx s, and the sensor gets 0.65 L t / N^2. A lens of
    unknown aperture is taken for f/1: it shows the least that it can have been.
    """
    fnumber = info.fnumber if info.fnumber > 0 else 1.0
    if not (info.iso > 0 and info.exposure_s > 0):
        return float("nan")
    return part_of_range * 78.0 / info.iso * fnumber**2 / (0.65 * info.exposure_s)


def _light_or_other(seen: StarMeasure, plate: Plate, info: ShotInfo) -> tuple[str, str]:
    """A light frame, unless the picture shows something else than a night sky."""
    points, arcs = _points(seen.stars), seen.arcs.number
    typical = luminance_cd_m2(_share_of_range(plate, 50), info)
    if typical > (DAYLIGHT_CD_M2 if len(points) >= FEW_POINTS else BRIGHTEST_NIGHT_CD_M2):
        return "other", f"too bright for a night sky: {typical:.2g} cd/m2 by its exposure"
    half = green_half_size(plate)
    night = info.exposure_s >= LONG_S
    body = None if night else _body(half)
    if body is not None and not is_sky(seen.stars[~_within(seen.stars, body)]):
        return "other", "no stars, but a bright body with a sharp edge"
    if len(points) >= MANY_POINTS or arcs >= SOME_POINTS or is_sky(seen.stars):
        return "light", ""
    grounded = int(np.count_nonzero(_on_ground(points, half)))
    free = len(points) - grounded
    if free < SOME_POINTS:
        share = min(structured_share(half), structured_share(_middle(half)))
        sharp = in_focus_share(half)
        all_over = share > STRUCTURED_SHARE_ALONE
        if sharp > IN_FOCUS_SHARE and (all_over or not night):
            return "other", f"no stars, but structure in focus in {sharp:.0%} of its middle"
        if not night and (all_over or (share > STRUCTURED_SHARE and sharp > LOWER_THIRD)):
            return "other", f"no stars, but structure in {share:.0%} of the picture"
    if free >= FEW_POINTS or arcs:
        return "light", ""
    if grounded >= max(FEW_POINTS, 3 * free):
        return "other", f"no stars in the sky, but {grounded} lights over uneven ground"
    shining = luminance_cd_m2(_share_of_range(plate, SHINING_SHARE), info)
    if shining > LAMPLIT_CD_M2:
        return "other", f"no stars, but something that shines with {shining:.2g} cd/m2"
    return "light", ""


def is_sky(stars: Table) -> bool:
    """Whether stars have one width and grow in number towards the faint as those of a sky.

    Only lone, unsaturated ones well above the noise are asked: what ground and clouds are taken
    for seldom is such a one. The slope is the most likely one (Hill 1975, from memory).
    """
    lone = stars[(stars["flags"] == 0) & (stars["snr"] > SKY_SNR)]
    if len(lone) < SKY_POINTS:
        return False
    across = _width_across(lone)
    flux = np.log(np.maximum(lone["flux"].astype(np.float64), 1e-30))
    slope = 1.0 / max(float(np.mean(flux - flux.min())), 1e-6)
    alike = mad_sigma(across) <= SKY_SCATTER * np.median(across)
    return bool(alike and SKY_SLOPES[0] <= slope <= SKY_SLOPES[1])


def _width_across(stars: Table) -> NDArray[np.float64]:
    """Deviation of each star along its narrower axis, px."""
    half_sum = (stars["mxx"] + stars["myy"]).astype(np.float64) / 2
    split = np.hypot((stars["mxx"] - stars["myy"]) / 2, stars["mxy"])
    return np.asarray(np.sqrt(np.maximum(half_sum - split, 0.02)))


def _points(stars: Table) -> Table:
    """Stars that have the one width that a lens gives to all; none if most do not."""
    stars = stars[(stars["flags"] & (BIT["unfit"] | BIT["hot"])) == 0]
    if len(stars) == 0:
        return stars
    across = _width_across(stars)
    off = np.abs(across - np.median(across))
    alike = off < SAME_WIDTH * np.median(across) + 0.2
    points: Table = stars[alike] if alike.mean() > POINTS_SHARE else stars[:0]
    return points


def _on_ground(points: Table, half: NDArray[np.float32]) -> NDArray[np.bool_]:
    """Which points stand among structure: lamps, gaps between leaves. Their own box is left out."""
    rows, columns = (side // BOX for side in half.shape)
    row, column = (
        np.rint(points[name] / 2).astype(np.int64) // BOX for name in ("y", "x")
    )  # fmt: skip
    around = [(y, x) for y in (-1, 0, 1) for x in (-1, 0, 1) if y or x]
    there = np.zeros((len(around), len(points)), bool)
    reach = np.arange(BOX)
    for number, (y, x) in enumerate(around):
        top = BOX * np.clip(row + y, 0, rows - 1)[:, None, None] + reach[:, None]
        left = BOX * np.clip(column + x, 0, columns - 1)[:, None, None] + reach
        there[number] = _structured(half[top, left])
    return np.asarray(there.mean(axis=0) > GROUND_AROUND)


def _body(half: NDArray[np.float32]) -> tuple[float, float, float, float] | None:
    """Left, top, right and bottom, px, of the one sharply bounded body that outshines a dark
    picture (a Moon, a lamp close by); None if there is none."""
    some = np.nan_to_num(half[::2, ::2])
    dark, top = np.percentile(some, (50, 99.9))
    bright = some - dark > 0.5 * (top - dark)
    if dark > 0.05 * top or not BODY_LEAST < bright.mean() < BODY_MOST:
        return None
    slope = (some - dark > 0.1 * (top - dark)) & ~bright
    y, x = np.nonzero(bright)
    (left, right), (upper, lower) = (np.percentile(v, (2, 98)) for v in (x, y))
    filled = np.count_nonzero(bright) / float((right - left + 1) * (lower - upper + 1))
    if np.count_nonzero(slope) >= BODY_SLOPE * np.count_nonzero(bright) or filled <= 0.4:
        return None
    return 4.0 * left, 4.0 * upper, 4.0 * right, 4.0 * lower


def _within(stars: Table, body: tuple[float, float, float, float]) -> NDArray[np.bool_]:
    """Which stars stand on a body or close by."""
    left, top, right, bottom = body
    reach = BODY_REACH * max(right - left, bottom - top)
    x, y = stars["x"], stars["y"]
    return np.asarray(
        (x > left - reach) & (x < right + reach) & (y > top - reach) & (y < bottom + reach)
    )


def structured_share(half: NDArray[np.float32]) -> float:
    """Part of the picture that holds more than noise and a gradient, in boxes of `BOX` samples.

    Median deviations, which a star in the box does not move; the noise is that of second
    differences between neighbours (Immerkaer 1996, from memory).
    """
    rows, columns = (side // BOX for side in half.shape)
    boxes = half[: rows * BOX, : columns * BOX].reshape(rows, BOX, columns, BOX).swapaxes(1, 2)
    step = max(1, int(np.sqrt(rows * columns / BOXES_LOOKED_AT)))
    return float(np.mean(_structured(boxes[::step, ::step].reshape(-1, BOX, BOX))))


def _middle(half: NDArray[np.float32]) -> NDArray[np.float32]:
    """The middle half of a picture's width and height."""
    rows, columns = half.shape
    return half[rows // 4 : rows - rows // 4, columns // 4 : columns - columns // 4]


def in_focus_share(half: NDArray[np.float32]) -> float:
    """Part of the picture's middle half that has structure as fine as a lens in focus draws it.

    Squares of second differences over r samples tell noise, what is smooth and what is in focus
    apart without knowing the noise. Of noise they are the same for all r; of a smooth field, as
    aurora and haze are by night, they grow as r^4, 16 times from r to 2 r; of an edge they double,
    and of anything rougher than a smooth field they grow less than four times (amplitudes of
    scenes fall about as 1 / frequency, Field 1987). NaN where the picture is too small.
    """
    reach = max(FOCUS_STEPS)
    inner = _middle(half)
    rows, columns = (max(length - 2 * reach, 0) // FOCUS_BOX for length in inner.shape)
    if rows * columns < FEWEST_FOCUS_BOXES:
        return float("nan")
    step = max(1, int(np.sqrt(rows * columns / FOCUS_BOXES_LOOKED_AT)))
    side = np.arange(FOCUS_BOX + 2 * reach)
    top = FOCUS_BOX * np.arange(0, rows, step)[:, None, None, None] + side[:, None]
    left = FOCUS_BOX * np.arange(0, columns, step)[:, None, None] + side
    boxes = np.nan_to_num(inner[top, left]).astype(np.float32).reshape(-1, len(side), len(side))
    found = np.zeros(len(boxes), bool)
    for turned in (boxes, boxes.swapaxes(1, 2)):
        fine, middle, coarse = (_second_differences(turned, r, reach) for r in FOCUS_STEPS)
        found |= (
            (middle > ABOVE_NOISE * fine)
            & (coarse > GOING_ON * middle)
            & (coarse < SMOOTH * middle)
        )
    return float(found.mean())


def _second_differences(boxes: NDArray[np.float32], step: int, margin: int) -> NDArray[np.float32]:
    """Third quartile of second differences of rows, squared, (n,): a few stars do not move it."""
    inner = boxes[:, margin:-margin, margin:-margin]
    size = inner.shape[1]
    above, below = (
        boxes[:, margin + by : margin + by + size, margin:-margin] for by in (-step, step)
    )
    size_of = np.abs(above - 2 * inner + below).reshape(len(boxes), -1)
    middle = 3 * size_of.shape[1] // 4
    return np.asarray(np.partition(size_of, middle, axis=1)[:, middle] ** 2)


def _structured(boxes: NDArray[np.floating]) -> NDArray[np.bool_]:
    """Which of the boxes, shape (n, BOX, BOX), hold more than noise and a gradient."""
    boxes = np.nan_to_num(boxes).astype(np.float64)
    if len(boxes) == 0:
        return np.zeros(0, bool)
    boxes -= boxes.mean(axis=(1, 2), keepdims=True)
    ramp = np.arange(BOX) - (BOX - 1) / 2
    norm = BOX * float(ramp @ ramp)
    down = np.einsum("nyx,y->n", boxes, ramp) / norm
    across = np.einsum("nyx,x->n", boxes, ramp) / norm
    left = boxes - down[:, None, None] * ramp[:, None] - across[:, None, None] * ramp
    twice = np.diff(np.diff(boxes, 2, axis=1), 2, axis=2) / 6
    wide, fine = (np.median(np.abs(part), axis=(1, 2)) for part in (left, twice))
    # A box cut off at black or white has no noise of its own.
    least = 0.3 * float(np.median(fine)) + 1e-6
    return np.asarray(wide > STRUCTURED * np.maximum(fine, least))


def _share_of_range(plate: Plate, percent: float) -> float:
    """Percentile of the samples above black, as a part of the range; NaN if that is unknown."""
    black = float(np.mean(plate.black))
    some = plate.samples[::7, ::7].astype(np.float64)
    span = plate.saturation - black
    if not np.isfinite(span) or span <= 0:
        return float("nan")
    return float((np.nanpercentile(some, percent) - black) / span)


def _shows_light(plate: Plate, noise: float) -> bool:
    """Whether parts of a picture that is dark in the middle of its levels show light all the same.

    Texture all over would pass for noise, and then its level for none.
    """
    if _share_of_range(plate, SHINING_SHARE) > SHUT_BELOW:
        return True
    half = green_half_size(plate)
    return bool(
        np.percentile(_levels(half), LIT_PART) >= DARK_SKY_OVER_NOISE * noise
        or in_focus_share(half) > IN_FOCUS_SHARE
    )


def _levels(half: NDArray[np.float32]) -> NDArray[np.float32]:
    """Mean green level above black of each box of the picture, noise smoothed away."""
    half = np.nan_to_num(half)
    rows, columns = (side // BOX for side in half.shape)
    boxes = half[: rows * BOX, : columns * BOX].reshape(rows, BOX, columns, BOX)
    return np.asarray(boxes.mean(axis=(1, 3)))


def _even(half: NDArray[np.float32]) -> bool:
    """Whether the green samples hardly differ over the picture."""
    low, middle, high = np.percentile(_levels(half), (5, 50, 95))
    return bool(high - low < FLAT_SPREAD * middle)
