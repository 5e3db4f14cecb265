"""Why a frame failed: the rules it broke, the mount's prediction, and the image drift -> cause.

A trail is a budget of variance along its own axis. The fitted mount predicts how much of
it its axis, its drive, a slipping head and refraction draw; what they leave over is the
drive's or the head's again if the sky moved with it from frame to frame along right
ascension or gravity, a knock if the stars stand twice, and wind if the sky did not move.
What fits none of these is called unexplained.

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
from skyplumb.calibrate.light import Light
from skyplumb.calibrate.sky import SIDEREAL_RATE_ARCSEC_S
from skyplumb.causes import CAUSES, Where
from skyplumb.judge.confidence import LEAST_NAMED, Evidence, confidence
from skyplumb.judge.drift import displacement_during
from skyplumb.judge.motion import ASTIGMATISM_SIGMA_PX2
from skyplumb.judge.mount import (
    FEWEST_FRAMES,
    MountFit,
    motion_terms,
    time_mean,
    what_it_may_be,
)
from skyplumb.judge.scene import Scene, Scenes
from skyplumb.judge.transparency import drowned
from skyplumb.records import NAN

Floats = NDArray[np.float64]

TRAIL_RULES = frozenset(
    {"trail_px", "trail_of_fwhm", "doubled_px", "trail_worst_px", "ellipticity"}
)
STREAKS_PX = 3.0
"""Stars too long to be measured are few for that reason."""
CLEARLY = 0.85
"""Confidence from which on a cause is named without saying what else it may be."""
ONE_CAUSE = 0.75
"""Least chance, over all that the mount may have done, that a cause drew most of a trail."""
SAME_DIRECTION_DEG = 25.0
SIDEREAL_WITHIN = 0.07
"""How far the drift under a camera at rest may lie from the sky's, as a share of it: exposures are
written to 7 % (30 s for 2^5 s), scales are known better. Errors of times, pointings and the lens
come on top, up to `MOST_SIDEREAL_WITHIN`."""
MOST_SIDEREAL_WITHIN = 0.25
"""Half of what a drive at half the sky's rate differs by."""
SIDEREAL_ASIDE_DEG = 8.0
CORE_SHOWS = 0.25
"""Part of the variance of a gust that the fit of a star's core sees, of frames shaken for 40 to
90 % of their exposure (measured on drawn nights: 0.1 to 0.5)."""
LEAST_WIDENED_PX2 = 0.25
"""Stars of 2.5 px that are 0.25 px wider than in the frames around."""
STOPPED_DEG, STOPPED_PX, STOPPED_PART = 4.0, 8.0, 0.15
"""How near to right ascension, how long, and how much of what the sky moves, a trail has to be to
be that of a drive that stopped."""
STEADY = ("axis", "drive", "slip")
ALL_OF_IT, ALONG_IT_DEG, KNOWN_SHARE = 0.15, 10.0, 0.25
"""How near a drift comes to a trail that it drew alone, and how well it has to be known."""
DRIFT_COVERS = 0.6
"""Least part of a trail that an image drift must have to be taken for its cause."""
CLEAR_EXCESS = 1.1
"""How far beyond a limit a frame is at fault for sure."""
ONE_SIDED, LEAST_KNOWN_PX = 0.45, 1.0
"""A drift that only one neighbour tells is doubted by half of itself."""
MISFIT = 3.0
"""From which on the mount's fit is said not to tell where frames pointed, in their own errors:
three sigma."""
NOT_LEARNED = ("unexplained", "optics", "few-stars")
"""How often these are right was not measured on drawn nights."""
EMPTY_CELL = 0.3
FULL_CELL = 0.75
"""Star counts of a part of the picture, against the run's, that count as gone and as there."""


MOVED_WITH_IT = (
    "the sky moved with it from frame to frame, so it is no shaking but axis, drive or slip; the "
    "target's coordinates in the night notes would tell which"
)
SET_IN = (
    "the drift set in within the run, as when the head slips; the site and the clock's zone "
    "in the night notes would tell whether it slipped downwards"
)
FAR_FROM_POLE = 0.6
"""Least cosine of the declination of straight trails: over a field of w degrees their direction
turns by w tan(dec), and 30 degrees at most (`measure/arcs.py`) over 25 would not have been straight
beyond 50 degrees. A drive at half the sky's rate draws less."""
ARC_WITHIN = 0.25
"""Arcs of a camera that stands still are within so much of the sky's own turn."""


