"""Measuring on a cluster: Dask's own scheduler and two worker processes on this machine."""

from __future__ import annotations

import contextlib
import os
import shutil
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

import pytest

from skyplumb.errors import UserError
from skyplumb.measure import cluster
from skyplumb.measure.cluster import ClusterWorkers
from skyplumb.measure.workers import Lost, WorkLimits, run_all
from smallcard import SKYPLUMB, Finished, measures_kept, written

TASKS = """
import os, signal, time

def square_slowly(n):
    time.sleep(0.3)
    return n * n, os.getppid()

def square_or_die(n):
    if n < 0:
        os.kill(os.getpid(), signal.SIGSEGV)
    return n * n

def sleep(seconds):
    time.sleep(seconds)

def refuse(n):
    from skyplumb.errors import UserError
    raise UserError(f"{n}: the disk is full")
"""


@contextlib.contextmanager
def started(words: Sequence[str], folder: Path, **more: str) -> Iterator[subprocess.Popen[bytes]]:
    """A process of Dask's, with the tasks within its reach, ended at the end."""
    paths = [str(folder), os.environ.get("PYTHONPATH", "")]
    environment = os.environ | {"PYTHONPATH": os.pathsep.join(filter(None, paths))} | more
    with (folder / "dask.log").open("ab") as log:
        process = subprocess.Popen(
            [sys.executable, "-m", "distributed.cli." + words[0], *words[1:]],
            stdout=log, stderr=log, env=environment, cwd=folder,
        )  # fmt: skip
        try:
            yield process
        finally:
            process.kill()
            process.wait()


def worker(address: str) -> list[str]:
    return ["dask_worker", address, "--nthreads", "1", "--no-nanny", "--no-dashboard"]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """Where the tasks and Dask's log lie."""
    place = tmp_path_factory.mktemp("cluster")
    (place / "cluster_tasks.py").write_text(TASKS, encoding="utf-8")
    sys.path.insert(0, str(place))
    yield place
    sys.path.remove(str(place))


