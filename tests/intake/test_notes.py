"""The night notes: found, read, and laid over what the files say."""

import math
import unicodedata
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

import pytest

from skyplumb._data import shipped
from skyplumb.errors import UserError
from skyplumb.intake.notes import Notes, idle_entries, load_notes, notes_not_read
from skyplumb.intake.yaml_file import SettingsError
from skyplumb.records import ShotInfo
from smallcard import Finished


def notes_of(folder: Path, text: str) -> Notes:
    path = folder / "notes.yaml"
    path.write_text(text, encoding="utf-8")
    return load_notes(path, folder)


def test_without_notes_the_file_is_believed(tmp_path: Path) -> None:
    info = ShotInfo(
        camera="Tarn Works N1", lens="Harrow 35 mm", focal_mm=35, clock=datetime(2026, 8, 14, 22)
    )
    told = load_notes(None, tmp_path).for_shot("A.DNG", info)
    assert told.info == info
    assert told.left_out == ""
    assert math.isnan(told.utc_offset_h)


def test_notes_in_the_card_are_found_before_those_beside_it(tmp_path: Path) -> None:
    card = tmp_path / "card"
    card.mkdir()
    (tmp_path / "night-notes.yaml").write_text("wind: beside\n")
    assert load_notes(None, card).wind == "beside"
    (card / "night-notes.yml").write_text("wind: inside\n")
    assert load_notes(None, card).wind == "inside"


