"""Solved, clocked frames of one setup in order of time, cut where the camera was aimed anew."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from skyplumb.angles import turn_of
from skyplumb.calibrate.camera import RAD_TO_ARCSEC
from skyplumb.calibrate.light import Light, lens_key
from skyplumb.calibrate.sky import SIDEREAL_RATE_ARCSEC_S
from skyplumb.robust import median_length

Floats = NDArray[np.float64]

FEWEST_FRAMES = 4
MOST_MOVED = 0.5
FEWEST_UNTOUCHED = 3
"""Intervals between frames; four frames in a row have three."""
STEP_SIGMAS = 8.0
LEAST_STEP_ARCSEC = 60.0
"""Smaller jumps may be a periodic error: they are left to the fit."""
POINTING_FLOOR_ARCSEC = 0.15
ROLL_FLOOR_ARCSEC = 1.0
"""Errors of an attitude that its stars' scatter does not show (optics, catalogue)."""


STILL = 0.05
"""Least rate, over the sky's, by which a camera on a drive differs from one at rest."""
MOST_STILL = 0.25
"""The same where the times of short exposures say little: half of what a drive at half the sky's
rate differs by."""
MOST_HALF = 0.15
"""The same for a drive at half the sky's rate."""
DRIVEN, HALF, STILL_LAG = 0.0, 0.5, 1.0
"""By how much of the sky's rate a camera lags behind it: followed, at half speed, at rest."""


@dataclass(frozen=True, slots=True)
class Sample:
    """One solved frame of a setup."""

    file: str
    time_s: float
    """Middle of the exposure."""
    exposure_s: float
    attitude: Floats
    """Sky frame to camera axes."""
    covariance: Floats
    """Of a small rotation about the camera axes, arcsec^2."""
    segment: int = 0
    """Frames of one segment share one starting attitude."""
    clock_step_s: float = 0.0
    """What its time is written to, which is how far the time between two may be off."""

    @property
    def forward(self) -> Floats:
        """Direction of the optical axis in the sky frame."""
        return np.asarray(self.attitude[2])


def samples_of(lights: Sequence[Light]) -> list[Sample]:
    """Solved, clocked frames of one setup in order of time, cut into segments.

    A new segment begins with another lens, and where the pointing jumps: a re-aim, a dither
    or a knock is a new start, not a motion of the tracker.
    """
    usable = [light for light in lights if light.pointing.solved and light.timed]
    usable.sort(key=lambda light: (light.mid_s, light.file))
    out: list[Sample] = []
    segment = -1
    last_key: tuple[object, ...] | None = None
    for light in usable:
        key = lens_key(light)
        if key != last_key or light.moved:
            segment, last_key = segment + 1, key
        covariance = light.pointing.covariance * RAD_TO_ARCSEC**2
        floor = np.diag([POINTING_FLOOR_ARCSEC**2] * 2 + [ROLL_FLOOR_ARCSEC**2])
        out.append(
            Sample(
                light.file,
                light.mid_s,
                light.info.exposure_s,
                light.pointing.attitude,
                covariance + floor,
                segment,
                light.clock_step_s,
            )
        )
    observed = frames_of_reference(usable) == {True}
    return _cut_at_steps(_cut_where_the_drive_was_switched(out, observed))


def frames_of_reference(lights: Sequence[Light]) -> set[bool]:
    """Whether the attitudes of timed frames are held against the Earth (True) or the stars.

    Both in one set would mean a fault of ours: the night gives all of them one clock and site.
    """
    solved = [light.pointing.sky for light in lights if light.pointing.solved and light.timed]
    return {sky is not None and sky.observed for sky in solved}


def excess_rotation_arcsec(a: Sample, b: Sample, earth_fixed: bool) -> Floats:
    """Rotation of the camera from `a` to `b` beyond that of the sky, arcsec, in sky axes."""
    # rows of an attitude are the camera axes in the sky frame
    change = turn_of(b.attitude.T @ a.attitude) * RAD_TO_ARCSEC
    if earth_fixed:
        # The sky turns about the pole, westwards. A tracker turns about one axis, so however
        # long it ran, its rotation vector less the sky's is in proportion to the time.
        change[2] += SIDEREAL_RATE_ARCSEC_S * (b.time_s - a.time_s)
    return np.asarray(change)


