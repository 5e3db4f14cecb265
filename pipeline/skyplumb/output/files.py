"""Lay a judged session down as files: table, lists, summary, page, links and sidecars.

Everything is written beside its final name and moved into place, so that a reader
never meets half a file. The card is only read from: a target that lies on it is refused.

Names. Paths in `stackable.txt` and `summary.json` are exact. In `frames.csv` two things
are turned so that a spreadsheet takes a text for a text, since a cell that begins with
= + - @ would be run as a formula: `file` then begins with `./`, which is the same path to
every program, and any other text gets an apostrophe in front.
"""

from __future__ import annotations

import csv
import io
import itertools
import json
import math
import os
import re
import shutil
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from datetime import datetime
from pathlib import Path, PurePosixPath

import exiv2
import numpy as np
import pandas as pd

from skyplumb.output.page.frames import STRIP_FOLDER
from skyplumb.output.page.session import render, session_page
from skyplumb.records import SessionResult, UserError

_COLUMNS: dict[str, str] = {
    "file": "path",
    "session": "text",
    "run": "text",
    "kind": "text",
    "taken_camera": "text",
    "taken_utc": "text",
    "camera": "text",
    "lens": "text",
    "focal_mm": ".6g",
    "aperture": ".4g",
    "exposure_s": ".6g",
    "iso": ".0f",
    "stars": ".0f",
    "fwhm_px": ".3f",
    "fwhm_arcsec": ".3f",
    "ellipticity": ".4f",
    "image_angle_deg": ".2f",
    "trail_px": ".3f",
    "trail_worst_px": ".3f",
    "trail_sigma_px": ".3f",
    "trail_angle_deg": ".2f",
    "trail_pa_deg": ".2f",
    "shift_px": ".3f",
    "doubled_px": ".3f",
    "solved": "text",
    "ra_deg": ".6f",
    "dec_deg": ".6f",
    "roll_pa_deg": ".4f",
    "scale_arcsec_px": ".5f",
    "altitude_deg": ".3f",
    "azimuth_deg": ".3f",
    "sky_level": ".6g",
    "extinction_mag": ".3f",
    "verdict": "text",
    "cause": "text",
    "confidence": ".3f",
    "reason": "text",
}

FRAME_COLUMNS = tuple(_COLUMNS)
"""The columns every frames.csv has, in this order; further ones follow them."""

RATINGS = {"keep": 3, "doubtful": 1, "reject": -1}
"""xmp:Rating by verdict. -1 is "rejected" in the standard; 3 leaves 4 and 5 to the eye."""

_LEDGER = ".skyplumb-links.json"
_FORMULA = ("=", "+", "-", "@", "\t", "\r")
_NOT_IN_NAMES = re.compile(r'[<>:"/\\|?*\x00-\x1f\x7f]')
_NOT_IN_XML = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


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
    frames = _table(result)
    folder = _folder_for(out, _one_name(result.session), frames)
    _refuse_card(folder, card, "--out")
    result = replace(result, frames=frames)
    kept = frames[(frames["kind"] == "light") & (frames["verdict"] == "keep")]

    write_atomic(folder / "frames.csv", frames_csv(frames).encode("utf-8", "backslashreplace"))
    unlisted = _write_lists(folder, frames, kept, card)
    if unlisted:
        result = replace(result, notices=(*result.notices, _line_break_notice(unlisted)))
    summary = {"sessions": [plain(result.summary)]}
    words = json.dumps(summary, indent=2, ensure_ascii=False, allow_nan=False)
    write_atomic(folder / "summary.json", (words + "\n").encode("utf-8", "backslashreplace"))
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


