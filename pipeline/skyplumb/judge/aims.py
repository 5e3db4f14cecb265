"""Frames before which the aim was moved: by a hand, a deliberate dither, a new field.

Whatever the mount does, it does while the shutter is open too. Where the sky stands elsewhere on
the sensor after a step that neither of two frames' stars show any of, the step was made between
them: it is no drift, and no fault.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import replace
from enum import Enum, auto
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from skyplumb.calibrate.light import Light, lens_key, optics_key
from skyplumb.judge.drift import rate_between
from skyplumb.judge.motion import Stretch
from skyplumb.judge.mount import Trail
from skyplumb.judge.shaped import Shaped, ShapesOf
from skyplumb.measure import shapes

Floats = NDArray[np.float64]

SHOWN = 0.25
"""Least part of a drift's second moment that one of two frames shows: whatever moved the sky by d
from the middle of one exposure to that of the next moved it by d / 2 during one of the two, but for
the gap between them, and half of a drift has a fourth of its moment."""
OFTEN = 0.5
LEAST_PX2 = 0.08
"""A trail of a pixel: what is smaller may be the lens's."""
LENS_PX2 = 0.03
"""How far a lens's own stretch at the middle of the field may be off (common practice, no
source)."""
SIGMAS = 4.0


def with_moves(lights: Sequence[Light], shaped: ShapesOf) -> list[Light]:
    """The lights, each marked where the aim was moved since the frame of its lens before it."""
    by_lens: dict[tuple[object, ...], list[Light]] = defaultdict(list)
    for light in lights:
        if light.timed and light.pointing.solved:
            by_lens[lens_key(light)].append(light)
    moved: set[str] = set()
    for mine in by_lens.values():
        mine.sort(key=lambda one: (one.mid_s, one.file))
        steps = {
            after.file: _step(before, after, shaped[optics_key(before)], shaped[optics_key(after)])
            for before, after in pairwise(mine)
        }
        # Where the aim is moved time and again, it was wherever nothing says that it was not.
        often = sum(step is Step.BETWEEN for step in steps.values()) > OFTEN * len(steps)
        doubted = {Step.BETWEEN, Step.UNTOLD} if often else {Step.BETWEEN}
        moved |= {file for file, step in steps.items() if step in doubted}
    return [replace(one, moved=True) if one.file in moved else one for one in lights]


class Step(Enum):
    """How the sky came to stand elsewhere from a frame to the next."""

    SHOWN = auto()
    """As the stars of both show."""
    UNTOLD = auto()
    BETWEEN = auto()
    """The stars of neither show it."""


def _step(before: Light, after: Light, first: Shaped, second: Shaped) -> Step:
    rate = rate_between(before.pointing, after.pointing, after.mid_s - before.mid_s)
    told = [(before, first.stretches[before.file]), (after, second.stretches[after.file])]
    if rate is None or any(stretch is None for _, stretch in told):
        return Step.UNTOLD
    drift = rate.of_image[:2]
    speed = float(np.hypot(*drift))
    dx, dy = drift / max(speed, 1e-12)
    along = np.array([dx * dx - dy * dy, 2 * dx * dy])
    expected, shown, doubt = np.array(
        [
            (
                (speed * light.info.exposure_s) ** 2 / 12,
                stretch.centre[1:] @ along,
                SIGMAS * np.hypot(_sigma(stretch), LENS_PX2),
            )
            for light, stretch in told
            if stretch is not None
        ]
    ).T
    if (expected < LEAST_PX2).any():
        return Step.UNTOLD
    if (shown + doubt < SHOWN * expected).all():
        return Step.BETWEEN
    return Step.SHOWN if (shown > SHOWN * expected).all() else Step.UNTOLD


def _sigma(stretch: Stretch) -> float:
    return float(np.sqrt(np.mean(stretch.covariance[1:])))


def trails_of(shaped: ShapesOf) -> dict[str, Trail]:
    """What each frame's stars say of its trail, by file; nothing of frames with few stars."""
    return {
        file: _trail(stretch, mine.kurt)
        for mine in shaped.values()
        for file, stretch in mine.stretches.items()
        if stretch is not None
    }


def _trail(stretch: Stretch, kurt: float) -> Trail:
    """The stretch as that of an even trail, whose length a star's profile has been taken out of."""
    size = float(np.hypot(*stretch.centre[1:]))
    across = max((stretch.centre[0] - size) / 2, 0.05)
    length = float(shapes.trail_length_px(size, across, kurt))
    share = length**2 / 12 / max(size, 1e-9)
    return Trail(share * stretch.centre[1:], share * _sigma(stretch))
