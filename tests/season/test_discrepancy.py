"""What physics leaves: against the closed forms of a normal law with one thing known."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import expit, logit

from skyplumb.season.discrepancy import SD, Discrepancy, discrepancy

SURE = np.full((4000, 1), 0.8)
"""Draws of a model that is sure of itself."""
AT = (np.array([10.0]), np.array([60.0]))


def spread_of(left: Discrepancy, scale: float = 10.0) -> tuple[float, float]:
    """Middle and standard deviation of the log odds, without the model's own."""
    there = logit(left.applied(SURE, np.array([scale]), AT[1])) - logit(0.8)
    return float(np.median(there)), float(there.std())


def one_cell(keep: float, judged: float, nights: float = 6) -> Discrepancy:
    place = np.stack([np.log(AT[0]), np.log(AT[1])], axis=1)
    told = (np.array([value]) for value in (keep, judged, nights, 0.8, 0.0))
    return discrepancy(place, *told)


def test_where_nothing_was_counted_a_rate_is_as_open_as_the_prior() -> None:
    nothing = Discrepancy(np.zeros((0, 2)), np.zeros(0), np.zeros(0))
    middle, sd = spread_of(nothing)
    # 4,000 draws: a standard error of 1.6 % of the spread, and of its size.
    assert middle == pytest.approx(0, abs=0.06 * SD)
    assert sd == pytest.approx(SD, rel=0.05)
    low, high = np.percentile(nothing.applied(SURE, *AT), [2.5, 97.5])
    assert low == pytest.approx(expit(logit(0.8) - 1.96 * SD), abs=0.01)
    assert high == pytest.approx(expit(logit(0.8) + 1.96 * SD), abs=0.01)


def test_a_counted_cell_pulls_by_its_evidence() -> None:
    # One normal value known with a variance v: mean SD^2 / (SD^2 + v), and what that leaves.
    keep, judged = 180.0, 200.0
    v = 1 / (judged * 0.8 * 0.2)
    pull = SD**2 / (SD**2 + v)
    seen = float(logit((keep + 0.8) / (judged + 1)) - logit(0.8))
    middle, sd = spread_of(one_cell(keep, judged))
    assert middle == pytest.approx(pull * seen, abs=0.03)
    assert sd == pytest.approx(SD * np.sqrt(1 - pull), rel=0.06)


def test_far_from_what_was_counted_it_says_nothing() -> None:
    near, far = (spread_of(one_cell(190, 200), scale)[0] for scale in (10.0, 100.0))
    assert near > 0.5
    assert abs(far) < 0.05


def test_frames_of_few_nights_that_differ_tell_less_than_their_number() -> None:
    place = np.stack([np.log(AT[0]), np.log(AT[1])], axis=1)

    def middle(nights: float) -> float:
        told = (np.array([value]) for value in (190.0, 200.0, nights, 0.8, 0.15))
        return spread_of(discrepancy(place, *told))[0]

    assert middle(1) < 0.6 * middle(12)


def test_a_forecast_is_the_same_each_time_it_is_asked() -> None:
    one = one_cell(190, 200)
    assert (one.applied(SURE, *AT) == one.applied(SURE, *AT)).all()
