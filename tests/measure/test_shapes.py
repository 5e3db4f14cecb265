"""Star shapes against galsim, photutils and stars drawn here by adding up light."""

from __future__ import annotations

from dataclasses import replace
from pathlib import PurePosixPath

import galsim
import numpy as np
import pytest
from numpy.typing import NDArray
from photutils.morphology import data_properties
from scipy.special import erf

from golden import DATA
from skyplumb.measure import shapes
from skyplumb.measure.shapes import (
    GAUSSIAN_KURT,
    SIGMA_TO_FWHM,
    GaussianFits,
    axes,
    fit_gaussians,
    fwhm_px,
    moment_excess,
    profile_kurt,
    trail_length_px,
)
from skyplumb.measure.shot import measure_shot

Floats = NDArray[np.float64]
Stamp = NDArray[np.float32]

GAUSS = np.inf
PLACES = np.random.default_rng(1).uniform(-0.5, 0.5, (24, 2))
"""Where stars fall on their pixel."""


def drawn(
    fwhm: float,
    beta: float = GAUSS,
    length: float = 0.0,
    angle: float = 0.0,
    offset: tuple[float, float] = (0.0, 0.0),
    size: int = 41,
) -> Stamp:
    """A star of unit light, added up over every pixel and over the trail.

    Gauss-Legendre points, 4 x 4 in each pixel and 3 in each half pixel of trail, are exact to
    the 7th and 5th power. Shares no formula with the code under test.
    """
    nodes, weights = np.polynomial.legendre.leggauss(4)
    fine = (np.arange(size)[:, None] - size // 2 + nodes / 2).ravel()
    pieces = max(int(np.ceil(length / 0.5)), 1)
    steps, shares = np.polynomial.legendre.leggauss(3)
    light = np.zeros((size * 4, size * 4))
    for middle in (np.arange(pieces) + 0.5) / pieces - 0.5:
        for step, share in zip(steps, shares, strict=True):
            way = (middle + step / 2 / pieces) * length
            x0 = offset[0] + way * np.cos(np.radians(angle))
            y0 = offset[1] + way * np.sin(np.radians(angle))
            r2 = (fine[None, :] - x0) ** 2 + (fine[:, None] - y0) ** 2
            if beta == GAUSS:
                light += share * np.exp(-4 * np.log(2) * r2 / fwhm**2)
            else:
                light += share * (1 + 4 * (2 ** (1 / beta) - 1) * r2 / fwhm**2) ** -beta
    pixels = np.einsum("yaxb,a,b->yx", light.reshape(size, 4, size, 4), weights, weights)
    return np.asarray(pixels / pixels.sum(), np.float32)


def drawn_line(fwhm: float, length: float, angle: float, size: int) -> Stamp:
    """A trailed Gaussian of unit light, exact along the trail (closed form), for long ones."""
    nodes, weights = np.polynomial.legendre.leggauss(4)
    fine = (np.arange(size)[:, None] - size // 2 + nodes / 2).ravel()
    x, y, turn, sigma = fine[None, :], fine[:, None], np.radians(angle), fwhm / SIGMA_TO_FWHM
    along, across = x * np.cos(turn) + y * np.sin(turn), y * np.cos(turn) - x * np.sin(turn)
    ends = [erf((along + half) / sigma / np.sqrt(2)) for half in (length / 2, -length / 2)]
    light = np.exp(-((across / sigma) ** 2) / 2) * (ends[0] - ends[1])
    pixels = np.einsum("yaxb,a,b->yx", light.reshape(size, 4, size, 4), weights, weights)
    return np.asarray(pixels / pixels.sum(), np.float32)


def fitted(
    stamps: Stamp, classes: NDArray[np.int8] | None = None, noise: float = 1e-6
) -> GaussianFits:
    """Fits from a round start of 1.5 px in the middle; every sample counts unless told."""
    stamps = stamps.reshape(-1, *stamps.shape[-2:])
    if classes is None:
        classes = np.zeros(stamps.shape, np.int8)
    count = len(stamps)
    start = np.tile([2.25, 2.25, 0.0], (count, 1))
    return fit_gaussians(stamps, classes, noise, start, np.zeros((count, 2)))


def of_adaptive_moments(stamp: Stamp) -> Floats:
    """mxx, myy, mxy by galsim.hsm, from its size (the fourth root of the determinant) and e."""
    seen = galsim.hsm.FindAdaptiveMom(galsim.Image(stamp.astype(np.float64)))
    assert seen.error_message == ""
    e1, e2 = seen.observed_e1, seen.observed_e2
    half_trace = seen.moments_sigma**2 / np.sqrt(1 - e1**2 - e2**2)
    return np.array([half_trace * (1 + e1), half_trace * (1 - e1), half_trace * e2])


def test_moments_are_the_adaptive_moments_recorded_for_a_trailed_gaussian() -> None:
    fit = fitted(drawn(3.0, GAUSS, 2.0, 25.0, (0.2, -0.3)))
    assert fit.converged[0]
    # Recorded from galsim.hsm on another drawing of this star, to 5 decimals; it holds its
    # trail as a row of points, which costs some 2e-5.
    assert fit.moments[0] == pytest.approx([1.99635, 1.77043, 0.13471], abs=4e-5)
    # The fit ends with a step under STEP_DONE = 2e-3, which is good to its square.
    assert [fit.x[0], fit.y[0]] == pytest.approx([0.2, -0.3], abs=1e-5)


@pytest.mark.parametrize("beta", [GAUSS, 4.0, 2.5])
@pytest.mark.parametrize(("fwhm", "length", "angle"), [(3, 0, 0), (3, 3, -70), (4, 7, 33)])
def test_moments_agree_with_galsim_on_the_same_pixels(
    beta: float, fwhm: float, length: float, angle: float
) -> None:
    stamp = drawn(fwhm, beta, length, angle, (0.31, 0.17), size=61)
    ours, theirs = fitted(stamp).moments[0], of_adaptive_moments(stamp)
    # galsim takes sums over pixels for integrals, which shows in the fourth decimal for
    # stars of this width (see the next test); ours ends with a step of under 2e-3 of the
    # moments, each a fifth of the one before, or less.
    assert ours == pytest.approx(theirs, abs=5e-4 * theirs[:2].max())


def test_a_narrow_round_star_is_round_wherever_it_falls_on_its_pixel() -> None:
    offsets = [(0.0, 0.0), (0.25, 0.0), (0.5, 0.0), (0.31, 0.17)]
    stamps = np.stack([drawn(1.9, GAUSS, offset=place) for place in offsets])
    moments = fitted(stamps).moments
    quadrupole = np.hypot(moments[:, 0] - moments[:, 1], 2 * moments[:, 2])
    # A pixel's box is no Gaussian, so a little is left: under 2 % of the moment (0.73 px^2),
    # where sums over pixels show 5 % at the third place.
    assert quadrupole.max() < 0.015
    theirs = of_adaptive_moments(stamps[2])
    assert abs(theirs[0] - theirs[1]) > 2 * quadrupole[2]


@pytest.mark.broad
@pytest.mark.parametrize("beta", [GAUSS, 4.0, 2.5])
@pytest.mark.parametrize("fwhm", [1.7, 2.3, 4.0])
def test_trail_lengths_and_angles_are_recovered(beta: float, fwhm: float) -> None:
    lengths = np.array([1.0, 1.5, 2.5, 4.0, 8.0])
    # Stars fall anywhere on their pixels; a frame averages the tensors of many. Where the
    # pixels sample the star well, a few will do.
    sampled = fwhm > 2
    places = [tuple(p) for p in PLACES[: 5 if sampled else 20]]
    whole = fitted(np.stack([drawn(fwhm, beta, offset=place) for place in places]))
    trailed = [[drawn(fwhm, beta, L, 33.0, place, 33) for place in places] for L in lengths]
    moments = fitted(np.stack(trailed)).moments.reshape(5, -1, 3).mean(axis=1)
    larger, smaller, angle = axes(moments)
    found = trail_length_px(larger - smaller, smaller, np.full(5, whole.kurt.mean()))
    # The law is an approximation, 1 % where the pixels sample the star and 2.5 % below; the
    # quadrupole that narrow stars show without a trail, some 0.01 px^2, turns the shortest.
    assert found == pytest.approx(lengths, rel=0.01 if sampled else 0.025)
    assert angle == pytest.approx(np.full(5, 33.0), abs=0.8 if sampled else 2.0)


@pytest.mark.parametrize("beta", [GAUSS, 6.0, 4.0, 3.0, 2.5])
def test_the_untrailed_profile_is_known_from_a_trailed_star(beta: float) -> None:
    whole = fitted(drawn(3.0, beta))
    lengths = (1.0, 2.0, 3.0, 4.0)
    trailed = fitted(np.stack([drawn(3.0, beta, L, 10.0) for L in lengths]))
    larger, smaller, _ = axes(trailed.moments)
    found = profile_kurt(trailed.kurt, (larger - smaller) / smaller)
    # The law's own promise, up to a stretch of 2.
    assert found == pytest.approx(np.full(4, whole.kurt[0]), abs=0.02)


def test_the_fourth_moment_of_a_gaussian_is_two_and_wings_make_it_larger() -> None:
    stamps = np.stack([drawn(3.0, beta) for beta in (GAUSS, 6.0, 4.0, 3.0, 2.5)])
    kurt = fitted(stamps).kurt
    # <r^4> / 1 of a Gaussian weighted by itself is 2 in closed form; pixels are square boxes.
    assert kurt[0] == pytest.approx(GAUSSIAN_KURT, abs=2e-3)
    assert (np.diff(kurt) > 0.02).all()


@pytest.mark.broad
@pytest.mark.parametrize("beta", [GAUSS, 6.0, 4.0, 3.0, 2.5])
@pytest.mark.parametrize("fwhm", [1.7, 2.3, 3.0, 4.5])
def test_the_width_at_half_height_is_recovered(beta: float, fwhm: float) -> None:
    fit = fitted(np.stack([drawn(fwhm, beta, offset=tuple(place)) for place in PLACES[:20]]))
    found = fwhm_px(fit.moments[:, :2].mean(), fit.kurt.mean())
    # What a pixel of the middle receives as the star is moved off it, pixel box included.
    way = np.linspace(0.4, 0.75, 21) * fwhm
    light = np.array([drawn(fwhm, beta, offset=(w, 0.0))[20, 20] for w in (0.0, *way)])
    width = 2 * np.interp(0.5, (light[1:] / light[0])[::-1], way[::-1])
    # The law's own promise; under 2 px the pixel's box, no Gaussian, adds as much.
    assert found == pytest.approx(width, rel=0.01 if fwhm > 2 else 0.02)


def test_the_excess_of_a_length_is_the_inverse_of_the_length_of_an_excess() -> None:
    length = np.array([0.0, 0.3, 1.0, 3.0, 9.0, 40.0])
    for kurt in (2.0, 2.12, 2.2):
        excess = moment_excess(length, np.full(6, 1.6), np.full(6, kurt))
        back = trail_length_px(excess, np.full(6, 1.6), np.full(6, kurt))
        # Twelve rounds of an iteration that shrinks its error to a third or less each.
        assert back == pytest.approx(length, abs=1e-4)
    assert (trail_length_px(np.array([-0.1]), np.array([1.6]), np.array([2.0])) == 0).all()


@pytest.mark.parametrize(("length", "beta"), [(2.0, GAUSS), (5.0, GAUSS), (5.0, 6.0)])
def test_trails_agree_with_unweighted_moments_by_photutils(length: float, beta: float) -> None:
    stamp = drawn(2.6, beta, length, -40.0, size=81)
    seen = data_properties(stamp.astype(np.float64))
    covariance = seen.covariance.value
    split = np.hypot(covariance[0, 0] - covariance[1, 1], 2 * covariance[0, 1])
    theirs = np.sqrt(12 * split)  # exact for unweighted moments, whatever the profile
    fit = fitted(stamp)
    larger, smaller, angle = axes(fit.moments)
    kurt = profile_kurt(fit.kurt, (larger - smaller) / smaller)
    found = trail_length_px(larger - smaller, smaller, kurt)[0]
    assert found == pytest.approx(theirs, rel=0.015)  # the law's 1 %, the profile's 0.02 of it
    turned = angle[0] - seen.orientation.value  # which counts from 0 to 360
    assert (turned + 90) % 180 - 90 == pytest.approx(0.0, abs=0.1)


def test_green_samples_alone_give_the_shape_of_all_samples() -> None:
    green = np.where(np.indices((41, 41)).sum(axis=0) % 2 == 0, 0, -1).astype(np.int8)
    for beta, length in ((GAUSS, 0.0), (3.0, 0.0), (3.0, 3.0)):
        stamp = drawn(2.6, beta, length, 20.0, (0.3, -0.2))
        whole = fitted(stamp)
        parts = [fitted(stamp, sites[None]) for sites in (green, -1 - green)]
        for part in parts:
            # Half the samples: what a profile that is no Gaussian leaves differs by site, up to
            # 2 % of the moment, ...
            assert part.moments[0] == pytest.approx(whole.moments[0], abs=0.04)
            assert [part.x[0], part.y[0]] == pytest.approx([0.3, -0.2], abs=0.02)
        # ... and is gone in the mean of stars on either site.
        mean = (parts[0].moments[0] + parts[1].moments[0]) / 2
        assert mean == pytest.approx(whole.moments[0], abs=0.005)


@pytest.mark.parametrize("fwhm", [1.6, 2.4])
def test_colours_of_any_brightness_do_not_change_the_shape(fwhm: float) -> None:
    stamp = drawn(fwhm, GAUSS, 2.0, 60.0, (0.1, 0.4))
    classes = np.tile(np.array([[1, 0], [0, 2]], np.int8), (21, 21))[:41, :41]
    tinted = stamp * np.array([1.0, 0.3, 2.2], np.float32)[classes]
    whole, mosaic = fitted(stamp), fitted(tinted, classes[None])
    assert mosaic.converged[0]
    # Each colour is scaled by itself, so only the misfit of a Gaussian to a box is weighed anew;
    # for the narrower star that is 3 % of the moment.
    assert mosaic.moments[0] == pytest.approx(whole.moments[0], abs=0.025)
    ratio = mosaic.amplitude[0] / mosaic.amplitude[0, 0]
    assert ratio == pytest.approx([1.0, 0.3, 2.2], rel=0.02)


def test_turning_and_mirroring_the_picture_turns_and_mirrors_the_shape() -> None:
    stamp = drawn(2.4, 3.0, 2.5, 25.0, (0.2, -0.3))
    turned, mirrored, transposed = stamp[::-1, ::-1], stamp[:, ::-1], stamp.T
    fit = fitted(np.stack([stamp, turned, mirrored, transposed]))
    mxx, myy, mxy = fit.moments[0]
    # Single precision of the samples, and a last step under 2e-3 squared.
    assert fit.moments[1] == pytest.approx([mxx, myy, mxy], abs=1e-4)
    assert fit.moments[2] == pytest.approx([mxx, myy, -mxy], abs=1e-4)
    assert fit.moments[3] == pytest.approx([myy, mxx, mxy], abs=1e-4)
    assert [fit.x[1], fit.y[1]] == pytest.approx([-0.2, 0.3], abs=2e-3)


def test_brightness_does_not_change_the_shape() -> None:
    stamp = drawn(2.4, 3.0, 2.5, 25.0)
    fit = fitted(np.stack([stamp, stamp * 1e5, stamp * 1e-4]))
    for other in (1, 2):
        assert fit.converged[other]
        assert fit.moments[other] == pytest.approx(fit.moments[0], abs=1e-4)  # single precision
    assert fit.snr[1:] / fit.snr[0] == pytest.approx([1e5, 1e-4], rel=1e-3)


@pytest.mark.parametrize(("beta", "length"), [(GAUSS, 0.0), (3.0, 0.0), (3.0, 2.5)])
def test_noisy_stars_scatter_as_their_errors_say_and_about_the_truth(
    beta: float, length: float
) -> None:
    rng = np.random.default_rng(4)
    trials, noise = 600, 1.0
    stamp = drawn(2.6, beta, length, 30.0, (0.1, 0.2), size=21)
    # S/N 25: light times the root of the summed squared profile, over the noise.
    scaled = stamp * (25.0 / np.sqrt(np.sum(stamp**2)))
    noisy = (scaled + rng.normal(0, noise, (trials, 21, 21))).astype(np.float32)
    fit = fitted(noisy, noise=noise)
    assert fit.converged.mean() > 0.99
    good = fit.converged
    truth = fitted(scaled).moments[0]
    pull = (fit.moments[good] - truth) / fit.errors[good]
    # Mean within three standard errors, and the second-order bias of a least-squares fit:
    # of the order of 1 / (S/N)^2 of the moment, which is 0.1 of an error here.
    assert np.abs(np.mean(pull, axis=0)) == pytest.approx(
        np.zeros(3), abs=3 / np.sqrt(trials) + 0.1
    )
    # The spread of 600 is known to 3 %; a Gaussian that does not fit the profile, to 10 % more.
    assert np.std(pull, axis=0) == pytest.approx(np.ones(3), abs=0.15)


def test_error_of_the_ellipticity_is_the_published_one() -> None:
    rng = np.random.default_rng(8)
    stamp = drawn(3.0, GAUSS, size=21)
    scaled = stamp * (40.0 / np.sqrt(np.sum(stamp**2)))
    noisy = (scaled + rng.normal(0, 1.0, (600, 21, 21))).astype(np.float32)
    moments = fitted(noisy, noise=1.0).moments
    e1 = (moments[:, 0] - moments[:, 1]) / (moments[:, 0] + moments[:, 1])
    # sigma(e) = 2 / (S/N) for a Gaussian (Bernstein & Jarvis 2002, from memory); 3 % is the
    # standard error of a spread of 600, times 3.
    assert np.std(e1) == pytest.approx(2.0 / 40.0, rel=0.09)


@pytest.mark.parametrize("angle", [0.0, 10.0, 45.0, -80.0])
@pytest.mark.parametrize(("length", "size"), [(40.0, 91), (100.0, 181)])
def test_long_trails_are_fitted_from_a_poor_start(length: float, size: int, angle: float) -> None:
    stamp = drawn_line(2.6, length, angle, size)
    along, across = length**2 / 20, 0.8  # what an isophote says of it: too small by a half
    turn = np.radians(2 * angle)
    quadrupole = (along - across) / 2 * np.array([np.cos(turn), np.sin(turn)])
    start = np.array(
        [
            [
                (along + across) / 2 + quadrupole[0],
                (along + across) / 2 - quadrupole[0],
                quadrupole[1],
            ]
        ]
    )
    classes = np.zeros((1, size, size), np.int8)
    fit = fit_gaussians(1e4 * stamp[None], classes, 1.0, start, np.zeros((1, 2)))
    assert fit.converged[0]
    larger, smaller, found = axes(fit.moments)
    # A Gaussian does not fit a line; what is left of it beyond the stamp costs up to 2.5 %.
    found_length = trail_length_px(larger - smaller, smaller, np.array([GAUSSIAN_KURT]))
    assert found_length[0] == pytest.approx(length, rel=0.025)
    assert (found[0] - angle + 90) % 180 - 90 == pytest.approx(0.0, abs=0.02)


def test_empty_sky_and_flat_stamps_do_not_count_as_stars() -> None:
    rng = np.random.default_rng(3)
    flat = np.zeros((1, 21, 21), np.float32)
    assert not fitted(flat, noise=1.0).converged.any()
    dips = -50 * drawn(3.0, size=21)[None]
    assert not fitted(dips, noise=1.0).converged.any()
    empty = rng.normal(0, 1, (50, 21, 21)).astype(np.float32)
    fit = fitted(empty, noise=1.0)
    # Some bump of the noise always has a best Gaussian; none may pass for a star.
    assert not (fit.converged & (fit.snr > 10)).any()


def test_axes_give_the_ellipse_of_a_tensor() -> None:
    turn = np.radians(-65.0)
    way = np.array([np.cos(turn), np.sin(turn)])
    tensor = 1.5 * np.eye(2) + 2.0 * np.outer(way, way)
    larger, smaller, angle = axes(np.array([tensor[0, 0], tensor[1, 1], tensor[0, 1]]))
    assert [float(larger), float(smaller), float(angle)] == pytest.approx([3.5, 1.5, -65.0])


def test_a_gaussian_of_no_wings_has_the_closed_form_width() -> None:
    assert fwhm_px(np.array(1.0), np.array(2.0)) == pytest.approx(np.sqrt(8 * np.log(2)))
    assert pytest.approx(2.354820045) == SIGMA_TO_FWHM


Fit = tuple[NDArray[np.float32], NDArray[np.int8], Floats, Floats, Floats]


@pytest.fixture(scope="module")
def fits_of_frames() -> list[Fit]:
    """What is fitted in a real frame of trailed stars, and drawn stars of every kind."""
    asked: list[Fit] = []
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(
            shapes, "fit_gaussians", lambda *fit: asked.append(fit) or fit_gaussians(*fit)
        )
        measure_shot(DATA / "real", PurePosixPath("rotation.fits"))
    rng = np.random.default_rng(21)
    size, stamps = 25, []
    for length in (0.0, 0.0, 2.0, 5.0, 9.0, 14.0):
        for fwhm in (1.8, 3.0, 5.0):
            place = tuple(rng.uniform(-0.5, 0.5, 2))
            star = drawn(fwhm, 3.0, length, rng.uniform(-90, 90), place, size=size)
            # Another star comes in at the edge of every second stamp.
            beside = drawn(fwhm, 3.0, length, 0.0, (7.0, -5.0), size=size)
            light = 2e4 * star + 4e3 * (len(stamps) % 2) * beside
            stamps.append((light + rng.normal(0, 4, light.shape)).astype(np.float32))
    count = len(stamps)
    green = np.where(np.indices((size, size)).sum(axis=0) % 2 == 0, 0, -1).astype(np.int8)
    start = np.tile([6.0, 6.0, 0.5], (count, 1))
    colours = np.broadcast_to(green, (count, size, size))
    asked.append((np.stack(stamps), colours, np.full(count, 4.0), start, np.zeros((count, 2))))
    assert len(asked) > 4
    return asked


def assert_alike(one: GaussianFits, other: GaussianFits) -> None:
    """No decision differs, and no number by more than 1e-9 of its own size.

    Rounding is 1e-16, and the normal matrix of the longest trail loses five digits.
    """
    assert np.array_equal(one.converged, other.converged)
    fit = one.converged
    size = one.moments[fit, :2].max(axis=1, keepdims=True)
    assert np.abs(one.x - other.x)[fit] == pytest.approx(0, abs=1e-9)
    assert np.abs(one.y - other.y)[fit] == pytest.approx(0, abs=1e-9)
    assert other.moments[fit] / size == pytest.approx(one.moments[fit] / size, abs=1e-9)
    # A star narrower than the samples can see has no shape, and no error known to any digit.
    seen = one.errors[fit] < size
    assert other.errors[fit][seen] == pytest.approx(one.errors[fit][seen], rel=1e-9)
    for name in ("amplitude", "snr", "kurt"):
        assert getattr(other, name)[fit] == pytest.approx(getattr(one, name)[fit], rel=1e-9)


@pytest.mark.broad
def test_the_last_bits_of_the_samples_change_nothing(fits_of_frames: list[Fit]) -> None:
    rng = np.random.default_rng(22)

    def nudged(values: NDArray[np.floating]) -> Floats:
        return values.astype(np.float64) * (1 + 1e-14 * rng.standard_normal(values.shape))

    for stamps, classes, noise, start, place in fits_of_frames:
        as_is = fit_gaussians(stamps, classes, noise, start, place)
        again = fit_gaussians(
            nudged(stamps),
            classes,
            nudged(noise),
            nudged(start),
            nudged(place),
        )
        assert_alike(as_is, again)


def test_the_order_of_the_sums_changes_nothing(fits_of_frames: list[Fit]) -> None:
    # The mirrored star has the same samples in another order, as a processor with longer
    # registers would add them.
    for stamps, classes, noise, start, place in fits_of_frames:
        as_is = fit_gaussians(stamps, classes, noise, start, place)
        mirrored = fit_gaussians(
            stamps[:, :, ::-1], classes[:, :, ::-1], noise, start * [1, 1, -1], place * [-1, 1]
        )
        back = replace(mirrored, x=-mirrored.x, moments=mirrored.moments * [1, 1, -1])
        assert_alike(as_is, back)
