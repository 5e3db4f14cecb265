"""A small drawn card with something of every kind on it, and what tests do with it."""

from __future__ import annotations

import contextlib
import csv
import shutil
import sqlite3
import sys
from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import exiv2

from skyplumb.demo import (
    Body,
    Clock,
    DrawnRun,
    DrawnSite,
    Knock,
    Lens,
    Mount,
    Night,
    Sky,
    render_card,
)
from skyplumb.measure.workers import Here, WorkLimits

MOOR = "DCIM/100MOOR Süd"
"""Folder of the first run of the small card: frames 1 to 7, the fourth knocked, the last cut."""
FEN = "DCIM/101MOOR"
"""Folder of its second run, of four frames, another exposure and another part of the sky."""
SESSION = "2026-09-12-lerchau-mistel-3"
SHARP = [f"{MOOR}/MIST_000{n}.dng" for n in (1, 2, 3, 5, 6)]
KNOCKED = f"{MOOR}/MIST_0004.dng"
LIGHTS = [*SHARP[:3], KNOCKED, *SHARP[3:], *(f"{FEN}/MIST_00{n:02d}.dng" for n in range(8, 12))]
STEADY = [
    "frames.csv", "report.html", "stackable.txt", "stackable/01-24mm-60s.txt",
    "stackable/02-24mm-30s.txt", "summary.json",
]  # fmt: skip
"""What every audit writes of its session."""

_BODY = Body("Mistel 3", "Lerchau", "LM-30177", width_px=1200, height_px=800, pixel_um=16.0)
_LENS = Lens(
    "Lerchau Weit 24mm F2", 24.0, 2.0, fwhm_px=2.4, beta=3.0, radial_px=1.0, tangential_px=0.5
)
SKY = Sky(mag_arcsec2=18.5, satellites_per_h=0.0)
_NOTES = """\
site: {latitude_deg: 47.2, longitude_deg: 11.8, height_m: 1900}
tracker: Zwirn
leave_out:
  - files: PROBE*
    reason: test shot
"""

SKYPLUMB = (
    sys.executable,
    "-W",
    "error",
    "-c",
    f"import sys; sys.path.insert(0, {str(Path(__file__).parents[1] / 'pipeline')!r});"
    "from skyplumb.cli import main; main()",
)
"""The command from the checkout, in a process of its own."""


@dataclass(frozen=True)
class Finished:
    """A command that ran to its end."""

    out: Path
    code: int
    stdout: str
    stderr: str

    @property
    def rows(self) -> dict[str, dict[str, str]]:
        """Every row of every frames.csv, by file, as text."""
        rows: dict[str, dict[str, str]] = {}
        for path in sorted(self.out.glob("*/frames.csv")):
            with path.open(encoding="utf-8", newline="") as lines:
                rows |= {row["file"]: row for row in csv.DictReader(lines)}
        return rows

    @property
    def files(self) -> dict[str, bytes]:
        """What was written, by name; the store left out."""
        return {
            path.relative_to(self.out).as_posix(): path.read_bytes()
            for path in sorted(self.out.rglob("*"))
            if path.is_file() and ".skyplumb" not in path.parts
        }


class Acting(Here):
    """Stands in for the workers of this machine, and acts before each item is done."""

    def __init__(self, act: Callable[[Any], None]) -> None:
        self._act = act

    def submit(self, task: Callable[[Any], Any], item: Any, limits: WorkLimits, /) -> Future[Any]:
        self._act(item)
        return super().submit(task, item, limits)


def draw_small_card(out: Path) -> Path:
    """Draw it, with its night notes beside it."""
    evening = datetime(2026, 9, 12, 20, 0)
    moor = DrawnRun(
        _LENS, evening, 60.0, 7, ra_deg=313.0, dec_deg=40.0, folder=MOOR, companions=(0,),
        broken=(6,),
    )  # fmt: skip
    fen = DrawnRun(
        _LENS, evening + timedelta(minutes=9), 30.0, 4, ra_deg=350.0, dec_deg=58.0, folder=FEN
    )
    dark = DrawnRun(_LENS, evening + timedelta(minutes=15), 60.0, 1, kind="dark", folder="dunkel")
    flat = DrawnRun(
        _LENS, evening + timedelta(minutes=20), 0.02, 1, kind="flat", iso=100, folder="hell"
    )
    knock = Knock(moor.start_of(3) + 25.0, 1000.0, 600.0)  # 8 px at 138 arcsec/px
    night = Night(
        DrawnSite(47.2, 11.8, 1900.0),
        _BODY,
        Mount(name="Zwirn", knocks=(knock,)),
        (moor, fen, dark, flat),
        SKY,
        Clock(utc_offset_h=2.0),
        photographer="Ida Moorwald",
        seed=4,
        faint_to_mag=8.0,
    )
    card = render_card(out, nights=(night,), jobs=1)
    (out / "night-notes.yaml").write_text(_NOTES, encoding="utf-8")
    shutil.copy2(card / MOOR / "MIST_0001.dng", card / FEN / "PROBE_01.dng")
    shutil.copy2(card / MOOR / "MIST_0001.jpg", card / FEN / "Handy.JPG")
    shutil.copy2(card / MOOR / "MIST_0001.dng", card / MOOR / "._MIST_0001.dng")
    (card / FEN / "NOTIZ.CR2").write_text("Milch, Brot, Batterien\n" * 40, encoding="utf-8")
    (card / FEN / "MIST_0090.dng").touch()
    (card / FEN / "liesmich.txt").write_text("no picture at all", encoding="utf-8")
    return card


def change_exif(path: Path, **tags: str | None) -> None:
    """Write EXIF tags of the photo group; None takes one out."""
    image = exiv2.ImageFactory.open(str(path))
    image.readMetadata()
    exif = image.exifData()
    for name, value in tags.items():
        key = f"Exif.Photo.{name}"
        if value is not None:
            exif[key] = value
        elif key in exif:
            del exif[key]
    image.setExifData(exif)
    image.writeMetadata()


def written(done: Finished) -> dict[str, bytes]:
    """The files of the session that every audit writes."""
    return {name: done.files[f"{SESSION}/{name}"] for name in STEADY}


def measures_kept(out: Path) -> int:
    """How many shots the store of an output holds, whoever is writing to it."""
    path = out / ".skyplumb" / "measures.sqlite"
    try:
        with contextlib.closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as db:
            return int(db.execute("SELECT count(*) FROM shots").fetchone()[0])
    except sqlite3.OperationalError:
        return 0
