"""Why a frame failed: the rules it broke, the mount's prediction, and the image drift -> cause.

A trail's causes are those of its variance (`trail_causes`), the others those of the rules of width,
sky, transparency, star count and lens; the worst leads, as sure as such evidence was right on drawn
nights (`confidence`), and is named only where no other would be as good.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from skyplumb.causes import CAUSES, Where
from skyplumb.judge.confidence import LEAST_NAMED, Evidence, confidence
from skyplumb.judge.mount import (
    FEWEST_FRAMES,
    MountFit,
    what_it_may_be,
)
from skyplumb.judge.mount.fit import POOR_MISFIT
from skyplumb.judge.scene import Scene
from skyplumb.judge.trail_causes import STEADY, lets_go, trail_causes, whole_run
from skyplumb.judge.transparency import drowned
from skyplumb.judge.untracked import stood_still_by_arcs, stopped_within
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
SHAKEN_WIDE = 0.6
"""Part of a star's width across its trail that shaking may have made (our choice); what the mount
draws steadily widens no star across."""
CLEAR_EXCESS = 1.1
"""How far beyond a limit a frame is at fault for sure."""
ONE_SIDED, LEAST_KNOWN_PX = 0.45, 1.0
"""A drift that only one neighbour tells is doubted by half of itself."""
NOT_LEARNED = ("unexplained", "optics", "few-stars")
"""How often these are right was not measured on drawn nights."""
EMPTY_CELL = 0.3
FULL_CELL = 0.75
"""Star counts of a part of the picture, against the run's, that count as gone and as there."""


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
    steadily = sum(trail_shares.get(cause, 0.0) for cause in STEADY)
    shaken = 1 - steadily if trailed else 0.0
    by_light = _light_causes(rules, scenes, number, shaken, bool(trailed) or streaks)
    for cause, weight in by_light.items():
        weights[cause] += weight
    if not weights:
        return Explanation("unexplained", NAN, {"unexplained": 1.0})
    total = sum(weights.values())
    shares = dict(sorted(((c, w / total) for c, w in weights.items()), key=lambda s: -s[1]))
    cause = next(iter(shares))
    evidence = evidence_of(shares, scene, mount, bool(trailed))
    sure = confidence(evidence) * leads.get(cause, 1.0)
    if _may_mislead(findings, cause, scene, mount, bool(trailed)) or (
        cause == "cloud" and _dimmed_alone(scenes, number)
    ):
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
    if cause == "untracked" and scene.light.file not in mount.untracked and stopped_within(scene):
        return True  # one gust in twenty shakes along the sky's own way
    if not trailed or not (CAUSES[cause].fitted or CAUSES[cause].where is Where.FRAME):
        return False
    if cause == "slip" and lets_go(scene, mount):
        return True
    drift = scene.drift
    untold = drift.one_sided or not (
        drift.spread_px < ONE_SIDED * max(drift.length_px, LEAST_KNOWN_PX)
    )
    alone = CAUSES[cause].where is Where.FRAME and not np.isfinite(scene.motion.doubled_px)
    return bool(mount.misfit > POOR_MISFIT or (alone and untold))


def _dimmed_alone(scenes: Sequence[Scene], number: int) -> bool:
    """Whether the frames before and after lost little of the light that a frame lost: a short gust
    throws a part of each star's light further than it is summed, and looks like a cloud's edge."""
    lost = scenes[number].extinction_mag
    beside = [scenes[n].extinction_mag for n in (number - 1, number + 1) if 0 <= n < len(scenes)]
    return bool(np.isfinite(lost)) and all(other < lost / 2 for other in beside)


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
    along = f" along position angle {towards:.0f}°" if np.isfinite(towards) else ""
    speed = f"a drift of {length / minutes:.1f} px a minute{along}" if minutes > 0 else "a drift"
    return (
        f"{speed}, but {FEWEST_FRAMES} frames of one aim in a row are needed to tell axis, drive "
        "and slip apart"
    )


def _light_causes(
    rules: Mapping[str, float],
    scenes: Sequence[Scene],
    number: int,
    shaken: float,
    smeared: bool,
) -> dict[str, float]:
    """What the rules of width, sky, transparency, star count and lens weigh for which cause.

    Of a frame of whose trail the mount did not draw the part `shaken`; where it is `smeared`, few
    stars are so for that.
    """
    weights: dict[str, float] = {}
    if "fwhm_of_best" in rules:
        weights["focus"] = rules["fwhm_of_best"] * (1 - shaken * SHAKEN_WIDE)
    if "sky_of_darkest" in rules:
        weights["bright-sky"] = rules["sky_of_darkest"]
    if "lens" in rules:
        weights["optics"] = rules["lens"]
    if "extinction_mag" in rules:
        weights["cloud"] = rules["extinction_mag"]
    elif "stars_of_run" in rules or ("min_stars" in rules and not smeared):
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
            "a single exposure does not show when the sky moved in it: a plate-solved frame right "
            "before or after it would tell drift from shaking"
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
        return f"consistent with {told}; a plate-solved frame right before or after would decide"
    if len(shares) > 1 and CAUSES[cause].fitted:
        return f"consistent with {told}; shorter frames of the same aim would tell them apart"
    return f"consistent with {told}"


def _why_not_sure(mount: MountFit) -> str:
    """What keeps the only possible cause from being sure; empty where nothing stands out."""
    if mount.frames < FEWEST_FRAMES:
        return f"not sure: {FEWEST_FRAMES} frames in a row would tell how the mount moved"
    if mount.misfit > POOR_MISFIT:
        return "not sure: no single axis and drive rate fit where the other frames pointed"
    return ""


def _lost_stars_cause(scenes: Sequence[Scene], number: int) -> str:
    """Obstruction where the stars are gone from a part of the picture only, else cloud.

    Against the run's other frames, so that a hill that is always there is no fault.
    """
    run = whole_run(scenes)
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
