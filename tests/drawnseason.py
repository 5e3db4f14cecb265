"""Seasons drawn from the model of the rig, as counts or as the files audits leave."""

from __future__ import annotations

import csv
import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, ndtr

from skyplumb.season.rig_model import Counts, Faults

Floats = NDArray[np.float64]

PIXEL_UM = 4.0
MIDDLE_SCALE = 10.0
Cell = tuple[float, float]
"""Focal length (mm) and exposure (s)."""


def scale_of(focal_mm: float) -> float:
    """arcsec/px at the pixel pitch of the drawn cameras."""
    return 206.264806 * PIXEL_UM / focal_mm


@dataclass(frozen=True)
class Truth:
    """A rig as it is drawn; nights differ by the `_spread`s (of the linear predictors)."""

    limit_px: float = 1.8
    """Predicted trail that half of the frames bear."""
    steepness: float = 2.0
    drift_spread: float = 0.3
    events_per_min: float = 0.03
    """At `MIDDLE_SCALE`."""
    scale_power: float = 1.2
    events_spread: float = 0.4
    rest_log_odds: float = 4.0
    rest_spread: float = 0.3
    axis_arcmin: float = 6.0
    axis_spread: float = 0.3
    """Of its logarithm, from night to night."""
    rate_ppm: float = 100.0
    periodic_arcsec: float = 2.0

    def faults(self, rng: np.random.Generator, nights: int) -> Faults:
        """The mount fits of some nights."""
        return Faults(
            self.axis_arcmin * np.exp(self.axis_spread * rng.standard_normal(nights)),
            self.rate_ppm * rng.standard_normal(nights),
            np.full(nights, self.periodic_arcsec),
            np.full(nights, 480.0),
        )

    def chances(self, trail: Floats, scale: float, exposure_s: float, shift: Floats) -> Floats:
        """Chances of no drift loss, no event, no other loss, shape (..., 3).

        `shift` holds the night's three random effects, in standard deviations, last axis.
        """
        drift = self.steepness * np.log(self.limit_px / trail) + self.drift_spread * shift[..., 0]
        many = self.events_per_min * (MIDDLE_SCALE / scale) ** self.scale_power * exposure_s / 60
        calm = np.exp(-many * np.exp(self.events_spread * shift[..., 1]))
        fine = expit(self.rest_log_odds + self.rest_spread * shift[..., 2])
        return np.stack([ndtr(drift), calm, fine], axis=-1)

    def rate(self, focal_mm: float, exposure_s: float, nights: int = 20_000) -> float:
        """Hit rate over all nights there could be, by drawing many."""
        rng = np.random.default_rng(7)
        scale = scale_of(focal_mm)
        trail = self.faults(rng, nights).trail_px(np.float64(scale), np.float64(exposure_s), 0.0)
        shift = rng.standard_normal((nights, 3))
        return float(self.chances(trail, scale, exposure_s, shift).prod(axis=-1).mean())

    def draw(
        self, rng: np.random.Generator, nights: int, cells: Sequence[Cell], frames: int
    ) -> Counts:
        """What became of `frames` frames in each cell of each night."""
        faults = self.faults(rng, nights)
        rows: list[tuple[float, ...]] = []
        for night in range(nights):
            shift = rng.standard_normal(3)
            for focal, exposure in cells:
                scale = scale_of(focal)
                here = faults.at(np.array([night]))
                trail = here.trail_px(np.float64(scale), np.float64(exposure), 0.0)[0]
                held, calm, fine = self.chances(trail, scale, exposure, shift)
                parts = [1 - held, held * (1 - calm), held * calm * (1 - fine), held * calm * fine]
                rows.append((night, focal, scale, exposure, *rng.multinomial(frames, parts)))
        table = np.array(rows, float)
        night_of = table[:, 0].astype(np.intp)
        return Counts(
            night=night_of,
            focal_mm=table[:, 1],
            scale=table[:, 2],
            exposure_s=table[:, 3],
            dec_deg=np.zeros(len(table)),
            drift=table[:, 4],
            events=table[:, 5],
            rest=table[:, 6],
            keep=table[:, 7],
            faults=faults.at(night_of),
            measured=True,
        )


COLUMNS = (
    *("file", "session", "run", "kind", "taken_camera", "taken_utc", "camera", "lens"),
    *("focal_mm", "exposure_s", "scale_arcsec_px", "dec_deg", "verdict", "cause"),
)
CAUSE = {"drift": "axis", "events": "wind", "rest": "focus", "keep": "none", "cloud": "cloud"}


def write_season(
    counts: Counts,
    out: Path,
    notes: Sequence[dict[str, object]] = (),
    lens: str = "Orvane {focal:g}mm",
    mounts: bool = True,
) -> Path:
    """Lay counts down as an audit would, a session a night; cloud takes one frame more of each."""
    for night in np.unique(counts.night):
        # Three days apart from a first of January: names of nights that sort in their order.
        day = np.datetime64("2026-01-01") + 3 * int(night)
        folder = out / f"{day}-orvane-n6"
        folder.mkdir(parents=True)
        rows: list[list[object]] = []
        runs: list[dict[str, object]] = []
        clock = np.datetime64(f"{day}T20:00:00")
        for n in np.flatnonzero(counts.night == night):
            fates = [
                fate
                for fate in ("drift", "events", "rest", "keep")
                for _ in range(int(getattr(counts, fate)[n]))
            ]
            exposure, focal = float(counts.exposure_s[n]), float(counts.focal_mm[n])
            run = f"{len(runs) + 1:02d}-{focal:g}mm-{exposure:g}s"
            told: list[dict[str, object]] = []
            for fate in [*fates, *([] if runs else ["cloud"])]:
                cause = CAUSE[fate]
                file = f"N{night}_{len(rows):04d}.dng"
                verdict = "keep" if fate == "keep" else "reject"
                stamps = (str(clock).replace("-", ":"), f"{clock}Z")
                scale = f"{counts.scale[n]:.5f}"
                rows.append(
                    [
                        *(file, folder.name, run, "light", *stamps, "Orvane N6"),
                        *(lens.format(focal=focal), focal, exposure, scale, 0.0, verdict, cause),
                    ]
                )
                share = {} if verdict == "keep" else {cause: 1.0}
                told.append({"file": file, "verdict": verdict, "causes": share})
                clock += np.timedelta64(int(exposure) + 5, "s")
            mount: dict[str, object] = {"setup": "1"}
            if mounts:
                mount |= {
                    "axis_total_error_arcmin": float(counts.faults.axis_arcmin[n]),
                    "rate_error_ppm": float(counts.faults.rate_ppm[n]),
                    "periodic_amplitude_arcsec": float(counts.faults.periodic_arcsec[n]),
                    "periodic_period_s": float(counts.faults.period_s[n]),
                }
            runs.append({"run": run, "frames": told, "mount": mount})
            if notes:
                runs[-1]["notes"] = notes[int(night) % len(notes)]
        with (folder / "frames.csv").open("w", encoding="utf-8", newline="") as file:
            writer = csv.writer(file)
            writer.writerow(COLUMNS)
            writer.writerows(rows)
        summary = {"sessions": [{"session": folder.name, "runs": runs}]}
        (folder / "summary.json").write_text(json.dumps(summary), "utf-8")

    return out
