"""The fit of one placement -> the turn of each adjustment, or in words why none can be told.

A turn is told only where the fit tells one axis, its direction is known, the turn is at least
twice its error, and without it some exposure would be shorter.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from skyplumb.calibrate.light import Light
from skyplumb.calibrate.sky import SIDEREAL_RATE_ARCSEC_S
from skyplumb.check.exposures import Beyond
from skyplumb.judge.mount import FEWEST_FRAMES, MountFit
from skyplumb.judge.mount.fit import FLEXURE_OR_RATE, POOR_MISFIT
from skyplumb.judge.mount.regression import slip_pull
from skyplumb.records import NAN

Floats = NDArray[np.float64]

CLEAR_SIGMAS = 2.0
"""A turn smaller than so many of its errors may be one the wrong way."""
WORTH = 1.1
"""An exposure that grows by less is no other exposure (our choice)."""
ONE_PART_DEG = 25.0
"""Frames no further apart look at one part of the sky, as the mount's fit has it."""
STOPS = ("half speed", "not tracking")
"""Rates at which the frames say little of the axis."""
ALIKE_CHI2 = 13.8
"""Of two numbers, 1 in 1000 (chi-squared table): what an exact axis may leave to a slip."""
ARCMIN_A_RAD = 180 * 60 / np.pi

NO_ZONE = "clock: {utc_offset_h: 2}"
NO_SITE = "site: {latitude_deg: 46.6, longitude_deg: 9.9}"


@dataclass(frozen=True, slots=True)
class Turn:
    """Of one adjustment."""

    adjustment: str
    """altitude or azimuth."""
    arcmin: float
    """Raise the axis (+), or turn the base towards east (+), along the horizon."""
    sigma_arcmin: float
    why_not: str = ""
    """Why it is not to be made; empty for one that is."""

    @property
    def told(self) -> bool:
        return not self.why_not


@dataclass(frozen=True, slots=True)
class Moved:
    """How one adjustment was turned since the placement before."""

    adjustment: str
    asked_arcmin: float
    """0 where none was asked; signs as those of `Turn`."""
    moved_arcmin: float
    sigma_arcmin: float


@dataclass(frozen=True, slots=True)
class Axis:
    """Where the polar axis points, and what to turn."""

    off_arcmin: float = NAN
    """From the true pole, on the sky."""
    sigma_arcmin: float = NAN
    low_arcmin: float = NAN
    high_arcmin: float = NAN
    """95 % range, where no one number is told."""
    why_no_turn: str = ""
    """Why no turn is told; empty where turns are, if only to say that none is needed."""
    notes_line: str = ""
    """The line of night notes with which a turn could be told; empty where that is not it."""
    turns: tuple[Turn, ...] = ()
    moved: tuple[Moved, ...] = ()
    """Since the placement before; empty where one of the two is not known."""
    north: bool = True
    """Whether the pole of the site is the northern one."""
    known: bool = False
    """Whether one axis is told for certain."""


def axis_of(fit: MountFit, lights: Sequence[Light], beyond: Beyond | None) -> Axis:
    """Where one placement's axis points and, where that is sure, the turn of each adjustment.

    Whether a turn would change an exposure is left to `without_idle_turns`, which knows the lens.
    """
    low, high = fit.axis_range_arcmin
    off, sigma = fit.axis_total_error_arcmin, fit.axis_sigmas_arcmin[2]
    base = Axis(off, sigma, low, high, north=not fit.latitude_deg < 0)
    why, line = _no_direction(fit, lights)
    why = why or _unsure(fit, lights)
    if why or beyond is None:
        if fit.why_not:
            base = replace(base, off_arcmin=NAN, sigma_arcmin=NAN)
        return replace(base, why_no_turn=why or "the frames tell no axis", notes_line=line)
    sigmas = _sigmas(fit)
    parts = (
        ("altitude", -fit.axis_alt_error_arcmin, sigmas[0]),
        ("azimuth", -fit.axis_az_error_arcmin, sigmas[1]),
    )
    turns = tuple(Turn(*part, _too_small(*part[1:])) for part in parts)
    wider = float(np.hypot(sigma, _doubt_arcmin(fit)))
    return replace(base, sigma_arcmin=wider, turns=turns, known=True)


def _too_small(arcmin: float, sigma: float) -> str:
    return "" if abs(arcmin) > CLEAR_SIGMAS * sigma else "smaller than twice its error"


def _sigmas(fit: MountFit) -> tuple[float, float]:
    """Errors of altitude and azimuth, arcmin, with what a head that gives way leaves open."""
    doubt = _doubt_arcmin(fit)
    flat = max(float(np.cos(np.radians(fit.latitude_deg))), 1e-3)
    altitude, azimuth, _ = fit.axis_sigmas_arcmin
    return float(np.hypot(altitude, doubt)), float(np.hypot(azimuth, doubt / flat))


def _doubt_arcmin(fit: MountFit) -> float:
    """How far a head that gives way may have turned the axis that was found.

    Where a rate is seen that may be that of a head that bends: as its droop goes round with the
    sky, it turns axis and rate alike. Where a slip is seen: what its speed is not known to.
    """
    bent = slip = 0.0
    if FLEXURE_OR_RATE in fit.degenerate_with:
        bent = abs(fit.rate_error_ppm) * 1e-6 * ARCMIN_A_RAD
    if np.isfinite(fit.slip_sigma):
        slip = fit.slip_sigma / (60 * SIDEREAL_RATE_ARCSEC_S) * ARCMIN_A_RAD
    return float(np.hypot(bent, slip))


