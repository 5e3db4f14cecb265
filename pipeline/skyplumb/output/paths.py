"""Where files go: names that fit any disk, paths on the card, and never the card itself."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path, PurePosixPath

from skyplumb._data import write_whole
from skyplumb.plain import text_of
from skyplumb.records import UserError

_NOT_IN_NAMES = re.compile(r'[<>:"/\\|?*\x00-\x1f\x7f]')


def write_atomic(path: Path, data: bytes, option: str = "--out") -> None:
    """Write a file whole or not at all; a failure is a `UserError` with the mend."""
    with writing(path, option):
        write_whole(path, data)


@contextmanager
def writing(path: Path, option: str) -> Iterator[None]:
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


def one_name(text: str) -> str:
    """`text` as the name of one file or folder on any system."""
    return _NOT_IN_NAMES.sub("_", text).strip(" .")[:120] or "_"


def file_names(runs: Iterable[object]) -> dict[object, str]:
    """A file name for each run, distinct even where letter case does not count."""
    names: dict[object, str] = {}
    taken: set[str] = set()
    for run in dict.fromkeys(runs):
        stem = one_name(text_of(run))
        name, count = stem, 1
        while name.casefold() in taken:
            count += 1
            name = f"{stem}-{count}"
        taken.add(name.casefold())
        names[run] = name
    return names


def relative(file: str) -> PurePosixPath:
    """`file` as a path that cannot climb out of the folder it is put under."""
    path = PurePosixPath(file)
    if path.is_absolute() or ".." in path.parts or not path.parts:
        raise ValueError(f"{file!r} is not a path relative to the card")
    return path


def on_card(card: Path, file: str) -> Path:
    """Absolute path of a frame, with the card's own name for itself (links not followed)."""
    return card.absolute() / relative(file)


def refuse_card(target: Path, card: Path, option: str) -> None:
    """Stop before anything is written on the card."""
    if target.resolve().is_relative_to(card.resolve()):
        raise UserError(f"{target}: lies on the card, which is never written to; change {option}")


def remove(path: Path, root: Path) -> None:
    """Remove a file of ours and the folders below `root` that it leaves empty."""
    path.unlink()
    for folder in path.parents:
        if folder == root or any(folder.iterdir()):
            break
        folder.rmdir()
