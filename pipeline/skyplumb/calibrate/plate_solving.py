"""One frame by itself: its brightest stars against the pattern databases -> a first attitude.

Neither time nor place is needed. A wide picture is solved on its middle and then grown outwards
(`grow`), ring by ring, as more of the lens is known. A field under 4 degrees with a place in its
header or the night notes is sought there first (`hinted`).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from skyplumb.angles import turn_of
from skyplumb.calibrate import patterns
from skyplumb.calibrate.attitude import FittedAttitude, fit_attitudes
from skyplumb.calibrate.camera import FISHEYE, PINHOLE, Camera, Matched, fit_camera
from skyplumb.calibrate.hinted import MOST_PATCHES, places_near
from skyplumb.calibrate.lens_psf import WIDTHS_WITHIN
from skyplumb.calibrate.matching import (
    CERTAIN_LOG_ODDS,
    FEWEST_MATCHES,
    WHOLE,
    Detections,
    Matches,
    fewest_matches,
    match_frames,
    stars_around,
)
from skyplumb.calibrate.similarity import MOST_TRIALS
from skyplumb.calibrate.sky import CATALOGUE_SKY, ObservedSky, catalogue
from skyplumb.records import NAN, Measure

Floats = NDArray[np.float64]

PATTERN_STARS = 150
FEWEST_PATTERN_STARS = 5
NARROW_SHARE = 0.3
"""So many detections much narrower than the bright stars are hot pixels."""
SEARCH_LIMIT = 200_000
"""Star patterns tried before a frame counts as unsolved; a count, so that the outcome
does not depend on the machine's speed."""
SWEEP_LIMITS = (20_000, 100_000)
"""The same at each scale of a sweep: first a few at all of them, since most frames that can be
solved are solved by few, then more."""
SWEPT_FIELDS = (
    *((28, 0.5), (60, 0.5), (13, 0.5), (104, 0.3)),
    *((6.5, 0.5), (3, 0.5), (1.25, 0.35)),
)
"""Widths of field that are swept, deg, and what share above and below each is covered: 0.8 to 110
degrees, those that most pictures have first."""
WIDEST_SEARCH_DEG = 42.0
FISHEYE_PATCH_DEG = 50.0
"""Width of the middle of a fisheye's picture in which patterns are looked for."""
FISHEYE_FROM_DEG = 50.0
"""A picture narrower than this shows no difference between a fisheye and another lens."""
CENTRE_SHARE, FISHEYE_CENTRE_SHARE = 0.01, 0.05
"""How far the optical axis may lie from the middle, in widths of the picture; the circle of an
all-sky lens often lies off the middle of its sensor."""
NARROW_DEG = 4.0
"""A field this narrow is sought near its hint before the patterns, which are many there."""
NARROWEST_PATTERNS_DEG = 0.85
"""Below it fields hold no patterns of the whole sky; under 1.7 degrees, where the narrowest tier
ends, those that happen to lie close together."""
HINTED_WIDTHS_DEG = (1.0, 2.0, 0.5, 4.0)
"""Widths of field that are tried near a hint where the focal length is unknown."""
HINTED_LOG_ODDS = CERTAIN_LOG_ODDS + float(np.log(2 * MOST_PATCHES * MOST_TRIALS))
"""Near a hint any two stars laid on any two others are a trial, in each patch and mirrored."""
HINTED_MISSES = 3
"""A place that misled so many frames of a lens is not tried again."""
KNOWN_TOLERANCE = 0.03
KNOWN_START_PX = 8.0
"""The pattern solver knows no distortion."""
GROW = 1.5
FIT_STARS = 300
"""So many stars of a frame bend the camera; more would cost time and gain nothing."""
FIT_ROUNDS = 3


@dataclass(frozen=True, slots=True)
class Start:
    """What one frame says of itself, without time or place."""

    camera: Camera
    attitude: Floats
    """ICRS to camera axes."""
    log_odds: float


@dataclass(frozen=True, slots=True)
class _Trial:
    """One guess at the lens."""

    camera: Camera
    tolerance: float
    """Half width of the range of scales, as a share."""
    patterns: int = SEARCH_LIMIT
    """Star patterns tried at most."""


