"""The turns that are told, by pointings of a tracker put together from plain rotations."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from skyplumb.calibrate.light import Light
from skyplumb.calibrate.sky import Site
from skyplumb.check.exposures import LONGEST_S, Beyond, beyond_of
from skyplumb.check.turns import Axis, Turn, axis_of, moved_since, without_idle_turns
from skyplumb.check.words import _turn_words
from skyplumb.judge.mount import MountFit, fit_mount
from skyplumb.judge.mount.fit import FLEXURE_OR_RATE
from skyplumb.season.drift import refraction_arcsec_min
from tracker import NORTHERN, SOUTHERN, Errors, Plan, Tracker, shoot, trail_moments

ARCSEC_MIN_A_ARCMIN = 0.2625
"""Drift of a star, at worst, by an axis an arcminute off (Barrett 2016)."""
FOUR = Plan(hour_deg=-35.0, dec_deg=25.0, frames=4, exposure_s=180.0, every_s=184.0)
WELL = Errors(0.3, 1.0)


def asked(tracker: Tracker, *plans: Plan, seed: int = 5) -> tuple[Axis, MountFit, list[Light]]:
    lights = shoot(tracker, plans or (FOUR,), WELL, seed)
    fit = fit_mount(lights)
    return axis_of(fit, lights, beyond_of(fit)), fit, lights


@pytest.mark.parametrize(
    ("site", "high", "east", "words"),
    [
        (NORTHERN, 11.0, -17.0, ("lower the axis by", "arcmin east, to your right")),
        (NORTHERN, -11.0, 17.0, ("raise the axis by", "arcmin west, to your left")),
        (SOUTHERN, 11.0, -17.0, ("lower the axis by", "arcmin east, to your left")),
        (SOUTHERN, -11.0, 17.0, ("raise the axis by", "arcmin west, to your right")),
    ],
)
def test_both_hemispheres(site: Site, high: float, east: float, words: tuple[str, str]) -> None:
    axis, _, _ = asked(Tracker(site, high, east))
    assert axis.known and not axis.why_no_turn
    for turn, right in zip(axis.turns, (-high, -east), strict=True):
        assert abs(turn.arcmin - right) < 3 * turn.sigma_arcmin
        assert turn.told
    told = [_turn_words(turn, axis.north) for turn in axis.turns]
    assert all(some in said for some, said in zip(words, told, strict=True))


@pytest.mark.parametrize("latitude_deg", [47.0, -33.0])
def test_right_and_left_are_those_of_one_who_looks_at_the_pole(latitude_deg: float) -> None:
    # In east, north, up: whoever looks along f has f x up at the right hand.
    f = np.array([0.0, 1.0 if latitude_deg > 0 else -1.0, 0.0])
    east_is_right = np.cross(f, [0.0, 0.0, 1.0])[0] > 0
    said = _turn_words(Turn("azimuth", 12.0, 0.1), latitude_deg > 0)
    assert f"to your {'right' if east_is_right else 'left'}" in said


def test_no_turn_smaller_than_twice_its_error() -> None:
    axis, _, _ = asked(Tracker(too_high_arcmin=0.0, too_far_east_arcmin=25.0))
    height, base = axis.turns
    assert base.told
    assert not height.told and height.why_not == "smaller than twice its error"


def test_no_turn_that_changes_no_exposure() -> None:
    axis = Axis(5.0, 0.1, known=True, turns=(Turn("altitude", 3.0, 0.1), Turn("azimuth", 4.0, 0.1)))
    none, height, base, both = (), (0,), (1,), (0, 1)
    # The base alone brings what both bring.
    done = without_idle_turns(axis, {none: 100.0, height: 110.0, base: 300.0, both: 310.0})
    assert [turn.told for turn in done.turns] == [False, True]
    # Neither brings anything.
    done = without_idle_turns(axis, {none: 1800.0, height: 1800.0, base: 1800.0, both: 1800.0})
    assert not any(turn.told for turn in done.turns)
    # Only both together do.
    done = without_idle_turns(axis, {none: 100.0, height: 104.0, base: 105.0, both: 400.0})
    assert all(turn.told for turn in done.turns)


def test_without_the_place_no_turn_but_its_size() -> None:
    lights = shoot(Tracker(too_high_arcmin=30.0), [FOUR], WELL, 5, site_known=False)
    fit = fit_mount(lights)
    axis = axis_of(fit, lights, beyond_of(fit))
    assert not axis.known and axis.turns == ()
    assert axis.notes_line.startswith("site: ")
    assert abs(axis.off_arcmin - 30.0) < 3 * axis.sigma_arcmin


def test_without_the_zone_the_clock_is_asked_for() -> None:
    lights = shoot(Tracker(too_high_arcmin=30.0), [FOUR], WELL, 5, clock_known=False)
    info = replace(lights[0].info, latitude_deg=47.3, longitude_deg=11.4)
    lights = [replace(one, notes=replace(one.notes, info=info)) for one in lights]
    axis = axis_of(fit_mount(lights), lights, None)
    assert axis.notes_line == "clock: {utc_offset_h: 2}"
    assert not axis.known


def test_a_slip_on_the_meridian_is_no_axis_for_sure() -> None:
    """There it draws what a base turned wrong would, at the right rate."""
    plan = replace(FOUR, hour_deg=-1.5, dec_deg=15.0)
    axis, fit, _ = asked(Tracker(slip_arcsec_per_min=8.0, slip_from_s=-600.0), plan)
    assert not axis.known
    # An axis 30 arcmin off, which it would be taken for, or none.
    assert fit.axis_range_arcmin[0] < 2 and fit.axis_range_arcmin[1] > 10
    assert any(one.slip_arcsec_per_min > 0 for _, one in fit.models)


def test_a_slip_or_a_wrong_rate_gives_no_turn() -> None:
    """Off the meridian one short target cannot tell them apart."""
    plan = replace(FOUR, hour_deg=-30.0, dec_deg=15.0)
    axis, fit, _ = asked(Tracker(slip_arcsec_per_min=8.0, slip_from_s=-600.0), plan)
    assert fit.slip_arcsec_per_min > 0
    assert not axis.known and "look alike" in axis.why_no_turn


def test_a_true_axis_is_not_taken_for_a_slip() -> None:
    plan = replace(FOUR, hour_deg=-1.5, dec_deg=15.0)
    axis, _, _ = asked(Tracker(too_high_arcmin=-12.0, too_far_east_arcmin=20.0), plan)
    assert axis.known


def test_a_head_that_may_bend_widens_the_errors() -> None:
    _, fit, lights = asked(Tracker(too_high_arcmin=11.0, too_far_east_arcmin=-17.0))
    rate = replace(
        fit, axis_rate=fit.axis_rate + np.array([0, 0, 1e-3]), degenerate_with=(FLEXURE_OR_RATE,)
    )
    axis = axis_of(rate, lights, beyond_of(rate))
    # An elastic head of F rad seems to turn the axis by F and the rate by F: both follow the sky.
    assert axis.known
    assert axis.turns[0].sigma_arcmin == pytest.approx(1e-3 * 180 * 60 / np.pi, rel=0.2)


@pytest.mark.parametrize("words", ["a rate error or an axis", "either of two answers"])
def test_a_degenerate_fit_gives_no_turn(words: str) -> None:
    _, fit, lights = asked(Tracker(too_high_arcmin=11.0, too_far_east_arcmin=-17.0))
    unsure = replace(fit, degenerate_with=(words,))
    axis = axis_of(unsure, lights, beyond_of(unsure))
    assert not axis.known and axis.why_no_turn == words and not axis.turns


def test_what_was_turned_is_held_against_what_was_asked() -> None:
    before, _, _ = asked(Tracker(too_high_arcmin=11.0, too_far_east_arcmin=-17.0))
    now, _, _ = asked(Tracker(too_high_arcmin=0.2, too_far_east_arcmin=-20.0), seed=6)
    height, base = moved_since(before, now)
    assert height.moved_arcmin == pytest.approx(-10.8, abs=3 * height.sigma_arcmin)
    assert height.asked_arcmin == pytest.approx(-11.0, abs=3 * height.sigma_arcmin)
    assert base.moved_arcmin == pytest.approx(-3.0, abs=3 * base.sigma_arcmin)  # the wrong way
    assert base.asked_arcmin == pytest.approx(17.0, abs=3 * base.sigma_arcmin)


def beyond(axis_arcmin: float, rate_ppm: float = 0.0) -> Beyond:
    rate = np.array([axis_arcmin / 60 * np.pi / 180, 0.0, rate_ppm * 1e-6])
    return Beyond(rate, np.zeros((3, 3)), 47.0)


def test_the_worst_part_of_the_sky_is_the_published_drift() -> None:
    way = beyond(20.0)
    direction, altitude, _ = way.worst()
    speed = float(np.linalg.norm(way.drift_arcsec_min(direction)))
    assert speed == pytest.approx(20 * ARCSEC_MIN_A_ARCMIN, rel=0.01)
    air = float(refraction_arcsec_min(np.array(altitude)))
    assert way.longest_s(10.0, direction, altitude) == pytest.approx(600 / (speed + air), rel=0.01)


def test_a_wrong_rate_drifts_most_on_the_equator() -> None:
    direction, _, where = beyond(0.0, 2000.0).worst()
    assert abs(direction[2]) < 0.1
    assert where in ("east", "south-east", "south", "south-west", "west")
    # 15.04 arcsec a second (IERS 2010), two thousandths of it.
    speed = np.linalg.norm(beyond(0.0, 2000.0).drift_arcsec_min(np.array([1.0, 0.0, 0.0])))
    assert speed == pytest.approx(15.041 * 60 * 2e-3, rel=1e-3)


def test_a_longer_limit_is_not_told_past_the_end() -> None:
    assert beyond(0.01).longest_s(1000.0, np.array([1.0, 0.0, 0.0]), 60.0) == LONGEST_S


def test_a_swing_of_the_drive_shortens_exposures() -> None:
    along = np.array([1.0, 0.0, 0.0])
    swinging = replace(beyond(5.0), periodic_arcsec=20.0, period_s=480.0)
    assert swinging.longest_s(15.0, along, 60.0) < 0.5 * beyond(5.0).longest_s(15.0, along, 60.0)


@pytest.mark.parametrize("site", [NORTHERN, SOUTHERN])
def test_the_longest_exposure_trails_as_far_as_the_limit(site: Site) -> None:
    """The star's path over so long an exposure, by plain rotations of the tracker."""
    tracker = Tracker(site, 14.0, -9.0)
    plan = replace(FOUR, dec_deg=20.0 if site is NORTHERN else -20.0)
    _, fit, lights = asked(tracker, plan)
    way = beyond_of(fit)
    assert way is not None
    scale = plan.camera.scale_arcsec_px
    here = lights[0].pointing.middle_direction()
    seconds = way.longest_s(2.0 * scale, here, 50.0)
    xx, yy, xy = trail_moments(tracker, replace(plan, exposure_s=seconds), 0.0, 0.0)
    trail = np.sqrt(12 * np.hypot(xx - yy, 2 * xy))
    air = float(refraction_arcsec_min(np.array(50.0))) * seconds / 60 / scale
    assert trail + air == pytest.approx(2.0, rel=0.03)
