"""Motion inside each exposure: second moments minus the lens -> trail, turn, doubled stars.

Every frame's moments, with the lens's change across the field taken out, leave a constant
(a trail and a blur), terms linear in the place (a trail that a turn makes longer on one
side) and terms in the square of the radius (a change of focus). The shift of the sky
between neighbouring frames then decides what at the centre is motion and what is astigmatism.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from skyplumb.calibrate.lens_shape import LensShape, ShapeStars
from skyplumb.calibrate.pointing import Pointing
from skyplumb.measure import shapes
from skyplumb.measure.stars import BIT
from skyplumb.records import NAN, Measure
from skyplumb.robust import robust_fit

Floats = NDArray[np.float64]

FEWEST_VOTES = 8
SAME_SIGMAS = 3.0
"""A stretch within so many errors of what the shift of the sky predicts is taken for it."""
SURE_PX2 = 0.003
"""Least doubt about a predicted stretch, px^2: a trail of 0.2 px."""
UNLIKE = 2.5
"""Legs that differ by more than so many times the change beyond them hold a step."""
DOUBLE_REACH_PX = 90.0
ASTIGMATISM_SIGMA_PX2 = 0.15
"""How far from round a lens may draw stars at its very centre before that is believed to be
motion, px^2 (decentring; common practice, no source)."""


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


@dataclass(frozen=True, slots=True)
class Drift:
    """How the stars moved across the sensor during one exposure, by the neighbours' pointings."""

    dx_px: float = NAN
    """At the middle of the picture, over the exposure."""
    dy_px: float = NAN
    turn_deg: float = NAN
    """Turn of the star field over the exposure, from +x towards +y."""
    spread_px: float = NAN
    """How far the shift may be off, by how unlike the neighbours' rates are."""

    @property
    def length_px(self) -> float:
        """Net shift, px; NaN if no neighbour was solved."""
        return float(np.hypot(self.dx_px, self.dy_px))

    @property
    def angle_deg(self) -> float:
        """Axis of the shift in the picture, -90..90."""
        return float((np.degrees(np.arctan2(self.dy_px, self.dx_px)) + 90) % 180 - 90)


@dataclass(frozen=True, slots=True)
class Doubled:
    """Stars that stand twice: a knock between two rests. All NaN if they stand once."""

    separation_px: float = NAN
    angle_deg: float = NAN
    """In the picture, -90..90."""
    fainter_share: float = NAN
    """Part of the light in the fainter image."""

    @property
    def seen(self) -> bool:
        """Whether stars stand twice."""
        return bool(np.isfinite(self.separation_px))

    @property
    def trail_px(self) -> float:
        """Length of the even trail of the same second moment, px: f (1 - f) d^2 = L^2 / 12."""
        share = self.fainter_share
        return float(np.sqrt(12 * share * (1 - share)) * self.separation_px)


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
    kurt: float = NAN
    """Fourth moment of the untrailed star profile."""
    doubled_px: float = NAN
    doubled_angle_deg: float = NAN
    tail: bool = False
    """Whether the trail is a faint tail beside a sharper core, as a gust leaves it."""


def stretch_of(frame: ShapeStars, lens: LensShape) -> Stretch | None:
    """Decompose one frame; None with fewer than `FEWEST_VOTES` stars."""
    count = len(frame.place)
    if count < FEWEST_VOTES:
        return None
    x, y = frame.place[:, 0], frame.place[:, 1]
    r2 = x * x + y * y
    residual = frame.moments - lens.at(frame.place)
    one = np.ones(count)
    rich = count >= 40
    # Trace: level, tilt of focus, bowl of focus.
    design = np.stack([one, x, y, r2], 1) if rich else one[:, None]
    trace, trace_cov = robust_fit(design, residual[:, 0], frame.errors[:, 0])
    # The moments share their terms, so they are fitted together: trail (2), turn with trail
    # (2), turn squared (1), radial stretch by focus (1).
    zero = np.zeros(count)
    columns_1 = [one, zero]
    columns_2 = [zero, one]
    priors = [np.inf, np.inf]
    if rich:
        # b (Jr)^T + (Jr) b^T with Jr = (-y, x): xx - yy = -2 (b1 y + b2 x), 2 xy = 2 (b1 x - b2 y).
        # A turn squared and a radial stretch by focus differ in sign alone: one term holds both.
        columns_1 += [-2 * y, -2 * x, x * x - y * y]
        columns_2 += [2 * x, -2 * y, 2 * x * y]
        usual = float(np.median(frame.moments[:, 0]))
        priors += [0.3 * usual, 0.3 * usual, 1.0 * usual]
    spin_design = np.concatenate([np.stack(columns_1, 1), np.stack(columns_2, 1)])
    values = np.concatenate([residual[:, 1], residual[:, 2]])
    errors = np.concatenate([frame.errors[:, 1], frame.errors[:, 2]])
    quadrupole, spin_cov = robust_fit(spin_design, values, errors, np.array(priors))
    return Stretch(
        shape_stars=count,
        centre=np.array([trace[0], quadrupole[0], quadrupole[1]]),
        covariance=np.array([trace_cov[0, 0], spin_cov[0, 0], spin_cov[1, 1]]),
        kurt=float(np.median(frame.kurt)),
        slope=quadrupole[2:4] if rich else np.zeros(2),
        slope_sigma=np.sqrt(np.diag(spin_cov)[2:4]) if rich else np.full(2, np.inf),
    )


