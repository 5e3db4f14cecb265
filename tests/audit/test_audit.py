"""The whole job on a small drawn card: what is written, and what it takes to write it again."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import time
from collections.abc import Callable
from datetime import date
from pathlib import Path, PurePosixPath
from typing import Any

import pytest
from threadpoolctl import threadpool_limits

from skyplumb.columns import COLUMNS
from skyplumb.intake.notes import ShotNotes
from skyplumb.measure.database import Database
from skyplumb.measure.store import Store
from skyplumb.night.shot import Session, Shot
from skyplumb.output import table
from skyplumb.records import NAN, Measure, ShotInfo
from skyplumb.summary import SessionSummary, summary_json
from smallcard import (
    FEN,
    KNOCKED,
    LIGHTS,
    MOOR,
    SESSION,
    SHARP,
    SKYPLUMB,
    Acting,
    Finished,
    measures_kept,
    written,
)

Command = Callable[..., Finished]

UNREADABLE = [f"{MOOR}/MIST_0007.dng", f"{FEN}/MIST_0090.dng", f"{FEN}/NOTIZ.CR2"]
MEASURED = 13
"""Lights, the dark, the flat and the one left out."""


def listing(folder: Path) -> list[tuple[str, int, int, int, int]]:
    """Everything in a folder: name, mode, links, size, time of change."""
    return sorted(
        (str(path.relative_to(folder)), one.st_mode, one.st_nlink, one.st_size, one.st_mtime_ns)
        for path in [folder, *folder.rglob("*")]
        if (one := path.lstat())
    )


class Spy(Acting):
    """Keeps what was measured."""

    def __init__(self) -> None:
        super().__init__(self._keep)
        self.measured: list[str] = []

    def _keep(self, item: Any) -> None:
        if isinstance(item, PurePosixPath):
            self.measured.append(item.as_posix())


@pytest.fixture
def spy(skyplumb: Command, monkeypatch: pytest.MonkeyPatch) -> Spy:
    """What is measured by commands run in this process."""
    one = Spy()
    monkeypatch.setattr("skyplumb.measure.pool.LocalWorkers", lambda jobs: one)
    return one


# What is written


def test_every_file_of_the_card_gets_its_row_and_litter_none(audited: Finished) -> None:
    assert audited.code == 0, audited.stderr
    assert {file: row["kind"] for file, row in audited.rows.items()} == {
        **dict.fromkeys(LIGHTS, "light"),
        **dict.fromkeys(UNREADABLE, "unreadable"),
        f"{MOOR}/MIST_0001.jpg": "companion",
        f"{FEN}/PROBE_01.dng": "excluded",
        f"{FEN}/Handy.JPG": "unsupported",
        "dunkel/MIST_0012.dng": "dark",
        "hell/MIST_0013.dng": "flat",
    }
    assert {row["session"] for row in audited.rows.values()} == {SESSION}


def test_a_session_says_whose_and_when_and_where_it_is(audited: Finished) -> None:
    (told,) = json.loads(audited.files[f"{SESSION}/summary.json"])["sessions"]
    names = ("evening", "camera", "serial", "latitude_deg", "longitude_deg")
    # As drawn, the site as the night notes give it.
    drawn = ["2026-09-12", "Lerchau Mistel 3", "LM-30177", 47.2, 11.8]
    assert [told[name] for name in names] == drawn


def test_a_site_on_both_sides_of_the_date_line_is_one_and_an_unknown_one_is_null() -> None:
    places = [(-17.0, 179.9), (-17.0, -179.9), (-17.0, -179.8), (NAN, NAN)]
    infos = [ShotInfo(latitude_deg=lat, longitude_deg=lon) for lat, lon in places]
    shots = tuple(Shot(Measure("a.dng", "light", ""), ShotNotes(info)) for info in infos)
    told = table._identity(Session("2026-08-14-n1", shots, date(2026, 8, 14), "N1", "7"))
    assert (told["latitude_deg"], told["longitude_deg"]) == (-17.0, -179.9)
    assert (told["evening"], told["camera"], told["serial"]) == ("2026-08-14", "N1", "7")
    undated = table._identity(Session("undated-n1", ()))
    undated = summary_json(SessionSummary("undated-n1", **undated))
    (read,) = json.loads(undated)["sessions"]
    assert read["evening"] is read["latitude_deg"] is read["longitude_deg"] is None


def test_every_row_that_is_not_judged_says_why(audited: Finished) -> None:
    aside = [row for row in audited.rows.values() if row["kind"] != "light"]
    assert all(row["reason"] and not row["verdict"] for row in aside)
    assert audited.rows[f"{FEN}/PROBE_01.dng"]["reason"] == "test shot"


def test_the_table_has_the_promised_columns_first_and_in_order(audited: Finished) -> None:
    head = (audited.out / SESSION / "frames.csv").read_text("utf-8").splitlines()[0]
    assert head.split(",") == list(COLUMNS)


def test_sharp_frames_are_kept_and_the_knocked_one_is_rejected(audited: Finished) -> None:
    rows = audited.rows
    assert {rows[file]["verdict"] for file in SHARP} == {"keep"}
    knocked = rows[KNOCKED]
    assert (knocked["verdict"], knocked["cause"]) == ("reject", "knock")
    # 1000 and 600 arcsec at 137.5 arcsec/px (16 um over 24 mm); 0.4 px as the camera rests
    # for a different time in each place and the stars' centroids are good to 0.1 px.
    assert float(knocked["doubled_px"]) == pytest.approx(8.48, abs=0.4)


def test_pointings_are_those_that_were_drawn(audited: Finished, small_card: Path) -> None:
    told = json.loads((small_card.parent / "truth.json").read_text("utf-8"))
    truth = {entry["file"]: entry for entry in told["frames"]}
    for file in SHARP:
        row = audited.rows[file]
        assert row["solved"] == "true"
        # Half a pixel, 0.02 deg: star places are good to 0.1 px, the middle of the lens to less.
        assert float(row["ra_deg"]) == pytest.approx(truth[file]["ra_deg"], abs=0.02)
        assert float(row["dec_deg"]) == pytest.approx(truth[file]["dec_deg"], abs=0.02)


def test_exposures_and_aims_make_the_runs(audited: Finished) -> None:
    runs = {file: audited.rows[file]["run"] for file in LIGHTS}
    assert {runs[file] for file in LIGHTS[:6]} == {"01-24mm-60s"}
    assert {runs[file] for file in LIGHTS[6:]} == {"02-24mm-30s"}


def test_the_lists_hold_the_kept_frames_and_every_path_is_there(audited: Finished) -> None:
    kept = [file for file in LIGHTS if audited.rows[file]["verdict"] == "keep"]
    lines = (audited.out / SESSION / "stackable.txt").read_text("utf-8").splitlines()
    assert [line.partition("/card/")[2] for line in lines] == kept
    assert all(Path(line).is_absolute() and Path(line).is_file() for line in lines)
    first = (audited.out / SESSION / "stackable/01-24mm-60s.txt").read_text("utf-8")
    assert first.splitlines() == [line for line in lines if MOOR in line]


def test_summary_and_table_agree(audited: Finished) -> None:
    told = json.loads((audited.out / SESSION / "summary.json").read_text("utf-8"))
    (session,) = told["sessions"]
    rows = audited.rows
    assert session["lights"] == len(LIGHTS)
    assert session["keep"] == sum(row["verdict"] == "keep" for row in rows.values())
    assert sum(run["shots"] for run in session["runs"]) == len(LIGHTS)
    for run in session["runs"]:
        mine = [row for row in rows.values() if row["run"] == run["run"]]
        assert run["keep"] == sum(row["verdict"] == "keep" for row in mine)
        assert run["hit_rate_low"] <= run["hit_rate"] <= run["hit_rate_high"]
        assert run["mount"]["setup"]


def test_the_command_ends_with_what_was_kept_lost_and_to_do(audited: Finished) -> None:
    first, lost, axis, remedy, *rest = audited.stdout.splitlines()[-7:]
    rows = audited.rows.values()
    kept = sum(row["verdict"] == "keep" for row in rows)
    minutes = {
        verdict: sum(float(r["exposure_s"]) for r in rows if r["verdict"] == verdict) / 60
        for verdict in ("keep", "reject", "doubtful")
    }
    assert first == (
        f"{SESSION}: {kept} of {len(LIGHTS)} light frames kept, "
        f"{minutes['keep']:.0f} min of {sum(minutes.values()):.0f} min"
    )
    assert axis.startswith("  polar axis ") and " arcmin from the pole" in axis
    assert lost == "  lost to knock 1 (1 min)"
    assert remedy.startswith("  Keep clear of tripod") and remedy.endswith("Saves 1 frame, 1 min.")
    folder = (audited.out / SESSION).resolve()
    assert rest == [
        f"  {folder / 'report.html'}",
        f"  {folder / 'stackable.txt'}",
        f"{kept} of {len(LIGHTS)} light frames to stack",
    ]


def test_a_page_leads_to_every_session(audited: Finished) -> None:
    page = (audited.out / "index.html").read_text("utf-8")
    assert f'href="{SESSION}/report.html"' in page
    assert f"9 of {len(LIGHTS)} frames to stack" in page
    assert "http://" not in page and "https://" not in page


def test_summary_says_what_it_was_made_from_and_with(
    skyplumb: Command, audited: Finished, small_card: Path, continued: Path
) -> None:
    def trace(out: Path) -> dict[str, Any]:
        told = json.loads((out / SESSION / "summary.json").read_text("utf-8"))
        return told["sessions"][0]["trace"]  # type: ignore[no-any-return]

    first = trace(audited.out)
    assert first["version"] and first["libraries"]["numpy"] and first["lost_files"] == {}
    strict = continued.parent / "strict.yaml"
    strict.write_text("min_stars:\n  at_least: 100000\n", encoding="utf-8")
    skyplumb("audit", small_card, "--out", continued, "--rules", strict)
    changed = {name for name, value in trace(continued).items() if value != first[name]}
    assert changed == {"rules_digest"}


def test_a_folder_that_changed_notes_left_behind_is_said(
    skyplumb: Command, small_card: Path, continued: Path
) -> None:
    shutil.copytree(continued / SESSION, continued / "2026-09-13-lerchau-mistel-3")
    done = skyplumb("audit", small_card, "--out", continued)
    assert "2026-09-13-lerchau-mistel-3: of an earlier audit" in done.stderr
    assert (continued / "2026-09-13-lerchau-mistel-3").exists()


def test_without_out_results_lie_beside_the_card_and_never_on_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from skyplumb.output.paths import default_out

    (tmp_path / "work").mkdir()
    monkeypatch.chdir(tmp_path / "work")
    (tmp_path / "night").mkdir()
    assert default_out(tmp_path / "night") == tmp_path / "night-audit"
    assert not (tmp_path / "night-audit").exists()  # nothing is left where the audit is refused
    assert default_out(Path(tmp_path.anchor)) == tmp_path / "work" / "card-audit"
    volume = tmp_path / "NO NAME"
    (volume / "DCIM" / "100MOOR").mkdir(parents=True)
    for card in (volume / "DCIM", volume / "DCIM" / "100MOOR"):
        assert default_out(card) == tmp_path / "work" / f"{card.name}-audit"
    (tmp_path / "shut-audit").write_text("a file in the way")
    (tmp_path / "shut").mkdir()
    assert default_out(tmp_path / "shut") == tmp_path / "work" / "shut-audit"


@pytest.mark.parametrize("option", ["--out", "--link-into", "--xmp-beside"])
def test_a_file_where_results_should_lie_is_said_before_the_work(
    skyplumb: Command, spy: Spy, small_card: Path, tmp_path: Path, option: str
) -> None:
    (tmp_path / "file").write_text("in the way")
    places = {"--out": tmp_path / "out"} | {option: tmp_path / "file" / "below"}
    done = skyplumb("audit", small_card, *(word for pair in places.items() for word in pair))
    assert (done.code, spy.measured) == (2, [])
    assert done.stderr == f"{tmp_path / 'file'}: is a file; give {option} a folder\n"


def test_a_copy_that_is_not_there_is_said_before_the_work(
    skyplumb: Command, spy: Spy, small_card: Path, tmp_path: Path
) -> None:
    copy = tmp_path / "copy"
    done = skyplumb("audit", small_card, "--out", tmp_path / "out", "--xmp-beside", copy)
    assert (done.code, spy.measured) == (2, [])
    assert done.stderr == f"{copy}: is not a folder; give --xmp-beside the copy of the card\n"


def test_sidecars_rate_every_judged_frame_under_the_output(audited: Finished) -> None:
    folder = audited.out / SESSION / "xmp"
    names = {path.relative_to(folder).as_posix() for path in folder.rglob("*.xmp")}
    assert names == {str(Path(file).with_suffix(".xmp")) for file in LIGHTS}
    # -1 is "rejected" (ISO 16684-1, from memory).
    assert 'xmp:Rating="-1"' in (folder / KNOCKED).with_suffix(".xmp").read_text("utf-8")
    assert 'xmp:Rating="3"' in (folder / SHARP[0]).with_suffix(".xmp").read_text("utf-8")


# Going on


@pytest.mark.slow
def test_killed_in_the_middle_it_goes_on_and_ends_with_the_same_bytes(
    audited: Finished, small_card: Path, tmp_path: Path
) -> None:
    command = [*SKYPLUMB, "audit", str(small_card), "--out", str(tmp_path), "--jobs"]
    first = subprocess.Popen([*command, "1"], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    deadline = time.monotonic() + 60
    while measures_kept(tmp_path) < 3 and time.monotonic() < deadline:
        time.sleep(0.005)
    first.kill()
    first.wait()
    kept = measures_kept(tmp_path)
    assert 3 <= kept < MEASURED, "killed too early or too late to show anything"
    assert not list(tmp_path.glob("*/frames.csv"))
    again = subprocess.run([*command, "2"], capture_output=True, text=True, timeout=120)
    assert again.returncode == 0, again.stderr
    assert "of 16 frames were measured before" in again.stdout
    assert written(Finished(tmp_path, 0, "", "")) == written(audited)


def test_a_second_call_tries_only_what_could_not_be_read_and_writes_the_same(
    skyplumb: Command, spy: Spy, audited: Finished, small_card: Path, continued: Path
) -> None:
    done = skyplumb("audit", small_card, "--out", continued)
    assert (done.code, spy.measured) == (0, UNREADABLE)
    assert written(done) == written(audited)


def test_the_bytes_do_not_depend_on_how_many_threads_there_are(
    skyplumb: Command, audited: Finished, small_card: Path, continued: Path
) -> None:
    for threads in (1, 3):
        with threadpool_limits(limits=threads):
            assert written(skyplumb("audit", small_card, "--out", continued)) == written(audited)


def test_a_changed_rule_judges_again_without_measuring_or_calibrating(
    skyplumb: Command,
    spy: Spy,
    audited: Finished,
    small_card: Path,
    continued: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("skyplumb.session_task.calibrate", None)
    # Nor is an array read: numbers, calibration and pictures are all there is to a verdict.
    monkeypatch.setattr(Store, "_arrays_of", lambda *asked: {} if not asked[-1] else 1 / 0)
    strict = continued.parent / "strict.yaml"
    strict.write_text("min_stars:\n  at_least: 100000\n", encoding="utf-8")
    done = skyplumb("audit", small_card, "--out", continued, "--rules", strict)
    assert (done.code, spy.measured) == (0, UNREADABLE)
    assert {done.rows[file]["verdict"] for file in LIGHTS} == {"reject"}
    measured = ("stars", "fwhm_px", "ra_deg", "sky_level")
    for file in LIGHTS:
        assert [done.rows[file][name] for name in measured] == [
            audited.rows[file][name] for name in measured
        ]
    assert done.files[f"{SESSION}/stackable.txt"] == b""


@pytest.mark.slow
def test_fresh_measures_every_frame_again(
    skyplumb: Command, spy: Spy, audited: Finished, small_card: Path, continued: Path
) -> None:
    done = skyplumb("audit", small_card, "--out", continued, "--fresh")
    assert len(spy.measured) == len(set(spy.measured)) == 16
    assert written(done) == written(audited)


@pytest.mark.slow
def test_a_frame_that_comes_later_is_the_only_one_measured(
    skyplumb: Command, spy: Spy, audited: Finished, small_card: Path, tmp_path: Path
) -> None:
    card = shutil.copytree(small_card, tmp_path / "card")
    late = card / FEN / "MIST_0011.dng"
    aside = late.rename(tmp_path / "late.dng")
    shutil.copytree(audited.out / ".skyplumb", tmp_path / "out" / ".skyplumb")
    notes = small_card.parent / "night-notes.yaml"
    before = skyplumb("audit", card, "--out", tmp_path / "out", "--notes", notes)
    assert spy.measured == UNREADABLE
    assert f"{FEN}/MIST_0011.dng" not in before.rows
    spy.measured.clear()
    aside.rename(late)
    os.utime(late)  # a copy made today: not the shot that was measured under this name
    after = skyplumb("audit", card, "--out", tmp_path / "out", "--notes", notes)
    assert sorted(spy.measured) == sorted([*UNREADABLE, f"{FEN}/MIST_0011.dng"])
    assert after.rows == audited.rows


@pytest.mark.slow
def test_a_card_pulled_out_in_the_middle_is_read_on_when_it_is_back(
    skyplumb: Command,
    audited: Finished,
    small_card: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    card = shutil.copytree(small_card, tmp_path / "card")
    pulled = tmp_path / "pulled"

    measured: list[Any] = []

    def pull_out(item: Any) -> None:
        if len(measured) == 6 and card.exists():
            card.rename(pulled)
        measured.append(item)

    notes = small_card.parent / "night-notes.yaml"
    words = ("audit", card, "--out", tmp_path / "out", "--notes", notes)
    with monkeypatch.context() as patch:
        patch.setattr("skyplumb.measure.pool.LocalWorkers", lambda jobs: Acting(pull_out))
        lost = skyplumb(*words)
    assert lost.rows[LIGHTS[-1]]["kind"] == "unreadable"
    assert "no such file" in lost.rows[LIGHTS[-1]]["reason"]
    pulled.rename(card)
    assert skyplumb(*words).rows == audited.rows


@pytest.mark.slow
def test_a_disk_that_fills_up_loses_nothing(
    skyplumb: Command,
    audited: Finished,
    small_card: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    opened = Store._open

    def nearly_full(store: Store) -> Database:
        database = opened(store)
        db = database.connected()
        pages = db.execute("PRAGMA page_count").fetchone()[0]
        db.execute(f"PRAGMA max_page_count = {pages + 100}")  # SQLite's own way to be full
        return database

    with monkeypatch.context() as patch:
        patch.setattr(Store, "_open", nearly_full)
        full = skyplumb("audit", small_card, "--out", tmp_path / "out")
    assert full.code == 2
    line = full.stderr.splitlines()[-1]
    assert str(tmp_path / "out") in line
    assert "disk is full" in line.lower()
    assert "make room" in line
    after = skyplumb("audit", small_card, "--out", tmp_path / "out")
    before = re.search(r"(\d+) of 16 frames were measured before", after.stdout)
    assert before is not None and 1 <= int(before[1]) < MEASURED
    assert written(after) == written(audited)


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs a device that is always full")
def test_a_table_that_finds_no_room_is_one_line(
    skyplumb: Command, small_card: Path, continued: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    table = continued / SESSION / "frames.csv"
    before = table.read_bytes()
    # The name it writes beside the table before it moves it there.
    monkeypatch.setattr("skyplumb._data.secrets.token_hex", lambda _: "full")
    (table.parent / ".unfinished-full").symlink_to("/dev/full")
    done = skyplumb("audit", small_card, "--out", continued, "--quiet")
    assert done.code == 2
    assert "frames.csv" in done.stderr
    assert "free some space" in done.stderr
    assert len(done.stderr.splitlines()) == 1
    assert table.read_bytes() == before


def test_an_output_that_cannot_be_made_is_one_line_before_the_work(
    skyplumb: Command, spy: Spy, small_card: Path, tmp_path: Path
) -> None:
    (tmp_path / "file").touch()
    done = skyplumb("audit", small_card, "--out", tmp_path / "file" / "out")
    assert (done.code, spy.measured) == (2, [])
    assert str(tmp_path / "file") in done.stderr
    assert "give --out a folder" in done.stderr
    assert len(done.stderr.splitlines()) == 1


# The card is never written to


def test_a_card_is_left_as_it_was_to_the_last_byte_and_date(
    skyplumb: Command, small_card: Path, audited: Finished, tmp_path: Path
) -> None:
    card = shutil.copytree(small_card, tmp_path / "card")
    shutil.copytree(audited.out / ".skyplumb", tmp_path / "out" / ".skyplumb")
    for path in [*card.rglob("*"), card]:
        path.chmod(0o555 if path.is_dir() else 0o444)
    before = listing(card)
    bytes_before = {path: path.read_bytes() for path in card.rglob("*") if path.is_file()}
    notes = small_card.parent / "night-notes.yaml"
    links = tmp_path / "links"
    done = skyplumb(
        "audit", card, "--out", tmp_path / "out", "--notes", notes, "--xmp", "--link-into", links
    )
    try:
        assert done.code == 0, done.stderr
        # The number of links is in it: none was made that shares its bytes with the card.
        assert listing(card) == before
        assert {path: path.read_bytes() for path in bytes_before} == bytes_before
        kept = {f for f, row in done.rows.items() if row["verdict"] == "keep"}
        laid = set(links.rglob("light-frames/*.dng"))
        assert {p.resolve().relative_to(card.resolve()).as_posix() for p in laid} == kept
        assert all(path.is_symlink() for path in laid)
    finally:
        for path in [card, *card.rglob("*")]:
            path.chmod(0o755 if path.is_dir() else 0o644)


@pytest.mark.parametrize("option", ["--out", "--link-into"])
def test_a_target_on_the_card_is_refused_before_the_work(
    skyplumb: Command, spy: Spy, small_card: Path, tmp_path: Path, option: str
) -> None:
    before = listing(small_card)
    target = small_card / "results"
    words = ["--out", tmp_path / "out", "--link-into", target]
    done = skyplumb("audit", small_card, *(words if option == "--link-into" else ["--out", target]))
    assert (done.code, spy.measured) == (2, [])
    assert str(target) in done.stderr
    assert option in done.stderr
    assert listing(small_card) == before


def test_the_page_has_each_frames_stars_and_its_whole_picture(audited: Finished) -> None:
    lights = [row for row in audited.rows.values() if row["kind"] == "light"]
    pages = [path.read_text("utf-8") for path in audited.out.glob("*/report.html")]
    pictures = sum(page.count("data:image/jpeg;base64,") for page in pages)
    with_stars = sum(int(row["stars"]) >= 5 for row in lights)
    assert pictures >= 2 * with_stars > 0
