"""What of a lens, its name, its shape and its hot pixels is told from where on."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from skyplumb.calibrate.camera import Camera
from skyplumb.calibrate.hot_pixels import mark_hot
from skyplumb.calibrate.lens_psf import (
    LensPsf,
    ShapeStars,
    field_shapes,
    learn_lens,
    lens_doubt_px2,
    lens_report,
    of_one_width,
    powers,
    shape_rows,
    shape_stars,
)
from skyplumb.calibrate.lens_stars import has_one_width, stars_of, stars_of_lens, sure_stars
from skyplumb.calibrate.light import Light, lens_key, light_frames, optics_key
from skyplumb.calibrate.plate_solving import star_tables
from skyplumb.calibrate.pointing import Pointing
from skyplumb.calibrate.told_lens import lens_by_stars, stated_wrongly, times_told
from skyplumb.intake.notes import ShotNotes
from skyplumb.measure.flags import BIT
from skyplumb.night.shot import Session, Shot
from skyplumb.records import NAN, STAR_DTYPE, Measure, ShotInfo

Floats = NDArray[np.float64]
SIZE = (1500, 1000)
HALF = math.hypot(*SIZE) / 2
INFO = ShotInfo(camera="Fen One", serial="F1", lens="Fen 50", focal_mm=50.0, fnumber=2.8,
                pixel_um=5.0, exposure_s=30.0)  # fmt: skip
FWHM = 2 * math.sqrt(2 * math.log(2))


def stars(places: Floats, moment: float = 1.5, snr: float = 50.0) -> NDArray[np.void]:
    table = np.zeros(len(places), STAR_DTYPE)
    table["x"], table["y"] = places.T
    table["mxx"] = table["myy"] = moment
    table["sxx"] = table["syy"] = 0.05
    table["snr"], table["kurt"] = snr, 2.0
    # As many brighter than F as F^-1.2.
    table["flux"] = 1e4 * (np.arange(1, len(places) + 1) / max(len(places), 1)) ** (-1 / 1.2)
    return table


def dots(count: int, seed: int = 1) -> Floats:
    return np.random.default_rng(seed).uniform([10, 10], [SIZE[0] - 10, SIZE[1] - 10], (count, 2))


def light(table: NDArray[np.void], file: str = "a", known: int | None = None, ra_deg: float = 10.0,
          info: ShotInfo = INFO, **how: Any) -> Light:  # fmt: skip
    """A frame whose first `known` stars are the catalogue's; not solved without."""
    pointing = Pointing()
    if known is not None:
        pointing = Pointing(True, camera=Camera(10_000.0, *SIZE), star=np.arange(known),
                            catalogue=np.arange(known), ra_deg=ra_deg, dec_deg=0.0)  # fmt: skip
    measure = Measure(file, "light", "", info, *SIZE, table)
    return Light(measure, ShotNotes(info), None, 0.0, pointing=pointing, **how)


# The time and the name of a frame


def test_the_middle_of_a_frame_and_what_it_tells() -> None:
    one = replace(light(stars(dots(3))), start_utc=datetime(2026, 1, 1), order_s=100.0)
    assert one.mid_utc == datetime(2026, 1, 1) + timedelta(seconds=15) and one.mid_s == 115.0
    assert one.timed and not replace(one, clocked=False).timed
    endless = replace(one, notes=ShotNotes(replace(INFO, exposure_s=NAN)))
    assert not endless.timed and endless.mid_s == 100.0 and endless.mid_utc == one.start_utc
    assert replace(one, start_utc=None).mid_utc is None
    assert one.focal_px == 10_000.0
    assert one.scale_arcsec_px == pytest.approx(20.6264806)
    solved = replace(light(stars(dots(3)), known=2), notes=ShotNotes(replace(INFO, focal_mm=25.0)))
    assert solved.scale_arcsec_px == pytest.approx(20.6264806)
    assert replace(solved, pointing=Pointing()).scale_arcsec_px == pytest.approx(41.2529612)
    assert one.taken_over == () and one.file == "a"


