"""What is on the card: every file, told apart by name.

A file of the card is opened in one place only, `read_file`, and only to read.
"""

from __future__ import annotations

import contextlib
import errno
import os
import stat
from collections.abc import Iterator
from pathlib import Path, PurePosixPath
from typing import BinaryIO

from skyplumb._data import open_ordinary
from skyplumb.errors import CardFailsError, NothingToAuditError, UnreadableError, UserError
from skyplumb.intake.failures import SHORT_OF_MEMORY
from skyplumb.intake.memory import MEMORY_BYTES, bytes_needed, refuse_if_too_large
from skyplumb.records import CardFile


def _suffixes(names: str) -> frozenset[str]:
    """File suffixes from their names in small letters."""
    return frozenset(f".{name}" for name in names.split())


RAW_SUFFIXES = _suffixes(
    "3fr ari arw bay bmq cap cin cine cr2 cr3 crw cs1 dc2 dcr dcs dng drf dsc erf fff gpr iiq "
    "k25 kc2 kdc mdc mef mfw mos mrw nef nrw orf ori pef ptx pxn qtk raf raw rdc rw2 rwl rwz "
    "sr2 srf srw sti x3f"
)
"""Suffixes of the formats LibRaw opens (its list of cameras, from memory)."""
DECODED_SUFFIXES = _suffixes("crw kdc")
"""Those of which true files of a camera were decoded with this version and looked at; DNG as the
demo and the tests write it, all others by LibRaw's word."""

FITS_SUFFIXES = _suffixes("fits fit fts fz")
PICTURE_SUFFIXES = _suffixes("jpg jpeg jpe heic heif hif avif png tif tiff webp jxl")
VIDEO_SUFFIXES = _suffixes("mov mp4 m4v avi mts m2ts mkv mpg lrv insv crm")
PACKED_SUFFIXES = _suffixes("fz gz")
"""Of a FITS file that was made smaller, behind its own suffix."""
NO_PICTURE_SUFFIXES = _suffixes(
    "txt log csv tsv json yaml yml xml html htm ini cfg inf db dat bin md pdf xmp thm lrf gpx kml "
    "nmea wav mp3 m4a aac exe app dmg apk py sqlite fir upd ctg bdm cpi mpl ind tmp bak"
)
"""Suffixes of what else lies on cards and beside pictures."""
LEAST_PICTURE_BYTES = 64 * 1024
"""No picture of a sky is smaller, packed or not."""
LITTER_FOLDERS = frozenset(
    {"system volume information", "$recycle.bin", "lost+found", "__macosx", "@eadir", "thmbnl"}
)
"""Folders that computers leave on a card (names in small letters)."""

_FAILING = frozenset(
    getattr(errno, name)
    for name in ("EIO", "ENXIO", "ENODEV", "ENOMEDIUM", "ESTALE", "ENOTCONN", "EHOSTDOWN")
    if hasattr(errno, name)
)
"""What systems answer for a disk that fails, was pulled out, or lies on a machine that is gone
(POSIX.1-2017, "Error Numbers", and Linux's own; from memory)."""

KNOWN_SUFFIXES = RAW_SUFFIXES | FITS_SUFFIXES | PICTURE_SUFFIXES | VIDEO_SUFFIXES
EXPORT = "if it holds single exposures, write each as FITS or DNG, untouched, and audit those"

MOST_BEHIND_LINKS = 100_000
"""Entries of folders that links lead to; one of them may be the whole disk."""


def walk(card: Path) -> list[CardFile]:
    """Everything on the card that is or may be a picture, told apart by names alone.

    Parameters
    ----------
    card : Path
        Links are followed, each folder once, except to folders that hold the card itself.

    Returns
    -------
    list of CardFile
        In order of their paths. A folder that cannot be opened, and what has the name of a shot
        and is no file (a pipe, a socket, a device), is an `unreadable` entry and never opened.

    Raises
    ------
    NothingToAuditError
        If it holds no picture, or none that could be audited.
    UserError
        If there is no such folder.
    CardFailsError
        If the disk does not answer at all.
    """
    _refuse_no_folder(card)
    files, shut = _list(card)
    if shut and shut[0].file == PurePosixPath():
        raise (CardFailsError if shut[0].fails else UserError)(f"{card}: {shut[0].note}")
    shots = {stem(file) for file in files if _is_shot(file) and not file.name.startswith(".")}
    found = [
        entry
        for file, no_file in files.items()
        if (entry := _sort(file, no_file, shots) or _unknown(card, file, no_file))
    ]
    found += shut
    if not found:
        raise NothingToAuditError(
            f"{card}: holds no RAW, FITS or other picture; give the folder the card was copied to"
        )
    if all(entry.kind == "unsupported" for entry in found):
        kinds = sorted({entry.file.suffix[1:].upper() for entry in found})
        if not any(entry.file.suffix.casefold() in KNOWN_SUFFIXES for entry in found):
            raise NothingToAuditError(
                f"{card}: holds {', '.join(kinds)} only ({len(found)} files), which is none of the "
                f"formats that are read; {EXPORT}"
            )
        raise NothingToAuditError(
            f"{card}: holds {', '.join(kinds)} only ({len(found)} files), in which the camera has "
            "changed the star shapes; set it to RAW, or give the folder with the RAW files"
        )
    return sorted(found, key=lambda entry: entry.file.as_posix())


