"""For every cause that cost frames: the remedy in plain words, and what it would have saved."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import timedelta

import numpy as np

from skyplumb.causes import CAUSES, LASER_CAUTION, Cause, Comes
from skyplumb.digits import with_error
from skyplumb.findings import Advice
from skyplumb.intake.rules import Rules
from skyplumb.judge.evidence import trail_axes
from skyplumb.judge.mount import HALF_SPEED, MountFit, Periodic
from skyplumb.judge.notices import soft_as_a_whole
from skyplumb.judge.verdict import Judged, JudgedRun, would_keep
from skyplumb.records import ShotInfo

FEW_STARS = (
    "Cloud, a bright sky or the exposure: these frames do not tell which. Another of the same "
    "exposure under a clear, dark sky would."
)
OR_SLIPPED = (
    "Without the site and the clock's zone a head that slips looks alike: see that it is tight, "
    "and give both in the night notes."
)
MANY_STARS = 100
"""Stars found in a frame that are not few, whatever spoils their shapes."""
SPOILED_STARS = (
    "There are stars, but they stand in each other's light, or are trailed or blurred beyond "
    "measure; a look at them at 100% tells which."
)
PERIOD_KNOWN = 0.1
"""Error of a period, over it, from which on it is not told."""
_STEADY = ("untracked", *(row.name for row in CAUSES.values() if row.comes is Comes.STEADILY))
"""Causes whose trail grows as the exposure."""


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
    """Advice for a session, the remedy that saves most first.

    A frame with two faults is saved by neither remedy alone: they are ranked by what they save by
    themselves and by half of what the best pair with them adds.
    """
    everything = [
        _Lost(run, frame)
        for run in runs
        for frame in run.frames
        # Why a person turned a frame down is not known here.
        if frame.verdict != "keep" and not frame.rules_verdict
    ]
    by_cause: dict[str, list[_Lost]] = defaultdict(list)
    for lost in everything:
        by_cause[lost.frame.cause].append(lost)
    saved = {
        cause: _saved_without(everything, frozenset({cause}), rules)
        for cause in by_cause
        if CAUSES[cause].remedy
    }
    out = []
    for cause, mine in by_cause.items():
        alone = saved.get(cause, set())
        other, both = _best_pair(cause, everything, saved, rules)
        added = len(both) - len(alone) - len(saved.get(other, set()))
        advice = Advice(
            cause=cause,
            frames=len(mine),
            minutes=_minutes(mine),
            mend=_remedy(CAUSES[cause], mine, bool(alone or other)),
            saves_frames=len(alone),
            saves_minutes=_minutes([everything[n] for n in alone]),
            caution=LASER_CAUTION if cause == "axis" and (alone or other) else "",
            together_with=other,
            together_frames=len(both),
            together_minutes=_minutes([everything[n] for n in both]),
        )
        out.append((len(alone) + max(added, 0) / 2, advice))
    out.sort(key=lambda one: (-one[0], -one[1].saves_minutes, -one[1].frames, one[1].cause))
    return [advice for _, advice in out]


def _saved_without(everything: Sequence[_Lost], causes: frozenset[str], rules: Rules) -> set[int]:
    """Numbers of the lost frames that would have been kept without these causes."""
    return {
        number
        for number, one in enumerate(everything)
        if causes & one.frame.causes.keys() and would_keep(one.run, one.frame, causes, rules)
    }


def _best_pair(
    cause: str, everything: Sequence[_Lost], saved: Mapping[str, set[int]], rules: Rules
) -> tuple[str, set[int]]:
    """The remedy that adds most to this one's, and what both save; empty where each acts alone."""
    best: tuple[str, set[int]] = ("", set())
    if cause not in saved:
        return best
    most = 0
    for other in sorted(saved.keys() - {cause}):
        alone = saved[cause] | saved[other]
        both = alone | {
            number
            for number, one in enumerate(everything)
            if number not in alone
            and {cause, other} <= one.frame.causes.keys()
            and would_keep(one.run, one.frame, {cause, other}, rules)
        }
        if len(both) - len(alone) > most:
            most, best = len(both) - len(alone), (other, both)
    return best