def test_frames_of_one_lens_and_aperture_have_one_key() -> None:
    one = light(stars(dots(3)))
    alike = (replace(INFO, focal_mm=50.04), replace(INFO, camera="other"))
    assert all(lens_key(light(stars(dots(3)), info=info)) == lens_key(one) for info in alike)
    for other in (replace(INFO, focal_mm=50.06), replace(INFO, lens="b"), replace(INFO, serial="2"),
                  replace(INFO, focal_mm=NAN)):  # fmt: skip
        assert lens_key(light(stars(dots(3)), info=other)) != lens_key(one)
    assert lens_key(replace(one, lens_by_stars=1)) != lens_key(one)
    assert lens_key(one) == ("F1", "Fen 50", 50.0, SIZE, 0)
    assert optics_key(one) == (*lens_key(one), 2.8)
    for fnumber, key in ((2.804, 2.8), (2.806, 2.81), (NAN, None)):
        assert optics_key(light(stars(dots(3)), info=replace(INFO, fnumber=fnumber)))[-1] == key
    assert lens_key(light(stars(dots(3)), info=ShotInfo()))[:3] == ("", "", None)


def test_light_frames_are_in_order_and_without_copies_and_what_is_left_out() -> None:
    def shot(file: str, order_s: float, kind: str = "light", **how: Any) -> Shot:
        left_out = how.pop("left_out", "")
        return Shot(Measure(file, kind, ""), ShotNotes(INFO, left_out), order_s=order_s, **how)

    shots = (shot("c", 2.0, clocked=True, clock_step_s=1.0), shot("b", 2.0), shot("a", 3.0),
             shot("d", 1.0, "dark"), shot("e", 0.0, copy_of="a"),
             shot("f", 0.5, left_out="cloud"))  # fmt: skip
    lights, excluded = light_frames(Session("s", shots))
    assert [one.file for one in lights] == ["b", "c", "a"]
    assert excluded == {"f": "cloud"}
    assert lights[1].clocked and lights[1].clock_step_s == 1.0 and lights[1].shot is shots[0]
    assert not lights[0].clocked and lights[0].clock_step_s == 0.0


@pytest.mark.parametrize(
    ("times", "told"), [(1.0, None), (1.09, None), (1.11, 1.11), (0.92, None), (0.9, 0.9)]
)
def test_a_header_is_wrong_from_a_tenth_on(times: float, told: float | None) -> None:
    one = light(stars(dots(3)))
    camera = Camera(times * 10_000.0, *SIZE)
    assert times_told(one, camera) == (None if told is None else pytest.approx(told))
    assert times_told(one, None) is None
    assert times_told(light(stars(dots(3)), info=replace(INFO, focal_mm=NAN)), camera) is None
    lines = stated_wrongly([([one], None), ([one, one], camera)])
    if told is None:
        assert lines == []
    else:
        (line,) = lines
        assert line.startswith("2 frames with 50 mm and pixels of 5 µm in the header (a, a): the")
        assert f"show {20.6264806 / times:.4g} arcsec/px, which is {50 * times:.3g} mm" in line
        assert f"or pixels of {5 / times:.3g} µm" in line


def test_a_lens_is_named_by_its_stars_where_its_header_says_nothing() -> None:
    silent = replace(INFO, focal_mm=NAN, lens="")
    one, camera = light(stars(dots(3)), info=silent), Camera(16_960.0, *SIZE)
    (named,) = lens_by_stars([one], camera, [])
    assert (named.info.focal_mm, named.info.lens) == (85.0, "85 mm (by the stars)")
    (kept,) = lens_by_stars([light(stars(dots(3)), info=replace(silent, lens="Old"))], camera, [])
    assert (kept.info.focal_mm, kept.info.lens) == (85.0, "Old")
    told = light(stars(dots(3)))
    assert lens_by_stars([told], camera, []) == [told]
    assert lens_by_stars([one], None, []) == [one]
    # The pixels of others of its body, the middle one; of no other.
    small = light(stars(dots(3)), info=replace(silent, pixel_um=NAN))
    others = [light(stars(dots(3)), info=replace(INFO, pixel_um=p)) for p in (4.0, 5.0, 9.0)]
    foreign = [light(stars(dots(3)), info=replace(INFO, serial="x", pixel_um=2.0))] * 5
    (named,) = lens_by_stars([small], camera, [*others, *foreign])
    assert (named.info.focal_mm, named.info.pixel_um) == (85.0, 5.0)
    assert lens_by_stars([small], camera, foreign) == [small]
    nobody = light(stars(dots(3)), info=ShotInfo())
    assert lens_by_stars(
        [nobody], camera, [light(stars(dots(3)), info=ShotInfo(pixel_um=4.0))]
    ) == [nobody]