def _lag(a: Sample, b: Sample, earth_fixed: bool) -> float:
    """How the camera was driven from one frame to the next: at rest the sky alone turned."""
    if not (a.segment == b.segment and b.time_s > a.time_s):
        return DRIVEN
    seconds = b.time_s - a.time_s
    rate = excess_rotation_arcsec(a, b, earth_fixed) / seconds / SIDEREAL_RATE_ARCSEC_S
    near = min(STILL + max(a.clock_step_s, b.clock_step_s) / seconds, MOST_STILL)
    # Long steps of the clock may make a driven camera look like one at half speed.
    lags = (STILL_LAG, HALF) if near < MOST_HALF else (STILL_LAG,)
    return next((lag for lag in lags if np.linalg.norm(rate - [0, 0, lag]) < near), DRIVEN)


def _cut_where_the_drive_was_switched(samples: list[Sample], earth_fixed: bool) -> list[Sample]:
    """Start a new segment where a camera comes to rest or to half speed, or is driven again."""
    lags = [DRIVEN, *(_lag(a, b, earth_fixed) for a, b in pairwise(samples)), DRIVEN]
    # Frame n lies between the moves `lags[n]` and `lags[n + 1]`.
    own = [max(lags[n], lags[n + 1]) for n in range(len(samples))]
    cuts, out = 0, samples[:1]
    for n in range(1, len(samples)):
        cuts += own[n] != own[n - 1]
        out.append(replace(samples[n], segment=samples[n].segment + cuts))
    return out


def _cut_at_steps(samples: list[Sample]) -> list[Sample]:
    """Start a new segment where the pointing jumps and does not come back."""
    moves = _moves(samples)
    out = samples[:1]
    cuts = 0
    for n in range(1, len(samples)):
        if n in moves:
            move, limit = moves[n]
            # A gust throws one frame off: the step there and the step back cancel.
            back = [float(np.linalg.norm(move + moves[m][0])) for m in (n - 1, n + 1) if m in moves]
            size = float(np.linalg.norm(move))
            if size > limit and min(back, default=size) > 0.35 * size:
                cuts += 1
        out.append(replace(samples[n], segment=samples[n].segment + cuts))
    return out


def _moves(samples: list[Sample]) -> dict[int, tuple[Floats, float]]:
    """Jump of the pointing before each frame beyond its neighbours' drift, and a limit for it.

    Both in arcsec; only frames that share a segment with the one before have an entry.
    """
    count = len(samples)
    seconds = np.diff([one.time_s for one in samples], prepend=np.nan)
    segment = np.array([one.segment for one in samples])
    told = np.flatnonzero((np.diff(segment, prepend=-1) == 0) & (seconds > 0))
    if len(told) == 0:
        return {}
    rates = np.full((count, 3), np.nan)
    for n in told:
        rates[n] = excess_rotation_arcsec(samples[n - 1], samples[n], True) / seconds[n]
    # Up to six neighbours of each, NaN where there are none.
    places = told[:, None] + np.array([-3, -2, -1, 1, 2, 3])
    there = (places >= 0) & (places < count)
    near = np.where(there[..., None], rates[np.clip(places, 0, count - 1)], np.nan)
    lone: NDArray[np.bool_] = np.asarray(np.isnan(near[..., 0]).all(1))
    own = rates[told]
    usual = np.where(lone[:, None], 0.0, _median(near))
    # Of two frames alone none says what is usual; a camera at rest did not jump, though, whether
    # its pointings are held against the Earth or the stars.
    over = own[:, None] / SIDEREAL_RATE_ARCSEC_S - np.array([[0.0, 0, 1], [0, 0, 2]])
    step = np.array([samples[n].clock_step_s for n in told]) / seconds[told]
    rests = lone & (np.linalg.norm(over, axis=2).min(1) < np.minimum(STILL + step, MOST_STILL))
    usual[rests] = own[rests]
    # What counts is where the camera points; a turn about its own axis is measured badly.
    forward = np.array([samples[n].forward for n in told])[:, None]
    both = np.concatenate([own[:, None], near], 1) - usual[:, None]
    moves = np.cross(both, forward) * seconds[told, None, None]
    others = np.linalg.norm(moves[:, 1:], axis=2)
    # Both as the root mean square length of two numbers, sqrt(2) sigma.
    spread = np.array([np.trace(one.covariance[:2, :2]) for one in samples])
    noise = np.sqrt(spread[told - 1] + spread[told])
    scattered = np.sqrt(2) * _median(others[..., None])[:, 0] / median_length(2)
    many = np.count_nonzero(np.isfinite(others), axis=1) > 1
    noise = np.where(many, np.fmax(noise, scattered), noise)
    limits = np.maximum(STEP_SIGMAS * noise, LEAST_STEP_ARCSEC)
    return {
        int(n): (move, float(limit))
        for n, move, limit in zip(told, moves[:, 0], limits, strict=True)
    }


