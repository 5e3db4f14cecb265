"""Drifts between pointings, doubled stars and rough trails, from tables made here."""

from __future__ import annotations

import tracemalloc
from dataclasses import replace

import galsim
import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from skyplumb.angles import between_axes_deg
from skyplumb.calibrate.camera import Camera
from skyplumb.calibrate.lens_psf import ShapeStars, learn_lens
from skyplumb.calibrate.pointing import Pointing
from skyplumb.calibrate.sky import ObservedSky
from skyplumb.judge.doubled import Doubled, doubled_stars
from skyplumb.judge.drift import Drift, drifts
from skyplumb.judge.facts import _of_every_star, surely_drifts
from skyplumb.judge.motion import (
    Motion,
    OnAxis,
    Stretch,
    motion_of,
    on_axis_astigmatism,
    or_rough,
    rough_motion,
    stretches_of,
    trail_over_field,
)
from skyplumb.records import NAN, STAR_DTYPE, Measure
from tracker import Errors, Plan, Tracker, shoot

Floats = NDArray[np.float64]

CAMERA = Camera(5000.0, 3000, 2000)
EXPOSURE, GAP = 60.0, 5.0


def pointings(moves: list[tuple[float, float]], turn_deg: float = 0.0) -> list[Pointing]:
    """One pointing for each move of the star field on the sensor, px, since the first.

    `turn_deg` turns the field from +x towards +y from frame to frame.
    """
    first = Rotation.from_euler("xyz", [0.4, -0.7, 1.0])
    out = []
    for number, (dx, dy) in enumerate(moves):
        # A star at z moves to (dx, dy) / f when the frame turns by (-dy, dx) / f about x and y.
        move = Rotation.from_rotvec(np.array([-dy, dx, 0.0]) / CAMERA.focal_px)
        roll = Rotation.from_rotvec([0, 0, np.radians(turn_deg) * number])
        out.append(
            Pointing(
                solved=True,
                camera=CAMERA,
                sky=ObservedSky(None, None),
                attitude=(move * roll * first).as_matrix(),
                covariance=np.eye(3) * (0.02 / CAMERA.focal_px) ** 2,
            )
        )
    return out


def middles(count: int) -> list[float]:
    """Middles of exposures one after the other, s."""
    return [EXPOSURE / 2 + n * (EXPOSURE + GAP) for n in range(count)]


def steady(count: int, dx: float, dy: float) -> list[tuple[float, float]]:
    """Moves of a drift of (dx, dy) px an exposure."""
    rate = (EXPOSURE + GAP) / EXPOSURE
    return [(dx * rate * n, dy * rate * n) for n in range(count)]


def test_a_steady_drift_is_that_of_the_pointings() -> None:
    found = drifts(pointings(steady(6, 1.2, -0.5)), middles(6), [EXPOSURE] * 6)
    for drift in found:
        # 8 px from the axis at most: 1 - cos of a thousandth is nothing.
        assert [drift.dx_px, drift.dy_px] == pytest.approx([1.2, -0.5], abs=1e-3)
        assert drift.length_px == pytest.approx(1.3, abs=1e-3)
        assert drift.angle_deg == pytest.approx(np.degrees(np.arctan2(-0.5, 1.2)), abs=0.05)


