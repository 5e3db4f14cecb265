"""The same task on many items, on all cores, whatever one of the items does to its worker.

A damaged file can bring down the library that decodes it, and the process with it, or keep it
busy for hours, or fill the memory. Items are therefore worked on in processes of their own, each
with a limit of time and memory; a process that dies or is over its limit costs its own item and
nothing else.
"""

from __future__ import annotations

import contextlib
import errno
import math
import multiprocessing
import os
import queue
import signal
import sys
import threading
import traceback
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, wait
from dataclasses import dataclass
from itertools import islice
from multiprocessing import resource_tracker
from multiprocessing.connection import Connection
from multiprocessing.process import BaseProcess
from pathlib import Path
from types import ModuleType
from typing import Any, Protocol, TypeVar

from skyplumb._log import LOG, traced
from skyplumb.errors import UserError
from skyplumb.measure.caps import cap_cpu, cap_memory, leave_no_core, over_its_time

T = TypeVar("T")
R = TypeVar("R")

_IN_HAND_PER_WORKER = 2
"""One being worked on and one waiting, so that no worker idles and no results pile up."""

_STRETCH_S = 1.0
_END_S = 10.0
"""A process whose line has ended is as good as gone."""
_TRIES = 2
"""A process may die of what another one did, such as using up the memory; not twice in a row."""

_THREAD_LIMITS = (
    "OMP_NUM_THREADS",
    "OPENBLAS_NUM_THREADS",
    "MKL_NUM_THREADS",
    "NUMEXPR_NUM_THREADS",
    "VECLIB_MAXIMUM_THREADS",
)
"""Cores are shared out by item; libraries that start threads as well would get in the way."""

_environment = threading.RLock()


@dataclass(frozen=True, slots=True)
class WorkLimits:
    """What one item may take."""

    cpu_s: float = math.inf
    """Processor time, which a stopped, frozen or busy machine does not use up. Held where the
    system counts it; elsewhere `wall_s` alone is."""
    wall_s: float = math.inf
    """By the clock, while this process runs too: far beyond `cpu_s`, for what truly hangs."""
    memory_bytes: int = 0
    """Private memory of the worker's process, all in all; 0 for no limit."""


@dataclass(frozen=True, slots=True)
class Lost:
    """What came of an item that has no result."""

    how: str
    """`crashed`, `slow`, `hung` (no answer, which another time may come), `memory`, or `fault` for
    an exception nobody foresaw."""
    words: str
    """What happened; for a fault the exception and where it was raised."""
    trace: str = ""
    """Of a fault the whole traceback, for the log."""


class LostError(Exception):
    """A `Lost` on its way through a future."""

    def __init__(self, lost: Lost) -> None:
        super().__init__(lost.how, lost.words)
        self.lost = lost


class Workers(Protocol):
    """Where tasks run: processes of this machine, or those of a cluster."""

    @property
    def count(self) -> int:
        """How many work at a time."""

    def submit(self, task: Callable[[T], R], item: T, limits: WorkLimits, /) -> Future[R]:
        """Start a task; its future raises what the task raised, or that it was lost."""

    def stop(self) -> None:
        """End the workers now, whatever they are doing."""


def cores() -> int:
    """Cores this process may use, on any system."""
    allowed = getattr(os, "sched_getaffinity", None)
    return len(allowed(0)) if allowed else os.cpu_count() or 1


def run_all(
    task: Callable[[T], R],
    items: Sequence[T],
    workers: Workers,
    limits: Callable[[T], WorkLimits] = lambda _: WorkLimits(),
) -> Iterator[tuple[int, R | Lost]]:
    """Do a task for every item and yield the results as they come.

    Parameters
    ----------
    task : callable
        Of module level, so that another process can find it.
    items : sequence
        Only a few are in hand at any time, however long it is.
    workers : Workers
        Left running.
    limits : callable
        What an item may take.

    Yields
    ------
    tuple of int and result
        Place in `items`, in the order of completion; `Lost` where there is no result.

    Raises
    ------
    UserError
        If the task raises one, or no worker can be started at all.
    """
    left = iter(range(len(items)))
    in_hand: dict[Future[R], int] = {}
    while True:
        room = _IN_HAND_PER_WORKER * workers.count - len(in_hand)
        for index in islice(left, max(room, 0)):  # workers may have gone
            in_hand[workers.submit(task, items[index], limits(items[index]))] = index
        if not in_hand:
            return
        for future in wait(in_hand, return_when=FIRST_COMPLETED).done:
            yield in_hand.pop(future), _result(future)


def _result(future: Future[Any]) -> Any:
    """What a future holds."""
    try:
        return future.result()
    except LostError as error:
        if error.lost.trace:
            LOG.error("a worker met a fault\n%s", error.lost.trace)
        return error.lost


