"""Image drift: how the sky moved on the sensor during an exposure, by the pointings beside it.

Only what goes on from frame to frame is drift. Two pointings with a long pause between them, or
further apart than any tracker or standing camera carries the sky, say nothing of the exposures.
Where a sky was not solved, the frames' own stars are laid on each other instead.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from skyplumb.calibrate.camera import Camera
from skyplumb.calibrate.pointing import Pointing
from skyplumb.calibrate.registration import register
from skyplumb.calibrate.sky import SIDEREAL_RATE_ARCSEC_S
from skyplumb.records import NAN, Measure

Floats = NDArray[np.float64]

LONGEST_OF_STARS = 2.0
"""A steady drift spreads a star by its length / sqrt(12); an uneven one by less, hardly by half.
One that would have drawn longer stars than the frame shows was a jump between exposures."""
UNLIKE = 2.5
"""Rates that differ by more than so many times the change beyond them hold a step."""
UNLIKE_BESIDE = 0.5
"""A displacement is at least twice what two intervals beside it differ by: a gusty run makes
others like it."""
LONGEST_PAUSE_EXPOSURES = 3.0
LONGEST_PAUSE_S = 60.0
"""A longer pause between two shutters than so many exposures and seconds: who knows what was done
in it (common practice, no source)."""
FASTEST_OF_SIDEREAL = (1.1, 1.9, 2.1)
"""Along right ascension the sky passes a drive at up to its own rate, or at twice that where the
drive turns the wrong way; nothing lies between."""
FASTEST_ACROSS_ARCSEC_S = 5.0
"""Across right ascension: an axis 5 degrees off leaves 1.3 arcsec/s (physics: 15.75 arcsec a
minute for each degree), a head that slips rarely more than that; more is a re-aim or a knock."""


STEADY_AROUND_ONSET = ((0, 3), (2, 5))
"""Frames left out at the onset of a drift, which is in the midst of one of them, and the fewest
that are steady before and after."""
STEADY = 0.075
"""How far these may lie from the drift before or after, over the step between the two: half of the
least that an even sine leaves, of any period and phase (0.19 and 0.15, worked out on a grid)."""
LEAST_STEP_PX = 0.5
FEWEST_OF_A_SWING, USUAL_OF_A_SWING, MOST_OF_A_SWING = 3, 0.3, 0.65
"""Differences of rates that show a swing; and what is left of one of four intervals a period and of
two (worked out)."""
STEP_WITHIN = 0.5
"""A step between three frames is as likely in the middle one as not: root mean square of nothing
and of all of it, from the middle between them."""


@dataclass(frozen=True, slots=True)
class Drift:
    """How the stars moved across the sensor during one exposure, by the neighbours' pointings."""

    dx_px: float = NAN
    """At the middle of the picture, over the exposure."""
    dy_px: float = NAN
    turn_deg: float = NAN
    """Turn of the star field over the exposure, from +x towards +y."""
    spread_px: float = NAN
    """How far the drift may be off, by how unlike the neighbours' rates are."""
    time_share: float = 0.0
    """How far it may be off, over its length, since clocks are written to the whole second."""
    noise_px: float = 0.0
    """Its error by those of the pointings alone."""
    step_px: float = 0.0
    """How far one of the two intervals beside it moved beyond the other. What did so may have come
    to pass in this frame."""
    one_sided: bool = True
    """Whether only one neighbour tells of it."""

    @property
    def sigma_px(self) -> float:
        """One-sigma error of the length: pointings, rates that change, a step in this frame or
        beside it, and the clock."""
        parts = (self.spread_px, self.noise_px, STEP_WITHIN * self.step_px,
                 self.time_share * self.length_px)  # fmt: skip
        return float(np.linalg.norm(parts))

    @property
    def length_px(self) -> float:
        """How far the sky moved, px; NaN if no neighbour was solved."""
        return float(np.hypot(self.dx_px, self.dy_px))

    @property
    def angle_deg(self) -> float:
        """Heading: towards where the sky moved on the sensor, from +x towards +y, -180..180.

        The pointings tell which way, so it is no axis as a trail's angle is.
        """
        return float(np.degrees(np.arctan2(self.dy_px, self.dx_px)))