@dataclass(frozen=True, slots=True)
class Explanation:
    """Causes of one frame with their shares, which add up to one."""

    cause: str
    confidence: float
    shares: dict[str, float]
    trail_shares: dict[str, float] = field(default_factory=dict)
    """Shares of the trail's variance alone; empty where the frame is not trailed."""
    words: str = ""
    """What else is to be said, such as what cannot be told apart."""
    likeliest: str = ""
    """The cause that leads, named or not."""
    evidence: Evidence | None = None
    """What its confidence was drawn from."""

    def __post_init__(self) -> None:
        """Refuse a cause that has no row in the table."""
        strange = {self.cause, *self.shares, *self.trail_shares} - CAUSES.keys()
        if strange:
            raise ValueError(f"{', '.join(sorted(strange))}: has no row in causes.py")


def explain(
    findings: Sequence[tuple[str, float]],
    scenes: Sequence[Scene],
    number: int,
    mount: MountFit,
) -> Explanation:
    """Causes of one frame.

    Parameters
    ----------
    findings : sequence of (rule, excess)
        The rules it broke and how far, 1 at the limit; the worst first.
    scenes : sequence of Scene
        The frame's run in order of time.
    number : int
        The frame's place in it.
    mount : MountFit
        Of the frame's setup.
    """
    scene = scenes[number]
    still = stood_still_by_arcs(scene.light)
    if still:
        return Explanation("untracked", NAN, {"untracked": 1.0}, {"untracked": 1.0}, still)
    rules = dict(findings)
    trailed = max((rules[rule] for rule in TRAIL_RULES & rules.keys()), default=0.0)
    streaks = "min_stars" in rules and not trailed and scene.motion.trail_px > STREAKS_PX
    weights: dict[str, float] = defaultdict(float)
    trail_shares: dict[str, float] = {}
    words = ""
    leads: Mapping[str, float] = {}
    if trailed or streaks:
        if "ellipticity" in rules and scene.motion.lens_like:
            trail_shares = {"optics": 1.0}
        else:
            drawn = trail_causes(scene, mount, scenes)
            trail_shares, words, leads = drawn.shares, drawn.words, drawn.leads
        for cause, share in trail_shares.items():
            weights[cause] += max(trailed, 1.0) * share
    for cause, weight in _light_causes(rules, scenes, number, bool(trailed), streaks).items():
        weights[cause] += weight
    if not weights:
        return Explanation("unexplained", NAN, {"unexplained": 1.0})
    total = sum(weights.values())
    shares = dict(sorted(((c, w / total) for c, w in weights.items()), key=lambda s: -s[1]))
    cause = next(iter(shares))
    evidence = evidence_of(shares, scene, mount, bool(trailed))
    sure = confidence(evidence) * leads.get(cause, 1.0)
    if _may_mislead(findings, cause, scene, mount, bool(trailed)):
        sure = min(sure, CLEARLY)
    if trailed and CAUSES[cause].fitted and _too_few(mount):
        words = _what_is_known(scene, mount)
        return Explanation("unexplained", NAN, shares, trail_shares, words, cause, evidence)
    if cause in leads and leads[cause] < ONE_CAUSE:
        # Several faults explain the frames about as well, and no remedy is right for all.
        words = words or what_it_may_be(mount.candidates)
        return Explanation("unexplained", NAN, shares, trail_shares, words, cause, evidence)
    if not words:
        words = _what_would_decide(shares, sure, mount)
    if sure < LEAST_NAMED:
        unknown = {"unexplained": 1.0}
        return Explanation("unexplained", NAN, unknown, trail_shares, words, cause, evidence)
    return Explanation(cause, sure, shares, trail_shares, words, cause, evidence)


