"""Verdicts -> the rows of frames.csv and the facts of summary.json."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from datetime import timedelta
from typing import Any

import numpy as np

from skyplumb.calibrate.almanac import almanac
from skyplumb.columns import FrameRow
from skyplumb.findings import LensField
from skyplumb.intake.rules import Rules, changes
from skyplumb.intervals import binomial_interval
from skyplumb.judge.advice import advise
from skyplumb.judge.evidence import closure, trail_axes
from skyplumb.judge.focus import standard_of
from skyplumb.judge.sky_light import SkyLight
from skyplumb.judge.stack import stacked
from skyplumb.judge.verdict import Judged, JudgedRun
from skyplumb.judge.zero_points import run_zero_mag
from skyplumb.night.shot import Session, Shot
from skyplumb.output.mount_summary import iso, mount_summary
from skyplumb.output.panels import panel_summaries, panels_of
from skyplumb.output.result import SessionResult
from skyplumb.records import NAN, CardFile, ShotInfo
from skyplumb.summary import (
    FrameSummary,
    RunSummary,
    SessionSummary,
    StackSummary,
    SunMoonSummary,
)


@dataclass(frozen=True, slots=True)
class Told:
    """What a session's frames say together of lenses and sky."""

    lenses: tuple[LensField, ...] = ()
    sky: SkyLight = field(default_factory=SkyLight)


NOTHING_TOLD = Told()


def session_result(
    session: Session,
    judged: Sequence[JudgedRun],
    excluded: Mapping[str, str],
    others: Sequence[CardFile],
    rules: Rules,
    notices: Sequence[str],
    told: Told = NOTHING_TOLD,
) -> SessionResult:
    """Everything the files of one session are written from."""
    name = session.name
    by_file: dict[str, FrameRow] = {}
    for run in judged:
        for frame in run.frames:
            by_file[frame.facts.light.file] = _light_row(name, run, frame, told.sky)
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
        _summary(name, judged, rows, notices, rules, told),
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
        "taken_utc": iso(start_utc),
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


def _light_row(session: str, run: JudgedRun, frame: Judged, sky: SkyLight) -> FrameRow:
    facts = frame.facts
    light, motion = facts.light, facts.motion
    sky_mag, sky_sigma = sky.mag_arcsec2.get(light.file, (np.nan, np.nan))
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
        trail_px=motion.known_px,
        trail_worst_px=NAN if motion.in_pieces else motion.trail_worst_px,
        trail_sigma_px=NAN if motion.in_pieces else motion.trail_sigma_px,
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
        sky_mag_arcsec2=sky_mag,
        sky_mag_arcsec2_sigma=sky_sigma,
        extinction_mag=facts.extinction_mag,
        verdict=frame.verdict,
        cause=frame.cause,
        confidence=frame.confidence,
        reason=frame.reason,
        taken_mid_utc=iso(light.mid_utc),
        setup=light.notes.setup + 1,
        fwhm_across_px=facts.across_fwhm_px,
        measured_stars=facts.shape_stars,
        matched_stars=len(pointing.star) if pointing.solved else np.nan,
        pointing_rms_px=pointing.rms_px,
        weight=frame.weight,
        fwhm_of_best=_over(facts.across_fwhm_px, run.levels.best_fwhm_px),
        trail_of_fwhm=_over(motion.known_px, run.levels.fwhm_px),
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


def _summary(
    name: str,
    judged: Sequence[JudgedRun],
    rows: Sequence[FrameRow],
    notices: Sequence[str],
    rules: Rules,
    told: Told,
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
        runs=tuple(_run_summary(run, told.sky) for run in judged),
        lenses=told.lenses,
        sky_extinction_mag_airmass=told.sky.extinction_mag_airmass,
        sky_extinction_mag_airmass_sigma=told.sky.extinction_sigma,
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
        utc=tuple(iso(moment) for moment in told.utc),
        sun_altitude_deg=tuple(np.round(told.sun_altitude_deg, 2).tolist()),
        moon_altitude_deg=tuple(np.round(told.moon_altitude_deg, 2).tolist()),
        moon_lit=round(told.moon_lit, 3),
    )


LONGEST_NIGHT = timedelta(hours=24)
"""Sun and Moon are not drawn over more than this, such as where a clock jumped."""


def _minutes(frames: Sequence[Judged]) -> float:
    times = [frame.facts.light.info.exposure_s for frame in frames]
    return round(sum(t for t in times if np.isfinite(t)) / 60, 2)


def _run_summary(run: JudgedRun, sky: SkyLight) -> RunSummary:
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
        **_sky(run, sky),
        **_target(run),
        mount=mount_summary(run),
        temperature_c=_temperature_c(run),
        notes=_notes_summary(run),
    )


def _stacks(run: JudgedRun) -> dict[str, Any]:
    """The stack of the kept frames, and with the doubtful ones."""
    facts = [frame.facts for frame in run.frames]

    def of(*verdicts: str) -> StackSummary:
        weight = np.array([f.weight if f.verdict in verdicts else 0.0 for f in run.frames])
        return StackSummary(**asdict(stacked(facts, np.nan_to_num(weight))))

    return {"stack": of("keep"), "stack_with_doubtful": of("keep", "doubtful")}


def _sky(run: JudgedRun, sky: SkyLight) -> dict[str, Any]:
    """How bright the sky was in the middle one of the run's frames; empty if unknown."""
    files = [frame.facts.light.file for frame in run.frames]
    known = [sky.mag_arcsec2[file] for file in files if file in sky.mag_arcsec2]
    if not known:
        return {}
    # Their errors are the zero point's, which they share.
    mag, sigma = np.median(known, axis=0)
    return {"sky_mag_arcsec2": float(mag), "sky_mag_arcsec2_sigma": float(sigma)}


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


def _temperature_c(run: JudgedRun) -> float:
    known = [light.info.temperature_c for light in run.run.lights]
    known = [one for one in known if np.isfinite(one)]
    return float(np.median(known)) if known else np.nan
