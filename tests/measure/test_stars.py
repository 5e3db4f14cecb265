"""Star tables of frames drawn by the invented night's painter, which shares no code with them."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter
from scipy.spatial import cKDTree

from skyplumb.demo import DrawnFrame, Lens, Sway, draw_frame
from skyplumb.measure.flags import BIT, FLAGS
from skyplumb.measure.mosaic import SkyLevel, fill_green, green_half_size, noise_before_cut
from skyplumb.measure.shapes import axes, fwhm_px, profile_kurt, trail_length_px
from skyplumb.measure.stars import StarMeasure, measure_stars
from skyplumb.records import Plate

Floats = NDArray[np.float64]

BAYER = {
    "RGGB": [[0, 1], [1, 2]],
    "GRBG": [[1, 0], [2, 1]],
    "": [[1]],
}
XTRANS = [
    [1, 2, 1, 1, 0, 1],
    [0, 1, 0, 2, 1, 2],
    [1, 2, 1, 1, 0, 1],
    [1, 0, 1, 1, 2, 1],
    [2, 1, 2, 0, 1, 0],
    [1, 0, 1, 1, 2, 1],
]
"""A 6 x 6 pattern of 20 green, 8 red and 8 blue samples."""


def plate(
    samples: NDArray[np.generic], pattern: str = "RGGB", saturation: float = 16383.0
) -> Plate:
    """A plate with a black level of 512, as the painter draws it."""
    colours = np.array(BAYER[pattern], np.uint8)
    return Plate(samples, colours, np.full(colours.shape, 512, np.float32), saturation)


def seen(frame: DrawnFrame, pattern: str = "RGGB") -> StarMeasure:
    """The measure of a drawn frame."""
    return measure_stars(plate(frame.mosaic, pattern))


def paired(frame: DrawnFrame, table: NDArray[np.void]) -> tuple[NDArray[np.int64], Floats]:
    """For each drawn star the row of the nearest detection, and its distance, px."""
    tree = cKDTree(np.stack([table["x"], table["y"]], 1))
    distance, row = tree.query(np.stack([frame.x, frame.y], 1))
    return row, distance


def mean_shape(table: NDArray[np.void]) -> tuple[float, float, float]:
    """Width across the trail (FWHM, px), trail length (px) and angle of the median tensor."""
    good = table[(table["flags"] == 0) & (table["snr"] > 20)]
    moments = np.array([np.median(good[c]) for c in ("mxx", "myy", "mxy")], np.float64)
    larger, smaller, angle = axes(moments)
    kurt = profile_kurt(np.median(good["kurt"]).astype(np.float64), (larger - smaller) / smaller)
    length = trail_length_px(larger - smaller, smaller, kurt)
    return float(fwhm_px(smaller, kurt)), float(length), float(angle)


def blank(colours: NDArray[np.uint8], level: float = 762.0, noise: float = 15.0) -> Plate:
    """A plate of sky alone, 250 above black."""
    rng = np.random.default_rng(9)
    samples = rng.normal(level, noise, (600, 800)).round().astype(np.uint16)
    return Plate(samples, colours, np.full(colours.shape, 512, np.float32), 16383.0)


@pytest.mark.parametrize("pattern", ["RGGB", "GRBG", ""])
def test_every_star_is_found_once_where_it_was_drawn(pattern: str) -> None:
    frame = draw_frame(pattern=pattern, stars=200, snr=(45, 400), seed=3)
    found = seen(frame, pattern)
    row, distance = paired(frame, found.stars)
    # Detection wants 5 sigma in three samples of the half-size green image, which a star of
    # FWHM 2.5 px and S/N 40 has; one star may lie on another or on the edge.
    there = distance < 1
    assert np.count_nonzero(~there) <= 1
    assert len(np.unique(row[there])) == np.count_nonzero(there)
    assert len(found.stars) == np.count_nonzero(there)  # and nothing else
    # sigma = 0.6 FWHM / (S/N), sqrt(2) more on green alone: 0.047 px for the faintest, 0.015
    # for the median star; 4.5 sigma for the worst of 200 that were fitted.
    fitted = there & ((found.stars["flags"][row] & BIT["unfit"]) == 0)
    assert np.count_nonzero(fitted) >= 199
    assert np.median(distance[fitted]) < 0.03
    assert distance[fitted].max() < 0.21
    # On average at the right place: pixel centres, not corners, are whole numbers.
    off = np.stack([found.stars["x"][row] - frame.x, found.stars["y"][row] - frame.y])[:, there]
    assert np.abs(np.median(off, axis=1)).max() < 0.008


@pytest.mark.parametrize("pattern", ["RGGB", ""])
def test_sky_noise_and_flux_are_those_that_were_drawn(pattern: str) -> None:
    frame = draw_frame(pattern=pattern, stars=120, snr=(100, 400), sky_e=200.0, seed=4)
    found = seen(frame, pattern)
    # 200 electrons at 0.8 e per unit; the mean of 10^5 samples and of the rounding.
    assert found.sky_level == pytest.approx(250.0, abs=1.5)
    # sqrt(200 + 9) / 0.8 = 18.07 and rounding, 0.29; sep clips, which costs some 1 %.
    assert found.noise == pytest.approx(18.07, rel=0.03)
    row, distance = paired(frame, found.stars)
    share = found.stars["flux"][row[distance < 1]] * 0.8 / frame.electrons[distance < 1]
    # A Gaussian holds 0.88 of a Moffat star of beta 3 (closed form, numerically); the same of
    # every star, which is what zero points need.
    assert np.median(share) == pytest.approx(0.88, abs=0.03)
    assert np.std(share) < 0.03


@pytest.mark.broad
@pytest.mark.parametrize("pattern", ["RGGB", ""])
@pytest.mark.parametrize(("fwhm", "length"), [(1.6, 2.0), (1.6, 5.0), (2.2, 30.0), (3.5, 4.0)])
def test_trails_of_a_frame_are_measured(pattern: str, fwhm: float, length: float) -> None:
    frame = draw_frame(
        pattern=pattern, stars=150, snr=(60, 300), fwhm_px=fwhm, sway=Sway(length, -35.0),
        seed=6,
    )  # fmt: skip
    _, found, angle = mean_shape(seen(frame, pattern).stars)
    # The law of trail lengths is good to 1 % on clean stars; a median of 150 noisy tensors to
    # 0.05 px, and narrow stars on a mosaic to another 1 %.
    assert found == pytest.approx(length, abs=0.05 + 0.02 * length)
    assert angle == pytest.approx(-35, abs=1.5 if length < 3 else 0.5)


@pytest.mark.parametrize(("pattern", "within"), [("RGGB", 0.08), ("", 0.02)])
@pytest.mark.parametrize("fwhm", [1.6, 2.5, 4.0])
def test_widths_of_a_frame_are_measured(pattern: str, within: float, fwhm: float) -> None:
    frame = draw_frame(pattern=pattern, stars=150, snr=(80, 400), fwhm_px=fwhm, seed=7)
    stars = seen(frame, pattern).stars
    stars = stars[stars["flags"] == 0]
    moment = (np.median(stars["mxx"]) + np.median(stars["myy"])) / 2
    found = fwhm_px(moment, np.median(stars["kurt"]))
    # The pixel's box adds its variance, 1/12 px^2, times 8 ln 2 to the squared width; the
    # sharper centre of a Moffat profile takes it up by half as much again, 0.7 px^2 (from the
    # drawn stars of test_shapes).
    smeared = np.sqrt(fwhm**2 + 0.7)
    # Where all colours are needed, each with a height of its own, the fit comes out 7 % wide.
    assert found == pytest.approx(smeared, rel=within if fwhm < 2.4 else 0.02)


@pytest.mark.broad
def test_round_stars_show_no_trail() -> None:
    lengths = []
    for seed in range(6):
        frame = draw_frame(stars=200, snr=(45, 300), fwhm_px=2.3, seed=seed)
        lengths.append(mean_shape(seen(frame).stars)[1])
    # Noise alone has a length: 200 tensors of 0.1 px^2 leave 0.01, sqrt(12 x 0.01) = 0.35 px.
    assert max(lengths) < 0.6
    assert np.median(lengths) < 0.45


def test_stars_are_found_and_measured_on_a_six_by_six_pattern() -> None:
    frame = draw_frame(pattern="", stars=150, snr=(60, 300), sway=Sway(4.0, 20.0), seed=8)
    colours = np.array(XTRANS, np.uint8)
    black = np.full(colours.shape, 512, np.float32)
    found = measure_stars(Plate(frame.mosaic, colours, black, 16383.0))
    _, distance = paired(frame, found.stars)
    assert np.count_nonzero(distance < 1) >= 149
    _, length, angle = mean_shape(found.stars)
    assert length == pytest.approx(4.0, abs=0.13)  # as for the other patterns
    assert angle == pytest.approx(20.0, abs=0.5)
    # Untinted light: all colours have the sky of green.
    assert found.sky_level == pytest.approx(250.0, abs=1.5)


def test_the_half_size_image_is_the_mean_of_the_greens_above_their_black() -> None:
    samples = np.arange(48, dtype=np.uint16).reshape(6, 8) * 10
    colours = np.array([[0, 1], [1, 2]], np.uint8)
    black = np.array([[0, 3], [5, 0]], np.float32)
    half = green_half_size(Plate(samples, colours, black, np.inf))
    want = ((samples[0::2, 1::2] - 3.0) + (samples[1::2, 0::2] - 5.0)) / 2
    assert half == pytest.approx(want)
    mono = Plate(samples, np.array([[1]], np.uint8), np.array([[2]], np.float32), np.inf)
    cells = samples.reshape(3, 2, 4, 2).mean(axis=(1, 3)) - 2
    assert green_half_size(mono) == pytest.approx(cells)


def test_the_half_size_image_of_many_rows_is_that_of_few() -> None:
    rng = np.random.default_rng(4)
    colours = np.array(XTRANS, np.uint8)
    black = rng.uniform(100, 200, (6, 6)).astype(np.float32)
    samples = rng.integers(0, 4000, (6 * 71, 24)).astype(np.uint16)
    whole = green_half_size(Plate(samples, colours, black, np.inf))
    for top in (0, 186, 192, 378):  # of one period, by itself
        few = green_half_size(Plate(samples[top : top + 6], colours, black, np.inf))
        assert np.array_equal(whole[top // 2 : top // 2 + 3], few)


@pytest.mark.slow
@pytest.mark.parametrize("shape", [(801, 1003), (500, 700)], ids=["large", "small"])
def test_sky_and_noise_are_what_was_drawn_everywhere(shape: tuple[int, int]) -> None:
    # The tolerances are five times the error of one box's mode, 2.5 median - 1.5 mean, and of its
    # deviation: 2.14 / sqrt n and 0.71 / sqrt n of normal samples. Slopes lean on what the edge
    # cuts off.
    y, x = np.indices(shape)
    level, noise = 300 + 0.02 * x - 0.01 * y, 8 + 0.008 * x
    inner = np.s_[96:-96, 96:-96]
    drawn = np.random.default_rng(5).normal(level, noise).astype(np.float32)
    sky = SkyLevel(drawn)
    assert sky.step == (2 if shape[0] > 768 else 1)
    found, spread = (sky.spread(one, 0, shape) for one in (sky.map, sky.noise_map))
    assert np.abs((found - level) / noise)[inner].max() < 5 * 2.14 / 32
    assert np.abs(spread / noise - 1)[inner].max() < 5 * 0.71 / 32
    # Places on the mosaic, which is twice as large, ask the same map.
    places = np.array([[0, 0], [641, 1203], [2 * shape[0] - 1, 2 * shape[1] - 1]]).T
    at = sky.map[sky.cell(places[1], places[0])]
    assert np.array_equal(at, found[places[0] // 2, places[1] // 2])
    flat = drawn.copy()
    sky.flatten(flat)
    assert flat == pytest.approx((drawn - found) / spread, abs=1e-4)


def cut_sky(
    level: float, step: float, fwhm: float, colours: NDArray[np.uint8], seed: int
) -> tuple[Plate, Floats]:
    """A sky of this level over its noise, of which nothing below 0 is kept, and its stars' places.

    In steps of `step` of the noise, which is 200; the stars' heights are 3 to 200 of it.
    """
    rng = np.random.default_rng(seed)
    height, width = 800, 1000
    sky = rng.normal(level, 1.0, (height, width))
    places = rng.uniform(12, [width - 12, height - 12], (150, 2))
    reach = np.arange(-9, 10)
    for x, y in places:
        column, row = int(x) + reach, int(y) + reach
        away = (column - x) ** 2 + (row[:, None] - y) ** 2
        star = 3 / rng.uniform(3 / 200, 1) * np.exp(-4 * np.log(2) * away / fwhm**2)
        sky[np.ix_(row, column)] += star
    samples = (200 * step * np.rint(sky.clip(0) / step)).clip(0, 65535).astype(np.uint16)
    return Plate(samples, colours, np.zeros(colours.shape, np.float32), 65535.0), places


@pytest.mark.broad
@pytest.mark.parametrize("pattern", ["", "RGGB"])
@pytest.mark.parametrize("fwhm", [1.6, 2.5, 4.0])
@pytest.mark.parametrize("step", [0.005, 0.5], ids=["fine", "coarse"])
@pytest.mark.parametrize("level", [0.5, 0.0, -0.5, -1.0, -1.5])
def test_a_sky_cut_off_at_black_shows_no_stars_of_noise(
    level: float, step: float, fwhm: float, pattern: str
) -> None:
    colours = np.array([[0, 1], [1, 2]] if pattern else [[1]], np.uint8)
    plate, places = cut_sky(level, step, fwhm, colours, seed=81)
    # Three tenths to nine tenths of the samples are 0, by the normal distribution.
    assert 0.25 < np.mean(plate.samples == 0) < 0.99
    found = measure_stars(plate)
    away = np.hypot(*(places[:, None] - np.stack([found.stars["x"], found.stars["y"]], 1)).T)
    true = int(np.count_nonzero(away.min(axis=1) < 2))
    assert true > 25  # of 150, of which 15 are higher than 30 of the noise
    assert found.stars_found - true <= 0.05 * true
    # Drawn with 200. Where little is left of a sky, the stars are a part of that.
    assert found.noise == pytest.approx(200, rel=0.05 if level >= 0 else 0.35)


def test_noise_of_a_whole_sky_is_not_touched() -> None:
    for colours, noise in (([[1]], 15.0), ([[0, 1], [1, 2]], 15.0), ([[1]], 0.7)):
        samples = np.random.default_rng(6).normal(900, noise, (600, 800)).round()
        pattern = np.array(colours, np.uint8)
        black = np.full(pattern.shape, 700, np.float32)
        assert noise_before_cut(Plate(samples.astype(np.uint16), pattern, black, 16383.0)) is None


def test_green_between_its_sites_is_the_weighted_mean_of_those_around() -> None:
    rng = np.random.default_rng(6)
    above = rng.normal(50, 10, (2, 7, 9)).astype(np.float32)
    green = np.isin(np.indices((7, 9)).sum(0) % 2, 1)[None].repeat(2, axis=0)
    filled = fill_green(above, green)
    assert np.array_equal(filled[green], above[green])
    # On a Bayer mosaic the four next to a site are green, and those at its corners are not.
    want = (above[:, :-2, 1:-1] + above[:, 2:, 1:-1] + above[:, 1:-1, :-2] + above[:, 1:-1, 2:]) / 4
    inner = ~green[:, 1:-1, 1:-1]
    assert filled[:, 1:-1, 1:-1][inner] == pytest.approx(want[inner], rel=1e-5)
    assert fill_green(above, np.ones_like(green)) is above


@pytest.mark.parametrize("fwhm", [1.6, 2.5])
def test_hot_pixels_are_told_from_stars(fwhm: float) -> None:
    clean = draw_frame(stars=150, snr=(60, 300), fwhm_px=fwhm, seed=11)
    frame = draw_frame(stars=150, snr=(60, 300), fwhm_px=fwhm, hot_pixels=400, seed=11)
    found = seen(frame)
    _, distance = paired(frame, found.stars)
    assert np.count_nonzero(distance < 1) >= 147  # a hot pixel may sit in a star
    # Of 400, half are green and reach 20 to 400 sigma of a single sample.
    assert found.hot_pixels > 60
    voting = found.stars[found.stars["flags"] == 0]
    away = cKDTree(np.stack([frame.x, frame.y], 1)).query(np.stack([voting["x"], voting["y"]], 1))
    assert np.count_nonzero(away[0] > 2) <= 2  # votes of what is no star
    ours, truth = mean_shape(found.stars), mean_shape(seen(clean).stars)
    assert ours[0] == pytest.approx(truth[0], rel=0.02)  # a median hardly moves


def test_saturated_stars_do_not_vote() -> None:
    frame = draw_frame(stars=120, snr=(60, 3000), white=4000, seed=12)
    found = measure_stars(plate(frame.mosaic, saturation=4000.0))
    row, distance = paired(frame, found.stars)
    full = np.array(
        [
            (frame.mosaic[round(y) - 1 : round(y) + 2, round(x) - 1 : round(x) + 2] >= 4000).any()
            for x, y in zip(frame.x, frame.y, strict=True)
        ]
    )
    flagged = (found.stars["flags"][row] & BIT["saturated"]) > 0
    assert np.count_nonzero(full) > 10
    assert flagged[full & (distance < 2)].all()
    assert not flagged[~full & (frame.snr < 150)].any()


def test_stars_at_the_edge_do_not_vote() -> None:
    places = np.array([[3.0, 300], [400, 2.5], [797, 300], [400, 597.5], [400, 300]])
    frame = draw_frame(800, 600, positions=places, snr=(200, 201), seed=13)
    found = seen(frame)
    row, distance = paired(frame, found.stars)
    assert (distance < 2.5).all()  # part of their light is outside
    edge = (found.stars["flags"][row] & BIT["edge"]) > 0
    assert edge.tolist() == [True, True, True, True, False]


def test_stars_that_share_light_do_not_vote() -> None:
    across, down = np.meshgrid(np.arange(80.0, 760, 80), np.arange(80.0, 560, 80))
    lone = np.stack([across.ravel(), down.ravel()], 1)
    places = np.concatenate([lone, lone[:20] + np.array([9.0, 1.0])])
    frame = draw_frame(800, 600, positions=places, snr=(150, 300), seed=14)
    found = seen(frame)
    row, distance = paired(frame, found.stars)
    assert (distance < 1).all()
    blended = (found.stars["flags"][row] & BIT["blended"]) > 0
    assert blended[:20].all()
    assert blended[len(lone) :].all()
    assert not blended[20 : len(lone)].any()


@pytest.mark.parametrize("light", [60, 120, 400, 1000])
def test_a_satellite_neither_votes_nor_hides_the_stars(light: int) -> None:
    clean = draw_frame(stars=150, snr=(60, 300), seed=15)
    samples = clean.mosaic.astype(np.int64)
    rng = np.random.default_rng(0)
    # `light` sample units for every quarter pixel of its way, as wide as a star.
    way = np.linspace(0, 1, 16_000)
    x = 100 + 800 * way + rng.normal(0, 1, way.size)
    y = 700 - 600 * way + rng.normal(0, 1, way.size)
    np.add.at(samples, (np.rint(y).astype(int), np.rint(x).astype(int)), light // 4)
    found = measure_stars(plate(samples.clip(0, 16383).astype(np.uint16)))
    _, distance = paired(clean, found.stars)
    assert np.count_nonzero(distance < 1) >= 148  # the others lie under it
    places = np.stack([found.stars["x"], found.stars["y"]], 1)
    alone, _ = cKDTree(np.stack([clean.x, clean.y], 1)).query(places)
    # A faint one breaks into pieces; 3 among 150 stars move no median.
    assert np.count_nonzero((alone > 2) & (found.stars["flags"] == 0)) <= 3
    if light >= 120:  # five times the noise of a sample, and seen as what it is
        assert found.trails >= 1


@pytest.mark.broad
def test_long_trails_all_over_are_stars_not_satellites() -> None:
    frame = draw_frame(stars=60, snr=(150, 400), sway=Sway(60.0, 10.0), seed=16)
    found = seen(frame)
    assert found.trails == 0
    _, length, angle = mean_shape(found.stars)
    # A fitted line comes out 2 % long where its ends reach beyond the stamp.
    assert length == pytest.approx(60.0, rel=0.03)
    assert angle == pytest.approx(10.0, abs=0.2)


@pytest.mark.parametrize("colours", [[[0, 1], [1, 2]], [[1]], XTRANS])
def test_an_empty_sky_holds_no_stars(colours: list[list[int]]) -> None:
    found = measure_stars(blank(np.array(colours, np.uint8)))
    assert len(found.stars) == 0
    assert found.trails == 0
    assert found.hot_pixels == 0
    assert found.crops.shape[0] == 0
    assert found.sky_level == pytest.approx(250.0, abs=0.5)  # 15 over root of 10^5, and a median
    assert found.noise == pytest.approx(15.0, rel=0.02)


@pytest.mark.parametrize("level", [0, 512, 16383])
def test_an_even_picture_without_noise_holds_no_stars(level: int) -> None:
    found = measure_stars(plate(np.full((400, 600), level, np.uint16)))
    assert len(found.stars) == 0
    assert found.sky_level == pytest.approx(level - 512)


def test_a_dark_frame_holds_no_stars_and_no_sky() -> None:
    found = measure_stars(blank(np.array(BAYER["RGGB"], np.uint8), level=512.0, noise=4.0))
    assert len(found.stars) == 0
    assert found.sky_level == pytest.approx(0.0, abs=0.2)


def test_one_star_is_enough_for_a_table() -> None:
    frame = draw_frame(400, 300, positions=np.array([[200.3, 150.6]]), snr=(300, 301), seed=17)
    found = seen(frame)
    assert len(found.stars) == 1
    # S/N 300 on green alone, 0.6 x 2.5 / 212: 0.007 px, times four.
    assert float(found.stars["x"][0]) == pytest.approx(200.3, abs=0.03)
    assert float(found.stars["y"][0]) == pytest.approx(150.6, abs=0.03)


def test_samples_that_are_no_number_do_not_stop_the_measure() -> None:
    frame = draw_frame(stars=80, snr=(60, 300), pattern="", seed=18)
    samples = frame.mosaic.astype(np.float32)
    samples[100:110, 200:220] = np.nan
    colours = np.array([[1]], np.uint8)
    found = measure_stars(Plate(samples, colours, np.full((1, 1), 512, np.float32), np.inf))
    _, distance = paired(frame, found.stars)
    assert np.count_nonzero(distance < 1) >= 78


def test_the_table_is_brightest_first_and_the_same_each_time() -> None:
    frame = draw_frame(stars=100, seed=19)
    first, again = seen(frame), seen(frame)
    assert (np.diff(first.stars["flux"]) <= 0).all()
    assert first.stars.tobytes() == again.stars.tobytes()


def test_a_lens_that_darkens_its_corners_still_shows_its_corner_stars() -> None:
    lens = Lens("Tarnlight", 35.0, 2.0, fwhm_px=2.4, radial_px=2.0, vignetting=0.6)
    frame = draw_frame(1500, 1000, stars=250, snr=(100, 400), lens=lens, seed=20)
    found = seen(frame)
    row, distance = paired(frame, found.stars)
    corner = np.hypot(frame.x - 750, frame.y - 500) > 750
    assert (distance[corner] < 1).mean() > 0.95
    # 2 px across the FWHM, radially, add to the 2.4 px in squares.
    stars = found.stars[row[corner & (distance < 1)]]
    out = np.arctan2(stars["y"] - 500.0, stars["x"] - 750.0)
    quadrupole = (stars["mxx"] - stars["myy"]) * np.cos(2 * out) + 2 * stars["mxy"] * np.sin(
        2 * out
    )
    assert np.median(quadrupole) > 0.4


def test_crops_run_from_the_middle_to_the_corners() -> None:
    frame = draw_frame(1500, 1000, stars=250, snr=(60, 300), seed=21)
    found = seen(frame)
    assert found.crops.shape == (7, 49, 49)
    reach = np.hypot(*(found.crop_xy - [749.5, 499.5]).T)
    assert (np.diff(reach) >= 0).all()
    assert reach[-1] > 600
    peak = found.crops[:, 23:26, 23:26].max(axis=(1, 2))
    assert (peak > 5 * found.noise).all()  # a star stands in the middle of each
    assert np.isfinite(found.crops).all()


def test_flags_are_single_bits_with_words() -> None:
    bits = [flag.bit for flag in FLAGS]
    assert bits == [1 << n for n in range(len(FLAGS))]
    assert all(flag.meaning for flag in FLAGS)


@pytest.mark.parametrize(("pattern", "fwhm"), [("", 1.4), ("", 3.0), ("RGGB", 1.5), ("RGGB", 3.0)])
def test_faint_stars_are_found_at_any_width(pattern: str, fwhm: float) -> None:
    frame = draw_frame(pattern=pattern, stars=400, snr=(10, 60), fwhm_px=fwhm, seed=31)
    found = seen(frame, pattern)
    _, distance = paired(frame, found.stars)
    there = distance < 1.5
    # The threshold is 6 of the smoothed noise in three samples. A matched filter would see a star
    # of S/N s at s; the smoothing, its three samples, the place of a star on its pixels and, on a
    # mosaic, the green half of the light alone (1 / sqrt 2) leave under half of that (derived).
    least = 16.0 if pattern == "" else 24.0
    assert there[frame.snr > least].mean() > 0.97
    tree = cKDTree(np.stack([frame.x, frame.y], 1))
    alone, _ = tree.query(np.stack([found.stars["x"], found.stars["y"]], 1))
    assert np.count_nonzero(alone > 3) <= 1  # and nothing where none was drawn


def test_the_grain_of_a_developed_picture_is_no_star() -> None:
    rng = np.random.default_rng(5)
    grain = gaussian_filter(rng.normal(0, 60, (900, 1200)), 1.2)  # neighbours alike
    samples = (900 + grain).round().astype(np.uint16)
    # 10^6 samples at 6 sigma: one in 500 such pictures shows one (normal tail, closed form).
    assert measure_stars(plate(samples, "")).stars_found == 0


@pytest.mark.parametrize("pattern", ["RGGB", ""])
def test_a_bright_ground_does_not_hide_the_stars_above_it(pattern: str) -> None:
    clean = draw_frame(pattern=pattern, stars=200, snr=(30, 300), seed=32)
    samples = clean.mosaic.astype(np.float64)
    rng = np.random.default_rng(6)
    height, width = samples.shape
    ground = slice(2 * height // 3, None)
    # A lit ground a hundred times as bright as the sky, with structure of all sizes.
    lumps = sum(
        size * gaussian_filter(rng.normal(0, 1, (height, width)), size) for size in (2, 8, 32)
    )
    samples[ground] += (9000 + 4000 * lumps + rng.normal(0, 150, lumps.shape))[ground]
    found = measure_stars(plate(samples.clip(0, 16383).astype(np.uint16), pattern))
    _, distance = paired(clean, found.stars)
    above = clean.y < 0.55 * height  # the sky of a box of 128 px that holds a skyline is not even
    assert (distance[above] < 1).mean() > 0.97


def test_samples_near_the_end_of_single_precision_are_damage() -> None:
    frame = draw_frame(stars=80, snr=(60, 300), pattern="", seed=33)
    samples = frame.mosaic.astype(np.float32)
    samples[::97, ::53] = 1e30
    samples[5, 7] = -3e38
    found = measure_stars(plate(samples, "", np.inf))
    _, distance = paired(frame, found.stars)
    assert np.count_nonzero(distance < 1) >= 75  # some of the damage lies on stars
