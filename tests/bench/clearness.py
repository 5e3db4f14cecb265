"""Whether clear skies are told from cloudy ones: star tables of many skies, cloudy and clear.

    python -m tests.bench.clearness [frames of each kind]

The skies are not those that the rule was made with. Lenses of 14 to 300 mm, aims from 20 to 85
degrees of altitude, clear and hazy air, light of towns and the Moon, vignetting, hills, the Milky
Way and stars of 1 to 6 px are drawn by lot; a frame's table is what its stars' light, the noise of
their place and their neighbours leave. Extinction grows with the air mass (Kasten & Young 1989);
a star of magnitude 0 sends some 10^6 photons a second to each square centimetre in green light,
and a lens and sensor count a third of them (both from memory). The law of the skies shares no code
with the rule.
"""

from __future__ import annotations

import sys
from collections import defaultdict
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from skyplumb.calibrate.camera import Camera
from skyplumb.calibrate.light import Light
from skyplumb.calibrate.pointing import Pointing, with_places
from skyplumb.calibrate.sky import ObservedSky, Site, catalogue
from skyplumb.intake.notes import ShotNotes
from skyplumb.intake.rules import load_rules
from skyplumb.judge.clearness import Clearness, clearness_of
from skyplumb.measure.flags import BIT
from skyplumb.records import STAR_DTYPE, Measure, ShotInfo

from .tables import Table

Floats = NDArray[np.float64]

WIDTH, HEIGHT, PIXEL_UM = 6000, 4000, 6.0
PHOTONS = 1e6 / 3
"""Counted a second and square centimetre of a star of magnitude 0."""
FULL_E = 50_000.0
FAINTEST = 13.0
"""Stars beyond the catalogue are strewn to this magnitude, 10^(0.45 m) of them to each."""
CLOUDS = ("patchy", "edge of a bank", "thin", "thick with gaps")
FIRST_SEED = 1000
"""Those before it were looked at while the rule was mended."""
SITE = Site(46.0, 8.0, 1000.0)
LIMIT_MAG = load_rules(None).extinction_mag.keep_up_to


@dataclass(frozen=True, slots=True)
class Drawn:
    """One frame and what it was drawn with."""

    light: Light
    cover: float
    """Share of the stars' places that cloud dims by more than the rules allow."""
    spread_mag: float
    """Standard deviation of the cloud over them."""
    told: str
    """What of the lot may trip a rule."""


def drawn(seed: int, cloud: str = "") -> Drawn:
    """A frame by lot; without a `cloud` a clear one."""
    rng = np.random.default_rng([seed, 41])
    focal_mm = float(np.exp(rng.uniform(np.log(14), np.log(300))))
    camera = Camera(focal_mm * 1000 / PIXEL_UM, WIDTH, HEIGHT)
    sky = ObservedSky(datetime(2026, 1, 1) + timedelta(hours=float(rng.uniform(0, 8760))), SITE)
    attitude = _aimed(np.radians(rng.uniform(20, 85)), rng)
    aperture_cm2 = np.pi / 4 * (focal_mm / 10 / rng.choice([1.8, 2.8, 4.0])) ** 2
    exposure_s = float(np.exp(rng.uniform(np.log(2), np.log(240))))
    counted = PHOTONS * aperture_cm2 * exposure_s
    scale = camera.scale_arcsec_px

    place, magnitude, row, altitude = _stars(camera, sky, attitude, rng)
    high = np.maximum(altitude, 1.0)
    air = 1 / (np.sin(np.radians(high)) + 0.50572 * (high + 6.07995) ** -1.6364)
    per_air_mass = rng.uniform(0.12, 0.45)
    x, y = (place / [WIDTH, HEIGHT]).T
    off2 = ((x - 0.5) ** 2 * 2.25 + (y - 0.5) ** 2) / 0.8125
    fall_off = rng.uniform(0, 0.65) * off2 ** rng.uniform(0.8, 2.0)
    dimmed = per_air_mass * air - 2.5 * np.log10(1 - fall_off)
    covered = _cloud(cloud, x, y, rng)

    sky_mag = rng.uniform(17.5, 21.5)
    slope, turn = rng.uniform(0, 1.2), rng.uniform(0, 2 * np.pi)
    glow = np.exp(slope * ((x - 0.5) * np.cos(turn) + (y - 0.5) * np.sin(turn)))
    level = counted * 10 ** (-0.4 * sky_mag) * scale**2 * glow * (1 - fall_off) + 1.0
    fwhm = rng.uniform(1.0, 6.0)
    sigma = max(fwhm, 1.2) / 2.355
    # Colour moves a star from its catalogue magnitude; some are very red. Of undersampled stars a
    # part of the light falls between the samples.
    colour = rng.normal(0, rng.uniform(0.08, 0.22), len(magnitude))
    colour -= 0.5 * (rng.random(len(magnitude)) < 0.05)
    seen = magnitude + colour + rng.normal(0, 0.08 * max(1.8 - fwhm, 0), len(magnitude))
    light = counted * 10 ** (-0.4 * (seen + dimmed + covered))
    snr = light / np.sqrt(light + 4 * np.pi * sigma**2 * (level + 9.0))

    hill = rng.uniform(0, 0.25) if rng.random() < 0.3 else 0.0
    skyline = hill * (1 + 0.4 * np.sin(7 * x + turn) + 0.2 * np.sin(23 * x))
    up = (altitude > 0) & (1 - y > skyline)
    table, known = _table(place, light, snr, sigma, up, row, rng)
    measure = Measure("a.dng", "light", "", ShotInfo(), WIDTH, HEIGHT, stars=table)
    matched = np.flatnonzero(known >= 0)
    pointing = with_places(
        Pointing(
            solved=True,
            camera=camera,
            sky=sky,
            attitude=attitude,
            star=matched,
            catalogue=known[matched],
        ),
        sky,
    )
    there = up & (row >= 0)
    told = (
        f"{focal_mm:.0f} mm, {exposure_s:.0f} s, {pointing.altitude_deg:.0f} deg up, "
        f"{per_air_mass:.2f} mag an air mass, {fwhm:.1f} px, sky {sky_mag:.1f}, hill {hill:.2f}, "
        f"{len(table)} stars, {len(matched)} matched"
    )
    return Drawn(
        Light(measure, ShotNotes(ShotInfo()), None, 0.0, pointing=pointing),
        float(np.mean(covered[there] > LIMIT_MAG)) if there.any() else 0.0,
        float(np.std(covered[there])) if there.any() else 0.0,
        told,
    )


