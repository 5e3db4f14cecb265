"""A light frame as later stages see it: measure, what the notes say, clock and pointing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta

import numpy as np

from skyplumb.calibrate.camera import RAD_TO_ARCSEC
from skyplumb.calibrate.pointing import Pointing
from skyplumb.intake.nights import when_utc
from skyplumb.intake.notes import Notes, ShotNotes
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
    lens_by_stars: int = 0
    """Which of the lenses that the stars tell apart, among frames that tell no focal length."""

    @property
    def info(self) -> ShotInfo:
        """The metadata as the notes correct it."""
        return self.notes.info

    @property
    def file(self) -> str:
        """Relative to the card."""
        return self.measure.file

    @property
    def focal_px(self) -> float:
        """Focal length over pixel pitch as the metadata tell it; NaN if they do not."""
        return self.info.focal_mm / self.info.pixel_um * 1000.0

    @property
    def scale_arcsec_px(self) -> float:
        """Image scale on the axis: of the solved picture, else of the metadata; NaN if neither."""
        if self.pointing.solved:
            return self.pointing.scale_arcsec_px
        return RAD_TO_ARCSEC / self.focal_px

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


def light_frames(measures: Sequence[Measure], notes: Notes) -> tuple[list[Light], dict[str, str]]:
    """Light frames in order of time, and the ones the notes leave out with the reason."""
    excluded: dict[str, str] = {}
    lights: list[Light] = []
    for measure in measures:
        if measure.kind != "light":
            continue
        noted = notes.for_shot(measure.file, measure.info)
        if noted.left_out:
            excluded[measure.file] = noted.left_out
            continue
        utc = when_utc(noted.info, noted).start_utc
        lights.append(Light(measure, noted, utc, np.nan, False))
    clocks = [light.start_utc or light.info.clock for light in lights]
    known = [clock for clock in clocks if clock is not None]
    origin = min(known, default=None)
    after = (max(known) - origin).total_seconds() + 86400.0 if origin is not None else 0.0
    timed = []
    for number, (light, clock) in enumerate(zip(lights, clocks, strict=True)):
        if clock is None or origin is None:
            timed.append(replace(light, order_s=after + number))
        else:
            seconds = (clock - origin) / timedelta(seconds=1)
            timed.append(replace(light, order_s=seconds, clocked=True))
    return sorted(timed, key=lambda light: (light.order_s, light.file)), excluded


def lens_key(light: Light) -> tuple[object, ...]:
    """Frames of one camera and lens at one focal length: one camera model serves them.

    Frames without metadata go together by their size, and by the focal length of their stars.
    """
    info = light.info
    focal = round(info.focal_mm, 1) if np.isfinite(info.focal_mm) else None
    size = (light.measure.width_px, light.measure.height_px)
    return (info.serial or info.camera, info.lens, focal, size, light.lens_by_stars)


def optics_key(light: Light) -> tuple[object, ...]:
    """The same at one aperture: one lens shape serves them."""
    aperture = light.info.fnumber
    return (*lens_key(light), round(aperture, 2) if np.isfinite(aperture) else None)
