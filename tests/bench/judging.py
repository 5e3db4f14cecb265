"""What judging costs: `python -m tests.bench.judging` prints the table.

Star tables are sketched from drawn nights (see `sketch`), put into the store under the keys of
small files that stand for the pictures, and the command is run on them in a process of its own,
as a person would run it. One night of 500 frames is sketched and stands for every camera of a
club that was out that night: each has its own session.
"""

from __future__ import annotations

import argparse
import os
import pickle
import re
import shutil
import subprocess
import sys
import time
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np

from skyplumb.demo import Body, Clock, DrawnExposure, DrawnRun, DrawnSite, Lens, Mount, Night
from skyplumb.measure.store import Store
from skyplumb.measure.workers import cores
from skyplumb.records import Measure

from .cards import KEPT
from .sketch import sketched
from .tables import Table, aim

RUNS = 5
FRAMES_A_RUN = 100

_TOLD = """
import resource, sys, time
from skyplumb.__main__ import main
try:
    main()
finally:
    own, workers = (resource.getrusage(w) for w in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    print("used", own.ru_utime + own.ru_stime + workers.ru_utime + workers.ru_stime,
          own.ru_maxrss / 1024, workers.ru_maxrss / 1024, file=sys.stderr)
"""


@dataclass(frozen=True, slots=True)
class Used:
    """What one command used."""

    wall_s: float
    cpu_s: float
    main_mb: float
    worker_mb: float


def club_night() -> Night:
    """One camera, five lenses of a hundred frames each, a tracker with common faults."""
    body = Body("C16", "Tarn", "TB-JUDGE", width_px=3000, height_px=2000, pixel_um=7.8)
    runs = []
    begin = datetime(2026, 8, 14, 20, 0)
    for number, focal in enumerate((24.0, 35.0, 50.0, 85.0, 135.0)[:RUNS]):
        lens = Lens(f"Tarn Bench {focal:g}mm", focal, 2.8, fwhm_px=2.6, beta=3.0, radial_px=1.0)
        runs.append(
            DrawnRun(lens, begin, 60.0, FRAMES_A_RUN, ra_deg=290.0 + 12 * number, dec_deg=40.0,
                     folder=f"{focal:g}mm", gap_s=4.0)
        )  # fmt: skip
        begin += timedelta(seconds=FRAMES_A_RUN * 64.0 + 300.0)
    mount = Mount(axis_alt_error_arcmin=4.0, axis_az_error_arcmin=-6.0, periodic_arcsec=12.0)
    return Night(DrawnSite(46.9, 10.3, 1500.0), body, mount, tuple(runs),
                 clock=Clock(utc_offset_h=0.0, gps=True), seed=24, faint_to_mag=10.0)  # fmt: skip


def sketched_night(jobs: int) -> list[Measure]:
    """The measures of that night, kept for the next bench."""
    kept = KEPT / "judging-night.pickle"
    if kept.exists():
        night: list[Measure] = pickle.loads(kept.read_bytes())
        return night
    tasks = [(run, frame) for run in range(RUNS) for frame in range(FRAMES_A_RUN)]
    with ProcessPoolExecutor(jobs) as pool:
        night = list(pool.map(_sketch, tasks, chunksize=10))
    kept.parent.mkdir(parents=True, exist_ok=True)
    kept.write_bytes(pickle.dumps(night))
    return night


def _sketch(place: tuple[int, int]) -> Measure:
    run, frame = place
    night = club_night()
    exposure = DrawnExposure(night, run, frame)
    measure = sketched(exposure, f"{night.runs[run].folder}/TB_{100 * run + frame:04d}.dng")
    rng = np.random.default_rng(place)
    y, x = np.mgrid[:41, :41] - 20.0
    star = 500 * np.exp(-(x**2 + y**2) / 2 / 1.3**2)
    crops = (star + rng.normal(0, measure.noise, (9, 41, 41))).astype(np.float32)
    return replace(measure, crops=crops, crop_xy=rng.uniform(0, 2000, (9, 2)).astype(np.float32))


