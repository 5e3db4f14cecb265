"""The judged test frames of one night -> the answer: what to turn, set, expose, and shoot next.

Frames are grouped by placement; the newest placement is answered, and compared with the one before.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np
from scipy.special import betaincinv

from skyplumb.calibrate.light import Light
from skyplumb.calibrate.sky import SIDEREAL_RATE_ARCSEC_S
from skyplumb.check.drive import Drive, drive_of
from skyplumb.check.exposures import SURE_SIGMAS, Beyond, KnownLens, Longest, beyond_of
from skyplumb.check.turns import (
    WORTH,
    Axis,
    Moved,
    axis_of,
    moved_since,
    one_part_of_the_sky,
    without_idle_turns,
)
from skyplumb.digits import counted
from skyplumb.intake.rules import Limits
from skyplumb.judge.calibrated import Calibrated
from skyplumb.judge.facts import FrameFacts
from skyplumb.judge.mount import FEWEST_FRAMES, MountFit
from skyplumb.judge.verdict import LENS_FRAMES, Judged, JudgedRun
from skyplumb.night.shot import Session
from skyplumb.orientation import edge_seen
from skyplumb.records import NAN

FEW = 3
"""So many of the newest frames say how things are now."""
FWHM_OF_TRAIL2 = 8 * np.log(2) / 12
"""A trail of length L adds so much of L^2 to a width squared: its variance is L^2 / 12."""
SHAKEN = ("wind", "knock")
ALIKE = 1.5
"""Trails that differ by more than so many times are not of one drift."""
LONG_PX = 10.0
"""Trails from which on a frame may not be found on the sky."""
SHORT_S = 2.0
"""An exposure that shows what a drive does through most lenses."""
SLIP_FRAMES = 6
"""A slip that sets in among the frames is sought from so many on, see `judge/mount`."""
PERIODIC_FRAMES = 8


@dataclass(frozen=True, slots=True)
class Drift:
    """How the stars of the newest frame moved or were drawn, which one frame tells too."""

    px_a_min: float
    sigma_px_a_min: float
    position_angle_deg: float
    """Towards where, 0 to 360; of a trail alone (`axis_only`) 0 to 180."""
    axis_only: bool
    in_the_picture: bool
    """Whether the angle is one of the picture (from +x towards +y), the sky not being solved."""


@dataclass(frozen=True, slots=True)
class Focus:
    """How wide the newest frames' stars are across any trail."""

    fwhm_px: float
    best_px: float = NAN
    where: str = ""
    again: bool = False
    """Whether to focus again."""


@dataclass(frozen=True, slots=True)
class Shaking:
    """Gusts, knocks and slip among the newest placement's frames."""

    frames: int
    shaken: int
    share_up_to: float
    """Share of all frames that may be shaken so, 95 %."""
    slip_arcsec_per_min: float = NAN
    slip_sigma: float = NAN


@dataclass(frozen=True, slots=True)
class Answer:
    """All that a few test frames tell."""

    session: str
    camera: str
    lens: str
    frames: int
    """Of the newest placement."""
    exposure_s: float
    newest: datetime | None
    """Start of the newest frame by the camera's clock."""
    newest_file: str
    placement: int
    placements: int
    solved: int
    """How many of the frames are plate-solved."""
    axis: Axis
    drive: Drive
    drift: Drift | None
    longest: Longest | None
    other_lenses: tuple[Longest, ...]
    focus: Focus | None
    lens_faults: tuple[str, ...]
    shaking: Shaking
    cannot_tell: tuple[str, ...]
    take_next: str
    notices: tuple[str, ...] = ()


