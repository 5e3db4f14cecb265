"""Motion inside each exposure: second moments minus the lens -> trail and turn.

Every frame's moments, with the lens's change across the field taken out, leave a constant
(a trail and a blur), terms linear in the place (a trail that a turn makes longer on one
side) and terms in the square of the radius (a change of focus). The image drift
between neighbouring frames then decides what at the centre is motion and what is astigmatism.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from skyplumb.angles import axis_deg
from skyplumb.calibrate.lens_psf import FEW_FRAMES, LensPsf, ShapeStars
from skyplumb.judge.doubled import Doubled
from skyplumb.judge.drift import Drift
from skyplumb.measure import shapes
from skyplumb.measure.flags import BIT
from skyplumb.records import NAN, Measure
from skyplumb.robust import robust_sigma
from skyplumb.rowwise import AT_ONCE, Rows, medians, robust_fits

Floats = NDArray[np.float64]

FEWEST_STARS = 8
"""So many stars must agree before a frame is said to be trailed."""
AGREE_WITHIN_DEG = 15.0
AGREEING_SHARE = 0.75
"""Part of the streaks that must lie along one direction: one of random ones lies within 15 degrees
of it by a chance of 1/6."""
BRIGHTEST = 20
WHOLE_WITHIN = 0.05
WHOLE_SHARE = 0.5
"""Trails of one length: so large a part of the brightest lies so near the longest of them. Fainter
ones break into pieces, and all do where they cross."""
LONG_PX = 25.0
"""Trails from so long on do; the width of a star still shows in shorter ones."""
OTHER_LENGTH = 0.1
"""A fit whose trail is so far from that of whole ones took pieces for stars."""
RICH_STARS = 40
"""So many carry a trail that changes over the field."""
CLEAR_SIGMAS = 3.0
"""A trail shorter than so many of its errors has no direction and is no claim."""
LENS_SIGMAS = 4.0
"""A stretch along or across the radius that stands so clear of its error is a lens's."""
SAME_SIGMAS = 3.0
"""A stretch within so many errors of what the image drift predicts is taken for it."""
SURE_PX2 = 0.003
"""Least doubt about a predicted stretch, px^2: a trail of 0.2 px."""
ASTIGMATISM_SIGMA_PX2 = 0.15
"""How far from round a lens may draw stars at its very centre before that is believed to be
motion, px^2 (decentring; common practice, no source)."""
USUAL_ASTIGMATISM_PX2 = 0.008
"""How far from round lenses do, px^2 along either way: an error of each trail where no pointing
tells it from motion. Empirical: 13 lenses that pointings did not tell of (`tests.bench.honesty`,
seeds 150,000 to 150,135) lay 0.005 off, root mean square, and one in seven twice as far."""
LAW_SHARE = 0.007
"""Error of a stretch by the law that gives its length, over it: root mean square of trailed
Gaussian and Moffat stars (those of `tests.bench.shape_laws`)."""
UNEVEN_SHARE = 0.04
"""The same for a path that is not even, for which the law is made: where pointings do not tell that
it was. Empirical: 0.05 of 23 frames whose drive swung (seed 150,127)."""
FIELD_SHARE = 0.25
"""A flat picture draws a trail longer far from its middle, by up to the square of the distance
over the focal length; the terms over the field leave so much of its value at the corner in the
middle. Empirical: 0.22 and 0.25 of two 14 mm lenses (seeds 150,103 and 150,125)."""
PROFILE_SIGMA = 0.02
"""Error of the untrailed star's fourth moment (`shapes.profile_kurt`)."""
PROFILE_RISE = 1.14
"""How the stretch of a short trail grows with it (`shapes.trail_length_px`)."""
DOUBLE_SHARE = 0.03
"""Error of the trail that two rests make, over its length: root mean square of six doubled frames,
0.028 (seeds as above)."""


@dataclass(frozen=True, slots=True)
class Stretch:
    """What one frame's stars show before astigmatism and motion are told apart."""

    shape_stars: int
    centre: Floats
    """Trace, mxx - myy and 2 mxy at the centre of the field, px^2."""
    covariance: Floats
    """Variances of `centre`, px^4."""
    kurt: float
    """Median weighted fourth moment."""
    slope: Floats
    """Shape (2,): linear part of the quadrupole terms that a turn during the exposure leaves."""
    slope_sigma: Floats
    radial_sigmas: float = 0.0
    """How clearly stars are drawn out along the radius from the middle, or across it where
    negative, in errors: a lens does so, a trail lies one way all over the field."""