class LocalWorkers:
    """Processes of this machine.

    Started afresh (spawn), not forked: safe whatever threads the caller runs, and the same on
    every system. One process even for one job, since a crash must not reach the caller. Each is
    started when it is first needed, and looked after by a thread of its own.
    """

    def __init__(self, jobs: int) -> None:
        if jobs < 1:
            raise UserError(f"--jobs {jobs}: should be 1 or more")
        self.count = jobs
        self._todo: queue.SimpleQueue[_Job | None] = queue.SimpleQueue()
        self._hands = [_Hand() for _ in range(jobs)]
        self._threads: list[threading.Thread] = []
        self._waiting = 0

    def submit(self, task: Callable[[T], R], item: T, limits: WorkLimits, /) -> Future[R]:
        """Start a task; a process more is started here if all are busy."""
        job = _Job(Future(), task, item, limits)
        self._todo.put(job)
        if len(self._threads) < self.count:
            hand = self._hands[len(self._threads)]
            thread = threading.Thread(target=self._serve, args=(hand,), daemon=True)
            self._threads.append(thread)
            thread.start()
        return job.future

    def stop(self) -> None:
        """Kill what still runs; a task half done is lost, and done again another time."""
        for hand in self._hands:
            hand.stop()
        for _ in self._threads:
            self._todo.put(None)
        for thread in self._threads:
            thread.join()

    def _serve(self, hand: _Hand) -> None:
        """One process's work, item after item."""
        while (job := self._todo.get()) is not None:
            if hand.stopped or not job.future.set_running_or_notify_cancel():
                continue
            try:
                job.future.set_result(hand.do(job.task, job.item, job.limits))
            except BaseException as error:
                job.future.set_exception(error)
        hand.stop()


class Here:
    """This very process: for tasks that cannot crash and are not worth a process of their own."""

    count = 1

    def submit(self, task: Callable[[T], R], item: T, limits: WorkLimits, /) -> Future[R]:
        """Do the task; no limit holds."""
        future: Future[R] = Future()
        answer = _answer(task, item, 0)
        if isinstance(answer, tuple):
            future.set_result(answer[0])
        else:
            future.set_exception(LostError(answer) if isinstance(answer, Lost) else answer)
        return future

    def stop(self) -> None:
        """Nothing is running."""


@dataclass(frozen=True, slots=True)
class _Job:
    """One item waiting for a process."""

    future: Future[Any]
    task: Callable[[Any], Any]
    item: Any
    limits: WorkLimits


class _Hand:
    """One process and the line to it; a process that ends is replaced by the next item."""

    def __init__(self) -> None:
        self.stopped = False
        self._lock = threading.Lock()
        self._process: BaseProcess | None = None
        self._line: Connection | None = None

    def do(self, task: Callable[[Any], Any], item: Any, limits: WorkLimits) -> Any:
        """The task's result.

        Raises
        ------
        LostError
            If there is none.
        Exception
            A `UserError` that the task raised.
        """
        for _ in range(_TRIES):
            line = self._line or self._start()
            try:
                line.send((task, item, limits))
                if not _answers(line, limits.wall_s):
                    self.stop(for_good=False)
                    words = f"no answer for {limits.wall_s:.0f} s by the clock"
                    raise LostError(Lost("hung", words))
                answer = line.recv()
            except (EOFError, OSError):
                if over_its_time(self._exit_code()):
                    self.stop(for_good=False)
                    words = f"not done after {limits.cpu_s:.0f} s of processor time"
                    raise LostError(Lost("slow", words)) from None
                self.stop(for_good=False)
                if self.stopped:
                    raise LostError(Lost("crashed", "stopped")) from None
                continue
            if isinstance(answer, UserError):
                raise answer
            if isinstance(answer, Lost):
                if answer.how == "memory":
                    self.stop(for_good=False)  # what it could not free goes with it
                raise LostError(answer)
            return answer[0]
        raise LostError(Lost("crashed", "its process ended, twice"))

    def stop(self, for_good: bool = True) -> None:
        """Kill the process."""
        with self._lock:
            self.stopped |= for_good
            process, self._process = self._process, None
            line, self._line = self._line, None
        if process is not None:
            process.kill()
            process.join()
        if line is not None and not for_good:
            line.close()

    def _exit_code(self) -> int | None:
        """How the process ended."""
        with self._lock:
            process = self._process
        if process is None:
            return None
        process.join(_END_S)
        return process.exitcode

    def _start(self) -> Any:
        """The line to a fresh process that has answered once."""
        context = multiprocessing.get_context("spawn")
        try:
            # Of another class on Windows, with the same calls.
            pipe: Any = context.Pipe()
        except OSError as error:
            raise _no_worker(error) from None
        ours, theirs = pipe
        with _interrupt_blocked(), self._lock:
            if self.stopped:
                raise LostError(Lost("crashed", "stopped"))
            process = context.Process(target=_work, args=(theirs,), daemon=True)
            try:
                with _one_thread_a_library(), _no_main_module():
                    process.start()
            except OSError as error:
                ours.close()
                raise _no_worker(error) from None
            finally:
                theirs.close()
            self._process, self._line = process, ours
        try:
            ours.recv()
        except (EOFError, OSError):
            self.stop(for_good=False)
            raise UserError(
                "worker processes end as soon as they start; look whether memory is short, "
                "then start again: it goes on from here"
            ) from None
        return ours


