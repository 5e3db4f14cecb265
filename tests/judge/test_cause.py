"""Causes of single frames, from trails and image drift of a tracker made of plain rotations."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from skyplumb.calibrate.light import Light
from skyplumb.causes import CAUSES, cause_of
from skyplumb.judge.cause import Explanation, evidence_of, explain
from skyplumb.judge.confidence import confidence
from skyplumb.judge.drift import Drift, onset_within
from skyplumb.judge.motion import Motion
from skyplumb.judge.mount import MountFit, fit_mount
from skyplumb.judge.scene import Scene, scene_of
from skyplumb.judge.trail_causes import trail_causes
from skyplumb.records import STAR_DTYPE
from tracker import (
    NORTHERN,
    SOUTHERN,
    Errors,
    Plan,
    Tracker,
    line_moments,
    motion_from,
    scenes_of,
    shoot,
    unknown,
)

Floats = NDArray[np.float64]

USUAL = Errors(0.5, 6.0)
LONG = Plan(hour_deg=-20.0, dec_deg=25.0, frames=16, exposure_s=100.0)
"""Frames in which a pixel is 12 arcsec a minute."""
SOUTH = replace(LONG, dec_deg=-25.0)
TRAILED = [("trail_px", 2.0)]


def why(
    tracker: Tracker,
    plan: Plan = LONG,
    shaking: Floats | None = None,
    seed: int = 1,
    findings: Sequence[tuple[str, float]] = TRAILED,
) -> list[Explanation]:
    """Explanations of all frames of a run, by the mount that is fitted to it."""
    lights = shoot(tracker, [plan], USUAL, seed)
    fit = fit_mount(lights)
    scenes = scenes_of(tracker, plan, lights, shaking)
    return [explain(findings, scenes, number, fit) for number in range(len(scenes))]


def named(explanations: Sequence[Explanation], cause: str) -> float:
    """Share of frames with this cause; each frame's shares must add up."""
    for one in explanations:
        # Rounding alone.
        assert sum(one.shares.values()) == pytest.approx(1, abs=1e-9)
        assert all(share >= 0 for share in one.shares.values())
        assert one.cause == max(one.shares, key=lambda name: one.shares[name])
        if one.trail_shares:
            assert sum(one.trail_shares.values()) == pytest.approx(1, abs=1e-9)
    return float(np.mean([one.cause == cause for one in explanations]))


def gusts(count: int, length_px: float, seed: int = 5) -> Floats:
    """Shaking in a direction of its own for each frame."""
    rng = np.random.default_rng(seed)
    return np.array([line_moments(length_px, angle) for angle in rng.uniform(0, 180, count)])


# ----------------------------------------------------------- each cause by itself


@pytest.mark.parametrize(
    ("cause", "tracker", "plan"),
    [
        ("axis", Tracker(NORTHERN, 90.0, -120.0), LONG),
        ("axis", Tracker(SOUTHERN, -90.0, 120.0), SOUTH),
        ("axis", Tracker(NORTHERN, 0.0, 150.0), LONG),
        ("drive", Tracker(NORTHERN, too_fast=-0.0237), LONG),
        ("drive", Tracker(SOUTHERN, too_fast=0.03), SOUTH),
        ("slip", Tracker(NORTHERN, slip_arcsec_per_min=60.0, slip_from_s=300.0), LONG),
        ("slip", Tracker(SOUTHERN, slip_arcsec_per_min=60.0, slip_from_s=300.0), SOUTH),
        ("untracked", Tracker(NORTHERN, too_fast=-1.0), LONG),
        ("untracked", Tracker(SOUTHERN, too_fast=-1.0), SOUTH),
    ],
)
def test_each_fault_of_the_mount_is_the_cause_of_its_trails(
    cause: str, tracker: Tracker, plan: Plan
) -> None:
    explanations = why(tracker, plan)
    if cause == "slip":
        explanations = explanations[4:]  # after the onset
    assert named(explanations, cause) == 1.0
    # Nothing else is at work but refraction, a tenth of a pixel here.
    assert min(one.shares[cause] for one in explanations) > 0.9