@dataclass(frozen=True, slots=True)
class OnAxis:
    """What the lens itself does to stars at the very centre of the field."""

    stretch: Floats = field(default_factory=lambda: np.zeros(2))
    """mxx - myy and 2 mxy, px^2."""
    sigma_px2: float = USUAL_ASTIGMATISM_PX2
    """One-sigma error of each."""


@dataclass(frozen=True, slots=True)
class Motion:
    """The trail of one frame."""

    trail_px: float = NAN
    trail_sigma_px: float = NAN
    trail_angle_deg: float = NAN
    trail_worst_px: float = NAN
    """At the corner where a turn of the field makes it longest."""
    turn_rad: float = 0.0
    """Turn of the field over the exposure, for a trail that runs towards `trail_angle_deg`."""
    across_px2: float = NAN
    """Second moment across the trail at the centre, px^2: lens, focus and seeing."""
    widened_px2: float = NAN
    """How much more that is than in the frames around it."""
    kurt: float = NAN
    """Fourth moment of the untrailed star profile."""
    doubled_px: float = NAN
    doubled_angle_deg: float = NAN
    tail: bool = False
    """Whether the trail is a faint tail beside a sharper core, as a gust leaves it."""
    lens_like: bool = False
    """Whether the stars' stretch turns around the middle of the field, as a lens draws it."""
    in_pieces: bool = False
    """Whether trails were found in pieces of many lengths: `trail_px` is what they surpass."""

    @property
    def known_px(self) -> float:
        """The trail's length; NaN where its pieces tell only what it surpasses."""
        return NAN if self.in_pieces else self.trail_px

    @property
    def directed(self) -> bool:
        """Whether the trail stands clear of its error, so that its direction means something."""
        return self.in_pieces or self.trail_px > CLEAR_SIGMAS * self.trail_sigma_px

    @property
    def direction_deg(self) -> float:
        """The trail's angle where it means something; else NaN."""
        return self.trail_angle_deg if self.directed else NAN


def stretches_of(frames: Sequence[ShapeStars], lens: LensPsf) -> list[Stretch | None]:
    """Decompose frames of one lens; None of one with fewer than `FEWEST_STARS` stars."""
    out: list[Stretch | None] = [None] * len(frames)
    counts = np.array([len(frame.place) for frame in frames])
    for some in (
        np.flatnonzero((counts >= FEWEST_STARS) & (counts < RICH_STARS)),
        np.flatnonzero(counts >= RICH_STARS),
    ):
        for start in range(0, len(some), AT_ONCE):
            these = some[start : start + AT_ONCE]
            for n, stretch in zip(these, _stretches([frames[n] for n in these], lens), strict=True):
                out[n] = stretch
    return out


