"""What drew one frame's trail: its variance along its own axis, parted among causes.

The fitted mount predicts how much its axis, its drive, a slipping head and refraction draw; what
they leave over is the drive's or the head's again if the sky moved with it from frame to frame
along right ascension or gravity, a knock if the stars stand twice, and wind if the sky did not
move. What fits none of these is called unexplained.

Without a site nothing says which way is down. A drift that sets in within a run (`onset_within` in
`drift`) is then a slip, since an axis and a rate are wrong from the first frame on and a periodic
error never steps; one all along is told as either, and named by neither where that would be no
better than chance.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from skyplumb.angles import between_axes_deg
from skyplumb.judge.drift import displacement_during
from skyplumb.judge.mount import MountFit, motion_terms, time_mean
from skyplumb.judge.mount.model_choice import MET_SLIP, MET_WRONG_RATE
from skyplumb.judge.scene import Scene, Scenes
from skyplumb.judge.untracked import stood_still, stopped_within

Floats = NDArray[np.float64]

SAME_DIRECTION_DEG = 25.0
CORE_SHOWS = 0.25
"""Part of the variance of a gust that the fit of a star's core sees, of frames shaken for 40 to
90 % of their exposure (measured on drawn nights: 0.1 to 0.5)."""
LEAST_WIDENED_PX2 = 0.25
"""Stars of 2.5 px that are 0.25 px wider than in the frames around."""
STEADY = ("axis", "drive", "slip")
ALL_OF_IT, ALONG_IT_DEG, KNOWN_SHARE = 0.15, 10.0, 0.25
"""How near a drift comes to a trail that it drew alone, and how well it has to be known."""
CLOSE_SIGMAS = 3.0
"""Rests closer than that, in the width of a star, have one peak or as good as one."""
DRIFT_COVERS = 0.6
"""Least part of a trail that an image drift must have to be taken for its cause."""
MOVED_WITH_IT = (
    "the sky moved with it from frame to frame, so it is no shaking but axis, drive or slip; the "
    "target's coordinates in the night notes would tell which"
)
SET_IN = (
    "the drift set in within the run, as when the head slips; the site and the clock's zone "
    "in the night notes would tell whether it slipped downwards"
)
SO_LONG = (
    "such long trails hide where the sky stood: a frame of a few seconds of the same aim right "
    "before or after would tell what drew them"
)


@dataclass(frozen=True, slots=True)
class Drawn:
    """What drew one frame's trail."""

    shares: dict[str, float]
    """Of its variance, by cause."""
    words: str = ""
    """What cannot be told apart."""
    leads: Mapping[str, float] = field(default_factory=dict)
    """How likely each cause is the largest, where several models of the mount may be true."""


def trail_causes(scene: Scene, mount: MountFit, scenes: Sequence[Scene]) -> Drawn:
    """Shares of a trail's variance by cause, over all that the mount may have done."""
    motion = scene.motion
    if np.isfinite(motion.doubled_px) and not _began_to_slip(scene, mount):
        return Drawn({"knock": 1.0})
    if scene.length_untold:
        return Drawn({"unexplained": 1.0}, SO_LONG)
    if not np.isfinite(motion.trail_px):
        return Drawn({"unexplained": 1.0})
    # One frame of a driven run may move as the sky does by a periodic error; a camera at rest
    # is so for the whole run, which the mount's fit has seen.
    fitted = mount.frames > 0 and not mount.unknown
    if (not fitted and stood_still(scene)) or scene.light.file in mount.untracked:
        return Drawn({"untracked": 1.0})
    if mount.backwards or scene.light.file in mount.half_speed:
        return Drawn({"drive": 1.0})
    if not mount.models:
        return Drawn(*_drawn_by(scene, mount, scenes))
    if not mount.earth_fixed:
        # One model, drawn by an axis and a drive; a slip of a way that nothing tells, as well.
        parts, _ = _drawn_by(scene, mount.models[0][1], scenes)
        share = MET_WRONG_RATE / (MET_WRONG_RATE + MET_SLIP)
        return Drawn(parts, mount.why_not, {"axis": share, "drive": share})
    shares: dict[str, float] = defaultdict(float)
    leads: dict[str, float] = defaultdict(float)
    whole = sum(share for share, _ in mount.models)
    for share, model in mount.models:
        parts, _ = _drawn_by(scene, model, scenes)
        for cause, part in parts.items():
            shares[cause] += share / whole * part
        leads[max(parts, key=lambda cause: parts[cause])] += share / whole
    return Drawn(dict(shares), "", dict(leads))