def _aimed(altitude_rad: float, rng: np.random.Generator) -> Floats:
    """Rotation from the sky frame to a level camera's axes that points so high, any way."""
    azimuth, phi = rng.uniform(0, 2 * np.pi), np.radians(SITE.latitude_deg)
    up = np.array([np.cos(phi), 0.0, np.sin(phi)])
    north = np.array([-np.sin(phi), 0.0, np.cos(phi)])
    level = np.cos(azimuth) * north + np.sin(azimuth) * np.cross(north, up)
    forward = np.cos(altitude_rad) * level + np.sin(altitude_rad) * up
    right = np.cross(forward, up)
    right /= np.linalg.norm(right)
    return np.stack([right, np.cross(forward, right), forward])


def _stars(
    camera: Camera, sky: ObservedSky, attitude: Floats, rng: np.random.Generator
) -> tuple[Floats, Floats, NDArray[np.int64], Floats]:
    """Places, magnitudes, catalogue rows (-1 of strewn ones) and altitudes in the picture."""
    stars = catalogue()
    middle = attitude[2]
    ra, dec = sky.icrs(middle[None])
    centre = np.array(
        [np.cos(dec[0]) * np.cos(ra[0]), np.cos(dec[0]) * np.sin(ra[0]), np.sin(dec[0])]
    )
    reach = np.cos(min(camera.field_radius_rad() + 0.02, 1.4))
    row = np.flatnonzero(stars.directions @ centre > reach)
    seen = sky.directions(stars.ra_rad[row], stars.dec_rad[row])
    place = camera.project(seen @ attitude.T)
    with np.errstate(invalid="ignore"):
        inside = ((place > 4) & (place < [WIDTH - 5, HEIGHT - 5])).all(1)
    place, row, seen = place[inside], row[inside], seen[inside]
    altitude, _ = sky.altitude_azimuth_deg(seen)
    # Fainter stars than the catalogue's crowd where its own do: near one of them each.
    fainter = min(int(len(row) * (10 ** (0.45 * (FAINTEST - 10)) - 1)), 60_000)
    near = rng.integers(0, len(row), fainter)
    strewn = place[near] + rng.normal(0, 250, (fainter, 2))
    good = ((strewn > 4) & (strewn < [WIDTH - 5, HEIGHT - 5])).all(1)
    faint = np.log10(rng.uniform(10**4.5, 10 ** (0.45 * FAINTEST), fainter)) / 0.45
    return (
        np.concatenate([place, strewn[good]]),
        np.concatenate([stars.magnitude[row], faint[good]]),
        np.concatenate([row, np.full(int(good.sum()), -1)]),
        np.concatenate([altitude, altitude[near][good]]),
    )


