"""Workers: every item once, a crash costs one, nothing is left behind."""

from __future__ import annotations

import contextlib
import importlib
import multiprocessing
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType

import pytest

from skyplumb.errors import UserError
from skyplumb.measure.workers import LocalWorkers, Lost, WorkLimits, cores, run_all

TASKS = """
import os, signal, sys, time

def square(n):
    return n * n

def square_or_die(n):
    if n < 0:
        os.kill(os.getpid(), signal.SIGSEGV)
    return n * n

def fail(n):
    raise LookupError(f"no such thing as {n}")

def surroundings(name):
    return os.environ.get(name, "")

def chatter(text):
    os.write(2, b"library chatter")
    print(text, file=sys.stderr)
    return text

def sleep(seconds):
    time.sleep(seconds)
    return seconds

def work(seconds):
    until = time.process_time() + seconds
    while time.process_time() < until:
        sum(range(20_000_000))  # one call of C, which keeps the lock
    return seconds

def work_and_tell(seconds):
    print(os.getpid(), flush=True)
    return work(seconds)

def fill(megabytes):
    return len(bytearray(megabytes * 1_000_000))

def die_once(path):
    if not os.path.exists(path):
        open(path, "w").close()
        os.kill(os.getpid(), signal.SIGKILL)
    return "done"

def refuse(n):
    from skyplumb.errors import UserError
    raise UserError(f"{n}: the disk is full")

def sleep_and_tell(folder):
    with open(os.path.join(folder, str(os.getpid())), "w"):
        pass
    time.sleep(60)
"""

CALLER = """
import sys
from skyplumb.measure.workers import LocalWorkers, run_all
import invented_tasks

if __name__ == "__main__":
    hands = LocalWorkers(2)
    try:
        for _ in run_all(invented_tasks.sleep_and_tell, [sys.argv[1]] * 4, hands):
            pass
    except KeyboardInterrupt:
        hands.stop()
        print("stopped")
"""

STOPPED = """
from skyplumb.measure.workers import LocalWorkers, Lost, WorkLimits, run_all
import invented_tasks

if __name__ == "__main__":
    hands = LocalWorkers(1)
    limits = WorkLimits(cpu_s=30.0, wall_s=8.0)
    got = list(run_all(invented_tasks.work_and_tell, [0.5], hands, lambda _: limits))
    hands.stop()
    print(got[0][1].how if isinstance(got[0][1], Lost) else got)
"""

SLOW_START = """
import os, sys, time
if any("spawn_main" in word for word in sys.orig_argv):  # a worker that is still starting
    open(os.path.join({seen!r}, str(os.getpid())), "w").close()
    time.sleep(60)
"""
"""As sitecustomize, which Python runs before anything else."""

UNGUARDED = """
import math
from skyplumb.measure.workers import LocalWorkers, run_all
print("the script runs")
workers = LocalWorkers(2)
print(sorted(run_all(math.sqrt, [4.0, 9.0], workers)))
workers.stop()
"""

PROMPT_S = 10.0
"""Ending takes well under a second; the rest is for a machine that is busy with other things."""


@pytest.fixture
def tasks(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[ModuleType]:
    """A module that the worker processes can import too."""
    (tmp_path / "invented_tasks.py").write_text(TASKS)
    monkeypatch.syspath_prepend(tmp_path)
    sys.modules.pop("invented_tasks", None)
    yield importlib.import_module("invented_tasks")
    sys.modules.pop("invented_tasks", None)


@pytest.fixture(params=[1, 2])
def hands(request: pytest.FixtureRequest) -> Iterator[LocalWorkers]:
    workers = LocalWorkers(request.param)
    yield workers
    workers.stop()


@pytest.fixture
def two() -> Iterator[LocalWorkers]:
    workers = LocalWorkers(2)
    yield workers
    workers.stop()


def test_every_item_comes_back_once_with_its_place(tasks: ModuleType, hands: LocalWorkers) -> None:
    items = [3, 1, 4, 1, 5, 9, 2, 6]
    got = list(run_all(tasks.square, items, hands))
    assert sorted(got) == [(n, item * item) for n, item in enumerate(items)]


@pytest.mark.broad
def test_a_worker_that_dies_costs_exactly_its_item(tasks: ModuleType, hands: LocalWorkers) -> None:
    items = [1, 2, -3, 4, 5, 6, -7, 8, 9, 10]
    got = dict(run_all(tasks.square_or_die, items, hands))
    assert {n: r for n, r in got.items() if not isinstance(r, Lost)} == {
        n: item * item for n, item in enumerate(items) if item > 0
    }
    assert {n: r.how for n, r in got.items() if isinstance(r, Lost)} == {2: "crashed", 6: "crashed"}


def test_a_worker_that_dies_of_something_else_is_tried_again(
    tasks: ModuleType, two: LocalWorkers, tmp_path: Path
) -> None:
    assert list(run_all(tasks.die_once, [str(tmp_path / "seen")], two)) == [(0, "done")]


def test_what_a_task_raises_costs_its_item_and_says_what_it_was(
    tasks: ModuleType, two: LocalWorkers
) -> None:
    lost = dict(run_all(tasks.fail, [7, 8], two))[0]
    assert isinstance(lost, Lost)
    assert (lost.how, lost.words) == ("fault", "LookupError: no such thing as 7")
    assert "in fail" in lost.trace


def test_what_the_user_can_mend_ends_it(tasks: ModuleType, two: LocalWorkers) -> None:
    with pytest.raises(UserError, match="7: the disk is full"):
        list(run_all(tasks.refuse, [7], two))


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="the limit is POSIX's")
def test_an_item_over_its_processor_time_costs_itself_alone(
    tasks: ModuleType, two: LocalWorkers
) -> None:
    """The second one holds Python's lock, so that no thread of the worker could count for it."""
    got = dict(run_all(tasks.work, [0.0, 60.0, 0.01, 0.0], two, lambda _: WorkLimits(cpu_s=1.0)))
    assert got.pop(1) == Lost("slow", "not done after 1 s of processor time")
    assert got == {0: 0.0, 2: 0.01, 3: 0.0}
    # And the next item, which has no limit, is not bound by what the last ones used.
    assert list(run_all(tasks.work, [3.0], two)) == [(0, 3.0)]


