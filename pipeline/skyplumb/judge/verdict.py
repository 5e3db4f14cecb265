"""Measures and pointings of one session -> a verdict for every frame, with its reason.

Seconds for a thousand frames: nothing here opens a picture, so a changed rule costs no
measuring.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence, Set
from dataclasses import dataclass, field, replace

import numpy as np

from skyplumb.calibrate.lens_psf import shape_stars
from skyplumb.calibrate.lens_stars import has_one_width
from skyplumb.calibrate.light import Light
from skyplumb.causes import CAUSES
from skyplumb.findings import LensReport
from skyplumb.intake.rules import Ceiling, Floor, Limits, Rules
from skyplumb.judge.cause import explain
from skyplumb.judge.confidence import Evidence
from skyplumb.judge.facts import FrameFacts, frame_facts, percentile
from skyplumb.judge.focus import (
    FLAT_TOP_KURT,
    WIDTH_STARS,
    Known,
    RunFocus,
    focus_of_runs,
)
from skyplumb.judge.motion import CLEAR_SIGMAS, Motion, trail_over_field
from skyplumb.judge.mount import MountFit
from skyplumb.judge.runs import Run, group_runs
from skyplumb.judge.scene import Scene, Scenes, scene_of
from skyplumb.judge.stack import weights
from skyplumb.judge.untracked import SIDEREAL_WITHIN
from skyplumb.orientation import edge_seen
from skyplumb.records import NAN, VERDICTS

VALUE = "{value}"
"""Stands in a finding's words for the value, which has more digits near its limit."""
LENS_FRAMES = 3
"""So many sharp frames must show the same before it is the lens's."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One rule that a frame did not meet."""

    rule: str
    severity: int
    """1 doubtful, 2 reject."""
    excess: float
    """How far beyond: the value over its limit, 1 at the limit."""
    words: str


@dataclass(frozen=True, slots=True)
class Judged:
    """One frame's verdict."""

    facts: FrameFacts
    verdict: str
    cause: str
    confidence: float
    reason: str
    causes: dict[str, float]
    """Every cause at work with its share."""
    trail_causes: dict[str, float]
    """Shares of the trail's variance alone."""
    scene: Scene
    rules_verdict: str = ""
    """What the rules said where a person decided otherwise, or the same; empty else."""
    note: str = ""
    """What that person wrote to it."""
    broken: tuple[str, ...] = ()
    """Rules that it does not meet, the worst first."""
    weight: float = NAN
    """Its worth in a stack, 1 for the run's best frames; see `judge/stack.py`."""
    likeliest: str = ""
    """The cause that leads, named or not."""
    evidence: Evidence | None = None
    """What the confidence was drawn from."""


@dataclass(frozen=True, slots=True)
class RunLevels:
    """What the run's good frames look like."""

    fwhm_px: float
    stars: float
    sky: float
    focus: RunFocus = field(default_factory=RunFocus)

    @property
    def best_fwhm_px(self) -> float:
        """The sharpest that is known of the lens, in the run or elsewhere; NaN if nothing is."""
        best = self.focus.best
        return float(np.fmin(self.fwhm_px, best.fwhm_px)) if best is not None else self.fwhm_px


@dataclass(frozen=True, slots=True)
class JudgedRun:
    """One run with its frames' verdicts, in order of time."""

    run: Run
    frames: tuple[Judged, ...]
    best_fwhm_px: float
    mount: MountFit
    """Of the run's setup, from all its runs."""
    levels: RunLevels
    limits: Limits
    """The rules as they hold for the run's lens."""
    optics: LensReport
    """The lens's own PSF."""


def judge(lights: Sequence[Light], rules: Rules, mounts: Mapping[int, MountFit]) -> list[JudgedRun]:
    """Judge the light frames of one session; `mounts` are its setups' trackers."""
    runs = group_runs(lights)
    facts, optics = frame_facts(runs)
    return judge_runs(runs, facts, optics, mounts, rules)


def judge_runs(
    runs: Sequence[Run],
    facts: Mapping[str, Sequence[FrameFacts]],
    optics: Mapping[str, LensReport],
    mounts: Mapping[int, MountFit],
    rules: Rules,
    known: Known | None = None,
) -> list[JudgedRun]:
    """The part of judging that a rule can change; facts and optics by the name of the run.

    `known` is how sharp the lenses were in other sessions.
    """
    found = []
    for run, own in zip(runs, focus_of_runs(runs, facts, rules, known or {}), strict=True):
        mount = mounts[run.lights[0].notes.setup].while_taking([one.file for one in run.lights])
        found.append(_judge_run(run, facts[run.name], mount, optics[run.name], *own))
    return found


