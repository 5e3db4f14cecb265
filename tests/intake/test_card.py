"""What is on a card."""

import os
import socket
import stat
from datetime import datetime
from pathlib import Path, PurePosixPath
from typing import Any

import pytest

from skyplumb.errors import NothingToAuditError, UnreadableError, UserError
from skyplumb.intake.card import open_file, read_file, stem, walk

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


def test_names_of_nothing_but_dots_before_a_suffix_are_rows(tmp_path: Path) -> None:
    put(tmp_path, "..fits", "..dng", "..x.fz", "...fits.gz", "a.dng")
    assert kinds(tmp_path) == {
        "..fits": "unsupported",
        "..dng": "unsupported",
        "..x.fz": "unsupported",
        "...fits.gz": "unsupported",
        "a.dng": "light",
    }
    names = ["..fits", "..x.fz", "a.FITS.fz", "A.fits"]
    assert [stem(PurePosixPath(one)) for one in names] == ["./.", "./.", "./a", "./a"]


def test_what_is_not_judged_says_why(tmp_path: Path) -> None:
    put(tmp_path, "a.cr2", "a.jpg", "b.jpg", "c.mp4")
    assert all(one.note for one in walk(tmp_path) if one.kind != "light")


def test_a_container_of_another_form_is_a_row_that_says_what_to_write_instead(
    tmp_path: Path,
) -> None:
    put(tmp_path, "a.fits", "b.fit.gz", "c.qzf", "notes.txt", "d.fts.GZ", "tiny.qzf", "e.gz")
    for name in ("c.qzf", "notes.txt", "e.gz", "plain"):
        (tmp_path / name).write_bytes(bytes(100_000))
    assert kinds(tmp_path) == {
        "a.fits": "light",
        "b.fit.gz": "light",
        "c.qzf": "unsupported",
        "d.fts.GZ": "light",
        "e.gz": "unsupported",
    }
    (note,) = (one.note for one in walk(tmp_path) if one.file.name == "c.qzf")
    assert note.startswith("QZF is none of the formats that are read")
    assert "FITS or DNG" in note


def test_a_card_of_such_containers_alone_says_so(tmp_path: Path) -> None:
    (tmp_path / "c.qzf").write_bytes(bytes(100_000))
    with pytest.raises(NothingToAuditError, match=r"QZF only .* FITS or DNG"):
        walk(tmp_path)


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
