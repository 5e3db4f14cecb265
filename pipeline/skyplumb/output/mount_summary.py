"""The fit of a placement's mount -> what summary.json tells of it."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from skyplumb.digits import covariance_digits
from skyplumb.judge.advice import mount_faults
from skyplumb.judge.mount import MountFit
from skyplumb.judge.verdict import JudgedRun
from skyplumb.summary import DIGITS, MountSummary


def mount_summary(run: JudgedRun) -> MountSummary:
    """Of a run's placement: the same for all its runs, but for the phase of the periodic error."""
    return replace(summary_of_fit(run.mount), **_slip_onset(run), **_phase(run))


def summary_of_fit(fit: MountFit) -> MountSummary:
    """The mount's numbers, NaN where unknown with the reason in `why_not`."""
    low, high = fit.axis_range_arcmin
    told = MountSummary(
        setup=str(fit.setup + 1),
        frames=fit.frames,
        rate_name=fit.rate_name,
        axis_total_low_arcmin=low,
        axis_total_high_arcmin=high,
    )
    if fit.why_not:
        # A camera that stood still has a rate, and a name for it, though no axis.
        rate = fit.rate_error_ppm if fit.rate_name else np.nan
        alike = tuple(fit.degenerate_with)
        return replace(told, rate_error_ppm=rate, why_not=fit.why_not, degenerate_with=alike)
    alt, az, total = fit.axis_sigmas_arcmin
    why_not: dict[str, str] = {}
    told = replace(
        told,
        axis_total_error_arcmin=fit.axis_total_error_arcmin,
        axis_total_error_arcmin_sigma=total,
        rate_error_ppm=fit.rate_error_ppm,
        rate_error_ppm_sigma=fit.rate_sigma_ppm,
        residual_arcsec=fit.residual_arcsec,
        span_min=fit.span_s / 60,
        degenerate_with=tuple(fit.degenerate_with),
        faults=tuple(mount_faults(fit)),
    )
    if fit.directed:
        covariance = np.degrees(1) ** 2 * 3600 * fit.covariance[:2, :2]
        told = replace(
            told,
            axis_alt_error_arcmin=fit.axis_alt_error_arcmin,
            axis_alt_error_arcmin_sigma=alt,
            axis_az_error_arcmin=fit.axis_az_error_arcmin,
            axis_az_error_arcmin_sigma=az,
            axis_covariance_arcmin2=covariance_digits(covariance.tolist(), DIGITS),
        )
    else:
        unknown = (
            "the trails of single frames tell how far the axis is off, but not which way; two "
            "frames in a row that nobody touches would tell"
            if fit.earth_fixed
            else "site or UTC unknown: the axis error has a size but no direction"
        )
        why_not |= {"axis_alt_error_arcmin": unknown, "axis_az_error_arcmin": unknown}
    if not fit.rate_known:
        why_not["rate_error_ppm"] = (
            "the head slipped, which a wrong rate and a far larger axis error would look like; "
            "the rate is taken to be right"
        )
    if fit.periodic is not None:
        told = replace(
            told,
            periodic_amplitude_arcsec=fit.periodic.amplitude_arcsec,
            periodic_amplitude_arcsec_sigma=fit.periodic_sigma[0],
            periodic_period_s=fit.periodic.period_s,
            periodic_period_s_sigma=fit.periodic_sigma[1],
        )
    else:
        unseen = "no period was seen that the frames' spacing and span could show"
        why_not |= {"periodic_amplitude_arcsec": unseen, "periodic_period_s": unseen}
    if np.isfinite(fit.slip_arcsec_per_min):
        told = replace(
            told,
            slip_arcsec_per_min=fit.slip_arcsec_per_min,
            slip_arcsec_per_min_sigma=fit.slip_sigma,
            slip_before_arcsec_per_min=fit.slip_before_arcsec_per_min,
        )
    else:
        why_not["slip_arcsec_per_min"] = "no onset of a slip was seen"
    if np.isfinite(fit.flexure_arcsec):
        told = replace(
            told, flexure_arcsec=fit.flexure_arcsec, flexure_arcsec_sigma=fit.flexure_sigma
        )
    return replace(told, why_not=why_not)


def _phase(run: JudgedRun) -> dict[str, Any]:
    """Of the periodic error, at the start of the run's first frame."""
    periodic, first = run.mount.periodic, run.run.lights[0]
    if run.mount.why_not or periodic is None or not first.clocked:
        return {}
    turn = np.arctan2(periodic.cosine, periodic.sine)
    turn += 2 * np.pi * first.order_s / periodic.period_s
    return {"periodic_phase_deg": round(float(np.degrees(turn) % 360), 2)}


def _slip_onset(run: JudgedRun) -> dict[str, Any]:
    """When the head of the run's setup began to slip, by the camera's clock and UTC, as far as
    known."""
    first = next((light for light in run.run.lights if light.clocked), None)
    if first is None:
        return {}
    by_camera = run.mount.slip_began(first.info.clock, first.order_s)
    by_utc = run.mount.slip_began(first.start_utc, first.order_s)
    told = {
        "slip_onset_camera": by_camera.isoformat(timespec="seconds") if by_camera else None,
        "slip_onset_utc": iso(by_utc) if by_utc else None,
    }
    return {name: when for name, when in told.items() if when}


def iso(moment: object) -> str:
    """ISO 8601 to the millisecond, marked as UTC; empty where unknown."""
    if moment is None:
        return ""
    return moment.isoformat(timespec="milliseconds") + "Z"  # type: ignore[attr-defined,no-any-return]
