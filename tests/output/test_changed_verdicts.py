"""Frames that an audit judges otherwise than the one before: they may be stacked already."""

from __future__ import annotations

import html
import json
import os
import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from skyplumb.output import files, made
from skyplumb.output.files import Targets, WrittenSession, write_session
from skyplumb.output.index import write_index
from skyplumb.output.result import SessionResult
from skyplumb.output.told import session_lines
from skyplumb.records import VERDICTS
from skyplumb.summary import FrameSummary, Trace
from smallcard import KNOCKED, LIGHTS, SESSION, Finished

Command = Callable[..., Finished]


def judged_with(night: SessionResult, count: int, **trace: Any) -> SessionResult:
    """The night with other verdicts for its first `count` frames."""
    lights = [row for row in night.rows if row.kind == "light"]
    turned = {row.file: VERDICTS[(VERDICTS.index(row.verdict) + 1) % 3] for row in lights[:count]}
    rows = tuple(replace(row, verdict=turned.get(row.file, row.verdict)) for row in night.rows)
    runs = tuple(
        replace(
            run,
            frames=tuple(FrameSummary(row.file, row.verdict) for row in rows if row.run == run.run),
        )
        for run in night.summary.runs
    )
    summary = replace(night.summary, runs=runs, trace=Trace(**trace))
    return replace(night, rows=rows, summary=summary)


def without_its_first(night: SessionResult) -> SessionResult:
    """The night after a frame was deleted from the card."""
    first, *rest = night.summary.runs
    runs = (replace(first, frames=first.frames[1:]), *rest)
    return replace(night, rows=night.rows[1:], summary=replace(night.summary, runs=runs))


Write = Callable[[SessionResult, Path], WrittenSession]


@pytest.fixture
def written(night: SessionResult, tmp_path: Path) -> Write:
    """Writes a night of one card with a few bytes for each file."""
    card = tmp_path / "card"
    for row in night.rows:
        (card / row.file).parent.mkdir(parents=True, exist_ok=True)
        (card / row.file).write_bytes(b"raw of " + os.fsencode(row.file))
    return lambda some, out: write_session(some, Targets(out), card)


