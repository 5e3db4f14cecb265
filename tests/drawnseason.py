"""Seasons drawn from the physics of a small tracker, frame by frame; no code of the model.

Each night has an axis error in altitude and azimuth, a rate, a wind; each run a target with its
hour angle and declination; each frame its phase of the periodic error, its gusts and knocks. The
path of the stars on the sensor during the exposure gives its trail, and the trail against the
limits its verdict. What is written is what an audit leaves behind, the mount's numbers with an
audit's errors.

Drift of a wrong axis and rate: Barrett 2016, *Measuring Polar Axis Alignment Error*, and the
formulas of rotation about a tilted axis; of refraction: derivative of 58.2 arcsec tan z (erfa.refco
at 1013 hPa, 10 C). A trail is the length of an even one with the same second moments, L^2 / 12.
Sizes of faults and gusts are ours, no source: what small trackers on a ridge might have.
"""

from __future__ import annotations

import csv
import json
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

PIXEL_UM = 4.0
Cell = tuple[float, float]
"""Focal length (mm) and exposure (s)."""
SKY_ARCSEC_MIN = 902.464
CAUSES = ("axis", "drive", "refraction", "wind", "knock", "slip")


def scale_of(focal_mm: float) -> float:
    """arcsec/px at the pixel pitch of the drawn cameras."""
    return 206.264806 * PIXEL_UM / focal_mm


@dataclass(frozen=True)
class Nights:
    """What holds through a night; arrays of one length."""

    alt_arcmin: Floats
    """Axis too high."""
    az_arcmin: Floats
    """Axis too far east, on the sky."""
    rate_ppm: Floats
    gusts_per_min: Floats
    slip_arcsec_min: Floats
    slip_from: Floats
    """Share of the night after which the head slips; over 1 where it holds."""
    blurred: Floats
    """Chance of a frame out of focus."""

    def at(self, rows: NDArray[np.intp]) -> Nights:
        return Nights(*(getattr(self, name)[rows] for name in self.__dataclass_fields__))


@dataclass(frozen=True)
class Drawn:
    """Frames, arrays of one length."""

    trail_px: Floats
    cause: NDArray[np.str_]
    share: Floats
    verdict: NDArray[np.str_]


