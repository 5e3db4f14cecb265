"""`python -m tests.bench`: measure, then print the tables."""

from __future__ import annotations

import argparse
import os
import time

import pandas as pd

from .accuracy import accuracy_tables, measure_nights, worst_frames
from .cards import KEPT
from .cost import cost_tables
from .nights import bench_night
from .verdicts import DEFINITION

QUICK_NIGHTS = 11
NIGHTS = 22


def main() -> None:
    """Parse, measure, print."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench", description=__doc__)
    parser.add_argument("--nights", type=int, help=f"how many nights to draw [default: {NIGHTS}]")
    parser.add_argument("--first", type=int, default=0, help="number of the first [default: 0]")
    parser.add_argument(
        "--size",
        type=_size,
        default="3000x2000",
        help="pixels of a frame, width x height [default: 3000x2000]",
    )
    parser.add_argument(
        "--quick", action="store_true", help=f"{QUICK_NIGHTS} nights, one cost round"
    )
    parser.add_argument(
        "--only", choices=("accuracy", "cost"), help="one half of the bench [default: both]"
    )
    parser.add_argument(
        "--judge-again",
        action="store_true",
        help="take the measures of an earlier bench and only judge them again, in seconds a night",
    )
    parser.add_argument("--jobs", type=int, default=0, help="processes; 0 for one a core")
    asked = parser.parse_args()
    width, height = asked.size
    jobs = asked.jobs or len(os.sched_getaffinity(0))
    count = asked.nights or (QUICK_NIGHTS if asked.quick else NIGHTS)
    begin = time.perf_counter()
    if asked.only != "cost":
        nights = [bench_night(n, width, height) for n in range(asked.first, asked.first + count)]
        _accuracy(measure_nights(nights, jobs, _say, fresh=not asked.judge_again))
    if asked.only != "accuracy":
        for table in cost_tables(jobs, _say, rounds=1 if asked.quick else 3):
            _say("\n" + table.text())
    _say(f"{time.perf_counter() - begin:.0f} s")


def _accuracy(frames: pd.DataFrame) -> None:
    frames.to_csv(KEPT / "accuracy.csv", index=False)
    _say("\n" + DEFINITION + "\n")
    for table in (*accuracy_tables(frames), worst_frames(frames)):
        _say(table.text())
    _say(f"every frame is in {KEPT / 'accuracy.csv'}")


def _size(text: str) -> tuple[int, int]:
    """Such as 3000x2000; both even, since a mosaic repeats every second sample."""
    width, height = (int(part) // 2 * 2 for part in text.split("x"))
    return width, height


def _say(text: str) -> None:
    print(text, flush=True)


if __name__ == "__main__":
    main()