def test_an_item_that_waits_uses_no_processor_time(tasks: ModuleType, two: LocalWorkers) -> None:
    got = list(run_all(tasks.sleep, [2.5], two, lambda _: WorkLimits(cpu_s=1.0)))
    assert got == [(0, 2.5)]


def test_what_hangs_ends_by_the_clock_and_says_so(tasks: ModuleType, two: LocalWorkers) -> None:
    items = [0.0, 60.0, 0.01, 0.02, 0.0]
    began = time.monotonic()
    got = dict(run_all(tasks.sleep, items, two, lambda s: WorkLimits(wall_s=1.0 if s > 1 else 50)))
    assert time.monotonic() - began < 30  # half of what it would sleep
    assert got.pop(1) == Lost("hung", "no answer for 1 s by the clock")
    assert got == {0: 0.0, 2: 0.01, 3: 0.02, 4: 0.0}


@pytest.mark.broad
@pytest.mark.skipif(not hasattr(os, "killpg"), reason="process groups are a POSIX thing")
@pytest.mark.parametrize("who", ["all", "worker"])
def test_stopped_for_longer_than_its_limits_and_gone_on_nothing_is_lost(
    tmp_path: Path, who: str
) -> None:
    """Ctrl-Z stops a program with its workers; a machine may let a worker alone wait."""
    (tmp_path / "invented_tasks.py").write_text(TASKS)
    (tmp_path / "caller.py").write_text(STOPPED)
    caller = subprocess.Popen(
        [sys.executable, str(tmp_path / "caller.py")],
        env=_environment(tmp_path), stdout=subprocess.PIPE, text=True, start_new_session=True,
    )  # fmt: skip
    assert caller.stdout is not None
    worker = int(caller.stdout.readline())

    def send(number: signal.Signals) -> None:
        os.killpg(caller.pid, number) if who == "all" else os.kill(worker, number)

    send(signal.SIGSTOP)
    time.sleep(9.0)
    with contextlib.suppress(ProcessLookupError):  # it hung, and was ended
        send(signal.SIGCONT)
    told, _ = caller.communicate(timeout=60)
    assert told == ("[(0, 0.5)]\n" if who == "all" else "hung\n")


@pytest.mark.slow
@pytest.mark.skipif(sys.platform != "linux", reason="the limit of private memory is Linux's")
def test_an_item_over_its_memory_costs_itself_alone(tasks: ModuleType, two: LocalWorkers) -> None:
    capped = WorkLimits(memory_bytes=1_000_000_000)
    got = dict(run_all(tasks.fill, [10, 2000, 20, 300], two, lambda _: capped))
    assert got.pop(1) == Lost("memory", "needs more than 1 GB of memory")
    assert got == {0: 10_000_000, 2: 20_000_000, 3: 300_000_000}
    # and the next item, which has no limit, is not bound by the last one's
    assert list(run_all(tasks.fill, [1100], two)) == [(0, 1_100_000_000)]


def test_only_a_few_items_are_in_hand_at_a_time(tasks: ModuleType) -> None:
    taken: list[int] = []

    class Watched(list[int]):
        def __getitem__(self, place: object) -> int:  # type: ignore[override]
            assert isinstance(place, int)
            taken.append(place)
            return super().__getitem__(place)

    one = LocalWorkers(1)
    results = run_all(tasks.square, Watched(range(1000)), one)
    next(results)
    assert set(taken) == {0, 1}  # one being worked on, one waiting
    one.stop()


def test_workers_use_one_thread_a_library_and_the_caller_keeps_its_own(
    tasks: ModuleType, monkeypatch: pytest.MonkeyPatch, two: LocalWorkers
) -> None:
    monkeypatch.delenv("OMP_NUM_THREADS", raising=False)
    monkeypatch.setenv("OPENBLAS_NUM_THREADS", "7")
    names = ["OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"]
    assert sorted(run_all(tasks.surroundings, names, two)) == [(0, "1"), (1, "1")]
    assert "OMP_NUM_THREADS" not in os.environ
    assert os.environ["OPENBLAS_NUM_THREADS"] == "7"


