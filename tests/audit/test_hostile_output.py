"""An output that somebody has laid traps in, or keeps things of their own in."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from skyplumb.output import links, made, xmp
from smallcard import FEN, LIGHTS, MOOR, SESSION, SHARP, Finished

Command = Callable[..., Finished]


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


@pytest.mark.slow
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


@pytest.mark.slow
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


@pytest.mark.slow
def test_nothing_is_removed_that_was_not_made_there(
    skyplumb: Command, card: Path, continued: Path
) -> None:
    skyplumb("audit", card, "--out", continued, "--xmp")
    mine = [
        continued / ".skyplumb" / "measures" / "thesis.txt",
        continued / ".skyplumb" / "blobs" / "thesis.txt",
        continued / SESSION / "stackable" / "mine.txt",
        continued / SESSION / "xmp" / "mine.xmp",
        continued / SESSION / "stars" / "mine.jpg",
    ]
    changed = continued / SESSION / "stackable" / "02-24mm-30s.txt"
    for path in mine:
        path.parent.mkdir(exist_ok=True)
        path.write_text("mine")
    changed.write_text("only the first of them")
    # The second run is not there any more.
    for path in (card / FEN).glob("MIST_00*.dng"):
        path.unlink()
    done = skyplumb("audit", card, "--out", continued, "--xmp")
    assert done.code == 0, done.stderr
    assert [path.read_text() for path in mine] == ["mine"] * len(mine)
    assert changed.read_text() == "only the first of them"
    made = {path.relative_to(continued / SESSION).as_posix() for path in continued.rglob("*.xmp")}
    assert made == {
        f"xmp/{Path(file).with_suffix('.xmp')}" for file in LIGHTS if file.startswith(MOOR)
    } | {"xmp/mine.xmp"}


@pytest.mark.slow
def test_a_list_that_nobody_wants_any_more_goes(
    skyplumb: Command, card: Path, continued: Path
) -> None:
    skyplumb("audit", card, "--out", continued)
    gone = continued / SESSION / "stackable" / "02-24mm-30s.txt"
    assert gone.exists()
    for path in (card / FEN).glob("MIST_00*.dng"):
        path.unlink()
    assert skyplumb("audit", card, "--out", continued).code == 0
    assert not gone.exists()
    assert (gone.parent / "01-24mm-60s.txt").exists()


@pytest.mark.broad
def test_ledgers_have_the_same_bytes_however_often_it_was_stopped(
    skyplumb: Command, card: Path, continued: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    copy = shutil.copytree(card, tmp_path / "copy")
    words = ("audit", card, "--out", continued, "--link-into", tmp_path / "laid", "--xmp")
    words += ("--xmp-beside", copy)

    def ledgers() -> dict[str, bytes]:
        found = [*continued.rglob(".skyplumb-*.json"), *(tmp_path / "laid").rglob(".sky*.json")]
        return {path.name: path.read_bytes() for path in found}

    def stopped(real: Callable[..., object], after: int) -> Callable[..., object]:
        calls: list[object] = []

        def call(*words: object) -> object:
            calls.append(words)
            if len(calls) == after:
                raise KeyboardInterrupt
            return real(*words)

        return call

    assert skyplumb(*words).code == 0
    undisturbed = ledgers()
    assert set(undisturbed) >= {links.LEDGER, xmp.LEDGER, made.LEDGER}
    shutil.rmtree(tmp_path / "laid")
    for name in (xmp.LEDGER, made.LEDGER):
        (continued / SESSION / name).unlink()
    for path in copy.rglob("*.xmp"):
        path.unlink()
    # Stopped in the middle, each time with the sidecars of other frames written.
    packets = xmp._packets
    for module, name, after in ((links, "_lay", 3), (made, "write_atomic", 8), (links, "_lay", 5)):
        with monkeypatch.context() as patch:
            patch.setattr(module, name, stopped(getattr(module, name), after))
            patch.setattr(xmp, "_packets", lambda rows, n=after: iter([*packets(rows)][-n:]))
            assert skyplumb(*words).code == 130
    assert skyplumb(*words).code == 0
    assert ledgers() == undisturbed
