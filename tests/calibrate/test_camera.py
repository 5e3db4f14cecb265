"""The camera model: published scales, its own inverse, and lenses recovered from stars."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from skyplumb.angles import rotation, turn_of
from skyplumb.calibrate.attitude import fit_attitudes
from skyplumb.calibrate.camera import RAD_TO_ARCSEC, Camera, Matched, fit_camera
from skyplumb.demo.optics import Optics
from skyplumb.demo.scene import Body, Lens

Floats = NDArray[np.float64]


def lens_and_body(focal_mm: float, k1: float, k2: float) -> Optics:
    """The witness: the invented night's own lens, which shares no code with the camera."""
    lens = Lens("Tarnlight", focal_mm, 2.8, k1=k1, k2=k2)
    return Optics.of(lens, Body("One", "Fernhill", "1", 3000, 2000, pixel_um=7.8))


def field(optics: Optics, count: int, seed: int, attitude: Floats) -> tuple[Floats, Floats]:
    """Pixels all over a picture, and the sky directions that fall there."""
    rng = np.random.default_rng(seed)
    pixels = rng.uniform([0, 0], [optics.width_px - 1, optics.height_px - 1], (count, 2))
    return pixels, optics.directions(pixels) @ attitude


def test_scales_and_fields_are_the_published_ones() -> None:
    # Scale = 206264.806 p / f; values recomputed to the digits given.
    small = Camera(135.0 / 0.00376, 6000, 4000)
    assert small.scale_arcsec_px == pytest.approx(5.74486, abs=5e-6)
    assert Camera(24.0, 36, 24).width_deg == pytest.approx(73.740, abs=5e-4)
    assert Camera(135.0, 24, 16).width_deg == pytest.approx(
        2 * np.degrees(np.arctan(12 / 135)), abs=1e-9
    )


@pytest.mark.parametrize("parity", [1, -1])
def test_pixels_move_with_a_turn_as_the_lens_itself_says(parity: int) -> None:
    camera = Camera(2000.0, 3000, 2000, parity, 5.0, -3.0, (0.02, -0.01, 0.004), (0.001, -0.002))
    way = np.random.default_rng(1).normal([0, 0, 1], [0.4, 0.25, 0], (200, 3))
    way /= np.linalg.norm(way, axis=1, keepdims=True)
    step = 1e-6

    def there(turn: Floats) -> Floats:
        return camera.project(way + step * np.cross(turn, way))

    moved = [(there(axis) - there(-axis)) / (2 * step) for axis in np.eye(3)]
    # Rounding of a difference of 2e-6 rad in pixels of 1e3 is 1e-7 px/rad of some 1e4.
    assert camera.turned(way) == pytest.approx(np.stack(moved, -1), rel=1e-8, abs=1e-4)
    assert np.isnan(camera.turned(np.array([[0.0, 0.0, -1.0]]))).all()


@pytest.mark.parametrize("size", [0.0, 1e-9, 1e-5, 0.1, 2.5, 3.1])
def test_turns_and_matrices_are_those_of_scipy(size: float) -> None:
    axis = np.array([2.0, -1.0, 0.5])
    turn = size * axis / np.linalg.norm(axis)
    assert rotation(turn) == pytest.approx(Rotation.from_rotvec(turn).as_matrix(), abs=1e-15)
    assert turn_of(rotation(turn)) == pytest.approx(turn, rel=1e-12, abs=1e-15)


def test_the_scale_shrinks_towards_the_corner_as_a_pinholes_does() -> None:
    camera = Camera(24.0 / 0.0043, 8400, 5600)
    off = 21.63 / 0.0043
    pixels = camera.middle + np.array([[off - 0.5, 0], [off + 0.5, 0], [off, -0.5], [off, 0.5]])
    seen = camera.directions(pixels)
    radial, tangential = (
        np.linalg.norm(seen[b] - seen[a]) * RAD_TO_ARCSEC for a, b in ((0, 1), (2, 3))
    )
    # s / (1 + (r/f)^2) and s / sqrt(1 + (r/f)^2) with s = 36.956 arcsec/px; half the last digit.
    assert camera.scale_arcsec_px == pytest.approx(36.956, abs=5e-4)
    assert radial == pytest.approx(20.392, abs=5e-4)
    assert tangential == pytest.approx(27.452, abs=5e-4)


