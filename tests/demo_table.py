"""What differs between a table of frames and a saved one: verdicts, causes, every printed digit.

A saved table is no truth (tests of each stage and the bench have that); it is what an audit said
when it was saved, so that no change of a number goes unseen. Numbers may differ by one unit of
the last digit printed, since the kernels of other processors round differently.

Run as a program it compares the demo's, from the folder in which `make demo` audited it.
"""

from __future__ import annotations

import csv
import re
import sys
from collections.abc import Callable
from pathlib import Path

from skyplumb.columns import COLUMNS

DATA = Path(__file__).parent / "data"
DEMO, SMALL = DATA / "demo-frames.csv", DATA / "small-card-frames.csv"
NUMBER = re.compile(r"-?\d+(?:\.\d+)?")


def rows_of(table: Path) -> list[dict[str, str]]:
    """The cells of a table as they stand in the file."""
    with table.open(encoding="utf-8", newline="") as lines:
        return list(csv.DictReader(lines))


def alike(column: str, one: str, other: str) -> bool:
    """Whether two cells say the same, numbers to a unit of the last digit that either shows."""
    if not (COLUMNS[column].numeric or column == "reason"):
        return one == other
    return alike_but(one, other, lambda unit, _: unit)


def alike_but(one: str, other: str, room: Callable[[float, float], float]) -> bool:
    """Whether two texts say the same, their numbers but for the room that a unit of the last digit
    shown, and the number, give them."""
    if NUMBER.sub("#", one) != NUMBER.sub("#", other):
        return False
    for a, b in zip(NUMBER.findall(one), NUMBER.findall(other), strict=True):
        unit = 1.001 * 10.0 ** -max(len(n.partition(".")[2]) for n in (a, b))
        if abs(float(a) - float(b)) > room(unit, float(a)):
            return False
    return True


def changes(table: Path, before: Path) -> list[str]:
    """A line for each difference; columns may have been added."""
    now, saved = rows_of(table), rows_of(before)
    if [row["file"] for row in now] != [row["file"] for row in saved]:
        return [f"{table} has rows of other files, or in another order, than {before}"]
    if [name for name in now[0] if name in saved[0]] != list(saved[0]):
        return [f"{table} lacks columns of {before}, or has them in another order"]
    return [
        f"{then['file']} {name}: {then[name]!r} was saved, {row[name]!r} is found"
        for row, then in zip(now, saved, strict=True)
        for name in then
        if not alike(name, then[name], row[name])
    ]


def main(out: Path) -> int:
    """Print what differs; exit code 1 if anything does."""
    (table,) = out.glob("*/frames.csv")
    changed = changes(table, DEMO)
    if changed:
        print(*changed, f"if that is meant, copy {table} to {DEMO}", sep="\n")
    else:
        print(f"{table} is {DEMO.name}, of {len(rows_of(table))} files")
    return int(bool(changed))


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1])))
