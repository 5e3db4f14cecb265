"""How far a tracker reaches: against the model that is asked cell by cell."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from drawnseason import CALM, DrawnRig, scale_of, write_season
from skyplumb.season.cross_validation import SeasonModel
from skyplumb.season.reach import SHARES, reach
from skyplumb.season.rig_model import counts_of, fit_rig
from skyplumb.season.sessions import Season, read_season

CELLS = ((35.0, 240.0), (85.0, 120.0), (200.0, 60.0))


def season_of(rig: DrawnRig, out: Path) -> tuple[Season, SeasonModel]:
    season = read_season([write_season(rig, np.random.default_rng(7), 4, CELLS, 12, out)])
    counts = counts_of(season.frames, season.runs)
    return season, SeasonModel(counts, fit_rig(counts))


@pytest.fixture(scope="module")
def known(tmp_path_factory: pytest.TempPathFactory) -> tuple[Season, SeasonModel]:
    return season_of(DrawnRig(), tmp_path_factory.mktemp("season"))


def test_on_the_lines_the_model_keeps_what_they_say(known: tuple[Season, SeasonModel]) -> None:
    season, model = known
    rig = model.rig
    assert rig is not None
    rows = [row for row in reach(season, model).rows if row["kind"] == "contour"]
    assert {row["goal"] for row in rows} == {"90% kept", "75% kept"}
    for row in rows:
        assert row["low"] <= row["focal"] <= row["high"]
        rate = float(rig.rate(scale_of(1.0) / row["focal"], row["exposure"]).middle)
        # 60 draws where the model takes 300, and straight lines between focal lengths.
        assert rate == pytest.approx(float(row["goal"].split("%")[0]) / 100, abs=0.05)


def test_longer_exposures_reach_less_and_dots_stand_where_frames_are(
    known: tuple[Season, SeasonModel],
) -> None:
    rows = reach(*known).rows
    ninety = [row["focal"] for row in rows if row.get("goal") == "90% kept"]
    assert ninety[0] > ninety[-1]
    seen = {(row["focal"], row["exposure"]) for row in rows if row["kind"] == "seen"}
    assert seen == set(CELLS)


def test_the_sentence_says_what_the_model_keeps(known: tuple[Season, SeasonModel]) -> None:
    season, model = known
    said = reach(season, model).sentence
    rig = model.rig
    assert rig is not None
    rate = rig.rate(scale_of(200.0), 120.0)
    assert f"({float(rate.low):.0%} to {float(rate.high):.0%})" in said
    assert "and 2 min it keeps nine of ten; at 200 mm " in said


def test_a_share_is_said_as_the_fraction_that_it_is() -> None:
    numbers = {"one": 1, "two": 2, "three": 3, "four": 4, "five": 5, "nine": 9, "ten": 10}
    numbers |= {"nineteen": 19, "twenty": 20}
    for rate, words in SHARES:
        part, whole = (numbers[word] for word in words.split(" of "))
        assert rate == pytest.approx(part / whole)


def test_a_better_rig_reaches_further(known: tuple[Season, SeasonModel], tmp_path: Path) -> None:
    calm = replace(DrawnRig(), **CALM, axis_arcmin=0.5, axis_bias_arcmin=0.0)
    better = reach(*season_of(calm, tmp_path)).rows
    there = {row["exposure"]: row["focal"] for row in better if row.get("goal") == "75% kept"}
    for row in reach(*known).rows:
        if row.get("goal") == "75% kept" and row["exposure"] in there:
            assert there[row["exposure"]] > row["focal"]


def test_without_a_model_there_is_no_chart(known: tuple[Season, SeasonModel]) -> None:
    season, model = known
    told = reach(season, replace(model, rig=None))
    assert not told.rows and not told.sentence
