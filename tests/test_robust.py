"""Scale and weights against drawn normals and against scipy and published constants."""

from __future__ import annotations

import numpy as np
import pytest
from astropy.stats import mad_std
from scipy.stats import chi

from skyplumb import robust
from skyplumb.robust import (
    EFFICIENCY,
    cauchy_cut,
    cauchy_loss,
    cauchy_weighting,
    even,
    mad_sigma,
    median_length,
    reweighted,
    robust_sigma,
)


def test_the_constants_that_stand_written_are_those_of_their_laws(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    medians, cuts = dict(robust._MEDIANS), dict(robust._CUTS)
    monkeypatch.setattr(robust, "_MEDIANS", {})
    monkeypatch.setattr(robust, "_CUTS", {})
    for dimensions, told in medians.items():
        assert median_length.__wrapped__(dimensions) == pytest.approx(told, rel=1e-14)
    for (dimensions, efficiency), told in cuts.items():
        assert cauchy_cut.__wrapped__(dimensions, efficiency) == pytest.approx(told, rel=1e-9)


@pytest.mark.parametrize("dimensions", [1, 2, 3])
def test_the_scale_of_drawn_normals_is_theirs_in_any_dimension(dimensions: int) -> None:
    rng = np.random.default_rng(dimensions)
    drawn = rng.normal(0, 3.0, (200_000, dimensions))
    # The median of 200,000 is known to 0.3 % of sigma; 48 % is what one wrong constant makes.
    assert robust_sigma(drawn) == pytest.approx(3.0, rel=0.01)
    assert median_length(dimensions) == pytest.approx(chi.median(dimensions), rel=1e-12)
    # A third of them wild leaves the scale within a factor of two.
    drawn[: len(drawn) // 3] *= 1000
    assert 3.0 < robust_sigma(drawn) < 6.0


def test_the_scale_about_the_median_is_that_of_astropy() -> None:
    values = np.random.default_rng(0).normal(5.0, 2.0, 501)
    assert mad_sigma(values) == pytest.approx(mad_std(values), rel=1e-12)
    assert np.isnan(mad_sigma(np.zeros(0)))
    assert mad_sigma(np.append(values, np.nan)) == pytest.approx(mad_std(values), rel=1e-12)


def test_residuals_of_a_fit_are_scaled_by_their_degrees_of_freedom() -> None:
    rng = np.random.default_rng(3)
    # Eight numbers about their own mean scatter by sqrt(7/8) of what they were drawn with.
    drawn = rng.normal(0, 1.0, (50_000, 8))
    rest = (drawn - drawn.mean(1, keepdims=True)).ravel()
    # 400,000 numbers: 0.2 %.
    assert robust_sigma(rest, 7 / 8) == pytest.approx(1.0, rel=0.01)


@pytest.mark.slow
def test_the_cut_is_the_published_one_and_keeps_the_efficiency_it_says() -> None:
    # Holland & Welsch 1977, table of tuning constants: 2.385 for 95 % (half the last digit).
    assert cauchy_cut(1) == pytest.approx(2.385, abs=5e-4)
    rng = np.random.default_rng(5)
    for dimensions in (2, 3):
        trials, count = 3000, 60
        means = []
        for _ in range(trials):
            drawn = rng.normal(0, 1.0, (count, dimensions))
            centre = np.zeros(dimensions)
            for _ in range(15):
                length = np.linalg.norm(drawn - centre, axis=1)
                weight = 1 / (1 + (length / cauchy_cut(dimensions)) ** 2)
                centre = weight @ drawn / weight.sum()
            means.append(centre)
        lost = np.var(np.array(means)) * count
        # A variance of 3000 d numbers is known to sqrt(2 / 3000 d): 1.8 % in two dimensions.
        assert 1 / lost == pytest.approx(EFFICIENCY, abs=0.04)


def test_the_loss_is_the_square_near_zero_and_has_the_weights_for_slope() -> None:
    small = np.full((4, 3), 1e-4)
    assert cauchy_loss(small, 1.0) == pytest.approx(float(np.sum(small**2)), rel=1e-6)
    r, step = 4.0, 1e-6
    slope = (cauchy_loss(np.array([r + step]), 1.0) - cauchy_loss(np.array([r]), 1.0)) / step
    # d(loss)/dr = 2 r w(r), with w a half at the cut.
    assert slope == pytest.approx(2 * r / (1 + (r / cauchy_cut(1)) ** 2), rel=1e-5)


def test_groups_are_scaled_by_themselves_and_nan_has_no_say() -> None:
    rng = np.random.default_rng(1)
    rest = np.concatenate([rng.normal(0, 1.0, (4000, 2)), rng.normal(0, 10.0, (4000, 2))])
    rest[5] = np.nan
    group = np.repeat([0, 1], 4000)
    weighting = cauchy_weighting(rest, group=group)
    # The median of 4000 is known to 1.5 %.
    assert weighting.sigma[0] == pytest.approx(1.0, rel=0.05)
    assert weighting.sigma[-1] == pytest.approx(10.0, rel=0.05)
    assert weighting.weights[5] == 0.0
    assert (weighting.weights >= 0).all() and weighting.weights.max() <= 1


def test_rounds_end_when_the_residuals_stand_still() -> None:
    rng = np.random.default_rng(6)
    values, rounds = rng.normal(0, 1.0, 50), []

    def solve(weighting: object) -> np.ndarray:
        rounds.append(weighting)
        weights = weighting.weights  # type: ignore[attr-defined]
        return values - np.average(values, weights=weights)

    reweighted(solve, even(50), 100)
    assert 2 < len(rounds) < 30
