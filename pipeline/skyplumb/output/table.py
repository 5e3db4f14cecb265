"""Verdicts -> the rows of frames.csv and the facts of summary.json."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import asdict, replace
from datetime import timedelta
from typing import Any

import numpy as np

from skyplumb.calibrate.almanac import almanac
from skyplumb.columns import FrameRow
from skyplumb.digits import covariance_digits
from skyplumb.intake.rules import Rules, changes
from skyplumb.intervals import binomial_interval
from skyplumb.judge.advice import advise, mount_faults
from skyplumb.judge.evidence import closure, trail_axes
from skyplumb.judge.focus import standard_of
from skyplumb.judge.mount import MountFit
from skyplumb.judge.stack import stacked
from skyplumb.judge.verdict import Judged, JudgedRun
from skyplumb.judge.zero_points import run_zero_mag
from skyplumb.night.shot import Session, Shot
from skyplumb.output.panels import panel_summaries, panels_of
from skyplumb.output.result import SessionResult
from skyplumb.records import CardFile, ShotInfo
from skyplumb.summary import (
    DIGITS,
    FrameSummary,
    MountSummary,
    RunSummary,
    SessionSummary,
    StackSummary,
    SunMoonSummary,
)


def session_result(
    session: Session,
    judged: Sequence[JudgedRun],
    excluded: Mapping[str, str],
    others: Sequence[CardFile],
    rules: Rules,
    notices: Sequence[str],
) -> SessionResult:
    """Everything the files of one session are written from."""
    name = session.name
    by_file: dict[str, FrameRow] = {}
    for run in judged:
        for frame in run.frames:
            by_file[frame.facts.light.file] = _light_row(name, run, frame)
    for shot in session.shots:
        if shot.file not in by_file:
            by_file[shot.file] = _not_judged_row(name, shot, excluded)
    for entry in others:
        file = entry.file.as_posix()
        note = entry.note.removeprefix(f"{file}: ")
        by_file[file] = FrameRow(file=file, session=name, kind=entry.kind, reason=note)
    order = {file: n for n, file in enumerate(_in_time(judged))}
    rows = sorted(by_file.values(), key=lambda row: (order.get(row.file, len(order)), row.file))
    panels = panels_of(judged)
    summary = replace(
        _summary(name, judged, rows, notices, rules),
        **_identity(session),
        panels=panel_summaries(panels),
    )
    return SessionResult(
        name,
        tuple(rows),
        summary,
        {s.file: s.measure for s in session.shots if s.measure.kind == "light" and not s.copy_of},
        tuple(notices),
        {f.facts.light.file: f.facts.field for run in judged for f in run.frames},
        rules=changes(rules),
        panels=panels,
    )


def calibration_rows(session: str, shots: Sequence[Shot]) -> tuple[FrameRow, ...]:
    """Rows of darks, flats and bias of other sessions, which may fit this one."""
    return tuple(_not_judged_row(session, shot, {}) for shot in shots)


def _not_judged_row(session: str, shot: Shot, excluded: Mapping[str, str]) -> FrameRow:
    measure = shot.measure
    kind, reason = measure.kind, measure.note
    if shot.copy_of:
        kind, reason = "companion", f"a copy of {shot.copy_of}"
    elif shot.file in excluded:
        kind, reason = "excluded", excluded[shot.file]
    return FrameRow(
        file=shot.file,
        session=session,
        kind=kind,
        reason=reason.removeprefix(f"{shot.file}: "),  # which stands in the row
        sky_level=np.nan if measure.kind == "unreadable" else measure.sky_level,
        sky_noise=np.nan if measure.kind == "unreadable" else measure.noise,
        **_told_by_the_file(shot.info, shot.start_utc),
    )


def _in_time(judged: Sequence[JudgedRun]) -> list[str]:
    """Light frames of all runs in order of time."""
    lights = [frame.facts.light for run in judged for frame in run.frames]
    return [light.file for light in sorted(lights, key=lambda one: (one.order_s, one.file))]


def _told_by_the_file(info: ShotInfo, start_utc: object) -> dict[str, Any]:
    """Columns that come from the metadata alone."""
    return {
        "taken_camera": info.taken_camera,
        "taken_utc": _iso(start_utc),
        "camera": info.camera,
        "lens": info.lens,
        "focal_mm": info.focal_mm,
        "aperture": info.fnumber,
        "exposure_s": info.exposure_s,
        "iso": info.iso,
        "filter": info.filter_name,
        "gain": info.gain,
        "offset": info.offset,
        "binning": info.binning,
        "set_temperature_c": info.set_temperature_c,
        "electrons": info.electrons,
        "temperature_c": info.temperature_c,
    }


def _light_row(session: str, run: JudgedRun, frame: Judged) -> FrameRow:
    facts = frame.facts
    light, motion = facts.light, facts.motion
    pointing = light.pointing
    return FrameRow(
        file=light.file,
        session=session,
        run=run.run.name,
        kind="light",
        stars=facts.stars,
        fwhm_px=facts.fwhm_px,
        fwhm_arcsec=facts.fwhm_px * pointing.scale_arcsec_px,
        ellipticity=facts.ellipticity,
        image_angle_deg=facts.image_angle_deg,
        trail_px=motion.trail_px,
        trail_worst_px=motion.trail_worst_px,
        trail_sigma_px=motion.trail_sigma_px,
        trail_angle_deg=motion.direction_deg,
        trail_pa_deg=pointing.position_angle_of(motion.direction_deg),
        drift_px=facts.drift.length_px,
        doubled_px=motion.doubled_px,
        solved=pointing.solved,
        ra_deg=pointing.ra_deg,
        dec_deg=pointing.dec_deg,
        roll_pa_deg=pointing.roll_pa_deg,
        scale_arcsec_px=pointing.scale_arcsec_px if pointing.solved else np.nan,
        altitude_deg=pointing.altitude_deg,
        azimuth_deg=pointing.azimuth_deg,
        sky_level=light.measure.sky_level,
        sky_noise=light.measure.noise,
        extinction_mag=facts.extinction_mag,
        verdict=frame.verdict,
        cause=frame.cause,
        confidence=frame.confidence,
        reason=frame.reason,
        taken_mid_utc=_iso(light.mid_utc),
        setup=light.notes.setup + 1,
        fwhm_across_px=facts.across_fwhm_px,
        measured_stars=facts.shape_stars,
        matched_stars=len(pointing.star) if pointing.solved else np.nan,
        pointing_rms_px=pointing.rms_px,
        weight=frame.weight,
        fwhm_of_best=_over(facts.across_fwhm_px, run.levels.best_fwhm_px),
        trail_of_fwhm=_over(motion.trail_px, run.levels.fwhm_px),
        rules_broken=" ".join(frame.broken),
        streaks=light.measure.trails,
        drift_angle_deg=facts.drift.angle_deg,
        drift_sigma_px=facts.drift.sigma_px,
        east_deg=frame.scene.east_deg,
        zenith_deg=frame.scene.zenith_deg,
        zenith_pa_deg=pointing.way_pa_deg(frame.scene.zenith_deg),
        decided_by="person" if frame.rules_verdict else "rules",
        rules_verdict=frame.rules_verdict or frame.verdict,
        note=frame.note,
        taken_over=" ".join(TAKEN_OVER[name] for name in light.taken_over if name in TAKEN_OVER),
        **_told_by_the_file(light.info, light.start_utc),
    )


TAKEN_OVER = {"lens": "lens", "focal_mm": "focal_mm", "fnumber": "aperture", "iso": "iso"}
"""Columns whose values a frame may have from its neighbours, by the name of the record's field."""


