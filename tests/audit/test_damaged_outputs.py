"""Outputs that were cut, edited or are something else: said in a line, and no number from them."""

from __future__ import annotations

import json
import os
import random
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

import skyplumb as package
from skyplumb.errors import UserError
from skyplumb.output.index import write_index
from skyplumb.season.sessions import read_season
from skyplumb.summary import SCHEMA_ID, schema
from smallcard import SESSION, Finished, written

Command = Callable[..., Finished]


@pytest.fixture
def out(audited: Finished, tmp_path: Path) -> Path:
    """An output folder in which the small card was audited before."""
    return shutil.copytree(audited.out, tmp_path / "out")


def test_a_table_that_is_cut_or_changed_anywhere_is_never_counted(
    out: Path, audited: Finished
) -> None:
    table = out / SESSION / "frames.csv"
    whole = table.read_bytes()
    assert len(read_season([out]).frames) == 10
    lot = random.Random(9)
    for place in [len(whole) - 1, *lot.sample(range(1, len(whole)), 60)]:
        for content in (whole[:place], whole[:place] + b"9" + whole[place + 1 :]):
            if content == whole:
                continue
            table.write_bytes(content)
            with pytest.raises(UserError) as told:
                read_season([out])
            assert "\n" not in str(told.value) and str(table) in str(told.value)
            with pytest.raises(UserError):
                package.read_session(out / SESSION)
    table.write_bytes(whole)
    assert len(package.read_session(out / SESSION).frames) == len(audited.rows)


def test_a_cut_table_of_a_version_that_kept_no_digest_is_known_by_its_frames(out: Path) -> None:
    told = json.loads((out / SESSION / "summary.json").read_text("utf-8"))
    del told["sessions"][0]["table_digest"], told["sessions"][0]["table_rows"], told["format"]
    (out / SESSION / "summary.json").write_text(json.dumps(told), "utf-8")
    assert len(read_season([out]).frames) == 10
    table = out / SESSION / "frames.csv"
    lines = table.read_bytes().splitlines(keepends=True)
    lights = [n for n, line in enumerate(lines) if b",light," in line]
    table.write_bytes(b"".join(lines[: lights[4]]))
    with pytest.raises(UserError, match=r"frames.csv: is cut: \d+ frames .* audit again"):
        read_season([out])


@pytest.mark.slow
def test_after_a_kill_between_table_and_summary_nothing_is_counted_until_audited_again(
    skyplumb: Command, out: Path, small_card: Path, audited: Finished
) -> None:
    table = out / SESSION / "frames.csv"
    table.write_bytes(table.read_bytes().replace(b",keep,", b",doubtful,"))
    told = skyplumb("tally", out, "--out", out.parent / "season")
    assert told.code == 2 and len(told.stderr.splitlines()) == 1
    assert not (out.parent / "season").exists()
    again = skyplumb("audit", small_card, "--out", out)
    assert again.code == 0 and written(again) == written(audited)
    assert skyplumb("tally", out, "--out", out.parent / "season").code == 0


def brackets(path: Path) -> None:
    path.write_text("[" * 300_000)


def pipe(path: Path) -> None:
    path.unlink(missing_ok=True)
    os.mkfifo(path)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="needs pipes")
@pytest.mark.parametrize("spoil", [brackets, pipe])
@pytest.mark.parametrize(
    "name", ["summary.json", "frames.csv", ".skyplumb-card.json", ".skyplumb-made.json"]
)
def test_whatever_lies_in_another_sessions_folder_is_passed_over(
    skyplumb: Command,
    out: Path,
    small_card: Path,
    audited: Finished,
    spoil: Callable[[Path], None],
    name: str,
) -> None:
    other = shutil.copytree(out / SESSION, out / f"{SESSION}-2")
    spoil(other / name)
    done = skyplumb("audit", small_card, "--out", out)
    assert (done.code, "Traceback" in done.stderr) == (0, False)
    assert (f"{other / name}: passed over" in done.stderr) == (name == "summary.json")
    assert written(done) == written(audited)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="needs pipes")
@pytest.mark.parametrize("spoil", [brackets, pipe])
@pytest.mark.parametrize("name", ["summary.json", "frames.csv"])
def test_nothing_but_a_line_comes_of_such_an_output_elsewhere(
    skyplumb: Command, out: Path, small_card: Path, spoil: Callable[[Path], None], name: str
) -> None:
    spoil(out / SESSION / name)
    for words in (
        ("tally", out, "--out", out.parent / "season"),
        ("forecast", out),
        *([("audit", small_card, "--out", out.parent / "b", "--history", out)] * ("sum" in name)),
    ):
        told = skyplumb(*words)
        assert told.code == 2 and len(told.stderr.splitlines()) == 1
        assert name in told.stderr


def test_the_index_says_what_it_passes_over(out: Path) -> None:
    brackets(out / SESSION / "summary.json")
    told: list[str] = []
    write_index(out, {}, told.append)
    assert len(told) == 1 and "too many brackets" in told[0]


def test_a_summary_says_which_format_it_has(out: Path) -> None:
    told = json.loads((out / SESSION / "summary.json").read_text("utf-8"))
    assert told["format"] == 1
    assert schema()["$id"] == SCHEMA_ID and SCHEMA_ID.endswith(":1")