def answer_of(
    session: Session,
    calibrated: Calibrated,
    judged: Sequence[JudgedRun],
    season: Sequence[KnownLens] = (),
) -> Answer:
    """What the frames of one night tell; at least one of them is a light frame."""
    lights = sorted(
        (light for run in calibrated.runs for light in run.lights),
        key=lambda one: (one.order_s, one.file),
    )
    newest = lights[-1]
    placements = list(dict.fromkeys(light.notes.setup for light in lights))
    mine = [light for light in lights if light.notes.setup == newest.notes.setup]
    fit = calibrated.mounts[newest.notes.setup]
    run = next(one for one in judged if newest in one.run.lights)
    frames = [
        frame
        for one in judged
        for frame in one.frames
        if frame.facts.light.notes.setup == newest.notes.setup
    ]
    facts = next(one.facts for one in run.frames if one.facts.light is newest)
    beyond = beyond_of(fit)
    axis = axis_of(fit, mine, beyond)
    limit = limit_px(run.limits, run.levels.fwhm_px)
    lens = KnownLens(_lens_name(newest), newest.info.focal_mm, newest.scale_arcsec_px, limit)
    aim = next((one for one in reversed(mine) if one.pointing.solved), None)
    longest: Longest | None = None
    others: tuple[Longest, ...] = ()
    if beyond is not None and aim is not None:
        if axis.known:
            axis = _worth_turning(axis, beyond, [lens, *season])
        longest, *rest = (_longest(one, beyond, axis, aim) for one in (lens, *season))
        others = tuple(
            one for one in rest if (one.lens, one.focal_mm) != (lens.name, lens.focal_mm)
        )
    all_facts = [frame.facts for frame in frames]
    drive = drive_of(fit, beyond, all_facts, lens)
    drift = _drift(facts, [frame.facts for frame in run.frames])
    if longest is None and drift is not None and limit > 0:
        longest = Longest(
            lens.name, lens.focal_mm, limit, _by_drift(limit, drift, 0.0),
            _by_drift(limit, drift, SURE_SIGMAS),
        )  # fmt: skip
    if len(placements) > 1:
        there = [light for light in lights if light.notes.setup == placements[-2]]
        axis = replace(axis, moved=_moved(calibrated, there, axis, [lens, *season]))
    return Answer(
        session=session.name,
        camera=newest.info.camera,
        lens=lens.name,
        frames=len(mine),
        exposure_s=newest.info.exposure_s,
        newest=newest.info.clock,
        newest_file=newest.file,
        placement=len(placements),
        placements=len(placements),
        solved=sum(light.pointing.solved for light in mine),
        axis=axis,
        drive=drive,
        drift=drift,
        longest=longest,
        other_lenses=others,
        focus=_focus(run),
        lens_faults=_lens_faults(run, newest.info.orientation),
        shaking=_shaking(frames, fit),
        cannot_tell=_cannot_tell(mine, fit, axis),
        take_next=_take_next(mine, fit, axis, drive, [one.motion.trail_px for one in all_facts]),
        notices=calibrated.notices,
    )


def limit_px(limits: Limits, fwhm_px: float) -> float:
    """Longest trail that is kept, px, with stars so wide."""
    return float(np.fmin(limits.trail_px.keep_up_to, limits.trail_of_fwhm.keep_up_to * fwhm_px))


def _lens_name(light: Light) -> str:
    focal = f"{light.info.focal_mm:g} mm" if np.isfinite(light.info.focal_mm) else "lens unknown"
    return light.info.lens or focal


def _moved(
    calibrated: Calibrated, lights: Sequence[Light], now: Axis, lenses: Sequence[KnownLens]
) -> tuple[Moved, ...]:
    """What was turned since the placement of these lights."""
    fit = calibrated.mounts[lights[0].notes.setup]
    beyond = beyond_of(fit)
    before = axis_of(fit, lights, beyond)
    if beyond is not None and before.known:
        before = _worth_turning(before, beyond, lenses)
    return moved_since(before, now)


def _worth_turning(axis: Axis, beyond: Beyond, lenses: Sequence[KnownLens]) -> Axis:
    """The axis without turns that would not lengthen the exposures of the finest lens."""
    finest = min((one.scale_arcsec_px * one.limit_px for one in lenses), default=NAN)
    if not np.isfinite(finest):
        return axis
    longest: dict[tuple[int, ...], float] = {}
    choices: tuple[tuple[int, ...], ...] = ((), (0,), (1,), (0, 1))
    for some in choices:
        turned = beyond.without(*some)
        direction, altitude, _ = turned.worst()
        longest[some] = turned.longest_s(finest, direction, altitude)
    return without_idle_turns(axis, longest)


