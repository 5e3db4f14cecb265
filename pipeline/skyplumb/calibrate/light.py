"""A light frame as later stages see it: measure, what the notes say, clock and pointing."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime, timedelta

import numpy as np

from skyplumb.calibrate.pointing import Pointing
from skyplumb.intake.notes import ShotNotes
from skyplumb.records import Measure, ShotInfo


@dataclass(frozen=True, slots=True)
class Light:
    """One light frame with what the notes, the clock and the sky say of it."""

    measure: Measure
    notes: ShotNotes
    start_utc: datetime | None
    order_s: float
    """Start on the session's own time line, s; frames without a clock follow the others."""
    clocked: bool = True
    pointing: Pointing = field(default_factory=Pointing)

    @property
    def info(self) -> ShotInfo:
        """The metadata as the notes correct it."""
        return self.notes.info

    @property
    def file(self) -> str:
        """Relative to the card."""
        return self.measure.file

    @property
    def mid_utc(self) -> datetime | None:
        """Middle of the exposure, UTC; of an unknown exposure, its start."""
        if self.start_utc is None:
            return None
        exposure = self.info.exposure_s
        half = exposure / 2 if np.isfinite(exposure) else 0.0
        return self.start_utc + timedelta(seconds=half)

    @property
    def mid_s(self) -> float:
        """Middle of the exposure on the session's time line."""
        exposure = self.info.exposure_s
        return self.order_s + (exposure / 2 if np.isfinite(exposure) else 0.0)


def lens_key(light: Light) -> tuple[object, ...]:
    """Frames of one camera and lens at one focal length: one camera model serves them."""
    info = light.info
    focal = round(info.focal_mm, 1) if np.isfinite(info.focal_mm) else None
    size = (light.measure.width_px, light.measure.height_px)
    return (info.serial or info.camera, info.lens, focal, size)


def optics_key(light: Light) -> tuple[object, ...]:
    """The same at one aperture: one lens shape serves them."""
    aperture = light.info.fnumber
    return (*lens_key(light), round(aperture, 2) if np.isfinite(aperture) else None)