@pytest.fixture(scope="module")
def address(folder: Path) -> Iterator[str]:
    """Of a scheduler that runs."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    words = ["dask_scheduler", "--host", "127.0.0.1", "--port", str(port), "--no-dashboard"]
    with started(words, folder):
        yield f"tcp://127.0.0.1:{port}"


@pytest.fixture(scope="module")
def two(address: str, folder: Path) -> Iterator[str]:
    """The same with two workers."""
    with started(worker(address), folder), started(worker(address), folder):
        with contextlib.closing(Closing(address)) as hands:
            hands.inner._client.wait_for_workers(2, timeout=60)
        yield address


class Closing:
    """Workers of a cluster, left at the end."""

    def __init__(self, address: str) -> None:
        self.inner = ClusterWorkers(address, 1)

    def close(self) -> None:
        self.inner.stop()


def test_a_task_that_crashes_hangs_or_refuses_costs_itself_alone(two: str) -> None:
    import cluster_tasks as tasks

    with contextlib.closing(Closing(two)) as hands:
        found = dict(run_all(tasks.square_or_die, [1, -1, 3], hands.inner))
        assert (found[0], found[2]) == (1, 9)
        assert isinstance(found[1], Lost)
        assert found[1].how == "crashed"
        ((_, slow),) = run_all(tasks.sleep, [60], hands.inner, lambda _: WorkLimits(wall_s=1.0))
        assert isinstance(slow, Lost)
        assert slow.how == "hung"
        with pytest.raises(UserError, match="the disk is full"):
            list(run_all(tasks.refuse, [1], hands.inner))


@pytest.mark.broad
def test_a_worker_that_is_killed_loses_nothing(two: str, folder: Path) -> None:
    import cluster_tasks as tasks

    with started(worker(two), folder) as third, contextlib.closing(Closing(two)) as hands:
        hands.inner._client.wait_for_workers(3, timeout=60)
        found: dict[int, tuple[int, int]] = {}
        seen: set[int] = set()
        for number, result in run_all(tasks.square_slowly, list(range(24)), hands.inner):
            assert not isinstance(result, Lost)
            found[number] = result
            seen.add(result[1])
            if third.pid in seen and third.poll() is None:
                third.send_signal(signal.SIGKILL)
        assert third.poll() is not None, "the third worker never had a task"
        assert {n: square for n, (square, _) in found.items()} == {n: n * n for n in range(24)}


@pytest.mark.slow
@pytest.mark.parametrize("more", [[], ["--send-files"]], ids=["seen", "sent"])
def test_an_audit_writes_the_bytes_of_a_local_one_though_a_worker_is_killed(
    two: str,
    folder: Path,
    audited: Finished,
    small_card: Path,
    tmp_path: Path,
    more: list[str],
) -> None:
    with started(worker(two), folder) as third:
        with contextlib.closing(Closing(two)) as hands:
            hands.inner._client.wait_for_workers(3, timeout=60)
        command = [*SKYPLUMB, "audit", str(small_card), "--out", str(tmp_path), "--cluster", two]
        run = subprocess.Popen(
            [*command, *more], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
        )
        deadline = time.monotonic() + 120
        while measures_kept(tmp_path) < 2 and time.monotonic() < deadline:
            time.sleep(0.005)
        third.kill()
        out, err = run.communicate(timeout=300)
    assert run.returncode == 0, err
    assert "light frames to stack" in out
    assert written(Finished(tmp_path, 0, "", "")) == written(audited)


@pytest.mark.slow
def test_a_season_read_on_a_cluster_is_counted_to_the_same_bytes(
    two: str,
    audited: Finished,
    tmp_path: Path,
    skyplumb: Callable[..., Finished],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    shutil.copytree(audited.out, tmp_path / "other")
    folders = [str(audited.out), str(tmp_path / "other")]
    for name, more in (("here", []), ("there", ["--cluster", two])):
        with monkeypatch.context() as patch:
            if more:  # this process may read none of them
                patch.setattr("skyplumb.season.sessions.Here", None)
            done = skyplumb("tally", *folders, "--out", str(tmp_path / name), *more)
        assert done.code == 0, done.stderr
    for file in ("tally.csv", "tally.json", "tally.html"):
        here, there = ((tmp_path / name / file).read_bytes() for name in ("here", "there"))
        assert here == there
    (table,) = (tmp_path / "other").glob("*/frames.csv")
    table.write_text("no table", encoding="utf-8")
    done = skyplumb("tally", *folders, "--out", str(tmp_path / "there"), "--cluster", two)
    assert done.code == 2
    assert "is not a table that audit wrote" in done.stderr


def test_a_worker_of_another_version_is_refused_in_one_line(
    two: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    mine = cluster.about()
    # This program is the other one here: its workers run the code on the disk.
    monkeypatch.setattr(cluster, "__version__", "0.0.1")
    cluster.about.cache_clear()
    try:
        with pytest.raises(UserError) as refused:
            ClusterWorkers(two, 1)
    finally:
        monkeypatch.undo()
        cluster.about.cache_clear()
    assert cluster.about() == mine
    assert "skyplumb 0.2.0" in str(refused.value)
    assert "skyplumb 0.0.1" in str(refused.value)
    assert "install the same on both" in str(refused.value)
    assert "\n" not in str(refused.value)


@pytest.mark.broad
@pytest.mark.skipif(not hasattr(signal, "SIGSTOP"), reason="needs a worker that stands still")
def test_the_frames_of_a_worker_that_stands_still_go_elsewhere(
    two: str, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import cluster_tasks as tasks

    monkeypatch.setattr(cluster, "SILENT_S", 5.0)
    with started(worker(two), folder) as third, contextlib.closing(Closing(two)) as hands:
        hands.inner._client.wait_for_workers(3, timeout=60)
        began = time.monotonic()
        found: dict[int, int] = {}
        seen: set[int] = set()
        for number, result in run_all(tasks.square_slowly, list(range(24)), hands.inner):
            assert not isinstance(result, Lost)
            found[number] = result[0]
            seen.add(result[1])
            if third.pid in seen:
                third.send_signal(signal.SIGSTOP)
        assert third.pid in seen, "the third worker never had a task"
        assert found == {n: n * n for n in range(24)}
        assert time.monotonic() - began < 60  # Dask itself would wait for five minutes


@pytest.mark.slow
def test_a_scheduler_that_is_killed_is_one_line(
    folder: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    import cluster_tasks as tasks

    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = str(free.getsockname()[1])
    words = ["dask_scheduler", "--host", "127.0.0.1", "--port", port, "--no-dashboard"]
    with started(words, folder) as scheduler, started(worker(f"tcp://127.0.0.1:{port}"), folder):
        with (
            contextlib.closing(Closing(f"tcp://127.0.0.1:{port}")) as hands,
            pytest.raises(UserError, match="the scheduler is gone; start it again"),
        ):
            for _ in run_all(tasks.square_slowly, list(range(40)), hands.inner):
                scheduler.kill()
        assert capfd.readouterr().err == ""


@pytest.mark.skipif(sys.platform != "linux", reason="asks /proc which ports are open")
def test_a_cluster_of_ones_own_listens_to_nobody(folder: Path) -> None:
    import cluster_tasks as tasks

    def listening() -> set[str]:
        mine = {
            str(path.readlink()) for path in Path("/proc/self/fd").iterdir() if path.is_symlink()
        }
        lines = [
            line.split()
            for name in ("tcp", "tcp6")
            for line in Path(f"/proc/self/net/{name}").read_text().splitlines()[1:]
        ]
        return {line[1] for line in lines if line[3] == "0A" and f"socket:[{line[9]}]" in mine}

    before = listening()
    with contextlib.closing(Closing("local")) as hands:
        assert list(run_all(tasks.square_or_die, [3], hands.inner)) == [(0, 9)]
        assert listening() == before


@pytest.mark.slow
def test_no_scheduler_and_no_worker_are_one_line(
    monkeypatch: pytest.MonkeyPatch, folder: Path
) -> None:
    monkeypatch.setattr(cluster, "CONNECT_S", 1.0)
    with pytest.raises(UserError, match="no scheduler answers"):
        ClusterWorkers("tcp://127.0.0.1:9", 1)


@pytest.mark.slow
def test_a_cluster_is_started_here(folder: Path, skyplumb: Callable[..., Finished]) -> None:
    import cluster_tasks as tasks

    with contextlib.closing(Closing("local")) as hands:
        assert dict(run_all(tasks.square_or_die, [2, -1], hands.inner))[0] == 4
