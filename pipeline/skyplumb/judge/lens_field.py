"""Well-tracked frames of a lens -> what it makes of a star all over the field, and of its focus.

Only stars of the catalogue count, and only frames whose own motion is short and known: what that
added to the second moments is taken off. Each star is its mean over the frames; each part of the
picture the mean of its stars, brought to its middle along a smooth polynomial. Frames of another
focus than the sharpest draw another field and are left to the drift of the focus.

The moments are those of the elliptical Gaussian that fits a star best (`measure/shapes.py`), which
wings count in less than in plain moments.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from skyplumb.calibrate.lens_psf import powers, shape_rows, shape_stars
from skyplumb.calibrate.light import optics_key
from skyplumb.findings import LensField, LensZone
from skyplumb.judge.facts import FrameFacts
from skyplumb.measure import shapes
from skyplumb.records import NAN
from skyplumb.robust import mad_sigma
from skyplumb.rowwise import inverses, robust_fits

Floats = NDArray[np.float64]

ZONES = (7, 5)
"""Parts of the picture, across and down: nearly square ones of the usual 3:2."""
ZONE_STARS = 5
"""Fewer do not tell how far stars of one part scatter: those of the whole picture do."""
FRAME_STARS = 8
"""Of the catalogue; fewer may be matched by chance."""
SHORT_TRAIL_PX = 1.0
"""Longer trails leave more of their own error in the moments than a lens may be off by: the error
of this one's square, a tenth of it, is 0.02 px^2."""
TRAIL_OF_WIDTH = 0.3
SAME_FOCUS = 1.06
"""Widths within so much of the sharpest frames' are of one focus."""
MOST_FRAMES = 16
CLOUD_MAG = 0.5
"""Stars dimmed by more are seen through cloud, which widens them."""
ORDER_STARS = ((4, 90), (3, 60), (2, 30), (1, 12))
"""Highest power of the place that so many different stars can carry: some six for each term."""
STAR_SCATTER_PX2 = 0.01
"""Errors of single stars below this do not tell how well they stand for their place."""
CUT_SIGMAS = 3.5
LAW_SHARE = 0.005
"""Of the trace, how far the moments of the Gaussian that fits best are from adaptive ones on all
stars of a lens alike: 0.0046 root mean square over nine drawn lenses (seeds 131,001 to 131,011)."""
PROFILE_ORDER = 2
PROFILE_CHANGE = 0.01
"""Width of a prior about zero of how the profile changes over a half diagonal: drawn ones differ
by 0.02 to 0.03 over the field."""
PROFILE_SIGMA = 0.01
"""Errors of single stars' profiles below this do not tell how well they stand for their place."""
FOCUS_FRAMES = 6
"""Fewer do not tell a drift of the focus."""


def lens_fields(facts: Sequence[FrameFacts]) -> tuple[LensField, ...]:
    """One record for each lens and aperture of a session, the first used first."""
    by_optics: dict[tuple[object, ...], list[FrameFacts]] = defaultdict(list)
    for fact in sorted(facts, key=lambda one: (one.light.order_s, one.light.file)):
        by_optics[optics_key(fact.light)].append(fact)
    found = (_field_of([fact for fact in mine if _tracked(fact)]) for mine in by_optics.values())
    return tuple(one for one in found if one is not None)


def _tracked(fact: FrameFacts) -> bool:
    """Whether a frame shows the lens and not its motion, a cloud or a knock."""
    motion = fact.motion
    clear = not fact.extinction_mag > CLOUD_MAG
    short = motion.trail_px <= min(SHORT_TRAIL_PX, TRAIL_OF_WIDTH * fact.across_fwhm_px)
    whole = not (motion.tail or np.isfinite(motion.doubled_px))
    return bool(fact.light.pointing.solved and short and whole and clear)


@dataclass(frozen=True, slots=True)
class _Stars:
    """What some frames show of the catalogue's stars; arrays of n rows."""

    star: NDArray[np.int64]
    """Row of the catalogue."""
    frame: NDArray[np.int64]
    place: Floats
    """Shape (n, 2): from the middle of the picture, over its half diagonal."""
    moments: Floats
    """Shape (n, 3): trace, mxx - myy and 2 mxy without the frame's motion, px^2."""
    errors: Floats
    kurt: Floats


