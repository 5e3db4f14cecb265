"""The zenith of drawn skies is found where it was, and no number of how changes unseen."""

from __future__ import annotations

import numpy as np
import pytest
from tests.saved_skies import BY_STARS, EXPOSURE_S, MEANT, changed, kept, zenith_answers

from skyplumb.calibrate.sky import unit_vectors
from skyplumb.calibrate.zenith import Zenith
from skyplumb.calibrate.zenith_bounds import NEAR_DEG


@pytest.mark.broad
@pytest.mark.parametrize("name", BY_STARS)
def test_the_zenith_that_the_stars_show_is_the_true_one_and_as_it_was_before(name: str) -> None:
    told, (truth, *_) = zenith_answers(name), kept(name).truth
    up = Zenith(**told["best"]).at(EXPOSURE_S / 2)
    there = unit_vectors(*np.radians([[truth["zenith_ra_deg"]], [truth["zenith_dec_deg"]]]))[0]
    # A degree beyond what is not known of air and lens (`zenith_bounds`).
    room = NEAR_DEG + np.degrees(np.hypot(*told["shifts"].T).max())
    assert np.degrees(np.arccos(up @ there)) < room
    # Air lifts by what it has at that height, within its doubt.
    assert abs(told["amount"] - told["air"]["mean"]) < 4 * told["air"]["sigma"]
    changes = changed(told, name, "zenith")
    assert not changes, MEANT + "\n".join(changes)
