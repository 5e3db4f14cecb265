"""`python -m tests.nightsky NAME --seed N --out DIR`: draw one case into a folder."""

from __future__ import annotations

import argparse
import sys
import time
from dataclasses import asdict
from pathlib import Path

from . import VERSION, seeds
from .card import Pictures, plain_card
from .cases import CASES, case
from .edits import EDITS, edited
from .tags import tags_of


def main() -> int:
    """Parse, draw, say where."""
    parser = argparse.ArgumentParser(prog="python -m tests.nightsky", description=__doc__)
    parser.add_argument("name", nargs="?", choices=sorted(CASES), metavar="NAME")
    parser.add_argument("--list", action="store_true", help="name the cases, edits and seeds")
    parser.add_argument("--seed", type=int, default=1, help="which night of the case [default: 1]")
    parser.add_argument("--out", type=Path, help="folder for card/ and truth.json")
    parser.add_argument("--frames", type=int, help="only the first so many")
    parser.add_argument("--edit", choices=sorted(EDITS), default="whole", metavar="EDIT")
    parser.add_argument("--fits", action="store_true", help="FITS files instead of DNG")
    asked = parser.parse_args()
    if asked.list or asked.name is None:
        _list()
        return 0
    if asked.out is None:
        parser.error("--out DIR says where to")
    if (asked.out / "card").exists():
        parser.error(f"{asked.out}: holds a card already; give another folder or remove it")
    begin = time.perf_counter()
    plan = case(asked.name, asked.seed, asked.frames)
    tags = tags_of(plan.night, plan.clock)
    entries = plain_card(plan.night, tags, "fits" if asked.fits else "dng")
    entries = edited(entries, asked.edit, asked.seed)
    truth = Pictures(plan.night).write(asked.out, entries, asdict(plan.clock))
    spent = time.perf_counter() - begin
    print(f"{len(truth['files'])} files, {spent:.1f} s: {asked.out / 'card'}, renderer {VERSION}")
    return 0


def _list() -> None:
    print(f"renderer {VERSION}\ncases: {' '.join(CASES)}\nedits: {' '.join(EDITS)}")
    for purpose, ranges in (("learn", seeds.LEARN), ("judge", seeds.JUDGE)):
        for name, span in ranges.items():
            print(f"seeds to {purpose} {name}: {span.start} to {span.stop - 1}")


if __name__ == "__main__":
    sys.exit(main())
