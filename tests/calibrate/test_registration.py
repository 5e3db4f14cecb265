"""Frames laid on each other by their own stars, against where the demo's tracker put them."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

import numpy as np
import pytest
from numpy.typing import NDArray

from narrowfield import dots, exposures_of, measured, narrow_night, unsolved
from resolved import one_night
from skyplumb.calibrate.registration import register
from skyplumb.calibrate.similarity import best_similarity
from skyplumb.demo import (
    Body,
    Clock,
    DrawnExposure,
    DrawnRun,
    DrawnSite,
    Gusts,
    Lens,
    Mount,
    Night,
    Sky,
)
from skyplumb.intake.rules import load_rules
from skyplumb.judge.calibrated import Calibrated, calibrate, from_bytes, to_bytes
from skyplumb.judge.drift import displacement_during, drifts
from skyplumb.judge.facts import frame_facts
from skyplumb.judge.mount import MountFit
from skyplumb.judge.runs import Run
from skyplumb.judge.sky_light import SkyLight
from skyplumb.judge.verdict import judge
from skyplumb.measure.all_shots import bare
from skyplumb.measure.flags import BIT
from skyplumb.records import Measure

Floats = NDArray[np.float64]
DRIFTING = Mount(axis_alt_error_arcmin=90.0, axis_az_error_arcmin=-40.0)
WINDY = Mount(gusts=Gusts(8.0, 12.0))


def truly_moved(before: DrawnExposure, after: DrawnExposure) -> Floats:
    """How far the star in the middle of one frame has moved in the other, px, by the demo."""
    star = before.apparent_at(before.optics.centre[None], before.mid_s)
    here, there = (one.path(star, np.array([one.mid_s]))[0, 0] for one in (before, after))
    return np.asarray(there - here)


def moved(measure: Measure, move: Floats, turn_deg: float) -> Measure:
    """The same stars turned about the middle, moved, and measured with an error."""
    middle = np.array([749.5, 499.5])
    turn = np.radians(turn_deg)
    matrix = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    stars = measure.stars.copy()
    place = np.stack([stars["x"], stars["y"]], 1).astype(float)
    there = (place - middle) @ matrix.T + middle + move
    there += np.random.default_rng(5).normal(0, 0.05, there.shape)
    stars["x"], stars["y"] = there.T
    return replace(measure, stars=stars)


@pytest.mark.broad
def test_a_drifting_narrow_field_is_registered_as_far_as_the_tracker_moved() -> None:
    night = narrow_night(DRIFTING)
    exposures, measures = exposures_of(night), measured(night)
    for n in range(len(measures) - 1):
        found = register(measures[n], measures[n + 1])
        assert found is not None
        true = truly_moved(exposures[n], exposures[n + 1])
        # Four errors: one in some thousand frames is further off.
        assert np.hypot(*(found.move_px - true)) < 4 * found.sigma_px
        assert np.hypot(*true) > 5.0
        assert found.sigma_px < 0.05


@pytest.mark.parametrize(("move", "turn_deg"), [((400.0, -220.0), 0.0), ((30.0, 12.0), 2.0)])
def test_far_moves_and_turns_are_found(move: tuple[float, float], turn_deg: float) -> None:
    before = dots(np.random.default_rng(1))
    found = register(before, moved(before, np.array(move), turn_deg))
    assert found is not None
    assert np.allclose(found.move_px, move, atol=0.1)
    assert np.degrees(found.turn_rad) == pytest.approx(turn_deg, abs=0.01)


@pytest.mark.slow
def test_unrelated_fields_never_register() -> None:
    rng = np.random.default_rng(7)
    frames = [dots(rng, int(rng.integers(8, 400))) for _ in range(14)]
    for n, one in enumerate(frames):
        assert [register(one, other) for other in frames[:n]] == [None] * n


def test_hot_pixels_that_stand_still_do_not_hide_a_moving_sky() -> None:
    rng = np.random.default_rng(8)
    sky, hot = dots(rng, 40), dots(rng, 120).stars
    later = moved(sky, np.array([6.0, -3.0]), 0.0)
    with_hot = [replace(one, stars=np.concatenate([hot, one.stars])) for one in (sky, later)]
    found = register(*with_hot)
    assert found is not None
    assert np.allclose(found.move_px, [6.0, -3.0], atol=0.1)


def test_a_sky_that_stands_still_is_registered_with_no_move() -> None:
    before = dots(np.random.default_rng(9))
    found = register(before, moved(before, np.zeros(2), 0.0))
    assert found is not None
    assert np.hypot(*found.move_px) < 0.03


def test_one_list_is_laid_on_another_scaled_turned_and_mirrored() -> None:
    rng = np.random.default_rng(11)
    one = rng.uniform(0, 1000, (30, 2))
    factor = 0.002 * np.exp(2.1j)
    z = one[:, 0] + 1j * one[:, 1]
    w = factor * z.conj() + (0.3 - 0.4j)
    other = np.stack([w.real, w.imag], 1)[rng.permutation(30)]
    found = best_similarity(one, other, 0.002, (0.0014, 0.0026), mirrored=True)
    assert found is not None
    assert found.hits == 30
    assert abs(found.factor - factor) < 1e-8
    too_large = best_similarity(one, other, 0.002, (0.0022, 0.0026), mirrored=True)
    assert too_large is None or too_large.hits < 10


def test_a_jump_between_exposures_is_no_drift() -> None:
    before = dots(np.random.default_rng(12))
    after = moved(before, np.array([40.0, 0.0]), 0.0)
    lights = unsolved([before, after], narrow_night())
    found = drifts([one.pointing for one in lights], [30.0, 94.0], [60.0, 60.0], [before, after])
    assert all(np.isnan(one.length_px) for one in found)


def test_a_push_is_seen_in_frames_that_were_not_solved() -> None:
    # A drift of 0.5 px a frame all along; in the third frame 0.4 of the light comes after a push
    # of 8 px, which stays.
    start = dots(np.random.default_rng(14))
    off = [0.0, 0.0, 0.4 * 8.0, 8.0, 8.0]
    frames = [moved(start, np.array([far, 0.5 * n]), 0.0) for n, far in enumerate(off)]
    lights = unsolved(frames, narrow_night())
    where = [one.pointing for one in lights], [30.0 + 64.0 * n for n in range(5)]
    assert displacement_during(*where, 2) is None
    found = displacement_during(*where, 2, frames)
    assert found is not None
    jump, after = found
    # Centroids are drawn with errors of 0.05 px, for each frame alike: nothing else is left.
    assert jump == pytest.approx([8.0, 0.0], abs=0.05)
    assert after == pytest.approx(0.4, abs=0.01)


def test_what_is_kept_of_unsolved_frames_shows_a_push_as_they_do_themselves() -> None:
    start = dots(np.random.default_rng(14))
    off = [0.0, 0.0, 0.4 * 8.0, 8.0, 8.0]
    frames = [moved(start, np.array([far, 0.5 * n]), 0.0) for n, far in enumerate(off)]
    for number, frame in enumerate(frames):
        frame.stars["flags"][number:40:7] |= BIT["hot"]  # as a dark tells it, not the frame
    frames = [replace(frame, file=f"{number}.fits") for number, frame in enumerate(frames)]
    lights = unsolved(frames, narrow_night())
    done = Calibrated((Run("all", tuple(lights)),), {}, {}, (), SkyLight(), {}, {}, ())
    kept = from_bytes(to_bytes(done), {one.file: bare(one) for one in frames})
    assert kept is not None
    where = [one.pointing for one in lights], [30.0 + 64.0 * n for n in range(5)]
    again = [one.measure for one in kept.runs[0].lights]
    (jump, after), (kept_jump, kept_after) = (
        displacement_during(*where, 2, measures) or ((), 0.0) for measures in (frames, again)
    )
    assert len(jump) and (list(kept_jump), kept_after) == (list(jump), after)


@pytest.mark.slow
def test_drift_is_told_from_shaking_though_the_sky_was_not_solved() -> None:
    told = {}
    for name, mount in (("drift", DRIFTING), ("wind", WINDY)):
        night = narrow_night(mount, frames=8)
        lights = unsolved(measured(night), night)
        (run,) = judge(lights, load_rules(None), {lights[0].notes.setup: MountFit()})
        told[name] = run.frames
    for frame in told["drift"]:
        motion, drift = frame.facts.motion, frame.facts.drift
        assert drift.length_px == pytest.approx(motion.trail_px, rel=0.05)
        assert frame.cause == "unexplained"
        assert "no shaking but axis, drive or slip" in frame.reason
    bad = [frame for frame in told["wind"] if frame.verdict != "keep"]
    assert len(bad) >= 4
    assert {frame.cause for frame in bad} <= {"wind", "knock"}
    assert sum(frame.cause == "wind" for frame in bad) >= len(bad) - 1


@pytest.mark.slow
def test_a_faint_tail_is_claimed_beside_calm_frames_alone() -> None:
    night = narrow_night(Mount(gusts=Gusts(1.0, 25.0)), frames=8, seed=6)
    lights = unsolved(measured(night), night)
    together = frame_facts([Run("all", tuple(lights))])[0]["all"]
    assert any(fact.motion.tail for fact in together)
    for light in lights:
        (alone,) = frame_facts([Run("one", (light,))])[0]["one"]
        assert not alone.motion.tail


@pytest.mark.slow
def test_a_second_at_fifty_millimetres_and_a_quarter_hour_at_four_hundred() -> None:
    body = Body("Vesna", "Tarn", "T1", width_px=3000, height_px=2000, pixel_um=7.8)
    site = DrawnSite(-31.0, 149.0, 1000.0)
    told = {}
    for name, focal_mm, exposure_s, mount in (
        ("short", 50.0, 1.0, Mount()),
        ("long", 400.0, 900.0, Mount()),
        ("long, axis off", 400.0, 900.0, Mount(axis_alt_error_arcmin=8.0)),
    ):
        run = DrawnRun(
            Lens("one", focal_mm, 4.0), datetime(2026, 1, 15, 12), exposure_s, 5,
            ra_deg=90.0, dec_deg=-30.0, gap_s=3.0,
        )  # fmt: skip
        clock = Clock(utc_offset_h=0.0, gps=True)
        night = Night(site, body, mount, (run,), Sky(satellites_per_h=0.0), clock, seed=4)
        # With a place, the long lens needs no patterns of the whole sky.
        hinted = [
            replace(one, info=replace(one.info, ra_hint_deg=90.5, dec_hint_deg=-30.3))
            for one in measured(night)
        ]
        done = calibrate(one_night(hinted), lambda _: None)
        (told[name],) = done.judged(load_rules(None))
    for run in told.values():
        for frame in run.frames:
            pointing = frame.facts.light.pointing
            assert pointing.solved
            assert pointing.ra_deg == pytest.approx(90.0, abs=0.02)
            assert pointing.dec_deg == pytest.approx(-30.0, abs=0.02)
            assert pointing.rms_px < 0.2
    assert {frame.verdict for frame in told["short"].frames} == {"keep"}
    assert {frame.verdict for frame in told["long"].frames} == {"keep"}
    bad = told["long, axis off"].frames
    # 8 arcmin at 15.75 arcsec a minute and degree: 32 arcsec in 900 s at most, 8 px of 4 arcsec.
    assert {frame.verdict for frame in bad} == {"reject"}
    assert {frame.cause for frame in bad} == {"axis"}
