"""A folder watched while frames arrive, by the command and from within."""

from __future__ import annotations

import re
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from skyplumb.measure.database import Database
from skyplumb.measure.pool import WorkerPool
from skyplumb.measure.store import Store
from skyplumb.measure.workers import Here
from skyplumb.options import Options
from skyplumb.output.files import remove_live_page
from skyplumb.watch import arrivals, events
from skyplumb.watching import Watch, _Once
from smallcard import FEN, LIGHTS, MOOR, SESSION, SKYPLUMB, Finished

LONGEST_S = 300.0
"""Until a test gives up; nothing is timed."""


@pytest.fixture
def card(tmp_path: Path, small_card: Path) -> Path:
    """A folder that nothing has arrived in yet, with the night notes beside it."""
    shutil.copy2(small_card.parent / "night-notes.yaml", tmp_path)
    folder = tmp_path / "card"
    folder.mkdir()
    return folder


class Watching:
    """The command at work."""

    def __init__(self, card: Path, out: Path) -> None:
        self.log = out.with_name("log.txt")
        with self.log.open("wb") as log:
            self.process = subprocess.Popen(
                [*SKYPLUMB, "watch", str(card), "--out", str(out), "--jobs", "1"],
                stdout=log,
                stderr=subprocess.STDOUT,
            )

    def until(self, words: str) -> str:
        """All that was said, once it holds some words (a pattern)."""
        begin = time.monotonic()
        while not re.search(words, told := self.log.read_text("utf-8")):
            assert self.process.poll() is None, told
            assert time.monotonic() - begin < LONGEST_S, told
            time.sleep(0.1)
        return told

    def stop(self, number: int = signal.SIGINT) -> int:
        """End it and answer its exit code."""
        self.process.send_signal(number)
        return self.process.wait(LONGEST_S)


