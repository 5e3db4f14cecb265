"""Drawn nights of narrow fields: long focal lengths, several hundred stars, by the demo's sky."""

from __future__ import annotations

from datetime import datetime

import numpy as np

from bench.sketch import sketched
from skyplumb.calibrate.light import Light
from skyplumb.demo import Body, Clock, DrawnExposure, DrawnRun, DrawnSite, Lens, Mount, Night, Sky
from skyplumb.intake.notes import ShotNotes
from skyplumb.records import STAR_DTYPE, Measure

WIDTH_MM = 23.4


def narrow_night(
    mount: Mount | None = None,
    frames: int = 6,
    width_deg: float = 1.6,
    place_deg: tuple[float, float] = (84.0, -69.0),
    exposure_s: float = 60.0,
    faint_to_mag: float = 13.5,
    seed: int = 3,
    tracking: str = "sidereal",
    fnumber: float = 5.0,
) -> Night:
    """A run of one narrow field, 3 to 2, seen from 31 degrees south."""
    focal_mm = WIDTH_MM / 2 / np.tan(np.radians(width_deg / 2))
    body = Body("Vesna", "Tarn", "T1", width_px=1500, height_px=1000, pixel_um=15.6)
    run = DrawnRun(
        Lens("long", float(focal_mm), fnumber, fwhm_px=2.4),
        datetime(2026, 1, 15, 12, 0),
        exposure_s,
        frames,
        ra_deg=place_deg[0],
        dec_deg=place_deg[1],
        roll_deg=37.0,
        tracking=tracking,
    )
    return Night(
        DrawnSite(-31.0, 149.0, 1000.0),
        body,
        mount or Mount(),
        (run,),
        Sky(),
        Clock(utc_offset_h=0.0, gps=True),
        seed=seed,
        faint_to_mag=faint_to_mag,
    )


def exposures_of(night: Night) -> list[DrawnExposure]:
    """Every frame of its run."""
    return [DrawnExposure(night, 0, frame) for frame in range(night.runs[0].frames)]


def measured(night: Night) -> list[Measure]:
    """Their star tables."""
    return [sketched(one, f"{one.frame:03d}.fits") for one in exposures_of(night)]


def unsolved(measures: list[Measure], night: Night) -> list[Light]:
    """Their frames as they are judged where the sky was not solved."""
    starts = [night.runs[0].start_of(n) for n in range(len(measures))]
    return [
        Light(one, ShotNotes(one.info), None, start, True)
        for one, start in zip(measures, starts, strict=True)
    ]


def dots(rng: np.random.Generator, count: int = 300) -> Measure:
    """A frame of points strewn by lot."""
    stars = np.zeros(count, STAR_DTYPE)
    stars["x"], stars["y"] = rng.uniform(0, [[1500], [1000]], (2, count))
    stars["flux"] = np.sort(10 ** rng.uniform(2, 5, count))[::-1]
    stars["snr"], stars["mxx"], stars["myy"] = 60.0, 1.2, 1.2
    return Measure("a", "light", "", width_px=1500, height_px=1000, stars=stars)
