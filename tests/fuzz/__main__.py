"""`python -m tests.fuzz`: try thousands of damaged files, then audit them; print what was lost."""

from __future__ import annotations

import argparse
import csv
import os
import shutil
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Sequence
from pathlib import Path

from ..bench.tables import Table
from .seeds import seeds
from .trial import Case, Outcome, try_all

CASES = 3000
CARD_OF = 250
AUDIT_LIMIT_S = 900
COMMAND = (sys.executable, "-c", "from skyplumb.cli import main; main()")


def main() -> None:
    """Parse, try, print; the exit code is 1 if anything was lost."""
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz", description=__doc__)
    parser.add_argument("--cases", type=int, default=CASES, help="files to try [default: 3000]")
    parser.add_argument("--first", type=int, default=0, help="number of the first [default: 0]")
    parser.add_argument("--jobs", type=int, default=2, help="processes [default: 2]")
    parser.add_argument(
        "--out", type=Path, default=Path("fuzz-out"), help="what failed is kept here"
    )
    parser.add_argument(
        "--also", type=Path, action="append", default=[], help="folder of more seeds"
    )
    parser.add_argument(
        "--only",
        action="append",
        default=[],
        help="seed to damage; float-1171.fits is made again "
        "by --only float.fits --first 1171 --cases 1",
    )
    parser.add_argument("--no-audit", action="store_true", help="measure only, do not audit")
    asked = parser.parse_args()
    begun = time.perf_counter()
    whole = seeds(asked.also)
    names = asked.only or sorted(whole)
    cases = [Case(names[n % len(names)], n) for n in range(asked.first, asked.first + asked.cases)]
    print(f"seeds: {', '.join(names)}; cases {asked.first} to {asked.first + asked.cases - 1}")
    folder = asked.out / "files"
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    outcomes = []
    for outcome in try_all(whole, cases, folder, asked.jobs):
        outcomes.append(outcome)
        if outcome.failure:
            print(_kept(asked.out, folder / outcome.case.file, outcome.failure), flush=True)
        if len(outcomes) % 500 == 0:
            print(f"{len(outcomes)} tried, {time.perf_counter() - begun:.0f} s", flush=True)
    print(_table(outcomes).text())
    lost = sum(bool(outcome.failure) for outcome in outcomes)
    if not asked.no_audit:
        lost += _audit_all(folder, asked.out, asked.jobs)
    print(f"{len(outcomes)} cases, {lost} lost, {time.perf_counter() - begun:.0f} s")
    sys.exit(1 if lost else 0)


def _kept(out: Path, file: Path, why: str) -> str:
    """Keep what failed beside why."""
    place = out / "failures"
    place.mkdir(exist_ok=True)
    shutil.copy2(file, place / file.name)
    (place / f"{file.name}.txt").write_text(why + "\n", encoding="utf-8")
    return f"LOST {file.name}: {why}"


def _table(outcomes: Sequence[Outcome]) -> Table:
    """One line a kind of file."""
    rows = []
    suffixes = sorted({outcome.case.seed for outcome in outcomes})
    for seed in [*suffixes, "all"]:
        mine = [one for one in outcomes if seed in (one.case.seed, "all")]
        kinds = Counter(one.kind for one in mine)
        stumbles = sum(" failed on it (" in one.note for one in mine)
        rows.append(
            (
                seed,
                str(len(mine)),
                str(len(mine) - kinds["unreadable"] - kinds[""]),
                str(kinds["unreadable"]),
                str(stumbles),
                str(sum(bool(one.failure) for one in mine)),
                f"{max(one.seconds for one in mine):.1f}",
                f"{max(one.peak_bytes for one in mine) / 1e6:.0f}",
            )
        )
    head = (
        "seed",
        "tried",
        "measured",
        "refused",
        "by a library",
        "lost",
        "slowest, CPU s",
        "peak, MB",
    )
    return Table("Hostile files", head, rows)


def _audit_all(folder: Path, out: Path, jobs: int) -> int:
    """Audit the same files, card by card; how many rows or cards were lost."""
    files = sorted(folder.iterdir())
    lost = 0
    for start in range(0, len(files), CARD_OF):
        card, results = out / "card", out / "audit"
        for place in (card, results):
            shutil.rmtree(place, ignore_errors=True)
        card.mkdir()
        for file in files[start : start + CARD_OF]:
            os.link(file, card / file.name)
        begun = time.perf_counter()
        words = ("audit", str(card), "--out", str(results), "--jobs", str(jobs), "--quiet")
        try:
            done = subprocess.run(
                [*COMMAND, *words], capture_output=True, text=True, timeout=AUDIT_LIMIT_S
            )
            wrong = "Traceback" in done.stderr or done.returncode not in (0, 1)
            said = done.stderr.strip().splitlines()[-1:] if wrong else []
        except subprocess.TimeoutExpired:
            wrong, said = True, [f"not done in {AUDIT_LIMIT_S} s"]
        rows = set()
        for table in results.glob("*/frames.csv"):
            with table.open(encoding="utf-8", newline="") as lines:
                rows |= {row["file"] for row in csv.DictReader(lines)}
        missing = {file.name for file in card.iterdir()} - rows
        for name in sorted(missing)[:20]:
            print(_kept(out, card / name, "no row in the audit"), flush=True)
        lost += len(missing) + (1 if wrong else 0)
        print(
            f"audit of {len(rows) + len(missing)} files: {len(missing)} without a row"
            f"{', ' + said[0] if said else ''}, {time.perf_counter() - begun:.0f} s",
            flush=True,
        )
    return lost


if __name__ == "__main__":
    main()
