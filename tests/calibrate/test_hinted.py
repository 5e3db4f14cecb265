"""Narrow fields found near a place that is roughly known, as the demo drew them."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from narrowfield import dots, measured, narrow_night
from resolved import one_night
from skyplumb.calibrate.lens_search import StarField, find_lens
from skyplumb.calibrate.plate_solving import Start, plate_solve
from skyplumb.calibrate.sky import ObservedSky, unit_vectors
from skyplumb.demo import Mount, Night
from skyplumb.intake.notes import load_notes
from skyplumb.judge.calibrated import calibrate
from skyplumb.records import NAN, Measure

PLACE = (84.0, -69.0)


def found_near(
    measure: Measure, night: Night, hint_deg: tuple[float, float], focal_off: float = 1.0
) -> Start | None:
    """What plate solving makes of a frame with a hint and a focal length that is a little off."""
    focal_px = night.runs[0].lens.focal_mm / night.body.pixel_um * 1000
    return plate_solve(measure, focal_off * focal_px, hint_deg=hint_deg)


def off_arcsec(start: Start, place_deg: tuple[float, float]) -> float:
    """From the optical axis to a place."""
    true = unit_vectors(*np.radians(place_deg)[:, None])[0]
    return float(np.degrees(np.linalg.norm(start.attitude[2] - true)) * 3600)


@pytest.mark.parametrize("width_deg", [1.6, 1.1])
def test_a_narrow_field_is_found_near_its_hint(width_deg: float) -> None:
    night = narrow_night(frames=1, width_deg=width_deg)
    (measure,) = measured(night)
    # A degree off on the sky: cos(dec) = 0.36.
    start = found_near(measure, night, (PLACE[0] + 2.0, PLACE[1] + 0.7), 1.04)
    assert start is not None
    # Without refraction's own scale the middle may move by a tenth of a pixel of 3.8 arcsec.
    assert off_arcsec(start, PLACE) < 2.0
    assert start.camera.width_deg == pytest.approx(width_deg, rel=0.003)


def test_a_mirrored_field_of_unknown_focal_length_is_found_too() -> None:
    night = narrow_night(frames=1)
    (measure,) = measured(night)
    stars = measure.stars.copy()
    stars["x"] = measure.width_px - 1 - stars["x"]
    start = plate_solve(replace(measure, stars=stars), 20000.0 * 2.7, hint_deg=PLACE)
    assert start is not None
    assert start.camera.parity == -1
    assert off_arcsec(start, PLACE) < 2.0


@pytest.mark.slow
@pytest.mark.parametrize("hint_deg", [(84.0, -60.0), (270.0, -30.0), (0.0, 89.9)])
def test_a_wrong_hint_gives_no_place(hint_deg: tuple[float, float]) -> None:
    night = narrow_night(frames=1, width_deg=1.1)
    (measure,) = measured(night)
    assert found_near(measure, night, hint_deg) is None


@pytest.mark.slow
def test_dots_are_nowhere_in_the_catalogue() -> None:
    night = narrow_night(frames=1, width_deg=1.1)
    frame = dots(np.random.default_rng(1))
    # The densest part of the southern sky, where chance finds most.
    assert found_near(frame, night, (161.0, -59.9)) is None


@pytest.mark.broad
def test_a_hint_of_half_a_place_is_none() -> None:
    night = narrow_night(frames=1, width_deg=1.1)
    (measure,) = measured(night)
    assert found_near(measure, night, (PLACE[0], NAN)) is None


@pytest.mark.slow
def test_with_a_hint_the_axis_of_a_narrow_field_is_measured(tmp_path: Path) -> None:
    night = narrow_night(
        Mount(axis_alt_error_arcmin=25.0, axis_az_error_arcmin=-40.0), frames=12, exposure_s=90.0
    )
    hinted = [
        replace(one, info=replace(one.info, ra_hint_deg=84.9, dec_hint_deg=-68.6))
        for one in measured(night)
    ]
    done = calibrate(one_night(hinted, load_notes(None, tmp_path)), print)
    assert all(light.pointing.solved for run in done.runs for light in run.lights)
    (mount,) = done.mounts.values()
    # The whole error, 25 arcmin up and 40 cos(31 deg) across; the elevated end is the south's.
    whole = np.degrees(np.hypot(*mount.axis_rate[:2])) * 60
    assert whole == pytest.approx(np.hypot(25.0, 40 * np.cos(np.radians(31.0))), abs=1.0)


@pytest.mark.broad
@pytest.mark.parametrize(
    ("place", "shown"), [((112.45, 2.88), 5), ((79.15, 15.45), 5), ((41.31, 12.31), 4)]
)
def test_a_degree_of_sky_with_four_stars_of_the_catalogue_is_found(
    place: tuple[float, float], shown: int
) -> None:
    night = narrow_night(frames=3, width_deg=1.0, place_deg=place, seed=9)
    measures = measured(night)
    hint = (place[0] + 0.2, place[1] - 0.2)
    start = found_near(measures[0], night, hint, 1.02)
    assert start is not None
    # 0.03 px a star of 2.4 arcsec, and refraction's scale.
    assert off_arcsec(start, place) < 2.0
    told = [
        replace(one, info=replace(one.info, ra_hint_deg=hint[0], dec_hint_deg=hint[1]))
        for one in measures
    ]
    (run,) = calibrate(one_night(told), lambda line: None).runs
    for light in run.lights:
        assert light.pointing.solved and len(light.pointing.star) == shown
        assert light.pointing.dec_deg == pytest.approx(place[1], abs=0.01)


@pytest.mark.slow
def test_few_stars_beside_one_as_bright_that_the_catalogue_lacks_are_chance() -> None:
    night = narrow_night(frames=1, width_deg=1.0, place_deg=(79.15, 15.45), seed=9)
    (measure,) = measured(night)
    assert found_near(measure, night, (79.15, 15.45)) is not None
    stars = measure.stars.copy()
    stars[20] = stars[1]
    stars["x"][20], stars["y"][20] = 700.0, 300.0
    stars = stars[np.argsort(-stars["flux"], kind="stable")]
    assert found_near(replace(measure, stars=stars), night, (79.15, 15.45)) is None
    # And elsewhere nothing is laid on four stars of another field.
    for hint in ((112.45, 2.88), (41.31, 12.31), (200.0, 40.0), (310.0, -20.0)):
        assert found_near(measure, night, hint) is None


@pytest.mark.broad
@pytest.mark.parametrize("place", [(81.7, 11.9), (118.8, -47.7)])
def test_a_narrow_field_without_place_and_scale_is_found(place: tuple[float, float]) -> None:
    night = narrow_night(frames=1, width_deg=1.4, place_deg=place, seed=9)
    (measure,) = measured(night)
    start = plate_solve(measure, NAN)
    assert start is not None
    assert off_arcsec(start, place) < 2.0
    assert start.camera.width_deg == pytest.approx(1.4, rel=0.003)


@pytest.mark.broad
def test_dots_without_place_and_scale_are_nowhere() -> None:
    assert plate_solve(dots(np.random.default_rng(4), 150), NAN) is None


def test_a_wider_field_where_the_catalogue_is_sparse_is_found() -> None:
    place = (20.99, -29.57)
    night = narrow_night(frames=1, width_deg=1.6, place_deg=place, seed=9)
    (measure,) = measured(night)
    start = found_near(measure, night, (place[0] + 0.2, place[1] - 0.2))
    assert start is not None
    assert off_arcsec(start, place) < 2.0


@pytest.mark.broad
def test_a_narrow_frame_without_a_place_is_found_beside_the_one_that_has_it() -> None:
    places = [(81.7, 11.9), (81.9, 12.3), (81.5, 12.2)]
    nights = [narrow_night(frames=1, width_deg=1.0, place_deg=one, seed=9) for one in places]
    measures = [measured(night)[0] for night in nights]
    focal_px = nights[0].runs[0].lens.focal_mm / nights[0].body.pixel_um * 1000
    # By themselves they are lost, but for the one that is told where it is.
    assert plate_solve(measures[1], focal_px) is None
    plain = ObservedSky(None, None)
    told = [StarField(one, plain, hint_deg=(NAN, NAN)) for one in measures]
    told[0] = StarField(measures[0], plain, hint_deg=places[0])
    found = find_lens(told, focal_px)
    for attitude, place in zip(found.attitudes, places, strict=True):
        assert attitude is not None and found.camera is not None
        assert off_arcsec(Start(found.camera, attitude, 0.0), place) < 2.0