def _may_mislead(
    findings: Sequence[tuple[str, float]],
    cause: str,
    scene: Scene,
    mount: MountFit,
    trailed: bool,
) -> bool:
    """Whether the evidence is of a kind that was seen to mislead more than once in a hundred times.

    A frame at a limit may have no fault at all; where the fit does not tell where the frames
    pointed, its share in a trail is no better; and without a drift of its own on either side, a
    frame that was moved alone may have been shaken or pushed.
    """
    if max((excess for _, excess in findings), default=0.0) < CLEAR_EXCESS:
        return True
    if not trailed or not (CAUSES[cause].fitted or CAUSES[cause].where is Where.FRAME):
        return False
    if cause == "slip" and _lets_go(scene, mount):
        return True
    drift = scene.drift
    untold = drift.one_sided or not (
        drift.spread_px < ONE_SIDED * max(drift.length_px, LEAST_KNOWN_PX)
    )
    alone = CAUSES[cause].where is Where.FRAME and not np.isfinite(scene.motion.doubled_px)
    return bool(mount.misfit > MISFIT or (alone and untold))


def _too_few(mount: MountFit) -> bool:
    """Whether there are fewer frames than say anything of a mount."""
    return mount.unknown and mount.frames < FEWEST_FRAMES


def _what_is_known(scene: Scene, mount: MountFit) -> str:
    """The drift of a frame among too few to tell what drew it."""
    minutes = scene.light.info.exposure_s / 60
    known = np.isfinite(scene.drift.length_px) and minutes > 0
    length = scene.drift.length_px if known else scene.motion.trail_px
    angle = scene.drift.angle_deg if known else scene.motion.trail_angle_deg
    towards = scene.light.pointing.position_angle_of(angle)
    along = f" along position angle {towards:.0f} deg" if np.isfinite(towards) else ""
    speed = f"a drift of {length / minutes:.1f} px a minute{along}" if minutes > 0 else "a drift"
    return (
        f"{speed}, but {FEWEST_FRAMES} frames of one aim in a row are needed to tell axis, drive "
        "and slip apart"
    )


def _light_causes(
    rules: Mapping[str, float],
    scenes: Sequence[Scene],
    number: int,
    trailed: bool,
    streaks: bool,
) -> dict[str, float]:
    """What the rules of width, sky, transparency, star count and lens weigh for which cause."""
    weights: dict[str, float] = {}
    if "fwhm_of_best" in rules:
        # Motion widens a star across its trail too: next to a trail, width alone says little.
        weights["focus"] = rules["fwhm_of_best"] * (0.4 if trailed else 1.0)
    if "sky_of_darkest" in rules:
        weights["bright-sky"] = rules["sky_of_darkest"]
    if "lens" in rules:
        weights["optics"] = rules["lens"]
    if "extinction_mag" in rules:
        weights["cloud"] = rules["extinction_mag"]
    elif "stars_of_run" in rules or ("min_stars" in rules and not trailed and not streaks):
        cause, clear = _lost_stars_cause(scenes, number), scenes[number].clear
        # Fewer than in the run, stars are lost to cloud unless those that are left show a clear
        # sky. Few as in the whole run, they show none unless they say so: a bright sky drowns
        # them, or there are no more to be had.
        cloudy = not clear if "stars_of_run" in rules else clear is False
        if cloudy and clear is None and np.isfinite(scenes[number].extinction_mag):
            # Those that are left lost no light: a brighter sky may explain the rest.
            cloudy = not drowned([scene.light.measure for scene in scenes], number)
        if cause == "cloud" and not cloudy:
            cause = "few-stars"
        if cause != "few-stars" or not weights:
            weights[cause] = rules.get("stars_of_run", 1.0)
    return weights


