"""No number that is said of a night changes unseen."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from tests.saved_nights import MEANT, NIGHTS, SAVED, changes, judged


@pytest.mark.broad
@pytest.mark.parametrize("number", NIGHTS)
def test_a_night_is_judged_as_it_was(number: int, tmp_path: Path) -> None:
    changed = changes(judged(number, tmp_path), SAVED / f"night-{number:02d}")
    assert not changed, MEANT + "\n".join(changed)


@pytest.mark.parametrize(
    ("name", "then", "now", "said"),
    [
        ("frames.csv", ",reject,", ",keep,", "frames.csv: "),
        ("summary.json", '"cause": "', '"cause": "no ', "no drive"),
        ("summary.json", '"lights": 20', '"lights": 22', "22"),
    ],
)
def test_a_changed_word_or_number_is_told(
    tmp_path: Path, name: str, then: str, now: str, said: str
) -> None:
    before = SAVED / "night-32"
    folder = shutil.copytree(before, tmp_path / "night")
    assert changes(folder, before) == []
    text = (folder / name).read_text("utf-8")
    assert then in text
    (folder / name).write_text(text.replace(then, now, 1), "utf-8")
    assert said in "".join(changes(folder, before))
