"""Light frames of one session -> runs: same body, lens, settings and part of the sky."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from skyplumb.angles import rotation, turn_of
from skyplumb.calibrate.almanac import constellations
from skyplumb.calibrate.light import SAME_SCALE, Light, optics_key
from skyplumb.calibrate.pointing import Pointing
from skyplumb.calibrate.registration import register
from skyplumb.calibrate.sky import SIDEREAL_RATE_ARCSEC_S
from skyplumb.digits import counted
from skyplumb.night.lens import LONGEST_GAP
from skyplumb.records import ShotInfo

LONGEST_FILTER = 12
"""Letters of a filter's name in that of a run."""
SAME_EXPOSURE = 0.04
"""Exposures that differ less are one setting: shutters and clocks round."""
RESTS_WITHIN_PX, RESTS_WITHIN = 2.0, 0.01
"""How far a camera at rest may turn: what pointings leave open with a tripod that settles, and a
share of how far the sky turned, for a clock that runs fast or slow and for refraction (common
practice, no source)."""
RESTS_CLEARLY = 3.0
"""So many times that, the sky has to have turned before a camera is told to be at rest."""


@dataclass(frozen=True, slots=True)
class Run:
    """Frames that are judged together."""

    name: str
    lights: tuple[Light, ...]
    constellation: str = ""
    """That its first solved frame pointed at; empty if unknown."""

    @property
    def settings(self) -> ShotInfo:
        """Metadata of its first frame that tells its exposure, else of its first."""
        return _settings(self.lights)

    @property
    def first_pointing(self) -> Pointing | None:
        """Of its first solved frame; None if there is none."""
        return next((one.pointing for one in self.lights if one.pointing.solved), None)


def group_runs(lights: Sequence[Light]) -> list[Run]:
    """Group frames in order of time.

    A frame joins the latest run of its settings whose first solved frame lies within half a
    field of its own pointing, or whose camera has stood still under the sky ever since; one that
    was not solved joins the run before it. Without a clock nothing lies before it: then its stars
    must be those of the run's first frame.
    """
    groups: list[list[Light]] = []
    settings: list[tuple[object, ...]] = []
    exposures: list[float] = []
    ordered = sorted(lights, key=lambda one: (one.order_s, one.file))
    for light, exposure_s in zip(ordered, _exposure_settings(ordered), strict=True):
        key = settings_key(light)
        home = None
        for number in range(len(groups) - 1, -1, -1):
            if settings[number] != key or light.notes.setup != groups[number][0].notes.setup:
                continue
            same = same_exposure(exposures[number], exposure_s)
            if same and _same_field(groups[number], light):
                home = number
                break
        if home is None:
            groups.append([light])
            settings.append(key)
            exposures.append(exposure_s)
        else:
            groups[home].append(light)
    return _with_constellations(
        [Run(_name(n, _settings(group)), tuple(group)) for n, group in enumerate(groups, 1)]
    )


def _with_constellations(runs: Sequence[Run]) -> list[Run]:
    """The same, each in the constellation of its first solved frame; all are asked for at once."""
    firsts = {run.name: first for run in runs if (first := run.first_pointing) is not None}
    found = constellations(
        [first.ra_deg for first in firsts.values()], [first.dec_deg for first in firsts.values()]
    )
    named = dict(zip(firsts, found, strict=True))
    return [replace(run, constellation=named.get(run.name, run.constellation)) for run in runs]


def settings_key(light: Light) -> tuple[object, ...]:
    """What all frames of a run share besides exposure, placement and aim."""
    info = light.info
    return (*optics_key(light), info.iso if np.isfinite(info.iso) else None, *info.setting)


def _settings(lights: Sequence[Light]) -> ShotInfo:
    told = (one.info for one in lights if np.isfinite(one.info.exposure_s))
    return next(told, lights[0].info)


def _exposure_settings(ordered: Sequence[Light]) -> list[float]:
    """The exposure each frame belongs to, s: its own, else that of both frames around it.

    Without one it is judged by its shape, but with its neighbours; where these differ, or many
    in a row lack it (bulb), it is unknown (NaN).
    """
    own = [light.info.exposure_s for light in ordered]
    out = list(own)
    for n, light in enumerate(ordered):
        if np.isfinite(own[n]):
            continue
        sides = []
        for reach in (range(n - 1, n - 1 - LONGEST_GAP, -1), range(n + 1, n + 1 + LONGEST_GAP)):
            there = [m for m in reach if 0 <= m < len(own) and np.isfinite(own[m])]
            if there and settings_key(ordered[there[0]]) == settings_key(light):
                sides.append(own[there[0]])
        if sides and same_exposure(sides[0], sides[-1]):
            out[n] = sides[0]
    return out


