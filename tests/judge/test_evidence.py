"""What the trails of a run say together: closure, and the axial statistics of textbooks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Literal

import numpy as np
import pytest
from astropy.stats import rayleightest
from numpy.typing import NDArray
from scipy.special import j1, jn_zeros
from scipy.stats import binomtest

from skyplumb.intervals import binomial_interval
from skyplumb.judge import evidence
from skyplumb.judge.drift import Drift
from skyplumb.judge.evidence import closure, rayleigh_p, trail_axes
from skyplumb.judge.motion import Motion
from skyplumb.judge.scene import Scene, scene_of
from tracker import (
    NORTHERN,
    Errors,
    Plan,
    Tracker,
    line_moments,
    motion_from,
    scenes_of,
    shoot,
    trail_moments,
    unknown,
)

Floats = NDArray[np.float64]

LONG = Plan(hour_deg=-20.0, dec_deg=25.0, frames=16, exposure_s=100.0)
LEANING = Tracker(NORTHERN, 90.0, -120.0)
NORTH_UP = replace(LONG, roll_deg=0.0)


def run_of(
    tracker: Tracker, seed: int, gust_px: float = 0.0, noise_px2: float = 0.0
) -> list[Scene]:
    """A run with gusts in directions of their own and noise on its measured moments."""
    rng = np.random.default_rng(seed)
    lights = shoot(tracker, [LONG], Errors(0.5, 6.0), seed)
    shaking = np.array(
        [
            line_moments(gust_px, rng.uniform(0, 180)) + noise_px2 * rng.normal(size=3)
            for _ in lights
        ]
    )
    return scenes_of(tracker, LONG, lights, shaking)


# ---------------------------------------------------------------- chance and share


def test_chance_of_many_angles_so_close_is_that_of_astropy() -> None:
    rng = np.random.default_rng(8)
    for count in (50, 300):
        for spread in (0.5, 3.0):
            angles = rng.normal(1.0, spread, count)
            assert rayleigh_p(angles) == pytest.approx(rayleightest(angles), rel=1e-9)


@pytest.mark.parametrize("count", [2, 3, 4, 5, 7, 10, 49])
def test_chance_of_few_angles_so_close_is_how_often_drawn_ones_are(count: int) -> None:
    rng = np.random.default_rng(count)
    drawn = np.exp(1j * rng.uniform(0, 2 * np.pi, (100_000, count))).sum(axis=1)
    for share in (0.5, 0.05, 0.005):
        length = float(np.quantile(np.abs(drawn), 1 - share))
        # Half of them so far to one side, half as far to the other, and one in the middle if odd.
        turn = np.arccos((length - count % 2) / (count - count % 2))
        angles = np.r_[np.tile([turn, -turn], count // 2), np.zeros(count % 2)]
        # Four standard errors of the draws.
        assert rayleigh_p(angles) == pytest.approx(share, abs=4 * np.sqrt(share / 100_000))


def test_the_series_of_the_disc_is_made_from_the_bessel_functions_of_scipy() -> None:
    zeros, weight = evidence._of_the_disc()
    assert zeros == pytest.approx(jn_zeros(0, len(zeros)), abs=1e-9)  # rounding
    assert weight == pytest.approx(2 / (zeros * j1(zeros) ** 2), rel=1e-9)


def test_chance_of_few_angles_is_never_below_zero_and_falls_as_they_close_up() -> None:
    for count in range(2, 60):
        chances = [
            rayleigh_p(spread * np.linspace(-1, 1, count))
            for spread in (1.5, 1.0, 0.5, 0.2, 0.1, 0.0)
        ]
        assert all(0 < p <= 1 for p in chances)
        assert chances == sorted(chances, reverse=True)


@pytest.mark.parametrize("method", ["wilson", "exact"])
def test_the_interval_of_a_share_is_that_of_scipy(method: Literal["wilson", "exact"]) -> None:
    for judged in (1, 2, 7, 100, 3000):
        kept = np.unique(np.linspace(0, judged, 7).round().astype(int))
        low, high = binomial_interval(kept, judged, method)
        told = [binomtest(k, judged).proportion_ci(0.95, method) for k in kept.tolist()]
        assert low == pytest.approx([one.low for one in told], abs=1e-9)
        assert high == pytest.approx([one.high for one in told], abs=1e-9)
    assert np.isnan(binomial_interval(0, 0, method)).all()


# ----------------------------------------------------------------------- closure


def test_a_steady_drift_closes() -> None:
    found = closure(run_of(LEANING, 1))
    assert found.frames == 16
    # The moments are exact here and the drifts good to 0.5 arcsec of 40; half an arcsec of
    # refraction is in the drifts only.
    assert found.slope == pytest.approx(1.0, abs=0.03)
    assert found.sigma < 0.02


def test_gusts_far_longer_than_the_drift_leave_closure_open() -> None:
    # A third of a degree drifts by a pixel, the gusts are four times as long, each in a direction
    # of its own: they add nothing to the slope but scatter.
    for seed in range(5):
        found = closure(run_of(Tracker(NORTHERN, 20.0, -25.0), seed, 4.0))
        assert found.sigma > 1.0
        assert found.slope == pytest.approx(1.0, abs=3 * found.sigma)


def test_an_image_drift_that_leaves_no_trail_has_slope_zero() -> None:
    # Knocks between frames: the sky moves, the stars stay round.
    lights = shoot(LEANING, [LONG], Errors(0.5, 6.0), 1)
    rng = np.random.default_rng(2)
    scenes = [
        replace(scene, motion=motion_from(0.03 * rng.normal(size=3)))
        for scene in scenes_of(LEANING, LONG, lights)
    ]
    found = closure(scenes)
    assert found.slope == pytest.approx(0.0, abs=3 * found.sigma)
    assert found.sigma < 0.05


def test_the_slope_is_as_good_as_its_sigma_says() -> None:
    # Noise of 0.3 px2 stands for a trail of 1.9 px: about the drift itself.
    found = [closure(run_of(LEANING, seed, noise_px2=0.3)) for seed in range(16)]
    slope = np.array([one.slope for one in found])
    sigma = np.sqrt(np.mean([one.sigma**2 for one in found]))
    # Mean of 16 within two standard errors; refraction makes up to 0.02.
    assert abs(slope.mean() - 1) < 2 * sigma / np.sqrt(16) + 0.02
    # A scatter of 16 is known to 18 %.
    assert sigma / 1.5 < slope.std(ddof=1) < 1.5 * sigma


def test_closure_of_too_little_is_unknown() -> None:
    scenes = run_of(LEANING, 1)
    few = closure(scenes[:2])
    assert np.isnan(few.slope) and np.isnan(few.sigma) and few.frames == 2
    assert np.isnan(closure([]).slope)
    lost = [scene_of(unknown(s.light), s.motion, Drift(), 0.0) for s in scenes]
    assert closure(lost).frames == 0
    # A tracker without faults drifts by a tenth of a pixel: nothing to close.
    still = closure(run_of(Tracker(), 1, 3.0))
    assert np.isnan(still.slope) and still.frames == 16


# -------------------------------------------------------------------- axial statistics


def trails_at(position_angles: Sequence[float], known_axis_deg: float = 0.0) -> list[Scene]:
    """Frames of one pointing with trails at these position angles on the sky.

    With north up, north is at -90 degrees in the picture and east at 180. `east_deg` is put where
    the position angle `known_axis_deg` lies, for tests against that axis.
    """
    # Without a site: refraction squeezes angles by a ten-thousandth.
    light = shoot(Tracker(), [replace(NORTH_UP, frames=1)], site_known=False)[0]
    scene = scene_of(light, Motion(), Drift(), 0.0)
    return [
        replace(
            scene,
            motion=Motion(trail_px=3.0, trail_sigma_px=0.1, trail_angle_deg=-90.0 - angle),
            around=replace(scene.around, east_deg=-90.0 - known_axis_deg),
        )
        for angle in position_angles
    ]


def test_the_axes_of_mardia_and_jupp_come_out() -> None:
    # Mardia & Jupp 2000, "Directional Statistics", p. 93; undoubled the same data have mean
    # resultant length 0.22287 and p 0.6201.
    angles = [55, 60, 65, 95, 100, 110, 260, 275, 285, 295]
    found = trail_axes(trails_at(angles))
    assert found.frames == 10
    # Half the last printed digit.
    assert found.concentration == pytest.approx(0.76152, abs=5.1e-6)
    # The book's p is the expansion to 1/n^2; what it leaves out is a few of 1/n^3.
    assert found.p == pytest.approx(0.001325, rel=4e-3)
    undoubled = trail_axes(trails_at([one / 2 for one in angles]))
    assert undoubled.concentration == pytest.approx(0.22287, abs=5.1e-6)
    assert undoubled.p == pytest.approx(0.6201, abs=5.1e-5)


def test_the_chance_of_zars_angles_is_that_of_drawn_ones() -> None:
    # Zar, "Biostatistical Analysis", example of eight angles: r 0.82522 (from memory). A drawn
    # p of 0.00166 was found for it elsewhere, good to a few units of its last digit.
    angles = [45, 55, 81, 96, 110, 117, 132, 154]
    found = trail_axes(trails_at([one / 2 for one in angles]))
    assert found.concentration == pytest.approx(0.82522, abs=1e-5)
    assert found.p == pytest.approx(0.00166, abs=2e-5)


def test_the_striae_of_davis_come_out() -> None:
    # Davis 1986, "Statistics and Data Analysis in Geology", p. 316: directions, so that half of
    # each is an axis whose double it is. V test against 105 degrees: mean cosine 0.73009.
    striae = [
        23, 27, 53, 58, 64, 83, 85, 88, 93, 99, 100, 105, 113, 113, 114, 117, 121, 123, 125, 126,
        126, 126, 127, 127, 128, 128, 129, 132, 132, 132, 134, 135, 137, 144, 145, 145, 146, 153,
        155, 155, 155, 157, 163, 165, 171, 172, 179, 181, 186, 190, 212,
    ]  # fmt: skip
    found = trail_axes(trails_at([one / 2 for one in striae], known_axis_deg=105 / 2))
    assert found.frames == 51
    assert found.concentration == pytest.approx(0.80037, abs=5.1e-6)
    assert found.p == pytest.approx(6.479e-15, abs=5.1e-19)
    assert found.ra_share == pytest.approx(0.73009, abs=5.1e-6)


def test_a_trail_has_no_head() -> None:
    angles = np.random.default_rng(1).uniform(0, 180, 12)
    one = trail_axes(trails_at(angles))
    other = trail_axes(trails_at([a + 180 * (n % 2) for n, a in enumerate(angles)]))
    # Places in the picture are rounded to a few nanodegrees on the way to the sky and back.
    assert other.concentration == pytest.approx(one.concentration, abs=1e-6)
    assert other.ra_share == pytest.approx(one.ra_share, abs=1e-9)


def test_trails_along_right_ascension_across_it_and_anyhow_are_told_apart() -> None:
    plan = Plan(hour_deg=-20.0, dec_deg=25.0, frames=12, exposure_s=100.0, roll_deg=33.0)
    for tracker, share in ((Tracker(too_fast=0.03), 1.0), (LEANING, -1.0)):
        lights = shoot(tracker, [plan])
        found = trail_axes(scenes_of(tracker, plan, lights))
        assert found.frames == 12
        assert found.concentration > 0.99 and found.p < 1e-4
        # East of date and east of ICRS are 0.1 degrees apart; the axis drifts mostly north.
        assert found.ra_share * share > (0.999 if share > 0 else 0.3)
    rng = np.random.default_rng(8)
    chances = [trail_axes(trails_at(rng.uniform(0, 180, 16))).p for _ in range(40)]
    # Random axes: p is even between 0 and 1. Ten or more of 40 under 0.05 come by chance once
    # in 70000 such tests (binomial).
    assert np.sum(np.array(chances) < 0.05) < 10
    assert 0.3 < np.mean(chances) < 0.7


def test_short_and_uncertain_trails_do_not_count() -> None:
    clear = trails_at([30.0, 31.0, 29.0])
    short = [replace(s, motion=replace(s.motion, trail_px=0.5)) for s in trails_at([120.0] * 9)]
    vague = [
        replace(s, motion=replace(s.motion, trail_sigma_px=1.5)) for s in trails_at([120.0] * 9)
    ]
    blind = [replace(s, light=unknown(s.light)) for s in trails_at([120.0] * 9)]
    found = trail_axes([*clear, *short, *vague, *blind])
    assert found.frames == 3
    assert found.concentration > 0.99
    none = trail_axes(short)
    assert none.frames == 0 and np.isnan([none.concentration, none.p, none.ra_share]).all()


def test_the_witness_draws_the_trail_it_drifts_by() -> None:
    # The two halves of the evidence come from one tracker: the path across the exposure and the
    # drift between frames must be of one length.
    lights = shoot(LEANING, [LONG])
    for scene in scenes_of(LEANING, LONG, lights)[1:-1]:
        moments = trail_moments(LEANING, LONG, scene.light.order_s, 0.0)
        trail = motion_from(moments).trail_px
        # Refraction is in the drift alone, half an arcsec/min or 0.04 px.
        assert scene.drift.length_px == pytest.approx(trail, abs=0.06)