def test_a_table_is_given_once_more_without_what_is_narrow() -> None:
    assert list(star_tables(light(stars(dots(4))).measure)) == []
    plain = light(stars(dots(100))).measure
    assert list(star_tables(plain)) == [plain]
    for narrow, tables in ((29, 1), (31, 2), (95, 2), (96, 1)):
        table = stars(dots(100))
        table["flux"][:50] *= 10
        which = np.arange(100)[::-1][:narrow] if narrow < 90 else np.arange(narrow)
        table["mxx"][which] = table["myy"][which] = 0.45  # under a third of the others
        found = list(star_tables(replace(plain, stars=table)))
        # The ninetieth hundredth of the brightest is a hot pixel's where nearly all are.
        assert len(found) == (1 if narrow >= 95 else tables)
        if len(found) == 2:
            assert len(found[1].stars) == 100 - narrow and (found[1].stars["mxx"] > 1).all()


# The shape of a lens


def frame(count: int, seed: int = 1, trace: float = 3.0, lens: Any = None) -> ShapeStars:
    """Stars whose moments are a polynomial of the place and no noise."""
    place = np.random.default_rng(seed).uniform(-0.7, 0.7, (count, 2))
    moments = np.tile([trace, 0.1, -0.05], (count, 1))
    if lens is not None:
        moments = moments + lens(place)
    return ShapeStars(place, moments, np.full((count, 3), 0.05), np.full(count, 2.0))


def bent(place: Floats) -> Floats:
    x, y = place.T
    return np.stack([0.8 * x * x + 0.5 * y, 0.3 * x * x - 0.3 * y * y, 0.6 * x * y], 1)


@pytest.mark.parametrize(
    ("stars_each", "frames", "order"),
    [(134, 3, 4), (133, 3, 3), (67, 3, 3), (66, 3, 2), (20, 3, 2), (19, 3, 1), (9, 3, 1), (8, 3, 0),
     (12, 2, 0), (29, 2, 0), (30, 2, 2), (400, 1, 4), (7, 9, 0)],
)  # fmt: skip
def test_as_many_powers_as_the_stars_carry(stars_each: int, frames: int, order: int) -> None:
    lens = learn_lens([frame(stars_each, n, lens=bent) for n in range(frames)])
    assert lens.order == order
    if order >= 2:
        grid = np.random.default_rng(9).uniform(-0.6, 0.6, (20, 2))
        assert lens.at(grid) == pytest.approx(bent(grid), abs=1e-6)
    counted = stars_each >= 8
    assert (lens.frames, lens.stars) == ((frames, frames * stars_each) if counted else (0, 0))
    assert lens.at(np.zeros((2, 2))) == pytest.approx(np.zeros((2, 3)))


def test_a_lens_is_learned_from_its_twelve_sharpest_frames() -> None:
    some = [frame(40, n, trace=3.0 + 0.01 * n) for n in range(14)]
    assert learn_lens(some).frames == 12
    # Wider by more than a third and a tenth of a square pixel: 3.0 * 1.35 + 0.1 = 4.15.
    wide = [frame(40, 1), frame(40, 2, 4.14), frame(40, 3, 4.16)]
    assert learn_lens(wide).frames == 2


def test_powers_of_a_place() -> None:
    place = np.array([[2.0, 3.0], [0.5, -1.0]])
    assert powers(place, 1).tolist() == [[2, 3], [0.5, -1]]
    assert powers(place, 3)[0].tolist() == [2, 3, 4, 6, 9, 8, 12, 18, 27]
    assert powers(place, 4).shape == (2, 14) and powers(place, 0).shape == (2, 0)


def test_a_lens_holds_where_five_stars_of_each_frame_stood() -> None:
    places = np.array([[0.5, 0.0]] * 9 + [[-0.5, 0.0]] * 10)
    lens = LensPsf(1, np.zeros((2, 3)), 2, 19, places)
    asked = np.array([[0.5, 0.0], [-0.5, 0.0], [-0.5, 0.34], [-0.5, 0.36], [-0.16, 0.0]])
    assert lens.holds_at(asked).tolist() == [False, True, True, False, True]
    assert not replace(lens, order=0).holds_at(asked).any()