def plate_solve(
    measure: Measure,
    focal_px: float,
    say: Callable[[str], None] | None = None,
    known: Camera | None = None,
    hint_deg: tuple[float, float] = (NAN, NAN),
) -> Start | None:
    """Find a frame in the catalogue; None if no pattern of its stars is certain.

    Parameters
    ----------
    measure : Measure
    focal_px : float
        Focal length over pixel pitch, a prior good to some 30 %; NaN to sweep all scales.
    say : callable, optional
        Told when a pattern database is made.
    known : Camera, optional
        Of this lens, if another frame gave it.
    hint_deg : tuple of float
        Right ascension and declination, roughly; NaN if unknown.
    """
    for table in star_tables(measure):
        start = _solve_table(table, focal_px, say, known, hint_deg)
        if start is not None:
            return start
    return None


def star_tables(measure: Measure) -> Iterator[Measure]:
    """The frame's stars, and once more without what is narrower than its bright stars.

    Hot pixels by the hundred push the stars out of the brightest ones that make patterns.
    """
    stars = measure.stars
    if len(stars) < FEWEST_PATTERN_STARS:
        return
    yield measure
    size = (stars["mxx"] + stars["myy"]).astype(np.float64)
    brightest = np.argsort(-stars["flux"], kind="stable")[:PATTERN_STARS]
    wide = size > float(np.percentile(size[brightest], 90)) / WIDTHS_WITHIN
    if FEWEST_PATTERN_STARS <= np.count_nonzero(wide) < (1 - NARROW_SHARE) * len(stars):
        yield replace(measure, stars=stars[wide])


def _solve_table(
    measure: Measure,
    focal_px: float,
    say: Callable[[str], None] | None,
    known: Camera | None,
    hint_deg: tuple[float, float],
) -> Start | None:
    """One star table, near its hint or by patterns of the whole sky."""
    guess = _guess(measure, focal_px, known)
    narrow = guess is not None and guess.width_deg < NARROW_DEG
    if narrow and (start := _near_hint(measure, guess, known, hint_deg)):
        return start
    if guess is not None and guess.width_deg < NARROWEST_PATTERNS_DEG:
        return None
    return _by_pattern_of_sky(measure, focal_px, say, known) or (
        None if narrow else _near_hint(measure, guess, known, hint_deg)
    )


def _guess(measure: Measure, focal_px: float, known: Camera | None) -> Camera | None:
    """The lens as far as it is known."""
    if known is not None or not np.isfinite(focal_px):
        return known
    return Camera(focal_px, measure.width_px, measure.height_px)


def _near_hint(
    measure: Measure, guess: Camera | None, known: Camera | None, hint_deg: tuple[float, float]
) -> Start | None:
    """The frame near the place that is roughly known for it."""
    if not np.isfinite(hint_deg).all():
        return None
    for camera, scales in _hinted_trials(measure, guess, known):
        parities = (known.parity,) if known is not None else (1, -1)
        for lens, attitude in places_near(measure, camera, hint_deg, scales, parities):
            checked = _checked(measure, lens, attitude, few_do=True)
            if checked is not None and checked.log_odds > HINTED_LOG_ODDS:
                return checked
    return None


def _hinted_trials(
    measure: Measure, guess: Camera | None, known: Camera | None
) -> Iterator[tuple[Camera, tuple[float, float]]]:
    """Guesses at the lens with the range of scales about each."""
    if known is not None:
        yield known, (0.99, 1.01)
    elif guess is not None:
        yield guess, (0.95, 1.05)
        yield guess, (0.75, 1.35)
    else:
        for width_deg in HINTED_WIDTHS_DEG:
            focal = measure.width_px / 2 / np.tan(np.radians(width_deg / 2))
            yield Camera(focal, measure.width_px, measure.height_px), (0.7, 1.43)


def _by_pattern_of_sky(
    measure: Measure,
    focal_px: float,
    say: Callable[[str], None] | None,
    known: Camera | None,
) -> Start | None:
    """The frame by patterns of the whole sky."""
    if known is not None:
        found = _by_patterns(measure, _Trial(known, KNOWN_TOLERANCE), say)
        if found is not None:
            stars = Detections.of(measure)
            fitted = fit_frame(stars, CATALOGUE_SKY, known, found[1], KNOWN_START_PX)
            if fitted is not None and not fitted.matches.few:
                return Start(known, fitted.attitude, fitted.matches.log_odds)
    for trial in _trials(measure, focal_px):
        found = _by_patterns(measure, trial, say)
        if found is not None:
            checked = _checked(measure, *found, few_do=False)
            if checked is not None:
                return checked
    return None


