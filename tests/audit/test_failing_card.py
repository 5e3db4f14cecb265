"""A card that fails, or is pulled out, at any moment: a row or exit code 3, never a traceback."""

from __future__ import annotations

import errno
import os
import shutil
from collections.abc import Callable
from concurrent.futures import Future
from pathlib import Path, PurePosixPath
from typing import Any

import pytest

from skyplumb.measure.workers import Lost, LostError, WorkLimits
from smallcard import FEN, LIGHTS, MOOR, SHARP, Acting, Finished, written

Command = Callable[..., Finished]

GONE = {name: getattr(errno, name) for name in ("EIO", "ENXIO", "ENODEV", "ESTALE")}
"""What Linux answers for a disk that was pulled out or fails."""


class Disk:
    """Stands between the program and all paths that begin so; answers an error while it fails."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.below = ""
        self.number = 0
        for name in ("stat", "lstat", "open", "scandir", "listdir"):
            monkeypatch.setattr(os, name, self._asked(getattr(os, name)))

    def fail(self, below: Path, number: int) -> None:
        self.below, self.number = str(below), number

    def _asked(self, real: Callable[..., Any]) -> Callable[..., Any]:
        def call(path: Any = ".", *more: Any, **options: Any) -> Any:
            told = path if isinstance(path, int) else os.fspath(path)
            if self.number and isinstance(told, str) and f"{told}/".startswith(self.below):
                raise OSError(self.number, os.strerror(self.number), told)
            return real(path, *more, **options)

        return call


@pytest.fixture
def disk(monkeypatch: pytest.MonkeyPatch) -> Disk:
    return Disk(monkeypatch)


def one_line(done: Finished) -> None:
    assert "Traceback" not in done.stderr
    assert len(done.stderr.splitlines()) == 1, done.stderr


@pytest.mark.parametrize("number", [*GONE.values(), errno.EACCES], ids=[*GONE, "EACCES"])
def test_a_card_that_does_not_answer_at_all_is_one_line(
    skyplumb: Command, tmp_path: Path, disk: Disk, number: int
) -> None:
    (tmp_path / "card").mkdir()
    (tmp_path / "card" / "a.dng").write_bytes(b"II*\0")
    disk.fail(tmp_path / "card", number)
    for words in ((), ("--out", tmp_path / "out")):
        done = skyplumb("audit", tmp_path / "card", *words)
        one_line(done)
        assert done.code == (2 if number == errno.EACCES else 3)
        assert str(tmp_path / "card") in done.stderr
    assert not (tmp_path / "out").exists()


@pytest.mark.slow
@pytest.mark.parametrize("number", [*GONE.values(), errno.EACCES], ids=[*GONE, "EACCES"])
def test_a_card_that_begins_to_fail_in_the_middle(
    skyplumb: Command,
    small_card: Path,
    pattern_cache: None,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    disk: Disk,
    number: int,
) -> None:
    measured: list[PurePosixPath] = []

    def begin(item: Any) -> None:
        if isinstance(item, PurePosixPath):
            measured.append(item)
        if len(measured) == 5:
            disk.fail(small_card, number)

    monkeypatch.setattr("skyplumb.measure.pool.LocalWorkers", lambda jobs: Acting(begin))
    notes = shutil.copy2(small_card.parent / "night-notes.yaml", tmp_path)
    done = skyplumb("audit", small_card, "--out", tmp_path / "out", "--notes", notes)
    assert "Traceback" not in done.stderr
    # What may not be read is a row; what the disk does not answer for is asked again.
    assert done.code == (0 if number == errno.EACCES else 3)
    assert ("the card was pulled out" in done.stderr) == (done.code == 3)
    kinds = {file: row["kind"] for file, row in done.rows.items()}
    assert {kinds[file] for file in LIGHTS} == {"light", "unreadable"}
    assert os.strerror(number).lower() in done.rows[LIGHTS[-1]]["reason"]


@pytest.mark.slow
@pytest.mark.parametrize("number", [*GONE.values(), errno.EACCES], ids=[*GONE, "EACCES"])
def test_a_folder_that_cannot_be_opened_costs_no_other_and_no_better_result(
    skyplumb: Command,
    small_card: Path,
    audited: Finished,
    tmp_path: Path,
    disk: Disk,
    number: int,
) -> None:
    out = shutil.copytree(audited.out, tmp_path / "out")
    # Under the name that the output knows it by.
    disk.fail(small_card / FEN, number)
    new = skyplumb("audit", small_card, "--out", tmp_path / "new")
    assert "Traceback" not in new.stderr
    assert all(new.rows[file]["verdict"] for file in SHARP)
    assert "folder cannot be opened" in new.rows[FEN]["reason"]
    again = skyplumb("audit", small_card, "--out", out)
    if number == errno.EACCES:
        assert (new.code, again.code) == (0, 0)
        return
    assert (new.code, again.code) == (3, 3)
    assert "the card fails or was pulled out" in new.stderr
    assert "the more complete result of an earlier audit was kept" in again.stderr
    assert written(again) == written(audited)


@pytest.mark.slow
def test_a_file_that_may_not_be_asked_for_is_a_row(
    skyplumb: Command, small_card: Path, audited: Finished, tmp_path: Path, disk: Disk
) -> None:
    """As in a folder that may be listed and not entered: the file's own `stat` is refused."""
    out = shutil.copytree(audited.out, tmp_path / "out")
    disk.fail(small_card / MOOR / "MIST_0002.dng", errno.EACCES)
    done = skyplumb("audit", small_card, "--out", out)
    assert (done.code, "Traceback" in done.stderr) == (0, False)
    assert "permission denied" in done.rows[f"{MOOR}/MIST_0002.dng"]["reason"]
    assert done.rows[SHARP[0]]["verdict"] == "keep"


@pytest.mark.slow
def test_a_frame_that_hangs_is_asked_again_and_better_results_are_left_alone(
    skyplumb: Command,
    small_card: Path,
    audited: Finished,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    class Hanging(Acting):
        def submit(self, task: Any, item: Any, limits: WorkLimits, /) -> Future[Any]:
            if str(item).endswith("MIST_0002.dng"):
                assert 60 <= limits.cpu_s <= limits.wall_s / 5
                future: Future[Any] = Future()
                future.set_exception(LostError(Lost("hung", "no answer for 600 s by the clock")))
                return future
            return super().submit(task, item, limits)

    out = shutil.copytree(audited.out, tmp_path / "out")
    monkeypatch.setattr("skyplumb.measure.pool.LocalWorkers", lambda jobs: Hanging(lambda _: None))
    again = skyplumb("audit", small_card, "--out", out, "--fresh")
    assert again.code == 3
    assert "MIST_0002.dng: no answer for 600 s by the clock" in again.stderr
    assert "call again" in again.stderr
    assert written(again) == written(audited)
    new = skyplumb("audit", small_card, "--out", tmp_path / "new")
    assert new.code == 3
    assert "call again" in new.rows[SHARP[1]]["reason"]
