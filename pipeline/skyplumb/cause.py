"""Why a frame failed: the rules it broke and the direction of its trail -> cause.

A trail that the shift of the sky between frames explains is the mount's (its axis, its
drive, a creeping head); one without a shift is wind. What the direction cannot tell is
called unexplained.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from skyplumb.motion import Drift, Motion
from skyplumb.records import NAN
from skyplumb.runs import Light
from skyplumb.sky import SIDEREAL_RATE_ARCSEC_S

SHIFT_EXPLAINS = 0.6
"""Least part of a trail's length that the sky's shift must cover to be its cause."""
SAME_DIRECTION_DEG = 25.0


@dataclass(frozen=True, slots=True)
class FrameEvidence:
    """Directions of one frame, all as axes in the picture, degrees; NaN where unknown."""

    motion: Motion
    drift: Drift
    exposure_s: float
    along_ra_deg: float
    """Where east lies in the picture."""
    zenith_deg: float
    sidereal_px: float
    """How far a camera that stands still would have trailed here."""
    solved: bool
    altitude_deg: float


@dataclass(frozen=True, slots=True)
class Evidence:
    """All frames of a run, and which of them are bad."""

    frames: tuple[FrameEvidence, ...]
    bad: tuple[bool, ...]

    @classmethod
    def of_run(cls, frames: Sequence[tuple[Light, Motion, Drift]], bad: Sequence[bool]) -> Evidence:
        """Collect the evidence of one run in order of time."""
        return cls(tuple(_frame_evidence(*frame) for frame in frames), tuple(bad))


def first_cause(
    findings: Sequence[tuple[str, float]], evidence: Evidence, number: int
) -> tuple[str, float, dict[str, float]]:
    """Strongest cause of one frame, its confidence, and every cause with its share.

    Parameters
    ----------
    findings : sequence of (rule, excess)
        The worst first.
    evidence : Evidence
        The frame's run.
    number : int
        Place of the frame in it.
    """
    weights: dict[str, float] = {}
    for rule, excess in findings:
        cause = _cause_of(rule, evidence, number)
        weights[cause] = weights.get(cause, 0.0) + excess
    if len(weights) > 1:
        weights.pop("unexplained", None)
    total = sum(weights.values())
    shares = {cause: weight / total for cause, weight in weights.items()}
    strongest = max(shares, key=lambda cause: shares[cause])
    return strongest, NAN, shares


def _cause_of(rule: str, evidence: Evidence, number: int) -> str:
    """Cause behind one broken rule."""
    if rule == "doubled_px":
        return "knock"
    if rule == "fwhm_of_best":
        return "focus"
    if rule == "sky_of_darkest":
        return "bright-sky"
    if rule == "extinction_mag":
        return "cloud"
    if rule in ("stars_of_run", "min_stars"):
        length = evidence.frames[number].motion.trail_px
        return _trail_cause(evidence, number) if length > 3 else "cloud"
    if rule == "trail_worst_px":
        return "axis"
    return _trail_cause(evidence, number)


def _trail_cause(evidence: Evidence, number: int) -> str:
    """Cause of a trail by its direction and by the shift of the sky."""
    frame = evidence.frames[number]
    if np.isfinite(frame.motion.doubled_px):
        return "knock"
    drift, trail = frame.drift, frame.motion.trail_px
    if not np.isfinite(drift.length_px) or not np.isfinite(trail):
        return "unexplained"
    same_way = _apart(drift.angle_deg, frame.motion.trail_angle_deg) < SAME_DIRECTION_DEG
    if drift.length_px < SHIFT_EXPLAINS * trail or not same_way:
        return "wind"
    east = np.radians(frame.along_ra_deg)
    along_ra = abs(drift.dx_px * np.cos(east) + drift.dy_px * np.sin(east))
    if 0.9 < along_ra / max(frame.sidereal_px, 1e-9) < 1.1:
        return "untracked"
    if _began_late(evidence, number) and _apart(drift.angle_deg, frame.zenith_deg) < 20:
        return "sag"
    if along_ra > 0.94 * drift.length_px:
        return "drive"
    return "axis"


def _began_late(evidence: Evidence, number: int) -> bool:
    """Whether the run stood still, by less than half of this frame's rate, before it drifted."""
    rate = evidence.frames[number].drift.length_px / evidence.frames[number].exposure_s
    before = [
        frame.drift.length_px / frame.exposure_s
        for frame in evidence.frames[:number]
        if np.isfinite(frame.drift.length_px)
    ]
    return len(before) >= 2 and bool(np.median(before[: max(2, len(before) // 2)]) < 0.5 * rate)


def _apart(a_deg: float, b_deg: float) -> float:
    """Angle between two axes, 0..90 degrees; NaN where one is unknown."""
    return float(abs((a_deg - b_deg + 90) % 180 - 90))


def _frame_evidence(light: Light, motion: Motion, drift: Drift) -> FrameEvidence:
    pointing = light.pointing
    east = zenith = sidereal = NAN
    if pointing.solved and pointing.camera is not None and pointing.frame is not None:
        middle = pointing.middle_direction()
        pole = np.array([0.0, 0.0, 1.0])
        east = pointing.image_angle_towards(middle + 1e-3 * np.cross(pole, middle))
        if pointing.frame.site is not None:
            phi = np.radians(pointing.frame.site.latitude_deg)
            zenith = pointing.image_angle_towards(np.array([np.cos(phi), 0.0, np.sin(phi)]))
        flat = float(np.hypot(middle[0], middle[1]))
        sidereal = SIDEREAL_RATE_ARCSEC_S * flat * light.info.exposure_s / pointing.scale_arcsec_px
    return FrameEvidence(
        motion,
        drift,
        light.info.exposure_s,
        east,
        zenith,
        sidereal,
        pointing.solved,
        pointing.altitude_deg,
    )