def prepared(label: str, cameras: int, frames: int, night: Sequence[Measure]) -> tuple[Path, Path]:
    """A card of small files and an output whose store holds the measures of each."""
    root = KEPT / "judging" / label
    shutil.rmtree(root, ignore_errors=True)
    card, out = root / "card", root / "out"
    files: list[tuple[str, Measure]] = []
    for camera in range(cameras):
        for measure in night[:frames]:
            file = f"camera{camera:02d}/{measure.file}"
            (card / file).parent.mkdir(parents=True, exist_ok=True)
            (card / file).write_bytes(file.encode())
            info = replace(measure.info, serial=f"TB-{camera:03d}", camera=f"Tarn C{camera:02d}")
            files.append((file, replace(measure, file=file, info=info)))
    store = Store(out / ".skyplumb")
    for file, measure in files:
        store.put(store.key(card, file), measure)
    store.close()
    return card, out


def command(card: Path, out: Path, *words: str) -> Used:
    """Run the audit in a process of its own, as a program that is installed: its modules are
    compiled once and kept."""
    kept = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    begin = time.perf_counter()
    done = subprocess.run(
        [sys.executable, "-c", _TOLD, "audit", str(card), "--out", str(out), *words],
        capture_output=True, text=True, check=True, env=kept,
    )  # fmt: skip
    wall = time.perf_counter() - begin
    (told,) = re.findall(r"^used (.+)$", done.stderr, re.M)
    cpu, main_mb, worker_mb = map(float, told.split())
    return Used(wall, cpu, main_mb, worker_mb)


def judging_tables(jobs: int, cameras: int) -> list[Table]:
    """Judge many frames from nothing but measures, then a changed rule; and the start-up."""
    night = sketched_night(jobs)
    rows = []
    card, out = prepared("many", cameras, len(night), night)
    used = command(card, out, "--jobs", str(jobs))
    frames = cameras * len(night)
    told = f"{frames:,} measured frames in {cameras} sessions"
    rows += [
        aim(f"{told}, wall, s", used.wall_s, 60.0 * frames / 10_000),
        aim("  processor, s", used.cpu_s, None),
        aim("  memory of the audit, MB", used.main_mb, 1000),
        aim("  memory of a worker, MB", used.worker_mb, 1000),
    ]
    card, out = prepared("thousand", 2, len(night), night)
    command(card, out, "--jobs", str(jobs))
    strict = KEPT / "judging" / "strict.yaml"
    strict.write_text("trail_px: {keep_up_to: 1.2, reject_over: 2.4}\n", encoding="utf-8")
    again = command(card, out, "--jobs", str(jobs), "--rules", str(strict))
    rows += [
        aim(f"a changed rule on {2 * len(night):,} frames, wall, s", again.wall_s, 3.0),
        aim("  processor, s", again.cpu_s, None),
    ]
    card, out = prepared("few", 1, 1, night)
    command(card, out)
    short = command(card, out)
    begin = time.perf_counter()
    subprocess.run([sys.executable, "-m", "skyplumb", "--help"], capture_output=True, check=True)
    rows += [
        aim("start-up of an audit, patterns in the cache, processor, s", short.cpu_s, 1.0),
        aim("--help, wall, s", time.perf_counter() - begin, 0.3),
    ]
    return [Table("Judging", ("what", "found", "aim", "", "of"), rows)]


def main() -> None:
    """Parse, measure, print."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.judging", description=__doc__)
    parser.add_argument("--cameras", type=int, default=20, help="sessions of 500 [default: 20]")
    parser.add_argument("--jobs", type=int, default=cores(), help="processes; all cores if not set")
    asked = parser.parse_args()
    for table in judging_tables(asked.jobs, asked.cameras):
        print(table.text())


if __name__ == "__main__":
    main()
