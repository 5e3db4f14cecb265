"""Star tables -> where each frame of a lens pointed: recognition, one camera, every frame again.

The first pass knows neither time nor place: what the catalogue says of the stars alone. So a
wrong clock never costs the sky. The second is given the sky of each frame, with refraction and
the Earth's turn, once that is believed (see `zenith`).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from skyplumb.angles import rotation
from skyplumb.calibrate.camera import Camera, fit_camera
from skyplumb.calibrate.matching import FEWEST_MATCHES, Pairs, pair_stars
from skyplumb.calibrate.pointing import Pointing, with_places
from skyplumb.calibrate.recognition import (
    BETTER_LOG_ODDS,
    HINTED_MISSES,
    WHOLE,
    FittedFrame,
    Grown,
    Start,
    centre_sigma_of,
    fit_frame,
    grow,
    lens_laws,
    recognise,
)
from skyplumb.calibrate.sky import SIDEREAL_RATE_ARCSEC_S, ObservedSky
from skyplumb.measure.flags import BIT
from skyplumb.records import NAN, Measure

Floats = NDArray[np.float64]

CALIBRATION_FRAMES = 8
MOST_MISSES = 6
"""A lens that fails so often at every scale would cost more than it can give."""
START_PX = 4.0
"""How far off a neighbour's attitude is expected to be, at first."""
FAR_START_PX = 20.0
"""The same on a second try, for a tracker that drifts."""
OTHER_SCALE = 0.01
"""Scales that differ by more are two lenses'; focus and air change them less."""
STRONG_SNR = 20.0
FEWEST_STRONG = 5


@dataclass(frozen=True, slots=True)
class StarField:
    """One light frame as the solver needs it."""

    measure: Measure
    sky: ObservedSky
    """The sky at the middle of the exposure, by clock and site as they are given."""
    time_s: float = NAN
    """Middle of the exposure on the camera's own clock, s from any origin; NaN if unknown."""
    hint_deg: tuple[float, float] = (NAN, NAN)
    """Right ascension and declination that the header or the notes give, roughly."""
    plain: ObservedSky = field(init=False)
    """Where the stars are seen without regard to place and hour: with the aberration of the
    season alone, which a clock off by hours leaves right."""

    def __post_init__(self) -> None:
        object.__setattr__(self, "plain", ObservedSky(self.sky.utc, None))


@dataclass(frozen=True, slots=True)
class FoundLens:
    """What the stars alone say of the frames of one lens."""

    camera: Camera | None
    attitudes: list[Floats | None]
    """From each frame's `plain` sky to camera axes; None if it was not recognised."""
    chosen: list[int] = field(default_factory=list)
    """The frames the camera was fitted to."""
    strangers: list[int] = field(default_factory=list)
    """Frames that were recognised as another lens's."""


@dataclass(frozen=True, slots=True)
class LensSolution:
    """All frames of one camera and lens."""

    camera: Camera | None
    pointings: list[Pointing]


CATALOGUE_SKY = ObservedSky(None, None)


def solve_lens(
    exposures: Sequence[StarField],
    focal_px: float,
    say: Callable[[str], None] | None = None,
) -> LensSolution:
    """Point every frame of one camera and lens, taking clock and site as they are given.

    Parameters
    ----------
    exposures : sequence of StarField
        In order of time, all of one picture size.
    focal_px : float
        Focal length over pixel pitch, a prior good to some 30 %; NaN if unknown.
    say : callable, optional
        Told when a pattern database is made.
    """
    found = find_lens(exposures, focal_px, say)
    return point_lens(exposures, found, [exposure.sky for exposure in exposures])


def find_lens(
    exposures: Sequence[StarField],
    focal_px: float,
    say: Callable[[str], None] | None = None,
) -> FoundLens:
    """Recognise the frames by their stars alone and fit their camera; parameters as above."""
    camera: Camera | None = None
    attitudes: list[Floats | None] = [None] * len(exposures)
    misses, odds, replaced = 0, 0.0, False
    strangers: set[int] = set()
    for number, exposure in enumerate(exposures):
        if camera is not None:
            attitudes[number] = _near_neighbours(exposures, attitudes, number, camera)
        if attitudes[number] is None and (np.isfinite(focal_px) or misses < MOST_MISSES):
            hint = exposure.hint_deg if misses < HINTED_MISSES else (NAN, NAN)
            start = _recognised(exposure.measure, focal_px, say, camera, hint)
            misses += start is None
            if start is None:
                continue
            if camera is not None and start.log_odds > odds and not _alike(camera, start.camera):
                # The lens was taken from a poorer frame, and wrongly: begin again with this one.
                attitudes = [None] * len(exposures)
                camera, replaced = None, True
            if camera is None:
                camera, odds = start.camera, start.log_odds
            if _alike(camera, start.camera):
                attitudes[number] = carry(start.attitude, CATALOGUE_SKY, exposure.plain)
            else:
                strangers.add(number)
    if camera is None:
        return FoundLens(None, attitudes)
    for number in range(len(exposures)):
        if attitudes[number] is None:
            attitudes[number] = _near_neighbours(exposures, attitudes, number, camera)
        if attitudes[number] is None and replaced:
            start = _recognised(exposures[number].measure, camera.focal_px, say, camera)
            if start is not None and _alike(camera, start.camera):
                attitudes[number] = carry(start.attitude, CATALOGUE_SKY, exposures[number].plain)
            elif start is not None:
                strangers.add(number)
    left = sorted(n for n in strangers if attitudes[n] is None)
    return replace(_calibrated(exposures, camera, attitudes), strangers=left)


