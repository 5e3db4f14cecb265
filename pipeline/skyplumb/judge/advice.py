"""For every cause that cost frames: the mend in plain words, and what it would have saved."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import timedelta

import numpy as np

from skyplumb.causes import CAUSES, LASER_CAUTION, Cause
from skyplumb.intake.rules import Rules
from skyplumb.judge.evidence import trail_axes
from skyplumb.judge.mount import MountFit
from skyplumb.judge.verdict import Judged, JudgedRun, would_keep
from skyplumb.summary import Advice


@dataclass(frozen=True, slots=True)
class _Lost:
    """One frame that was not kept, with its run."""

    run: JudgedRun
    frame: Judged

    @property
    def minutes(self) -> float:
        seconds = self.frame.facts.light.info.exposure_s
        return seconds / 60 if np.isfinite(seconds) else 0.0


def advise(runs: Sequence[JudgedRun], rules: Rules) -> list[Advice]:
    """Advice for a session, the mend that saves most first."""
    by_cause: dict[str, list[_Lost]] = defaultdict(list)
    everything = [
        _Lost(run, frame)
        for run in runs
        for frame in run.frames
        # Why a person turned a frame down is not known here.
        if frame.verdict != "keep" and not frame.rules_verdict
    ]
    for lost in everything:
        by_cause[lost.frame.cause].append(lost)
    out = []
    for cause, mine in by_cause.items():
        saved = [
            one
            for one in everything
            if CAUSES[cause].mend and would_keep(one.run, one.frame, cause, rules)
        ]
        out.append(
            Advice(
                cause=cause,
                frames=len(mine),
                minutes=round(sum(one.minutes for one in mine), 2),
                mend=_mend(CAUSES[cause], mine),
                saves_frames=len(saved),
                saves_minutes=round(sum(one.minutes for one in saved), 2),
                caution=LASER_CAUTION if cause == "axis" else "",
            )
        )
    return sorted(out, key=lambda a: (-a.saves_minutes, -a.frames, a.cause))


def _mend(cause: Cause, lost: Sequence[_Lost]) -> str:
    """The table's mend as a sentence, then what this night adds to it."""
    base = cause.mend or cause.no_mend
    details = _DETAILS[cause.name](lost) if cause.name in _DETAILS else ""
    return f"{base[0].upper()}{base[1:]}. {details}".strip()


def _axis(lost: Sequence[_Lost]) -> str:
    fit = lost[0].run.mount
    if not np.isfinite(fit.axis_alt_error_arcmin):
        size = fit.axis_total_error_arcmin
        off = f"It was about {size:.0f} arcmin off. " if np.isfinite(size) else ""
        return off + _shorter(lost)
    moves = [
        _move(fit.axis_alt_error_arcmin, "lower", "raise", fit.axis_sigmas_arcmin[0]),
        _move(fit.axis_az_error_arcmin, "turn west", "turn east", fit.axis_sigmas_arcmin[1]),
    ]
    told = [move for move in moves if move]
    if not told:
        return f"The axis is aligned as well as these frames can tell. {_shorter(lost)}"
    which = "upper" if fit.latitude_deg >= 0 else "southern, upper"
    return f"Its {which} end: {' and '.join(told)}. {_shorter(lost)}"


def _move(error: float, plus: str, minus: str, sigma: float) -> str:
    """How to move one end of the axis; empty if the error does not stand clear of its sigma."""
    if abs(error) < 2 * sigma:
        return ""
    return f"{plus if error > 0 else minus} by {abs(error):.0f} arcmin"


def _drive(lost: Sequence[_Lost]) -> str:
    fit = lost[0].run.mount
    parts = []
    if fit.rate_name:
        parts.append(f"The drive ran at {fit.rate_name}: set it to sidereal.")
    elif abs(fit.rate_error_ppm) > 3 * fit.rate_sigma_ppm and abs(fit.rate_error_ppm) > 300:
        way = "fast" if fit.rate_error_ppm > 0 else "slow"
        parts.append(f"The drive ran {abs(fit.rate_error_ppm) / 1e4:.2f} % too {way}.")
    if fit.periodic is not None:
        parts.append(
            f"It swings {fit.periodic.amplitude_arcsec:.0f} arcsec to either side every "
            f"{fit.periodic.period_s / 60:.1f} min, which only shorter exposures avoid."
        )
    parts.append(_shorter(lost))
    return " ".join(part for part in parts if part)


