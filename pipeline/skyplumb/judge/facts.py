"""Everything the verdict of a frame is drawn from: shapes, trail, image drift and transparency."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from skyplumb.angles import between_axes_deg
from skyplumb.calibrate.lens_psf import (
    LensPsf,
    ShapeStars,
    field_shapes,
    lens_doubt_px2,
    lens_report,
)
from skyplumb.calibrate.lens_stars import sure_stars
from skyplumb.calibrate.light import Light, optics_key
from skyplumb.findings import LensReport
from skyplumb.judge.aims import OFTEN
from skyplumb.judge.clearness import UNTOLD, Clearness, clearness_of
from skyplumb.judge.doubled import FEWEST_PAIRS, Doubled, doubled_stars
from skyplumb.judge.drift import Drift, drifts
from skyplumb.judge.mean_star import double_peaks, excess_over_calm, hidden_px, tail_length_px
from skyplumb.judge.motion import (
    Motion,
    Stretch,
    motion_of,
    on_axis_astigmatism,
    or_rough,
    rough_motion,
    with_double,
)
from skyplumb.judge.runs import Run, settings_key
from skyplumb.judge.scene import Surroundings, surroundings_of
from skyplumb.judge.shaped import ShapesOf, shapes_of, untrailed
from skyplumb.judge.transparency import (
    extinctions_mag,
    lost_beside_other_fields_mag,
    zero_points_mag,
)
from skyplumb.judge.two_rests import calm_star, two_rests
from skyplumb.measure import shapes
from skyplumb.records import NAN, FieldShapes
from skyplumb.rowwise import Rows, medians

NEAR_FRAMES = 2
"""So many before and after a frame say how wide stars were about then."""
TAIL_FRAMES = 3
"""So many frames of a run at least show what the lens draws, as calm ones do."""
SAME_LINE_DEG = 20.0
MANY_STARS = 40
"""Half of so many have no neighbour at one and the same place by chance."""
LEAST_OF_RESTS_PX = 1.5
"""Shorter trails cost no frame."""
RESOLVED_SIGMAS, PARTED_SIGMAS = 2.0, 8.0


@dataclass(frozen=True, slots=True)
class FrameFacts:
    """Everything the verdict of one frame is drawn from."""

    light: Light
    stars: int
    """Stars the frame shows."""
    shape_stars: int
    """Stars whose shapes counted."""
    fwhm_px: float
    across_fwhm_px: float
    """FWHM across the trail: lens, focus and seeing without the motion."""
    ellipticity: float
    image_angle_deg: float
    motion: Motion
    drift: Drift
    extinction_mag: float
    field: FieldShapes
    """Some of its stars' shapes, for the page."""
    clearness: Clearness = UNTOLD
    around: Surroundings | None = None
    """None where nobody worked it out yet."""
    profile: float = NAN
    """Fourth moment of its stars, the trail taken out: 2 for a Gaussian, less for a flat top."""
    sure_stars: int = 0
    """Shapes that are surely of stars."""
    zero_mag: float = NAN
    """How much light came through, see `transparency.zero_points_mag`; NaN where unknown."""
    by_other_fields: bool = False
    """Whether `extinction_mag` is against the night's other fields, not the run's own frames."""


