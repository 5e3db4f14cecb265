"""A lens that is found -> where each of its frames pointed.

Every frame is fitted under the sky it is believed to be of, with refraction and the Earth's turn
(see `zenith`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from skyplumb.calibrate.camera import Camera, fit_camera
from skyplumb.calibrate.lens_search import (
    START_PX,
    FoundLens,
    LensSearch,
    StarField,
    find_lens,
    seen_by,
)
from skyplumb.calibrate.matching import Matches, match_stars
from skyplumb.calibrate.plate_solving import (
    FittedFrame,
    centre_sigma_of,
    fit_frames,
)
from skyplumb.calibrate.pointing import Pointing, with_places
from skyplumb.calibrate.sky import ObservedSky, carry
from skyplumb.rowwise import AT_ONCE

Floats = NDArray[np.float64]

STRONG_SNR = 20.0
FEWEST_STRONG = 5


@dataclass(frozen=True, slots=True)
class LensSolution:
    """All frames of one camera and lens."""

    camera: Camera | None
    pointings: list[Pointing]


def solve_lens(exposures: Sequence[StarField], focal_px: float) -> LensSolution:
    """Point every frame of one camera and lens, taking clock and site as they are given.

    Parameters
    ----------
    exposures : sequence of StarField
        In order of time, all of one picture size.
    focal_px : float
        Focal length over pixel pitch, a prior good to some 30 %; NaN if unknown.
    """
    found = find_lens(exposures, focal_px)
    return point_lens(exposures, found, [exposure.sky for exposure in exposures])


def point_lens(
    exposures: Sequence[StarField], found: FoundLens, skies: Sequence[ObservedSky]
) -> LensSolution:
    """Point every frame again under the sky it is believed to be of.

    Parameters
    ----------
    exposures : sequence of StarField
    found : FoundLens
        Of the same frames.
    skies : sequence of ObservedSky
        Of each frame.
    """
    camera = found.camera
    if camera is None:
        return LensSolution(None, [Pointing(why_not=_why(e)) for e in exposures])
    starts = [
        carry(attitude, exposure.plain, sky) if attitude is not None else None
        for exposure, attitude, sky in zip(exposures, found.attitudes, skies, strict=True)
    ]
    camera, starts = _fitted_again(exposures, found.chosen, skies, camera, starts)
    pointings = _pointed(exposures, skies, camera, starts)
    missed = [n for n in found.interpolated if not pointings[n].solved]
    if missed:
        search = LensSearch(exposures, camera.focal_px, camera=found.camera)
        search.attitudes = [None if n in missed else a for n, a in enumerate(found.attitudes)]
        search.visit(missed)
        for n in missed:
            start = search.attitudes[n]
            if start is not None and search.camera is found.camera:
                start = carry(start, exposures[n].plain, skies[n])
                (pointings[n],) = _pointed([exposures[n]], [skies[n]], camera, [start])
    return LensSolution(camera, pointings)


def _fitted_again(
    exposures: Sequence[StarField],
    chosen: Sequence[int],
    skies: Sequence[ObservedSky],
    camera: Camera,
    starts: list[Floats | None],
) -> tuple[Camera, list[Floats | None]]:
    """The camera fitted anew under other skies."""
    out = list(starts)
    sigma_px = 2.0
    for _ in range(2):
        sets: dict[int, Matches] = {}
        for n in chosen:
            attitude = out[n]
            if attitude is not None:
                matches = match_stars(exposures[n].stars, skies[n], camera, attitude, sigma_px)
                if matches.certain:
                    sets[n] = matches
        if not sets:
            return camera, out
        bent, moved = fit_camera(
            camera,
            [matches.matched for matches in sets.values()],
            [a for n in sets if (a := out[n]) is not None],
            centre_sigma_of(camera),
        )
        if not (np.isfinite([bent.focal_px, *bent.radial]).all() and bent.grows()):
            break
        out = seen_by(bent, camera, out)
        camera = bent
        for n, attitude in zip(sets, moved, strict=True):
            out[n] = attitude
        sigma_px = 1.2 * float(np.median([matches.sigma_px for matches in sets.values()])) + 0.1
    return camera, out


def _pointed(
    exposures: Sequence[StarField],
    skies: Sequence[ObservedSky],
    camera: Camera,
    starts: Sequence[Floats | None],
) -> list[Pointing]:
    """Pointings of frames from starts within a few pixels."""
    out = [Pointing(why_not=_why(exposure)) for exposure in exposures]
    known = [(n, start) for n, start in enumerate(starts) if start is not None]
    for begin in range(0, len(known), AT_ONCE):
        some = dict(known[begin : begin + AT_ONCE])
        frames, mine = [exposures[n].stars for n in some], [skies[n] for n in some]
        fits = fit_frames(frames, mine, camera, list(some.values()), START_PX)
        for n, fitted in zip(some, fits, strict=True):
            if fitted is None:
                out[n] = Pointing(why_not="too few catalogue stars fit the picture")
            else:
                out[n] = _pointing_of(exposures[n], skies[n], camera, fitted)
    return out


def _pointing_of(
    exposure: StarField, sky: ObservedSky, camera: Camera, fitted: FittedFrame
) -> Pointing:
    """What a fit says of one frame."""
    fit, matches = fitted.fit, fitted.matches
    strong = exposure.measure.stars["snr"][matches.star] > STRONG_SNR
    used = fit.residuals[strong] if np.count_nonzero(strong) >= FEWEST_STRONG else fit.residuals
    pointing = Pointing(
        solved=True,
        camera=camera,
        sky=sky,
        attitude=fit.attitude,
        covariance=fit.covariance,
        star=matches.star,
        catalogue=matches.catalogue,
        rms_px=float(np.sqrt(np.mean(used**2))),
    )
    return with_places(pointing, sky)


def _why(exposure: StarField) -> str:
    count = len(exposure.measure.stars)
    if count < 5:
        return f"only {count} stars were found"
    return "no star pattern of the catalogue fits"
