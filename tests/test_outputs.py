"""What `audit` leaves in the output folder: whole, exact, repeatable, and off the card."""

from __future__ import annotations

import csv
import errno
import io
import json
import os
import re
from dataclasses import replace
from pathlib import Path, PurePosixPath
from xml.etree import ElementTree

import exiv2
import numpy as np
import pandas as pd
import pytest

from skyplumb.columns import COLUMNS
from skyplumb.output.files import write_session
from skyplumb.output.frames_csv import frames_csv
from skyplumb.output.links import LEDGER, link_kept
from skyplumb.output.result import SessionResult
from skyplumb.output.xmp import RATINGS, write_xmp, xmp_packet
from skyplumb.plain import plain
from skyplumb.records import UserError
from skyplumb.summary import FrameSummary, RunSummary, read_summary


def table(night: SessionResult) -> pd.DataFrame:
    return night.frames


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
    trail_angle_deg trail_pa_deg shift_px doubled_px solved ra_deg dec_deg roll_pa_deg
    scale_arcsec_px altitude_deg azimuth_deg sky_level extinction_mag verdict cause confidence
    reason
    """,
)


def test_the_table_begins_with_the_promised_columns_and_has_all_that_are_described(
    night: SessionResult,
) -> None:
    rows = list(csv.reader(io.StringIO(frames_csv(table(night)))))
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
    assert frames_csv(frames) == frames_csv(moved)


def test_numbers_have_fixed_digits_and_the_unknown_is_empty(night: SessionResult) -> None:
    values = {"trail_px": -1e-9, "ra_deg": 303.2, "stars": 312.0, "shift_px": np.inf}
    frames = table(night).head(1).assign(**values, dec_deg=None, solved=np.array([True]))
    row = next(csv.DictReader(io.StringIO(frames_csv(frames))))
    assert row["trail_px"] == "0.000"
    assert row["ra_deg"] == "303.200000"
    assert row["stars"] == "312"
    assert row["solved"] == "true"
    assert row["shift_px"] == row["dec_deg"] == row["doubled_px"] == ""


def test_no_cell_reads_nan_or_none(night: SessionResult) -> None:
    words = {cell for row in csv.reader(io.StringIO(frames_csv(table(night)))) for cell in row}
    assert not words & {"nan", "NaN", "None", "<NA>", "NaT", "inf"}


def test_no_text_can_run_as_a_formula_and_a_file_stays_the_same_path(
    night: SessionResult,
) -> None:
    frames = table(night).copy()
    frames["lens"] = "=1+1"
    rows = list(csv.DictReader(io.StringIO(frames_csv(frames))))
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
    folder = write_session(night, tmp_path / "out", card)
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
    folder = write_session(replace(night, frames=frames), tmp_path / "out", card)
    lines = (folder / "stackable.txt").read_text("utf-8").splitlines()
    assert len(lines) == len(kept(night)) - 1
    assert "two\\nlines.DNG" in (folder / "report.html").read_text("utf-8")


def test_lists_of_runs_that_are_no_more_go_away(
    night: SessionResult, card: Path, tmp_path: Path
) -> None:
    folder = write_session(night, tmp_path / "out", card)
    frames = table(night)
    folder = write_session(
        replace(night, frames=frames[frames["run"] != "2-wide"]), tmp_path / "out", card
    )
    assert {p.name for p in (folder / "stackable").iterdir()} == {
        "1-tarn-85.txt",
        "3_manual_ ±_.txt",
    }


def test_runs_whose_names_differ_only_in_forbidden_signs_get_two_lists(
    night: SessionResult, card: Path, tmp_path: Path
) -> None:
    frames = table(night).replace({"run": {"1-tarn-85": "A:1", "2-wide": "a?1"}})
    folder = write_session(replace(night, frames=frames), tmp_path / "out", card)
    assert {"A_1.txt", "a_1-2.txt"} < {p.name for p in (folder / "stackable").iterdir()}


def test_a_name_that_is_no_text_reaches_the_list_and_the_summary_exactly(
    night: SessionResult, card: Path, tmp_path: Path
) -> None:
    odd = os.fsdecode(b"DCIM/\xff\xfe.DNG")
    frames = table(night).copy()
    frames.loc[0, "file"] = odd
    run = RunSummary("r", frames=(FrameSummary(odd),))
    summary = replace(night.summary, runs=(run,))
    folder = write_session(replace(night, frames=frames, summary=summary), tmp_path / "out", card)
    assert b"/DCIM/\xff\xfe.DNG\n" in (folder / "stackable.txt").read_bytes()
    told = json.loads((folder / "summary.json").read_text("utf-8"))
    assert told["sessions"][0]["runs"][0]["frames"][0]["file"] == odd
    assert read_summary(folder / "summary.json") == (summary,)


def test_the_summary_is_strict_json_with_null_for_the_unknown(
    night: SessionResult, card: Path, tmp_path: Path
) -> None:
    folder = write_session(night, tmp_path / "out", card)

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
    folder = write_session(replace(night, session="../../etc/x"), tmp_path / "out", card)
    assert folder.parent == tmp_path / "out"


# ---- a disk that does not take it --------------------------------------------------------


def test_a_full_disk_is_one_line_with_the_mend_and_leaves_the_old_file_whole(
    night: SessionResult, card: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = write_session(night, tmp_path / "out", card)
    before = everything(folder)

    def full(self: Path, data: bytes) -> int:
        with self.open("wb") as half:
            half.write(data[:10])
        raise OSError(errno.ENOSPC, "No space left on device", str(self))

    monkeypatch.setattr(Path, "write_bytes", full)
    with pytest.raises(UserError, match=r"frames\.csv.*No space left on device.*free some space"):
        write_session(night, tmp_path / "out", card)
    monkeypatch.undo()
    after = everything(folder)
    del before[str(folder)], after[str(folder)]  # the folder's own date may change
    assert after == before


def test_an_output_folder_that_cannot_be_made_is_one_line_with_its_name(
    night: SessionResult, card: Path, tmp_path: Path
) -> None:
    (tmp_path / "out").write_text("a file where the folder should be")
    with pytest.raises(UserError, match=re.escape(str(tmp_path / "out")) + ".*--out"):
        write_session(night, tmp_path / "out", card)


def test_nothing_is_written_on_the_card(night: SessionResult, card: Path, tmp_path: Path) -> None:
    before = everything(card)
    write_session(night, tmp_path / "out", card, tmp_path / "links", xmp=True)
    write_session(night, tmp_path / "out", card, tmp_path / "links", xmp=True)
    assert everything(card) == before


def test_an_output_folder_on_the_card_is_refused(night: SessionResult, card: Path) -> None:
    before = everything(card)
    with pytest.raises(UserError, match="lies on the card"):
        write_session(night, card / "out", card)
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
    count = write_xmp(frames, tmp_path / "xmp", card)
    lights = frames[frames["kind"] == "light"]
    assert count == len(lights) == len(list((tmp_path / "xmp").rglob("*.xmp")))
    for row in lights.to_dict("records"):
        packet = (tmp_path / "xmp" / f"{row['file']}.xmp").read_text("utf-8")
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
    write_xmp(frames, tmp_path / "xmp", card)
    write_xmp(frames.head(3), tmp_path / "xmp", card)
    left = {str(p.relative_to(tmp_path / "xmp")) for p in (tmp_path / "xmp").rglob("*.xmp")}
    assert left == {f"{file}.xmp" for file in frames["file"].head(3)}


# ---- links ------------------------------------------------------------------------------


def files_in(root: Path) -> set[Path]:
    return {p for p in root.rglob("*") if (p.is_symlink() or p.is_file()) and p.name != LEDGER}


def test_kept_frames_are_symlinks_under_their_run_with_their_path_kept(
    night: SessionResult, card: Path, tmp_path: Path
) -> None:
    into = tmp_path / "links"
    assert link_kept(kept(night), into, card) == len(kept(night))
    laid = files_in(into)
    assert {p.resolve() for p in laid} == {card / file for file in kept(night)["file"]}
    assert all(p.is_symlink() for p in laid)
    assert into / "1-tarn-85/DCIM/100FERN/FRN_0000.DNG" in laid


def test_without_symlinks_a_copy_is_laid_and_never_a_hard_link(
    night: SessionResult, card: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(self: Path, *_: object, **__: object) -> None:
        raise OSError(errno.EPERM, "this disk has no links")

    monkeypatch.setattr(Path, "symlink_to", refuse)
    before = everything(card)
    into = tmp_path / "links"
    for _ in range(2):
        link_kept(kept(night), into, card)
    for laid in files_in(into):
        assert not laid.is_symlink()
        assert laid.stat().st_nlink == 1
        laid.write_bytes(b"edited")
    assert everything(card) == before


def test_a_second_call_takes_away_only_what_the_first_one_laid(
    night: SessionResult, card: Path, tmp_path: Path
) -> None:
    into = tmp_path / "links"
    link_kept(kept(night), into, card)
    mine = into / "1-tarn-85" / "notes.txt"
    mine.write_text("mine")
    replaced = into / "1-tarn-85/DCIM/100FERN/FRN_0001.DNG"
    replaced.unlink()
    replaced.write_text("my own picture")
    link_kept(kept(night).tail(2), into, card)
    left = files_in(into)
    assert {mine, replaced} < left
    assert len(left) == 4
    assert mine.read_text() == "mine"
    assert replaced.read_text() == "my own picture"
    assert not (into / "2-wide").exists()


def test_an_edited_copy_is_the_photographers_and_stays(
    night: SessionResult, card: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(self: Path, *_: object, **__: object) -> None:
        raise OSError(errno.EPERM, "this disk has no links")

    monkeypatch.setattr(Path, "symlink_to", refuse)
    into = tmp_path / "links"
    link_kept(kept(night), into, card)
    edited = min(files_in(into))
    edited.write_bytes(b"edited")
    link_kept(kept(night).head(0), into, card)
    assert files_in(into) == {edited}


def test_a_foreign_file_in_the_way_is_named_and_left_alone(
    night: SessionResult, card: Path, tmp_path: Path
) -> None:
    foreign = tmp_path / "links/1-tarn-85/DCIM/100FERN/FRN_0000.DNG"
    foreign.parent.mkdir(parents=True)
    foreign.write_text("mine")
    with pytest.raises(UserError, match="is in the way"):
        link_kept(kept(night), tmp_path / "links", card)
    assert foreign.read_text() == "mine"


@pytest.mark.parametrize("ledger", ["{", "[1]", '{"../../card/DCIM": ["link", "x"]}'])
def test_a_spoilt_ledger_removes_nothing(
    night: SessionResult, card: Path, tmp_path: Path, ledger: str
) -> None:
    into = tmp_path / "links"
    link_kept(kept(night), into, card)
    before = everything(card)
    laid = files_in(into)
    (into / LEDGER).write_text(ledger)
    link_kept(kept(night).head(1), into, card)
    assert files_in(into) == laid
    assert everything(card) == before


def test_links_into_the_card_are_refused_even_by_a_detour(
    night: SessionResult, card: Path, tmp_path: Path
) -> None:
    before = everything(card)
    (tmp_path / "detour").symlink_to(card / "DCIM")
    (tmp_path / "half").mkdir()
    (tmp_path / "half/1-tarn-85").symlink_to(card)
    for into in (card, card / "links", tmp_path / "detour", tmp_path / "half"):
        with pytest.raises(UserError, match="lies on the card"):
            link_kept(kept(night), into, card)
    assert everything(card) == before


# ---- two cards of one night -------------------------------------------------------------


def test_a_second_card_of_the_same_night_does_not_take_the_first_ones_place(
    night: SessionResult, card: Path, tmp_path: Path
) -> None:
    out = tmp_path / "out"
    first = write_session(night, out, card)
    before = everything(first)
    frames = table(night)
    other = replace(night, frames=frames.assign(file="B" + frames["file"]), crops={})
    other.frames["file"] = [str(PurePosixPath(f).with_name("X" + PurePosixPath(f).name))
                            for f in frames["file"]]  # fmt: skip
    second = write_session(other, out, tmp_path / "other card")
    assert second == out / f"{first.name}-2"
    assert everything(first) == before
    # Audited again, from wherever it was copied to, each finds its own place.
    moved = replace(night, frames=frames.assign(file="copied/" + frames["file"]), crops={})
    assert write_session(moved, out, tmp_path / "elsewhere") == first
    assert write_session(other, out, tmp_path / "other card") == second