def _field_of(tracked: Sequence[FrameFacts]) -> LensField | None:
    """The lens by its well-tracked frames; None where they do not tell."""
    seen = [(fact, one) for fact in tracked if len((one := _stars_of(fact)).star) >= FRAME_STARS]
    if not seen:
        return None
    widths = np.array([fact.across_fwhm_px for fact, _ in seen])
    sharpest = float(np.percentile(widths, 10))
    order = np.argsort(widths, kind="stable")[:MOST_FRAMES]
    chosen = sorted(int(n) for n in order if widths[n] <= SAME_FOCUS * sharpest)
    stars = _joined([seen[n][1] for n in chosen])
    light = seen[0][0].light
    size = np.array([light.measure.width_px, light.measure.height_px], float)
    zones = _zones(stars, size / np.hypot(*size))
    if not zones:
        return None
    info, used = light.info, [seen[n][0] for n in chosen]
    temperature = [fact.light.info.temperature_c for fact in used]
    known = [one for one in temperature if np.isfinite(one)]
    per_hour, per_degree = _focus_drifts([fact for fact, _ in seen])
    return LensField(
        camera=info.camera,
        serial=info.serial,
        lens=info.lens,
        focal_mm=info.focal_mm,
        aperture=info.fnumber,
        filter=info.filter_name,
        width_px=int(size[0]),
        height_px=int(size[1]),
        scale_arcsec_px=light.pointing.scale_arcsec_px,
        frames=len(chosen),
        stars=len(np.unique(stars.star)),
        sharpest_fwhm_px=sharpest,
        sharpest_fwhm_px_sigma=mad_sigma(widths[chosen]) / np.sqrt(len(chosen)),
        temperature_c=float(np.median(known)) if known else NAN,
        focus_px_per_h=per_hour[0],
        focus_px_per_h_sigma=per_hour[1],
        focus_px_per_c=per_degree[0],
        focus_px_per_c_sigma=per_degree[1],
        zones=zones,
    )


def _stars_of(fact: FrameFacts) -> _Stars:
    """The catalogue's stars in one frame, its motion taken off."""
    light, motion = fact.light, fact.motion
    rows, shaped = shape_rows(light.measure), shape_stars(light.measure)
    number = np.full(len(light.measure.stars), -1, np.int64)
    number[light.pointing.star] = light.pointing.catalogue
    known = number[rows] >= 0
    drawn = float(shapes.moment_excess(motion.trail_px, motion.across_px2, motion.kurt))
    turn = 2 * np.radians(motion.trail_angle_deg)
    added = drawn * np.array([1.0, np.cos(turn), np.sin(turn)])
    return _Stars(
        number[rows][known],
        np.zeros(int(known.sum()), np.int64),
        shaped.place[known],
        shaped.moments[known] - added,
        shaped.errors[known],
        shaped.kurt[known],
    )


def _joined(frames: Sequence[_Stars]) -> _Stars:
    """Stars of several frames, numbered by frame."""
    parts = [
        np.concatenate([getattr(one, name) for one in frames])
        for name in ("star", "frame", "place", "moments", "errors", "kurt")
    ]
    parts[1] = np.repeat(np.arange(len(frames)), [len(one.star) for one in frames])
    return _Stars(*parts)


