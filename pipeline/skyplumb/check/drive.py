"""What the drive does, as a mount's fit or two or three frames tell: right, wrong, or not known."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from skyplumb.check.exposures import SURE_SIGMAS, Beyond, KnownLens
from skyplumb.check.turns import STOPS, WORTH
from skyplumb.judge.facts import FrameFacts
from skyplumb.judge.mount import MountFit
from skyplumb.judge.mount.result import BACKWARDS, rate_name_of
from skyplumb.judge.scene import surroundings_of
from skyplumb.records import NAN
from skyplumb.season.drift import USUAL_ALTITUDE_DEG

CLEAR = 3.0
"""Sigmas from which on a rate or a slip is a fault; the same as in the advice of an audit."""
NAMED_WITHIN = 0.03
"""How well two or three frames tell a rate."""
CLEAR_OF_SLIPS = (*STOPS, BACKWARDS)
"""Rates that are so wrong that no head slips as fast."""
ASKED_S = 480.0
"""Exposures that a small tracker is asked for, at most (common practice, no source): a rate that
shortens longer ones alone costs nothing."""
SMALL_PPM = 500.0
"""A rate that is off by less is as right as small trackers are (our choice, no source)."""
MOST_OF_TWO = 0.3
"""A drift across right ascension of more than so much of the sky's own is no drive's."""


@dataclass(frozen=True, slots=True)
class Drive:
    """What the drive does."""

    state: str
    """right, wrong, or not known."""
    words: str
    rate_error_ppm: float = NAN
    sigma_ppm: float = NAN


def drive_of(
    fit: MountFit, beyond: Beyond | None, facts: Sequence[FrameFacts], lens: KnownLens
) -> Drive:
    """Right, or wrong by what.

    Parameters
    ----------
    fit : MountFit
    beyond : Beyond or None
        How the camera turns beyond the sky; None where that is not known.
    facts : sequence of FrameFacts
        Of the newest placement.
    lens : KnownLens
        Which the rate may cost exposures.
    """
    ppm, sigma = fit.rate_error_ppm, fit.rate_sigma_ppm
    name = BACKWARDS if fit.backwards else fit.rate_name
    few = _rate_of_few(facts) if fit.why_not or not np.isfinite(ppm) else ""
    name = name or (few if few in CLEAR_OF_SLIPS else "")
    if name:
        return Drive(
            "wrong", _NAMED.get(name, f"it runs at {name}: set it to sidereal"), ppm, sigma
        )
    if fit.why_not or not np.isfinite(ppm) or beyond is None:
        if not fit.rate_known:
            return Drive("not known", "taken as right, to tell a slip from it")
        as_well = f"perhaps at {few}; a head that slips or an axis far off draws the same"
        return Drive("not known", as_well if few else "")
    clear = abs(ppm) > CLEAR * sigma
    off = f"{abs(ppm) / 1e4:.2g}% too {'fast' if ppm > 0 else 'slow'}"
    if clear and _rate_costs(ppm, beyond, lens):
        return Drive("wrong", f"it runs {off}", ppm, sigma)
    if _rate_costs(abs(ppm) + SURE_SIGMAS * sigma, beyond, lens):
        return Drive("not known", "no fault seen, but these frames leave its rate wide", ppm, sigma)
    if clear and abs(ppm) > SMALL_PPM:
        up_to = f"up to {ASKED_S / 60:.0f} min with this lens"
        return Drive("right", f"{off}, which costs nothing {up_to}", ppm, sigma)
    return Drive("right", "rate right", ppm, sigma)


_NAMED = {
    BACKWARDS: "it turns the wrong way: set the hemisphere",
    "not tracking": "it does not run: check power, clutch and switch",
    "half speed": "it runs at half speed: set it to sidereal",
}


def _rate_costs(ppm: float, beyond: Beyond, lens: KnownLens) -> bool:
    """Whether so wrong a rate shortens exposures on the celestial equator, beside the axis error or
    once that is turned out."""
    limit, equator = lens.limit_px * lens.scale_arcsec_px, np.array([1.0, 0.0, 0.0])

    def costs(right: Beyond) -> bool:
        wrong = replace(right, rate=right.rate + np.array([0.0, 0.0, ppm * 1e-6]))
        exposures = [way.longest_s(limit, equator, USUAL_ALTITUDE_DEG) for way in (right, wrong)]
        return min(exposures[0], ASKED_S) > WORTH * exposures[1]

    return costs(beyond.without(2)) or costs(beyond.without(0, 1, 2))


def _rate_of_few(facts: Sequence[FrameFacts]) -> str:
    """Name of a rate that two or three frames show by how their stars went; empty for none."""
    along = []
    for fact in facts:
        around = fact.around or surroundings_of(fact.light)
        if not (np.isfinite(fact.drift.length_px) and around.sidereal_px > 0):
            continue
        turn = np.radians(fact.drift.angle_deg - around.east_deg)
        share = fact.drift.length_px / around.sidereal_px
        if abs(share * np.sin(turn)) < MOST_OF_TWO:
            along.append(share * np.cos(turn))
    return rate_name_of(float(np.median(along)), NAMED_WITHIN) if along else ""
