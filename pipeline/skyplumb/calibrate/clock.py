"""What a night's clock and site are worth, by its stars, its horizon and the Sun.

Nothing is believed that the sky contradicts: a field below the horizon, stars by day, or a
zenith (see `zenith`) that fits far worse than the best one and is far from all that fit, further
than a degree beyond what is not known of air and lens may have moved them (see `zenith_bounds`).
Then the offset of the clock, or the site of the other sign, that would fit is looked for. A small
difference is told and takes nothing away.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from skyplumb.calibrate.sky import ObservedSky, Site, sidereal_angle_rad
from skyplumb.calibrate.zenith import SIDEREAL_RAD_S, Zenith, ZenithEvidence
from skyplumb.calibrate.zenith_bounds import Bounds, bounds_of, nearest_misfit, offset_between

CONTRADICTED = 30.0
"""Chi squared of two numbers: by chance one night in three million. The errors that neighbouring
stars share are in it already."""
SMOOTH_PX = 0.015
"""How far stars may stand from where a camera and the air would put them, smoothly over the field,
by how they are trailed and found, px, root mean square. Empirical: 0.007 of one night whose stars
were trailed by 5 px at 80 degrees of altitude."""
FITS = 12.0
"""Chi squared within which another time or site is as good as the best (three sigma)."""
NEAR_FITS = 4.0
"""The same of a zenith near the given one, where what air and lens may do to it is allowed for
already (two sigma)."""
DAY_DEG = 0.0
"""Altitude of the Sun above which no frame shows a field of stars."""
DARK_DEG = -4.0
"""The same for times that are offered: the brightest stars come out before the end of civil
twilight, at -6 degrees."""
TOLD_SIGMAS, TOLD_MIN = 3.0, 1.0
"""A small difference of the clock is told from so many of its own errors and minutes on."""
UNEVEN_MIN = 0.7
"""Error of the clock where the stars' scatter alone holds it to seconds: the camera was fitted
before the air was known. Empirical: 0.6, 0.7 and 0.8 min on three such nights, two of them of
`tests.bench.clocks`, seeds 101,000 and 101,019."""
STEP_H = 0.1
ZONE_STEP_H = 0.25
"""Offsets from UTC are whole quarter hours (the time zone database), so that the one nearest to a
clock's is within a step of it."""
SEARCH_H = 12.0
ROUGHEST_OFFER_H = 3.0
"""An offset known no better than this to either side is no help."""


@dataclass(frozen=True, slots=True)
class Given:
    """Clock and site of a night as they are given."""

    site: Site
    utc: datetime
    """At zero of the session's own time line."""
    seconds: tuple[float, ...]
    """Middles of the frames that were solved, on that time line."""

    def zenith(self, ahead_h: float = 0.0, site: Site | None = None) -> Zenith:
        """The zenith if the clock is ahead by so much, over another site."""
        over = site or self.site
        angle = sidereal_angle_rad(self.utc) - SIDEREAL_RAD_S * 3600 * ahead_h
        return Zenith(
            float(angle + np.radians(over.longitude_deg)), float(np.radians(over.latitude_deg))
        )

    def sun_above(self, altitude_deg: float, ahead_h: float) -> bool:
        """Whether most solved frames would have been taken with the Sun so high."""
        times = [self.utc + timedelta(seconds=s, hours=-ahead_h) for s in self.seconds]
        heights = [ObservedSky(time, self.site).sun_altitude_deg() for time in times]
        return bool(heights) and float(np.median(heights)) > altitude_deg


@dataclass(frozen=True, slots=True)
class ClockVerdict:
    """Whether clock and site can be believed."""

    wrong: str = ""
    """What contradicts them, in words; empty if nothing does."""
    offers: tuple[str, ...] = ()
    """What would fit, in words."""
    small: str = ""
    """A small difference, in words; empty if there is none or it is not clear."""

    @property
    def notice(self) -> str:
        """What a reader must know, with the mend; empty if there is nothing to know."""
        if not self.wrong:
            return self.small
        words = f"The clock or the site is wrong: {self.wrong}."
        if self.offers:
            words += f" What would fit: {'; or '.join(self.offers)}."
        return (
            f"{words} The frames were judged without both, and nothing that needs the time or "
            "the place was computed; give clock and site in the night notes."
        )


def clock_verdict(given: Given, evidence: ZenithEvidence | None) -> ClockVerdict:
    """Hold clock and site against the sky."""
    wrong = contradiction(given, evidence)
    if wrong:
        return ClockVerdict(wrong, tuple(_offers(given, evidence)))
    return ClockVerdict(small=_small_difference(given, evidence))


def contradiction(given: Given, evidence: ZenithEvidence | None, ahead_h: float = 0.0) -> str:
    """What speaks against a clock that is ahead by so much, in words; empty if nothing does."""
    here = given.zenith(ahead_h)
    wrong = []
    if given.sun_above(DAY_DEG, ahead_h):
        wrong.append("the frames would have been taken by day")
    if evidence is not None and not np.isfinite(evidence.chi2(here)):
        wrong.append("stars that show would have been below the horizon")
    elif evidence is not None and _far_from_stars(evidence, here):
        wrong.append("the air bends the star field towards another zenith than theirs")
    return " and ".join(wrong)