def drifts(
    pointings: Sequence[Pointing], mid_s: Sequence[float], exposure_s: Sequence[float]
) -> list[Drift]:
    """Shift of the stars over each exposure, from the pointings before and after it.

    Parameters
    ----------
    pointings : sequence of Pointing
        Of one run, in order of time.
    mid_s : sequence of float
        Middle of each exposure, s from any origin.
    exposure_s : sequence of float

    Notes
    -----
    Two neighbours that agree are averaged. Where they differ (a re-aim, a knock, a slip
    that begins), the side that goes on as its own neighbour does is taken; a rate that
    changes by like amounts from leg to leg is the swing of a drive and is averaged.
    """
    count = len(pointings)
    legs: list[tuple[Floats, float] | None] = []
    for n in range(count - 1):
        legs.append(_leg(pointings[n], pointings[n + 1], mid_s[n + 1] - mid_s[n]))
    rates = np.array([leg[0] for leg in legs if leg is not None]).reshape(-1, 3)
    if len(rates) == 0:
        return [Drift() for _ in range(count)]
    usual = np.median(rates, axis=0)
    out = []
    for n in range(count):
        found = _rate_at(legs, n, usual) if pointings[n].solved else None
        if found is None:
            out.append(Drift())
            continue
        rate, spread = found
        time = exposure_s[n]
        out.append(
            Drift(
                float(rate[0] * time),
                float(rate[1] * time),
                float(np.degrees(rate[2]) * time),
                spread * time,
            )
        )
    return out


def jump_within(
    pointings: Sequence[Pointing], mid_s: Sequence[float], n: int
) -> tuple[Floats, float] | None:
    """Jump of the picture that happened during frame `n`: dx, dy px, and the share after it.

    A push during an exposure leaves the next frames displaced, and the frame itself in
    between, by the share of its light that came after the push. A re-aim between two
    frames leaves none in between, a gust swings back. None if no neighbours were solved.
    """
    if not 0 < n < len(pointings) - 1:
        return None
    whole = _leg(pointings[n - 1], pointings[n + 1], mid_s[n + 1] - mid_s[n - 1])
    first = _leg(pointings[n - 1], pointings[n], mid_s[n] - mid_s[n - 1])
    if whole is None or first is None:
        return None
    quiet = [
        _leg(pointings[m], pointings[m + 1], mid_s[m + 1] - mid_s[m])
        for m in (n - 2, n + 1)
        if 0 <= m < len(pointings) - 1
    ]
    usual = [leg[0] for leg in quiet if leg is not None]
    if not usual:
        return None
    drift = np.mean(usual, axis=0)
    jump = ((whole[0] - drift) * (mid_s[n + 1] - mid_s[n - 1]))[:2]
    part = ((first[0] - drift) * (mid_s[n] - mid_s[n - 1]))[:2]
    size2 = float(jump @ jump)
    return (jump, float(part @ jump) / size2) if size2 > 0 else None


def _rate_at(
    legs: Sequence[tuple[Floats, float] | None], n: int, usual: Floats
) -> tuple[Floats, float] | None:
    """Rate of the sky on the sensor during frame `n`, and how far it may be off, px/s."""
    leg = {m: legs[m] for m in range(n - 2, n + 2) if 0 <= m < len(legs)}
    rates = {m: one[0] for m, one in leg.items() if one is not None}
    noise = max((one[1] for m, one in leg.items() if one is not None), default=0.0)
    before, after = rates.get(n - 1), rates.get(n)
    if before is None and after is None:
        return None
    # How unlike each leg is to the one beyond it.
    change = [
        _apart_px(before, rates.get(n - 2)),
        _apart_px(after, rates.get(n + 1)),
    ]
    if before is None or after is None:
        single = after if before is None else before
        assert single is not None
        beyond = change[1] if before is None else change[0]
        return single, 0.5 * beyond if np.isfinite(beyond) else 0.5 * float(np.hypot(*single[:2]))
    rate = (before + after) / 2
    gap = _apart_px(before, after)
    level = max(float(np.hypot(*rate[:2])), float(np.hypot(*usual[:2])))
    if gap <= max(0.5 * level, 4 * noise) or gap <= UNLIKE * min(change):
        # A swing of the drive changes its rate from leg to leg, and by like amounts.
        return rate, 0.25 * gap
    if np.isinf(change).all():
        nearer = np.argmin([_apart_px(before, usual), _apart_px(after, usual)])
        return (before, after)[int(nearer)], 0.5 * gap
    # A leg over a re-aim, a knock or the onset of a slip is unlike the one beyond it; the
    # other leg goes on as its own neighbour does.
    steadier = int(np.argmin(change))
    return (before, after)[steadier], 0.5 * change[steadier]