def _stretches(frames: Sequence[ShapeStars], lens: LensPsf) -> list[Stretch]:
    """Of frames all of which have `RICH_STARS`, or none; each is a row of the arrays here."""
    rows = Rows([len(frame.place) for frame in frames])
    rich = bool(rows.lengths.min() >= RICH_STARS)
    place, moments, errors = (
        np.concatenate([getattr(frame, name) for frame in frames])
        for name in ("place", "moments", "errors")
    )
    residual = np.moveaxis(rows.of(moments - lens.at(place)), 2, 0)
    x, y = np.moveaxis(rows.of(place), 2, 0)
    error = np.moveaxis(rows.of(errors), 2, 0)
    one, zero = np.ones_like(x), np.zeros_like(x)
    # Trace: level, tilt of focus, bowl of focus.
    design = np.stack([one, x, y, x * x + y * y] if rich else [one], axis=1)
    trace, trace_covariance = robust_fits(design, residual[0], error[0])
    # The moments share their terms, so they are fitted together: trail (2), turn squared or
    # radial stretch by lens and focus, which differ in sign alone (1), turn with trail (2).
    columns_1 = [one, zero, x * x - y * y]
    columns_2 = [zero, one, 2 * x * y]
    usual = medians(rows.of(moments[:, 0]))
    endless = np.full_like(usual, np.inf)
    # Where the lens could not be learned it may stretch stars by any amount.
    priors = [endless, endless, usual if lens.order else endless]
    # Radial terms, at the distance from the middle that half of the stars lie beyond.
    radius = medians(rows.of(np.hypot(*place.T)))
    radial = {2: radius**2}
    if lens.frames <= FEW_FRAMES:
        radial[3] = radius
        # Coma grows with the distance itself and points to the middle on every side, while a trail
        # keeps its way: stars on one side of the picture alone leave both open, and say so.
        distance = np.maximum(np.hypot(x, y), 1e-3)
        columns_1.append((x * x - y * y) / distance)
        columns_2.append(2 * x * y / distance)
        priors.append(usual if lens.order else endless)
    if rich:
        # b (Jr)^T + (Jr) b^T with Jr = (-y, x): xx - yy = -2 (b1 y + b2 x), 2 xy = 2 (b1 x - b2 y).
        columns_1 += [-2 * y, -2 * x]
        columns_2 += [2 * x, -2 * y]
        priors += [0.3 * usual, 0.3 * usual]
    design = np.concatenate([np.stack(columns_1, axis=1), np.stack(columns_2, axis=1)], axis=2)
    values, both = (np.concatenate([of[1], of[2]], axis=1) for of in (residual, error))
    quadrupole, covariance = robust_fits(design, values, both, np.stack(priors, axis=1))
    variance = np.diagonal(covariance, axis1=1, axis2=2)
    sigma = np.sqrt(variance)
    terms, along = [*radial], np.stack([*radial.values()], axis=1)
    outwards = np.einsum("st,st->s", quadrupole[:, terms], along)
    spread = np.einsum("st,stu,su->s", along, covariance[:, terms][:, :, terms], along)
    radial_sigmas = outwards / np.sqrt(spread)
    kurt = medians(rows.of(np.concatenate([frame.kurt for frame in frames])))
    return [
        Stretch(
            shape_stars=len(frame.place),
            centre=np.array([trace[n, 0], *quadrupole[n, :2]]),
            covariance=np.array([trace_covariance[n, 0, 0], *variance[n, :2]]),
            kurt=float(kurt[n]),
            slope=quadrupole[n, -2:] if rich else np.zeros(2),
            slope_sigma=sigma[n, -2:] if rich else np.full(2, np.inf),
            radial_sigmas=float(radial_sigmas[n]),
        )
        for n, frame in enumerate(frames)
    ]


