"""One shot by itself: bytes -> metadata, plate, star table, and what kind of shot it is."""

from __future__ import annotations

from pathlib import Path, PurePosixPath

import numpy as np

from skyplumb.intake.card import read_file
from skyplumb.intake.memory import MEMORY_BYTES
from skyplumb.intake.metadata import read_info
from skyplumb.measure.decode import decode
from skyplumb.measure.flags import BIT
from skyplumb.measure.stars import StarMeasure, measure_stars
from skyplumb.records import Measure, Plate, ShotInfo, UnreadableError

FEW_STARS = 5
HOT_PAIRS = 0.02
"""Hot pixels that lie side by side look like stars: so many for each that is known as hot."""
DARK_SKY_OVER_NOISE = 1.5
"""Below this (some 6 electrons) hardly any light came in: the lens was shut."""
FLAT_LEVEL = 0.15
"""Part of the sensor's range that a flat fills; a night sky without a star seldom does."""
FLAT_LONGEST_S = 10.0
BIAS_LONGEST_S = 0.01


def measure_shot(card: Path, file: PurePosixPath, memory_bytes: int = MEMORY_BYTES) -> Measure:
    """Measure one file; a file that cannot be read is a result, not an error."""
    name = file.as_posix()
    info = ShotInfo()
    try:
        data = read_file(card, file, memory_bytes)
        info = read_info(data, name, memory_bytes)
        plate = decode(data, name, info.mosaic_claim, memory_bytes)
    except UnreadableError as error:
        return Measure(name, "unreadable", str(error), info)
    del data
    height, width = plate.samples.shape
    if info.image_type in ("flat", "bias"):
        note = f"{info.image_type} frame by its header"
        return Measure(name, info.image_type, note, info, width, height)
    # What shines in a dark is no star: its places are wanted.
    seen = measure_stars(plate)
    if info.image_type == "dark":
        kind, note = "dark", "dark frame by its header"
    elif info.image_type == "light":
        kind, note = "light", ""
    else:
        kind, note = kind_of(seen, plate, info.exposure_s)
    return Measure(
        file=name,
        kind=kind,
        note=note,
        info=info,
        width_px=width,
        height_px=height,
        stars=seen.stars,
        stars_found=seen.stars_found,
        sky_level=seen.sky_level,
        noise=seen.noise,
        trails=seen.trails,
        hot_pixels=seen.hot_pixels,
        hot_xy=seen.hot_xy,
        crops=seen.crops,
        crop_xy=seen.crop_xy,
        mean_star=seen.mean_star,
        thumbnail=seen.thumbnail,
    )


def kind_of(seen: StarMeasure, plate: Plate, exposure_s: float) -> tuple[str, str]:
    """Kind of a shot by what is in the picture, and why.

    A dark or bias has no stars and no sky; a flat is bright, without a star, and short. The
    limits are common practice, no source.
    """
    shown = np.count_nonzero((seen.stars["flags"] & BIT["unfit"]) == 0)
    if shown >= max(FEW_STARS, HOT_PAIRS * seen.hot_pixels):
        return "light", ""
    black = float(np.mean(plate.black))
    if black > 0 and seen.sky_level < DARK_SKY_OVER_NOISE * seen.noise:
        if exposure_s <= BIAS_LONGEST_S:
            return "bias", "no light, shortest exposure"
        return "dark", "no stars and no sky: the lens was shut"
    span = plate.saturation - black
    level = seen.sky_level / span if np.isfinite(span) else 0.0
    short = not exposure_s > FLAT_LONGEST_S
    if FLAT_LEVEL < level < 0.98 and short:
        return "flat", "bright and even, no stars"
    return "light", ""
