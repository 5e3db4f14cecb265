"""Killed at random moments and resumed: `python -m tests.bench.kills` prints the table.

A small drawn card is audited once without disturbance. Then, each time into a new folder, the
audit and its workers are stopped at a moment drawn evenly over that time and the same command
is called again. The second call must write the same bytes, leave no litter, and end well; the
card must be as it was, byte for byte and stamp for stamp.
"""

from __future__ import annotations

import argparse
import os
import random
import shutil
import signal
import sqlite3
import subprocess
import tempfile
import time
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

from ..smallcard import SKYPLUMB, Finished, draw_small_card
from .tables import Table, aim

LIMIT_S = 600
SEED = 11
LITTER = (".unfinished-*", "*.part", "*.tmp")


@dataclass(frozen=True, slots=True)
class Fate:
    """What one stopped audit left, and what the next made of it."""

    kept: int
    """Frames that had their measure when it was stopped."""
    finished: bool
    """It was done before the signal came."""
    same: bool
    ended_well: bool
    traceback: bool
    litter: int


def stamps(card: Path) -> dict[str, tuple[int, int, bytes]]:
    """Size, time and content of everything on the card."""
    return {
        str(path): (path.stat().st_size, path.stat().st_mtime_ns, path.read_bytes())
        for path in sorted(card.rglob("*"))
        if path.is_file()
    }


def stopped(card: Path, out: Path, jobs: int, after_s: float, number: int) -> tuple[bool, str]:
    """Start an audit and stop it; whether it had ended by itself, and what it said."""
    command = [*SKYPLUMB, "audit", str(card), "--out", str(out), "--jobs", str(jobs)]
    with subprocess.Popen(
        command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True,
        start_new_session=True,
    ) as running:  # fmt: skip
        try:
            _, said = running.communicate(timeout=after_s)
            return True, said
        except subprocess.TimeoutExpired:
            # SIGKILL takes the whole group, as a machine that goes off does; a key reaches it too.
            os.killpg(running.pid, number)
            _, said = running.communicate(timeout=LIMIT_S)
    return False, said


def resumed(card: Path, out: Path, jobs: int) -> subprocess.CompletedProcess[str]:
    """The same command, to its end."""
    command = [*SKYPLUMB, "audit", str(card), "--out", str(out), "--jobs", str(jobs)]
    return subprocess.run(command, capture_output=True, text=True, timeout=LIMIT_S)


def fate(
    card: Path, whole: dict[str, bytes], out: Path, jobs: int, after_s: float, number: int
) -> Fate:
    """Stop one audit, go on, compare."""
    finished, said = stopped(card, out, jobs, after_s, number)
    store = next(iter(out.glob(".skyplumb/*.sqlite")), None)
    kept = _measures(store) if store else 0
    done = resumed(card, out, jobs)
    files = Finished(out, 0, "", "").files
    return Fate(
        kept=kept,
        finished=finished,
        same=files == whole,
        ended_well=done.returncode == 0,
        traceback="Traceback" in said + done.stderr,
        litter=sum(1 for pattern in LITTER for _ in out.rglob(pattern)),
    )


def _measures(store: Path) -> int:
    with sqlite3.connect(f"file:{store}?mode=ro", uri=True) as base:
        try:
            return int(base.execute("select count(*) from shots").fetchone()[0])
        except sqlite3.Error:
            return 0


def kill_tables(kills: int, jobs: int, folder: Path) -> list[Table]:
    """Draw the card, audit it once, then stop audits of it."""
    card = draw_small_card(folder / "drawn")
    begin = time.perf_counter()
    resumed(card, folder / "whole", jobs)
    took_s = time.perf_counter() - begin
    whole = Finished(folder / "whole", 0, "", "").files
    before = stamps(card)
    lot = random.Random(SEED)
    rows: list[tuple[str, ...]] = []
    for number, times in ((signal.SIGKILL, kills), (signal.SIGINT, kills // 5),
                          (signal.SIGTERM, kills // 5)):  # fmt: skip
        fates = []
        for _ in range(times):
            out = folder / "out"
            shutil.rmtree(out, ignore_errors=True)
            fates.append(fate(card, whole, out, jobs, lot.uniform(0.0, took_s), number))
            print(number.name, fates[-1], flush=True)
        kept = Counter(min(one.kept, 12) for one in fates if not one.finished)
        told = "none" if not kept else f"{min(kept)} to {max(kept)}"
        rows += [
            (f"{number.name} at a random moment of {took_s:.0f} s", "", "", "", str(len(fates))),
            ("  done before it came", str(sum(one.finished for one in fates)), "", "", ""),
            ("  frames measured when stopped", told, "", "", ""),
            aim("  resumed to the same bytes", sum(one.same for one in fates), times, least=True),
            aim("  second call ended well", sum(one.ended_well for one in fates), times,
                least=True),
            aim("  tracebacks", sum(one.traceback for one in fates), 0),
            aim("  files left over", sum(one.litter for one in fates), 0),
        ]  # fmt: skip
    changed = 0 if stamps(card) == before else 1
    rows.append(aim("changes on the card", changed, 0))
    return [Table("Stopped and resumed", ("what", "found", "aim", "", "of"), rows)]


def main() -> None:
    """Parse, stop, print."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.kills", description=__doc__)
    parser.add_argument("--kills", type=int, default=50, help="by SIGKILL [default: 50]")
    parser.add_argument("--jobs", type=int, default=2, help="processes of an audit [default: 2]")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        for table in kill_tables(asked.kills, asked.jobs, Path(folder)):
            print(table.text())


if __name__ == "__main__":
    main()