def test_a_periodic_error_is_the_drives() -> None:
    tracker = Tracker(periodic_arcsec=60.0, period_s=600.0)
    explanations = why(tracker)
    lights = shoot(tracker, [LONG], USUAL, 1)
    trails = [scene.motion.trail_px for scene in scenes_of(tracker, LONG, lights)]
    # At the turning points there is little trail to explain.
    clear = [one for one, px in zip(explanations, trails, strict=True) if px > 1.5]
    assert len(clear) >= 8
    assert named(clear, "drive") == 1.0


def test_shaking_without_an_image_drift_is_wind() -> None:
    explanations = why(Tracker(), LONG, gusts(16, 3.0))
    assert named(explanations, "wind") == 1.0
    assert min(one.trail_shares["wind"] for one in explanations) > 0.9


def test_stars_that_stand_twice_are_a_knock() -> None:
    lights = shoot(Tracker(), [LONG], USUAL, 1)
    scenes = scenes_of(Tracker(), LONG, lights)
    hit = replace(scenes[5].motion, doubled_px=6.0, doubled_angle_deg=20.0)
    scenes[5] = replace(scenes[5], motion=hit)
    found = explain([("doubled_px", 3.0)], scenes, 5, fit_mount(lights))
    assert found.cause == "knock" and found.shares == {"knock": 1.0}


def test_refraction_low_in_the_sky_is_told_from_the_axis() -> None:
    # 11 degrees high, 5 min: some 3 arcsec/min at a tenth of the usual scale.
    close = replace(LONG.camera, focal_px=80000.0)
    plan = replace(
        LONG, hour_deg=72.0, dec_deg=3.0, exposure_s=200.0, every_s=205.0, frames=8, camera=close
    )
    lights = shoot(Tracker(), [plan], Errors(0.1, 3.0), 1)
    scenes = scenes_of(Tracker(), plan, lights)
    # The tracker follows the true sky and draws no trail; what the picture shows is the drift.
    scenes = [
        replace(s, motion=motion_from(line_moments(s.drift.length_px, s.drift.angle_deg)))
        for s in scenes
    ]
    assert min(s.motion.trail_px for s in scenes) > 1.5
    fit = fit_mount(lights)
    found = [explain(TRAILED, scenes, n, fit) for n in range(len(scenes))]
    assert named(found, "refraction") == 1.0


# -------------------------------------------------------------- the camera stood still


def test_a_lone_frame_of_a_standing_camera_is_known_by_its_length() -> None:
    plan = replace(LONG, frames=1)
    tracker = Tracker(too_fast=-1.0)
    lights = shoot(tracker, [plan], USUAL, 1)
    scene = scenes_of(tracker, plan, lights)[0]
    assert np.isnan(scene.drift.length_px)
    # 15.041 cos(dec) arcsec/s at 20.6 arcsec a pixel.
    want = 15.041 * 100 * np.cos(np.radians(25.0)) / 20.6265
    # The witness draws 41 points, which spread less than a line by (1 - 1 / 41^2)^0.5.
    assert scene.motion.trail_px == pytest.approx(want, rel=4e-4)
    # Refraction and the drift of the middle over half an exposure: a thousandth.
    assert scene.sidereal_px == pytest.approx(want, rel=2e-3)
    found = explain(TRAILED, [scene], 0, fit_mount(lights))
    assert found.shares == {"untracked": 1.0}
    # As long, across the way of the stars: something else.
    turned = replace(scene.motion, trail_angle_deg=scene.motion.trail_angle_deg + 40)
    across = explain(TRAILED, [replace(scene, motion=turned)], 0, fit_mount(lights))
    assert "untracked" not in across.shares
    # Half as long: a drive at half speed, not a standing camera.
    half = replace(scene.motion, trail_px=scene.motion.trail_px / 2)
    found = explain(TRAILED, [replace(scene, motion=half)], 0, fit_mount(lights))
    assert "untracked" not in found.shares


def test_pieces_of_trails_do_not_tell_a_standing_camera() -> None:
    plan = replace(LONG, frames=1)
    lights = shoot(Tracker(too_fast=-1.0), [plan], USUAL, 1)
    scene = scenes_of(Tracker(too_fast=-1.0), plan, lights)[0]
    length = scene.motion.trail_px
    broken = replace(scene.motion, trail_sigma_px=length, in_pieces=True)
    found = explain(TRAILED, [replace(scene, motion=broken)], 0, fit_mount(lights))
    assert found.shares == {"unexplained": 1.0}
    assert "a frame of a few seconds" in found.words
    # Where the frames beside it show how far the sky moved it does not need its trails.
    east = np.radians(scene.east_deg)
    moved = Drift(length * np.cos(east), length * np.sin(east), 0.0, 0.1, noise_px=0.1)
    found = explain(TRAILED, [replace(scene, motion=broken, drift=moved)], 0, fit_mount(lights))
    assert found.shares == {"untracked": 1.0}