@dataclass(frozen=True, slots=True)
class SkyRate:
    """How fast stars moved across the sensor between two frames."""

    of_image: Floats
    """dx and dy, px/s, and turn, rad/s, from +x towards +y."""
    noise_px_s: float


def drifts(
    pointings: Sequence[Pointing],
    mid_s: Sequence[float],
    exposure_s: Sequence[float],
    measures: Sequence[Measure] = (),
    clock_step_s: float = 0.0,
    moved: Sequence[bool] = (),
) -> list[Drift]:
    """Image drift over each exposure, from the pointings before and after it.

    Parameters
    ----------
    pointings : sequence of Pointing
        Of one run, in order of time.
    mid_s : sequence of float
        Middle of each exposure, s from any origin.
    exposure_s : sequence of float
    measures : sequence of Measure, optional
        Of the same frames: those that were not solved are registered on their neighbours.
    clock_step_s : float
        What the clock is written to: two times of whole seconds part by up to one more or less.
    moved : sequence of bool, optional
        Whether the aim was moved before each frame.

    Notes
    -----
    Two neighbours that agree are averaged. Where they differ (a re-aim, a knock, a slip
    that begins), the side that goes on as its own neighbour does is taken; a rate that
    changes by like amounts from interval to interval is a periodic error and is averaged.
    An interval with a long pause or a jump in it has no rate.
    """
    count = len(pointings)
    intervals: list[SkyRate | None] = []
    for n in range(count - 1):
        seconds, shutters = mid_s[n + 1] - mid_s[n], (exposure_s[n], exposure_s[n + 1])
        if not _no_pause(seconds, shutters) or (moved and moved[n + 1]):
            intervals.append(None)
        elif measures and not (pointings[n].solved and pointings[n + 1].solved):
            intervals.append(_registered(measures[n], measures[n + 1], seconds, shutters))
        else:
            between = rate_between(pointings[n], pointings[n + 1], seconds)
            intervals.append(between if _no_jump(pointings[n], between) else None)
    rates = np.array([one.of_image for one in intervals if one is not None]).reshape(-1, 3)
    if len(rates) == 0:
        return [Drift() for _ in range(count)]
    usual = np.median(rates, axis=0)
    swing = _swing_px_s(intervals)
    out = []
    for n in range(count):
        found = _rate_during(intervals, n, usual)
        if found is None:
            out.append(Drift())
            continue
        rate, spread, noise, step = found
        time = exposure_s[n]
        gaps = [mid_s[m + 1] - mid_s[m] for m in (n - 1, n) if 0 <= m < count - 1]
        out.append(
            Drift(
                dx_px=float(rate[0] * time),
                dy_px=float(rate[1] * time),
                turn_deg=float(np.degrees(rate[2]) * time),
                spread_px=max(spread, swing) * time,
                time_share=clock_step_s / max(*gaps, clock_step_s, 1e-3),
                noise_px=noise * time,
                step_px=step * max(gaps),
                one_sided=n == 0 or n == count - 1 or None in intervals[n - 1 : n + 1],
            )
        )
    return out


