"""What the pattern solver is asked for a picture, and in which order, by a stand-in that finds
nothing; and when the stars of a fit are settled. Real skies are in `test_saved_skies.py`."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from skyplumb.calibrate import patterns, plate_solving
from skyplumb.calibrate.camera import FISHEYE, Camera
from skyplumb.calibrate.plate_solving import plate_solve
from skyplumb.records import NAN, STAR_DTYPE, Measure

Floats = NDArray[np.float64]
SIZE = (3000, 2000)
MIDDLE = np.array([1499.5, 999.5])
DIAGONAL = math.hypot(*SIZE)
FISH = (0.0, 0.0, 0.0, 0.0)


def picture(places: Floats) -> Measure:
    stars = np.zeros(len(places), STAR_DTYPE)
    stars["x"], stars["y"] = places.T
    stars["flux"] = np.linspace(9e3, 1e3, len(places))
    stars["mxx"] = stars["myy"] = 1.5
    return Measure("a", "light", "", width_px=SIZE[0], height_px=SIZE[1], stars=stars)


def dots(count: int) -> Floats:
    return np.random.default_rng(1).uniform([0, 0], [2999, 1999], (count, 2))


@dataclass
class Database:
    """Finds nothing, and keeps what it was asked."""

    asked: list[dict[str, Any]] = field(default_factory=list)
    tiers: list[str] = field(default_factory=list)

    def solve_from_centroids(self, centroids: Floats, **words: Any) -> None:
        self.asked.append(words | {"centroids": centroids})


@pytest.fixture
def database(monkeypatch: pytest.MonkeyPatch) -> Database:
    found = Database()

    def of(tier: patterns.Tier, _: object) -> Database:
        found.tiers.append(tier.name)
        return found

    monkeypatch.setattr(patterns, "database", of)
    return found


def focal_of(width_deg: float) -> float:
    return SIZE[0] / 2 / math.tan(math.radians(width_deg / 2))


def test_a_picture_of_a_known_width_is_asked_for_as_it_is(database: Database) -> None:
    places = dots(200)
    assert plate_solve(picture(places), focal_of(9.0)) is None
    (asked,) = database.asked
    assert database.tiers == ["middle"]
    assert asked["fov_estimate_deg"] == pytest.approx(9.0)
    assert asked["fov_max_error_deg"] == pytest.approx(2.7)  # a prior good to 30 %
    assert (asked["image_width"], asked["image_height"]) == SIZE
    assert asked["max_patterns_checked"] == 200_000 and asked["solve_timeout_ms"] is None
    # The 150 brightest, from the middle.
    assert asked["centroids"] == pytest.approx(
        np.column_stack([places - MIDDLE, np.linspace(9e3, 1e3, 200)])[:150], abs=1e-3
    )


def test_of_a_known_lens_the_scale_is_known_to_three_hundredths(database: Database) -> None:
    plate_solve(picture(dots(20)), NAN, known=Camera(focal_of(20.0), *SIZE, -1))
    assert database.asked[0]["fov_estimate_deg"] == pytest.approx(20.0)
    assert database.asked[0]["fov_max_error_deg"] == pytest.approx(0.6)


@pytest.mark.parametrize(("diagonal_deg", "laws"), [(49.9, 1), (50.1, 2)])
def test_a_wide_picture_is_asked_for_as_a_fisheye_too(
    database: Database, diagonal_deg: float, laws: int
) -> None:
    plate_solve(picture(dots(60)), DIAGONAL / math.radians(diagonal_deg))
    assert len(database.asked) == laws
    if laws == 2:  # 50 degrees of its middle
        assert database.asked[1]["fov_estimate_deg"] == pytest.approx(50.0)
        assert database.asked[1]["fov_max_error_deg"] == pytest.approx(15.0)


def test_a_wider_one_is_asked_for_by_its_middle(database: Database) -> None:
    places, focal = dots(300), focal_of(100.0)
    plate_solve(picture(places), focal)
    pinhole, fish = database.asked
    half = focal * math.tan(math.radians(21.0))  # 42 degrees of it
    assert pinhole["fov_estimate_deg"] == pytest.approx(42.0)
    assert pinhole["fov_max_error_deg"] == pytest.approx(12.6)
    assert (pinhole["image_width"], pinhole["image_height"]) == (int(2 * half), int(4 * half / 3))
    off = places - MIDDLE
    inside = (np.abs(off) <= half * np.array([1.0, 2 / 3])).all(1)
    assert pinhole["centroids"][:, :2] == pytest.approx(off[inside][:150], abs=1e-3)
    # A fisheye's is drawn anew as a pinhole would: from r = f t to f tan t.
    far = np.hypot(*off.T)
    flat = off * (np.tan(np.minimum(far / focal, 1.4)) / (far / focal))[:, None]
    half = focal * math.tan(math.radians(25.0))
    near = (np.abs(flat) <= half).all(1) & (far / focal < 1.4)
    assert fish["centroids"][:, :2] == pytest.approx(flat[near][:150], abs=1e-2)
    assert fish["image_width"] == fish["image_height"] == int(2 * half)
    assert database.tiers == ["wide", "wide"]


def test_behind_a_fisheye_nothing_is_asked_for(database: Database) -> None:
    # Stars 80 to 100 degrees off the axis, at a focal length of 500 px.
    turn = np.linspace(0, 2 * np.pi, 40)
    far = 500 * np.radians(np.linspace(80, 100, 40))
    ring = MIDDLE + np.stack([far * np.cos(turn), far * np.sin(turn)], 1)
    plate_solve(picture(ring), NAN, known=Camera(500.0, *SIZE, radial=FISH, projection=FISHEYE))
    # By the known lens nothing is asked, by a sweep it is.
    shares = [one["fov_max_error_deg"] / one["fov_estimate_deg"] for one in database.asked]
    assert shares and min(shares) >= 0.2 - 1e-9


@pytest.mark.parametrize(("count", "asked"), [(4, 0), (5, 1)])
def test_five_stars_make_patterns(database: Database, count: int, asked: int) -> None:
    plate_solve(picture(dots(count)), focal_of(9.0))
    assert len(database.asked) == asked


@pytest.mark.parametrize(("width_deg", "asked"), [(0.84, 0), (0.86, 1)])
def test_a_field_too_narrow_for_patterns_is_not_asked_for(
    database: Database, width_deg: float, asked: int
) -> None:
    plate_solve(picture(dots(20)), focal_of(width_deg))
    assert len(database.asked) == asked


def test_a_picture_of_unknown_scale_is_swept_first_by_few_patterns(database: Database) -> None:
    plate_solve(picture(dots(3000)), NAN)
    assert len(database.asked) == 24
    limits = [one["max_patterns_checked"] for one in database.asked]
    assert limits == [20_000] * 12 + [100_000] * 12
    first, second = database.asked[:12], database.asked[12:]
    assert [one["fov_estimate_deg"] for one in first] == [one["fov_estimate_deg"] for one in second]
    # Seven widths; those over 42 degrees are asked for by that much of their middle.
    widths = [one["fov_estimate_deg"] for one in first[:7]]
    assert widths == pytest.approx([28, 42, 13, 42, 6.5, 3, 1.25])
    shares = [one["fov_max_error_deg"] / one["fov_estimate_deg"] for one in first]
    assert shares == pytest.approx([0.5, 0.5, 0.5, 0.3, 0.5, 0.5, 0.35, *[0.2] * 5])
    # From 0.8 to 42 degrees nothing is left out.
    reach = sorted((w * (1 - s), w * (1 + s)) for w, s in zip(widths, shares, strict=False))
    assert reach[0][0] < 0.82 and reach[-1][1] > 42
    assert all(low < up for (low, _), (_, up) in zip(reach[1:], reach, strict=False))
    # Fisheyes of 360, 270, 200, 150 and 100 degrees along the diagonal: 50 degrees of each, which
    # are as wide in pixels as the focal length is long.
    focals = [DIAGONAL / math.radians(angle) for angle in (360, 270, 200, 150, 100)]
    assert [one["image_width"] for one in first[7:]] == [
        int(2 * focal * math.tan(math.radians(25))) for focal in focals
    ]
    ratio = [a / b for a, b in zip(focals[1:], focals, strict=False)]
    assert max(ratio) <= 1.2 / 0.8 + 1e-9  # each reaches the next


def test_near_a_hint_scales_are_tried_from_what_is_known(
    monkeypatch: pytest.MonkeyPatch, database: Database
) -> None:
    tried: list[tuple[float, tuple[float, float], tuple[int, ...]]] = []

    def near(measure: object, camera: Camera, hint: object, scales: Any, parities: Any) -> Any:
        assert hint == (10.0, 20.0)
        tried.append((camera.width_deg, scales, parities))
        return iter(())

    monkeypatch.setattr(plate_solving, "places_near", near)
    ask: Callable[..., None] = lambda *words: plate_solve(picture(dots(3000)), *words)  # noqa: E731
    hint = (10.0, 20.0)
    ask(focal_of(3.0), None, None, hint)
    assert tried == [
        (pytest.approx(3.0), (0.95, 1.05), (1, -1)), (pytest.approx(3.0), (0.75, 1.35), (1, -1)),
    ]  # fmt: skip
    assert len(database.asked) == 1  # the hint first, and the sky where that fails
    tried.clear()
    ask(NAN, None, Camera(focal_of(3.0), *SIZE, -1), hint)
    assert tried == [(pytest.approx(3.0), (0.99, 1.01), (-1,))]
    tried.clear()
    database.asked.clear()
    ask(NAN, None, None, hint)
    assert [one[0] for one in tried] == pytest.approx([1.0, 2.0, 0.5, 4.0])
    assert {one[1:] for one in tried} == {((0.7, 1.43), (1, -1))}
    assert len(database.asked) == 24  # the sky first
    tried.clear()
    ask(NAN, None, None, (NAN, 20.0))
    assert tried == []


@pytest.mark.parametrize(("width_deg", "before"), [(3.99, True), (4.01, False)])
def test_a_narrow_field_is_sought_near_its_hint_before_the_sky(
    monkeypatch: pytest.MonkeyPatch, database: Database, width_deg: float, before: bool
) -> None:
    asked: list[int] = []
    monkeypatch.setattr(
        plate_solving, "places_near", lambda *_: asked.append(len(database.asked)) or iter(())
    )
    plate_solve(picture(dots(20)), focal_of(width_deg), None, None, (10.0, 20.0))
    assert asked == ([0, 0] if before else [1, 1])