@dataclass(frozen=True)
class DrawnRig:
    """A tracker, its owner's habits and the places they go to."""

    axis_arcmin: float = 4.0
    """Of each part of the axis error, from night to night."""
    axis_bias_arcmin: float = 2.0
    """Always too high by that: a polar scope out of collimation."""
    rate_ppm: float = 60.0
    rate_spread_ppm: float = 30.0
    periodic_arcsec: float = 3.0
    """Amplitude: half of peak to peak."""
    period_s: float = 480.0
    gusts_per_min: float = 0.3
    """On the median night."""
    gust_spread: float = 0.7
    """Of its logarithm from night to night."""
    gust_arcsec: float = 12.0
    """Median size."""
    gust_size_spread: float = 0.8
    gust_s: float = 4.0
    knocks_per_min: float = 0.003
    knock_arcsec: float = 60.0
    slip_nights: float = 0.05
    slip_arcsec_min: float = 6.0
    blurred: float = 0.02
    latitude_deg: float = 46.0
    keep_px: float = 1.5
    reject_px: float = 2.5

    def nights(self, rng: np.random.Generator, count: int) -> Nights:
        normal = rng.standard_normal((5, count))
        slips = rng.random(count) < self.slip_nights
        return Nights(
            alt_arcmin=self.axis_bias_arcmin + self.axis_arcmin * normal[0],
            az_arcmin=self.axis_arcmin * normal[1],
            rate_ppm=self.rate_ppm + self.rate_spread_ppm * normal[2],
            gusts_per_min=self.gusts_per_min * np.exp(self.gust_spread * normal[3]),
            slip_arcsec_min=self.slip_arcsec_min * rng.lognormal(0, 0.4, count),
            slip_from=np.where(slips, rng.random(count), 2.0),
            blurred=np.minimum(self.blurred * np.exp(0.5 * normal[4]), 0.9),
        )

    def targets(self, rng: np.random.Generator, count: int) -> tuple[Floats, Floats]:
        """Hour angle and declination, degrees, of targets over 25 degrees high."""
        hour, dec = rng.uniform(-60, 60, 8 * count), rng.uniform(-15, 65, 8 * count)
        high = self.altitude_deg(hour, dec) > 25
        return hour[high][:count], dec[high][:count]

    def altitude_deg(self, hour: Floats, dec: Floats) -> Floats:
        phi, d, h = np.radians(self.latitude_deg), np.radians(dec), np.radians(hour)
        return np.degrees(np.arcsin(np.sin(phi) * np.sin(d) + np.cos(phi) * np.cos(d) * np.cos(h)))

    def frames(
        self,
        rng: np.random.Generator,
        nights: Nights,
        clock: Floats,
        hour: Floats,
        dec: Floats,
        phase: Floats,
        focal_mm: float,
        exposure_s: float,
    ) -> Drawn:
        """Judge frames; `nights` has a row for each, `clock` is the share of the night gone."""
        count, steps = len(hour), 32
        phi, d, h = np.radians(self.latitude_deg), np.radians(dec), np.radians(hour)
        time = exposure_s * ((np.arange(steps) + 0.5) / steps - 0.5)
        minutes = time / 60
        arcmin = np.pi / 10800
        u, v = nights.alt_arcmin * arcmin, nights.az_arcmin * arcmin
        sky = SKY_ARCSEC_MIN
        paths: dict[str, Floats] = {}

        def drift(east: Floats, north: Floats) -> Floats:
            return np.stack([east, north], axis=-1)[:, None, :] * minutes[:, None]

        paths["axis"] = drift(
            sky * (-u * np.sin(d) * np.cos(h) + v * np.sin(d) * np.sin(h)),
            -sky * (u * np.sin(h) + v * np.cos(h)),
        )
        periodic = (
            self.periodic_arcsec
            * np.sin(2 * np.pi * time / self.period_s + phase[:, None])
            * np.cos(d)[:, None]
        )
        paths["drive"] = drift(sky * nights.rate_ppm * 1e-6 * np.cos(d), 0 * d)
        paths["drive"] = paths["drive"] + np.stack([periodic, 0 * periodic], axis=-1)
        cos_z = np.sin(phi) * np.sin(d) + np.cos(phi) * np.cos(d) * np.cos(h)
        bend = sky / 60 * 60 * np.radians(58.2 / 3600) / cos_z**2
        paths["refraction"] = drift(
            bend * np.cos(phi) * (np.sin(phi) * np.sin(d) * np.cos(h) + np.cos(phi) * np.cos(d)),
            bend * np.sin(2 * phi) * np.sin(h) / 2,
        )
        zenith = np.arctan2(
            np.sin(h), np.tan(phi) * np.cos(d) - np.sin(d) * np.cos(h)
        )  # the parallactic angle
        slip = np.where(clock > nights.slip_from, nights.slip_arcsec_min, 0.0)
        slip = slip * np.sqrt(1 - cos_z**2)
        paths["slip"] = drift(slip * np.sin(zenith), slip * np.cos(zenith))
        total = sum(paths.values())
        moments = _moments(np.asarray(total))
        own = {name: _moments(path) for name, path in paths.items()}
        own["wind"] = self._gusts(rng, nights.gusts_per_min, exposure_s)
        own["knock"] = self._knocks(rng, count, exposure_s)
        moments = moments + own["wind"] + own["knock"]
        size = np.linalg.eigvalsh(moments)
        trail = np.sqrt(12 * (size[:, 1] - size[:, 0])) / scale_of(focal_mm)
        trail = np.abs(trail * (1 + 0.03 * rng.standard_normal(count)))
        trail = np.hypot(trail, 0.1 * np.abs(rng.standard_normal(count)))
        along = np.linalg.eigh(moments)[1][:, :, 1]
        parts = np.stack(
            [np.einsum("ni,nij,nj->n", along, own[name], along) for name in CAUSES], axis=1
        )
        parts = np.maximum(parts, 1e-12)
        blurred = rng.random(count) < nights.blurred
        cause = np.where(blurred, "focus", np.array(CAUSES)[parts.argmax(axis=1)])
        share = np.where(blurred, 1.0, parts.max(axis=1) / parts.sum(axis=1))
        verdict = np.where(trail > self.reject_px, "reject", "doubtful")
        verdict = np.where(trail > self.keep_px, verdict, "keep")
        verdict = np.where(blurred, "reject", verdict)
        return Drawn(trail, np.where(verdict == "keep", "none", cause), share, verdict)

    def _gusts(self, rng: np.random.Generator, per_min: Floats, exposure_s: float) -> Floats:
        """Moments of excursions there and back, each for a share of the exposure."""
        much = rng.poisson(per_min * exposure_s / 60)
        frame = np.repeat(np.arange(len(per_min)), much)
        size = self.gust_arcsec * rng.lognormal(0, self.gust_size_spread, len(frame))
        part = np.minimum(rng.exponential(self.gust_s, len(frame)) / exposure_s, 0.5)
        return _pushes(rng, len(per_min), frame, size**2 * part * (1 - part))

    def _knocks(self, rng: np.random.Generator, count: int, exposure_s: float) -> Floats:
        much = rng.poisson(np.full(count, self.knocks_per_min * exposure_s / 60))
        frame = np.repeat(np.arange(count), much)
        size = self.knock_arcsec * rng.lognormal(0, 0.6, len(frame))
        part = rng.random(len(frame))
        return _pushes(rng, count, frame, size**2 * part * (1 - part))

    def rate(self, focal_mm: float, exposure_s: float, nights: int = 3000) -> float:
        """Hit rate over all nights and targets there could be, by drawing many."""
        rng = np.random.default_rng(7)
        drawn = self.nights(rng, nights)
        hour, dec = self.targets(rng, nights)
        rows = np.arange(len(hour))
        phase = rng.uniform(0, 2 * np.pi, len(rows))
        clock = rng.random(len(rows))
        found = self.frames(
            rng, drawn.at(rows), clock, hour[rows], dec[rows], phase, focal_mm, exposure_s
        )
        return float((found.verdict == "keep").mean())


