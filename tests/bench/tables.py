"""Plain tables for a terminal or a log."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True, slots=True)
class Table:
    """Cells as they are printed."""

    title: str
    head: tuple[str, ...]
    rows: Sequence[tuple[str, ...]]

    def text(self) -> str:
        """The first column to the left, the others to the right, words at the end as they are."""
        lines = [self.head, *self.rows]
        wide = [max(len(line[n]) for line in lines) for n in range(len(self.head))]
        out = [self.title, "-" * len(self.title)]
        for line in lines:
            cells = [cell.rjust(width) for cell, width in zip(line, wide, strict=True)]
            cells[0] = line[0].ljust(wide[0])
            cells[-1] = line[-1]
            out.append("  ".join(cells).rstrip())
        return "\n".join(out) + "\n"


def aim(
    what: str,
    found: float,
    wanted: float | None,
    *,
    least: bool = False,
    percent: bool = False,
    of: int | None = None,
) -> tuple[str, ...]:
    """A row of what was found beside what is aimed at, and whether it is met.

    `least` turns an upper limit into a lower one; a number that is not known meets nothing.
    """
    if of == 0 or not np.isfinite(found):
        return (what, "no data", "", "", "0")
    number = f"{found:,.0f}" if abs(found) >= 1000 else f"{found:.3g}"
    shown = f"{found:.1%}" if percent else number
    goal, met = "", ""
    if wanted is not None:
        goal = ("at least " if least else "at most ") + (
            f"{wanted:.0%}" if percent else f"{wanted:g}"
        )
        met = "met" if (found >= wanted if least else found <= wanted) else "MISSED"
    return (what, shown, goal, met, "" if of is None else str(of))
