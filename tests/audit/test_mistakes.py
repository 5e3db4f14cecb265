"""What a person may type, and a machine may be short of: one line with the mend, or it works."""

from __future__ import annotations

import errno
import io
import os
import resource
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

import skyplumb as package
from skyplumb.calibrate import patterns
from skyplumb.errors import UserError
from skyplumb.output import place
from smallcard import SESSION, SKYPLUMB, Finished

Command = Callable[..., Finished]


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ("forecast {out} --focal 135mm", "--focal: should be a number alone, such as 135.5"),
        ("forecast {out} --focal 135,5", "--focal: should be a number alone, such as 135.5"),
        ("forecast {out} --focal nan", "should be"),
        ("forecast {out} --pixel 1e308", "--pixel: should be less than"),
        ("forecast {out} --declination 91", "--declination: should be less than"),
        ("audit {card} --jobs two", "--jobs: should be a whole number alone"),
        ("audit {card} --jobs 99999999", "--jobs 99999999: should be from 0, for one per core, to"),
        ("audit {card} --worker-memory inf", "--worker-memory inf: should be a number of GB"),
        ("audit {card} --worker-memory nan", "should be"),
        ("audit {card} {card}", "audit: takes one folder and was given more"),
        ("audit {card} --fersh", "no such option: --fersh"),
        ("audit", "missing argument 'CARD'; `skyplumb audit --help` says"),
        ("adit {card}", "no such command 'adit'"),
        ("audit {long}", "no such folder; check the path of the card"),
        ("audit {card} --out {long}", "file name too long; give --out another folder"),
        ("audit {card} --link-into {long}", "file name too long; give --link-into another"),
        ("audit {card} --history {long}", "is not a folder"),
        ("audit {card} --rules {long}", "too long"),
        ("tally {out} --out {long}", "file name too long; give --out another folder"),
        ("tally {long} --out {out}", "is not a folder"),
    ],
)
def test_a_mistake_is_one_line_with_the_mend(
    skyplumb: Command, small_card: Path, audited: Finished, tmp_path: Path, words: str, told: str
) -> None:
    places = {"card": small_card, "out": audited.out, "long": tmp_path / ("a" * 256)}
    given = [word.format(**places) for word in words.split()]
    if words.startswith("audit {card}") and "--out" not in words:
        given += ["--out", str(tmp_path / "new")]
    done = skyplumb(*given)
    assert done.code == 2 and done.stdout == ""
    assert told in done.stderr and len(done.stderr.splitlines()) == 1
    assert not (tmp_path / "new").exists()


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ("-h", "Commands:"),
        ("help", "Commands:"),
        ("", "Commands:"),
        ("help audit", "--worker-memory"),
        ("audit -h", "--worker-memory"),
        ("audit --version", f"skyplumb {package.__version__}\n"),
        ("--version --verbose", "numpy"),
    ],
)
def test_help_and_version_in_any_form(skyplumb: Command, words: str, told: str) -> None:
    done = skyplumb(*words.split())
    assert (done.code, done.stderr) == (0, "")
    assert told in done.stdout


def test_an_option_after_two_dashes_is_a_name(skyplumb: Command, tmp_path: Path) -> None:
    assert "no such folder" in skyplumb("audit", "--out", tmp_path, "--", "--version").stderr


def test_a_program_is_told_the_same_of_its_numbers(small_card: Path, tmp_path: Path) -> None:
    for words in ({"worker_memory_gb": float("inf")}, {"jobs": 99_999_999}, {"jobs": -1}):
        with pytest.raises(UserError, match="should be"):
            package.audit(small_card, tmp_path / "out", **words)  # type: ignore[arg-type]


def run(words: str, **more: Any) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [*SKYPLUMB, *words.split()], capture_output=True, text=True, timeout=100, **more
    )


