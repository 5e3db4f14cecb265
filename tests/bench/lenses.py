"""Lenses, sky and air of drawn nights against what was drawn: `python -m tests.bench.lenses`.

Nights of the renderer `tests.nightsky`, each with a lens, a sky and an air of its own, are drawn
and audited. A lens's second moments are held against those that GalSim's adaptive moments (Hirata
and Seljak 2003) give of its noiseless stars at the same places, its widths against the circle of
the area that is over half such a star's height, the sky's brightness against the renderer's own.
"""

from __future__ import annotations

import argparse
import os
import tempfile
import time
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import galsim
import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter

from skyplumb.api import audit
from skyplumb.measure import shapes
from skyplumb.summary import read_summary

from ..nightsky.card import Pictures, plain_card
from ..nightsky.cases import case
from ..nightsky.lens import Lens, Sensor
from ..nightsky.light import Dots, lay
from ..nightsky.tags import tags_of
from .tables import Table

Floats = NDArray[np.float64]

FIRST_SEED, NIGHTS = 200_400, 12
"""Nothing was set on these seeds."""
FRAMES = 10
FINE = 9
"""Steps a pixel of a star whose width is measured."""


def drawn_star(lens: Lens, sensor: Sensor, at: Floats, fine: int, off: Floats) -> Floats:
    """A noiseless star there, in steps of a pixel over `fine`, `off` pixels off the middle."""
    # As the renderer does where it lays many rays.
    blur = max(lens.blur_px, 1.0) if max(lens.rays_for()) > 6 else lens.blur_px
    rays = (6, 24)
    dx, dy = lens.spots(at[:1], at[1:], sensor, rays)
    size = 41 * fine
    middle = size // 2 + off * fine
    picture = np.zeros((size, size), np.float32)
    light = np.full((1, 2, 2), 1e6)
    spread = np.sqrt((2.3 * blur) ** 2 + float(np.mean(dx**2 + dy**2)) / 2)
    ray = Dots(
        middle[0] + dx * fine, middle[1] + dy * fine, lens.ray_weights(rays),
        light * (1 - lens.halo), blur * fine, 6.0,
    )  # fmt: skip
    halo = Dots(
        *(np.full((1, 1), one) for one in middle), np.ones(1), light * lens.halo, spread * fine, 5.0
    )
    for dots in (ray, halo):
        lay(picture, dots)
    return np.asarray(uniform_filter(picture, fine) if fine > 1 else picture)


def true_moments(lens: Lens, sensor: Sensor, at: Floats) -> Floats:
    """mxx, myy, mxy of GalSim's, px^2, the mean over places within a pixel."""
    out = []
    for off in np.array([(0.0, 0.0), (0.5, 0.0), (0.0, 0.5), (0.5, 0.5)]):
        found = galsim.hsm.FindAdaptiveMom(galsim.Image(drawn_star(lens, sensor, at, 1, off)))
        e1, e2 = found.observed_e1, found.observed_e2
        trace = 2 * found.moments_sigma**2 / np.sqrt(1 - e1**2 - e2**2)
        out.append([trace * (1 + e1) / 2, trace * (1 - e1) / 2, trace * e2 / 2])
    return np.mean(out, axis=0)


def true_fwhm(lens: Lens, sensor: Sensor, at: Floats) -> float:
    """Diameter of the circle of the area over half the height, px."""
    star = drawn_star(lens, sensor, at, FINE, np.zeros(2))
    return float(2 * np.sqrt(np.count_nonzero(star > star.max() / 2) / np.pi) / FINE)


