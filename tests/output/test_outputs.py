"""What `audit` leaves in the output folder: whole, exact, repeatable, and off the card."""

from __future__ import annotations

import csv
import errno
import io
import json
import os
import re
import shutil
from collections.abc import Iterable
from dataclasses import fields, is_dataclass, replace
from pathlib import Path, PurePosixPath
from typing import Any
from xml.etree import ElementTree

import exiv2
import numpy as np
import pandas as pd
import pytest

from inventednight import lay_down, rows_of, table_of
from shipped import REPORTS
from skyplumb.columns import COLUMNS
from skyplumb.digits import covariance_digits
from skyplumb.errors import UserError
from skyplumb.output import made
from skyplumb.output.calibration_frames import Library
from skyplumb.output.earlier import better_is_there, left_behind
from skyplumb.output.files import Targets, write_session
from skyplumb.output.frames_csv import frames_csv
from skyplumb.output.links import LEDGER, Laid, link_frames
from skyplumb.output.page.render import LIBRARY
from skyplumb.output.place import CardMark, write_mark
from skyplumb.output.result import SessionResult
from skyplumb.output.xmp import RATINGS, write_xmp, xmp_packet
from skyplumb.plain import plain
from skyplumb.records import NAN, Measure
from skyplumb.summary import FrameSummary, MountSummary, RunSummary, read_summary, summary_json


def table(night: SessionResult) -> pd.DataFrame:
    return table_of(night.rows)


def kept(night: SessionResult) -> pd.DataFrame:
    frames = table(night)
    return frames[(frames["kind"] == "light") & (frames["verdict"] == "keep")]


@pytest.fixture
def card(tmp_path: Path, night: SessionResult) -> Path:
    """A card that holds a few bytes for each file of the night."""
    root = tmp_path / "card"
    for file in table(night)["file"]:
        (root / file).parent.mkdir(parents=True, exist_ok=True)
        (root / file).write_bytes(b"raw of " + os.fsencode(file))
    return root


def everything(root: Path) -> dict[str, tuple[int, bytes]]:
    """Each path below `root` with its date and content."""
    return {
        str(path): (path.stat().st_mtime_ns, path.read_bytes() if path.is_file() else b"")
        for path in sorted([root, *root.rglob("*")])
    }


# ---- frames.csv -------------------------------------------------------------------------


# As design.md promises them; others follow.
PROMISED = re.findall(
    r"\w+",
    """
    file session run kind taken_camera taken_utc camera lens focal_mm aperture exposure_s iso stars
    fwhm_px fwhm_arcsec ellipticity image_angle_deg trail_px trail_worst_px trail_sigma_px
    trail_angle_deg trail_pa_deg drift_px doubled_px solved ra_deg dec_deg roll_pa_deg
    scale_arcsec_px altitude_deg azimuth_deg sky_level extinction_mag verdict cause confidence
    reason
    """,
)


def test_the_table_begins_with_the_promised_columns_and_has_all_that_are_described(
    night: SessionResult,
) -> None:
    rows = list(csv.reader(io.StringIO(frames_csv(night.rows))))
    assert rows[0][: len(PROMISED)] == PROMISED
    assert rows[0] == list(COLUMNS)
    assert len(rows) == 1 + len(table(night))


def test_the_table_is_the_same_byte_for_byte_whatever_the_order_of_columns(
    night: SessionResult,
) -> None:
    frames = table(night)
    # 1e-12 is far under the last written digit, yet not zero: another machine's last bit.
    moved = frames[frames.columns[::-1]].copy()
    moved["trail_px"] += 1e-12
    assert frames_csv(rows_of(frames)) == frames_csv(rows_of(moved))


def test_numbers_have_fixed_digits_and_the_unknown_is_empty(night: SessionResult) -> None:
    values = {"trail_px": -1e-9, "ra_deg": 303.2, "stars": 312.0, "drift_px": np.inf}
    frames = table(night).head(1).assign(**values, dec_deg=None, solved=np.array([True]))
    row = next(csv.DictReader(io.StringIO(frames_csv(rows_of(frames)))))
    assert row["trail_px"] == "0.000"
    assert row["ra_deg"] == "303.200000"
    assert row["stars"] == "312"
    assert row["solved"] == "true"
    assert row["drift_px"] == row["dec_deg"] == row["doubled_px"] == ""


def test_no_cell_reads_nan_or_none(night: SessionResult) -> None:
    words = {cell for row in csv.reader(io.StringIO(frames_csv(night.rows))) for cell in row}
    assert not words & {"nan", "NaN", "None", "<NA>", "NaT", "inf"}


def test_no_text_can_run_as_a_formula_and_a_file_stays_the_same_path(
    night: SessionResult,
) -> None:
    frames = table(night).copy()
    frames["lens"] = "=1+1"
    rows = list(csv.DictReader(io.StringIO(frames_csv(rows_of(frames)))))
    for row, file in zip(rows, frames["file"], strict=True):
        assert PurePosixPath(row["file"]) == PurePosixPath(file)
        # The characters that start a formula: OWASP, "CSV Injection" (from memory).
        texts = [row[name] for name in ("file", "lens", "run", "reason", "camera")]
        assert not any(text.startswith(("=", "+", "-", "@", "\t", "\r")) for text in texts)
    assert rows[0]["lens"] == "'=1+1"


# ---- lists and summary ------------------------------------------------------------------