def frames_csv(frames: pd.DataFrame) -> str:
    """The table as CSV text: the same numbers always give the same bytes.

    Columns of `FRAME_COLUMNS` come first, each with a fixed number of digits, then any
    further columns with ten significant ones. NaN, None and infinities are left empty.
    """
    names = [*FRAME_COLUMNS, *(str(c) for c in frames.columns if c not in _COLUMNS)]
    frames = frames.reindex(columns=names)
    columns = [[_cell(v, _COLUMNS.get(name, ".10g")) for v in frames[name]] for name in names]
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(names)
    writer.writerows(zip(*columns, strict=True))
    return text.getvalue()


def link_kept(kept: pd.DataFrame, into: Path, card: Path) -> int:
    """Lay the kept frames out as `into`/<run>/<path on the card> and answer how many.

    Each is a symlink or, where the disk has none, a copy; never a hard link, through which
    an edit would reach the card. What an earlier call laid out and is no longer kept goes
    away again; a ledger in `into` tells what was ours. Anything else there stays untouched.

    Raises
    ------
    UserError
        If `into` lies on the card, a file that is not ours is in the way, or writing fails.
    """
    _refuse_card(into, card, "--link-into")
    folders = _file_names(kept["run"])
    wanted = {
        f"{folders[run]}/{_relative(file)}": _on_card(card, file)
        for run, file in zip(kept["run"], kept["file"], strict=True)
    }
    ledger = _read_ledger(into / _LEDGER)
    with _writing(into, "--link-into"):
        for name in sorted(ledger.keys() - wanted.keys()):
            _refuse_card((into / name).parent, card, "--link-into")
            if _is_ours(into / name, ledger[name]):
                _remove(into / name, into)
        marks = {}
        try:
            for name, source in wanted.items():
                marks[name] = _lay(source, into / name, ledger.get(name), card)
        finally:
            # Also after a failure, so that the next call knows what this one made.
            known = json.dumps({**ledger, **marks} if len(marks) < len(wanted) else marks, indent=1)
            if wanted or ledger:
                write_atomic(into / _LEDGER, known.encode("utf-8"))
    return len(wanted)


def write_xmp(frames: pd.DataFrame, folder: Path, card: Path) -> int:
    """Write `folder`/<path on the card>.xmp for every judged light and answer how many.

    The packet (ISO 16684-1) holds `xmp:Rating` from `RATINGS` and the reason as
    `dc:description`. Sidecars of an earlier call for frames no longer judged are removed.
    """
    _refuse_card(folder, card, "--out")
    written = set()
    lights = frames[(frames["kind"] == "light") & frames["verdict"].isin(list(RATINGS))]
    for file, verdict, reason in zip(
        lights["file"], lights["verdict"], lights["reason"], strict=True
    ):
        target = folder / f"{_relative(file)}.xmp"
        _refuse_card(target, card, "--out")
        write_atomic(target, xmp_packet(RATINGS[verdict], _text(reason)).encode("utf-8"))
        written.add(target)
    with _writing(folder, "--out"):
        for stale in sorted(set(folder.rglob("*.xmp")) - written):
            _remove(stale, folder)
    return len(written)


def xmp_packet(rating: int, description: str) -> str:
    """An XMP packet with a rating (-1..5) and, unless it is empty, a description."""
    data = exiv2.XmpData()
    data["Xmp.xmp.Rating"] = str(rating)
    if description:
        data["Xmp.dc.description"] = "lang=x-default " + _NOT_IN_XML.sub("", description)
    status, packet = exiv2.XmpParser.encode(
        data, exiv2.XmpParser.XmpFormatFlags.useCompactFormat, 1
    )
    if status != 0:
        raise RuntimeError(f"XMP could not be encoded (status {status})")
    return str(packet)


def write_atomic(path: Path, data: bytes) -> None:
    """Write a file whole or not at all; a failure is a `UserError` with the mend."""
    part = path.with_name(f".{path.name[:60]}.{os.getpid()}.part")
    with _writing(path, "--out"):
        path.parent.mkdir(parents=True, exist_ok=True)
        try:
            part.write_bytes(data)
            part.replace(path)
        except OSError:
            part.unlink(missing_ok=True)
            raise