@dataclass(frozen=True)
class GustyRig(DrawnRig):
    """A rig in another wind: gusts in bursts of three, of exponential sizes, as many a night as a
    gamma law has it, where the other's come one by one with log-normal sizes and nights."""

    def nights(self, rng: np.random.Generator, count: int) -> Nights:
        drawn = super().nights(rng, count)
        shape = 1 / max(self.gust_spread, 0.2) ** 2
        mean = self.gusts_per_min * np.exp(self.gust_spread**2 / 2)
        return replace(drawn, gusts_per_min=mean * rng.gamma(shape, 1 / shape, count))

    def _gusts(self, rng: np.random.Generator, per_min: Floats, exposure_s: float) -> Floats:
        bursts = rng.poisson(per_min * exposure_s / 180)
        much = bursts + rng.poisson(2.0 * bursts)
        frame = np.repeat(np.arange(len(per_min)), much)
        size = 1.5 * self.gust_arcsec * rng.exponential(1.0, len(frame))
        part = np.minimum(rng.exponential(self.gust_s, len(frame)) / exposure_s, 0.5)
        return _pushes(rng, len(per_min), frame, size**2 * part * (1 - part))


def _moments(path: Floats) -> Floats:
    """Second moments about the mean, shape (frames, 2, 2), of paths (frames, steps, 2)."""
    off = path - path.mean(axis=1, keepdims=True)
    x, y = off[..., 0], off[..., 1]
    xx, xy, yy = (x * x).mean(axis=1), (x * y).mean(axis=1), (y * y).mean(axis=1)
    return np.stack([xx, xy, xy, yy], axis=-1).reshape(-1, 2, 2)


