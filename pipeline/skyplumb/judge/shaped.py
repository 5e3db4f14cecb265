"""Star shapes of all frames of a lens -> how each frame's stars are stretched, motion not parted.

Worked out once and before anything is known of the mount, since a trail tells of the mount too.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from skyplumb.calibrate.lens_psf import LensPsf, ShapeStars, learn_lens
from skyplumb.calibrate.lens_stars import stars_of, stars_of_lens
from skyplumb.calibrate.light import Light, optics_key
from skyplumb.judge.motion import Stretch, stretches_of
from skyplumb.measure import shapes

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Shaped:
    """Frames of one lens and aperture; stars and stretches by file."""

    stars: dict[str, ShapeStars]
    lens: LensPsf
    stretches: dict[str, Stretch | None]
    kurt: float
    """Fourth moment of the lens's untrailed star."""


ShapesOf = Mapping[tuple[object, ...], Shaped]
"""By `optics_key`."""


def shapes_of(lights: Sequence[Light]) -> ShapesOf:
    """The frames' shapes, each lens and aperture learned from all its frames together."""
    by_optics: dict[tuple[object, ...], list[Light]] = defaultdict(list)
    for light in sorted(lights, key=lambda one: (one.order_s, one.file)):
        by_optics[optics_key(light)].append(light)
    return {key: _shaped(mine) for key, mine in by_optics.items()}


def _shaped(lights: Sequence[Light]) -> Shaped:
    stars = [stars_of(light) for light in lights]
    lens = learn_lens(stars_of_lens(lights))
    stretches = stretches_of(stars, lens)
    files = [light.file for light in lights]
    return Shaped(
        dict(zip(files, stars, strict=True)),
        lens,
        dict(zip(files, stretches, strict=True)),
        _profile(stretches),
    )


def _profile(stretches: Sequence[Stretch | None]) -> float:
    """Fourth moment of the lens's untrailed star, from its least trailed frames."""
    known = [s for s in stretches if s is not None and np.isfinite(s.kurt)]
    if not known:
        return shapes.GAUSSIAN_KURT
    before, stretched = untrailed(known)
    calm = np.argsort(stretched, kind="stable")[: max(3, len(known) // 3)]
    return float(np.median(before[calm]))


def untrailed(stretches: Sequence[Stretch]) -> tuple[Floats, Floats]:
    """Fourth moment of each frame's star before it was trailed, and how far it is stretched, as
    `shapes.profile_kurt` has it; both shape (n,)."""
    size = np.array([np.hypot(*s.centre[1:]) for s in stretches])
    across = np.maximum((np.array([s.centre[0] for s in stretches]) - size) / 2, 0.1)
    kurt = np.array([s.kurt for s in stretches])
    return shapes.profile_kurt(kurt, size / across), size / across