@pytest.mark.parametrize("intervals_a_period", [2.6, 4.0, 12.0])
def test_the_error_of_a_drift_is_as_large_as_it_says(intervals_a_period: float) -> None:
    # Pointings 0.02 px off on either axis, as their covariance says; a drift that swings.
    rng = np.random.default_rng(4)
    off, sigmas = [], []
    period = intervals_a_period * (EXPOSURE + GAP)
    for _ in range(40):
        size, phase = rng.uniform(0, 3), rng.uniform(0, 2 * np.pi)
        sway = lambda s, z=size, p=phase: z * np.sin(2 * np.pi * s / period + p)  # noqa: E731
        true = [1.2 + sway(m + EXPOSURE / 2) - sway(m - EXPOSURE / 2) for m in middles(8)]
        # A pointing is that of the whole exposure, which wears a swing.
        worn = np.sinc(EXPOSURE / period)
        at = [(1.2 * m / EXPOSURE + worn * sway(m), -0.5 * m / EXPOSURE) for m in middles(8)]
        seen = [(x + rng.normal(0, 0.02), y + rng.normal(0, 0.02)) for x, y in at]
        found = drifts(pointings(seen), middles(8), [EXPOSURE] * 8)
        off += [d.length_px - np.hypot(t, 0.5) for d, t in zip(found, true, strict=True)][1:-1]
        sigmas += [d.sigma_px for d in found][1:-1]
    within = np.abs(off) <= 2 * np.array(sigmas)
    # 95.4 % of a normal error; a step is taken for a change that goes on, so more.
    assert np.mean(within) > 0.93
    assert np.median(sigmas) < 1.5 * np.sqrt(np.mean(np.square(off)))


def test_a_turn_of_the_field_is_seen_in_its_sense() -> None:
    found = drifts(pointings(steady(4, 0.0, 0.0), turn_deg=0.1), middles(4), [EXPOSURE] * 4)
    for drift in found:
        assert drift.turn_deg == pytest.approx(0.1 * EXPOSURE / (EXPOSURE + GAP), rel=1e-3)


@pytest.mark.parametrize("step", [(25.0, 10.0), (-6.0, 3.0)])
def test_a_dither_between_frames_is_not_motion_within_them(step: tuple[float, float]) -> None:
    moves = [
        (x + (step[0] if n >= 4 else 0), y + (step[1] if n >= 4 else 0))
        for n, (x, y) in enumerate(steady(9, 0.8, 0.2))
    ]
    found = drifts(pointings(moves), middles(9), [EXPOSURE] * 9)
    lengths = [drift.length_px for drift in found]
    assert lengths == pytest.approx([np.hypot(0.8, 0.2)] * 9, abs=0.01)


def test_a_dither_after_every_frame_gives_a_drift_only_where_a_tracker_might() -> None:
    rng = np.random.default_rng(1)
    steps = rng.uniform(-15, 15, (8, 2))
    moves = [(float(x), float(y)) for x, y in np.cumsum(steps, axis=0)]
    # Steps of up to 15 px of 41 arcsec in 65 s are 9 arcsec a second: small ones cannot be told
    # from a drift and are judged by the stars; large ones no tracker makes.
    small = drifts(pointings([(x / 4, y / 4) for x, y in moves]), middles(8), [EXPOSURE] * 8)
    assert all(np.isfinite(drift.length_px) for drift in small)
    large = drifts(pointings([(9 * x, 9 * y) for x, y in moves]), middles(8), [EXPOSURE] * 8)
    assert all(np.isnan(drift.length_px) for drift in large)


@pytest.mark.parametrize("angle", [0.0, 45.0, 90.0, 200.0])
def test_no_drift_is_read_across_a_re_aim_or_a_long_pause(angle: float) -> None:
    # Met with real frames: 338 s apart and the camera moved by 2 degrees, "drift 3.0 px".
    away = CAMERA.focal_px * np.radians(2.0)
    way = (away * np.cos(np.radians(angle)), away * np.sin(np.radians(angle)))
    two = pointings([(0.0, 0.0), way])
    assert all(np.isnan(one.length_px) for one in drifts(two, [0.0, 338.0], [8.0, 8.0]))
    # Right after one another too: faster than the sky along right ascension, and across it.
    assert all(np.isnan(one.length_px) for one in drifts(two, [0.0, 65.0], [60.0, 60.0]))
    # A pause of a few exposures is none, one of many is.
    still = pointings([(0.0, 0.0), (1.0, 0.0)])
    assert np.isfinite(drifts(still, [0.0, 200.0], [60.0, 60.0])[0].length_px)
    assert np.isnan(drifts(still, [0.0, 338.0], [8.0, 8.0])[0].length_px)


