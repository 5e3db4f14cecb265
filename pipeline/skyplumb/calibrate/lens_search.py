"""Star tables of one lens -> which lens it is, and where its frames pointed by the stars alone.

Neither time nor place is known here, so a wrong clock never costs the sky. A frame of every few is
plate-solved; those between two that pointed alike are interpolated and fitted later, and
plate-solved themselves only where no stars fit there, narrow ones near the next that was found.
One camera is fitted to all of a lens's frames, pinhole or fisheye, whichever fits. Frames whose
stars ask for another scale are another lens. Where the focal length that the files tell leads
nowhere, it may be wrong, or the pixel size is: then a few of the frames are sought at all scales.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from functools import lru_cache
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from skyplumb.angles import rotation, turn_of
from skyplumb.calibrate.camera import Camera
from skyplumb.calibrate.matching import CERTAIN_LOG_ODDS, WHOLE, Detections, fewest_matches
from skyplumb.calibrate.plate_solving import (
    BETTER_LOG_ODDS,
    HINTED_MISSES,
    NARROW_DEG,
    FittedFrame,
    Grown,
    Start,
    fit_frame,
    grow,
    lens_laws,
    plate_solve,
)
from skyplumb.calibrate.sky import CATALOGUE_SKY, SIDEREAL_RATE_ARCSEC_S, ObservedSky, carry
from skyplumb.measure.flags import BIT
from skyplumb.records import NAN, Measure

Floats = NDArray[np.float64]

CALIBRATION_FRAMES = 8
MOST_MISSES = 6
"""A lens that fails so often at every scale would cost more than it can give."""
STATION = 16
"""One frame of so many is looked at first; those between two that pointed alike follow."""
START_PX = 4.0
"""How far off a neighbour's attitude is expected to be, at first."""
FAR_START_PX = 20.0
"""The same on a second try, for a tracker that drifts."""
OTHER_SCALE = 0.01
"""Scales that differ by more are two lenses'; focus and air change them less."""
OTHER_LENS = 0.03
"""Where a focal length is told, only frames whose scale differs by more are another lens's: the
fit of a poor frame may be off by what is less."""
MOST_SWEPT = 3
"""So many frames of a lens, those with the most stars, are sought at all scales in vain before its
header is believed; each costs as much as a frame that tells no focal length."""
SWEPT_STARS = 0.1
"""Where other frames of a lens are solved, one with fewer than so many of their stars is one under
cloud rather than one of another scale, unless that is three times larger."""
AGAINST_HEADER_LOG_ODDS = CERTAIN_LOG_ODDS + float(np.log(1000))
"""A scale that a header contradicts needs better odds: few headers are wrong, and there are some
dozens of scales to try."""


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
    stars: Detections = field(init=False)
    plain: ObservedSky = field(init=False)
    """Where the stars are seen without regard to place and hour: with the aberration of the
    season alone, which a clock off by hours leaves right."""

    def __post_init__(self) -> None:
        object.__setattr__(self, "stars", Detections.of(self.measure))
        object.__setattr__(self, "plain", _seasons_sky(self.sky.utc))


def replace_sky(field: StarField, sky: ObservedSky) -> StarField:
    """The same frame under another clock; its stars, and where they are solved, stay."""
    new = StarField.__new__(StarField)
    for name in ("measure", "time_s", "hint_deg", "stars", "plain"):
        object.__setattr__(new, name, getattr(field, name))
    object.__setattr__(new, "sky", sky)
    return new


def _seasons_sky(utc: datetime | None) -> ObservedSky:
    """The stars with the aberration of the season, which changes by 0.02 arcsec an hour."""
    return _sky_of_hour(utc and utc.replace(minute=0, second=0, microsecond=0))


@lru_cache(maxsize=64)
def _sky_of_hour(utc: datetime | None) -> ObservedSky:
    return ObservedSky(utc, None)


@dataclass(frozen=True, slots=True)
class FoundLens:
    """What the stars alone say of the frames of one lens."""

    camera: Camera | None
    attitudes: list[Floats | None]
    """From each frame's `plain` sky to camera axes; None if it was not solved."""
    chosen: list[int] = field(default_factory=list)
    """The frames the camera was fitted to."""
    strangers: list[int] = field(default_factory=list)
    """Frames that were solved as another lens's."""
    strange_focal_px: float = NAN
    """Focal length of the first of them over pixel pitch."""
    interpolated: list[int] = field(default_factory=list)
    """Frames whose attitude was interpolated from others', and not held against stars."""