def _judge_run(
    run: Run,
    facts: Sequence[FrameFacts],
    mount: MountFit,
    optics: LensReport,
    focus: RunFocus,
    limits: Limits,
) -> JudgedRun:
    """Verdicts of one run."""
    levels = replace(_levels(facts, limits), focus=focus)
    findings = [
        _findings(fact, levels, limits)
        or _lens_findings(optics, limits, fact.light.info.orientation)
        for fact in facts
    ]
    scenes = Scenes(
        scene_of(
            fact.light,
            fact.motion,
            fact.drift,
            fact.extinction_mag,
            _clear(fact, limits),
            fact.around,
        )
        for fact in facts
    )
    worth = weights(facts)
    judged = []
    for number, (fact, found) in enumerate(zip(facts, findings, strict=True)):
        verdict = VERDICTS[max((f.severity for f in found), default=0)]
        found = sorted(found, key=lambda f: (-f.severity, -f.excess))
        if not found:
            words = _reason_kept(fact, levels, limits)
            scene = scenes[number]
            kept = Judged(fact, verdict, "none", NAN, words, {}, {}, scene, weight=worth[number])
            judged.append(kept)
            continue
        why = explain(_asked(found), scenes, number, mount)
        words = "; ".join(f.words for f in found)
        if why.words and why.cause not in why.shares:
            words = f"{why.words}: {words}"  # what it may be stands first where no cause does
        elif why.words:
            words += f" ({why.words})"
        judged.append(
            Judged(
                facts=fact,
                verdict=verdict,
                cause=why.cause,
                confidence=why.confidence,
                reason=words,
                causes=why.shares,
                trail_causes=why.trail_shares,
                scene=scenes[number],
                broken=tuple(f.rule for f in found),
                weight=float(worth[number]),
                likeliest=why.likeliest,
                evidence=why.evidence,
            )
        )
    return JudgedRun(
        run=run,
        frames=tuple(judged),
        best_fwhm_px=levels.fwhm_px,
        mount=mount,
        levels=levels,
        limits=limits,
        optics=optics,
    )


def _asked(found: Sequence[Finding]) -> list[tuple[str, float]]:
    """Rules and excesses as causes are looked for by them: all rules of width ask for one."""
    asked: dict[str, float] = {}
    for one in found:
        rule = "fwhm_of_best" if one.rule in ("fwhm_px", "profile") else one.rule
        asked[rule] = max(one.excess, asked.get(rule, 0.0))
    return list(asked.items())


def _levels(facts: Sequence[FrameFacts], limits: Limits) -> RunLevels:
    """What the run's good frames look like.

    Trailed frames never say how wide a sharp star is, nor do ones whose sky was not solved,
    which may show a foreground; where a run has no others, those come next that lack less.
    Light can be compared only between exposures that are known.
    """
    wide = [fact for fact in facts if fact.shape_stars >= WIDTH_STARS]
    sharp = [fact for fact in wide if fact.motion.trail_px <= limits.trail_px.keep_up_to]
    choices = [
        [fact for fact in sharp if fact.light.pointing.solved],
        sharp,
        [fact for fact in wide if fact.light.pointing.solved],
        wide,
    ]
    best = next((choice for choice in choices if choice), [])
    timed = [fact for fact in facts if np.isfinite(fact.light.info.exposure_s)]
    return RunLevels(
        fwhm_px=percentile([fact.across_fwhm_px for fact in best], 10),
        stars=percentile([fact.stars for fact in timed], 80),
        sky=percentile([fact.light.measure.sky_level for fact in timed], 10),
    )


