"""What is on a card, when it was taken, and which night it belongs to."""

import os
import socket
import stat
from datetime import datetime, timedelta
from pathlib import Path, PurePosixPath
from typing import Any

import pytest

from skyplumb.errors import NothingToAuditError, UnreadableError, UserError
from skyplumb.intake.card import open_file, read_file, walk
from skyplumb.intake.nights import sessions, when_utc
from skyplumb.intake.notes import Notes, ShotNotes
from skyplumb.records import CardFile, Measure, ShotInfo

NIGHT = datetime(2026, 8, 14, 22, 0)
BODY = "Tarn Works N1"


def put(card: Path, *files: str) -> None:
    for file in files:
        path = card / file
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(b"x")


def kinds(card: Path) -> dict[str, str]:
    return {one.file.as_posix(): one.kind for one in walk(card)}


# walking ---------------------------------------------------------------------------------


def test_shots_companions_and_unsupported_files_are_told_apart_by_name(tmp_path: Path) -> None:
    put(
        tmp_path,
        *("DCIM/100NIGHT/N_0001.CR3", "DCIM/100NIGHT/n_0001.jpg", "DCIM/100NIGHT/N_0002.JPG"),
        *("DCIM/101NIGHT/N_0002.NEF", "DCIM/101NIGHT/N_0003.MOV", "Übung 1/星 空.fits"),
        *("Übung 1/b.fits.fz", "Übung 1/b.png", "Übung 1/c.tif", "Übung 1/d.HIF"),
        *("notes.txt", "N_0001.xmp", "night-notes.yaml", "plain"),
    )
    assert kinds(tmp_path) == {
        "DCIM/100NIGHT/N_0001.CR3": "light",
        "DCIM/100NIGHT/N_0002.JPG": "unsupported",
        "DCIM/100NIGHT/n_0001.jpg": "companion",
        "DCIM/101NIGHT/N_0002.NEF": "light",
        "DCIM/101NIGHT/N_0003.MOV": "unsupported",
        "Übung 1/b.fits.fz": "light",
        "Übung 1/b.png": "companion",
        "Übung 1/c.tif": "unsupported",
        "Übung 1/d.HIF": "unsupported",
        "Übung 1/星 空.fits": "light",
    }


def test_what_is_not_judged_says_why(tmp_path: Path) -> None:
    put(tmp_path, "a.cr2", "a.jpg", "b.jpg", "c.mp4")
    assert all(one.note for one in walk(tmp_path) if one.kind != "light")


def test_the_order_is_that_of_the_paths_whatever_the_disk_says(tmp_path: Path) -> None:
    put(tmp_path, "b/2.dng", "a/10.dng", "c.dng", "a/2.dng", "B/1.dng")
    found = [one.file.as_posix() for one in walk(tmp_path)]
    assert found == sorted(found)


def test_litter_is_passed_over(tmp_path: Path) -> None:
    put(
        tmp_path,
        *("a.dng", "._a.dng", ".hidden/b.dng", ".Trashes/c.dng", "Thumbs.db", "a.thm"),
        *("System Volume Information/d.dng", "$RECYCLE.BIN/e.dng", "__MACOSX/f.dng"),
    )
    assert list(kinds(tmp_path)) == ["a.dng"]


def test_links_are_followed_once_and_loops_end(tmp_path: Path) -> None:
    card, elsewhere = tmp_path / "card", tmp_path / "elsewhere"
    put(card, "real/a.dng")
    put(elsewhere, "b.dng")
    (card / "again").symlink_to(card / "real")
    (card / "real/up").symlink_to(card)
    (card / "more").symlink_to(elsewhere)
    (card / "self").symlink_to(card / "self")
    (card / "broken.dng").symlink_to(tmp_path / "gone.dng")
    assert kinds(card) == {"broken.dng": "light", "more/b.dng": "light", "real/a.dng": "light"}


