"""Lay a judged session down as files: table, lists, summary, page, links and sidecars.

Everything is written beside its final name and moved into place, so that a reader
never meets half a file. The card is only read from: a target that lies on it is refused.
Paths in `stackable.txt` and `summary.json` are exact; `frames_csv` guards those in the table.
"""

from __future__ import annotations

import csv
import itertools
import os
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path, PurePosixPath

import pandas as pd

from skyplumb.output.frames_csv import csv_metadata, frames_csv
from skyplumb.output.links import link_kept
from skyplumb.output.page.frames import STRIP_FOLDER
from skyplumb.output.page.session import render, session_page
from skyplumb.output.paths import (
    file_names,
    on_card,
    one_name,
    refuse_card,
    remove,
    write_atomic,
    writing,
)
from skyplumb.output.result import SessionResult
from skyplumb.output.xmp import write_xmp
from skyplumb.summary import summary_json


def write_session(
    result: SessionResult,
    out: Path,
    card: Path,
    link_into: Path | None = None,
    xmp: bool = False,
) -> Path:
    """Write all files of one session and answer their folder.

    It is `out`/<session>, with a number behind it where that holds a night of the same camera
    from another card: no audit takes another one's place.

    Parameters
    ----------
    result : SessionResult
        The judged session.
    out : Path
        The folder given by `--out`; made if missing. Must not lie on the card.
    card : Path
        The audited folder; `file` in the frames is relative to it.
    link_into : Path, optional
        Where to lay out the kept frames, see `link_kept`.
    xmp : bool
        Whether to write XMP sidecars, see `write_xmp`.

    Raises
    ------
    UserError
        If a target lies on the card, the disk is full or may not be written to.
    """
    frames = result.frames
    folder = _folder_for(out, one_name(result.session), frames)
    refuse_card(folder, card, "--out")
    kept = frames[(frames["kind"] == "light") & (frames["verdict"] == "keep")]

    write_atomic(folder / "frames.csv", frames_csv(frames).encode("utf-8", "backslashreplace"))
    told = csv_metadata("frames.csv")
    write_atomic(folder / "frames.csv-metadata.json", told.encode("utf-8"))
    unlisted = _write_lists(folder, frames, kept, card)
    if unlisted:
        result = replace(result, notices=(*result.notices, _line_break_notice(unlisted)))
    told = summary_json(result.summary)
    write_atomic(folder / "summary.json", told.encode("utf-8", "backslashreplace"))
    _write_page(folder, result, card)
    if xmp:
        write_xmp(frames, folder / "xmp", card)
    if link_into is not None:
        link_kept(kept, link_into / folder.name, card)
    return folder


def _folder_for(out: Path, name: str, frames: pd.DataFrame) -> Path:
    """The first folder of this name that is free or holds some of the same shots."""
    shots = _shots(frames["file"], frames["taken_camera"])
    names = (name if number == 1 else f"{name}-{number}" for number in itertools.count(1))
    return next(folder for one in names if _may_hold(folder := out / one, shots))


def _may_hold(folder: Path, shots: set[tuple[str, str]]) -> bool:
    """Whether a folder has no table that can be read, or one with any of these shots."""
    try:
        with (folder / "frames.csv").open(encoding="utf-8", newline="") as lines:
            held = [(row["file"], row["taken_camera"]) for row in csv.DictReader(lines)]
    except (OSError, ValueError, KeyError, csv.Error):
        return True
    return not held or bool(shots & _shots(*zip(*held, strict=True)))


def _shots(files: Iterable[object], taken: Iterable[object]) -> set[tuple[str, str]]:
    """Names without their folders, which differ by where a card was copied to, and times."""
    return {
        (PurePosixPath(str(file)).name, "" if pd.isna(clock) else str(clock))  # type: ignore[call-overload]
        for file, clock in zip(files, taken, strict=True)
    }


def _write_lists(folder: Path, frames: pd.DataFrame, kept: pd.DataFrame, card: Path) -> list[str]:
    """Write stackable.txt and one list per run; answer the files no list can hold."""
    paths = {file: str(on_card(card, file)) for file in kept["file"]}
    # One path a line: a name with a line break in it would read as two other files.
    unlisted = [file for file, path in paths.items() if path.splitlines() != [path]]

    def write(path: Path, files: Iterable[str]) -> None:
        lines = [paths[file] + "\n" for file in files if file not in unlisted]
        write_atomic(path, os.fsencode("".join(lines)))

    write(folder / "stackable.txt", kept["file"])
    lists = folder / "stackable"
    runs = frames.loc[frames["kind"] == "light", "run"]
    names = {run: f"{name}.txt" for run, name in file_names(runs).items()}
    for run, name in names.items():
        write(lists / name, kept.loc[kept["run"] == run, "file"])
    with writing(lists, "--out"):
        for stale in lists.glob("*.txt"):
            if stale.name not in names.values():
                stale.unlink()
    return unlisted


def _write_page(folder: Path, result: SessionResult, card: Path) -> None:
    """Write report.html and the pictures beside it; pictures of an earlier call go away."""
    page = session_page(result, card)
    wanted = {folder / name: picture for name, picture in page["beside"].items()}
    for path, picture in wanted.items():
        write_atomic(path, picture)
    write_atomic(folder / "report.html", render(page).encode("utf-8", "backslashreplace"))
    with writing(folder, "--out"):
        for stale in sorted(set((folder / STRIP_FOLDER).glob("*.webp")) - wanted.keys()):
            remove(stale, folder)


def _line_break_notice(files: list[str]) -> str:
    """Words for kept frames that are missing from the lists."""
    names = ", ".join(repr(file) for file in files)
    return (
        f"Kept, but missing from stackable.txt because the path holds a line break: {names}. "
        "Rename and audit again."
    )