def _trials(measure: Measure, focal_px: float) -> Iterator[_Trial]:
    width, height = measure.width_px, measure.height_px
    diagonal = float(np.hypot(width, height))
    if np.isfinite(focal_px):
        yield _Trial(Camera(focal_px, width, height), 0.3)
        if diagonal / focal_px > np.radians(FISHEYE_FROM_DEG):
            yield _Trial(_fisheye(focal_px, width, height), 0.3)
        return
    for most in SWEEP_LIMITS:
        for field_deg, share in SWEPT_FIELDS:
            focal = width / 2 / np.tan(np.radians(field_deg / 2))
            yield _Trial(Camera(focal, width, height), share, most)
        # From a whole sky in a circle within the picture to 80 degrees along its diagonal.
        for angle_deg in (360, 270, 200, 150, 100):
            yield _Trial(_fisheye(diagonal / np.radians(angle_deg), width, height), 0.2, most)


def _fisheye(focal_px: float, width: int, height: int) -> Camera:
    return Camera(focal_px, width, height, radial=(0.0, 0.0, 0.0, 0.0), projection=FISHEYE)


def _by_patterns(
    measure: Measure, trial: _Trial, say: Callable[[str], None] | None
) -> tuple[Camera, Floats] | None:
    """Attitude and focal length by the pattern solver, from the middle of the picture."""
    import tetra3rs

    camera, stars = trial.camera, measure.stars
    pixels = np.stack([stars["x"], stars["y"]], 1).astype(np.float64)
    if camera.projection == FISHEYE:
        # The solver knows pinholes alone: the middle is drawn anew as one would.
        seen = camera.directions(pixels)
        ahead = seen[:, 2] > 0.1
        flat = np.full((len(stars), 2), np.inf)
        flat[ahead] = camera.focal_px * seen[ahead, :2] / seen[ahead, 2:]
        wide = wide_y = 2 * camera.focal_px * np.tan(np.radians(FISHEYE_PATCH_DEG / 2))
    else:
        flat = pixels - camera.middle
        wide, wide_y = float(camera.width_px), float(camera.height_px)
        if camera.width_deg > WIDEST_SEARCH_DEG:
            share = 2 * camera.focal_px * np.tan(np.radians(WIDEST_SEARCH_DEG / 2)) / wide
            wide, wide_y = share * wide, share * wide_y
    inside = (np.abs(flat) <= np.array([wide, wide_y]) / 2).all(1)
    rows = np.flatnonzero(inside)[:PATTERN_STARS]
    if len(rows) < 5:
        return None
    field_deg = float(2 * np.degrees(np.arctan(wide / 2 / camera.focal_px)))
    result = patterns.database(patterns.tier_for(field_deg), say).solve_from_centroids(
        np.column_stack([flat[rows], stars["flux"][rows]]),
        fov_estimate_deg=field_deg,
        fov_max_error_deg=field_deg * trial.tolerance,
        image_width=max(int(wide), 8),
        image_height=max(int(wide_y), 8),
        solve_timeout_ms=None,
        max_patterns_checked=trial.patterns,
    )
    if not isinstance(result, tetra3rs.SolveResult):
        return None
    found = replace(
        camera,
        focal_px=float(result.camera_model.focal_length_px),
        parity=-1 if result.parity_flip else 1,
    )
    return found, np.asarray(result.rotation_matrix_icrs_to_camera)


def _checked(measure: Measure, camera: Camera, attitude: Floats, few_do: bool) -> Start | None:
    """The same with the lens grown to the whole picture, if the stars there leave no doubt.

    Few stars do near a place that is roughly known, and nowhere else.
    """
    stars = Detections.of(measure)
    best: Start | None = None
    for first in lens_laws(camera):
        grown = grow([stars], [CATALOGUE_SKY], first, [attitude])
        if grown is None:
            continue
        matches = grown.matches[0]
        if matches.few and not (
            few_do and _none_left_over(stars, grown.camera, grown.attitudes[0], matches)
        ):
            continue
        if matches.certain and (best is None or matches.log_odds > best.log_odds + BETTER_LOG_ODDS):
            best = Start(grown.camera, grown.attitudes[0], matches.log_odds)
    return best