def _over(value: float, best: float) -> float:
    """Their ratio; NaN where there is no best."""
    return value / best if best > 0 else np.nan


def _iso(moment: object) -> str:
    """ISO 8601 to the millisecond, marked as UTC; empty where unknown."""
    if moment is None:
        return ""
    return moment.isoformat(timespec="milliseconds") + "Z"  # type: ignore[attr-defined,no-any-return]


def _summary(
    name: str,
    judged: Sequence[JudgedRun],
    rows: Sequence[FrameRow],
    notices: Sequence[str],
    rules: Rules,
) -> SessionSummary:
    frames = [frame for run in judged for frame in run.frames]
    kept = [frame for frame in frames if frame.verdict == "keep"]
    return SessionSummary(
        session=name,
        shots=len(rows),
        kinds=dict(sorted(Counter(row.kind for row in rows).items())),
        lights=len(frames),
        keep=len(kept),
        keep_minutes=_minutes(kept),
        notices=tuple(notices),
        advice=tuple(advise(judged, rules)),
        runs=tuple(_run_summary(run) for run in judged),
        sun_and_moon=_sun_and_moon(judged),
    )


def _identity(session: Session) -> dict[str, Any]:
    """Evening, body, clock and site of a session; of several placements the median site."""
    places = [(shot.info.latitude_deg, shot.info.longitude_deg) for shot in session.shots]
    told: dict[str, Any] = {
        "evening": session.evening.isoformat() if session.evening else None,
        "camera": session.camera,
        "serial": session.serial,
        "clock": session.clock_words,
    }
    known = np.array([place for place in places if np.isfinite(place).all()])
    if len(known):
        # Longitudes on both sides of 180 degrees are near each other.
        east = known[0, 1] + (known[:, 1] - known[0, 1] + 180) % 360 - 180
        told["latitude_deg"] = round(float(np.median(known[:, 0])), 5)
        told["longitude_deg"] = round(float((np.median(east) + 180) % 360 - 180), 5)
    return told


