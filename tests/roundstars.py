"""A frame of round stars of a known width, trailed by a known length: a table, no picture."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy.spatial.transform import Rotation

from skyplumb.calibrate.camera import Camera
from skyplumb.calibrate.light import Light
from skyplumb.calibrate.pointing import Pointing
from skyplumb.calibrate.sky import ObservedSky
from skyplumb.intake.notes import ShotNotes
from skyplumb.records import STAR_DTYPE, Measure, ShotInfo

SIZE = (3000, 2000)
INFO = ShotInfo(
    camera="Mistel 3", lens="Lerchau 85", focal_mm=85.0, fnumber=2.8, exposure_s=60.0, iso=800.0
)


def light(
    number: int,
    trail: float = 0.0,
    *,
    stars: int = 120,
    found: int | None = None,
    width: float = 1.3,
    sky: float = 250.0,
    angle: float = 20.0,
    info: ShotInfo = INFO,
    double: float = 0.0,
) -> Light:
    """A frame of round stars of a moment `width` px^2, trailed by `trail` px."""
    rng = np.random.default_rng(number)
    table = np.zeros(stars, STAR_DTYPE)
    table["x"], table["y"] = rng.uniform([0, 0], SIZE, (stars, 2)).T
    table["flux"] = np.sort(rng.uniform(1e3, 1e5, stars))[::-1]
    table["snr"], table["kurt"] = 90.0, 2.0
    turn, excess = np.radians(2 * angle), trail**2 / 12
    table["mxx"] = width + excess * (1 + np.cos(turn)) / 2
    table["myy"] = width + excess * (1 - np.cos(turn)) / 2
    table["mxy"] = excess * np.sin(turn) / 2
    for name in ("xx", "yy", "xy"):
        table["s" + name] = 0.05
        table["m" + name] += rng.normal(0, 0.05, stars)
    if double:
        twins = table.copy()
        twins["x"] += double
        twins["flux"] *= 0.6
        table = np.concatenate([table, twins])
        table = table[np.argsort(-table["flux"], kind="stable")]
    measure = Measure(
        file=f"M_{number:04d}.dng",
        kind="light",
        note="",
        info=info,
        width_px=SIZE[0],
        height_px=SIZE[1],
        stars=table,
        stars_found=len(table) if found is None else found,
        sky_level=sky,
        noise=15.0,
    )
    return Light(measure, ShotNotes(info), None, 70.0 * number)


def pointed(one: Light) -> Light:
    """The same frame with its sky solved."""
    pointing = Pointing(
        solved=True,
        ra_deg=40.0,
        dec_deg=20.0,
        camera=Camera(20000.0, *SIZE),
        sky=ObservedSky(None, None),
        attitude=Rotation.from_euler("xyz", [0.4, -0.7, 1.0]).as_matrix(),
        covariance=np.eye(3) * 1e-12,
    )
    return replace(one, pointing=pointing)
