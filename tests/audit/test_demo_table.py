"""The demo's table holds: verdicts, causes and every printed digit of `data/demo-frames.csv`.

The saved table is no truth (tests of each stage and the bench have that); it is what the demo's
audit said when it was saved, so that no change of a number goes unseen. Numbers may differ by one
unit of the last digit printed, since the kernels of other processors round differently.
"""

from __future__ import annotations

import csv
import re
import subprocess
from pathlib import Path

import pytest

from skyplumb.columns import COLUMNS
from smallcard import SKYPLUMB

SAVED = Path(__file__).parents[1] / "data" / "demo-frames.csv"
NUMBER = re.compile(r"-?\d+(?:\.\d+)?")
Rows = list[dict[str, str]]


def rows_of(table: Path) -> Rows:
    with table.open(encoding="utf-8", newline="") as lines:
        return list(csv.DictReader(lines))


def alike(column: str, one: str, other: str) -> bool:
    """Whether two cells say the same, numbers to a unit of the last digit that either shows."""
    if not (COLUMNS[column].numeric or column == "reason"):
        return one == other
    if NUMBER.sub("#", one) != NUMBER.sub("#", other):
        return False
    for a, b in zip(NUMBER.findall(one), NUMBER.findall(other), strict=True):
        decimals = max(len(n.partition(".")[2]) for n in (a, b))
        if abs(float(a) - float(b)) > 1.001 * 10.0**-decimals:
            return False
    return True


@pytest.fixture(scope="session")
def audited_demo(pattern_cache: None, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The table of the whole demo card, drawn and audited as `make demo` does."""
    place = tmp_path_factory.mktemp("demo")
    for words in (("demo", "--out", place / "card"), ("audit", place / "card/card", "--quiet")):
        out = ("--out", place / "out") if words[0] == "audit" else ()
        subprocess.run([*SKYPLUMB, *map(str, (*words, *out))], check=True, timeout=1800)
    (table,) = (place / "out").glob("*/frames.csv")
    return table


def test_the_demos_table_is_the_saved_one(audited_demo: Path) -> None:
    now, saved = rows_of(audited_demo), rows_of(SAVED)
    assert [row["file"] for row in now] == [row["file"] for row in saved]
    assert [name for name in now[0] if name in saved[0]] == list(saved[0])  # columns may be added
    changed = [
        f"{then['file']} {name}: {then[name]!r} was saved, {row[name]!r} is found"
        for row, then in zip(now, saved, strict=True)
        for name in then
        if not alike(name, then[name], row[name])
    ]
    assert not changed, f"if that is meant, copy {audited_demo} to {SAVED}:\n" + "\n".join(changed)


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