LEFT_OVER_MAG = 0.3
"""Colours part stars of one magnitude by so much; the catalogue ends a little earlier for some."""


def _none_left_over(stars: Detections, camera: Camera, attitude: Floats, matches: Matches) -> bool:
    """Whether the brightest of the picture are all of the catalogue's, and all of those are there.

    Of some five stars the places alone would leave a doubt, since any two may be laid on two.
    """
    known = catalogue()
    size = np.array([camera.width_px, camera.height_px])
    near = np.flatnonzero(known.directions @ attitude[2] > np.cos(camera.field_radius_rad()))
    places = camera.project(known.directions[near] @ attitude.T)
    inside = (np.abs(places - (size - 1) / 2) < size / 2 - INSIDE_PX).all(1)
    bright = known.magnitude[near] < known.magnitude[-1] - LEFT_OVER_MAG
    missing = np.setdiff1d(near[inside & bright], matches.catalogue)
    zero = np.median(stars.magnitude[np.isin(stars.rows, matches.star)]) - np.median(
        known.magnitude[matches.catalogue]
    )
    within = (np.abs(stars.pixels - (size - 1) / 2) < size / 2 - INSIDE_PX).all(1)
    shown = stars.magnitude < zero + known.magnitude[-1] - 2 * LEFT_OVER_MAG
    strange = np.setdiff1d(stars.rows[within & shown], matches.star)
    return len(missing) == 0 and len(strange) == 0


INSIDE_PX = 12.0
"""Nearer to the edge a star may be cut off."""
BETTER_LOG_ODDS = 10.0
"""A second law of the lens must be so much likelier than the first."""


def lens_laws(camera: Camera) -> list[Camera]:
    """The laws of projection that may be told apart over this picture, from the same middle."""
    if camera.corner < np.radians(FISHEYE_FROM_DEG) / 2:
        return [camera]
    pinhole = replace(camera, projection=PINHOLE, radial=(0.0, 0.0, 0.0), tangential=(0.0, 0.0))
    return [pinhole, replace(pinhole, projection=FISHEYE, radial=(0.0, 0.0, 0.0, 0.0))]


@dataclass(frozen=True, slots=True)
class Grown:
    """A camera fitted to some frames together."""

    camera: Camera
    attitudes: list[Floats]
    matches: list[Matches]
    """Of each frame, in the order given; frames without enough have none of their own."""

    @property
    def log_odds(self) -> float:
        """Of all frames."""
        return sum(matches.log_odds for matches in self.matches)


def grow(
    frames: list[Detections],
    skies: list[ObservedSky],
    camera: Camera,
    attitudes: list[Floats],
    reach: float = 0.15,
) -> Grown | None:
    """Fit one camera to frames with known attitudes, from the middle of the picture outwards.

    Near the middle any lens is close to a pinhole; each ring of stars that is matched bends
    the model towards the next. It starts at `reach`, in half diagonals. None if no frame keeps
    enough stars.
    """
    attitudes = list(attitudes)
    centre_sigma_px = centre_sigma_of(camera)
    sigma_px = 2.0
    settled = 0
    while True:
        around = [
            stars_around(stars, sky, camera, attitude)
            for stars, sky, attitude in zip(frames, skies, attitudes, strict=True)
        ]
        matches = match_frames(frames, around, camera, attitudes, [sigma_px] * len(frames), reach)
        # The few of a sparse field bend a camera wrongly while there are more outside the ring.
        whole = reach >= WHOLE
        usable = [
            n
            for n, one in enumerate(matches)
            if len(one.star) >= (one.fewest if whole else FEWEST_MATCHES) and one.log_odds > 3
        ]
        if usable:
            camera, moved = fit_camera(
                camera,
                [_thinned(matches[n].matched) for n in usable],
                [attitudes[n] for n in usable],
                centre_sigma_px,
                FIT_ROUNDS,
            )
            for n, attitude in zip(usable, moved, strict=True):
                attitudes[n] = attitude
            sigma_px = float(np.median([matches[n].sigma_px for n in usable]))
            if not np.isfinite(camera.focal_px) or camera.focal_px <= 0 or not camera.grows():
                return None
        if whole:
            settled += 1
            if settled > 2 or not usable:
                break
        reach = min(reach * GROW, WHOLE)
        if usable:
            # The next ring may lie off by more than the last.
            sigma_px = 1.5 * sigma_px + 0.3
    return Grown(camera, attitudes, matches) if usable else None


