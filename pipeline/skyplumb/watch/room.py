"""Whether a disk is about to be full: alarms that begin and end."""

from __future__ import annotations

import shutil
from collections.abc import Sequence
from pathlib import Path
from statistics import median

from skyplumb.plain import visible
from skyplumb.watch.alarms import Alarm

FEW_FRAMES = 40
"""Room for so many calls for hands: over an hour of 2 min each, time enough to change a card
(common practice, no source)."""
LEAST_BYTES = 200_000_000
"""Room that an output needs: its pages and the measures of some hundred frames."""
AGAIN = 1.25
"""So many times that room ends the alarm, so that it does not come and go."""
CARD, OUT = "card room", "output room"


def free_bytes(folder: Path) -> int | None:
    """Room on a folder's disk; None where the system does not say."""
    try:
        there = next(one for one in (folder, *folder.absolute().parents) if one.exists())
        return shutil.disk_usage(there).free
    except (OSError, StopIteration):
        return None


class Room:
    """Watches the room on the disk of the frames and on that of the results."""

    def __init__(self, card: Path, out: Path) -> None:
        self._folders = {CARD: card, OUT: out}
        self.on: dict[str, str] = {}
        """Which alarm holds, with its words."""

    def after(self, file: str, sizes: Sequence[int]) -> list[Alarm]:
        """Alarms that begin or end.

        Parameters
        ----------
        file : str
            The newest frame.
        sizes : sequence of int
            Of the frames so far, bytes.
        """
        usual = int(median(sizes)) if sizes else 0
        needed = {CARD: FEW_FRAMES * usual, OUT: LEAST_BYTES}
        out = []
        for disk, folder in self._folders.items():
            free = free_bytes(folder)
            if free is None:
                continue
            if disk not in self.on and free < needed[disk]:
                self.on[disk] = _words(disk, folder, free, usual)
                out.append(Alarm(disk, True, self.on[disk], file))
            elif disk in self.on and free > AGAIN * needed[disk]:
                del self.on[disk]
                out.append(Alarm(disk, False, f"{visible(str(folder))}: has room again", file))
        return out


def _words(disk: str, folder: Path, free: int, usual: int) -> str:
    shown = visible(str(folder))
    if disk == CARD and usual:
        left = free // usual
        return (
            f"{shown}: nearly full, room for {left} more frame{'s' * (left != 1)}: free some space"
        )
    return f"{shown}: {free / 1e6:.0f} MB left for the results: free some space"
