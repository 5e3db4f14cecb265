"""The frames to stack laid out as links, and nothing else in that folder touched.

Each run gets a folder with `light-frames`, and `dark-frames`, `flat-frames` and `bias-frames` where
the card has some that fit. A ledger beside them tells what was laid there and for which output, so
that what is no longer wanted can go away and two outputs never take each other's links.
"""

from __future__ import annotations

import itertools
import json
import os
import shutil
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from skyplumb._data import read_json, unfinished
from skyplumb.columns import FrameRow
from skyplumb.digits import counted
from skyplumb.errors import UserError
from skyplumb.output.calibration_frames import FOLDERS, Fit, Library, best_fits
from skyplumb.output.paths import (
    file_names,
    flat_names,
    on_card,
    refuse_card,
    refuse_links,
    relative,
    remove,
    write_atomic,
    writing,
)
from skyplumb.plain import visible

LEDGER = ".skyplumb-links.json"
LIGHTS = "light-frames"
Mark = list[object]
"""What a file of ours is known by: ["link", where to] or ["copy", bytes, time in ns]."""


@dataclass(frozen=True, slots=True)
class Laid:
    """What was laid out."""

    folder: Path
    linked: int = 0
    copied: int = 0
    """Where the disk has no links."""
    kinds: Mapping[str, int] | None = None
    """Files by the kind of folder they lie in."""
    taken: tuple[str, ...] = ()
    """What was taken from another night or from elsewhere than the card, in words."""

    def words(self) -> str:
        """One line for a person."""
        how = [
            f"{count} {word}"
            for count, word in ((self.linked, "linked"), (self.copied, "copied"))
            if count
        ]
        parts = [
            counted(count, kind.replace("-", " ").removesuffix("s"))
            for kind, count in (self.kinds or {}).items()
        ]
        line = f"{self.folder}: {', '.join(parts) or 'no frames'} ({', '.join(how) or 'nothing'})"
        return "; ".join((line, *self.taken))


def link_frames(
    rows: Sequence[FrameRow],
    into: Path,
    card: Path,
    owner: str,
    libraries: Sequence[Library] = (),
) -> Laid:
    """Lay the kept frames out below `into`, or `into` with a number where another output has it.

    Each is a symlink or, where the disk has none, a copy; never a hard link, through which
    an edit would reach the card. Names are the files' own, with their folders in front where two
    would be one. What an earlier call laid out and is no longer wanted goes away again. Anything
    else there stays untouched.

    Parameters
    ----------
    rows : sequence of FrameRow
        All of a session, calibration frames among them.
    into : Path
        The session's folder in that of `--link-into`.
    owner : str
        Names the output, so that each finds its own folder again.
    libraries : sequence of Library
        Calibration frames beside the card, for runs of which the card has none.

    Raises
    ------
    UserError
        If `into` lies on the card, a file that is not ours or a link to elsewhere is in the way,
        or writing fails.
    """
    refuse_card(into, card, "--link-into")
    into, ledger = _own_folder(into, owner)
    refuse_links(into / LEDGER, into.parent)
    wanted, taken = _layout(rows, card, libraries)
    if not wanted and not ledger:
        return Laid(into)
    with writing(into, "--link-into"):
        for name in wanted:
            refuse_links(into / name, into.parent)
            refuse_card((into / name).parent, card, "--link-into")
            _refuse_foreign(into / name, ledger.get(name))
        for name in sorted(ledger.keys() - wanted.keys()):
            if not _leads_out(into / name, into) and _is_ours(into / name, ledger[name]):
                remove(into / name, into)
        # Before anything is laid, so that a later call knows what this one made if it is stopped.
        planned = {name: ledger.get(name) or _planned(source) for name, source in wanted.items()}
        _write_ledger(into, owner, planned)
        marks: dict[str, Mark] = {}
        try:
            for name, source in wanted.items():
                marks[name] = _lay(source, into / name, ledger.get(name))
        finally:
            before = {name: mark for name, mark in ledger.items() if name in wanted}
            _write_ledger(into, owner, before | marks)
    how = Counter(str(mark[0]) for mark in marks.values())
    kinds = Counter(name.split("/")[1] for name in wanted)
    order = [LIGHTS, *FOLDERS.values()]
    by_kind = {kind: kinds[kind] for kind in order if kinds[kind]}
    return Laid(into, how["link"], how["copy"], by_kind, tuple(taken))