def centre_sigma_of(camera: Camera) -> float:
    """How far the optical axis may lie from the middle of the picture, px."""
    share = FISHEYE_CENTRE_SHARE if camera.projection == FISHEYE else CENTRE_SHARE
    return share * camera.width_px


def _thinned(matched: Matched) -> Matched:
    step = max(1, len(matched.pixels) // FIT_STARS)
    return Matched(matched.pixels[::step], matched.directions[::step], matched.weights[::step])


@dataclass(frozen=True, slots=True)
class FittedFrame:
    """Attitude of one frame with a known camera."""

    fit: FittedAttitude
    matches: Matches

    @property
    def attitude(self) -> Floats:
        """Sky -> camera axes."""
        return self.fit.attitude


SETTLED_SHARE = 0.3
"""A fit that moves by less than so much of the scatter of its stars matches them as before."""
SHARP_PX = 1.0
"""Matches that scatter by more are not of simple stars, and settle late."""


def fit_frame(
    stars: Detections,
    sky: ObservedSky,
    camera: Camera,
    attitude: Floats,
    sigma_px: float,
    rough: bool = False,
) -> FittedFrame | None:
    """One frame of `fit_frames`."""
    return fit_frames([stars], [sky], camera, [attitude], sigma_px, rough)[0]


def fit_frames(
    frames: Sequence[Detections],
    skies: Sequence[ObservedSky],
    camera: Camera,
    attitudes: Sequence[Floats],
    sigma_px: float,
    rough: bool = False,
) -> list[FittedFrame | None]:
    """Attitudes of frames from starts off by about `sigma_px`; None without certain matches.

    A `rough` one is the first of certain, sharp matches: good to a part of a pixel, a start for
    better.
    """
    around = [
        stars_around(stars, sky, camera, attitude)
        for stars, sky, attitude in zip(frames, skies, attitudes, strict=True)
    ]
    fitted: list[FittedFrame | None] = [None] * len(frames)
    starts, sigmas = list(attitudes), [sigma_px] * len(frames)
    left = list(range(len(frames)))
    for _ in range(3):
        matches: dict[int, Matches] = {}
        found_of = match_frames(
            [frames[n] for n in left],
            [around[n] for n in left],
            camera,
            [starts[n] for n in left],
            [sigmas[n] for n in left],
        )
        for n, found in zip(left, found_of, strict=True):
            before = fitted[n]
            if len(found.star) < fewest_matches(camera):
                fitted[n] = None
            elif before is not None and found.same_stars(before.matches):
                fitted[n] = replace(before, matches=found)
            else:
                matches[n] = found
        fits = fit_attitudes(
            camera, [one.matched for one in matches.values()], [starts[n] for n in matches]
        )
        left = []
        for (n, found), fit in zip(matches.items(), fits, strict=True):
            again = fitted[n] is not None
            fitted[n] = FittedFrame(fit, found)
            sharp = found.certain and found.sigma_px < SHARP_PX
            if not ((rough and sharp) or (again and _settled(starts[n], fit, camera))):
                left.append(n)
            starts[n], sigmas[n] = fit.attitude, 1.2 * found.sigma_px + 0.1
    return [one if one is not None and one.matches.certain else None for one in fitted]


def _settled(start: Floats, fit: FittedAttitude, camera: Camera) -> bool:
    """Whether a fit moved by so little that another matching would give the same stars."""
    moved_px = np.linalg.norm(turn_of(fit.attitude @ start.T)) * camera.focal_px
    scatter_px = np.median(np.hypot(*fit.residuals.T))
    return bool(moved_px < SETTLED_SHARE * scatter_px)
