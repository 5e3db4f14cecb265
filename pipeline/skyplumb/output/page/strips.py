"""Star crops -> one small picture per frame, all of a run under the same grey stretch.

Frames of a run can only be compared by eye if the same light gives the same grey, so the
stretch is made once per run from its own noise and star peaks.
"""

from __future__ import annotations

import io
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from skyplumb.orientation import picture_seen
from skyplumb.records import Measure
from skyplumb.robust import mad_sigma

MOST_STARS = 12
"""Stars in a strip; more would not be legible in one line and make the page heavy."""
STRIP_QUALITY, THUMBNAIL_QUALITY = 90, 75
"""Of JPEG: stars keep their shape; chosen by eye."""
_GAP_GREY = 70
"""Grey of the line between two stars."""


@dataclass(frozen=True, slots=True)
class GreyScale:
    """How sample units become grey: inverse hyperbolic sine between two ends.

    Close to the sky it is a straight line, so that noise and faint wings show; far above
    it is a logarithm, so that bright cores keep their shape.
    """

    black: float
    """Sample units above the sky that come out black."""
    white: float
    """Sample units above the sky that come out white."""
    bend: float
    """Sample units above `black` where the line turns into a logarithm."""

    def grey(self, light: NDArray[np.float32]) -> NDArray[np.uint8]:
        """Grey 0..255 of the same shape; NaN comes out black."""
        # Single precision is far finer than a grey.
        above = np.clip(np.nan_to_num(light - np.float32(self.black)), 0, self.white - self.black)
        level: NDArray[np.float32] = np.arcsinh(above / np.float32(self.bend))
        level *= 255 / np.arcsinh((self.white - self.black) / self.bend)
        return np.round(level).astype(np.uint8)


def stretch_of(measures: Iterable[Measure]) -> GreyScale:
    """The stretch for one run.

    Black lies two standard deviations of the sky below it, white at the median peak of the
    run's crops, the bend five deviations above black: chosen by eye, no source.
    """
    shown = [m for m in measures if m.crops.size]
    noise = _median([m.noise for m in shown])
    if not noise > 0:
        # Half the crops' pixels are sky: their scatter about the median.
        noise = _median([mad_sigma(m.crops.ravel().astype(np.float64)) for m in shown])
    noise = noise if noise > 0 else 1.0
    peak = _median([_median(np.nanmax(_finite(m.crops), axis=(1, 2))) for m in shown])
    white = peak if peak > 10 * noise else 10 * noise
    return GreyScale(black=-2 * noise, white=float(white), bend=5 * noise)


@dataclass(frozen=True, slots=True)
class Strip:
    """One frame's stars side by side."""

    jpeg: bytes
    width_px: int
    height_px: int
    stars: int


@cache
def chosen_crops(count: int) -> NDArray[np.int64]:
    """Which of so many crops stand in a strip: an even choice, the first and the last too."""
    return np.unique(np.linspace(0, count - 1, min(count, MOST_STARS)).round().astype(int))


def whole_picture(measure: Measure, orientation: int) -> bytes:
    """The thumbnail as JPEG, as it is viewed; empty where there is none."""
    if not measure.thumbnail.size:
        return b""
    return _jpeg(picture_seen(measure.thumbnail, orientation), THUMBNAIL_QUALITY)


def strip_of(measure: Measure, stretch: GreyScale) -> Strip | None:
    """Stars side by side from the optical axis outwards; None without crops."""
    if not measure.crops.size:
        return None
    chosen = chosen_crops(len(measure.crops))
    tiles = stretch.grey(measure.crops[chosen])
    framed = np.pad(tiles, ((0, 0), (0, 0), (0, 1)), constant_values=_GAP_GREY)
    strip = np.concatenate(list(framed), axis=1)[:, :-1]
    return Strip(_jpeg(strip, STRIP_QUALITY), strip.shape[1], strip.shape[0], len(chosen))


def _jpeg(picture: NDArray[np.uint8], quality: int) -> bytes:
    """Encoded; a tenth of the time that WebP takes, for a tenth more bytes."""
    from PIL import Image  # a changed rule draws no picture

    out = io.BytesIO()
    Image.fromarray(picture).save(out, format="JPEG", quality=quality)
    return out.getvalue()


def _finite(crops: NDArray[np.float32]) -> NDArray[np.float32]:
    return np.where(np.isfinite(crops), crops, np.float32(0))


def _median(values: NDArray[np.float32] | list[float]) -> float:
    """Median of the finite values; NaN if there are none."""
    known = np.asarray(values, dtype=np.float64)
    known = known[np.isfinite(known)]
    return float(np.median(known)) if known.size else float("nan")
