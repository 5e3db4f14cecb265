"""The whole card: which frames, in which files, and the truth beside them."""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import asdict, dataclass
from datetime import timedelta
from multiprocessing import get_context
from pathlib import Path
from typing import Any

from skyplumb.errors import UserError

from .exposure import DrawnExposure
from .files import WRITERS, camera_clock, write_jpeg
from .scenario import NOTES, demo_nights
from .scene import Night
from .truth import LABELLED_AT, frame_truth, mount_truth

CARD, TRUTH, NOTES_FILE = "card", "truth.json", "night-notes.yaml"
_KEPT_OF_BROKEN = 0.45
"""Share of the bytes that a broken file keeps."""


@dataclass(frozen=True, slots=True)
class _Task:
    """One frame to draw and where to put it."""

    exposure: DrawnExposure
    night_index: int
    file: str
    """Relative to the card."""
    card: Path
    fmt: str


def render_card(
    out: Path,
    fmt: str = "dng",
    *,
    nights: Sequence[Night] | None = None,
    jobs: int = 0,
    progress: Callable[[int, int], None] | None = None,
) -> Path:
    """Draw an invented card with known truth.

    Parameters
    ----------
    out : Path
        Folder that receives `card/`, `truth.json` and, for the built-in night,
        `night-notes.yaml`. Made if needed; anything in it is an error.
    fmt : str
        `dng` or `fits`.
    nights : sequence of Night, optional
        What to draw; the built-in night if not given.
    jobs : int
        Processes; 0 takes one per core, 1 stays in this process.
    progress : callable, optional
        Called with frames done and frames in all, first with none done.

    Returns
    -------
    Path
        The card's folder.

    Raises
    ------
    UserError
        If the format is unknown, the folder holds something, or it cannot be written.
    """
    if fmt not in WRITERS:
        raise UserError(f"--format {fmt}: not known; give one of {', '.join(WRITERS)}")
    card = out / CARD
    built_in = nights is None
    nights = demo_nights() if nights is None else nights
    try:
        if out.exists() and (not out.is_dir() or any(out.iterdir())):
            raise UserError(f"{out}: is not an empty folder; give a new one with --out")
        card.mkdir(parents=True)
        tasks = list(_tasks(nights, card, fmt))
        for folder in {(card / task.file).parent for task in tasks}:
            folder.mkdir(parents=True, exist_ok=True)
        frames: dict[str, list[dict[str, Any]]] = {}
        if progress is not None:
            progress(0, len(tasks))
        for done, (task, entries) in enumerate(_run(tasks, jobs), start=1):
            frames[task.file] = entries
            if progress is not None:
                progress(done, len(tasks))
        truth = {
            "format": fmt,
            "labelled_at": dict(LABELLED_AT),
            "nights": [_night_truth(night) for night in nights],
            "frames": [entry for task in tasks for entry in frames[task.file]],
        }
        text = json.dumps(truth, indent=1, ensure_ascii=False, allow_nan=False)
        (out / TRUTH).write_text(text + "\n", encoding="utf-8")
        if built_in:
            (out / NOTES_FILE).write_text(NOTES, encoding="utf-8")
    except OSError as error:
        raise UserError(
            f"{error.filename or out}: cannot be written ({error.strerror}); "
            "give --out a folder on a disk with room that you may write to"
        ) from error
    return card


def _tasks(nights: Sequence[Night], card: Path, fmt: str) -> Iterator[_Task]:
    """Frames in the order in which they were taken; each body counts its own files."""
    counters: dict[str, int] = {}
    for night_index, night in enumerate(nights):
        order = sorted(
            (night.start_s(index) + run.start_of(frame), index, frame)
            for index, run in enumerate(night.runs)
            for frame in range(run.frames)
        )
        for _, index, frame in order:
            number = counters.get(night.body.serial, 0) + 1
            counters[night.body.serial] = number
            prefix = "".join(letter for letter in night.body.name if letter.isalnum())[:4].upper()
            name = f"{prefix}_{number:04d}.{fmt}"
            folder = night.runs[index].folder
            file = f"{folder}/{name}" if folder else name
            yield _Task(DrawnExposure(night, index, frame), night_index, file, card, fmt)


def _run(tasks: Sequence[_Task], jobs: int) -> Iterator[tuple[_Task, list[dict[str, Any]]]]:
    """Do the tasks, in this process or in several."""
    jobs = min(jobs or os.cpu_count() or 1, len(tasks))
    if jobs <= 1:
        for task in tasks:
            yield task, _draw(task)
        return
    # A fresh interpreter for each worker: forking one with threads can hang.
    with ProcessPoolExecutor(jobs, mp_context=get_context("spawn")) as pool:
        waiting = {pool.submit(_draw, task): task for task in tasks}
        for future in as_completed(waiting):
            yield waiting[future], future.result()


def _draw(task: _Task) -> list[dict[str, Any]]:
    """Draw one frame, write its files, and say what is true of each."""
    exposure, path = task.exposure, task.card / task.file
    run = exposure.run
    mosaic = exposure.draw()
    WRITERS[task.fmt](path, mosaic, exposure)
    broken = exposure.frame in run.broken
    entry: dict[str, Any] = {
        "file": task.file,
        "kind": "unreadable" if broken else run.kind,
        "night": task.night_index,
        "run": exposure.run_index,
        "frame": exposure.frame,
        "start_utc": _iso(exposure, exposure.begin_s),
        "mid_utc": _iso(exposure, exposure.mid_s),
        "camera_clock": camera_clock(exposure).isoformat(timespec="milliseconds"),
        "exposure_s": run.exposure_s,
    }
    if run.kind == "light" and not broken:
        entry |= frame_truth(exposure)
    entries = [entry]
    if broken:
        whole = path.read_bytes()
        path.write_bytes(whole[: int(_KEPT_OF_BROKEN * len(whole))])
    if exposure.frame in run.companions:
        picture = path.with_suffix(".jpg")
        write_jpeg(picture, mosaic, exposure)
        file = picture.relative_to(task.card).as_posix()
        entries.append({"file": file, "kind": "companion"})
    return entries


def _iso(exposure: DrawnExposure, at_s: float) -> str:
    """A moment of the night, UTC."""
    moment = exposure.night.epoch_utc + timedelta(seconds=at_s)
    return moment.isoformat(timespec="milliseconds")


def _night_truth(night: Night) -> dict[str, Any]:
    """The night's place, gear and faults, and each run's true mount numbers."""
    runs = [
        {
            "run": index,
            "kind": run.kind,
            "lens": run.lens.name,
            "focal_mm": run.lens.focal_mm,
            "fnumber": run.lens.fnumber,
            "exposure_s": run.exposure_s,
            "frames": run.frames,
            "tracking": run.tracking,
            "k1": run.lens.k1,
            "k2": run.lens.k2,
            "mount": mount_truth(night, index) if run.kind == "light" else None,
        }
        for index, run in enumerate(night.runs)
    ]
    gusts = night.mount.gusts
    return {
        "photographer": night.photographer,
        "site": asdict(night.site),
        "camera": f"{night.body.maker} {night.body.name}",
        "serial": night.body.serial,
        "clock": asdict(night.clock),
        "tracker": night.mount.name,
        "knocks": [asdict(knock) for knock in night.mount.knocks],
        "gusts": None if gusts is None else _finite(asdict(gusts)),
        "runs": runs,
    }


def _finite(values: dict[str, float]) -> dict[str, float | None]:
    """JSON has no infinity: an open end is null."""
    return {name: value if abs(value) < float("inf") else None for name, value in values.items()}
