"""Remedies: their direction, their numbers, what they would have saved, their cautions."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from skyplumb.calibrate.light import Light
from skyplumb.calibrate.sky import Site
from skyplumb.causes import CAUSES as TABLE
from skyplumb.causes import LASER_CAUTION
from skyplumb.findings import Advice, LensReport
from skyplumb.intake.rules import load_rules
from skyplumb.judge.advice import advise, mount_faults
from skyplumb.judge.cause import explain
from skyplumb.judge.drift import Drift
from skyplumb.judge.facts import FrameFacts
from skyplumb.judge.focus import RunFocus
from skyplumb.judge.motion import Motion
from skyplumb.judge.mount import MountFit, Periodic, fit_mount
from skyplumb.judge.runs import Run
from skyplumb.judge.scene import scene_of
from skyplumb.judge.verdict import Judged, JudgedRun, RunLevels
from skyplumb.records import NAN, FieldShapes
from tracker import NORTHERN, SOUTHERN, Errors, Plan, Tracker, mean_lean, scenes_of, shoot

RULES = load_rules(None)
LIMIT = RULES.limits_for("", NAN).trail_px
LEVELS = RunLevels(fwhm_px=2.6, stars=400, sky=100.0)
NO_FIELD = FieldShapes(*(np.zeros((0, n)) for n in (2, 3, 3)))
PLAN = Plan(hour_deg=-20.0, dec_deg=25.0, frames=8, exposure_s=100.0)
CAUSES = tuple(name for name in TABLE if name != "none")


def facts_of(light: Light, motion: Motion) -> FrameFacts:
    """Facts of a frame that has nothing wrong but its motion."""
    return FrameFacts(
        light=light,
        stars=400,
        shape_stars=200,
        fwhm_px=2.6,
        across_fwhm_px=2.6,
        ellipticity=0.1,
        image_angle_deg=0.0,
        motion=motion,
        drift=Drift(),
        extinction_mag=0.0,
        field=NO_FIELD,
    )


def lost(
    light: Light,
    cause: str,
    causes: dict[str, float] | None = None,
    *,
    trail_px: float = 3.0,
    clear: bool | None = True,
) -> Judged:
    """A frame that was rejected for a trail with these shares of its variance."""
    shares = causes or {cause: 1.0}
    motion = Motion(
        trail_px=trail_px, trail_sigma_px=0.1, trail_angle_deg=10.0, trail_worst_px=trail_px
    )
    scene = scene_of(light, motion, Drift(), 0.0, clear)
    return Judged(facts_of(light, motion), "reject", cause, NAN, "", shares, shares, scene)


def kept(light: Light) -> Judged:
    motion = Motion(trail_px=0.4, trail_sigma_px=0.1, trail_angle_deg=10.0, trail_worst_px=0.4)
    scene = scene_of(light, motion, Drift(), 0.0)
    return Judged(facts_of(light, motion), "keep", "none", NAN, "", {}, {}, scene)


def run_of(frames: Sequence[Judged], fit: MountFit | None = None) -> JudgedRun:
    """One run of 100 s frames."""
    lights = tuple(frame.facts.light for frame in frames)
    return JudgedRun(
        run=Run("01-85mm-100s", lights),
        frames=tuple(frames),
        best_fwhm_px=2.6,
        mount=fit or MountFit(why_not="not asked"),
        levels=LEVELS,
        limits=RULES.limits_for("", NAN),
        optics=LensReport(0.0, 0.0, 1.0, 1.0, 8),
    )


@cache
def lights() -> list[Light]:
    return shoot(Tracker(), [PLAN])


def only(cause: str, fit: MountFit | None = None) -> Advice:
    """Advice for a session whose eight frames all failed for one cause."""
    found = advise([run_of([lost(one, cause) for one in lights()], fit)], RULES)
    assert [one.cause for one in found] == [cause]
    return found[0]


# ------------------------------------------------------------------ the axis


@pytest.mark.parametrize("site", [NORTHERN, SOUTHERN, Site(62.0, 10.0), Site(-12.0, 30.0)])
@pytest.mark.parametrize(("high", "east"), [(30.0, -40.0), (-25.0, 60.0)])
def test_doing_what_the_advice_says_aligns_the_axis(site: Site, high: float, east: float) -> None:
    hand = 1 if site.latitude_deg > 0 else -1
    tracker = Tracker(site, high, east)
    targets = [
        Plan(hour, hand * dec, start_s=start)
        for hour, dec, start in ((-45, 10, 0), (20, 45, 1800), (-5, 25, 3600))
    ]
    remedy = only("axis", fit_mount(shoot(tracker, targets, Errors(0.5, 6.0), 1))).mend
    done = tracker
    for way, number in re.findall(r"(?i)(raise|lower) the axis by (\d+) arcmin", remedy):
        by = float(number) if way.lower() == "raise" else -float(number)
        done = replace(done, too_high_arcmin=done.too_high_arcmin + by)
    for number, way in re.findall(r"(?:base|southern end) (\d+) arcmin (west|east)", remedy):
        by = float(number) if way == "east" else -float(number)
        done = replace(done, too_far_east_arcmin=done.too_far_east_arcmin + by)
    # Whole arcminutes are told, and the axis is known to a quarter of one.
    assert abs(done.too_high_arcmin) < 1.2
    assert abs(done.too_far_east_arcmin) < 1.2
    assert ("southern" in remedy) == (site.latitude_deg < 0)


def test_an_error_that_does_not_stand_clear_is_not_mended() -> None:
    fit = fit_mount(shoot(Tracker(too_far_east_arcmin=40.0), [PLAN], Errors(1.0, 10.0), 1))
    assert abs(fit.axis_alt_error_arcmin) < 2 * fit.axis_sigmas_arcmin[0]
    remedy = only("axis", fit).mend
    assert re.search(r"Turn the base \d+ arcmin west \(", remedy)
    assert not re.search("(?i)raise|lower", remedy)


def test_without_a_site_the_axis_advice_gives_the_size_alone() -> None:
    tracker = Tracker(too_high_arcmin=30.0, too_far_east_arcmin=40.0)
    fit = fit_mount(shoot(tracker, [PLAN], Errors(0.5, 6.0), 1, site_known=False))
    remedy = only("axis", fit).mend
    assert f"{fit.axis_total_error_arcmin:.0f} arcmin off" in remedy
    assert not re.search("(?i)raise|lower|west|east", remedy)
    assert "a head that slips looks alike" in remedy and "night notes" in remedy
    assert "Align" in only("axis", MountFit(why_not="too few frames")).mend


def test_the_laser_and_sun_caution_stands_beside_axis_advice_and_nowhere_else() -> None:
    for cause in CAUSES:
        assert only(cause).caution == (LASER_CAUTION if cause == "axis" else "")
    for word in ("pilots", "law", "aircraft", "local rules", "Sun"):
        assert word in LASER_CAUTION


# ------------------------------------------------------------- what it would have saved


def test_a_mend_saves_the_frames_that_its_cause_alone_spoiled() -> None:
    here = lights()
    frames = [
        *(lost(one, "axis") for one in here[:3]),
        # Without the axis sqrt(0.4) of 3 px is left, 1.9: over the limit of 1.5.
        lost(here[3], "axis", {"axis": 0.6, "wind": 0.4}),
        # Of 2.2 px, 1.4: kept, though the axis is the smaller part.
        lost(here[4], "wind", {"wind": 0.6, "axis": 0.4}, trail_px=1.85),
        lost(here[5], "wind"),
        kept(here[6]),
        kept(here[7]),
    ]
    assert LIMIT.keep_up_to == 1.5
    found = {one.cause: one for one in advise([run_of(frames)], RULES)}
    assert found["axis"].frames == 4
    assert found["axis"].saves_frames == 4
    assert found["wind"].frames == 2
    # The shared frame of 1.85 px again, whichever of the two is taken out.
    assert found["wind"].saves_frames == 2
    # 100 s each; minutes are told to the hundredth.
    assert found["axis"].minutes == pytest.approx(4 * 100 / 60, abs=0.005)
    assert found["axis"].saves_minutes == pytest.approx(4 * 100 / 60, abs=0.005)
    assert [one.cause for one in advise([run_of(frames)], RULES)] == ["axis", "wind"]


def test_nobody_mends_clouds_or_the_unexplained() -> None:
    for cause in ("cloud", "unexplained"):
        assert only(cause).saves_frames == 0 and only(cause).frames == 8


def test_every_cause_has_a_mend_and_a_kept_session_needs_none() -> None:
    for cause in CAUSES:
        assert len(only(cause).mend) > 20
    assert advise([run_of([kept(one) for one in lights()])], RULES) == []
    assert advise([], RULES) == []


def test_two_faults_in_one_frame_are_saved_by_both_mends_together() -> None:
    here = lights()
    # Of 6 px the wind leaves 4.0, the drive 4.4: over the limit of 1.5, each by itself.
    shared = [lost(one, "drive", {"drive": 0.55, "wind": 0.45}, trail_px=6.0) for one in here[:5]]
    windy = [lost(one, "wind") for one in here[5:7]]
    found = {one.cause: one for one in advise([run_of([*shared, *windy])], RULES)}
    drive, wind = found["drive"], found["wind"]
    assert (drive.frames, drive.saves_frames) == (5, 0)
    assert (wind.frames, wind.saves_frames) == (2, 2)
    assert (wind.together_with, wind.together_frames) == ("drive", 7)
    assert (drive.together_with, drive.together_frames) == ("wind", 7)
    # 100 s each; minutes are told to the hundredth.
    assert wind.together_minutes == pytest.approx(7 * 100 / 60, abs=0.005)
    # A pair that adds nothing is not named.
    apart = advise([run_of([lost(here[0], "axis"), lost(here[1], "focus")])], RULES)
    assert {one.together_with for one in apart} == {""}


def test_no_remedy_is_named_for_a_fault_that_was_not_found() -> None:
    sure = {"covariance": np.diag([1e-5, 1e-5, 1e-5]) ** 2, "latitude_deg": 47.0}
    fit = MountFit(axis_rate=np.zeros(3), **sure)  # type: ignore[arg-type]
    for cause, claim in (("axis", "lign the polar axis"), ("drive", "tracking rate")):
        remedy = only(cause, fit).mend
        assert claim not in remedy and "do not tell what there is to put right" in remedy
        assert "Without the remedy: 50 s at most" in remedy
    # Too few frames for a fit: nothing stands between the table's remedy and the shorter exposure.
    assert (
        "or have it repaired. Without the remedy:"
        in only("drive", MountFit(why_not="2 frames")).mend
    )


def test_the_axis_is_told_as_it_is_turned_and_as_it_shows() -> None:
    # 17 arcmin of azimuth at 46.6 degrees north are 17 cos 46.6 = 11.7 arcmin on the sky.
    here = replace(NORTHERN, latitude_deg=46.6)
    fit = fit_mount(shoot(Tracker(here, 11.0, -17.0), [PLAN], Errors(0.2, 3.0), 1))
    remedy = only("axis", fit).mend
    found = re.search(
        r"Lower the axis by 11 arcmin, turn the base (\d+) arcmin east "
        r"\(([\d.]+) arcmin on the sky\)\.",
        remedy,
    )
    assert found is not None, remedy
    assert float(found[2]) / float(found[1]) == pytest.approx(np.cos(np.radians(46.6)), rel=0.06)


def test_a_lens_without_a_name_is_told_by_its_focal_length() -> None:
    def bare(focal_mm: float) -> str:
        info = replace(lights()[0].info, lens="", focal_mm=focal_mm)
        frames = [
            lost(replace(one, notes=replace(one.notes, info=info)), "axis") for one in lights()
        ]
        return advise([run_of(frames)], RULES)[0].mend

    assert "Without the remedy: 50 s at most with 135 mm." in bare(135.0)
    assert "Without the remedy: 50 s at most." in bare(NAN)


def test_frames_that_a_person_turned_down_are_not_the_mounts_fault() -> None:
    frames = [replace(lost(one, "axis"), rules_verdict="keep") for one in lights()]
    assert advise([run_of(frames)], RULES) == []


def test_exposures_are_shortened_to_what_the_trails_allow() -> None:
    # 3 px in 100 s meet 1.5 px in 50 s.
    for cause in ("axis", "drive", "refraction"):
        assert "Without the remedy: 50 s at most with Tarnlight 85 mm" in only(cause).mend
    longer = [lost(one, "axis", trail_px=4.4) for one in lights()]
    # 34.09 s, rounded down.
    assert "34 s" in advise([run_of(longer)], RULES)[0].mend


def test_a_shorter_exposure_is_worked_out_from_what_grows_with_it() -> None:
    # Of 9 px^2 a tenth is wind's and stays: 2.25 - 0.9 = 8.1 x^2, x = 0.408.
    both = [lost(one, "axis", {"axis": 0.9, "wind": 0.1}) for one in lights()]
    assert "Without the remedy: 40 s at most" in advise([run_of(both)], RULES)[0].mend
    # What wind draws alone is over the limit: no exposure would do.
    windy = [lost(one, "axis", {"axis": 0.6, "wind": 0.4}) for one in lights()]
    assert "at most" not in advise([run_of(windy)], RULES)[0].mend
    # Narrow stars have the trail judged against their width: 1.2 px of 3 in 40 s.
    frames = [lost(one, "axis") for one in lights()]
    sharp = [replace(one, facts=replace(one.facts, across_fwhm_px=1.2)) for one in frames]
    narrow = replace(run_of(sharp), levels=replace(LEVELS, fwhm_px=1.2))
    assert "Without the remedy: 40 s at most" in advise([narrow], RULES)[0].mend


def test_exposures_of_one_lens_are_told_together() -> None:
    short = run_of([lost(one, "axis", trail_px=4.4) for one in lights()])
    # The same lens on another aim: 34 s and 50 s.
    other = replace(run_of([lost(one, "axis") for one in lights()]), run=Run("02", tuple(lights())))
    assert "Without the remedy: 34 to 50 s at most with Tarnlight 85 mm, by the aim." in (
        advise([other, short], RULES)[0].mend
    )


def test_a_period_that_may_be_another_is_not_told() -> None:
    fit = MountFit(
        axis_rate=np.zeros(3), periodic=Periodic(480.0, 12.0, 9.0), covariance=np.zeros((3, 3)),
        periodic_sigma=(0.5, 5.0), latitude_deg=47.0,
    )  # fmt: skip
    assert "15 arcsec to either side every 8.0 min, which" in only("drive", fit).mend
    other = fit.or_of_another_period([(160.0, 11.0)])
    assert other.periodic_sigma == (pytest.approx(4.03, abs=0.01), pytest.approx(320.0, abs=0.1))
    assert "160 or 480 s alike" in other.degenerate_with[-1]
    assert "15 arcsec to either side, which" in only("drive", other).mend
    assert fit.or_of_another_period([]) is fit
    # A wrong rate is told beside it.
    fast = replace(fit, axis_rate=np.array([0, 0, 0.02]))
    assert "2.00% too fast. Its periodic error" in only("drive", fast).mend


def test_a_rate_with_a_name_is_a_switch_and_nothing_to_repair() -> None:
    known = MountFit(axis_rate=np.zeros(3), covariance=np.zeros((3, 3)), latitude_deg=47.0)
    half = replace(known, axis_rate=np.array([0, 0, -0.5]))
    assert only("drive", half).mend.startswith(
        "The drive ran at half speed: set it to sidereal, unless that was meant, for a landscape."
    )
    lunar = replace(known, axis_rate=np.array([0, 0, -0.0237]))
    assert only("drive", lunar).mend.startswith("The drive ran at lunar rate: set it to sidereal.")
    # The run that lost most of them says at which rate that was.
    most = run_of([lost(one, "drive") for one in lights()], half)
    few = run_of([lost(one, "drive") for one in lights()[:3]], lunar)
    for runs in ([most, few], [few, most]):
        assert "half speed" in advise(runs, RULES)[0].mend


def test_gusts_have_no_exposure() -> None:
    remedy = only("wind").mend
    assert "more and shorter exposures lose less" in remedy
    assert not re.search(r"\d", remedy)


def test_a_periodic_error_is_no_steady_drift() -> None:
    fit = MountFit(
        axis_rate=np.zeros(3),
        periodic=Periodic(300.0, 12.0, 9.0),
        covariance=np.zeros((3, 3)),
        latitude_deg=47.0,
    )
    # 100 s are a third of the period; a twelfth of 1,200 s.
    assert "at most" not in only("drive", fit).mend
    # A rate that is right within its error is nothing to set.
    assert only("drive", fit).mend.startswith("Balance the drive or have it repaired.")
    slow = replace(fit, periodic=Periodic(1200.0, 12.0, 9.0))
    assert "Without the remedy: 50 s at most" in only("drive", slow).mend


def standing(trail_px: float, angle_deg: float, sky_px: float, tracker: str = "") -> list[Judged]:
    """Frames of a camera that stood still while the sky moved along x."""
    out = []
    for light in lights():
        light = replace(light, notes=replace(light.notes, tracker=tracker))
        frame = lost(light, "untracked", trail_px=trail_px)
        motion = replace(frame.facts.motion, trail_angle_deg=angle_deg)
        around = replace(frame.scene.around, east_deg=0.0, sidereal_px=sky_px)
        scene = replace(frame.scene, motion=motion, around=around)
        out.append(replace(frame, facts=replace(frame.facts, motion=motion), scene=scene))
    return out


def test_a_drive_is_only_named_where_it_would_have_kept_the_frames() -> None:
    # The sky drew 0.6 px, the stars are 1.9 px long across that: something else did.
    (other,) = advise([run_of(standing(1.9, 80.0, 0.6))], RULES)
    assert other.saves_frames == 0
    assert "drive" not in other.mend and "shorten" not in other.mend
    (still,) = advise([run_of(standing(6.0, 2.0, 6.1))], RULES)
    assert still.saves_frames == len(lights())
    # Nothing says whether there is a drive.
    assert still.mend.startswith("On a tracker, check the drive's power")
    assert "on a fixed tripod only shorter exposures help" in still.mend
    assert "Without the remedy: 25 s at most" in still.mend  # 1.5 of 6 px in 100 s
    (tracked,) = advise([run_of(standing(6.0, 2.0, 6.1, tracker="Zwirn"))], RULES)
    assert tracked.mend.startswith("Check the drive's power") and "tripod" not in tracked.mend


def test_trails_too_long_to_be_measured_are_spared_by_a_drive() -> None:
    # A few shapes were found in streaks of a minute; a driven camera would have had stars.
    frames = []
    for one in standing(60.0, 2.0, 61.0):
        motion = replace(one.facts.motion, trail_px=NAN, trail_sigma_px=NAN, trail_angle_deg=NAN)
        facts = replace(one.facts, motion=motion, shape_stars=4, ellipticity=0.8)
        frames.append(replace(one, facts=facts, broken=("min_stars",)))
    (found,) = advise([run_of(frames)], RULES)
    assert found.saves_frames == len(frames)
    assert found.mend.startswith("On a tracker, check the drive's power")


@pytest.mark.parametrize(("clear", "saved"), [(True, 8), (None, 0), (False, 0)])
def test_a_longer_exposure_is_only_advised_under_a_clear_sky(
    clear: bool | None, saved: int
) -> None:
    frames = [lost(one, "few-stars", clear=clear) for one in lights()]
    (found,) = advise([run_of(frames)], RULES)
    assert found.saves_frames == saved
    assert ("xpose longer" in found.mend) == bool(saved)
    if not saved:
        assert "in each other's light" in found.mend  # of 400 that were found
        few = [replace(one, facts=replace(one.facts, stars=30)) for one in frames]
        (found,) = advise([run_of(few)], RULES)
        assert "do not tell which" in found.mend and "under a clear, dark sky would" in found.mend


def test_a_remedy_that_would_have_saved_nothing_is_not_offered() -> None:
    # Of 6 px the axis leaves 4.2 to what is not known: not kept without it.
    frames = [
        lost(one, "axis", {"axis": 0.5, "unexplained": 0.5}, trail_px=6.0) for one in lights()
    ]
    found = advise([run_of(frames)], RULES)[0]
    assert (found.cause, found.saves_frames) == ("axis", 0)
    assert "lign" not in found.mend and "not all that is wrong" in found.mend


def test_a_run_that_was_never_in_focus_is_focused_before_it_begins() -> None:
    frames = [lost(one, "focus") for one in lights()]
    once = run_of(frames)
    assert "after an hour" in advise([once], RULES)[0].mend
    soft = replace(once, levels=replace(LEVELS, fwhm_px=6.4, focus=RunFocus(fwhm_px=6.4)))
    assert advise([soft], RULES)[0].mend.startswith("Focus on a bright star before the run begins")


def test_light_of_unknown_exposure_is_not_told_as_none() -> None:
    assert Advice("axis", 2, 0.0, "", 2, 0.0).saving == "Saves 2 frames."
    assert Advice("axis", 2, 3.0, "", 2, 3.0).saving == "Saves 2 frames, 3 min."
    both = Advice("axis", 2, 0.0, "", 0, 0.0, "", "wind", 3, 0.0).saving
    assert both == "With the remedy for wind both together save 3."


def test_the_advised_exposure_would_have_kept_the_frames() -> None:
    tracker = Tracker(too_high_arcmin=90.0, too_far_east_arcmin=-120.0)
    shots = shoot(tracker, [PLAN], Errors(0.5, 6.0), 1)
    fit = fit_mount(shots)
    scenes = scenes_of(tracker, PLAN, shots)
    frames = []
    for number, (light, scene) in enumerate(zip(shots, scenes, strict=True)):
        told = explain([("trail_px", 2.0)], scenes, number, fit)
        frame = lost(light, told.cause, dict(told.shares), trail_px=scene.motion.trail_px)
        frames.append(replace(frame, trail_causes=told.trail_shares))
    found = advise([run_of(frames, fit)], RULES)[0]
    assert found.cause == "axis" and found.saves_frames == len(frames)
    match = re.search(r"remedy: ([\d.]+) s at most", found.mend)
    assert match is not None
    shorter = replace(PLAN, exposure_s=float(match[1]))
    trails = [one.motion.trail_px for one in scenes_of(tracker, shorter, shoot(tracker, [shorter]))]
    # The median frame just meets the limit; drift changes by some percent along the run.
    assert np.median(trails) <= LIMIT.keep_up_to * 1.02
    assert np.median(trails) > LIMIT.keep_up_to * 0.85


# --------------------------------------------------------------------- words of the mount


def test_the_drive_is_told_by_name_by_percent_or_by_its_periodic_error() -> None:
    steady = {"covariance": np.zeros((3, 3)), "latitude_deg": 47.0}
    lunar = MountFit(axis_rate=np.array([0.0, 0.0, -0.0237]), **steady)  # type: ignore[arg-type]
    assert "lunar rate" in only("drive", lunar).mend
    fast = MountFit(axis_rate=np.array([0.0, 0.0, 0.004]), **steady)  # type: ignore[arg-type]
    assert "0.40% too fast" in only("drive", fast).mend
    slow = MountFit(axis_rate=np.array([0.0, 0.0, -0.004]), **steady)  # type: ignore[arg-type]
    assert "0.40% too slow" in only("drive", slow).mend
    periodic = MountFit(
        axis_rate=np.zeros(3),
        periodic=Periodic(480.0, 12.0, 9.0),
        **steady,  # type: ignore[arg-type]
    )
    # The hypotenuse of 12 and 9.
    little = replace(periodic, periodic=Periodic(480.0, 1.2, 1.5))
    assert (
        "periodic error" not in only("drive", little).mend
    )  # too little to draw any of these trails
    remedy = only("drive", periodic).mend
    assert "15 arcsec to either side every 8.0 min" in remedy and "too" not in remedy


def test_a_slip_is_told_with_its_rate_and_onset() -> None:
    tracker = Tracker(slip_arcsec_per_min=40.0, slip_from_s=400.0)
    shots = shoot(tracker, [replace(PLAN, frames=14)], Errors(0.5, 6.0), 1)
    fit = fit_mount(shots)
    frames = [kept(one) for one in shots[:4]] + [lost(one, "slip") for one in shots[4:]]
    remedy = advise([run_of(frames, fit)], RULES)[0].mend
    assert f"{40 * mean_lean(shots, 400.0):.0f} arcsec a minute" in remedy
    # 21:00 and 400 s, to the minute.
    assert "from 21:07 on" in remedy


def test_faults_are_told_when_they_matter_and_stand_clear() -> None:
    small = np.diag([1e-5, 1e-5, 1e-5]) ** 2
    sure = MountFit(axis_rate=np.zeros(3), covariance=small, latitude_deg=47.0)
    assert mount_faults(sure) == []
    off = replace(sure, axis_rate=np.array([np.radians(10 / 60), 0.0, 0.0]))
    assert mount_faults(off) == ["polar axis 10.000 ± 0.034 arcmin off"]
    # The same, known to 5 arcmin only.
    vague = replace(off, covariance=np.diag([np.radians(5 / 60), 1e-5, 1e-5]) ** 2)
    assert mount_faults(vague) == []
    fast = replace(sure, axis_rate=np.array([0.0, 0.0, 0.004]))
    assert mount_faults(fast) == ["drive 4\u202f000 ± 10 ppm too fast"]
    solar = replace(sure, axis_rate=np.array([0.0, 0.0, -0.00273]))
    assert mount_faults(solar) == ["drive at solar rate"]
    periodic = replace(sure, periodic=Periodic(480.0, 12.0, 9.0), periodic_sigma=(0.23, 3.1))
    assert mount_faults(periodic) == ["periodic error 15.00 ± 0.23 arcsec over 480.0 ± 3.1 s"]
    slips = replace(sure, slip_arcsec_per_min=20.0, slip_sigma=1.0)
    assert mount_faults(slips) == ["head slips 20.0 ± 1.0 arcsec/min downwards"]
    bends = replace(sure, flexure_arcsec=600.0, flexure_sigma=30.0)
    assert mount_faults(bends) == ["head bends 600 ± 30 arcsec under a level camera"]
    assert mount_faults(MountFit(why_not="too few frames")) == []
    still = fit_mount(shoot(Tracker(too_fast=-1.0), [PLAN]))
    assert mount_faults(still) == ["drive not tracking"]
