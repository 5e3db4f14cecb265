"""What a 24-megapixel frame costs, in units of decoding it and finding its stars once.

The unit is measured on the same frames in the same run, so the ratio says the same on a slow
machine and on a fast one. Processor time is counted, not the clock on the wall: the user and
system time of the audit and of all its workers.
"""

from __future__ import annotations

import io
import json
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import rawpy
import sep

from skyplumb.demo import Body, Clock, DrawnRun, DrawnSite, Lens, Mount, Night

from .beside import beside_table
from .cards import KEPT, drawn_card
from .tables import Table, aim

FRAMES_OF_EACH_LENS = 4
MOST_RATIO = 1.25
LEAST_SPEEDUP = 1.9
MOST_MB = 700.0
READER_MB_S = 200.0
"""Of an SD card of the UHS-II kind in its reader: 100 to 250 MB/s (common practice, no source)."""
MOST_LARGE_MB = 900.0
"""For a frame of 61 megapixels."""

# What the audit and its workers used, told at its end. Linux keeps the peak of a process apart
# from that of the one that started it only in /proc.
_TOLD = """
import json, pathlib, re, resource, sys
from skyplumb.cli import main
try:
    main()
finally:
    own, workers = (resource.getrusage(w) for w in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    status = pathlib.Path("/proc/self/status")
    peak_kb = own.ru_maxrss
    if status.exists():
        peak_kb = int(re.search(r"VmHWM:\\s+(\\d+)", status.read_text())[1])
    print(json.dumps({
        "main_s": own.ru_utime + own.ru_stime,
        "workers_s": workers.ru_utime + workers.ru_stime,
        "main_mb": peak_kb / 1024,
        "worker_mb": workers.ru_maxrss / 1024,
    }))
"""


@dataclass(frozen=True, slots=True)
class Used:
    """What one audit, or another command, used."""

    main_s: float
    workers_s: float
    main_mb: float
    worker_mb: float
    wall_s: float = float("nan")

    @property
    def cpu_s(self) -> float:
        return self.main_s + self.workers_s


def cost_night() -> Night:
    """Eight well-tracked frames of 24 megapixels: a wide lens and a long one."""
    body = Body("C24", "Tarn", "TB-COST", width_px=6000, height_px=4000, pixel_um=3.9)
    begin = datetime(2026, 8, 14, 22, 0)
    runs = tuple(
        DrawnRun(
            Lens(f"Tarn Bench {focal:g}mm", focal, 2.8, fwhm_px=2.8, beta=3.0, radial_px=2.0),
            begin + timedelta(minutes=10 * number),
            60.0,
            FRAMES_OF_EACH_LENS,
            ra_deg=305.0,
            dec_deg=40.0,
            folder=f"{focal:g}mm",
        )
        for number, focal in enumerate((24.0, 135.0))
    )
    clock = Clock(utc_offset_h=0.0, gps=True)
    return Night(DrawnSite(46.9, 10.3, 1500.0), body, Mount(), runs, clock=clock, seed=24)


def large_night() -> Night:
    """One frame of 61 megapixels."""
    body = Body("C61", "Tarn", "TB-LARGE", width_px=9504, height_px=6336, pixel_um=3.76)
    lens = Lens("Tarn Bench 50mm", 50.0, 2.8, fwhm_px=2.8, beta=3.0, radial_px=2.0)
    run = DrawnRun(lens, datetime(2026, 8, 14, 22, 0), 60.0, 1, ra_deg=305.0, dec_deg=40.0,
                   folder="50mm")  # fmt: skip
    clock = Clock(utc_offset_h=0.0, gps=True)
    return Night(DrawnSite(46.9, 10.3, 1500.0), body, Mount(), (run,), clock=clock, seed=61)


def cost_tables(jobs: int, say: Callable[[str], None], rounds: int = 3) -> list[Table]:
    """Draw the frames if they are not there yet, measure, and give the tables."""
    card = drawn_card("cost", [cost_night()], "dng", jobs) / "card"
    files = sorted(card.rglob("*.dng"))
    # A card of the first frame of each lens: what is left of its cost is the start-up.
    few = KEPT / "cards" / "cost-few"
    shutil.rmtree(few, ignore_errors=True)
    firsts = [file for file in files if file == min(file.parent.glob("*.dng"))]
    for file in firsts:
        (few / file.parent.name).mkdir(parents=True)
        shutil.copy2(file, few / file.parent.name)
    _audit(few, 1)  # the pattern databases are made, the disk's cache is warm
    units: list[tuple[float, float]] = []
    whole: dict[int, list[Used]] = {1: [], 2: []}
    short: list[Used] = []
    for number in range(1, rounds + 1):
        for workers in whole:
            units += [unit_s(file) for file in files]
            whole[workers].append(_audit(card, workers))
        short.append(_audit(few, 1))
        say(f"cost, round {number} of {rounds}")
    large = drawn_card("cost-large", [large_night()], "dng", jobs) / "card"
    say("cost of a large frame")
    size_mb = float(np.mean([file.stat().st_size for file in files])) / 1e6
    table = _table(units, whole, short, len(files), len(firsts), size_mb)
    memory = aim(
        "peak memory of a worker on 61 megapixels, MB",
        _audit(large, 1).worker_mb,
        MOST_LARGE_MB,
        of=1,
    )
    return [replace(table, rows=[*table.rows, memory]), beside_table(files)]


