"""What a night's clock and site are worth, by its stars, its horizon and the Sun.

Nothing is believed that the sky contradicts: a field below the horizon, stars by day, or a
zenith (see `zenith`) that fits far worse than the best one. Then the offset of the clock, or
the site of the other sign, that would fit is looked for.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from skyplumb.calibrate.sky import ObservedSky, Site, sidereal_angle_rad
from skyplumb.calibrate.zenith import SIDEREAL_RAD_S, Zenith, ZenithEvidence

CONTRADICTED = 30.0
"""Chi squared of two numbers: by chance one night in three million. The errors that neighbouring
stars share are in it already."""
FITS = 12.0
"""Chi squared within which another time or site is as good as the best (three sigma)."""
DAY_DEG = 0.0
"""Altitude of the Sun above which no frame shows a field of stars."""
DARK_DEG = -4.0
"""The same for times that are offered: the brightest stars come out before the end of civil
twilight, at -6 degrees."""
STEP_H = 0.1
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

    def sun_above(self, altitude_deg: float, ahead_h: float = 0.0) -> bool:
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

    @property
    def notice(self) -> str:
        """What a reader must know, with the mend; empty if nothing is wrong."""
        if not self.wrong:
            return ""
        words = f"The clock or the site is wrong: {self.wrong}."
        if self.offers:
            words += f" What would fit: {'; or '.join(self.offers)}."
        return (
            f"{words} The frames were judged without both, and nothing that needs the time or "
            "the place was computed; give clock and site in the night notes."
        )


def clock_verdict(given: Given, evidence: ZenithEvidence | None) -> ClockVerdict:
    """Hold clock and site against the sky."""
    here = given.zenith()
    misfit = evidence.misfit(here) if evidence is not None and evidence.best else 0.0
    wrong = []
    if given.sun_above(DAY_DEG):
        wrong.append("the frames would have been taken by day")
    if evidence is not None and not np.isfinite(evidence.chi2(here)):
        wrong.append("stars that show would have been below the horizon")
    elif misfit > CONTRADICTED:
        wrong.append("the air bends the star field towards another zenith than theirs")
    if not wrong:
        return ClockVerdict()
    return ClockVerdict(" and ".join(wrong), tuple(_offers(given, evidence)))


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
    found = []
    site = given.site
    for words, other in (
        ("a latitude of the other sign", Site(-site.latitude_deg, site.longitude_deg)),
        ("a longitude of the other sign", Site(site.latitude_deg, -site.longitude_deg)),
    ):
        if evidence.misfit(given.zenith(site=other)) < FITS and not given.sun_above(DARK_DEG):
            found.append(words)
    hours = np.arange(-SEARCH_H, SEARCH_H + STEP_H / 2, STEP_H)
    misfits = evidence.chi2_of_each([given.zenith(float(h)) for h in hours])
    misfits = misfits - evidence.chi2(evidence.best)
    fits = misfits < min(float(misfits.min()) + FITS, CONTRADICTED)
    low, high = _span_around(hours, misfits, fits)
    middle = (low + high) / 2
    sharp = high - low < 2 * ROUGHEST_OFFER_H and abs(middle) > STEP_H
    if sharp and not given.sun_above(DARK_DEG, middle):
        way, more = ("ahead", "greater") if middle > 0 else ("behind", "smaller")
        found.append(
            f"a clock {abs(middle):.1f} h {way} (within {max((high - low) / 2, STEP_H):.1f} h), so "
            f"a UTC offset that much {more} than was taken"
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