def test_notes_beside_a_card_named_by_a_relative_path_are_found(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    card = tmp_path / "card"
    card.mkdir()
    (tmp_path / "night-notes.yaml").write_text("wind: beside\n")
    monkeypatch.chdir(card)
    assert load_notes(None, Path()).wind == "beside"


def test_notes_that_are_not_read_are_named_with_where_they_should_lie(tmp_path: Path) -> None:
    card = tmp_path / "card"
    (card / "DCIM" / "101NIGHT").mkdir(parents=True)
    assert notes_not_read(None, card) == []
    (card / "night-notes.yaml").write_text("wind: read\n")
    (card / "readme.txt").touch()
    (tmp_path / "night-notes-of-july.yaml").touch()  # may be anything
    assert notes_not_read(None, card) == []
    strays = [
        card / "DCIM/101NIGHT/night-notes.yaml",
        card / "Night_Notes.yaml",
        card / "night-notes.yaml.txt",
        tmp_path / "night-notes.yaml",
        tmp_path / "nightnotes.yml",
    ]
    for stray in strays:
        stray.touch()
    lines = {line.partition(": is not read: ")[0]: line for line in notes_not_read(None, card)}
    assert lines.keys() == set(map(str, strays))
    deep = lines[str(strays[0])]
    assert f"lie in {card} or beside it and are called night-notes.yaml" in deep
    assert "--notes" in deep
    assert f"{card / 'night-notes.yaml'} are the night notes" in lines[str(strays[3])]
    assert load_notes(None, card).wind == "read"
    # Notes given by name are read wherever they lie, and those of the card then are not.
    given = {line.partition(": is not")[0] for line in notes_not_read(strays[0], card)}
    assert given == {str(card / "night-notes.yaml"), *map(str, strays[1:])}
    (card / "night-notes.bak").touch()
    assert "so are 1 more" in notes_not_read(None, card)[-1]


def test_an_audit_says_which_notes_it_does_not_read(
    skyplumb: Callable[..., Finished], tmp_path: Path
) -> None:
    card = tmp_path / "card"
    (card / "DCIM").mkdir(parents=True)
    (card / "cut.dng").touch()
    (card / "DCIM" / "night-notes.yaml").write_text("wind: none\n")
    done = skyplumb("audit", card, "--out", tmp_path / "out", "--quiet")
    assert f"{card / 'DCIM' / 'night-notes.yaml'}: is not read" in done.stderr


def test_notes_that_were_named_must_be_there(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match=r"mine\.yaml: No such file"):
        load_notes(tmp_path / "mine.yaml", tmp_path)


def test_the_shipped_example_is_valid_and_does_what_its_comments_say(tmp_path: Path) -> None:
    text = (shipped("config") / "night-notes.example.yaml").read_text(encoding="utf-8")
    notes = notes_of(tmp_path, text)
    early = ShotInfo(clock=datetime(2026, 8, 14, 22, 20), exposure_s=30)
    told = notes.for_shot("DCIM/101NIGHT/N_0001.DNG", early)
    assert (told.info.lens, told.info.focal_mm) == ("Harrow 35 mm", 35.2)
    assert told.info.exposure_s == 32
    assert (told.info.latitude_deg, told.info.height_m) == (46.513, 2130)
    assert (told.utc_offset_h, told.clock_ahead_s, told.setup) == (2, 14, 0)
    assert told.tags["battery"] == "fresh"

    late = ShotInfo(clock=datetime(2026, 8, 15, 1, 15), serial="70001234", lens="Harrow 20 mm")
    told = notes.for_shot("DCIM/101NIGHT/N_0400.DNG", late)
    assert (told.utc_offset_h, told.clock_ahead_s, told.setup) == (1, 0, 2)
    assert told.payload_g == 2200
    assert told.left_out == "foreground, tracker off on purpose"
    assert told.info.lens == "Harrow 20 mm"
    assert notes.for_shot("DCIM/100NIGHT/test_1.DNG", ShotInfo()).left_out == "test shots"


def test_the_last_run_that_fits_wins_and_all_that_is_given_must_fit(tmp_path: Path) -> None:
    notes = notes_of(
        tmp_path,
        """
wind: calm
runs:
  - files: "*.dng"
    wind: breeze
    focal_mm: 50
  - files: "b/*"
    lens: "harrow*"
    wind: gale
""",
    )
    harrow = ShotInfo(lens="Harrow 50 mm")
    assert notes.for_shot("a/1.DNG", harrow).wind == "breeze"
    assert notes.for_shot("b/1.DNG", harrow).wind == "gale"
    assert notes.for_shot("b/1.DNG", harrow).info.focal_mm == 50
    assert notes.for_shot("b/1.DNG", ShotInfo(lens="Other")).wind == "breeze"
    assert notes.for_shot("a/1.NEF", harrow).wind == "calm"


def test_a_pattern_fits_a_name_with_its_accents_composed_or_apart(tmp_path: Path) -> None:
    for typed, listed in (("NFC", "NFD"), ("NFD", "NFC")):
        pattern = unicodedata.normalize(typed, "SÜD/Gr?ße*")
        notes = notes_of(tmp_path, f"runs:\n  - {{files: {pattern}, wind: gusty}}\n")
        file = unicodedata.normalize(listed, "Süd/Größe_1.dng")
        assert notes.for_shot(file, ShotInfo()).wind == "gusty"


def test_ranges_of_time_hold_both_ends_and_no_shot_without_a_time(tmp_path: Path) -> None:
    notes = notes_of(
        tmp_path,
        "leave_out:\n- after: 2026-08-14 22:00\n  before: 2026-08-14 23:00:00\n  reason: dog\n",
    )
    for clock, out in (
        (datetime(2026, 8, 14, 21, 59, 59), ""),
        (datetime(2026, 8, 14, 22), "dog"),
        (datetime(2026, 8, 14, 23), "dog"),
        (datetime(2026, 8, 14, 23, 0, 1), ""),
        (None, ""),
    ):
        assert notes.for_shot("1.DNG", ShotInfo(clock=clock)).left_out == out


def test_the_nights_clock_does_not_move_fits_times_but_one_given_for_them_does(
    tmp_path: Path,
) -> None:
    text = "clock: {utc_offset_h: 2}\n"
    fits = ShotInfo(clock=datetime(2026, 8, 14, 22), utc_offset_h=0, is_fits=True)
    assert math.isnan(notes_of(tmp_path, text).for_shot("1.fits", fits).utc_offset_h)
    text += 'runs:\n  - files: "*.fits"\n    clock: {utc_offset_h: 1, ahead_s: -3}\n'
    told = notes_of(tmp_path, text).for_shot("1.fits", fits)
    assert (told.utc_offset_h, told.clock_ahead_s) == (1, -3)


def test_a_site_without_height_keeps_the_height_of_the_file(tmp_path: Path) -> None:
    notes = notes_of(tmp_path, "site: {latitude_deg: -33, longitude_deg: 20}\n")
    info = notes.for_shot("1.DNG", ShotInfo(latitude_deg=1, longitude_deg=2, height_m=700)).info
    assert (info.latitude_deg, info.longitude_deg, info.height_m) == (-33, 20, 700)


def test_the_place_on_the_sky_of_a_run_outranks_the_files(tmp_path: Path) -> None:
    notes = notes_of(
        tmp_path, 'runs:\n  - files: "a*"\n    target: {ra_deg: 83.8, dec_deg: -5.4}\n'
    )
    said = ShotInfo(ra_hint_deg=1.0, dec_hint_deg=2.0)
    told = notes.for_shot("a1.dng", said).info
    assert (told.ra_hint_deg, told.dec_hint_deg) == (83.8, -5.4)
    assert notes.for_shot("b1.dng", said).info == said


def test_what_the_notes_say_of_no_shot_is_told_in_a_line_each(tmp_path: Path) -> None:
    notes = notes_of(
        tmp_path,
        """
setups: [2026-08-14 21:00:00, 2026-08-14 23:40:00, 2026-08-13 23:00:00, 2026-08-15 02:00:00]
runs:
  - {files: "N_00*", focal_mm: 35}
  - {files: "M_*", lens: "", focal_mm: 35}
leave_out:
  - {after: 2026-08-15 03:00, reason: clouds}
  - {camera: "tarn*", before: 2026-08-14 22:00, reason: dusk}
""",
    )
    clocks = [datetime(2026, 8, 14, 22), datetime(2026, 8, 15, 1)]
    shots = [
        (f"DCIM/N_000{n}.DNG", ShotInfo(camera="Tarn Works N1", clock=clock))
        for n, clock in enumerate(clocks)
    ]
    assert idle_entries(notes, shots) == [
        "night notes: runs.2 (files: M_*, lens: ) fits no shot of the card; correct or remove it",
        "night notes: leave_out.1 (after: 2026-08-15 03:00:00) fits no shot of the card; "
        "correct or remove it",
        "night notes: setups.3 (2026-08-13 23:00): no shot was taken within 12 h of it; "
        "it should be a time of the camera's own clock",
        "night notes: setups.4 (2026-08-15 02:00): no shot was taken within 12 h of it; "
        "it should be a time of the camera's own clock",
    ]
    assert idle_entries(Notes(), shots) == []


def test_notes_lying_on_the_card_cost_one_line_whatever_they_are(tmp_path: Path) -> None:
    notes = tmp_path / "night-notes.yaml"
    for text in (b"a: &a [1]\nb: [*a]\n", b"[" * 100_000, b"\xff\xfe", b"a: b: c", bytes(50)):
        notes.write_bytes(text)
        with pytest.raises(SettingsError) as caught:
            load_notes(None, tmp_path)
        assert str(caught.value).startswith(f"{notes}:")
        assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("site: {latitude_deg: 46}\n", "1: site.longitude_deg: is missing; add it"),
        (
            "site: {latitude_deg: 96, longitude_deg: 8}\n",
            "1: site.latitude_deg: should be 90 or less (got 96)",
        ),
        (
            "clock:\n  utc_offset_h: +2:00\n",
            "2: clock.utc_offset_h: should be a valid number; write 2 (got '+2:00')",
        ),
        (
            "clock: {utc_offset_h: -3:30}\n",
            "1: clock.utc_offset_h: should be a valid number; write -3.5 (got '-3:30')",
        ),
        (
            "clock: {utc_offset_h: 2, ahead_s: 1e11}\n",
            "1: clock.ahead_s: should be 1e+09 or less (got 100000000000.0)",
        ),
        (
            "setups: [100000000000]\n",
            "1: setups.1: should be a time, such as 2026-08-14 23:40 (got 100000000000)",
        ),
        (
            "setups: [9999-12-31 23:00:00]\n",
            "1: setups.1: should be of a year from 1900 to 2199 (got '9999-12-31 23:00:00')",
        ),
        (
            "runs:\n  - files: a\n    exposure_s: 1e11\n",
            "3: runs.1.exposure_s: should be 1e+06 or less (got 100000000000.0)",
        ),
        (
            'runs:\n  - files: a\n    camera_name: "a\\nb"\n',
            "3: runs.1.camera_name: should be one line of plain text (got 'a\\nb')",
        ),
        (
            "wind: !!bool x\n",
            "1: tag:yaml.org,2002:bool: tags are not read here; put a text into quotes",
        ),
        (
            "runs:\n  - exposure_s: 32\n",
            "2: runs.1: says no shots; add one of files, lens, camera, serial, after, before",
        ),
        ("leave_out:\n  - files: a*\n", "2: leave_out.1.reason: is missing; add it"),
        (
            "setups: [2026-08-14]\n",
            "1: setups.1: should be a date with a time, such as 2026-08-14 23:40 "
            "(got '2026-08-14')",
        ),
        (
            "setups:\n  - 2026-08-14T23:40:00Z\n",
            "2: setups.1: should be without a zone: the time the camera's own clock showed "
            "(got '2026-08-14 23:40:00+00:00')",
        ),
        ("payload: 3\n", "1: payload: no such key; did you mean payload_g?"),
    ],
)
def test_a_mistake_is_told_with_line_key_and_mend(tmp_path: Path, text: str, expected: str) -> None:
    with pytest.raises(SettingsError) as caught:
        notes_of(tmp_path, text)
    assert str(caught.value) == f"{tmp_path / 'notes.yaml'}:{expected}"


@pytest.mark.parametrize(
    ("given", "mend"),
    [
        ("19.11.2025", "2025-11-19 23:40"),
        ("19.11.2025 21:30", "2025-11-19 21:30"),
        ("9/3/2025 1:05", "2025-03-09 01:05"),
        ("'21:30'", "2026-08-14 23:40"),
        ("yesterday", "2026-08-14 23:40"),
    ],
)
def test_a_date_in_another_form_is_told_with_its_line_and_the_one_to_write(
    tmp_path: Path, given: str, mend: str
) -> None:
    path = tmp_path / "night-notes.yaml"
    path.write_text(f"runs:\n  - focal_mm: 85\n    after: {given}\n", "utf-8")
    with pytest.raises(UserError) as told:
        load_notes(path, tmp_path)
    wanted = f"{path}:3: runs.1.after: should be a date with a time, such as {mend} (got "
    assert str(told.value).startswith(wanted)
