"""The small card's table holds to the digit, and differences of tables are found.

The demo's own, of every fault, takes minutes to draw: `make demo-table` compares it.
"""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from demo_table import DEMO, SMALL, alike, changes
from smallcard import SESSION, Finished


def test_the_small_cards_table_is_the_saved_one(audited: Finished) -> None:
    table = audited.out / SESSION / "frames.csv"
    changed = changes(table, SMALL)
    assert not changed, f"if that is meant, copy {table} to {SMALL}:\n" + "\n".join(changed)


def test_a_changed_digit_verdict_row_or_column_is_told(tmp_path: Path) -> None:
    table = Path(shutil.copy2(DEMO, tmp_path / "frames.csv"))
    assert changes(table, DEMO) == []
    text = table.read_text("utf-8")

    def told(then: str, now: str) -> list[str]:
        assert then in text
        table.write_text(text.replace(then, now, 1), "utf-8")
        return changes(table, DEMO)

    (line,) = told(",reject,cloud,", ",reject,wind,")
    assert "N6_0006.dng cause: 'cloud' was saved, 'wind' is found" in line
    assert "other files" in told("N6_0017.dng,", "N6_0117.dng,")[0]
    assert "lacks columns" in told(",trail_px,", ",trail,")[0]


@pytest.mark.parametrize(
    ("column", "one", "other", "same"),
    [
        ("trail_px", "3.412", "3.413", True),
        ("trail_px", "3.412", "3.414", False),
        ("sky_level", "102.5", "102.501", True),
        ("stars", "312", "313", True),
        ("verdict", "keep", "doubtful", False),
        ("file", "a_1.dng", "a_2.dng", False),
        ("reason", "trailed 3.4 px, limit 2.5", "trailed 3.5 px, limit 2.5", True),
        ("reason", "trailed 3.4 px, limit 2.5", "trailed 3.4 px; limit 2.5", False),
        ("drift_px", "", "0.000", False),
    ],
)
def test_cells_are_compared_as_said(column: str, one: str, other: str, same: bool) -> None:
    assert alike(column, one, other) is same