def _began_to_slip(scene: Scene, mount: MountFit) -> bool:
    """Whether a rest and the first of a slip look like two rests close together."""
    motion = scene.motion
    close = motion.doubled_px < CLOSE_SIGMAS * float(np.sqrt(motion.across_px2))
    return close and lets_go(scene, mount)


def _drawn_by(
    scene: Scene, mount: MountFit, scenes: Sequence[Scene]
) -> tuple[dict[str, float], str]:
    """Shares of a trail's variance by cause if the mount did this, and what looks alike."""
    motion, drift = scene.motion, scene.drift
    length = motion.trail_px
    fitted = mount.frames > 0 and not mount.why_not
    turn = np.radians(motion.trail_angle_deg)
    along = np.array([np.cos(turn), np.sin(turn)])
    variance = length**2 / 12
    parts: dict[str, float] = {}
    terms = motion_terms(mount, scene.light)
    net = np.zeros(2)
    before = None if mount.earth_fixed else _drift_before_onset(scenes, scene)
    if before is not None:
        # Without a site the fit knows no slip, and has laid its axis and rate through this one.
        net = np.array([drift.dx_px, drift.dy_px])
        steady = "drive" if _lies_along(before, scene.east_deg) else "axis"
        parts[steady] = float(before @ along) * float(net @ along) / 12
        parts["slip"] = float((net - before) @ along) * float(net @ along) / 12
    elif terms is not None:
        total = np.sum(list(terms.values()), axis=0) @ along
        net = np.sum([path[-1] - path[0] for path in terms.values()], axis=0)
        for cause, path in terms.items():
            parts[cause] = float(time_mean((path @ along) * total))
    rest = max(variance - sum(parts.values()), 0.0)
    shaken = _shaken_px2(scene, terms)
    if terms is not None and lets_go(scene, mount):
        parts["slip"] = parts.get("slip", 0.0) + rest
        rest = 0.0
    words = ""
    # Where the aim moves all the time, frames laid on each other by their stars show the moves.
    if np.isfinite(drift.length_px) and (scene.light.pointing.solved or not mount.by_trails):
        local = np.array([drift.dx_px, drift.dy_px]) - net
        causes: tuple[str, ...] = _local_causes(scene, local, along, rest, fitted)
        if causes == ("wind",) and _displaced_during(scenes, scene, along, rest):
            causes = ("knock",)
        by_mount = {one: parts[one] for one in STEADY if parts.get(one, 0.0) > 0}
        if causes == ("wind",) and shaken < rest and by_mount and _moved_with_the_sky(scene):
            # The fit is not as good as that: the mount drew all of it, in parts as it has them.
            for cause, part in by_mount.items():
                parts[cause] += rest * part / sum(by_mount.values())
            causes, rest = (), 0.0
        if causes == ("wind",):
            rest = max(rest, shaken)
        elif shaken > rest:
            parts["wind"] = shaken
        for cause in causes:
            parts[cause] = parts.get(cause, 0.0) + rest / len(causes)
        if causes == ("unexplained",):
            words = MOVED_WITH_IT
        elif before is not None:
            words = SET_IN
    else:
        # Shaking leaves the sky where it was; without a drift nothing says that it stayed. What
        # the trails of all the others have in common does: beyond it, this frame was moved alone.
        alone = mount.by_trails and fitted and terms is not None
        parts["wind" if alone else "unexplained"] = max(rest, shaken)
    larger = max(parts.get("axis", 0.0), parts.get("drive", 0.0))
    if mount.degenerate_with and larger > 0.2 * variance:
        words = mount.degenerate_with[0]
    kept = {cause: part for cause, part in parts.items() if part > 0.02 * variance}
    whole = sum(kept.values())
    if whole <= 0:
        return {"unexplained": 1.0}, words
    return {cause: part / whole for cause, part in kept.items()}, words


def _shaken_px2(scene: Scene, terms: Mapping[str, Floats] | None) -> float:
    """Second moment along its longer axis, px^2, of what shook this frame beyond the mount's part.

    Shaking of a while leaves a core among wings: the stars' width shows `CORE_SHOWS` of it, and
    that it does for one frame and not for those around it tells it from focus.
    """
    motion = scene.motion
    if not motion.widened_px2 > LEAST_WIDENED_PX2:
        return 0.0
    turn = 2 * np.radians(motion.trail_angle_deg)
    left = motion.trail_px**2 / 12 * np.array([np.cos(turn), np.sin(turn)])
    if terms is not None:
        path = np.sum(list(terms.values()), axis=0)
        xx, yy, xy = (time_mean(path[:, a] * path[:, b]) for a, b in ((0, 0), (1, 1), (0, 1)))
        left = left - np.array([xx - yy, 2 * xy])
    return float(np.hypot(*left)) + motion.widened_px2 / CORE_SHOWS


