"""The mean star: plain moments, faint tails and double peaks of stars drawn here.

The outside values are moments in closed form: second moments add, and two rests `d` apart with a
share `f` of the light in one have f (1 - f) d^2 along their line (two-point distribution).
"""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from skyplumb.angles import between_axes_deg
from skyplumb.judge.mean_star import double_peaks, excess_over_calm, spreads_of, tail_length_px

HALF = 24


def star(
    xx: float = 1.4,
    yy: float = 1.4,
    *,
    share: float = 0.0,
    apart_px: float = 0.0,
    angle_deg: float = 0.0,
    noise: float = 2e-4,
    seed: int = 1,
) -> NDArray[np.float32]:
    """A Gaussian of these moments, px^2, with a share of its light elsewhere; of height 1."""
    y, x = np.mgrid[-HALF : HALF + 1, -HALF : HALF + 1].astype(float)
    dx, dy = (apart_px * f(np.radians(angle_deg)) for f in (np.cos, np.sin))
    drawn = (1 - share) * np.exp(-(x**2) / 2 / xx - y**2 / 2 / yy)
    drawn += share * np.exp(-((x - dx) ** 2) / 2 / xx - (y - dy) ** 2 / 2 / yy)
    drawn /= drawn.max()
    return (drawn + np.random.default_rng(seed).normal(0, noise, drawn.shape)).astype(np.float32)


def test_plain_moments_are_those_that_were_drawn() -> None:
    for xx, yy in ((1.4, 1.4), (2.0, 1.2), (1.2, 2.4)):
        (found,) = spreads_of([star(xx, yy)])
        assert found is not None
        # Cut at 0.4 % of its height a Gaussian keeps all but 3 % of its moments.
        assert found.moments == pytest.approx([xx - yy, 0.0], abs=0.03 * max(xx, yy) + 0.02)


def test_no_star_and_one_that_leaves_its_stamp_have_none() -> None:
    none = [np.zeros((0, 0), np.float32), np.zeros((49, 49), np.float32), star(400.0, 1.4)]
    assert spreads_of(none) == [None, None, None]
    # Nor do they spoil what stands beside them.
    assert [one is not None for one in spreads_of([*none, star()])] == [False, False, False, True]


@pytest.mark.parametrize(("share", "apart_px", "angle_deg"), [(0.08, 7.0, 0.0), (0.12, 6.0, 60.0)])
def test_a_gust_leaves_a_tail_whose_length_is_that_of_two_rests(
    share: float, apart_px: float, angle_deg: float
) -> None:
    # The light between the rests joins them, as where a camera swings aside and back.
    y, x = np.mgrid[-HALF : HALF + 1, -HALF : HALF + 1].astype(float)
    way = np.array([np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))])
    steps = np.concatenate([np.zeros(60), np.linspace(0, apart_px, 60)])
    weights = np.concatenate([np.full(60, (1 - share) / 60), np.full(60, share / 60)])
    gust = np.zeros_like(x)
    for step, weight in zip(steps, weights, strict=True):
        dx, dy = step * way
        gust += weight * np.exp(-((x - dx) ** 2 + (y - dy) ** 2) / 2 / 1.4)
    gust = (gust / gust.max()).astype(np.float32)
    # Variance along the line of a mixture: sum w x^2 - (sum w x)^2.
    variance = float(weights @ steps**2 - (weights @ steps) ** 2)
    calm = [star(seed=n) for n in range(8)]
    nothing = np.zeros(9)
    excess = excess_over_calm([*calm, gust], nothing, nothing, nothing + 0.005)
    tail = tail_length_px(excess[-1], 0.3)
    assert tail is not None
    length, sigma, angle = tail
    # Cut at 0.4 % of the height and smeared by pixels: a tenth of the length.
    assert length == pytest.approx(np.sqrt(12 * variance), rel=0.12)
    assert sigma < 0.2 * length
    assert between_axes_deg(angle, angle_deg) < 4
    # The calm ones have none, and a trail that the shapes see already is no tail.
    assert all(tail_length_px(one, 0.3) is None for one in excess[:-1])
    assert tail_length_px(excess[-1], length) is None
    assert tail_length_px(None, 0.3) is None


def test_of_few_frames_that_scatter_hardly_one_has_a_tail() -> None:
    tails = 0
    for night in range(40):
        rng = np.random.default_rng(night)
        # Eight frames alike: other stars make each mean star, by some 0.12 px^2 of stretch.
        stars = [star(*(1.4 + rng.normal(0, 0.09, 2)), seed=n) for n in range(8)]
        trail = np.full(8, 0.9) + rng.normal(0, 0.005, 8)
        angle, doubt = np.zeros(8), np.full(8, 0.06)
        excess = excess_over_calm(stars, trail, angle, doubt)
        tails += sum(tail_length_px(one, 0.9) is not None for one in excess)
    # Four sigma of a scatter that 16 numbers tell to 30 %: the mean of exp(-8 (1 + 0.3 z)^2) over
    # a normal z is 1.1 %, 3.5 of 320. With the scatter of three frames it was 11.
    assert tails <= 8


@pytest.mark.parametrize(("apart_px", "angle_deg", "share"), [(5.0, 30.0, 0.4), (6.0, -70.0, 0.3)])
def test_two_peaks_are_seen_with_their_distance_and_light(
    apart_px: float, angle_deg: float, share: float
) -> None:
    (found,) = double_peaks([star(share=share, apart_px=apart_px, angle_deg=angle_deg)])
    assert found.seen
    # Parabolas through three samples of a smoothed peak: a tenth of a sample or two.
    assert found.separation_px == pytest.approx(apart_px, abs=0.25)
    assert between_axes_deg(found.angle_deg, angle_deg) < 3
    assert found.fainter_share == pytest.approx(share, abs=0.03)


def test_one_peak_is_one_star() -> None:
    ones = [star(), star(6.0, 1.4), np.zeros((0, 0), np.float32)]
    # Nearer than they are wide they melt into one.
    ones.append(star(share=0.4, apart_px=2.0))
    # A tenth of the light is a tail, not a second star.
    ones.append(star(share=0.1, apart_px=6.0))
    assert not any(found.seen for found in double_peaks(ones))


def test_the_ring_of_a_star_out_of_focus_is_no_double() -> None:
    y, x = np.mgrid[-24:25, -24:25]
    ring = np.exp(-((np.hypot(x, y) - 5.0) ** 2) / 2 / 1.5)
    # A little brighter at two ends, as a lens with some astigmatism draws it.
    lopsided = ring * (1 + 0.25 * (x / np.maximum(np.hypot(x, y), 1)) ** 2)
    stamps = [(one / one.max()).astype(np.float32) for one in (ring, lopsided)]
    assert not any(found.seen for found in double_peaks(stamps))
