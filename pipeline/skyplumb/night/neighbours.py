"""Files that say too little for a place of their own go with their neighbours in the folder."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import PurePosixPath

from skyplumb.intake.card import stem


def with_neighbours(files: Iterable[str], found: Mapping[str, str]) -> dict[str, str]:
    """Sessions of the files not yet `found`: that of the same name, else of the nearest before."""
    ordered = sorted({PurePosixPath(file) for file in (*files, *found)}, key=_folder_order)
    by_stem = {stem(PurePosixPath(file)): session for file, session in found.items()}
    session_of: dict[str, str] = {}
    for direction in (ordered, ordered[::-1]):  # the second round is for the first of a folder
        folder, last = None, ""
        for path in direction:
            file = path.as_posix()
            if path.parent != folder:
                folder, last = path.parent, ""
            last = found.get(file, last)
            session = found.get(file) or by_stem.get(stem(path)) or last
            if session and file not in found:
                session_of.setdefault(file, session)
    anywhere = min(found.values(), default="undated-camera")
    return {path.as_posix(): session_of.get(path.as_posix(), anywhere) for path in ordered} | dict(
        found
    )


def _folder_order(path: PurePosixPath) -> tuple[str, str]:
    """Order by folder, then by name, capitals or not."""
    return path.parent.as_posix(), path.name.casefold()
