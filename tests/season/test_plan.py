"""A night planned: the sky against astropy, shares against drawn nights, and what is refused."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from datetime import date
from pathlib import Path

import astropy.units as u
import numpy as np
import pytest
from astropy.coordinates import GCRS, AltAz, EarthLocation, SkyCoord, get_body, get_constellation
from astropy.time import Time
from astropy.utils import iers

from drawnseason import DrawnRig, write_season
from skyplumb.errors import UserError
from skyplumb.season.cross_validation import SeasonModel, model_of
from skyplumb.season.night_ahead import (
    Target,
    night_ahead,
    refraction_drift_arcsec_min,
    target_of,
)
from skyplumb.season.noise import SkyRules
from skyplumb.season.plan import PlanAsk, _wind, plan
from skyplumb.season.plan_page import _night
from skyplumb.season.plan_words import words
from skyplumb.season.rig_model import counts_of, fit_rig
from skyplumb.season.sessions import Season, read_season
from smallcard import Finished

Command = Callable[..., Finished]

CELLS = ((35.0, 240.0), (85.0, 120.0), (200.0, 60.0))
RIG = DrawnRig()
DAY = date(2026, 8, 14)
CYGNUS = Target("Cygnus", 308.2, 43.3)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Five nights as audits leave them; only to be read."""
    out = tmp_path_factory.mktemp("season")
    return write_season(RIG, np.random.default_rng(13), 5, CELLS, 16, out)


@pytest.fixture(scope="module")
def season(folder: Path) -> Season:
    return read_season([folder])


@pytest.fixture(scope="module")
def model(season: Season) -> SeasonModel:
    return model_of(counts_of(season.frames, season.runs))


# The sky