def test_the_lists_name_the_kept_frames_and_no_other(
    night: SessionResult, card: Path, tmp_path: Path
) -> None:
    folder = lay_down(night, tmp_path / "out", card)
    listed = (folder / "stackable.txt").read_text("utf-8").splitlines()
    assert listed == [str(card / file) for file in kept(night)["file"]]
    assert all(Path(line).is_absolute() and Path(line).is_file() for line in listed)
    by_run = [p.read_text("utf-8").splitlines() for p in (folder / "stackable").iterdir()]
    assert len(by_run) == 3
    assert sorted(line for lines in by_run for line in lines) == sorted(listed)


def test_a_name_with_a_line_break_is_not_listed_but_named_on_the_page(
    night: SessionResult, card: Path, tmp_path: Path
) -> None:
    frames = table(night).copy()
    frames.loc[0, "file"] = "DCIM/two\nlines.DNG"
    folder = lay_down(replace(night, rows=rows_of(frames)), tmp_path / "out", card)
    lines = (folder / "stackable.txt").read_text("utf-8").splitlines()
    assert len(lines) == len(kept(night)) - 1
    assert "two\\nlines.DNG" in (folder / "report.html").read_text("utf-8")


def test_lists_of_runs_that_are_no_more_go_away(
    night: SessionResult, card: Path, tmp_path: Path
) -> None:
    folder = lay_down(night, tmp_path / "out", card)
    frames = table(night)
    folder = lay_down(
        replace(night, rows=rows_of(frames[frames["run"] != "2-wide"])), tmp_path / "out", card
    )
    assert {p.name for p in (folder / "stackable").iterdir()} == {
        "1-tarn-85.txt",
        "3_manual_ ±_.txt",
    }


def test_runs_whose_names_differ_only_in_forbidden_signs_get_two_lists(
    night: SessionResult, card: Path, tmp_path: Path
) -> None:
    frames = table(night).replace({"run": {"1-tarn-85": "A:1", "2-wide": "a?1"}})
    folder = lay_down(replace(night, rows=rows_of(frames)), tmp_path / "out", card)
    assert {"A_1.txt", "a_1-2.txt"} < {p.name for p in (folder / "stackable").iterdir()}


def test_a_name_that_is_no_text_reaches_the_list_and_the_summary_exactly(
    night: SessionResult, card: Path, tmp_path: Path
) -> None:
    odd = os.fsdecode(b"DCIM/\xff\xfe.DNG")
    frames = table(night).astype({"file": object})
    frames.loc[0, "file"] = odd
    run = RunSummary("r", frames=(FrameSummary(odd),))
    summary = replace(night.summary, runs=(run,))
    folder = lay_down(replace(night, rows=rows_of(frames), summary=summary), tmp_path / "out", card)
    assert b"/DCIM/\xff\xfe.DNG\n" in (folder / "stackable.txt").read_bytes()
    told = json.loads((folder / "summary.json").read_text("utf-8"))
    assert told["sessions"][0]["runs"][0]["frames"][0]["file"] == odd
    assert read_summary(folder / "summary.json")[0].runs == summary.runs


def test_the_summary_is_strict_json_with_null_for_the_unknown(
    night: SessionResult, card: Path, tmp_path: Path
) -> None:
    folder = lay_down(night, tmp_path / "out", card)

    def refuse(word: str) -> float:
        raise AssertionError(f"{word} is no JSON")

    words = (folder / "summary.json").read_text("utf-8")
    (session,) = json.loads(words, parse_constant=refuse)["sessions"]
    assert session["runs"][2]["focal_mm"] is None
    mount = session["runs"][0]["mount"]
    assert mount["axis_alt_error_arcmin"] == -4.2
    assert mount["periodic_amplitude_arcsec_sigma"] is None
    assert mount["why_not"]["rate_error_ppm"].startswith("cannot be told")


def test_numpy_and_times_become_plain() -> None:
    assert plain(
        {1: np.array([1.5, np.nan]), "t": pd.Timestamp("2026-08-14 22:00"), "n": pd.NaT}
    ) == {
        "1": [1.5, None],
        "t": "2026-08-14T22:00:00.000",
        "n": None,
    }


def test_a_session_name_cannot_climb_out_of_the_output_folder(
    night: SessionResult, card: Path, tmp_path: Path
) -> None:
    folder = lay_down(replace(night, session="../../etc/x"), tmp_path / "out", card)
    assert folder.parent == tmp_path / "out"


# ---- a disk that does not take it --------------------------------------------------------