def test_an_exposure_that_is_not_known_has_no_drift_and_takes_none_from_the_others() -> None:
    found = drifts(pointings(steady(4, 1.0, 0.0)), middles(4), [NAN, 60.0, 60.0, 60.0])
    assert np.isnan(found[0].length_px)
    assert found[1].length_px == pytest.approx(1.0, abs=1e-3)


def test_unsolved_frames_have_no_drift_and_bridge_nothing() -> None:
    line = pointings(steady(5, 1.0, 0.0))
    line[2] = Pointing()
    found = drifts(line, middles(5), [EXPOSURE] * 5)
    assert np.isnan(found[2].length_px)
    assert found[1].length_px == pytest.approx(1.0, abs=1e-3)
    assert found[3].length_px == pytest.approx(1.0, abs=1e-3)
    alone = drifts([pointings([(0, 0)])[0], Pointing()], middles(2), [EXPOSURE] * 2)
    assert np.isnan(alone[0].length_px)
    assert drifts([], [], []) == []


def test_a_drift_is_over_the_exposure_not_over_the_gap() -> None:
    found = drifts(pointings(steady(3, 2.0, 0.0)), middles(3), [30.0, 60.0, 60.0])
    assert found[0].length_px == pytest.approx(1.0, abs=1e-3)
    assert found[1].length_px == pytest.approx(2.0, abs=1e-3)


def table(places: Floats, flux: Floats, mxx: float = 1.2, myy: float = 1.2) -> Measure:
    """A measure with these stars, brightest first."""
    order = np.argsort(-flux, kind="stable")
    stars = np.zeros(len(places), STAR_DTYPE)
    stars["x"], stars["y"] = places[order].T
    stars["flux"] = flux[order]
    stars["snr"], stars["mxx"], stars["myy"] = 80.0, mxx, myy
    return Measure("a", "light", "", width_px=3000, height_px=2000, stars=stars)


def field(count: int, seed: int) -> tuple[Floats, Floats]:
    """Stars at random with the usual many faint ones."""
    rng = np.random.default_rng(seed)
    return rng.uniform([0, 0], [3000, 2000], (count, 2)), 1000 / rng.uniform(0.003, 1, count)


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("share", [0.5, 0.25])
@pytest.mark.parametrize(
    ("apart", "angle"), [(8.0, 30.0), (25.0, -75.0), (60.0, 90.0), (12.0, 0.0)]
)
def test_stars_that_stand_twice_are_seen(
    apart: float, angle: float, share: float, seed: int
) -> None:
    rng = np.random.default_rng(seed)
    places, flux = field(200, seed)
    jump = apart * np.array([np.cos(np.radians(angle)), np.sin(np.radians(angle))])
    both = np.concatenate([places, places + jump]) + rng.normal(0, 0.15, (400, 2))
    light = np.concatenate([(1 - share) * flux, share * flux])
    # A third of the fainter images is lost: in the noise, on another star, over the edge.
    there = rng.random(400) > np.repeat([0.0, 0.3], 200)
    double = doubled_stars(table(both[there], light[there]), 2.5, NAN)
    found, way = double.separation_px, double.angle_deg
    assert found == pytest.approx(apart, abs=0.2)  # a median of 100 pairs of 0.2 px, and folding
    assert between_axes_deg(way, angle) == pytest.approx(0.0, abs=1.5)


@pytest.mark.parametrize("count", [15, 60, 300, 1500])
def test_chance_pairs_are_no_doubled_stars(count: int) -> None:
    for seed in range(10):
        assert not doubled_stars(table(*field(count, seed)), 2.5, 1.0).seen


def test_pieces_of_long_trails_are_no_doubled_stars() -> None:
    places, flux = field(150, 3)
    pieces = np.concatenate([places, places + np.array([20.0, 0.0])])
    measure = table(pieces, np.concatenate([flux, 0.8 * flux]))
    assert not doubled_stars(measure, 2.5, 40.0).seen


