"""Light on the sensor: stars as stamps of rays along a path, sky, noise, digital steps.

A star's light in a pixel is the integral over it of a sum of round Gaussians, one a ray and
instant: a product of differences of the normal distribution along x and y, exact for each. Photon
noise is Poisson to third order (Cornish and Fisher 1938, the skewness term; from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from .lens import Sensor

Floats = NDArray[np.float64]
Picture = NDArray[np.float32]

STEPS = 2048
REACH = 6.0
_TABLE = ndtr(np.linspace(-REACH, REACH, int(2 * REACH * STEPS) + 1)).astype(np.float32)
HALF_SIZES = (4, 6, 8, 11, 15, 20, 28, 40, 64, 110, 200)
PIECES_AT_A_TIME = 1 << 22


@dataclass(frozen=True, slots=True)
class Dots:
    """Light to be laid down: dots of n groups, each group of k dots near one another."""

    x: Floats
    y: Floats
    """Pixels, shape (n, k)."""
    share: Floats
    """Of the group's light, shape (n, k) or (k,)."""
    light_e: Floats
    """Electrons of each group in each colour place of a 2 x 2 mosaic, shape (n, 2, 2)."""
    blur_px: float
    reach: float | Floats = 4.5
    """How many blurs out a dot is drawn, shape () or (n,)."""


def lay(canvas: Picture, dots: Dots) -> None:
    """Add dots to a picture, groups of like size together."""
    if not dots.x.size:
        return
    low_x, high_x = dots.x.min(axis=1), dots.x.max(axis=1)
    low_y, high_y = dots.y.min(axis=1), dots.y.max(axis=1)
    around = np.broadcast_to(np.asarray(dots.reach) * dots.blur_px, low_x.shape)
    need = np.maximum(high_x - low_x, high_y - low_y) / 2 + around + 1.0
    centre_x, centre_y = (low_x + high_x) / 2, (low_y + high_y) / 2
    height, width = canvas.shape
    inside = (
        (centre_x > -need)
        & (centre_x < width + need)
        & (centre_y > -need)
        & (centre_y < height + need)
        & np.isfinite(need)
    )
    size = np.searchsorted(HALF_SIZES, need)
    if np.any(inside & (size >= len(HALF_SIZES))):
        raise ValueError("dots of one group stand too far apart to draw in one stamp")
    share = np.broadcast_to(dots.share, dots.x.shape)
    laid: list[tuple[NDArray[np.int64], Picture]] = []
    for number in np.unique(size[inside]):
        half = HALF_SIZES[number]
        chosen = np.flatnonzero(inside & (size == number))
        at_a_time = max(1, PIECES_AT_A_TIME // (dots.x.shape[1] * (2 * half + 2)))
        for first in range(0, len(chosen), at_a_time):
            part = chosen[first : first + at_a_time]
            left = np.rint(centre_x[part]).astype(np.int64) - half
            top = np.rint(centre_y[part]).astype(np.int64) - half
            side = 2 * half + 1
            along_x = _shares(dots.x[part] - left[:, None], dots.blur_px, side)
            along_y = _shares(dots.y[part] - top[:, None], dots.blur_px, side)
            along_y *= share[part, :, None].astype(np.float32)
            stamps = np.matmul(along_y.transpose(0, 2, 1), along_x)
            laid.append(_placed(canvas, stamps, left, top, dots.light_e[part].astype(np.float32)))
    if laid:
        places, light = (np.concatenate(parts) for parts in zip(*laid, strict=True))
        canvas += np.bincount(places, light, minlength=canvas.size).reshape(canvas.shape)


def _shares(place: Floats, blur_px: float, side: int) -> Picture:
    """Light of each dot in each of `side` pixels, shape (n, k, side)."""
    # Edge i of the pixels lies at i - 1/2; the table is read at its nearest step.
    step = np.float32(STEPS / blur_px)
    first = ((REACH * STEPS + 0.5) - (place + 0.5) * (STEPS / blur_px)).astype(np.float32)
    edges = np.arange(side + 1, dtype=np.float32) * step
    read = np.clip(first[..., None] + edges, 0, len(_TABLE) - 1).astype(np.int32)
    return np.diff(_TABLE[read], axis=-1)


def _placed(
    canvas: Picture,
    stamps: Picture,
    left: NDArray[np.int64],
    top: NDArray[np.int64],
    light: Picture,
) -> tuple[NDArray[np.int64], Picture]:
    """Places in the flat canvas of stamps, shape (n, side, side), and their light there."""
    height, width = canvas.shape
    side = stamps.shape[1]
    rows = (top[:, None] + np.arange(side))[:, :, None]
    columns = (left[:, None] + np.arange(side))[:, None, :]
    # Row by row, in the colours of even and odd columns as they lie under the stamp.
    parity = (columns[:, 0, :] & 1)[:, None, :]
    even, odd = (
        np.where(rows & 1, light[:, 1, k, None, None], light[:, 0, k, None, None]) for k in (0, 1)
    )
    stamps = stamps * np.where(parity, odd, even)
    good = (rows >= 0) & (rows < height) & (columns >= 0) & (columns < width)
    if good.all():
        return (rows * width + columns).ravel(), stamps.ravel()
    return (rows * width + columns)[good], stamps[good]


def counted(
    light_e: Picture, sensor: Sensor, iso: float, exposure_s: float, rng: np.random.Generator
) -> NDArray[np.uint16]:
    """Samples of a sensor from the electrons that are expected of it."""
    expected = np.maximum(light_e + np.float32(sensor.dark_e_s * exposure_s), 0.0)
    where, rate = hot_pixels(sensor)
    expected.ravel()[where] += (rate * exposure_s).astype(np.float32)
    chance = rng.standard_normal(expected.shape, np.float32)
    electrons = expected + np.sqrt(expected) * chance + (chance * chance - 1) / 6
    few = expected < 4.0  # where the third order is not enough
    electrons[few] = rng.poisson(expected[few])
    np.rint(electrons, out=electrons)
    np.maximum(electrons, 0.0, out=electrons)
    electrons += np.float32(sensor.read_noise_e) * rng.standard_normal(expected.shape, np.float32)
    # A little of the read noise is the row's own.
    rows = np.float32(sensor.read_noise_e * 0.08) * rng.standard_normal(
        (len(electrons), 1), np.float32
    )
    steps = (electrons + rows) / np.float32(sensor.gain_e(iso))
    lowest = 0 if sensor.clips_black else -sensor.black
    steps = np.clip(np.rint(steps), lowest, sensor.white - sensor.black) + sensor.black
    samples: NDArray[np.uint16] = np.clip(steps, 0, sensor.white).astype(np.uint16)
    return samples


def hot_pixels(sensor: Sensor) -> tuple[NDArray[np.int64], Floats]:
    """Places in the flat picture and rates, e/s, the same in every frame of the body."""
    rng = np.random.default_rng([sensor.seed, 8])
    where = rng.choice(sensor.width * sensor.height, sensor.hot_pixels, replace=False)
    return where, rng.pareto(1.2, sensor.hot_pixels) * 2.0 + 1.0