def _sun_and_moon(judged: Sequence[JudgedRun]) -> SunMoonSummary | None:
    """Sun and Moon from the first frame to the last; None without time and site."""
    lights = [
        light
        for run in judged
        for light in run.run.lights
        if light.start_utc is not None and np.isfinite(light.info.latitude_deg)
    ]
    times = sorted(light.start_utc for light in lights if light.start_utc is not None)
    if not times or (times[-1] - times[0]) > LONGEST_NIGHT:
        return None
    place = lights[0].info
    told = almanac(times[0], times[-1], place.latitude_deg, place.longitude_deg)
    return SunMoonSummary(
        utc=tuple(_iso(moment) for moment in told.utc),
        sun_altitude_deg=tuple(np.round(told.sun_altitude_deg, 2).tolist()),
        moon_altitude_deg=tuple(np.round(told.moon_altitude_deg, 2).tolist()),
        moon_lit=round(told.moon_lit, 3),
    )


LONGEST_NIGHT = timedelta(hours=24)
"""Sun and Moon are not drawn over more than this, such as where a clock jumped."""


def _minutes(frames: Sequence[Judged]) -> float:
    times = [frame.facts.light.info.exposure_s for frame in frames]
    return round(sum(t for t in times if np.isfinite(t)) / 60, 2)


