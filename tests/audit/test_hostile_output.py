"""An output that somebody has laid traps in, or keeps things of their own in."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from smallcard import SHARP, Finished

Command = Callable[..., Finished]


@pytest.fixture
def continued(audited: Finished, tmp_path: Path) -> Path:
    """An output folder in which the small card was audited before."""
    return shutil.copytree(audited.out, tmp_path / "out")


@pytest.fixture
def card(small_card: Path, tmp_path: Path) -> Path:
    """A copy of the small card, to be looked at afterwards."""
    shutil.copy2(small_card.parent / "night-notes.yaml", tmp_path)
    return shutil.copytree(small_card, tmp_path / "card")


def contents(card: Path) -> dict[str, bytes]:
    return {str(path): path.read_bytes() for path in sorted(card.rglob("*")) if path.is_file()}


IN_STORE = (
    *("lock", "lock.txt", "ABOUT.txt", "measures.sqlite", "measures.sqlite-wal"),
    *("measures.sqlite-shm", "measures.lock", "log.txt"),
)


@pytest.mark.parametrize("name", [*IN_STORE, "."])
def test_no_link_in_the_store_leads_writing_onto_the_card(
    skyplumb: Command, card: Path, continued: Path, name: str
) -> None:
    store = continued / ".skyplumb"
    if name == ".":
        shutil.rmtree(store)
        store.symlink_to(card / "DCIM")
    else:
        (store / name).unlink(missing_ok=True)
        (store / name).symlink_to(card / SHARP[0])
    before = contents(card)
    done = skyplumb("audit", card, "--out", continued)
    assert contents(card) == before
    assert "Traceback" not in done.stderr
    assert done.code == 0 or (
        len(done.stderr.splitlines()) == 1 and "is a link" in done.stderr and name in done.stderr
    )


@pytest.mark.skipif(not hasattr(os, "link"), reason="needs hard links")
@pytest.mark.parametrize("name", IN_STORE)
def test_no_second_name_of_a_frame_in_the_store_is_written_to(
    skyplumb: Command, card: Path, continued: Path, name: str
) -> None:
    store = continued / ".skyplumb"
    (store / name).unlink(missing_ok=True)
    os.link(card / SHARP[0], store / name)
    before = contents(card)
    done = skyplumb("audit", card, "--out", continued)
    assert contents(card) == before
    assert (done.code, "Traceback" in done.stderr) == (0, False)


def test_a_copy_of_an_output_by_second_names_keeps_what_was_in_it(
    skyplumb: Command, card: Path, continued: Path, tmp_path: Path
) -> None:
    shutil.copytree(continued, tmp_path / "kept", copy_function=os.link)
    before = (tmp_path / "kept" / ".skyplumb" / "measures.sqlite").read_bytes()
    shutil.copy2(card / SHARP[0], card / "another.dng")
    assert skyplumb("audit", card, "--out", continued).code == 0
    assert (tmp_path / "kept" / ".skyplumb" / "measures.sqlite").read_bytes() == before


def test_the_cache_of_star_patterns_is_never_on_the_card(
    skyplumb: Command, card: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("SKYPLUMB_CACHE", str(card / "cache"))
    before = contents(card)
    done = skyplumb("audit", card, "--out", tmp_path / "out")
    assert (done.code, contents(card)) == (2, before)
    assert "SKYPLUMB_CACHE" in done.stderr and len(done.stderr.splitlines()) == 1
    assert not (tmp_path / "out").exists()


def test_a_lock_file_that_is_a_folder_or_cannot_be_written_stops_nothing(
    skyplumb: Command, card: Path, continued: Path, audited: Finished
) -> None:
    (continued / ".skyplumb" / "lock.txt").mkdir()
    (continued / ".skyplumb" / "lock.txt" / "mine").touch()
    done = skyplumb("audit", card, "--out", continued)
    assert (done.code, "lock" in done.stderr) == (0, False)
    assert (continued / ".skyplumb" / "lock.txt" / "mine").exists()


def test_the_card_by_another_name_of_its_folder_is_the_card(
    skyplumb: Command, card: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As on a disk that takes CARD and card for one, or that is mounted in two places."""
    (card.parent / "CARD").mkdir()
    real = os.stat
    monkeypatch.setattr(
        os, "stat", lambda path, **more: real(
            card if not isinstance(path, int) and str(path) == str(card.parent / "CARD") else path,
            **more,
        )
    )  # fmt: skip
    done = skyplumb("audit", card, "--out", card.parent / "CARD" / "out")
    assert done.code == 2 and "lies on the card" in done.stderr
