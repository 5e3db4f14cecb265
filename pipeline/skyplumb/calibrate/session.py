"""All frames of a session pointed, lens by lens, and what its clock and site are worth."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import timedelta

import numpy as np

from skyplumb.calibrate.clock import (
    CONTRADICTED,
    FITS,
    ClockVerdict,
    Given,
    clock_verdict,
    contradiction,
    given_of,
    misfit_at,
)
from skyplumb.calibrate.lens_search import FoundLens, StarField, find_lens, replace_sky
from skyplumb.calibrate.light import SAME_SCALE, Light, lens_key
from skyplumb.calibrate.sky import LiftedSky, ObservedSky, Site
from skyplumb.calibrate.solve import point_lens
from skyplumb.calibrate.told_lens import lens_by_stars, stated_wrongly, times_told
from skyplumb.calibrate.zenith import Air, ZenithEvidence, evidence_of, refraction_of
from skyplumb.digits import named
from skyplumb.night.lens import SCALE_FIELDS, without_assumptions
from skyplumb.night.shot import OtherClock, Session
from skyplumb.records import NAN


@dataclass(frozen=True, slots=True)
class _Group:
    """Frames of one lens and what their stars alone say."""

    lights: list[Light]
    fields: list[StarField]
    found: FoundLens


def point_session(
    lights: Sequence[Light], say: Callable[[str], None], clock: Session | None = None
) -> tuple[list[Light], list[str]]:
    """Solve every frame, lens by lens; the frames as they came, and what a reader must know.

    The stars are plate-solved without time and place. Then clock and site are held against them;
    where they are contradicted, the frames are pointed and judged without, `start_utc` None.

    Parameters
    ----------
    lights : sequence of Light
        Of one session.
    say : callable
        Told when a pattern database is made.
    clock : Session, optional
        Whose word the time is, and whether another clock is spoken for as well.
    """
    clock = clock or Session("", ())
    groups, notices = _by_lens(lights, say)
    notices += stated_wrongly((group.lights, group.found.camera) for group in groups)
    if clock.other_clock is not None:
        groups, line = _one_of_two(groups, clock, clock.other_clock)
        notices.append(line)
    verdict, evidence = _clock(groups)
    pointed: list[Light] = []
    for group in groups:
        mine = lens_by_stars(group.lights, group.found.camera, lights)
        if verdict.wrong:
            mine = [replace(light, start_utc=None) for light in mine]
        skies = _skies(group.fields, evidence, bool(verdict.wrong))
        solution = point_lens(group.fields, group.found, skies)
        pointed += [
            replace(light, pointing=pointing)
            for light, pointing in zip(mine, solution.pointings, strict=True)
        ]
    if verdict.notice:
        notices.append(verdict.notice)
    if not verdict.wrong and clock.other_clock is None:
        notices += _unknowns(lights, clock.clock_why_not)
    order = {light.file: n for n, light in enumerate(lights)}
    return sorted(pointed, key=lambda light: order[light.file]), notices


def _by_lens(lights: Sequence[Light], say: Callable[[str], None]) -> tuple[list[_Group], list[str]]:
    """Frames of each lens, solved by their stars alone.

    A lens that a frame lacks and has from its neighbours is believed where its stars have that
    lens's scale; where only one neighbour told it, nowhere else.
    """
    groups = _groups_of(lights, say)
    own: dict[str, Light] = {}
    for group in groups:
        for light, attitude in zip(group.lights, group.found.attitudes, strict=True):
            lens_taken = {*SCALE_FIELDS} & {*light.taken_over}
            if lens_taken and (attitude is None or light.lens_by_stars):
                own[light.file] = light
    if not own:
        return groups, []
    # Solved without the lens that was taken for theirs.
    refuted = []
    for part in _groups_of([_by_itself(light) for light in own.values()], say):
        for light, attitude in zip(part.lights, part.found.attitudes, strict=True):
            assumed, camera = own[light.file], part.found.camera
            if attitude is None or camera is None:
                wrong = assumed.shot is not None and assumed.shot.doubtful_lens
            else:
                wrong = not abs(camera.focal_px / assumed.focal_px - 1) < SAME_SCALE
            if wrong:
                refuted.append(light)
    if not refuted:
        return groups, []
    files = [light.file for light in refuted]
    by_file = {light.file: light for light in refuted}
    anew = _groups_of([by_file.get(light.file, light) for light in lights], say)
    return anew, [
        f"{named(files)}: the lens is unknown; the stars do not have the scale of the neighbours' "
        "lens. Give focal_mm and lens_name in the night notes."
    ]


def _by_itself(light: Light) -> Light:
    """The frame with the lens that its file alone tells."""
    assert light.shot is not None
    shot = without_assumptions(light.shot)
    return replace(light, notes=shot.notes, shot=shot)


def _groups_of(lights: Sequence[Light], say: Callable[[str], None]) -> list[_Group]:
    """Frames of each lens, solved by their stars alone.

    A body whose header is wrong for one lens may be so for the next, by as much.
    """
    by_lens: dict[tuple[object, ...], list[Light]] = defaultdict(list)
    for light in lights:
        by_lens[lens_key(light)].append(light)
    groups: list[_Group] = []
    wrong_by: dict[str, dict[float, None]] = defaultdict(dict)
    for mine in by_lens.values():
        told_px, body = mine[0].focal_px, mine[0].info.serial or mine[0].info.camera
        parts = _lens_groups(mine, told_px, say, [told_px * times for times in wrong_by[body]])
        for number, part in enumerate(parts):
            of_part = [replace(light, lens_by_stars=number) for light in part.lights]
            groups.append(replace(part, lights=of_part))
            if (times := times_told(part.lights[0], part.found.camera)) is not None:
                wrong_by[body][round(times, 2)] = None
    return groups


def _one_of_two(
    groups: Sequence[_Group], clock: Session, other: OtherClock
) -> tuple[list[_Group], str]:
    """The frames by the one of two clocks that the stars speak for; without UTC if for neither."""
    evidence, given = _evidence(groups)
    first = second = np.nan
    believed = False
    if given is not None:
        first = misfit_at(given, evidence)
        second = misfit_at(given, evidence, -other.later_h)
        better = 0.0 if first < second else -other.later_h
        believed = not contradiction(given, evidence, better)
    words = f"Two clocks are possible: {clock.clock_words}, and {other.words}."
    if believed and abs(first - second) > FITS:
        by = clock.clock_words if first < second else other.words
        moved = timedelta(hours=0.0 if first < second else other.later_h)
        return _with_utc(groups, moved), f"{words} The stars fit the one of {by}, which was taken."
    return _with_utc(groups, None), (
        f"{words} The stars do not show which is right, so UTC, altitude and all that needs them "
        "are left empty; give clock: utc_offset_h in the night notes."
    )


def _with_utc(groups: Sequence[_Group], moved: timedelta | None) -> list[_Group]:
    """The groups with UTC moved, or None."""
    out = []
    for group in groups:
        lights = [
            light
            if light.start_utc is None
            else replace(light, start_utc=None if moved is None else light.start_utc + moved)
            for light in group.lights
        ]
        # Where the stars are seen without regard to place and hour stays as it was solved.
        fields = [
            replace_sky(field, ObservedSky(light.mid_utc, _site(light)))
            for field, light in zip(group.fields, lights, strict=True)
        ]
        out.append(replace(group, lights=lights, fields=fields))
    return out


def _lens_groups(
    lights: list[Light],
    focal_px: float,
    say: Callable[[str], None],
    otherwise_px: Sequence[float] = (),
) -> list[_Group]:
    """Frames that the metadata gives to one lens, and apart those the stars give to another.

    Where no focal length is written, frames of several lenses or cameras may lie together; where
    one is, it may be that of the night's other lens or picture size.
    """
    fields = [_star_field(light) for light in lights]
    found = find_lens(fields, focal_px, say, otherwise_px)
    if not found.strangers or len(found.strangers) == len(lights):
        return [_Group(lights, fields, found)]
    others = set(found.strangers)
    parts = ([n for n in range(len(lights)) if n not in others], found.strangers)
    at_home, away = ([lights[n] for n in part] for part in parts)
    back = {n: k for k, n in enumerate(parts[0])}
    kept = replace(
        found,
        attitudes=[found.attitudes[n] for n in parts[0]],
        chosen=[back[n] for n in found.chosen],
        interpolated=[back[n] for n in found.interpolated],
        strangers=[],
    )
    others_px = found.strange_focal_px if np.isfinite(focal_px) else NAN
    return [
        _Group(at_home, [fields[n] for n in parts[0]], kept),
        *_lens_groups(away, others_px, say),
    ]


def _star_field(light: Light) -> StarField:
    info = light.info
    return StarField(
        light.measure,
        ObservedSky(light.mid_utc, _site(light)),
        light.mid_s if light.clocked else float("nan"),
        (info.ra_hint_deg, info.dec_hint_deg),
    )


def _clock(groups: Sequence[_Group]) -> tuple[ClockVerdict, ZenithEvidence | None]:
    """Clock and site against the stars of all lenses together."""
    evidence, given = _evidence(groups)
    return (clock_verdict(given, evidence) if given else ClockVerdict()), evidence


def _evidence(groups: Sequence[_Group]) -> tuple[ZenithEvidence | None, Given | None]:
    """What the stars of all lenses say of the zenith, and clock and site as they are given."""
    fields = [
        field
        for group in groups
        for field, attitude in zip(group.fields, group.found.attitudes, strict=True)
        if attitude is not None and np.isfinite(field.time_s)
    ]
    site = next((field.sky.site for field in fields if field.sky.site is not None), None)
    lenses = [
        refraction
        for group in groups
        if (refraction := refraction_of(group.fields, group.found)) is not None
    ]
    evidence = evidence_of(lenses, Air.over(site))
    given = given_of([(field.sky.utc, field.time_s) for field in fields], site)
    return evidence, given


def _skies(
    fields: Sequence[StarField], evidence: ZenithEvidence | None, wrong: bool
) -> list[ObservedSky]:
    """The sky each frame is believed to be of.

    Without a time and site to believe, refraction is that of the zenith which the stars show,
    where they clearly show one.
    """
    best = evidence.best if evidence is not None else None
    clear = best is not None and evidence is not None and evidence.misfit(None) > CONTRADICTED
    out = []
    for field in fields:
        if field.sky.observed and not wrong:
            out.append(field.sky)
        elif clear and best is not None and evidence is not None and np.isfinite(field.time_s):
            up = best.at(field.time_s)
            out.append(LiftedSky(field.sky.utc, up, evidence.amount))
        else:
            out.append(field.plain)
    return out


def _unknowns(lights: Sequence[Light], why_not: str) -> list[str]:
    """What is not known of clock and site, with the mend."""
    notices = []
    if any(light.start_utc is None and light.clocked for light in lights):
        why_not = why_not or "give clock: utc_offset_h in the night notes"
        notices.append(
            "The time zone of the camera's clock is unknown, so UTC, altitude and all that needs "
            f"them are left empty: {why_not}."
        )
    if any(light.start_utc is not None and _site(light) is None for light in lights):
        notices.append(
            "The site is unknown, so altitude, gravity and refraction are; give site in the "
            "night notes."
        )
    return notices


def _site(light: Light) -> Site | None:
    info = light.info
    if not (np.isfinite(info.latitude_deg) and np.isfinite(info.longitude_deg)):
        return None
    return Site(info.latitude_deg, info.longitude_deg, info.height_m)