def _apart_px(a: Floats | None, b: Floats | None) -> float:
    """Difference of two rates; inf where one is unknown."""
    if a is None or b is None:
        return float(np.inf)
    return float(np.hypot(*(a - b)[:2]))


def _leg(a: Pointing, b: Pointing, seconds: float) -> tuple[Floats, float] | None:
    """Rate of a star's image between two frames: dx, dy px/s, turn rad/s; and its noise, px/s."""
    if not (a.solved and b.solved and seconds > 0):
        return None
    camera = a.camera
    assert camera is not None and a.sky is not None and b.sky is not None
    middle = np.array([(camera.width_px - 1) / 2, (camera.height_px - 1) / 2])
    reach = 0.2 * camera.height_px
    pixels = middle + reach * np.array([[0, 0], [1, 0], [-1, 0], [0, 1], [0, -1]])
    ra, dec = a.sky.icrs(camera.directions(pixels) @ a.attitude)
    later = camera.project(b.sky.directions(ra, dec) @ b.attitude.T)
    if not np.isfinite(later).all():
        return None
    move = later - pixels
    arms = (pixels - middle)[1:]
    turned = move[1:] - move[0]
    turn = float((arms[:, 0] @ turned[:, 1] - arms[:, 1] @ turned[:, 0]) / np.sum(arms**2))
    noise = camera.focal_px * np.sqrt(
        a.covariance[0, 0] + a.covariance[1, 1] + b.covariance[0, 0] + b.covariance[1, 1]
    )
    return np.array([move[0, 0], move[0, 1], turn]) / seconds, float(noise / seconds)