def find_lens(
    exposures: Sequence[StarField],
    focal_px: float,
    say: Callable[[str], None] | None = None,
    otherwise_px: Sequence[float] = (),
) -> FoundLens:
    """Plate-solve the frames by their stars alone and fit their camera.

    Parameters
    ----------
    exposures : sequence of StarField
        In order of time, all of one picture size.
    focal_px : float
        Focal length over pixel pitch as it is told, good to some 30 %; NaN if unknown.
    say : callable, optional
        Told when a pattern database is made.
    otherwise_px : sequence of float
        What it may be instead, tried where that leads nowhere before all scales are.
    """
    count = len(exposures)
    # Without a focal length any frame may be another lens's, so each is looked at.
    step = STATION if np.isfinite(focal_px) else 1
    stations = [*range(0, count - 1, step), count - 1] if count else []
    search = LensSearch(exposures, focal_px, say)
    search.visit(stations)
    search.interpolate(stations)
    # Twice, since a frame may have known neighbours on its later side alone, and a camera that
    # gave way takes what it found with it.
    for _ in range(2):
        search.visit(range(count))
    if np.isfinite(focal_px):
        search.sweep(otherwise_px)
    return search.found()


@dataclass
class LensSearch:
    """The frames of one lens while they are being plate-solved."""

    exposures: Sequence[StarField]
    focal_px: float
    say: Callable[[str], None] | None = None
    camera: Camera | None = None
    attitudes: list[Floats | None] = field(init=False)
    interpolated: set[int] = field(default_factory=set)
    strangers: dict[int, float] = field(default_factory=dict)
    """Frames of another lens, with its focal length over pixel pitch."""
    _tried: set[int] = field(default_factory=set)
    _misses: int = 0
    _odds: float = 0.0
    _swept: int = 0

    def __post_init__(self) -> None:
        self.attitudes = [None] * len(self.exposures)

    def visit(self, numbers: Iterable[int]) -> None:
        """Find frames that are not known yet: near their neighbours, else by their patterns."""
        for number in numbers:
            if self.attitudes[number] is None and self.camera is not None:
                self.attitudes[number] = _near_neighbours(
                    self.exposures, self.attitudes, number, self.camera
                )
            if self.attitudes[number] is None and number not in self._tried:
                self._by_itself(number)

    def _by_itself(self, number: int) -> None:
        """One frame by patterns of its stars; the first gives the lens, until a better does."""
        if not np.isfinite(self.focal_px) and self._misses >= MOST_MISSES:
            return
        self._tried.add(number)
        exposure = self.exposures[number]
        hint = exposure.hint_deg if self._misses < HINTED_MISSES else (NAN, NAN)
        if not np.isfinite(hint).all():
            hint = self._place_beside(number)
        start = _plate_solved(exposure, self.focal_px, self.say, self.camera, hint)
        if start is None:
            self._misses += 1
            return
        if self.camera is not None and not _alike(self.camera, start.camera):
            if start.log_odds <= self._odds:
                self.strangers[number] = start.camera.focal_px
                return
            # The lens was taken from a poorer frame, and wrongly: begin again with this one.
            self.attitudes = [None] * len(self.exposures)
            self.interpolated, self._tried = set(), {number}
            self.camera = None
        self._take(number, start)

    def _place_beside(self, number: int) -> tuple[float, float]:
        """Right ascension and declination, deg, of the frame nearest in order that is found, for a
        narrow field, whose aim moves by widths of the picture; NaN for others."""
        found = [n for n, attitude in enumerate(self.attitudes) if attitude is not None]
        if self.camera is None or self.camera.width_deg > NARROW_DEG or not found:
            return NAN, NAN
        near = self.attitudes[min(found, key=lambda n: (abs(n - number), n))]
        assert near is not None
        x, y, z = near[2]
        return float(np.degrees(np.arctan2(y, x)) % 360), float(np.degrees(np.arcsin(z)))

    def _take(self, number: int, start: Start) -> None:
        """What a frame says of its attitude, and the first of the lens."""
        if self.camera is None:
            self.camera, self._odds = start.camera, start.log_odds
        plain = self.exposures[number].plain
        self.attitudes[number] = carry(start.attitude, CATALOGUE_SKY, plain)

    def sweep(self, otherwise_px: Sequence[float]) -> None:
        """Seek frames that were not found by the scale that is told at all others.

        The first that is found tells the scale for the rest: of this lens where none of its
        frames was found, else of another, whose frames were thought to be this one's.
        """
        for number in self._worth_a_sweep():
            start = self._at_other_scales(number, otherwise_px)
            if start is None:
                continue
            if self.camera is None:
                self.focal_px, self._tried, self._misses = start.camera.focal_px, {number}, 0
                self._take(number, start)
                for _ in range(2):
                    self.visit(range(len(self.exposures)))
                return
            self.strangers[number] = start.camera.focal_px
            otherwise_px = [start.camera.focal_px]

    def _worth_a_sweep(self) -> list[int]:
        """Frames that are not found, those with the most stars first."""
        worth = [_sharpness(exposure.measure) for exposure in self.exposures]
        found = [worth[n] for n, attitude in enumerate(self.attitudes) if attitude is not None]
        least = SWEPT_STARS * float(np.median(found)) if found else 0.0
        left = [
            n
            for n, attitude in enumerate(self.attitudes)
            if attitude is None and worth[n] > least and n not in self.strangers
        ]
        return sorted(left, key=lambda n: (-worth[n], n))

    def _at_other_scales(self, number: int, otherwise_px: Sequence[float]) -> Start | None:
        """One frame by itself at scales that its header does not tell; all of them only until
        `MOST_SWEPT` were sought so in vain."""
        exposure = self.exposures[number]
        priors = [*otherwise_px, NAN] if self._swept < MOST_SWEPT else [*otherwise_px]
        for focal_px in priors:
            start = plate_solve(exposure.measure, focal_px, self.say, None, exposure.hint_deg)
            if start is not None and start.log_odds > AGAINST_HEADER_LOG_ODDS:
                return start
        self._swept += bool(priors) and not np.isfinite(priors[-1])
        return None

    def interpolate(self, stations: Sequence[int]) -> None:
        """Interpolate the frames between two that pointed alike, but for those without a time."""
        for first, last in pairwise(stations):
            begin, end = self.attitudes[first], self.attitudes[last]
            if begin is None or end is None or self.camera is None:
                continue
            times = np.array([self.exposures[n].time_s for n in range(first, last + 1)])
            after = times - times[0]
            for carried in CARRIED:
                turn = turn_of(end @ carried(begin, after[-1]).T)
                if not np.linalg.norm(turn) * self.camera.focal_px <= FAR_START_PX:
                    continue
                share = after / after[-1] if after[-1] > 0 else np.linspace(0, 1, len(after))
                for n in range(first + 1, last):
                    if not np.isfinite(after[n - first]):
                        continue
                    at = carried(begin, after[n - first])
                    self.attitudes[n] = rotation(share[n - first] * turn) @ at
                    self.interpolated.add(n)
                break

    def found(self) -> FoundLens:
        """The lens, fitted to its best frames."""
        if self.camera is None:
            return FoundLens(None, self.attitudes)
        left = sorted(n for n in self.strangers if self._of_another_lens(n))
        found = _calibrated(self.exposures, self.camera, self.attitudes, self.interpolated)
        interpolated = sorted(self.interpolated.difference(found.chosen))
        return replace(
            found,
            strangers=left,
            strange_focal_px=self.strangers[left[0]] if left else NAN,
            interpolated=interpolated,
        )

    def _of_another_lens(self, number: int) -> bool:
        """Whether a stranger has a scale that the fit of a poor frame does not explain."""
        if self.attitudes[number] is not None or self.camera is None:
            return False
        off = abs(self.strangers[number] / self.camera.focal_px - 1)
        return not np.isfinite(self.focal_px) or off > OTHER_LENS