def _pushes(
    rng: np.random.Generator, count: int, frame: NDArray[np.intp], variance: Floats
) -> Floats:
    """Moments of pushes in all directions, added up for each frame."""
    way = rng.uniform(0, np.pi, len(frame))
    unit = np.stack([np.cos(way), np.sin(way)], axis=1)
    found = np.zeros((count, 2, 2))
    np.add.at(found, frame, variance[:, None, None] * unit[:, :, None] * unit[:, None, :])
    return found


COLUMNS = (
    *("file", "session", "run", "kind", "taken_camera", "taken_utc", "camera", "lens"),
    *("focal_mm", "exposure_s", "trail_px", "scale_arcsec_px", "dec_deg", "altitude_deg"),
    *("verdict", "cause"),
)


def write_season(
    rig: DrawnRig | Sequence[DrawnRig],
    rng: np.random.Generator,
    nights: int,
    cells: Sequence[Cell],
    frames: int,
    out: Path,
    notes: Sequence[dict[str, object]] = (),
    lens: str = "Orvane {focal:g}mm",
    mounts: bool = True,
    cloud: bool = True,
) -> Path:
    """Lay a season down as audits would: a session a night, each cell a run on its own target.

    With several rigs they take turns, and so do `notes`. Cloud takes one frame more of each night.
    """
    rigs = [rig] if isinstance(rig, DrawnRig) else list(rig)
    for night in range(nights):
        mine = rigs[night % len(rigs)]
        # Three days apart from a first of January: names of nights that sort in their order.
        day = np.datetime64("2026-01-01") + np.timedelta64(3 * night, "D")
        told = notes[night % len(notes)] if notes else None
        _write_night(mine, rng, day, cells, frames, out, told, lens, mounts, cloud)
    return out


def _write_night(
    rig: DrawnRig,
    rng: np.random.Generator,
    day: np.datetime64,
    cells: Sequence[Cell],
    frames: int,
    out: Path,
    notes: dict[str, object] | None,
    lens: str,
    mounts: bool,
    cloud: bool,
) -> None:
    folder = out / f"{day}-orvane-n6"
    folder.mkdir(parents=True)
    tonight = rig.nights(rng, 1)
    rows: list[list[object]] = []
    runs: list[dict[str, object]] = []
    clock = np.datetime64(f"{day}T20:00:00")
    phase = rng.uniform(0, 2 * np.pi)
    starts, decs = rig.targets(rng, 4 * len(cells))
    whole = sum(frames * (t + 5) for _, t in cells)
    gone = 0.0
    mount = mount_of(rig, rng, tonight, cells) if mounts else {"setup": "1"}
    for number, (focal, exposure) in enumerate(cells):
        step = exposure + 5
        since = step * np.arange(frames)
        hour = starts[number] + since / 240
        dec = np.full(frames, decs[number])
        here = tonight.at(np.zeros(frames, np.intp))
        phases = phase + 2 * np.pi * (gone + since) / rig.period_s
        drawn = rig.frames(rng, here, (gone + since) / whole, hour, dec, phases, focal, exposure)
        gone += frames * step
        run = f"{number + 1:02d}-{focal:g}mm-{exposure:g}s"
        altitude = rig.altitude_deg(hour, dec)
        some: list[dict[str, object]] = []
        clouded = cloud and number == 0
        for n in range(frames + clouded):
            m = min(n, frames - 1)
            verdict, cause = str(drawn.verdict[m]), str(drawn.cause[m])
            if n == frames:
                verdict, cause = "reject", "cloud"
            file = f"N{day}_{len(rows):04d}.dng"
            stamps = (str(clock).replace("-", ":"), f"{clock}Z")
            rows.append(
                [
                    *(file, folder.name, run, "light", *stamps, "Orvane N6"),
                    *(lens.format(focal=focal), focal, exposure, f"{drawn.trail_px[m]:.3f}"),
                    *(f"{scale_of(focal):.5f}", f"{dec[m]:.3f}", f"{altitude[m]:.2f}"),
                    *(verdict, cause),
                ]
            )
            share = {} if verdict == "keep" else {cause: float(drawn.share[m])}
            some.append({"file": file, "verdict": verdict, "causes": share})
            clock += np.timedelta64(int(step), "s")
        runs.append({"run": run, "frames": some, "mount": mount})
        runs[-1]["limits"] = {"trail_px.keep_up_to": rig.keep_px}
        if notes:
            runs[-1]["notes"] = notes
    with (folder / "frames.csv").open("w", encoding="utf-8", newline="") as table:
        writer = csv.writer(table)
        writer.writerow(COLUMNS)
        writer.writerows(rows)
    who = {"session": folder.name, "evening": str(day), "camera": "Orvane N6", "serial": "OR-17"}
    where = {"latitude_deg": rig.latitude_deg, "longitude_deg": 9.9}
    summary = {"sessions": [{**who, **where, "runs": runs}]}
    (folder / "summary.json").write_text(json.dumps(summary), "utf-8")