def _minutes(lost: Sequence[_Lost]) -> float:
    return round(sum(one.minutes for one in lost), 2)


def _remedy(cause: Cause, lost: Sequence[_Lost], helps: bool) -> str:
    """What this night shows of the fault, after the table's remedy where that was told apart.

    No remedy where none of the frames would have been kept with it.
    """
    if cause.name == "few-stars" and not helps:
        there = [one.frame.facts.stars >= MANY_STARS for one in lost]
        return SPOILED_STARS if all(there) else FEW_STARS
    if cause.remedy and not helps:
        words = cause.words[0].upper() + cause.words[1:]
        return f"{words}; that is not all that is wrong with these frames."
    base = cause.remedy or cause.no_remedy
    if cause.name == "focus" and all(soft_as_a_whole(one.run) for one in lost):
        base = (
            "focus on a bright star before the run begins: it was out of focus from the first frame"
        )
    if cause.name == "drive":
        fit = _fit_of(lost)
        # A rate with a name is a switch, and nothing to repair.
        base = "" if fit.rate_name else base
        base = base if _rate_is_wrong(fit) else "balance the drive or have it repaired"
    if cause.name == "untracked" and not all(one.frame.facts.light.notes.tracker for one in lost):
        base = f"on a tracker, {base}; on a fixed tripod only shorter exposures help"
    found = _DETAILS[cause.name](lost) if cause.name in _DETAILS else ""
    if found is None:
        # Nothing that could be set right stands clear of its error.
        words = f"These frames do not tell what there is to put right ({cause.words})"
        return _sentences(f"{words}.", _shorter(lost))
    # A shorter exposure helps without the remedy where a fault draws on through the exposure.
    # Gusts come and go: no exposure is short enough for all, nor too long for one.
    steady = cause.comes is Comes.STEADILY or cause.name == "untracked"
    first = f"{base[0].upper()}{base[1:]}." if base else ""
    return _sentences(first, found, _shorter(lost) if steady else "")


def _sentences(*said: str) -> str:
    return " ".join(one for one in said if one)


def _fit_of(lost: Sequence[_Lost]) -> MountFit:
    """The mount of the setup that lost most of these frames, at the rate that lost most of them."""
    ways = [(one.frame.facts.light.notes.setup, one.run.mount.rate_name) for one in lost]
    return lost[ways.index(Counter(ways).most_common(1)[0][0])].run.mount


def _axis(lost: Sequence[_Lost]) -> str | None:
    fit = _fit_of(lost)
    if not np.isfinite(fit.axis_alt_error_arcmin):
        size = fit.axis_total_error_arcmin
        told = [f"It was about {size:.0f} arcmin off."] if np.isfinite(size) else []
        return " ".join([*told, *([] if fit.earth_fixed else [OR_SLIPPED])])
    high, east = fit.axis_alt_error_arcmin, fit.axis_az_error_arcmin
    moves = []
    if abs(high) > 2 * fit.axis_sigmas_arcmin[0]:
        moves.append(f"{'lower' if high > 0 else 'raise'} the axis by {abs(high):.0f} arcmin")
    if abs(east) > 2 * fit.axis_sigmas_arcmin[1]:
        base = "the base" if fit.latitude_deg >= 0 else "the base's southern end"
        on_sky = abs(east) * np.cos(np.radians(fit.latitude_deg))
        moves.append(
            f"turn {base} {abs(east):.0f} arcmin {'west' if east > 0 else 'east'}"
            f" ({on_sky:.{0 if on_sky > 20 else 1}f} arcmin on the sky)"
        )
    if not moves:
        return None
    words = ", ".join(moves)
    return f"{words[0].upper()}{words[1:]}."


