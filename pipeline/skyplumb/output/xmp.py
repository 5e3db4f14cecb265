"""XMP sidecars: the verdict as a rating and the reason as a description (ISO 16684-1)."""

from __future__ import annotations

import hashlib
import json
import os
import re
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from skyplumb._data import read_json
from skyplumb.columns import FrameRow
from skyplumb.errors import UserError
from skyplumb.intake.card import is_file
from skyplumb.output.made import lay_down
from skyplumb.output.paths import (
    refuse_card,
    relative,
    write_atomic,
)
from skyplumb.plain import text_of, visible

RATINGS = {"keep": 3, "doubtful": 1, "reject": -1}
"""xmp:Rating by verdict. -1 is "rejected" in the standard; 3 leaves 4 and 5 to the eye."""

LEDGER = ".skyplumb-xmp.json"
"""In a session's folder: the sidecars laid beside copies, each with a digest of what it held."""

_NOT_IN_XML = "[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]"
_LONGEST_NAME_BYTES = 255


def write_xmp(rows: Iterable[FrameRow], folder: Path, card: Path) -> list[str]:
    """Write a sidecar below `folder` for every judged light; `folder` is in a session's.

    Each lies where the frame lies on the card and is named as `sidecar_names` says. The packet (ISO
    16684-1) holds `xmp:Rating` from `RATINGS` and the reason as `dc:description`. Sidecars of an
    earlier call for frames no longer judged are removed.

    Returns
    -------
    list of str
        Files whose name leaves no room for another ending, which have no sidecar.
    """
    refuse_card(folder, card, "--out")
    wanted, nameless = {}, []
    packets = dict(_packets(rows))
    names = sidecar_names(packets)
    for file, packet in packets.items():
        target = folder / names[file]
        if len(os.fsencode(target.name)) > _LONGEST_NAME_BYTES:
            nameless.append(file)
            continue
        refuse_card(target, card, "--out")
        wanted[target.relative_to(folder.parent).as_posix()] = packet
    lay_down(folder.parent, "sidecars", wanted)
    return nameless


@dataclass(frozen=True, slots=True)
class Beside:
    """What became of the sidecars beside a copy of the card."""

    folder: Path
    written: int = 0
    missing: int = 0
    """Frames of which no copy was found."""
    kept: int = 0
    """Sidecars of somebody else, left alone."""

    def words(self) -> str:
        """One line for a person."""
        told = f"{self.folder}: {self.written} sidecars"
        if self.missing:
            told += f"; no copy found of {self.missing} frames"
        if self.kept:
            told += f"; {self.kept} not written, since a sidecar of another maker is there"
        return told


def write_xmp_beside(rows: Iterable[FrameRow], folder: Path, copy: Path, card: Path) -> Beside:
    """Write a sidecar beside each copied frame, where a raw developer looks for it.

    It is named as `sidecar_names` says. One that is there already is replaced only if it is as an
    earlier call left it.

    Parameters
    ----------
    rows : iterable of FrameRow
        Of a session.
    folder : Path
        The session's folder in the output, which remembers what was written.
    copy : Path
        A copy of the card, with the same folders.
    card : Path
        The card, which is never written to.
    """
    refuse_card(copy, card, "--xmp-beside")
    refuse_no_copy(copy)
    ours = _read_ledger(folder / LEDGER)
    packets = dict(_packets(rows))
    names = sidecar_names(packets)
    written, missing, kept = 0, 0, 0
    for file, packet in packets.items():
        path = relative(file)
        beside = copy / path
        if not is_file(beside):
            missing += 1
            continue
        target = copy / names[file]
        refuse_card(target.parent, card, "--xmp-beside")
        if os.path.lexists(target) and _digest(target) != ours.get(str(target), ""):
            kept += 1
            continue
        write_atomic(target, packet, "--xmp-beside")
        ours[str(target)] = _digest(target)
        written += 1
    # In an order that hangs on nothing: a call that was killed has written some of them before.
    told = json.dumps(ours, indent=1, sort_keys=True)
    write_atomic(folder / LEDGER, told.encode("ascii"))
    return Beside(copy, written, missing, kept)


def sidecar_names(files: Iterable[str]) -> dict[str, PurePosixPath]:
    """Where the sidecar of each frame lies, relative to the card.

    The frame's name with the ending `.xmp` in place of its own (XMP specification part 3, "External
    storage of metadata", from memory), or behind it where two frames would share one.
    """
    paths = {file: relative(file) for file in files}
    stems = Counter(str(path.with_suffix("")).casefold() for path in paths.values())
    return {
        file: path.with_suffix(".xmp")
        if stems[str(path.with_suffix("")).casefold()] == 1
        else path.with_name(f"{path.name}.xmp")
        for file, path in paths.items()
    }


def _packets(rows: Iterable[FrameRow]) -> Iterator[tuple[str, bytes]]:
    """Every judged light with its packet."""
    for row in rows:
        if row.kind == "light" and row.verdict in RATINGS:
            packet = xmp_packet(RATINGS[row.verdict], visible(text_of(row.reason)))
            yield row.file, packet.encode("utf-8")


def _digest(path: Path) -> str:
    """Of a sidecar's bytes; one that nothing has for what is no file of its own."""
    if path.is_symlink() or not path.is_file():
        return "none"
    return hashlib.blake2b(path.read_bytes(), digest_size=16).hexdigest()


def refuse_no_copy(copy: Path) -> None:
    """Stop where there is no copy of the card to write beside."""
    if not copy.is_dir():
        raise UserError(f"{copy}: is not a folder; give --xmp-beside the copy of the card")


def _read_ledger(path: Path) -> dict[str, str]:
    try:
        told = read_json(path)
        return {str(name): str(digest) for name, digest in told.items()}
    except (OSError, ValueError, AttributeError):
        return {}


def xmp_packet(rating: int, description: str) -> str:
    """An XMP packet with a rating (-1..5) and, unless it is empty, a description."""
    import exiv2

    data = exiv2.XmpData()
    data["Xmp.xmp.Rating"] = str(rating)
    if description:
        data["Xmp.dc.description"] = "lang=x-default " + re.sub(_NOT_IN_XML, "", description)
    status, packet = exiv2.XmpParser.encode(
        data, exiv2.XmpParser.XmpFormatFlags.useCompactFormat, 1
    )
    if status != 0:
        raise RuntimeError(f"XMP could not be encoded (status {status})")
    return str(packet)
