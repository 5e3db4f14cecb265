"""The script bundle of a page: made once, the same when taken from the cache."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from skyplumb.output.page import render as pour

SCRIPTS = ("gear.js",)


@pytest.fixture
def cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """An empty cache folder, and nothing remembered from other tests."""
    monkeypatch.setenv("SKYPLUMB_CACHE", str(tmp_path / "cache"))
    pour._bundle.cache_clear()
    yield tmp_path / "cache"
    pour._bundle.cache_clear()


def again() -> str:
    pour._bundle.cache_clear()
    return pour._bundle(SCRIPTS)


def test_a_kept_bundle_is_the_made_one(cache: Path) -> None:
    made = pour._bundle(SCRIPTS)
    (kept,) = cache.iterdir()
    before = kept.stat().st_mtime_ns
    assert again() == made
    assert kept.stat().st_mtime_ns == before
    assert "prefers-color-scheme" in made


def test_a_bundle_that_was_cut_off_is_made_anew(cache: Path) -> None:
    made = pour._bundle(SCRIPTS)
    (kept,) = cache.iterdir()
    whole = kept.read_bytes()
    kept.write_bytes(whole[: len(whole) // 2])
    assert again() == made
    assert kept.read_bytes() == whole


def test_a_folder_that_cannot_be_written_to_costs_only_time(cache: Path) -> None:
    cache.write_text("a file where the folder should be")
    assert "prefers-color-scheme" in pour._bundle(SCRIPTS)