def same_exposure(ours_s: float, theirs_s: float) -> bool:
    """Whether two exposures are one setting; unknown ones (NaN) are."""
    if not (np.isfinite(ours_s) and np.isfinite(theirs_s)):
        return bool(np.isfinite(ours_s) == np.isfinite(theirs_s))
    return abs(ours_s - theirs_s) <= SAME_EXPOSURE * max(ours_s, theirs_s)


def _same_field(group: Sequence[Light], light: Light) -> bool:
    """Within half a field of the run's first frame, by the same lens."""
    first = next((one.pointing for one in group if one.pointing.solved), None)
    here = light.pointing
    if not light.clocked and (first is None or not here.solved):
        return register(group[0].measure, light.measure) is not None
    if first is None or not here.solved or first.camera is None:
        return True
    if (
        here.camera is not None
        and abs(here.camera.focal_px / first.camera.focal_px - 1) > SAME_SCALE
    ):
        return False
    ra, dec = np.radians([first.ra_deg, here.ra_deg]), np.radians([first.dec_deg, here.dec_deg])
    cosine = np.sin(dec[0]) * np.sin(dec[1]) + np.cos(dec[0]) * np.cos(dec[1]) * np.cos(
        ra[0] - ra[1]
    )
    last = next(one for one in reversed(group) if one.pointing.solved)
    if _stood_still(last, light):
        return True
    camera = first.camera
    narrow = 2 * np.degrees(np.arctan(min(camera.width_px, camera.height_px) / 2 / camera.focal_px))
    return bool(np.degrees(np.arccos(np.clip(cosine, -1, 1))) <= narrow / 2)


def _stood_still(before: Light, after: Light) -> bool:
    """Whether the camera was at rest from one frame to the other: the sky alone turned.

    A tracker that followed the stars would have turned as far as the sky did, so it has to have
    turned by far more than what times and pointings leave open.
    """
    seconds = after.mid_s - before.mid_s
    here, there = after.pointing, before.pointing
    if not (before.timed and after.timed and seconds > 0) or here.sky is None or there.sky is None:
        return False
    turned = np.radians(SIDEREAL_RATE_ARCSEC_S * seconds / 3600.0)
    rests = there.attitude
    if not (here.sky.observed and there.sky.observed):
        rests = rests @ rotation(np.array([0.0, 0.0, -turned]))
    left = float(np.linalg.norm(turn_of(here.attitude @ rests.T)))
    clock = max(before.clock_step_s, after.clock_step_s) * SIDEREAL_RATE_ARCSEC_S
    allowed = np.radians((clock + RESTS_WITHIN_PX * here.scale_arcsec_px) / 3600.0)
    turned = abs((turned + np.pi) % (2 * np.pi) - np.pi)  # a day later the stars are back
    return bool(left < allowed + RESTS_WITHIN * turned and turned > RESTS_CLEARLY * allowed)


def _name(number: int, info: ShotInfo) -> str:
    """Such as 02-85mm-120s or 02-85mm-120s-OIII, for people and file names."""
    focal = f"{info.focal_mm:g}mm" if np.isfinite(info.focal_mm) else "lens-unknown"
    exposure = f"{info.exposure_s:.4g}s" if np.isfinite(info.exposure_s) else "time-unknown"
    through = "".join(c for c in info.filter_name if c.isascii() and c.isalnum())[:LONGEST_FILTER]
    return "-".join([f"{number:02d}", focal, exposure, *([through] if through else [])])


def exposure_notices(lights: Sequence[Light]) -> list[str]:
    """What start-to-start times say of exposures that are missing or cannot be true."""
    unknown: list[float] = []
    too_long = 0
    cameras: dict[str, list[Light]] = {}
    for light in lights:
        if light.clocked:
            cameras.setdefault(light.info.serial or light.info.camera, []).append(light)
    for mine in cameras.values():
        mine = sorted(mine, key=lambda one: one.order_s)
        for light, later in pairwise(mine):
            gap = later.order_s - light.order_s
            exposure = light.info.exposure_s
            if not np.isfinite(exposure):
                unknown.append(gap)
            elif 0 < gap < 0.98 * exposure - 1:
                too_long += 1
    notices = []
    if unknown:
        notices.append(
            f"{counted(len(unknown), 'frame')} without an exposure time; until the next one began, "
            f"the shortest had {min(unknown):.0f} s: give exposure_s in the night notes."
        )
    if too_long:
        notices.append(
            f"{counted(too_long, 'frame')} would have lasted longer than until the next one began: "
            "the clock or the exposure time is wrong."
        )
    return notices