def test_a_short_trail_of_a_standing_camera_is_known_within_what_its_lens_may_add() -> None:
    tracker = Tracker(too_fast=-1.0)
    for exposure_s, adds in ((3.5, True), (100.0, False)):
        plan = replace(LONG, frames=1, exposure_s=exposure_s)
        lights = shoot(tracker, [plan], USUAL, 1)
        scene = scenes_of(tracker, plan, lights)[0]
        # 2.3 px and 66 px. A lens that draws 0.1 px^2 more along the trail or at 45 degrees to it
        # makes 2.3 px 2.55 or turns them by 6 degrees, and does nothing that shows to 66 px.
        for off in ({"trail_px": 1.11}, {"trail_px": 0.88}, {"trail_angle_deg": 12.0}):
            ((name, by),) = off.items()
            there = getattr(scene.motion, name)
            there = there + by if name == "trail_angle_deg" else there * by
            motion = replace(scene.motion, **{name: there})
            found = explain(TRAILED, [replace(scene, motion=motion)], 0, fit_mount(lights))
            assert ("untracked" in found.shares) is adds
        for name, there in (
            ("trail_px", scene.motion.trail_px * 0.6),
            ("trail_angle_deg", scene.motion.trail_angle_deg + 30),
        ):
            motion = replace(scene.motion, **{name: there})
            found = explain(TRAILED, [replace(scene, motion=motion)], 0, fit_mount(lights))
            assert "untracked" not in found.shares


def test_a_drift_of_the_whole_sky_is_a_standing_camera_even_where_few_stars_are_measured() -> None:
    tracker = Tracker(too_fast=-1.0)
    lights = shoot(tracker, [LONG], USUAL, 1)
    scenes = scenes_of(tracker, LONG, lights)
    found = explain([("min_stars", 5.0)], scenes, 4, fit_mount(lights))
    assert found.cause == "untracked"


# ------------------------------------------------------------------- not known


def test_a_trail_without_pointings_is_unexplained() -> None:
    lights = [unknown(one) for one in shoot(Tracker(), [LONG], USUAL, 1)]
    motion = motion_from(line_moments(3.0, 30.0))
    scenes = [scene_of(one, motion, Drift(), 0.0) for one in lights]
    found = explain(TRAILED, scenes, 3, fit_mount(lights))
    assert found.shares == {"unexplained": 1.0}
    assert "right before or after" in found.words


def test_a_frame_without_a_measurable_trail_and_one_without_findings_are_unexplained() -> None:
    lights = shoot(Tracker(), [LONG], USUAL, 1)
    scenes = [scene_of(one, Motion(), Drift(), 0.0) for one in lights]
    assert explain([("ellipticity", 2.0)], scenes, 3, MountFit()).cause == "unexplained"
    assert explain([], scenes, 3, MountFit()).cause == "unexplained"


@pytest.mark.parametrize(
    ("tracker", "cause"),
    [
        (Tracker(too_fast=0.03), "drive"),
        (Tracker(slip_arcsec_per_min=60.0, slip_from_s=-60.0), "slip"),
    ],
)
def test_three_frames_without_a_fit_name_no_fault_that_an_axis_may_look_like(
    tracker: Tracker, cause: str
) -> None:
    # In the west, where right ascension and gravity lie 45 degrees apart.
    plan = replace(LONG, frames=3, hour_deg=45.0)
    lights = shoot(tracker, [plan], USUAL, 1)
    fit = fit_mount(lights)
    assert fit.why_not
    scenes = scenes_of(tracker, plan, lights)
    for n in range(3):
        told = explain(TRAILED, scenes, n, fit)
        assert (told.cause, told.likeliest) == ("unexplained", cause)
        assert {cause, "axis"} <= told.shares.keys()
        assert "a drift of" in told.words
        assert "4 frames of one aim in a row are needed" in told.words


