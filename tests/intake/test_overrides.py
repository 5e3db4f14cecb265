"""Verdicts by hand: read with care, told apart from the rules' own, and counted everywhere."""

from __future__ import annotations

import json
import shutil
import unicodedata
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Literal

import pytest

from skyplumb.intake import yaml_file
from skyplumb.intake.overrides import Overrides, load_overrides, on_card
from skyplumb.intake.overrides_kept import keep_overrides
from skyplumb.intake.yaml_file import SettingsError
from skyplumb.records import Measure, ShotInfo
from smallcard import FEN, MOOR, Finished

SHARP = f"{MOOR}/MIST_0002.dng"
KNOCKED = f"{MOOR}/MIST_0004.dng"


def written(path: Path, text: str) -> Path:
    path.write_text(text, encoding="utf-8")
    return path


def complaint(*paths: Path) -> str:
    with pytest.raises(SettingsError) as caught:
        load_overrides(paths)
    return str(caught.value)


# ---- the file ---------------------------------------------------------------------------


def test_each_file_is_parsed_once_however_many_entries_it_has(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    entries = "".join(f"  - {{file: a/{n}.dng, verdict: keep}}\n" for n in range(400))
    path = written(tmp_path / "many.yaml", "frames:\n" + entries)
    parsed: list[int] = []
    real = yaml_file._parse
    monkeypatch.setattr(yaml_file, "_parse", lambda *a: (parsed.append(1), real(*a))[1])
    read = load_overrides([path])
    assert (len(read.by_file), len(parsed)) == (400, 1)
    assert read.stands_at["a/399.dng"] == f"{path}:401"


def test_many_entries_about_no_frame_are_told_by_the_first_and_their_number(
    tmp_path: Path,
) -> None:
    entries = "".join(f"  - {{file: a/{n}.dng, verdict: keep}}\n" for n in range(400))
    read = load_overrides([written(tmp_path / "many.yaml", "frames:\n" + entries)])
    with pytest.raises(SettingsError) as caught:
        on_card(read, ["b.dng"])
    lines = str(caught.value).splitlines()
    assert (len(lines), lines[-1]) == (21, "and 380 entries more")


def test_yaml_and_json_say_the_same(tmp_path: Path) -> None:
    frames = [{"file": 'a/"ü" #1.dng', "verdict": "keep", "note": "it is: fine"}]
    as_json = written(tmp_path / "a.json", json.dumps({"frames": frames}, indent=2))
    as_yaml = written(
        tmp_path / "b.yaml",
        "frames:\n  - file: 'a/\"ü\" #1.dng'\n    verdict: keep\n    note: 'it is: fine'\n",
    )
    read = load_overrides([as_json])
    assert read.by_file == load_overrides([as_yaml]).by_file
    (entry,) = read.by_file.values()
    assert (entry.file, entry.verdict, entry.note) == ('a/"ü" #1.dng', "keep", "it is: fine")


def test_a_name_as_the_csv_guards_it_is_the_same_name(tmp_path: Path) -> None:
    path = written(tmp_path / "o.yaml", "frames: [{file: ./=cmd.dng, verdict: keep}]\n")
    assert list(load_overrides([path]).by_file) == ["=cmd.dng"]


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("frames:\n  - file: a\n    verdict: maybe\n", ":3: frames.1.verdict: should be 'keep'"),
        ("frames:\n  - file: a\n", ":2: frames.1.verdict: is missing"),
        ("frames:\n  - file: a\n    verdict: keep\n    why: x\n", ":4: frames.1.why: no such key"),
        ("frames: keep\n", ":1: frames: should be a list of entries"),
        ("- a\n", ":1: should be a list of 'key: value' lines"),
        ("frames: [\n", "not valid YAML"),
    ],
)
def test_a_mistake_is_named_with_its_line(tmp_path: Path, text: str, says: str) -> None:
    path = written(tmp_path / "o.yaml", text)
    assert says in complaint(path)
    assert str(path) in complaint(path)


def test_two_files_must_not_disagree_but_may_repeat(tmp_path: Path) -> None:
    a = written(tmp_path / "a.yaml", "frames:\n  - {file: x.dng, verdict: keep}\n")
    b = written(tmp_path / "b.yaml", "frames:\n  - {file: x.dng, verdict: reject}\n")
    assert len(load_overrides([a, a]).by_file) == 1
    assert f"{b}:2" in complaint(a, b)
    assert f"{a}:2" in complaint(a, b)


def test_a_frame_that_is_not_there_is_named_with_the_nearest_one(tmp_path: Path) -> None:
    path = written(tmp_path / "o.yaml", "frames:\n  - {file: N_0012.dng, verdict: keep}\n")
    with pytest.raises(SettingsError, match=r"o\.yaml:2: 'N_0012.dng' .* mean 'N_0013.dng'\?"):
        on_card(load_overrides([path]), ["N_0013.dng", "other.dng"])


