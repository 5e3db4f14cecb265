"""Workers on many machines, by Dask's own scheduler: the same tasks, the same results.

A worker of the cluster hands each item to a process of its own with its limits, as a local audit
does, so that a damaged file costs its row there too. What was in hand on a machine that is lost,
Dask gives to another one. Needs the extra `skyplumb[cluster]` on every machine.

Set `DASK_DISTRIBUTED__WORKER__DAEMON=False` (or `--no-nanny`) where workers are started: else Dask
forbids them processes of their own, and a damaged file takes the worker with it until Dask has
started it anew. Files are read where the workers see the card under the same path, or sent along.
Workers of other code or libraries are refused. The store and the judging stay on the machine that
was called.
"""

from __future__ import annotations

import contextlib
import hashlib
import logging
import multiprocessing
import os
import platform
import threading
import warnings
from collections.abc import Callable
from concurrent.futures import Future
from functools import cache
from pathlib import Path
from typing import Any, TypeVar

from skyplumb import __version__
from skyplumb.errors import UserError
from skyplumb.keys import versions
from skyplumb.measure.store import DECODERS, MEASURE_VERSION
from skyplumb.measure.workers import Here, LocalWorkers, Lost, LostError, WorkLimits

T = TypeVar("T")
R = TypeVar("R")

LOCAL = "local"
"""Instead of an address: a cluster is started on this machine."""
CONNECT_S = 20.0
"""So long a scheduler, and then a first worker, is waited for."""
SILENT_S = 30.0
"""After so long without a sign of life a worker's frames go elsewhere; it is heard every second or
few otherwise (Dask's heartbeats)."""
_LOGGERS = ("distributed.client", "distributed.core", "distributed.comm.tcp")
_LIBRARIES = (*DECODERS, "numpy", "scipy")
"""Those whose version may change a digit of a measure."""


class ClusterWorkers:
    """Workers of a Dask cluster.

    Parameters
    ----------
    address : str
        Such as tcp://host:8786, or `local` for workers started here.
    jobs : int
        How many are started here.

    Raises
    ------
    UserError
        If the extra is not installed, no scheduler answers, there is no worker, or one is of
        another version than this program.
    """

    def __init__(self, address: str, jobs: int) -> None:
        try:
            import dask
            import distributed
        except ImportError:
            raise UserError(
                "--cluster: Dask is not installed; pip install 'skyplumb[cluster]'"
            ) from None
        dask_cluster: Any = distributed
        self._address = address
        self._left = threading.Event()
        self._count = 1
        # It logs tracebacks of every scheduler that goes; our line says it.
        self._levels = {name: logging.getLogger(name).level for name in _LOGGERS}
        for name in _LOGGERS:
            logging.getLogger(name).setLevel(logging.CRITICAL + 1)
        self._cluster: Any = None
        self._client: Any = None
        # So that a worker may start processes of its own.
        dask.config.set({"distributed.worker.daemon": False})
        if address == LOCAL:
            # Within this process: a port, even of this machine alone, would run the code of any
            # user's process that finds it. The items run in processes of their own all the same.
            scheduler = type("Scheduler", (_Unheard, dask_cluster.Scheduler), {})
            hand = type("Worker", (_Unheard, dask_cluster.Worker), {})
            options: dict[str, Any] = {"protocol": "inproc://", "dashboard": False}
            self._cluster = dask_cluster.SpecCluster(
                scheduler={"cls": scheduler, "options": options},
                workers={
                    n: {"cls": hand, "options": options | {"nthreads": 1}} for n in range(jobs)
                },
            )
        try:
            self._client = dask_cluster.Client(
                self._cluster or address, timeout=CONNECT_S, set_as_default=False
            )
        except (OSError, TimeoutError, ValueError) as error:
            raise UserError(
                f"--cluster {address}: no scheduler answers ({' '.join(str(error).split())}); "
                "start one with `dask scheduler`"
            ) from None
        try:
            self._client.wait_for_workers(1, timeout=CONNECT_S)
            self._refuse_others()
            threading.Thread(target=self._watch, daemon=True).start()
        except TimeoutError:
            self.stop()
            raise UserError(
                f"--cluster {address}: has no worker; start some with `dask worker {address}`"
            ) from None
        except BaseException:
            self.stop()
            raise

    @property
    def count(self) -> int:
        """How many work at a time, by now: workers may come and go."""
        # One that is gone is told by the tasks themselves.
        with contextlib.suppress(OSError, TimeoutError):
            self._count = max(1, int(sum(self._client.nthreads().values())))
        return self._count

    def submit(self, task: Callable[[T], R], item: T, limits: WorkLimits, /) -> Future[R]:
        """Start a task; its future raises what the task raised, or that it was lost."""
        answer: Future[R] = Future()
        with warnings.catch_warnings():
            warnings.filterwarnings("ignore", "Sending large graph")  # a file is as large as it is
            there = self._client.submit(_done_there, about(), task, item, limits, pure=False)
        there.add_done_callback(lambda done: self._tell(done, answer))
        # Dask forgets what nobody holds.
        answer.there = there  # type: ignore[attr-defined]
        return answer

    def stop(self) -> None:
        """Leave the cluster; one that was started here ends."""
        self._left.set()
        if self._cluster is not None:
            while _started_here:
                _started_here.pop().stop()
        self._client.close(timeout=5)
        if self._cluster is not None:
            self._cluster.close(timeout=10)
        for name, level in self._levels.items():
            logging.getLogger(name).setLevel(level)

    def _watch(self) -> None:
        """Give the work of a worker that is silent, stopped or frozen, to the others.

        One that died Dask sees itself; one that only stands still it would wait for, for minutes.
        By the scheduler's own clock: silent is who was heard so much before the last one.
        """
        while not self._left.wait(SILENT_S / 5):
            try:
                told = self._client.sync(self._client.scheduler.identity)["workers"]
                heard = {worker: float(one["last_seen"]) for worker, one in told.items()}
                for worker in heard:
                    if max(heard.values()) - heard[worker] > SILENT_S:
                        self._client.sync(
                            self._client.scheduler.unregister,
                            address=worker,
                            stimulus_id=f"silent-{heard[worker]}",
                        )
            except Exception:
                # Of whatever kind: a scheduler that is gone is told by the tasks themselves.
                continue

    def _tell(self, there: Any, answer: Future[Any]) -> None:
        """Pass on what came of a task."""
        del answer.there  # type: ignore[attr-defined]
        if there.status == "finished":
            told = there.result()
            if isinstance(told, Lost):
                answer.set_exception(LostError(told))
            elif isinstance(told, UserError):
                answer.set_exception(told)
            else:
                answer.set_result(told[0])
        elif there.status == "error":
            error = there.exception()
            if type(error).__name__ == "KilledWorker":
                answer.set_exception(LostError(Lost("crashed", "every worker that tried it ended")))
            else:
                words = " ".join(f"{type(error).__name__}: {error}".split())
                answer.set_exception(UserError(f"--cluster {self._address}: {words}"))
        else:
            answer.set_exception(
                UserError(
                    f"--cluster {self._address}: the scheduler is gone; start it again, then "
                    "the same command: an audit goes on from here"
                )
            )

    def _refuse_others(self) -> None:
        """Workers that would measure otherwise."""
        mine = about()
        for worker, theirs in self._client.run(about, on_error="return").items():
            if isinstance(theirs, BaseException):
                raise UserError(
                    f"--cluster {self._address}: worker {worker} cannot run skyplumb "
                    f"({' '.join(str(theirs).split())}); install skyplumb[cluster] {__version__} "
                    "there"
                )
            if theirs != mine:
                raise UserError(_other_version(worker, theirs, mine))