def test_few_stars_are_not_called_doubled() -> None:
    assert not doubled_stars(table(*field(9, 1)), 2.5, NAN).seen
    assert not doubled_stars(table(np.zeros((0, 2)), np.zeros(0)), NAN, NAN).seen
    # Seven stars that do stand twice, and lone ones beside them: too few that agree.
    for pairs, seen in ((7, False), (20, True)):
        places, flux = field(20, 2)
        twins = np.concatenate([places, places[:pairs] + np.array([9.0, 4.0])])
        measure = table(twins, np.concatenate([flux, 0.9 * flux[:pairs]]))
        assert doubled_stars(measure, 2.5, NAN).seen is seen


def test_flashes_of_an_aircraft_are_no_doubled_stars() -> None:
    # A strobe lights up every 32 px along its way, each time as bright, beside few stars; and the
    # lamps of both wings do so side by side.
    places, flux = field(10, 5)
    way = np.arange(14)[:, None] * np.array([31.0, 8.0]) + np.array([400.0, 300.0])
    for flashes in (way, np.concatenate([way, way + np.array([-4.0, 15.0])])):
        rng = np.random.default_rng(6)
        shown = flashes + rng.normal(0, 0.2, flashes.shape)
        light = np.concatenate([flux, 5e4 * rng.normal(1, 0.05, len(flashes))])
        assert not doubled_stars(table(np.concatenate([places, shown]), light), 4.0, NAN).seen


def test_pairs_in_one_part_of_the_picture_are_no_doubled_stars() -> None:
    # Leaves in a corner, one beside the other, and stars elsewhere.
    rng = np.random.default_rng(7)
    leaves = rng.uniform([0, 0], [700, 500], (60, 2))
    twins = leaves + np.array([12.0, 5.0])
    stars, flux = field(60, 8)
    places = np.concatenate([stars, leaves, twins])
    light = np.concatenate([flux, np.full(60, 9e4), np.full(60, 6e4)])
    assert not doubled_stars(table(places, light), 2.5, NAN).seen
    # All over the picture they are those of a knock.
    places[60:120] *= 4
    places[120:] = places[60:120] + np.array([12.0, 5.0])
    assert doubled_stars(table(places, light), 2.5, NAN).seen


def test_pairs_without_a_ratio_of_light_are_no_doubled_stars() -> None:
    places, flux = field(150, 9)
    rng = np.random.default_rng(10)
    twins = places + np.array([14.0, -6.0]) + rng.normal(0, 0.15, places.shape)
    for scatter, seen in ((0.1, True), (1.0, False)):  # of the logarithm
        light = flux * 0.5 * np.exp(rng.normal(0, scatter, len(flux)))
        measure = table(np.concatenate([places, twins]), np.concatenate([flux, light]))
        assert doubled_stars(measure, 2.5, NAN).seen is seen


@pytest.mark.parametrize(
    ("apart", "angle", "sigma", "stars", "said"),
    [
        (4.4, 30.0, 1.0, 15, True),
        # Two images of 3.4 px each, 4.1 px apart, have one peak (Sparrow 1916: from 2 s apart on).
        (4.1, 30.0, 3.4, 80, False),
        # Stretched along another line: of few stars, a neighbour of one of them.
        (4.4, 80.0, 1.0, 15, False),
        (4.4, 80.0, 1.0, 80, True),
        # So far apart stars are detections of their own.
        (20.0, 30.0, 1.6, 80, False),
    ],
)
def test_two_peaks_of_the_mean_star_are_a_knock_where_every_star_may_have_them(
    apart: float, angle: float, sigma: float, stars: int, said: bool
) -> None:
    motion = Motion(3.0, 0.1, 30.0, 3.0, across_px2=sigma**2)
    assert _of_every_star(Doubled(apart, angle, 0.4), motion, stars) is said


def test_streaks_too_long_to_fit_still_have_a_length() -> None:
    places, flux = field(30, 4)
    motion = rough_motion(table(places, flux, *streak(80.0)))
    assert motion.trail_px == pytest.approx(80.0, rel=0.02)
    assert motion.trail_angle_deg == pytest.approx(0.0, abs=0.1)
    assert motion.known_px == motion.trail_px