@pytest.mark.parametrize("parity", [1, -1])
@pytest.mark.parametrize("focal", [1200.0, 4000.0, 40_000.0])
def test_directions_are_the_inverse_of_project(focal: float, parity: int) -> None:
    camera = Camera(focal, 3000, 2000, parity, 11.0, -7.0, (-0.06, 0.02, -0.004), (0.002, -0.001))
    rng = np.random.default_rng(1)
    pixels = rng.uniform([0, 0], [2999, 1999], (500, 2))
    # 25 rounds, each leaving at most 0.3 of the error, from under 100 px.
    assert camera.project(camera.directions(pixels)) == pytest.approx(pixels, abs=1e-6)


def test_the_picture_runs_right_and_down_and_a_mirrored_one_left() -> None:
    seen = np.array([[0.1, 0.0, 1.0], [0.0, 0.1, 1.0]])
    straight = Camera(1000, 100, 80).project(seen) - Camera(1000, 100, 80).middle
    mirrored = Camera(1000, 100, 80, -1).project(seen) - Camera(1000, 100, 80).middle
    assert straight == pytest.approx(np.array([[100.0, 0], [0, 100]]))
    assert mirrored == pytest.approx(np.array([[-100.0, 0], [0, 100]]))


def test_what_is_behind_the_lens_has_no_place() -> None:
    assert np.isnan(Camera(1000, 100, 80).project(np.array([[0.1, 0.0, -1.0]]))).all()


@pytest.mark.parametrize(("k1", "k2"), [(-0.05, 0.0), (0.03, -0.01)])
def test_distortion_means_the_same_as_in_the_witness(k1: float, k2: float) -> None:
    optics = lens_and_body(35.0, k1, k2)
    camera = Camera(optics.focal_px, 3000, 2000, radial=(k1, k2, 0.0))
    pixels, seen = field(optics, 300, 3, np.eye(3))
    # Two inversions to convergence.
    assert camera.project(seen) == pytest.approx(pixels, abs=1e-6)
    assert camera.corner_distortion() == pytest.approx(k1 + k2)


def test_decentring_follows_browns_formula() -> None:
    # dx = 2 p1 x y + p2 (r^2 + 2 x^2), dy = p1 (r^2 + 2 y^2) + 2 p2 x y (Brown 1966, from
    # memory), in units of the corner.
    camera = Camera(1000.0, 1201, 801, tangential=(0.01, -0.02))
    x, y, corner = 0.3, -0.2, np.hypot(1201, 801) / 2000
    r2 = x * x + y * y
    dx = (2 * 0.01 * x * y - 0.02 * (r2 + 2 * x * x)) / corner
    dy = (0.01 * (r2 + 2 * y * y) - 2 * 0.02 * x * y) / corner
    found = camera.project(np.array([[x, y, 1.0]]))[0]
    assert found == pytest.approx([600 + 1000 * (x + dx), 400 + 1000 * (y + dy)])


@pytest.mark.parametrize("focal_mm", [14.0, 35.0, 85.0])
def test_a_lens_is_recovered_from_noisy_stars_of_three_frames(focal_mm: float) -> None:
    rng = np.random.default_rng(7)
    optics = lens_and_body(focal_mm, -0.04, 0.01)
    attitudes = Rotation.random(3, random_state=2).as_matrix()
    frames, starts = [], []
    for number, attitude in enumerate(attitudes):
        pixels, sky = field(optics, 300, number, attitude)
        noisy = pixels + rng.normal(0, 0.1, pixels.shape)
        noisy[:6] += rng.uniform(-30, 30, (6, 2))  # wrong matches
        frames.append(Matched(noisy, sky, np.full(300, 10.0)))
        off = Rotation.from_rotvec(rng.normal(0, 3 / optics.focal_px, 3)).as_matrix()
        starts.append(off @ attitude)
    first = Camera(optics.focal_px * 1.004, 3000, 2000)
    camera, found = fit_camera(first, frames, starts, centre_sigma_px=30.0)
    # 900 stars of 0.1 px: under 0.02 px anywhere, and the edge of a polynomial three times that.
    check, _ = field(optics, 400, 9, np.eye(3))
    turn = Rotation.from_matrix(found[0] @ attitudes[0].T)
    ours = camera.project(turn.apply(optics.directions(check)))
    error = np.hypot(*(ours - check).T)
    assert np.sqrt(np.mean(error**2)) < 0.03
    assert error.max() < 0.12
    # Focal length and distortion trade with each other; together they are known to 2e-4.
    assert camera.focal_px == pytest.approx(optics.focal_px, rel=4e-4)
    assert camera.corner_distortion() == pytest.approx(-0.03, abs=0.002)
    assert camera.grows()