def _zones(stars: _Stars, half: Floats) -> tuple[LensZone, ...]:
    """The parts of the picture that enough stars tell of, row by row; `half` its half sizes.

    Each is the mean of its stars, brought to its middle along the smooth polynomial: a weighted sum
    over all stars of the field, whose scatter makes the error.
    """
    names, index = np.unique(stars.star, return_inverse=True)
    order = next((o for o, need in ORDER_STARS if len(names) >= need), 0)
    each = _each_star(stars, index, order)
    profile = _profile(stars, index)
    part = np.floor((each.place / half + 1) / 2 * ZONES).clip(0, np.array(ZONES) - 1)
    part = part @ (1, ZONES[0])
    out = []
    for number in range(ZONES[0] * ZONES[1]):
        mine, times = _alike(np.flatnonzero(part == number), each)
        if not len(mine):
            continue
        down, across = divmod(number, ZONES[0])
        middle = half * (2 * (np.array([across, down]) + 0.5) / ZONES - 1)
        at = powers(middle[None], order)[0]
        share = each.weight[mine] / each.weight[mine].sum(axis=0)
        mean = each.level + (share * each.left[mine]).sum(axis=0) + at @ each.smooth
        sums = np.einsum("tk,ktu,nu,nk->nk", at[:, None] - each.terms[mine].T @ share,
                         each.inverse, each.terms - each.middle, each.weight)  # fmt: skip
        sums[mine] += share
        variance = times**2 * (sums**2 / each.weight).sum(axis=0) + each.shared
        variance[0] += (LAW_SHARE * mean[0]) ** 2
        both, apart = variance[0] + variance[1], variance[0] - variance[1]
        out.append(
            LensZone(
                x=round(float(middle[0]), 4),
                y=round(float(middle[1]), 4),
                stars=len(mine),
                mxx_px2=float(mean[0] + mean[1]) / 2,
                mxx_px2_sigma=float(np.sqrt(both)) / 2,
                myy_px2=float(mean[0] - mean[1]) / 2,
                myy_px2_sigma=float(np.sqrt(both)) / 2,
                mxy_px2=float(mean[2]) / 2,
                mxy_px2_sigma=float(np.sqrt(variance[2])) / 2,
                profile=float(profile(middle)),
                mxx_myy_px4=float(apart) / 4,
            )
        )
    return tuple(out)


@dataclass(frozen=True, slots=True)
class _Field:
    """Each star's mean over the frames; arrays of n rows, of the three moments."""

    place: Floats
    terms: Floats
    """Shape (n, terms): powers of the place."""
    smooth: Floats
    """Shape (terms, 3): the polynomial."""
    level: Floats
    """Shape (3,): its constant."""
    left: Floats
    """Shape (n, 3): what each star has beyond that."""
    weight: Floats
    """One over the variance expected of that."""
    middle: Floats
    """Shape (terms,): mean of the terms."""
    inverse: Floats
    """Shape (3, terms, terms): covariance of the polynomial."""
    shared: Floats
    """Shape (3,): variance of what all stars of a frame share, over the frames' number."""


def _each_star(stars: _Stars, index: NDArray[np.int64], order: int) -> _Field:
    """Frames brought to the focus and air of their mean, then star by star: frames show the same
    ones, which are no more stars for that."""
    terms = powers(stars.place, order)
    owner = np.eye(int(stars.frame.max()) + 1)[stars.frame]
    design = np.concatenate([terms, owner], axis=1)
    wide = np.broadcast_to(design.T, (3, *design.T.shape))
    solution, _ = robust_fits(wide, stars.moments.T, stars.errors.T)
    smooth, level = solution[:, : terms.shape[1]].T, solution[:, terms.shape[1] :].T
    frames = len(level)
    shared = level.var(axis=0, ddof=1) / frames if frames > 1 else np.zeros(3)
    left = stars.moments - terms @ smooth - level[stars.frame]
    weight = 1 / stars.errors**2
    total = np.stack([np.bincount(index, weight[:, k]) for k in range(3)], 1)
    each = np.stack([np.bincount(index, weight[:, k] * left[:, k]) for k in range(3)], 1) / total
    count = np.bincount(index)
    place = np.stack([np.bincount(index, column) for column in stars.place.T], 1) / count[:, None]
    # What stars differ by beyond their noise.
    scatter = np.array([mad_sigma(column) for column in each.T]) ** 2 - np.median(1 / total, axis=0)
    weight = 1 / (1 / total + np.maximum(scatter, STAR_SCATTER_PX2**2))
    terms = powers(place, order)
    middle = terms.mean(axis=0)
    off = terms - middle
    inverse = inverses(np.einsum("nt,nk,nu->ktu", off, weight, off))
    return _Field(place, terms, smooth, level.mean(axis=0), each, weight, middle, inverse, shared)