def frame_facts(
    runs: Sequence[Run], shaped: ShapesOf | None = None
) -> tuple[dict[str, list[FrameFacts]], dict[str, LensReport]]:
    """Facts of every frame, and what its lens does, by the name of the run.

    Each lens and aperture is learned from all its runs together, unless that was done.
    """
    if shaped is None:
        shaped = shapes_of([light for run in runs for light in run.lights])
    reports: dict[str, LensReport] = {}
    by_optics: dict[tuple[object, ...], list[Run]] = defaultdict(list)
    for run in runs:
        by_optics[optics_key(run.lights[0])].append(run)
    out: dict[str, list[FrameFacts]] = {}
    for group in by_optics.values():
        lights = [light for run in group for light in run.lights]
        known = shaped[optics_key(lights[0])]
        lens, kurt = known.lens, known.kurt
        shaped_frames = [known.stars[light.file] for light in lights]
        stretches = [known.stretches[light.file] for light in lights]
        all_drifts = [drift for run in group for drift in _drifts(run)]
        on_axis = on_axis_astigmatism(stretches, surely_drifts(lights, all_drifts), kurt)
        extinctions = np.concatenate([extinctions_mag(run.lights) for run in group])
        picture = (lights[0].measure.width_px, lights[0].measure.height_px)
        scale = np.radians(percentile([light.scale_arcsec_px for light in lights], 50) / 3600)
        corner = float(np.nan_to_num(np.hypot(*picture) / 2 * scale))
        motions = [
            motion_of(stretch, on_axis, drift, kurt, picture, corner)
            for stretch, drift in zip(stretches, all_drifts, strict=True)
        ]
        motions = _with_widening(lights, motions)
        usual = _usual_moments(shaped_frames)
        doubles = _doubles(lights, shaped_frames, motions, usual[:, 0], kurt)
        clear = _clearness(lights, doubles)
        facts = [
            _frame_facts(*parts, lens=lens, kurt=kurt)
            for parts in zip(
                *(
                    lights,
                    shaped_frames,
                    usual,
                    stretches,
                    motions,
                    doubles,
                    all_drifts,
                    extinctions,
                    clear,
                ),
                strict=True,
            )
        ]
        doubts = [lens_doubt_px2(lens, shaped) for shaped in shaped_frames]
        across = percentile([fact.motion.across_px2 for fact in facts], 20)
        zeros = zero_points_mag(lights)
        facts = [
            replace(fact, zero_mag=float(zero)) for fact, zero in zip(facts, zeros, strict=True)
        ]
        fields = [(_light_key(light), run.name) for run in group for light in run.lights]
        facts = _beside_other_fields(facts, fields)
        measure = lights[0].measure
        report = lens_report(
            lens, on_axis.stretch, across, measure.height_px / max(measure.width_px, 1)
        )
        start = 0
        for run in group:
            mine = slice(start, start + len(run.lights))
            # Tails are faint: other exposures and gains draw a star's wings another way.
            out[run.name] = _with_tails(facts[mine], doubts[mine])
            start += len(run.lights)
            reports[run.name] = report
    return out, reports


def _light_key(light: Light) -> tuple[object, ...] | None:
    """By what the light of frames can be compared; None where neither ISO nor gain, or no camera,
    lens or aperture is told."""
    info = light.info
    camera = info.serial or info.camera
    lens = info.lens or np.isfinite(info.focal_mm)
    gain = np.isfinite(info.iso) or np.isfinite(info.gain)
    return settings_key(light) if camera and lens and gain and np.isfinite(info.fnumber) else None


def _beside_other_fields(
    facts: Sequence[FrameFacts], fields: Sequence[tuple[object, object]]
) -> list[FrameFacts]:
    """The same, with what frames lack beside the night's other fields where that is more."""
    zeros = np.array([NAN if np.isfinite(f.motion.doubled_px) else f.zero_mag for f in facts])
    trails = np.array([fact.motion.trail_px for fact in facts])
    lost = lost_beside_other_fields_mag([fact.light for fact in facts], zeros, fields, trails)
    return [
        replace(fact, extinction_mag=float(one), by_other_fields=True)
        if one > np.nan_to_num(fact.extinction_mag)
        else fact
        for fact, one in zip(facts, lost, strict=True)
    ]


def surely_drifts(lights: Sequence[Light], drifts: Sequence[Drift]) -> list[Drift]:
    """What tells a lens from motion: where the aim is moved time and again, a move may undo the
    drift by chance, and of a frame moved before or after no third one says otherwise."""
    often = sum(light.moved for light in lights) > OFTEN * len(lights)
    return [Drift() if often and drift.one_sided else drift for drift in drifts]


def _with_widening(lights: Sequence[Light], motions: Sequence[Motion]) -> list[Motion]:
    """The same, with how much wider each frame's stars are than those around it of its lens."""
    order = sorted(range(len(lights)), key=lambda n: (lights[n].order_s, lights[n].file))
    across = np.array([motions[n].across_px2 for n in order])
    out = list(motions)
    for place, n in enumerate(order):
        sides = across[max(place - NEAR_FRAMES, 0) : place], across[place + 1 :][:NEAR_FRAMES]
        known = [side[np.isfinite(side)] for side in sides]
        if all(len(side) for side in known):
            # Focus that runs away is wider than the one side and narrower than the other.
            usual = max(float(np.median(side)) for side in known)
            out[n] = replace(motions[n], widened_px2=float(across[place]) - usual)
    return out


