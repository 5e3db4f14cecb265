"""A camera that was not driven, or whose drive stopped: the sky's own motion in the stars.

By its arcs, by straight trails far from the pole, or by a trail as long and along as the sky moves.
"""

from __future__ import annotations

import numpy as np

from skyplumb.angles import between_axes_deg
from skyplumb.calibrate.light import Light
from skyplumb.calibrate.sky import SIDEREAL_RATE_ARCSEC_S
from skyplumb.judge.motion import ASTIGMATISM_SIGMA_PX2
from skyplumb.judge.scene import Scene
from skyplumb.records import NAN

SIDEREAL_WITHIN = 0.07
"""How far the drift under a camera at rest may lie from the sky's, as a share of it: exposures are
written to 7 % (30 s for 2^5 s), scales are known better. Errors of times, pointings and the lens
come on top, up to `MOST_SIDEREAL_WITHIN`."""
MOST_SIDEREAL_WITHIN = 0.25
"""Half of what a drive at half the sky's rate differs by."""
SIDEREAL_ASIDE_DEG, MOST_ASIDE_DEG = 8.0, 25.0
STOPPED_DEG, STOPPED_PX, STOPPED_PART = 4.0, 8.0, 0.15
"""How near to right ascension, how long, and how much of what the sky moves, a trail has to be to
be that of a drive that stopped."""
FAR_FROM_POLE = 0.6
"""Least cosine of the declination of straight trails: over a field of w degrees their direction
turns by w tan(dec), and 30 degrees at most (`measure/arcs.py`) over 25 would not have been straight
beyond 50 degrees. A drive at half the sky's rate draws less."""
ARC_WITHIN = 0.25
"""Arcs of a camera that stands still are within so much of the sky's own turn."""


def stood_still_by_arcs(light: Light) -> str:
    """What the star trails say of a camera that was not driven; empty if they don't.

    Of an unknown exposure they say how long it was. The arcs' centre is that of circles on the
    sensor, while a lens draws conics: their angle is good to `ARC_WITHIN`.
    """
    measure, exposure = light.measure, light.info.exposure_s
    if measure.arcs and np.isnan(measure.arc_deg):
        return _stood_still_by_straight_trails(light)
    if not (measure.arcs and measure.arc_deg > 0):
        return ""
    seen = f"{measure.arcs} arcs of {measure.arc_deg:.2g}° about one centre"
    lasted = measure.arc_deg * 3600 / SIDEREAL_RATE_ARCSEC_S
    if not np.isfinite(exposure):
        low, high = lasted / (1 + ARC_WITHIN), lasted / (1 - ARC_WITHIN)
        return f"{seen}: a camera that stands still draws them in {low:.0f} to {high:.0f} s"
    if abs(lasted / exposure - 1) > ARC_WITHIN:
        return ""
    return f"{seen}, as the sky turns in {exposure:g} s"


def _stood_still_by_straight_trails(light: Light) -> str:
    """The same of trails that show no centre: so far from the pole that all run one way.

    A standing camera draws the sky's own rate times the cosine of the declination, which is
    bounded where directions do not turn over the picture; a drive of any usual rate draws less.
    """
    measure, info = light.measure, light.info
    equator_s = measure.arc_length_px * light.scale_arcsec_px / SIDEREAL_RATE_ARCSEC_S
    if not equator_s > 0:
        return ""
    shortest, longest = equator_s / (1 + ARC_WITHIN), equator_s / FAR_FROM_POLE
    # Of an unknown exposure nothing tells them from a camera that was pushed.
    if not shortest < info.exposure_s < longest:
        return ""
    return (
        f"{measure.arcs} straight trails of {measure.arc_length_px:.0f} px in one direction,"
        f" as the sky moves in {info.exposure_s:g} s far from the pole"
    )


def stood_still(scene: Scene) -> bool:
    """Whether the trail is the sky's own motion: the camera was not driven."""
    if not np.isfinite(scene.sidereal_px) or not np.isfinite(scene.east_deg):
        return False
    drift, motion = scene.drift, scene.motion
    if scene.length_untold:
        return False
    # What the lens may do at the centre, over the moment of the sky's own trail: it turns a short
    # trail and lengthens or shortens it.
    lens = ASTIGMATISM_SIGMA_PX2 / 2 / max(scene.sidereal_px**2 / 12, 1e-9)
    aside_deg = min(SIDEREAL_ASIDE_DEG + float(np.degrees(lens)), MOST_ASIDE_DEG)
    if between_axes_deg(motion.trail_angle_deg, scene.east_deg) > aside_deg:
        return False
    if np.isfinite(drift.length_px):
        length, doubt = drift.length_px, drift.time_share + 2 * drift.noise_px / scene.sidereal_px
    else:
        length, doubt = motion.trail_px, lens + 2 * motion.trail_sigma_px / scene.sidereal_px
    within = min(SIDEREAL_WITHIN + doubt, MOST_SIDEREAL_WITHIN)
    return bool(abs(length / scene.sidereal_px - 1) < within)


def stopped_within(scene: Scene) -> bool:
    """Whether the drive stood still for a part of the exposure: a long trail as the sky moves.

    Gusts that shake so far shake another way, but for one in twenty.
    """
    motion = scene.motion
    part = motion.trail_px / scene.sidereal_px if scene.sidereal_px > 0 else NAN
    along = between_axes_deg(motion.trail_angle_deg, scene.east_deg) < STOPPED_DEG
    long = motion.trail_px > STOPPED_PX and motion.directed and not scene.length_untold
    return bool(along and long and STOPPED_PART < part < 1 + SIDEREAL_WITHIN)