def test_a_slip_that_may_be_an_axis_and_a_drive_names_neither() -> None:
    tracker = Tracker(slip_arcsec_per_min=60.0, slip_from_s=-60.0)
    plan = replace(LONG, hour_deg=45.0)
    lights = shoot(tracker, [plan], USUAL, 1, site_known=False)
    fit = fit_mount(lights)
    found = explain(TRAILED, scenes_of(tracker, plan, lights), 4, fit)
    assert found.cause == "unexplained"
    assert "or a slip of some" in found.words and "would tell" in found.words


def test_a_likeness_of_faults_is_said_where_they_matter() -> None:
    tracker = Tracker(flexure_arcsec=8000.0)
    lights = shoot(tracker, [LONG], USUAL, 1)
    fit = fit_mount(lights)
    scenes = scenes_of(tracker, LONG, lights)
    found = explain(TRAILED, scenes, 4, fit)
    # 2.2 degrees of flexure on one short target reads as a fast drive: it cannot be told.
    assert found.cause in ("drive", "axis")
    assert "head that bends" in found.words
    shaken = replace(scenes[4], motion=motion_from(line_moments(40.0, 77.0)))
    scenes[4] = shaken
    assert trail_causes(shaken, fit, scenes).words == ""  # wind, whatever the drive does


# ------------------------------------------------------------------- two at a time


@pytest.mark.parametrize(
    ("gust_px", "larger"),
    [(2.0, "axis"), (9.0, "wind")],
)
def test_of_axis_and_wind_the_larger_is_named_and_both_have_a_share(
    gust_px: float, larger: str
) -> None:
    tracker = Tracker(NORTHERN, 120.0, -150.0)
    lights = shoot(tracker, [LONG], USUAL, 1)
    # Along the drift, where the two are hardest to tell.
    drift = scenes_of(tracker, LONG, lights)
    shaking = np.array([line_moments(gust_px, s.motion.trail_angle_deg) for s in drift])
    trails = [scene.motion.trail_px for scene in drift]
    assert min(trails) > 2.5 and max(trails) < 7.0
    explanations = why(tracker, LONG, shaking)
    assert named(explanations, larger) == 1.0
    for one, scene in zip(explanations, drift, strict=True):
        # Variances add: that of an even trail is its length squared over 12.
        share = scene.motion.trail_px**2 / (scene.motion.trail_px**2 + gust_px**2)
        # The fitted axis is good to some percent of its drift.
        assert one.trail_shares["axis"] == pytest.approx(share, abs=0.05)
        assert one.trail_shares["wind"] == pytest.approx(1 - share, abs=0.05)


def test_of_axis_and_drive_the_larger_is_named() -> None:
    for high, fast, larger in ((0.0, 0.03, "drive"), (150.0, 0.003, "axis")):
        tracker = Tracker(NORTHERN, high, 60.0 if larger == "drive" else 150.0, fast)
        assert named(why(tracker), larger) == 1.0


def test_a_trail_next_to_a_wide_star_is_the_trails_and_next_to_cloud_the_worse_one() -> None:
    tracker = Tracker(NORTHERN, 90.0, -120.0)
    both = why(tracker, findings=[("trail_px", 2.0), ("fwhm_of_best", 1.3)])
    assert named(both, "axis") == 1.0
    assert all("focus" in one.shares for one in both)
    cloudy = why(tracker, findings=[("extinction_mag", 5.0), ("trail_px", 1.1)])
    assert named(cloudy, "cloud") == 1.0
    assert all(one.shares["axis"] > 0.1 for one in cloudy)


# ------------------------------------------------------------------- not motion


@pytest.mark.parametrize(
    ("findings", "cause"),
    [
        ([("fwhm_of_best", 1.5)], "focus"),
        ([("sky_of_darkest", 3.0)], "bright-sky"),
        ([("extinction_mag", 2.0)], "cloud"),
        ([("extinction_mag", 2.0), ("stars_of_run", 1.6)], "cloud"),
        ([("stars_of_run", 1.6)], "cloud"),
    ],
)
def test_what_is_no_motion_is_known_by_its_rule(
    findings: list[tuple[str, float]], cause: str
) -> None:
    lights = [with_stars(one, everywhere()) for one in shoot(Tracker(), [LONG], USUAL, 1)]
    lights[4] = with_stars(lights[4], everywhere()[::3])
    scenes = [scene_of(one, Motion(trail_px=0.3), Drift(0.0, 0.0, 0.0), 0.0) for one in lights]
    found = explain(findings, scenes, 4, MountFit())
    assert found.cause == cause
    assert found.trail_shares == {}


