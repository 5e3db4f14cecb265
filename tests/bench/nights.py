"""The nights of the bench: many small ones, each with a lens and a fault of its own.

Everything is drawn by lot from the number of the night, so that night 7 is the same night
whoever asks and however many are asked for. The faults take turns, and the focal lengths take
turns at another pace, so that each meets each.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, timedelta

import numpy as np

from skyplumb.demo import Body, Clock, DrawnRun, DrawnSite, Gusts, Knock, Lens, Mount, Night, Sky

FOCALS_MM = (14.0, 24.0, 35.0, 50.0, 85.0, 135.0, 200.0, 300.0)
SENSOR_WIDTH_MM = 23.4
FRAMES = 15
SIDEREAL_ARCSEC_S = 15.041


@dataclass(frozen=True, slots=True)
class BenchNight:
    """A night and how it was made."""

    number: int
    fault: str
    """One of `FAULTS`."""
    strong_corners: bool
    """The lens widens stars at the corner by more than their width in the middle."""
    night: Night
    fmt: str
    """dng, or fits for a monochrome sensor."""


@dataclass(frozen=True, slots=True)
class _Setting:
    """What a fault is made to fit."""

    lens: Lens
    exposure_s: float
    scale_arcsec_px: float
    runs: tuple[DrawnRun, ...]
    flat_speed: float
    """How fast the sky turns at the target, as a share of the equator's speed."""
    lean: float
    """Sine of the target's distance from the zenith."""
    rng: np.random.Generator

    def moment(self, frame: int, share: float) -> float:
        """Seconds into the night of a point within a frame of the first run."""
        return self.runs[0].start_of(frame) + share * self.exposure_s

    @property
    def frames(self) -> int:
        """In the first run."""
        return self.runs[0].frames