def evidence_of(
    shares: dict[str, float], scene: Scene, mount: MountFit, trailed: bool
) -> Evidence | None:
    """What speaks for the first of the shares; None where the confidence was not measured."""
    cause, *others = shares
    fitted = mount.by_trails or (mount.frames >= FEWEST_FRAMES and not mount.why_not)
    told = np.isfinite(scene.drift.length_px) or fitted
    supported = told if trailed else scene.light.pointing.solved
    if cause in NOT_LEARNED or not supported:
        return None
    local = CAUSES[cause].where is Where.FRAME
    moving = trailed and (CAUSES[cause].fitted or local)
    return Evidence(
        lead=shares[cause] - (shares[others[0]] if others else 0.0),
        local=local,
        site_missing=moving
        and not mount.earth_fixed
        and (cause in ("axis", "wind") or "slip" in shares),
        mount_missing=moving and (mount.frames < FEWEST_FRAMES or mount.unknown),
        log_misfit=float(np.log(np.clip(np.nan_to_num(mount.misfit), 1, 100))) if moving else 0.0,
    )


def _what_would_decide(shares: dict[str, float], sure: float, mount: MountFit) -> str:
    """What evidence is missing for a cause that is not sure; empty for one that is."""
    cause = next(iter(shares))
    if cause in ("optics", "few-stars"):
        return ""
    if cause == "unexplained":
        return (
            "one exposure has no clock inside: a solved frame right before or after it would "
            "tell drift from shaking"
        )
    if sure > CLEARLY:
        return ""
    possible = [name for name, share in shares.items() if share > 0.15]
    if not mount.earth_fixed and CAUSES[cause].fitted:
        possible = list(dict.fromkeys([*possible, "slip"]))  # nothing says which way is down
    told = " or ".join(possible)
    if not mount.earth_fixed and CAUSES[cause].fitted:
        return (
            f"consistent with {told}; the site and the clock's zone in the night notes would "
            "tell a slip of the head from a fault of axis or drive"
        )
    if len(possible) < 2:
        return "" if np.isnan(sure) else _why_not_sure(mount)
    if mount.frames < FEWEST_FRAMES and CAUSES[cause].fitted:
        return f"consistent with {told}; {FEWEST_FRAMES} frames of one aim in a row would tell"
    if np.isnan(sure):
        return f"consistent with {told}; a solved frame right before or after would decide"
    if len(shares) > 1 and CAUSES[cause].fitted:
        return f"consistent with {told}; shorter frames of the same aim would tell them apart"
    return f"consistent with {told}"


def _why_not_sure(mount: MountFit) -> str:
    """What keeps the only possible cause from being sure; empty where nothing stands out."""
    if mount.frames < FEWEST_FRAMES:
        return f"not sure: {FEWEST_FRAMES} frames in a row would tell how the mount moved"
    if mount.misfit > MISFIT:
        return "not sure: one axis and one rate do not tell where the other frames pointed"
    return ""


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
    if np.isfinite(motion.doubled_px):
        return Drawn({"knock": 1.0})
    if not np.isfinite(motion.trail_px):
        return Drawn({"unexplained": 1.0})
    # One frame of a driven run may move as the sky does by a periodic error; a camera at rest
    # is so for the whole run, which the mount's fit has seen.
    fitted = mount.frames > 0 and not mount.unknown
    if (not fitted and _stood_still(scene)) or scene.light.file in mount.untracked:
        return Drawn({"untracked": 1.0})
    if mount.backwards:
        return Drawn({"drive": 1.0})
    if not mount.models:
        return Drawn(*_drawn_by(scene, mount, scenes))
    shares: dict[str, float] = defaultdict(float)
    leads: dict[str, float] = defaultdict(float)
    whole = sum(share for share, _ in mount.models)
    for share, model in mount.models:
        parts, _ = _drawn_by(scene, model, scenes)
        for cause, part in parts.items():
            shares[cause] += share / whole * part
        leads[max(parts, key=lambda cause: parts[cause])] += share / whole
    return Drawn(dict(shares), "", dict(leads))


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
    if terms is not None and _lets_go(scene, mount):
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


def _lets_go(scene: Scene, mount: MountFit) -> bool:
    """Whether the head began to slip in this frame, as near as its onset is known."""
    if mount.slip_from_start or not np.isfinite(mount.slip_onset_s):
        return False
    # A fit may lay an onset into a frame that was pushed; only down is the slip's way.
    if not between_axes_deg(scene.motion.trail_angle_deg, scene.zenith_deg) < SAME_DIRECTION_DEG:
        return False
    return abs(scene.light.mid_s - mount.slip_onset_s) < scene.light.info.exposure_s


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
    seen = f"{measure.arcs} arcs of {measure.arc_deg:.2g} deg about one centre"
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


