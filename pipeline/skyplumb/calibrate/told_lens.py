"""What files tell of focal length and pixel size, held against the scale that the stars show.

An adapter or a manual lens leaves an old focal length in the header; a cropped, scaled or binned
picture keeps the pixel size of the whole. Scale is focal length over pixel size, so that the stars
tell which of either fits the other, and not which of them is wrong. A lens that tells nothing
gets a focal length, and a name, by its scale and the pixel size of its body.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

import numpy as np

from skyplumb.calibrate.camera import Camera
from skyplumb.calibrate.light import Light
from skyplumb.digits import counted, named

WRONG_BY = 0.1
"""Focal lengths are marked, and written, to some 5 %, and the fit of a very wide lens is off by
less than that (common practice, no source); extenders and reducers change them by 15 % or more."""


def times_told(light: Light, camera: Camera | None) -> float | None:
    """How much longer a lens is by its stars than its header says; None where that fits, or one
    of both is unknown."""
    if camera is None or not np.isfinite(light.focal_px):
        return None
    times = camera.focal_px / light.focal_px
    return times if abs(np.log(times)) > np.log1p(WRONG_BY) else None


def stated_wrongly(lenses: Iterable[tuple[Sequence[Light], Camera | None]]) -> list[str]:
    """A line for each lens whose header is wrong, with the values that fit.

    Parameters
    ----------
    lenses : iterable
        Frames of one lens, and the camera that their stars show.
    """
    lines = []
    for lights, camera in lenses:
        times = times_told(lights[0], camera)
        if times is None or camera is None:
            continue
        info = lights[0].info
        lines.append(
            f"{counted(len(lights), 'frame')} with {info.focal_mm:.4g} mm and pixels of "
            f"{info.pixel_um:.3g} µm in the header ({named([one.file for one in lights])}): the "
            f"header is wrong. The stars show {camera.scale_arcsec_px:.4g} arcsec/px, which is "
            f"{info.focal_mm * times:.3g} mm at that pixel size, or pixels of "
            f"{info.pixel_um / times:.3g} µm at that focal length. Give focal_mm in the night "
            "notes, as it is at the pixel size of the header."
        )
    return lines


STEPS = ((2.0, 0.05), (5.0, 0.1), (10.0, 0.5))
"""Up to each, times a power of ten, a focal length is named in such steps: to 1 to 5 %, as lenses
are marked, so that a focus that moves does not make two lenses of one."""


def lens_by_stars(
    lights: Sequence[Light], camera: Camera | None, others: Sequence[Light]
) -> list[Light]:
    """Frames of one lens that tell no focal length, with the one that the stars show.

    Unchanged where the header tells one, no frame was solved, or no pixel size is known.

    Parameters
    ----------
    lights : sequence of Light
    camera : Camera or None
        That their stars show.
    others : sequence of Light
        Of the session: pictures of one body and size have pixels of one size.
    """
    info = lights[0].info
    if camera is None or np.isfinite(info.focal_mm):
        return list(lights)
    pixel_um = _pixel_um(lights[0], [*lights, *others])
    if not np.isfinite(pixel_um):
        return list(lights)
    focal_mm = as_marked(camera.focal_px * pixel_um / 1000)
    lens = info.lens or f"{focal_mm:g} mm (by the stars)"
    out = []
    for one in lights:
        told = replace(one.info, focal_mm=focal_mm, lens=lens, pixel_um=pixel_um)
        out.append(replace(one, notes=replace(one.notes, info=told)))
    return out


def as_marked(focal_mm: float) -> float:
    """A focal length in steps as lenses are marked."""
    ten = 10.0 ** np.floor(np.log10(focal_mm))
    step = next(step for below, step in STEPS if focal_mm / ten < below)
    return float(f"{round(focal_mm / ten / step) * step * ten:.3g}")


def _pixel_um(light: Light, others: Sequence[Light]) -> float:
    """Its pixel size, else the middle one of those that its body tells; NaN if unknown."""
    if np.isfinite(light.info.pixel_um):
        return light.info.pixel_um
    told = [one.info.pixel_um for one in others if _pictures_of(one) == _pictures_of(light)]
    known = [pitch for pitch in told if np.isfinite(pitch)]
    return float(np.median(known)) if known and light.info.camera else np.nan


def _pictures_of(light: Light) -> tuple[object, ...]:
    measure, info = light.measure, light.info
    return info.serial or info.camera, measure.width_px, measure.height_px
