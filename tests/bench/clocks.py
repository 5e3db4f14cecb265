"""Right and wrong clocks and sites against the stars, on nights without pictures.

`python -m tests.bench.clocks` draws nights by lot with `tests.nightsky` (its sky, air and lenses;
no code of the program) as lists of the stars' places, points them by their right clock and by
wrong ones, and reads whether the program calls clock or site wrong.

  called wrong   right clocks that were; each is a false alarm
  found          wrong ones that were called wrong, of those asked
  offered        of these, how many were offered the true correction
"""

from __future__ import annotations

import argparse
import os
import re
import sys
import time
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from multiprocessing import get_context
from typing import Any

import numpy as np
import pandas as pd

from skyplumb.calibrate.light import Light
from skyplumb.calibrate.session import point_session
from skyplumb.intake.notes import ShotNotes
from skyplumb.records import STAR_DTYPE, Measure, ShotInfo

from ..nightsky import VERSION, seeds
from ..nightsky.air import Land, Sky
from ..nightsky.build import SITES
from ..nightsky.lens import Lens, Sensor
from ..nightsky.mount import Aim, Mount, looking_at
from ..nightsky.night import Night, Shot
from ..nightsky.places import Coma, places_of
from ..nightsky.sky import EARTH_RATE, Air, Site, north_pole
from .cards import KEPT
from .tables import Table, aim

NIGHTS = 200
FOCALS_MM = (8, 14, 24, 35, 50, 85, 135, 200)
FISHEYE_MM = 8
MOST_STARS = 1300
WRONG_H = (-0.5, 0.5)
"""Every night is asked with one of these, and with one of the next."""
FAR_WRONG = ("+1", "-1", "+2", "-2", "+5", "-5", "+8", "-8", "+12", "latitude", "longitude")
OFFERED = re.compile(r"a clock ([0-9.]+) h (ahead|behind)")
"""As the notice says it."""


@dataclass(frozen=True, slots=True)
class DrawnNight:
    """A night and what its star lists are made with."""

    night: Night
    coma: Coma
    faint_mag: float
    most: int
    floor_px: float
    knows_height: bool
    altitude_deg: float


