"""Lenses, sky and air of drawn nights against what was drawn: `python -m tests.bench.lenses`.

Nights of the renderer `tests.nightsky`, each with a lens, a sky and an air of its own, are drawn
and audited. A lens's second moments are held against those that GalSim's adaptive moments (Hirata
and Seljak 2003) give of its noiseless stars at the same places, its widths against the circle of
the area that is over half such a star's height, tilt and ellipticity against those of these, the
axis and the aberrations against the drawn lens's own (Welford's sums, as `nightsky.lens` quotes
them), the sky's brightness against the renderer's own. What the air takes is told by long nights,
clear ones and others under thin cloud that drifts through or comes and goes.
"""

from __future__ import annotations

import argparse
import os
import tempfile
import time
from dataclasses import replace
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import galsim
import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter

from skyplumb.api import audit
from skyplumb.season.aberrations import Term
from skyplumb.season.lenses import SeasonLens, season_lenses
from skyplumb.season.sessions import NightLens
from skyplumb.summary import read_summary

from ..nightsky.air import Cloud
from ..nightsky.build import quiet
from ..nightsky.card import Pictures, plain_card
from ..nightsky.cases import case
from ..nightsky.lens import Lens, Sensor
from ..nightsky.light import Dots, lay
from ..nightsky.tags import tags_of
from .tables import Table

Floats = NDArray[np.float64]

FIRST_SEED, NIGHTS = 231_100, 12
"""Nothing was set on these seeds."""
FRAMES = 10
AIR_SEED, AIR_NIGHTS, AIR_FRAMES, AIR_HOURS = 231_500, 12, 20, 6.0
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


def true_ellipticity(moments: Floats) -> float:
    """1 - b/a."""
    xx, yy, xy = moments
    stretch = np.hypot(xx - yy, 2 * xy)
    return float(1 - np.sqrt((xx + yy - stretch) / (xx + yy + stretch)))


def true_shares(lens: Lens, sensor: Sensor, corners: Floats) -> tuple[float, float, float]:
    """What coma, astigmatism and the medial focus add to the mean corner's trace, px^2.

    Spherical aberration moves the focus of least variance by two thirds of itself.
    """
    square = ((corners - np.array(lens.off_axis_px) / sensor.half_diagonal_px) ** 2).sum(axis=1)
    tilt = np.array(lens.tilt_px) / np.array(sensor.middle) * sensor.half_diagonal_px
    middle = lens.defocus_px + 2 / 3 * lens.spherical_px
    medial = middle + corners @ tilt + (2 * lens.astigmatism_px + lens.curvature_px) * square
    return (
        float((2 / 3 * lens.coma_px**2 * square).mean()),
        float((lens.astigmatism_px**2 * square**2 / 2).mean()),
        float((medial**2 - middle**2).mean() / 2),
    )


