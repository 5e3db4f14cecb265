"""What was made in a session's folder, so that nothing else there is ever removed.

A ledger beside the files has a digest of each. A file that nobody wants any more goes only where
it is still what was written; what somebody changed, or laid there, is theirs.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from pathlib import Path

from skyplumb._data import read_json, read_whole
from skyplumb.output.paths import refuse_links, relative, remove, write_atomic, writing

LEDGER = ".skyplumb-made.json"
_Known = dict[str, list[str]]
"""File, relative to the session's folder, to the digests of what it may hold: two after a kill."""


def lay_down(folder: Path, part: str, files: Mapping[str, bytes]) -> None:
    """Write the files of one part of a session's folder; those of an earlier call go away.

    Parameters
    ----------
    folder : Path
        The session's.
    part : str
        What the files are; those of other parts are not touched.
    files : mapping
        Path relative to `folder`, with / between its folders, to what the file holds.

    Raises
    ------
    UserError
        If a link leads out of the folder, or it cannot be written.
    """
    told = _read(folder / LEDGER)
    before = told.get(part, {})
    wanted = {name: [digest(content)] for name, content in files.items()}
    for name in files:
        refuse_links(folder / relative(name), folder)
    # Before anything is written, so that a later call knows what this one made if it is stopped.
    both = {name: [*before.get(name, []), *wanted.get(name, [])] for name in before | wanted}
    _write(folder, told, part, both)
    for name, content in files.items():
        write_atomic(folder / name, content)
    for name in sorted(before.keys() - wanted.keys()):
        with writing(folder / name, "--out"):
            if _holds(folder / name, before[name]):
                refuse_links(folder / name, folder)
                remove(folder / name, folder)
    _write(folder, told, part, wanted)


def digest(content: bytes) -> str:
    """Of what a file holds."""
    return hashlib.blake2b(content, digest_size=10).hexdigest()


def _holds(path: Path, digests: list[str]) -> bool:
    try:
        return not path.is_symlink() and digest(read_whole(path)) in digests
    except OSError:
        return False


def _write(folder: Path, told: dict[str, _Known], part: str, known: _Known) -> None:
    if told.get(part, {}) == known:
        return
    told[part] = known
    text = json.dumps(told, indent=1, sort_keys=True)
    write_atomic(folder / LEDGER, text.encode("ascii") + b"\n")


def _read(path: Path) -> dict[str, _Known]:
    """Nothing where it cannot be understood: then nothing is removed."""
    try:
        return {
            str(part): {str(relative(name)): [*map(str, held)] for name, held in known.items()}
            for part, known in read_json(path).items()
        }
    except (OSError, ValueError, TypeError, AttributeError):
        return {}
