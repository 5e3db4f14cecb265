"""Which folder of an output belongs to a session of a card.

Two cards can share every name and time: undated frames, any `pano.jpg`, any unreadable
`broken.dng`. So a session's folder remembers what its shots hold, and only the same card may
write there again; another one gets a number behind the name. The same card is

- one in the same place of which at least half of the smaller set of shots is the same: it has
  grown, or some shots were deleted;
- one in another place that holds every shot of before: it was copied, and may have grown.
"""

from __future__ import annotations

import hashlib
import itertools
import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from skyplumb._data import read_json
from skyplumb.columns import FrameRow
from skyplumb.intake.card import open_file
from skyplumb.output.paths import write_atomic

MARK = ".skyplumb-card.json"
"""In a session's folder: the card, and a digest of each shot."""
OUTPUTS = ("frames.csv", "summary.json", "stackable.txt", "report.html")
_HEAD_BYTES, _TAIL_BYTES = 16384, 4096
_ASIDE = ("companion", "unsupported")


@dataclass(frozen=True, slots=True)
class CardMark:
    """A card's part in one session."""

    card: str
    """Where it was."""
    shots: dict[str, str]
    """File to a digest of its content; empty where nothing tells it from others."""

    @property
    def digests(self) -> set[str]:
        return set(self.shots.values()) - {""}

    def is_same(self, earlier: CardMark) -> bool:
        """Whether this is the card of `earlier`, grown, thinned out or copied elsewhere."""
        mine, theirs = self.digests, earlier.digests
        moved = self.card != earlier.card
        if not mine or not theirs:
            # Nothing but the names, so nothing but the same names in the same place will do.
            return not moved and set(earlier.shots) <= set(self.shots)
        if moved:
            return theirs <= mine
        return 2 * len(mine & theirs) >= min(len(mine), len(theirs))


def mark_of(rows: Sequence[FrameRow], card: Path) -> CardMark:
    """The mark of a session of this card."""
    # A picture beside a shot is no evidence of its own.
    files = [row.file for row in rows if row.kind not in _ASIDE] or [row.file for row in rows]
    return CardMark(str(card.absolute()), {file: _digest(card, file) for file in files})


def session_folder(out: Path, name: str, mark: CardMark) -> Path:
    """The folder `out`/`name` that holds this card's session, else the first free one."""
    free: Path | None = None
    for number in itertools.count(1):
        folder = out / (name if number == 1 else f"{name}-{number}")
        held = _read(folder)
        if held is not None and mark.is_same(held):
            return folder
        if held is None and not any((folder / one).exists() for one in OUTPUTS):
            if free is None:
                free = folder
            if not folder.exists():
                return free
    raise AssertionError("folders have an end")


def write_mark(folder: Path, mark: CardMark) -> None:
    """Remember whose the folder is; before anything else is written there."""
    held = _read(folder)
    known = held.shots if held else {}
    # What cannot be read just now is what it was.
    shots = {file: digest or known.get(file, "") for file, digest in sorted(mark.shots.items())}
    if held == CardMark(mark.card, shots):
        return
    told = {"card": mark.card, "shots": shots}
    write_atomic(folder / MARK, json.dumps(told, indent=1).encode("ascii") + b"\n")


def holds_card(folder: Path, card: Path) -> bool:
    """Whether a folder's results are of a card in this place, which may be gone by now."""
    held = _read(folder)
    return held is not None and held.card == str(card.absolute())


def holds_shots_of(folder: Path, others: Iterable[Path]) -> bool:
    """Whether all that a folder tells of its shots' content stands in other folders, too.

    True where it tells nothing: results of a version that left no mark.
    """
    held = _read(folder)
    marks = [mark for other in others if (mark := _read(other)) is not None]
    if held is None:
        return True
    if not held.digests:
        return any(mark.card == held.card for mark in marks)
    return held.digests <= set().union(*(mark.digests for mark in marks))


def other_cards(out: Path, card: Path) -> list[str]:
    """The other cards of which an output holds sessions, by where they were."""
    marks = (_read(mark.parent) for mark in sorted(out.glob(f"*/{MARK}")))
    return sorted({mark.card for mark in marks if mark is not None} - {str(card.absolute())})


def _read(folder: Path) -> CardMark | None:
    """The mark of a folder; None if it has none that can be read."""
    try:
        told = read_json(folder / MARK)
        return CardMark(str(told["card"]), {str(k): str(v) for k, v in told["shots"].items()})
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return None


def _digest(card: Path, file: str) -> str:
    """Of size, head and tail, which hold a shot's metadata; empty for what all could hold."""
    try:
        with open_file(card, file) as shot:
            head = shot.read(_HEAD_BYTES) or b""  # nothing yet, of what is no file on a disk
            size = shot.seek(0, 2)
            shot.seek(max(size - _TAIL_BYTES, 0))
            tail = shot.read(_TAIL_BYTES) or b""
    except (OSError, ValueError):
        return ""
    if len(set(head)) < 2:
        return ""
    return hashlib.blake2b(b"%d\0" % size + head + tail, digest_size=10).hexdigest()