def terms_of(one: SeasonLens, lens: Lens, sensor: Sensor) -> dict[str, list[tuple[Term, float]]]:
    """Each term that is told of a lens, beside what was drawn."""
    half = np.array([sensor.width, sensor.height]) / np.hypot(sensor.width, sensor.height)
    found: dict[str, list[tuple[Term, float]]] = {}
    true: dict[tuple[float, float], tuple[Floats, float]] = {}
    for place in one.places:
        at = np.array(sensor.middle) + sensor.half_diagonal_px * np.array([place.x, place.y])
        moments, width = true_moments(lens, sensor, at), true_fwhm(lens, sensor, at)
        true[round(place.x / half[0], 2), round(place.y / half[1], 2)] = moments, width
        found.setdefault("moments", []).extend(zip(place.moments, moments, strict=True))
        found.setdefault("FWHM", []).append((place.shape.fwhm_px, width))
        found.setdefault("ellipticity", []).append(
            (place.shape.ellipticity, true_ellipticity(moments))
        )
    far_x, far_y = 0.86, 0.8
    sides = [(far_x, 0.0), (-far_x, 0.0), (0.0, far_y), (0.0, -far_y)]
    outer = [(x, y) for x in (-far_x, far_x) for y in (-far_y, far_y) if (x, y) in true]
    for name, shape, at in (
        ("centre", one.centre, [(0.0, 0.0)]),
        ("edges", one.edges, [side for side in sides if side in true]),
        ("corners", one.corners, outer),
    ):
        if at and all(each in true for each in at):
            widths = [true[each][1] for each in at]
            found[f"FWHM, {name}"] = [(shape.fwhm_px, float(np.mean(widths)))]
    for term, (high, low) in ((one.tilt_x_px, sides[:2]), (one.tilt_y_px, sides[2:])):
        if high in true and low in true:
            found.setdefault("tilt", []).append((term, true[high][1] - true[low][1]))
    parts, axis = one.aberrations, np.array(lens.off_axis_px) / sensor.half_diagonal_px
    found["axis"] = [(parts.axis_x, float(axis[0])), (parts.axis_y, float(axis[1]))]
    if outer and (0.0, 0.0) in true:
        excess = np.mean([true[each][0][:2].sum() for each in outer])
        found["corner excess"] = [(parts.excess, float(excess - true[0.0, 0.0][0][:2].sum()))]
        shares = true_shares(lens, sensor, np.array(outer) * half)
        told = (parts.coma, parts.astigmatism, parts.focus)
        for name, term, share in zip(("coma", "astigmatism", "focus"), told, shares, strict=True):
            found[f"corner {name}"] = [(term, share)]
    return found


Terms = dict[str, list[tuple[Term, float]]]


def one_night(seed: int) -> tuple[Terms, tuple[float, ...]]:
    """Terms of its lens, told and drawn; brightness told less true, its error, extinction told, its
    error, true."""
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
    terms: Terms = {}
    for one in season_lenses([NightLens("", "", field) for field in session.lenses]):
        terms = terms_of(one, lens, sensor)
    levels = [frame["sky_level"] for frame in drawn["frames"]]
    true_mag = night.sky.mag_arcsec2 - 2.5 * np.log10(np.median(levels))
    sky = told["sky_mag_arcsec2"].median() - true_mag
    return terms, (
        *(float(sky), float(told["sky_mag_arcsec2_sigma"].median())),
        *(session.sky_extinction_mag_airmass, session.sky_extinction_mag_airmass_sigma),
        night.sky.extinction,
    )


def lens_table(first: int, nights: int) -> Table:
    """Terms and skies."""
    every: Terms = {}
    skies = []
    for seed in range(first, first + nights):
        terms, sky = one_night(seed)
        skies.append(sky)
        for name, some in terms.items():
            every.setdefault(name, []).extend(some)
    rows = []
    for name, some in every.items():
        off = np.array([term.value - true for term, true in some])
        pulls = off / np.array([term.sigma for term, _ in some])
        known = np.isfinite(pulls)
        off, pulls, true = off[known], pulls[known], np.array([t for _, t in some])[known]
        count = str(len(off))
        if name == "moments":
            met = np.abs(off) <= np.maximum(0.05 * np.abs(true), 0.1)
            rows.append(
                ("second moments within 5 % or 0.1 px^2", f"{met.mean():.1%}", "all", count)
            )
        if name == "FWHM":
            met = np.abs(off) <= 0.03 * true
            rows.append(("FWHM within 3 %", f"{met.mean():.1%}", "all", count))
        words = f"{name}: rms, worst" + ", px^2" * (name in ("moments",) or "corner " in name)
        rows.append((words, f"{np.sqrt((off**2).mean()):.4f}, {np.abs(off).max():.3f}", "", count))
        rows.append(("  over their errors, rms", f"{np.sqrt((pulls**2).mean()):.2f}", "1", count))
    night = np.array(skies)
    known = night[np.isfinite(night[:, 0])]
    rows += [
        ("sky: mean, rms, worst, mag", f"{known[:, 0].mean():+.3f}, "
         f"{np.sqrt((known[:, 0] ** 2).mean()):.3f}, {np.abs(known[:, 0]).max():.3f}",
         "0.15", str(len(known))),
        ("  over its error, rms", f"{np.sqrt(((known[:, 0] / known[:, 1]) ** 2).mean()):.2f}",
         "1", ""),
        ("extinction told", str(int(np.isfinite(night[:, 2]).sum())), "", str(len(night))),
    ]  # fmt: skip
    title = f"Lenses, sky and air of {nights} drawn nights of {FRAMES} frames"
    return Table(title, ("what", "found", "aim", "of"), rows)


