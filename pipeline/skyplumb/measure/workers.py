"""The same task on many files, on all cores, whatever one of the files does to its worker.

A damaged file can bring down the library that decodes it, and the process with it. Files are
therefore worked on in processes of their own; when one dies, the files that were in hand are
tried again one by one, and only the one that kills its process again is given up.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import signal
import sys
import threading
from collections.abc import Callable, Generator, Iterator, Sequence
from concurrent.futures import (
    FIRST_COMPLETED,
    BrokenExecutor,
    Future,
    ProcessPoolExecutor,
    wait,
)
from itertools import islice
from multiprocessing.process import BaseProcess
from typing import Protocol, TypeVar

from skyplumb.records import UserError

T = TypeVar("T")
R = TypeVar("R")

_IN_HAND_PER_WORKER = 2
"""One being worked on and one waiting, so that no worker idles and no results pile up."""

_THREAD_LIMITS = (
    "OMP_NUM_THREADS",
    "OPENBLAS_NUM_THREADS",
    "MKL_NUM_THREADS",
    "NUMEXPR_NUM_THREADS",
    "VECLIB_MAXIMUM_THREADS",
)
"""Cores are shared out by file; libraries that start threads as well would get in the way."""


class Workers(Protocol):
    """Where tasks run: processes of this machine, or later those of a cluster."""

    def submit(self, task: Callable[[T], R], item: T, /) -> Future[R]:
        """Start a task; this or its future raises `BrokenExecutor` if a worker died."""

    def stop(self) -> None:
        """End the workers now, whatever they are doing."""


class LocalWorkers:
    """Processes of this machine.

    Started afresh (spawn), not forked: safe whatever threads the caller runs, and the same on
    every system. One process even for one job, since a crash must not reach the caller.
    """

    def __init__(self, jobs: int) -> None:
        self._pool = ProcessPoolExecutor(
            jobs, mp_context=multiprocessing.get_context("spawn"), initializer=_start_worker
        )
        self._processes: set[BaseProcess] = set()

    def submit(self, task: Callable[[T], R], item: T, /) -> Future[R]:
        """Start a task; the pool starts processes here, as it needs them."""
        before = set(multiprocessing.active_children())
        with _surroundings_of_a_worker():
            future = self._pool.submit(task, item)
        self._processes |= set(multiprocessing.active_children()) - before
        return future

    def stop(self) -> None:
        """Kill what still runs; a task half done is lost, and done again another time."""
        for process in self._processes:
            process.kill()
        self._pool.shutdown(wait=True, cancel_futures=True)


def run_all(
    task: Callable[[T], R],
    items: Sequence[T],
    jobs: int,
    on_crash: Callable[[T], R],
    workers: Callable[[int], Workers] = LocalWorkers,
) -> Iterator[tuple[int, R]]:
    """Do a task for every item and yield the results as they come.

    Parameters
    ----------
    task : callable
        Of module level, so that another process can find it. What it raises is raised here.
    items : sequence
        Only a few are in hand at any time, however long it is.
    jobs : int
        Worker processes, 1 or more.
    on_crash : callable
        Gives, in this process, the result for an item that kills its worker also when alone.
    workers : callable
        Makes the workers, given how many.

    Yields
    ------
    tuple of int and result
        Place in `items`, in the order of completion.

    Raises
    ------
    UserError
        If no worker can be started at all.
    """
    if jobs < 1:
        raise UserError(f"--jobs {jobs}: should be 1 or more")
    left = iter(range(len(items)))
    while suspects := (yield from _until_crash(task, items, left, min(jobs, len(items)), workers)):
        yield from _one_by_one(task, items, suspects, on_crash, workers)


def _until_crash(
    task: Callable[[T], R],
    items: Sequence[T],
    left: Iterator[int],
    jobs: int,
    workers: Callable[[int], Workers],
) -> Generator[tuple[int, R], None, list[int]]:
    """Work until nothing is left or a worker died; returns what was in hand then."""
    hands = workers(max(1, jobs))
    in_hand: dict[Future[R], int] = {}
    suspects: list[int] = []
    try:
        while not suspects:
            for index in islice(left, _IN_HAND_PER_WORKER * jobs - len(in_hand)):
                try:
                    in_hand[hands.submit(task, items[index])] = index
                except BrokenExecutor:
                    suspects.append(index)
            if not in_hand:
                break
            for future in wait(in_hand, return_when=FIRST_COMPLETED).done:
                index = in_hand.pop(future)
                try:
                    result = future.result()
                except BrokenExecutor:
                    suspects.append(index)
                else:
                    yield index, result
        return sorted([*suspects, *in_hand.values()])
    finally:
        hands.stop()


def _one_by_one(
    task: Callable[[T], R],
    items: Sequence[T],
    suspects: Sequence[int],
    on_crash: Callable[[T], R],
    workers: Callable[[int], Workers],
) -> Iterator[tuple[int, R]]:
    """Each alone with a worker that has answered before, so that a death has one cause."""
    hands = _proved(workers(1))
    try:
        for index in suspects:
            try:
                result = hands.submit(task, items[index]).result()
            except BrokenExecutor:
                hands.stop()
                hands = _proved(workers(1))
                result = on_crash(items[index])
            yield index, result
    finally:
        hands.stop()


def _proved(hands: Workers) -> Workers:
    """The same workers, after one of them has answered."""
    try:
        hands.submit(abs, 0).result()
    except BrokenExecutor:
        hands.stop()
        raise UserError(
            "worker processes end as soon as they start; look whether memory is short, "
            "then start again: it goes on from here"
        ) from None
    return hands


@contextlib.contextmanager
def _surroundings_of_a_worker() -> Iterator[None]:
    """What a process started inside inherits: one thread per library, and no Ctrl-C.

    Ctrl-C goes to every process of a terminal; the caller alone should hear it and stop the
    others. Blocked here, it is not lost: it arrives when the block ends.
    """
    before = {name: os.environ.get(name) for name in _THREAD_LIMITS}
    os.environ.update(dict.fromkeys(_THREAD_LIMITS, "1"))
    try:
        with _interrupt_blocked():
            yield
    finally:
        for name, value in before.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value


@contextlib.contextmanager
def _interrupt_blocked() -> Iterator[None]:
    """Where the system can do it; `_start_worker` covers the rest."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    mask = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, mask)


def _start_worker() -> None:
    """First thing in a worker."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, daemon=True).start()
    # Decoders complain of a damaged file on stderr, in words of their own and between the lines
    # of the progress bar; the file's row says it better. Python's own messages still come out.
    sys.stderr = os.fdopen(os.dup(2), "w", buffering=1)
    silence = os.open(os.devnull, os.O_WRONLY)
    os.dup2(silence, 2)
    os.close(silence)


def _end_with_parent() -> None:
    """A worker whose caller was killed would wait for work for ever."""
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)