def _alike(one: Camera, other: Camera) -> bool:
    """Whether two fits are of one lens: the same way round, and of one scale."""
    scale = abs(one.focal_px / other.focal_px - 1)
    return one.parity == other.parity and scale < OTHER_SCALE


def _plate_solved(
    exposure: StarField,
    focal_px: float,
    say: Callable[[str], None] | None,
    known: Camera | None,
    hint_deg: tuple[float, float],
) -> Start | None:
    """One frame by itself: by the known lens, or, where its scale does not fit, by any."""
    start = plate_solve(exposure.measure, focal_px, say, known, hint_deg)
    if start is None or known is None or not _alike(known, start.camera):
        return start
    fitted = fit_frame(exposure.stars, CATALOGUE_SKY, known, start.attitude, FAR_START_PX, True)
    if fitted is None or _scale_off(fitted, known) < OTHER_SCALE:
        return start
    return plate_solve(exposure.measure, focal_px, say, None, hint_deg) or start


def _near_neighbours(
    exposures: Sequence[StarField],
    attitudes: Sequence[Floats | None],
    number: int,
    camera: Camera,
) -> Floats | None:
    """Attitude of a frame from where the frames before and after it pointed."""
    exposure = exposures[number]
    if len(exposure.measure.stars) < fewest_matches(camera):
        return None
    earlier = next((n for n in range(number - 1, -1, -1) if attitudes[n] is not None), None)
    later = next((n for n in range(number + 1, len(attitudes)) if attitudes[n] is not None), None)
    for near in (earlier, later):
        if near is None:
            continue
        there = attitudes[near]
        assert there is not None
        seconds = exposure.time_s - exposures[near].time_s
        for carried in CARRIED if seconds else CARRIED[:1]:
            start = carried(there, seconds)
            if not np.isfinite(start).all():
                continue
            for sigma_px in (START_PX, FAR_START_PX):
                fitted = fit_frame(exposure.stars, exposure.plain, camera, start, sigma_px, True)
                if fitted is not None and _scale_off(fitted, camera) < OTHER_SCALE:
                    return fitted.attitude
    return None