def fails(error: OSError) -> bool:
    """Whether an error is the disk's, not the file's."""
    return error.errno in _FAILING


def is_file(path: Path) -> bool:
    """Whether there is such a file on the card or beside it.

    Raises
    ------
    CardFailsError
        If the disk does not say.
    """
    try:
        return stat.S_ISREG(path.stat().st_mode)
    except (OSError, ValueError) as error:
        if isinstance(error, OSError) and fails(error):
            raise _no_answer(path, error) from None
        return False


def is_gone(card: Path, file: PurePosixPath) -> bool:
    """Whether a file that was listed is not on the card any more, or the disk does not answer."""
    try:
        (card / file).lstat()
    except OSError as error:
        return fails(error) or error.errno in (errno.ENOENT, errno.ENOTDIR)
    return False


def _refuse_no_folder(card: Path) -> None:
    """Stop where no card is."""
    try:
        is_folder = stat.S_ISDIR(card.stat().st_mode)
    except (OSError, ValueError) as error:
        if isinstance(error, OSError) and fails(error):
            raise _no_answer(card, error) from None
        if isinstance(error, PermissionError):
            raise UserError(f"{card}: permission denied; allow reading it") from None
        raise UserError(f"{card}: no such folder; check the path of the card") from None
    if not is_folder:
        raise UserError(f"{card}: is a file; give the folder it lies in")


def _no_answer(path: Path, error: OSError) -> CardFailsError:
    reason = (error.strerror or str(error)).lower()
    return CardFailsError(
        f"{path}: the disk does not answer ({reason}); put the card in again, then call again"
    )


def list_files(card: Path) -> list[PurePosixPath]:
    """Every file on the card but litter, relative to it, in order of their paths."""
    return sorted(_list(card)[0])


def open_file(card: Path, file: PurePosixPath | str) -> BinaryIO:
    """A file of the card, to be read from; the one place where such a file is opened.

    Raises
    ------
    OSError
        If it cannot be opened or is no ordinary file: opening a pipe would wait for its writer,
        and opening a device may do anything.
    """
    return open_ordinary(card / file)


def read_file(card: Path, file: PurePosixPath, cap_bytes: int = MEMORY_BYTES) -> bytes:
    """The whole content of a file of the card.

    Raises
    ------
    UnreadableError
        If it is empty, larger than memory allows, not an ordinary file, or cannot be read.
    """
    try:
        with open_file(card, file) as content:
            size = os.fstat(content.fileno()).st_size
            if size == 0:
                raise UnreadableError(f"{file}: is empty; copy it from the card again")
            needed = bytes_needed(size, 0)
            refuse_if_too_large(needed, cap_bytes, str(file), f"{size / 1e9:.1f} GB on disk")
            return content.read(size) or b""
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        raise UnreadableError(f"{file}: {reason}; copy it from the card again") from None
    except MemoryError:
        raise UnreadableError(f"{file}: {SHORT_OF_MEMORY}") from None


def _list(card: Path) -> tuple[dict[PurePosixPath, str], list[CardFile]]:
    """Every file on the card but litter, with what it is if it is none; folders not entered.

    Real folders come first and links to folders last, so that a folder which is also linked
    goes by its own name; a folder met before, in a loop of links or not, is not entered again.
    """
    files: dict[PurePosixPath, str] = {}
    shut: list[CardFile] = []
    folders, links = [PurePosixPath()], list[PurePosixPath]()
    met: set[tuple[int, int]] = set()
    above = set(_above(card))
    behind_links = 0
    while folders or links:
        # Once the card's own folders are done, all the rest lies behind links.
        on_card = bool(folders) and not behind_links
        folder = folders.pop() if folders else links.pop()
        try:
            about = (card / folder).stat()
            if (about.st_dev, about.st_ino) in met:
                continue
            met.add((about.st_dev, about.st_ino))
            if (about.st_dev, about.st_ino) in above:
                shut.append(CardFile(folder, "unsupported", _HOLDS_CARD))
                continue
            if behind_links > MOST_BEHIND_LINKS:
                shut.append(CardFile(folder, "unsupported", _TOO_MUCH))
                continue
            with os.scandir(card / folder) as entries:
                inside = sorted(entries, key=lambda entry: entry.name, reverse=True)
        except OSError as error:
            shut.append(_shut(folder, error))
            continue
        behind_links += 0 if on_card else len(inside) + 1
        names = {entry.name for entry in inside}
        for entry in inside:
            name = folder / entry.name
            try:
                is_folder = entry.is_dir()
            except OSError as error:  # a link to itself or to what is shut
                is_folder = False
                if not _is_shot(name) and error.errno != errno.ELOOP:
                    shut.append(_shut(name, error))
            if is_folder:
                if not entry.name.startswith(".") and entry.name.casefold() not in LITTER_FOLDERS:
                    (links if entry.is_symlink() else folders).append(name)
            elif not (entry.name.startswith("._") and entry.name[2:] in names):
                files[name] = _no_file(entry)
    return files, shut