def _longest(lens: KnownLens, beyond: Beyond, axis: Axis, aim: Light) -> Longest:
    """Of one lens, with the axis as it is and as it would be."""
    limit = lens.limit_px * lens.scale_arcsec_px
    here = aim.pointing.middle_direction()
    altitude = aim.pointing.altitude_deg

    def both(way: Beyond) -> tuple[float, float, str]:
        direction, up, where = way.worst()
        return way.longest_s(limit, here, altitude), way.longest_s(limit, direction, up), where

    here_s, worst_s, where = both(beyond)
    turned_here, turned_worst = NAN, NAN
    told = [n for n, turn in enumerate(axis.turns) if turn.told]
    if told:
        turned_here, turned_worst, _ = both(beyond.without(*told))
    sure = beyond.longest_s(limit, here, altitude, SURE_SIGMAS)
    return Longest(
        lens.name, lens.focal_mm, lens.limit_px, here_s, sure, worst_s, where, turned_here,
        turned_worst,
    )  # fmt: skip


def _by_drift(limit: float, drift: Drift, sigmas: float) -> float:
    speed = drift.px_a_min + sigmas * drift.sigma_px_a_min
    return 60 * limit / speed if speed > 0 else NAN


def _drift(facts: FrameFacts, run: Sequence[FrameFacts]) -> Drift | None:
    """By the frames beside it, else by the frame's own trail; None where neither tells.

    The same drift draws alike in all frames of a run: where they differ something else drew them,
    or they are so long that each was found in pieces.
    """
    light, moved, drawn = facts.light, facts.drift, facts.motion
    minutes = light.info.exposure_s / 60
    if not minutes > 0:
        return None
    by_neighbours = np.isfinite(moved.length_px)
    if by_neighbours:
        length, sigma, angle = moved.length_px, moved.sigma_px, moved.angle_deg
    else:
        length, sigma, angle = drawn.known_px, drawn.trail_sigma_px, drawn.trail_angle_deg
    if not np.isfinite(length):
        return None
    if not by_neighbours:
        rates = [one.motion.known_px / one.light.info.exposure_s for one in run]
        if np.nanmax(rates) > ALIKE * np.nanmin(rates):
            return None
    pointing = light.pointing
    on_sky = pointing.way_pa_deg(angle) if by_neighbours else pointing.position_angle_of(angle)
    solved = bool(np.isfinite(on_sky))
    told = on_sky if solved else angle % (360 if by_neighbours else 180)
    return Drift(length / minutes, sigma / minutes, told, not by_neighbours, not solved)


def _focus(run: JudgedRun) -> Focus | None:
    """The newest frames beside the best that is known; those that trail too far to be measured
    across are left out."""
    wide = [
        frame.facts.across_fwhm_px
        for frame in run.frames[-FEW:]
        if np.isfinite(frame.facts.across_fwhm_px) and not frame.facts.motion.trail_px > LONG_PX
    ]
    if not wide:
        return None
    now, own = float(np.median(wide)), run.levels
    best = own.focus.best
    if best is None:
        soft = own.focus.soft(run.limits) or now > run.limits.fwhm_of_best.keep_up_to * own.fwhm_px
        return Focus(now, again=bool(soft))
    again = now > run.limits.fwhm_of_best.keep_up_to * best.fwhm_px
    return Focus(now, best.fwhm_px, best.where, again)