@pytest.mark.parametrize(
    ("focus", "light", "leads"), [(1.2, 1.8, "cloud"), (1.8, 1.2, "focus"), (1.5, 1.4, "focus")]
)
def test_of_two_limits_the_one_that_is_passed_further_leads_by_as_much(
    focus: float, light: float, leads: str
) -> None:
    lights = [with_stars(one, everywhere()) for one in shoot(Tracker(), [LONG], USUAL, 1)]
    scenes = [scene_of(one, Motion(trail_px=0.3), Drift(0.0, 0.0, 0.0), 0.0) for one in lights]
    findings = [("fwhm_of_best", focus), ("extinction_mag", light)]
    found = explain(findings, scenes, 4, MountFit())
    assert found.cause == leads
    # How many times over its limit each is, of both together.
    wanted = {"focus": focus / (focus + light), "cloud": light / (focus + light)}
    assert found.shares == pytest.approx(wanted)


def everywhere() -> Floats:
    """Places of 480 stars, evenly all over the picture."""
    x, y = np.meshgrid(np.linspace(30, 2970, 24), np.linspace(30, 1970, 20))
    places = np.stack([x.ravel(), y.ravel()], axis=1)
    return np.asarray(np.random.default_rng(3).permutation(places))


def with_stars(light: Light, places: Floats) -> Light:
    """The frame with stars at these places."""
    table = np.zeros(len(places), STAR_DTYPE)
    table["x"], table["y"] = places.T
    measure = replace(light.measure, stars=table, stars_found=len(places))
    return replace(light, measure=measure)


def counted(covered: Sequence[float]) -> list[Scene]:
    """A run whose frames lose the stars below a line, at a share of the height (1: none)."""
    lights = shoot(Tracker(), [replace(LONG, frames=len(covered))], USUAL, 1)
    places = everywhere()
    return [
        scene_of(with_stars(one, places[places[:, 1] < 2000 * line]), Motion(), Drift(), 0.0)
        for one, line in zip(lights, covered, strict=True)
    ]


def test_stars_gone_from_one_part_of_the_picture_are_an_obstruction() -> None:
    scenes = counted([1, 1, 1, 1, 1, 0.5, 0.4])
    for number in (5, 6):
        found = explain([("stars_of_run", 2.0)], scenes, number, MountFit())
        assert found.cause == "obstruction"


def test_a_hill_that_is_always_there_is_no_obstruction() -> None:
    scenes = counted([0.6] * 7)
    dimmed = scenes[4].light
    thinner = with_stars(
        dimmed, np.stack([dimmed.measure.stars["x"], dimmed.measure.stars["y"]], 1)[::3]
    )
    scenes[4] = replace(scenes[4], light=thinner)
    # A third of the stars of every open part is left: cloud, and the hill has no say.
    found = explain([("stars_of_run", 3.0)], scenes, 4, MountFit())
    assert found.cause == "cloud"


# ----------------------------------------------------------- how sure, and what would tell


def sure_of(shares: dict[str, float], mount: MountFit) -> float:
    """Stated confidence of a frame whose sky is known to have moved."""
    (light, *_) = shoot(Tracker(), [LONG])
    scene = scene_of(light, motion_from(line_moments(3.0, 30.0)), Drift(3.0, 0.0), 0.0)
    return confidence(evidence_of(shares, scene, mount, trailed=True))


FITTED = MountFit(frames=12, misfit=1.0)


def test_confidence_falls_with_the_lead_and_with_what_the_mount_leaves() -> None:
    alone = sure_of({"axis": 1.0}, FITTED)
    close = sure_of({"axis": 0.55, "drive": 0.45}, FITTED)
    assert alone > 0.95
    assert close < 0.85
    assert sure_of({"axis": 1.0}, replace(FITTED, misfit=20.0)) < alone
    assert sure_of({"axis": 1.0}, replace(FITTED, earth_fixed=False)) < alone - 0.05
    assert sure_of({"axis": 1.0}, MountFit()) < 0.75
    assert sure_of({"wind": 1.0}, FITTED) < alone
    assert np.isnan(sure_of({"unexplained": 1.0}, FITTED))