_HOLDS_CARD = "a link to a folder that holds the card itself: not followed; remove it"
_TOO_MUCH = (
    f"links lead to more than {MOST_BEHIND_LINKS:,} entries, of which this folder was not entered; "
    "audit it by itself"
)


def _above(card: Path) -> Iterator[tuple[int, int]]:
    """The folders that hold the card, as far as they can be asked."""
    for folder in card.resolve().parents:
        with contextlib.suppress(OSError):
            about = folder.stat()
            yield about.st_dev, about.st_ino


def _shut(folder: PurePosixPath, error: OSError) -> CardFile:
    """The row of a folder that was not entered."""
    reason = (error.strerror or str(error)).lower()
    note = f"folder cannot be opened: {reason}; allow reading it or copy it again"
    return CardFile(folder, "unreadable", note, fails(error))


def _no_file(entry: os.DirEntry[str]) -> str:
    """What an entry is that is no ordinary file; empty for a file or a link that leads nowhere."""
    try:
        mode = entry.stat().st_mode
    except OSError:
        return ""  # reading it says why
    kinds = {stat.S_IFIFO: "a pipe", stat.S_IFSOCK: "a socket"}
    return "" if stat.S_ISREG(mode) else kinds.get(stat.S_IFMT(mode), "a device")


def _sort(file: PurePosixPath, no_file: str, shots: set[str]) -> CardFile | None:
    """What an entry is by its name; None for one that is no picture."""
    suffix = file.suffix.casefold()
    if no_file and (_is_shot(file) or suffix in PICTURE_SUFFIXES):
        return CardFile(file, "unreadable", f"{file}: {no_file}, which is never opened; remove it")
    if file.name.startswith("."):
        note = "a hidden file; take the dot off its name if it is a picture"
        return CardFile(file, "unsupported", note) if _is_shot(file) else None
    if _is_shot(file):
        return CardFile(file, "light")
    if suffix in PICTURE_SUFFIXES and stem(file) in shots:
        return CardFile(file, "companion", "made from the RAW or FITS file of the same name")
    if suffix in PICTURE_SUFFIXES:
        return CardFile(
            file,
            "unsupported",
            f"{suffix[1:].upper()} without a RAW of its name: processing in the camera has changed "
            "the star shapes; shoot RAW",
        )
    if suffix in VIDEO_SUFFIXES:
        return CardFile(file, "unsupported", "video: no single exposures to measure")
    return None


def _unknown(card: Path, file: PurePosixPath, no_file: str) -> CardFile | None:
    """What an entry is that may hold a picture in a form that is not read; None for all else."""
    suffix = file.suffix.casefold()
    if no_file or not suffix or file.name.startswith("."):
        return None
    if suffix in KNOWN_SUFFIXES | NO_PICTURE_SUFFIXES:
        return None
    try:
        if (card / file).stat().st_size < LEAST_PICTURE_BYTES:
            return None
    except OSError:
        return None
    return CardFile(
        file, "unsupported", f"{suffix[1:].upper()} is none of the formats that are read; {EXPORT}"
    )


def is_fits_name(file: PurePosixPath | str) -> bool:
    """Whether a name is that of a FITS file, packed or not."""
    name = PurePosixPath(file).name.casefold().removesuffix(".gz")
    return PurePosixPath(name).suffix in FITS_SUFFIXES


def _is_shot(file: PurePosixPath) -> bool:
    """Whether a name is that of a RAW or FITS file."""
    return file.suffix.casefold() in RAW_SUFFIXES or is_fits_name(file)


def stem(file: PurePosixPath) -> str:
    """A path without suffixes, capitals or not: what a shot and its companion share.

    Words and no path, since a name may be nothing but dots before its suffix.
    """
    name = file.name.removesuffix(file.suffix)
    packed = file.suffix.casefold() in PACKED_SUFFIXES
    inner = PurePosixPath(name).suffix if packed else ""
    return f"{file.parent}/{name.removesuffix(inner).casefold()}"