def _far_from_stars(evidence: ZenithEvidence, zenith: Zenith) -> bool:
    """Whether a zenith and all near it are none that the stars show.

    Where many stars make the best zenith known to minutes of arc, a law of refraction that is not
    quite this night's contradicts the right one, while a wrong clock is degrees away.
    """
    if evidence.best is None or evidence.misfit(zenith) < CONTRADICTED:
        return False
    if evidence.apart_px(zenith) < SMOOTH_PX:
        return False
    return nearest_misfit(evidence, zenith, bounds_of(evidence)) > NEAR_FITS


def _refuted(given: Given, evidence: ZenithEvidence, ahead_h: float = 0.0) -> bool:
    """Whether it is too bright or too far from the stars' zenith to be offered."""
    return given.sun_above(DARK_DEG, ahead_h) or bool(contradiction(given, evidence, ahead_h))


def _small_difference(given: Given, evidence: ZenithEvidence | None) -> str:
    """By how little the clock differs from the stars, where they tell."""
    if evidence is None or evidence.best is None:
        return ""
    here = given.zenith()
    if evidence.misfit(here) < FITS:
        return ""
    bounds = bounds_of(evidence)
    minutes, sigma = _minutes_ahead(given, bounds, offset_between(here, evidence.best))
    told = abs(minutes) > max(TOLD_SIGMAS * sigma, TOLD_MIN)
    if not told or evidence.misfit(given.zenith(minutes / 60)) > FITS:
        return ""
    way, side = ("ahead", "west") if minutes > 0 else ("behind", "east")
    return (
        f"By the stars the clock is {abs(minutes):.1f} ± {sigma:.1f} min {way}, or the site lies "
        f"{abs(minutes) / 4:.1f}° further {side} than it is given; nothing was changed for it."
    )


def _minutes_ahead(
    given: Given, bounds: Bounds, offset_rad: NDArray[np.float64]
) -> tuple[float, float]:
    """Clock error alone that moves the zenith most of such a way, and its error, minutes."""
    # A minute ahead puts the zenith this far east of its true place.
    turn = np.cos(np.radians(given.site.latitude_deg)) * 60 * SIDEREAL_RAD_S
    east = np.array([-max(turn, 1e-9), 0.0])
    held = bounds.information @ east
    norm = float(east @ held)
    errors = bounds.shifts @ held / norm
    sigma = np.linalg.norm([norm**-0.5, UNEVEN_MIN, *errors])
    return float(offset_rad @ held) / norm, float(sigma)


def misfit_at(given: Given, evidence: ZenithEvidence | None, ahead_h: float = 0.0) -> float:
    """How badly a clock that is ahead by so much fits the sky.

    Chi squared of two numbers beyond the best zenith's; inf by day or below the horizon; NaN
    where the stars say nothing.
    """
    if given.sun_above(DAY_DEG, ahead_h):
        return float(np.inf)
    if evidence is None or evidence.best is None:
        return float("nan")
    misfit = evidence.misfit(given.zenith(ahead_h))
    return misfit if np.isfinite(misfit) else float(np.inf)


def _offers(given: Given, evidence: ZenithEvidence | None) -> list[str]:
    """Corrections that the stars allow, in words."""
    if evidence is None or evidence.best is None:
        return []
    most = round(SEARCH_H / STEP_H)
    hours = np.arange(-most, most + 1).astype(np.float64) * STEP_H
    misfits = evidence.chi2_of_each([given.zenith(float(h)) for h in hours])
    misfits = misfits - evidence.chi2(evidence.best)
    as_good = max(float(misfits.min()), 0.0) + FITS
    found = []
    site = given.site
    for words, other in (
        ("a latitude of the other sign", replace(site, latitude_deg=-site.latitude_deg)),
        ("a longitude of the other sign", replace(site, longitude_deg=-site.longitude_deg)),
    ):
        there = replace(given, site=other)
        if evidence.misfit(there.zenith()) < as_good and not _refuted(there, evidence):
            found.append(words)
    fits = misfits < as_good
    if _refuted(given, evidence, float(hours[np.argmin(misfits)])):
        return found
    low, high = _span_around(hours, misfits, fits)
    middle = (low + high) / 2
    sharp = high - low < 2 * ROUGHEST_OFFER_H and abs(middle) > STEP_H
    if sharp and not given.sun_above(DARK_DEG, middle):
        way, more = ("ahead", "greater") if middle > 0 else ("behind", "smaller")
        error = max((high - low) / 2, STEP_H)
        zone = round(abs(middle) / ZONE_STEP_H) * ZONE_STEP_H
        found.append(
            f"a clock {zone:g} h {way} (within {error:.1f} h), so a UTC offset that much {more} "
            "than was taken"
        )
    return found


def _span_around(
    hours: NDArray[np.float64], misfits: NDArray[np.float64], fits: NDArray[np.bool_]
) -> tuple[float, float]:
    """First and last hour that fit; an endless span if none does, or two far apart."""
    if not fits.any():
        return -np.inf, np.inf
    # Minus twelve and plus twelve hours are one.
    best = int(np.argmin(misfits))
    which = np.flatnonzero(fits)
    around = (hours[which] - hours[best] + 12) % 24 - 12
    return float(hours[best] + around.min()), float(hours[best] + around.max())


def given_of(starts: Sequence[tuple[datetime | None, float]], site: Site | None) -> Given | None:
    """Clock and site of solved frames, from their UTC and time line; None if unknown.

    Frames without UTC have no say.
    """
    known = [(utc, seconds) for utc, seconds in starts if utc is not None]
    if site is None or not known:
        return None
    zero = known[0][0] - timedelta(seconds=known[0][1])
    return Given(site, zero, tuple(seconds for _, seconds in known))
