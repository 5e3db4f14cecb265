"""Workers: every item once, a crash costs one, nothing is left behind."""

from __future__ import annotations

import importlib
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from concurrent.futures import BrokenExecutor, Future
from pathlib import Path
from types import ModuleType

import pytest

from skyplumb.measure.workers import run_all
from skyplumb.records import UserError

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

def sleep_and_tell(folder):
    with open(os.path.join(folder, str(os.getpid())), "w"):
        pass
    time.sleep(60)
"""

CALLER = """
import os, sys, time
if __name__ == "__mp_main__" and "slow" in sys.argv:  # a worker that is still starting
    open(os.path.join(sys.argv[1], str(os.getpid())), "w").close()
    time.sleep(60)
from skyplumb.measure.workers import run_all
import invented_tasks

if __name__ == "__main__":
    try:
        for _ in run_all(invented_tasks.sleep_and_tell, [sys.argv[1]] * 4, 2, on_crash=str):
            pass
    except KeyboardInterrupt:
        print("stopped")
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


def crashed(item: object) -> object:
    return f"crashed on {item}"


def test_every_item_comes_back_once_with_its_place(tasks: ModuleType) -> None:
    items = [3, 1, 4, 1, 5, 9, 2, 6]
    got = list(run_all(tasks.square, items, 2, crashed))
    assert sorted(got) == [(n, item * item) for n, item in enumerate(items)]


def test_a_worker_that_dies_costs_exactly_its_item(tasks: ModuleType) -> None:
    items = [1, 2, -3, 4, 5, 6, -7, 8, 9, 10]
    got = dict(run_all(tasks.square_or_die, items, 2, crashed))
    assert got == {
        n: f"crashed on {item}" if item < 0 else item * item for n, item in enumerate(items)
    }


def test_with_one_job_a_crash_does_not_reach_the_caller(tasks: ModuleType) -> None:
    got = sorted(run_all(tasks.square_or_die, [-1, 2], 1, crashed))
    assert got == [(0, "crashed on -1"), (1, 4)]


def test_what_a_task_raises_is_raised_here(tasks: ModuleType) -> None:
    with pytest.raises(LookupError, match="no such thing as 7"):
        list(run_all(tasks.fail, [7], 1, crashed))


def test_only_a_few_items_are_in_hand_at_a_time(tasks: ModuleType) -> None:
    taken: list[int] = []

    class Watched(list[int]):
        def __getitem__(self, place: object) -> int:  # type: ignore[override]
            assert isinstance(place, int)
            taken.append(place)
            return super().__getitem__(place)

    results = run_all(tasks.square, Watched(range(1000)), 1, crashed)
    next(results)
    assert len(taken) == 2  # one being worked on, one waiting
    results.close()  # type: ignore[attr-defined]


def test_workers_use_one_thread_a_library_and_the_caller_keeps_its_own(
    tasks: ModuleType, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("OMP_NUM_THREADS", raising=False)
    monkeypatch.setenv("OPENBLAS_NUM_THREADS", "7")
    names = ["OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"]
    assert sorted(run_all(tasks.surroundings, names, 1, crashed)) == [(0, "1"), (1, "1")]
    assert "OMP_NUM_THREADS" not in os.environ
    assert os.environ["OPENBLAS_NUM_THREADS"] == "7"


def test_libraries_do_not_chatter_between_the_lines_but_python_may(
    tasks: ModuleType, capfd: pytest.CaptureFixture[str]
) -> None:
    list(run_all(tasks.chatter, ["in our own words"], 1, crashed))
    heard = capfd.readouterr().err
    assert "library chatter" not in heard
    assert "in our own words" in heard


def test_no_items_need_no_worker(tasks: ModuleType) -> None:
    assert list(run_all(tasks.square, [], 4, crashed)) == []


def test_fewer_than_one_job_is_a_mistake(tasks: ModuleType) -> None:
    with pytest.raises(UserError, match="--jobs 0: should be 1 or more"):
        list(run_all(tasks.square, [1], 0, crashed))


def test_workers_that_never_start_are_one_error_and_not_a_card_of_broken_files() -> None:
    class Stillborn:
        def __init__(self, jobs: int) -> None: ...

        def submit(self, task: object, item: object, /) -> Future[object]:
            future: Future[object] = Future()
            future.set_exception(BrokenExecutor())
            return future

        def stop(self) -> None: ...

    with pytest.raises(UserError, match="end as soon as they start"):
        list(run_all(abs, [-1, -2], 1, crashed, workers=Stillborn))  # type: ignore[arg-type]


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
    package = Path(__file__).resolve().parents[1] / "pipeline"
    caller = subprocess.Popen(
        [sys.executable, str(tmp_path / "caller.py"), str(seen), start],
        env=os.environ | {"PYTHONPATH": f"{package}{os.pathsep}{tmp_path}"},
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