def mount_of(
    rig: DrawnRig, rng: np.random.Generator, night: Nights, cells: Sequence[Cell]
) -> dict[str, object]:
    """What an audit finds of the mount: 0.1 arcmin, 15 ppm; a periodic error of over half a pixel
    in pictures short enough to follow it."""
    axis = np.hypot(night.alt_arcmin[0], night.az_arcmin[0]) + 0.1 * rng.standard_normal()
    mount: dict[str, object] = {
        "setup": "1",
        "axis_total_error_arcmin": float(abs(axis)),
        "axis_alt_error_arcmin": float(night.alt_arcmin[0]),
        "axis_az_error_arcmin": float(night.az_arcmin[0] / np.cos(np.radians(rig.latitude_deg))),
        "rate_error_ppm": float(night.rate_ppm[0] + 15 * rng.standard_normal()),
    }
    fine = [scale_of(focal) for focal, t in cells if t < rig.period_s / 2]
    if fine and rig.periodic_arcsec > 0.5 * min(fine):
        mount["periodic_amplitude_arcsec"] = rig.periodic_arcsec * (
            1 + 0.05 * rng.standard_normal()
        )
        mount["periodic_period_s"] = rig.period_s * (1 + 0.03 * rng.standard_normal())
    return mount


def some_rig(rng: np.random.Generator, kind: type[DrawnRig] = DrawnRig) -> DrawnRig:
    """A rig of any kind that small trackers are: ours, no source."""

    def between(low: float, high: float) -> float:
        return float(np.exp(rng.uniform(np.log(low), np.log(high))))

    return kind(
        axis_arcmin=between(1.5, 8.0),
        axis_bias_arcmin=float(rng.uniform(0, 4)),
        rate_ppm=float(rng.normal(0, 80)),
        rate_spread_ppm=between(10, 60),
        periodic_arcsec=between(0.5, 8.0),
        period_s=between(300, 900),
        gusts_per_min=between(0.05, 1.0),
        gust_spread=float(rng.uniform(0.3, 0.9)),
        gust_arcsec=between(6, 25),
        gust_size_spread=float(rng.uniform(0.5, 1.0)),
        gust_s=between(2, 6),
        knocks_per_min=between(0.001, 0.01),
        slip_nights=float(rng.choice([0.0, 0.05, 0.15])),
        blurred=between(0.005, 0.05),
    )


CALM = {"slip_nights": 0.0, "knocks_per_min": 0.0, "blurred": 0.0, "gusts_per_min": 0.0}
"""A rig whose frames only drift."""


def windy(rig: DrawnRig, times: float) -> DrawnRig:
    """The same with so many times the gusts."""
    return replace(rig, gusts_per_min=rig.gusts_per_min * times)