def plain(value: object) -> object:
    """Numbers, texts, lists and dicts only, as JSON knows them; NaN and infinity are None."""
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, np.ndarray | np.generic):
        return plain(value.tolist())
    if isinstance(value, list | tuple):
        return [plain(item) for item in value]
    if value is None or value is pd.NaT or value is pd.NA:
        return None
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, bool | int | str):
        return value
    return _text(value)


def _write_lists(folder: Path, frames: pd.DataFrame, kept: pd.DataFrame, card: Path) -> list[str]:
    """Write stackable.txt and one list per run; answer the files no list can hold."""
    paths = {file: str(_on_card(card, file)) for file in kept["file"]}
    # One path a line: a name with a line break in it would read as two other files.
    unlisted = [file for file, path in paths.items() if path.splitlines() != [path]]

    def write(path: Path, files: Iterable[str]) -> None:
        lines = [paths[file] + "\n" for file in files if file not in unlisted]
        write_atomic(path, os.fsencode("".join(lines)))

    write(folder / "stackable.txt", kept["file"])
    lists = folder / "stackable"
    runs = frames.loc[frames["kind"] == "light", "run"]
    names = {run: f"{name}.txt" for run, name in _file_names(runs).items()}
    for run, name in names.items():
        write(lists / name, kept.loc[kept["run"] == run, "file"])
    with _writing(lists, "--out"):
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
    with _writing(folder, "--out"):
        for stale in sorted(set((folder / STRIP_FOLDER).glob("*.webp")) - wanted.keys()):
            _remove(stale, folder)


def _line_break_notice(files: list[str]) -> str:
    """Words for kept frames that are missing from the lists."""
    names = ", ".join(repr(file) for file in files)
    return (
        f"Kept, but missing from stackable.txt because the path holds a line break: {names}. "
        "Rename and audit again."
    )


def _cell(value: object, spec: str) -> str:
    """One CSV cell; empty for what is not known."""
    if isinstance(value, bool | np.bool_):
        return "true" if value else "false"
    if isinstance(value, int | float | np.integer | np.floating) and spec not in ("text", "path"):
        # z: a rounded -0.0 is written as 0, whichever side the last bit fell on.
        return format(float(value), f"z{spec}") if math.isfinite(value) else ""
    text = _text(value)
    if not text.startswith(_FORMULA):
        return text
    return f"./{text}" if spec == "path" else f"'{text}"


def _text(value: object) -> str:
    """A value as words; empty for None, NaN and the like, ISO 8601 for a time."""
    if value is None or value is pd.NaT or value is pd.NA:
        return ""
    if isinstance(value, float) and math.isnan(value):
        return ""
    if isinstance(value, datetime):
        return value.isoformat(timespec="milliseconds")
    return str(value)


def _table(result: SessionResult) -> pd.DataFrame:
    """The frames with every contract column there."""
    frames = result.frames
    if not isinstance(frames, pd.DataFrame):
        raise TypeError("SessionResult.frames is not a DataFrame")
    missing = [name for name in FRAME_COLUMNS if name not in frames.columns]
    return frames.reindex(columns=[*frames.columns, *missing])


def _one_name(text: str) -> str:
    """`text` as the name of one file or folder on any system."""
    return _NOT_IN_NAMES.sub("_", text).strip(" .")[:120] or "_"


def _file_names(runs: Iterable[object]) -> dict[object, str]:
    """A file name for each run, distinct even where letter case does not count."""
    names: dict[object, str] = {}
    taken: set[str] = set()
    for run in dict.fromkeys(runs):
        stem = _one_name(_text(run))
        name, count = stem, 1
        while name.casefold() in taken:
            count += 1
            name = f"{stem}-{count}"
        taken.add(name.casefold())
        names[run] = name
    return names


