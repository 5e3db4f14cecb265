"""Which files of a watched folder are whole: listings, one after another -> files to measure.

A camera, a cable or a share writes a file in pieces, under its own name or under another one that
is changed at the end, and may reserve its whole length first. So a file is measured once it has
not changed for a while; one that could not be read then is tried again, ever more seldom, and at
once when it changes.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import PurePosixPath

SETTLED_S = 1.0
"""A file that has not changed for so long is whole."""
FIRST_TRY_S, MOST_TRY_S = 2.0, 60.0
"""Until a file that could not be read is tried again; twice as long each time."""

Stamp = tuple[int, int]
"""A file's size in bytes and the time of its last change, ns."""


@dataclass(slots=True)
class _File:
    """What is known of one file."""

    stamp: Stamp
    due_s: float
    """When it is to be measured; infinite once it is."""
    tries: int = 0


class Arrivals:
    """What has come and what is still coming; times are seconds of a clock that never goes back."""

    def __init__(self) -> None:
        self._files: dict[PurePosixPath, _File] = {}

    def see(self, listed: Mapping[PurePosixPath, Stamp], now_s: float) -> None:
        """Take in what lies there now; a file that is not there any more is forgotten."""
        for file in self._files.keys() - listed.keys():
            del self._files[file]
        for file, stamp in listed.items():
            known = self._files.get(file)
            if known is None or known.stamp != stamp:
                self._files[file] = _File(stamp, now_s + SETTLED_S)

    def whole(self, now_s: float) -> list[PurePosixPath]:
        """Files to measure now, in order of their last change, those of a camera in its order."""
        due = [file for file, one in self._due() if one.due_s <= now_s]
        return sorted(due, key=lambda file: (self._files[file].stamp[1], file))

    def measured(self, file: PurePosixPath, now_s: float) -> None:
        """It could be read; it is asked again only when it changes."""
        if file in self._files:
            self._files[file].due_s = math.inf

    def not_read(self, file: PurePosixPath, now_s: float) -> int:
        """It could not be read, or there was no room for what was measured; answers how often."""
        known = self._files.get(file)
        if known is None:
            return 0
        known.tries += 1
        known.due_s = now_s + min(FIRST_TRY_S * 2.0 ** (known.tries - 1), MOST_TRY_S)
        return known.tries

    def next_s(self) -> float:
        """When the next file is due; infinite where none is."""
        return min((one.due_s for _, one in self._due()), default=math.inf)

    def _due(self) -> Iterator[tuple[PurePosixPath, _File]]:
        """Files that wait; an empty one has only been made."""
        return (
            (file, one)
            for file, one in self._files.items()
            if one.stamp[0] > 0 and one.due_s < math.inf
        )
