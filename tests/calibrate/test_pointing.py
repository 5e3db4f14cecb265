"""Plate solutions of fields whose stars were placed by astropy, not by the code under test."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from typing import Any

import astropy.units as u
import numpy as np
import pytest
from astropy.coordinates import SkyCoord
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from skyplumb.calibrate import lens_search
from skyplumb.calibrate.camera import Camera
from skyplumb.calibrate.lens_search import StarField, find_lens, seen_by
from skyplumb.calibrate.light import Light, optics_key
from skyplumb.calibrate.plate_solving import star_tables
from skyplumb.calibrate.session import point_session
from skyplumb.calibrate.sky import ObservedSky, Site
from skyplumb.calibrate.solve import LensSolution, point_lens, solve_lens
from skyplumb.intake.notes import ShotNotes
from skyplumb.judge.drift import drifts
from skyplumb.judge.mount import fit_mount
from skyplumb.records import NAN, Measure, ShotInfo
from starfields import (
    FOCAL,
    HEIGHT,
    NIGHT,
    SITE,
    WIDTH,
    Followed,
    Leaning,
    Shot,
    exposure,
    no_downloads,
    table,
)

__all__ = ["no_downloads"]

Floats = NDArray[np.float64]


def off_arcsec(solution: LensSolution, shot: Shot, number: int = 0) -> float:
    """How far a solution points from where the shot did."""
    pointing = solution.pointings[number]
    found = SkyCoord(pointing.ra_deg * u.deg, pointing.dec_deg * u.deg)
    return float(found.separation(shot.centre()).arcsec)


@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize(
    "shot",
    [Shot(), Shot(altitude_deg=20, azimuth_deg=260, roll_deg=-80), Shot(site=Site(-33, 20, 0.0))],
)
def test_a_field_is_solved_to_an_arcsecond_mirrored_or_not(shot: Shot, mirrored: bool) -> None:
    solution = solve_lens([exposure(shot, mirrored=mirrored)], FOCAL * 1.1)
    pointing = solution.pointings[0]
    assert pointing.solved
    assert solution.camera is not None
    # 41 arcsec a pixel and 0.1 px a star: 4 arcsec over some 100 stars is 0.4 each way, and
    # half an arcsecond is polar motion, which ours leaves out.
    assert off_arcsec(solution, shot) < 1.5
    assert pointing.altitude_deg == pytest.approx(shot.altitude_deg, abs=1.5 / 3600)
    assert pointing.azimuth_deg == pytest.approx(shot.azimuth_deg % 360, abs=3 / 3600)
    turn = pointing.roll_pa_deg - shot.roll_pa_deg()
    # 0.1 px over 100 stars 800 px out: 3 arcsec, times three.
    assert (turn + 180) % 360 - 180 == pytest.approx(0.0, abs=0.003)
    assert solution.camera.parity == (-1 if mirrored else 1)
    assert solution.camera.scale_arcsec_px == pytest.approx(206264.806 / FOCAL, rel=2e-4)
    assert pointing.rms_px == pytest.approx(0.1, abs=0.02)


def test_an_unknown_focal_length_is_found_from_the_stars() -> None:
    shot = Shot()
    solution = solve_lens([exposure(shot)], NAN)
    assert off_arcsec(solution, shot) < 1.5
    assert solution.camera is not None
    assert solution.camera.focal_px == pytest.approx(FOCAL, rel=2e-4)


@pytest.mark.broad
def test_frames_that_tell_no_focal_length_are_of_the_lenses_that_their_stars_show() -> None:
    # Two cameras of one picture size, 3 % apart in focal length, take turns without metadata.
    focals = [FOCAL, 1.03 * FOCAL, FOCAL, 1.03 * FOCAL]
    lights = []
    for number, focal in enumerate(focals):
        measure = exposure(Shot(), focal=focal, seed=number).measure
        named = replace(measure, file=f"{number}.fits")
        lights.append(Light(named, ShotNotes(ShotInfo()), None, float(number), False))
    pointed, _ = point_session(lights, lambda line: None)
    for light, focal in zip(pointed, focals, strict=True):
        assert light.pointing.camera is not None
        assert light.pointing.camera.focal_px == pytest.approx(focal, rel=5e-4)
    keys = [optics_key(light) for light in pointed]
    assert keys[0] == keys[2] != keys[1] == keys[3]


def test_a_lens_taken_from_a_poor_frame_gives_way_to_a_better_one() -> None:
    # A few stars of another lens come first, within what the metadata allows.
    poor = exposure(Shot(azimuth_deg=200), focal=0.9 * FOCAL, faint=6.0, keep=25)
    good = [exposure(Shot(), seed=seed) for seed in (1, 2)]
    found = find_lens([poor, *good], 0.95 * FOCAL)
    assert found.camera is not None
    assert found.camera.focal_px == pytest.approx(FOCAL, rel=5e-4)
    assert found.attitudes[0] is None and found.strangers == [0]
    assert all(attitude is not None for attitude in found.attitudes[1:])


def test_frames_that_the_camera_was_not_fitted_to_move_with_its_axis() -> None:
    # The axis of a lens found from one frame may lie ten pixels off that found from eight.
    first = Camera(FOCAL, WIDTH, HEIGHT, centre_x=6.0, centre_y=-8.0, radial=(-0.03, 0.0, 0.0))
    better = Camera(1.0005 * FOCAL, WIDTH, HEIGHT, radial=(-0.02, 0.0, 0.0))
    attitude = Rotation.random(random_state=3).as_matrix()
    moved, none = seen_by(better, first, [attitude, None])
    assert none is None and moved is not None
    middle = np.array([[0, 0], [90, 40], [-60, 70]]) + np.array([WIDTH, HEIGHT]) / 2
    stars = first.directions(middle) @ attitude
    assert better.project(stars @ moved.T) == pytest.approx(middle, abs=0.3)
    assert np.abs(better.project(stars @ attitude.T) - middle).max() > 5


def test_without_time_and_site_the_place_is_still_found() -> None:
    shot = Shot(altitude_deg=60)
    solution = solve_lens([exposure(shot, frame=ObservedSky(None, None))], FOCAL)
    pointing = solution.pointings[0]
    # Refraction and aberration shift the field by up to 20 arcsec each, and squeeze it, which
    # the camera takes up; the lifted place itself is 35 arcsec from the true one.
    assert off_arcsec(solution, shot) < 60
    assert np.isnan(pointing.altitude_deg)
    assert np.isnan(pointing.azimuth_deg)


@pytest.mark.parametrize("k1", [-0.06, 0.05])
def test_a_distorting_lens_is_learned_from_its_frames(k1: float) -> None:
    shots = [Shot(azimuth_deg=140 + 4 * n, utc=NIGHT + timedelta(minutes=n)) for n in range(3)]
    solution = solve_lens([exposure(shot, k1=k1) for shot in shots], FOCAL)
    assert solution.camera is not None
    # 300 stars of 0.1 px know the corner, 1800 px out, to some 0.1 px: 6e-5; the last ring
    # outside the outermost stars is three times worse, and 0.1 px is not all of their error.
    assert solution.camera.corner_distortion() == pytest.approx(k1, abs=1e-3)
    for number, shot in enumerate(shots):
        assert off_arcsec(solution, shot, number) < 1.5
        assert solution.pointings[number].rms_px == pytest.approx(0.1, abs=0.02)


@pytest.mark.slow
def test_pointing_errors_are_as_large_as_the_covariance_says() -> None:
    shots = [Shot(azimuth_deg=float(azimuth)) for azimuth in range(0, 360, 15)]
    # A camera that all frames share: its own errors are small.
    solution = solve_lens(
        [exposure(shot, noise_px=0.4, seed=n) for n, shot in enumerate(shots)], FOCAL
    )
    pulls = []
    for number, shot in enumerate(shots):
        pointing = solution.pointings[number]
        # Two axes together: squared distance over the sum of the variances has mean 1.
        variance = (pointing.covariance[0, 0] + pointing.covariance[1, 1]) * 206264.806**2
        pulls.append(off_arcsec(solution, shot, number) ** 2 / variance)
    # 24 frames of two axes: standard error 0.2.
    assert 0.5 < np.mean(pulls) < 1.6


def test_a_frame_with_few_stars_is_pointed_by_its_neighbours(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    shots = [Shot(utc=NIGHT + timedelta(minutes=n)) for n in range(3)]
    # The camera follows the stars: the same field in each frame.
    fields = [Followed(utc=shot.utc, first=shots[0]) for shot in shots]
    exposures = [exposure(field) for field in fields]
    exposures[1] = exposure(fields[1], keep=8)
    by_itself = lens_search.plate_solve

    def not_from_few(measure: Measure, *more: Any) -> Any:
        return by_itself(measure, *more) if len(measure.stars) > 8 else None

    monkeypatch.setattr(lens_search, "plate_solve", not_from_few)
    solution = solve_lens(exposures, FOCAL)
    assert all(pointing.solved for pointing in solution.pointings)
    assert off_arcsec(solution, fields[1], 1) < 15  # 8 stars of 4 arcsec, three times


@pytest.mark.broad
@pytest.mark.parametrize("follows", [True, False])
def test_frames_between_two_that_pointed_alike_are_interpolated(
    follows: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    shots = [Shot(utc=NIGHT + timedelta(minutes=n)) for n in range(9)]
    if follows:
        shots = [Followed(utc=shot.utc, first=shots[0]) for shot in shots]
    # Someone turned the head for one frame, and back.
    shots[5] = Shot(utc=shots[5].utc, azimuth_deg=230)
    exposures = [replace(exposure(shot, seed=n), time_s=60.0 * n) for n, shot in enumerate(shots)]
    looked_at = []
    by_itself = lens_search.plate_solve

    def watched(measure: Measure, *more: Any) -> Any:
        looked_at.append(next(n for n, one in enumerate(exposures) if one.measure is measure))
        return by_itself(measure, *more)

    monkeypatch.setattr(lens_search, "plate_solve", watched)
    found = find_lens(exposures, FOCAL)
    solution = point_lens(exposures, found, [one.sky for one in exposures])
    # The brightest eight of the others were fitted with the camera; the rest waits.
    assert 5 in found.interpolated and set(found.interpolated).isdisjoint(found.chosen)
    assert set(looked_at) == {0, 5}
    for number, shot in enumerate(shots):
        # As in the tests of one frame: 300 stars of 4 arcsec.
        assert off_arcsec(solution, shot, number) < 1.5


# Kannala & Brandt 2006, equations 2 to 5: what fisheyes are designed to, r / f of the angle.
DESIGNS: dict[str, Callable[[Floats], Floats]] = {
    "equidistant": lambda angle: angle,
    "equisolid": lambda angle: 2 * np.sin(angle / 2),
    "stereographic": lambda angle: 2 * np.tan(angle / 2),
    "orthographic": np.sin,
}


@pytest.mark.broad
@pytest.mark.parametrize("design", DESIGNS)
@pytest.mark.parametrize("focal_known", [True, False])
def test_a_fisheye_is_pointed_out_to_its_edge(design: str, focal_known: bool) -> None:
    # 3000 px across: of the equidistant one 112 degrees from middle to corner.
    shot, focal = Shot(altitude_deg=72), 920.0
    fish = exposure(shot, fisheye=DESIGNS[design], focal=focal, faint=5.0)
    solution = solve_lens([fish], focal * 1.1 if focal_known else NAN)
    pointing = solution.pointings[0]
    assert pointing.solved
    assert solution.camera is not None
    assert solution.camera.projection == "fisheye"
    # 224 arcsec a pixel, 0.1 px a star, several hundred stars.
    assert off_arcsec(solution, shot) < 15
    assert pointing.rms_px == pytest.approx(0.1, abs=0.02)
    assert len(pointing.star) > 0.9 * len(fish.measure.stars)
    # The law itself, out to where the outermost stars stand.
    angle = np.radians(np.arange(5.0, 75.0, 5.0))
    ways = np.stack([np.sin(angle), np.zeros_like(angle), np.cos(angle)], 1)
    drawn = solution.camera.project(ways)[:, 0] - solution.camera.middle[0]
    # Focal length and axis are known to some 0.05 px out there.
    assert np.abs(drawn) == pytest.approx(focal * DESIGNS[design](angle), abs=0.5)


def test_a_fisheyes_directions_are_the_inverse_of_project() -> None:
    camera = Camera(
        900.0, 3000, 2000, -1, 30.0, -20.0, (-0.04, 0.002, -1e-4, 0.0), (1e-3, -2e-3), "fisheye"
    )
    rng = np.random.default_rng(4)
    pixels = rng.uniform([700, 100], [2300, 1800], (500, 2))  # to 77 degrees off the axis
    # Interpolated, then three rounds of Newton.
    assert camera.project(camera.directions(pixels)) == pytest.approx(pixels, abs=1e-5)
    behind = np.array([[np.sin(1.7), 0.0, np.cos(1.7)]])
    assert np.isfinite(camera.project(behind)).all(), "97 degrees off the axis is in view"


def test_a_wide_lens_that_is_no_fisheye_is_solved_into_its_corners() -> None:
    shot = Shot(altitude_deg=60)
    wide = exposure(shot, focal=1800.0, k1=-0.05, faint=5.5)  # 80 degrees across
    solution = solve_lens([wide], 1800.0)
    assert off_arcsec(solution, shot) < 6  # 115 arcsec a pixel
    assert len(solution.pointings[0].star) > 0.9 * len(wide.measure.stars)


def test_hundreds_of_hot_pixels_are_left_out_of_the_patterns_on_a_second_try() -> None:
    measure = exposure(Shot()).measure
    stars = measure.stars
    rng = np.random.default_rng(21)
    hot = np.zeros(400, stars.dtype)
    hot["x"], hot["y"] = rng.uniform(0, [[WIDTH], [HEIGHT]], (2, 400))
    # Brighter than all but some forty stars, and as wide as one pixel and its neighbours.
    hot["flux"] = np.sort(stars["flux"])[-40] * rng.uniform(0.8, 1.2, 400)
    hot["snr"], hot["mxx"], hot["myy"] = 100.0, 0.3, 0.3
    both = np.concatenate([stars, hot])
    both = both[np.argsort(-both["flux"], kind="stable")]
    first, second = star_tables(replace(measure, stars=both))
    assert len(first.stars) == len(both)
    assert (second.stars == stars).all()
    # Without hot pixels there is nothing to leave out.
    assert len(list(star_tables(measure))) == 1


@pytest.mark.slow
def test_random_dots_are_not_solved() -> None:
    rng = np.random.default_rng(3)
    for _ in range(6):
        dots = table(
            rng.uniform([0, 0], [WIDTH, HEIGHT], (120, 2)), np.sort(rng.uniform(3, 8, 120))
        )
        solution = solve_lens([StarField(dots, ObservedSky(NIGHT, SITE))], FOCAL)
        assert not solution.pointings[0].solved
        assert solution.pointings[0].why_not == "no star pattern of the catalogue fits"


def test_too_few_stars_are_said_to_be_the_reason() -> None:
    few = table(np.array([[100.0, 100], [900, 500], [2000, 1500]]), np.array([3.0, 4, 5]))
    solution = solve_lens([StarField(few, ObservedSky(NIGHT, SITE))], FOCAL)
    assert solution.pointings[0].why_not == "only 3 stars were found"
    assert np.isnan(solution.pointings[0].scale_arcsec_px)
    assert solve_lens([], FOCAL).pointings == []


def test_directions_in_the_picture_lead_to_the_right_place_on_the_sky() -> None:
    shot = Shot(roll_deg=0.0)
    pointing = solve_lens([exposure(shot)], FOCAL).pointings[0]
    phi = np.radians(SITE.latitude_deg)
    zenith = np.array([np.cos(phi), 0.0, np.sin(phi)])
    # A camera held level has the zenith straight up, at -90 in a picture that runs down.
    assert pointing.image_angle_towards(zenith) == pytest.approx(-90.0, abs=0.01)
    assert pointing.position_angle_of(-90.0) == pytest.approx(pointing.roll_pa_deg % 180, abs=1e-6)
    # East is to the left of north as seen from inside the sphere: turning from up to the right
    # lowers the position angle.
    right = pointing.position_angle_of(0.0)
    assert right == pytest.approx((pointing.roll_pa_deg - 90) % 180, abs=0.01)
    assert np.isnan(pointing.position_angle_of(NAN))


@pytest.mark.slow
def test_a_fisheyes_drift_and_axis_are_measured() -> None:
    focal, exposure_s, drift_px = 920.0, 60.0, 0.8
    lean = drift_px / focal / exposure_s
    # Towards the south, so that a turn about the east moves the middle of the picture whole.
    first = Shot(altitude_deg=72, azimuth_deg=180)
    times = [NIGHT + timedelta(seconds=90 * n) for n in range(8)]
    shots = [Leaning(utc=utc, first=first, lean_rad_s=lean) for utc in times]
    fields = [
        replace(exposure(one, fisheye=DESIGNS["equidistant"], focal=focal, faint=5.0, seed=n),
                time_s=90.0 * n)
        for n, one in enumerate(shots)
    ]  # fmt: skip
    solution = solve_lens(fields, focal)
    pointings = solution.pointings
    assert all(one.solved for one in pointings)
    mid_s = [90.0 * n for n in range(8)]
    found = drifts(pointings, mid_s, [exposure_s] * 8)
    for one in found:
        # 0.1 px over some 400 stars, two frames, over 90 s: 0.01 px.
        assert one.length_px == pytest.approx(drift_px, abs=0.04)
    lights = [
        Light(
            replace(field.measure, file=f"{n}"),
            ShotNotes(ShotInfo(focal_mm=8.0, exposure_s=exposure_s, camera="Fen")),
            shot.utc,
            mid_s[n] - exposure_s / 2,
            True,
            pointing,
        )
        for n, (field, shot, pointing) in enumerate(zip(fields, shots, pointings, strict=True))
    ]
    # A head that slips would move it so too: of the two the axis is asked for.
    mount = next(
        fit for _, fit in fit_mount(lights).candidates if np.isnan(fit.slip_arcsec_per_min)
    )
    # A turn about the east at so much of the sky's own rate is an axis so far off the pole.
    true = np.degrees(lean / np.radians(15.041067 / 3600))
    assert np.degrees(np.hypot(*mount.axis_rate[:2])) == pytest.approx(true, rel=0.02)
