"""What a report of a fault needs, and nobody has to ask for: `.skyplumb/log.txt`."""

from __future__ import annotations

import os
import re
from collections.abc import Callable
from importlib.metadata import version
from pathlib import Path

import pytest

from skyplumb._log import BEFORE, LOG, MOST_BYTES, logged
from skyplumb.errors import UserError
from skyplumb.measure.workers import Lost, LostError, run_all
from smallcard import Finished, measures_kept

Command = Callable[..., Finished]
IN_UTC = re.compile(r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ ", re.MULTILINE)


def _log(out: Path) -> str:
    return (out / ".skyplumb" / "log.txt").read_text("utf-8")


def test_the_log_tells_the_call_the_versions_and_what_was_said(
    small_card: Path, audited: Finished
) -> None:
    log = _log(audited.out)
    assert IN_UTC.match(log)
    assert str(small_card) in log
    for name in ("numpy", "rawpy", "sep"):
        assert f"{name} {version(name)}" in log
    for line in audited.stdout.splitlines():
        if "light frames kept" in line:
            assert line in log
    assert log.rstrip().endswith("done")
    assert "Traceback" not in log


def test_a_fault_that_ends_an_audit_is_a_line_and_its_traceback_is_kept(
    skyplumb: Command, small_card: Path, continued: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def stumbles(*_: object) -> None:
        raise ZeroDivisionError("drawn to fail")

    monkeypatch.setattr("skyplumb.auditing.write_index", stumbles)
    kept = measures_kept(continued)
    done = skyplumb("audit", small_card, "--out", continued)
    assert done.code == 70
    (line,) = [one for one in done.stderr.splitlines() if "fault" in one]
    assert "ZeroDivisionError: drawn to fail" in line
    assert str(continued / ".skyplumb" / "log.txt") in line
    assert "Traceback" not in done.stderr
    assert "in stumbles" in _log(continued)
    assert measures_kept(continued) == kept


def test_a_fault_of_a_command_without_an_output_is_kept_in_the_cache(
    skyplumb: Command, audited: Finished, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def stumbles(*_: object, **__: object) -> None:
        raise ZeroDivisionError("drawn to fail")

    monkeypatch.setattr("skyplumb.season.gear.write_tally", stumbles)
    monkeypatch.setenv("SKYPLUMB_CACHE", str(tmp_path / "cache"))
    done = skyplumb("tally", audited.out, "--out", tmp_path / "season")
    assert done.code == 70
    assert len(done.stderr.splitlines()) == 1
    assert str(tmp_path / "cache" / "log.txt") in done.stderr
    assert "in stumbles" in (tmp_path / "cache" / "log.txt").read_text("utf-8")


class _Broken:
    """A worker that every task breaks on."""

    count = 1

    def submit(self, task: object, item: object, limits: object) -> object:
        from concurrent.futures import Future

        answer: Future[object] = Future()
        answer.set_exception(LostError(Lost("fault", "drawn to fail", "Traceback of a worker")))
        return answer

    def stop(self) -> None:
        """Nothing runs."""


def test_the_traceback_of_a_worker_comes_into_the_log(tmp_path: Path) -> None:
    with logged(tmp_path, "an audit"):
        assert len(list(run_all(str, [1, 2], _Broken()))) == 2  # type: ignore[arg-type]
    assert (tmp_path / "log.txt").read_text("utf-8").count("Traceback of a worker") == 2


def test_a_long_log_is_put_aside_and_the_one_before_goes(tmp_path: Path) -> None:
    for words in ("one", "two", "three"):
        with logged(tmp_path, words):
            LOG.info("%s", words[0] * MOST_BYTES)
    assert sorted(path.name for path in tmp_path.iterdir()) == [BEFORE, "log.txt"]
    assert " three\n" in (tmp_path / "log.txt").read_text("utf-8")
    before = (tmp_path / BEFORE).read_text("utf-8")
    assert " two\n" in before
    assert " one\n" not in before


@pytest.mark.parametrize("way", ["folder", "fifo", "gone"])
def test_the_work_goes_on_where_no_log_can_be_kept(tmp_path: Path, way: str) -> None:
    if way == "folder":
        (tmp_path / "log.txt").mkdir()
    elif way == "fifo":
        os.mkfifo(tmp_path / "log.txt")
    folder = tmp_path / "away" if way == "gone" else tmp_path
    with logged(folder, "an audit"):
        LOG.info("said to nobody")
    assert not (tmp_path / "away").exists()


def test_a_link_in_its_place_is_refused_and_a_second_name_is_left_alone(tmp_path: Path) -> None:
    mine = tmp_path / "thesis.txt"
    mine.write_text("mine")
    out = tmp_path / "out"
    out.mkdir()
    (out / "log.txt").symlink_to(mine)
    with pytest.raises(UserError, match="is a link"), logged(out, "an audit"):
        pass
    (out / "log.txt").unlink()
    (out / "log.txt").hardlink_to(mine)
    with logged(out, "an audit"):
        pass
    assert mine.read_text() == "mine"
    assert "done" in (out / "log.txt").read_text()