def _median(values: Floats) -> Floats:
    """Median of the known values of each set, shape (n, m, k) -> (n, k); NaN of none."""
    ordered = np.sort(values, axis=1)  # NaN at the end
    known = np.count_nonzero(np.isfinite(values), axis=1)[:, None]
    low, high = np.maximum((known - 1) // 2, 0), np.minimum(known // 2, values.shape[1] - 1)
    middle = (np.take_along_axis(ordered, low, 1) + np.take_along_axis(ordered, high, 1)) / 2
    return np.asarray(middle[:, 0])


def tracked_only(samples: list[Sample], earth_fixed: bool) -> list[Sample]:
    """Leave out frames during which the camera stood still: they say nothing of the axis.

    Under a camera at rest the sky turns about the pole at its own rate, whether the pointings
    are held against the Earth or the stars. One that is at rest is so until it is aimed anew.
    """
    still = _segments_at(STILL_LAG, samples, earth_fixed)
    return [s for s in samples if s.segment not in still]


@dataclass(frozen=True, slots=True)
class OneRate:
    """Frames that one rate of the drive may have moved."""

    samples: list[Sample]
    half_speed: bool
    """Whether that is half speed, which drives have for pictures with a landscape."""
    left_out: frozenset[str] = frozenset()
    """Files of frames at half speed, where the others are enough to tell of the mount."""


def at_one_rate(samples: list[Sample], earth_fixed: bool) -> OneRate:
    """The frames that followed the sky; those at half speed where the others are too few.

    Of two frames alone nothing says that they did: the drive may have been switched off between
    them.
    """
    segments = _segments_at(HALF, samples, earth_fixed)
    half = [s for s in samples if s.segment in segments]
    if len(half) <= 2:
        return OneRate(samples, False)
    if len(samples) - len(half) < FEWEST_FRAMES:
        return OneRate(half, True)
    others = [s for s in samples if s.segment not in segments]
    return OneRate(others, False, frozenset(s.file for s in half))


def _segments_at(lag: float, samples: Sequence[Sample], earth_fixed: bool) -> set[int]:
    """The segments whose camera lagged so far behind the sky between most of its frames."""
    seen: dict[int, list[bool]] = {}
    for a, b in pairwise(samples):
        if a.segment == b.segment and b.time_s > a.time_s:
            seen.setdefault(a.segment, []).append(_lag(a, b, earth_fixed) == lag)
    return {segment for segment, there in seen.items() if 2 * sum(there) > len(there)}


def often_moved(lights: Sequence[Light], samples: Sequence[Sample]) -> bool:
    """Whether so few frames follow one another untouched that their trails say more."""
    moved = {light.file for light in lights if light.moved}
    starts = sum(a.segment != b.segment for a, b in pairwise(samples))
    untouched = len(samples) - 1 - starts
    return starts > 0 and (
        len(moved) > MOST_MOVED * (len(samples) - 1) or untouched < FEWEST_UNTOUCHED
    )


def times_overlap(samples: Sequence[Sample]) -> bool:
    """Whether one exposure often begins before the last ended, which no camera does.

    A clock of whole seconds and rounded exposures may seem to, by two seconds and a tenth of an
    exposure; a file that lies on the card twice does once.
    """
    early = 0
    for a, b in pairwise(samples):
        gap = (b.time_s - b.exposure_s / 2) - (a.time_s + a.exposure_s / 2)
        early += gap < -2.0 - 0.1 * a.exposure_s
    same = len(samples) > 1 and samples[-1].time_s - samples[0].time_s <= 0
    return bool(same or early > max(1, 0.1 * (len(samples) - 1)))
