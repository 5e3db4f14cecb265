"""Damaged files tried in processes of their own, with the time and memory each took."""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import resource
import signal
import sys
import time
import warnings
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from multiprocessing.connection import Connection
from pathlib import Path, PurePosixPath
from queue import Empty, SimpleQueue
from typing import Any

from skyplumb.intake.memory import MEMORY_BYTES

from .mutate import mutated

CPU_LIMIT_S = 20.0
"""Of the processor, for a file that takes a tenth of a second; a busy machine is no hang."""
WAIT_LIMIT_S = 240.0
"""On the clock, for one that waits for something."""
SPACE_LIMIT_BYTES = 6_000_000_000
"""Of addresses, so that a failure does not take the machine with it."""


@dataclass(frozen=True, slots=True)
class Case:
    """One damaged file."""

    seed: str
    number: int

    @property
    def file(self) -> str:
        """A name with the seed's suffix, which tells how to make it again."""
        stem, _, suffix = self.seed.partition(".")
        return f"{stem}-{self.number}.{suffix}"


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of it."""

    case: Case
    kind: str
    """Kind of its row; empty if it has none."""
    note: str
    failure: str
    """hang, crash, memory or the exception; empty if all went well."""
    seconds: float
    """Of the processor."""
    peak_bytes: int


def try_all(
    seeds: dict[str, bytes], cases: Sequence[Case], folder: Path, jobs: int
) -> Iterator[Outcome]:
    """Measure every case; files are written to `folder` and stay there."""
    left: SimpleQueue[Case] = SimpleQueue()
    for case in cases:
        left.put(case)
    done: SimpleQueue[Outcome | None] = SimpleQueue()
    with ThreadPoolExecutor(jobs) as drivers:
        for _ in range(jobs):
            drivers.submit(_drive, seeds, left, folder, done)
        for _ in cases:
            outcome = done.get()
            if outcome is None:
                raise RuntimeError("a driver of the trial ended early")
            yield outcome


def _drive(
    seeds: dict[str, bytes],
    left: SimpleQueue[Case],
    folder: Path,
    done: SimpleQueue[Outcome | None],
) -> None:
    """Feed one process, and a new one whenever it is lost."""
    process: Any = None
    try:
        while True:
            try:
                case = left.get_nowait()
            except Empty:
                return
            path = folder / case.file
            path.write_bytes(mutated(case.seed, seeds[case.seed], case.number))
            if process is None:
                process, line = _start()
            line.send(str(path))
            answer: tuple[str, str, str, float, int] | None = None
            failure = f"hang: no answer in {WAIT_LIMIT_S:.0f} s"
            if line.poll(WAIT_LIMIT_S):
                try:
                    answer = line.recv()
                except (EOFError, OSError):
                    process.join()
                    over = process.exitcode == -signal.SIGPROF
                    failure = f"hang: over {CPU_LIMIT_S:.0f} s of processor" if over else "crash"
            if answer is None:
                process.kill()
                process.join()
                process, answer = None, ("", "", failure, CPU_LIMIT_S, 0)
            kind, note, failure, seconds, peak = answer
            if not failure and peak > MEMORY_BYTES:
                failure = f"memory: {peak / 1e9:.1f} GB"
            done.put(Outcome(case, kind, note, failure, seconds, peak))
    except BaseException:
        done.put(None)
        raise
    finally:
        if process is not None:
            process.kill()


def _start() -> tuple[Any, Connection]:
    spawn = multiprocessing.get_context("spawn")
    ours, theirs = spawn.Pipe()
    process = spawn.Process(target=_serve, args=(theirs,), daemon=True)
    process.start()
    theirs.close()
    return process, ours


def _serve(line: Connection) -> None:
    """Measure each file that is named; warnings are failures."""
    from skyplumb.measure.shot import measure_shot

    silence = os.open(os.devnull, os.O_WRONLY)
    os.dup2(silence, 2)
    resource.setrlimit(resource.RLIMIT_AS, (SPACE_LIMIT_BYTES, SPACE_LIMIT_BYTES))
    warnings.simplefilter("error")
    while True:
        path = Path(line.recv())
        _forget_peak()
        signal.setitimer(signal.ITIMER_PROF, CPU_LIMIT_S)
        begun = time.process_time()
        kind = note = failure = ""
        try:
            measure = measure_shot(path.parent, PurePosixPath(path.name))
            kind, note = measure.kind, measure.note
            if kind == "unreadable" and not (
                note.startswith(f"{path.name}: ") and "; " in note and note.isprintable()
            ):
                failure = f"its row does not name file and mend: {note!r}"
        except BaseException as error:
            failure = f"{type(error).__name__}: {error} ({_where(error)})"
        line.send((kind, note, failure[:300], time.process_time() - begun, _peak_bytes()))


def _where(error: BaseException) -> str:
    """The line of ours that is nearest to where it was raised."""
    place, trace = "", error.__traceback__
    while trace is not None:
        name = trace.tb_frame.f_code.co_filename
        if "skyplumb" in name:
            place = f"{Path(name).name}:{trace.tb_lineno}"
        trace = trace.tb_next
    return place


def _forget_peak() -> None:
    """Start anew with the highest memory taken; Linux only, elsewhere it only grows."""
    with contextlib.suppress(OSError):
        Path("/proc/self/clear_refs").write_text("5")


def _peak_bytes() -> int:
    with contextlib.suppress(OSError):
        for entry in Path("/proc/self/status").read_text().splitlines():
            if entry.startswith("VmHWM:"):
                return int(entry.split()[1]) * 1024
    unit = 1 if sys.platform == "darwin" else 1024
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * unit
