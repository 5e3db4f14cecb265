"""Which detections are stars of the catalogue, where most are not, or are saturated."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from skyplumb.calibrate.camera import Camera
from skyplumb.calibrate.matching import Detections, Matches, match_stars, trusted_rows
from skyplumb.calibrate.plate_solving import fit_frame
from skyplumb.calibrate.sky import CATALOGUE_SKY
from skyplumb.measure.flags import BIT
from starfields import table

CAMERA = Camera(30_000.0, 1600, 1000)
"""200 mm: 3 by 2 degrees, in which the catalogue has some thirty stars."""


def crowded(seed: int) -> tuple[Detections, np.ndarray]:
    """A thousand points that are no stars of the catalogue, and an attitude."""
    rng = np.random.default_rng(seed)
    pixels = rng.uniform(0, 1, (1300, 2)) * [1599, 999]
    measure = table(pixels, rng.exponential(1.0, 1300) * -1.0 + 13.0)
    return Detections.of(measure), Rotation.random(random_state=seed).as_matrix()


@pytest.mark.broad
@pytest.mark.parametrize("first", range(0, 60, 20))
def test_chance_neighbours_among_a_thousand_points_are_no_pointing(first: int) -> None:
    # Of 60 places some have matches likelier than any scatter of chance's, 10 px off.
    for seed in range(first, first + 20):
        stars, attitude = crowded(seed)
        assert fit_frame(stars, CATALOGUE_SKY, CAMERA, attitude, 20.0) is None


def test_loose_matches_count_where_their_light_is_the_catalogues() -> None:
    found = match_stars(*_first(), CAMERA, _first_attitude(), 2.0)
    loose = Matches(found.matched, np.arange(20), np.arange(20), 5.0, 40.0, 0.3)
    assert loose.certain
    assert not Matches(found.matched, np.arange(20), np.arange(20), 5.0, 40.0, 0.9).certain
    assert Matches(found.matched, np.arange(20), np.arange(20), 0.3, 40.0, 0.9).certain


def _first() -> tuple[Detections, object]:
    return crowded(1)[0], CATALOGUE_SKY


def _first_attitude() -> np.ndarray:
    return crowded(1)[1]


@pytest.mark.parametrize("flat", [10, 40])
def test_saturated_stars_have_places_of_a_lesser_worth(flat: int) -> None:
    rng = np.random.default_rng(2)
    measure = table(rng.uniform(0, 900, (200, 2)), np.linspace(6, 12, 200))
    brightest = np.argsort(-measure.stars["flux"])[:flat]
    measure.stars["flags"][brightest] |= BIT["saturated"]
    assert np.isin(brightest, trusted_rows(measure.stars)).all()
    # The middle of such a star is flat.
    errors = Detections.of(measure).errors
    assert errors[:flat].min() > errors[flat:60].max()