def _no_direction(fit: MountFit, lights: Sequence[Light]) -> tuple[str, str]:
    """Whether time and place are missing: in words, and the line of notes that gives them."""
    if fit.earth_fixed and any(_observed(light) for light in lights):
        return "", ""
    info = lights[-1].info
    placed = np.isfinite(info.latitude_deg) and np.isfinite(info.longitude_deg)
    if lights[-1].start_utc is None and not placed:
        return "neither zone of the clock nor position is known", f"{NO_ZONE}\n{NO_SITE}"
    if lights[-1].start_utc is None:
        return "the clock's zone is not known", NO_ZONE
    if not placed:
        return "the position is not known", NO_SITE
    if not any(light.pointing.solved for light in lights):
        return "", ""
    return "the clock and the position do not fit the stars", NO_ZONE


def _observed(light: Light) -> bool:
    sky = light.pointing.sky
    return light.pointing.solved and sky is not None and sky.observed


def _unsure(fit: MountFit, lights: Sequence[Light]) -> str:
    """What else than one axis may have drawn these frames; empty where that is not likely."""
    if fit.backwards or fit.rate_name in STOPS:
        return "the drive has to be set right first"
    if fit.why_not and sum(light.pointing.solved for light in lights) < FEWEST_FRAMES:
        if len(lights) >= FEWEST_FRAMES:
            found = sum(light.pointing.solved for light in lights)
            return f"only {found or 'none'} of {len(lights)} frames found on the sky"
        return f"it takes {FEWEST_FRAMES} frames of one aim that nobody touches"
    if fit.why_not:
        return fit.why_not
    others = [one for one in fit.degenerate_with if one != FLEXURE_OR_RATE]
    if others:
        return others[0]
    if not fit.sign_known or fit.may_be_none:
        return "the trails of single frames do not tell which way"
    if fit.misfit > POOR_MISFIT:
        return "one axis and rate do not hold all of these frames: was something moved in between?"
    if np.isfinite(fit.slip_arcsec_per_min) and not fit.rate_known and one_part_of_the_sky(lights):
        slip = fit.slip_arcsec_per_min
        return (
            f"a head that slips {slip:.0f} arcsec a minute and a drive at a wrong rate look alike"
        )
    return _slip_alike(fit, lights)


def _slip_alike(fit: MountFit, lights: Sequence[Light]) -> str:
    """Words where a head that slips under an exact axis would have turned the camera the same."""
    solved = [light for light in lights if _observed(light)]
    if not solved or not one_part_of_the_sky(solved) or np.isfinite(fit.slip_arcsec_per_min):
        return ""
    phi = np.radians(fit.latitude_deg)
    zenith = np.array([np.cos(phi), 0.0, np.sin(phi)])
    forward = np.mean([light.pointing.attitude[2] for light in solved], axis=0)
    turn = -fit.axis_rate * SIDEREAL_RATE_ARCSEC_S
    pull = slip_pull(zenith, forward, evenly=False)
    inverse = np.linalg.pinv(fit.covariance * SIDEREAL_RATE_ARCSEC_S**2, hermitian=True)
    speed = float(pull @ inverse @ turn) / max(float(pull @ inverse @ pull), 1e-30)
    left = turn - speed * pull
    if speed <= 0 or float(left @ inverse @ left) > ALIKE_CHI2:
        return ""
    slip = speed * 60 * float(np.linalg.norm(pull))
    if fit.axis_total_error_arcmin < CLEAR_SIGMAS * fit.axis_sigmas_arcmin[2]:
        return ""
    return (
        f"an axis {fit.axis_total_error_arcmin:.0f} arcmin off or, with an exact one, a head that "
        f"slips {slip:.0f} arcsec a minute"
    )


def one_part_of_the_sky(lights: Sequence[Light]) -> bool:
    """Whether all solved frames look within `ONE_PART_DEG` of each other."""
    forward = np.array([light.pointing.attitude[2] for light in lights if light.pointing.solved])
    if len(forward) == 0:
        return True
    return bool(np.degrees(np.arccos(np.clip(forward @ forward.T, -1, 1))).max() <= ONE_PART_DEG)


def without_idle_turns(axis: Axis, shortest_s: dict[tuple[int, ...], float]) -> Axis:
    """The same without the turns that would change no exposure.

    Parameters
    ----------
    axis : Axis
    shortest_s : dict
        The longest exposure in the worst direction once these adjustments (0 altitude, 1 azimuth)
        are turned, for every choice of them.
    """
    wanted = tuple(n for n, turn in enumerate(axis.turns) if turn.told)
    for n in sorted(wanted, key=lambda n: abs(axis.turns[n].arcmin)):
        fewer = tuple(m for m in wanted if m != n)
        if shortest_s[wanted] < WORTH * shortest_s[fewer]:
            wanted = fewer
    turns = tuple(
        replace(turn, why_not="would change no exposure") if turn.told and n not in wanted else turn
        for n, turn in enumerate(axis.turns)
    )
    return replace(axis, turns=turns)


def moved_since(before: Axis, now: Axis) -> tuple[Moved, ...]:
    """What was turned between two placements, beside what was asked."""
    if not (before.known and now.known):
        return ()
    return tuple(
        Moved(
            was.adjustment,
            was.arcmin if was.told else 0.0,
            was.arcmin - left.arcmin,  # what had to be turned, less what still has
            float(np.hypot(was.sigma_arcmin, left.sigma_arcmin)),
        )
        for was, left in zip(before.turns, now.turns, strict=True)
    )
