"""Seasons of two or three nights, of which each may hold one frame alone."""

from __future__ import annotations

import csv
from collections.abc import Callable
from pathlib import Path

import pytest

from skyplumb.season.forecast import Ask
from skyplumb.season.gear import forecast_from, write_tally

KEPT, TALL, LOST, LONG = (
    ("keep", "none", 50, 30),
    ("keep", "none", 50, 60),
    ("reject", "wind", 50, 30),
    ("reject", "wind", 85, 30),
)
HEAD = (
    *("file", "session", "run", "kind", "taken_camera", "taken_utc", "camera", "lens"),
    *("focal_mm", "exposure_s", "scale_arcsec_px", "dec_deg", "altitude_deg", "verdict", "cause"),
)
Frames = list[list[tuple[str, str, int, int]]]


@pytest.fixture
def season(tmp_path: Path) -> Callable[[Frames], Path]:
    """Writes the tables of some nights."""

    def write(nights: Frames) -> Path:
        for day, frames in enumerate(nights, 1):
            folder = tmp_path / "season" / f"2026-08-{day:02d}-orvane-n6"
            folder.mkdir(parents=True)
            with (folder / "frames.csv").open("w", encoding="utf-8", newline="") as table:
                writer = csv.writer(table)
                writer.writerow(HEAD)
                for n, frame in enumerate(frames):
                    stamp = f"2026-08-{day:02d}T20:00:{n:02d}Z"
                    row = [f"{day}_{n}.dng", folder.name, "01", "light", stamp, stamp, "Orvane N6"]
                    (verdict, cause, focal, exposure), sky = frame, (20.0, 40.0, 50.0)
                    writer.writerow([*row, "Reach", focal, exposure, *sky, verdict, cause])
        return tmp_path / "season"

    return write


@pytest.mark.slow
@pytest.mark.parametrize(
    "nights",
    [
        [[KEPT]], [[KEPT]] * 2, [[LOST]] * 2, [[KEPT], [LOST]], [[KEPT]] * 3,
        [[KEPT], [LOST], [KEPT]], [[KEPT], [LONG], [TALL]], [[KEPT] * 3, [LONG] * 3],
        [[KEPT] * 5] * 3, [[KEPT, LONG], [TALL]],
    ],
)  # fmt: skip
def test_few_nights_of_few_frames_are_counted_and_foretold(
    season: Callable[[Frames], Path], tmp_path: Path, nights: Frames
) -> None:
    folder = season(nights)
    done = write_tally([folder], tmp_path / "out")
    assert (done.sessions, done.judged) == (len(nights), sum(map(len, nights)))
    assert done.keep == sum(frame[0] == "keep" for frames in nights for frame in frames)
    assert done.page.exists()
    for ask in (Ask(), Ask(focal_mm=135.0)):
        forecast_from([folder], ask)
