"""Killed at random moments and called again: `python -m tests.bench.kills` prints the table.

A small drawn card is audited, its output written anew from what is kept (pages, lists, links,
sidecars), tallied and foretold, each once without disturbance. Then, each time into a new folder,
one of these is stopped with its workers at a moment drawn evenly over the time it takes, by one
signal after the other, and the same command is called again. The second call must write, or say,
the same bytes, leave no litter, and end well; the card must be as it was, byte for byte and stamp
for stamp.
"""

from __future__ import annotations

import argparse
import os
import random
import shutil
import signal
import subprocess
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from ..smallcard import SKYPLUMB, Finished, draw_small_card
from .tables import Table, aim

LIMIT_S = 600
LITTER = (".unfinished-*", "*.part", "*.tmp")
SIGNALS = (signal.SIGKILL, signal.SIGINT, signal.SIGTERM, signal.SIGHUP, signal.SIGQUIT)


@dataclass(frozen=True, slots=True)
class Job:
    """A command that is stopped."""

    name: str
    words: Callable[[Path], Sequence[Path | str]]
    """What is called, by the folder that it writes to."""
    ready: Callable[[Path], object] = Path.mkdir
    """Makes that folder."""


@dataclass(frozen=True, slots=True)
class Fate:
    """What one stopped call left, and what the next made of it."""

    finished: bool
    """It was done before the signal came."""
    same: bool
    ended_well: bool
    traceback: bool
    litter: int


def jobs_of(card: Path, whole: Path, workers: int) -> tuple[Job, ...]:
    """All that writes or says something, of a card and its audit."""
    audit = ("audit", card, "--jobs", str(workers), "--out")

    def kept(folder: Path) -> None:
        """The measures alone, so that nearly all of the time goes into judging and writing."""
        shutil.copytree(whole / ".skyplumb", folder / "out" / ".skyplumb")

    return (
        Job("audit", lambda to: (*audit, to / "out")),
        Job(
            "pages, lists, links and sidecars",
            lambda to: (*audit, to / "out", "--link-into", to / "links", "--xmp", "--share"),
            kept,
        ),
        Job("tally", lambda to: ("tally", whole, "--out", to / "season")),
        Job("forecast", lambda to: ("forecast", whole, "--json")),
    )


def stamps(card: Path) -> dict[str, tuple[int, int, bytes]]:
    """Size, time and content of everything on the card."""
    return {
        str(path): (path.stat().st_size, path.stat().st_mtime_ns, path.read_bytes())
        for path in sorted(card.rglob("*"))
        if path.is_file()
    }


def stopped(job: Job, folder: Path, after_s: float, number: int) -> tuple[bool, str]:
    """Start a call and stop it; whether it had ended by itself, and what it said."""
    with subprocess.Popen(
        [*SKYPLUMB, *map(str, job.words(folder))], stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE, text=True, start_new_session=True,
    ) as running:  # fmt: skip
        try:
            _, said = running.communicate(timeout=after_s)
            return True, said
        except subprocess.TimeoutExpired:
            # SIGKILL takes the whole group, as a machine that goes off does; a key reaches it too.
            os.killpg(running.pid, number)
            _, said = running.communicate(timeout=LIMIT_S)
    return False, said


def run(*words: Path | str) -> subprocess.CompletedProcess[str]:
    """The command to its end."""
    return subprocess.run(
        [*SKYPLUMB, *map(str, words)], capture_output=True, text=True, timeout=LIMIT_S
    )


def called(job: Job, folder: Path) -> tuple[dict[str, bytes], subprocess.CompletedProcess[str]]:
    """The call to its end, with all that it wrote and said; folders go by one name."""
    done = run(*job.words(folder))
    told = done.stdout.encode() if job.name == "forecast" else b""
    files = Finished(folder, 0, "", "").files | {"said": told}
    name = str(folder).encode()
    return {file: held.replace(name, b"FOLDER") for file, held in files.items()}, done


def fate(job: Job, whole: dict[str, bytes], folder: Path, after_s: float, number: int) -> Fate:
    """Stop one call, go on, compare."""
    shutil.rmtree(folder, ignore_errors=True)
    job.ready(folder)
    finished, said = stopped(job, folder, after_s, number)
    files, done = called(job, folder)
    return Fate(
        finished=finished,
        same=files == whole,
        ended_well=done.returncode == 0,
        traceback="Traceback" in said + done.stderr,
        litter=sum(1 for pattern in LITTER for _ in folder.rglob(pattern)),
    )


def kill_tables(kills: int, workers: int, folder: Path, seed: int) -> list[Table]:
    """Draw the card, do each job once, then stop them in turn."""
    card = draw_small_card(folder / "drawn")
    whole = folder / "whole" / "out"
    whole.parent.mkdir()
    jobs = jobs_of(card, whole, workers)
    called(jobs[0], whole.parent)
    before = stamps(card)
    lot = random.Random(seed)
    rows: list[tuple[str, ...]] = []
    for job in jobs:
        job.ready(folder / job.name)
        begin = time.perf_counter()
        wanted, done = called(job, folder / job.name)
        took_s = time.perf_counter() - begin
        assert done.returncode == 0, done.stderr
        fates = []
        for turn in range(kills):
            number = SIGNALS[turn % len(SIGNALS)]
            after_s = lot.uniform(0.0, took_s)
            fates.append(fate(job, wanted, folder / "out", after_s, number))
            print(job.name, number.name, f"{after_s:.2f} s", fates[-1], flush=True)
        rows += [
            (f"{job.name}, at a random moment of {took_s:.1f} s", "", "", "", str(kills)),
            ("  done before the signal came", str(sum(one.finished for one in fates)), "", "", ""),
            aim("  the same bytes the second time", sum(one.same for one in fates), kills,
                least=True),
            aim("  second call ended well", sum(one.ended_well for one in fates), kills,
                least=True),
            aim("  tracebacks", sum(one.traceback for one in fates), 0),
            aim("  files left over", sum(one.litter for one in fates), 0),
        ]  # fmt: skip
    changed = 0 if stamps(card) == before else 1
    rows.append(aim("changes on the card", changed, 0))
    return [Table("Stopped and called again", ("what", "found", "aim", "", "of"), rows)]


def main() -> None:
    """Parse, stop, print."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.kills", description=__doc__)
    parser.add_argument("--kills", type=int, default=15, help="of each job [default: 15]")
    parser.add_argument("--jobs", type=int, default=2, help="processes of an audit [default: 2]")
    parser.add_argument("--seed", type=int, default=11, help="of the moments [default: 11]")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        for table in kill_tables(asked.kills, asked.jobs, Path(folder), asked.seed):
            print(table.text())


if __name__ == "__main__":
    main()
