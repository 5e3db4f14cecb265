"""What the trails of single frames say of the mount, where the aim moved between them.

Drawn by `tracker`, which knows none of the axes and signs under test.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest

from skyplumb.calibrate.lens_psf import LensPsf
from skyplumb.calibrate.light import Light, optics_key
from skyplumb.calibrate.sky import Site
from skyplumb.judge.aims import with_moves
from skyplumb.judge.cause import explain
from skyplumb.judge.motion import Motion, Stretch
from skyplumb.judge.mount import MountFit, Trail, fit_mount, motion_terms, time_mean
from skyplumb.judge.scene import Scene, scene_of
from skyplumb.judge.shaped import Shaped
from skyplumb.judge.trail_causes import trail_causes
from skyplumb.output.mount_summary import summary_of_fit
from tracker import NORTHERN, SOUTHERN, Errors, Plan, Tracker, shaken, shoot, trail_moments

NOISE_PX2 = 0.02
ROUND = Stretch(60, np.array([2.0, 0.0, 0.0]), np.full(3, 1e-4), 2.0, np.zeros(2), np.zeros(2))


def fields(site: Site) -> list[Plan]:
    """Single frames of several directions, each with an aim of its own."""
    hand = 1 if site.latitude_deg > 0 else -1
    places = [(-50, 10), (-50, 14), (0, 40), (5, 45), (45, 20), (45, 60), (-20, 65), (30, 5)]
    return [
        Plan(hour, hand * dec, frames=1, exposure_s=240.0, start_s=260.0 * n)
        for n, (hour, dec) in enumerate(places)
    ]


def seen(
    tracker: Tracker, plans: Sequence[Plan], seed: int = 1, dither_arcsec: float = 0.0
) -> tuple[list[Light], dict[str, Trail]]:
    """Frames before each of which the aim was moved, and their trails with an error."""
    rng = np.random.default_rng(seed)
    lights, trails = [], {}
    shot = iter(shoot(tracker, plans, Errors(0.3, 5.0), seed))
    for plan in plans:
        for number in range(plan.frames):
            light = next(shot)
            start = plan.start_s + number * plan.every_s
            xx, yy, xy = trail_moments(tracker, plan, start, plan.start_s)
            both = np.array([xx - yy, 2 * xy]) + rng.normal(0, NOISE_PX2, 2)
            trails[light.file] = Trail(both, NOISE_PX2)
            light = shaken(light, *rng.normal(0, 1, 2) * dither_arcsec)
            lights.append(replace(light, moved=bool(lights)))
    return lights, trails


@pytest.mark.parametrize("site", [NORTHERN, SOUTHERN])
@pytest.mark.parametrize("high, east", [(25.0, -40.0), (-60.0, 30.0), (10.0, 90.0)])
def test_single_frames_of_three_directions_tell_how_far_the_axis_is_off(
    site: Site, high: float, east: float
) -> None:
    lights, trails = seen(Tracker(site, high, east), fields(site))
    fit = fit_mount(lights, 0, trails)
    true = np.hypot(high, east * np.cos(np.radians(site.latitude_deg)))
    # Five parts in a hundred or an arcminute are asked for.
    assert fit.axis_total_error_arcmin == pytest.approx(true, abs=max(1.0, 0.05 * true))
    assert fit.by_trails
    if fit.sign_known:
        assert fit.axis_alt_error_arcmin == pytest.approx(high, abs=3 * fit.axis_sigmas_arcmin[0])
    else:
        # The opposite of all drifts draws the same trails: both answers are said.
        assert np.isnan(fit.axis_alt_error_arcmin)
        words = fit.degenerate_with[0]
        assert "too high" in words
        assert "too low" in words


@pytest.mark.broad
@pytest.mark.parametrize("seed", range(4))
def test_dithers_about_one_target_leave_axis_and_slip_to_be_told(seed: int) -> None:
    plan = Plan(-30, 25, frames=20, exposure_s=240.0, every_s=260.0)
    tracker = Tracker(NORTHERN, 30.0, -40.0)
    fit = fit_mount(*_as_asked(seen(tracker, [plan], seed, dither_arcsec=120.0)))
    low, high = fit.axis_range_arcmin
    told = fit.axis_total_error_arcmin
    true = np.hypot(30.0, 40.0 * np.cos(np.radians(NORTHERN.latitude_deg)))
    if np.isfinite(told):
        assert told == pytest.approx(true, abs=3 * fit.axis_sigmas_arcmin[2])
    else:
        assert low < true < high


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(3))
def test_trails_that_come_and_go_with_a_period_are_the_drives_and_no_wind(seed: int) -> None:
    # At 20.6 arcsec a pixel: an axis that draws 2 px, a swing that draws up to 4 px.
    plan = Plan(-30, 25, frames=24, exposure_s=180.0, every_s=190.0)
    tracker = Tracker(NORTHERN, 30.0, -40.0, periodic_arcsec=60.0, period_s=520.0)
    lights, trails = seen(tracker, [plan], seed, dither_arcsec=120.0)
    fit = fit_mount(lights, 0, trails)
    assert fit.periodic is not None
    assert fit.periodic.amplitude_arcsec == pytest.approx(60.0, rel=0.1)
    assert fit.periodic.period_s == pytest.approx(520.0, rel=0.02)
    for light in lights:
        terms = motion_terms(fit, light)
        assert terms is not None
        path = np.sum(list(terms.values()), axis=0)
        xx, yy, xy = (time_mean(path[:, a] * path[:, b]) for a, b in ((0, 0), (1, 1), (0, 1)))
        assert np.array([xx - yy, 2 * xy]) == pytest.approx(trails[light.file].moments_px2, abs=0.2)


@pytest.mark.broad
@pytest.mark.parametrize("evenly", [False, True])
def test_single_frames_of_all_the_sky_tell_by_which_law_a_head_slips(evenly: bool) -> None:
    tracker = Tracker(
        NORTHERN, slip_arcsec_per_min=60.0, slip_from_s=900.0, slips_evenly=evenly
    )  # fmt: skip
    hours = [-50, 40, -10, 60, 5, -35, 20, -60, 50, 0, -20, 35]
    plans = [
        Plan(hour, 10 + 5 * n, frames=1, exposure_s=240.0, start_s=260.0 * n)
        for n, hour in enumerate(hours)
    ]
    lights, trails = seen(tracker, plans)
    fit = fit_mount(lights, 0, trails)
    (_, best), *_ = fit.candidates
    assert best.slips_evenly == evenly
    level = best.slip_arcsec_per_min / best.slip_sin_zenith
    assert level == pytest.approx(60.0, rel=0.05)
    for light in lights[5:]:
        terms = motion_terms(best, light)
        assert terms is not None
        move = terms["slip"][-1] - terms["slip"][0]
        # All of the trail, within the trails' errors.
        size = np.sqrt(12 * np.hypot(*trails[light.file].moments_px2))
        assert float(np.hypot(*move)) == pytest.approx(size, rel=0.1)


@pytest.mark.slow
def test_trails_tell_a_head_that_slipped_all_along_and_then_faster() -> None:
    tracker = Tracker(
        NORTHERN, slip_arcsec_per_min=60.0, slip_from_s=-900.0, slip_again=(60.0, 2000.0)
    )
    plan = Plan(-30, 25, frames=20, exposure_s=240.0, every_s=260.0)
    lights, trails = seen(tracker, [plan], 1, dither_arcsec=120.0)
    (_, best), *_ = fit_mount(lights, 0, trails).candidates
    # Said as one slip it would need an axis that nobody pointed at the pole.
    assert best.slip_before_arcsec_per_min > 20
    assert best.slip_arcsec_per_min > 20
    assert best.axis_total_error_arcmin < 60


@pytest.mark.slow
def test_trails_show_a_swing_that_takes_nearly_the_whole_night() -> None:
    tracker = Tracker(NORTHERN, periodic_arcsec=60.0, period_s=576.0)
    plan = Plan(6, 26, frames=21, exposure_s=30.0, every_s=34.0)
    lights, trails = seen(tracker, [plan], 2, dither_arcsec=150.0)
    # At 20.6 arcsec a pixel a swing draws 1 px at most.
    for light in lights:
        xx, yy, xy = trail_moments(tracker, plan, light.mid_s - 15.0, 0.0)
        trails[light.file] = Trail(np.array([xx - yy, 2 * xy]), 1e-3)
    fit = fit_mount(lights, 0, trails)
    (_, best), *_ = fit.candidates
    assert best.periodic is not None
    assert best.periodic.period_s == pytest.approx(576.0, rel=0.1)


@pytest.mark.slow
def test_trails_tell_a_slip_beside_a_drive_that_swings() -> None:
    tracker = Tracker(
        NORTHERN, -37.0, 70.0, periodic_arcsec=47.0, period_s=387.0,
        slip_arcsec_per_min=68.0, slip_from_s=1100.0, slips_evenly=True,
    )  # fmt: skip
    plan = Plan(-30, 25, frames=22, exposure_s=60.0, every_s=70.0)
    lights, trails = seen(tracker, [plan], 3, dither_arcsec=120.0)
    fit = fit_mount(lights, 0, trails)
    (_, best), *_ = fit.candidates
    assert best.periodic is not None
    assert best.periodic.period_s == pytest.approx(387.0, rel=0.03)
    assert best.periodic.amplitude_arcsec == pytest.approx(47.0, rel=0.2)
    # The slip alone draws 68 arcsec in a frame, the swing at most 46.
    assert best.slip_arcsec_per_min == pytest.approx(68.0, rel=0.2)
    assert best.slip_onset_s == pytest.approx(1100.0, abs=70)


def test_a_lone_interval_that_looks_untouched_does_not_outweigh_the_trails() -> None:
    plan = Plan(-30, 25, frames=16, exposure_s=240.0, every_s=260.0)
    lights, trails = seen(Tracker(NORTHERN, 60.0, -40.0), [plan], 2, dither_arcsec=120.0)
    # One dither so small that it was not seen to be one.
    lights[9] = replace(lights[9], moved=False)
    lights[9] = replace(lights[9], pointing=shaken(lights[8], 5.0, -6.0).pointing)
    (_, best), *_ = fit_mount(lights, 0, trails).candidates
    assert np.isnan(best.slip_arcsec_per_min)


@pytest.mark.slow
def test_what_no_tracker_can_have_moved_is_told_by_what_each_frame_drew() -> None:
    # A new aim every two frames, and a drive that swings while the head slips: from one pointing to
    # the next that is no axis and no rate, while every frame shows that it was drawn downwards.
    tracker = Tracker(
        NORTHERN, 30.0, -40.0, slip_arcsec_per_min=160.0, slip_from_s=-900.0,
        periodic_arcsec=60.0, period_s=627.0,
    )  # fmt: skip
    shot, trails = seen(tracker, [Plan(30, 25, frames=16, exposure_s=60.0, every_s=64.0)])
    rng = np.random.default_rng(3)
    moves = np.repeat(rng.normal(0, 100.0, (8, 2)), 2, axis=0)
    lights = [
        replace(shaken(light, *move), moved=n > 0 and n % 2 == 0)
        for n, (light, move) in enumerate(zip(shot, moves, strict=True))
    ]
    fit = fit_mount(lights, 0, trails)
    assert "which no tracker has" in fit.why_not
    assert np.isnan(fit.axis_total_error_arcmin)
    (_, likeliest), *_ = fit.models
    assert likeliest.slip_arcsec_per_min > 50
    for light in lights:
        terms = motion_terms(likeliest, light)
        assert terms is not None
        drawn = {cause: float(np.hypot(*(path[-1] - path[0]))) for cause, path in terms.items()}
        assert max(drawn, key=lambda cause: drawn[cause]) == "slip"


def test_even_trails_show_no_period() -> None:
    plan = Plan(-30, 25, frames=24, exposure_s=180.0, every_s=190.0)
    lights, trails = seen(Tracker(NORTHERN, 30.0, -40.0), [plan], 1, dither_arcsec=120.0)
    assert fit_mount(lights, 0, trails).periodic is None


def _as_asked(
    found: tuple[list[Light], dict[str, Trail]],
) -> tuple[list[Light], int, dict[str, Trail]]:
    lights, trails = found
    return lights, 0, trails


@pytest.mark.broad
def test_no_trails_are_no_axis_and_the_range_says_so() -> None:
    lights, trails = seen(
        Tracker(NORTHERN), [Plan(-30, 25, frames=12, exposure_s=240.0, every_s=260.0)], 3, 120.0
    )
    fit = fit_mount(lights, 0, trails)
    assert np.isnan(fit.axis_total_error_arcmin)
    assert fit.axis_range_arcmin[0] < 5
    assert "four frames in a row" in fit.why_not
    told = summary_of_fit(fit)
    assert told.axis_total_high_arcmin == pytest.approx(fit.axis_range_arcmin[1])
    assert np.isnan(told.axis_total_error_arcmin)


@pytest.mark.parametrize("site", [NORTHERN, SOUTHERN])
@pytest.mark.parametrize("seed", range(3))
def test_three_directions_far_apart_tell_an_axis_that_is_far_off(site: Site, seed: int) -> None:
    plans = [fields(site)[n] for n in (0, 4, 6)]
    fit = fit_mount(*_as_asked(seen(Tracker(site, 50.0, -70.0), plans, seed)))
    true = np.hypot(50.0, 70.0 * np.cos(np.radians(site.latitude_deg)))
    assert fit.axis_total_error_arcmin == pytest.approx(true, rel=0.05)
    assert abs(fit.axis_total_error_arcmin - true) < 3 * fit.axis_sigmas_arcmin[2]
    # An axis that is right is never said to be off by so few.
    right = fit_mount(*_as_asked(seen(Tracker(site), plans, seed)))
    assert "needs 4" in right.why_not and not right.models


def test_three_trails_are_too_few() -> None:
    lights, trails = seen(Tracker(NORTHERN, 30.0), fields(NORTHERN)[:3])
    assert "needs 4" in fit_mount(lights, 0, trails).why_not


def of_one_lens(lights: Sequence[Light], stretches: Sequence[Stretch]) -> dict[tuple, Shaped]:
    files = [light.file for light in lights]
    lens = LensPsf(0, np.zeros((0, 3)), 0, 0)
    return {optics_key(lights[0]): Shaped({}, lens, dict(zip(files, stretches, strict=True)), 2.0)}


def stretched(xx: float, yy: float, xy: float) -> Stretch:
    return replace(ROUND, centre=np.array([2.0 + xx + yy, xx - yy, 2 * xy]))


def test_a_step_that_no_star_shows_was_a_hands() -> None:
    tracker = Tracker(NORTHERN, 60.0, 0.0)
    plan = Plan(-30, 25, frames=8, exposure_s=240.0, every_s=260.0)
    lights = shoot(tracker, [plan], Errors(0.3, 5.0), 1)
    drawn = [stretched(*trail_moments(tracker, plan, 260.0 * n, 0.0)) for n in range(8)]
    # The drift itself is shown by every frame, and is none.
    assert not any(one.moved for one in with_moves(lights, of_one_lens(lights, drawn)))
    # 150 arcsec are 7 px, and nobody's trail.
    away = [*lights[:5], *(shaken(one, 0.0, 150.0) for one in lights[5:])]
    moved = with_moves(away, of_one_lens(away, drawn))
    assert [one.moved for one in moved] == [False] * 5 + [True] + [False] * 2


def test_a_gust_that_its_frame_shows_is_no_move_of_the_aim() -> None:
    plan = Plan(-30, 25, frames=8, exposure_s=60.0)
    lights = shoot(Tracker(NORTHERN), [plan], Errors(0.3, 5.0), 1)
    thrown = [shaken(one, 0.0, 60.0 * (n == 4)) for n, one in enumerate(lights)]
    gust = replace(ROUND, centre=np.array([6.0, 4.0, 0.0]))
    drawn = [gust if n == 4 else ROUND for n in range(8)]
    assert not any(one.moved for one in with_moves(thrown, of_one_lens(thrown, drawn)))


def two_models(share: float) -> MountFit:
    """An axis far off, or a slip: each draws what the frame shows."""
    plain = MountFit(
        frames=12, axis_rate=np.array([0.02, 0.0, 0.0]), covariance=np.eye(3) * 1e-8,
        latitude_deg=47.3, misfit=1.0,
    )  # fmt: skip
    slips = replace(
        plain, axis_rate=np.zeros(3), slip_arcsec_per_min=34.0, slip_sigma=1.0,
        slip_sin_zenith=0.7, slip_onset_s=-1e4, slip_from_start=True,
    )  # fmt: skip
    models = ((share, plain), (1 - share, slips))
    return MountFit(frames=12, why_not="either", models=models, latitude_deg=47.3)


def trailed_by(model: MountFit) -> Scene:
    """A frame trailed as a model has it."""
    (light, *_) = shoot(Tracker(NORTHERN), [Plan(-40, 25, frames=4, exposure_s=240.0)])
    terms = motion_terms(model, light)
    assert terms is not None
    path = sum(one[-1] - one[0] for one in terms.values())
    motion = Motion(
        trail_px=float(np.hypot(*path)),
        trail_sigma_px=0.05,
        trail_angle_deg=float(np.degrees(np.arctan2(path[1], path[0]))),
        across_px2=1.5,
        kurt=2.0,
    )
    return scene_of(light, motion, shot_drift(path), 0.0)


def shot_drift(path: np.ndarray) -> object:
    from skyplumb.judge.drift import Drift

    return Drift(float(path[0]), float(path[1]), 0.0, 0.0)


def test_two_models_that_explain_a_frame_as_well_name_no_cause_but_say_both() -> None:
    mount = two_models(0.55)
    scene = trailed_by(mount.models[0][1])
    assert trail_causes(scene, mount, [scene]).leads["axis"] >= 0.55
    told = explain([("trail_px", 3.0)], [scene], 0, mount)
    assert told.cause == "unexplained"
    assert {"axis", "slip"} <= told.shares.keys()
    assert "an axis" in told.words
    assert "or" in told.words
    assert "a slip of 34 arcsec a minute" in told.words
    # Where one of them is far likelier, it is named.
    assert explain([("trail_px", 3.0)], [scene], 0, two_models(0.97)).cause == "axis"


def test_what_shook_one_frame_across_its_drift_is_wind_beside_the_axis() -> None:
    mount = two_models(0.97).models[0][1]
    scene = trailed_by(mount)
    assert trail_causes(scene, mount, [scene]).shares.get("wind", 0.0) < 0.05
    # Of 3 px^2 a gust's core shows a quarter: as wide as a trail of 6 px.
    wide = replace(scene, motion=replace(scene.motion, widened_px2=0.75))
    shares = trail_causes(wide, mount, [wide]).shares
    drawn = scene.motion.trail_px**2 / 12
    assert shares["wind"] == pytest.approx(3.0 / (3.0 + drawn), abs=0.1)


def test_the_frame_in_which_a_head_lets_go_is_the_slips() -> None:
    mount = two_models(0.5).models[1][1]
    scene = trailed_by(mount)
    middle = scene.light.mid_s
    late = replace(mount, slip_onset_s=middle + 30.0, slip_from_start=False)
    # The fit has it begin half a minute too late; what it leaves is the slip's all the same.
    shares = trail_causes(scene, late, [scene]).shares
    assert max(shares, key=lambda cause: shares[cause]) == "slip"


def test_a_slip_that_begins_looks_like_two_rests_close_together() -> None:
    mount = two_models(0.5).models[1][1]
    scene = trailed_by(mount)
    late = replace(mount, slip_onset_s=scene.light.mid_s + 30.0, slip_from_start=False)

    def doubled(sigmas: float, mount: MountFit) -> str:
        apart = sigmas * float(np.sqrt(scene.motion.across_px2))
        twice = replace(scene, motion=replace(scene.motion, doubled_px=apart))
        shares = trail_causes(twice, mount, [twice]).shares
        return max(shares, key=lambda cause: shares[cause])

    assert doubled(2.2, late) == "slip"
    # Two peaks are two rests, and where no slip begins so are closer ones.
    assert doubled(4.0, late) == "knock"
    assert doubled(2.2, mount) == "knock"


def test_width_beside_a_steady_trail_is_the_focus_and_beside_shaking_not_all_of_it() -> None:
    mount = two_models(0.97).models[0][1]
    scene = trailed_by(mount)
    wide = [("fwhm_of_best", 2.0), ("trail_px", 1.3)]
    assert explain(wide, [scene], 0, mount).likeliest == "focus"
    shaken = replace(
        scene,
        motion=replace(scene.motion, trail_angle_deg=scene.motion.trail_angle_deg + 70.0),
        drift=shot_drift(np.zeros(2)),
    )
    assert explain(wide, [shaken], 0, mount).likeliest == "wind"


def test_one_frame_along_the_skys_way_is_never_surely_a_drive_that_stopped() -> None:
    mount = two_models(0.97).models[0][1]
    scene = trailed_by(mount)
    long = 0.3 * scene.sidereal_px
    gust = replace(
        scene, motion=replace(scene.motion, trail_px=long, trail_angle_deg=scene.east_deg)
    )
    told = explain([("trail_px", 4.0)], [gust], 0, mount)
    assert told.likeliest == "untracked"
    assert not told.confidence > 0.85


def test_a_cause_at_a_limit_or_beside_a_poor_fit_is_never_sure() -> None:
    mount = two_models(0.97).models[0][1]
    scene = trailed_by(mount)
    assert explain([("trail_px", 3.0)], [scene], 0, mount).confidence > 0.9
    assert explain([("trail_px", 1.05)], [scene], 0, mount).confidence <= 0.85
    poor = replace(mount, misfit=9.0)
    assert explain([("trail_px", 3.0)], [scene], 0, poor).confidence <= 0.85


def test_a_long_trail_as_the_sky_moves_is_a_drive_that_stopped_and_no_gust() -> None:
    mount = two_models(0.97).models[0][1]
    scene = trailed_by(mount)
    long = 0.3 * scene.sidereal_px
    assert long > 8
    stopped = replace(scene.motion, trail_px=long, trail_angle_deg=scene.east_deg)
    shares = trail_causes(replace(scene, motion=stopped), mount, [scene]).shares
    assert max(shares, key=lambda cause: shares[cause]) == "untracked"
    shaken_away = replace(stopped, trail_angle_deg=scene.east_deg + 40.0)
    shares = trail_causes(replace(scene, motion=shaken_away), mount, [scene]).shares
    assert max(shares, key=lambda cause: shares[cause]) == "wind"
