"""What is said of a clock, on a stand-in for the stars whose misfit is a plain parabola.

The zenith that its stars show is known and so is how sharply they show it, so that every border of
what is said can be tried from both sides. Real evidence is in `test_clock.py`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any

import numpy as np
import pytest
from astropy.coordinates import AltAz as Horizon
from astropy.coordinates import EarthLocation, get_sun
from astropy.time import Time
from numpy.typing import NDArray

from skyplumb.calibrate import clock
from skyplumb.calibrate.clock import (
    ClockVerdict,
    Given,
    clock_verdict,
    contradiction,
    given_of,
    misfit_at,
)
from skyplumb.calibrate.sky import ObservedSky, Site
from skyplumb.calibrate.zenith import Zenith
from skyplumb.calibrate.zenith_bounds import Bounds, away, offset_between
from starfields import no_downloads

__all__ = ["no_downloads"]

SITE = Site(47.0, 11.0, 900.0)
NIGHT = datetime(2026, 12, 14, 23, 0)
"""A long night: the Sun stays down from 15:30 to 7 h UTC."""
GIVEN = Given(SITE, NIGHT, (0.0, 600.0, 1200.0))
UNHELD = Bounds(np.zeros((3, 2)), np.eye(2))


@dataclass(frozen=True)
class Stars:
    """Evidence whose chi squared is that of the angle to the best zenith, over an error."""

    best: Zenith | None
    sigma_deg: float
    below_deg: float = 1000.0
    """Stars lie below the horizon of zeniths further away than this."""
    apart: float = 1.0

    def chi2(self, zenith: Zenith | None) -> float:
        return float(self.chi2_of_each([zenith])[0]) if zenith is not None else 500.0

    def chi2_of_each(self, zeniths: Sequence[Zenith]) -> NDArray[np.float64]:
        if self.best is None:
            return np.full(len(zeniths), 500.0)
        off = np.degrees([one.apart_rad(self.best) for one in zeniths])
        return 100 + np.where(off > self.below_deg, np.inf, (off / self.sigma_deg) ** 2)

    def misfit(self, zenith: Zenith | None) -> float:
        return self.chi2(zenith) - self.chi2(self.best)

    def apart_px(self, zenith: Zenith) -> float:
        return self.apart


def stars(ahead_h: float = 0.0, sigma_deg: float = 0.5, **how: float) -> Any:
    """Evidence for a clock that is ahead by so much."""
    return Stars(GIVEN.zenith(ahead_h), sigma_deg, **how)


@pytest.fixture(autouse=True)
def plain_bounds(monkeypatch: pytest.MonkeyPatch) -> None:
    """Air and lens move nothing; what is near a zenith is itself."""
    monkeypatch.setattr(clock, "bounds_of", lambda evidence: UNHELD)
    monkeypatch.setattr(
        clock, "nearest_misfit", lambda evidence, zenith, _: evidence.misfit(zenith)
    )


def test_a_clock_that_the_stars_show_is_said_nothing_of() -> None:
    assert clock_verdict(GIVEN, stars()) == ClockVerdict()
    assert clock_verdict(GIVEN, None) == ClockVerdict()
    assert clock_verdict(GIVEN, Stars(None, 1.0)) == ClockVerdict()  # type: ignore[arg-type]
    assert ClockVerdict().notice == ""
    assert ClockVerdict(small="a little").notice == "a little"


def test_a_zenith_lies_where_the_hour_and_the_place_put_it() -> None:
    # Sidereal time runs 366.2422 turns in 365.2422 days: 15.041068 degrees an hour.
    here = GIVEN.zenith()
    for ahead_h, turn in ((1.0, 15.041068), (-2.0, -30.082136), (24.0, 360.985647)):
        moved = GIVEN.zenith(ahead_h)
        assert math.degrees(here.sidereal_rad - moved.sidereal_rad) == pytest.approx(turn, abs=1e-4)
        assert moved.latitude_rad == here.latitude_rad == math.radians(47.0)
    east = GIVEN.zenith(site=Site(-20.0, 26.0))
    assert math.degrees(east.sidereal_rad - here.sidereal_rad) == pytest.approx(15.0)
    assert math.degrees(east.latitude_rad) == -20.0
    # At Greenwich the Earth rotation angle itself (IERS Conventions 2010, equation 5.15).
    days = (NIGHT - datetime(2000, 1, 1, 12)) / timedelta(days=1)
    turns = 0.7790572732640 + 1.00273781191135448 * days
    assert Given(Site(0, 0), NIGHT, ()).zenith().sidereal_rad == pytest.approx(
        turns % 1 * 2 * math.pi, abs=1e-9
    )


@pytest.mark.parametrize(
    ("ahead_min", "sigma_deg", "said"),
    [
        # One minute is 0.171 degrees at 47 north; an error of 0.7 min and more, told from 3 of it.
        (4.0, 0.02, "the clock is 4.0 ± 0.7 min ahead, or the site lies 1.0° further west than"),
        (-4.0, 0.02, "the clock is 4.0 ± 0.7 min behind, or the site lies 1.0° further east than"),
        (2.2, 0.02, "2.2 ± 0.7 min ahead"),
        (2.0, 0.02, ""),
        (4.0, 0.5, ""),  # chi squared of 1.9
    ],
)
def test_a_small_difference_is_told_from_three_of_its_errors_on(
    monkeypatch: pytest.MonkeyPatch, ahead_min: float, sigma_deg: float, said: str
) -> None:
    monkeypatch.setattr(clock, "nearest_misfit", lambda *_: 0.0)
    held = replace(UNHELD, information=np.eye(2) / math.radians(sigma_deg) ** 2)
    monkeypatch.setattr(clock, "bounds_of", lambda _: held)
    verdict = clock_verdict(GIVEN, stars(ahead_min / 60, sigma_deg))
    assert verdict.wrong == "" and verdict.offers == ()
    assert said in verdict.small and bool(verdict.small) == bool(said)
    assert not verdict.small or verdict.small.endswith("nothing was changed for it.")


def test_the_error_of_a_small_difference_has_all_its_parts(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(clock, "nearest_misfit", lambda *_: 0.0)
    # A minute: 15.041068 / 60 degrees of hour angle, times cos 47.
    minute = math.radians(15.041068 / 60) * math.cos(math.radians(47))
    information = np.diag([1 / minute**2, 1.0])  # the stars: one minute
    shifts = np.array([[2.4 * minute, 0.0], [0.0, 9.0]])  # the air: 2.4, and to the north
    monkeypatch.setattr(clock, "bounds_of", lambda _: Bounds(shifts, information))
    small = clock_verdict(GIVEN, stars(0.2, 0.05)).small
    assert f"12.0 ± {math.sqrt(1 + 2.4**2 + 0.7**2):.1f} min ahead" in small
    # A way to the north is no minute.
    north = Stars(away(GIVEN.zenith(), np.array([0.0, 0.05])), 0.05)
    assert clock_verdict(GIVEN, north).small == ""  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("chi2", "apart", "near", "wrong"),
    [(29, 1, 99, False), (31, 1, 99, True), (31, 0.0149, 99, False), (31, 0.0151, 99, True),
     (31, 1, 3.9, False), (31, 1, 4.1, True)],
)  # fmt: skip
def test_stars_contradict_a_zenith_from_a_chi_squared_of_thirty_on(
    monkeypatch: pytest.MonkeyPatch, chi2: float, apart: float, near: float, wrong: bool
) -> None:
    monkeypatch.setattr(clock, "nearest_misfit", lambda *_: near)
    off_deg = math.degrees(GIVEN.zenith(0.3).apart_rad(GIVEN.zenith()))
    said = contradiction(GIVEN, stars(0.3, off_deg / math.sqrt(chi2), apart=apart))
    assert said == (
        "the air bends the star field towards another zenith than theirs" if wrong else ""
    )


@pytest.mark.parametrize("ahead_h", [1.0, -1.0, 3.5, -5.75])
def test_a_wrong_zone_is_offered_as_a_zone(ahead_h: float) -> None:
    verdict = clock_verdict(GIVEN, stars(ahead_h))
    assert "another zenith" in verdict.wrong and verdict.small == ""
    way, more = ("ahead", "greater") if ahead_h > 0 else ("behind", "smaller")
    (offer,) = verdict.offers
    # Half a degree is 0.05 h at 47 north; chi squared of 12 is 3.5 of it, on the grid of 0.1 h.
    assert offer == (
        f"a clock {abs(ahead_h):g} h {way} (within 0.1 h), so a UTC offset that much {more} than "
        "was taken"
    )
    assert verdict.notice == (
        f"The clock or the site is wrong: {verdict.wrong}. What would fit: {offer}. The frames "
        "were judged without both, and nothing that needs the time or the place was computed; "
        "give clock and site in the night notes."
    )


def test_an_offset_is_offered_as_the_nearest_quarter_of_an_hour() -> None:
    # The site's longitude with the other sign is 1.47 h, and offered as well.
    _, offer = clock_verdict(GIVEN, stars(1.4, 0.2)).offers
    assert offer.startswith("a clock 1.5 h ahead (within 0.1 h)")
    (offer,) = clock_verdict(GIVEN, stars(-4.6, 4.0)).offers
    assert offer.startswith("a clock 4.5 h behind (within 1.3 h)")
    # No more than its own error: no zone.
    for ahead_h in (0.1, -0.1):
        verdict = clock_verdict(GIVEN, stars(ahead_h, 0.1))
        assert verdict.wrong and verdict.offers == ()


@pytest.mark.parametrize(("sigma_deg", "offered"), [(8.0, True), (9.5, False)])
def test_an_offset_that_is_known_to_three_hours_is_offered(sigma_deg: float, offered: bool) -> None:
    # 3.46 of 8 degrees are 2.7 h at 47 north, and 3.2 h of 9.5.
    evidence = stars(6.0, sigma_deg)
    verdict = clock_verdict(GIVEN, evidence)
    assert verdict.wrong
    assert any("clock" in one for one in verdict.offers) == offered


def test_signs_of_the_site_that_fit_are_offered() -> None:
    south = GIVEN.zenith(site=Site(-47.0, 11.0))
    assert clock_verdict(GIVEN, Stars(south, 0.5)).offers[0] == (  # type: ignore[arg-type]
        "a latitude of the other sign"
    )
    west = Given(Site(47.0, 22.0), NIGHT, (0.0,))
    evidence: Any = Stars(west.zenith(site=Site(47.0, -22.0)), 0.5)
    assert clock_verdict(west, evidence).offers[0] == "a longitude of the other sign"
    # 22 degrees to either side are 2.93 h.
    assert clock_verdict(west, evidence).offers[1].startswith("a clock 3 h ahead (within 0.1 h)")


@pytest.mark.parametrize(("hours", "day"), [(-8.0, True), (0.0, False), (8.5, True), (7.2, False)])
def test_frames_by_day_are_no_frames_of_stars(hours: float, day: bool) -> None:
    ahead_h = -hours
    said = contradiction(GIVEN, None, ahead_h)
    assert said == ("the frames would have been taken by day" if day else "")
    assert math.isinf(misfit_at(GIVEN, None, ahead_h)) == day
    assert day or math.isnan(misfit_at(GIVEN, None, ahead_h))
    when = Time([NIGHT + timedelta(hours=hours, seconds=s) for s in GIVEN.seconds])
    when.delta_ut1_utc = 0.0  # ours takes it as zero
    place = EarthLocation(lat=47.0, lon=11.0, height=900.0)
    height = get_sun(when).transform_to(Horizon(obstime=when, location=place)).alt.deg
    # Astropy's Sun has no air; ours is geometric as well, to 0.02 degrees.
    for moment, deg in zip(when, height, strict=True):
        ours = ObservedSky(moment.to_datetime(), SITE).sun_altitude_deg()
        lift = 1.02 / 60 / math.tan(math.radians(max(deg, -0.5) + 10.3 / (max(deg, -0.5) + 5.11)))
        assert deg - 0.02 < ours < deg + lift + 0.02
    middle = float(np.median(height))
    assert GIVEN.sun_above(middle - 1.0, ahead_h) and not GIVEN.sun_above(middle + 1.0, ahead_h)


def test_what_is_too_bright_is_not_offered() -> None:
    # At 7:05 UTC the Sun stands 2 degrees below the horizon: no frame of stars, not yet day.
    dawn = replace(GIVEN, utc=datetime(2026, 12, 14, 3, 5))
    evidence: Any = Stars(dawn.zenith(-4.0), 0.3)
    assert clock_verdict(dawn, evidence).wrong
    assert clock_verdict(dawn, evidence).offers == ()
    earlier: Any = Stars(dawn.zenith(-3.0), 0.3)
    assert clock_verdict(dawn, earlier).offers[0].startswith("a clock 3 h behind")


def test_stars_below_the_horizon_contradict_a_clock() -> None:
    evidence = stars(2.0, 0.5, below_deg=10.0)
    verdict = clock_verdict(GIVEN, evidence)
    assert verdict.wrong == "stars that show would have been below the horizon"
    assert verdict.offers[0].startswith("a clock 2 h ahead")
    assert misfit_at(GIVEN, evidence) == math.inf
    assert misfit_at(GIVEN, evidence, 2.0) == 0.0
    assert misfit_at(GIVEN, stars(0.0, 1.0), 0.1) == pytest.approx(
        math.degrees(GIVEN.zenith(0.1).apart_rad(GIVEN.zenith())) ** 2, rel=1e-6
    )


def test_a_time_line_begins_where_the_first_known_frame_says() -> None:
    known = given_of([(None, 5.0), (NIGHT, 100.0), (NIGHT + timedelta(hours=9), 200.0)], SITE)
    assert known == Given(SITE, NIGHT - timedelta(seconds=100), (100.0, 200.0))
    assert given_of([(NIGHT, 1.0)], None) is None and given_of([(None, 1.0)], SITE) is None


def test_ways_between_zeniths_are_there_and_back() -> None:
    here = Zenith(1.0, 0.8)
    for way in ([0.0, 0.0], [0.3, 0.0], [0.0, -0.2], [0.5, 0.6]):
        there = away(here, np.array(way))
        assert offset_between(here, there) == pytest.approx(way, abs=1e-12)
        assert here.apart_rad(there) == pytest.approx(math.hypot(*way), abs=1e-9)
    north = away(here, np.array([0.0, 0.1]))
    assert (north.sidereal_rad, north.latitude_rad) == pytest.approx((1.0, 0.9))
    assert away(Zenith(1.0, 0.0), np.array([0.1, 0.0])).sidereal_rad == pytest.approx(1.1)
