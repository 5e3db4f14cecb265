"""Statistics of many sets at once, against those of each by itself."""

from __future__ import annotations

import numpy as np
import pytest
from astropy.stats import mad_std

from skyplumb.rowwise import Rows, inverses, medians, quantiles, robust_fits, sigmas, solved

LENGTHS = (7, 0, 1, 200, 12)


def sets(seed: int = 3) -> tuple[list[np.ndarray], Rows, np.ndarray]:
    rng = np.random.default_rng(seed)
    some = [rng.standard_cauchy(count) for count in LENGTHS]
    rows = Rows(LENGTHS)
    return some, rows, rows.of(np.concatenate(some))


def test_sets_of_unlike_length_stand_in_rows() -> None:
    some, rows, filled = sets()
    assert filled.shape == (5, 200)
    for one, row in zip(some, filled, strict=True):
        assert (row[: len(one)] == one).all() and np.isnan(row[len(one) :]).all()
    both = rows.of(np.stack([np.concatenate(some)] * 2, axis=1))
    assert both.shape == (5, 200, 2)
    assert np.array_equal(both[..., 1], filled, equal_nan=True)
    assert Rows([]).of(np.zeros(0)).shape == (0, 0)


@pytest.mark.parametrize("share", [0.0, 0.05, 0.5, 0.9, 1.0])
def test_quantiles_of_rows_are_those_of_the_sets(share: float) -> None:
    # The outside check: numpy's own.
    some, _, filled = sets()
    found = quantiles(filled, share)
    assert np.isnan(found[1])
    for one, value in zip(some, found, strict=True):
        if len(one):
            assert value == pytest.approx(np.quantile(one, share), rel=1e-12)
    assert np.isnan(medians(np.zeros((3, 0)))).all()


def test_scatters_of_rows_are_those_of_the_sets() -> None:
    # The outside check: astropy's median absolute deviation.
    some, _, filled = sets()
    found = sigmas(filled - medians(filled)[:, None])
    for one, value in zip(some, found, strict=True):
        assert value == pytest.approx(mad_std(one) if len(one) else np.nan, rel=1e-12, nan_ok=True)


def lines(counts: tuple[int, ...], seed: int = 5) -> tuple[np.ndarray, np.ndarray]:
    """Designs and values of lines 1 + 2 x, 0.1 off, with an outlier in ten."""
    rng = np.random.default_rng(seed)
    rows = Rows(counts)
    x = rng.uniform(-1, 1, sum(counts))
    values = 1.0 + 2.0 * x + rng.normal(0, 0.1, len(x))
    values[::10] += 5.0
    x = rows.of(x)
    return np.stack([np.ones_like(x), x], axis=1), rows.of(values)


def test_outliers_do_not_pull_the_fits_of_rows() -> None:
    design, values = lines((400, 150, 300))
    solution, covariance = robust_fits(design, values, np.full_like(values, 0.1))
    # 0.1 over root 135 is 0.009; Cauchy weights leave a tenth of a sigma of the outliers' pull.
    assert solution == pytest.approx(np.tile([1.0, 2.0], (3, 1)), abs=0.05)
    counts = np.array([400, 150, 300])
    assert np.sqrt(covariance[:, 0, 0]) == pytest.approx(0.1 / np.sqrt(0.9 * counts), rel=0.4)


def test_errors_of_the_fits_are_as_large_as_the_scatter() -> None:
    rng = np.random.default_rng(4)
    x = np.linspace(-1, 1, 150)
    line = np.stack([np.ones(150), x])
    values = np.array([0.5, -1.0]) @ line + rng.normal(0, 0.3, (200, 150))
    # Told a third of the true scatter: the scatter that is seen counts.
    told = np.full_like(values, 0.1)
    solution, covariance = robust_fits(np.broadcast_to(line, (200, 2, 150)), values, told)
    pulls = (solution - [0.5, -1.0]) / np.sqrt(np.diagonal(covariance, axis1=1, axis2=2))
    # 200 trials know a spread to 5 %; the weights' own loss is under a tenth.
    assert np.std(pulls, axis=0) == pytest.approx([1.0, 1.0], abs=0.2)


def test_a_row_is_fitted_as_by_itself() -> None:
    design, values = lines((400, 3, 0, 60))
    errors = np.full_like(values, 0.1)
    prior = np.array([[np.inf, 1.0], [np.inf, 1e-3], [1.0, 1.0], [np.inf, np.inf]])
    together = robust_fits(design, values, errors, prior)
    for n in range(4):
        there = np.isfinite(values[n])
        alone = robust_fits(
            design[n : n + 1, :, there],
            values[n : n + 1, there],
            errors[n : n + 1, there],
            prior[n],
        )
        for here, one in zip(together, alone, strict=True):
            assert here[n] == pytest.approx(one[0], rel=1e-9, abs=1e-12)
    # Of three values a prior of 0.001 decides the slope, of none the prior is all.
    assert abs(together[0][1, 1]) < 0.01
    assert together[0][2] == pytest.approx([0.0, 0.0])
    assert np.sqrt(np.diag(together[1][2])) == pytest.approx([1.0, 1.0])


def test_solutions_of_rows_are_those_of_the_linear_algebra_library() -> None:
    # The outside check: LAPACK. Terms in units far apart, as counts and pixels are.
    rng = np.random.default_rng(6)
    columns = rng.normal(size=(50, 30, 6)) * [1, 10, 1e3, 1e-3, 1, 1e5]
    normals = np.einsum("sni,snj->sij", columns, columns)
    slopes = rng.normal(size=(50, 6))
    unit = 1 / np.sqrt(np.diagonal(normals, axis1=1, axis2=2))
    ours, theirs = solved(normals, slopes), np.linalg.solve(normals, slopes[..., None])[..., 0]
    # Condition numbers up to 1e2 in the terms' own units.
    assert ours / unit == pytest.approx(theirs / unit, rel=1e-9, abs=1e-12)
    scale = unit[:, :, None] * unit[:, None, :]
    assert inverses(normals) / scale == pytest.approx(np.linalg.inv(normals) / scale, rel=1e-9)
    # Nothing known of a term: it is zero, and the others are as without it.
    normals[:, 2] = normals[:, :, 2] = 0.0
    rest = [0, 1, 3, 4, 5]
    without = solved(normals[:, rest][:, :, rest], slopes[:, rest])
    known = solved(normals, slopes)
    assert (known[:, 2] == 0).all()
    assert known[:, rest] == pytest.approx(without, rel=1e-12)


def test_a_singular_row_spoils_no_other_and_warns_of_nothing() -> None:
    # Warnings are errors here. Met in the demo, where a star's fit ran away.
    alike, good = np.ones((2, 2)), np.array([[2.0, 0.5], [0.5, 1.0]])
    normals, slopes = np.stack([alike, good]), np.array([[1.0, 2.0], [1.0, 2.0]])
    assert solved(normals, slopes)[1] == pytest.approx(np.linalg.solve(good, slopes[1]), rel=1e-12)
    assert inverses(normals)[1] == pytest.approx(np.linalg.inv(good), rel=1e-12)