def test_a_likely_wrong_cause_is_not_named_but_told_as_possible() -> None:
    tracker = Tracker(NORTHERN, 90.0, -120.0)
    lights = shoot(tracker, [LONG], USUAL, 1, site_known=False, clock_known=False)
    fit = replace(fit_mount(lights), misfit=90.0, frames=3)
    found = explain(TRAILED, scenes_of(tracker, LONG, lights), 5, fit)
    assert found.cause == "unexplained"
    assert np.isnan(found.confidence)
    assert "consistent with axis or slip" in found.words
    assert "night notes" in found.words


def without_a_site(tracker: Tracker, plan: Plan = LONG) -> list[Explanation]:
    """Explanations of all frames of a run by a mount fit of more targets, none of which slips."""
    lights = shoot(tracker, [plan], USUAL, 1, site_known=False, clock_known=True)
    others = shoot(Tracker(), [replace(LONG, hour_deg=30.0)], USUAL, 2, site_known=False)
    scenes = scenes_of(tracker, plan, lights)
    fit = fit_mount(others)
    return [explain(TRAILED, scenes, number, fit) for number in range(len(scenes))]


@pytest.mark.parametrize("hour_deg", [-85.0, -20.0])
def test_without_a_site_a_drift_that_sets_in_is_a_slip(hour_deg: float) -> None:
    # At 85 degrees before the meridian down lies along right ascension, as a drive's error does.
    slips = Tracker(NORTHERN, slip_arcsec_per_min=60.0, slip_from_s=600.0)
    later = without_a_site(slips, replace(LONG, hour_deg=hour_deg, dec_deg=5.0))[8:]
    assert {one.cause for one in later} == {"slip"}
    assert max(one.confidence for one in later) < 0.95
    assert all("set in within the run" in one.words for one in later)


def test_without_a_site_a_drift_all_along_is_the_drives_or_a_slip() -> None:
    for one in without_a_site(Tracker(NORTHERN, too_fast=-0.0237)):
        assert (one.cause, one.likeliest) == ("unexplained", "drive")
        # The others' fit, with its errors, draws the rest.
        assert one.trail_shares["slip"] == pytest.approx(one.trail_shares["drive"], abs=0.01)
        assert "consistent with drive or slip; the site" in one.words


@pytest.mark.slow
def test_a_periodic_error_sets_in_nowhere() -> None:
    for frames in range(6, 20):
        for period in np.geomspace(2.0, 60.0, 40):
            for phase in np.linspace(0, 2 * np.pi, 12, endpoint=False):
                rate = 5 * np.cos(2 * np.pi * np.arange(frames) / period + phase)
                assert onset_within([Drift(one, 0.0, 0.0) for one in rate]) is None
    steps = [Drift(0.3, 0.0, 0.0)] * 3 + [Drift()] + [Drift(3.0, 1.0, 0.0)] * 3
    found = onset_within(steps)
    assert found is not None and found[0] == 4 and found[1].tolist() == [0.3, 0.0]
    assert onset_within(steps[:-1]) is None


def test_a_sure_cause_has_no_but() -> None:
    (found, *_) = why(Tracker(NORTHERN, 90.0, -120.0))
    assert found.confidence > 0.95
    assert found.words == ""


def test_wind_is_sure_where_both_neighbours_tell_that_the_sky_stood_still() -> None:
    tracker, plan = Tracker(), LONG
    lights = shoot(tracker, [plan], USUAL, 1)
    fit, shaking = fit_mount(lights), gusts(16, 9.0)
    scenes = scenes_of(tracker, plan, lights, shaking)
    still = scenes[7].drift

    def sure(drift: Drift, excess: float = 2.0) -> float:
        changed = [*scenes[:7], replace(scenes[7], drift=drift), *scenes[8:]]
        found = explain([("trail_px", excess)], changed, 7, fit)
        assert found.cause == "wind"
        return found.confidence

    assert sure(replace(still, spread_px=0.02, one_sided=False)) > 0.85
    # Told by one side alone, or by two that differ, a push may look like it.
    for untold in ({"spread_px": 5.0}, {"spread_px": np.inf}, {"one_sided": True}):
        assert sure(replace(still, **{"spread_px": 0.02, "one_sided": False} | untold)) == 0.85
    # At a limit there may be no fault at all.
    assert sure(replace(still, spread_px=0.02, one_sided=False), 1.01) == 0.85


