"""What the times between starts say of exposures, and which frames are judged together."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from narrowfield import dots
from skyplumb.calibrate.camera import Camera
from skyplumb.calibrate.light import Light
from skyplumb.calibrate.pointing import Pointing, with_places
from skyplumb.intake.notes import ShotNotes
from skyplumb.judge.runs import exposure_notices, group_runs
from skyplumb.records import Measure, ShotInfo
from tracker import Errors, Plan, Tracker, shoot


def light(start_s: float, exposure_s: float) -> Light:
    info = ShotInfo(camera="Fen One", serial="F1", exposure_s=exposure_s)
    measure = Measure(f"{start_s:g}", "light", "", info)
    return Light(measure, ShotNotes(info), None, start_s, True)


def test_a_missing_exposure_is_bounded_by_the_next_start() -> None:
    told = exposure_notices([light(0, float("nan")), light(64, 60), light(128, 60)])
    assert len(told) == 1
    assert "1 frame without an exposure time" in told[0]
    assert "64 s" in told[0]


def test_exposures_that_round_alike_are_one_run_and_others_are_not() -> None:
    # Four in a hundred, as clocks and shutters round (our choice).
    for other, runs in ((62.4, 1), (62.6, 2), (120.0, 2), (30.0, 2)):
        assert len(group_runs([light(0, 60), light(64, other), light(300, other)])) == runs


def test_a_bulb_frame_takes_the_exposure_of_both_its_neighbours_or_none() -> None:
    unknown = float("nan")
    (run,) = group_runs([light(0, 60), light(64, unknown), light(128, 60)])
    assert len(run.lights) == 3
    # Between a minute and two it may be either, and is a run of its own; after two, at the end of
    # the night, one of them.
    lights = [light(0, 60), light(64, unknown), light(200, 120), light(330, unknown)]
    assert [len(run.lights) for run in group_runs(lights)] == [1, 1, 2]


def test_an_exposure_longer_than_until_the_next_start_cannot_be_true() -> None:
    told = exposure_notices([light(0, 60), light(31, 60), light(95, 60)])
    assert len(told) == 1
    assert "1 frame would have lasted longer" in told[0]


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ({"filter_name": "L"}, {"filter_name": "OIII"}),
        ({"gain": 0.0}, {"gain": 120.0}),
        ({"offset": 10.0}, {"offset": 30.0}),
        ({"binning": 1.0}, {"binning": 2.0}),
        ({"set_temperature_c": -10.0}, {"set_temperature_c": -20.0}),
        ({"iso": 800.0}, {"iso": 1600.0}),
    ],
)
def test_frames_of_two_settings_are_two_runs(one: dict[str, Any], other: dict[str, Any]) -> None:
    lights = [light(70.0 * n, 60) for n in range(8)]
    mixed = [
        replace(frame, notes=ShotNotes(replace(frame.info, **(other if n % 3 else one))))
        for n, frame in enumerate(lights)
    ]
    assert [len(run.lights) for run in group_runs(lights)] == [8]
    assert [len(run.lights) for run in group_runs(mixed)] == [3, 5]


def test_a_run_is_named_by_its_filter_too() -> None:
    named = replace(
        light(0, 60), notes=ShotNotes(ShotInfo(filter_name="O III/3 nm", exposure_s=60))
    )
    assert [run.name for run in group_runs([named])] == ["01-lens-unknown-60s-OIII3nm"]


def test_ordinary_nights_say_nothing() -> None:
    assert exposure_notices([light(64.0 * n, 60) for n in range(5)]) == []


def undated(seed: int, moved_px: float = 0.0, name: str = "a") -> Light:
    """A frame without a clock: stars strewn by lot, moved together."""
    frame = dots(np.random.default_rng(seed), 60)
    stars = frame.stars.copy()
    stars["x"] += moved_px
    frame = replace(frame, file=name, stars=stars)
    return Light(frame, ShotNotes(frame.info), None, float(seed), False)


def test_undated_frames_of_different_fields_are_not_held_against_one_another() -> None:
    frames = [undated(1, name="a"), undated(2, name="b"), undated(3, name="c")]
    assert [len(run.lights) for run in group_runs(frames)] == [1, 1, 1]


def test_undated_frames_of_one_field_are_one_run() -> None:
    frames = [undated(1, 2.5 * n, name=f"{n}") for n in range(4)]
    assert [len(run.lights) for run in group_runs(frames)] == [4]


def test_another_lens_that_looks_the_same_way_is_another_run() -> None:
    frames = []
    for n, focal_px in enumerate((5000.0, 5000.0, 8000.0)):
        pointing = Pointing(
            solved=True, camera=Camera(focal_px, 1500, 1000), ra_deg=80.0, dec_deg=10.0
        )
        frames.append(replace(undated(n, name=f"{n}"), pointing=pointing))
    assert [len(run.lights) for run in group_runs(frames)] == [2, 1]


def all_night(tracker: Tracker, known: bool, re_aimed: float = 0.0) -> list[Light]:
    """Eight hours, a frame every ten minutes; the aim is moved to another field once, or not."""
    first = Plan(hour_deg=-60.0, frames=24, exposure_s=10.0, every_s=600.0)
    second = replace(first, hour_deg=-60.0 + re_aimed, start_s=24 * 600.0)
    lights = shoot(
        tracker, [first, second], Errors(3.0, 6.0), 7, site_known=known, clock_known=known
    )
    out = []
    for one in lights:
        assert one.pointing.sky is not None
        # The stamps tell whole seconds.
        start = float(np.floor(one.order_s + 0.4))
        pointing = with_places(one.pointing, one.pointing.sky)
        out.append(replace(one, pointing=pointing, order_s=start, clock_step_s=1.0))
    return out


@pytest.mark.parametrize("known", [True, False])
def test_a_camera_at_rest_all_night_is_one_run(known: bool) -> None:
    lights = all_night(Tracker(too_fast=-1.0), known)
    # In eight hours the sky of 15 degrees' width turned by 120 degrees.
    assert np.ptp([one.pointing.ra_deg for one in lights if one.pointing.ra_deg < 300]) > 60
    (run,) = group_runs(lights)
    assert len(run.lights) == 48


@pytest.mark.parametrize("known", [True, False])
def test_another_aim_of_a_camera_at_rest_is_another_run(known: bool) -> None:
    lights = all_night(Tracker(too_fast=-1.0), known, re_aimed=40.0)
    assert [len(run.lights) for run in group_runs(lights)] == [24, 24]


def test_a_tracked_target_aimed_anew_is_no_camera_at_rest() -> None:
    # The second target stands where the first one stood, four hours later.
    lights = all_night(Tracker(), True)
    assert [len(run.lights) for run in group_runs(lights)] == [24, 24]
