"""No number that is said of a night changes unseen."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from tests.oddcards import moved_tripod
from tests.resolved import one_night
from tests.saved_nights import MEANT, NIGHTS, ODD, SAVED, changes, judged, judged_card

from skyplumb.intake.rules import load_rules
from skyplumb.judge.calibrated import calibrate


@pytest.mark.broad
@pytest.mark.parametrize("number", NIGHTS)
def test_a_night_is_judged_as_it_was(number: int, tmp_path: Path) -> None:
    changed = changes(judged(number, tmp_path), SAVED / f"night-{number:02d}")
    assert not changed, MEANT + "\n".join(changed)


@pytest.mark.broad
@pytest.mark.parametrize("name", ODD)
def test_a_card_is_judged_as_it_was(name: str, tmp_path: Path) -> None:
    sessions = judged_card(name, tmp_path)
    before = sorted(p.name for p in (SAVED / "cards").glob(f"{name}-*"))
    assert [folder.name for folder in sessions] == before
    changed = [line for now in sessions for line in changes(now, SAVED / "cards" / now.name)]
    assert not changed, MEANT + "\n".join(changed)


@pytest.mark.broad
def test_a_moved_tripod_is_told_although_a_knock_hides_its_axis() -> None:
    measures = moved_tripod()
    found = calibrate(one_night(measures), lambda line: None)
    assert len(found.notices) == 1
    assert "p1/00-00.fits" in found.notices[0]
    axes = {run.mount.setup: run.mount for run in found.judged(load_rules(None))}
    assert len(axes) == 2
    for setup, (high, east) in enumerate(((20.0, -25.0), (-30.0, 15.0))):  # as drawn
        assert axes[setup].axis_alt_error_arcmin == pytest.approx(high, abs=1.0)
        assert axes[setup].axis_az_error_arcmin == pytest.approx(east, abs=1.5)


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
