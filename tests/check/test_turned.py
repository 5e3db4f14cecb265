"""`turned` in the night notes: from then on the axis is another one."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import pytest

from skyplumb.errors import UserError
from skyplumb.intake.notes import Notes, idle_entries, load_notes
from skyplumb.records import ShotInfo


def notes(text: str, at: Path) -> Notes:
    path = at / "n.yaml"
    path.write_text(text, encoding="utf-8")
    return load_notes(path, at)


def at(hour: int, minute: int) -> ShotInfo:
    return ShotInfo(clock=datetime(2026, 8, 14, hour, minute))


@pytest.mark.parametrize(
    "text",
    ["turned: 2026-08-14 22:05:00", "turned: [2026-08-14 22:05:00]", "turned: 2026-08-14 22:05"],
)
def test_one_time_or_several(text: str, tmp_path: Path) -> None:
    some = notes(text, tmp_path)
    assert [some.for_shot("a", at(22, m)).setup for m in (4, 5, 30)] == [0, 1, 1]


def test_setups_and_turns_are_both_placements(tmp_path: Path) -> None:
    text = "setups: [2026-08-14 23:00]\nturned: [2026-08-14 22:05, 2026-08-14 23:00]\n"
    some = notes(text, tmp_path)
    assert [some.for_shot("a", at(h, 30)).setup for h in (21, 22, 23)] == [0, 1, 2]


def test_a_turn_after_which_nothing_was_taken_is_told(tmp_path: Path) -> None:
    some = notes("turned: 2026-08-15 09:00", tmp_path)
    (line,) = idle_entries(some, [("a.dng", at(23, 0))])
    assert line.startswith("night notes: turned.1 (2026-08-15 09:00)")


def test_a_time_with_a_zone_is_refused_with_its_line(tmp_path: Path) -> None:
    with pytest.raises(UserError, match=r"n.yaml.*turned.*without a zone"):
        notes("turned: 2026-08-14 22:05:00+02:00", tmp_path)