def test_libraries_do_not_chatter_between_the_lines_but_python_may(
    tasks: ModuleType, capfd: pytest.CaptureFixture[str], two: LocalWorkers
) -> None:
    list(run_all(tasks.chatter, ["in our own words"], two))
    heard = capfd.readouterr().err
    assert "library chatter" not in heard
    assert "in our own words" in heard


def test_no_items_need_no_worker(tasks: ModuleType, two: LocalWorkers) -> None:
    assert list(run_all(tasks.square, [], two)) == []
    assert multiprocessing.active_children() == []


def test_fewer_than_one_job_is_a_mistake(tasks: ModuleType) -> None:
    with pytest.raises(UserError, match="--jobs 0: should be 1 or more"):
        LocalWorkers(0)


def test_workers_that_never_start_are_one_error_and_not_a_card_of_broken_files(
    two: LocalWorkers, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("skyplumb.measure.workers._work", os.close)  # ends at once
    with pytest.raises(UserError, match="end as soon as they start"):
        list(run_all(abs, [-1, -2], two))


def test_cores_are_counted_where_the_system_does_not_say_which_are_ours(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.delattr(os, "sched_getaffinity", raising=False)
    assert cores() == os.cpu_count()


@pytest.mark.skipif(not hasattr(os, "killpg"), reason="process groups are a POSIX thing")
@pytest.mark.parametrize("start", ["quick", "slow"])
def test_ctrl_c_ends_caller_and_workers_at_once_without_a_traceback(
    tmp_path: Path, start: str
) -> None:
    caller, pids = _caller_at_work(tmp_path, start)
    for pid in pids:  # the workers themselves do not hear it, not even while they start
        os.kill(pid, signal.SIGINT)
    time.sleep(0.3)  # far more than an unblocked signal needs to end a process
    assert all(_alive(pid) for pid in pids)
    os.killpg(caller.pid, signal.SIGINT)  # as a terminal does: to all of them
    told, complaints = caller.communicate(timeout=PROMPT_S)
    assert (caller.returncode, told, complaints) == (0, "stopped\n", "")
    assert _all_gone(pids)


@pytest.mark.skipif(not hasattr(os, "killpg"), reason="process groups are a POSIX thing")
def test_workers_of_a_caller_that_was_killed_do_not_stay_behind(tmp_path: Path) -> None:
    caller, pids = _caller_at_work(tmp_path)
    caller.kill()
    caller.communicate(timeout=PROMPT_S)
    assert _all_gone(pids)


def _caller_at_work(
    tmp_path: Path, start: str = "quick"
) -> tuple[subprocess.Popen[str], list[int]]:
    """Another process with two sleeping workers, and their ids; slow ones sleep as they start."""
    (tmp_path / "invented_tasks.py").write_text(TASKS)
    (tmp_path / "caller.py").write_text(CALLER)
    seen = tmp_path / "seen"
    seen.mkdir()
    if start == "slow":
        (tmp_path / "sitecustomize.py").write_text(SLOW_START.format(seen=str(seen)))
    caller = subprocess.Popen(
        [sys.executable, str(tmp_path / "caller.py"), str(seen)],
        env=_environment(tmp_path),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    until = time.monotonic() + 3 * PROMPT_S
    while len(list(seen.iterdir())) < 2:
        assert caller.poll() is None and time.monotonic() < until, caller.communicate()
        time.sleep(0.05)
    return caller, [int(entry.name) for entry in seen.iterdir()]


def _environment(tmp_path: Path) -> dict[str, str]:
    """Of a process that finds the package and the modules of a test."""
    package = Path(__file__).resolve().parents[2] / "pipeline"
    return os.environ | {"PYTHONPATH": f"{package}{os.pathsep}{tmp_path}"}


def test_a_script_without_a_guard_runs_once(tmp_path: Path) -> None:
    (tmp_path / "script.py").write_text(UNGUARDED)
    done = subprocess.run(
        [sys.executable, str(tmp_path / "script.py")],
        env=_environment(tmp_path), capture_output=True, text=True, timeout=60,
    )  # fmt: skip
    assert (done.stdout, done.stderr) == ("the script runs\n[(0, 2.0), (1, 3.0)]\n", "")


def _all_gone(pids: list[int]) -> bool:
    """Whether no process with these ids runs, after a moment."""
    until = time.monotonic() + PROMPT_S
    while time.monotonic() < until:
        if not any(_alive(pid) for pid in pids):
            return True
        time.sleep(0.05)
    return False


def _alive(pid: int) -> bool:
    """A process that has ended but was not asked for yet counts as gone."""
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    state = Path(f"/proc/{pid}/stat")
    return not (state.exists() and state.read_text().rpartition(")")[2].split()[0] == "Z")
