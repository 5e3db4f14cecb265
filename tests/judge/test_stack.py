"""What a frame adds to a stack, against drawn noise and closed forms."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from roundstars import light
from skyplumb.judge.drift import Drift
from skyplumb.judge.facts import FrameFacts
from skyplumb.judge.motion import Motion
from skyplumb.judge.stack import stacked, weights
from skyplumb.measure.shapes import SIGMA_TO_FWHM
from skyplumb.records import FieldShapes


def fact(
    *, fwhm: float = 3.0, out_of_round: float = 0.0, angle: float = 0.0, noise: float = 5.0,
    loss_mag: float = 0.0,
) -> FrameFacts:  # fmt: skip
    """A frame of known width, roundness, noise and transparency."""
    one = light(0)
    return FrameFacts(
        light=replace(one, measure=replace(one.measure, noise=noise)),
        stars=100,
        shape_stars=100,
        fwhm_px=fwhm,
        across_fwhm_px=fwhm,
        ellipticity=out_of_round,
        image_angle_deg=angle,
        motion=Motion(),
        drift=Drift(),
        extinction_mag=loss_mag,
        field=FieldShapes(np.zeros((0, 2)), np.zeros((0, 3)), np.zeros((0, 3))),
    )


def drawn_error(fwhm: float, ratio: float, noise: float) -> float:
    """Standard deviation of a star's light as a matched filter finds it in drawn noise."""
    rng = np.random.default_rng(4)
    y, x = np.mgrid[-20:21, -20:21]
    # The shorter width over the longer is `ratio`, the mean of their squares that of `fwhm`.
    long2 = 2 * (fwhm / SIGMA_TO_FWHM) ** 2 / (1 + ratio**2)
    star = np.exp(-0.5 * (x**2 / long2 + y**2 / (long2 * ratio**2)))
    star = (star / star.sum()).ravel()
    found = rng.normal(0, noise, (4000, star.size)) @ star / (star @ star)
    return float(found.std())


@pytest.mark.parametrize(
    ("fwhm", "ratio", "noise"), [(4.5, 1.0, 5.0), (3.0, 0.6, 5.0), (3.0, 1.0, 9.0)]
)
def test_a_weight_is_the_drop_of_a_matched_filters_variance(
    fwhm: float, ratio: float, noise: float
) -> None:
    best = fact()
    other = fact(fwhm=fwhm, out_of_round=1 - ratio, noise=noise)
    told = weights([best] * 9 + [other])[-1]
    expected = (drawn_error(3.0, 1.0, 5.0) / drawn_error(fwhm, ratio, noise)) ** 2
    # 4000 draws know a standard deviation to 1.1 %, the ratio of two squares to 3.2 %.
    assert told == pytest.approx(expected, rel=0.08)


def test_a_magnitude_of_cloud_costs_its_square_of_light() -> None:
    told = weights([fact()] * 9 + [fact(loss_mag=1.0)])
    assert told[-1] == pytest.approx(10**-0.8)


def test_a_frame_without_a_width_has_no_weight() -> None:
    assert np.isnan(weights([fact(), fact(fwhm=np.nan)])[1])


def test_crossed_trails_stack_to_a_round_wide_star() -> None:
    crossed = [fact(out_of_round=0.3, angle=0.0), fact(out_of_round=0.3, angle=90.0)]
    stack = stacked(crossed, np.ones(2))
    assert stack.ellipticity == pytest.approx(0.0, abs=1e-9)
    assert stack.fwhm_px == pytest.approx(3.0)
    alike = stacked([crossed[0]] * 2, np.ones(2))
    assert alike.ellipticity == pytest.approx(0.3)
    assert alike.snr_gain == pytest.approx(np.sqrt(2))