def _no_worker(error: OSError) -> UserError:
    """What keeps the system from starting a process, with the mend."""
    why = (error.strerror or str(error)).lower()
    mend = "use fewer --jobs, or end other programs"
    if error.errno in (errno.EMFILE, errno.ENFILE):
        mend = "allow more open files (`ulimit -n 1024`)"
    return UserError(f"no worker can be started ({why}); {mend}, then start again")


@contextlib.contextmanager
def _one_thread_a_library() -> Iterator[None]:
    """What a process started inside inherits."""
    with _environment:
        before = {name: os.environ.get(name) for name in _THREAD_LIMITS}
        os.environ.update(dict.fromkeys(_THREAD_LIMITS, "1"))
        try:
            yield
        finally:
            for name, value in before.items():
                if value is None:
                    del os.environ[name]
                else:
                    os.environ[name] = value


@contextlib.contextmanager
def _no_main_module() -> Iterator[None]:
    """A process started inside does not run the caller's script again.

    Spawned processes import the main module, so a script or notebook that calls us without a
    guard `if __name__ == "__main__"` would start the same work in each of them. Our tasks live in
    modules of their own and need none of it.
    """
    with _environment:
        main = sys.modules["__main__"]
        sys.modules["__main__"] = ModuleType("__main__")
        try:
            yield
        finally:
            sys.modules["__main__"] = main


@contextlib.contextmanager
def _interrupt_blocked() -> Iterator[None]:
    """A process started inside hears no Ctrl-C, nor does this thread.

    Ctrl-C goes to every process of a terminal; the caller alone should hear it and stop the
    others. Where the system cannot block it, `_start_worker` covers the rest.
    """
    if sys.platform == "win32":
        yield
        return
    # The first process started brings this helper with it, which would unblock the signal.
    resource_tracker.ensure_running()
    mask = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, mask)


def _work(line: Connection) -> None:
    """A worker's life."""
    _start_worker()
    line.send("ready")
    while True:
        try:
            task, item, limits = line.recv()
        except (EOFError, OSError):
            return
        except Exception as error:  # such as a module that is not found here
            line.send(Lost("fault", in_words(error), traced(error)))
            continue
        cap_cpu(limits.cpu_s)
        answer = _answer(task, item, limits.memory_bytes)
        cap_cpu(math.inf)
        line.send(answer)


def _answer(task: Callable[[Any], Any], item: Any, memory_bytes: int) -> Any:
    """A result in a tuple of one, a `Lost`, or a `UserError`."""
    try:
        cap_memory(memory_bytes)
        return (task(item),)
    except UserError as error:
        return error
    except MemoryError:
        return Lost("memory", f"needs more than {memory_bytes / 1e9:g} GB of memory")
    except Exception as error:  # nobody foresaw it: the caller says so and goes on
        return Lost("fault", in_words(error), traced(error))
    finally:
        cap_memory(0)


def in_words(error: BaseException) -> str:
    """An exception in a line, with the innermost place in our own code."""
    frames = traceback.extract_tb(error.__traceback__)
    ours = [f for f in frames if "skyplumb" in f.filename and f.filename != __file__]
    at = f" ({Path(ours[-1].filename).name}:{ours[-1].lineno})" if ours else ""
    return " ".join(f"{type(error).__name__}: {error}{at}".split())


def _answers(line: Connection, wall_s: float) -> bool:
    """Whether an answer comes in time.

    What goes by while this process itself is stopped (Ctrl-Z, a machine put to sleep) is not the
    item's: of each stretch of waiting only as much counts as it was to last.
    """
    if math.isinf(wall_s):
        return line.poll(None)
    left = wall_s
    while left > 0.0:
        stretch = min(left, _STRETCH_S)
        if line.poll(stretch):
            return True
        left -= stretch
    return False


def _start_worker() -> None:
    """First thing in a worker."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    leave_no_core()
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