def _alike(one: Camera, other: Camera) -> bool:
    """Whether two fits are of one lens: the same way round, and of one scale."""
    scale = abs(one.focal_px / other.focal_px - 1)
    return one.parity == other.parity and scale < OTHER_SCALE


def _recognised(
    measure: Measure,
    focal_px: float,
    say: Callable[[str], None] | None,
    known: Camera | None,
    hint_deg: tuple[float, float] = (NAN, NAN),
) -> Start | None:
    """One frame by itself: by the known lens, or, where its scale does not fit, by any."""
    start = recognise(measure, focal_px, say, known, hint_deg)
    if start is None or known is None or not _alike(known, start.camera):
        return start
    fitted = fit_frame(measure, CATALOGUE_SKY, known, start.attitude, FAR_START_PX, True)
    if fitted is None or _scale_off(fitted, known) < OTHER_SCALE:
        return start
    return recognise(measure, focal_px, say, None, hint_deg) or start


def _near_neighbours(
    exposures: Sequence[StarField],
    attitudes: Sequence[Floats | None],
    number: int,
    camera: Camera,
) -> Floats | None:
    """Attitude of a frame from where the frames before and after it pointed."""
    exposure = exposures[number]
    if len(exposure.measure.stars) < FEWEST_MATCHES:
        return None
    earlier = next((n for n in range(number - 1, -1, -1) if attitudes[n] is not None), None)
    later = next((n for n in range(number + 1, len(attitudes)) if attitudes[n] is not None), None)
    for near in (earlier, later):
        if near is None:
            continue
        there = attitudes[near]
        assert there is not None
        for start in _carried(there, exposure.time_s - exposures[near].time_s):
            for sigma_px in (START_PX, FAR_START_PX):
                fitted = fit_frame(exposure.measure, exposure.plain, camera, start, sigma_px, True)
                if fitted is not None and _scale_off(fitted, camera) < OTHER_SCALE:
                    return fitted.attitude
    return None


def _scale_off(fitted: FittedFrame, camera: Camera) -> float:
    """How far off the camera's scale is by what a frame's pairs leave, as a part of it.

    The middle of another lens's frame of the same aim still fits, to some pixels.
    """
    from_middle = fitted.pairs.matched.pixels - camera.middle
    size2 = float(np.sum(from_middle**2))
    return abs(float(np.sum(from_middle * fitted.residuals))) / size2 if size2 > 0 else 0.0


def _carried(attitude: Floats, seconds: float) -> Iterator[Floats]:
    """An attitude among the stars later on: of a camera that follows them, of one at rest."""
    yield attitude
    if np.isfinite(seconds) and seconds != 0:
        # The camera at rest turns eastwards among the stars.
        turn = np.radians(SIDEREAL_RATE_ARCSEC_S * seconds / 3600.0)
        yield attitude @ rotation(np.array([0, 0, -turn]))


def _calibrated(
    exposures: Sequence[StarField], camera: Camera, attitudes: list[Floats | None]
) -> FoundLens:
    """One camera from the frames with the most stars, of the law that fits them best."""
    parity = camera.parity
    solved = [n for n, attitude in enumerate(attitudes) if attitude is not None]
    # Sharp frames with many stars, from anywhere in the night.
    order = sorted(solved, key=lambda n: (-_sharpness(exposures[n].measure), n))
    chosen = sorted(order[:CALIBRATION_FRAMES])
    if order:
        better = _law(exposures[order[0]], camera, attitudes[order[0]])
        turn = _turn_between(camera, better)
        attitudes = [a if a is None else turn @ a for a in attitudes]
        camera = better
    grown = grow(
        [exposures[n].measure for n in chosen],
        [exposures[n].plain for n in chosen],
        replace(camera, parity=parity),
        [a for n in chosen if (a := attitudes[n]) is not None],
        WHOLE,
    )
    if grown is None:
        return FoundLens(camera, attitudes, chosen)
    out = list(attitudes)
    for n, attitude in zip(chosen, grown.attitudes, strict=True):
        out[n] = attitude
    return FoundLens(grown.camera, out, chosen)