def lets_go(scene: Scene, mount: MountFit) -> bool:
    """Whether the head began to slip in this frame, as near as its onset is known."""
    if mount.slip_from_start or not np.isfinite(mount.slip_onset_s):
        return False
    # A fit may lay an onset into a frame that was pushed; only down is the slip's way.
    if not between_axes_deg(scene.motion.trail_angle_deg, scene.zenith_deg) < SAME_DIRECTION_DEG:
        return False
    return abs(scene.light.mid_s - mount.slip_onset_s) < scene.light.info.exposure_s


def _local_causes(
    scene: Scene, local: Floats, along: Floats, rest: float, fitted: bool
) -> tuple[str, ...]:
    """What may have drawn what the mount's prediction leaves: by the drift that it also leaves.

    Beyond a fitted mount it is not the axis that draws along right ascension or down. Where too
    few frames tell of the mount, an axis may draw any direction, those two as well.
    """
    if fitted and stopped_within(scene):
        return ("untracked",)
    size = float(np.hypot(*local))
    needed = DRIFT_COVERS * np.sqrt(12 * max(rest, 0.0))
    if size < max(needed, 0.5) or abs(local @ along) < 0.8 * size:
        return ("wind",)
    if not scene.light.pointing.solved:
        return ("unexplained",)  # nothing says which way east or down is
    tracker = "drive" if _lies_along(local, scene.east_deg) else "axis"
    if not np.isfinite(scene.zenith_deg):
        return (tracker, "slip")  # nothing says which way is down
    down = tracker != "drive" and _lies_along(local, scene.zenith_deg)
    cause = "slip" if down else tracker
    return (cause,) if fitted or cause == "axis" else (cause, "axis")


def _moved_with_the_sky(scene: Scene) -> bool:
    """Whether the drift from frame to frame is the whole trail, so that nothing shook besides."""
    drift, motion = scene.drift, scene.motion
    length = drift.length_px
    return bool(
        abs(length / motion.trail_px - 1) < ALL_OF_IT
        and between_axes_deg(drift.angle_deg, motion.trail_angle_deg) < ALONG_IT_DEG
        and drift.spread_px < KNOWN_SHARE * length
    )


def _lies_along(move: Floats, axis_deg: float) -> bool:
    """Whether an image drift lies along an axis, as that of right ascension."""
    angle = float(np.degrees(np.arctan2(move[1], move[0])))
    return bool(between_axes_deg(angle, axis_deg) < SAME_DIRECTION_DEG)


def whole_run(scenes: Sequence[Scene]) -> Scenes:
    """The run with what its frames say together, worked out once where it is one already."""
    return scenes if isinstance(scenes, Scenes) else Scenes(scenes)


def _number_of(scene: Scene, scenes: Sequence[Scene]) -> int:
    """Where in its run a scene stands."""
    return next(n for n, one in enumerate(scenes) if one is scene)


def _drift_before_onset(scenes: Sequence[Scene], scene: Scene) -> Floats | None:
    """The drift, dx and dy px, before another one set in that this frame has; None if none did."""
    found = whole_run(scenes).onset
    number = _number_of(scene, scenes)
    if found is None or number < found[0] or not np.isfinite(scene.drift.length_px):
        return None
    return found[1]


def _displaced_during(scenes: Sequence[Scene], scene: Scene, along: Floats, rest: float) -> bool:
    """Whether the picture was displaced during this exposure for good, as far as it is stretched.

    Two rests d apart stretch like an even trail of at most sqrt(3) d.
    """
    timed = [one for one in scenes if one.light.timed] or scenes
    if not any(one is scene for one in timed):
        return False  # without a time nothing says how far the neighbours drifted meanwhile
    found = displacement_during(
        [one.light.pointing for one in timed],
        [one.light.mid_s for one in timed],
        _number_of(scene, timed),
        [one.light.measure for one in timed] if scene.light.clocked else (),
    )
    if found is None:
        return False
    jump, after = found
    size = float(np.hypot(*jump))
    return (
        0.08 < after < 0.92
        and size > 0.5 * np.sqrt(12 * max(rest, 0.0))
        and abs(float(jump @ along)) > 0.8 * size
    )