def _drifts(run: Run) -> list[Drift]:
    """Image drift of each frame; none of one without a time, which has no say in others'."""
    timed = [light for light in run.lights if light.timed]
    found = drifts(
        [light.pointing for light in timed],
        [light.mid_s for light in timed],
        [light.info.exposure_s for light in timed],
        [light.measure for light in timed],
        max((light.clock_step_s for light in timed), default=0.0),
        [light.moved for light in timed],
    )
    told = {light.file: drift for light, drift in zip(timed, found, strict=True)}
    return [told.get(light.file, Drift()) for light in run.lights]


def _usual_moments(frames: Sequence[ShapeStars]) -> NDArray[np.float64]:
    """Median of each moment of each frame's stars, shape (frames, 3), px^2; NaN without any."""
    rows = Rows([len(frame.place) for frame in frames])
    moments = np.concatenate([frame.moments for frame in frames])
    return np.stack([medians(rows.of(moments[:, n])) for n in range(3)], axis=1)


def _doubles(
    lights: Sequence[Light],
    shaped_frames: Sequence[ShapeStars],
    motions: Sequence[Motion],
    traces: NDArray[np.float64],
    kurt: float,
) -> list[Doubled]:
    """Which frames' stars stand twice: as two detections, else as two peaks of the mean star."""
    # Two rests widen the stars along their line; across it they are as wide as ever.
    narrow = shapes.fwhm_px(np.array([motion.across_px2 for motion in motions]), kurt)
    widths = np.where(np.isfinite(narrow), narrow, shapes.fwhm_px(traces / 2, kurt))
    # Of close pairs nearly all are blended; what is left does not tell how wide stars are.
    few = np.array([len(shaped.place) < FEWEST_PAIRS for shaped in shaped_frames])
    widths[few] = percentile([float(width) for width in widths[~few]], 50)
    out = [
        doubled_stars(light.measure, float(width), motion.trail_px)
        for light, width, motion in zip(lights, widths, motions, strict=True)
    ]
    asked = [
        n
        for n, shaped in enumerate(shaped_frames)
        if not out[n].seen and len(shaped.place) >= FEWEST_PAIRS and np.isfinite(widths[n])
    ]
    found = double_peaks([lights[n].measure.mean_star for n in asked])
    for n, doubled in zip(asked, found, strict=True):
        if doubled.seen and _of_every_star(doubled, motions[n], len(shaped_frames[n].place)):
            out[n] = doubled
    return _closer_doubles(out, asked, lights, motions)


def _closer_doubles(
    doubles: list[Doubled],
    asked: Sequence[int],
    lights: Sequence[Light],
    motions: Sequence[Motion],
) -> list[Doubled]:
    """The same with stars that stand twice closer than two peaks show, where some are calm."""
    trail = np.array([motion.trail_px for motion in motions])
    stars = [light.measure.mean_star for light in lights]
    angle = np.array([motion.trail_angle_deg for motion in motions])
    some = list(asked)
    calm = calm_star([stars[n] for n in some], trail[some], angle[some]) if some else None
    out = list(doubles)
    for n in asked:
        if calm is None or out[n].seen or not trail[n] > LEAST_OF_RESTS_PX:
            continue
        close = two_rests(stars[n], calm)
        if close.separation_px > RESOLVED_SIGMAS * float(np.sqrt(motions[n].across_px2)):
            out[n] = close
    return out


def _of_every_star(doubled: Doubled, motion: Motion, stars: int) -> bool:
    """Whether the two peaks of a mean star are those of every star.

    Images of standard deviation s have peaks of their own from 2 s apart on (Sparrow 1916), so
    that closer ones are noise; far apart ones are detections of their own. The stars of the
    picture are stretched along the peaks' line, unless they are so far apart that shapes follow
    the brighter one; the mean of few stars may then hold a neighbour.
    """
    sigmas = doubled.separation_px / float(np.sqrt(motion.across_px2))
    along = between_axes_deg(motion.trail_angle_deg, doubled.angle_deg) < SAME_LINE_DEG
    shared = stars >= MANY_STARS or (motion.directed and along)
    return RESOLVED_SIGMAS < sigmas < PARTED_SIGMAS and shared