def _sag(lost: Sequence[_Lost]) -> str:
    fit = lost[0].run.mount
    if not np.isfinite(fit.slip_arcsec_per_min):
        return ""
    return f"It sank by {fit.slip_arcsec_per_min:.0f} arcsec a minute from {_onset(lost)} on."


def _onset(lost: Sequence[_Lost]) -> str:
    """When the head let go, by the camera's clock."""
    if lost[0].run.mount.slip_from_start:
        return "before the first frame"
    light = lost[0].frame.facts.light
    if light.info.clock is None:
        return light.file
    later = timedelta(seconds=lost[0].run.mount.slip_onset_s - light.order_s)
    half_a_minute = timedelta(seconds=30)
    return f"{light.info.clock + later + half_a_minute:%H:%M}"


def _wind(lost: Sequence[_Lost]) -> str:
    axes = trail_axes([one.frame.scene for one in lost])
    soft = ""
    if axes.frames >= 4 and axes.concentration > 0.9:
        soft = " They all shook along one line: one joint of the rig is soft there, brace it."
    return f"In gusts, more and shorter exposures lose less.{soft} {_shorter(lost)}".strip()


def _shorter(lost: Sequence[_Lost]) -> str:
    """The exposure at which these trails would meet the limit."""
    parts = []
    for run in {one.run.run.name: one.run for one in lost}.values():
        mine = [one.frame.facts for one in lost if one.run is run]
        trails = [fact.motion.trail_px for fact in mine if np.isfinite(fact.motion.trail_px)]
        exposure = run.run.lights[0].info.exposure_s
        if not trails or not np.isfinite(exposure):
            continue
        wanted = exposure * run.limits.trail_px.keep_up_to / float(np.median(trails))
        if 1 <= wanted < exposure:
            name = run.run.lights[0].info.lens or run.run.name
            parts.append(f"{_round_down(wanted):g} s with {name}")
    return f"As it was, shorten to {', '.join(parts)}." if parts else ""


def _round_down(seconds: float) -> float:
    """To two figures, never longer."""
    unit = 10 ** np.floor(np.log10(seconds) - 1)
    return float(np.floor(seconds / unit) * unit)


_DETAILS: dict[str, Callable[[Sequence[_Lost]], str]] = {
    "axis": _axis,
    "drive": _drive,
    "sag": _sag,
    "wind": _wind,
    "refraction": _shorter,
}
"""What is known of one night's fault besides its mend."""


def mount_faults(fit: MountFit) -> list[str]:
    """Faults of a mount that stand clear of their errors and are large enough to matter.

    Three sigma, and over two arcminutes of axis, 300 ppm of rate, two arcseconds of periodic
    error, three arcseconds a minute of slip or 150 arcsec of flexure: what a lens of 200 mm and
    pixels of 4 um turn into a tenth of a pixel a minute or less is no fault.
    """
    if fit.why_not:
        return [f"drive {fit.rate_name}"] if fit.rate_name else []
    out = []
    total, sigma = fit.axis_total_error_arcmin, fit.axis_sigmas_arcmin[2]
    if total > max(3 * sigma, 2.0):
        out.append(f"polar axis {total:.1f} arcmin off")
    if fit.rate_name:
        out.append(f"drive at {fit.rate_name}")
    elif abs(fit.rate_error_ppm) > max(3 * fit.rate_sigma_ppm, 300.0):
        out.append(f"drive {abs(fit.rate_error_ppm):.0f} ppm too {_fast(fit.rate_error_ppm)}")
    if fit.periodic is not None and fit.periodic.amplitude_arcsec > 2.0:
        out.append(
            f"periodic error {fit.periodic.amplitude_arcsec:.1f} arcsec over "
            f"{fit.periodic.period_s:.0f} s"
        )
    if abs(fit.slip_arcsec_per_min) > max(3 * fit.slip_sigma, 3.0):
        out.append(f"head slips {fit.slip_arcsec_per_min:.1f} arcsec/min downwards")
    if abs(fit.flexure_arcsec) > max(3 * fit.flexure_sigma, 150.0):
        out.append(f"head bends {fit.flexure_arcsec:.0f} arcsec under a level camera")
    return out


def _fast(ppm: float) -> str:
    return "fast" if ppm > 0 else "slow"
