"""Pictures, places and edges turned for viewing, against an imaging library."""

from __future__ import annotations

import numpy as np
import pytest
from PIL import Image, ImageOps

from skyplumb.intake.rules import load_rules
from skyplumb.judge.verdict import _lens_findings
from skyplumb.orientation import edge_seen, picture_seen, places_seen
from skyplumb.output.page.pictures import pictures_of
from skyplumb.records import Measure, ShotInfo
from skyplumb.summary import LensReport

WIDTH, HEIGHT = 7, 5
EDGES = ("left", "right", "upper", "lower")
ALL = range(9)
"""0 is unknown: as recorded."""


def by_pillow(picture: np.ndarray, orientation: int) -> np.ndarray:
    image = Image.fromarray(picture)
    image.getexif()[274] = orientation or 1
    return np.asarray(ImageOps.exif_transpose(image))


@pytest.mark.parametrize("orientation", ALL)
def test_pictures_and_places_are_turned_as_pillow_turns_them(orientation: int) -> None:
    for x, y in ((0, 0), (WIDTH - 1, 0), (2, 3), (5, HEIGHT - 1)):
        picture = np.zeros((HEIGHT, WIDTH), np.uint8)
        picture[y, x] = 200
        seen = by_pillow(picture, orientation)
        np.testing.assert_array_equal(picture_seen(picture, orientation), seen)
        ((row, column),) = np.argwhere(seen)
        place, size = places_seen(np.array([[x, y]], np.float32), (WIDTH, HEIGHT), orientation)
        assert place.tolist() == [[column, row]]
        assert size == seen.shape[::-1]
    assert places_seen(np.zeros((0, 2), np.float32), (WIDTH, HEIGHT), orientation)[0].shape == (
        0,
        2,
    )


@pytest.mark.parametrize("orientation", ALL)
@pytest.mark.parametrize("edge", EDGES)
def test_an_edge_is_the_one_that_pillow_shows(edge: str, orientation: int) -> None:
    def lit(name: str, shape: tuple[int, ...]) -> np.ndarray:
        picture = np.zeros(shape, np.uint8)
        rows = {"upper": slice(0, 1), "lower": slice(-1, None)}.get(name, slice(None))
        columns = {"left": slice(0, 1), "right": slice(-1, None)}.get(name, slice(None))
        picture[rows, columns] = 200
        return picture

    seen = by_pillow(lit(edge, (HEIGHT, WIDTH)), orientation)
    np.testing.assert_array_equal(lit(edge_seen(edge, orientation), seen.shape), seen)


def test_words_about_a_tilted_lens_name_the_edges_that_people_see() -> None:
    # Wider by 2 px at the lower edge of the sensor's own frame.
    tilted = LensReport(tilt_y_fwhm_px=2.0, upper_fwhm_px=2.0, frames=50)
    limits = load_rules(None).limits_for("", 85.0)

    def words(orientation: int) -> str:
        (found,) = _lens_findings(tilted, limits, orientation)
        return found.words

    assert "at the lower edge" in words(0) and "as at the upper one" in words(0)
    assert words(1) == words(0)
    assert "at the upper edge" in words(3) and "as at the lower one" in words(3)
    assert "at the left edge" in words(6) and "as at the right one" in words(6)
    assert "at the right edge" in words(8) and "as at the left one" in words(8)


def test_the_small_picture_and_the_stars_places_in_it_are_turned_for_viewing() -> None:
    thumbnail = np.zeros((40, 60), np.uint8)
    thumbnail[:20, :30] = 255
    measure = Measure(
        "a.dng", "light", "", ShotInfo(orientation=6), 6000, 4000,
        crops=np.ones((1, 9, 9), np.float32), crop_xy=np.array([[0, 0]], np.float32),
        thumbnail=thumbnail,
    )  # fmt: skip

    def looked_at(orientations: dict[str, int] | None) -> tuple[str, np.ndarray]:
        import base64
        import io

        one = pictures_of({"1": ["a.dng"]}, {"a.dng": measure}, {}, orientations)["a.dng"]
        with Image.open(io.BytesIO(base64.b64decode(one.thumbnail))) as image:
            return one.crop_places, np.asarray(image)

    places, seen = looked_at(None)
    assert places == "4000,6000 3999,0"
    assert seen.shape == (60, 40)
    assert seen[10, 30] > 200 > 50 > seen[10, 10]  # the lit quarter is upper right; JPEG rounds
    # What the night made of its neighbours outranks the file.
    places, seen = looked_at({"a.dng": 1})
    assert places == "6000,4000 0,0" and seen.shape == (40, 60)