def test_a_lens_is_summed_up_as_it_draws() -> None:
    # Trace grows by 2 a along x and b along y, the stretch with both.
    coefficients = np.array([[0.8, 0.02, 0.0], [0.4, 0.0, 0.0]])
    everywhere = np.random.default_rng(2).uniform(-0.9, 0.9, (4000, 2))
    lens = LensPsf(1, coefficients, 3, 4000, everywhere)
    shape = 2 / 3
    right = 1 / math.hypot(1, shape)
    low = shape * right
    told = lens_report(lens, np.array([0.3, 0.4]), 1.5, shape)
    assert told.left_fwhm_px == pytest.approx(FWHM * math.sqrt(1.5 - 0.4 * right))
    assert told.upper_fwhm_px == pytest.approx(FWHM * math.sqrt(1.5 - 0.2 * low))
    assert told.tilt_x_fwhm_px == pytest.approx(
        FWHM * (math.sqrt(1.5 + 0.4 * right) - math.sqrt(1.5 - 0.4 * right))
    )
    assert told.tilt_y_fwhm_px == pytest.approx(
        FWHM * (math.sqrt(1.5 + 0.2 * low) - math.sqrt(1.5 - 0.2 * low))
    )
    # A trail of L has the stretch L^2 / 12.
    assert told.corner_stretch_px == pytest.approx(math.sqrt(12 * 0.02 * right))
    assert told.centre_stretch_px == pytest.approx(math.sqrt(12 * 0.5))
    assert told.frames == 3
    none = lens_report(LensPsf(0, np.zeros((0, 3)), 0, 0), np.zeros(2), 1.5, shape)
    assert math.isnan(none.corner_stretch_px) and math.isnan(none.centre_stretch_px)
    assert math.isnan(none.left_fwhm_px)
    tiny = lens_report(lens, np.zeros(2), 0.0, shape)
    assert tiny.left_fwhm_px == pytest.approx(FWHM * math.sqrt(0.05))


def test_the_doubt_of_a_lens_is_its_scatter_over_the_inner_stars() -> None:
    coefficients = np.array([[0.0, 0.5, 0.1], [0.0, 0.0, 0.2]])
    lens = LensPsf(1, coefficients, 1, 400, np.zeros((0, 2)))
    one = frame(4000)
    inner = one.place[np.hypot(*one.place.T) < 0.4]
    assert lens_doubt_px2(lens, one) > 0
    doubts = [lens_doubt_px2(lens, one.only(np.hypot(*one.place.T) < r)) for r in (0.2, 0.9)]
    assert doubts[0] < doubts[1] == lens_doubt_px2(lens, one)
    assert math.isinf(lens_doubt_px2(lens, frame(1))) and len(inner) > 2


def test_of_few_stars_those_of_another_width_do_not_count() -> None:
    for count, kept in ((39, 35), (40, 40)):
        one = frame(count)
        one.moments[:4, 0] = 3.0 * np.array([3.1, 3.3, 0.3, 0.32])
        assert len(of_one_width(one).place) == kept
    one = frame(39)
    one.moments[:4, 0] = 3.0 * np.array([2.9, 2.8, 0.35, 0.34])
    assert len(of_one_width(one).place) == 39
    assert len(of_one_width(frame(0)).place) == 0


def test_shapes_count_where_they_are_clear_of_noise_and_unspoiled() -> None:
    table = stars(dots(7))
    table["snr"][0], table["snr"][1] = 12.0, 12.1
    table["flags"][2], table["flags"][3] = BIT["faint"], BIT["faint"] | BIT["blended"]
    table["sxx"][4], table["syy"][4], table["sxy"][4] = 0.3, 0.4, 0.1
    table["mxx"][5], table["myy"][5], table["mxy"][5] = 2.0, 1.0, 0.3
    table["sxx"][6] = table["syy"][6] = 0.001
    table["x"][4], table["y"][4] = SIZE[0] - 1, SIZE[1] - 1
    measure = light(table).measure
    assert shape_rows(measure).tolist() == [1, 2, 4, 5, 6]
    told = shape_stars(measure)
    assert told.place[2] == pytest.approx(np.array([SIZE[0] - 1, SIZE[1] - 1]) / 2 / HALF)
    assert told.errors[2] == pytest.approx([0.5, 0.5, 0.2])
    assert told.moments[3] == pytest.approx([3.0, 1.0, 0.6])
    assert told.errors[4] == pytest.approx([0.02] * 3)
    assert told.kurt.tolist() == [2.0] * 5