def _turn_between(old: Camera, new: Camera) -> Floats:
    """What turns attitudes of one camera so that another sees the middle at the same place."""
    from scipy.spatial.transform import Rotation

    middle = np.array([old.width_px, old.height_px]) / 2
    pixels = middle + 0.2 * old.height_px * np.array([[0, 0], [1, 0], [-1, 0], [0, 1], [0, -1]])
    turn, _ = Rotation.align_vectors(new.directions(pixels), old.directions(pixels))
    return np.asarray(turn.as_matrix())


def _law(exposure: StarField, camera: Camera, attitude: Floats | None) -> Camera:
    """The camera, of the law of projection that fits the frame with the most stars."""
    best: Grown | None = None
    for law in lens_laws(camera):
        if attitude is None:
            break
        if law.projection == camera.projection:
            grown = grow([exposure.measure], [exposure.plain], camera, [attitude], WHOLE)
        else:
            grown = grow([exposure.measure], [exposure.plain], law, [attitude])
        if grown and (best is None or grown.log_odds > best.log_odds + BETTER_LOG_ODDS):
            best = grown
    return best.camera if best else camera


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
    pointings = []
    for exposure, sky, start in zip(exposures, skies, starts, strict=True):
        pointings.append(_pointed(exposure, sky, camera, start))
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
        sets: dict[int, Pairs] = {}
        for n in chosen:
            attitude = out[n]
            if attitude is not None:
                pairs = pair_stars(exposures[n].measure, skies[n], camera, attitude, sigma_px)
                if pairs.certain:
                    sets[n] = pairs
        if not sets:
            return camera, out
        bent, moved = fit_camera(
            camera,
            [pairs.matched for pairs in sets.values()],
            [a for n in sets if (a := out[n]) is not None],
            centre_sigma_of(camera),
        )
        if not (np.isfinite([bent.focal_px, *bent.radial]).all() and bent.grows()):
            break
        camera = bent
        for n, attitude in zip(sets, moved, strict=True):
            out[n] = attitude
        sigma_px = 1.2 * float(np.median([pairs.sigma_px for pairs in sets.values()])) + 0.1
    return camera, out


def _pointed(
    exposure: StarField, sky: ObservedSky, camera: Camera, start: Floats | None
) -> Pointing:
    """Pointing of one frame from a start within a few pixels."""
    if start is None:
        return Pointing(why_not=_why(exposure))
    fitted = fit_frame(exposure.measure, sky, camera, start, START_PX)
    if fitted is None:
        return Pointing(why_not="too few catalogue stars fit the picture")
    residuals, pairs = fitted.residuals, fitted.pairs
    strong = exposure.measure.stars["snr"][pairs.star] > STRONG_SNR
    used = residuals[strong] if np.count_nonzero(strong) >= FEWEST_STRONG else residuals
    pointing = Pointing(
        solved=True,
        camera=camera,
        sky=sky,
        attitude=fitted.attitude,
        covariance=fitted.covariance,
        star=pairs.star,
        catalogue=pairs.catalogue,
        rms_px=float(np.sqrt(np.mean(used**2))),
    )
    return with_places(pointing, sky)


def _why(exposure: StarField) -> str:
    count = len(exposure.measure.stars)
    if count < 5:
        return f"only {count} stars were found"
    return "no star pattern of the catalogue fits"


def _sharpness(measure: Measure) -> float:
    """Stars that may vote, less where they are trailed."""
    stars = measure.stars
    voting = stars[(stars["flags"] & ~BIT["faint"]) == 0]
    if len(voting) == 0:
        return 0.0
    size = np.median(voting["mxx"] + voting["myy"])
    return float(len(voting) / max(size, 0.5))


def carry(attitude: Floats, there: ObservedSky, here: ObservedSky) -> Floats:
    """The attitude of a camera, known under one sky, under another of the same stars."""
    if there is here:
        return attitude
    # A point near the axis gives the roll: refraction has no meaning far below the horizon.
    near = attitude[2] + 0.02 * attitude[0]
    both = np.stack([attitude[2], near / np.linalg.norm(near)])
    seen: Any = here.directions(*there.icrs(both))
    x = seen[1] - (seen[1] @ seen[0]) * seen[0]
    x /= np.linalg.norm(x)
    return np.stack([x, np.cross(seen[0], x), seen[0]])
