"""A lens's shape over the field, against pictures and second moments of GalSim's."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta
from functools import cache

import galsim
import numpy as np
import pytest
from numpy.typing import NDArray

from skyplumb.calibrate.light import Light
from skyplumb.calibrate.pointing import Pointing
from skyplumb.findings import LensField
from skyplumb.intake.notes import ShotNotes
from skyplumb.judge.drift import Drift
from skyplumb.judge.facts import FrameFacts
from skyplumb.judge.lens_field import ZONES, lens_fields
from skyplumb.judge.motion import Motion
from skyplumb.measure import shapes
from skyplumb.measure.stars import measure_stars
from skyplumb.records import FieldShapes, Measure, Plate, ShotInfo

SIZE = (900, 600)
HALF = np.array(SIZE) / np.hypot(*SIZE)
BETA = 4.0
GRID = (24, 16)
TRAIL_PX, TRAIL_DEG = 0.75, 25.0
INFO = ShotInfo(
    camera="Mistel 3", lens="Lerchau 85", focal_mm=85.0, fnumber=2.8, exposure_s=60.0, iso=800.0
)


def drawn_star(place: NDArray[np.float64], trail: float = 0.0) -> galsim.GSObject:
    """Wider and drawn out along the radius farther from the middle, and wider to the right."""
    square = float(place @ place)
    star = galsim.Moffat(beta=BETA, fwhm=2.6 + 0.8 * square + 0.3 * place[0])
    star = star.shear(g=0.18 * square, beta=np.arctan2(place[1], place[0]) * galsim.radians)
    if trail:
        line = galsim.Box(trail, 1e-3).rotate(TRAIL_DEG * galsim.degrees)
        star = galsim.Convolve(star, line)
    return star


@cache
def frame(number: int, trail: float = 0.0) -> FrameFacts:
    """A measured picture of such stars, the same in every frame, with its motion as told."""
    rng = np.random.default_rng(7)
    x, y = (a.ravel() for a in np.meshgrid(*((np.arange(n) + 0.5) / n for n in GRID)))
    at = np.stack([x, y], 1) * SIZE + rng.uniform(-4, 4, (len(x), 2)) - 0.5
    flux = 10 ** rng.uniform(3.8, 4.8, len(at))
    picture = galsim.Image(*SIZE, scale=1.0, dtype=np.float32, xmin=0, ymin=0)
    for place, light in zip(at, flux, strict=True):
        star = drawn_star((place - (np.array(SIZE) - 1) / 2) / (np.hypot(*SIZE) / 2), trail)
        corner = np.rint(place).astype(int) - 20
        bounds = galsim.BoundsI(corner[0], corner[0] + 40, corner[1], corner[1] + 40)
        stamp = galsim.Image(bounds, dtype=np.float32)
        star.withFlux(light).drawImage(stamp, scale=1.0, center=galsim.PositionD(*place))
        both = bounds & picture.bounds
        picture[both] += stamp[both]
    noise = np.random.default_rng([number, 1]).normal(200, 6, picture.array.shape)
    samples = (picture.array + noise).astype(np.float32)
    plate = Plate(samples, np.array([[1]], np.uint8), np.zeros((1, 1), np.float32), np.inf)
    found = measure_stars(plate)
    measure = Measure(
        f"L_{number:04d}.fits", "light", "", INFO, *SIZE, stars=found.stars, noise=found.noise
    )
    xy = np.stack([found.stars["x"], found.stars["y"]], 1)
    apart = np.linalg.norm(xy[:, None] - at[None], axis=2)
    near = np.flatnonzero(apart.min(axis=1) < 1)
    pointing = Pointing(True, star=near, catalogue=apart[near].argmin(axis=1))
    start = datetime(2026, 8, 14, 22) + timedelta(minutes=2 * number)
    light = Light(measure, ShotNotes(INFO), start, 120.0 * number, pointing=pointing)
    across = 1.4
    return FrameFacts(
        light, len(xy), len(near), 2.7, 2.7 + 0.01 * number, 0.0, 0.0,
        Motion(trail, 0.1, TRAIL_DEG if trail else 0.0, trail, across_px2=across, kurt=2.15),
        Drift(), 0.0, FieldShapes(np.zeros((0, 2)), np.zeros((0, 3)), np.zeros((0, 3))),
    )  # fmt: skip


@pytest.fixture(scope="module")
def field() -> LensField:
    """Of three frames, one of them trailed."""
    (found,) = lens_fields([frame(0), frame(1, TRAIL_PX), frame(2)])
    return found


def truth(place: NDArray[np.float64]) -> NDArray[np.float64]:
    """mxx, myy, mxy of GalSim's adaptive moments (Hirata and Seljak 2003), px^2, the pixel in
    them; the mean over places of the star within a pixel."""
    out = []
    for offset in ((0.0, 0.0), (0.5, 0.0), (0.0, 0.5), (0.5, 0.5)):
        picture = drawn_star(place).drawImage(nx=61, ny=61, scale=1.0, offset=offset)
        found = galsim.hsm.FindAdaptiveMom(picture)
        e1, e2 = found.observed_e1, found.observed_e2
        trace = 2 * found.moments_sigma**2 / np.sqrt(1 - e1**2 - e2**2)
        out.append([trace * (1 + e1) / 2, trace * (1 - e1) / 2, trace * e2 / 2])
    return np.mean(out, axis=0)


@pytest.mark.slow
def test_moments_over_the_field_are_those_of_the_drawn_lens(field: LensField) -> None:
    assert len(field.zones) == ZONES[0] * ZONES[1]
    pulls = []
    for zone in field.zones:
        there = truth(np.array([zone.x, zone.y]))
        told = np.array([zone.mxx_px2, zone.myy_px2, zone.mxy_px2])
        # 5 % or 0.1 px^2, whichever is more: what a photographer could tell apart.
        assert np.all(np.abs(told - there) < np.maximum(0.05 * np.abs(there), 0.1))
        sigma = np.array([zone.mxx_px2_sigma, zone.myy_px2_sigma, zone.mxy_px2_sigma])
        pulls.append((told - there) / sigma)
    # Errors are errors, none too small; that of mxy has no share of how far fits are from adaptive
    # moments, which drawn Moffat stars are less than aberrated ones. 0.7 to 1.4 allows for 35
    # numbers that neighbours share a fit of.
    each = np.sqrt(np.mean(np.square(pulls), axis=0))
    assert np.all(each < 1.4)
    assert each[2] > 0.7
    corner = field.zones[0]
    assert corner.mxy_px2 > 5 * corner.mxy_px2_sigma  # along the radius, upper left


@pytest.mark.broad
def test_widths_over_the_field_are_those_of_the_drawn_lens(field: LensField) -> None:
    for zone in field.zones:
        star = drawn_star(np.array([zone.x, zone.y]))
        # Of the star as it falls on pixels: the circle of the area that is over half its height.
        fine = galsim.Convolve(star, galsim.Pixel(1.0)).drawImage(scale=0.05, method="no_pixel")
        area = 0.05**2 * np.count_nonzero(fine.array > fine.array.max() / 2)
        told = shapes.fwhm_px((zone.mxx_px2 + zone.myy_px2) / 2, zone.profile)
        assert told == pytest.approx(2 * np.sqrt(area / np.pi), rel=0.03)


@pytest.mark.broad
def test_a_frame_that_is_there_three_times_tells_no_more_than_once() -> None:
    (once,), (thrice,) = lens_fields([frame(0)]), lens_fields([frame(0)] * 3)
    for one, other in zip(once.zones, thrice.zones, strict=True):
        assert other.stars == one.stars
        for name in ("mxx_px2_sigma", "myy_px2_sigma", "mxy_px2_sigma"):
            # The same stars with the same noise; the errors expected of each weigh them otherwise.
            assert getattr(other, name) == pytest.approx(getattr(one, name), rel=0.25)


@pytest.mark.broad
def test_a_trailed_frame_alone_tells_the_same_lens(field: LensField) -> None:
    (trailed,) = lens_fields([frame(1, TRAIL_PX)])
    middle = len(trailed.zones) // 2
    one, other = (found.zones[middle] for found in (trailed, field))
    for name in ("mxx_px2", "myy_px2", "mxy_px2"):
        # The law that gives moments from a trail's length errs by a few per cent of 0.07 px^2.
        assert getattr(one, name) == pytest.approx(getattr(other, name), abs=0.03)


def test_frames_that_show_motion_cloud_or_nothing_tell_of_no_lens() -> None:
    good = frame(0)
    assert lens_fields([replace(good, motion=replace(good.motion, trail_px=1.4))]) == ()
    assert lens_fields([replace(good, extinction_mag=0.8)]) == ()
    assert lens_fields([replace(good, motion=replace(good.motion, doubled_px=4.0))]) == ()
    assert lens_fields([]) == ()


def test_a_focus_that_runs_away_has_a_slope() -> None:
    one = frame(0)
    width = 2.7 + 0.03 * np.arange(8)
    facts = [
        replace(one, light=replace(one.light, order_s=600.0 * n), across_fwhm_px=w)
        for n, w in enumerate(width)
    ]
    (found,) = lens_fields(facts)
    assert found.focus_px_per_h == pytest.approx(0.18, abs=1e-6)
    assert found.sharpest_fwhm_px == pytest.approx(np.percentile(width, 10))
    assert np.isnan(found.focus_px_per_c)  # no temperature was told