def streak(length_px: float) -> tuple[float, float]:
    """Second moments along and across a trail as GalSim measures them (the adaptive moments of
    Hirata & Seljak 2003, which weigh a long streak's ends less than its middle)."""
    star = galsim.Convolve(galsim.Gaussian(sigma=1.1), galsim.Box(length_px, 1e-3))
    image = star.drawImage(nx=301, ny=61, scale=1.0)
    start = galsim.hsm.HSMParams(max_mom2_iter=2000, max_amoment=1e5)
    found = galsim.hsm.FindAdaptiveMom(image, guess_sig=12.0, hsmparams=start)
    size, shape = found.moments_sigma**2, found.observed_shape.e1
    along = size * np.sqrt((1 + shape) / (1 - shape))
    return float(along), float(size**2 / along)


def test_the_brightest_trails_are_whole_where_fainter_ones_break_up() -> None:
    places, flux = field(60, 4)
    measure = table(places, flux, *streak(80.0))
    # Two in three of the fainter ones are a half or a third of a trail.
    for part, cut in ((2.0, slice(16, None, 3)), (3.0, slice(17, None, 3))):
        measure.stars["mxx"][cut] = streak(80.0 / part)[0]
    motion = rough_motion(measure)
    assert motion.trail_px == pytest.approx(80.0, rel=0.02)
    assert not motion.in_pieces
    # Known to as much as whole ones may differ.
    assert motion.trail_sigma_px == pytest.approx(0.05 * motion.trail_px)
    # What took pieces for stars gives way to it, what agrees is the better one.
    fitted = Motion(31.0, 0.4, 3.0, 31.0, across_px2=1.2)
    assert or_rough(fitted, motion) is motion
    good = Motion(79.0, 0.1, 0.0, 79.5, across_px2=1.2)
    assert or_rough(good, motion) is good
    assert or_rough(good, rough_motion(table(*field(30, 4)))) is good


def test_trails_that_all_break_up_have_a_direction_and_no_length() -> None:
    places, flux = field(60, 4)
    measure = table(places, flux, *streak(80.0))
    pieces = np.random.default_rng(5).uniform(0.2, 1.0, 60)
    measure.stars["mxx"] = pieces**2 * measure.stars["mxx"]
    motion = rough_motion(measure)
    assert motion.in_pieces
    assert motion.trail_sigma_px == motion.trail_px
    assert motion.directed
    assert motion.direction_deg == pytest.approx(0.0, abs=0.1)
    assert np.isnan(motion.known_px)
    assert 20 < motion.trail_px < 70
    assert or_rough(Motion(31.0, 0.4, 3.0, 31.0, across_px2=1.2), motion) is motion


def test_round_stars_have_no_rough_trail() -> None:
    assert np.isnan(rough_motion(table(*field(30, 4))).trail_px)
    assert np.isnan(rough_motion(table(*field(2, 4), mxx=500.0)).trail_px)
    assert np.isnan(rough_motion(table(*field(7, 4), mxx=500.0)).trail_px)
    assert rough_motion(table(*field(8, 4), mxx=500.0)).trail_px > 60


def test_streaks_that_lie_every_way_are_no_trail() -> None:
    measure = table(*field(60, 4))
    # Streaks along x and as many along the diagonal: the median is long, yet they disagree.
    measure.stars["mxx"], measure.stars["myy"], measure.stars["mxy"] = 500.0, 1.2, 0.0
    half = slice(None, None, 2)
    measure.stars["myy"][half], measure.stars["mxy"][half] = 250.0, 350.0
    measure.stars["mxx"][half] = 500.0
    assert np.isnan(rough_motion(measure).trail_px)


def test_a_turn_adds_to_the_trail_on_one_side() -> None:
    motion = Motion(trail_px=3.0, trail_angle_deg=0.0, turn_rad=2e-3)
    lengths = trail_over_field(motion, (3000, 2000), 3)
    # 2e-3 over 1000 px up and down is 2 px along x; over 1500 px to the sides 3 px along y.
    want = np.hypot(np.array([[5.0], [3.0], [1.0]]), np.array([[3.0, 0.0, 3.0]]))
    assert lengths == pytest.approx(want)