def _profile(stars: _Stars, index: NDArray[np.int64]) -> Callable[[Floats], float]:
    """The profile at a place, smooth over the field: single stars tell it far less well than their
    width, so that those of one part would not do, and few of them tell no more than one for all."""
    errors = np.maximum(stars.errors[:, 0] / stars.moments[:, 0].clip(0.1), PROFILE_SIGMA)
    # Noise makes a profile look winged, too, so that faint stars tell less than their scatter says.
    errors = errors**2 / PROFILE_SIGMA
    known = np.isfinite(stars.kurt)
    weight = np.where(known, 1 / errors**2, 0.0)
    total = np.maximum(np.bincount(index, weight), 1e-9)
    each = np.bincount(index, weight * np.where(known, stars.kurt, 0.0)) / total
    count = np.bincount(index)
    place = np.stack([np.bincount(index, column) for column in stars.place.T], 1) / count[:, None]
    terms = np.column_stack([np.ones(len(each)), powers(place, PROFILE_ORDER)])
    prior = np.append(np.inf, np.full(terms.shape[1] - 1, PROFILE_CHANGE))
    each = np.where(total > 1, each, np.nan)
    solution, _ = robust_fits(terms.T[None], each[None], 1 / np.sqrt(total)[None], prior)

    def at(place: Floats) -> float:
        return float(np.append(1.0, powers(place[None], PROFILE_ORDER)[0]) @ solution[0])

    return at


def _alike(mine: NDArray[np.int64], each: _Field) -> tuple[NDArray[np.int64], Floats]:
    """Those of the stars `mine` that are not far from their median, or of few from that of all, and
    how many times their errors they scatter by: as all do, the more stars the more by their own."""
    size = np.sqrt(each.weight)
    over = each.left * size
    free = len(over) / max(len(over) - each.terms.shape[1] - 1, 1)
    usual = np.sqrt(free) * np.array([mad_sigma(column) for column in over.T])
    many = len(mine) >= ZONE_STARS
    middle = np.median(each.left[mine], axis=0) if many else np.zeros(3)
    over = (each.left[mine] - middle) * size[mine]
    own = np.array([mad_sigma(column) for column in over.T]) if many else usual
    far = (np.abs(over) > CUT_SIGMAS * _shrunk(own, usual, len(mine))).any(axis=1)
    over = over[~far]
    own = np.sqrt((over**2).sum(axis=0) / max(len(over) - 1, 1)) if many else usual
    return mine[~far], _shrunk(own, usual, len(over))


def _shrunk(own: Floats, usual: Floats, count: int) -> Floats:
    """Scatter of `count` values towards the usual one, by how little they tell of their own."""
    return np.sqrt((count * own**2 + ZONE_STARS * usual**2) / (count + ZONE_STARS))


Slope = tuple[float, float]
"""With its error; NaN where unknown."""


def _focus_drifts(facts: Sequence[FrameFacts]) -> tuple[Slope, Slope]:
    """How the width changes with the hours of the night and with the temperature."""
    width = np.array([fact.across_fwhm_px for fact in facts])
    hours = np.array([fact.light.mid_s / 3600 if fact.light.clocked else NAN for fact in facts])
    degrees = np.array([fact.light.info.temperature_c for fact in facts])
    return _slope(hours, width), _slope(degrees, width)


def _slope(at: Floats, width: Floats) -> Slope:
    """Of a straight line, by least squares; where there are enough places to lay one through."""
    known = np.isfinite(at) & np.isfinite(width)
    at, width = at[known], width[known]
    if len(at) < FOCUS_FRAMES or len(np.unique(at)) < 3:
        return NAN, NAN
    off = at - at.mean()
    slope = float(off @ width / (off @ off))
    rest = width - width.mean() - slope * off
    return slope, float(np.sqrt(rest @ rest / (len(at) - 2) / (off @ off)))