def _layout(
    rows: Sequence[FrameRow], card: Path, libraries: Sequence[Library]
) -> tuple[dict[str, Path], list[str]]:
    """Where each file is laid, `run/light-frames/name`, and where it is; and what was taken from
    another night or a library, in words."""
    own = Library(card, tuple(rows))
    lights = [row for row in rows if row.kind == "light"]
    folders = file_names(row.run for row in lights)
    kept: dict[str, list[FrameRow]] = {}
    for row in lights:
        if row.verdict == "keep":
            kept.setdefault(row.run, []).append(row)
    wanted: dict[str, Path] = {}
    taken: list[str] = []
    for run, mine in kept.items():
        parts = {LIGHTS: Fit(card, tuple(row.file for row in mine))}
        for kind, fit in best_fits(own, libraries, mine).items():
            parts[FOLDERS[kind]] = fit
            taken += [f"{run}: {fit.words}"] if fit.words else []
        for part, fit in parts.items():
            for file, name in flat_names(fit.files).items():
                wanted[f"{folders[run]}/{part}/{name}"] = on_card(fit.root, file)
    return wanted, taken


def _own_folder(into: Path, owner: str) -> tuple[Path, dict[str, Mark]]:
    """The first folder of this name that no other output has laid anything in, and its ledger."""
    for number in itertools.count(1):
        folder = into if number == 1 else into.with_name(f"{into.name}-{number}")
        known, laid = _read_ledger(folder / LEDGER)
        if known in ("", owner):
            return folder, laid
    raise AssertionError("folders have an end")


def _read_ledger(path: Path) -> tuple[str, dict[str, Mark]]:
    """Whose a folder is and what was laid there; nobody's and nothing if there is no ledger.

    A ledger that cannot be understood is somebody's, so that nothing there is taken for ours.
    """
    try:
        told = read_json(path)
        laid = {str(relative(name)): list(mark) for name, mark in told["laid"].items()}
        return str(told["owner"]) or "?", laid
    except FileNotFoundError:
        return "", {}
    except (OSError, ValueError, AttributeError, TypeError, KeyError):
        return "?", {}


def _write_ledger(into: Path, owner: str, laid: Mapping[str, Mark]) -> None:
    told = json.dumps({"owner": owner, "laid": dict(laid)}, indent=1, sort_keys=True)
    write_atomic(into / LEDGER, told.encode("utf-8"), "--link-into")


def _refuse_foreign(target: Path, mark: Mark | None) -> None:
    """Stop before a file that is not ours is replaced."""
    if os.path.lexists(target) and (mark is None or not _is_ours(target, mark)):
        raise UserError(
            f"{visible(str(target))}: is in the way and was not laid there by skyplumb; "
            "move it or point --link-into to another folder"
        )


def _leads_out(target: Path, into: Path) -> bool:
    try:
        refuse_links(target, into.parent)
    except UserError:
        return True
    return False


def _planned(source: Path) -> Mark:
    """What a copy will be known by; a link is known by where it leads, see `_is_ours`."""
    try:
        about = source.stat()
    except OSError:
        return ["either", str(source), -1, -1]
    return ["either", str(source), about.st_size, about.st_mtime_ns]


def _lay(source: Path, target: Path, mark: Mark | None) -> Mark:
    """Make `target` a link to, or a copy of, `source`; answer the mark that tells it is ours."""
    if os.path.lexists(target):
        if target.is_symlink() and str(target.readlink()) == str(source):
            return _link_mark(source)
        if not target.is_symlink() and mark is not None and _same_age(source, target):
            return _copy_mark(target)
        _refuse_foreign(target, mark)
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


def _link_mark(source: Path) -> Mark:
    return ["link", str(source)]


def _copy_mark(target: Path) -> Mark:
    now = target.stat()
    return ["copy", now.st_size, now.st_mtime_ns]


def _is_ours(path: Path, mark: Mark) -> bool:
    """Whether `path` is still what we laid there; an edited copy is the photographer's."""
    if path.is_symlink():
        return mark[0] in ("link", "either") and mark[1] == str(path.readlink())
    if not path.is_file() or mark[0] == "link":
        return False
    size, time_ns = mark[-2:]
    now = path.stat()
    near = isinstance(time_ns, int) and abs(now.st_mtime_ns - time_ns) <= _FAT_NS
    return now.st_size == size and (near if mark[0] == "either" else now.st_mtime_ns == time_ns)


_FAT_NS = 2_000_000_000
"""Cards keep dates to 2 s (FAT)."""


def _same_age(source: Path, copy: Path) -> bool:
    """Whether a copy is still good."""
    a, b = source.stat(), copy.stat()
    return a.st_size == b.st_size and abs(a.st_mtime_ns - b.st_mtime_ns) <= _FAT_NS
