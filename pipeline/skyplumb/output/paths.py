"""Where files go: names that fit any disk, paths on the card, and never the card itself."""

from __future__ import annotations

import errno
import os
import re
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path, PurePosixPath, PureWindowsPath

from skyplumb._data import write_whole
from skyplumb.errors import UserError
from skyplumb.plain import UNSEEN, text_of, visible

_NOT_IN_NAMES = re.compile(r'[<>:"/\\|?*]')
_DEVICES = re.compile(
    r"(con|prn|aux|nul|conin\$|conout\$|com[\d¹²³]|lpt[\d¹²³])\s*(\..*)?", re.IGNORECASE
)
"""Names that some systems keep for devices, whatever their ending (Microsoft, "Naming Files, Paths,
and Namespaces", from memory)."""
_LONG_PATH = 240
"""From such a length on a path that is "not found" may be too long for the system: some take 259
characters, folders 247 (same source)."""
_MOST_BYTES = 120
"""Of a folder's or list's name, so that an ending and a number still fit in 255."""


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
        mend = f"free some space there or point {option} to another folder"
        if isinstance(error, PermissionError):
            mend = f"close it in other programs, allow writing there, or change {option}"
        too_long = error.errno == errno.ENOENT and len(str(where)) >= _LONG_PATH
        if error.errno == errno.ENAMETOOLONG or too_long:
            mend = f"point {option} to a folder with a shorter path, or rename the file"
        raise UserError(f"{visible(str(where))}: cannot be written ({why}); {mend}") from error


def one_name(text: str, most_bytes: int = _MOST_BYTES) -> str:
    """`text` as the name of one file or folder on any system, with its ending if it must be cut."""
    clean = _NOT_IN_NAMES.sub("_", UNSEEN.sub("_", text))
    clean = clean.strip(" .") or "_"
    if _DEVICES.fullmatch(clean):
        clean = f"_{clean}"
    ending = PurePosixPath(clean).suffix if len(clean.encode()) > most_bytes else ""
    ending = ending if len(ending.encode()) < most_bytes // 2 else ""
    stem = clean.removesuffix(ending).encode()[: most_bytes - len(ending.encode())]
    return stem.decode("utf-8", "ignore").rstrip(" .") + ending


def flat_names(files: Iterable[str]) -> dict[str, str]:
    """A name for each file of one folder, its own where no other has it, else with its folders."""
    files = sorted(set(files))
    alike: dict[str, list[str]] = {}
    for file in files:
        alike.setdefault(one_name(PurePosixPath(file).name, 240).casefold(), []).append(file)
    wanted = {
        file: PurePosixPath(file).name if len(same) == 1 else "-".join(PurePosixPath(file).parts)
        for same in alike.values()
        for file in same
    }
    names, taken = {}, set[str]()
    for file in files:
        name = one_name(wanted[file], 240)
        path, count = PurePosixPath(name), 1
        while name.casefold() in taken:
            count += 1
            name = f"{path.stem}-{count}{path.suffix}"
        taken.add(name.casefold())
        names[file] = name
    return names


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


def listed_path(root: Path, file: str) -> str:
    """A frame's path below `root` as a list has it; with \\ where the root begins with a drive."""
    foreign = PureWindowsPath(str(root))
    if foreign.is_absolute() and foreign.drive:
        return str(foreign / relative(file))
    return str(on_card(root, file))


def refuse_links(path: Path, root: Path) -> None:
    """Stop before a link somebody laid below `root` leads a file out of it."""
    for folder in path.relative_to(root).parents:
        if (root / folder).is_symlink() and folder.parts:
            raise UserError(
                f"{visible(str(root / folder))}: is a link, and what is written there would land "
                "outside; remove it, or choose another folder"
            )


def refuse_card(target: Path, card: Path, option: str) -> None:
    """Stop before anything is written on the card."""
    there, whole = target.resolve(), card.resolve()
    # By name, or by another name of the same folder: capitals, or a disk that is mounted twice.
    if there.is_relative_to(whole) or any(_same(one, whole) for one in (there, *there.parents)):
        shown = visible(str(target))
        raise UserError(
            f"{shown}: lies on the card, which is never written to; choose another {option}"
        )


def _same(one: Path, other: Path) -> bool:
    try:
        return one.samefile(other)
    except OSError:
        return False


def default_out(card: Path) -> Path:
    """Where results go if nobody says: `<card>-audit` beside the card's folder.

    In the working folder where that cannot be written, or where it would lie on the memory card
    itself, which is told by its folder DCIM (the standard's name for it) or by being a whole disk.
    """
    whole = card.resolve()
    name = f"{whole.name or 'card'}-audit"
    on_card = whole.parent == whole or any(part.casefold() == "dcim" for part in whole.parts)
    with suppress(OSError):  # such as a disk that fails
        if not on_card and not (whole.parent / "DCIM").exists():
            try:
                (whole.parent / name).mkdir()
                (whole.parent / name).rmdir()  # nothing stays where the audit is refused
                return whole.parent / name
            except FileExistsError:
                if (whole.parent / name).is_dir():
                    return whole.parent / name
    return Path.cwd() / name


def refuse_no_folder(target: Path, option: str) -> None:
    """Stop before the work begins where what is to hold its results cannot."""
    try:
        there = next(one for one in (target, *target.absolute().parents) if one.exists())
    except OSError as error:  # such as a name that is too long
        why = (error.strerror or str(error)).lower()
        raise UserError(f"{visible(str(target))}: {why}; give {option} another folder") from None
    if not there.is_dir():
        raise UserError(f"{visible(str(there))}: is a file; give {option} a folder")
    if not os.access(there, os.W_OK):
        raise UserError(
            f"{visible(str(there))}: may not be written to; allow it, or change {option}"
        )


def is_folder(path: Path) -> bool:
    """Whether it is a folder; no, too, where the system does not even take such a name."""
    try:
        return path.is_dir()
    except (OSError, ValueError):
        return False


def remove(path: Path, root: Path) -> None:
    """Remove a file of ours and the folders below `root` that it leaves empty."""
    path.unlink()
    for folder in path.parents:
        if folder == root or any(folder.iterdir()):
            break
        folder.rmdir()