def _scale_off(fitted: FittedFrame, camera: Camera) -> float:
    """How far off the camera's scale is by what a frame's matches leave, as a part of it.

    The middle of another lens's frame of the same aim still fits, to some pixels.
    """
    from_middle = fitted.matches.matched.pixels - camera.middle
    size2 = float(np.sum(from_middle**2))
    return abs(float(np.sum(from_middle * fitted.fit.residuals))) / size2 if size2 > 0 else 0.0


def _following(attitude: Floats, seconds: float) -> Floats:
    """The attitude among the stars later on, of a camera that follows them."""
    return attitude


def _at_rest(attitude: Floats, seconds: float) -> Floats:
    """The same of a camera at rest, which turns eastwards among the stars; NaN without times."""
    turn = np.radians(SIDEREAL_RATE_ARCSEC_S * seconds / 3600.0)
    return attitude @ rotation(np.array([0, 0, -turn]))


CARRIED = (_following, _at_rest)


def _calibrated(
    exposures: Sequence[StarField],
    camera: Camera,
    attitudes: list[Floats | None],
    interpolated: set[int],
) -> FoundLens:
    """One camera from the frames with the most stars, of the law that fits them best."""
    parity = camera.parity
    solved = [n for n, attitude in enumerate(attitudes) if attitude is not None]
    # Sharp frames with many stars, from anywhere in the night.
    order = sorted(solved, key=lambda n: (-_sharpness(exposures[n].measure), n))
    attitudes, chosen = list(attitudes), list[int]()
    for n in order:
        attitude = attitudes[n]
        if n in interpolated and attitude is not None:
            stars, sky = exposures[n].stars, exposures[n].plain
            fitted = fit_frame(stars, sky, camera, attitude, START_PX, True)
            attitudes[n] = fitted.attitude if fitted is not None else attitude
            if fitted is None:
                continue
        chosen.append(n)
        if len(chosen) == CALIBRATION_FRAMES:
            break
    if chosen:
        better = _law(exposures[chosen[0]], camera, attitudes[chosen[0]])
        attitudes = seen_by(better, camera, attitudes)
        camera = better
    chosen.sort()
    camera = replace(camera, parity=parity)
    grown = grow(
        [exposures[n].stars for n in chosen],
        [exposures[n].plain for n in chosen],
        camera,
        [a for n in chosen if (a := attitudes[n]) is not None],
        WHOLE,
    )
    if grown is None:
        return FoundLens(camera, attitudes, chosen)
    # Where the axis of the lens moved in the picture, it did so in all frames.
    out = seen_by(grown.camera, camera, attitudes)
    for n, attitude in zip(chosen, grown.attitudes, strict=True):
        out[n] = attitude
    return FoundLens(grown.camera, out, chosen)


def seen_by(new: Camera, old: Camera, attitudes: Sequence[Floats | None]) -> list[Floats | None]:
    """Attitudes of one camera as those of another that sees the middle at the same place."""
    from scipy.spatial.transform import Rotation

    middle = np.array([old.width_px, old.height_px]) / 2
    pixels = middle + 0.2 * old.height_px * np.array([[0, 0], [1, 0], [-1, 0], [0, 1], [0, -1]])
    turn = Rotation.align_vectors(new.directions(pixels), old.directions(pixels))[0].as_matrix()
    return [None if one is None else np.asarray(turn @ one) for one in attitudes]


def _law(exposure: StarField, camera: Camera, attitude: Floats | None) -> Camera:
    """The camera, of the law of projection that fits the frame with the most stars."""
    best: Grown | None = None
    laws = lens_laws(camera)
    if attitude is None or len(laws) == 1:
        return camera
    for law in laws:
        if law.projection == camera.projection:
            grown = grow([exposure.stars], [exposure.plain], camera, [attitude], WHOLE)
        else:
            grown = grow([exposure.stars], [exposure.plain], law, [attitude])
        if grown and (best is None or grown.log_odds > best.log_odds + BETTER_LOG_ODDS):
            best = grown
    return best.camera if best else camera


def _sharpness(measure: Measure) -> float:
    """Stars that may vote, less where they are trailed."""
    stars = measure.stars
    voting = stars[(stars["flags"] & ~BIT["faint"]) == 0]
    if len(voting) == 0:
        return 0.0
    size = np.median(voting["mxx"] + voting["myy"])
    return float(len(voting) / max(size, 0.5))
