"""Evenly spread points, held against `scipy.stats.qmc`."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import qmc

from skyplumb.season.lattice import GENERATORS, lattice


@pytest.mark.parametrize(("points", "dimensions"), GENERATORS)
def test_the_points_lie_nearly_as_evenly_as_sobols(points: int, dimensions: int) -> None:
    ours = lattice(points, dimensions)
    assert ours.shape == (points, dimensions)
    for column in ours.T:
        assert sorted(column) == pytest.approx((np.arange(points) + 0.5) / points)
    sobol = qmc.Sobol(dimensions, scramble=False).random(points) + 0.5 / points
    assert qmc.discrepancy(ours) < 1.25 * qmc.discrepancy(sobol)
    random = np.random.default_rng(1).random((points, dimensions))
    assert qmc.discrepancy(ours) < 0.5 * qmc.discrepancy(random)


def test_no_other_generator_spreads_them_more_evenly() -> None:
    for (points, dimensions), generator in GENERATORS.items():
        found = {}
        for other in range(3, points, 2):
            powers = np.array([pow(other, power, points) for power in range(dimensions)])
            found[other] = qmc.discrepancy(
                (np.arange(points)[:, None] * powers % points + 0.5) / points
            )
        assert found[generator] == pytest.approx(min(found.values()), rel=1e-9)