def _drive(lost: Sequence[_Lost]) -> str | None:
    fit = _fit_of(lost)
    parts = []
    if fit.backwards:
        return "The drive turned the wrong way: set the hemisphere."
    if fit.rate_name:
        meant = ", unless that was meant, for a landscape" * (fit.rate_name == HALF_SPEED)
        parts.append(f"The drive ran at {fit.rate_name}: set it to sidereal{meant}.")
    elif _rate_matters(fit):
        way = _fast(fit.rate_error_ppm)
        parts.append(f"The drive ran {abs(fit.rate_error_ppm) / 1e4:.2f}% too {way}.")
    if fit.periodic is not None and _periodic_error_matters(fit.periodic):
        known = not fit.periodic_sigma[1] > PERIOD_KNOWN * fit.periodic.period_s
        every = f" every {fit.periodic.period_s / 60:.1f} min"
        parts.append(
            f"Its periodic error is {fit.periodic.amplitude_arcsec:.0f} arcsec to either side"
            f"{every if known else ''}, which only shorter exposures avoid."
        )
    if not parts and not fit.why_not:
        return None
    return " ".join(parts)


def _slip(lost: Sequence[_Lost]) -> str:
    fit = _fit_of(lost)
    if not np.isfinite(fit.slip_arcsec_per_min):
        return ""
    rate = f"{fit.slip_arcsec_per_min:.0f} arcsec a minute"
    if fit.slip_before_arcsec_per_min > 0:
        before = f"{fit.slip_before_arcsec_per_min:.0f} arcsec a minute"
        return (
            f"It slipped downwards by {before} from before the first frame on, and by {rate} more "
            f"from {_onset(lost)} on."
        )
    return f"It slipped downwards by {rate} from {_onset(lost)} on."


def _onset(lost: Sequence[_Lost]) -> str:
    """When the head began to slip, by the camera's clock."""
    if lost[0].run.mount.slip_from_start:
        return "before the first frame"
    light = lost[0].frame.facts.light
    began = lost[0].run.mount.slip_began(light.info.clock, light.order_s)
    return f"{began + timedelta(seconds=30):%H:%M}" if began else light.file


def _wind(lost: Sequence[_Lost]) -> str:
    axes = trail_axes([one.frame.scene for one in lost])
    soft = ""
    if axes.frames >= 4 and axes.concentration > 0.9:
        soft = " They all shook along one line: one joint of the rig is soft there, brace it."
    return f"In gusts, more and shorter exposures lose less.{soft}"


def _shorter(lost: Sequence[_Lost]) -> str:
    """The exposure at which these trails would meet the limits."""
    by_lens: dict[str, list[float]] = {}
    for run in {one.run.run.name: one.run for one in lost}.values():
        mine = [one.frame for one in lost if one.run is run]
        exposure = run.run.settings.exposure_s
        wanted = float(np.median([exposure * _share_that_fits(one, run) for one in mine]))
        if 1 <= wanted < exposure:
            lens = _with_lens(run.run.lights[0].info)
            by_lens.setdefault(lens, []).append(_round_down(wanted))
    parts = [
        f"{min(most):g} s at most{lens}"
        if min(most) == max(most)
        else f"{min(most):g} to {max(most):g} s at most{lens}, by the aim"
        for lens, most in by_lens.items()
    ]
    return f"Without the remedy: {'; '.join(parts)}." if parts else ""


def _share_that_fits(frame: Judged, run: JudgedRun) -> float:
    """Share of its exposure in which a frame's trail would meet the limits; NaN where none would.

    What draws on steadily grows with the exposure, the rest of the trail may stay as it is.
    """
    trail = frame.facts.motion.known_px
    width = run.limits.trail_of_fwhm.keep_up_to * run.levels.fwhm_px
    limit = float(np.fmin(run.limits.trail_px.keep_up_to, width))
    steady = sum(frame.trail_causes.get(cause, 0.0) for cause in _STEADY)
    spare = limit**2 - (1 - steady) * trail**2
    if not (spare > 0 and steady * trail > 0) or _swings(run):
        return np.nan
    return float(np.sqrt(spare / steady) / trail)


