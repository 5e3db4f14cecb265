"""Stars that stand twice, closer than two peaks show, told from stars that a motion drew.

Drawn here as sums of Moffat profiles (Moffat 1969) at the places where the light fell.
"""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from skyplumb.judge.two_rests import calm_star, two_rests

Floats = NDArray[np.float64]

SIZE, FWHM_PX, NOISE = 33, 2.6, 2e-4


def drawn(places: Floats, light: Floats, seed: int) -> NDArray[np.float32]:
    """A mean star whose light fell at these places, px from its middle, as large as it is wide."""
    y, x = np.mgrid[:SIZE, :SIZE] - SIZE // 2
    beta = 3.0
    alpha = FWHM_PX / 2 / np.sqrt(2 ** (1 / beta) - 1)
    star = sum(
        part * (1 + ((x - dx) ** 2 + (y - dy) ** 2) / alpha**2) ** -beta
        for (dx, dy), part in zip(places, light / light.sum(), strict=True)
    )
    rng = np.random.default_rng(seed)
    return np.asarray(star / np.max(star) + rng.normal(0, NOISE, star.shape), np.float32)


def calm() -> Floats:
    stars = [drawn(np.zeros((1, 2)), np.ones(1), seed) for seed in range(5)]
    found = calm_star(stars, np.linspace(0, 0.5, 5), np.zeros(5))
    assert found is not None
    return found


@pytest.mark.parametrize("share", [0.25, 0.4, 0.5])
@pytest.mark.parametrize("apart, angle_deg", [(3.5, 20.0), (4.5, -70.0), (7.0, 130.0)])
def test_two_rests_are_told_with_their_vector_and_share(
    apart: float, angle_deg: float, share: float
) -> None:
    turn = np.radians(angle_deg)
    there = apart * np.array([np.cos(turn), np.sin(turn)])
    star = drawn(np.array([-share * there, (1 - share) * there]), np.array([1 - share, share]), 7)
    found = two_rests(star, calm())
    assert found.separation_px == pytest.approx(apart, abs=0.1)
    assert abs((found.angle_deg - angle_deg + 90) % 180 - 90) < 2
    assert found.fainter_share == pytest.approx(share, abs=0.03)


@pytest.mark.parametrize("length", [3.0, 5.0, 9.0])
def test_an_even_trail_is_no_two_rests(length: float) -> None:
    along = np.linspace(-0.5, 0.5, 61)[:, None] * length * np.array([0.8, 0.6])
    assert not two_rests(drawn(along, np.ones(61), 3), calm()).seen


@pytest.mark.parametrize("seed", range(12))
def test_gusts_are_no_two_rests(seed: int) -> None:
    # A rest for a part of the exposure, and a swinging camera for the other (a random walk that is
    # pulled back), along one line mostly.
    rng = np.random.default_rng(seed)
    path = np.zeros((400, 2))
    for n in range(1, 400):
        path[n] = 0.93 * path[n - 1] + rng.normal(0, 1, 2) * (0.9, 0.3)
    part = rng.uniform(0.2, 0.8)
    light = np.concatenate([np.full(400, part / 400), [1 - part]])
    assert not two_rests(drawn(np.concatenate([path, [[0, 0]]]), light, seed), calm()).seen


def test_stars_out_of_focus_and_round_stars_stand_once() -> None:
    turn = np.linspace(0, 2 * np.pi, 48, endpoint=False)
    ring = 3.0 * np.stack([np.cos(turn), np.sin(turn)], 1)
    assert not two_rests(drawn(ring, np.ones(48), 1), calm()).seen
    assert not two_rests(drawn(np.zeros((1, 2)), np.ones(1), 9), calm()).seen


def trailed(
    seed: int, knock: tuple[float, float] = (0.0, 0.0), at: float = 1.0, length: float = 3.0
) -> NDArray[np.float32]:
    """A star that an axis error draws evenly, pushed by so much after a part of the exposure."""
    part = np.linspace(0, 1, 61)
    along = (part[:, None] - 0.5) * length * np.array([0.8, 0.6])
    pushed = (part > at)[:, None] * np.array(knock)
    path = along + pushed
    return drawn(path - path.mean(0), np.ones(61), seed)


def test_a_push_is_told_where_the_mount_trails_every_frame_alike() -> None:
    usual = [trailed(seed) for seed in range(9)]
    calm_one = calm_star(usual, np.full(9, 3.0), np.full(9, 36.9))
    assert calm_one is not None
    for knock, at in (((-4.0, 4.0), 0.4), ((5.0, -2.0), 0.65), ((6.0, 4.5), 0.5)):
        found = two_rests(trailed(20, knock, at), calm_one)
        assert found.separation_px == pytest.approx(float(np.hypot(*knock)), rel=0.4)
    for length in (4.0, 6.0, 9.0):
        assert not two_rests(trailed(21, length=length), calm_one).seen


def test_without_calm_frames_or_light_nothing_is_told() -> None:
    star = drawn(np.zeros((1, 2)), np.ones(1), 1)
    assert calm_star([star, star], np.array([0.1, 0.2]), np.zeros(2)) is None
    assert calm_star([star] * 5, np.full(5, 3.0), np.linspace(0, 144, 5)) is None
    # All drawn out alike they stand for the calm ones.
    assert calm_star([star] * 5, np.full(5, 3.0), np.full(5, 40.0)) is not None
    assert calm_star([], np.zeros(0), np.zeros(0)) is None
    assert not two_rests(np.zeros((SIZE, SIZE), np.float32), calm()).seen
    assert not two_rests(np.zeros((0, 0), np.float32), calm()).seen
