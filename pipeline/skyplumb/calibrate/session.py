"""All frames of a session pointed, lens by lens, and what its clock and site are worth."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np

from skyplumb.calibrate.light import Light, lens_key
from skyplumb.calibrate.pointing import StarField, solve_lens
from skyplumb.calibrate.sky import ObservedSky, Site

SUN_UP_STARS = 20
"""So many stars do not show with the Sun above the horizon: the clock or the site is wrong."""


def point_session(
    lights: Sequence[Light], say: Callable[[str], None]
) -> tuple[list[Light], list[str]]:
    """Solve every frame, lens by lens; the frames as they came, and what a reader must know."""
    groups: dict[tuple[object, ...], list[Light]] = defaultdict(list)
    for light in lights:
        groups[lens_key(light)].append(light)
    pointed: list[Light] = []
    notices: list[str] = []
    for group in groups.values():
        info = group[0].info
        focal_px = info.focal_mm / info.pixel_um * 1000.0
        frames = [ObservedSky(light.mid_utc, _site(light)) for light in group]
        wrong = _sun_is_up(group, frames)
        solution = None
        if not wrong:
            solution = solve_lens(_exposures(group, frames), focal_px, say)
            wrong = solution.below_horizon
        if wrong or solution is None:
            notices.append(
                "The clock or the site is wrong: the frames would have been taken "
                f"{'by day' if solution is None else 'below the horizon'}. Nothing that needs "
                "the time was computed; give clock and site in the night notes."
            )
            group = [replace(light, start_utc=None) for light in group]
            frames = [ObservedSky(None, None) for _ in group]
            solution = solve_lens(_exposures(group, frames), focal_px, say)
        if solution.fisheye:
            notices.append(f"{info.lens or 'A lens'} is a fisheye: judged without pointing.")
        pointed += [
            replace(light, pointing=pointing)
            for light, pointing in zip(group, solution.pointings, strict=True)
        ]
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
    order = {light.file: n for n, light in enumerate(lights)}
    return sorted(pointed, key=lambda light: order[light.file]), list(dict.fromkeys(notices))


def _exposures(group: Sequence[Light], frames: Sequence[ObservedSky]) -> list[StarField]:
    return [StarField(light.measure, frame) for light, frame in zip(group, frames, strict=True)]


def _site(light: Light) -> Site | None:
    info = light.info
    if not (np.isfinite(info.latitude_deg) and np.isfinite(info.longitude_deg)):
        return None
    return Site(info.latitude_deg, info.longitude_deg, info.height_m)


def _sun_is_up(group: Sequence[Light], frames: Sequence[ObservedSky]) -> bool:
    """Whether starry frames would have been taken by day."""
    starry = [
        frame.sun_altitude_deg()
        for light, frame in zip(group, frames, strict=True)
        if len(light.measure.stars) >= SUN_UP_STARS
    ]
    known = [altitude for altitude in starry if np.isfinite(altitude)]
    return bool(known) and float(np.median(known)) > 0