def _stood_still(scene: Scene) -> bool:
    """Whether the trail is the sky's own motion: the camera was not driven."""
    if not np.isfinite(scene.sidereal_px) or not np.isfinite(scene.east_deg):
        return False
    drift, motion = scene.drift, scene.motion
    # What the lens may do at the centre, over the moment of the sky's own trail: it turns a short
    # trail and lengthens or shortens it.
    lens = ASTIGMATISM_SIGMA_PX2 / 2 / max(scene.sidereal_px**2 / 12, 1e-9)
    aside_deg = min(SIDEREAL_ASIDE_DEG + float(np.degrees(lens)), SAME_DIRECTION_DEG)
    if between_axes_deg(motion.trail_angle_deg, scene.east_deg) > aside_deg:
        return False
    if np.isfinite(drift.length_px):
        length, doubt = drift.length_px, drift.time_share + 2 * drift.noise_px / scene.sidereal_px
    else:
        length, doubt = motion.trail_px, lens + 2 * motion.trail_sigma_px / scene.sidereal_px
    within = min(SIDEREAL_WITHIN + doubt, MOST_SIDEREAL_WITHIN)
    return bool(abs(length / scene.sidereal_px - 1) < within)


def _local_causes(
    scene: Scene, local: Floats, along: Floats, rest: float, fitted: bool
) -> tuple[str, ...]:
    """What may have drawn what the mount's prediction leaves: by the drift that it also leaves.

    Beyond a fitted mount it is not the axis that draws along right ascension or down. Where too
    few frames tell of the mount, an axis may draw any direction, those two as well.
    """
    if fitted and _stopped_within(scene):
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


def _stopped_within(scene: Scene) -> bool:
    """Whether the drive stood still for a part of the exposure: a long trail as the sky moves.

    Gusts that shake so far shake another way, but for one in twenty.
    """
    motion = scene.motion
    part = motion.trail_px / scene.sidereal_px if scene.sidereal_px > 0 else NAN
    along = between_axes_deg(motion.trail_angle_deg, scene.east_deg) < STOPPED_DEG
    long = motion.trail_px > STOPPED_PX and motion.directed
    return bool(along and long and STOPPED_PART < part < 1 + SIDEREAL_WITHIN)


def _lies_along(move: Floats, axis_deg: float) -> bool:
    """Whether an image drift lies along an axis, as that of right ascension."""
    angle = float(np.degrees(np.arctan2(move[1], move[0])))
    return bool(between_axes_deg(angle, axis_deg) < SAME_DIRECTION_DEG)


def _whole(scenes: Sequence[Scene]) -> Scenes:
    """The run with what its frames say together, worked out once where it is one already."""
    return scenes if isinstance(scenes, Scenes) else Scenes(scenes)


def _number_of(scene: Scene, scenes: Sequence[Scene]) -> int:
    """Where in its run a scene stands."""
    return next(n for n, one in enumerate(scenes) if one is scene)


def _drift_before_onset(scenes: Sequence[Scene], scene: Scene) -> Floats | None:
    """The drift, dx and dy px, before another one set in that this frame has; None if none did."""
    found = _whole(scenes).onset
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


def _lost_stars_cause(scenes: Sequence[Scene], number: int) -> str:
    """Obstruction where the stars are gone from a part of the picture only, else cloud.

    Against the run's other frames, so that a hill that is always there is no fault.
    """
    run = _whole(scenes)
    usual = run.usual_counts
    cells = usual >= 4
    if np.count_nonzero(cells) < 8:
        return "cloud"
    ratio = np.array(scenes[number].around.counts)[cells] / usual[cells]
    gone = ratio < EMPTY_CELL
    there = ratio[~gone]
    if gone.mean() >= 0.15 and len(there) and np.median(there) > FULL_CELL:
        return "obstruction"
    return "cloud"