def test_a_polynomial_that_folds_back_is_noticed() -> None:
    assert Camera(1000, 3000, 2000, radial=(-0.1, 0.0, 0.0)).grows()
    # r (1 + k1 q) turns round where 3 k1 q = -1, inside the picture for k1 under -1/3.
    assert not Camera(1000, 3000, 2000, radial=(-0.34, 0.0, 0.0)).grows()


@pytest.mark.parametrize("focal_mm", [24.0, 200.0])
def test_attitudes_scatter_as_their_covariance_says(focal_mm: float) -> None:
    rng = np.random.default_rng(11)
    optics = lens_and_body(focal_mm, 0.0, 0.0)
    camera = Camera(optics.focal_px, 3000, 2000)
    attitude = Rotation.from_euler("xyz", [0.3, -1.0, 2.0]).as_matrix()
    pixels, sky = field(optics, 80, 5, attitude)
    noisy = [pixels + rng.normal(0, 0.2, pixels.shape) for _ in range(150)]
    frames = [Matched(one, sky, np.full(80, 5.0)) for one in noisy]
    pulls = []
    for fit in fit_attitudes(camera, frames, [attitude] * 150):
        turn = Rotation.from_matrix(fit.attitude @ attitude.T).as_rotvec()
        pulls.append(turn / np.sqrt(np.diag(fit.covariance)))
    spread = np.std(pulls, axis=0)
    # 150 trials know a spread to 6 %, so 15 % is over two of its standard errors; the scale
    # behind each pull, a median of 80 distances, is known to 8 %.
    assert spread == pytest.approx(np.ones(3), abs=0.15)
    assert np.abs(np.mean(pulls, axis=0)).max() < 3 / np.sqrt(150) * spread.max()


def test_frames_fitted_side_by_side_are_those_fitted_alone() -> None:
    rng = np.random.default_rng(13)
    optics = lens_and_body(50.0, 0.0, 0.0)
    camera = Camera(optics.focal_px, 3000, 2000)
    frames, starts = [], []
    for stars, off_px in ((12, 0.0), (80, 3.0), (40, 30.0)):
        attitude = Rotation.random(rng=rng).as_matrix()
        pixels, sky = field(optics, stars, 5, attitude)
        noisy = pixels + rng.normal(0, 0.1, pixels.shape)
        noisy[:2] += 6.0
        frames.append(Matched(noisy, sky, np.full(stars, 10.0)))
        starts.append(rotation(np.array([off_px / optics.focal_px, 0, 0])) @ attitude)
    together = fit_attitudes(camera, frames, starts)
    for frame, start, fit in zip(frames, starts, together, strict=True):
        (alone,) = fit_attitudes(camera, [frame], [start])
        errors = np.sqrt(np.diag(alone.covariance))
        # Rounds end when no residual moves by a thousandth of the scatter; an attitude is known
        # to a tenth of that or so.
        assert np.abs(turn_of(fit.attitude @ alone.attitude.T) / errors).max() < 0.02
        assert np.sqrt(np.diag(fit.covariance)) == pytest.approx(errors, rel=0.02)
        assert fit.residuals.shape == (len(frame.pixels), 2)


def test_a_few_wrong_matches_do_not_turn_the_camera() -> None:
    rng = np.random.default_rng(12)
    optics = lens_and_body(50.0, 0.0, 0.0)
    camera = Camera(optics.focal_px, 3000, 2000)
    pixels, sky = field(optics, 60, 5, np.eye(3))
    noisy = pixels + rng.normal(0, 0.1, pixels.shape)
    noisy[:8] += rng.uniform(5, 12, (8, 2))  # all to one side
    matched = Matched(noisy, sky, np.full(60, 10.0))
    (fit,) = fit_attitudes(camera, [matched], [np.eye(3)])
    moved = Rotation.from_matrix(fit.attitude).as_rotvec() * optics.focal_px
    # Straight least squares would move by 1.1 px. 0.1 px over 52 stars is 0.014 px each way;
    # a roll has 6 times the error, the focal length over the stars' distance from the middle.
    assert np.abs(moved[:2]).max() < 0.05
    assert abs(moved[2]) < 0.3