@pytest.mark.skipif(sys.platform != "linux", reason="a folder in use can be removed there")
def test_a_current_folder_that_is_gone_is_one_line(small_card: Path, tmp_path: Path) -> None:
    (tmp_path / "gone").mkdir()
    leave = f"import os; os.chdir({str(tmp_path / 'gone')!r}); os.rmdir({str(tmp_path / 'gone')!r})"
    command = [*SKYPLUMB[:-1], f"{leave}; {SKYPLUMB[-1]}", "audit", str(small_card)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=100)
    assert done.returncode == 2
    assert done.stderr == "this folder is not there any more; go to another, then start again\n"


@pytest.mark.slow
def test_too_few_open_files_are_one_line(small_card: Path, tmp_path: Path) -> None:
    def few() -> None:
        resource.setrlimit(resource.RLIMIT_NOFILE, (16, 16))

    done = run(f"audit {str(small_card)!s} --out {tmp_path / 'out'}", preexec_fn=few)
    assert done.returncode == 2
    assert "ulimit -n" in done.stderr.splitlines()[-1] and "Traceback" not in done.stderr


def test_a_file_of_the_system_that_has_nothing_to_say_costs_its_own_row(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """As /proc/kmsg: an ordinary file by its mode, of no size, whose reader waits."""

    class Waiting(io.BytesIO):
        def read(self, size: int | None = -1, /) -> Any:
            return None  # as io has it for a file that would have to be waited for

    monkeypatch.setattr(place, "open_file", lambda *_: Waiting())
    assert place._digest(tmp_path, "kmsg.dng") == ""


def test_a_cache_that_may_only_be_read_serves_where_it_is_whole(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    def read_only(path: Path) -> Any:
        raise OSError(errno.EROFS, os.strerror(errno.EROFS), str(path))

    whole = object()
    monkeypatch.setenv("SKYPLUMB_CACHE", str(tmp_path))
    monkeypatch.setattr(patterns, "lock_of", read_only)
    monkeypatch.setattr(patterns, "_kept", lambda path, say: whole)
    patterns.database.cache_clear()
    try:
        assert patterns.database(patterns.TIERS[0]) is whole
        patterns.database.cache_clear()
        monkeypatch.setattr(patterns, "_kept", lambda path, say: None)
        with pytest.raises(UserError, match="read-only file system"):
            patterns.database(patterns.TIERS[0])
    finally:
        patterns.database.cache_clear()


@pytest.mark.broad
def test_a_folder_that_holds_outputs_is_searched(
    skyplumb: Command, audited: Finished, tmp_path: Path
) -> None:
    shutil.copytree(audited.out, tmp_path / "nights" / "first")
    done = skyplumb("tally", tmp_path / "nights", "--out", tmp_path / "season")
    assert done.code == 0 and "in 1 session" in done.stdout
    assert SESSION in str(next((tmp_path / "nights").rglob("frames.csv")))


@pytest.mark.broad
def test_another_card_into_the_same_output_is_said(
    skyplumb: Command, small_card: Path, tmp_path: Path
) -> None:
    for name in ("first", "second"):
        (tmp_path / name).mkdir()
        shutil.copy2(small_card / "dunkel" / "MIST_0012.dng", tmp_path / name / f"{name}.dng")
        with (tmp_path / name / f"{name}.dng").open("ab") as frame:
            frame.write(name.encode())
    words = ("--out", tmp_path / "out")
    assert "another card" not in skyplumb("audit", tmp_path / "first", *words).stdout
    assert "another card" not in skyplumb("audit", tmp_path / "first", *words).stdout
    said = skyplumb("audit", tmp_path / "second", *words).stdout
    assert f"another card has sessions there, which are left alone: {tmp_path / 'first'}" in said


def test_a_row_does_not_say_its_path_twice(audited: Finished) -> None:
    broken = [row for row in audited.rows.values() if row["kind"] == "unreadable"]
    assert len(broken) == 3
    assert not [row for row in broken if row["file"] in row["reason"]]
