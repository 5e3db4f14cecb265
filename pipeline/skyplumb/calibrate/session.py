"""All frames of a session pointed, lens by lens, and what its clock and site are worth."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from skyplumb.calibrate.clock import CONTRADICTED, ClockVerdict, clock_verdict, given_of
from skyplumb.calibrate.lens_search import FoundLens, StarField, find_lens
from skyplumb.calibrate.light import Light, lens_key
from skyplumb.calibrate.sky import LiftedSky, ObservedSky, Site
from skyplumb.calibrate.solve import point_lens
from skyplumb.calibrate.zenith import Air, ZenithEvidence, evidence_of, refraction_of


@dataclass(frozen=True, slots=True)
class _Group:
    """Frames of one lens and what their stars alone say."""

    lights: list[Light]
    fields: list[StarField]
    found: FoundLens


def point_session(
    lights: Sequence[Light], say: Callable[[str], None]
) -> tuple[list[Light], list[str]]:
    """Solve every frame, lens by lens; the frames as they came, and what a reader must know.

    The stars are plate-solved without time and place. Then clock and site are held against them;
    where they are contradicted, the frames are pointed and judged without, `start_utc` None.
    """
    by_lens: dict[tuple[object, ...], list[Light]] = defaultdict(list)
    for light in lights:
        by_lens[lens_key(light)].append(light)
    groups = []
    for mine in by_lens.values():
        parts = _lens_groups(mine, say)
        groups += [
            replace(part, lights=[replace(light, lens_by_stars=number) for light in part.lights])
            for number, part in enumerate(parts)
        ]
    verdict, evidence = _clock(groups)
    pointed: list[Light] = []
    for group in groups:
        mine = group.lights
        if verdict.wrong:
            mine = [replace(light, start_utc=None) for light in mine]
        skies = _skies(group.fields, evidence, bool(verdict.wrong))
        solution = point_lens(group.fields, group.found, skies)
        pointed += [
            replace(light, pointing=pointing)
            for light, pointing in zip(mine, solution.pointings, strict=True)
        ]
    notices = [verdict.notice] if verdict.notice else []
    if not notices:
        notices = _unknowns(lights)
    order = {light.file: n for n, light in enumerate(lights)}
    return sorted(pointed, key=lambda light: order[light.file]), notices


def _lens_groups(lights: list[Light], say: Callable[[str], None]) -> list[_Group]:
    """Frames that the metadata gives to one lens, and apart those the stars give to another.

    Where no focal length is written, frames of several lenses or cameras may lie together.
    """
    focal_px = lights[0].focal_px
    fields = [_star_field(light) for light in lights]
    found = find_lens(fields, focal_px, say)
    if np.isfinite(focal_px) or not found.strangers or len(found.strangers) == len(lights):
        return [_Group(lights, fields, found)]
    others = set(found.strangers)
    parts = ([n for n in range(len(lights)) if n not in others], found.strangers)
    at_home, away = ([lights[n] for n in part] for part in parts)
    back = {n: k for k, n in enumerate(parts[0])}
    kept = replace(
        found,
        attitudes=[found.attitudes[n] for n in parts[0]],
        chosen=[back[n] for n in found.chosen],
        strangers=[],
    )
    return [_Group(at_home, [fields[n] for n in parts[0]], kept), *_lens_groups(away, say)]


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
    return (clock_verdict(given, evidence) if given else ClockVerdict()), evidence


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
            up = best.at(np.array([field.time_s]))[0]
            out.append(LiftedSky(field.sky.utc, up, evidence.amount))
        else:
            out.append(field.plain)
    return out


def _unknowns(lights: Sequence[Light]) -> list[str]:
    """What is not known of clock and site, with the mend."""
    notices = []
    if any(light.start_utc is None and light.clocked for light in lights):
        notices.append(
            "The time zone of the camera's clock is unknown, so UTC, altitude and all that needs "
            "them are left empty; give clock: utc_offset_h in the night notes."
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
