"""What files tell of focal length and pixel size, held against the scale that the stars show.

An adapter or a manual lens leaves an old focal length in the header; a cropped, scaled or binned
picture keeps the pixel size of the whole. Scale is focal length over pixel size, so that the stars
tell which of either fits the other, and not which of them is wrong.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

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