def bench_night(number: int, width_px: int, height_px: int) -> BenchNight:
    """Draw a night by lot."""
    rng = np.random.default_rng([number, 20260314])
    fault = FAULTS[number % len(FAULTS)]
    focal = FOCALS_MM[(number * 3 + number // len(FAULTS)) % len(FOCALS_MM)]
    mono = bool(rng.random() < 0.25)
    body = Body(
        f"B{number:03d}",
        "Tarn",
        f"TB-{number:04d}",
        width_px=width_px,
        height_px=height_px,
        pixel_um=SENSOR_WIDTH_MM * 1000.0 / width_px,
        pattern="" if mono else "RGGB",
    )
    lens, strong = lens_by_lot(focal, rng)
    site = DrawnSite(
        float(rng.uniform(20.0, 50.0) * rng.choice([-1, 1])),
        float(rng.uniform(-180.0, 180.0)),
        float(rng.uniform(0.0, 2500.0)),
    )
    midnight = datetime(2026, 1, 1) + timedelta(
        days=float(rng.integers(0, 360)), hours=-site.longitude_deg / 15.0
    )
    exposure = float(rng.choice([30.0, 60.0, 90.0, 120.0]))
    altitude, azimuth = float(rng.uniform(40.0, 75.0)), float(rng.uniform(0.0, 360.0))
    run = DrawnRun(
        lens,
        midnight,
        exposure,
        FRAMES,
        alt_deg=altitude,
        az_deg=azimuth,
        roll_deg=float(rng.uniform(0.0, 360.0)),
        gap_s=float(rng.uniform(2.0, 6.0)),
        folder="frames",
    )
    runs: tuple[DrawnRun, ...] = (run,)
    if fault in _DRIFTS:
        # Two exposures of one aim: two lengths of trail from one drift.
        first = replace(run, frames=FRAMES // 2)
        gap = timedelta(seconds=first.start_of(first.frames) + 20.0)
        runs = (
            first,
            replace(
                run, start_utc=midnight + gap, exposure_s=exposure / 2, frames=FRAMES - FRAMES // 2
            ),
        )
    night = Night(
        site,
        body,
        Mount(),
        runs,
        Sky(mag_arcsec2=float(rng.uniform(20.0, 21.7))),
        Clock(utc_offset_h=0.0, gps=True),
        seed=number + 1,
        # Wide lenses show more stars than are measured long before the faint ones.
        faint_to_mag=11.5 if focal >= 85.0 else 10.5,
    )
    night = FAULTS_BY_NAME[fault](night, setting_of(night, rng))
    if number % 4 == 1:
        night = _with_calibration(night)
    return BenchNight(number, fault, strong, night, "fits" if mono else "dng")


def setting_of(night: Night, rng: np.random.Generator) -> _Setting:
    """What a fault of a night is made to fit: its first run."""
    run = night.runs[0]
    altitude, azimuth = np.radians(run.alt_deg), np.radians(run.az_deg)
    latitude = np.radians(night.site.latitude_deg)
    declination = np.arcsin(
        np.sin(latitude) * np.sin(altitude) + np.cos(latitude) * np.cos(altitude) * np.cos(azimuth)
    )
    pixel_mm = night.body.pixel_um / 1000.0
    return _Setting(
        lens=run.lens,
        exposure_s=run.exposure_s,
        scale_arcsec_px=float(np.degrees(pixel_mm / run.lens.focal_mm) * 3600.0),
        runs=night.runs,
        flat_speed=float(max(np.cos(declination), 0.2)),
        lean=float(np.cos(altitude)),
        rng=rng,
    )


def lens_by_lot(focal_mm: float, rng: np.random.Generator) -> tuple[Lens, bool]:
    """A lens by lot; every other one draws its corners badly."""
    fwhm = float(rng.uniform(1.6, 4.5))
    strong = bool(rng.random() < 0.5)
    radial = fwhm * float(rng.uniform(1.0, 1.6) if strong else rng.uniform(0.0, 0.6))
    lens = Lens(
        f"Tarn Bench {focal_mm:g}mm",
        focal_mm,
        float(rng.choice([2.0, 2.8, 4.0])),
        fwhm_px=fwhm,
        beta=float(rng.uniform(2.2, 6.0)),
        radial_px=radial,
        tangential_px=radial * float(rng.uniform(0.0, 0.7)),
        decentre_px=(float(rng.uniform(-120.0, 120.0)), float(rng.uniform(-80.0, 80.0))),
        tilt_px=(float(rng.uniform(0.0, 0.3) * fwhm), float(rng.uniform(0.0, 0.2) * fwhm)),
        k1=float(rng.uniform(-0.04, 0.01)) * min(1.0, 35.0 / focal_mm),
        vignetting=float(rng.uniform(0.1, 0.6)),
    )
    return lens, strong


def _with_calibration(night: Night) -> Night:
    """Two darks and two flats after the last frame."""
    last = night.runs[-1]
    after = last.start_utc + timedelta(seconds=last.start_of(last.frames) + 60.0)
    dark = DrawnRun(last.lens, after, last.exposure_s, 2, kind="dark", folder="closed")
    later = after + timedelta(seconds=dark.start_of(2) + 60.0)
    flat = DrawnRun(last.lens, later, 0.02, 2, kind="flat", iso=100, folder="even")
    return replace(night, runs=(*night.runs, dark, flat))


def _perfect(night: Night, setting: _Setting) -> Night:
    return night


def _axis(night: Night, setting: _Setting) -> Night:
    """The polar axis off by what a trail of some length takes, in any direction."""
    length = float(setting.rng.uniform(1.0, 10.0)) * setting.scale_arcsec_px
    # A misaligned axis drifts by the Earth's turn times the error; no tracker is 4 degrees off.
    error = min(length / (SIDEREAL_ARCSEC_S * setting.exposure_s), np.radians(4.0))
    arcmin, turn = np.degrees(error) * 60.0, setting.rng.uniform(0.0, 2.0 * np.pi)
    latitude = np.radians(abs(night.site.latitude_deg))
    mount = replace(
        night.mount,
        axis_alt_error_arcmin=float(arcmin * np.cos(turn)),
        axis_az_error_arcmin=float(arcmin * np.sin(turn) / np.cos(latitude)),
    )
    return replace(night, mount=mount)


def _drive(night: Night, setting: _Setting) -> Night:
    """A rate that is wrong by what a trail of some length takes."""
    length = float(setting.rng.uniform(0.5, 10.0)) * setting.scale_arcsec_px
    error = length / (SIDEREAL_ARCSEC_S * setting.exposure_s * setting.flat_speed)
    sign = float(setting.rng.choice([-1.0, 1.0]))
    # A rate that is wrong by all of it is a camera that stands still, which has its own name.
    return replace(night, mount=replace(night.mount, rate_error=float(sign * min(error, 0.7))))


def _periodic(night: Night, setting: _Setting) -> Night:
    """A worm whose fastest frame trails by some length."""
    period = float(setting.rng.uniform(4.0, 12.0)) * setting.exposure_s
    length = float(setting.rng.uniform(1.5, 6.0)) * setting.scale_arcsec_px
    amplitude = length * period / (2.0 * np.pi * setting.exposure_s * setting.flat_speed)
    mount = replace(
        night.mount,
        periodic_arcsec=float(amplitude),
        periodic_s=period,
        periodic_phase_deg=float(setting.rng.uniform(0.0, 360.0)),
    )
    return replace(night, mount=mount)


def _slip(night: Night, setting: _Setting) -> Night:
    """A ball head that lets go after some frames."""
    length = float(setting.rng.uniform(1.0, 8.0)) * setting.scale_arcsec_px
    mount = replace(
        night.mount,
        slip_arcsec_per_min=length / (setting.exposure_s / 60.0) / setting.lean,
        slip_from_s=setting.moment(int(setting.rng.integers(3, setting.frames - 4)), 0.0),
    )
    return replace(night, mount=mount)


def _wind(night: Night, setting: _Setting) -> Night:
    """A spell of gusts; stars to the catalogue's end only, since each takes many strokes."""
    gusts = Gusts(
        per_min=float(setting.rng.uniform(1.0, 6.0)),
        strength_arcsec=float(setting.rng.uniform(0.8, 4.0)) * setting.scale_arcsec_px,
        decay_s=float(setting.rng.uniform(1.0, 4.0)),
        sway_hz=float(setting.rng.choice([0.0, 0.8])),
        axis_deg=float(setting.rng.uniform(0.0, 180.0)),
        scatter_deg=float(setting.rng.choice([10.0, 180.0])),
        from_s=setting.moment(4, 0.0),
        to_s=setting.moment(9, 0.0),
    )
    return replace(night, mount=replace(night.mount, gusts=gusts), faint_to_mag=10.0)


def _knock(night: Night, setting: _Setting) -> Night:
    """Three frames in which the camera is pushed from one rest to another."""
    knocks = []
    for frame in (3, 7, 11):
        size = float(setting.rng.uniform(0.8, 6.0)) * setting.lens.fwhm_px
        turn = setting.rng.uniform(0.0, 2.0 * np.pi)
        push = size * setting.scale_arcsec_px
        knocks.append(
            Knock(
                setting.moment(frame, float(setting.rng.uniform(0.2, 0.8))),
                float(push * np.cos(turn)),
                float(push * np.sin(turn)),
            )
        )
    return replace(night, mount=replace(night.mount, knocks=tuple(knocks)))


def _cloud(night: Night, setting: _Setting) -> Night:
    """Cloud that comes, thickens and goes."""
    deepest = float(setting.rng.uniform(0.6, 2.5))
    times = [setting.moment(frame, 0.0) for frame in (4, 7, 9, 12)]
    cloud = tuple(zip(times, (0.0, deepest, 0.5 * deepest, 0.0), strict=True))
    return replace(night, sky=replace(night.sky, cloud=cloud))


def _focus(night: Night, setting: _Setting) -> Night:
    """A focus that runs away, to between 1.2 and 2.2 times the width."""
    ratio = float(setting.rng.uniform(1.2, 2.2))
    defocus = setting.lens.fwhm_px * np.sqrt(ratio**2 - 1.0)
    hours = setting.moment(setting.frames - 1, 0.5) / 3600.0
    lens = replace(setting.lens, focus_drift_px_per_h=float(defocus / hours))
    return replace(night, runs=tuple(replace(run, lens=lens) for run in night.runs))


def _bright_sky(night: Night, setting: _Setting) -> Night:
    """A sky that brightens in the second half."""
    times = (setting.moment(7, 0.0), setting.moment(setting.frames - 1, 0.5))
    factor = float(setting.rng.uniform(1.5, 7.0))
    return replace(night, sky=replace(night.sky, brightening=((times[0], 1.0), (times[1], factor))))


def _untracked(night: Night, setting: _Setting) -> Night:
    """The drive was not switched on; exposures are short, as such frames are."""
    length = float(setting.rng.uniform(2.0, 60.0)) * setting.scale_arcsec_px
    exposure = length / (SIDEREAL_ARCSEC_S * setting.flat_speed)
    exposure = float(np.clip(round(exposure, 1), 0.5, 60.0))
    runs = tuple(replace(run, tracking="off", exposure_s=exposure, iso=3200) for run in night.runs)
    # No more than a few: the sky leaves the frame of a long lens.
    return replace(night, runs=tuple(replace(run, frames=6) for run in runs))


FAULTS_BY_NAME = {
    "perfect": _perfect,
    "axis": _axis,
    "drive": _drive,
    "slip": _slip,
    "wind": _wind,
    "knock": _knock,
    "periodic": _periodic,
    "cloud": _cloud,
    "focus": _focus,
    "bright-sky": _bright_sky,
    "untracked": _untracked,
}
FAULTS = tuple(FAULTS_BY_NAME)
_DRIFTS = ("axis", "drive")