def test_pipes_sockets_and_devices_with_the_name_of_a_shot_are_a_row_and_never_opened(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    card = tmp_path / "card"
    put(card, "a.dng")
    os.mkfifo(card / "b.dng")
    (card / "c.dng").symlink_to("b.dng")
    (card / "d.cr2").symlink_to(os.devnull)
    monkeypatch.chdir(card)  # a socket's path may have 108 letters only
    with socket.socket(socket.AF_UNIX) as listener:
        listener.bind("e.nef")
        found = {one.file.as_posix(): one for one in walk(card)}
        for name, words in (
            ("b.dng", "a pipe"),
            ("c.dng", "a pipe"),
            ("d.cr2", "a device"),
            ("e.nef", "a socket"),
        ):
            assert found[name].kind == "unreadable"
            assert found[name].note == f"{name}: {words}, which is never opened; remove it"
            # Nor by who has not asked before: it would wait for ever.
            with pytest.raises(OSError, match="not an ordinary file"):
                open_file(card, name)


def test_hidden_shots_are_a_row_and_what_a_computer_wrote_beside_a_shot_is_none(
    tmp_path: Path,
) -> None:
    put(tmp_path, "a.dng", "._a.dng", "._b.dng", ".c.dng", ".d.jpg", ".hidden/e.dng")
    assert kinds(tmp_path) == {"a.dng": "light", "._b.dng": "unsupported", ".c.dng": "unsupported"}


def test_a_link_to_a_folder_that_holds_the_card_is_a_row_and_not_followed(tmp_path: Path) -> None:
    put(tmp_path, "card/a.dng", "other/b.dng")
    (tmp_path / "card/up").symlink_to(tmp_path)
    (tmp_path / "card/root").symlink_to("/")
    found = {one.file.as_posix(): one for one in walk(tmp_path / "card")}
    assert set(found) == {"a.dng", "root", "up"}
    assert found["up"].note == found["root"].note
    assert "holds the card itself" in found["up"].note


def test_what_lies_behind_links_is_bounded(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    put(tmp_path, "card/a.dng", *(f"else/{n}/{n}.dng" for n in range(9)))
    (tmp_path / "card/more").symlink_to(tmp_path / "else")
    assert len(walk(tmp_path / "card")) == 10
    monkeypatch.setattr("skyplumb.intake.card.MOST_BEHIND_LINKS", 12)
    found = walk(tmp_path / "card")
    assert len(found) == 10
    shut = [one for one in found if "was not entered" in one.note]
    assert shut and all(one.kind == "unsupported" for one in shut)
    assert found[0].file.as_posix() == "a.dng"


def test_a_card_two_hundred_folders_deep_and_full_of_litter_is_walked(tmp_path: Path) -> None:
    deep = "/".join(["d"] * 200)
    put(tmp_path, f"{deep}/a.dng", *(f"l/{n}.txt" for n in range(2000)))
    assert list(kinds(tmp_path)) == [f"{deep}/a.dng"]


@pytest.mark.parametrize("file", ["a.jpg", "a.mov"])
def test_a_card_of_what_no_star_can_be_measured_on_is_told_once(tmp_path: Path, file: str) -> None:
    put(tmp_path, file)
    suffix = file[2:].upper()
    with pytest.raises(NothingToAuditError, match=rf"holds {suffix} only \(1 files\).*RAW"):
        walk(tmp_path)


def test_a_file_where_the_card_should_be_is_told_as_one(tmp_path: Path) -> None:
    put(tmp_path, "a.dng")
    with pytest.raises(UserError, match=r"a\.dng: is a file; give the folder it lies in"):
        walk(tmp_path / "a.dng")


def test_a_name_that_is_no_utf8_still_leads_to_its_file(tmp_path: Path) -> None:
    put(tmp_path, os.fsdecode(b"n\xe4chte.dng"))
    (found,) = walk(tmp_path)
    assert read_file(tmp_path, found.file) == b"x"


def test_a_folder_that_is_missing_or_empty_of_pictures_is_told_by_name(tmp_path: Path) -> None:
    with pytest.raises(UserError, match="gone: no such folder"):
        walk(tmp_path / "gone")
    put(tmp_path, "letter.txt")
    with pytest.raises(UserError, match=f"{tmp_path.name}: holds no RAW"):
        walk(tmp_path)


def test_a_folder_that_cannot_be_opened_costs_one_row(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Denied by hand, since the superuser may open every folder.
    put(tmp_path, "a.dng", "shut/b.dng")
    real = os.scandir

    def scandir(path: Path) -> "Any":
        if Path(path).name == "shut":
            raise PermissionError(13, "Permission denied")
        return real(os.fspath(path))

    monkeypatch.setattr(os, "scandir", scandir)
    assert kinds(tmp_path) == {"a.dng": "light", "shut": "unreadable"}
    assert "permission denied" in walk(tmp_path)[1].note


# reading ---------------------------------------------------------------------------------


def test_reading_gives_the_bytes_and_changes_nothing(tmp_path: Path) -> None:
    put(tmp_path, "a.dng")
    (tmp_path / "a.dng").chmod(stat.S_IRUSR)
    tmp_path.chmod(stat.S_IRUSR | stat.S_IXUSR)
    before = (tmp_path / "a.dng").stat()
    assert read_file(tmp_path, PurePosixPath("a.dng")) == b"x"
    after = (tmp_path / "a.dng").stat()
    tmp_path.chmod(stat.S_IRWXU)
    assert (before.st_mtime_ns, before.st_mode) == (after.st_mtime_ns, after.st_mode)


def test_files_that_cannot_be_shots_are_told_by_name_and_mend(tmp_path: Path) -> None:
    (tmp_path / "empty.dng").touch()
    with (tmp_path / "huge.dng").open("wb") as stream:
        stream.truncate(4 * 1024**3 + 1)  # sparse: takes no room
    os.mkfifo(tmp_path / "pipe.dng")
    for name, words in (
        ("empty.dng", "empty.dng: is empty; copy"),
        ("huge.dng", r"huge.dng: 4.3 GB on disk, which takes 8.8 GB.*leave it off the card"),
        ("gone.dng", "gone.dng: no such file or directory; copy"),
        ("pipe.dng", "pipe.dng: not an ordinary file; copy"),
    ):
        with pytest.raises(UnreadableError, match=words):
            read_file(tmp_path, PurePosixPath(name))


# UTC -------------------------------------------------------------------------------------


def utc(info: ShotInfo, **notes: Any) -> tuple[datetime | None, str]:
    told = when_utc(info, ShotNotes(info, **notes))
    assert bool(told.source) != bool(told.why_not)
    return told.start_utc, told.source


def test_notes_outrank_the_gps_stamp_which_outranks_the_files_zone() -> None:
    gps = NIGHT - timedelta(hours=2)
    info = ShotInfo(clock=NIGHT, gps_utc=gps, utc_offset_h=1)
    assert utc(info, utc_offset_h=3, clock_ahead_s=20) == (
        NIGHT - timedelta(hours=3, seconds=20),
        "night notes",
    )
    assert utc(info) == (gps, "GPS stamp")
    assert utc(ShotInfo(clock=NIGHT, utc_offset_h=1)) == (
        NIGHT - timedelta(hours=1),
        "time zone in the file",
    )
    assert utc(ShotInfo(clock=NIGHT)) == (None, "")


def test_the_gps_stamp_gives_the_zone_and_the_clock_the_seconds() -> None:
    for zone_h, age_s in ((2, 40), (5.75, 250), (-9.5, 0), (0, -20)):
        gps = NIGHT - timedelta(hours=zone_h, seconds=age_s)
        assert utc(ShotInfo(clock=NIGHT, gps_utc=gps))[0] == NIGHT - timedelta(hours=zone_h)


def test_a_gps_stamp_far_from_every_zone_is_passed_over() -> None:
    old = NIGHT - timedelta(hours=2, minutes=23)
    assert utc(ShotInfo(clock=NIGHT, gps_utc=old, utc_offset_h=2)) == (
        NIGHT - timedelta(hours=2),
        "time zone in the file",
    )
    told = when_utc(ShotInfo(clock=NIGHT, gps_utc=old), ShotNotes(ShotInfo()))
    assert told.start_utc is None
    assert "GPS stamp is old" in told.why_not


def test_a_gps_stamp_of_another_day_is_passed_over() -> None:
    assert utc(ShotInfo(clock=NIGHT, gps_utc=NIGHT - timedelta(days=1)))[0] is None


# sessions --------------------------------------------------------------------------------


def shot(file: str, clock: datetime | None, **info: Any) -> Measure:
    return Measure(file, "light", "", ShotInfo(clock=clock, **({"camera": BODY} | info)))


def test_a_night_with_a_site_and_utc_runs_from_solar_noon_to_noon() -> None:
    # At 150 degrees east the Sun stands highest at 2 h UTC (mean time), so the clock in UTC
    # crosses midnight in the forenoon and no pause says where a night ends.
    site = {"longitude_deg": 150.0, "utc_offset_h": 0.0}
    noon = datetime(2026, 8, 14, 2, 0)
    found = sessions(
        [
            shot("1.dng", noon - timedelta(minutes=1), **site),
            shot("2.dng", noon + timedelta(minutes=1), **site),
            shot("3.dng", noon + timedelta(hours=23, minutes=59), **site),
        ],
        Notes(),
    )
    assert found == {
        "1.dng": "2026-08-13-tarn-works-n1",
        "2.dng": "2026-08-14-tarn-works-n1",
        "3.dng": "2026-08-14-tarn-works-n1",
    }


def test_without_a_zone_the_clock_is_cut_at_pauses_of_six_hours() -> None:
    times = {
        "1.dng": datetime(2026, 8, 14, 19, 0),
        "2.dng": datetime(2026, 8, 15, 0, 59, 59),
        "3.dng": datetime(2026, 8, 15, 6, 59, 59),
        "4.dng": datetime(2026, 8, 15, 22, 0),
    }
    found = sessions([shot(file, clock) for file, clock in times.items()], Notes())
    assert found == {
        "1.dng": "2026-08-14-tarn-works-n1",
        "2.dng": "2026-08-14-tarn-works-n1",
        "3.dng": "2026-08-14-tarn-works-n1-part2",
        "4.dng": "2026-08-15-tarn-works-n1",
    }


def test_frames_after_midnight_belong_to_the_evening_before() -> None:
    assert sessions([shot("1.dng", datetime(2026, 8, 15, 3))], Notes()) == {
        "1.dng": "2026-08-14-tarn-works-n1"
    }


def test_a_shot_without_a_fix_goes_with_its_neighbours_that_have_one() -> None:
    gps = {"longitude_deg": 8.0, "gps_utc": NIGHT - timedelta(hours=2)}
    found = sessions(
        [shot("1.dng", NIGHT, **gps), shot("2.dng", NIGHT + timedelta(minutes=2))], Notes()
    )
    assert len(set(found.values())) == 1


def test_two_bodies_of_one_model_have_a_session_each() -> None:
    found = sessions(
        [
            shot("1.dng", NIGHT, serial="70001234"),
            shot("2.dng", NIGHT, serial="70005678"),
            shot("3.dng", NIGHT, camera="Fen One"),
        ],
        Notes(),
    )
    assert found == {
        "1.dng": "2026-08-14-tarn-works-n1-001234",
        "2.dng": "2026-08-14-tarn-works-n1-005678",
        "3.dng": "2026-08-14-fen-one",
    }


def test_a_serial_that_changes_with_each_picture_is_none() -> None:
    times = [NIGHT + timedelta(minutes=2 * k) for k in range(12)]
    changing = [shot(f"{k}.dng", time, serial=f"77 {k}") for k, time in enumerate(times)]
    assert set(sessions(changing, Notes()).values()) == {"2026-08-14-tarn-works-n1"}
    # Beside them, a body whose number stays is one; who has none of his own is taken for it.
    steady = [shot(f"s{k}.dng", time, serial="70001234") for k, time in enumerate(times)]
    assert len(set(sessions(changing + steady, Notes()).values())) == 1
    third = [shot(f"t{k}.dng", time, serial="70005678") for k, time in enumerate(times)]
    assert len(set(sessions(changing + steady + third, Notes()).values())) == 3


def test_a_file_without_serial_is_of_the_only_body_of_its_model() -> None:
    found = sessions([shot("1.dng", NIGHT, serial="7"), shot("2.dng", NIGHT)], Notes())
    assert found["1.dng"] == found["2.dng"]


def test_a_clock_that_jumps_back_makes_a_session_of_its_own_and_loses_nothing() -> None:
    lost = datetime(2020, 1, 1, 0, 0)
    clocks = [NIGHT, NIGHT + timedelta(minutes=2), lost, lost + timedelta(minutes=2)]
    found = sessions([shot(f"{k}.dng", clock) for k, clock in enumerate(clocks)], Notes())
    assert found == {
        "0.dng": "2026-08-14-tarn-works-n1",
        "1.dng": "2026-08-14-tarn-works-n1",
        "2.dng": "2019-12-31-tarn-works-n1",
        "3.dng": "2019-12-31-tarn-works-n1",
    }


def test_a_clock_that_jumps_back_within_the_night_leaves_one_session() -> None:
    clocks = [NIGHT, NIGHT - timedelta(hours=1), NIGHT + timedelta(minutes=3)]
    found = sessions([shot(f"{k}.dng", clock) for k, clock in enumerate(clocks)], Notes())
    assert len(set(found.values())) == 1


def test_shots_without_any_time_have_a_session_of_their_own() -> None:
    found = sessions([shot("1.dng", None), shot("2.dng", NIGHT)], Notes())
    assert found["1.dng"] == "undated-tarn-works-n1"


def test_files_that_say_nothing_go_with_their_neighbours_in_the_folder() -> None:
    later = NIGHT + timedelta(days=1)
    found = sessions(
        [
            shot("a/2.dng", NIGHT),
            shot("a/4.nef", later),
            shot("b/1.dng", later),
            Measure("a/1.dng", "unreadable", "cut"),
            Measure("a/3.dng", "unreadable", "cut"),
            Measure("c/9.dng", "unreadable", "cut"),
        ],
        Notes(),
        [
            CardFile(PurePosixPath("a/4.JPG"), "companion"),
            CardFile(PurePosixPath("b/0.JPG"), "unsupported"),
        ],
    )
    first, second = "2026-08-14-tarn-works-n1", "2026-08-15-tarn-works-n1"
    assert found == {
        "a/1.dng": first,
        "a/2.dng": first,
        "a/3.dng": first,
        "a/4.JPG": second,
        "a/4.nef": second,
        "b/0.JPG": second,
        "b/1.dng": second,
        "c/9.dng": first,
    }


def test_a_card_of_unreadable_files_still_has_a_session() -> None:
    assert sessions([Measure("1.dng", "unreadable", "cut")], Notes()) == {"1.dng": "undated-camera"}
    assert sessions([], Notes()) == {}


@pytest.mark.parametrize(
    ("camera", "slug"),
    [
        ("../Fen: One/<2>", "fen-one-2"),
        ("Ｆen　Ünö 星", "fen-ünö-星"),
        ("", "camera"),
        ("\u202e...", "camera"),
        ("星" * 100, "星" * 20),
    ],
)
def test_the_body_is_a_safe_folder_name(camera: str, slug: str) -> None:
    found = sessions([shot("1.dng", NIGHT, camera=camera)], Notes())
    assert found == {"1.dng": f"2026-08-14-{slug}"}


def test_bodies_whose_names_would_be_one_folder_are_kept_apart() -> None:
    found = sessions(
        [shot("1.dng", NIGHT, camera="Fen One"), shot("2.dng", NIGHT, camera="FEN-ONE")], Notes()
    )
    assert len(set(found.values())) == 2


def test_the_order_of_the_measures_does_not_matter() -> None:
    measures = [
        shot(f"{k}.dng", NIGHT + timedelta(hours=3.5 * k), serial=str(k % 2)) for k in range(12)
    ]
    assert sessions(measures, Notes()) == sessions(measures[::-1], Notes())
