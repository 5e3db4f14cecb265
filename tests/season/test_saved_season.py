"""No number that is said of a season changes unseen."""

from __future__ import annotations

from pathlib import Path

import pytest
from tests.saved_nights import MEANT, SAVED, SEASON, changes, season


@pytest.mark.broad
@pytest.mark.parametrize("part", SEASON)
def test_the_season_of_the_saved_nights_is_told_as_it_was(part: str, tmp_path: Path) -> None:
    changed = changes(season(part, tmp_path), SAVED / "season" / part)
    assert not changed, MEANT + "\n".join(changed)