def _lens_faults(run: JudgedRun, orientation: int) -> tuple[str, ...]:
    """Tilt and corners where they make stars wider by more than a tenth."""
    optics, width = run.optics, run.levels.fwhm_px
    if optics.frames < LENS_FRAMES or not width > 0:
        return ()
    out = []
    sides = (
        (optics.tilt_x_fwhm_px, optics.left_fwhm_px, "right", "left"),
        (optics.tilt_y_fwhm_px, optics.upper_fwhm_px, "lower", "upper"),
    )
    for difference, first, one, other in sides:
        narrow = first + min(difference, 0.0)
        more = abs(difference) / narrow if narrow > 0 else NAN
        if more > WORTH - 1:
            wide, sharp = (one, other) if difference > 0 else (other, one)
            wide, sharp = (edge_seen(edge, orientation) for edge in (wide, sharp))
            out.append(f"tilt: stars {more:.0%} wider at the {wide} edge than at the {sharp} one")
    corner = float(np.sqrt(1 + FWHM_OF_TRAIL2 * optics.corner_stretch_px**2 / width**2))
    if corner > WORTH:
        out.append(f"corners: stars up to {corner - 1:.0%} longer than in the middle")
    return tuple(out)


def _shaking(frames: Sequence[Judged], fit: MountFit) -> Shaking:
    shaken = sum(frame.cause in SHAKEN for frame in frames)
    count = len(frames)
    up_to = NAN
    if count:
        # Clopper and Pearson 1934: for none of n it is 1 - 0.05^(1/n).
        up_to = float(betaincinv(shaken + 1, count - shaken, 0.95)) if shaken < count else 1.0
    return Shaking(count, shaken, up_to, fit.slip_arcsec_per_min, fit.slip_sigma)


def _cannot_tell(lights: Sequence[Light], fit: MountFit, axis: Axis) -> tuple[str, ...]:
    """What so few frames leave open, the most important first."""
    out = []
    if axis.known and one_part_of_the_sky(lights) and not np.isfinite(fit.slip_arcsec_per_min):
        out.append("this axis error from a head that slips all along")
    if len(lights) < SLIP_FRAMES and not fit.why_not:
        out.append("a slip that begins among them")
    if fit.periodic is None and len(lights) < PERIODIC_FRAMES:
        out.append("a periodic error")
    return tuple(out)


def _take_next(
    lights: Sequence[Light],
    fit: MountFit,
    axis: Axis,
    drive: Drive,
    trails_px: Sequence[float],
) -> str:
    """The frames that would tell more; empty where the frames leave nothing of weight open."""
    exposure = lights[-1].info.exposure_s
    each = f" of {exposure:.0f} s" if np.isfinite(exposure) else ""
    if axis.notes_line:
        return ""
    solved = [light for light in lights if light.pointing.solved]
    lost = min(FEWEST_FRAMES, len(lights)) - len(solved)
    known = [one for one in trails_px if np.isfinite(one)]
    if lost > 0 and known and np.median(known) > LONG_PX:
        # So short that a drive which stands, or turns the wrong way, draws little.
        scales = [one.scale_arcsec_px for one in lights if np.isfinite(one.scale_arcsec_px)]
        sky = 2 * SIDEREAL_RATE_ARCSEC_S
        short = LONG_PX * min(scales) / sky if scales else SHORT_S
        if short < exposure / 2:
            return f"four of {max(round(short), 1)} s: these trail too far to be found on the sky"
    if not solved:
        return "one of 10 s with a short lens, in focus and without cloud: no sky was recognised"
    if fit.untracked or drive.state == "wrong":
        return f"four{each} in a row, once the drive is set right"
    if not fit.sign_known:
        return f"two{each} in a row, touching nothing"
    missing = FEWEST_FRAMES - len(solved)
    if missing > 0:
        return f"{counted(missing, 'more frame')}{each}, the same aim, touching nothing"
    if one_part_of_the_sky(lights):
        return f"two more{each} toward {_other_side(solved[-1])}, over 30° from here"
    if not axis.known:
        return f"four{each} in a row, touching nothing"
    return ""


def _other_side(light: Light) -> str:
    """The side of the meridian that the frame does not look to."""
    azimuth = light.pointing.azimuth_deg
    if not np.isfinite(azimuth):
        return "another part of the sky"
    return "the west" if 0 <= azimuth % 360 < 180 else "the east"