def would_keep(run: JudgedRun, frame: Judged, causes: Set[str], rules: Rules) -> bool:
    """Whether a frame would be kept if none of these causes had been at work."""
    causes = causes & frame.causes.keys()
    if frame.scene.clear is not True:  # whether more light would have shown more stars is unknown
        causes = causes - {"few-stars"}
    if not causes:
        return False
    fact = frame.facts
    motion = fact.motion
    left = max(1 - sum(frame.trail_causes.get(cause, 0.0) for cause in causes), 0.0)
    length = motion.trail_px * float(np.sqrt(left))
    if "untracked" in causes:
        length = float(np.fmax(length, _beside_the_sky_px(frame)))
    hidden = any(CAUSES[cause].hides_stars for cause in causes)
    motion = replace(
        motion,
        trail_px=length,
        trail_worst_px=length if "axis" in causes else motion.trail_worst_px * np.sqrt(left),
        turn_rad=0.0 if "axis" in causes else motion.turn_rad,
        doubled_px=NAN if "knock" in causes else motion.doubled_px,
    )
    fact = replace(
        fact,
        motion=motion,
        across_fwhm_px=_width_without(fact, run, causes),
        profile=NAN if "focus" in causes else fact.profile,
        # Of trails too long to be measured the few shapes that were are no stars'.
        ellipticity=NAN if hidden and left < 1e-6 else fact.ellipticity,
        extinction_mag=0.0 if "cloud" in causes else fact.extinction_mag,
        stars=int(max(fact.stars, run.levels.stars)) if hidden else fact.stars,
        shape_stars=max(fact.shape_stars, 1000) if hidden else fact.shape_stars,
    )
    if "bright-sky" in causes:
        measure = replace(fact.light.measure, sky_level=run.levels.sky)
        fact = replace(fact, light=replace(fact.light, measure=measure))
    info = fact.light.info
    return not _findings(fact, run.levels, rules.limits_for(info.lens, info.focal_mm))


def _beside_the_sky_px(frame: Judged) -> float:
    """Trail that a frame would surely have had on a drive, px: its second moment less that of the
    sky's own motion. NaN where it is not known how the sky moved."""
    scene, motion = frame.scene, frame.facts.motion
    angles = 2 * np.radians([motion.trail_angle_deg, scene.east_deg])
    squares = np.array([motion.trail_px, scene.sidereal_px]) ** 2
    own, sky = squares[:, None] * np.stack([np.cos(angles), np.sin(angles)], axis=1)
    doubt = 2 * (motion.trail_px * motion.trail_sigma_px + SIDEREAL_WITHIN * squares[1])
    return float(np.sqrt(max(np.hypot(*(own - sky)) - doubt, 0.0)))


def _width_without(fact: FrameFacts, run: JudgedRun, causes: Set[str]) -> float:
    """How wide a frame's stars would have been without these causes, px."""
    if "focus" in causes:  # a run in focus is no wider than the rule allows
        return float(np.fmin(run.levels.best_fwhm_px, run.limits.fwhm_px.keep_up_to))
    return run.levels.fwhm_px if "wind" in causes else fact.across_fwhm_px


def _findings(fact: FrameFacts, levels: RunLevels, limits: Limits) -> list[Finding]:
    """Every rule the frame does not meet."""
    found = _light_findings(fact, levels, limits)
    doubled = _above(
        "doubled_px",
        fact.motion.doubled_px,
        limits.doubled_px,
        "stars stand twice, {value} px apart",
    )
    trails = _trail_findings(fact, levels, limits)
    few = fact.shape_stars < limits.min_stars.at_least
    if few:
        # The plain shape of a few stars is luck.
        trails = [one for one in trails if one.rule != "ellipticity"]
    found += [doubled, *trails]
    if few:
        if doubled is None and not trails:
            found.append(_few_stars(fact, limits))
        return [f for f in found if f is not None]
    found += _width_findings(fact, levels, limits)
    return [f for f in found if f is not None]


def _width_findings(fact: FrameFacts, levels: RunLevels, limits: Limits) -> list[Finding | None]:
    """Stars wider than the lens is known to draw them; where nothing is known, too wide or flat."""
    focus, width = levels.focus, fact.across_fwhm_px
    best = focus.best
    words = f"FWHM {width:.1f} px"
    if best is not None and best.fwhm_px < levels.fwhm_px:
        digits = 1
        times = f"{words}, {{value}} times this lens's best, {best.fwhm_px:.1f} px {best.where}"
    else:
        digits = 2
        times = f"{words}, {{value}} times the run's best"
    ratio = width / levels.best_fwhm_px if levels.best_fwhm_px > 0 else NAN
    found = [_above("fwhm_of_best", ratio, limits.fwhm_of_best, times, digits)]
    if best is not None or not focus.soft(limits):
        return found
    found.append(_above("fwhm_px", width, limits.fwhm_px, "FWHM {value} px"))
    if focus.flat and fact.profile < FLAT_TOP_KURT:
        flat = "stars have flat tops, as those out of focus do"
        found.append(Finding("profile", 1, FLAT_TOP_KURT / fact.profile, flat))
    return found