def _run_summary(run: JudgedRun) -> RunSummary:
    info = run.run.settings
    count = len(run.frames)
    keep = sum(frame.verdict == "keep" for frame in run.frames)
    low, high = binomial_interval(keep, count)
    lost = [frame for frame in run.frames if frame.verdict != "keep"]
    scenes = [frame.scene for frame in run.frames]
    explained = closure(scenes)
    return RunSummary(
        run=run.run.name,
        camera=info.camera,
        lens=info.lens,
        focal_mm=info.focal_mm,
        aperture=info.fnumber,
        exposure_s=info.exposure_s,
        iso=info.iso,
        filter=info.filter_name,
        gain=info.gain,
        shots=count,
        keep=keep,
        doubtful=sum(frame.verdict == "doubtful" for frame in run.frames),
        hit_rate=keep / count,
        hit_rate_low=float(low),
        hit_rate_high=float(high),
        best_fwhm_px=run.best_fwhm_px,
        width_px=run.run.lights[0].measure.width_px,
        height_px=run.run.lights[0].measure.height_px,
        focus_fwhm_px=standard_of(run.levels.focus, run.limits),
        zero_mag=run_zero_mag([frame.facts for frame in run.frames]),
        loss=dict(sorted(Counter(frame.cause for frame in lost).items())),
        loss_minutes={
            cause: _minutes([frame for frame in lost if frame.cause == cause])
            for cause in sorted({frame.cause for frame in lost})
        },
        frames=tuple(_frame_summary(frame) for frame in run.frames),
        closure_slope=explained.slope,
        closure_slope_sigma=explained.sigma,
        trail_axes=trail_axes(scenes),
        optics=run.optics,
        limits={
            f"{rule}.{end}": getattr(getattr(run.limits, rule), end)
            for rule in ("trail_px", "trail_of_fwhm", "fwhm_of_best", "fwhm_px", "ellipticity")
            for end in ("keep_up_to", "reject_over")
        }
        | {"min_stars.at_least": float(run.limits.min_stars.at_least)},
        **_stacks(run),
        **_target(run),
        mount=replace(_mount_summary(run.mount), **_slip_onset(run)),
        notes=_notes_summary(run),
    )


def _stacks(run: JudgedRun) -> dict[str, Any]:
    """The stack of the kept frames, and with the doubtful ones."""
    facts = [frame.facts for frame in run.frames]

    def of(*verdicts: str) -> StackSummary:
        weight = np.array([f.weight if f.verdict in verdicts else 0.0 for f in run.frames])
        return StackSummary(**asdict(stacked(facts, np.nan_to_num(weight))))

    return {"stack": of("keep"), "stack_with_doubtful": of("keep", "doubtful")}


def _target(run: JudgedRun) -> dict[str, Any]:
    """Where the run's first solved frame pointed, and in what constellation; empty if unknown."""
    first = run.run.first_pointing
    if first is None:
        return {}
    return {
        "target_ra_deg": first.ra_deg,
        "target_dec_deg": first.dec_deg,
        "constellation": run.run.constellation,
    }


def _frame_summary(frame: Judged) -> FrameSummary:
    return FrameSummary(
        file=frame.facts.light.file,
        verdict=frame.verdict,
        causes={cause: round(share, 4) for cause, share in frame.causes.items()},
        decided_by="person" if frame.rules_verdict else "rules",
        rules_verdict=frame.rules_verdict or frame.verdict,
        note=frame.note,
    )


def _notes_summary(run: JudgedRun) -> dict[str, str | float | bool]:
    """What the night notes say of all frames of the run; what they say of some only is left out."""
    said: list[dict[str, str | float | bool]] = []
    for light in run.run.lights:
        words = {name: getattr(light.notes, name) for name in NOTE_WORDS}
        words |= {f"tags.{name}": value for name, value in light.notes.tags.items()}
        said.append({name: value for name, value in words.items() if value not in ("", None)})
    common = {
        name: value for name, value in said[0].items() if all(s.get(name) == value for s in said)
    }
    # An unknown mass is NaN, which is unlike itself, so it has gone already.
    return dict(sorted(common.items()))


NOTE_WORDS = ("tracker", "payload_g", "alignment", "wind", "ground", "counterweight")
"""Night notes that runs can be compared by; tags join them as `tags.<name>`."""


def _mount_summary(fit: MountFit) -> MountSummary:
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
        "slip_onset_utc": _iso(by_utc) if by_utc else None,
    }
    return {name: when for name, when in told.items() if when}
