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
ALIKE, LONGER = 0.25, 1.3
ASIDE_PX, ASIDE_SHARE = 1.0, 0.3
"""How far a drift has to lie from the trails of two frames that show the same one."""


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
    first_px2, second_px2 = (stretch.centre[1:] for _, stretch in told if stretch is not None)
    if _steady_elsewhere(first_px2, second_px2, drift * before.info.exposure_s):
        return Step.BETWEEN
    return Step.SHOWN if (shown > SHOWN * expected).all() else Step.UNTOLD


def _steady_elsewhere(first_px2: Floats, second_px2: Floats, drift_px: Floats) -> bool:
    """Whether both frames show one and the same trail, and the drift is no part of it.

    A drift may be shorter than the trails, where the drive turned back between two exposures, but
    neither longer nor aside.
    """
    mean = (first_px2 + second_px2) / 2
    size = float(np.hypot(*mean))
    if size < LEAST_PX2 or np.hypot(*(first_px2 - second_px2)) > ALIKE * size:
        return False
    turn = float(np.arctan2(mean[1], mean[0])) / 2
    way = np.array([np.cos(turn), np.sin(turn)])
    aside = float(drift_px[0] * way[1] - drift_px[1] * way[0])
    beyond = max(abs(float(drift_px @ way)) - LONGER * float(np.sqrt(12 * size)), 0.0)
    least = max(ASIDE_SHARE * float(np.hypot(*drift_px)), ASIDE_PX)
    return float(np.hypot(aside, beyond)) > least


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
