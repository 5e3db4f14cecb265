"""Points laid on points, and stars held against chance: known moves, and odds worked out here."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.integrate import quad
from scipy.spatial.transform import Rotation
from scipy.stats import chi2 as chi_squared

from skyplumb.calibrate.camera import Camera, Matched
from skyplumb.calibrate.matching import (
    CERTAIN_LOG_ODDS,
    Detections,
    Matches,
    centroid_errors,
    fewest_matches,
    match_stars,
    may_show,
    mixture_of,
    mixtures_of,
    trusted_rows,
    unsaturated,
)
from skyplumb.calibrate.registration import laid_stars, register
from skyplumb.calibrate.similarity import Similarity, best_similarity
from skyplumb.calibrate.sky import CATALOGUE_SKY, catalogue
from skyplumb.measure.flags import BIT
from skyplumb.records import STAR_DTYPE, Measure

Floats = NDArray[np.float64]
SIZE = (3000, 2000)
MIDDLE = np.array([1499.5, 999.5])


def dots(count: int, seed: int, low: float = 0.0) -> Floats:
    return np.random.default_rng(seed).uniform([low, low], SIZE, (count, 2))


def turned(points: Floats, factor: complex, shift: complex, mirrored: bool = False) -> Floats:
    """a z + b, or of the conjugate."""
    z = points[:, 0] + 1j * points[:, 1] * (-1 if mirrored else 1)
    w = factor * z + shift
    return np.stack([w.real, w.imag], 1)


def table(places: Floats, snr: float = 100.0) -> Measure:
    """Stars 1.4 px wide at places, the first the brightest."""
    stars = np.zeros(len(places), STAR_DTYPE)
    stars["x"], stars["y"] = places.T
    stars["flux"], stars["snr"] = np.linspace(9000, 1000, len(places)), snr
    stars["mxx"] = stars["myy"] = 2.0
    return Measure("a", "light", "", width_px=SIZE[0], height_px=SIZE[1], stars=stars)


# Similarities


@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize(("factor", "shift"), [(1.0, 0), (0.97j, 40 - 9j), (1.02 - 0.1j, -300j)])
def test_the_similarity_of_two_lists_is_found(
    factor: complex, shift: complex, mirrored: bool
) -> None:
    one = dots(24, 1)
    other = np.concatenate([turned(one[:15], factor, shift, mirrored), dots(9, 2)])
    found = best_similarity(one, other, 1.0, (0.9, 1.1), mirrored)
    assert found is not None
    assert found.mirrored == mirrored and found.hits == 15
    assert found.factor == pytest.approx(factor, abs=1e-9)
    assert found.translation == pytest.approx(shift, abs=1e-6)
    assert found(one[:15]) == pytest.approx(other[:15], abs=1e-6)


@pytest.mark.parametrize(
    ("scales", "found"),
    [((0.94, 0.96), True), ((0.9, 0.94), False), ((0.96, 1.1), False), ((0.94, 1.06), True)],
)
def test_scales_outside_of_the_range_are_not_tried(
    scales: tuple[float, float], found: bool
) -> None:
    one = dots(12, 3)
    laid = best_similarity(one, turned(one, 0.95, 0), 0.01, scales)
    assert (laid is not None and laid.hits == 12) == found


def test_what_stands_still_is_no_pair() -> None:
    still, sky = dots(20, 4), dots(9, 5)
    one, other = (
        np.concatenate([still, sky]),
        np.concatenate([still + 0.3, sky + np.array([7.0, -4.0])]),
    )
    free = best_similarity(one, other, 1.0)
    assert free is not None and free.hits == 20
    assert free.translation == pytest.approx(0.3 + 0.3j, abs=1e-6)
    apart = best_similarity(one, other, 1.0, apart=0.5)
    assert apart is not None and apart.hits == 9
    assert apart.translation == pytest.approx(7 - 4j, abs=1e-6)
    near = best_similarity(one, other, 1.0, apart=0.42)  # 0.3 sqrt(2) is 0.424
    assert near is not None and near.hits == 20


def test_lists_without_pairs_have_no_similarity() -> None:
    few = dots(2, 6)
    nothing = np.zeros((0, 2))
    assert best_similarity(nothing, few, 1.0) is None
    assert best_similarity(few[:1], few, 1.0) is None
    assert best_similarity(few, nothing, 1.0) is None
    assert best_similarity(few, few, 1.0) is None  # two that meet are no agreement
    three = dots(3, 7)
    laid = best_similarity(three, three + 5, 1.0)
    assert laid is not None and laid.hits == 3


def test_one_point_of_the_other_list_is_hit_once() -> None:
    one = np.concatenate([dots(9, 8), dots(9, 8) + 0.4])
    laid = best_similarity(one, dots(9, 8), 1.0)
    assert laid is not None and laid.hits == 9


def test_hundreds_of_points_leave_trials_out_and_are_found_all_the_same() -> None:
    one = dots(300, 9)
    rng = np.random.default_rng(1)
    other = turned(one, np.exp(0.3j), 200 - 100j) + rng.normal(0, 0.2, one.shape)
    laid = best_similarity(one, other, 1.5, (0.8, 1.25))
    assert laid is not None and laid.hits > 290
    # 0.2 px over 300 points of 870 px (one axis) is 1.3e-5 rad, and five of it.
    assert abs(laid.factor - np.exp(0.3j)) < 7e-5
    plain = Similarity(1j, 2.0, False, 0)(np.array([[1.0, 0.0], [0.0, 1.0]]))
    assert plain == pytest.approx(np.array([[2.0, 1.0], [1.0, 0.0]]))


# Frames laid on each other


@pytest.mark.parametrize("count", [7, 15, 16, 59, 60, 200])
def test_a_frame_is_laid_on_the_next(count: int) -> None:
    turn, move = 2e-4, np.array([6.0, -3.5])
    places = dots(count, count, 5.0)
    rng = np.random.default_rng(2)
    there = MIDDLE + (places - MIDDLE) @ Rotation.from_rotvec([0, 0, turn]).as_matrix()[:2, :2].T
    after = there + move + rng.normal(0, 0.02, places.shape)
    found = register(table(places), table(after))
    assert found is not None and found.matches == count
    # Each star's error is at least 0.07 px in both, as `centroid_errors` has it.
    assert found.move_px == pytest.approx(move, abs=5 * 0.03 * math.sqrt(6 / count))
    assert found.turn_rad == pytest.approx(turn, abs=5 * 0.03 / 600 * math.sqrt(3 / count))
    assert 0.3 < found.sigma_px / (0.07 * math.sqrt(2 * (1 if count < 60 else 2.5) / count)) < 2.0
    assert found.log_odds > CERTAIN_LOG_ODDS


def test_the_curve_of_a_move_over_the_picture_is_no_part_of_it() -> None:
    places = dots(150, 11)
    off = (places - MIDDLE) / np.hypot(*MIDDLE)
    bent = np.stack([1.1 * off[:, 0] ** 2, 0.8 * off[:, 0] * off[:, 1]], 1)
    found = register(table(places), table(places + np.array([3.0, 1.0]) + bent))
    assert found is not None and found.matches == 150
    assert found.move_px == pytest.approx([3.0, 1.0], abs=1e-3)


@pytest.mark.parametrize(("count", "curve"), [(60, True), (59, False)])
def test_sixty_stars_show_the_curve_of_a_move(count: int, curve: bool) -> None:
    places = dots(count, 31)
    off = (places - MIDDLE) / np.hypot(*MIDDLE)
    bent = np.stack([1.2 * off[:, 0] ** 2, 0.9 * off[:, 1] ** 2], 1)
    found = register(table(places), table(places + np.array([3.0, 1.0]) + bent))
    assert found is not None and found.matches == count
    assert (np.abs(found.move_px - [3.0, 1.0]).max() < 1e-3) == curve


@pytest.mark.parametrize(("count", "slope"), [(16, True), (15, False)])
def test_sixteen_stars_show_the_slope_of_a_move(count: int, slope: bool) -> None:
    places = dots(count, 32) * 0.5  # all in one quarter, so that a slope moves the middle
    sheared = 1.6e-3 * np.stack([(places - MIDDLE)[:, 0], 0 * places[:, 1]], 1)
    found = register(table(places), table(places + np.array([3.0, 1.0]) + sheared))
    assert found is not None and found.matches == count
    assert (np.abs(found.move_px - [3.0, 1.0]).max() < 0.02) == slope


def test_fewer_than_six_stars_are_not_laid() -> None:
    places = dots(6, 12)
    assert register(table(places[:5]), table(places[:5])) is None
    assert register(table(places), table(places[:5])) is None
    same = register(table(places), table(places))
    assert same is None or same.matches == 6
    assert len(laid_stars(table(dots(260, 13)))) == 200


@pytest.mark.parametrize(("sky", "moves"), [(30, True), (12, True), (5, False)])
def test_a_sky_that_moves_amid_what_stands_still(sky: int, moves: bool) -> None:
    still, stars = dots(40, 14), dots(sky, 15)
    after = np.concatenate([still + 0.01, stars + np.array([9.0, 5.0])])
    found = register(table(np.concatenate([still, stars])), table(after))
    assert found is not None
    assert found.move_px == pytest.approx([9.0, 5.0] if moves else [0.01, 0.01], abs=0.05)
    assert found.matches == (sky if moves else 40)


# The odds of matches


def test_share_and_scatter_of_true_matches_are_found() -> None:
    rng = np.random.default_rng(3)
    density = 1e-4
    count, true = 4000, 1200
    near = 0.8 * np.sqrt(chi_squared.rvs(2, size=true, random_state=rng))
    # Of points of a density the nearest: 1 - exp(-pi n d^2) of them are nearer than d.
    far = np.sqrt(-np.log(rng.random(count - true)) / np.pi / density)
    found = mixture_of(np.concatenate([near, far]), np.full(count, density), np.zeros(count), 3.0)
    # Errors of a share of 0.3 of 4,000 and of a scatter of 1,200 lengths; four of each.
    assert found.share == pytest.approx(0.3, abs=4 * math.sqrt(0.3 * 0.7 / count))
    assert found.sigma_px == pytest.approx(0.8, abs=4 * 0.8 / math.sqrt(2 * 2 * true))
    d = 1.2
    true_law = d / found.sigma_px**2 * math.exp(-(d**2) / 2 / found.sigma_px**2)
    chance = 2 * math.pi * density * d * math.exp(-math.pi * density * d**2)
    assert quad(lambda r: 2 * math.pi * density * r * math.exp(-math.pi * density * r**2),
                0, math.inf)[0] == pytest.approx(1)  # fmt: skip
    (one,) = mixture_of(np.array([d]), np.array([density]), np.zeros(1), 1.0).probability
    assert 0 < one <= 1
    told = np.argmin(np.abs(near - d))
    exact = found.share * true_law / (found.share * true_law + (1 - found.share) * chance)
    assert found.probability[told] == pytest.approx(exact, abs=0.01)
    likelier = np.log(
        found.share * np.array([true_law]) + (1 - found.share) * np.array([chance])
    ) - math.log(chance)
    assert likelier[0] > 0 and found.log_odds > 1000


def test_errors_of_places_are_taken_from_the_scatter() -> None:
    rng = np.random.default_rng(4)
    count, errors = 3000, np.tile([0.3, 0.9], 1500)
    near = np.hypot(errors, 0.5) * np.sqrt(chi_squared.rvs(2, size=count, random_state=rng))
    found = mixture_of(near, np.full(count, 1e-5), errors, 2.0)
    assert found.sigma_px == pytest.approx(0.5, abs=0.12)
    assert found.share == pytest.approx(0.999)


def test_chance_alone_has_no_odds_and_each_frame_is_as_by_itself() -> None:
    rng = np.random.default_rng(5)
    density = np.full(400, 2e-4)
    frames = []
    for true in (0, 5, 60):
        far = np.sqrt(-np.log(rng.random(400 - true)) / np.pi / density[0])
        frames.append(np.concatenate([0.3 * np.abs(rng.normal(size=true)), far]))
    errors = [np.full(400, 0.05)] * 3
    together = mixtures_of(frames, [density] * 3, errors, [4.0] * 3)
    assert together[0].log_odds < 5 < CERTAIN_LOG_ODDS < together[2].log_odds
    for one, frame in zip(together, frames, strict=True):
        alone = mixture_of(frame, density, errors[0], 4.0)
        assert (alone.share, alone.sigma_px, alone.log_odds) == pytest.approx(
            (one.share, one.sigma_px, one.log_odds), rel=1e-9
        )
    # Half of what chance makes of it: 0.25 / (2 pi n) is the widest variance.
    assert max(one.sigma_px for one in together) <= math.sqrt(0.25 / 2 / math.pi / 2e-4) + 1e-9


def test_of_matches_with_one_neighbour_the_likeliest_is_sure() -> None:
    one = mixture_of(np.array([0.1, 0.2, 9.0, 0.1]), np.full(4, 1e-4), np.full(4, 0.1), 0.5)
    sure = replace(one, probability=np.array([0.6, 0.9, 0.4, 0.51]))
    assert sure.sure(np.array([7, 7, 8, 9])).tolist() == [1, 3]
    assert replace(one, probability=np.full(4, 0.5)).sure(np.arange(4)).tolist() == []


def matches(count: int = 20, sigma: float = 0.5, odds: float = 30.0, unlike: float = 0.1,
            **how: Any) -> Matches:  # fmt: skip
    matched = Matched(np.zeros((count, 2)), np.zeros((count, 3)), np.ones(count))
    rows = np.arange(count)
    return Matches(matched, rows, rows, sigma, odds, unlike, **how)


@pytest.mark.parametrize(
    ("one", "certain"),
    [
        (matches(), True),
        (matches(6), True),
        (matches(5), False),
        (matches(odds=18.0), False),
        (matches(odds=18.1), True),
        (matches(sigma=3.1, unlike=0.66), False),
        (matches(sigma=2.9, unlike=0.66), True),
        (matches(sigma=3.1, unlike=0.64), True),
        (matches(sigma=12.1, unlike=0.41), False),
        (matches(sigma=11.9, unlike=0.41), True),
        (matches(sigma=12.1, unlike=0.39), True),
        (matches(5, fewest=4), True),
        (matches(4, fewest=4), True),
        (matches(3, fewest=4), False),
        (matches(5, sigma=1.0, fewest=4), False),
        (matches(5, unlike=0.4, fewest=4), False),
        (matches(6, sigma=1.0, fewest=4), True),
    ],
)
def test_what_is_certain(one: Matches, certain: bool) -> None:
    assert one.certain == certain
    assert one.few == (len(one.star) < 6)


def test_the_same_stars_are_the_same_matches() -> None:
    one = matches()
    assert one.same_stars(matches(sigma=3.0))
    assert not one.same_stars(replace(one, star=one.star + 1))
    assert not one.same_stars(replace(one, catalogue=one.catalogue + 1))


def test_fields_narrower_than_seventeen_tenths_of_a_degree_do_with_four() -> None:
    for width, fewest in ((1.69, 4), (1.71, 6)):
        focal = 1500 / math.tan(math.radians(width / 2))
        assert fewest_matches(Camera(focal, *SIZE)) == fewest


def test_which_places_are_trusted_and_by_how_much() -> None:
    stars = table(dots(18, 18)).stars
    stars["flags"][:2] = BIT["blended"], BIT["hot"]
    stars["flags"][2] = BIT["saturated"]
    assert trusted_rows(stars).tolist() == list(range(2, 18))
    assert unsaturated(stars).tolist() == [0, 1, *range(3, 18)]
    stars["flags"][3:5] = BIT["edge"], BIT["unfit"]
    assert trusted_rows(stars).tolist() == list(range(18))  # 14 are too few
    stars["snr"][:4] = 10.0, 2.0, math.nan, 1e6
    # Six tenths of the FWHM over the signal to noise, 3 at least, beside a twentieth of a pixel.
    fwhm = 2 * math.sqrt(2 * math.log(2)) * math.sqrt(2.0)
    assert centroid_errors(stars)[:4] == pytest.approx(
        [math.hypot(0.05, 0.06 * fwhm), math.hypot(0.05, 0.2 * fwhm), math.hypot(0.2, 0.06 * fwhm),
         0.05], rel=1e-4)  # fmt: skip
    narrow = table(dots(1, 1)).stars
    narrow["mxx"] = narrow["myy"] = 0.1
    assert centroid_errors(narrow)[0] == pytest.approx(
        math.hypot(0.05, 0.006 * 2 * math.sqrt(2 * math.log(2)) * 0.5), rel=1e-5
    )


def test_the_catalogues_stars_in_a_picture_are_matched() -> None:
    camera = Camera(9000.0, *SIZE, radial=(0.02, 0.0, 0.0))
    attitude = Rotation.from_euler("zyx", [20, 40, 70], degrees=True).as_matrix()
    known = catalogue()
    places = camera.project(known.directions @ attitude.T)
    with np.errstate(invalid="ignore"):
        inside = np.flatnonzero((places >= 0).all(1) & (places <= np.array(SIZE) - 1).all(1))
    bright = inside[:70]  # brightest first
    rng = np.random.default_rng(6)
    where = places[bright] + rng.normal(0, 0.05, (70, 2))
    order = np.argsort(rng.random(90))
    stars = Detections.of(table(np.concatenate([where, dots(20, 19)])[order]))
    assert stars.found == 90 and stars.magnitude[0] == pytest.approx(-2.5 * math.log10(9000))
    found = match_stars(stars, CATALOGUE_SKY, camera, attitude, 3.0)
    is_star = order[found.star] < 70
    assert np.count_nonzero(is_star) >= 69 and np.count_nonzero(~is_star) <= 1
    assert (found.catalogue[is_star] == bright[order[found.star[is_star]]]).all()
    assert found.certain and found.sigma_px < 0.1
    # The catalogue in and around it, brightest first, and no more than are asked for.
    rows = may_show(CATALOGUE_SKY, camera, attitude, (0, len(known.magnitude)))
    assert np.isin(inside, rows).all() and (np.diff(rows) > 0).all()
    # In it, or outside by 50 px and by what air bends at two degrees of altitude, 0.3 degrees.
    margin = 50 + math.radians(0.3) * 9000
    with np.errstate(invalid="ignore"):
        outside = np.abs(places - np.array(SIZE) / 2) - np.array(SIZE) / 2
        near = np.flatnonzero((outside < margin).all(1))
    assert rows.tolist() == near.tolist()
    most = may_show(CATALOGUE_SKY, camera, attitude, (0, len(known.magnitude)), 30)
    assert len(most) <= 30 and set(most) <= set(rows[:30])
    some = may_show(CATALOGUE_SKY, camera, attitude, (int(bright[9]), int(bright[20])))
    assert set(bright[9:20]) <= set(some) and some[0] >= bright[9] and some[-1] < bright[20]