def onset_within(found: Sequence[Drift]) -> tuple[int, Floats] | None:
    """Where in a run another steady drift sets in, and the drift before it.

    An axis and a rate are wrong from the first frame on, and a periodic error changes all the
    time; a slip begins when it begins.

    Parameters
    ----------
    found : sequence of Drift
        Of one run, in order of time.

    Returns
    -------
    tuple of int and ndarray, shape (2,), or None
        Number of the first frame with the later drift, and dx, dy px of an exposure before;
        None where the drift does not have two levels, one after the other.
    """
    known = [n for n, one in enumerate(found) if np.isfinite(one.length_px)]
    move = np.array([(found[n].dx_px, found[n].dy_px) for n in known]).reshape(-1, 2)
    best, best_spread = None, STEADY
    for skipped, fewest in STEADY_AROUND_ONSET:
        for end in range(fewest, len(move) - skipped - fewest + 1):
            sides = move[:end], move[end + skipped :]
            before, after = (np.median(one, axis=0) for one in sides)
            step = float(np.hypot(*(after - before)))
            left = np.concatenate([sides[0] - before, sides[1] - after])
            spread = float(np.hypot(*left.T).max()) / max(step, LEAST_STEP_PX)
            if step > LEAST_STEP_PX and spread < best_spread:
                best, best_spread = (known[end + skipped // 2], before), spread
    return best


def displacement_during(
    pointings: Sequence[Pointing],
    mid_s: Sequence[float],
    n: int,
    measures: Sequence[Measure] = (),
) -> tuple[Floats, float] | None:
    """Lasting displacement of the picture during frame `n`: dx, dy px, and the share after it.

    A push during an exposure leaves the next frames displaced, and the frame itself in
    between, by the share of its light that came after the push. A re-aim between two
    frames leaves none in between, a gust swings back. None if no neighbours were solved, nor
    could be registered by `measures`, or where the intervals beside differ as much by themselves.
    """

    def rate(a: int, b: int) -> SkyRate | None:
        seconds = mid_s[b] - mid_s[a]
        if measures and not (pointings[a].solved and pointings[b].solved):
            return _rate_by_stars(measures[a], measures[b], seconds)
        return rate_between(pointings[a], pointings[b], seconds)

    if not 0 < n < len(pointings) - 1:
        return None
    whole, first = rate(n - 1, n + 1), rate(n - 1, n)
    if whole is None or first is None:
        return None
    quiet = [rate(m, m + 1) for m in (n - 2, n + 1) if 0 <= m < len(pointings) - 1]
    usual = [one.of_image for one in quiet if one is not None]
    if not usual:
        return None
    drift = np.mean(usual, axis=0)
    seconds = mid_s[n + 1] - mid_s[n - 1]
    jump = ((whole.of_image - drift) * seconds)[:2]
    part = ((first.of_image - drift) * (mid_s[n] - mid_s[n - 1]))[:2]
    size2 = float(jump @ jump)
    unrest = float(np.hypot(*np.ptp(usual, axis=0)[:2])) * seconds
    if size2 <= 0 or unrest > UNLIKE_BESIDE * np.sqrt(size2):
        return None
    return jump, float(part @ jump) / size2


def _rate_during(
    intervals: Sequence[SkyRate | None], n: int, usual: Floats
) -> tuple[Floats, float, float, float] | None:
    """Rate of the sky on the sensor during frame `n`, px/s.

    With how far it may be off by how the rates change, its error by the pointings', and what one
    interval has beyond the other where it holds a step.
    """
    near = {m: intervals[m] for m in range(n - 2, n + 2) if 0 <= m < len(intervals)}
    rates = {m: one.of_image for m, one in near.items() if one is not None}
    noise = max((one.noise_px_s for one in near.values() if one is not None), default=0.0)
    before, after = rates.get(n - 1), rates.get(n)
    if before is None and after is None:
        return None
    # Of one interval, along one way of two; the mean of two shares the pointing between them.
    error = noise / np.sqrt(2) if before is None or after is None else noise / np.sqrt(8)
    # How unlike each interval is to the one beyond it.
    change = [
        _difference(before, rates.get(n - 2)),
        _difference(after, rates.get(n + 1)),
    ]
    if before is None or after is None:
        single = after if before is None else before
        assert single is not None
        beyond = change[1] if before is None else change[0]
        spread = beyond if np.isfinite(beyond) else float(np.hypot(*single[:2]))
        return single, 0.5 * spread, error, 0.0
    rate = (before + after) / 2
    gap = _difference(before, after)
    level = max(float(np.hypot(*rate[:2])), float(np.hypot(*usual[:2])))
    if gap <= max(0.5 * level, 4 * noise) or gap <= UNLIKE * min(change):
        # A periodic error changes the drive's rate from interval to interval, by like amounts.
        return rate, _spread(gap, change, rates, n), error, 0.0
    if np.isinf(change).all():
        nearer = np.argmin([_difference(before, usual), _difference(after, usual)])
        return (before, after)[int(nearer)], 0.5 * gap, error, gap
    # An interval with a knock or the onset of a slip in it is unlike the one beyond it; the
    # other goes on as its own neighbour does.
    steadier = int(np.argmin(change))
    return (before, after)[steadier], 0.5 * change[steadier], error, gap


def _swing_px_s(intervals: Sequence[SkyRate | None]) -> float:
    """How far the mean of two intervals is off in a run whose rate swings all along, px/s.

    Where it is off most, both intervals are alike: those around a frame do not show it, those of
    the whole run do. With pointings an interval apart, worn by the exposures, a swing by the sine
    of +-a an interval parts neighbouring rates by 4 sinc sin^2 a of its amplitude, and leaves
    2 sin a - sinc sin 2a in their mean; each difference is -2 cos 2a of the two beside it together.
    Zero where the intervals differ by little more than their errors.
    """
    pairs = [
        (after.of_image[:2] - before.of_image[:2], max(before.noise_px_s, after.noise_px_s))
        if before is not None and after is not None
        else (np.full(2, NAN), NAN)
        for before, after in pairwise(intervals)
    ]
    gap = np.array([one for one, _ in pairs]).reshape(-1, 2)
    size = float(np.nanmedian(np.hypot(*gap.T))) if np.isfinite(gap).any() else 0.0
    both = gap[2:] + gap[:-2]
    known = np.isfinite(both).all(1) & np.isfinite(gap[1:-1]).all(1)
    few = np.isfinite(gap).all(1).sum() < FEWEST_OF_A_SWING
    if few or not size > 4 * np.nanmedian([n for _, n in pairs]):
        return 0.0
    if known.sum() < FEWEST_OF_A_SWING:
        return USUAL_OF_A_SWING * size
    at, both = gap[1:-1][known], both[known]
    cosine = float((both * at).sum() / (2 * (at**2).sum()))
    a = float(np.arccos(np.clip(cosine, -1, 1)) / 2)
    worn = float(np.sinc(a / np.pi))
    share = (2 * np.sin(a) - worn * np.sin(2 * a)) / max(4 * worn * np.sin(a) ** 2, 1e-9)
    return min(float(share), MOST_OF_A_SWING) * size


def _spread(gap: float, change: Sequence[float], rates: Mapping[int, Floats], n: int) -> float:
    """How far the mean of the two rates beside frame `n` may be off."""
    if gap > UNLIKE * min(change) or not np.isfinite(change).all():
        return 0.25 * gap  # a step somewhere between them
    # A rate that goes on changing is the mean of the two but for its bend, of which an eighth
    # lies between them (a parabola); the four rates show twice the bend. Twice that, since a
    # swing is no parabola.
    bend = rates[n - 2] - rates[n - 1] - rates[n] + rates[n + 1]
    return min(0.25 * gap, float(np.hypot(*bend[:2])) / 8)


def _difference(a: Floats | None, b: Floats | None) -> float:
    """Difference of two rates; inf where one is unknown."""
    if a is None or b is None:
        return float(np.inf)
    return float(np.hypot(*(a - b)[:2]))


def rate_between(a: Pointing, b: Pointing, seconds: float) -> SkyRate | None:
    """Rate of the stars' images from one frame to the next; None where one was not solved."""
    if not (a.solved and b.solved and seconds > 0):
        return None
    camera = a.camera
    assert camera is not None and a.sky is not None and b.sky is not None
    pixels, directions = _cross(camera)
    ra, dec = a.sky.icrs(directions @ a.attitude)
    later = camera.project(b.sky.directions(ra, dec) @ b.attitude.T)
    if not np.isfinite(later).all():
        return None
    move = later - pixels
    arms = pixels[1:] - pixels[0]
    turned = move[1:] - move[0]
    turn = float((arms[:, 0] @ turned[:, 1] - arms[:, 1] @ turned[:, 0]) / np.sum(arms**2))
    noise = camera.focal_px * np.sqrt(
        a.covariance[0, 0] + a.covariance[1, 1] + b.covariance[0, 0] + b.covariance[1, 1]
    )
    return SkyRate(np.array([move[0, 0], move[0, 1], turn]) / seconds, float(noise / seconds))


@lru_cache(maxsize=64)
def _cross(camera: Camera) -> tuple[Floats, Floats]:
    """The middle of the picture and four places around it, px, and their directions.

    Kept, since every frame of a lens asks for them and a lens is inverted slowly.
    """
    middle = np.array([(camera.width_px - 1) / 2, (camera.height_px - 1) / 2])
    reach = 0.2 * camera.height_px
    pixels = middle + reach * np.array([[0, 0], [1, 0], [-1, 0], [0, 1], [0, -1]])
    return pixels, camera.directions(pixels)


def _registered(
    before: Measure, after: Measure, seconds: float, shutters: tuple[float, float]
) -> SkyRate | None:
    """Rate from one frame to the next by their own stars; None if it was a jump in between."""
    rate = _rate_by_stars(before, after, seconds)
    if rate is None:
        return None
    for measure, exposure in zip((before, after), shutters, strict=True):
        drawn_px = float(np.hypot(*rate.of_image[:2])) * exposure
        if drawn_px / np.sqrt(12) > LONGEST_OF_STARS * _half_length_px(measure):
            return None
    return rate


def _rate_by_stars(before: Measure, after: Measure, seconds: float) -> SkyRate | None:
    """Rate of the stars' images by laying one frame's on the other's; None if they do not fit."""
    found = register(before, after) if seconds > 0 else None
    if found is None:
        return None
    move = np.array([*found.move_px, found.turn_rad])
    return SkyRate(move / seconds, found.sigma_px / seconds)


def _half_length_px(measure: Measure) -> float:
    """Spread of the frame's stars along their longer axis, root of the second moment, px."""
    stars = measure.stars
    trace = stars["mxx"] + stars["myy"]
    longer = (trace + np.hypot(stars["mxx"] - stars["myy"], 2 * stars["mxy"])) / 2
    return float(np.sqrt(np.median(longer))) if len(stars) else NAN


def sky_in_picture(pointing: Pointing) -> tuple[float, float]:
    """Where east lies in the picture, degrees, and how fast the sky passes an unmoved camera, px/s.

    Both at the middle of the picture; NaN where it was not solved.
    """
    if not pointing.solved:
        return NAN, NAN
    middle = pointing.middle_direction()
    pole = np.array([0.0, 0.0, 1.0])
    east = pointing.image_angle_towards(middle + 1e-3 * np.cross(pole, middle))
    cos_declination = float(np.hypot(middle[0], middle[1]))
    return east, SIDEREAL_RATE_ARCSEC_S * cos_declination / pointing.scale_arcsec_px


def _no_pause(seconds: float, shutters: tuple[float, float]) -> bool:
    """Whether the second exposure followed soon enough upon the first."""
    known = [one for one in shutters if np.isfinite(one)]
    open_s = sum(known) / 2
    longest = LONGEST_PAUSE_EXPOSURES * max(known, default=0.0) + LONGEST_PAUSE_S
    return seconds - open_s <= longest


def _no_jump(before: Pointing, rate: SkyRate | None) -> bool:
    """Whether a tracker at fault, or a camera that stood still, may have moved the sky so."""
    if rate is None:
        return False
    east_deg, sidereal_px_s = sky_in_picture(before)
    across_px_s = FASTEST_ACROSS_ARCSEC_S / before.scale_arcsec_px
    east = np.array([np.cos(np.radians(east_deg)), np.sin(np.radians(east_deg))])
    along = float(rate.of_image[:2] @ east)
    across = float(np.hypot(*(rate.of_image[:2] - along * east)))
    if np.isnan(along):
        return True  # at the very pole, where there is no east
    driven, slowest, fastest = np.array(FASTEST_OF_SIDEREAL) * sidereal_px_s
    backwards = slowest - across_px_s < abs(along) < fastest + across_px_s
    return across < across_px_s and (abs(along) < driven + across_px_s or backwards)
