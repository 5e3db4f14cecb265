"""Two sides of some nights: against closed forms, and against what would settle them."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats
from scipy.special import expit
from statsmodels.stats.multitest import multipletests

from skyplumb.season.contrast import SIGNIFICANT, Contrast, contrast, holm, settling_words
from skyplumb.season.mixed_model import Prior


def drawn(
    nights: int, frames: int, step: float, spread: float, seed: int = 1
) -> tuple[np.ndarray, ...]:
    """Sides that change by night."""
    rng = np.random.default_rng(seed)
    side = np.arange(nights) % 2.0
    chance = expit(1.0 + step * side + spread * rng.standard_normal(nights))
    keep = rng.binomial(frames, chance).astype(float)
    return keep, np.full(nights, float(frames)), np.arange(nights), side


@pytest.mark.parametrize("seed", range(8))
def test_chances_are_corrected_as_statsmodels_does(seed: int) -> None:
    rng = np.random.default_rng(seed)
    chances = rng.uniform(0, 0.1, size=1 + 2 * seed)
    chances[:: 2 + seed] = 0.011  # some alike
    significant, corrected = multipletests(chances, SIGNIFICANT, "holm")[:2]
    assert holm(list(chances)) == pytest.approx(corrected, rel=1e-12)
    assert list(holm(list(chances)) <= SIGNIFICANT) == list(significant)


def test_without_nights_that_differ_it_is_the_odds_ratio() -> None:
    # Woolf 1955 (from memory): the variance of a log odds ratio is the sum of one over each count.
    keep, judged = np.array([300.0, 360.0]), np.array([400.0, 400.0])
    sides = np.array([0.0, 1.0])
    alike = Prior(np.log(1e-3), 0.01)
    found = contrast(keep, judged, np.arange(2), sides, spread=alike)
    odds = np.log((360 / 40) / (300 / 100))
    error = np.sqrt(1 / 360 + 1 / 40 + 1 / 300 + 1 / 100)
    # A prior of 2.5 pulls by its share, under 1 %.
    assert found.step == pytest.approx(odds, rel=0.02)
    # The likelihood is steeper towards no difference than away from it.
    assert found.sigma < error < found.sigma_away
    assert np.sqrt(found.sigma * found.sigma_away) == pytest.approx(error, rel=0.03)
    table = [[300, 360], [100, 40]]
    ratio = stats.chi2_contingency(table, correction=False, lambda_="log-likelihood").statistic
    assert found.p == pytest.approx(2 * stats.norm.sf(np.sqrt(ratio)), rel=0.4)
    assert found.rates() == pytest.approx((0.75, 0.9), abs=0.005)


@pytest.mark.parametrize("kept", [(30, 39), (39, 40), (10, 20), (20, 21), (35, 40)])
def test_its_chance_is_that_of_the_likelihood_ratio(kept: tuple[int, int]) -> None:
    table = np.array([kept, [40 - one for one in kept]])
    # The likelihood ratio's statistic of a table as scipy has it (the G test).
    ratio = stats.chi2_contingency(table, correction=False, lambda_="log-likelihood").statistic
    alike = Prior(np.log(1e-3), 0.01)
    wide = (Prior(0.0, 500.0), Prior(0.0, 500.0), Prior(0.0, 500.0))
    found = contrast(
        np.array(kept, float), np.full(2, 40.0), np.arange(2), np.arange(2.0), None, alike, wide
    )
    assert (found.step / found.sigma) ** 2 == pytest.approx(ratio, rel=0.01)
    low, high = found.interval
    assert (low <= 0 <= high) == (found.p > SIGNIFICANT)
    assert low < found.step < high


def test_nights_that_differ_widen_it_and_few_frames_count_as_frames() -> None:
    many, few = (contrast(*drawn(12, frames, 0.5, 0.8)) for frames in (200, 4))
    assert many.by_nights > 0.8 > few.by_nights
    assert many.df < 20 < few.df
    # Of nights alone: two means of six, 0.8 apart by chance.
    assert many.sigma == pytest.approx(0.8 * np.sqrt(1 / 6 + 1 / 6), rel=0.5)


def test_runs_that_scatter_about_their_night_widen_it() -> None:
    night = np.repeat(np.arange(8), 2)
    side = np.tile([0.0, 1.0], 8)
    judged = np.full(16, 40.0)
    rng = np.random.default_rng(2)
    even = contrast(np.tile([28.0, 32.0], 8), judged, night, side)
    wild = np.clip(np.tile([28.0, 32.0], 8) + rng.choice([-8.0, 8.0], 16), 0, 40)
    assert contrast(wild, judged, night, side).sigma > 1.5 * even.sigma


def test_as_many_more_nights_as_it_says_would_settle_it() -> None:
    found = Contrast(1.0, 0.5, 0.4, 1e4, 0.5, 0.5)
    times = found.settled_by_nights()
    # Four in five such seasons reach 1.96 standard errors: a mean of 2.80 of them.
    error = found.sigma / np.sqrt(times)
    assert stats.norm.sf(1.96 - found.step / error) == pytest.approx(0.8, abs=0.001)
    # Half of the error's square is the nights': no number of frames takes that.
    assert np.isinf(found.settled_by_frames())
    by_frames = Contrast(1.0, 0.5, 0.4, 1e4, 0.1, 0.1)
    left = 0.4**2 * (0.1 + 0.9 / by_frames.settled_by_frames())
    assert 0.5 / np.sqrt(left) == pytest.approx(1.96 + 0.8416, abs=0.001)


def test_what_is_open_says_what_would_settle_it() -> None:
    told = settling_words(Contrast(1.0, 0.5, 0.4, 1e4, 0.1, 0.1), 10, 300)
    # (0.4 / (0.5 / 2.80))^2 = 5.02 times 10 nights.
    assert "some 41 more nights like these" in told and "more frames in as many nights" in told
    assert "no number of nights" in settling_words(Contrast(1.0, 1e-6, 0.4, 9.0, 0.1, 0.1), 10, 300)


@pytest.mark.broad
def test_sides_that_are_alike_are_seldom_called_different() -> None:
    claimed = [contrast(*drawn(10, 25, 0.0, 0.6, seed)).p < 0.05 for seed in range(60)]
    # 5 % by design; eight of sixty come one time in a hundred.
    assert sum(claimed) < 8
