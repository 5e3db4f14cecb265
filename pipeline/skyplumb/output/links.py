"""The kept frames laid out as links, and nothing else in that folder touched.

A ledger in the folder tells what was laid there, so that what is no longer kept can go away.
"""

from __future__ import annotations

import json
import os
import shutil
from pathlib import Path

import pandas as pd

from skyplumb._data import unfinished
from skyplumb.output.paths import (
    file_names,
    on_card,
    refuse_card,
    relative,
    remove,
    write_atomic,
    writing,
)
from skyplumb.records import UserError

LEDGER = ".skyplumb-links.json"


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
    refuse_card(into, card, "--link-into")
    folders = file_names(kept["run"])
    wanted = {
        f"{folders[run]}/{relative(file)}": on_card(card, file)
        for run, file in zip(kept["run"], kept["file"], strict=True)
    }
    ledger = _read_ledger(into / LEDGER)
    with writing(into, "--link-into"):
        for name in sorted(ledger.keys() - wanted.keys()):
            refuse_card((into / name).parent, card, "--link-into")
            if _is_ours(into / name, ledger[name]):
                remove(into / name, into)
        marks = {}
        try:
            for name, source in wanted.items():
                marks[name] = _lay(source, into / name, ledger.get(name), card)
        finally:
            # Also after a failure, so that the next call knows what this one made.
            known = json.dumps({**ledger, **marks} if len(marks) < len(wanted) else marks, indent=1)
            if wanted or ledger:
                write_atomic(into / LEDGER, known.encode("utf-8"))
    return len(wanted)


def _read_ledger(path: Path) -> dict[str, list[object]]:
    """What earlier calls laid out, by relative name; empty if there is no sound ledger."""
    try:
        ledger = json.loads(path.read_text("utf-8"))
        return {str(relative(name)): list(mark) for name, mark in ledger.items()}
    except FileNotFoundError:
        return {}
    except (OSError, ValueError, AttributeError, TypeError):
        # Without it nothing there can be known as ours, so nothing is removed.
        return {}


def _lay(source: Path, target: Path, mark: list[object] | None, card: Path) -> list[object]:
    """Make `target` a link to, or a copy of, `source`; answer the mark that tells it is ours."""
    refuse_card(target.parent, card, "--link-into")
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
    with unfinished(target) as part:
        shutil.copyfile(source, part)
        then = source.stat()
        os.utime(part, ns=(then.st_atime_ns, then.st_mtime_ns))


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
