"""A light frame as later stages see it: measure, what the notes say, clock and pointing."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime, timedelta

import numpy as np

from skyplumb.calibrate.camera import RAD_TO_ARCSEC
from skyplumb.calibrate.pointing import Pointing
from skyplumb.intake.notes import ShotNotes
from skyplumb.night.shot import Session, Shot
from skyplumb.records import Measure, ShotInfo

SAME_SCALE = 0.02
"""Focal lengths that the stars show differ no more by focus and air."""


@dataclass(frozen=True, slots=True)
class Light:
    """One light frame with what the notes, the clock and the sky say of it."""

    measure: Measure
    notes: ShotNotes
    start_utc: datetime | None
    order_s: float
    """Start on the session's own time line, s; without a clock only its place in the order."""
    clocked: bool = True
    pointing: Pointing = field(default_factory=Pointing)
    lens_by_stars: int = 0
    """Which of the lenses that the stars tell apart, among frames that tell no focal length."""
    clock_step_s: float = 0.0
    """What its time is written to: 1 for whole seconds."""
    moved: bool = False
    """Whether the aim was moved since the frame of its lens before it; see `judge/aims.py`."""
    shot: Shot | None = None
    """The shot as its night has it; None in tests that make a light frame by itself."""

    @property
    def taken_over(self) -> tuple[str, ...]:
        """Names of `ShotInfo` fields that the frame has from its neighbours."""
        return self.shot.taken_over if self.shot is not None else ()

    @property
    def timed(self) -> bool:
        """Whether the middle of its exposure has a time."""
        return self.clocked and bool(np.isfinite(self.info.exposure_s))

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


def light_frames(session: Session) -> tuple[list[Light], dict[str, str]]:
    """Light frames in order of time, and the ones the notes leave out with the reason.

    Copies of other shots are not among them.
    """
    excluded: dict[str, str] = {}
    lights: list[Light] = []
    for shot in session.shots:
        if shot.measure.kind != "light" or shot.copy_of:
            continue
        if shot.notes.left_out:
            excluded[shot.file] = shot.notes.left_out
            continue
        lights.append(light_of(shot))
    return sorted(lights, key=lambda light: (light.order_s, light.file)), excluded


def light_of(shot: Shot) -> Light:
    """One light frame as its night has it."""
    return Light(
        shot.measure,
        shot.notes,
        shot.start_utc,
        shot.order_s,
        shot.clocked,
        clock_step_s=shot.clock_step_s,
        shot=shot,
    )


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