def unit_s(file: Path) -> tuple[float, float]:
    """Processor time of decoding a file's bytes and of one sep pass over its half-size green."""
    data = file.read_bytes()
    begin = time.process_time()
    with rawpy.imread(io.BytesIO(data)) as raw:
        samples = raw.raw_image_visible.copy()
    decoded = time.process_time()
    # Making the half-size image is in neither part: the unit is the smaller for it.
    green = (samples[0::2, 1::2].astype(np.float32) + samples[1::2, 0::2]) / np.float32(2)
    ready = time.process_time()
    background = sep.Background(green)
    sep.extract(green - background.back(), 5.0, err=background.globalrms)
    return decoded - begin, time.process_time() - ready


def _audit(card: Path, workers: int) -> Used:
    """Audit a card as the command line does, from nothing."""
    out = KEPT / "audits" / "cost"
    shutil.rmtree(out, ignore_errors=True)
    return told_cost(["audit", str(card), "--out", str(out), "--jobs", str(workers), "--quiet"])


def told_cost(command: Sequence[str]) -> Used:
    """Run a command and tell what it used."""
    begin = time.perf_counter()
    done = subprocess.run(
        [sys.executable, "-c", _TOLD, *command], capture_output=True, text=True, check=True
    )
    wall_s = time.perf_counter() - begin
    return Used(**json.loads(done.stdout.splitlines()[-1]), wall_s=wall_s)


def _table(
    units: Sequence[tuple[float, float]],
    whole: dict[int, list[Used]],
    short: Sequence[Used],
    frames: int,
    few: int,
    size_mb: float,
) -> Table:
    decode_s, find_s = (float(np.median([unit[n] for unit in units])) for n in (0, 1))
    unit_s = float(np.median([sum(unit) for unit in units]))
    total_s = {n: float(np.median([a.cpu_s for a in audits])) for n, audits in whole.items()}
    short_s = float(np.median([audit.cpu_s for audit in short]))
    frame_s = (total_s[1] - short_s) / (frames - few)
    workers_s = float(
        np.median([a.workers_s for a in whole[1]]) - np.median([a.workers_s for a in short])
    ) / (frames - few)
    start_s = short_s - few * frame_s
    wall_s = {n: float(np.median([a.wall_s for a in audits])) for n, audits in whole.items()}
    short_wall_s = float(np.median([audit.wall_s for audit in short]))
    speedup = (wall_s[1] - short_wall_s) / max(wall_s[2] - short_wall_s, 1e-3)
    every = [audit for audits in whole.values() for audit in audits]
    rows = [
        aim("decode, s", decode_s, None, of=len(units)),
        aim("sep background and extract, s", find_s, None, of=len(units)),
        aim("both: the unit, s", unit_s, None, of=len(units)),
        aim("audit, s a frame without its start-up", frame_s, None, of=len(short)),
        aim("  of it in the workers, s", workers_s, None, of=len(short)),
        aim("audit over the unit", frame_s / unit_s, MOST_RATIO, of=len(short)),
        aim(f"cores that keep up with a reader of {READER_MB_S:g} MB/s, files of {size_mb:.0f} MB",
            READER_MB_S / size_mb * frame_s, None, of=len(short)),
        aim("start-up of the audit, once a card, s", start_s, None, of=len(short)),
        aim(f"all of a card of {frames} over the unit, 1 worker", total_s[1] / frames / unit_s,
            None, of=len(short)),
        aim(f"all of a card of {frames} over the unit, 2 workers", total_s[2] / frames / unit_s,
            None, of=len(short)),
        aim(f"speed of 2 workers over 1, at least {LEAST_SPEEDUP} on an idle machine",
            speedup, None, of=len(short)),
        aim("peak memory of a worker, MB", max(a.worker_mb for a in every), MOST_MB, of=len(every)),
        aim("peak memory of the audit itself, MB", max(a.main_mb for a in every), None,
            of=len(every)),
    ]  # fmt: skip
    title = "Cost of a 24-megapixel frame, processor time (medians)"
    return Table(title, ("what", "found", "aim", "", "of"), rows)