def test_shown_stars_cover_the_picture() -> None:
    place = np.random.default_rng(3).uniform(-0.8, 0.8, (3000, 2))
    crowd = ShapeStars(place, np.ones((3000, 3)), np.ones((3000, 3)), np.ones(3000))
    lens = LensPsf(1, np.ones((2, 3)), 1, 9, place)
    shown = field_shapes(crowd, lens)
    assert len(shown.place) == 150
    # Of 15 by 10 cells some 12 by 8 hold stars; each is shown before any is shown twice.
    cells = np.floor((shown.place + 1) / 2 * [15, 10])
    assert np.unique(cells, axis=0, return_counts=True)[1].max() <= 2
    assert shown.moments_without_lens == pytest.approx(
        1 - shown.place.sum(1)[:, None] + np.zeros(3)
    )
    # The brightest of each cell come first.
    first = {
        tuple(cell): n for n, cell in reversed([*enumerate(np.floor((place + 1) / 2 * [15, 10]))])
    }
    assert set(first.values()) <= {
        int(np.flatnonzero((place == one).all(1))[0]) for one in shown.place
    }


# Which points are stars


@pytest.mark.parametrize(("known", "asked"), [(19, False), (20, True)])
def test_twenty_stars_of_the_catalogue_say_how_wide_stars_are(known: int, asked: bool) -> None:
    table = stars(dots(100))
    table["mxx"][90:95] = table["myy"][90:95] = 4.4  # nearly three times
    table["mxx"][95:] = table["myy"][95:] = 4.6
    assert len(stars_of(light(table, known=known)).place) == (95 if asked else 100)
    # What the catalogue holds is a star, however wide.
    table["mxx"][0] = table["myy"][0] = 9.0
    assert len(stars_of(light(table, known=known)).place) == (95 if asked else 100)


def widths(scatter: float, count: int = 400) -> NDArray[np.void]:
    table = stars(dots(count))
    size = 1.5 * np.exp(np.random.default_rng(4).normal(0, scatter, count))
    table["mxx"], table["myy"] = size, size
    return table


def test_points_without_a_width_in_common_are_no_stars() -> None:
    for scatter, one in ((0.72, True), (0.9, False)):  # 0.8, good to 4 % of 400
        table = widths(scatter)
        assert has_one_width(shape_stars(light(table).measure)) == one
        assert len(stars_of(light(table)).place) == (400 if one else 0)
        assert len(stars_of(light(table, known=3)).place) == 400
    assert has_one_width(shape_stars(light(widths(2.0)[:7]).measure))
    assert not has_one_width(shape_stars(light(widths(9.0)[:8]).measure))


@pytest.mark.parametrize(("scatter", "sure"), [(0.3, 1.0), (0.7, 0.0)])
def test_without_a_solution_parts_of_one_width_are_sky(scatter: float, sure: float) -> None:
    one = light(widths(scatter))
    assert sure_stars(one) == pytest.approx(400 * sure)
    assert [len(shapes.place) for shapes in stars_of_lens([one])] == [400 * sure]
    assert sure_stars(light(widths(scatter), known=30)) == 30
    few = light(widths(scatter)[:39])
    assert sure_stars(few) == 0


@pytest.mark.parametrize(("count", "sure"), [(39, 0), (40, 40)])
def test_forty_stars_are_a_sky(count: int, sure: int) -> None:
    middle = np.random.default_rng(7).uniform([510, 340], [990, 660], (count, 2))
    assert sure_stars(light(stars(middle))) == sure


@pytest.mark.parametrize("corner", [4, 5])
@pytest.mark.parametrize("far", [(490, 660), (1010, 340), (510, 670), (990, 330)])
def test_a_ninth_of_the_picture_with_five_stars_is_asked(corner: int, far: tuple[int, int]) -> None:
    # The middle ninth ends at 500 and 1,000, 333.3 and 666.7 px.
    rng = np.random.default_rng(8)
    middle = rng.uniform([510, 340], [990, 660], (96, 2))
    beside = np.array(far) + rng.uniform(-2, 2, (corner, 2))
    found = sure_stars(light(stars(np.concatenate([middle, beside]))))
    assert found == 96 + (corner if corner == 5 else 0)


def test_one_solved_frame_speaks_for_the_lens_alone() -> None:
    for known, each in ((7, [300, 300]), (8, [8, 0])):
        frames = [light(widths(0.2, 300), known=known), light(widths(0.2, 300))]
        assert [len(one.place) for one in stars_of_lens(frames)] == each


