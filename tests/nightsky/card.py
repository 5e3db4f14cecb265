"""A night onto a card: which files with which tags, and truth.json beside it."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from .draw import Drawn, draw
from .files import write_dng, write_fits
from .night import Night
from .tags import Tags
from .truth import frame_truth, night_truth


@dataclass(frozen=True, slots=True)
class Entry:
    """One file of a card."""

    file: str
    """Below the card, `/` between folders."""
    number: int
    """Which exposure it holds."""
    tags: Tags
    form: str = "dng"
    """`dng`, `fits`, or `dng-moved` for another layout of the metadata."""
    changed: bool = False
    """Whether a tag is missing or wrong, or the file is a copy."""

    def but(self, **tags: Any) -> Entry:
        """The same file with other tags."""
        return replace(self, tags=replace(self.tags, **tags), changed=True)


def plain_card(
    night: Night, tags: Sequence[Tags], form: str = "dng", first: int = 1
) -> list[Entry]:
    """Every exposure once, numbered as a camera does."""
    form = form if night.sensor.mosaic else "fits"
    return [Entry(f"NH2_{first + n:04d}.{form}", n, one, form) for n, one in enumerate(tags)]


class Pictures:
    """A night's frames and truths, drawn once and put onto as many cards as asked for."""

    def __init__(self, night: Night) -> None:
        self.night = night
        self._drawn: dict[int, Drawn] = {}
        self._truths: dict[int, dict[str, Any]] = {}

    def frame(self, number: int) -> Drawn:
        """One exposure."""
        if number not in self._drawn:
            self._drawn[number] = draw(self.night, number)
        return self._drawn[number]

    def truth(self) -> dict[str, Any]:
        """The night's truth, all exposures in it."""
        for number in range(len(self.night.shots)):
            if number not in self._truths:
                self._truths[number] = frame_truth(self.night, number)
        return night_truth(self.night, [self._truths[n] for n in range(len(self.night.shots))])

    def write(self, out: Path, entries: Sequence[Entry], clock: dict[str, Any]) -> dict[str, Any]:
        """Write `out`/card and `out`/truth.json; answer the truth."""
        for entry in entries:
            path, samples = out / "card" / entry.file, self.frame(entry.number).samples
            if entry.form == "fits":
                write_fits(path, samples, self.night.sensor, entry.tags)
            else:
                layout = entry.form.partition("-")[2]
                write_dng(path, samples, self.night.sensor, entry.tags, layout)
        truth = self.truth() | {"clock": clock}
        by_number = {frame["number"]: frame for frame in truth["frames"]}
        truth["files"] = [
            {
                "file": entry.file,
                "changed": entry.changed,
                "stars": self.frame(entry.number).stars,
                **by_number[entry.number],
            }
            for entry in entries
        ]
        text = json.dumps(truth, indent=1, default=str)
        (out / "truth.json").write_text(text + "\n", encoding="utf-8")
        return truth