def _light_findings(fact: FrameFacts, levels: RunLevels, limits: Limits) -> list[Finding | None]:
    """Rules of sky, transparency and star count."""
    timed = np.isfinite(fact.light.info.exposure_s)
    sky_ratio = fact.light.measure.sky_level / levels.sky if timed and levels.sky > 0 else NAN
    clearest = (
        "the night's clearest fields" if fact.by_other_fields else "the run's clearest frames"
    )
    found = [
        _above(
            "sky_of_darkest",
            sky_ratio,
            limits.sky_of_darkest,
            "sky {value} times the run's darkest",
        ),
        _above(
            "extinction_mag",
            fact.extinction_mag,
            limits.extinction_mag,
            f"stars {{value}} mag fainter than in {clearest}",
        ),
    ]
    fullness = fact.stars / levels.stars if timed and levels.stars > 0 else NAN
    clear = fact.extinction_mag <= limits.extinction_mag.keep_up_to
    # A trail or blur spreads faint stars under the noise: no loss of its own if the sky is clear.
    trailed = fact.motion.trail_px > limits.trail_px.keep_up_to
    blurred = clear and (trailed or fact.across_fwhm_px > 1.2 * levels.fwhm_px)
    long_trails = fact.motion.trail_px > 5
    if not (blurred or long_trails):
        words = "{value} of the run's star count"
        found.append(_below("stars_of_run", fullness, limits.stars_of_run, words))
    return found


def _clear(fact: FrameFacts, limits: Limits) -> bool | None:
    """Whether the frame's stars show a clear sky, or patchy cloud; None if they tell neither."""
    limit = limits.extinction_mag.keep_up_to
    if fact.clearness.patchy(limit):
        return False
    if fact.extinction_mag <= limit and fact.clearness.shows_no_cloud(limit):
        return True
    return None


def _trail_findings(fact: FrameFacts, levels: RunLevels, limits: Limits) -> list[Finding]:
    """The trail at the centre by all its rules, else at the corners, else the plain shape."""
    motion = fact.motion
    length = motion.trail_px
    across = length / levels.fwhm_px if levels.fwhm_px > 0 else NAN
    if not _judged_by_trail(motion, levels, limits):
        words = "ellipticity {value}"
        elliptic = _above("ellipticity", fact.ellipticity, limits.ellipticity, words, 2)
        return [elliptic] if elliptic else []
    towards = _towards(fact)
    trailed = f"trailed {{value}} px {towards}"
    if motion.in_pieces:
        trailed = f"trailed by more than {{value}} px {towards}, so far that trails break up"
    by_length = _above("trail_px", length, limits.trail_px, trailed)
    times = "{value} times the width of the run's sharp stars"
    first = "the trail is" if by_length else f"trailed {length:.1f} px {towards},"
    times = f"{first} {times}"
    by_width = _above("trail_of_fwhm", across, limits.trail_of_fwhm, times)
    found = [one for one in (by_length, by_width) if one is not None]
    limit = limits.trail_px.reject_over
    if not found and motion.trail_worst_px > limit:
        picture = (fact.light.measure.width_px, fact.light.measure.height_px)
        sharp = float(np.mean(trail_over_field(motion, picture, 25) <= limits.trail_px.keep_up_to))
        found.append(
            Finding(
                "trail_worst_px",
                1,
                motion.trail_worst_px / limit,
                f"the field turns: sharp in {sharp:.0%} of the picture, trailed"
                f" {motion.trail_worst_px:.1f} px in the worst corner, limit {limit:g}",
            )
        )
    return found


def _judged_by_trail(motion: Motion, levels: RunLevels, limits: Limits) -> bool:
    """Whether the trail decides, else the plain shape of the stars.

    A trail as long as the limit would have been seen; and one that is longer stands clear of its
    error, or it is no claim.
    """
    if motion.in_pieces:
        return True
    surely = motion.trail_px - CLEAR_SIGMAS * motion.trail_sigma_px > limits.trail_px.reject_over
    known = surely or motion.trail_sigma_px <= limits.trail_px.keep_up_to
    short = motion.trail_px <= limits.trail_px.keep_up_to and not (
        levels.fwhm_px > 0 and motion.trail_px > limits.trail_of_fwhm.keep_up_to * levels.fwhm_px
    )
    return known and (short or motion.directed)