def _swings(run: JudgedRun) -> bool:
    """Whether a periodic error is no steady drift over an exposure of the run."""
    periodic = run.mount.periodic
    return (
        periodic is not None
        and _periodic_error_matters(periodic)
        and run.run.settings.exposure_s > periodic.period_s / 4
    )


def _with_lens(info: ShotInfo) -> str:
    """Such as " with Tarnlight 85 mm"; empty where neither name nor focal length is known."""
    focal = f"{info.focal_mm:g} mm" if np.isfinite(info.focal_mm) else ""
    name = info.lens or focal
    return f" with {name}" if name else ""


def _round_down(seconds: float) -> float:
    """To two figures, never longer."""
    unit = 10 ** np.floor(np.log10(seconds) - 1)
    return float(np.floor(seconds / unit) * unit)


_DETAILS: dict[str, Callable[[Sequence[_Lost]], str | None]] = {
    "axis": _axis,
    "drive": _drive,
    "slip": _slip,
    "wind": _wind,
}
"""What one night shows of a fault; None where nothing that can be put right was found."""


def mount_faults(fit: MountFit) -> list[str]:
    """Faults of a mount that stand clear of their errors and are large enough to matter.

    Three sigma, and over two arcminutes of axis, 300 ppm of rate, two arcseconds of periodic
    error, three arcseconds a minute of slip or 150 arcsec of flexure: what a lens of 200 mm and
    pixels of 4 um turn into a tenth of a pixel a minute or less is no fault.
    """
    if fit.why_not:
        at = "at " if fit.rate_name == HALF_SPEED else ""
        return [f"drive {at}{fit.rate_name}"] if fit.rate_name else []
    out = []
    total, sigma = fit.axis_total_error_arcmin, fit.axis_sigmas_arcmin[2]
    if total > max(3 * sigma, 2.0):
        out.append(f"polar axis {with_error(total, sigma)} arcmin off")
    if fit.rate_name:
        out.append(f"drive at {fit.rate_name}")
    elif _rate_matters(fit):
        rate = with_error(abs(fit.rate_error_ppm), fit.rate_sigma_ppm)
        out.append(f"drive {rate} ppm too {_fast(fit.rate_error_ppm)}")
    if fit.periodic is not None and _periodic_error_matters(fit.periodic):
        amplitude = with_error(fit.periodic.amplitude_arcsec, fit.periodic_sigma[0])
        period = with_error(fit.periodic.period_s, fit.periodic_sigma[1])
        out.append(f"periodic error {amplitude} arcsec over {period} s")
    if abs(fit.slip_arcsec_per_min) > max(3 * fit.slip_sigma, 3.0):
        slip = with_error(fit.slip_arcsec_per_min, fit.slip_sigma)
        before = fit.slip_before_arcsec_per_min
        more = f" more, after {before:.0f} from the first frame on" if before > 0 else ""
        out.append(f"head slips {slip} arcsec/min{more} downwards")
    if abs(fit.flexure_arcsec) > max(3 * fit.flexure_sigma, 150.0):
        bend = with_error(fit.flexure_arcsec, fit.flexure_sigma)
        out.append(f"head bends {bend} arcsec under a level camera")
    return out


def _rate_is_wrong(fit: MountFit) -> bool:
    """Whether the rate is to be set, or nothing says that it is not."""
    unknown = bool(fit.why_not) or not np.isfinite(fit.rate_error_ppm)
    return unknown or fit.backwards or bool(fit.rate_name) or _rate_matters(fit)


def _rate_matters(fit: MountFit) -> bool:
    return abs(fit.rate_error_ppm) > max(3 * fit.rate_sigma_ppm, 300.0)


def _periodic_error_matters(periodic: Periodic) -> bool:
    return periodic.amplitude_arcsec > 2.0


def _fast(ppm: float) -> str:
    return "fast" if ppm > 0 else "slow"