def on_axis_astigmatism(
    stretches: Sequence[Stretch | None], drift: Sequence[Drift], kurt: float
) -> Floats:
    """What the lens itself does to stars at the centre: mxx - myy and 2 mxy, px^2.

    Where the pointings say how far the sky moved, the stretch that this leaves unexplained
    and that the sharpest frames share is the lens's. Without pointings nothing can tell it
    from motion, and the centre is taken for round.
    """
    left, sigma = [], []
    for stretch, shift in zip(stretches, drift, strict=True):
        if stretch is None or not np.isfinite(shift.length_px):
            continue
        across = max(stretch.centre[0] - np.hypot(*stretch.centre[1:]), 0.2) / 2
        expected, doubt = _expected_quadrupole(shift, across, kurt)
        left.append(stretch.centre[1:] - expected)
        noise = float(np.sqrt(np.mean(stretch.covariance[1:])))
        sigma.append(np.hypot(noise, doubt) + 0.03 * float(np.hypot(*expected)))
    if len(left) < 3:
        return np.zeros(2)
    rest, error = np.array(left), np.array(sigma) + 1e-3
    # Wind adds to the stretch: the third with the least left over for its error shows the
    # astigmatism; an average of them all would take wind for it.
    size = np.hypot(rest[:, 0], rest[:, 1])
    calm = np.argsort(np.hypot(size, error), kind="stable")[: max(3, len(rest) // 3)]
    weight = 1 / error[calm] ** 2
    centre = np.average(rest[calm], axis=0, weights=weight)
    scatter = np.median(np.abs(rest[calm] - centre)) * 1.4826 / np.sqrt(len(calm))
    # Doubts about shifts are alike from frame to frame and do not average out.
    doubt = float(np.sqrt(np.average(error[calm] ** 2, weights=weight)))
    variance = scatter**2 + doubt**2
    return np.asarray(centre * ASTIGMATISM_SIGMA_PX2**2 / (ASTIGMATISM_SIGMA_PX2**2 + variance))


def _expected_quadrupole(shift: Drift, across: float, kurt: float) -> tuple[Floats, float]:
    """Stretch that a shift draws, mxx - myy and 2 mxy, and how far it may be off, px^2."""
    excess = float(shapes.moment_excess(shift.length_px, across, kurt))
    turn = 2 * np.radians(shift.angle_deg)
    # A shift that may be off by d makes the excess uncertain by L d / 6 + d^2 / 12.
    doubt = shift.length_px * shift.spread_px / 6 + shift.spread_px**2 / 12
    return excess * np.array([np.cos(turn), np.sin(turn)]), doubt


def motion_of(
    stretch: Stretch | None,
    astigmatism: Floats,
    drift: Drift,
    kurt: float,
    picture: tuple[int, int],
    doubled: Doubled,
) -> Motion:
    """Trail of one frame from its stretch, with the astigmatism at the centre taken out."""
    if stretch is None:
        return with_double(Motion(), doubled)
    quadrupole = stretch.centre[1:] - astigmatism
    sigma = float(np.sqrt(np.mean(stretch.covariance[1:])))
    if np.isfinite(drift.length_px):
        across = max((stretch.centre[0] - float(np.hypot(*quadrupole))) / 2, 0.05)
        expected, doubt = _expected_quadrupole(drift, across, kurt)
        doubt = max(doubt, SURE_PX2)
        # What the shift and the noise explain is no trail of its own: both tell of one motion.
        if np.hypot(*(quadrupole - expected)) < SAME_SIGMAS * np.hypot(sigma, doubt):
            weight = doubt**2 / (doubt**2 + sigma**2)
            quadrupole = weight * quadrupole + (1 - weight) * expected
            sigma *= float(np.sqrt(weight))
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
    )
    corners = float(trail_over_field(motion, picture, 2).max())
    return with_double(replace(motion, trail_worst_px=max(corners, length)), doubled)


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
        trail_sigma_px=0.05 * doubled.trail_px,
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
    its sign is changed where the shift of the sky runs the other way.
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

    A long bright streak's second moment is its length^2 / 12; that of a star up to three
    times as long as wide says nothing certain. All NaN where the detections disagree.
    """
    stars = measure.stars
    stars = stars[(stars["flags"] & (BIT["hot"] | BIT["edge"])) == 0]
    if len(stars) < 4:
        return Motion()
    moments = np.stack([stars["mxx"], stars["myy"], stars["mxy"]], 1).astype(np.float64)
    middle = np.median(moments[: max(4, len(moments) // 2)], axis=0)
    larger, smaller, angle = shapes.axes(middle)
    if not larger > 9 * max(float(smaller), 0.3):
        return Motion()
    length = float(np.sqrt(12 * (larger - smaller)))
    return Motion(
        trail_px=length,
        trail_sigma_px=0.1 * length,
        trail_angle_deg=float(angle),
        trail_worst_px=length,
    )


def doubled_stars(measure: Measure, fwhm_px: float, trail_px: float) -> Doubled:
    """How far apart stars stand twice; all NaN if they don't.

    Each star of a knocked frame has a companion at one and the same separation and with one
    and the same share of the light, so the separations between detections pile up there.
    Chance pairs spread evenly.
    """
    none = Doubled()
    stars = measure.stars
    stars = stars[(stars["flags"] & (BIT["hot"] | BIT["streak"])) == 0]
    if len(stars) < 12:
        return none
    bright = stars[: max(12, len(stars) // 3)]
    ours = np.stack([bright["x"], bright["y"]], 1).astype(np.float64)
    places = np.stack([stars["x"], stars["y"]], 1).astype(np.float64)
    near = cKDTree(ours).sparse_distance_matrix(
        cKDTree(places), DOUBLE_REACH_PX, output_type="coo_matrix"
    )
    # A long trail breaks into pieces along itself; those are no doubles.
    least = max(1.1 * fwhm_px if np.isfinite(fwhm_px) else 2.0, 2.0)
    if np.isfinite(trail_px):
        least = max(least, 1.3 * trail_px)
    usable = near.data > least
    first, second = near.row[usable], near.col[usable]
    if len(first) < 6:
        return none
    vectors = places[second] - ours[first]
    # The fainter image may lie on either side. Both ways of each pair are kept: folded to one
    # half of the plane, separations along its edge would fall into two heaps.
    vectors = np.concatenate([vectors, -vectors])
    ours_light, theirs_light = bright["flux"][first], stars["flux"][second]
    share = np.minimum(ours_light, theirs_light) / (ours_light + theirs_light)
    share = np.concatenate([share, share])
    first = np.concatenate([first, first])
    radius = max(1.0, 0.35 * (fwhm_px if np.isfinite(fwhm_px) else 3.0))
    tree = cKDTree(vectors)
    crowd = np.array([len(c) for c in tree.query_ball_point(vectors, radius)])
    peak = int(np.argmax(crowd))
    members = tree.query_ball_point(vectors[peak], radius)
    stars_with = len(np.unique(first[members]))
    by_chance = len(vectors) * radius**2 / (DOUBLE_REACH_PX**2 - least**2)
    if stars_with < 0.4 * len(bright) or len(members) < by_chance + 6 * np.sqrt(by_chance + 1):
        return none
    middle = np.median(vectors[members], axis=0)
    angle = (np.degrees(np.arctan2(middle[1], middle[0])) + 90) % 180 - 90
    return Doubled(float(np.hypot(*middle)), float(angle), float(np.median(share[members])))