@pytest.mark.parametrize(
    ("latitude", "longitude", "ra", "dec"),
    [(46.0, 9.9, 308.2, 43.3), (-33.9, 18.4, 84.0, -69.0), (19.8, -155.5, 83.8, -5.4)],
)
def test_target_and_moon_stand_where_astropy_has_them(
    latitude: float, longitude: float, ra: float, dec: float
) -> None:
    night = night_ahead(DAY, latitude, longitude, Target("", ra, dec))
    place = EarthLocation(lat=latitude * u.deg, lon=longitude * u.deg)
    with (
        iers.conf.set_temp("auto_download", False),
        iers.conf.set_temp("iers_degraded_accuracy", "ignore"),
    ):
        frame = AltAz(obstime=Time(list(night.utc)), location=place)
        target = SkyCoord(ra * u.deg, dec * u.deg).transform_to(frame)
        moon = get_body("moon", frame.obstime, place).transform_to(frame)
        middle = frame.obstime[len(night.utc) // 2]
        far = SkyCoord(ra * u.deg, dec * u.deg).transform_to(GCRS(obstime=middle))
        apart = far.separation(get_body("moon", middle))
    # Aberration is left out: 20 arcsec; the Moon's distance is seen from the Earth's middle.
    assert night.altitude_deg == pytest.approx(target.alt.deg, abs=0.02)
    assert night.moon_altitude_deg == pytest.approx(moon.alt.deg, abs=0.02)
    assert night.moon_apart_deg == pytest.approx(apart.deg, abs=0.2)


def test_a_night_begins_on_its_own_evening_wherever_it_is() -> None:
    for longitude in (-155.5, 9.9, 175.0):
        night = night_ahead(DAY, 30.0, longitude, CYGNUS)
        begins = night.utc[int(np.flatnonzero(night.dark)[0])]
        # By the Sun it is evening of that day there.
        assert (begins.hour + longitude / 15) % 24 == pytest.approx(20, abs=1.5)
        assert night.utc[0].date() <= DAY <= night.utc[-1].date()


def test_a_summer_without_night_is_dark_as_far_as_it_gets() -> None:
    assert night_ahead(date(2026, 6, 21), 52.0, 0.0, CYGNUS).dark_below_deg == -12
    none = night_ahead(date(2026, 6, 21), 66.0, 0.0, CYGNUS)
    assert not none.dark.any() and none.hours == 0


def test_refraction_moves_a_star_as_the_slope_of_where_it_is_seen() -> None:
    # Numerically: 58.2 arcsec tan z towards the zenith, from spherical trigonometry.
    phi, dec = np.radians(46.0), np.radians(20.0)

    def seen(hour: float) -> np.ndarray:
        zenith = np.array([np.cos(phi) * np.sin(hour), 0.0])  # east part of the way to the zenith
        zenith[1] = np.sin(phi) * np.cos(dec) - np.cos(phi) * np.sin(dec) * np.cos(hour)
        cos_z = np.sin(phi) * np.sin(dec) + np.cos(phi) * np.cos(dec) * np.cos(hour)
        return 58.2 * zenith / cos_z

    for hour in (-70.0, -20.0, 0.0, 45.0):
        step = 2 * np.pi / 1436.07 / 2
        slope = seen(np.radians(hour) + step) - seen(np.radians(hour) - step)
        found = refraction_drift_arcsec_min(46.0, np.array([hour]), 20.0)
        assert (found[0][0], found[1][0]) == pytest.approx(slope, abs=1e-4)


@pytest.mark.parametrize("said", ["314.7 44.333333", "314.7, +44.333333", "20:58:48 +44:20"])
def test_a_place_is_said_in_degrees_or_hours(said: str) -> None:
    found = target_of(said)
    assert (found.ra_deg, found.dec_deg) == pytest.approx((314.7, 44.333333), abs=1e-4)


@pytest.mark.parametrize(
    "name", ["Cygnus", "cyg", "Boötes", "bootes", "Ursa Major", "Serpens", "Crux"]
)
def test_a_constellation_is_a_place_within_it(name: str) -> None:
    found = target_of(name)
    there = get_constellation(SkyCoord(found.ra_deg * u.deg, found.dec_deg * u.deg)).strip()
    assert (
        there == found.name
        or get_constellation(SkyCoord(found.ra_deg * u.deg, found.dec_deg * u.deg), short_name=True)
        == found.name
    )


@pytest.mark.parametrize("bad", ["400 10", "20:58", "Swan", "10 95", "1 2 3"])
def test_a_target_that_is_none_is_one_line(bad: str) -> None:
    with pytest.raises(UserError, match="--target"):
        target_of(bad)


# The plan


@pytest.mark.slow
def test_shares_are_those_of_drawn_nights_at_that_target(tmp_path: Path) -> None:
    rng = np.random.default_rng(5)
    count = 1500
    off, inside = [], []
    for seed in range(4):
        drawn = write_season(RIG, np.random.default_rng(seed), 5, CELLS, 16, tmp_path / str(seed))
        season = read_season([drawn])
        counts = counts_of(season.frames, season.runs)
        told = plan(season, SeasonModel(counts, fit_rig(counts)), PlanAsk(DAY, CYGNUS))
        hours = told.night.hour_angle_deg[told.night.usable]
        hour = hours[rng.integers(0, len(hours), count)]
        dec = np.full(count, CYGNUS.dec_deg)
        for lens in told.lenses:
            for one in lens.choices:
                phase, clock = rng.uniform(0, 2 * np.pi, count), rng.random(count)
                found = RIG.frames(
                    *(rng, RIG.nights(rng, count), clock, hour, dec, phase),
                    lens.focal_mm,
                    one.exposure_s,
                )
                truth = float((found.verdict == "keep").mean())
                off.append(one.share - truth)
                inside.append(one.low <= truth <= one.high)
    # Four seasons of five nights: the answers of one hang together. The bench draws many.
    assert abs(np.mean(off)) < 0.08
    assert np.sqrt(np.mean(np.square(off))) < 0.13
    assert np.mean(inside) > 0.75


@pytest.mark.broad
def test_frames_fit_into_the_usable_hours_and_good_ones_lie_in_their_range(
    season: Season, model: SeasonModel
) -> None:
    told = plan(season, model, PlanAsk(DAY, CYGNUS))
    for lens in told.lenses:
        assert lens.best in lens.choices
        for one in lens.choices:
            used = one.frames * (one.exposure_s + told.gap_s)
            assert used <= 3600 * told.night.hours < used + one.exposure_s + told.gap_s
            assert one.good_low <= one.good <= one.good_high <= one.frames
            # A night is less sure than the mean of nights.
            assert one.good_high - one.good_low >= 0.9 * one.frames * (one.high - one.low) - 1
            assert np.isnan(one.snr)  # no frame told its noise


@pytest.mark.parametrize("longitude_deg", [9.9, 10.3, 10.6, 10.9])
def test_hours_stand_where_they_are_under_the_targets_path(
    season: Season, model: SeasonModel, longitude_deg: float
) -> None:
    # The steps of a night do not fall on whole hours.
    night = night_ahead(DAY, 46.0, longitude_deg, CYGNUS)
    told = replace(plan(season, model, PlanAsk(DAY, CYGNUS)), night=night)
    drawn = _night(told)
    path = np.array([one.split() for one in drawn["target"].removeprefix("M").split("L")], float)
    x, height = path[:, 0], 90 * (1 - path[:, 1] / 220.0)
    assert len(drawn["hours"]) > 6
    for at, hour in drawn["hours"]:
        when = next(utc for utc in told.night.utc if utc.hour == int(hour) and utc.minute < 5)
        true = told.night.altitude_deg[list(told.night.utc).index(when)]
        # A target moves by 1.25 degrees in five minutes.
        assert np.interp(at, x, height) == pytest.approx(max(true, 0.0), abs=1.3)


def test_a_calm_night_keeps_more_than_the_worst(season: Season, model: SeasonModel) -> None:
    shares = [
        [
            one.share
            for one in plan(season, model, PlanAsk(DAY, CYGNUS, wind=wind)).lenses[-1].choices
        ]
        for wind in ("calm", "usual", "worst")
    ]
    assert (np.array(shares[0]) > np.array(shares[1])).all()
    assert (np.array(shares[1]) > np.array(shares[2])).all()


@pytest.mark.parametrize(
    ("nights", "mean", "sd"),
    [
        # Of the largest of n normal numbers: Harter, "Expected values of normal order statistics",
        # Biometrika 48, 151-165 (1961); the spread of the larger of two is sqrt(1 - 1 / pi).
        (1, 0.0, 1.0),
        (2, 0.56419, 0.82565),
        (6, 1.26721, None),
    ],
)
def test_the_worst_of_alike_nights_lies_beyond_their_best_guesses(
    model: SeasonModel, nights: int, mean: float, sd: float | None
) -> None:
    alike = np.tile([0.0, 1.0], (nights, 1))
    rig = replace(model.rig, events=replace(model.rig.events, night_effects=alike))
    worst, calm = _wind(rig, "worst"), _wind(rig, "calm")
    assert worst.middle == pytest.approx(mean, abs=0.05)
    assert calm.middle == pytest.approx(-mean, abs=0.05)
    assert _wind(rig, "usual").middle == pytest.approx(0.0, abs=0.05)
    if sd is not None:
        assert worst.sd == pytest.approx(sd, abs=0.03)


def test_the_exposure_to_take_is_the_one_whose_stack_has_the_least_noise(
    season: Season, model: SeasonModel, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Sky-limited from 400 s on, where this tracker keeps little through 200 mm.
    monkeypatch.setattr(
        "skyplumb.season.plan.sky_rules", lambda *_: SkyRules(400.0, 300.0, 500.0, 3.0)
    )
    lens = plan(season, model, PlanAsk(DAY, CYGNUS, axis_error_arcmin=30.0)).lenses[-1]
    assert lens.focal_mm == 200 and lens.best is not None
    assert lens.best.exposure_s < 400
    assert lens.best.snr > 0.97 * max(one.snr for one in lens.choices)


def test_a_worse_axis_keeps_less_and_most_of_all_where_it_drifts(
    season: Season, model: SeasonModel
) -> None:
    good, bad = (
        plan(season, model, PlanAsk(DAY, CYGNUS, axis_error_arcmin=axis)).lenses[-1].choices
        for axis in (0.0, 40.0)
    )
    lost = [a.share - b.share for a, b in zip(good, bad, strict=True)]
    assert lost[0] > 0 and max(lost) > 0.2


def test_a_target_too_low_in_the_dark_is_told_and_none_planned(
    season: Season, model: SeasonModel
) -> None:
    told = plan(season, model, PlanAsk(date(2026, 6, 10), Target("Orion", 84.0, -1.0)))
    assert all(lens.best is None for lens in told.lenses)
    said = words(told)
    assert "never over 20° while it is dark" in said
    assert "no frame fits into the night" in said


@pytest.mark.slow
def test_the_command_tells_a_line_a_lens_and_leaves_a_page(
    skyplumb: Command, folder: Path, tmp_path: Path
) -> None:
    page = tmp_path / "plan.html"
    asked = ("plan", folder, "--date", "2026-08-14", "--target", "Cygnus")
    done = skyplumb(*asked, "--out", page)
    assert done.code == 0
    lines = done.stdout.splitlines()
    assert lines[0] == "Cygnus, night of 2026-08-14 to 15 at 46.0 N 9.9 E"
    for lens in ("Orvane 35mm", "Orvane 85mm", "Orvane 200mm"):
        (line,) = (line for line in lines if line.startswith(f"{lens}: "))
        assert " frames, " in line and " good (" in line and "an hour" in line
    assert skyplumb(*asked, "--out", tmp_path).code == 0
    assert (tmp_path / "plan-2026-08-14.html").read_bytes() == page.read_bytes()
    text = page.read_text("utf-8")
    assert "<svg" in text and "Orvane 200mm" in text and "http" not in text.split("</head>")[1]


@pytest.mark.slow
def test_json_is_whole_and_the_same_each_time(skyplumb: Command, folder: Path) -> None:
    asked = ("plan", folder, "--date", "2026-08-14", "--target", "308.2 43.3", "--lens", "200mm")
    done = skyplumb(*asked, "--json")
    assert done.code == 0
    told = json.loads(done.stdout)
    (lens,) = told["lenses"]
    assert lens["focal_mm"] == 200
    assert lens["take"] in lens["exposures"]
    assert len(told["night"]["utc"]) == len(told["night"]["target_altitude_deg"])
    assert skyplumb(*asked, "--json").stdout == done.stdout


@pytest.mark.parametrize(
    ("given", "begins"),
    [
        (("--target", "84 -69"), "--target 84 -69: never rises at 46.0 N"),
        (("--target", "Cygnus", "--lens", "400mm"), "--lens 400mm: none of Orvane 35mm"),
        (("--target", "Cygnus", "--site", "here"), "--site here: give LAT,LON"),
        (("--target", "Cygnus", "--lens", "85mm", "--focal", "85"), "--lens, --focal: give one"),
    ],
)
def test_a_mistake_is_one_line(
    skyplumb: Command, folder: Path, given: tuple[str, ...], begins: str
) -> None:
    done = skyplumb("plan", folder, "--date", "2026-08-14", *given, "--json")
    assert done.code == 2
    assert done.stderr.startswith(begins) and done.stderr.count("\n") == 1


def test_a_date_is_a_day(skyplumb: Command, folder: Path) -> None:
    done = skyplumb("plan", folder, "--date", "next week", "--target", "Cygnus")
    assert (done.code, done.stderr) == (
        2,
        "--date next week: give the evening's date as 2026-08-14\n",
    )