def one_night(seed: int) -> tuple[list[tuple[float, ...]], list[tuple[float, ...]]]:
    """Of each part of the picture: moments told and true, their errors, widths told and true; of
    the night: brightness told less true, its error, extinction told, its error, true."""
    plan = case("quiet", seed, FRAMES)
    night = plan.night
    lens, sensor = night.shots[0].lens, night.sensor
    with tempfile.TemporaryDirectory(prefix="skyplumb-bench-") as name:
        folder = Path(name)
        entries = plain_card(night, tags_of(night, plan.clock))
        drawn = Pictures(night).write(folder, entries, {})
        done = audit(folder / "card", folder / "out", jobs=1)
        told = pd.read_csv(done.folders[0] / "frames.csv")
        (session,) = read_summary(done.folders[0] / "summary.json")
    parts = []
    for field in session.lenses:
        half = np.hypot(field.width_px, field.height_px) / 2
        for zone in field.zones:
            at = np.array(sensor.middle) + half * np.array([zone.x, zone.y])
            values = (zone.mxx_px2, zone.myy_px2, zone.mxy_px2)
            sigmas = (zone.mxx_px2_sigma, zone.myy_px2_sigma, zone.mxy_px2_sigma)
            width = float(shapes.fwhm_px((values[0] + values[1]) / 2, zone.profile))
            there = true_moments(lens, sensor, at)
            parts.append((*values, *there, *sigmas, width, true_fwhm(lens, sensor, at)))
    levels = [frame["sky_level"] for frame in drawn["frames"]]
    true_mag = night.sky.mag_arcsec2 - 2.5 * np.log10(np.median(levels))
    sky = told["sky_mag_arcsec2"].median() - true_mag
    return parts, [
        (
            *(float(sky), float(told["sky_mag_arcsec2_sigma"].median())),
            *(session.sky_extinction_mag_airmass, session.sky_extinction_mag_airmass_sigma),
            night.sky.extinction,
        )
    ]


def lens_table(nights: int) -> Table:
    """Moments, widths and skies."""
    parts, skies = [], []
    for seed in range(FIRST_SEED, FIRST_SEED + nights):
        some, sky = one_night(seed)
        parts += some
        skies += sky
    found, night = np.array(parts), np.array(skies)
    told, true, sigma = found[:, :3], found[:, 3:6], found[:, 6:9]
    off = told - true
    met = np.abs(off) <= np.maximum(0.05 * np.abs(true), 0.1)
    width = found[:, 9] / found[:, 10] - 1
    known = night[np.isfinite(night[:, 0])]
    rows = [
        ("second moments within 5 % or 0.1 px^2", f"{met.mean():.1%}", "all", str(met.size)),
        ("  rms, worst, px^2", f"{np.sqrt((off**2).mean()):.4f}, {np.abs(off).max():.3f}", "", ""),
        ("  over their errors, rms", f"{np.sqrt(((off / sigma) ** 2).mean()):.2f}", "1", ""),
        ("FWHM: mean, rms, worst", f"{width.mean():+.1%}, {np.sqrt((width**2).mean()):.1%}, "
         f"{np.abs(width).max():.1%}", "3 %", str(len(width))),
        ("sky: mean, rms, worst, mag", f"{known[:, 0].mean():+.3f}, "
         f"{np.sqrt((known[:, 0] ** 2).mean()):.3f}, {np.abs(known[:, 0]).max():.3f}",
         "0.15", str(len(known))),
        ("  over its error, rms", f"{np.sqrt(((known[:, 0] / known[:, 1]) ** 2).mean()):.2f}",
         "1", ""),
        ("extinction told", str(int(np.isfinite(night[:, 2]).sum())), "", str(len(night))),
    ]  # fmt: skip
    title = f"Lenses, sky and air of {nights} drawn nights of {FRAMES} frames"
    return Table(title, ("what", "found", "aim", "of"), rows)


def main() -> None:
    """Parse, measure, print."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.lenses", description=__doc__)
    parser.add_argument("--nights", type=int, default=NIGHTS)
    asked = parser.parse_args()
    begin = time.process_time()
    print(lens_table(asked.nights).text(), flush=True)
    print(f"{time.process_time() - begin:.0f} s of processor")


if __name__ == "__main__":
    main()