def _lens_findings(optics: LensReport, limits: Limits, orientation: int = 0) -> list[Finding]:
    """What a decentred or tilted lens does to every frame, even the sharpest.

    A lens that draws its corners badly all round is as lenses are. Doubtful at worst: no other
    frame of this lens is better, and a person must say whether it is good enough.
    """
    if optics.frames < LENS_FRAMES:
        return []
    found = []
    decentred = optics.centre_stretch_px / limits.trail_px.reject_over
    if decentred > 1:
        words = (
            f"the lens draws stars in the middle {optics.centre_stretch_px:.1f} px long in its"
            f" sharpest frames too, limit {limits.trail_px.reject_over:g}"
        )
        found.append(Finding("lens", 1, decentred, words))
    sides = (
        (optics.tilt_x_fwhm_px, optics.left_fwhm_px, "right", "left"),
        (optics.tilt_y_fwhm_px, optics.upper_fwhm_px, "lower", "upper"),
    )
    for difference, width, one, other in sides:
        narrow = width + min(difference, 0.0)
        ratio = (narrow + abs(difference)) / narrow if narrow > 0 else NAN
        if ratio > limits.fwhm_of_best.reject_over:
            wide, sharp = (one, other) if difference > 0 else (other, one)
            wide, sharp = (edge_seen(edge, orientation) for edge in (wide, sharp))
            words = (
                f"stars at the {wide} edge {ratio:.1f} times as wide as at the {sharp} one in the"
                f" lens's sharpest frames too, limit {limits.fwhm_of_best.reject_over:g}"
            )
            found.append(Finding("lens", 1, ratio / limits.fwhm_of_best.reject_over, words))
    return found


def _few_stars(fact: FrameFacts, limits: Limits) -> Finding:
    need = limits.min_stars.at_least
    words = f"{fact.shape_stars} stars that can be measured, needs {need}"
    if fact.stars >= need and fact.shape_stars < need:
        words = f"{fact.stars} stars, but only {fact.shape_stars} can be measured, needs {need}"
    if fact.shape_stars == 0 and not has_one_width(shape_stars(fact.light.measure)):
        words = (
            f"{fact.stars} points of light without a width in common, as noise, clouds and ground "
            "have: it is not known whether its stars are sharp"
        )
    return Finding("min_stars", 2, need / max(fact.shape_stars, 0.5), words)


def _above(rule: str, value: float, limit: Ceiling, words: str, digits: int = 1) -> Finding | None:
    """A finding if the value is over its keeping limit; an unknown value is none.

    The words tell the value where `{value}` stands, to so many decimals.
    """
    if not value > limit.keep_up_to:
        return None
    rejected = value > limit.reject_over
    broken = limit.reject_over if rejected else limit.keep_up_to
    told = words.replace(VALUE, _shown(value, broken, digits, "f"))
    excess = value / max(limit.keep_up_to, 1e-9)
    return Finding(rule, 2 if rejected else 1, excess, f"{told}, limit {broken:g}")


def _below(rule: str, value: float, limit: Floor, words: str) -> Finding | None:
    """The same of a share that is under its limit, in percent."""
    if not value < limit.keep_from:
        return None
    rejected = value < limit.reject_below
    broken = limit.reject_below if rejected else limit.keep_from
    told = words.replace(VALUE, _shown(value, broken, 0, "%"))
    excess = limit.keep_from / max(value, 1e-3)
    return Finding(rule, 2 if rejected else 1, excess, f"{told}, limit {broken:.0%}")


def _shown(value: float, limit: float, digits: int, kind: str) -> str:
    """A value to so many decimals, to more where it would read as the limit itself."""
    for more in range(digits, digits + 4):
        shown = format(value, f".{more}{kind}")
        if shown != format(limit, f".{more}{kind}"):
            break
    return shown


def _towards(fact: FrameFacts) -> str:
    """Direction of the trail, on the sky where that is known."""
    angle = fact.light.pointing.position_angle_of(fact.motion.trail_angle_deg)
    if np.isfinite(angle):
        return f"along position angle {angle:.0f}°"
    return f"at {fact.motion.trail_angle_deg:.0f}° in the picture"


def _reason_kept(fact: FrameFacts, levels: RunLevels, limits: Limits) -> str:
    """What a kept frame was judged by, with the limit of that rule."""
    motion, width = fact.motion, f"FWHM {fact.fwhm_px:.1f} px"
    if _judged_by_trail(motion, levels, limits):
        return (
            f"sharp: trail {motion.trail_px:.1f} px, limit {limits.trail_px.keep_up_to:g}; {width}"
        )
    if not np.isfinite(fact.ellipticity):
        return width
    shape = f"ellipticity {fact.ellipticity:.2f}, limit {limits.ellipticity.keep_up_to:g}"
    if not np.isfinite(motion.trail_px):
        return f"{shape}; {width}"
    error = f"{motion.trail_px:.1f} ± {motion.trail_sigma_px:.1f} px"
    return f"round: {shape} (a trail of {error} is too uncertain to count); {width}"