def on_axis_astigmatism(
    stretches: Sequence[Stretch | None], drifts: Sequence[Drift], kurt: float
) -> OnAxis:
    """What the lens itself does to stars at the centre.

    Where the pointings say how far the sky moved, the stretch that this leaves unexplained
    and that the sharpest frames share is the lens's. Without pointings nothing can tell it
    from motion, and the centre is taken for round.
    """
    left, sigma = [], []
    for stretch, drift in zip(stretches, drifts, strict=True):
        if stretch is None or not np.isfinite(drift.length_px):
            continue
        across = max(stretch.centre[0] - np.hypot(*stretch.centre[1:]), 0.2) / 2
        expected, doubt = _expected_quadrupole(drift, across, kurt)
        left.append(stretch.centre[1:] - expected)
        noise = float(np.sqrt(np.mean(stretch.covariance[1:])))
        sigma.append(np.hypot(noise, doubt) + 0.03 * float(np.hypot(*expected)))
    if len(left) < 3:
        return OnAxis()
    rest, error = np.array(left), np.array(sigma) + 1e-3
    # Wind adds to the stretch: the third with the least left over for its error shows the
    # astigmatism; an average of them all would take wind for it.
    size = np.hypot(rest[:, 0], rest[:, 1])
    calm = np.argsort(np.hypot(size, error), kind="stable")[: max(3, len(rest) // 3)]
    weight = 1 / error[calm] ** 2
    centre = np.average(rest[calm], axis=0, weights=weight)
    scatter = robust_sigma(rest[calm] - centre) / np.sqrt(len(calm))
    # Doubts about drifts are alike from frame to frame and do not average out.
    doubt = float(np.sqrt(np.average(error[calm] ** 2, weights=weight)))
    variance = scatter**2 + doubt**2
    usual = max(USUAL_ASTIGMATISM_PX2**2, float(np.mean(centre**2)))
    return OnAxis(
        centre * ASTIGMATISM_SIGMA_PX2**2 / (ASTIGMATISM_SIGMA_PX2**2 + variance),
        float(np.sqrt(variance * usual / (variance + usual))),
    )


def _expected_quadrupole(drift: Drift, across: float, kurt: float) -> tuple[Floats, float]:
    """Stretch that a drift draws, mxx - myy and 2 mxy, and how far it may be off, px^2."""
    excess = float(shapes.moment_excess(drift.length_px, across, kurt))
    turn = 2 * np.radians(drift.angle_deg)
    # A drift that may be off by d makes the excess uncertain by L d / 6 + d^2 / 12.
    doubt = drift.length_px * drift.sigma_px / 6 + drift.sigma_px**2 / 12
    return excess * np.array([np.cos(turn), np.sin(turn)]), doubt


def law_sigma_px2(excess: float, across: float, kurt: float) -> float:
    """Error of a stretch by the law behind `shapes.trail_length_px` and by the star's profile.

    What is not known of the profile matters less the longer the trail is.
    """
    if excess <= 0:
        return 0.0
    kappa = 12 * excess / float(shapes.trail_length_px(excess, across, kurt)) ** 2
    profile = PROFILE_RISE * PROFILE_SIGMA / (1 + excess / (1.5 * across)) / kappa
    return excess * float(np.hypot(LAW_SHARE, profile))


def motion_of(
    stretch: Stretch | None,
    on_axis: OnAxis,
    drift: Drift,
    kurt: float,
    picture: tuple[int, int],
    corner: float = 0.0,
) -> Motion:
    """Trail of one frame from its stretch, with the astigmatism at the centre taken out.

    `corner` is the half diagonal over the focal length, 0 where it is not known.
    """
    if stretch is None:
        return Motion()
    quadrupole = stretch.centre[1:] - on_axis.stretch
    noise = float(np.sqrt(np.mean(stretch.covariance[1:])))
    size = float(np.hypot(*quadrupole))
    across = max((stretch.centre[0] - size) / 2, 0.05)
    field_px2 = FIELD_SHARE * corner**2 * size
    law = law_sigma_px2(size, across, kurt)
    sigma = float(np.linalg.norm([noise, on_axis.sigma_px2, law, field_px2]))
    uneven = float(np.hypot(sigma, UNEVEN_SHARE * size))
    if np.isfinite(drift.length_px):
        expected, doubt = _expected_quadrupole(drift, across, kurt)
        doubt = max(doubt, SURE_PX2)
        # What the drift and the noise explain is no trail of its own: both tell of one motion.
        if np.hypot(*(quadrupole - expected)) < SAME_SIGMAS * np.hypot(sigma, doubt):
            weight = doubt**2 / (doubt**2 + uneven**2)
            quadrupole = weight * quadrupole + (1 - weight) * expected
            uneven *= float(np.sqrt(weight))
    sigma = uneven
    size = float(np.hypot(*quadrupole))
    # Noise has no direction but always has a length: take it out of the square.
    excess = float(np.sqrt(max(size**2 - 2 * sigma**2, 0.0)))
    across = max((stretch.centre[0] - size) / 2, 0.05)
    length = float(shapes.trail_length_px(excess, across, kurt))
    per_px2 = max(
        float(shapes.trail_length_px(excess + sigma, across, kurt)) - length,
        1e-3,
    )
    angle = float(np.degrees(np.arctan2(quadrupole[1], quadrupole[0])) / 2)
    turn = _turn_rad(length, angle, stretch, drift, picture)
    motion = Motion(
        trail_px=length,
        trail_sigma_px=per_px2,
        trail_angle_deg=angle,
        turn_rad=turn,
        across_px2=across,
        kurt=kurt,
        lens_like=abs(stretch.radial_sigmas) > LENS_SIGMAS,
    )
    corners = float(trail_over_field(motion, picture, 2).max())
    return replace(motion, trail_worst_px=max(corners, length))


def with_double(motion: Motion, doubled: Doubled) -> Motion:
    """The same with doubled stars: two rests are no trail, but spread the light as one would."""
    if not doubled.seen:
        return motion
    motion = replace(motion, doubled_px=doubled.separation_px, doubled_angle_deg=doubled.angle_deg)
    if not np.isfinite(doubled.fainter_share):
        return motion
    return replace(
        motion,
        trail_px=doubled.trail_px,
        trail_sigma_px=DOUBLE_SHARE * doubled.trail_px,
        trail_angle_deg=doubled.angle_deg,
        trail_worst_px=doubled.trail_px,
        turn_rad=0.0,
    )


def _turn_rad(
    length: float, angle: float, stretch: Stretch, drift: Drift, picture: tuple[int, int]
) -> float:
    """Turn of the field during the exposure, rad, for a trail that runs towards `angle`.

    It comes from the pointings where they show one, since moments hold it badly; else from
    the linear part of the stretch where that stands clear of its error. A trail has no head;
    its sign is changed where the image drift runs the other way.
    """
    along = np.array([np.cos(np.radians(angle)), np.sin(np.radians(angle))])
    if np.isfinite(drift.turn_deg):
        backwards = along @ np.array([drift.dx_px, drift.dy_px]) < 0
        return float(np.radians(-drift.turn_deg if backwards else drift.turn_deg))
    # b = t theta / 12 in units of the half diagonal, along the trail.
    strength = float(stretch.slope @ along)
    if length > 0.5 and abs(strength) > 4 * float(np.max(stretch.slope_sigma)):
        return float(12 * strength / (length * np.hypot(*picture) / 2))
    return 0.0


def trail_over_field(motion: Motion, picture: tuple[int, int], cells: int) -> Floats:
    """Length of the trail over the picture, px: the centre's and the turn about some point.

    Shape (cells, cells), at evenly spaced places from corner to corner.
    """
    angle = np.radians(motion.trail_angle_deg)
    x, y = np.meshgrid(
        np.linspace(-0.5, 0.5, cells) * picture[0], np.linspace(-0.5, 0.5, cells) * picture[1]
    )
    dx = motion.trail_px * np.cos(angle) - motion.turn_rad * y
    dy = motion.trail_px * np.sin(angle) + motion.turn_rad * x
    return np.asarray(np.hypot(dx, dy))


def rough_motion(measure: Measure) -> Motion:
    """Trail of stars too long or too few to be fitted, from the detections' own extent.

    That of a star up to three times as long as wide says nothing certain. All NaN where there are
    too few detections, or where they disagree in direction. Of long trails the brightest are whole
    and of one length, or nothing says how long they are.
    """
    stars = measure.stars
    stars = stars[(stars["flags"] & (BIT["hot"] | BIT["edge"])) == 0]
    if len(stars) < FEWEST_STARS:
        return Motion()
    brighter = stars[: max(FEWEST_STARS, len(stars) // 2)]
    moments = np.stack([brighter[name] for name in ("mxx", "myy", "mxy")], 1).astype(np.float64)
    larger, smaller, angle = shapes.axes(np.median(moments, axis=0))
    if not larger > 9 * max(float(smaller), 0.3):
        return Motion()
    long, short, along = shapes.axes(moments)
    off = axis_deg(np.asarray(along - angle))
    if np.mean(np.abs(off) < AGREE_WITHIN_DEG) < AGREEING_SHARE:
        return Motion()
    lengths = shapes.trail_length_px(long - short, np.maximum(short, 0.3), shapes.GAUSSIAN_KURT)
    length, share = float(np.median(lengths)), 0.1
    brightest = lengths[:BRIGHTEST]
    upper = float(np.percentile(brightest, 80))
    whole = np.abs(brightest / upper - 1) < WHOLE_WITHIN
    in_pieces = upper > LONG_PX and bool(np.mean(whole) < WHOLE_SHARE)
    if in_pieces:
        share = 1.0
    elif upper > LONG_PX:
        length, share = float(np.median(brightest[whole])), WHOLE_WITHIN
    return Motion(
        trail_px=length,
        trail_sigma_px=share * length,
        trail_angle_deg=float(angle),
        trail_worst_px=length,
        in_pieces=in_pieces,
    )


def or_rough(motion: Motion, rough: Motion) -> Motion:
    """A fitted trail, or that of whole ones where the fit took pieces of long trails for stars."""
    long = rough.in_pieces or rough.trail_px > LONG_PX
    alike = abs(motion.trail_px / rough.trail_px - 1) < OTHER_LENGTH and not rough.in_pieces
    return rough if long and not alike else motion