def _relative(file: str) -> PurePosixPath:
    """`file` as a path that cannot climb out of the folder it is put under."""
    path = PurePosixPath(file)
    if path.is_absolute() or ".." in path.parts or not path.parts:
        raise ValueError(f"{file!r} is not a path relative to the card")
    return path


def _on_card(card: Path, file: str) -> Path:
    """Absolute path of a frame, with the card's own name for itself (links not followed)."""
    return card.absolute() / _relative(file)


def _refuse_card(target: Path, card: Path, option: str) -> None:
    """Stop before anything is written on the card."""
    if target.resolve().is_relative_to(card.resolve()):
        raise UserError(f"{target}: lies on the card, which is never written to; change {option}")


@contextmanager
def _writing(path: Path, option: str) -> Iterator[None]:
    """Turn a full or read-only disk into one line with the mend."""
    try:
        yield
    except OSError as error:
        where = error.filename2 or error.filename or path
        why = error.strerror or str(error)
        raise UserError(
            f"{where}: cannot be written ({why}); "
            f"free some space there or point {option} to another folder"
        ) from error


def _read_ledger(path: Path) -> dict[str, list[object]]:
    """What earlier calls laid out, by relative name; empty if there is no sound ledger."""
    try:
        ledger = json.loads(path.read_text("utf-8"))
        return {str(_relative(name)): list(mark) for name, mark in ledger.items()}
    except FileNotFoundError:
        return {}
    except (OSError, ValueError, AttributeError, TypeError):
        # Without it nothing there can be known as ours, so nothing is removed.
        return {}


def _lay(source: Path, target: Path, mark: list[object] | None, card: Path) -> list[object]:
    """Make `target` a link to, or a copy of, `source`; answer the mark that tells it is ours."""
    _refuse_card(target.parent, card, "--link-into")
    if os.path.lexists(target):
        if _is_ours(target, _link_mark(source)):
            return _link_mark(source)
        if not target.is_symlink() and target.is_file() and _same_age(source, target):
            return _copy_mark(target)
        if mark is None or not _is_ours(target, mark):
            raise UserError(
                f"{target}: is in the way and was not laid there by skyplumb; "
                "move it or point --link-into to another folder"
            )
        target.unlink()
    target.parent.mkdir(parents=True, exist_ok=True)
    try:
        target.symlink_to(source)
    except (OSError, NotImplementedError):
        _copy(source, target)
        return _copy_mark(target)
    return _link_mark(source)


def _copy(source: Path, target: Path) -> None:
    """Copy bytes and date, not the card's read-only flag."""
    part = target.with_name(f".{target.name[:60]}.{os.getpid()}.part")
    try:
        shutil.copyfile(source, part)
        then = source.stat()
        os.utime(part, ns=(then.st_atime_ns, then.st_mtime_ns))
        part.replace(target)
    except OSError:
        part.unlink(missing_ok=True)
        raise


def _link_mark(source: Path) -> list[object]:
    return ["link", str(source)]


def _copy_mark(target: Path) -> list[object]:
    now = target.stat()
    return ["copy", now.st_size, now.st_mtime_ns]


def _is_ours(path: Path, mark: list[object]) -> bool:
    """Whether `path` is still what we laid there; an edited copy is the photographer's."""
    if path.is_symlink():
        return mark == ["link", str(path.readlink())]
    return path.is_file() and mark == _copy_mark(path)


def _same_age(source: Path, copy: Path) -> bool:
    """Whether a copy is still good; cards keep dates to 2 s (FAT)."""
    a, b = source.stat(), copy.stat()
    return a.st_size == b.st_size and abs(a.st_mtime_ns - b.st_mtime_ns) <= 2_000_000_000


def _remove(path: Path, root: Path) -> None:
    """Remove a file of ours and the folders below `root` that it leaves empty."""
    path.unlink()
    for folder in path.parents:
        if folder == root or any(folder.iterdir()):
            break
        folder.rmdir()
