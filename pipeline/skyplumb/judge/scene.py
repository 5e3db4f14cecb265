"""What the causes of a frame are looked for in: its motion, its sky, and where that lies."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from skyplumb.calibrate.light import Light
from skyplumb.judge.drift import STEP_WITHIN, Drift, onset_within, sky_in_picture
from skyplumb.judge.motion import Motion
from skyplumb.records import NAN

Floats = NDArray[np.float64]

GRID = (6, 4)
"""Cells of the picture, across and down, in which stars are counted."""


@dataclass(frozen=True, slots=True)
class Surroundings:
    """Directions in one frame's picture and where its stars are, which no rule changes."""

    east_deg: float = NAN
    """Where east lies in the picture."""
    zenith_deg: float = NAN
    sidereal_px: float = NAN
    """How far a camera that stands still would have trailed here."""
    counts: tuple[int, ...] = ()
    """Stars in each cell of `GRID`."""


@dataclass(frozen=True, slots=True)
class Scene:
    """One frame of a run as the causes need it."""

    light: Light
    motion: Motion
    drift: Drift
    extinction_mag: float
    around: Surroundings = Surroundings()
    clear: bool | None = None
    """Whether its own stars show a clear sky, or patchy cloud; None if they tell neither."""

    @property
    def east_deg(self) -> float:
        """Where east lies in the picture."""
        return self.around.east_deg

    @property
    def zenith_deg(self) -> float:
        """Where the zenith lies in the picture."""
        return self.around.zenith_deg

    @property
    def sidereal_px(self) -> float:
        """How far a camera that stands still would have trailed here."""
        return self.around.sidereal_px

    @property
    def length_untold(self) -> bool:
        """Whether its trails were found in pieces, and no neighbour tells how far the sky moved."""
        return self.motion.in_pieces and not np.isfinite(self.drift.length_px)


class Scenes(tuple[Scene, ...]):
    """The frames of a run, with what all of them share worked out once."""

    @cached_property
    def usual_counts(self) -> Floats:
        """Stars in each cell of the coarse grid where the run shows many."""
        return np.asarray(np.percentile([scene.around.counts for scene in self], 75, axis=0))

    @cached_property
    def onset(self) -> tuple[int, Floats] | None:
        """The frame with which another drift set in, and the drift before; see `onset_within`."""
        return onset_within([scene.drift for scene in self])


def scene_of(
    light: Light,
    motion: Motion,
    drift: Drift,
    extinction_mag: float,
    clear: bool | None = None,
    around: Surroundings | None = None,
) -> Scene:
    """A frame with what lies around it in the picture, worked out unless it is known.

    Where its stars stand twice the sky moved by as much more within it as they stand apart, or it
    came back: the pointings beside it do not tell.
    """
    if np.isfinite(motion.doubled_px):
        drift = replace(drift, step_px=max(drift.step_px, motion.doubled_px / STEP_WITHIN))
    if around is None:
        around = surroundings_of(light)
    return Scene(light, motion, drift, extinction_mag, around, clear)


def surroundings_of(light: Light) -> Surroundings:
    """Directions of one frame in its picture, NaN where it was not solved; and its stars."""
    pointing = light.pointing
    east = zenith = sidereal = NAN
    if pointing.solved and pointing.sky is not None:
        east, rate_px_s = sky_in_picture(pointing)
        if pointing.sky.site is not None and pointing.sky.observed:
            phi = np.radians(pointing.sky.site.latitude_deg)
            zenith = pointing.image_angle_towards(np.array([np.cos(phi), 0.0, np.sin(phi)]))
        sidereal = rate_px_s * light.info.exposure_s
    return Surroundings(east, zenith, sidereal, _grid_counts(light))


def _grid_counts(light: Light) -> tuple[int, ...]:
    """Stars in each cell of a coarse grid over the picture."""
    measure = light.measure
    counts, _, _ = np.histogram2d(
        measure.stars["x"],
        measure.stars["y"],
        bins=GRID,
        range=((0, max(measure.width_px, 1)), (0, max(measure.height_px, 1))),
    )
    return tuple(counts.ravel().astype(int).tolist())