@pytest.mark.parametrize(("typed", "listed"), [("NFC", "NFD"), ("NFD", "NFC"), ("NFC", "NFC")])
def test_a_name_is_the_same_with_its_accents_composed_or_apart(
    tmp_path: Path, typed: Literal["NFC", "NFD"], listed: Literal["NFC", "NFD"]
) -> None:
    # Some disks give back "ü" as "u" and its dots, which is another string (Unicode, annex 15).
    name, on_disk = (unicodedata.normalize(form, "Süd/Größe.dng") for form in (typed, listed))
    path = written(tmp_path / "o.yaml", f"frames:\n  - {{file: {name}, verdict: reject}}\n")
    held = on_card(load_overrides([path]), [on_disk, "other.dng"])
    assert list(held.by_file) == list(held.stands_at) == [on_disk]
    # Kept with the output, it holds for a copy of the card on the other kind of disk as well.
    judged = Measure(on_disk, "light", "", ShotInfo(taken_camera="then"))
    first = keep_overrides(held, tmp_path, [judged], [].append)
    assert first.by_file[on_disk].verdict == "reject"
    copy = replace(judged, file=name)
    assert keep_overrides(Overrides({}, {}), tmp_path, [copy], [].append).by_file.keys() == {name}


# ---- through the audit ------------------------------------------------------------------


@pytest.fixture
def corrected(
    audited: Finished,
    small_card: Path,
    skyplumb: Callable[..., Finished],
    tmp_path: Path,
) -> Finished:
    """The small card audited again with two verdicts by hand."""
    path = written(
        tmp_path / "overrides.yaml",
        f"frames:\n  - {{file: '{KNOCKED}', verdict: keep, note: good enough}}\n"
        f"  - {{file: '{SHARP}', verdict: reject}}\n",
    )
    # The measures of the first audit serve this one too.
    shutil.copytree(audited.out, tmp_path / "out")
    done = skyplumb("audit", small_card, "--out", tmp_path / "out", "--overrides", path)
    assert done.code == 0, done.stderr
    return done


def test_an_audit_with_overrides_marks_exactly_those_rows(
    audited: Finished, corrected: Finished
) -> None:
    before, after = audited.rows, corrected.rows
    assert before[KNOCKED]["verdict"] == "reject" and before[SHARP]["verdict"] == "keep"
    assert {f for f, row in after.items() if row["decided_by"] == "person"} == {KNOCKED, SHARP}
    for file, row in after.items():
        if file not in (KNOCKED, SHARP):
            assert row == before[file]
    kept, lost = after[KNOCKED], after[SHARP]
    assert (kept["verdict"], kept["cause"], kept["rules_verdict"]) == ("keep", "none", "reject")
    assert kept["reason"].startswith("decided by hand: good enough (the rules said reject: ")
    assert (lost["verdict"], lost["cause"], lost["confidence"]) == ("reject", "unexplained", "")
    # What was measured stays as it was measured.
    measured = ("trail_px", "fwhm_px", "stars", "doubled_px")
    assert [kept[name] for name in measured] == [before[KNOCKED][name] for name in measured]


def test_lists_and_summary_follow_the_person(audited: Finished, corrected: Finished) -> None:
    (folder,) = (path.parent for path in corrected.out.glob("*/stackable.txt"))
    listed = (folder / "stackable.txt").read_text("utf-8").splitlines()
    assert any(line.endswith(KNOCKED) for line in listed)
    assert not any(line.endswith(SHARP) for line in listed)
    (session,) = json.loads((folder / "summary.json").read_text("utf-8"))["sessions"]
    kept = [file for file, row in corrected.rows.items() if row["verdict"] == "keep"]
    assert session["keep"] == len(kept) == len(listed)
    told = {f["file"]: f for run in session["runs"] for f in run["frames"]}
    assert told[KNOCKED]["decided_by"] == "person"
    assert told[KNOCKED]["note"] == "good enough"
    assert "unexplained" not in {advice["cause"] for advice in session["advice"]}


def test_overrides_for_a_file_that_is_not_judged_stop_the_audit_before_it_writes(
    audited: Finished, small_card: Path, skyplumb: Callable[..., Finished], tmp_path: Path
) -> None:
    path = written(
        tmp_path / "o.yaml", f"frames:\n  - {{file: '{FEN}/PROBE_01.dng', verdict: keep}}\n"
    )
    shutil.copytree(audited.out / ".skyplumb", tmp_path / "out" / ".skyplumb")
    done = skyplumb("audit", small_card, "--out", tmp_path / "out", "--overrides", path)
    assert done.code == 2
    assert f"{path}:2" in done.stderr
    assert not list((tmp_path / "out").glob("*/frames.csv"))