def _clearness(lights: Sequence[Light], doubles: Sequence[Doubled]) -> list[Clearness]:
    """What each frame by itself says of the air; nothing where each star's light is parted."""
    single = [n for n, doubled in enumerate(doubles) if not doubled.seen]
    told = dict(zip(single, clearness_of([lights[n] for n in single]), strict=True))
    return [told.get(n, UNTOLD) for n in range(len(lights))]


def _frame_facts(
    light: Light,
    shaped: ShapeStars,
    usual: NDArray[np.float64],
    stretch: Stretch | None,
    motion: Motion,
    doubled: Doubled,
    drift: Drift,
    extinction: float,
    clearness: Clearness,
    *,
    lens: LensPsf,
    kurt: float,
) -> FrameFacts:
    """Put one frame's numbers together."""
    fwhm = across_fwhm = ellipticity = angle = NAN
    if len(shaped.place):
        trace, quadrupole_plus, quadrupole_cross = usual
        size = float(np.hypot(quadrupole_plus, quadrupole_cross))
        fwhm = float(shapes.fwhm_px(trace / 2, kurt))
        ellipticity = float(1 - np.sqrt(max(trace - size, 1e-6) / (trace + size)))
        angle = float(np.degrees(np.arctan2(quadrupole_cross, quadrupole_plus)) / 2)
    motion = with_double(motion, doubled)
    if not doubled.seen:
        rough = rough_motion(light.measure)
        motion = rough if stretch is None else or_rough(motion, rough)
    if motion.in_pieces:
        fwhm = ellipticity = NAN
    if motion.in_pieces and drift.length_px > motion.trail_px:
        motion = replace(motion, trail_px=drift.length_px, trail_sigma_px=drift.sigma_px)
    if np.isfinite(motion.across_px2):
        across_fwhm = float(shapes.fwhm_px(motion.across_px2, kurt))
    return FrameFacts(
        light=light,
        stars=light.measure.stars_found,
        shape_stars=len(shaped.place),
        fwhm_px=fwhm,
        across_fwhm_px=across_fwhm,
        ellipticity=ellipticity,
        image_angle_deg=angle,
        motion=motion,
        drift=drift,
        # Each image of a doubled star has a part of its light only.
        extinction_mag=NAN if doubled.seen else float(extinction),
        field=field_shapes(shaped, lens),
        clearness=clearness,
        around=surroundings_of(light),
        profile=float(untrailed([stretch])[0][0]) if stretch is not None else NAN,
        sure_stars=sure_stars(light),
    )


def _with_tails(facts: Sequence[FrameFacts], doubts: Sequence[float]) -> list[FrameFacts]:
    """The same, with the trail of frames of a run whose faint tails say more than their cores.

    Fewer frames than `TAIL_FRAMES` do not show what of a tail is the lens's.
    """
    if np.count_nonzero([np.isfinite(fact.motion.trail_px) for fact in facts]) < TAIL_FRAMES:
        return list(facts)
    trail = np.array([fact.motion.trail_px for fact in facts])
    angle = np.array([fact.motion.trail_angle_deg for fact in facts])
    stars = [fact.light.measure.mean_star for fact in facts]
    out = []
    for fact, excess in zip(
        facts, excess_over_calm(stars, trail, angle, np.array(doubts)), strict=True
    ):
        tail = None
        if not np.isfinite(fact.motion.doubled_px) and not fact.motion.in_pieces:
            tail = tail_length_px(excess, fact.motion.trail_px)
            if tail is None:
                error = np.hypot(
                    fact.motion.trail_sigma_px, hidden_px(excess, fact.motion.trail_px)
                )
                fact = replace(fact, motion=replace(fact.motion, trail_sigma_px=float(error)))
        if tail is not None:
            length, sigma, turned = tail
            motion = replace(
                fact.motion,
                trail_px=length,
                trail_sigma_px=sigma,
                trail_angle_deg=turned,
                trail_worst_px=max(length, fact.motion.trail_worst_px),
                tail=True,
            )
            fact = replace(fact, motion=motion)
        out.append(fact)
    return out


def percentile(values: Sequence[float], percent: float) -> float:
    """Of the known values; NaN if there are none."""
    finite = np.array([v for v in values if np.isfinite(v)])
    return float(np.percentile(finite, percent)) if len(finite) else NAN