@pytest.fixture
def watching(card: Path, tmp_path: Path) -> Iterator[Watching]:
    """The command, watching that folder."""
    running = Watching(card, tmp_path / "watched")
    yield running
    running.process.kill()
    running.process.wait()


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="no such signals there")
def test_it_leaves_what_an_audit_writes_however_the_files_came(
    card: Path, small_card: Path, tmp_path: Path, watching: Watching
) -> None:
    """A slow copy, a rename into place, files that never become whole, and all else of a card."""
    watching.until("watching")
    (card / MOOR).mkdir(parents=True)
    names = [Path(file).name for file in LIGHTS]
    shutil.copy2(small_card / LIGHTS[0], card / LIGHTS[0])
    watching.until(rf"{names[0]} +keep")
    # A copy that stands still for longer than a whole file does.
    content = (small_card / LIGHTS[1]).read_bytes()
    with (card / LIGHTS[1]).open("wb", buffering=0) as slow:
        for part in range(3):
            slow.write(content[part * len(content) // 3 : (part + 1) * len(content) // 3])
            time.sleep(1.5 * arrivals.SETTLED_S)
    watching.until(rf"{names[1]} +keep")
    # Under another name first, on the card and off it.
    shutil.copy2(small_card / LIGHTS[2], card / f"{LIGHTS[2]}.part")
    (card / f"{LIGHTS[2]}.part").rename(card / LIGHTS[2])
    watching.until(rf"{names[2]} +keep")
    (card / MOOR / "MIST_0099.dng").write_bytes(content[: len(content) // 2])
    (card / MOOR / "MIST_0098.dng").touch()
    page = tmp_path / "watched" / SESSION / "report.html"
    watching.until(re.escape(str(page.resolve())))
    told = page.read_text("utf-8")
    assert 'http-equiv="refresh" content="60"' in told
    assert "Still watching" in told
    assert not (page.parent / "frames.csv").exists()
    # All the rest, and an end in the middle of it.
    for file in sorted(small_card.rglob("*")):
        to = card / file.relative_to(small_card)
        if file.is_file() and not to.exists():
            to.parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(file, to)
    watching.until(rf"{Path(LIGHTS[3]).name} +reject")
    assert watching.stop() == 0
    said = watching.until("9 of 10 light frames to stack")
    assert "Traceback" not in said
    done = Finished(tmp_path / "watched", 0, said, "")
    audited = tmp_path / "audited"
    subprocess.run([*SKYPLUMB, "audit", str(card), "--out", str(audited), "--quiet"], check=True)
    again = Finished(audited, 0, "", "")
    assert done.files.keys() == again.files.keys()
    assert [name for name in done.files if done.files[name] != again.files[name]] == []
    assert "http-equiv" not in page.read_text("utf-8").replace('http-equiv="Content-S', "")
    assert done.rows[f"{MOOR}/MIST_0099.dng"]["kind"] == "unreadable"
    log = (tmp_path / "watched" / ".skyplumb" / "log.txt").read_text("utf-8")
    assert log.count("light frames kept") == 1
    assert re.search(rf"{names[0]} +keep", log)


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="no such signals there")
def test_a_second_stop_and_sigterm_end_at_once(
    card: Path, small_card: Path, watching: Watching
) -> None:
    (card / FEN).mkdir(parents=True)
    watching.until("watching")
    for file in LIGHTS[6:]:
        shutil.copy2(small_card / file, card / file)
    watching.until("keep")
    watching.process.send_signal(signal.SIGINT)
    watching.until("audit of the whole folder")
    assert watching.stop() == 130
    told = watching.log.read_text("utf-8")
    assert "stopped" in told.splitlines()[-1]
    assert "Traceback" not in told
    other = Watching(card, card.parent / "other")
    other.until("watching")
    assert other.stop(signal.SIGTERM) == 143


@pytest.mark.slow
def test_a_folder_in_which_nothing_arrived_ends_as_an_audit_of_it(watching: Watching) -> None:
    watching.until("watching")
    assert watching.stop() == 1
    assert "holds no RAW, FITS or other picture" in watching.log.read_text("utf-8")


@pytest.mark.parametrize(
    ("words", "mend"),
    [
        (("nowhere",), "no such folder"),
        (("card", "--out", "card/results"), "lies on the card"),
        (("card", "--rules", "none.yaml"), "check the path"),
    ],
)
def test_a_mistake_is_one_line(
    words: tuple[str, ...],
    mend: str,
    card: Path,
    skyplumb: Callable[..., Finished],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.chdir(card.parent)
    done = skyplumb("watch", *words)
    assert done.code == 2
    assert mend in done.stderr
    assert len(done.stderr.splitlines()) == 1


class Inside:
    """A watch without its waiting."""

    def __init__(self, card: Path, out: Path) -> None:
        self.lines: list[str] = []
        self.warned: list[str] = []
        self.rung = 0
        self.store = Store(out / ".skyplumb")
        self.watch = Watch(
            Options(card, out, quiet=True), self.store, WorkerPool(1, ""), set(),
            self.lines.append, self.warned.append, self._ring,
        )  # fmt: skip

    def _ring(self) -> None:
        self.rung += 1

    def step(self) -> list[str]:
        """List, measure, judge; the lines of frames."""
        before = len(self.lines)
        self.watch.look()
        self.watch.step()
        return [line for line in self.lines[before:] if " trail " in line]


@pytest.fixture
def inside(card: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Inside]:
    """A watch of which each step is the test's, and files are whole at once."""
    monkeypatch.setattr(arrivals, "SETTLED_S", 0.0)
    monkeypatch.setattr(arrivals, "FIRST_TRY_S", 0.0)
    monkeypatch.setattr("skyplumb.measure.pool.LocalWorkers", lambda jobs: Here())
    one = Inside(card, tmp_path / "out")
    yield one
    one.store.close()


def lay(small_card: Path, card: Path, *files: str) -> None:
    """Copy frames to the card."""
    for file in files:
        (card / file).parent.mkdir(parents=True, exist_ok=True)
        shutil.copy2(small_card / file, card / file)


@pytest.mark.slow
def test_a_full_disk_loses_nothing(
    card: Path, small_card: Path, inside: Inside, monkeypatch: pytest.MonkeyPatch
) -> None:
    lay(small_card, card, *LIGHTS[:2])
    with monkeypatch.context() as full:

        def write(self: Database, commands: object) -> None:
            raise sqlite3.OperationalError("database or disk is full")

        full.setattr(Database, "write", write)
        monkeypatch.setattr(arrivals, "FIRST_TRY_S", 1e6)
        assert inside.step() == []
        assert inside.step() == []
    assert [line for line in inside.warned if "disk is full" in line] == inside.warned
    assert len(inside.warned) == 1
    monkeypatch.setattr(arrivals, "FIRST_TRY_S", 0.0)
    for file in LIGHTS[:2]:
        (card / file).touch()  # or the next try, which nobody waits for here
    said = inside.step()
    assert [line.split()[1] for line in said] == ["keep", "keep"]


@pytest.mark.slow
def test_a_card_that_is_pulled_out_is_waited_for(
    card: Path, small_card: Path, inside: Inside
) -> None:
    lay(small_card, card, LIGHTS[0])
    assert len(inside.step()) == 1
    card.rename(card.with_name("elsewhere"))
    assert inside.step() == []
    assert inside.step() == []
    assert len(inside.warned) == 1
    assert "no such folder" in inside.warned[0]
    card.with_name("elsewhere").rename(card)
    lay(small_card, card, LIGHTS[1])
    assert [line.split()[0] for line in inside.step()] == [Path(LIGHTS[1]).name]


@pytest.mark.slow
def test_notes_that_are_written_meanwhile_hold_and_a_mistake_in_them_is_told_once(
    card: Path, small_card: Path, inside: Inside
) -> None:
    notes = card.parent / "night-notes.yaml"
    sound = notes.read_text("utf-8")
    lay(small_card, card, LIGHTS[0])
    inside.step()
    notes.write_text("site: [no, place]\n", encoding="utf-8")
    lay(small_card, card, LIGHTS[1])
    assert len(inside.step()) == 1
    lay(small_card, card, LIGHTS[2])
    assert len(inside.step()) == 1
    assert len(inside.warned) == 1
    assert "night-notes.yaml" in inside.warned[0]
    notes.write_text(
        sound + f"  - files: {Path(LIGHTS[4]).name}\n    reason: test shot\n", encoding="utf-8"
    )
    lay(small_card, card, LIGHTS[4])
    assert inside.step() == [], "left out by the notes"


@pytest.mark.slow
def test_a_frame_that_goes_away_is_forgotten(card: Path, small_card: Path, inside: Inside) -> None:
    lay(small_card, card, *LIGHTS[:3])
    inside.step()
    (card / LIGHTS[1]).unlink()
    inside.step()
    assert set(inside.watch._measures) == {LIGHTS[0], LIGHTS[2]}


def test_a_page_of_a_session_that_the_audit_does_not_have_goes_and_nothing_else(
    tmp_path: Path,
) -> None:
    out = tmp_path / "out"
    for name in ("gone", "stays"):
        (out / name).mkdir(parents=True)
        (out / name / "report.html").write_text("page", encoding="utf-8")
    (out / "stays" / "frames.csv").touch()
    remove_live_page(out / "gone", out)
    remove_live_page(out / "stays", out)
    assert not (out / "gone").exists()
    assert (out / "stays" / "report.html").exists()


def test_events_wake_and_a_look_does_not(tmp_path: Path) -> None:
    (tmp_path / "a.dng").write_bytes(b"one")
    with events.Events(tmp_path) as woken:
        assert not woken.wait(0.0)
        (tmp_path / "a.dng").read_bytes()
        assert not woken.wait(0.5), "that a file was read is no change"
        (tmp_path / "b.dng").write_bytes(b"two")
        assert woken.wait(LONGEST_S)


def test_where_no_event_comes_the_folder_is_listed_often(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(events, "OFTEN_S", 0.3)
    with events.Events(tmp_path) as woken:
        woken.missed()
        begin = time.monotonic()
        assert not woken.wait(1e6)
        assert time.monotonic() - begin < events.SELDOM_S

    class Refuses(events.Observer):  # type: ignore[misc,valid-type]
        def start(self) -> None:
            raise OSError(28, "inotify watch limit reached")

    monkeypatch.setattr(events, "Observer", Refuses)
    with events.Events(tmp_path) as woken:
        assert not woken.wait(1e6)


def test_a_line_that_is_no_news_is_said_once() -> None:
    said: list[str] = []
    once = _Once(said.append)
    once("a")
    once("a")
    once("b", again=True)
    once("b", again=True)
    assert said == ["a", "b", "b"]