# ---------------------------------------------------------------------- the table of causes


def _of(tracker: Tracker, plan: Plan = LONG, shaking: Floats | None = None) -> str:
    """The cause of a run's last frame."""
    return why(tracker, plan, shaking)[-1].cause


def _of_rule(rule: str, excess: float) -> str:
    """The cause of a frame that shows no motion and breaks one rule."""
    lights = [with_stars(one, everywhere()) for one in shoot(Tracker(), [LONG], USUAL, 1)]
    scenes = [scene_of(one, Motion(trail_px=0.3), Drift(0.0, 0.0, 0.0), 0.0) for one in lights]
    return explain([(rule, excess)], scenes, 4, MountFit()).cause


def _of_doubled_stars() -> str:
    scenes = scenes_of(Tracker(), LONG, shoot(Tracker(), [LONG], USUAL, 1))
    scenes[5] = replace(scenes[5], motion=replace(scenes[5].motion, doubled_px=6.0))
    return explain([("doubled_px", 3.0)], scenes, 5, MountFit()).cause


def _of_low_sky() -> str:
    # As in the test of refraction above.
    close = replace(LONG.camera, focal_px=80000.0)
    plan = replace(LONG, hour_deg=72.0, dec_deg=3.0, exposure_s=200.0, every_s=205.0, camera=close)
    lights = shoot(Tracker(), [plan], Errors(0.1, 3.0), 1)
    scenes = [
        replace(s, motion=motion_from(line_moments(s.drift.length_px, s.drift.angle_deg)))
        for s in scenes_of(Tracker(), plan, lights)
    ]
    return explain(TRAILED, scenes, 4, fit_mount(lights)).cause


SHOWN: dict[str, Callable[[], str]] = {
    "axis": lambda: _of(Tracker(NORTHERN, 90.0, -120.0)),
    "drive": lambda: _of(Tracker(NORTHERN, too_fast=-0.0237)),
    "wind": lambda: _of(Tracker(), LONG, gusts(16, 3.0)),
    "slip": lambda: _of(Tracker(NORTHERN, slip_arcsec_per_min=60.0, slip_from_s=300.0)),
    "knock": _of_doubled_stars,
    "untracked": lambda: _of(Tracker(NORTHERN, too_fast=-1.0)),
    "refraction": _of_low_sky,
    "focus": lambda: _of_rule("fwhm_of_best", 1.5),
    "cloud": lambda: _of_rule("extinction_mag", 2.0),
    "obstruction": lambda: (
        explain([("stars_of_run", 2.0)], counted([1] * 6 + [0.5]), 6, MountFit()).cause
    ),
    "few-stars": lambda: _of_rule("min_stars", 2.0),
    "optics": lambda: _of_rule("lens", 1.2),
    "bright-sky": lambda: _of_rule("sky_of_darkest", 3.0),
    "unexplained": lambda: (
        explain([], scenes_of(Tracker(), LONG, shoot(Tracker(), [LONG])), 4, MountFit()).cause
    ),
}
"""A frame for each cause; `none` is given by the verdict, see test_judge."""


@pytest.mark.parametrize("cause", [name for name in CAUSES if name != "none"])
def test_every_cause_of_the_table_can_be_found(cause: str) -> None:
    assert SHOWN[cause]() == cause


def test_no_cause_outside_the_table_can_be_given() -> None:
    assert SHOWN.keys() < CAUSES.keys()
    with pytest.raises(ValueError, match=r"rain: has no row in causes\.py"):
        Explanation("wind", 1.0, {"wind": 0.6, "rain": 0.4})


def test_every_row_of_the_table_says_what_it_is_and_what_to_do() -> None:
    for name, row in CAUSES.items():
        assert row.name == name and row.label and row.words
        assert row is cause_of(name)
        if name != "none":
            assert bool(row.remedy) != bool(row.no_remedy)
        # They are put into sentences.
        for words in (row.words, row.remedy, row.no_remedy):
            assert words[-1:] != "." and words[:1].islower() == bool(words)
    assert cause_of("hail").label == "hail" and cause_of("hail").remedy == ""