def one_air(seed: int, cloudy: bool) -> tuple[float, float, float]:
    """Extinction told by a long night, its error, as drawn."""
    lot = np.random.default_rng([seed, 5])
    focal, exposure = int(lot.choice([24, 35, 50, 85])), float(lot.choice([30.0, 60.0, 120.0]))
    plan = quiet(seed, focal, exposure, frames=AIR_FRAMES, hours=AIR_HOURS)
    night = plan.night
    length = night.shots[-1].start_s
    cloud = Cloud(
        mag=float(lot.uniform(0.08, 0.35)),
        patchy=float(lot.choice([0.0, 0.4, 0.8])),
        begin_s=float(lot.choice([-np.inf, 0.1, 0.5])) * length,
        end_s=float(lot.choice([0.6, 1.5])) * length,
        ramp_s=float(lot.choice([0.05, 0.5])) * length,
        seed=seed % 97,
    )
    if cloudy:
        night = replace(night, sky=replace(night.sky, cloud=cloud))
    with tempfile.TemporaryDirectory(prefix="skyplumb-bench-") as name:
        folder = Path(name)
        Pictures(night).write(folder, plain_card(night, tags_of(night, plan.clock)), {})
        done = audit(folder / "card", folder / "out", jobs=1)
        (session,) = read_summary(done.folders[0] / "summary.json")
    told = session.sky_extinction_mag_airmass, session.sky_extinction_mag_airmass_sigma
    return (*told, night.sky.extinction)


def air_table(first: int, nights: int) -> Table:
    """Extinctions of clear and of cloudy nights."""
    rows = []
    for words, cloudy, at in (("clear", False, first), ("under thin cloud", True, first + nights)):
        found = []
        for seed in range(at, at + nights):
            try:
                found.append(one_air(seed, cloudy))
            except ValueError:  # no target stays in the sky for so long
                continue
        told, sigma, true = np.array(found).T
        known = np.isfinite(told)
        off = (told - true)[known]
        rows.append((f"{words}: told", str(len(off)), "", str(len(found))))
        if len(off):
            pulls = off / sigma[known]
            worst = f"{np.sqrt((off**2).mean()):.3f}, {np.abs(off).max():.3f}"
            rows += [("  rms, worst, mag an air mass", worst, "", str(len(off))),
                     ("  error told", f"{np.median(sigma[known]):.3f}", "", ""),
                     ("  over it, worst", f"{np.abs(pulls).max():.1f}", "2", "")]  # fmt: skip
    title = f"What the air takes, nights of {AIR_FRAMES} frames in {AIR_HOURS:g} hours"
    return Table(title, ("what", "found", "aim", "of"), rows)


def main() -> None:
    """Parse, measure, print."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.lenses", description=__doc__)
    parser.add_argument("--nights", type=int, default=NIGHTS)
    parser.add_argument("--first", type=int, default=FIRST_SEED, help="seed")
    asked = parser.parse_args()
    begin = time.process_time()
    print(lens_table(asked.first, asked.nights).text(), flush=True)
    print(air_table(AIR_SEED, AIR_NIGHTS).text(), flush=True)
    print(f"{time.process_time() - begin:.0f} s of processor")


if __name__ == "__main__":
    main()
