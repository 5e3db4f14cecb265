"""`python -m tests.bench.headers FOLDER`: frames of a folder, pointed with headers that are wrong.

Each frame is solved by its stars alone first; then its header is made to tell a focal length that
is so many times the true one. Asked is that it points where it did, that the header is told to be
wrong with the value that fits, and what that costs beside measuring the frame.
"""

from __future__ import annotations

import sys
import time
from dataclasses import replace
from pathlib import Path, PurePosixPath

import numpy as np

from skyplumb.calibrate.light import Light
from skyplumb.calibrate.pointing import Pointing
from skyplumb.calibrate.session import point_session
from skyplumb.intake.notes import ShotNotes
from skyplumb.measure.shot import measure_shot
from skyplumb.records import NAN, Measure

from .tables import Table

TIMES = (0.25, 0.5, 0.6, 0.8, 1.0, 1.25, 1.6, 2.0, 4.0)
PIXEL_UM = 5.0
"""Of a frame whose header tells none; any would do, since scale alone is asked."""
SAME_PLACE_DEG, SAME_SCALE = 0.1, 0.01


def rows_of(measure: Measure, cost_s: float) -> list[tuple[str, ...]]:
    """A row for each header."""
    began = time.process_time()
    bare, _ = _pointed(measure, NAN)
    name, cost = measure.file, (time.process_time() - began) / cost_s
    if not bare.solved or bare.camera is None:
        return [(name, "none", "", "", "unsolved", "", f"{cost:.1f}", "")]
    true_mm = bare.camera.focal_px * PIXEL_UM / 1000
    told = measure.info.focal_mm / measure.info.pixel_um * PIXEL_UM
    by = f"stars alone; its header {told:.1f} mm" if np.isfinite(told) else "stars alone"
    where = f"{bare.ra_deg:.2f} {bare.dec_deg:+.2f}"
    out = [(name, "none", f"{true_mm:.1f}", where, "solved", "", f"{cost:.1f}", by)]
    for times in TIMES:
        began = time.process_time()
        found, lines = _pointed(measure, times * true_mm)
        cost = (time.process_time() - began) / cost_s
        said = next((line for line in lines if "header is wrong" in line), "")
        right = f"{true_mm:.3g} mm at" in said if said else abs(np.log(times)) < 0.1
        out.append(
            (
                *(name, f"{times * true_mm:.1f}", f"{true_mm:.1f}", where, _place(found, bare)),
                *("right" if right else "WRONG" if said else "untold", f"{cost:.1f}", by),
            )
        )
    return out


def _pointed(measure: Measure, focal_mm: float) -> tuple[Pointing, list[str]]:
    info = replace(measure.info, focal_mm=focal_mm, pixel_um=PIXEL_UM)
    light = Light(replace(measure, info=info), ShotNotes(info), None, 0.0, False)
    lights, lines = point_session([light], lambda line: None)
    return lights[0].pointing, lines


def _place(found: Pointing, bare: Pointing) -> str:
    if not found.solved or found.camera is None or bare.camera is None:
        return "unsolved"
    off = np.degrees(np.arccos(np.clip(_axis(found) @ _axis(bare), -1, 1)))
    scale = abs(found.camera.focal_px / bare.camera.focal_px - 1)
    return "solved" if off < SAME_PLACE_DEG and scale < SAME_SCALE else "WRONG PLACE"


def _axis(pointing: Pointing) -> np.ndarray:
    ra, dec = np.radians([pointing.ra_deg, pointing.dec_deg])
    return np.array([np.cos(dec) * np.cos(ra), np.cos(dec) * np.sin(ra), np.sin(dec)])


def main(folder: Path) -> None:
    """Measure, point, print."""
    head = ("frame", "stated mm", "true mm", "where", "pointed", "told", "cost", "truth from")
    rows = []
    for path in sorted(folder.rglob("*.fit*")):
        began = time.process_time()
        measure = measure_shot(folder, PurePosixPath(path.relative_to(folder).as_posix()))
        if measure.kind == "light":
            rows += rows_of(measure, time.process_time() - began)
    words = f"Headers that tell a focal length, with pixels of {PIXEL_UM:g} um; cost in measures"
    print(Table(words, head, rows).text())
    states = [row[4] for row in rows]
    told = [row[5] for row in rows if row[5]]
    print(
        f"{states.count('solved')} of {len(states)} solved, {states.count('WRONG PLACE')} at a "
        f"wrong place, {told.count('right')} of {len(told)} told as is right"
    )


if __name__ == "__main__":
    main(Path(sys.argv[1]))
