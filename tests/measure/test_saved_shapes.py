"""No number that is said of a star's shape changes unseen."""

from __future__ import annotations

import json

import numpy as np
import pytest
from tests.saved_shapes import NOISE, SAVED, STARS, answers
from tests.saved_skies import changes


def test_shapes_are_told_as_they_were() -> None:
    changed = changes(answers(), json.loads(SAVED.read_text("utf-8")))
    assert not changed, "if that is meant: python -m tests.saved_shapes\n" + "\n".join(changed)


def test_drawn_gaussians_are_found_in_their_noise() -> None:
    # Errors of a fitted Gaussian by its signal to noise r: sqrt(2) sigma / r of a place, and
    # 2 sqrt(2) m / r of a moment (Condon 1997, PASP 109, 166, equations 20 and 21, from memory).
    told = answers()["one"]
    for n in (0, 5):
        mxx, myy, mxy, x, y, height, _ = STARS[n]
        snr = height / NOISE * np.sqrt(np.pi * np.sqrt(mxx * myy - mxy**2))
        assert told["converged"][n]
        assert told["snr"][n] == pytest.approx(snr, abs=4)  # four of its errors, which are 1
        place = 4 * np.sqrt(2 * max(mxx, myy)) / snr
        assert [told["x"][n], told["y"][n]] == pytest.approx([x, y], abs=place)
        errors = np.sqrt(8) * np.array([mxx, myy]) / snr
        assert told["moments"][n] == pytest.approx([mxx, myy, mxy], abs=4 * errors.max())
        # The noise of 200 samples is known to 5 %; the stamp cuts off a little of the second.
        assert told["errors"][n][:2] == pytest.approx(errors, rel=0.15)
    assert not any(told["converged"][n] for n in (8, 9))