def bytes_of(folder: Path) -> dict[str, bytes]:
    return {p.name: p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def test_the_first_audit_into_a_folder_has_nothing_to_say(
    night: SessionResult, written: Write, tmp_path: Path
) -> None:
    done = written(night, tmp_path / "out")
    assert done.summary.changed_verdicts == done.summary.changed_by == ()
    assert "differ" not in "".join(session_lines(done.summary, done.folder))
    assert "from the audit before" not in (done.folder / "report.html").read_text("utf-8")


def test_frames_of_another_verdict_are_named_wherever_the_night_is_told(
    night: SessionResult, written: Write, tmp_path: Path
) -> None:
    written(judged_with(night, 0, rules_digest="a", version="1"), tmp_path / "out")
    strict = judged_with(night, 5, rules_digest="b", version="1")
    done = written(strict, tmp_path / "out")
    was = {row.file: row.verdict for row in night.rows if row.kind == "light"}
    (told,) = json.loads((done.folder / "summary.json").read_text("utf-8"))["sessions"]
    assert [(one["file"], one["was"]) for one in told["changed_verdicts"]] == list(was.items())[:5]
    assert all(one["now"] != one["was"] for one in told["changed_verdicts"])
    assert told["changed_by"] == ["rules"]
    (line,) = [one for one in session_lines(done.summary, done.folder) if "differ" in one]
    assert line.startswith("  ! 5 verdicts differ from the audit before (other rules): ")
    first = told["changed_verdicts"][0]
    assert f"{Path(first['file']).name} {first['was']} -> {first['now']}, " in line
    assert line.count("->") == 3 and ", 2 more;" in line
    page = html.unescape((done.folder / "report.html").read_text("utf-8"))
    assert "5 verdicts differ from the audit before, which had other rules" in page
    for one in told["changed_verdicts"]:
        assert f"<li>{one['file']}: {one['was']} → {one['now']}</li>" in page
    index = html.unescape(write_index(tmp_path / "out").read_text("utf-8"))
    assert line.removeprefix("  ! ") in index


def test_what_was_another_one_then_is_told(
    night: SessionResult, written: Write, tmp_path: Path
) -> None:
    written(judged_with(night, 0), tmp_path / "out")
    changed = judged_with(
        night, 2, version="2", rules_digest="r", notes_digest="n", overrides_digest="o"
    )
    done = written(without_its_first(changed), tmp_path / "out")
    parts = ("version", "rules", "night notes", "verdicts by hand", "frames")
    assert done.summary.changed_by == parts
    (line,) = [one for one in session_lines(done.summary, done.folder) if "differs" in one]
    assert "1 verdict differs" in line and "other verdicts by hand" in line


def test_an_audit_that_is_repeated_says_the_same_until_a_verdict_changes_again(
    night: SessionResult, written: Write, tmp_path: Path
) -> None:
    written(judged_with(night, 0, rules_digest="a"), tmp_path / "out")
    strict = judged_with(night, 3, rules_digest="b")
    before = bytes_of(written(strict, tmp_path / "out").folder)
    assert b'"was"' in before["summary.json"]
    assert bytes_of(written(strict, tmp_path / "out").folder) == before
    # Notes that change no verdict leave what was said, too: no stack was made anew by them.
    noted = judged_with(night, 3, rules_digest="b", notes_digest="n")
    assert len(written(noted, tmp_path / "out").summary.changed_verdicts) == 3
    back = written(judged_with(night, 1, rules_digest="a"), tmp_path / "out").summary
    assert len(back.changed_verdicts) == 2
    # A frame that is not on the card any more is not spoken of.
    written(judged_with(night, 0, rules_digest="a"), tmp_path / "out")
    assert len(written(strict, tmp_path / "out").summary.changed_verdicts) == 3
    left = written(without_its_first(strict), tmp_path / "out").summary
    assert len(left.changed_verdicts) == 2


@pytest.mark.slow
def test_killed_while_it_writes_and_called_again_it_writes_the_same(
    night: SessionResult, written: Write, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    earlier = tmp_path / "earlier"
    written(judged_with(night, 0, rules_digest="a"), earlier / "out")
    strict = judged_with(night, 4, rules_digest="b")
    whole = shutil.copytree(earlier, tmp_path / "whole")
    wanted = bytes_of(written(strict, whole / "out").folder)
    real = files.write_atomic
    kills = 0
    for after in range(20):
        again = shutil.copytree(earlier, tmp_path / f"killed-{after}")
        done: list[Path] = []

        def killed(path: Path, data: bytes, after: int = after, done: list[Path] = done) -> None:
            if len(done) == after:
                raise KeyboardInterrupt
            done.append(path)
            real(path, data)

        with monkeypatch.context() as patch:
            patch.setattr(files, "write_atomic", killed)
            patch.setattr(made, "write_atomic", killed)
            try:
                written(strict, again / "out")
            except KeyboardInterrupt:
                kills += 1
        assert bytes_of(written(strict, again / "out").folder) == wanted, f"after {after} files"
    assert kills >= 5, "it was never killed between the table and the page"


def test_through_the_command(
    skyplumb: Command, audited: Finished, small_card: Path, tmp_path: Path
) -> None:
    out = shutil.copytree(audited.out, tmp_path / "out")
    strict = tmp_path / "strict.yaml"
    strict.write_text("min_stars:\n  at_least: 100000\n", encoding="utf-8")
    words = ("audit", small_card, "--out", out, "--rules", strict)
    first = skyplumb(*words)
    # The knocked one was rejected before.
    changed = len(LIGHTS) - 1
    assert f"! {changed} verdicts differ from the audit before (other rules): " in first.stdout
    (told,) = json.loads(first.files[f"{SESSION}/summary.json"])["sessions"]
    assert {one["file"] for one in told["changed_verdicts"]} == set(LIGHTS) - {KNOCKED}
    assert {one["now"] for one in told["changed_verdicts"]} == {"reject"}
    again = skyplumb(*words)
    assert again.files == first.files
    assert f"! {changed} verdicts differ" in again.stdout