class _Unheard:
    """A part of Dask's that opens no port, not even for its pages."""

    def start_http_server(self, *_: Any, **__: Any) -> None:
        """There is none."""


@cache
def about() -> str:
    """What a result depends on besides the files: versions, and this program's own code."""
    package = Path(__file__).parents[1]
    digest = hashlib.blake2b(digest_size=6)
    for path in sorted(package.rglob("*.py")):
        digest.update(path.relative_to(package).as_posix().encode() + path.read_bytes())
    libraries = ", ".join(f"{name} {which}" for name, which in versions(_LIBRARIES).items())
    return (
        f"skyplumb {__version__} ({MEASURE_VERSION}, code {digest.hexdigest()}), "
        f"Python {platform.python_version()}, {libraries}"
    )


def _other_version(worker: str, theirs: str, mine: str) -> str:
    ours, others = (set(text.split(", ")) for text in (mine, theirs))
    return (
        f"worker {worker} has {', '.join(sorted(others - ours))} where this machine has "
        f"{', '.join(sorted(ours - others))}; install the same on both"
    )


_hands = threading.local()
_started_here: list[LocalWorkers] = []
"""Of this process; ended with a cluster that lives within it."""


def _done_there(wanted: str, task: Callable[[Any], Any], item: Any, limits: WorkLimits) -> Any:
    """On a worker: the result in a tuple of one, a `Lost` or a `UserError`."""
    if about() != wanted:
        return UserError(_other_version(f"{platform.node()}:{os.getpid()}", about(), wanted))
    if not hasattr(_hands, "mine"):
        # Dask may have started this worker so that it can start no process: then it is its own.
        alone = multiprocessing.current_process().daemon
        _hands.mine = Here() if alone else LocalWorkers(1)
        if not alone:
            _started_here.append(_hands.mine)
    try:
        return (_hands.mine.submit(task, item, limits).result(),)
    except LostError as error:
        return error.lost
    except UserError as error:
        return error