@pytest.mark.parametrize(("slope", "sky"), [(0.42, 0), (0.6, 300), (1.7, 300), (2.4, 0)])
def test_stars_outnumber_each_other_as_the_galaxy_has_them(slope: float, sky: int) -> None:
    table = widths(0.2, 300)
    table["flux"] = 1e4 * (np.arange(1, 301) / 300) ** (-1 / slope)
    assert sure_stars(light(table)) == sky


def test_parts_of_the_picture_are_asked_by_themselves() -> None:
    table = widths(0.2, 900)
    left = table["x"] < SIZE[0] / 3
    noise = np.random.default_rng(5).normal(0, 1.2, np.count_nonzero(left))
    table["mxx"][left] = table["myy"][left] = 1.5 * np.exp(noise)
    one = light(table)
    assert sure_stars(one) == np.count_nonzero(~left)
    most = table["x"] < SIZE[0] * 2 / 3
    noise = np.random.default_rng(6).normal(0, 1.2, np.count_nonzero(most))
    table["mxx"][most] = table["myy"][most] = 1.5 * np.exp(noise)
    assert sure_stars(light(table)) == 0  # a third is a part of one width by chance


# Hot pixels


def hot(one: Light) -> list[int]:
    return np.flatnonzero(one.measure.stars["flags"] & BIT["hot"]).tolist()


@pytest.mark.parametrize(("off", "is_hot"), [(0.59, True), (0.61, False)])
def test_a_dark_shines_within_six_tenths_of_a_pixel(off: float, is_hot: bool) -> None:
    table = stars(np.array([[100.0, 100.0], [500.0, 500.0]]))
    shine = np.array([[100.0 + off, 100.0]], np.float32)
    dark = Measure("d", "dark", "", INFO, *SIZE, hot_xy=shine)
    (one,) = mark_hot([light(table)], [dark])
    assert hot(one) == ([0] if is_hot else [])
    (none,) = mark_hot([light(table)], [replace(dark, width_px=1)])
    assert hot(none) == []


@pytest.mark.parametrize(
    ("others", "apart_deg", "off", "is_hot"),
    [(2, 0.05, 0.0, True), (1, 0.05, 0.0, False), (2, 0.027, 0.0, False), (2, 0.03, 0.0, True),
     (2, 0.05, 0.59, True), (2, 0.05, 0.61, False), (30, 0.05, 0.0, True)],
)  # fmt: skip
def test_what_stands_in_two_other_pointings_is_hot(
    others: int, apart_deg: float, off: float, is_hot: bool
) -> None:
    # 5 px of 10,000 to a radian are 0.0286 degrees.
    still = np.array([[700.0, 300.0]])
    lights = []
    for n in range(others + 1):
        moved = still + np.array([off * (n > 0), 0.0])
        table = stars(np.concatenate([dots(30, n), moved]))
        lights.append(light(table, f"{n}", 30, 10.0 + apart_deg * (n > 0)))
    first, *_ = mark_hot(lights, [])
    assert hot(first) == ([30] if is_hot else [])
    # A star of the catalogue is none, nor anything in a frame that was not solved.
    as_star = replace(lights[0], pointing=replace(lights[0].pointing, star=np.arange(31)))
    assert hot(mark_hot([as_star, *lights[1:]], [])[0]) == []
    lost = replace(lights[0], pointing=Pointing())
    assert hot(mark_hot([lost, *lights[1:]], [])[0]) == []


@pytest.mark.parametrize(("second", "is_hot"), [(7, True), (8, False)])
def test_eight_other_pointings_are_asked(second: int, is_hot: bool) -> None:
    still = np.array([[700.0, 300.0]])
    lights = [light(stars(np.concatenate([dots(30, 50), still])), "here", 30)]
    for n in range(9):
        table = stars(np.concatenate([dots(30, n), still if n in (0, second) else still + 9]))
        lights.append(light(table, f"{n}", 30, 11.0))
    assert hot(mark_hot(lights, [])[0]) == ([30] if is_hot else [])


@pytest.mark.parametrize(("known", "share", "is_hot"), [(20, 0.32, True), (20, 0.34, False),
                                                         (19, 0.32, False)])  # fmt: skip
def test_a_point_narrower_than_a_third_of_the_stars_is_hot(
    known: int, share: float, is_hot: bool
) -> None:
    table = stars(dots(40))
    table["mxx"][35] = table["myy"][35] = 1.5 * share
    assert hot(mark_hot([light(table, known=known)], [])[0]) == ([35] if is_hot else [])