def test_a_lattice_of_points_takes_little_memory() -> None:
    # Every pair of neighbours stands alike: 7,500 points once took 5.2 GB, and then 80 seconds.
    x, y = np.meshgrid(np.arange(100) * 15.0, np.arange(75) * 15.0)
    measure = table(np.stack([x.ravel(), y.ravel()], 1), np.full(x.size, 1000.0))
    tracemalloc.start()
    try:
        doubled_stars(measure, 2.5, 5.0)
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert peak < 100e6


def with_coma(
    rng: np.random.Generator, count: int, edge_px2: float, power: int, one_side: bool
) -> ShapeStars:
    """Stars of a circle of sky, drawn out from its middle by the lens and by 1 px along one way.

    Coma points to the middle and grows with the distance from it (Born & Wolf, Principles of
    Optics, 5.3; from memory); here its second moment grows as that or its square.
    """
    place = rng.uniform(-0.62, 0.62, (6 * count, 2))
    place = place[np.hypot(*place.T) < 0.62]
    if one_side:  # cloud over the rest
        place = place[place @ np.array([0.54, 0.84]) > -0.05]
    place = place[:count]
    x, y = (place - rng.normal(0, 0.03, 2)).T
    coma = edge_px2 * (np.hypot(x, y) / 0.62) ** power
    turn, trail = 2 * np.arctan2(y, x), 1.0 / 12
    moments = np.stack(
        [
            2.0 + coma + trail,
            coma * np.cos(turn) + trail * np.cos(0.8),
            coma * np.sin(turn) + trail * np.sin(0.8),
        ],
        axis=1,
    )
    errors = 0.1 * (1 + coma[:, None]) * np.ones(3)
    moments = moments + rng.normal(size=moments.shape) * errors
    return ShapeStars(place, moments, errors, np.full(len(place), 2.0))


@pytest.mark.parametrize("count", [20, 30, 50, 300])
@pytest.mark.parametrize("one_side", [False, True])
@pytest.mark.parametrize(("edge_px2", "power"), [(2.0, 2), (4.0, 2), (4.0, 1)])
def test_coma_of_a_lone_frame_is_no_trail(
    count: int, one_side: bool, edge_px2: float, power: int
) -> None:
    trails = []
    for seed in range(12):
        frame = with_coma(np.random.default_rng([seed, 4]), count, edge_px2, power, one_side)
        (stretch,) = stretches_of([frame], learn_lens([frame]))
        motion = motion_of(stretch, OnAxis(), Drift(), 2.0, (1400, 1000), 1.0)
        trails.append(motion.trail_px)
        if count < 60:  # where its own shape was not learned, it is told to be the lens's
            assert motion.lens_like
    # 1 px was drawn; frames are rejected from 2.5 px on. Half a field that is 4 px^2 out of round
    # at its edge leaves as much open as a trail of 2 px.
    assert max(trails) < 2.5
    assert np.median(trails) < 1.8


@pytest.mark.parametrize("often", [True, False])
def test_two_frames_that_a_dither_left_in_place_by_chance_tell_nothing_of_the_lens(
    often: bool,
) -> None:
    # Every frame is trailed by 3 px; of the one interval that looks untouched a dither undid it.
    stretch = Stretch(
        900, np.array([2.9, 0.3, -0.9]), np.full(3, 1e-5), 2.0, np.zeros(2), np.zeros(2)
    )
    frames = shoot(Tracker(), [Plan(frames=20)], Errors(), 1)
    undone = Drift(0.3, -0.2, 0.0, 0.1, one_sided=often)
    drifts = [undone if 4 <= n < 8 else Drift() for n in range(20)]
    lights = [replace(light, moved=often and n > 0) for n, light in enumerate(frames)]
    on_axis = on_axis_astigmatism([stretch] * 20, surely_drifts(lights, drifts), 2.0)
    # Between two frames on either side that nobody touched it is the lens that is not round.
    assert np.hypot(*on_axis.stretch) == (0 if often else pytest.approx(0.9, abs=0.2))