def drawn_night(seed: int) -> DrawnNight:
    """Place, air, lens, target and frames by lot; fields from 10 to 80 degrees high."""
    rng = np.random.default_rng([seed, 32])
    focal = int(rng.choice(FOCALS_MM))
    latitude, longitude, _ = SITES[int(rng.integers(len(SITES)))]
    # 0 to 3,500 m: with the weather, 1,050 down to 650 hPa.
    height = float(rng.uniform(0, 3500))
    site = Site(latitude + rng.normal(0, 3), longitude + rng.normal(0, 3), height)
    cold = float(rng.uniform(-25, 30))
    air = Air.at_height(height, cold, float(rng.uniform(0.1, 0.95)))
    air = replace(air, pressure_hpa=air.pressure_hpa + float(rng.normal(0, 10)))
    start = _dark(site, rng)
    width = int(rng.choice([1600, 3000, 4500, 6000]))
    sensor_mm = float(rng.choice([22.3, 35.9, 35.9]))
    sensor = Sensor(width, 2 * (width // 3), sensor_mm * 1000 / width)
    lens = _lens(focal, rng)
    frames = int(rng.integers(2, 8))
    exposure = float(rng.choice([20.0, 60.0, 120.0, 300.0]))
    gap = float(rng.choice([3.0, 3.0, 60.0, 400.0]))
    starts = [40.0 + n * (exposure + gap) for n in range(frames)]
    shots = tuple(Shot(at, exposure, lens) for at in starts)
    aims = tuple(
        Aim(starts[n] - 1.0, _view(site, starts[n], starts[-1] + exposure, focal, rng))
        for n in sorted({0, *(int(k) for k in rng.integers(0, frames, int(rng.integers(0, 3))))})
    )
    land = Land(0.0, 2.0, seed=seed) if rng.random() < 0.5 else None
    night = Night(
        "clocks", seed, start, site, air, sensor, Mount(site, aims), shots,
        Sky(extinction=float(rng.uniform(0.13, 0.35))), land,
    )  # fmt: skip
    night = replace(night, mount=_leaning(night, rng))
    scale = lens.scale_arcsec_px(sensor)
    ahead = night.mount.attitude(np.array([starts[0]])).apply([0.0, 0.0, 1.0])[0, 2]
    return DrawnNight(
        night,
        Coma(
            float(rng.uniform(0, 2.0)),
            float(rng.choice([1.0, 2.0, 3.0, 5.0])),
            float(rng.uniform(0.3, 1.0)),
            (float(rng.normal(0, 0.15)), float(rng.normal(0, 0.15))),
        ),
        # Wide lenses show bright stars alone, long ones all that the catalogue has.
        float(np.clip(11.3 - 2.0 * np.log10(scale / 6.0), 6.0, 12.0) + rng.normal(0, 0.5)),
        int(rng.choice([60, 200, 600, MOST_STARS], p=[0.25, 0.35, 0.3, 0.1])),
        float(rng.choice([0.0, 0.1, 0.2])),
        bool(rng.random() < 0.7),
        float(np.degrees(np.arcsin(ahead))),
    )


def _dark(site: Site, rng: np.random.Generator) -> datetime:
    """An hour of a night that is dark for three hours more."""
    while True:
        day, hour = int(rng.integers(0, 640)), float(rng.uniform(-4, 1))
        # Mean Sun: declination by the day, 21 December the lowest; hour angle from midnight.
        sun = np.radians(-23.44 * np.cos(2 * np.pi * (day + 36 + 10) / 365.25))
        here, turn = np.radians(site.latitude_deg), np.radians(15 * np.array([hour, hour + 3]))
        sine = np.sin(here) * np.sin(sun) - np.cos(here) * np.cos(sun) * np.cos(turn)
        if sine.max() < np.sin(np.radians(-9.0)):
            midnight = datetime(2024, 2, 5) + timedelta(days=day, hours=-site.longitude_deg / 15)
            return midnight + timedelta(hours=hour)


def _lens(focal: int, rng: np.random.Generator) -> Lens:
    wide = focal == FISHEYE_MM
    return Lens(
        f"Varn {focal}mm",
        focal,
        2.8,
        # From near equidistant over stereographic for the widest; nearly straight otherwise.
        bend=float(rng.uniform(0.2, 0.6) if wide else rng.uniform(0.85, 1.1)),
        off_axis_px=(float(rng.normal(0, 6)), float(rng.normal(0, 6))),
        blur_px=float(rng.uniform(0.8, 1.4)),
    )


def _view(site: Site, begin_s: float, until_s: float, focal: int, rng: np.random.Generator) -> Any:
    """A field 10 to 80 degrees high that does not set; the widest lens looks at half the sky."""
    from scipy.spatial.transform import Rotation

    pole = north_pole(site)
    for _ in range(400):
        height = rng.uniform(30, 80) if focal == FISHEYE_MM else rng.uniform(10, 80)
        look = looking_at(float(rng.uniform(0, 360)), float(height), float(rng.normal(0, 40)))
        later = Rotation.from_rotvec(-pole * EARTH_RATE * (until_s - begin_s)) * look
        if 10 <= np.degrees(np.arcsin(later.apply([0.0, 0.0, 1.0])[2])) <= 85:
            return look
    raise ValueError("no target stays in the sky so long")


def _leaning(night: Night, rng: np.random.Generator) -> Mount:
    """The axis off by up to 40 arcmin."""
    size, turn = rng.uniform(0, 40), rng.uniform(0, 2 * np.pi)
    return replace(
        night.mount,
        altitude_error_arcmin=float(size * np.cos(turn)),
        azimuth_error_arcmin=float(size * np.sin(turn)),
    )


def measured(drawn: DrawnNight, number: int) -> Measure:
    """A frame's star list as a measure."""
    night = drawn.night
    found = places_of(
        night, number, drawn.coma, drawn.faint_mag, drawn.most, floor_px=drawn.floor_px
    )
    variance = night.shots[number].lens.variance_px2(night.sensor)
    stars = np.zeros(len(found.x), STAR_DTYPE)
    stars["x"], stars["y"], stars["snr"] = found.x, found.y, found.snr
    stars["flux"] = 10 ** (-0.4 * (found.magnitude - 20))
    stars["mxx"] = stars["myy"] = variance
    return Measure(
        str(number), "light", "", width_px=night.sensor.width, height_px=night.sensor.height,
        stars=stars, stars_found=len(stars),
    )  # fmt: skip


def told(drawn: DrawnNight, measures: Sequence[Measure], ahead_h: float, signs: str) -> list[str]:
    """What the program says of clock and site that are off so."""
    night, lights = drawn.night, []
    for measure, shot in zip(measures, night.shots, strict=True):
        start = night.start_utc + timedelta(seconds=shot.start_s, hours=ahead_h)
        info = ShotInfo(
            camera=night.camera,
            lens=shot.lens.name,
            focal_mm=shot.lens.focal_mm,
            pixel_um=night.sensor.pitch_um,
            exposure_s=shot.exposure_s,
            clock=start,
            latitude_deg=night.site.latitude_deg * (-1 if signs == "latitude" else 1),
            longitude_deg=night.site.longitude_deg * (-1 if signs == "longitude" else 1),
            height_m=night.site.height_m if drawn.knows_height else float("nan"),
        )
        lights.append(Light(measure, ShotNotes(info), start, shot.start_s))
    pointed, notices = point_session(lights, lambda _: None)
    solved = sum(light.pointing.solved for light in pointed)
    return [str(solved), *notices]


def bench_night(seed: int) -> list[dict[str, Any]]:
    """A row for each clock that one night was asked with."""
    drawn = drawn_night(seed)
    night = drawn.night
    measures = [measured(drawn, n) for n in range(len(night.shots))]
    rng = np.random.default_rng([seed, 33])
    far = str(rng.choice(FAR_WRONG))
    asked = [(0.0, ""), (float(rng.choice(WRONG_H)), "")]
    asked.append((0.0, far) if far.isalpha() else (float(far), ""))
    rows = []
    for ahead_h, signs in asked:
        solved, *notices = told(drawn, measures, ahead_h, signs)
        wrong = [line for line in notices if "is wrong:" in line]
        offer = OFFERED.search(wrong[0]) if wrong else None
        offered = float(offer[1]) * (1 if offer[2] == "ahead" else -1) if offer else np.nan
        apart = abs((offered - ahead_h + 12) % 24 - 12)
        rows.append(
            {
                "seed": seed,
                "focal_mm": night.shots[0].lens.focal_mm,
                "altitude_deg": round(drawn.altitude_deg, 1),
                "frames": len(measures),
                "stars": int(np.median([len(one.stars) for one in measures])),
                "solved": int(solved),
                "ahead_h": ahead_h,
                "signs": signs,
                "wrong": bool(wrong),
                "offered": "other sign" in wrong[0] if wrong and signs else bool(apart <= 0.25),
                "notices": " | ".join(notices),
            }
        )
    return rows


def tables(rows: pd.DataFrame) -> list[Table]:
    """A row a kind of clock."""
    right = rows[(rows["ahead_h"] == 0) & (rows["signs"] == "")]
    half = rows[rows["ahead_h"].abs() == 0.5]
    far = rows[~rows.index.isin(right.index) & ~rows.index.isin(half.index)]
    small = right[~right["wrong"] & right["notices"].str.contains("by the stars", case=False)]
    table = Table(
        f"Clock and site against the stars, renderer {VERSION}",
        ("what", "found", "aim", "", "of"),
        [
            aim("right clocks called wrong", int(right["wrong"].sum()), 0, of=len(right)),
            aim("right clocks said to be slightly off", len(small), None, of=len(right)),
            aim("frames solved", right["solved"].sum() / max(right["frames"].sum(), 1), None,
                percent=True, of=int(right["frames"].sum())),
            aim("clocks half an hour off, found", _share(half, "wrong"), None, percent=True,
                of=len(half)),
            aim("  of these offered the truth", _share(half[half["wrong"]], "offered"), None,
                percent=True, of=int(half["wrong"].sum())),
            aim("an hour to twelve, or a sign, found", _share(far, "wrong"), None, percent=True,
                of=len(far)),
            aim("  of these offered the truth", _share(far[far["wrong"]], "offered"), None,
                percent=True, of=int(far["wrong"].sum())),
        ],
    )  # fmt: skip
    return [table]


def _share(rows: pd.DataFrame, name: str) -> float:
    return float(rows[name].mean()) if len(rows) else float("nan")


def lost(rows: pd.DataFrame, before: pd.DataFrame) -> pd.DataFrame:
    """Wrong clocks that an earlier run found and this one did not."""
    key = ["seed", "ahead_h", "signs"]
    both = rows.merge(before[[*key, "wrong"]], on=key, suffixes=("", "_before"))
    off = (both["ahead_h"] != 0) | (both["signs"] != "")
    return both[off & both["wrong_before"] & ~both["wrong"]]


def _measured(numbers: Sequence[int], processes: int) -> Iterator[dict[str, Any]]:
    begin = time.perf_counter()
    with ProcessPoolExecutor(processes, get_context("spawn")) as pool:
        for n, rows in enumerate(pool.map(bench_night, numbers)):
            yield from rows
            if n % 10 == 9:
                print(f"{n + 1} nights, {time.perf_counter() - begin:.0f} s", file=sys.stderr)


def main() -> int:
    """Parse, draw, point, print."""
    span = seeds.JUDGE["clocks"]
    parser = argparse.ArgumentParser(
        prog="python -m tests.bench.clocks",
        description=__doc__,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--first", type=int, default=span.start, help="first seed")
    parser.add_argument("--nights", type=int, default=NIGHTS, help=f"how many seeds [{NIGHTS}]")
    parser.add_argument("--processes", type=int, default=0, help="nights at a time; 0: one a core")
    parser.add_argument("--also", nargs="*", default=[], help="tables that earlier pieces wrote")
    parser.add_argument("--before", nargs="*", default=[], help="the same of another version")
    parser.add_argument("--table", default=str(KEPT / "clocks.csv"), help="where to write it")
    asked = parser.parse_args()
    begin = time.perf_counter()
    numbers = range(asked.first, asked.first + asked.nights)
    found = list(_measured(numbers, asked.processes or len(os.sched_getaffinity(0))))
    keep = {"keep_default_na": False}
    rows = pd.concat([pd.DataFrame(found), *(pd.read_csv(one, **keep) for one in asked.also)])
    rows = rows.reset_index(drop=True)
    KEPT.mkdir(parents=True, exist_ok=True)
    rows.to_csv(asked.table, index=False)
    print(f"seeds {rows['seed'].min()} to {rows['seed'].max()}")
    for table in tables(rows):
        print(table.text())
    if asked.before:
        before = pd.concat([pd.read_csv(one, **keep) for one in asked.before])
        gone = lost(rows, before)
        print(f"wrong ones that were found before and are no more: {len(gone)}")
        print(gone[["seed", "focal_mm", "altitude_deg", "ahead_h", "signs"]].to_string())
    print(f"{time.perf_counter() - begin:.0f} s; every clock is in {asked.table}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
