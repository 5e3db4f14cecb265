"""A lens is learned from stars and accused by stars, whatever else passes for one."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from roundstars import SIZE, light
from skyplumb.calibrate.lens_psf import lens_report
from skyplumb.calibrate.lens_stars import stars_of, stars_of_lens
from skyplumb.calibrate.light import Light
from skyplumb.calibrate.pointing import Pointing
from skyplumb.intake.rules import load_rules
from skyplumb.judge import verdict as judging
from skyplumb.judge.setups import split_setups
from skyplumb.judge.verdict import JudgedRun
from skyplumb.records import STAR_DTYPE

SKYLINE = 0.62
"""Of the picture's height, from above: land and its lamps lie below."""


def sky(number: int, *, tilt: float = 0.0, land: int = 0, solved: bool = True) -> Light:
    """A frame of 200 stars; with `land`, under a skyline as many points of all widths instead.

    Stars are brighter than F in numbers as F^-1.2. `tilt` widens those of the lower edge: their
    squared width is so many times larger there than at the upper one.
    """
    frame = light(number, stars=200)
    rng = np.random.default_rng([number, 7])
    stars = frame.measure.stars.copy()
    stars["flux"] = 1e3 * (np.arange(1, 201) / 200) ** (-1 / 1.2)
    known = np.arange(200)
    if tilt:
        wider = 1 + (tilt - 1) * stars["y"] / SIZE[1]
        for name in ("mxx", "myy"):
            stars[name] *= wider
    if land:
        known = np.flatnonzero(stars["y"] < SKYLINE * SIZE[1])
        stars = stars[known]
        below = np.zeros(land, STAR_DTYPE)
        below["x"] = rng.uniform(0, SIZE[0], land)
        below["y"] = rng.uniform(SKYLINE * SIZE[1], SIZE[1], land)
        below["flux"], below["snr"], below["kurt"] = rng.uniform(1e3, 1e5, land), 40.0, 2.0
        # From a lamp's width to that of a bush.
        below["mxx"] = below["myy"] = 1.3 * 10 ** rng.uniform(0, 1.6, land)
        for name in ("sxx", "syy", "sxy"):
            below[name] = 0.05
        stars = np.concatenate([stars, below])
    pointing = Pointing(star=np.arange(len(known)), catalogue=known) if solved else Pointing()
    return replace(frame, measure=replace(frame.measure, stars=stars), pointing=pointing)


def judged(frames: list[Light]) -> JudgedRun:
    setups = split_setups(frames)
    (run,) = judging.judge(setups.lights, load_rules(None), setups.mounts)
    return run


@pytest.mark.parametrize("solved", [True, False])
def test_what_lies_under_a_skyline_does_not_accuse_the_lens(solved: bool) -> None:
    run = judged([sky(n, land=120, solved=solved) for n in range(6)])
    assert [frame.verdict for frame in run.frames] == ["keep"] * 6
    # No star stood at the lower edge, so nothing is known of it.
    assert np.isnan(run.optics.tilt_y_fwhm_px)
    if solved:  # at the others they are 2.7 px wide: 2.355 sqrt(1.3)
        assert run.optics.left_fwhm_px == pytest.approx(2.69, abs=0.1)
        assert abs(run.optics.tilt_x_fwhm_px) < 0.15


@pytest.mark.parametrize("solved", [True, False])
def test_a_tilted_lens_is_accused_by_its_stars(solved: bool) -> None:
    run = judged([sky(n, tilt=4.0, solved=solved) for n in range(6)])
    for frame in run.frames:
        assert (frame.verdict, frame.cause) == ("doubtful", "optics")
        # Four times the squared width from edge to edge is twice the width; the last tenth of
        # the picture holds few stars.
        assert "stars at the lower edge 2.0 times as wide as at the upper one" in frame.reason
    assert run.optics.tilt_y_fwhm_px == pytest.approx(2.69, rel=0.1)
    assert run.optics.upper_fwhm_px == pytest.approx(2.69, rel=0.05)


def test_a_lens_is_learned_from_solved_frames_where_there_are_some() -> None:
    frames = [sky(0), sky(1, land=90, solved=False), sky(2)]
    assert [len(one.place) for one in stars_of_lens(frames)] == [200, 0, 200]


def test_noise_and_lights_alone_are_no_sky() -> None:
    rng = np.random.default_rng(3)

    def strewn(flux: NDArray[np.float64], spread: float) -> Light:
        frame = sky(0, solved=False)
        stars = frame.measure.stars.copy()
        stars["flux"] = np.sort(flux)[::-1]
        for name in ("mxx", "myy"):
            stars[name] *= 10 ** rng.normal(0, spread, len(stars))
        return replace(frame, measure=replace(frame.measure, stars=stars))

    sky_flux = 1e3 * rng.uniform(0, 1, 200) ** (-1 / 1.2)
    # Squared widths of noise peaks scatter by a factor of two and more: 0.35 dex.
    noise = strewn(sky_flux, 0.35)
    # Peaks of noise are all but equally bright; a few bright lamps outshine each other by far.
    equal = strewn(1e3 * rng.uniform(0, 1, 200) ** (-1 / 6), 0.0)
    lamps = strewn(1e3 * rng.uniform(0, 1, 200) ** (-1 / 0.25), 0.0)
    stars = strewn(sky_flux, 0.0)
    counted = [len(one.place) for one in stars_of_lens([noise, equal, lamps, stars])]
    assert counted[:3] == [0, 0, 0]
    assert counted[3] == 200


def test_beside_stars_of_the_catalogue_a_wide_point_is_no_star() -> None:
    frame = sky(0, land=120)
    shaped = stars_of(frame)
    # Squared widths up to three times the stars' count: a lens's corners are wider too.
    below = shaped.place[:, 1] * np.hypot(*SIZE) / 2 > (SKYLINE - 0.5) * SIZE[1]
    assert shaped.moments[below, 0].max() < 3 * 2.7
    assert 15 < np.count_nonzero(below) < 60
    assert np.count_nonzero(~below) == len(frame.pointing.star)


def test_edges_without_stars_are_not_told() -> None:
    from skyplumb.calibrate.lens_psf import learn_lens

    lens = learn_lens(stars_of_lens([sky(n, land=1) for n in range(4)]))
    report = lens_report(lens, np.zeros(2), 1.3, SIZE[1] / SIZE[0])
    assert np.isnan(report.tilt_y_fwhm_px)
    assert np.isfinite(report.tilt_x_fwhm_px)
