"""A night of many placements of the tripod: are all found, and what does it cost?

`python -m tests.bench.placements` prints a table. Attitudes of a drawn tracker, no pictures.
"""

from __future__ import annotations

import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

from skyplumb.calibrate.light import Light
from skyplumb.judge.setups import split_setups

sys.path.insert(0, str(Path(__file__).parents[1]))
from tracker import Errors, Plan, Tracker, shoot

from .tables import Table, aim

CASES = ((1, 30), (4, 30), (10, 30), (1, 300))
"""Placements, and frames in each."""


def night(placements: int, frames: int, seed: int = 3) -> list[Light]:
    """Two targets a placement, the tripod set down anew some 15 to 40 arcmin off each time."""
    rng = np.random.default_rng(seed)
    lights: list[Light] = []
    for number in range(placements):
        high, east = rng.uniform(15, 40, 2) * rng.choice([-1, 1], 2)
        start = number * 3600.0
        plans = [
            Plan(hour_deg=-40.0, dec_deg=20.0, start_s=start, frames=frames // 2),
            Plan(hour_deg=10.0, dec_deg=45.0, start_s=start + 1700.0, frames=frames - frames // 2),
        ]
        tracker = Tracker(too_high_arcmin=float(high), too_far_east_arcmin=float(east))
        for light in shoot(tracker, plans, Errors(), seed + number):
            file = f"{number}/{light.file}"
            lights.append(replace(light, measure=replace(light.measure, file=file)))
    return lights


def main() -> None:
    """Draw, split, print."""
    rows = []
    for placements, frames in CASES:
        lights = night(placements, frames)
        begin = time.process_time()
        found = split_setups(lights)
        seconds = time.process_time() - begin
        label = f"{placements} placements of {frames} frames"
        rows.append(aim(f"{label}: processor s", seconds, 10.0))
        steps = [light.notes.setup for light in found.lights]
        starts = {n for n in range(1, len(steps)) if steps[n] != steps[n - 1]}
        wanted = {frames * n for n in range(1, placements)}
        rows.append(aim("  steps found", len(starts & wanted), len(wanted), least=True))
        rows.append(aim("  steps that were none", len(starts - wanted), 0))
    print(Table("placements", ("what", "found", "aim", "", "of"), rows).text())


if __name__ == "__main__":
    main()