def test_a_full_disk_is_one_line_with_the_mend_and_leaves_the_old_file_whole(
    night: SessionResult, card: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = lay_down(night, tmp_path / "out", card)
    before = everything(folder)

    def full(self: Path, data: bytes) -> int:
        with self.open("wb") as half:
            half.write(data[:10])
        raise OSError(errno.ENOSPC, "No space left on device", str(self))

    monkeypatch.setattr(Path, "write_bytes", full)
    with pytest.raises(UserError, match=r"frames\.csv.*No space left on device.*free some space"):
        lay_down(night, tmp_path / "out", card)
    monkeypatch.undo()
    after = everything(folder)
    del before[str(folder)], after[str(folder)]  # the folder's own date may change
    assert after == before


def test_an_output_folder_that_cannot_be_made_is_one_line_with_its_name(
    night: SessionResult, card: Path, tmp_path: Path
) -> None:
    (tmp_path / "out").write_text("a file where the folder should be")
    with pytest.raises(UserError, match=re.escape(str(tmp_path / "out")) + ".*--out"):
        lay_down(night, tmp_path / "out", card)


def test_nothing_is_written_on_the_card(night: SessionResult, card: Path, tmp_path: Path) -> None:
    before = everything(card)
    lay_down(night, tmp_path / "out", card, tmp_path / "links", xmp=True)
    lay_down(night, tmp_path / "out", card, tmp_path / "links", xmp=True)
    assert everything(card) == before


def test_an_output_folder_on_the_card_is_refused(night: SessionResult, card: Path) -> None:
    before = everything(card)
    with pytest.raises(UserError, match="lies on the card"):
        lay_down(night, card / "out", card)
    assert everything(card) == before


# ---- XMP --------------------------------------------------------------------------------

# Namespaces of ISO 16684-1 (XMP) and of RDF and Dublin Core, which it builds on.
XMP = "{http://ns.adobe.com/xap/1.0/}"
RDF = "{http://www.w3.org/1999/02/22-rdf-syntax-ns#}"
DC = "{http://purl.org/dc/elements/1.1/}"


def read_packet(text: str) -> tuple[str | None, str | None]:
    """Rating and description, by a parser that had no part in writing."""
    node = ElementTree.fromstring(text.encode("utf-8")).find(f"{RDF}RDF/{RDF}Description")
    assert node is not None
    return node.get(f"{XMP}Rating"), node.findtext(f"{DC}description/{RDF}Alt/{RDF}li")


def test_every_judged_light_has_a_sidecar_with_its_rating_and_reason(
    night: SessionResult, card: Path, tmp_path: Path
) -> None:
    frames = table(night)
    assert write_xmp(rows_of(frames), tmp_path / "xmp", card) == []
    lights = frames[frames["kind"] == "light"]
    assert len(lights) == len(list((tmp_path / "xmp").rglob("*.xmp")))
    for row in lights.to_dict("records"):
        packet = (tmp_path / "xmp" / row["file"]).with_suffix(".xmp").read_text("utf-8")
        assert read_packet(packet) == (str(RATINGS[row["verdict"]]), row["reason"])
    # "-1 rejected": XMP specification part 1 (ISO 16684-1), the property xmp:Rating.
    assert RATINGS["reject"] == -1


def test_a_sidecar_is_a_packet_that_an_xmp_reader_reads(tmp_path: Path) -> None:
    packet = xmp_packet(3, 'trailed <3.2> & "doubled", Søn')
    assert packet.startswith("<?xpacket begin=")
    assert packet.rstrip().endswith('<?xpacket end="w"?>')
    (tmp_path / "a.xmp").write_text(packet, "utf-8")
    image = exiv2.ImageFactory.open(str(tmp_path / "a.xmp"))
    image.readMetadata()
    assert image.xmpData()["Xmp.xmp.Rating"].toInt64() == 3


def test_signs_that_xml_forbids_are_left_out_of_a_sidecar() -> None:
    assert read_packet(xmp_packet(1, "a\x00b\x1bc\ud800d]]>")) == ("1", "abcd]]>")


def test_sidecars_of_frames_no_longer_judged_go_away(
    night: SessionResult, card: Path, tmp_path: Path
) -> None:
    frames = table(night)
    write_xmp(rows_of(frames), tmp_path / "xmp", card)
    write_xmp(rows_of(frames.head(3)), tmp_path / "xmp", card)
    left = {str(p.relative_to(tmp_path / "xmp")) for p in (tmp_path / "xmp").rglob("*.xmp")}
    assert left == {str(Path(file).with_suffix(".xmp")) for file in frames["file"].head(3)}


def test_sidecars_are_named_alike_under_the_output_and_beside_a_copy(
    night: SessionResult, card: Path, copy: Path, tmp_path: Path
) -> None:
    write_xmp(rows_of(table(night)), tmp_path / "xmp", card)
    beside(night, tmp_path, copy, card)
    names = [
        {str(path.relative_to(folder)) for path in folder.rglob("*.xmp")}
        for folder in (tmp_path / "xmp", copy)
    ]
    assert names[0] == names[1] != set()


def test_sidecars_of_an_older_naming_are_not_left_double(
    night: SessionResult, card: Path, tmp_path: Path
) -> None:
    session = tmp_path / "session"
    older = {f"xmp/{file}.xmp": b"older" for file in table(night)["file"]}
    made.lay_down(session, "sidecars", older)
    write_xmp(rows_of(table(night)), session / "xmp", card)
    assert not any((session / name).exists() for name in older)
    assert list(session.rglob("*.xmp"))


def test_a_name_that_leaves_no_room_for_an_ending_costs_its_sidecar_alone(
    night: SessionResult, tmp_path: Path
) -> None:
    # 255 bytes is the longest name of the usual disks (POSIX NAME_MAX on Linux).
    # Two that share a name but for its ending need another one behind it.
    long = "DCIM/" + "x" * 251
    frames = table(night).copy()
    frames.loc[0, "file"], frames.loc[1, "file"] = f"{long}.DNG", f"{long}.NEF"
    out = lay_down(
        replace(night, rows=rows_of(frames)), tmp_path / "out", tmp_path / "card", xmp=True
    )
    lights = int((frames["kind"] == "light").sum())
    assert len(list((out / "xmp").rglob("*.xmp"))) == lights - 2
    assert "No sidecar" in (out / "report.html").read_text("utf-8")
    assert "No sidecar" in read_summary(out / "summary.json")[0].notices[-1]


# ---- sidecars beside a copy ---------------------------------------------------------------


@pytest.fixture
def copy(card: Path, tmp_path: Path) -> Path:
    return shutil.copytree(card, tmp_path / "copy")


def beside(night: SessionResult, tmp_path: Path, copy: Path, card: Path) -> tuple[str, ...]:
    return write_session(night, Targets(tmp_path / "out", xmp_beside=copy), card).told


def test_sidecars_lie_beside_the_copies_and_never_on_the_card(
    night: SessionResult, card: Path, copy: Path, tmp_path: Path
) -> None:
    before = everything(card)
    count = int((table(night)["kind"] == "light").sum())
    assert f"{count} sidecars" in beside(night, tmp_path, copy, card)[0]
    for row in table(night)[table(night)["kind"] == "light"].to_dict("records"):
        # The document's own name with the ending xmp: XMP specification part 3 (from memory).
        packet = (copy / row["file"]).with_suffix(".xmp").read_text("utf-8")
        assert read_packet(packet)[0] == str(RATINGS[row["verdict"]])
    assert everything(card) == before
    for target in (card, card / "DCIM"):
        with pytest.raises(UserError, match="lies on the card"):
            beside(night, tmp_path, target, card)


def test_a_sidecar_that_somebody_else_wrote_or_edited_stays(
    night: SessionResult, card: Path, copy: Path, tmp_path: Path
) -> None:
    theirs, edited, gone = ((copy / file).with_suffix(".xmp") for file in table(night)["file"][:3])
    theirs.write_text("their own work")
    (copy / table(night)["file"][3]).unlink()
    assert "1 not written" in beside(night, tmp_path, copy, card)[0]
    edited.write_text("developed")
    gone.unlink()
    told = beside(night, tmp_path, copy, card)[0]
    assert "2 not written" in told and "no copy found of 1 " in told
    assert (theirs.read_text(), edited.read_text()) == ("their own work", "developed")
    assert gone.exists()


def test_two_frames_that_differ_only_in_their_ending_get_two_sidecars(
    night: SessionResult, card: Path, copy: Path, tmp_path: Path
) -> None:
    frames = table(night).copy()
    twin = str(PurePosixPath(frames["file"][0]).with_suffix(".FIT"))
    frames.loc[1, "file"] = twin
    (copy / twin).write_bytes(b"twin")
    beside(replace(night, rows=rows_of(frames)), tmp_path, copy, card)
    for file in frames["file"][:2]:
        assert (copy / f"{file}.xmp").is_file()


# ---- links ------------------------------------------------------------------------------


def files_in(root: Path) -> set[Path]:
    return {p for p in root.rglob("*") if (p.is_symlink() or p.is_file()) and p.name != LEDGER}


def link(frames: pd.DataFrame, into: Path, card: Path, owner: str = "out") -> Laid:
    return link_frames(rows_of(frames), into, card, owner)


def only(frames: pd.DataFrame, files: Iterable[str]) -> pd.DataFrame:
    """The frames with no other light kept."""
    verdict = ["keep" if file in set(files) else "reject" for file in frames["file"]]
    return frames.assign(verdict=verdict)


def without_links(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(self: Path, *_: object, **__: object) -> None:
        raise OSError(errno.EPERM, "this disk has no links")

    monkeypatch.setattr(Path, "symlink_to", refuse)


FIRST = "1-tarn-85/light-frames/FRN_0000.DNG"


def test_kept_frames_are_symlinks_under_their_run(
    night: SessionResult, card: Path, tmp_path: Path
) -> None:
    into = tmp_path / "links"
    laid = link(table(night), into, card)
    count = len(kept(night))
    assert (laid.linked, laid.copied, laid.kinds) == (count, 0, {"light-frames": count})
    assert laid.words() == f"{into}: {count} light frames ({count} linked)"
    assert {p.resolve() for p in files_in(into)} == {card / file for file in kept(night)["file"]}
    assert all(p.is_symlink() and p.parent.name == "light-frames" for p in files_in(into))
    assert into / FIRST in files_in(into)


def test_folders_of_an_older_naming_are_not_left_double(
    night: SessionResult, card: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    into = tmp_path / "links"
    with monkeypatch.context() as older:
        older.setattr("skyplumb.output.links.LIGHTS", "lights")
        link(table(night), into, card)
    assert {p.parent.name for p in files_in(into)} == {"lights"}
    link(table(night), into, card)
    assert {p.parent.name for p in files_in(into)} == {"light-frames"}
    assert not list(into.rglob("lights"))


def test_frames_of_one_name_from_two_folders_are_both_laid(
    night: SessionResult, card: Path, tmp_path: Path
) -> None:
    frames = table(night).copy()
    frames.loc[1, "file"] = "DCIM/200FERN/frn_0000.dng"
    link(frames, tmp_path / "links", card)
    names = {p.name for p in (tmp_path / "links/1-tarn-85/light-frames").iterdir()}
    # Letter case does not count on every disk.
    assert {"DCIM-100FERN-FRN_0000.DNG", "DCIM-200FERN-frn_0000.dng"} < names


@pytest.mark.parametrize(
    ("kind", "changed", "fits"),
    [
        ("dark", {}, True),
        ("dark", {"exposure_s": 122.0}, True),
        ("dark", {"exposure_s": 60.0}, False),
        ("dark", {"iso": 800.0}, False),
        ("dark", {"camera": "Another"}, False),
        ("dark", {"temperature_c": 14.0}, True),
        ("dark", {"temperature_c": 25.0}, False),
        ("dark", {"temperature_c": NAN, "lens": ""}, True),
        ("dark", {"gain": 200.0}, False),
        ("dark", {"offset": 50.0}, False),
        ("dark", {"binning": 2.0}, False),
        ("dark", {"set_temperature_c": -20.0}, False),
        ("dark", {"filter": "OIII"}, True),
        ("flat", {"exposure_s": 0.02, "iso": 100.0}, True),
        ("flat", {"filter": "OIII"}, False),
        ("flat", {"filter": "l"}, True),
        ("flat", {"binning": 2.0}, False),
        ("flat", {"gain": 0.0, "set_temperature_c": NAN}, True),
        ("flat", {"aperture": 4.0}, False),
        ("flat", {"lens": "Other 85 mm"}, False),
        ("flat", {"focal_mm": 70.0}, False),
        ("bias", {"exposure_s": 0.0001, "lens": ""}, True),
        ("bias", {"iso": 800.0}, False),
        ("bias", {"gain": 200.0}, False),
        ("bias", {"offset": 50.0}, False),
    ],
)
def test_darks_flats_and_bias_are_laid_where_they_fit(
    night: SessionResult, card: Path, tmp_path: Path, kind: str, changed: dict[str, object],
    fits: bool,
) -> None:  # fmt: skip
    # What must match is common practice, no source.
    told = {"filter": "L", "gain": 100.0, "offset": 10.0, "binning": 1.0}
    frames = table(night).assign(temperature_c=12.0, set_temperature_c=-10.0, **told)
    other = frames.head(1).assign(file="cal/C.DNG", kind=kind, run="", verdict="", **changed)
    laid = link(pd.concat([frames, other], ignore_index=True), tmp_path / "links", card)
    folder = f"{kind}-frames"
    assert (tmp_path / "links/1-tarn-85" / folder / "C.DNG").is_symlink() == fits
    assert fits <= (folder in (laid.kinds or {}))


def library(frames: pd.DataFrame, root: Path, *days: str, **changed: object) -> Library:
    """A dark of each of some days, otherwise as the first frame."""
    first = frames.head(1).assign(kind="dark", run="", verdict="", **changed)
    rows = [first.assign(file=f"set {day}/D.DNG", taken_camera=f"{day} 23:00:00") for day in days]
    for day in days:
        (root / f"set {day}").mkdir(parents=True, exist_ok=True)
        (root / f"set {day}" / "D.DNG").write_bytes(b"dark")
    return Library(root, tuple(rows_of(pd.concat(rows, ignore_index=True))))


@pytest.mark.parametrize(
    ("days", "taken"),
    [
        (("2026:03:01", "2026:08:01", "2026:11:30"), "2026-08-01, 13 days"),
        (("2025:08:13",), ""),  # 366 days
        (("2025:08:14",), "2025-08-14, 365 days"),
        (("2026:08:14",), "2026-08-14, 0 days"),
        (("2026:09:30",), "2026-09-30, 47 days"),
    ],
)
def test_darks_of_a_library_are_those_nearest_in_time(
    night: SessionResult, card: Path, tmp_path: Path, days: tuple[str, ...], taken: str
) -> None:
    frames = table(night)
    root = tmp_path / "library"
    found = library(frames, root, *days)
    laid = link_frames(rows_of(frames), tmp_path / "links", card, "out", [found])
    darks = {p.resolve() for p in (tmp_path / "links").rglob("dark-frames/*")}
    assert len(darks) == bool(taken)
    assert all(path.is_relative_to(root.resolve()) for path in darks)
    told = [f"1-tarn-85: 1 dark frame of {taken} from the run, from {root}"] if taken else []
    assert list(laid.taken) == told
    assert all(words in laid.words() for words in told)


def test_the_cards_own_darks_win_and_a_library_of_another_setting_gives_none(
    night: SessionResult, card: Path, tmp_path: Path
) -> None:
    frames = table(night)
    own = frames.head(1).assign(file="cal/C.DNG", kind="dark", run="", verdict="")
    (card / "cal").mkdir()
    (card / "cal" / "C.DNG").write_bytes(b"own")
    near = library(frames, tmp_path / "library", "2026:08:14")
    both = rows_of(pd.concat([frames, own], ignore_index=True))
    laid = link_frames(both, tmp_path / "links", card, "out", [near])
    (dark,) = (tmp_path / "links").rglob("dark-frames/*")
    assert dark.resolve() == (card / "cal" / "C.DNG").resolve()
    assert laid.taken == ()
    for setting in ({"iso": 400.0}, {"exposure_s": 45.0}, {"gain": 120.0}, {"offset": 30.0}):
        other = library(frames, tmp_path / "library", "2026:08:14", **setting)
        laid = link_frames(rows_of(frames), tmp_path / "other", card, "out", [other])
        assert laid.taken == ()


@pytest.mark.parametrize(
    ("nights", "other", "laid", "told"),
    [
        # Of one night, before and after midnight, and another night that is further.
        (
            ("2026:08:14 23:50:00", "2026:08:15 00:10:00", "2026:08:12 23:00:00"),
            "",
            {"C0.DNG", "C1.DNG"},
            "",
        ),
        (("2026:08:12 23:00:00",), "", {"C0.DNG"}, "2026-08-12, 2 days"),
        (("2026:08:12 23:00:00",), "2026:08:13", {"D.DNG"}, "2026-08-13, 1 day"),
        (("2026:08:13 23:00:00",), "2026:08:13", {"C0.DNG"}, "2026-08-13, 1 day"),
        (("2024:08:12 23:00:00",), "2025:08:01", {"C0.DNG"}, "2024-08-12, 732 days"),
        (("",), "2026:08:13", {"C0.DNG"}, ""),
    ],
)
def test_the_cards_own_darks_are_those_of_the_evening_nearest_to_the_run(
    night: SessionResult, card: Path, tmp_path: Path, nights: tuple[str, ...], other: str,
    laid: set[str], told: str,
) -> None:  # fmt: skip
    frames = table(night)
    (card / "cal").mkdir()
    parts = [frames]
    for number, stamp in enumerate(nights):
        dark = {"file": f"cal/C{number}.DNG", "kind": "dark", "run": "", "verdict": ""}
        parts.append(frames.head(1).assign(**dark, taken_camera=stamp))
        (card / "cal" / f"C{number}.DNG").write_bytes(b"own")
    beside = [library(frames, tmp_path / "library", other)] if other else []
    both = rows_of(pd.concat(parts, ignore_index=True))
    done = link_frames(both, tmp_path / "links", card, "out", beside)
    assert {path.name for path in (tmp_path / "links").rglob("dark-frames/*")} == laid
    end = f", from {tmp_path / 'library'}" if other and laid == {"D.DNG"} else ""
    words = [f"1-tarn-85: 1 dark frame of {told} from the run{end}"] if told else []
    assert list(done.taken) == words


def test_of_two_libraries_of_one_age_the_first_serves(
    night: SessionResult, card: Path, tmp_path: Path
) -> None:
    frames = table(night)
    two = [library(frames, tmp_path / name, "2026:08:10") for name in ("first", "second")]
    laid = link_frames(rows_of(frames), tmp_path / "links", card, "out", two)
    assert len(laid.taken) == 1
    assert str(tmp_path / "first") in laid.taken[0]


def test_without_symlinks_a_copy_is_laid_and_never_a_hard_link(
    night: SessionResult, card: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    without_links(monkeypatch)
    before = everything(card)
    into = tmp_path / "links"
    for _ in range(2):
        laid = link(table(night), into, card)
        assert (laid.linked, laid.copied) == (0, len(kept(night)))
    for path in files_in(into):
        assert not path.is_symlink()
        assert path.stat().st_nlink == 1
        path.write_bytes(b"edited")
    assert everything(card) == before


def test_a_second_call_takes_away_only_what_the_first_one_laid(
    night: SessionResult, card: Path, tmp_path: Path
) -> None:
    into = tmp_path / "links"
    link(table(night), into, card)
    mine = into / "1-tarn-85" / "notes.txt"
    mine.write_text("mine")
    replaced = into / "1-tarn-85/light-frames/FRN_0001.DNG"
    replaced.unlink()
    replaced.write_text("my own picture")
    link(only(table(night), kept(night)["file"].tail(2)), into, card)
    left = files_in(into)
    assert {mine, replaced} < left
    assert len(left) == 4
    assert mine.read_text() == "mine"
    assert replaced.read_text() == "my own picture"
    assert not (into / "2-wide").exists()


def test_an_edited_copy_is_the_photographers_and_stays(
    night: SessionResult, card: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    without_links(monkeypatch)
    into = tmp_path / "links"
    link(table(night), into, card)
    edited = min(files_in(into))
    edited.write_bytes(b"edited")
    link(only(table(night), ()), into, card)
    assert files_in(into) == {edited}


def test_a_foreign_file_in_the_way_is_named_and_never_adopted(
    night: SessionResult, card: Path, tmp_path: Path
) -> None:
    foreign = tmp_path / "links" / FIRST
    foreign.parent.mkdir(parents=True)
    # Of the same bytes and date as what would be laid there.
    shutil.copy2(card / kept(night)["file"][0], foreign)
    with pytest.raises(UserError, match="is in the way"):
        link(table(night), tmp_path / "links", card)
    link(only(table(night), ()), tmp_path / "links", card)
    assert foreign.read_bytes() == (card / kept(night)["file"][0]).read_bytes()
    assert not foreign.is_symlink()


@pytest.mark.parametrize("ledger", ["{", "[1]", '{"owner": "out", "laid": {"../../card": []}}'])
def test_a_spoilt_ledger_removes_nothing(
    night: SessionResult, card: Path, tmp_path: Path, ledger: str
) -> None:
    into = tmp_path / "links"
    link(table(night), into, card)
    before = everything(card)
    laid = files_in(into)
    (into / LEDGER).write_text(ledger)
    assert link(only(table(night), ()), into, card).folder == tmp_path / "links-2"
    assert files_in(into) == laid
    assert everything(card) == before


def test_two_outputs_never_take_each_others_links(
    night: SessionResult, card: Path, tmp_path: Path
) -> None:
    few = replace(night, rows=rows_of(only(table(night), kept(night)["file"].head(1))))
    first = lay_down(night, tmp_path / "one", card, tmp_path / "links")
    laid = files_in(tmp_path / "links")
    lay_down(few, tmp_path / "two", card, tmp_path / "links")
    assert laid < files_in(tmp_path / "links")
    assert len(files_in(tmp_path / "links" / f"{first.name}-2")) == 1
    lay_down(few, tmp_path / "one", card, tmp_path / "links")
    assert len(files_in(tmp_path / "links")) == 2


def test_a_link_in_the_way_is_not_followed(
    night: SessionResult, card: Path, tmp_path: Path
) -> None:
    outside = tmp_path / "outside"
    outside.mkdir()
    for place in ("links/session/1-tarn-85", "other/session"):
        (tmp_path / place).parent.mkdir(parents=True)
        (tmp_path / place).symlink_to(outside)
        with pytest.raises(UserError, match="is a link, and what is written there would land"):
            link(table(night), (tmp_path / place.split("/")[0]) / "session", card)
    assert not list(outside.iterdir())
    # Nor is anything taken away through one that came later.
    link(table(night), tmp_path / "third/session", card)
    run = tmp_path / "third/session/1-tarn-85"
    run.rename(outside / "run")
    run.symlink_to(outside / "run")
    there = files_in(outside)
    link(only(table(night), ()), tmp_path / "third/session", card)
    assert files_in(outside) == there


def test_links_into_the_card_are_refused_even_by_a_detour(
    night: SessionResult, card: Path, tmp_path: Path
) -> None:
    before = everything(card)
    (tmp_path / "detour").symlink_to(card / "DCIM")
    for into in (card, card / "links", tmp_path / "detour", tmp_path / "detour/links"):
        with pytest.raises(UserError, match="lies on the card"):
            link(table(night), into, card)
    assert everything(card) == before


# ---- lists for a card that lies elsewhere -------------------------------------------------


@pytest.mark.parametrize(
    ("root", "begins"), [("/store/night", "/store/night/DCIM/"), ("D:\\night", "D:\\night\\DCIM\\")]
)
def test_the_lists_name_the_copy_where_one_is_named(
    night: SessionResult, card: Path, tmp_path: Path, root: str, begins: str
) -> None:
    folder = write_session(night, Targets(tmp_path / "out", root=Path(root)), card).folder
    lines = (folder / "stackable.txt").read_text("utf-8").splitlines()
    assert len(lines) == len(kept(night))
    assert all(line.startswith(begins) for line in lines)


# ---- two cards of one night -------------------------------------------------------------


def held(tmp_path: Path, name: str, files: dict[str, bytes]) -> Path:
    """A card of these files."""
    for file, content in files.items():
        (tmp_path / name / file).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name / file).write_bytes(content)
    return tmp_path / name


def session_of(night: SessionResult, files: Iterable[str]) -> SessionResult:
    """An undated session of such files."""
    names = list(files)
    frames = table(night).head(len(names)).assign(file=names, taken_camera="", taken_utc="")
    return replace(night, rows=rows_of(frames), crops={})


A = {"a.DNG": b"II*a picture", "b.DNG": b"II*another", "pano.jpg": b"JFIF one"}
B = {"a.DNG": b"II*unlike it", "b.DNG": b"II*unlike", "pano.jpg": b"JFIF two"}


def test_a_second_card_of_the_same_names_and_times_replaces_nothing(
    night: SessionResult, tmp_path: Path
) -> None:
    out = tmp_path / "out"
    first = lay_down(session_of(night, A), out, held(tmp_path, "one", A))
    before = everything(first)
    second = lay_down(session_of(night, B), out, held(tmp_path, "two", B))
    assert second == out / f"{first.name}-2"
    assert everything(first) == before
    # Nor is the other's folder said to be left behind; a copy of one's own is.
    shots = {(file, "") for file in A}
    assert left_behind(out, shots, {first.name}) == []
    shutil.copytree(first, out / f"{first.name}-3")
    assert left_behind(out, shots, {first.name}) == [out / f"{first.name}-3"]
    shutil.rmtree(out / f"{first.name}-3")
    # Audited again, each finds its own place, whatever is in the other's reader.
    assert lay_down(session_of(night, A), out, tmp_path / "one") == first
    assert lay_down(session_of(night, B), out, tmp_path / "two") == second
    shutil.rmtree(tmp_path / "one")
    assert lay_down(session_of(night, B), out, held(tmp_path, "one", B)) == second


@pytest.mark.parametrize("alike", [b"", bytes(5000)])
def test_files_that_any_card_may_hold_make_no_two_cards_one(
    night: SessionResult, tmp_path: Path, alike: bytes
) -> None:
    broken = {"broken.dng": alike}
    first = lay_down(session_of(night, broken), tmp_path / "out", held(tmp_path, "one", broken))
    assert lay_down(session_of(night, broken), tmp_path / "out", tmp_path / "one") == first
    again = lay_down(session_of(night, broken), tmp_path / "out", held(tmp_path, "two", broken))
    assert again.name == f"{first.name}-2"


def test_a_card_that_grew_was_thinned_out_or_was_copied_is_the_same(
    night: SessionResult, tmp_path: Path
) -> None:
    out = tmp_path / "out"
    first = lay_down(session_of(night, A), out, held(tmp_path, "one", A))
    grown = A | {"c.DNG": b"II*third", "d.DNG": b"II*fourth", "e.DNG": b"II*fifth"}
    assert lay_down(session_of(night, grown), out, held(tmp_path, "one", grown)) == first
    moved = {f"copied/{file}": content for file, content in grown.items()}
    assert lay_down(session_of(night, moved), out, held(tmp_path, "two", moved)) == first
    few = {"copied/c.DNG": moved["copied/c.DNG"]}
    assert lay_down(session_of(night, few), out, tmp_path / "two") == first
    # A part of it somewhere else would take away the rest's results.
    lay_down(session_of(night, moved), out, tmp_path / "two")
    part = lay_down(session_of(night, few), out, held(tmp_path, "three", few))
    assert part.name == f"{first.name}-2"


def test_a_folder_that_holds_somebody_elses_results_is_left_alone(
    night: SessionResult, card: Path, tmp_path: Path
) -> None:
    theirs = tmp_path / "out" / night.session
    theirs.mkdir(parents=True)
    (theirs / "frames.csv").write_text("file;mine\n")
    assert lay_down(night, tmp_path / "out", card).name == f"{night.session}-2"
    assert (theirs / "frames.csv").read_text() == "file;mine\n"


# ---- text from files is text --------------------------------------------------------------

HOSTILE = [
    "a\r=cmd.DNG",
    "a\n/etc/passwd",
    "\x1b]0;title\x07.DNG",
    "\u202egnp.DNG",
    "a\u2028b.DNG",
    "=HYPERLINK(1).DNG",
    '";alert(1).DNG',
    "<!--<script>.DNG",
    "]]>&amp;.DNG",
    "%0a%0d.DNG",
    "x" * 200 + ".DNG",
    "nul.DNG",
    "...DNG",
    " .DNG ",
]


@pytest.mark.parametrize("name", HOSTILE)
def test_a_hostile_name_is_a_name_everywhere(
    night: SessionResult, tmp_path: Path, name: str
) -> None:
    frames = table(night).head(3).copy()
    frames.loc[0, "file"] = name.rpartition("/")[2] if "etc" not in name else name
    frames.loc[0, ["lens", "reason", "camera"]] = name
    frames["verdict"] = "keep"
    card = held(tmp_path, "card", {file: os.fsencode(file) for file in frames["file"]})
    result = replace(night, rows=rows_of(frames), crops={})
    folder = lay_down(result, tmp_path / "out", card, tmp_path / "links", xmp=True)
    rows = list(csv.DictReader(io.StringIO((folder / "frames.csv").read_bytes().decode(), "")))
    assert [PurePosixPath(row["file"]) for row in rows] == list(map(PurePosixPath, frames["file"]))
    assert all(set(row) == set(COLUMNS) for row in rows)
    # What acts on a terminal or a reader: control characters and turned directions.
    acts = re.compile("[\x00-\x09\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069\u2028\u2029]")
    assert not acts.search(rows[0]["lens"] + rows[0]["reason"])
    library = (REPORTS / LIBRARY).read_text("utf-8")
    for file in ("summary.json", "report.html"):
        assert not acts.search((folder / file).read_bytes().decode().replace(library, "")), file
    for sidecar in (folder / "xmp").rglob("*.xmp"):
        assert read_packet(sidecar.read_text("utf-8"))[0] == "3"
        assert not acts.search(sidecar.read_text("utf-8"))
    listed = (folder / "stackable.txt").read_bytes().decode().splitlines()
    assert set(listed) <= {str(card / file) for file in frames["file"]}
    assert len(listed) >= 2
    laid = files_in(tmp_path / "links")
    assert len(laid) == 3
    assert all(path.resolve().is_relative_to(card) for path in laid)
    assert not any(acts.search(str(path.relative_to(tmp_path))) for path in laid)


def test_a_part_that_fails_loses_no_other_part(
    night: SessionResult, card: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: object) -> None:
        raise ArithmeticError("a fault of our own")

    monkeypatch.setattr("skyplumb.output.files.session_page", broken)
    with pytest.raises(ArithmeticError):
        lay_down(night, tmp_path / "out", card, tmp_path / "links", xmp=True)
    (folder,) = (tmp_path / "out").iterdir()
    assert len((folder / "stackable.txt").read_text().splitlines()) == len(kept(night))
    assert read_summary(folder / "summary.json")[0].session == night.session
    assert list((folder / "xmp").rglob("*.xmp"))
    assert len(files_in(tmp_path / "links")) == len(kept(night))


def test_results_of_another_card_are_never_the_better_ones_of_this(tmp_path: Path) -> None:
    # Two cards of one camera: the same night, the same names.
    folder = tmp_path / "out" / "2026-09-12-moor"
    folder.mkdir(parents=True)
    table = "file,kind,taken_camera\na.dng,light,\nb.dng,light,\n"
    (folder / "frames.csv").write_text(table, encoding="utf-8")
    mine, other = tmp_path / "mine", tmp_path / "other"
    write_mark(folder, CardMark(str(other), {"a.dng": "1", "b.dng": "2"}))
    lost = [Measure(name, "unreadable", "") for name in ("a.dng", "b.dng")]
    assert better_is_there(tmp_path / "out", folder.name, lost, other)
    assert not better_is_there(tmp_path / "out", folder.name, lost, mine)


def nudged(record: Any, by: float) -> Any:
    """A record with each number of its own that much off, relatively."""
    if isinstance(record, tuple):
        return tuple(nudged(one, by) for one in record)
    if isinstance(record, float):
        return record * (1 + by)
    if not is_dataclass(record) or isinstance(record, type):
        return record
    return replace(
        record, **{one.name: nudged(getattr(record, one.name), by) for one in fields(record)}
    )


def test_the_last_bits_of_a_sum_are_not_written(night: SessionResult) -> None:
    # Another processor's solutions were up to 3e-9 off, in fits of few frames.
    said = summary_json(night.summary)
    assert {summary_json(nudged(night.summary, by)) for by in (1e-12, -1e-12)} == {said}
    mount = MountSummary(
        axis_alt_error_arcmin=15.95632178,
        axis_alt_error_arcmin_sigma=0.060423178,
        rate_error_ppm=-346.2157912,
        rate_error_ppm_sigma=608.3677329,
        residual_arcsec=0.3622003019,
        span_min=123.45678912,
    )
    run = RunSummary(
        "r", mount=mount, target_ra_deg=312.9996470368, limits={"trail_px": 2.123456789}
    )
    written = json.loads(summary_json(replace(night.summary, runs=(run,))))["sessions"][0]["runs"][
        0
    ]
    found = {name: value for name, value in written["mount"].items() if isinstance(value, float)}
    # To the fourth digit of the error, which is two more than a reader is shown.
    assert found == {
        "axis_alt_error_arcmin": 15.95632,
        "axis_alt_error_arcmin_sigma": 0.06042,
        "rate_error_ppm": -346.2,
        "rate_error_ppm_sigma": 608.4,
        "residual_arcsec": 0.3622,
        "span_min": 123.457,
    }
    assert written["target_ra_deg"] == 312.99965
    assert written["limits"] == {"trail_px": 2.123456789}  # as the person wrote it


def test_a_covariance_keeps_the_digits_of_its_smaller_half() -> None:
    wide, narrow, shared = 104.123456789, 2.3456789012e-6, 0.0123456789
    ((a, b), (c, d)) = covariance_digits([[wide, shared], [shared, narrow]], 6)
    assert (a, b, c, d) == (104.123, 0.0123457, 0.0123457, 2.34568e-6)