def _cloud(kind: str, x: Floats, y: Floats, rng: np.random.Generator) -> Floats:
    """Extinction of a cloud at these places of the picture, mag."""
    if not kind:
        return np.zeros(len(x))
    size = rng.uniform(0.1, 0.5)
    wave = np.zeros(len(x))
    for _ in range(12):
        way, turn = rng.uniform(0, 2 * np.pi, 2)
        length = size * np.exp(rng.normal(0, 0.5))
        wave += np.cos(2 * np.pi * (x * np.cos(way) + y * np.sin(way) / 1.5) / length + turn)
    wave *= np.sqrt(2 / 12)
    if kind == "patchy":
        return np.asarray(rng.uniform(0.6, 2.0) * np.maximum(wave + rng.uniform(-0.3, 0.6), 0))
    if kind == "edge of a bank":
        turn, where, soft = (
            rng.uniform(0, 2 * np.pi),
            rng.uniform(-0.2, 0.2),
            rng.uniform(0.02, 0.1),
        )
        away = (x - 0.5) * np.cos(turn) + (y - 0.5) * np.sin(turn) + where + 0.04 * wave
        return np.asarray(rng.uniform(0.8, 4.0) / (1 + np.exp(-away / soft)))
    if kind == "thin":
        return np.asarray(rng.uniform(0.15, 0.5) * np.maximum(1 + wave, 0))
    return np.asarray(rng.uniform(2.0, 5.0) * np.clip(0.7 + wave, 0, 1))


def _table(
    place: Floats,
    light: Floats,
    snr: Floats,
    sigma: float,
    up: NDArray[np.bool_],
    row: NDArray[np.int64],
    rng: np.random.Generator,
) -> tuple[NDArray[np.void], NDArray[np.int64]]:
    """What a detection would list of these stars, brightest first, and their catalogue rows."""
    found = np.flatnonzero(up & (snr > rng.uniform(6.0, 8.0)))
    found = found[np.argsort(-light[found])][:12_000]
    flags = np.zeros(len(found), np.uint16)
    flags[light[found] / (2 * np.pi * sigma**2) > FULL_E] |= BIT["saturated"]
    lost = np.zeros(len(found), bool)
    flux = light[found] * (1 + rng.normal(size=len(found)) / snr[found])
    pairs = cKDTree(place[found]).query_pairs(max(5 * sigma, 4.0), output_type="ndarray")
    for brighter, fainter in np.sort(pairs, axis=1):
        close = np.hypot(*(place[found[brighter]] - place[found[fainter]])) < max(2.5 * sigma, 2.0)
        lost[fainter] |= close
        flux[brighter] += light[found[fainter]] * (1.0 if close else 0.2)
        flags[fainter] |= BIT["blended"]
        if light[found[fainter]] > 0.03 * light[found[brighter]]:
            flags[brighter] |= BIT["blended"]
    table = np.zeros(len(found), STAR_DTYPE)
    wobble = np.hypot(0.03, sigma / snr[found])[:, None] * rng.normal(size=(len(found), 2))
    table["x"], table["y"] = (place[found] + wobble).T
    table["flux"], table["snr"], table["flags"] = flux, snr[found], flags
    keep = ~lost & (flux > 0)
    return table[keep][:2500], row[found][keep][:2500]


def main() -> None:
    """Draw, judge, print."""
    number = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    rows = []
    for kind in ("", *CLOUDS):
        counts: dict[str, int] = defaultdict(int)
        deep: dict[str, int] = defaultdict(int)
        for seed in range(FIRST_SEED, FIRST_SEED + number):
            one = drawn(seed, kind)
            said = verdict(clearness_of([one.light])[0])
            counts[said] += 1
            covers = one.spread_mag > LIMIT_MAG * np.sqrt(7) / 8 and 1 / 8 < one.cover < 7 / 8
            if covers or not kind:
                deep[said] += 1
            if not kind and said == "cloud":
                print(f"  clear frame {seed} called cloudy: {one.told}")
        told = counts["cloud"] + counts["clear"] + counts["neither"]
        told_deep = deep["cloud"] + deep["clear"] + deep["neither"]
        rows.append(
            (
                kind or "clear", str(number), str(told),
                *(f"{counts[w] / max(told, 1):.1%}" for w in ("cloud", "clear", "neither")),
                f"{deep['cloud'] / max(told_deep, 1):.1%} of {told_deep}",
            )
        )  # fmt: skip
    head = ("sky", "frames", "stars tell", "cloud", "clear", "neither", "cloud, over the limit")
    print(Table("Clear and cloudy skies by one frame's own stars", head, rows).text())


def verdict(said: Clearness) -> str:
    """What the judge takes from it."""
    if said.patchy(LIMIT_MAG):
        return "cloud"
    if said.shows_no_cloud(LIMIT_MAG):
        return "clear"
    return "untold" if said.patchy(LIMIT_MAG) is None else "neither"


if __name__ == "__main__":
    main()
